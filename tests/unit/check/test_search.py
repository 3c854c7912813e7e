"""The search: examples are what their bytes say, the law as it is breaks no rule, a seed decides alone, what is found
is made small, and every rule of the monitor can be broken.
"""

from __future__ import annotations

import random
from itertools import pairwise

import numpy as np
import pytest
from check_case import KERB, STAND, check_text, profile_of, text_of
from law_mutants import DISCREPANCY_UNSEEN, FOUR_EVENTS, KERB_MUTANTS, MOTION_UNSEEN, MUTANTS, RARE_MUTANTS, mutant
from search_case import bench_of, example, free_joints_of, joints_of, with_bounds

from mapper.check import Status
from mapper.check.finding import Evidence
from mapper.check.search.finding import search_finding, with_search
from mapper.check.search.library import GENOME_BYTES
from mapper.check.search.rules import RULES
from mapper.check.search.search import Budget, Found, SearchResult, search
from mapper.law import STATES, load_core
from mapper.table import compile_table, encode_table

RUNNING = STATES.index("running")
FULL_SPEED_ASKED = bytes([32, 0, 0, 0])


def genomes(count: int, seed: int = 5) -> list[bytes]:
    rng = random.Random(seed)
    return [rng.randbytes(GENOME_BYTES) for _ in range(count)]


class Ticking:
    """A clock that goes on by `step_s` whenever it is asked."""

    def __init__(self, step_s: float = 0.0) -> None:
        self.now_s, self.step_s = 0.0, step_s

    def __call__(self) -> float:
        self.now_s += self.step_s
        return self.now_s


# -- examples -----------------------------------------------------------------------------------------------------


def test_the_simplest_example_is_a_start_and_no_more():
    trace = bench_of(text_of(STAND), joints_of(STAND)).trace(bytes(GENOME_BYTES))

    states = trace.out[:, 0].tolist()
    assert list(dict.fromkeys(states)) == [
        STATES.index(name) for name in ("powering_up", "stopped", "matching", "running")
    ]
    assert trace.power_up.tolist() == [1] + [0] * (len(states) - 1)


def test_an_example_is_as_long_as_the_bench_decodes():
    with pytest.raises(ValueError, match="132 bytes, not 3"):
        bench_of(text_of(STAND), joints_of(STAND)).run(b"abc")


@pytest.mark.parametrize("name", [STAND, KERB])
def test_a_kept_example_is_the_law_over_its_inputs_tick_for_tick(name):
    """INV-SEARCH-3: what the search sees is the law and nothing else."""
    bench = bench_of(text_of(name), joints_of(name))
    live = load_core().table(encode_table(compile_table(profile_of(text_of(name)))))
    for genome in genomes(12):
        trace = bench.trace(genome)
        starts = [*np.flatnonzero(trace.power_up).tolist(), len(trace.out)]
        for first, end in pairwise(starts):
            np.testing.assert_array_equal(live.run(live.start(), trace.inputs[first:end]), trace.out[first:end])
        assert bench.again(trace.inputs, trace.power_up, trace.true_mdeg, trace.doubtful) is None


def test_examples_reach_every_state_and_every_kind_of_input():
    bench = bench_of(text_of(KERB), joints_of(KERB))
    traces = [bench.trace(genome) for genome in genomes(40)]

    assert {state for trace in traces for state in set(trace.out[:, 0].tolist())} == set(range(len(STATES)))
    digital = np.concatenate([trace.inputs[:, 1] for trace in traces])
    assert all(((digital & bit) != 0).any() and ((digital & bit) == 0).any() for bit in (1, 2, 4, 8, 16, 32))
    assert any(trace.power_up.sum() > 1 for trace in traces)
    assert any((trace.inputs[:, 0] > 5000).any() for trace in traces)
    assert any((trace.inputs[:, 2:] == 4095).any() for trace in traces)
    assert np.mean([len(trace.out) for trace in traces]) > 1500


@pytest.mark.parametrize("name", [STAND, KERB])
def test_the_law_as_it_is_breaks_no_rule(name):
    bench = bench_of(text_of(name), joints_of(name))

    assert [breach for _, breach in map(bench.run, genomes(250, seed=77)) if breach is not None] == []


# -- what the monitor can say ----------------------------------------------------------------------------------------


def test_every_rule_of_the_monitor_can_be_broken():
    """By a mutant of the law (tests/fault/test_search_mutants.py and below), or by a tighter bound (below)."""
    broken = {rule for each in (MUTANTS, KERB_MUTANTS, RARE_MUTANTS) for one in each.values() for rule in one.rules}

    assert {rule.name for rule in RULES[1:]} == broken | {"position"}


def test_a_position_past_its_bound_is_found_and_one_inside_is_not():
    text, joints = text_of(STAND), joints_of(STAND)
    to_the_stop = example(
        FULL_SPEED_ASKED,
        {0: 255, 1: 1, 2: 1, 3: 255, 4: 60},
        {0: 255, 1: 1, 2: 1, 3: 255, 4: 60},
        {0: 255, 1: 1, 2: 1, 3: 255},
    )
    reached = int(bench_of(text, joints).trace(to_the_stop).true_mdeg[:, 0].max())
    assert 25_000 < reached < joints[0].bound_mdeg[0]

    outside = bench_of(text, with_bounds(joints, reached - 1, None)).run(to_the_stop)[1]
    assert (outside.rule.name, outside.joint, outside.bound) == ("position", 0, (reached - 1) / 1000)
    assert bench_of(text, with_bounds(joints, reached, None)).run(to_the_stop)[1] is None


def test_motion_without_drive_that_the_law_does_not_see_is_found():
    """The roll's spool sticks open while its lever is pushed, then the lever goes back to rest."""
    stuck = example(
        FULL_SPEED_ASKED,
        {0: 200},
        {0: 120, 1: 16, 2: 3, 3: 123, 11: 7, 12: 4, 14: 220, 15: 255},
        {0: 255, 1: 16, 2: 3, 3: 252},
        {0: 255},
    )
    text = text_of(KERB)

    assert bench_of(text, free_joints_of(text)).run(stuck)[1] is None
    breach = bench_of(text, free_joints_of(text), mutant(MOTION_UNSEEN)).run(stuck)[1]
    assert (breach.rule.name, breach.joint) == ("moved", 4)


def test_channels_that_differ_too_long_in_a_slow_stop_are_found():
    """Category 1: the arm slows for as long as the relay allows, and a difference must end that earlier."""
    text = text_of(STAND).replace("category = 0", 'category = 1\ndelayed_off_relay = "800 ms"')
    from_above = bytes([32, 0, 230, 0])
    one_opens = example(from_above, {0: 150}, {0: 255, 1: 1, 2: 1, 3: 1, 4: 60, 5: 7, 6: 51, 7: 255})

    assert bench_of(text, free_joints_of(text)).run(one_opens)[1] is None
    breach = bench_of(text, free_joints_of(text), mutant(DISCREPANCY_UNSEEN)).run(one_opens)[1]
    assert breach.rule.name == "discrepancy"


# -- the search ------------------------------------------------------------------------------------------------------


def test_a_seed_with_a_number_of_examples_decides_alone():
    bench = bench_of(text_of(STAND), joints_of(STAND))
    one, same, other = (search(bench, seed=seed, budget=Budget(examples=60), clock=Ticking()) for seed in (1, 1, 2))

    assert (one.cases, one.ticks, one.found) == (same.cases, same.ticks, None)
    assert one.cases == 60
    assert other.ticks != one.ticks


def test_a_budget_of_time_ends_the_search():
    result = search(
        bench_of(text_of(STAND), joints_of(STAND)), seed=1, budget=Budget(seconds=2.0), clock=Ticking(step_s=0.1)
    )

    assert 0 < result.cases <= 20
    assert result.found is None


def test_a_defect_of_four_ordered_events_is_found_and_made_short():
    bench = bench_of(text_of(STAND), joints_of(STAND), mutant(FOUR_EVENTS))
    result = search(bench, seed=1, budget=Budget(examples=400), clock=Ticking())

    assert result.found is not None
    assert result.found.breach.rule.name == "unmatched"
    assert result.found.ticks <= 340 < result.found.first_ticks
    assert sum(byte != 0 for byte in result.found.genome) <= 6
    assert bench.run(result.found.genome) == (result.found.ticks, result.found.breach)


def test_making_it_short_has_an_end_too():
    bench = bench_of(text_of(STAND), joints_of(STAND), mutant(FOUR_EVENTS))
    result = search(bench, seed=1, budget=Budget(examples=400), clock=Ticking(step_s=0.5), shrink_s=3.0)

    assert result.found is not None
    assert bench.run(result.found.genome)[1].rule.name == "unmatched"


def test_progress_is_told_and_a_stop_is_heard():
    told: list[int] = []
    bench = bench_of(text_of(STAND), joints_of(STAND))
    result = search(
        bench,
        seed=1,
        budget=Budget(examples=1000),
        clock=Ticking(),
        progress=lambda cases, _seconds: told.append(cases),
        stopped=lambda: len(told) >= 2,
    )

    assert told == [64, 128]
    assert result.cases == 128


# -- the finding -----------------------------------------------------------------------------------------------------


def result_of(found: bool) -> SearchResult:
    bench = bench_of(text_of(STAND), with_bounds(joints_of(STAND), -1000, None))
    genome = bytes(GENOME_BYTES)
    ticks, breach = bench.run(genome)
    small = Found(breach=breach, genome=genome, ticks=ticks, first_ticks=900)
    return SearchResult(seed=7, cases=1200, ticks=2_400_000, seconds=1.5, found=small if found else None)


def test_nothing_found_is_said_with_its_count_and_seed_and_holds():
    checked = check_text(text_of(STAND))
    finding = search_finding(profile_of(text_of(STAND)), result_of(False), "found.csv")

    assert (finding.limit, finding.joint, finding.status) == ("search", None, Status.HOLDS)
    assert (finding.evidence, finding.cases) == (Evidence.SEARCH, 1200)
    assert "nothing found in 1200 examples of 2000 ticks on average, seed 7, 1.5 s" in finding.detail
    assert with_search(checked, finding).result == checked.result
    assert with_search(checked, finding).findings[-1] is finding


def test_what_is_found_is_named_with_its_recording_and_does_not_hold():
    checked = check_text(text_of(STAND))
    finding = search_finding(profile_of(text_of(STAND)), result_of(True), "found.csv")

    assert finding.status is Status.VIOLATED
    assert finding.detail.startswith("position of lever at 0.000 s: not so:")
    assert "(found 0, at most -1 deg)" in finding.detail
    assert "mapper replay profile.toml found.csv" in finding.advice
    assert with_search(checked, finding).result == "does not hold"
