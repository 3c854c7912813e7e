"""What a trace comes to: a few numbers a joint, and what happened in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mapper.law import CAUSES, FLAGS, STATES, waits_text
from mapper.profile.profile import Profile
from mapper.replay.run import Trace

NO_JOINT = 255
RUNNING = STATES.index("running")
LIMITS = (
    ("speed", "at_limit"),
    ("brake", "braked"),
    ("share", "shared"),
    ("flow", "flow_clamped"),
    ("gap", "held"),
)
"""What limited a joint, and the law's flag for it."""

CAUSE_TEXT = {
    "none": "",
    "enabling_device_released": "the enabling device was let go",
    "emergency_stop": "the emergency stop was open",
    "late_tick": "a tick came later than is allowed",
    "assertion": "an assertion of the controller's program failed",
    "stop_channel_discrepancy": "the two emergency-stop channels differed for too long",
    "operator_counts": "the operator sensor{joint} read counts outside its window, or jumped",
    "operator_disagreement": "the two tracks of the operator sensor{joint} disagreed",
    "position_counts": "the position sensor{joint} read counts outside its window, or jumped",
    "position_disagreement": "the two tracks of the position sensor{joint} disagreed",
    "moved_without_drive": "joint{joint} moved without drive",
    "drive_without_motion": "joint{joint} did not move although it was driven",
}
_ORDINARY = {
    ("powering_up", "stopped"): "every sensor is good",
    ("powering_up", "emergency_stop"): "every sensor is good, and the emergency stop is open",
    ("stopped", "matching"): "reset was given and the enabling device pressed",
    ("matching", "running"): "the operator matches the arm",
    ("matching", "stopped"): "the enabling device was let go",
    ("stopping", "stopped"): "every joint stands, or the deadline has passed",
    ("stopping", "emergency_stop"): "every joint stands, or the deadline has passed",
    ("emergency_stop", "stopped"): "the cause is gone and reset was given",
    ("fault", "stopped"): "the cause is gone and reset was given",
}


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """kind: state, mode or fault."""

    time_s: float
    kind: str
    text: str
    state: str  # entered, or as it was
    waits: str  # what the state goes on to wait for; empty for other events


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    joints: tuple[JointSummary, ...]
    events: tuple[Event, ...]
    running_s: float
    final_state: str
    pump_peak_l_min: float
    pump_limit_l_min: float


def summarise(trace: Trace, profile: Profile) -> Summary:
    """Reduce a trace of this profile."""
    state = trace.head("state")
    running = state == RUNNING
    asked = trace.pump_asked_l_min()
    return Summary(
        joints=tuple(_joint_summary(trace, profile, index, running) for index in range(len(profile.joints))),
        events=_events(trace),
        running_s=float(np.count_nonzero(running) * trace.tick_s),
        final_state=STATES[int(state[-1])],
        pump_peak_l_min=float(asked.max()),
        pump_limit_l_min=float(profile.supply.flow_m3_s) * 60_000.0,
    )


def _joint_summary(trace: Trace, profile: Profile, index: int, running: NDArray[np.bool_]) -> JointSummary:
    joint = profile.joints[index]
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
    upper = lower = None
    soft = joint.limits.soft_stops_deg
    position = trace.position_deg(index)
    if soft is not None:
        upper = float(float(soft.upper) - position.max())
        lower = float(position.min() - float(soft.lower))
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
    )


def _joint_name(trace: Trace, number: int) -> str | None:
    return trace.joint_names[number] if number != NO_JOINT and number < len(trace.joint_names) else None


def _events(trace: Trace) -> tuple[Event, ...]:
    state = trace.head("state")
    time_s = trace.time_s
    events: list[Event] = []
    changes = [0, *(np.flatnonzero(np.diff(state)) + 1).tolist()]
    for order, row in enumerate(changes):
        end = changes[order + 1] if order + 1 < len(changes) else len(state)
        events.append(
            Event(
                time_s=float(time_s[row]),
                kind="state",
                text=_why(trace, row),
                state=STATES[int(state[row])],
                waits=_waits(trace, row, end),
            )
        )
    moving = np.isin(state, [STATES.index(name) for name in ("matching", "running", "stopping")])
    mode = trace.head("mode")
    for row in (np.flatnonzero((np.diff(mode) != 0) & moving[1:] & moving[:-1]) + 1).tolist():
        text = f"speed mode: {('reduced', 'full')[int(mode[row])]}"
        events.append(Event(time_s=float(time_s[row]), kind="mode", text=text, state=STATES[int(state[row])], waits=""))
    for fault in trace.faults:
        row = min(max(round(fault.time_s / trace.tick_s) + trace.zero_tick, 0), len(state) - 1)
        text = f"injected: {fault.in_words()}"
        events.append(Event(time_s=fault.time_s, kind="fault", text=text, state=STATES[int(state[row])], waits=""))
    return tuple(sorted(events, key=lambda event: (event.time_s, event.kind)))


def _why(trace: Trace, row: int) -> str:
    after = STATES[int(trace.head("state")[row])]
    if row == 0:
        return "the controller starts"
    cause = CAUSES[int(trace.head("cause")[row])]
    if cause != "none" and after in ("stopping", "emergency_stop", "fault"):
        joint = _joint_name(trace, int(trace.head("cause_joint")[row]))
        return CAUSE_TEXT[cause].format(joint=f" {joint}" if joint else "")
    before = STATES[int(trace.head("state")[row - 1])]
    return _ORDINARY.get((before, after), f"from {before}")


def _waits(trace: Trace, row: int, end: int) -> str:
    """What the state waited for while it lasted, one after the other, each named once."""
    found: list[str] = []
    waits, joints = trace.head("waits_for")[row:end], trace.head("waits_joint")[row:end]
    changed = np.flatnonzero((np.diff(waits) != 0) | (np.diff(joints) != 0)) + 1
    for at in [0, *changed.tolist()]:
        text = waits_text(int(waits[at]), _joint_name(trace, int(joints[at])))
        if text not in found:
            found.append(text)
    shown = found if len(found) <= 5 else [*found[:4], f"and {len(found) - 4} more", found[-1]]
    return "; then ".join(shown)
