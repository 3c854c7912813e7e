"""What every limit of one joint gets to look at, and small helpers that limits share."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from mapper.check.finding import Evidence, Explanation, Finding, Status
from mapper.law import LiveTable
from mapper.machine import NEGATIVE, POSITIVE, JointModel
from mapper.machine.physics import JointPhysics, joint_physics
from mapper.profile.profile import Joint, Profile, Sensor, ValveSide
from mapper.table.table import Q16, CoupledStop, Curve, JointTable, MachineTable, Table

Ints = npt.NDArray[np.int32]
Floats = npt.NDArray[np.float64]

SIDES = (POSITIVE, NEGATIVE)
SIDE_NAMES = ("positive", "negative")
SIDE_SIGNS = (1, -1)
FULL_MODE = 1
MDEG = 1000
HALF_TURN_MDEG = 180_000
M3_S_PER_ML_MIN = 1e-6 / 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class JointContext:
    """One joint: as the profile says it, as compiled, as the law reads it, as a machine."""

    profile: Profile
    joint: Joint
    index: int  # of the joint in profile and table
    table: JointTable
    machine: MachineTable
    live: LiveTable
    model: JointModel
    physics: JointPhysics | None = None  # None: the profile does not say what the joint carries
    partners: tuple[Partner, ...] = ()  # one for each coupled stop that the joint is part of

    @property
    def key(self) -> str:
        """Path of the joint in the profile, for advice."""
        return f"joints.{self.joint.name}"

    @property
    def tick_s(self) -> float:
        return self.machine.tick_us / 1e6

    @property
    def tick_most_s(self) -> float:
        """Longest tick that is not a fault."""
        return (self.machine.tick_us + self.machine.late_us) / 1e6

    @property
    def lost_s(self) -> float:
        """Oldest that lost position samples can make a reading before they are a fault.

        r lost, one good, s lost: the median after the single good sample still gives the sample before the loss, so the
        reading is r + 1 + s ticks old; rule L3 counts r - 1 + s, so r + s is at most bad_ticks.
        """
        bad_ticks = self.table.position.bad_ticks
        return (bad_ticks if bad_ticks > 1 else 0) * self.tick_most_s

    @property
    def late_s(self) -> float:
        """Longest time from a position to the end of what the law made of its reading, lost samples included: dead
        time; the lost samples; the median's tick, the output within its tick, and held until the next.
        """
        return float(self.joint.tolerances.dead_time_s.upper) + self.lost_s + 3.0 * self.tick_most_s

    @property
    def noise_deg(self) -> float:
        """Largest change of a reading from one count to the next: quantisation and a count of noise."""
        steps = [
            abs(y1 - y0) / (x1 - x0)
            for track in self.table.position.tracks
            for (x0, y0), (x1, y1) in zip(track.curve.points, track.curve.points[1:], strict=False)
        ]
        return max(steps) / MDEG + 0.001

    def travel_mdeg(self) -> tuple[int, int]:
        """Lower and upper end of all positions: hard stops, outward; a whole turn for a continuous joint."""
        hard = self.joint.limits.hard_stops_deg
        if self.joint.continuous or hard is None:
            return -HALF_TURN_MDEG, HALF_TURN_MDEG - 1
        return math.floor(hard.lower * MDEG), math.ceil(hard.upper * MDEG)

    def poses_mdeg(self) -> Ints:
        """Every millidegree of the travel."""
        lower, upper = self.travel_mdeg()
        return np.arange(lower, upper + 1, dtype=np.int32)

    def speed_per_flow_e4(self, poses_mdeg: npt.ArrayLike, side: int) -> Floats:
        """True speed in mdeg/s for a valve flow of 1/10000, at rated gain, at each pose.

        Source: geometry of the machine model, floats; not the compiled table.
        """
        full_m3_s = self.table.flow_full_ml_min * M3_S_PER_ML_MIN
        q_rad = np.radians(np.asarray(poses_mdeg, dtype=np.float64) / MDEG)
        return np.degrees(self.model.speed_per_flow_rad_m3(q_rad, side)) * MDEG * full_m3_s / 1e4

    def gain_most(self, side: int) -> float:
        return self.model.gain_spread(side)[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Partner:
    """The other joint of a coupled stop, without partners of its own."""

    stop: CoupledStop
    own: int  # 0 or 1: which joint of the stop this one's context is of
    other: JointContext


def count_step(sensor: Sensor, scale: int) -> Fraction:
    """Largest change of the value from one count to the next, in 1/scale of the profile's unit."""
    return max(
        abs(y1 - y0) * scale / (x1 - x0)
        for track in sensor.tracks
        for (x0, y0), (x1, y1) in pairwise(sorted(track.points))
    )


def valve_side(context: JointContext, side: int) -> ValveSide:
    return context.joint.valve.positive if side == POSITIVE else context.joint.valve.negative


def curve_between(points: tuple[tuple[int, int], ...] | Curve) -> tuple[Floats, Floats]:
    """x and y of a compiled curve as floats."""
    pairs = points.points if isinstance(points, Curve) else points
    array = np.array(pairs, dtype=np.float64)
    return array[:, 0], array[:, 1]


def never_falls(values: Ints) -> bool:
    return bool(np.all(values[1:] >= values[:-1]))


def slowest_flow_per_speed(context: JointContext, side: int) -> int:
    """Smallest compiled flow per speed over the travel (q16): there a flow is worth the most speed."""
    return int(np.min(context.live.curve(context.index, 7 + side, context.poses_mdeg())))


def speed_of_flow(context: JointContext, side: int, flow_e4: float) -> float:
    """Largest commanded speed in deg/s that a flow of so many 1/10000 can stand for, over the travel."""
    return flow_e4 * Q16 / slowest_flow_per_speed(context, side) / MDEG


def judge(
    context: JointContext | None,
    limit: str,
    *,
    evidence: Evidence,
    cases: int,
    worst: float,
    bound: float,
    unit: str,
    detail: str,
    advice: str,
    holds: bool | None = None,
    margin: bool = True,
    at_least: bool = False,
    explanation: Explanation | None = None,
) -> Finding:
    """A finding whose worst value may be at most the bound (`at_least`: at least). `advice` is kept only where it does
    not hold; `margin` is False where the worst counts faults or is the bound by design.

    `holds` overrides the comparison where the comparison was made in integers or of several things at once.
    """
    spare = float(worst) - float(bound) if at_least else float(bound) - float(worst)
    good = spare >= 0 if holds is None else holds
    return Finding(
        limit=limit,
        joint=None if context is None else context.joint.name,
        status=Status.HOLDS if good else Status.VIOLATED,
        evidence=evidence,
        cases=cases,
        worst=round(float(worst), 6),
        bound=round(float(bound), 6),
        unit=unit,
        margin=round(spare, 6) if margin else None,
        detail=detail,
        advice="" if good else advice,
        at_least=at_least,
        explanation=explanation,
    )


def not_shown(context: JointContext | None, limit: str, *, unit: str, detail: str, advice: str) -> Finding:
    return Finding(
        limit=limit,
        joint=None if context is None else context.joint.name,
        status=Status.NOT_SHOWN,
        evidence=Evidence.NONE,
        cases=0,
        worst=None,
        bound=None,
        unit=unit,
        margin=None,
        detail=detail,
        advice=advice,
    )


def contexts(
    profile: Profile, table: Table, live: LiveTable, models: tuple[JointModel, ...]
) -> tuple[JointContext, ...]:
    """One context a joint, in the profile's order."""
    physics = joint_physics(profile)
    alone = tuple(
        JointContext(
            profile=profile,
            joint=joint,
            index=index,
            table=own,
            machine=table.machine,
            live=live,
            # Where the loads are known, the model has the gain spread that they leave.
            model=physics[joint.name].model if joint.name in physics else model,
            physics=physics.get(joint.name),
        )
        for index, (joint, own, model) in enumerate(zip(profile.joints, table.joints, models, strict=True))
    )
    return tuple(replace(context, partners=_partners(table, alone, context.index)) for context in alone)


def _partners(table: Table, alone: tuple[JointContext, ...], index: int) -> tuple[Partner, ...]:
    return tuple(
        Partner(stop=stop, own=own, other=alone[stop.joints[1 - own]])
        for stop in table.coupled
        for own in (0, 1)
        if stop.joints[own] == index
    )


def down(value: float, step: float = 0.1) -> float:
    """Rounded down to a step that one writes into a profile; exact multiples stay."""
    return round(math.floor(value / step + 1e-9) * step, 6)


def up(value: float, step: float = 0.1) -> float:
    return round(math.ceil(value / step - 1e-9) * step, 6)
