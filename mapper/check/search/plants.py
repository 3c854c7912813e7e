"""The plants that the search tries, and how far each joint may come: from profile, table and the check."""

from __future__ import annotations

import math
from collections.abc import Iterable

from mapper.check.finding import Finding, Status
from mapper.check.search.library import Bench, SearchJoint
from mapper.law.core import Core, LiveTable
from mapper.machine.model import joint_gain_spread
from mapper.profile.profile import Joint, Profile
from mapper.table.table import JointTable, Table

_MDEG = 1000
_TURN_MDEG = 360_000
_SIDES = ("soft_stop_overrun_upper", "soft_stop_overrun_lower")
_JUDGED = (Status.HOLDS, Status.VIOLATED, Status.WAIVED)


def search_bench(core: Core, live: LiveTable, profile: Profile, table: Table, findings: Iterable[Finding]) -> Bench:
    """The bench for one profile; arguments as of `search_joints`. Raises CoreError: the core is of another build."""
    return Bench(core, live, search_joints(profile, table, findings), profile.controller.count_max)


def search_joints(profile: Profile, table: Table, findings: Iterable[Finding]) -> tuple[SearchJoint, ...]:
    """Plant and bounds of every joint.

    Args:
        table: compiled from the profile.
        findings: of its check; the overruns past soft stops bound the positions, which are free without them.
    """
    overruns = {
        (finding.joint, finding.limit): finding.worst
        for finding in findings
        if finding.limit in _SIDES and finding.status in _JUDGED
    }
    return tuple(
        _search_joint(profile, joint, own, tuple(overruns.get((joint.name, side)) for side in _SIDES))
        for joint, own in zip(profile.joints, table.joints, strict=True)
    )


def _search_joint(
    profile: Profile, joint: Joint, table: JointTable, overruns_deg: tuple[float | None, ...]
) -> SearchJoint:
    tick_s = float(profile.controller.tick_s)
    tolerances = joint.tolerances
    spreads = [joint_gain_spread(profile, joint, direction) for direction in (0, 1)]
    low, high = min(float(low) for low, _ in spreads), max(float(high) for _, high in spreads)
    lags_s = _corners(float(tolerances.lag_s.lower), float(tolerances.lag_s.upper))
    dead = _corners(float(tolerances.dead_time_s.lower) / tick_s, float(tolerances.dead_time_s.upper) / tick_s)
    return SearchJoint(
        gain=(low, 1.0, high),
        alpha=(_alpha(tick_s, lags_s[0]), _alpha(tick_s, lags_s[1]), _alpha(tick_s, lags_s[2])),
        dead_ticks=(math.floor(dead[0] + 1e-9), round(dead[1]), math.floor(dead[2] + 1e-9)),
        hard_mdeg=_ends_mdeg(joint, table),
        bound_mdeg=(_bound(table, 0, overruns_deg[0]), _bound(table, 1, overruns_deg[1])),
    )


def _corners(lower: float, upper: float) -> tuple[float, float, float]:
    return lower, (lower + upper) / 2.0, upper


def _alpha(tick_s: float, lag_s: float) -> float:
    return 1.0 - math.exp(-tick_s / lag_s) if lag_s > 0.0 else 1.0


def _ends_mdeg(joint: Joint, table: JointTable) -> tuple[int, int]:
    """Where steel ends the plant; where the profile names no hard stops, where the position sensor ends."""
    hard = joint.limits.hard_stops_deg
    if joint.continuous:
        return _TURN_MDEG, -_TURN_MDEG
    if hard is not None:
        return round(hard.upper * _MDEG), round(hard.lower * _MDEG)
    values = [value for _, value in table.position.tracks[0].curve.points]
    return max(values), min(values)


def _bound(table: JointTable, side: int, overrun_deg: float | None) -> int | None:
    if overrun_deg is None:
        return None
    room = math.ceil(overrun_deg * _MDEG)
    return table.soft_stop_mdeg[side] + (room if side == 0 else -room)
