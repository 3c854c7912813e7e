"""The compiled law against the oracle, bit for bit, over random tables and random sequences.

A difference prints seed, tick, joint, column, both values and the rules that the tick reached; `play(seed, ...)` of
differential.py replays exactly that sequence.
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import pytest
from differential import Sequence, first_difference, play
from oracle_words import RULES, new_counter

from mapper.law import load_core

FAST_STEPS = 45_000
DEEP_STEPS = 600_000  # in each of two processes
LEAST_REACHED = 400


def compare(first_seed: int, step_count: int) -> tuple[int, dict[str, int], list[str]]:
    """(steps, rule counts, differences) for as many sequences from `first_seed` on as make `step_count` steps."""
    core = load_core()
    core.assert_clear()
    reached, steps, differences, seed = new_counter(), 0, [], first_seed
    while steps < step_count:
        sequence = play(seed, reached)
        difference = first_difference(sequence, core)
        if difference is not None:
            differences.append(difference)
        steps += len(sequence.inputs)
        seed += 1
    if core.assert_line():
        differences.append(f"an assertion of the core failed at line {core.assert_line()}")
    return steps, reached, differences


def report(steps: int, reached: dict[str, int]) -> str:
    lines = [f"{steps} steps, {reached['driving'] / steps:.1%} with non-zero drive"]
    lines += [f"{rule} {count}" for rule, count in sorted(reached.items(), key=lambda item: item[1])]
    return "\n".join(lines)


def test_compiled_law_gives_the_oracle_s_bits() -> None:
    steps, reached, differences = compare(10_000_000, FAST_STEPS)

    assert not differences, f"{len(differences)} sequences differ; the first:\n{differences[0]}"
    assert steps >= FAST_STEPS
    assert reached["driving"] >= steps / 3
    assert [rule for rule in RULES if reached[rule] == 0] == []


@pytest.mark.deep
@pytest.mark.timeout(1_800)  # two minutes on two free cores, ten on busy ones
def test_compiled_law_gives_the_oracle_s_bits_over_a_million_steps() -> None:
    """At least 1,000,000 steps; a third with non-zero drive; every branch of every rule at least 400 times."""
    with ProcessPoolExecutor(max_workers=2) as pool:
        halves = list(pool.map(compare, (0, 5_000_000), (DEEP_STEPS, DEEP_STEPS)))
    steps = sum(half[0] for half in halves)
    total: Counter[str] = Counter()
    for _, reached, _ in halves:
        total.update(reached)
    differences = [text for half in halves for text in half[2]]
    print(report(steps, total))

    assert not differences, f"{len(differences)} sequences differ; the first:\n{differences[0]}"
    assert steps >= 1_000_000
    assert total["driving"] >= steps / 3
    assert {rule: total[rule] for rule in RULES if total[rule] < LEAST_REACHED} == {}


def changed(sequence: Sequence, column: int) -> Sequence:
    expected = sequence.expected.copy()
    expected[100, column] += 1
    return replace(sequence, expected=expected)


def test_comparison_notices_one_wrong_bit_and_says_where() -> None:
    """Goal: the comparison itself cannot pass by looking away."""
    sequence = play(10_000_000, new_counter())
    core = load_core()
    found = {column: first_difference(changed(sequence, column), core) for column in (0, 6, 9, 15)}

    assert first_difference(sequence, core) is None
    assert all(text and text.startswith("seed 10000000, tick 100") for text in found.values())
    assert "state:" in str(found[0])
    assert "share_q16:" in str(found[6])
    assert "joint 0 target:" in str(found[9])
    assert "joint 0 flags:" in str(found[15])


def test_same_seed_gives_the_same_sequence() -> None:
    first, second = play(77, new_counter()), play(77, new_counter())

    assert first.table == second.table
    assert (first.inputs == second.inputs).all()
    assert (first.expected == second.expected).all()
