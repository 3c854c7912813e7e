"""Every stop of a replay run on with the oil's pressures in the joints: how far, how long, how high the pressure.

The replay's own plant knows no pressure peak and stops a joint with its valve. Here each joint that moves when the law
leaves `running` goes on from its place and speed in the trace, with the law's own drives and the dump, in the stiff
model (`stiff.py`). Simulated, not measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from mapper.law import CAUSES, STATES
from mapper.machine import NEGATIVE, POSITIVE
from mapper.machine.physics import JointPhysics, joint_physics
from mapper.machine.stop.stopping import tip_radius_m
from mapper.profile.profile import CylinderDrive, ElectricDrive, Joint, Profile
from mapper.replay._stiff_library import run_stiff_compiled
from mapper.replay.run import Trace
from mapper.replay.stiff import (
    HARD_STOP,
    RELIEF_OPENED,
    SEAT_OPENED,
    STANDS_RAD_S,
    VOID,
    Floats,
    StiffJoint,
    StiffStart,
)
from mapper.replay.stiff_joint import natural_rad_s, resting_squeeze, sinking_rad_s, stiff_joint, valve_past

LONGEST_S = 6.0
"""No stop is run on for longer."""
_LAGS = 12.0  # so many lags before a stop have no part in it
_OPEN = 1e-3  # share of rated flow
_RUNNING = STATES.index("running")
_STOPPING = STATES.index("stopping")
_BAR = 1e5
_QUIET_S = 0.05  # a joint that stood for so long, and for most of a swing, has come to rest


@dataclass(frozen=True, slots=True, kw_only=True)
class JointStop:
    """One joint in one stop. Angles in deg, times in ms from the stop's tick, pressures in bar (gauge)."""

    joint: str
    speed_deg_s: float  # when the stop began
    distance_deg: float  # farthest that it went on
    distance_mm: float  # of the load's centre, at the farthest that it may be from the joint's axis in any pose
    allowed_mm: float | None  # the profile's stop_distance
    stood_ms: float  # until it first stood
    still_ms: float  # until it no longer swung, faster than 0.1 deg/s
    still: bool  # False: it still moved when the trace ended, motion was allowed again, or after LONGEST_S
    sinks_deg_s: float  # how fast it then goes on sinking: a spool without load holding leaks
    sides: tuple[str, str]  # cap and rod, or a motor's ports
    peak_bar: tuple[float, float]
    opened: tuple[str, ...]  # reliefs and counterbalances whose setting was passed
    happened: tuple[str, ...]  # hard stop reached, side run empty
    rows: Floats = field(compare=False, repr=False)  # see stiff.ROW, one a tick; sides as in `sides`


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """kind: released, emergency_stop, fault or category_1."""

    time_s: float
    kind: str
    joints: tuple[JointStop, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stops:
    """What became of every stop; joints that the stiff model cannot show, with the reason and the key to add."""

    load_name: str  # "empty" for none
    corner: str
    tick_s: float
    stops: tuple[Stop, ...]
    left_out: tuple[tuple[str, str], ...]

    def worst(self) -> tuple[Stop, JointStop] | None:
        """The one that went farthest at the load's centre (in deg where that is nothing); None without any."""
        every = [(stop, one) for stop in self.stops for one in stop.joints]
        return max(every, key=lambda pair: (pair[1].distance_mm, pair[1].distance_deg), default=None)


def find_stops(trace: Trace, profile: Profile) -> Stops:
    """Every stop of a trace of this profile, in time order, with the trace's load and plant corner."""
    named = trace.load_name in {load.name for load in profile.loads}
    physics = joint_physics(profile if named else replace(profile, loads=()))
    left_out = [(joint.name, why) for joint in profile.joints if (why := _why_left_out(joint, physics))]
    without = {name for name, _ in left_out}
    state = trace.head("state")
    begins = (np.flatnonzero((state[:-1] == _RUNNING) & (state[1:] != _RUNNING)) + 1).tolist()
    stops = []
    for row in begins:
        joints = [
            _joint_stop(trace, physics[name], index, row)
            for index, name in enumerate(trace.joint_names)
            if name not in without and _may_move(trace, profile.joints[index], index, row)
        ]
        moved = tuple(one for one in joints if one is not None)
        stops.append(Stop(time_s=float(trace.time_s[row]), kind=_kind(trace, row), joints=moved))
    return Stops(
        load_name=trace.load_name or "empty",
        corner=trace.corner,
        tick_s=trace.tick_s,
        stops=tuple(stops),
        left_out=tuple(left_out),
    )


def stops_document(stops: Stops) -> dict[str, object]:
    """What --json prints of them."""
    return {
        "simulated": True,
        "load": stops.load_name,
        "corner": stops.corner,
        "left_out": [{"joint": joint, "why": why} for joint, why in stops.left_out],
        "stops": [
            {
                "time_s": stop.time_s,
                "kind": stop.kind,
                "joints": [_joint_document(one) for one in stop.joints],
            }
            for stop in stops.stops
        ],
    }


def _joint_document(one: JointStop) -> dict[str, object]:
    return {
        "joint": one.joint,
        "speed_deg_s": round(one.speed_deg_s, 4),
        "distance_deg": round(one.distance_deg, 4),
        "distance_mm": round(one.distance_mm, 2),
        "allowed_mm": one.allowed_mm,
        "stood_ms": round(one.stood_ms, 2),
        "still_ms": round(one.still_ms, 2),
        "still": one.still,
        "sinks_deg_s": round(one.sinks_deg_s, 4),
        "peak_bar": {side: round(peak, 2) for side, peak in zip(one.sides, one.peak_bar, strict=True)},
        "opened": list(one.opened),
        "happened": list(one.happened),
    }


def _why_left_out(joint: Joint, physics: dict[str, JointPhysics]) -> str:
    if isinstance(joint.drive, ElectricDrive):
        return "electric: no oil in it"
    if joint.hoses is None:
        return f"how much oil is in its lines is not known: add joints.{joint.name}.hoses (length, bore)"
    if joint.name not in physics:
        return f"what it carries is not known: add joints.{joint.name}.body, and that of every pitch joint beyond it"
    return ""


def _kind(trace: Trace, row: int) -> str:
    state = STATES[int(trace.head("state")[row])]
    if state == "stopping":
        released = CAUSES[int(trace.head("cause")[row])] == "enabling_device_released"
        return "released" if released else "category_1"
    return state


def _may_move(trace: Trace, joint: Joint, index: int, row: int) -> bool:
    """Moving, or perhaps about to: a drive that is still in its valve."""
    if abs(math.radians(float(trace.speed_deg_s(index)[row - 1]))) >= STANDS_RAD_S:
        return True
    tolerances = joint.tolerances
    pending = math.ceil(float(tolerances.dead_time_s.upper + tolerances.lag_s.upper) / trace.tick_s)
    return bool(np.any(trace.joint(index, "drive_e4")[max(0, row - pending) : row]))


def _joint_stop(trace: Trace, physics: JointPhysics, index: int, row: int) -> JointStop | None:
    """None: the joint stands, and its valve lets nothing through."""
    joint, tick_s = physics.joint, trace.tick_s
    load = trace.load_name if trace.load_name in physics.envelope.load_names else physics.envelope.load_names[0]
    q = math.radians(float(trace.position_deg(index)[row - 1]))
    w = math.radians(float(trace.speed_deg_s(index)[row - 1]))
    drives = trace.joint(index, "drive_e4")
    before = min(row, math.ceil((_LAGS * float(joint.tolerances.lag_s.upper) + LONGEST_S / 10.0) / tick_s))
    direction = _direction(joint, w, drives[row - before : row])
    own = stiff_joint(physics, corner=trace.corner, load_name=load, direction=direction, q_rad=q)
    ticks = _ticks(trace, row)
    known = min(len(drives), row + ticks)  # after the end of a trace that ends in a stop, drives stay zero
    told = np.concatenate([drives[row - before : known], np.zeros(row + ticks - known, dtype=drives.dtype)])
    past = valve_past(joint, own, told.tolist(), before)
    pending = past.share[: own.dead_steps // own.steps_per_tick + 1]
    if abs(w) < STANDS_RAD_S and abs(past.lag) < _OPEN and not np.any(pending):
        return None
    factor = np.ones(ticks)
    factor[: known - row] = trace.motion[row:known, 2]
    off = np.flatnonzero(trace.head("enable")[row:known] == 0)
    start = StiffStart(
        q_rad=q,
        w_rad_s=w,
        squeezed_m3=resting_squeeze(own, q, w, past.lag),
        lag=past.lag,
        share=past.share[: ticks + 1],
        factor=factor,
        off_tick=int(off[0]) if off.size else known - row,
        quiet_ticks=math.ceil(max(_QUIET_S, 1.6 * math.pi / natural_rad_s(own, q)) / tick_s),
    )
    return _summary(physics, own, start, load)


def _direction(joint: Joint, w: float, drives: np.ndarray) -> int:
    """Of the motion; of a joint that stands, that of its last drive."""
    if w == 0.0:
        driven = drives[np.flatnonzero(drives)]
        w = float(driven[-1]) * (-1.0 if joint.valve.reversed else 1.0) if driven.size else 1.0
    return POSITIVE if w > 0.0 else NEGATIVE


def _ticks(trace: Trace, row: int) -> int:
    """For how long a stop can be followed: until motion is allowed again, or past the trace's end where it ends at
    rest."""
    longest = max(1, round(LONGEST_S / trace.tick_s))
    state = trace.head("state")
    again = np.flatnonzero(state[row:] == _RUNNING)
    if again.size:
        return min(longest, int(again[0]))
    return min(longest, len(state) - row) if state[-1] == _STOPPING else longest


def _summary(physics: JointPhysics, own: StiffJoint, start: StiffStart, load: str) -> JointStop:
    joint, envelope, result = physics.joint, physics.envelope, run_stiff_compiled(own, start)
    ahead, behind = result.highest_rad - start.q_rad, start.q_rad - result.lowest_rad
    distance = ahead if start.w_rad_s > 0.0 else behind if start.w_rad_s < 0.0 else max(ahead, behind)
    radius = np.interp(start.q_rad, envelope.q_rad, tip_radius_m(physics)[envelope.load_names.index(load)])
    allowed = joint.limits.stop_distance_m
    turned = start.w_rad_s != 0.0 and result.turned_s >= 0.0
    names = _sides(joint)
    order = sorted((0, 1), key=lambda side: names[side] in ("rod", "negative port"))
    opened, happened = [], []
    for side in order:
        bits = result.happened >> (8 * side)
        opened += [f"port relief ({names[side]})"] if bits & RELIEF_OPENED else []
        opened += [f"counterbalance ({names[side]})"] if bits & SEAT_OPENED else []
        happened += [f"{names[side]} ran empty"] if bits & VOID else []
    if result.happened & HARD_STOP:
        happened.append("hard stop reached")
    return JointStop(
        joint=joint.name,
        speed_deg_s=math.degrees(start.w_rad_s),
        distance_deg=math.degrees(distance),
        distance_mm=distance * float(radius) * 1000.0,
        allowed_mm=None if allowed is None else float(allowed) * 1000.0,
        stood_ms=(result.turned_s if turned else result.moving_s) * 1000.0,
        still_ms=max(result.moving_s, result.turned_s if turned else 0.0) * 1000.0,
        still=result.stood,
        sinks_deg_s=math.degrees(sinking_rad_s(own, float(result.rows[-1, 0]))),
        sides=(names[order[0]], names[order[1]]),
        peak_bar=(result.peak_pa[order[0]] / _BAR, result.peak_pa[order[1]] / _BAR),
        opened=tuple(opened),
        happened=tuple(happened),
        rows=result.rows[:, [0, 1, 2 + order[0], 2 + order[1], 4, 5]],
    )


def _sides(joint: Joint) -> tuple[str, str]:
    if not isinstance(joint.drive, CylinderDrive):
        return "positive port", "negative port"
    return ("cap", "rod") if joint.drive.extends_positive else ("rod", "cap")
