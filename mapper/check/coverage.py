"""What this version does not look at, one sentence each on what to do instead. Printed with every result."""

from __future__ import annotations

from mapper.check.finding import NotExamined

_TEXTS = (
    (
        "coupled_stops",
        "stops that depend on another joint's position are not in the table yet, so every pose within all hard stops "
        "counts as one that the arm may take; keep joints apart by their own soft stops",
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
        "steel",
        "brackets, pins, welds, bearings and the booms themselves are taken as rigid and strong enough; only the rod's "
        "buckling and the ratings in the profile are compared; have the steel designed for the forces and "
        "pressures that mapper check --explain shows",
    ),
    (
        "hose_routing",
        "hoses are looked at as oil volume and working pressure only; chafing, bending radius, whip and what a burst "
        "does are not; a counterbalance or check valve belongs on the cylinder itself",
    ),
    (
        "fatigue",
        "no number of load cycles is compared with anything; peaks of pressure and force count as single events",
    ),
    (
        "damping_ratio",
        "the lowest frequency is worked out from oil and inertia, but the damping ratio is taken from the profile and "
        "not derived; measure how a swing dies down, loaded, and write the lowest",
    ),
    (
        "other_joints_braking",
        "natural frequency, each soft stop and each stop are worked out for the joint's own motion, the others held: "
        "another joint that brakes at the same time swings this one on its oil too, and a sudden "
        "stop of one asks the load holding of the others to hold what it throws on them (it may open their reliefs); "
        "neither is judged; measure overrun and give with the joints moving together, loaded, and leave more room",
    ),
    (
        "oil_temperature",
        "lag, dead time, gain and efficiency are what the profile and its tolerances say at any temperature; cold, "
        "thick oil is in them only where you have put it",
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
        "overturning",
        "stability of the carrier and its outriggers is not looked at; the slope (tilt) counts only in what gravity "
        "does to the joints",
    ),
    ("performance_level", "no performance level or safety integrity level is claimed or worked out"),
)


def not_examined() -> tuple[NotExamined, ...]:
    return tuple(NotExamined(limit=limit, why=why) for limit, why in _TEXTS)
