"""What one step of the law costs on a Cortex-M4: executed instructions of law_step, counted one for one, and its stack.

Instructions, not cycles: on a Cortex-M4 most take one cycle, a taken branch and a load up to three, a 32-bit divide up
to twelve (Arm Cortex-M4 Technical Reference Manual, from memory), and flash may add its wait states.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from arm_build import arm_program
from arm_core import ArmCore
from arm_law import RUN_TICKS_MAX, ArmLaw, Bytes, Ints, fresh_state, host_law, inputs_of
from differential import play_on
from numpy.typing import NDArray
from oracle_words import new_counter
from random_tables import random_table
from replay_case import KERB, worked_profile, worked_recording, worked_table

from mapper.check.law.pilot import running_state
from mapper.law import STATES, load_core
from mapper.law.core import OUT_HEAD, OUT_JOINT
from mapper.replay import run_replay
from mapper.table import decode_table, encode_table
from mapper.table.table import CURVE_POINTS_MAX, Curve, JointTable, Sensor, Table

MOST_INSTRUCTIONS = {"sensors watched, outputs off": 5_000, "running, at rest": 7_500, "all of them": 9_000}
"""For six joints, whatever the kerb arm is driven to, by kind of tick."""
MOST_STACK_BYTES = 1_024
RECORDED = ("kerb-setting.csv", *(f"person/{name}-right.csv" for name in ("row", "abduction", "forward-elevation")))

Counts = NDArray[np.uint32]
_BRAKED, _TIP = 2, 64
_FLAGS, _DRIVE, _POSITION = 6, 5, 1


@dataclass(slots=True, kw_only=True)
class Cost:
    """Of the ticks of one kind: least, most and sum of their instructions, and how many there were."""

    least: int = 2**31
    most: int = 0
    total: int = 0
    ticks: int = 0

    def add(self, counts: Counts) -> None:
        if len(counts):
            self.least, self.most = min(self.least, int(counts.min())), max(self.most, int(counts.max()))
            self.total += int(counts.sum())
            self.ticks += len(counts)

    def __str__(self) -> str:
        mean = self.total / max(1, self.ticks)
        return f"{mean:8,.0f} {self.most:8,d} {self.ticks:10,d}" if self.ticks else f"{'-':>8} {'-':>8} {0:10d}"


@dataclass(slots=True, kw_only=True)
class Costs:
    """By kind of tick; `stack_bytes` is the deepest that was seen under the caller of law_step."""

    kinds: dict[str, Cost] = field(default_factory=dict)
    stack_bytes: int = 0

    def add(self, kind: str, counts: Counts) -> None:
        self.kinds.setdefault(kind, Cost()).add(counts)

    def above(self, gates: dict[str, int]) -> list[str]:
        """What passes its gate, for people; empty when nothing does."""
        found = [(kind, self.kinds[kind].most, gate) for kind, gate in gates.items()]
        return [f"{kind}: {most:,}, the gate is {gate:,}" for kind, most, gate in found if most >= gate]


def rows(costs: Costs) -> str:
    """A line a kind, for people: mean, most, ticks."""
    head = f"{'':32s} {'mean':>8s} {'most':>8s} {'ticks':>10s}"
    return "\n".join([head, *(f"{kind:32s} {cost}" for kind, cost in costs.kinds.items())])


def _column(rows: Ints, joint: int, value: int) -> Ints:
    return rows[:, OUT_HEAD + OUT_JOINT * joint + value]


def _block(rows: Ints, table: Table, value: int) -> Ints:
    return np.stack([_column(rows, joint, value) for joint in range(len(table.joints))], axis=1)


def _far_from_soft_stops(rows: Ints, table: Table, joint: int) -> NDArray[np.bool_]:
    """Where the joint's own braking curves cannot act, so that a braked joint is one that a coupled stop brakes."""
    own, position = table.joints[joint], _column(rows, joint, _POSITION).astype(np.int64)
    spare = own.position.disagreement
    upper = own.soft_stop_mdeg[0] - position > own.brake[0].points[-1][0] + spare
    return upper & (position - own.soft_stop_mdeg[1] > own.brake[1].points[-1][0] + spare)


def kinds_of(rows: Ints, table: Table) -> dict[str, NDArray[np.bool_]]:
    """Which ticks are of which kind; a tick may be of several."""
    running = rows[:, 0] == STATES.index("running")
    flags, drives = _block(rows, table, _FLAGS), _block(rows, table, _DRIVE)
    moving = np.count_nonzero(drives, axis=1)
    coupled = np.zeros(len(rows), dtype=np.bool_)
    for stop in table.coupled:
        for joint in stop.joints:
            coupled |= ((flags[:, joint] & _BRAKED) != 0) & _far_from_soft_stops(rows, table, joint)
    return {
        "sensors watched, outputs off": rows[:, 4] == 0,
        "running, at rest": running & (moving == 0),
        "running, some in motion": running & (moving > 0) & (moving < len(table.joints)),
        "running, all in motion": running & (moving == len(table.joints)),
        "a coupled stop brakes": running & coupled,
        "tip speed limited": running & ((flags & _TIP) != 0).any(axis=1),
        "stopping": rows[:, 0] == STATES.index("stopping"),
        "all of them": np.ones(len(rows), dtype=np.bool_),
    }


def measure(arm: ArmLaw, table: Table, inputs: Bytes, costs: Costs, state: bytes | None = None) -> None:
    """Adds the cost of every tick of one drive from power-up (or `state`) on.

    Raises:
        AssertionError: the table is refused, or the outputs are not those of the PC.
    """
    data, host = encode_table(table), host_law()
    assert arm.parse(data) == host.parse(data)
    state = fresh_state(arm) if state is None else state
    arm.core.paint_stack()
    for first in range(0, len(inputs), RUN_TICKS_MAX):
        part = inputs[first : first + RUN_TICKS_MAX]
        expected = host.run(state, part)
        counts, outputs, state = arm.cost(state, part)
        assert np.array_equal(outputs, expected.outputs), "the emulated law gives other outputs"
        for kind, ticks in kinds_of(outputs.view("<i4"), table).items():
            costs.add(kind, counts[ticks])
    costs.stack_bytes = max(costs.stack_bytes, arm.core.stack_used())


def random_drives(table: Table, seed: int, count: int) -> Iterator[Bytes]:
    """Drives of one table, disturbed in every way that the oracle's driver knows."""
    for number in range(count):
        yield inputs_of(play_on(table, random.Random(seed + number), new_counter()).inputs)


def replayed(names: Sequence[str]) -> Iterator[Bytes]:
    """Worked recordings as the kerb arm's replay drives them, with its plant."""
    for name in names:
        yield inputs_of(run_replay(worked_profile(KERB), worked_table(KERB), worked_recording(name)).inputs)


def _longest(curve: Curve) -> Curve:
    """The same line with as many points as a curve may have."""
    points = dict(curve.points)
    for (x0, y0), (x1, y1) in zip(curve.points, curve.points[1:], strict=False):
        for part in range(1, CURVE_POINTS_MAX):
            x = x0 + (x1 - x0) * part // CURVE_POINTS_MAX
            if len(points) < CURVE_POINTS_MAX and x0 < x < x1 and x not in points:
                points[x] = y0 + (y1 - y0) * (x - x0) // (x1 - x0)
    return Curve(points=tuple(sorted(points.items())))


def _longest_sensor(sensor: Sensor) -> Sensor:
    return replace(sensor, tracks=tuple(replace(track, curve=_longest(track.curve)) for track in sensor.tracks))


def _longest_joint(joint: JointTable) -> JointTable:
    flow = (_longest(joint.flow_per_speed_q16[0]), _longest(joint.flow_per_speed_q16[1]))
    return replace(
        joint,
        operator=_longest_sensor(joint.operator),
        position=_longest_sensor(joint.position),
        response=_longest(joint.response),
        brake=(_longest(joint.brake[0]), _longest(joint.brake[1])),
        flow_per_speed_q16=flow
        if all(one[0] == two[0] for one, two in zip(*(c.points for c in flow), strict=True))
        else joint.flow_per_speed_q16,
        valve=(_longest(joint.valve[0]), _longest(joint.valve[1])),
    )


def longest_table(rng: random.Random, joint_count: int) -> Table:
    """A random table whose curves have all the points that they may have."""
    table = random_table(rng, joint_count)
    return replace(
        table,
        joints=tuple(_longest_joint(joint) for joint in table.joints),
        coupled=tuple(replace(stop, brake=_longest(stop.brake)) for stop in table.coupled),
    )


def brisk(table: Table) -> Table:
    """The same joints with short waits, so that a random drive is mostly spent running; a timer costs the same whatever
    its length.
    """
    machine = table.machine
    short = replace(
        machine,
        power_up_ticks=5,
        discrepancy_ticks=4,
        reset_min_ticks=2,
        reset_max_ticks=9,
        load_ticks=2,
        match_ticks=2,
    )
    return replace(table, machine=replace(short, authority_step_q16=8_000))


def all_in_motion(table: Table) -> tuple[bytes, Bytes]:
    """A state in which every joint moves, and ticks in which all go on and then all turn round at once."""
    live = load_core().table(encode_table(table))
    running = running_state(table, live)
    rows = [running.row] * 30 + [running.goal_row] * 60 + [running.rest_row] * 60
    return running.state, inputs_of(np.stack(rows))


def counting_law(compiler: str) -> ArmLaw:
    return ArmLaw(ArmCore(arm_program(compiler), count="blocks"))


def kerb_costs(arm: ArmLaw, drives: int, recordings: Sequence[str], seed: int = 30_000_000) -> Costs:
    """The kerb arm under `drives` random drives and the named recordings."""
    costs, table = Costs(), decode_table(worked_table(KERB))
    for inputs in replayed(recordings):
        measure(arm, table, inputs, costs)
    state, inputs = all_in_motion(table)
    measure(arm, table, inputs, costs, state)
    for inputs in random_drives(brisk(table), seed, drives):
        measure(arm, brisk(table), inputs, costs)
    return costs


def random_costs(arm: ArmLaw, joint_count: int, tables: int, seed: int = 31_000_000) -> Costs:
    """Random tables of the longest curves, each with one random drive."""
    costs = Costs()
    for number in range(tables):
        table = longest_table(random.Random(seed + number), joint_count)
        for inputs in random_drives(table, seed + number, 1):
            measure(arm, table, inputs, costs)
    return costs
