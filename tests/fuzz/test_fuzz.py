"""The fuzz targets: their corpus runs clean with any compiler, and what they are for is noticed when it is broken.

Minutes (`pytest -m deep`): with libFuzzer, faults planted in the core are found, and a million executions on the core
as it is find nothing. All ten million: `python tests/fuzz/main.py`.
"""

from __future__ import annotations

import runpy
import shutil
import subprocess
from pathlib import Path
from typing import NamedTuple

import fuzz_build
import fuzz_run
import fuzz_seeds
import pytest

MAIN = runpy.run_path(str(Path(__file__).with_name("main.py")))
CORPUS_BYTES_MAX = 100_000


class Plant(NamedTuple):
    """A fault of the core, the target that is for it, and executions within which it is found."""

    target: str
    file: str
    old: str
    new: str
    executions: int = 400_000


_CHECK = "    const table_fault_t fault = parse_for_this_machine(controller, bytes, n);\n"
_ANEW = "    law_start(&controller->law);\n    controller->law.press_ticks = 0;\n"
_UNCHECKED = (
    "if (transfer->phase != LINK_TRANSFER_CHECKED) {\n"
    "            answer->result = LINK_INCOMPLETE;\n"
    "            answer->field"
)

PLANTS = {
    "a frame's bytes are not counted": Plant(
        "frames", "frame.c", "receiver->count >= FRAME_BYTES_MAX", "receiver->count > FRAME_BYTES_MAX"
    ),
    "a frame's CRC is not looked at": Plant(
        "frames",
        "frame.c",
        "if (crc32_update(0, receiver->bytes, summed) != core_read_u32(receiver->bytes + summed))",
        "if (false)",
    ),
    "a full block is stuffed one byte too late": Plant(
        "frames", "frame.c", "stuffer->code_at == 255u", "stuffer->code_at == 256u"
    ),
    "a section's end is not looked at": Plant(
        "table", "table_read.c", "return reader->end - reader->at >= byte_count;", "return reader->at + byte_count > 0;"
    ),
    "a wider curve than needed is taken": Plant(
        "table", "table_read.c", "bool fits = true;", "bool fits = count > CURVE_POINTS_MAX;"
    ),
    "a flow that does not fit is taken": Plant(
        "table",
        "table.c",
        "bool fits = true;\n    for (int32_t i = 0;",
        "bool fits = true;\n    for (int32_t i = 1;",
    ),
    "a fault time above one second is taken": Plant(
        "table", "table.c", "joint->position_sensor.bad_ticks * table->tick_us > TABLE_FAULT_TIME_MAX_US", "false"
    ),
    "one channel of the stop is enough to run": Plant(
        "law",
        "safety.c",
        "(digital & LAW_IN_STOP_1) != 0 && (digital & LAW_IN_STOP_2) != 0;\n    const buttons_t",
        "(digital & LAW_IN_STOP_1) != 0;\n    const buttons_t",
        40_000,
    ),
    "a late tick is no fault": Plant("law", "watch.c", "if (in->elapsed_us >", "if (false && in->elapsed_us >", 40_000),
    "the upper soft stop is not looked at": Plant(
        "law",
        "motion.c",
        "= cap_of(&joint->brake[direction], room);",
        "= direction == TABLE_POSITIVE ? TABLE_SPEED_MAX_MDEG_S : cap_of(&joint->brake[direction], room);",
        40_000,
    ),
    "a table is taken with the key off": Plant(
        "link", "link_transfer.c", "if (facts.standstill && facts.key) {", "if (facts.standstill) {", 60_000
    ),
    "a commit needs no finish": Plant(
        "link",
        "link_transfer.c",
        _UNCHECKED,
        "if (false) {\n            answer->field",
        60_000,
    ),
    "what is no question is answered": Plant(
        "link", "link.c", "frame->kind == 0 || frame->kind >= LINK_ANSWER", "frame->kind == 0", 60_000
    ),
    "a message starts the law anew": Plant(
        "link", "controller.c", _CHECK + "    load", _CHECK + _ANEW + "    load", 60_000
    ),
}


def changed_core(folder: Path, plant: Plant) -> Path:
    """A copy of the core with the one text replaced."""
    core = folder / "core"
    shutil.copytree(fuzz_build.CORE, core)
    text = (core / plant.file).read_text(encoding="utf-8")
    assert text.count(plant.old) == 1, (
        f"{plant.file} holds {plant.old!r} {text.count(plant.old)} times: bring the fault up to date"
    )
    (core / plant.file).write_text(text.replace(plant.old, plant.new), encoding="utf-8")
    return core


def corpus(target: str) -> list[Path]:
    return sorted((fuzz_seeds.CORPUS / target).iterdir())


@pytest.fixture(scope="module")
def programs(tmp_path_factory) -> dict[str, Path]:
    if fuzz_build.any_compiler() is None:
        pytest.skip("no C compiler here")
    return fuzz_build.build(fuzz_build.TARGETS, tmp_path_factory.mktemp("fuzz"), fuzzer=False)


@pytest.fixture(scope="module")
def sound_objects(tmp_path_factory) -> Path:
    """The core as it is, compiled for the fuzzer: of a changed one the other files are taken from here."""
    if fuzz_build.fuzzing_compiler() is None:
        pytest.skip("no clang with libFuzzer here")
    folder = tmp_path_factory.mktemp("sound")
    fuzz_build.build(["frames"], folder, fuzzer=True)
    return folder


@pytest.mark.parametrize("target", fuzz_build.TARGETS)
def test_every_input_of_the_corpus_runs_clean(programs, target):
    files = corpus(target)
    assert len(files) >= 5

    done = subprocess.run([programs[target], *files], capture_output=True, text=True, check=False, timeout=60)

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == f"{len(files)} inputs\n"


def test_the_corpus_is_small_and_what_the_encoders_make_of_it():
    """`python tests/fuzz/main.py --seeds` writes it anew after a change of the layout."""
    for target, inputs in fuzz_seeds.seeds().items():
        made = [path.read_bytes() for path in corpus(target) if path.name.startswith("seed_")]
        assert made == inputs, target
    tables = {path.stem: path.read_bytes() for path in fuzz_seeds.TABLES.iterdir()}
    assert tables == fuzz_seeds.law_tables() | fuzz_seeds.link_tables()
    assert sum(path.stat().st_size for path in fuzz_seeds.CORPUS.rglob("*") if path.is_file()) < CORPUS_BYTES_MAX


def test_a_broken_core_is_noticed_by_the_corpus_alone(tmp_path):
    """So that the requirements in the targets do require something, without a fuzzer too."""
    if fuzz_build.any_compiler() is None:
        pytest.skip("no C compiler here")
    core = changed_core(tmp_path, PLANTS["a frame's CRC is not looked at"])
    program = fuzz_build.build(["frames"], tmp_path, fuzzer=False, core=core)["frames"]

    done = subprocess.run([program, *corpus("frames")], capture_output=True, text=True, check=False, timeout=60)

    assert done.returncode != 0
    assert "not so: result == expected(" in done.stderr


@pytest.mark.parametrize(("part", "least"), [((1, 1), 10_000_000), ((3, 10), 1_000_000), ((1, 7), 1_428_572)])
def test_the_plan_never_falls_short(part, least):
    jobs = MAIN["plan"](10_000_000, fuzz_build.TARGETS, part, 2)

    assert sum(job.executions for job in jobs) >= least
    assert len({(job.target, job.seed) for job in jobs}) == len(jobs) == 8


def test_other_parts_begin_from_other_seeds():
    seeds = [{job.seed for job in MAIN["plan"](1000, ["law"], (number, 9), 3)} for number in range(1, 10)]

    assert len(set().union(*seeds)) == 27


@pytest.mark.deep
@pytest.mark.parametrize("name", PLANTS)
def test_a_planted_fault_is_found(name, tmp_path, sound_objects, capsys):
    plant = PLANTS[name]
    core = changed_core(tmp_path, plant)
    jobs = [fuzz_run.Job(target=plant.target, executions=plant.executions, seed=1)]

    code = MAIN["fuzz"](jobs, 1, 4, core, tmp_path / "found", sound_objects)

    assert code == 1, "not found"
    told = capsys.readouterr().out
    assert "found: " in told
    assert "--replay" in told
    found = list((tmp_path / "found").iterdir())
    assert len(found) == 1
    assert found[0].name.startswith(f"{plant.target}-")


@pytest.mark.deep
@pytest.mark.timeout(900)
def test_a_tenth_of_all_executions_finds_nothing(sound_objects, tmp_path):
    jobs = MAIN["plan"](MAIN["EXECUTIONS"], fuzz_build.TARGETS, (1, 10), 2)

    assert MAIN["fuzz"](jobs, 2, 10, fuzz_build.CORE, tmp_path, sound_objects) == 0
