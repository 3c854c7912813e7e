"""What ISO 13849-1:2015, 4.6.4 (software-based parameterization) asks besides and has verified: P11 to P16, from
memory.

Own wording; the numbers are our own. That a test passes claims no conformity. The clause's first half is in
test_parameter_setting.py.
"""

from __future__ import annotations

import ast
import functools
import inspect
import random
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import core_table
import parameter_case
import parameter_wrong
import pytest
from host_program import program
from link_library import IN_USE
from make_profile import worked
from make_table import random_table
from setting_case import KEY, STOPS, Bench, drive_the_stand, put, run, stand_table, states_of, tick

import mapper
from mapper.cli import _values
from mapper.link import HostController, journal
from mapper.link.frame import Frame, encode_frame
from mapper.link.message import Result as Answered
from mapper.profile import read_profile
from mapper.table import (
    DecodeError,
    EncodeError,
    Table,
    compile_table,
    decode,
    decode_table,
    encode,
    encode_table,
    table_digest,
)

pytestmark = pytest.mark.outside

PROFILES = Path(__file__).resolve().parents[2] / "profiles"
STAND = "test-stand-1"
KINDS = range(1, 10)
OLD = encode_table(replace(random_table(random.Random(1), 1), machine_id=parameter_case.MACHINE_ID))
NEW = encode_table(parameter_case.base())


@functools.cache
def compiled(name: str) -> Table:
    """Of a worked profile."""
    return compile_table(worked(name))


@pytest.fixture
def stand(tmp_path) -> Path:
    path = tmp_path / "test-stand.toml"
    shutil.copy(PROFILES / "test-stand.toml", path)
    return path


@pytest.fixture
def controller(tmp_path):
    """A process with the service key on."""
    with HostController.start(STAND, tmp_path / "flash", program=program()) as one:
        tick(one, KEY | STOPS)
        yield one


_SEEDS = (  # in encode.py: (what it says, what the fault says)
    ('(field.byte_count, "little", signed', '(field.byte_count, "big", signed'),
    ('_byte_count(xs) | _byte_count(ys) << 4', '_byte_count(xs) << 4 | _byte_count(ys)'),
    ('_values(xs, xs) + _values(ys, ys)\n\n\ndef _pair', '_values(ys, ys) + _values(xs, xs)\n\n\ndef _pair'),
    ('enumerate(curves))', 'enumerate(curves[::-1]))'),
    ('_section(_RESPONSE, index, response)', '_section(_RESPONSE, 0, response)'),
    ('bytes([len(table.joints), *table.tool_version])', 'bytes([len(table.joints), *table.tool_version[::-1]])'),
    ('table.revision.to_bytes(2, "little")', '(table.revision ^ 1).to_bytes(2, "little")'),
    ('machine_id.encode("ascii")', 'machine_id.swapcase().encode("ascii")'),
    ('        table.profile_digest,\n', '        table.profile_digest[::-1],\n'),
    ('covered + zlib.crc32(covered)', 'covered + (zlib.crc32(covered) ^ 1)'),
    ('.to_bytes(4, "little")\n\n\ndef _coupled_stops', '.to_bytes(4, "big")\n\n\ndef _coupled_stops'),
    ('for payload in _coupled_stops(table)]', 'for payload in _coupled_stops(table)[:-1]]'),
    ('_tracks(f"{path}.operator", joint.operator,', '_tracks(f"{path}.operator", joint.position,'),
    ('_pair(f"{path}.brake", joint.brake,', '_pair(f"{path}.brake", joint.brake[::-1],'),
    ('ys = [y for curve in (positive, negative)', 'ys = [y for curve in (negative, positive)'),
)  # fmt: skip


def _module(source: str) -> ModuleType:
    """The encoder with another text."""
    module = ModuleType("encoder_with_a_fault")
    sys.modules[module.__name__] = module  # dataclasses looks itself up there
    try:
        exec(compile(source, "encoder_with_a_fault", "exec"), module.__dict__)
    finally:
        del sys.modules[module.__name__]
    return module


def _imports(module: ModuleType) -> set[str]:
    tree = ast.walk(ast.parse(inspect.getsource(module)))
    return {
        name
        for node in tree
        for name in (
            [f"{node.module}.{alias.name}" for alias in node.names]
            if isinstance(node, ast.ImportFrom)
            else [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else []
        )
    }


def _bodies(module: ModuleType) -> dict[str, str]:
    """What every function does, whatever its name and its arguments are called."""
    return {
        node.name: ast.dump(ast.Module(body=node.body, type_ignores=[]))
        for node in ast.walk(ast.parse(inspect.getsource(module)))
        if isinstance(node, ast.FunctionDef)
    }


def _is_shown(encoder: ModuleType, table: Table) -> bool:
    """By the decoder: it refuses what the encoder made, or reads another table."""
    try:
        return decode_table(encoder.encode_table(table)) != table
    except DecodeError:
        return True


def test_p11_sending_and_reading_back_share_no_code_so_that_a_fault_of_one_is_shown_by_the_other():
    """P11, ISO 13849-1:2015, 4.6.4, from memory: coding for sending and decoding for reading back and showing use
    functional diversity. They have no import and no function in common, and of the faults that are put into the
    encoder (each field's value off by one, and orders, widths, signs and places mixed up) the decoder shows every
    one.
    """
    common = _imports(encode) & _imports(decode)
    assert all(name.startswith(("__future__.", "mapper.errors.", "mapper.table.table.")) for name in common), common
    for name in _imports(decode) | _imports(_values):
        assert not name.startswith(("mapper.table.encode", "mapper.table.compile", "zlib")), name
    assert not set(_bodies(encode).values()) & set(_bodies(decode).values())

    tables = (parameter_case.base(), compiled("kerb-arm"))
    source = inspect.getsource(encode)
    for says, fault in _SEEDS:
        assert source.count(says) == 1, says
        broken = _module(source.replace(says, fault))
        assert any(_is_shown(broken, table) for table in tables), fault
    off_by_one, broken = 0, _module(source)
    assert not _is_shown(broken, tables[0]), "without a fault it is the same"
    for name in ("_MACHINE_FIELDS", "_JOINT_FIELDS", "_COUPLED_FIELDS"):
        own = getattr(broken, name)
        for number, field in enumerate(own):
            wrong = replace(field, read=lambda one, read=field.read: read(one) + 1, maximum=2**31)
            setattr(broken, name, (*own[:number], wrong, *own[number + 1 :]))
            assert _is_shown(broken, tables[0]), field.name
            off_by_one += 1
        setattr(broken, name, own)
    assert off_by_one == 15 + 38 + 5


def test_p12_the_data_the_part_it_is_for_who_and_when_are_on_record(stand, controller):
    """P12, ISO 13849-1:2015, 4.6.4, from memory: documented are the data used, the safety part that they belong to,
    who set them and when. Of every try, also one that was refused; nothing that is on record ever changes.
    """
    put(stand, controller.port)
    path = journal.journal_path(stand)
    first = path.read_bytes()
    tick(controller, STOPS)
    put(stand, controller.port)
    told = run("journal", stand, "--entry", 1).output
    short = run("journal", stand).output

    assert path.read_bytes().startswith(first)
    used, refused = journal.read(path)
    for needed in (
        table_digest(stand_table()),
        used["profile_sha256"],
        "revision 1",
        f"machine {STAND}, firmware test",
        "a person",
        used["when"][:10],
        "put into use",
        "taken as confirmed by --yes",
        "holds",
    ):
        assert needed in told
    assert used["profile_sha256"] == read_profile(stand.read_bytes(), "x").digest.hex()
    assert refused["in_use"] is False
    assert "not put into use" in short
    assert "its service key is off" in short
    assert f"last put into use: table {used['digest']}" in short


@pytest.mark.parametrize("kind", KINDS)
def test_p13_every_parameter_is_right_in_the_controller_at_its_smallest_largest_and_a_typical_value(kind):
    """P13, ISO 13849-1:2015, 4.6.4, from memory: verified is the correct setting of each parameter at its minimum,
    maximum and representative values. Each field of each kind of section: coded, parsed by the controller's C,
    uploaded, read back and decoded by other code, unchanged; the typical values are those of both worked profiles.
    """
    tried = parameter_case.tried(kind)
    rows = {1: parameter_case.MACHINE_ROWS, 2: parameter_case.JOINT_ROWS, 9: parameter_case.COUPLED_ROWS}.get(kind, [])
    every = {row[0] for row in rows} | set(parameter_case.CURVE_FIELDS.get(kind, ()))
    assert {(one.field, one.end) for one in tried} == {(f, end) for f in every for end in ("smallest", "largest")}

    bench = Bench(parameter_case.MACHINE_ID)
    typical = [compiled(name) for name in ("kerb-arm", "test-stand")]
    assert any(found == kind for table in typical for found, *_ in parameter_case.sections(encode_table(table)))
    for table in (
        *(one.table for one in tried),
        *(replace(table, machine_id=bench.controller.machine_id) for table in typical),
    ):
        data = encode_table(table)
        result, _, _, live = core_table.parse(data)
        assert (result, core_table.as_table(live)) == ("ok", table)
        assert bench.upload(data).error is None
        back = bench.stored().data
        assert back == data
        assert decode_table(back) == table
    for one in tried:
        if one.raw is not None:
            assert parameter_case.raw_value(encode_table(one.table), kind, one.field) == one.raw


@pytest.mark.parametrize("kind", KINDS)
def test_p14_a_value_just_outside_is_refused_by_the_tool_and_by_the_controller(kind):
    """P14, ISO 13849-1:2015, 4.6.4, from memory: verified is that parameters are checked for plausibility, for
    example by invalid values. One below and one above each field: the tool makes no table of it and names it; the
    controller, given the bytes with all else right, refuses them and names section and field, and its old table
    stays.
    """
    good = NEW
    bench = Bench(parameter_case.MACHINE_ID, good)
    wrong = parameter_wrong.wrong(kind, good)
    section = parameter_case.place(good, kind)[0]
    for one in wrong:
        if one.path:
            with pytest.raises(EncodeError) as refused:
                encode_table(one.table)
            assert refused.value.path.replace("[", ".").replace("]", "").startswith(one.path), one.what
        if one.data is not None:
            result, *place, live = core_table.parse(one.data)
            assert place == [section, one.field], one.what
            assert core_table.is_zeroed(live)
            said = bench.upload(one.data).error
            why = {"bad_value": "a value outside its range", "bad_structure": "wrong structure"}[result]
            assert said.endswith(f"by its own check: {why} (section {section}, field {one.field})"), one.what
            with pytest.raises(DecodeError):
                decode_table(one.data)
    assert bench.stored().data == good
    assert len([one for one in wrong if one.data is not None]) >= 7


def test_p15_a_modification_without_authority_is_prevented_or_found(stand, controller):
    """P15, ISO 13849-1:2015, 4.6.4, from memory: verified is that unauthorized modification is prevented. With the
    key off no message of any kind reaches the flash; what is changed in the flash behind the controller's back is not
    obeyed; a table of another machine is refused; and what came in past the tool is found by the tool, for it is not
    on record.
    """
    bench, rng = Bench(parameter_case.MACHINE_ID, OLD), random.Random(15)
    bench.controller.tick(STOPS)
    operations, law = bench.controller.operations, bench.controller.law_bytes()
    steps = bench.steps(NEW)
    for number in range(3_000):
        kind, content = (
            rng.choice(steps) if number % 2 else (rng.randrange(256), rng.randbytes(rng.choice((0, 4, 8, 48))))
        )
        bench.send(encode_frame(Frame(kind=kind, tag=number, content=content)))
    assert bench.controller.operations == operations
    assert bench.controller.law_bytes() == law
    assert bench.stored().data == OLD

    bench.controller.tick(KEY | STOPS)
    other = encode_table(replace(decode_table(NEW), machine_id="other-arm"))
    assert "'other-arm'" in bench.upload(other).error, "the tool does not even send it"
    results = [bench.put(*step) for step in bench.steps(other)]
    assert results[-2:] == [Answered.TABLE_REFUSED, Answered.NO_TRANSFER], "nor does the controller take it"
    for at in range(0, len(OLD), 3):
        bits = 1 << rng.randrange(8)
        bench.controller.flip(64 + at, bits)
        assert bench.controller.start() != IN_USE
        assert bench.controller.tick(63) == (0, 0, 0, 0)
        bench.controller.flip(64 + at, bits)
    assert bench.controller.start() == IN_USE

    put(stand, controller.port)
    past = mapper.link.upload(controller.port, encode_table(replace(decode_table(stand_table()), revision=2)))
    found = run("journal", stand, "--port", controller.port)
    assert past.outcome.after.sequence == 2
    assert found.return_value == 1
    assert "NOT on record" in found.output


def test_p16_faults_of_what_sets_the_parameters_do_not_touch_the_safety_function():
    """P16, ISO 13849-1:2015, 4.6.4, from memory: verified is that the setting's data and signals cannot make the
    safety function be lost. Two controllers in `running`, one with garbage and every question of an upload on its
    line: every tick of both is the same, the emergency stop at the end too. And while a table is taken, and after,
    nothing is driven.
    """
    table = stand_table()
    silent, disturbed = Bench(STAND, table), Bench(STAND, table)
    rng = random.Random(16)
    steps = disturbed.steps(encode_table(replace(decode_table(table), revision=2)))

    def disturb(number: int) -> None:
        if number % 3 == 0:
            disturbed.send(rng.randbytes(rng.randrange(1, 400)))
        kind, content = (
            steps[number % len(steps)] if number % 2 else (rng.randrange(256), rng.randbytes(rng.randrange(60)))
        )
        disturbed.send(b"\0" + encode_frame(Frame(kind=kind, tag=number, content=content)))

    calm = drive_the_stand(silent, lambda _number: None)
    rough = drive_the_stand(disturbed, disturb)
    assert states_of(calm) == ["powering_up", "stopped", "matching", "running", "emergency_stop"]
    assert sum(1 for one in calm if one[3]) > 100, "it was driving"
    assert rough == calm
    assert disturbed.controller.law_bytes() == silent.controller.law_bytes()
    assert disturbed.stored().data == table

    outputs = []
    disturbed.line.each_ms = lambda _now: outputs.append(disturbed.controller.tick(KEY | STOPS, (2050, 2048, 2048)))
    assert disturbed.upload(encode_table(replace(decode_table(table), revision=2))).error is None
    disturbed.line.each_ms = None
    outputs += [disturbed.controller.tick(STOPS, (2050, 2048, 2048)) for _ in range(400)]
    assert {one[2:] for one in outputs} == {(0, 0)}
    assert states_of(outputs)[-2:] == ["powering_up", "stopped"], "and it waits for a reset"
