"""Soft-stop overrun, each side: the class of plants from profile and table, the bound from `stop_bound`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, JointContext, down, judge, not_shown, up, valve_side
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.motion.stop_bound import StopBound, StopClass, bound_overruns
from mapper.check.motion.stop_plants import allowed_mdeg_s, stop_class
from mapper.machine import POSITIVE

LIMITS = ("soft_stop_overrun_upper", "soft_stop_overrun_lower")  # by side
_RAMP_ROUNDS = 8


def soft_stop_overruns(context: JointContext) -> tuple[Finding, ...]:
    """Farthest that the joint can come past each soft stop, against the way to the hard stop. Upper, then lower.

    Nothing for a continuous joint, which has no stops.
    """
    if context.joint.continuous:
        return ()
    if context.joint.limits.hard_stops_deg is None:
        detail, advice = "the profile names no hard stops", f"write {context.key}.limits.hard_stops"
        return tuple(not_shown(context, limit, unit="deg", detail=detail, advice=advice) for limit in LIMITS)
    stops = stop_class(context)
    bound = bound_overruns(stops)
    return tuple(_judged(context, side, stops, bound) for side in SIDES)


def _judged(context: JointContext, side: int, stops: StopClass, bound: StopBound | None) -> Finding:
    limit = LIMITS[side]
    if not law_brakes(context, side):
        return not_shown(
            context,
            limit,
            unit="deg",
            detail="at some room left to the soft stop, or beyond it, the law allows another speed than its curve",
            advice="do not use this build of the law: rule L6b is broken",
        )
    if bound is None:
        return _no_bound(context, limit, stops)
    return judge(
        context,
        limit,
        evidence=Evidence.INTERVAL,
        cases=len(stops.sides[side].real_deg_s),
        worst=bound.overrun_deg[side],
        bound=_way_deg(context, side),
        unit="deg",
        detail=f"comparison with a room that closes at {bound.rate_per_s:.2f} 1/s at most, at every millidegree: error "
        f"of the reading {stops.error_deg:.3f} deg and {bound.shift_deg[side]:.3f} deg for what the valve does on top "
        f"of the command; {class_words(context, stops, bound)}",
        advice=_advice(context, side, stops, bound),
        explanation=_explained(stops, bound, side),
    )


def _way_deg(context: JointContext, side: int) -> float:
    """From soft stop to hard stop."""
    hard = context.joint.limits.hard_stops_deg
    assert hard is not None
    hard_deg = float(hard.upper if side == POSITIVE else hard.lower)
    return (hard_deg - context.table.soft_stop_mdeg[side] / MDEG) * (1, -1)[side]


# -- what to change -------------------------------------------------------------------------------------------------


def _advice(context: JointContext, side: int, stops: StopClass, bound: StopBound) -> str:
    """What to write: the soft stop inward, and what would make the overrun itself small enough."""
    way_deg = _way_deg(context, side)
    choices = [_inward(context, side, bound.overrun_deg[side])]
    if stops.error_deg <= way_deg:
        choices.append(_smaller_shift(context, side, stops, bound, way_deg - stops.error_deg))
    spare = down(way_deg - bound.shift_deg[side] - context.noise_deg, 0.01)
    if spare > 0.0:
        choices.append(f'a sensor with an error of at most {context.key}.position.error = "{spare:g} deg"')
    return "; or ".join(choice for choice in choices if choice)


def _inward(context: JointContext, side: int, overrun_deg: float) -> str:
    """A stop that would leave less than half of the travel is no advice."""
    hard = context.joint.limits.hard_stops_deg
    assert hard is not None
    upper_mdeg, lower_mdeg = context.table.soft_stop_mdeg
    if side == POSITIVE:
        inside_deg = down(float(hard.upper) - overrun_deg)
        left_mdeg = inside_deg * MDEG - lower_mdeg
    else:
        inside_deg = up(float(hard.lower) + overrun_deg)
        left_mdeg = upper_mdeg - inside_deg * MDEG
    if left_mdeg < (upper_mdeg - lower_mdeg) / 2:
        return "moving the soft stop inward would take more than half of the travel"
    end = "upper" if side == POSITIVE else "lower"
    return f'move the soft stop inward: {context.key}.limits.soft_stops.{end} = "{inside_deg:g} deg"'


def _smaller_shift(context: JointContext, side: int, stops: StopClass, bound: StopBound, most_deg: float) -> str:
    """What makes r at most `most_deg`: a jump that creeps less, a smaller hysteresis, or gentler ramps."""
    if bound.shift_deg[side] <= most_deg:
        return ""
    if bound.far[side]:
        ramp = _gentler_deg_s2(stops, side, most_deg)
        names = f"{context.key}.limits.acceleration, deceleration and stop_deceleration"
        return (
            "" if ramp is None else f'{names} of at most "{ramp:g} deg/s2": the swing on the oil spring grows with them'
        )
    own, half = valve_side(context, side), float(context.joint.tolerances.hysteresis) / 2.0
    still = down(100.0 * (float(own.crack) - max(half, float(own.crack - own.crack_min))), 0.1)
    name = SIDE_NAMES[side]
    if float(own.jump) * 100.0 > still > 0.0:
        return f'{context.key}.valve.{name}.jump = "{still:g} %": the valve then adds nothing at the smallest commands'
    return (
        f"a valve with less {context.key}.tolerances.hysteresis, or a higher measured {context.key}.tolerances"
        ".natural_frequency or damping_ratio"
    )


def _gentler_deg_s2(stops: StopClass, side: int, most_deg: float) -> float | None:
    """Steepest ramp with which r is at most `most_deg`, everything else as it is; None where none is."""
    low, high = 0.0, 1.0
    for _ in range(_RAMP_ROUNDS):
        share = (low + high) / 2.0
        shaken = replace(stops.shaken, ramp_deg_s2=stops.shaken.ramp_deg_s2 * share)
        bound = bound_overruns(replace(stops, shaken=shaken))
        fits = bound is not None and bound.shift_deg[side] <= most_deg
        low, high = (share, high) if fits else (low, share)
    ramp = math.floor(low * stops.shaken.ramp_deg_s2)
    return float(ramp) if ramp > 0 else None


def _no_bound(context: JointContext, limit: str, stops: StopClass) -> Finding:
    tolerances = context.joint.tolerances
    return not_shown(
        context,
        limit,
        unit="deg",
        detail=f"no bound: the braking curve rises by up to {stops.shaken.slope_per_s:.2f} 1/s, and an oil spring of "
        f"{float(tolerances.natural_frequency_hz):g} Hz with damping {float(tolerances.damping_ratio):g} can be kept "
        f"swinging by a curve of that steepness; {class_words(context, stops, None)}",
        advice="do not use this table: mapper's own compiler makes no curve as steep as that; or show by measurement "
        f"that {context.key}.tolerances.natural_frequency or damping_ratio is higher",
    )


# -- words ----------------------------------------------------------------------------------------------------------


def class_words(context: JointContext, stops: StopClass, bound: StopBound | None) -> str:
    """The class of plants that the bound speaks of."""
    shaken = stops.shaken
    swing = "" if bound is None else f", at most {bound.swing_deg:.2f} deg of swing"
    return (
        f"plants: at most {shaken.fastest_deg_s:.1f} deg/s at full command, lag up to {stops.lag_s * 1000:g} ms, "
        f"{stops.late_s * 1000:g} ms from reading to effect at the latest (dead time, median, lost samples, ticks), "
        f"hysteresis {float(context.joint.tolerances.hysteresis) * 100:g} %, each anything within its limits at "
        f"every moment and changing at will; the lag a first-order one, no spool of limited speed or that swings; no "
        f"drift at zero command; load changes the flow by no more than the spread of the gain; spring at least "
        f"{stops.natural_rad_s / (2.0 * math.pi):g} Hz and damping {stops.damping_ratio:g} up to 1, damped by leakage "
        f"or beside the spring, constant during a motion{swing}; starts at rest anywhere, a start beyond the stop "
        "comes no deeper than it was; any commands, samples lost, stops and restarts as often as they like; reliefs "
        "that open, other joints that throw this one and ticks shorter than nominal on average not part of it"
    )


def _explained(stops: StopClass, bound: StopBound, side: int) -> Explanation:
    numbers = (
        ("v", "largest real speed, gain, geometry and hysteresis included", stops.sides[side].fastest_deg_s, "deg/s"),
        ("lag", "longest lag", stops.lag_s * 1000, "ms"),
        ("late", "longest time from a position to the effect of its command", stops.late_s * 1000, "ms"),
        ("w", "lowest natural frequency", stops.natural_rad_s, "rad/s"),
        ("z", "lowest damping ratio", stops.damping_ratio, "ratio"),
        ("k", "closing rate of the room, free", bound.rate_per_s, "1/s"),
        ("d", "k (1 - k lag) exp(-k late)", bound.slope_per_s, "1/s"),
        (
            "rho",
            "largest room that a swinging joint reports over that of its oil column, leaking or not",
            bound.rho,
            "ratio",
        ),
        ("k T", "k times the lag 2 z / w of a leaking oil column, at damping 1", bound.leak_share, "ratio"),
        ("E", "largest swing on the oil spring, for the rooms far from the stop", bound.swing_deg, "deg"),
        ("Zr", "room at which the valve is fastest for its room", bound.at_room_deg[side], "deg"),
        ("r", "what that takes", bound.shift_deg[side], "deg"),
        ("err", "largest error of the reading, a count of noise included", stops.error_deg, "deg"),
    )
    return Explanation(
        formula=(
            "speed of the valve at room Z <= max(d / rho (Z + r), d (1 - k T) (Z + r - E)) at every millidegree, "
            "in each range of damping up to 1 with its own rho, T and E (largest of all shown)",
            "overrun = err + r",
        ),
        given=tuple(Given(symbol=s, meaning=meaning, value=value, unit=unit) for s, meaning, value, unit in numbers),
        source="derived here, step by step in mapper/check/motion/stop_bound.py, swing.py and spring.py",
    )


def law_brakes(context: JointContext, side: int) -> bool:
    """That the law does what the table's curve says at every millidegree of room, and stops all outward motion
    beyond.
    """
    lower, upper = context.travel_mdeg()
    room = np.arange(-(upper - lower), upper - lower + 1, dtype=np.int32)
    curve = context.live.curve(context.index, 5 + side, room)
    expected = np.where(room > 0, np.minimum(curve, context.table.speed_full_mdeg_s[side]), 0)
    return bool(np.array_equal(allowed_mdeg_s(context, side, room), expected))
