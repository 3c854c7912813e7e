"""Plays random sequences through the oracle and the same inputs through the compiled core, and compares every bit."""

from __future__ import annotations

import functools
import random
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from law_oracle import Oracle
from oracle_words import JointTick, Tick, new_counter
from random_driver import Driver
from random_tables import random_table

from mapper.law.core import IN_INTS, OUT_HEAD, OUT_HEAD_NAMES, OUT_INTS, OUT_JOINT, OUT_JOINT_NAMES, Core
from mapper.table import encode_table
from mapper.table.table import Table

Ints = npt.NDArray[np.int32]
FOR_PEOPLE = (7, 8)  # waits_for, waits_joint: no part of any decision, so the oracle has none


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """One table, the inputs of each tick and what the oracle made of them, in the columns of bench.h."""

    seed: int
    table: Table
    inputs: Ints
    expected: Ints


def oracle_rows(table: Table, inputs: Ints) -> Ints:
    """What the oracle makes of given inputs, (n, 66), from power-up on: (n, 121), waits_for and waits_joint left 0."""
    oracle = Oracle(table)
    expected = np.zeros((len(inputs), OUT_INTS), dtype=np.int32)
    for row, values in zip(expected, inputs.tolist(), strict=True):
        tick_row(oracle.step(values[0], values[1], values[2:]), row)
    return expected


def tick_row(tick: Tick, row: Ints) -> None:
    row[:7] = tick[:7]
    flat = [value for joint in tick.joints for value in joint]
    row[OUT_HEAD : OUT_HEAD + len(flat)] = flat


def play(seed: int, reached: dict[str, int], joint_count: int = 0) -> Sequence:
    """One random table (of so many joints, if that is not 0) and a random sequence with the oracle in the loop; the
    seed decides everything.
    """
    rng = random.Random(seed)
    table = random_table(rng, joint_count)
    return play_on(table, rng, reached, seed)


def play_on(table: Table, rng: random.Random, reached: dict[str, int], seed: int = 0) -> Sequence:
    """A random sequence on a given table; `seed` is only its name."""
    ticks = rng.choice((150, 300, 300, 400, 700))
    oracle = Oracle(table, reached)
    driver = Driver(rng, table, oracle)
    inputs = np.zeros((ticks, IN_INTS), dtype=np.int32)
    expected = np.zeros((ticks, OUT_INTS), dtype=np.int32)
    last = Tick(0, 0, 255, 0, 0, 0, 65_536, (JointTick(0, 0, 0, 0, 0, 0, 0),) * len(table.joints))
    for index in range(ticks):
        elapsed_us, digital, counts = driver.inputs(last)
        inputs[index, 0], inputs[index, 1] = elapsed_us, digital
        inputs[index, 2:] = counts
        last = oracle.step(elapsed_us, digital, counts)
        tick_row(last, expected[index])
    return Sequence(seed=seed, table=table, inputs=inputs, expected=expected)


@functools.cache
def played(seed: int) -> tuple[Sequence, dict[str, int]]:
    """play() with a counter of its own, once for all who ask: (sequence, which branches it reached how often)."""
    reached = new_counter()
    return play(seed, reached), reached


def first_difference(sequence: Sequence, core: Core) -> str | None:
    """None where the compiled core gives the same bits; else where, what, and which rules that tick reached."""
    live = core.table(encode_table(sequence.table))
    got = live.run(live.start(), sequence.inputs)
    differs = got != sequence.expected
    differs[:, FOR_PEOPLE] = False
    places = np.argwhere(differs)
    if not len(places):
        return None
    tick = int(places[0][0])
    lines = [f"seed {sequence.seed}, tick {tick}: oracle against core"]
    for _, column in places[places[:, 0] == tick]:
        lines.append(f"  {column_name(int(column))}: {sequence.expected[tick, column]} against {got[tick, column]}")
    lines.append(f"  rules: {' '.join(rules_of_tick(sequence, tick))}")
    return "\n".join(lines)


def column_name(column: int) -> str:
    if column < OUT_HEAD:
        return OUT_HEAD_NAMES[column]
    joint, value = divmod(column - OUT_HEAD, OUT_JOINT)
    return f"joint {joint} {OUT_JOINT_NAMES[value]}"


def rules_of_tick(sequence: Sequence, tick: int) -> list[str]:
    """The branches that the oracle takes in one tick, found by playing the recorded inputs again."""
    reached = new_counter()
    oracle = Oracle(sequence.table, reached)
    before: dict[str, int] = {}
    for row in sequence.inputs[: tick + 1].tolist():
        before = dict(reached)
        oracle.step(row[0], row[1], row[2:])
    return [rule for rule, count in reached.items() if count > before[rule]]
