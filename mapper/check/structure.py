"""Limits of the machine's build that one formula settles: load holding, and hard stops within the cylinder's reach."""

from __future__ import annotations

import math

from mapper.check.context import JointContext, judge
from mapper.check.finding import Evidence, Finding

_HOLDS_A_LOAD = ("counterbalance", "double_counterbalance", "pilot_check", "brake")
_GRAVITY_AXIS = "pitch"
_TRAVEL_SLACK_DEG = 1e-6


def load_holding(context: JointContext) -> Finding | None:
    """A joint that carries weight has something that holds it when its valve is centred or a hose bursts."""
    if context.joint.axis != _GRAVITY_AXIS:
        return None
    kind = context.joint.holding.kind
    held = kind in _HOLDS_A_LOAD
    return judge(
        context,
        "load_holding",
        evidence=Evidence.COMPUTED,
        cases=1,
        worst=0 if held else 1,
        bound=0,
        unit="missing",
        margin=False,
        detail=f"gravity acts on this joint; held by: {kind.replace('_', ' ')}. That its setting fits the load is not "
        "examined",
        advice=f'{context.key}.holding.kind = "counterbalance" and fit one at the cylinder; '
        "a centred spool leaks and a hose can burst",
    )


def travel(context: JointContext) -> Finding | None:
    """Hard stops inside what closed length and stroke reach. None where no cylinder limits the travel."""
    if context.model.linkage is None or context.joint.limits.hard_stops_deg is None:
        return None
    reach = context.model.reach_rad()
    missing = tuple(math.degrees(value) for value in context.model.missing_travel_rad())
    side = 0 if missing[0] >= missing[1] else 1
    name = ("lower", "upper")[side]
    if reach is None:
        found, fits = "the pins never come within the cylinder's lengths", ""
    else:
        ends = tuple(math.degrees(value) for value in reach)
        found = f"the cylinder reaches {ends[0]:.2f} to {ends[1]:.2f} deg"
        inward = math.ceil(ends[0] * 10) / 10 if side == 0 else math.floor(ends[1] * 10) / 10
        fits = f'{context.key}.limits.hard_stops.{name} = "{inward:g} deg", or '
    return judge(
        context,
        "travel",
        evidence=Evidence.COMPUTED,
        cases=2,
        worst=min(missing[side], 360.0),
        bound=0,
        unit="deg",
        margin=False,
        holds=missing[side] <= _TRAVEL_SLACK_DEG,
        detail=f"hard stops {float(context.joint.limits.hard_stops_deg.lower):g} to "
        f"{float(context.joint.limits.hard_stops_deg.upper):g} deg; {found} (law of cosines from closed length and "
        "stroke)",
        advice=f"{fits}change closed length, stroke or a pivot of {context.key}.drive: the cylinder would bottom first",
    )
