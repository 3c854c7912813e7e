"""What this version does not look at, one sentence each on what to do instead. Printed with every result."""

from __future__ import annotations

from mapper.check.finding import NotExamined
from mapper.profile.profile import Profile

_TEXTS = (
    (
        "handover",
        "tip_speed adds the speeds that the law lets through in one tick, in the reduced mode; while one joint takes "
        "over from another, a valve that lags longest and one that lags shortest may add to it until both have "
        "settled, by as much as the limit's detail says (up to as much again); and when the mode is switched to "
        "reduced in motion, the joints only slow down by their ramps. Keep the load's reach free of people in either "
        "case; lower ramps make it less",
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
        "not derived; measure how a swing dies down, loaded, and write the lowest; frequency and damping are taken as "
        "constant during a motion",
    ),
    (
        "valve_model",
        "soft stops, coupled stops and natural frequency take a valve as its measured curve behind dead time and a "
        "first-order lag: not a spool of limited speed or one that swings, not a joint that drifts by leakage at zero "
        "command, and not a flow that changes with the load by more than the tolerance of its gain; measure the step "
        "response at full speed, loaded and empty, and widen lag and gain until they cover it",
    ),
    (
        "other_joints_braking",
        "natural frequency, each soft stop, each coupled stop and each stop are worked out for the joint's own motion "
        "on its own oil: another joint that brakes at the same time throws this one too, and a sudden stop of one asks "
        "the load holding of the others to hold what it throws on them (it may open their reliefs); neither is judged; "
        "measure overrun and give with the joints moving together, loaded, and leave more room",
    ),
    (
        "play",
        "play in pins and bearings is not part of any bound: measure it at the end of the arm and add it to "
        "position.error where the sensor does not see it",
    ),
    (
        "oil_temperature",
        "lag, dead time, gain and efficiency are what the profile and its tolerances say at any temperature; cold, "
        "thick oil is in them only where you have put it",
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


_NO_KEEP_OUT = (
    "no keep-out space in the profile: nothing was looked at; write [[keep_out]] with a name and two corners for every "
    "place that arm and load must not enter, the operator's first"
)


def not_examined(profile: Profile | None = None) -> tuple[NotExamined, ...]:
    """With a profile, also the optional limits that it says nothing for."""
    texts = _TEXTS if profile is None or profile.keep_out else (("keep_out", _NO_KEEP_OUT), *_TEXTS)
    return tuple(NotExamined(limit=limit, why=why) for limit, why in texts)
