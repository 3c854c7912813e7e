"""Limits of the machine's build that one formula settles: load holding, and hard stops within the cylinder's reach."""

from __future__ import annotations

import math

from mapper.check.context import JointContext, judge
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.machine.actuator.travel import (
    BASE_RADIUS,
    CLOSED,
    INCLUDED,
    ROD_RADIUS,
    STROKE,
    Build,
    Change,
    Spare,
    fitting_cylinder,
    smallest_changes,
)
from mapper.profile.profile import CylinderDrive

_HOLDS_A_LOAD = ("counterbalance", "double_counterbalance", "pilot_check", "brake")
_GRAVITY_AXIS, _GRIP_AXIS = "pitch", "grip"
_TRAVEL_SLACK_DEG = 1e-6


def load_holding(context: JointContext) -> Finding | None:
    """A joint that carries weight, or grips something, has what holds it when its valve is centred or a hose bursts."""
    grips = context.joint.axis == _GRIP_AXIS and context.model.takes_pump_flow
    if context.joint.axis != _GRAVITY_AXIS and not grips:
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
        detail=f"{'what it grips falls when it opens' if grips else 'gravity acts on this joint'}; held by: "
        f"{kind.replace('_', ' ')}",
        advice=f'{context.key}.holding.kind = "{"pilot_check" if grips else "counterbalance"}" and fit one at the '
        "cylinder; a centred spool leaks and a hose can burst",
    )


def build_of(context: JointContext) -> Build | None:
    """Triangle, cylinder and hard stops of a joint; None where no cylinder or no stop limits it."""
    drive, hard = context.joint.drive, context.joint.limits.hard_stops_deg
    if not isinstance(drive, CylinderDrive) or hard is None:
        return None
    return Build(
        base_radius_m=float(drive.base_radius_m),
        rod_radius_m=float(drive.rod_radius_m),
        included_at_zero_deg=float(drive.included_at_zero_deg),
        sense=1 if drive.extends_positive else -1,
        closed_length_m=float(drive.closed_length_m),
        stroke_m=float(drive.stroke_m),
        lower_deg=float(hard.lower),
        upper_deg=float(hard.upper),
    )


def travel(context: JointContext) -> Finding | None:
    """Hard stops inside what closed length and stroke reach, short of a dead centre. None where no cylinder limits the
    travel.

    Worst is what is left at the hard stop that has least: deg, or mm of stroke where the pins never come within the
    cylinder's lengths at all.
    """
    build = build_of(context)
    if build is None:
        return None
    spares, levers = build.spares(), build.levers()
    reach = build.reach_deg()
    if reach is None:
        least = min(spares, key=lambda spare: spare.spare_m)
        worst, unit, found = least.spare_m * 1000, "mm", "the pins never come within the cylinder's lengths"
    else:
        least = min(spares, key=lambda spare: spare.spare_deg or 0.0)
        worst, unit = least.spare_deg or 0.0, "deg"
        found = f"the cylinder reaches {reach[0]:.2f} to {reach[1]:.2f} deg, {reach[1] - reach[0]:.2f} deg"
    asked = build.upper_deg - build.lower_deg
    left = "; ".join(
        f"at {spare.stop_deg:g} deg {spare.spare_m * 1000:.1f} mm of stroke left"
        + ("" if spare.spare_deg is None else f", {spare.spare_deg:.2f} deg")
        for spare in spares
    )
    holds = reach is not None and worst >= -_TRAVEL_SLACK_DEG
    return judge(
        context,
        "travel",
        evidence=Evidence.COMPUTED,
        cases=2,
        worst=worst,
        bound=0,
        unit=unit,
        at_least=True,
        holds=holds,
        detail=f"hard stops {build.lower_deg:g} to {build.upper_deg:g} deg, {asked:g} deg asked for; {found} (law of "
        f"cosines from closed length and stroke); {left}; worst at {least.stop_deg:g} deg; lever arm "
        f"{levers.least_m * 1000:.1f} mm at {math.degrees(levers.least_at_rad):.1f} deg to "
        f"{levers.most_m * 1000:.1f} mm at {math.degrees(levers.most_at_rad):.1f} deg",
        advice="" if holds else travel_advice(context, build),
        explanation=_travel_explained(build, least),
    )


def travel_advice(context: JointContext, build: Build) -> str:
    """Every way to make the cylinder fit, the smallest first; each is enough by itself."""
    ways = [change_words(context, build, change) for change in smallest_changes(build)]
    if not ways and (other := fitting_cylinder(build)) is not None:
        ways.append(
            f'another cylinder: {context.key}.drive.closed_length = "{other.closed_length_m * 1000:g} mm" with '
            f'{context.key}.drive.stroke = "{other.stroke_m * 1000:g} mm"; {_then(build, other)}'
        )
    ways += _less_travel(context, build)
    if not ways:
        return (
            f"no single value of {context.key}.drive within half of its length (or 45 deg) fits, and no cylinder of "
            "one stage does: draw the joint again, or ask for less travel"
        )
    return f"the cylinder bottoms before the hard stop. One of: {' | '.join(ways)}"


def change_words(context: JointContext, build: Build, change: Change) -> str:
    """What to write, what to do to the steel, and what comes of it."""
    wider = change.by > 0
    size = f"{abs(change.by):.4g}"
    turn, back = ("positive", "negative") if wider == (build.sense > 0) else ("negative", "positive")
    way = "away from" if wider else "towards"
    words = {
        BASE_RADIUS: f"move the cylinder's pivot on the base side {size} mm {way} the joint's pivot",
        ROD_RADIUS: f"move the cylinder's pivot on the moved side {size} mm {way} the joint's pivot",
        INCLUDED: f"turn a bracket about the joint's pivot by {size} deg: that of the moved side the joint's {turn} "
        f"way, or that of the base side the {back} way",
        CLOSED: f"a cylinder, or eyes, {size} mm {'longer' if wider else 'shorter'} pin to pin with the rod in",
        STROKE: f"a cylinder with {size} mm {'more' if wider else 'less'} stroke and the same closed length",
    }
    return f'{context.key}.drive.{change.key} = "{change.text}" ({words[change.key]}; {_then(build, change.after)})'


def _then(build: Build, after: Build) -> str:
    """What travel and lever arm become."""
    reach, before, levers = after.reach_deg(), build.levers(), after.levers()
    assert reach is not None, "only builds that fit are proposed"
    return (
        f"then it reaches {reach[0]:.2f} to {reach[1]:.2f} deg, least lever arm {before.least_m * 1000:.1f} -> "
        f"{levers.least_m * 1000:.1f} mm at {math.degrees(levers.least_at_rad):g} deg"
    )


def _less_travel(context: JointContext, build: Build) -> list[str]:
    """Hard stops moved inward to where the cylinder ends; nothing where the soft stops would lie beyond them then."""
    reach, soft = build.reach_deg(), context.joint.limits.soft_stops_deg
    if reach is None or soft is None:
        return []
    lower, upper = math.ceil(reach[0] * 10) / 10, math.floor(reach[1] * 10) / 10
    if not (lower < soft.lower and soft.upper < upper):
        return []
    written = [
        f'{context.key}.limits.hard_stops.{name} = "{end:g} deg"'
        for name, end, short in (
            ("lower", lower, build.lower_deg < reach[0]),
            ("upper", upper, build.upper_deg > reach[1]),
        )
        if short
    ]
    return [f"{' with '.join(written)} (less travel, with steel stops fitted there)"] if written else []


def _travel_explained(build: Build, least: Spare) -> Explanation:
    long_end = (least.stop_deg == build.upper_deg) == (build.sense > 0)
    included = build.included_at_zero_deg + build.sense * least.stop_deg
    return Explanation(
        formula=(
            "f = f0 + s q",
            "L = sqrt(a^2 + b^2 - 2 a b cos f)",
            "left = c + h - L" if long_end else "left = L - c",
            "lever arm = a b sin f / L, which is 0 at f = 0 and 180 deg (dead centre)",
        ),
        given=(
            Given(symbol="a", meaning="base_radius", value=build.base_radius_m * 1000, unit="mm"),
            Given(symbol="b", meaning="rod_radius", value=build.rod_radius_m * 1000, unit="mm"),
            Given(symbol="f0", meaning="included_at_zero", value=build.included_at_zero_deg, unit="deg"),
            Given(symbol="s", meaning="+1: extends the positive way; -1: the negative", value=build.sense, unit=""),
            Given(symbol="c", meaning="closed length", value=build.closed_length_m * 1000, unit="mm"),
            Given(symbol="h", meaning="stroke", value=build.stroke_m * 1000, unit="mm"),
            Given(symbol="q", meaning="hard stop with the least left", value=least.stop_deg, unit="deg"),
            Given(symbol="f", meaning="included angle there", value=included, unit="deg"),
            Given(symbol="L", meaning="pin to pin there", value=least.length_m * 1000, unit="mm"),
            Given(symbol="left", meaning="stroke left there", value=least.spare_m * 1000, unit="mm"),
        ),
        source="law of cosines, any textbook of statics; checked against Meriam, Engineering Mechanics: Statics, "
        "Problem 2/46 (a small crane) in tests/outside",
    )
