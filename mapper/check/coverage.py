"""What this version does not look at, one sentence each on what to do instead. Printed with every result."""

from __future__ import annotations

from mapper.check.finding import NotExamined

_TEXTS = (
    (
        "coupled_stops",
        "stops that depend on another joint's position are not in the table yet; keep joints apart by their own soft "
        "stops",
    ),
    (
        "keep_out",
        "whether any pose within travel and overrun enters the operator's space is not worked out; measure it on the "
        "machine",
    ),
    (
        "tip_speed",
        "the speed of the load's farthest point in reduced mode is not worked out; measure it at full reach, 250 mm/s "
        "or less",
    ),
    (
        "load_holding_setting",
        "whether counterbalance and pilot settings hold the load, and how far it runs on after a stop, is not worked "
        "out",
    ),
    (
        "pressure_needed",
        "whether relief pressure lifts every load in every pose is not worked out; a joint that cannot lift stalls",
    ),
    (
        "pressure_peak",
        "the peak when a moving load is stopped at the ramp or at once is not compared with port reliefs and hoses",
    ),
    ("buckling", "rod buckling at full stroke is not checked; use the cylinder maker's table"),
    (
        "natural_frequency",
        "the lowest frequency and damping are taken from the profile, not derived from oil volumes and inertias",
    ),
    (
        "loop_margin",
        "stability of the follow loop (gain, lag, dead time, oil spring) is not shown; start with a low gain",
    ),
    (
        "hunting",
        "whether the error deadband is wide enough for hysteresis and delay, so that no joint hunts at rest, is not "
        "shown",
    ),
    (
        "pump_share",
        "joints moving together are slowed by one factor; how much, and the engine's power, is not compared with the "
        "task",
    ),
    (
        "lever_arm_in_swing",
        "the soft-stop bound takes the gain as constant during a motion; what the lever arm, read from a swinging "
        "joint, does to the swing is not in it; leave more room to the hard stop where the lever arm changes fast",
    ),
    (
        "repeated_sample_loss",
        "a contact that fails again and again, as often good as lost, is no fault; its reading is no older than the "
        "soft-stop bound takes it, but the swing that each loss adds is counted once; keep fault_time short",
    ),
    (
        "repeated_stops",
        "the soft-stop bound starts at rest; a new start while the load still swings from the last stop is not in it; "
        "make pump_load and match_hold longer than the swing",
    ),
    (
        "stuck_sensor",
        "a sensor that freezes at a plausible value is seen only by the second track or by the motion watches",
    ),
    (
        "slipped_harness",
        "a harness that slips on the operator's arm cannot be seen by any sensor; the enabling device covers it",
    ),
    (
        "stopping_distance",
        "distance and time of a stop at the tip, with valve, dump and load, are not worked out; measure them at "
        "hand-over",
    ),
    ("overturning", "stability of the carrier, outriggers and slope are not looked at"),
    ("performance_level", "no performance level or safety integrity level is claimed or worked out"),
)


def not_examined() -> tuple[NotExamined, ...]:
    return tuple(NotExamined(limit=limit, why=why) for limit, why in _TEXTS)
