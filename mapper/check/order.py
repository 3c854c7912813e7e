"""Where to begin when several limits do not hold: causes before what they bring about.

A wrong lever arm makes the force wrong, the speed and then every stop; a speed that is too high makes stops too long.
The order is fixed; it says what to mend first, and nothing about which finding is the worst.
"""

from __future__ import annotations

from collections.abc import Iterable

from mapper.check.explain import base_limit
from mapper.check.finding import Finding, Status

_ORDER = (
    # the table is not the profile, or the law is not the law: nothing else means anything
    "integer_width", "as_written", "emergency_stop", "fault", "power_up", "restart", "release",
    # the machine as it is built
    "travel", "keep_out", "buckling", "two_tracks", "sensor_window", "load_holding", "gain_spread", "force", "power",
    "holding_pressure", "pressure_rating", "standby_pressure",
    # how the valve is driven, how fast
    "drive_range", "deadband_jump", "deadband_zero", "direction", "flow_available", "speed_limit", "tip_speed",
    "pump_share", "ramp", "slowing",
    # what the oil spring does, and the stops
    "natural_frequency", "loop_margin", "pressure_peak", "soft_stop_overrun", "coupled_stops", "stopping_distance",
    "hunting", "following",
    # what watches
    "track_disagreement", "stuck_sensor", "sensor_step", "matching", "motion_watches",
    # what was found by chance: it shows what one of the above did
    "search",
)  # fmt: skip
_BAD = (Status.VIOLATED, Status.NOT_SHOWN)


def mend_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """What does not hold, causes first; of one limit, in the order that they have. Waived ones are left out."""
    bad = [finding for finding in findings if finding.status in _BAD]
    return tuple(sorted(bad, key=_place))


def _place(finding: Finding) -> int:
    """A limit that is not in the order comes last."""
    name = base_limit(finding.limit)
    return _ORDER.index(name) if name in _ORDER else len(_ORDER)


def mend_first(findings: Iterable[Finding]) -> str | None:
    """One sentence on where to begin; None where fewer than two limits do not hold.

    What one cause brings about may hold again once it is mended, and numbers advised for it would then go too far.
    """
    bad = mend_order(findings)
    names = list(dict.fromkeys(_name(finding) for finding in bad))
    if len(names) < 2:
        return None
    return (
        f"mend first: {names[0]}. Write that number alone and check again, the others may follow from it; then "
        f"{', '.join(names[1:])}"
    )


def _name(finding: Finding) -> str:
    return f"{base_limit(finding.limit)} of {finding.joint or 'the machine'}"
