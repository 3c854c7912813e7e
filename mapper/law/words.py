"""The names behind the numbers of law.h, in their order, and what a state waits for in words a person can act on."""

from __future__ import annotations

STATES = ("powering_up", "stopped", "matching", "running", "stopping", "emergency_stop", "fault")
MODES = ("reduced", "full")
NO_JOINT = 255

CAUSES = (
    "none",
    "enabling_device_released",
    "emergency_stop",
    "late_tick",
    "assertion",
    "stop_channel_discrepancy",
    "operator_counts",
    "operator_disagreement",
    "position_counts",
    "position_disagreement",
    "moved_without_drive",
    "drive_without_motion",
)

WAITS = (
    "nothing",
    "sensors",
    "stop_closed",
    "both_channels_open",
    "cause_gone",
    "release",
    "reset",
    "key_off",
    "press",
    "pump",
    "operator",
    "standstill",
)

_WAITS_TEXT = {
    "nothing": "nothing: the arm follows",
    "sensors": "good sensor values: counts inside their window, tracks in agreement",
    "stop_closed": "the emergency stop to be released: both channels closed",
    "both_channels_open": "the emergency stop to be pressed once, so that both channels are seen to open",
    "cause_gone": "the cause to go: the controller must be restarted and the failed assertion looked at",
    "release": "the enabling device to be let go",
    "reset": "the reset button to be pressed and let go, with the enabling device released",
    "key_off": "the service key to be turned off",
    "press": "the enabling device to be pressed",
    "pump": "the pump to be loaded for its set time",
    "operator": "the operator to match the machine: own arm in the machine's pose, levers at rest",
    "standstill": "every joint to stand (in a controlled stop: or the deadline)",
}
_WAITS_TEXT_OF_JOINT = {
    "sensors": "good sensor values: counts inside their window, tracks in agreement; "
    "{joint} is the first that still waits",
    "operator": "the operator to match {joint}: own arm in the machine's pose, or the joint's lever at rest",
    "standstill": "every joint to stand; {joint} is the first that has not stood for long enough",
}

INPUT_BITS = {"stop_1": 1, "stop_2": 2, "enabling": 4, "reset": 8, "mode_full": 16, "key": 32}

FLAGS = {"at_limit": 1, "braked": 2, "shared": 4, "held": 8, "flow_clamped": 16, "matched": 32, "tip": 64}


def waits_text(waits: int, joint_name: str | None = None) -> str:
    """What the state waits for, as a sentence part; `joint_name` is named where one joint is meant."""
    name = WAITS[waits]
    if joint_name and name in _WAITS_TEXT_OF_JOINT:
        return _WAITS_TEXT_OF_JOINT[name].format(joint=joint_name)
    return _WAITS_TEXT[name]
