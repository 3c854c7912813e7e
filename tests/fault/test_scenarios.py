"""The scenario command: a slice of every family of the store's, ids that replay, floors that bite; and stores that are
broken on purpose, each caught by a family. `python tests/scenarios/main.py` runs all of them.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parents[2]
SCENARIOS = ROOT / "tests" / "scenarios"
sys.path.insert(0, str(SCENARIOS))

import campaign
import store_families
from commands import load_command
from family import Family, Lost, Outcome, parse_id, scenario_id
from store_library import CORE

main = load_command("scenarios")

COMMIT = "!program_mark(config, slot, &store->fresh, COMMIT_MAGIC)"
SETTLE = "!program_settled(config, slot, &store->fresh)"
UNREAD = "!reads_as(config, address, header, sizeof header)"
TORN = "!store_table_is_whole(config, slot, &store->fresh)"

FAMILIES = store_families.families()
BY_CODE = {family.code: family for family in FAMILIES}
SLICE = 400
"""Scenarios of a family, spread over all of it: seconds for all families."""


def _slice(family: Family, count: int = SLICE) -> range:
    return range(0, family.total, max(1, family.total // count))


@pytest.mark.parametrize("code", BY_CODE)
def test_a_slice_of_every_family_is_played_and_none_is_lost(code):
    family = BY_CODE[code]
    numbers = _slice(family)
    outcome = family.run(numbers)

    assert outcome.lost == ()
    assert len(outcome.keys) + outcome.empty == len(numbers)
    assert len(np.unique(outcome.keys)) >= SLICE // 4, "most of them are scenarios of their own"


@pytest.mark.parametrize("code", BY_CODE)
def test_a_scenario_is_the_same_alone_as_among_others(code):
    family = BY_CODE[code]
    numbers = _slice(family, 40)
    together = family.run(numbers)
    alone = [family.run(range(number, number + 1)) for number in numbers]

    assert np.array_equal(np.concatenate([one.keys for one in alone]), together.keys)
    assert sum(one.empty for one in alone) == together.empty


def test_the_scenarios_of_a_whole_run_are_at_least_a_million():
    floors = campaign.read_floors(SCENARIOS / "floors.toml")

    assert floors["total"] >= 1_000_000
    assert all(floors[family.code] <= family.total for family in FAMILIES)
    assert sum(floors[family.code] for family in FAMILIES) >= 1_000_000


# -- stores that are broken on purpose ----------------------------------------------------------------------------

MUTANTS = {
    "commits before it verifies": (
        "store.c",
        f"    if ({UNREAD} || {TORN}) {{",
        f"    if ({COMMIT} || {SETTLE} ||\n        {UNREAD} || {TORN}) {{",
        f"    if ({COMMIT} || {SETTLE}) {{\n        /*",
        "    if (config->unit == 0) {\n        /*",
    ),
    "settles before it commits": ("store.c", f"if ({COMMIT} || {SETTLE}) {{", f"if ({SETTLE} || {COMMIT}) {{"),
    "programs the header after the table": (
        "store.c",
        f"    if (!program(config, address, header, sizeof header) || {UNREAD}) {{\n"
        "        return STORE_FAILED;\n    }\n",
        "    (void)address;\n    (void)header;\n",
        f"    store->writing = false;\n    if ({UNREAD}",
        f"    store->writing = false;\n    if (!program(config, address, header, sizeof header) || {UNREAD}",
    ),
    "erases the slot in use": ("store.c", "return 1u - slot_in_use(store);", "return slot_in_use(store);"),
    "erases the damaged slot": ("store.c", "if (damaged_0 != damaged_1) {", "if (damaged_0 && damaged_1) {"),
    "does not count up": (
        "store.c",
        "newest_sequence(store) + 1u;",
        "newest_sequence(store) + (newest_sequence(store) == 0);",
    ),
    "counts from the older one": ("store.c", "    return a > b ? a : b;", "    return a > b ? b : a;"),
    "takes the older of two": ("store.c", "return a > b ? STORE_0_NEWER", "return a < b ? STORE_0_NEWER"),
    "does not cancel": ("store.c", "    cancel(store);\n", "    (void)cancel;\n"),
    "does not settle": ("store.c", "        settle(store);\n", "        (void)settle;\n"),
    "gives out what it could not settle": (
        "store.c",
        "        store->choice = STORE_TAKE_DAMAGED;",
        "        (void)0;",
    ),
    "settles with what can no longer be read back": (
        "store.c",
        "if (program(config, address, bytes, sizeof bytes) && reads_as(config, address, bytes, sizeof bytes)) {",
        "if (program(config, address, bytes, sizeof bytes)) {",
    ),
    "does not cancel what it could not settle": (
        "store.c",
        "        (void)program_mark(config, slot, &store->fresh, CANCELLED_MAGIC);\n",
        "",
    ),
    "does not verify the table before the commit": (
        "store.c",
        "|| !store_table_is_whole(config, slot, &store->fresh)) {",
        ") {",
    ),
    "does not look whether the table is whole": (
        "store_look.c",
        "good && store_table_is_whole(config, slot, record);",
        "good;",
    ),
    "looks at the CRC alone": (
        "store_look.c",
        "return crc == record->table_crc && store_is_same(found, record->digest, DIGEST_BYTES);",
        "return crc != 0 || store_is_same(found, record->digest, DIGEST_BYTES);",
    ),
    "takes any trace of a record for all of it": (
        "store_look.c",
        "#define WRONG_BYTES_MAX 2u",
        "#define WRONG_BYTES_MAX 31u",
    ),
    "takes no rotted record": ("store_look.c", "#define WRONG_BYTES_MAX 2u", "#define WRONG_BYTES_MAX 0u"),
    "programs a torn record again where that is not allowed": (
        "store.c",
        "config->program_twice ? (uint32_t)wanted[i] ^ config->erased : 0;",
        "(uint32_t)wanted[i] ^ config->erased;",
    ),
    "falls back to an older table": (
        "store_choice.c",
        "{USABLE,  DAMAGED, NEWER_1 | SAME,  STORE_TAKE_DAMAGED}",
        "{USABLE,  DAMAGED, NEWER_1 | SAME,  STORE_TAKE_0}",
    ),
    "brings a table up by its commit record": (
        "store_choice.c",
        "{GOOD,     CLEAR,       GOOD,     YES,    NOT_GOOD, STORE_SLOT_DOUBT}",
        "{GOOD,     CLEAR,       GOOD,     YES,    NOT_GOOD, STORE_SLOT_SETTLED}",
    ),
    "cancels what has no trace of a settled record": (
        "store_choice.c",
        "    {GOOD,     CLEAR,       GOOD,     YES,    NOT_GOOD, STORE_SLOT_DOUBT},\n",
        "    {GOOD,     CLEAR,       GOOD,     YES,    BAD,      STORE_SLOT_DOUBT},\n"
        "    {GOOD,     CLEAR,       GOOD,     YES,    BLANK,    STORE_SLOT_OPEN},\n",
    ),
    "does not cancel what has no commit record": (
        "store_choice.c",
        "    {GOOD,     CLEAR,       NOT_GOOD, YES,    NOT_GOOD, STORE_SLOT_OPEN},\n",
        "    {GOOD,     CLEAR,       BAD,      YES,    NOT_GOOD, STORE_SLOT_OPEN},\n"
        "    {GOOD,     CLEAR,       BLANK,    YES,    NOT_GOOD, STORE_SLOT_UNFINISHED},\n",
    ),
    "does not program a commit record again": (
        "store.c",
        "config->program_twice && !complete_mark(config, slot, record, COMMIT_MAGIC)",
        "config->unit == 0",
    ),
    "programs the settled record again before the commit record": (
        "store.c",
        "    if (config->program_twice && !complete_mark(config, slot, record, COMMIT_MAGIC)) {\n",
        "    (void)complete_mark(config, slot, record, SETTLED_MAGIC);\n"
        "    if (config->program_twice && !complete_mark(config, slot, record, COMMIT_MAGIC)) {\n",
    ),
    "takes a confirmed table with a rotted header for rubbish": (
        "store_choice.c",
        "{NOT_GOOD, CONFIRMED,   ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_DAMAGED}",
        "{NOT_GOOD, CONFIRMED,   ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_RUBBISH}",
    ),
    "forgets that an upload was cancelled": (
        "store_choice.c",
        "{GOOD,     CANCELLED,   ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_UNFINISHED}",
        "{GOOD,     CANCELLED,   ANY_PART, EITHER, NOT_GOOD, STORE_SLOT_DOUBT}",
    ),
}


WRITE_ORDER = (
    "commits before it verifies",
    "settles before it commits",
    "programs the header after the table",
    "cancels what has no trace of a settled record",
)


@pytest.fixture(scope="module")
def objects(tmp_path_factory):
    """All but the store, compiled once."""
    return store_families.compile_objects(tmp_path_factory.mktemp("campaign"), store_families.campaign_sources())


def _broken(folder: Path, objects: list[Path], file: str, *changes: str) -> tuple[Family, ...]:
    """changes: what is there and what comes there instead, as often as need be."""
    for path in CORE.glob("store*.[ch]"):
        text = path.read_text(encoding="utf-8")
        for old, new in zip(changes[::2], changes[1::2], strict=True):
            if path.name == file:
                assert text.count(old) == 1, (
                    f"{file} holds {old!r} {text.count(old)} times: bring the mutant up to date"
                )
                text = text.replace(old, new)
        (folder / path.name).write_text(text, encoding="utf-8")
    changed = store_families.compile_objects(folder, store_families.store_sources(folder))
    return store_families.families_of(store_families.link_campaign(folder / "broken.so", [*objects, *changed]))


def caught_by(families: tuple[Family, ...], count: int, first_only: bool = False) -> dict[str, int]:
    """Family and how many of its slice are lost; with first_only no family after the first that catches it."""
    lost: dict[str, int] = {}
    for family in families:
        lost[family.code] = len(family.run(_slice(family, count)).lost)
        if first_only and lost[family.code]:
            break
    return lost


@pytest.mark.parametrize(
    "name", [name if name in WRITE_ORDER else pytest.param(name, marks=pytest.mark.deep) for name in MUTANTS]
)
def test_a_store_broken_on_purpose_loses_scenarios(name, objects, tmp_path):
    """With -s it prints which families catch it. What cuts seldom meet wants a larger slice."""
    families = _broken(tmp_path, objects, *MUTANTS[name])
    lost = caught_by(families, SLICE // 4)
    if not sum(lost.values()):
        lost = caught_by(families, 20 * SLICE, first_only=True)
    if not sum(lost.values()):
        lost = caught_by(families, 1000 * SLICE, first_only=True)
    print(f"{name}: {', '.join(f'{code} {count}' for code, count in lost.items() if count)}")

    assert sum(lost.values()) > 0


def test_the_same_scenarios_pass_the_store_as_it_is(objects, tmp_path):
    lost = caught_by(
        _broken(tmp_path, objects, "store.c", '#include "store_parts.h"', '#include "store_parts.h" '), SLICE // 4
    )

    assert sum(lost.values()) == 0


# -- the command --------------------------------------------------------------------------------------------------


def _planted(lost: tuple[int, ...] = (), total: int = 1000, empty: int = 0) -> Family:
    def run(numbers: range) -> Outcome:
        keys = np.array([number // 2 for number in numbers if number >= empty], np.uint64)
        found = tuple(Lost(number=number, why="planted") for number in lost if number in numbers)
        return Outcome(keys=keys, empty=sum(number < empty for number in numbers), lost=found)

    return Family(
        code="plant", about="planted", total=total, chunk=64, run=run, describe=lambda number: f"number {number}"
    )


def _campaign(family: Family, floors: dict[str, int], part: str = "1/1", processes: int = 0) -> int:
    return main.campaign((family,), campaign.parse_part(part), processes, floors, whole=False)


def test_a_lost_scenario_is_printed_by_its_id_and_fails_the_run(capsys):
    assert _campaign(_planted(lost=(777,)), {"plant": 1}, processes=2) == 1
    printed = capsys.readouterr().out

    assert "LOST plant-ll: planted" in printed
    assert "--replay plant-ll" in printed
    assert parse_id("plant-ll") == ("plant", 777)


def test_distinct_scenarios_are_counted_and_a_fallen_count_fails_the_run(capsys):
    """Every two numbers of the planted family are one scenario."""
    assert _campaign(_planted(), {"plant": 500}) == 0
    assert _campaign(_planted(), {"plant": 501}) == 1
    assert "BELOW ITS FLOOR plant: 500 distinct, at least 501 are wanted" in capsys.readouterr().out
    assert _campaign(_planted(), {}) == 1, "a family without a floor"


def test_a_part_has_to_reach_its_share_of_the_floor():
    """Numbers of a part are apart, so that none of them is another one's twin here: 100 of them. Chance may take four
    standard deviations.
    """
    assert _campaign(_planted(), {"plant": 1400}, part="3/10") == 0
    assert _campaign(_planted(), {"plant": 1500}, part="3/10") == 1
    assert _campaign(_planted(empty=500), {"plant": 1000}, part="3/10") == 1, "what did not happen does not count"


def test_the_parts_together_are_the_whole():
    family = _planted(total=103)
    numbers = [number for k in range(1, 11) for number in campaign.Part(number=k, of=10).numbers(family)]

    assert sorted(numbers) == list(range(103))


def test_a_total_that_falls_and_a_family_that_is_gone_fail_the_whole_run():
    below = campaign.below_floors({"plant": 10}, {"plant": 10, "gone": 3, "total": 13}, campaign.Part(), True)

    assert below == ["gone: 0 distinct, at least 3 are wanted", "all: 10 distinct, at least 13 are wanted"]


@pytest.mark.parametrize("text", ["0/10", "11/10", "3", "a/b", "1/0", "-1/3"])
def test_a_part_that_is_none_is_refused(text):
    with pytest.raises(ValueError, match="K/N"):
        campaign.parse_part(text)


def test_a_process_that_dies_ends_the_run_and_says_where(capsys):
    def run(numbers: range) -> Outcome:
        import os

        os._exit(3)

    family = Family(code="dies", about="", total=5, chunk=5, run=run, describe=str)
    with pytest.raises(campaign.CampaignError, match="a process died; on their way: dies 0 to 4 by 1"):
        _campaign(family, {"dies": 1}, processes=1)


def test_the_replay_of_an_id_gives_the_same_verdict_and_the_same_steps(capsys, store_only):
    text = scenario_id(BY_CODE["rec"], 4321)
    assert main.main(("--replay", text)) == 0
    first = capsys.readouterr().out
    assert main.main(("--replay", text)) == 0

    assert capsys.readouterr().out == first
    assert first.startswith(f"{text}: ")
    assert "the power is gone" in first
    assert first.rstrip().endswith("not lost")


@pytest.fixture
def store_only(monkeypatch):
    """The store's families alone: they are compiled already."""
    monkeypatch.setattr(main, "MODULES", ("store_families",))


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--replay", "cut"), "is no id of a scenario"),
        (("--replay", "nosuch-1"), "no family 'nosuch'"),
        (("--replay", "cut-zzzzzz"), "family cut ends at"),
        (("--family", "nosuch"), "no family 'nosuch'"),
        (("--part", "5/4"), "K/N"),
    ],
)
def test_a_call_that_makes_no_sense_says_what_would(arguments, says, capsys, store_only):
    assert main.main(arguments) == 2
    assert says in capsys.readouterr().err


def test_a_family_whose_tools_are_missing_is_left_out_but_not_in_ci(capsys, monkeypatch):
    monkeypatch.setattr(main, "MODULES", ("store_families", "no_such_families"))
    monkeypatch.delenv("CI", raising=False)
    assert main.main(("--list",)) == 0
    assert "no_such_families: left out" in capsys.readouterr().err
    monkeypatch.setenv("CI", "true")
    assert main.main(("--list",)) == 2
    assert "in CI no family may be left out" in capsys.readouterr().err


def test_the_command_starts_by_itself_from_the_checkout():
    """Without anything that pytest puts on the path."""
    command = [sys.executable, str(SCENARIOS / "main.py"), "--part", "0/3"]
    answer = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, cwd="/")

    assert answer.returncode == 2
    assert "K/N" in answer.stderr


def test_a_broken_store_is_replayed_as_lost(objects, tmp_path, capsys):
    """The id of a lost scenario, taken from the run, gives the same reason alone."""
    families = _broken(tmp_path, objects, *MUTANTS["takes the older of two"])
    family = next(one for one in families if one.code == "cut")
    lost = family.run(_slice(family)).lost[0]

    assert main.replay(families, scenario_id(family, lost.number)) == 1
    assert f"LOST {scenario_id(family, lost.number)}: {lost.why}" in capsys.readouterr().out
