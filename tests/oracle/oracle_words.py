"""What every part of the oracle shares: the words and the arithmetic of the rules, curves (L2), and the state of a
joint.

`RULES` lists every branch of every rule, so a slip of a name is a KeyError and a branch never tried stays at zero.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

from mapper.table.table import CoupledStop, Curve, JointTable, Sensor, Table, Track

Q16 = 65_536
COUNTER_MAX = 65_535
NO_JOINT = 255
POWERING_UP, STOPPED, MATCHING, RUNNING, STOPPING, EMERGENCY_STOP, FAULT = range(7)
(NONE, RELEASED, STOP, LATE, ASSERTION, DISCREPANCY, OPERATOR_COUNTS, OPERATOR_DISAGREEMENT, POSITION_COUNTS,
 POSITION_DISAGREEMENT, MOVED, STALLED) = range(12)  # fmt: skip
STOP_1, STOP_2, ENABLING, RESET, MODE_FULL, KEY = (1 << bit for bit in range(6))
AT_LIMIT, BRAKED, SHARED, HELD, FLOW, MATCHED, TIP = (1 << bit for bit in range(7))
POSITIVE, NEGATIVE = 0, 1
REDUCED, FULL_SPEED = 0, 1

_RULES = """
    L2-below L2-above L2-between L2-clamped L2w-wrapped L2w-inside
    L3b-window L3b-step L3c-good L3c-primed L3c-median L3c-forgives L3d-bad L3d-unprimed L3d-adds-up L3e-apart
    L3e-agree L3e-falls L3e-unprimed L3e-unprimed-falls L3e-adds-up L3f-spread
    L4-waits L4-ends L4a-first L4a-later L4b-first L4b-later L4b-wraps L4c-rest L4c-share
    L5a-rest L5a-gap L5a-clamped L5a-alone L5a-both L5b-zero L5b-share L5c
    L6a-lowered L6a-left L6b-beyond L6b-lowered L6b-left L6b-continuous L6d-lowered L6d-left L6e-scaled L6e-to-zero
    L6e-left L6c-idle L6c-left L6c-beyond L6c-scaled L6c-away L6c-both L6c-again L6c-weight-negative L6c-worse-track
    L6f-none L6f-full L6f-left L6f-scaled L6f-to-zero L6f-reachless
    L7a-up-faster L7a-up-slower L7a-up-reverse L7a-down-faster L7a-down-slower L7a-down-reverse L7b-waits L7b-starts
    L7b-rests L7c-beyond L7c-lowered L7c-left L7d-clamped L7d-left L7e-zero L7e-moving L7e-idle
    L7f-idle L7f-left L7f-beyond L7f-scaled L7f-away L7f-both L7f-again L7f-weight-negative L7f-worse-track
    L7g-none L7g-full L7g-left L7g-held L7g-held-at-zero L7g-slows L7g-reachless
    L8-zero L8-drive L8-drive-max
    L9-several L9a-late L9a-discrepancy L9b-operator-counts L9b-operator-disagreement L9b-position-counts
    L9b-position-disagreement L9c-reset L9c-driven L9c-quiet L9c-anchor L9c-moved L9c-renewed L9d-slack L9d-anchor
    L9d-moving L9d-other-way L9d-counting L9d-stalled L9e-moving L9e-counting L9e-rested L9e-other-joint
    L10a-open L10b-differ L10b-set L10b-cleared L10b-present L10c-pressed L10c-edge L10c-short L10c-long L10d-waits
    L10d-stopped L10d-emergency L10e-fault L10f-stopped L10f-matching L10g-category0 L10g-category1 L10h-category0
    L10h-category1 L10i-standstill L10i-deadline L10i-stays L10i-to-emergency L10i-to-stopped L10j L10k L10l-seen
    L10l-permit L10l-key L10l-unseen L10l-matching L10m L10n L10n-rested L10n-present L10n-unrested L10n-unready
    L10o-loading L10o-matched L10o-unmatched L10o-running L10p-authority L10p-full L10q-asked L10q-falls
    L10q-never-rises L10r-on L10r-off L10s driving
"""
RULES: tuple[str, ...] = tuple(_RULES.split())
"""Every branch that inputs can reach. An assertion (L9a) cannot be brought about from outside; `driving` is no rule but
the ticks in which some drive is not zero."""


class JointTick(NamedTuple):
    """law_joint_out_t."""

    target: int
    position: int
    wanted: int
    speed: int
    flow: int
    drive: int
    flags: int


class Tick(NamedTuple):
    """law_out_t without waits_for and waits_joint, which are for people."""

    state: int
    cause: int
    cause_joint: int
    mode: int
    enable: int
    authority_q16: int
    share_q16: int
    joints: tuple[JointTick, ...]


def new_counter() -> dict[str, int]:
    return dict.fromkeys(RULES, 0)


def div(a: int, b: int) -> int:
    """`a div b` of the rules: truncates toward zero; b > 0."""
    return a // b if a >= 0 else -(-a // b)


def limit_32(value: int) -> int:
    return max(-(2**31), min(2**31 - 1, value))


def clamp(value: int, low: int, high: int) -> int:
    return low if value < low else high if value > high else value


def sign(value: int) -> int:
    return (value > 0) - (value < 0)


def count_up(counter: int) -> int:
    return counter + 1 if counter < COUNTER_MAX else COUNTER_MAX


def direction(value: int) -> int:
    return POSITIVE if value > 0 else NEGATIVE


class CurveReader:
    """L2."""

    __slots__ = ("reached", "slopes", "xs", "ys")

    def __init__(self, curve: Curve, reached: dict[str, int]) -> None:
        self.xs = [x for x, _ in curve.points]
        self.ys = [y for _, y in curve.points]
        self.slopes = [
            Q16 * (self.ys[i + 1] - self.ys[i]) // (self.xs[i + 1] - self.xs[i]) for i in range(len(self.xs) - 1)
        ]
        self.reached = reached

    def at(self, x: int) -> int:
        xs, ys = self.xs, self.ys
        if x <= xs[0]:
            self.reached["L2-below"] += 1
            return ys[0]
        if x >= xs[-1]:
            self.reached["L2-above"] += 1
            return ys[-1]
        i = bisect_right(xs, x) - 1  # xs[i] <= x < xs[i + 1]
        y = ys[i] + (x - xs[i]) * self.slopes[i] // Q16
        self.reached["L2-between"] += 1
        low, high = (ys[i], ys[i + 1]) if ys[i] <= ys[i + 1] else (ys[i + 1], ys[i])
        if low <= y <= high:
            return y
        self.reached["L2-clamped"] += 1
        return low if y < low else high


class TrackState:
    __slots__ = ("bad", "curve", "good", "last", "newer", "older", "primed", "run", "table", "value")

    def __init__(self, table: Track, reached: dict[str, int]) -> None:
        self.table = table
        self.curve = CurveReader(table.curve, reached)
        self.newer = self.older = self.last = self.value = self.bad = self.good = 0
        self.run = 0  # bad samples one after the other; no rule reads it, only `reached` does
        self.primed = False


class SensorState:
    __slots__ = ("apart", "apart_run", "larger", "smaller", "table", "tracks", "value", "wraps")

    def __init__(self, table: Sensor, wraps: bool, reached: dict[str, int]) -> None:
        self.table = table
        self.wraps = wraps  # the position of a continuous joint
        self.tracks = [TrackState(track, reached) for track in table.tracks]
        self.apart = self.value = self.larger = self.smaller = 0
        self.apart_run = 0  # ticks apart one after the other; no rule reads it, only `reached` does

    def counts_bad(self) -> bool:
        return any(track.bad >= self.table.bad_ticks for track in self.tracks)

    def apart_bad(self) -> bool:
        return self.apart >= self.table.bad_ticks


class JointState:
    __slots__ = (
        "at_rest", "brake", "busy", "busy_anchor", "demand", "drive", "filter_f", "filter_s", "flags",
        "flow", "k", "last_direction", "matched", "operator", "operator_speed", "position", "quiet", "quiet_anchor",
        "response", "started", "table", "target", "valve", "w", "wanted", "zero",
    )  # fmt: skip

    def __init__(self, table: JointTable, reached: dict[str, int]) -> None:
        self.table = table
        self.operator = SensorState(table.operator, False, reached)
        self.position = SensorState(table.position, table.continuous, reached)
        self.response = CurveReader(table.response, reached)
        self.brake = [CurveReader(curve, reached) for curve in table.brake]
        self.k = [CurveReader(curve, reached) for curve in table.flow_per_speed_q16]
        self.valve = [CurveReader(curve, reached) for curve in table.valve]
        self.started = self.at_rest = self.matched = False
        self.filter_f = self.filter_s = self.demand = self.target = self.operator_speed = 0
        self.wanted = self.w = self.last_direction = self.zero = self.flow = self.drive = self.flags = 0
        self.quiet = self.quiet_anchor = self.busy = self.busy_anchor = 0


class CoupledLimit:
    """A coupled stop of the table, its braking curve made ready; it remembers nothing."""

    __slots__ = ("brake", "table")

    def __init__(self, table: CoupledStop, reached: dict[str, int]) -> None:
        self.table = table
        self.brake = CurveReader(table.brake, reached)


class MachineState:
    """What the whole machine remembers from tick to tick; `reached` may be shared by many oracles."""

    def __init__(self, table: Table, reached: dict[str, int]) -> None:
        self.machine = table.machine
        self.reached = reached
        self.joints = [JointState(joint, reached) for joint in table.joints]
        self.coupled = [CoupledLimit(stop, reached) for stop in table.coupled]
        self.state, self.cause, self.cause_joint, self.mode = POWERING_UP, NONE, NO_JOINT, REDUCED
        self.permit = self.seen_released = self.both_must_open = self.edge = False
        self.differ = self.state_ticks = self.match_ticks = self.authority = 0
        self.press = COUNTER_MAX  # L10c
        self.share = Q16

    def wrap(self, angle: int) -> int:
        """L2w."""
        if -180_000 <= angle < 180_000:
            self.reached["L2w-inside"] += 1
            return angle
        self.reached["L2w-wrapped"] += 1
        return (angle + 180_000) % 360_000 - 180_000

    def difference(self, wraps: bool, a: int, b: int) -> int:
        """L2w."""
        return self.wrap(a - b) if wraps else a - b
