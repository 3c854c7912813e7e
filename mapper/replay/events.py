"""What happened in a replay, in words: changes of state with what brought them about, and what became of each
injected fault.

Only what the trace shows is said: the digital inputs in the tick of a change, the law's latched cause, the commanded
speeds, and how far the plant's joints ran on.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.law import CAUSES, INPUT_BITS, STATES, waits_text
from mapper.profile.profile import Profile
from mapper.replay.faults import Fault
from mapper.replay.run import Trace

NO_JOINT = 255
RUNNING = STATES.index("running")
STANDS_DEG_S = 0.1
"""Below this speed a joint counts as standing: the rest of a valve's lag is no motion that anybody sees."""
NOTICED_S = 1.0
"""A reaction that comes later than this after the fault is called late."""
STOPS = ("stopping", "stopped", "emergency_stop", "fault")

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
    "drive_without_motion": "joint{joint} did not move as it was driven",
}
_ALWAYS = {
    ("powering_up", "stopped"): "every sensor is good",
    ("powering_up", "emergency_stop"): "every sensor is good, and the emergency stop is open",
    ("matching", "running"): "the operator has matched the machine for the set time",
    ("matching", "stopped"): "the enabling device was let go",
    ("emergency_stop", "stopped"): "the emergency stop is closed, the enabling device let go, and reset was given",
    ("fault", "stopped"): "no fault is present any more, the enabling device is let go, and reset was given",
}
"""Changes of state that the law's rules (L10) allow for one reason only."""
_NOTICED_BY = {
    "stop-press": ("emergency_stop",),
    "stop-wire": ("emergency_stop", "stop_channel_discrepancy"),
    "release": ("enabling_device_released",),
    "late-tick": ("late_tick",),
}
_OF_OPERATOR = ("operator_counts", "operator_disagreement")
_OF_POSITION = ("position_counts", "position_disagreement", "moved_without_drive", "drive_without_motion")


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOn:
    """One joint of the model after a stop began. Angle in deg, speed in deg/s, time in s."""

    joint: str
    speed_deg_s: float  # when the state was entered
    angle_deg: float  # run on from there, in the direction of motion or against it, added up
    time_s: float  # until it stood
    stood: bool  # False: it still moved when the replay ended or motion was allowed again


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """kind: state, mode or fault."""

    time_s: float
    kind: str
    text: str
    state: str  # entered, or as it was
    waits: str  # what the state goes on to wait for; empty for other events
    run_on: tuple[RunOn, ...] = ()  # joints that moved when a stop began; empty for other events


@dataclass(frozen=True, slots=True, kw_only=True)
class FaultOutcome:
    """What became of one injected fault. `after_s` None: the controller never noticed it."""

    fault: str  # as given
    time_s: float
    after_s: float | None
    text: str


def find_events(trace: Trace, profile: Profile) -> tuple[Event, ...]:
    """Every change of state, every drop of the mode while motion is possible, every injected fault, in time order."""
    state = trace.head("state")
    time_s = trace.time_s
    found: list[Event] = []
    changes = _changes(trace)
    for order, row in enumerate(changes):
        end = changes[order + 1] if order + 1 < len(changes) else len(state)
        name = STATES[int(state[row])]
        found.append(
            Event(
                time_s=float(time_s[row]),
                kind="state",
                text=_why(trace, profile, row, changes[order - 1] if order else 0),
                state=name,
                waits=_waits(trace, row, end),
                run_on=_run_on(trace, row) if row and name in STOPS else (),
            )
        )
    moving = np.isin(state, [STATES.index(name) for name in ("matching", "running", "stopping")])
    mode = trace.head("mode")
    for row in (np.flatnonzero((np.diff(mode) != 0) & moving[1:] & moving[:-1]) + 1).tolist():
        text = f"speed mode: {('reduced', 'full')[int(mode[row])]}"
        found.append(Event(time_s=float(time_s[row]), kind="mode", text=text, state=STATES[int(state[row])], waits=""))
    for fault in trace.faults:
        text = f"injected: {fault.in_words()}"
        at = STATES[int(state[_row_of(trace, fault.time_s)])]
        found.append(Event(time_s=fault.time_s, kind="fault", text=text, state=at, waits=""))
    order_of = {"fault": 0, "mode": 1, "state": 2}
    return tuple(sorted(found, key=lambda event: (round(event.time_s, 6), order_of[event.kind])))


def fault_outcomes(trace: Trace, profile: Profile) -> tuple[FaultOutcome, ...]:
    """Whether and when the controller reacted to each injected fault, in time order.

    A reaction is a change of state with a cause that this fault can bring about, while the fault lasts or at most
    `NOTICED_S` after its end.
    """
    found = []
    for fault in sorted(trace.faults, key=lambda one: one.time_s):
        first = _row_of(trace, fault.time_s)
        last = len(trace.law) - 1
        length = 0.0 if fault.kind == "late-tick" else fault.length_s
        if length is not None:
            last = min(last, first + round((length + NOTICED_S) / trace.tick_s))
        row = next((at for at in _changes(trace) if first <= at <= last and _fits(trace, profile, fault, at)), None)
        found.append(_outcome(trace, fault, first, row))
    return tuple(found)


def _outcome(trace: Trace, fault: Fault, first: int, row: int | None) -> FaultOutcome:
    words = f"{fault.time_s:g} s {fault.in_words()}"
    if row is None:
        state = STATES[int(trace.head("state")[max(0, first - 1)])]
        text = f"this fault was never noticed by the controller: {words} (its state then: {state})"
        return FaultOutcome(fault=fault.text, time_s=fault.time_s, after_s=None, text=text)
    after_s = (row - first) * trace.tick_s
    late = "only " if after_s > NOTICED_S else ""
    state = STATES[int(trace.head("state")[row])]
    how = "in the same tick" if row == first else f"{late}after {after_s:.3f} s"
    text = f"{words}: the controller reacted {how}: {state}"
    return FaultOutcome(fault=fault.text, time_s=fault.time_s, after_s=after_s, text=text)


def _fits(trace: Trace, profile: Profile, fault: Fault, row: int) -> bool:
    """Whether the change of state in this row can have been brought about by the fault."""
    if row == 0:
        return False
    before, after = (STATES[int(trace.head("state")[at])] for at in (row - 1, row))
    cause = CAUSES[int(trace.head("cause")[row])]
    if fault.kind == "release" and (before, after) == ("matching", "stopped"):
        return True
    if after not in ("stopping", "emergency_stop", "fault"):
        return False
    if fault.kind in _NOTICED_BY:
        return cause in _NOTICED_BY[fault.kind]
    number = int(trace.head("cause_joint")[row])
    if number >= len(profile.joints):
        return False
    joint = profile.joints[number]
    of_operator = {track.input_name for track in joint.operator.sensor.tracks}
    of_position = {track.input_name for track in joint.position.tracks}
    return (fault.input_name in of_operator and cause in _OF_OPERATOR) or (
        fault.input_name in of_position and cause in _OF_POSITION
    )


def _changes(trace: Trace) -> list[int]:
    return [0, *(np.flatnonzero(np.diff(trace.head("state"))) + 1).tolist()]


def _row_of(trace: Trace, time_s: float) -> int:
    return min(max(round(time_s / trace.tick_s) + trace.zero_tick, 0), len(trace.law) - 1)


def _joint_name(trace: Trace, number: int) -> str | None:
    return trace.joint_names[number] if number != NO_JOINT and number < len(trace.joint_names) else None


def _why(trace: Trace, profile: Profile, row: int, entered: int) -> str:
    """`entered`: the row in which the state that ends here began."""
    if row == 0:
        return "the controller starts"
    before, after = (STATES[int(trace.head("state")[at])] for at in (row - 1, row))
    if before == "stopping" and after in ("stopped", "emergency_stop"):
        return _why_stopping_ends(trace, profile, row)
    if (before, after) in _ALWAYS:
        return _ALWAYS[before, after]
    if (before, after) == ("stopped", "matching"):
        return _why_matching(trace, row, entered)
    cause = CAUSES[int(trace.head("cause")[row])]
    if cause == "emergency_stop":
        opened = [name for name in ("stop_1", "stop_2") if not _digital(trace, row, name)]
        return CAUSE_TEXT[cause] + (" (both channels)" if len(opened) == 2 else f" ({', '.join(opened)} only)")
    joint = _joint_name(trace, int(trace.head("cause_joint")[row]))
    return CAUSE_TEXT[cause].format(joint=f" of {joint}" if joint and "sensor" in CAUSE_TEXT[cause] else f" {joint}")


def _why_stopping_ends(trace: Trace, profile: Profile, row: int) -> str:
    """L10i: every commanded speed of the tick before is zero, or the deadline has passed."""
    speeds = [int(trace.joint(index, "speed_mdeg_s")[row - 1]) for index in range(len(trace.joint_names))]
    still = [
        f"{name} at {speed / 1000:.1f} deg/s" for name, speed in zip(trace.joint_names, speeds, strict=True) if speed
    ]
    if not still:
        return "every joint's commanded speed is zero"
    stop = profile.emergency_stop
    released = CAUSES[int(trace.head("cause")[row - 1])] == "enabling_device_released"
    allowed = stop.release_deadline_s if released else stop.delayed_off_relay_s
    span = f" of {float(allowed):g} s" if released and allowed is not None else ""
    return f"the deadline{span} has passed with speed still commanded: {', '.join(still)}"


def _why_matching(trace: Trace, row: int, entered: int) -> str:
    """L10l: permit, device seen released, device held, key off. Which of them came in this tick, and whether reset was
    given since `stopped` was entered."""
    reset = bool(np.any(trace.inputs[entered:row, 1] & INPUT_BITS["reset"]))
    came = []
    if not _digital(trace, row - 1, "enabling"):
        came.append("the enabling device was pressed")
    if _digital(trace, row - 1, "key"):
        came.append("the service key was turned off")
    if reset:
        came.insert(0, "reset was given")
    return " and ".join(came) if came else "the enabling device is held"


def _digital(trace: Trace, row: int, name: str) -> bool:
    return bool(trace.inputs[row, 1] & INPUT_BITS[name])


def _run_on(trace: Trace, row: int) -> tuple[RunOn, ...]:
    """Joints that moved when the state was entered or began to (dead time), until they stood or motion was allowed
    again."""
    again = np.flatnonzero(trace.head("state")[row:] == RUNNING)
    end = row + int(again[0]) if again.size else len(trace.law)
    found = []
    for index, name in enumerate(trace.joint_names):
        speed = trace.speed_deg_s(index)
        fast = np.flatnonzero(np.abs(speed[row:end]) >= STANDS_DEG_S)
        at_entry = float(speed[row - 1])
        if not fast.size:
            continue
        ticks = int(fast[-1]) + 1
        found.append(
            RunOn(
                joint=name,
                speed_deg_s=at_entry,
                angle_deg=float(np.abs(speed[row : row + ticks]).sum() * trace.tick_s),
                time_s=ticks * trace.tick_s,
                stood=row + ticks < end,
            )
        )
    return tuple(found)


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
