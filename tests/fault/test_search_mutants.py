"""The search finds defects that are planted in the law, and says them by the rule that they break; what it writes shows
the same in a replay.
"""

from __future__ import annotations

import json
import sys

import pytest
from check_case import KERB, STAND, text_of
from click.testing import CliRunner
from law_mutants import FOUR_EVENTS, KERB_MUTANTS, MUTANTS, mutant
from search_case import bench_of, free_joints_of

from mapper.check.search.search import Budget, search
from mapper.cli.check import command as check
from mapper.cli.replay import command as replay
from mapper.law import core as law_core

EXAMPLES = 6000


def _found(name: str, mutant_name: str, rules: tuple[str, ...]) -> None:
    bench = bench_of(text_of(name), free_joints_of(text_of(name)), mutant(mutant_name))
    result = search(bench, seed=1, budget=Budget(examples=EXAMPLES), clock=lambda: 0.0)

    assert result.found is not None, f"not found in {result.cases} examples"
    assert result.found.breach.rule.name in rules
    assert result.found.ticks <= 1500


@pytest.mark.deep
@pytest.mark.parametrize("name", MUTANTS)
def test_a_defect_of_the_law_is_found_on_the_stand(name):
    _found(STAND, name, MUTANTS[name].rules)


@pytest.mark.deep
@pytest.mark.parametrize("name", KERB_MUTANTS)
def test_a_defect_among_several_joints_is_found_on_the_kerb_arm(name):
    _found(KERB, name, KERB_MUTANTS[name].rules)


@pytest.mark.deep
@pytest.mark.parametrize("name", [STAND, KERB])
def test_the_law_as_it_is_has_nothing_that_so_many_examples_find(name):
    bench = bench_of(text_of(name), free_joints_of(text_of(name)))
    result = search(bench, seed=99, budget=Budget(examples=2 * EXAMPLES), clock=lambda: 0.0)

    assert (result.found, result.cases) == (None, 2 * EXAMPLES)


@pytest.fixture
def mutated_everywhere(monkeypatch):
    """Check and replay call the mutated law. Put back afterwards."""
    core, real = mutant(FOUR_EVENTS), law_core.load_core
    for module in list(sys.modules.values()):
        if getattr(module, "__name__", "").startswith("mapper") and getattr(module, "load_core", None) is real:
            monkeypatch.setattr(module, "load_core", lambda: core)
    return core


def test_what_is_found_is_written_and_a_replay_of_it_shows_the_same(mutated_everywhere, tmp_path):
    """The whole way of a user: check --effort, then replay the file that it names."""
    stand, found = tmp_path / "stand.toml", tmp_path / "found.csv"
    stand.write_text(text_of(STAND), encoding="utf-8")
    checked = CliRunner().invoke(
        check, [str(stand), "--effort", "200 examples", "--found", str(found), "--json"], standalone_mode=False
    )
    document = json.loads(checked.stdout)

    assert checked.return_value == 1
    finding = document["findings"][-1]
    assert (finding["limit"], finding["status"]) == ("search", "violated")
    assert document["search"]["found"]["recording"] == str(found)
    ticks = document["search"]["found"]["ticks"]

    replayed = CliRunner().invoke(
        replay, [str(stand), str(found), "--out", str(tmp_path / "out"), "--json"], standalone_mode=False
    )
    breach = json.loads(replayed.stdout)["breach"]
    assert (breach["rule"], breach["tick"]) == ("unmatched", ticks - 1)
    assert f"unmatched of the machine at {breach['time_s']:.3f} s" in finding["detail"]
    assert (tmp_path / "out" / "report.html").stat().st_size > 0


def test_the_law_as_it_is_passes_the_recording_of_a_defect(tmp_path):
    """The recording holds what the controller read and nothing of what the defect made of it."""
    from check_case import profile_of

    from mapper.check.search.counterexample import judge, recording_text
    from mapper.replay import read_recording

    joints, text = free_joints_of(text_of(STAND)), text_of(STAND)
    broken = bench_of(text, joints, mutant(FOUR_EVENTS))
    result = search(broken, seed=1, budget=Budget(examples=200), clock=lambda: 0.0)
    recording = read_recording(recording_text(broken, profile_of(text), result), "found.csv")

    assert judge(broken, profile_of(text), recording) == result.found.breach
    assert judge(bench_of(text, joints), profile_of(text), recording) is None
