"""The proof's own machinery, and (deep, where Frama-C is installed) that mistakes planted in the core make it fail."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import proof_eva
import proof_lemmas
import proof_mutants
import proof_sources
import proof_wp
import pytest

HERE = Path(__file__).resolve().parent
_spec = importlib.util.spec_from_file_location("run_of_proof", HERE / "main.py")
assert _spec is not None
assert _spec.loader is not None
run_of_proof = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(run_of_proof)
MUTANTS = tuple(proof_mutants.MUTANTS.values())
EXPECTED = tomllib.loads((HERE / "expected.toml").read_text())
ALARMS = tomllib.loads((HERE / "alarms.toml").read_text()).get("alarm", [])
needs_frama_c = pytest.mark.skipif(
    any(shutil.which(tool) is None for tool in ("frama-c", "why3", "z3", "cvc4")),
    reason="frama-c, why3, z3 or cvc4 is missing: apt-get install frama-c-base why3 z3 cvc4",
)


def main_of_proof(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(HERE / "main.py"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


def test_functions_are_found_with_and_without_contract():
    text = (
        "/*@ predicate p(int a) = a > 0; */\n/*@ requires p(a);\n    assigns \\nothing; */\n/* L2 */\nint f(int a)\n{\n"
        "    /*@ loop assigns i; */\n    return g(a);\n}\n\n"
        "static bool h(const int *a,\n              int b) /* L3 */\n{\n}\n"
    )

    assert proof_sources.functions(text) == ["f", "h"]
    assert proof_sources.with_contract(text) == {"f"}


def test_every_function_of_the_listed_files_has_a_contract_or_a_reason():
    for file in proof_wp.FILES:
        reasons = EXPECTED.get(file, {}).get("without_contract", {})

        assert set(proof_sources.without_contract(file)) == set(reasons), file
        assert all(len(reason) > 20 for reason in reasons.values())


def test_the_copy_for_eva_has_the_same_lines_and_at_most_one_contract(tmp_path):
    proof_sources.copy_bare(tmp_path, mistakes_are_alarms=True)
    for path in proof_sources.CORE.glob("*.[ch]"):
        copied = (tmp_path / path.name).read_text()

        assert copied.count("\n") == path.read_text().count("\n")
        assert copied.count("/*@") == (1 if path.name == "core.h" else 0)

    proof_sources.copy_bare(tmp_path, mistakes_are_alarms=False)
    assert "/*@" not in (tmp_path / "core.h").read_text()


def test_goals_are_read_with_verdict_and_time():
    output = (
        "[wp] [CVC4 1.8] Goal typed_core_clamp_ensures_in_range : Valid (Qed:14ms) (20ms) (8549)\n"
        "[wp] [Failed] Goal typed_core_read_u16_ensures_exact\n  Z3 4.8.12: Timeout (Qed:7ms) (4s)\n"
        "[wp] [Qed] Goal typed_lemma_division : Valid\n"
    )
    goals = proof_wp.read_goals(output)

    assert [(goal.name, goal.proved) for goal in goals] == [
        ("core_clamp_ensures_in_range", True),
        ("core_read_u16_ensures_exact", False),
        ("lemma_division", True),
    ]
    assert goals[0].seconds == pytest.approx(0.034)


def test_a_ghost_function_is_proved_too_and_its_contract_is_not_taken_for_the_next_one():
    text = (
        "/*@ ghost\n    /@ assigns \\nothing; @/\n    static void step(int a)\n    {\n    } */\n"
        "int f(int a)\n{\n    /*@ ghost step(a); */\n    return a;\n}\n"
    )

    assert proof_sources.ghosts(text) == ["step"]
    assert proof_sources.functions(text) == ["f"]
    assert proof_sources.with_contract(text) == set()


def test_a_run_that_takes_too_long_is_ended(tmp_path):
    with pytest.raises(RuntimeError, match="no result within 1 s"):
        proof_wp.end_in_time(["sleep", "30"], folder=tmp_path, env={"PATH": os.environ["PATH"]}, seconds=1)


def judged(*goals: tuple[str, bool]) -> list[str]:
    expected = {"a.c": {"proved": {"f": 2}, "not_proved": {"f": {"f_open": "a reason"}}}}
    found = [proof_wp.Goal(name=name, proved=proved, seconds=0.0) for name, proved in goals]
    return run_of_proof.judge_goals("a.c", "f", found, expected)


def test_an_open_goal_that_is_not_named_fails_the_run():
    assert judged(("f_one", True), ("f_two", True), ("f_open", False)) == []
    assert judged(("f_one", True), ("f_two", True), ("f_open_2", False), ("f_open", True)) == [
        "a.c:f: f_open_2 is not proved"
    ]


def test_goals_that_are_gone_fail_the_run():
    assert judged(("f_one", True), ("f_open", False)) == ["a.c:f: 1 goals are proved, 2 were"]
    assert judged(("f_one", True), ("f_two", True)) == ["a.c:f: expected.toml speaks of f_open, which is no goal"]


def test_every_unit_is_in_exactly_one_part():
    units = run_of_proof.all_units(EXPECTED)
    parts = [run_of_proof.part_of(units, f"{k}/12", EXPECTED["seconds"]) for k in range(1, 13)]

    assert sorted(unit for part in parts for unit in part) == sorted(units)
    assert all(parts)


def test_every_function_with_a_contract_is_claimed_with_a_number_or_said_not_to_be():
    for file in proof_wp.FILES:
        entry = EXPECTED[file]

        assert sorted([*entry["proved"], *entry.get("not_claimed", {})]) == sorted(proof_sources.provable(file)), file


def test_alarms_are_read_without_line_numbers(tmp_path):
    (tmp_path / "a.c").write_text("int f(void)\n{\n    CORE_ASSERT(x < 3);\n}\n")
    output = (
        "[eva:alarm] a.c:3: Warning: \n  function core_assert_failed: precondition 'our_mistake' got status invalid.\n"
        "[eva:alarm] a.c:2: Warning: \n  signed overflow.\n  assert a + b <= 3;\n[eva] done\n"
    )
    alarms = proof_eva.read_alarms(output, tmp_path)

    assert [alarm.what for alarm in alarms] == ["CORE_ASSERT(x < 3)", "signed overflow. assert a + b <= 3;"]


def test_every_admitted_lemma_has_a_twin_and_none_is_left_over():
    assert sorted(proof_lemmas.admitted()) == sorted(proof_lemmas.LEMMAS)


def test_contracts_admit_nothing_but_lemmas():
    for path in proof_sources.CORE.glob("*.[ch]"):
        assert re.findall(r"\badmit (?!lemma\b)\w+|\baxiom", path.read_text()) == [], path.name


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda one: one["name"].replace(" ", "-"))
def test_a_mutant_changes_one_place_of_a_function_with_a_contract(mutant):
    text = (proof_sources.CORE / mutant["file"]).read_text()

    assert text.count(mutant["before"]) == 1
    assert mutant["function"] in proof_sources.functions(text)
    assert mutant["function"] not in proof_sources.without_contract(mutant["file"])


def test_every_open_goal_and_alarm_has_a_reason():
    for file in proof_wp.FILES:
        reasons = [EXPECTED[file].get("not_claimed", {}), *EXPECTED[file].get("not_proved", {}).values()]

        assert all(len(reason) > 20 for one in reasons for reason in one.values())
    assert all(len(one["reason"]) > 20 for one in ALARMS)


@needs_frama_c
def test_a_lemma_that_does_not_hold_is_told(monkeypatch):
    monkeypatch.setitem(proof_lemmas.LEMMAS, "low_8", ("(= a a)", "(= (bvand a #x00000000000000ff) a)"))

    assert not proof_lemmas.holds("low_8")
    assert proof_lemmas.holds("shift_8")


@needs_frama_c
@pytest.mark.deep
@pytest.mark.timeout(120)
def test_angle_is_proved_and_the_run_says_so():
    done = main_of_proof("--only", "angle.c", "--only", "lemmas")

    assert done.returncode == 0, done.stdout
    assert "nothing wrong" in done.stdout


@needs_frama_c
@pytest.mark.deep
@pytest.mark.timeout(120)
@pytest.mark.parametrize(
    ("function", "noticing"),
    [
        ("core_clamp", "core_clamp_ensures_in_range"),
        ("put_byte", "put_byte_assert_rte_index_bound"),
        ("keep_mode_and_authority", "keep_mode_and_authority_ensures_none"),
    ],
)
def test_a_planted_mistake_makes_the_proof_fail(function, noticing, tmp_path):
    mutant = proof_mutants.MUTANTS[function]
    excused = EXPECTED[mutant["file"]].get("not_proved", {}).get(function, {})

    assert noticing not in excused
    assert noticing in proof_mutants.noticed(mutant, tmp_path, timeout=3, processes=2, excused=excused)
