"""What a trace comes to: a few numbers a joint, the pump, what happened in words, and what to be warned of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mapper.law import FLAGS, STATES
from mapper.profile.profile import Joint, Profile
from mapper.replay.events import Event, FaultOutcome, RunOn, fault_outcomes, find_events
from mapper.replay.run import Trace
from mapper.table import compile_table
from mapper.table.table import Curve, JointTable

__all__ = ["LIMITS", "Event", "FaultOutcome", "JointSummary", "RunOn", "Summary", "pressure_words", "summarise"]

RUNNING = STATES.index("running")
LIMITS = (
    ("speed", "at_limit"),
    ("brake", "braked"),
    ("share", "shared"),
    ("flow", "flow_clamped"),
    ("gap", "held"),
    ("tip", "tip"),
)
"""What limited a joint, and the law's flag for it."""
REST_S = 1.0
REST_MDEG = 300
"""The operator is at rest where what he asks of a joint stays within 0.3 deg for a second; a lever, in its deadband."""
REST_LEAST_S = 10.0
SWITCHES_MAX_PER_MIN = 60.0
"""Switches of a valve in a minute of rest from which on a warning is given; of at least REST_LEAST_S of rest. Our own
choice: a switch a second is seen and heard, and settling after every move stays far below it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointSummary:
    """Angles in deg, times in s on the recording's clock, counted only while `running` where not said otherwise."""

    name: str
    follows: bool
    tracking_worst_deg: float | None  # None: in speed control, or never running
    tracking_worst_at_s: float | None
    tracking_rms_deg: float | None
    limited_s: dict[str, float]  # by what of LIMITS: for how long
    upper_room_deg: float | None  # least distance to the upper soft stop in the whole replay; negative: beyond it
    lower_room_deg: float | None
    peak_speed_deg_s: float  # of the plant, in the whole replay
    upper_brake_deg: float | None  # room before the upper soft stop that full speed needs; None: no soft stops
    lower_brake_deg: float | None
    rest_s: float  # for how long the operator was at rest
    switches_per_min: float | None  # of the drive between zero, plus and minus at operator rest; None: no rest


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Flows in l/min."""

    joints: tuple[JointSummary, ...]
    events: tuple[Event, ...]
    fault_outcomes: tuple[FaultOutcome, ...]
    warnings: tuple[str, ...]
    running_s: float
    final_state: str
    pump_asked_l_min: float  # most that the law's target speeds needed, before they shared the pump
    pump_given_l_min: float  # most that the pump gave
    pump_limit_l_min: float
    pump_shared_s: float  # for how long the pump was shared
    pump_pressure_bar: float  # highest of the pump line, quasi-static
    relief_bar: float
    load_pressure_bar: tuple[float, ...]  # highest at each joint's inlet, in the profile's order
    stalled_s: tuple[float, ...]  # for how long each joint stood under drive because its load was too heavy


def pressure_words(summary: Summary) -> str:
    """Pump line and inlets in one sentence, for text and report."""
    inlets = ", ".join(
        f"{joint.name} {bar:.0f}"
        for joint, bar in zip(summary.joints, summary.load_pressure_bar, strict=True)
        if bar >= 0.5
    )
    stalls = ", ".join(
        f"{joint.name} {seconds:.2f} s"
        for joint, seconds in zip(summary.joints, summary.stalled_s, strict=True)
        if seconds > 0.0
    )
    return (
        f"pump at most {summary.pump_pressure_bar:.0f} bar, relief {summary.relief_bar:.0f}; at the inlets, for steady "
        f"motion, at most {inlets or 'none'}; "
        + (f"too heavy to move: {stalls}" if stalls else "no joint stood because its load was too heavy")
    )


def summarise(trace: Trace, profile: Profile) -> Summary:
    """Reduce a trace of this profile. Raises CompileError where the profile cannot be compiled."""
    state = trace.head("state")
    running = state == RUNNING
    table = compile_table(profile)
    joints = tuple(
        _joint_summary(trace, joint, table.joints[index], index, running) for index, joint in enumerate(profile.joints)
    )
    outcomes = fault_outcomes(trace, profile)
    return Summary(
        joints=joints,
        events=find_events(trace, profile),
        fault_outcomes=outcomes,
        warnings=tuple(_chatter(one) for one in joints if _chatters(one)),
        running_s=float(np.count_nonzero(running) * trace.tick_s),
        final_state=STATES[int(state[-1])],
        pump_asked_l_min=float(trace.asked_l_min.max()),
        pump_given_l_min=float(trace.pump_given_l_min().max()),
        pump_limit_l_min=float(profile.supply.flow_m3_s) * 60_000.0,
        pump_shared_s=float(np.count_nonzero(trace.head("share_q16") < 65_536) * trace.tick_s),
        pump_pressure_bar=float(trace.pump_pressure_bar().max()),
        relief_bar=float(profile.supply.relief_pa) / 1e5,
        load_pressure_bar=tuple(float(trace.load_pressure_bar(index).max()) for index in range(len(profile.joints))),
        stalled_s=tuple(trace.stalled_s(index) for index in range(len(profile.joints))),
    )


def _joint_summary(
    trace: Trace, joint: Joint, table: JointTable, index: int, running: NDArray[np.bool_]
) -> JointSummary:
    flags = trace.joint(index, "flags")
    limited = {
        name: float(np.count_nonzero(((flags & FLAGS[flag]) != 0) & running) * trace.tick_s) for name, flag in LIMITS
    }
    worst = at = rms = None
    if joint.control == "follow" and running.any():
        error = (trace.joint(index, "target") - trace.joint(index, "position_mdeg")) / 1000.0
        if joint.continuous:
            error = (error + 180.0) % 360.0 - 180.0
        error = np.where(running, error, 0.0)
        row = int(np.argmax(np.abs(error)))
        worst, at = float(abs(error[row])), float(trace.time_s[row])
        rms = float(np.sqrt(np.sum(error**2) / np.count_nonzero(running)))
    upper = lower = upper_brake = lower_brake = None
    soft = joint.limits.soft_stops_deg
    position = trace.position_deg(index)
    if soft is not None:
        upper = float(float(soft.upper) - position.max())
        lower = float(position.min() - float(soft.lower))
        upper_brake, lower_brake = (
            brake_room_deg(curve, speed) for curve, speed in zip(table.brake, table.speed_full_mdeg_s, strict=True)
        )
    rest_s, switches = _switches(trace, joint, index, running)
    return JointSummary(
        name=joint.name,
        follows=joint.control == "follow",
        tracking_worst_deg=worst,
        tracking_worst_at_s=at,
        tracking_rms_deg=rms,
        limited_s=limited,
        upper_room_deg=upper,
        lower_room_deg=lower,
        peak_speed_deg_s=float(np.abs(trace.speed_deg_s(index)).max()),
        upper_brake_deg=upper_brake,
        lower_brake_deg=lower_brake,
        rest_s=rest_s,
        switches_per_min=switches,
    )


def brake_room_deg(brake: Curve, speed_mdeg_s: int) -> float | None:
    """Least room before a soft stop, in deg, at which the brake curve (room in mdeg, speed in mdeg/s, rising) allows
    this speed; None where it never does."""
    before: tuple[int, int] | None = None
    for room, allowed in brake.points:
        if allowed >= speed_mdeg_s:
            if before is None:
                return room / 1000.0
            share = (speed_mdeg_s - before[1]) / (allowed - before[1])
            return (before[0] + share * (room - before[0])) / 1000.0
        before = (room, allowed)
    return None


def _switches(trace: Trace, joint: Joint, index: int, running: NDArray[np.bool_]) -> tuple[float, float | None]:
    """Seconds of operator rest while running, and switches of the drive in a minute of it."""
    target = trace.joint(index, "target").astype(np.float64)
    ticks = max(1, round(REST_S / trace.tick_s))
    if joint.control == "follow":
        if joint.continuous:
            target = np.unwrap(target, period=360_000.0)
        rest = running & (_spread(target, ticks) <= REST_MDEG)
    else:
        rest = running & (_spread((target != 0.0).astype(np.float64), ticks) == 0.0) & (target == 0.0)
    seconds = float(np.count_nonzero(rest) * trace.tick_s)
    if seconds == 0.0:
        return 0.0, None
    sign = np.sign(trace.joint(index, "drive_e4"))
    switched = np.append(False, np.diff(sign) != 0)
    return seconds, float(np.count_nonzero(switched & rest) * 60.0 / seconds)


def _spread(values: NDArray[np.float64], ticks: int) -> NDArray[np.float64]:
    """Greatest less least value of the window of so many ticks around each row; the ends are held."""
    padded = np.pad(values, (ticks // 2, ticks - 1 - ticks // 2), mode="edge")
    high, low, width = padded, padded, 1
    while width < ticks:  # windows of doubled width, the last one overlapping
        step = min(width, ticks - width)
        high, low = np.maximum(high[:-step], high[step:]), np.minimum(low[:-step], low[step:])
        width += step
    return high - low


def _chatters(joint: JointSummary) -> bool:
    often = joint.switches_per_min is not None and joint.switches_per_min > SWITCHES_MAX_PER_MIN
    return often and joint.rest_s >= REST_LEAST_S


def _chatter(joint: JointSummary) -> str:
    keys = (
        f"widen joints.{joint.name}.follow.error_deadband or speed_deadband, "
        f"or lower joints.{joint.name}.operator.filter"
        if joint.follows
        else f"widen joints.{joint.name}.operator.deadband"
    )
    return (
        f"the valve of {joint.name} switches {joint.switches_per_min:.0f} times a minute while the operator keeps "
        f"still ({joint.rest_s:.0f} s of rest): the joint jerks and the valve wears; {keys}"
    )
