"""The law on the emulated Cortex-M4 against the PC, bit for bit, over random tables and sequences; what those reach."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from arm_build import arm_program
from arm_core import ArmCore
from arm_law import ArmLaw, Bytes, Ints, Ran, difference, fresh_state, host_law, inputs_of
from differential import FOR_PEOPLE, Sequence, play
from oracle_words import new_counter

from mapper.law import CAUSES, STATES, load_core
from mapper.law.core import OUT_HEAD, OUT_JOINT
from mapper.table import encode_table

FLAGS = ("at_limit", "braked", "shared", "held", "flow", "matched", "tip")
_JOINTS_MOST = 16
_MANY_EVERY = 12
"""So many sequences of few joints to one of 7 to 16; those take three times as long and run less of the time."""


@dataclass(slots=True, kw_only=True)
class Swept:
    """What a sweep did.

    Attributes:
        steps: of the law, each with its whole output and state compared.
        sequences: as many random tables.
        differences: a text for each sequence in which a byte differs.
        reached: steps in each state and with each cause; joints' ticks with each flag and with drive.
        joints: sequences by number of joints.
    """

    steps: int = 0
    sequences: int = 0
    differences: list[str] = field(default_factory=list)
    reached: Counter[str] = field(default_factory=Counter)
    joints: Counter[int] = field(default_factory=Counter)

    def add(self, other: Swept) -> None:
        self.steps += other.steps
        self.sequences += other.sequences
        self.differences += other.differences
        self.reached += other.reached
        self.joints += other.joints


def joint_count_of(seed: int) -> int:
    """0 (one to six, as the table's own dice fall) or, every now and then, 7 to 16."""
    return random.Random(seed).randint(7, _JOINTS_MOST) if seed % _MANY_EVERY == 0 else 0


def rows_of(outputs: Bytes) -> Ints:
    """law_out_t of every tick as mapper.law.core's rows; all its members are 32 bits wide and in the same order."""
    return outputs.view("<i4")


def note_reached(outputs: Bytes, joint_count: int, reached: Counter[str]) -> None:
    rows = rows_of(outputs)
    for column, names in ((0, STATES), (1, CAUSES)):
        for value, count in zip(*np.unique(rows[:, column], return_counts=True), strict=True):
            reached[f"{'state' if column == 0 else 'cause'} {names[value]}"] += int(count)
    joints = rows[:, OUT_HEAD : OUT_HEAD + OUT_JOINT * joint_count].reshape(-1, OUT_JOINT)
    for bit, name in enumerate(FLAGS):
        reached[f"flag {name}"] += int(np.count_nonzero(joints[:, 6] & (1 << bit)))
    reached["drive"] += int(np.count_nonzero(joints[:, 5]))


def _against_the_others(sequence: Sequence, arm: Ran) -> str | None:
    """The oracle, and the library that check and replay run: outputs, and the state in the end."""
    rows = rows_of(arm.outputs).copy()
    live = load_core().table(encode_table(sequence.table))
    state = live.start()
    if not np.array_equal(live.run(state, sequence.inputs), rows):
        return "outputs differ from the installed library's"
    if bytes(state) != arm.last.tobytes():
        return "the last state differs from the installed library's"
    rows[:, FOR_PEOPLE] = 0
    return None if np.array_equal(rows, sequence.expected) else "outputs differ from the oracle's"


def compare(sequence: Sequence, arm: ArmLaw) -> tuple[Ran, str | None]:
    """One sequence on both; what the emulated one gave, and where they differ."""
    data, host = encode_table(sequence.table), host_law()
    if arm.parse(data) != host.parse(data):
        return arm.run(fresh_state(arm), inputs_of(sequence.inputs)), "the table is read differently"
    start, inputs = fresh_state(host), inputs_of(sequence.inputs)
    ran = arm.run(start, inputs)
    return ran, difference(ran, host.run(start, inputs)) or _against_the_others(sequence, ran)


def sweep(compiler: str, first_seed: int, step_count: int) -> Swept:
    """As many random sequences from `first_seed` on as make `step_count` steps, on a core built by `compiler`."""
    arm = ArmLaw(ArmCore(arm_program(compiler)))
    load_core().assert_clear()
    swept, seed = Swept(), first_seed
    while swept.steps < step_count:
        sequence = play(seed, new_counter(), joint_count_of(seed))
        ran, differs = compare(sequence, arm)
        if differs is not None:
            swept.differences.append(f"seed {seed}: {differs}")
        swept.steps += len(sequence.inputs)
        swept.sequences += 1
        swept.joints[len(sequence.table.joints)] += 1
        note_reached(ran.outputs, len(sequence.table.joints), swept.reached)
        seed += 1
    lines = arm.assert_line(), host_law().assert_line(), load_core().assert_line()
    if any(lines):
        swept.differences.append(f"an assertion of the core failed: ARM, PC, library at line {lines}")
    return swept


def listing(swept: Swept) -> str:
    """What was reached, for people."""
    lines = [f"{swept.steps:,} steps, {swept.sequences:,} random tables, {len(swept.differences)} differ"]
    lines.append("joints: " + ", ".join(f"{count} x {number}" for number, count in sorted(swept.joints.items())))
    lines += [f"  {name:32s} {count:>10,}" for name, count in sorted(swept.reached.items())]
    return "\n".join(lines)
