"""The seeded faults' own machinery: enough of them, told apart, really in the library, and judges that judge."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from fnmatch import fnmatchcase
from pathlib import Path

import breeding
import judges
import mutation
import profile_faults
import pytest
import table_faults
from commands import load_command

from mapper.table.table import Curve

main = load_command("seeded")
ALL = mutation.mutations()
KERB = judges.machines()[1]


def test_there_are_at_least_four_hundred_mutations_and_every_file_of_the_law_has_some():
    assert len(ALL) >= 400
    assert {one.file for one in ALL} == set(mutation.LAW_FILES)
    assert Counter(one.id for one in ALL).most_common(1)[0][1] == 1


def test_every_file_of_the_core_that_decides_motion_is_mutated():
    """What is left out: what talks, stores or parses, and the arithmetic helpers that the oracle's bits depend on."""
    others = {
        "controller",
        "core",
        "crc",
        "digest",
        "frame",
        "link",
        "link_transfer",
        "store",
        "store_choice",
        "store_look",
        "waits",
    }
    others |= {path.stem for path in mutation.CORE.glob("table*.c")}

    assert {path.stem for path in mutation.CORE.glob("*.c")} - others == {Path(f).stem for f in mutation.LAW_FILES}


def test_a_mutation_changes_one_line_and_spares_comments_and_assertions():
    text = (mutation.CORE / "motion.c").read_text()
    for one in (one for one in ALL if one.file == "motion.c"):
        changed = one.applied(text)
        different = [(a, b) for a, b in zip(text.split("\n"), changed.split("\n"), strict=True) if a != b]

        assert different == [(one.before, one.after)]
        assert "CORE_ASSERT" not in one.before
        assert re.sub(r".*?(/\*.*)?$", r"\1", one.before) == re.sub(r".*?(/\*.*)?$", r"\1", one.after)


def test_a_mutation_of_a_line_that_has_changed_meanwhile_is_refused():
    one = ALL[0]
    with pytest.raises(ValueError, match=f"line {one.line} is not what it was"):
        one.applied("\n" * 500)


def test_parts_together_are_the_whole_and_a_wrong_part_is_told():
    ids = [one.id for one in ALL]
    parts = [main.part_of(ids, f"{number}/7") for number in range(1, 8)]

    assert sorted(one for part in parts for one in part) == sorted(ids)
    with pytest.raises(SystemExit, match="K/N"):
        main.part_of(ids, "8/7")


def test_every_second_mutation_is_gated_and_all_of_them_are_on_request():
    everything = main.ids_of("law", everything=True)

    assert everything == [one.id for one in ALL]
    assert main.ids_of("law") == everything[::2]


def test_every_explanation_names_faults_that_there_are_and_says_why():
    reasons = tomllib.loads((Path(main.__file__).parent / "survivors.toml").read_text())
    for kind in ("law", "profile"):  # those of the table name what a fault changes, which is known when it is made
        ids = main.ids_of(kind, everything=True)
        for pattern in reasons[kind]:
            assert any(fnmatchcase(one, pattern) for one in ids), pattern
    assert all(len(reason) > 20 for kind in reasons.values() for reason in kind.values())


@pytest.mark.parametrize(
    ("place", "what"),
    [
        ("byte 124 plus 1", "joints.operator.step_max by +1"),
        ("byte 127 plus 1", "joints.operator.disagreement, one track by +1"),
    ],
)
def test_a_fault_that_nobody_has_to_catch_says_what_it_changes(place, what):
    other = table_faults.decode_table(table_faults.broken(KERB.data, place))

    assert table_faults.what_changed(KERB.table, other) == what


def test_a_braking_curve_says_how_much_faster_it_has_become():
    sound = Curve(points=((0, 0), (1_000, 1_000), (2_000, 2_000)))

    assert table_faults._faster_percent(sound, Curve(points=((0, 0), (1_000, 1_030), (2_000, 2_000)))) == 2
    assert table_faults._faster_percent(sound, Curve(points=((0, 0), (1_000, 900), (2_000, 2_000)))) == 0
    assert table_faults._faster_percent(sound, Curve(points=((0, 0), (1_000, 1_000), (2_000, 9_000)))) > 20


def test_a_slip_changes_one_number_of_the_profile():
    text = profile_faults.kerb_arm()
    found = {slip.id: slip for slip in profile_faults.slips(text)}
    slip = found["joints.boom_swing.limits.speed/1/times 10"]

    assert len(found) == len(profile_faults.slips(text))
    assert slip.applied(text) == text.replace('speed = {positive = "25 deg/s"', 'speed = {positive = "250 deg/s"', 1)


@pytest.mark.parametrize("place", ["byte 100 plus 1", "byte 0 bit 0", "byte 40 plus 1", "byte 96 bit 0"])
def test_a_byte_of_the_table_that_is_off_is_caught(place):
    assert table_faults.judged(KERB, place).by


def test_the_sound_table_is_caught_by_nobody_and_without_its_crc_refused_at_once():
    with pytest.raises(Exception, match="bad_crc"):
        judges.load_core().table(KERB.data[:-1] + bytes([KERB.data[-1] ^ 1]))

    assert table_faults._by_limits(KERB, KERB.table, judges.load_core().table(KERB.data)) == ""


@pytest.mark.deep
def test_the_judges_catch_a_fault_of_each_rule_and_let_the_sound_law_pass(tmp_path):
    """Goal: judged, a mutation is caught, and the law as it is is not. One mutation of every file."""
    nursery = breeding.Nursery(tmp_path / "sources")
    played = judges.sequences(20_000)
    machines = judges.machines()
    firsts = {one.file: one for one in reversed(ALL) if "dropped" in one.id or "if to" in one.id}

    assert not judges.judged(nursery.sound(), machines, played).caught
    assert judges.suite(nursery.sound()) == ""
    for one in firsts.values():
        library = nursery.library(one)
        assert library is None or judges.judged(library, machines, played).caught or main._by_suite(nursery, one), (
            one.id
        )
