"""Soft-stop overrun, each side: the class of plants from profile and table, the bound from `barrier`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from mapper.check.context import (
    FULL_MODE,
    MDEG,
    SIDES,
    Ints,
    JointContext,
    down,
    judge,
    not_shown,
    slowest_flow_per_speed,
    up,
)
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.motion.barrier import Approach, Overrun, bound_overruns
from mapper.check.motion.spring import spring_norms
from mapper.check.motion.valve_class import ValveClass, valve_class
from mapper.machine import NEGATIVE, POSITIVE
from mapper.table.table import Q16

LIMITS = ("soft_stop_overrun_upper", "soft_stop_overrun_lower")  # by side
_POSE_GRID_MDEG = 50
_READINGS = 33
_SPREAD_ROUNDS = 20
_CREEP_MDEG_S = 2000  # what hysteresis may add to an allowed speed


def soft_stop_overruns(context: JointContext) -> tuple[Finding, ...]:
    """Farthest that the joint can come past each soft stop, against the way to the hard stop. Upper, then lower.

    Nothing for a continuous joint, which has no stops.
    """
    limits = context.joint.limits
    if context.joint.continuous:
        return ()
    if limits.hard_stops_deg is None:
        detail, advice = "the profile names no hard stops", f"write {context.key}.limits.hard_stops"
        return tuple(not_shown(context, limit, unit="deg", detail=detail, advice=advice) for limit in LIMITS)
    approaches = (approach_of(context, POSITIVE), approach_of(context, NEGATIVE))
    bounds = bound_overruns(approaches)
    return tuple(_judged(context, side, approaches[side], bounds[side]) for side in SIDES)


def _judged(context: JointContext, side: int, approach: Approach, found: Overrun) -> Finding:
    hard = context.joint.limits.hard_stops_deg
    assert hard is not None
    limit, sign = LIMITS[side], (1, -1)[side]
    if not _law_brakes(context, side):
        detail = "at some room left to the soft stop, or beyond it, the law allows another speed than its table's curve"
        return not_shown(
            context, limit, unit="deg", detail=detail, advice="do not use this build of the law: rule L6b is broken"
        )
    if found.overrun_deg is None or found.swing_deg is None:
        return _no_bound(context, limit, approach, found)
    hard_deg = float((hard.upper, hard.lower)[side])
    needed = up(found.overrun_deg)
    inside = down(hard_deg - needed) if side == POSITIVE else up(hard_deg + needed)
    return judge(
        context,
        limit,
        evidence=Evidence.INTERVAL,
        cases=len(found.curve.z_deg),
        worst=found.overrun_deg,
        bound=(hard_deg - context.table.soft_stop_mdeg[side] / MDEG) * sign,
        unit="deg",
        detail=f"barrier in the phase plane over {len(found.curve.z_deg)} exact steps: oil column "
        f"{found.rigid_deg:.2f} deg with sensor error {approach.error_deg:g} deg, the oil spring twice "
        f"{found.swing_deg:.2f} deg; {_class_words(context, approach)}",
        advice=_advice(context, side, inside),
        explanation=_explained(approach, (found.overrun_deg, found.swing_deg)),
    )


def _advice(context: JointContext, side: int, inside_deg: float) -> str:
    """A stop that would leave less than half of the travel is no advice: then the ramps have to change."""
    lower = "lower acceleration, deceleration and stop_deceleration: the swing on the oil spring grows with them"
    upper_mdeg, lower_mdeg = context.table.soft_stop_mdeg
    left_mdeg = inside_deg * MDEG - lower_mdeg if side == POSITIVE else upper_mdeg - inside_deg * MDEG
    if left_mdeg < (upper_mdeg - lower_mdeg) / 2:
        return f"{lower}; or a stiffer joint; moving the soft stop inward would take more than half of the travel"
    end = "upper" if side == POSITIVE else "lower"
    return f'move the soft stop inward: {context.key}.limits.soft_stops.{end} = "{inside_deg:g} deg", or {lower}'


def _explained(approach: Approach, found: tuple[float, float]) -> Explanation:
    """found: overrun and swing in deg."""
    overrun_deg, swing_deg = found
    still_deg = overrun_deg - approach.error_deg - approach.noise_deg - 2.0 * swing_deg
    numbers = (
        ("w", "largest command", approach.speed_deg_s, "deg/s"),
        ("r", "steepest ramp", approach.ramp_deg_s2, "deg/s2"),
        ("g", "largest real speed over command, geometry included", approach.gain, "ratio"),
        ("T", "longest lag", approach.lag_high_s * 1000, "ms"),
        ("L", "longest time from a position to the effect of its command", approach.late_s * 1000, "ms"),
        ("fn", "lowest natural frequency", approach.natural_frequency_hz, "Hz"),
        ("D", "lowest damping ratio", approach.damping_ratio, "ratio"),
        ("z", "where the oil column comes to rest, and what a drop of the command to 0 adds", still_deg, "deg"),
        ("err", "largest error of the reading", approach.error_deg, "deg"),
        ("n", "one count of noise", approach.noise_deg, "deg"),
        ("E", "largest swing on the oil spring", swing_deg, "deg"),
    )
    return Explanation(
        formula=(
            "lag x v' = g B(room seen L earlier) - v, from the worst start: z is where it ends",
            "e'' + 2 D wn e' + wn^2 e = -x'',  wn = 2 pi fn: E bounds |e| for every command that ramp and curve allow",
            "overrun = z + err + n + 2 E",
        ),
        given=tuple(Given(symbol=s, meaning=meaning, value=value, unit=unit) for s, meaning, value, unit in numbers),
        source="derived here, step by step in mapper/check/motion/barrier.py and spring.py",
    )


def _no_bound(context: JointContext, limit: str, approach: Approach, found: Overrun) -> Finding:
    tolerances = context.joint.tolerances
    return not_shown(
        context,
        limit,
        unit="deg",
        detail=f"no bound: the braking curve rises by {found.slope_per_s:.2f} 1/s at the stop, and an oil spring of "
        f"{float(tolerances.natural_frequency_hz):g} Hz with damping {float(tolerances.damping_ratio):g} can be kept "
        "swinging by "
        f"a curve of that steepness; none steeper than {found.slope_shown_per_s:.2f} 1/s has a bound, and most need "
        "half of it. "
        f"Without the spring the overrun would be {found.rigid_deg:.2f} deg; {_class_words(context, approach)}",
        advice=f"lower {context.key}.limits.acceleration, deceleration and speed, or show by measurement that "
        f"{context.key}.tolerances.natural_frequency or damping_ratio is higher",
    )


def _class_words(context: JointContext, approach: Approach) -> str:
    return (
        f"plants: gain up to {approach.gain:.3g}, lag {approach.lag_low_s * 1000:g} to {approach.lag_high_s * 1000:g} "
        "ms, "
        f"{approach.late_s * 1000:g} ms from reading to effect (dead time, median, lost samples, two ticks), "
        "hysteresis "
        f"{float(context.joint.tolerances.hysteresis) * 100:g} %, spring at least {approach.natural_frequency_hz:g} Hz "
        "and damping "
        f"{approach.damping_ratio:g}, each constant during a motion; starts at rest between the soft stops, any "
        "commands, one run of lost samples and one stop, fault or release at any moment; a lever arm that changes with "
        "the swing, load holding and port reliefs not part of it"
    )


def allowed_mdeg_s(context: JointContext, side: int, room_mdeg: Ints) -> Ints:
    """Largest speed towards the stop that rules L6a and L6b let through, at each room left to the soft stop (mdeg)."""
    sign = (1, -1)[side]
    asked = np.full(room_mdeg.shape, sign * context.table.speed_full_mdeg_s[side], dtype=np.int32)
    position = context.table.soft_stop_mdeg[side] - sign * room_mdeg
    return context.live.limit(context.index, FULL_MODE, asked, position.astype(np.int32)) * np.int32(sign)


def _law_brakes(context: JointContext, side: int) -> bool:
    """That the law does what the table's curve says at every millidegree of room, and stops all outward motion
    beyond.
    """
    lower, upper = context.travel_mdeg()
    room = np.arange(-(upper - lower), upper - lower + 1, dtype=np.int32)
    curve = context.live.curve(context.index, 5 + side, room)
    expected = np.where(room > 0, np.minimum(curve, context.table.speed_full_mdeg_s[side]), 0)
    return bool(np.array_equal(allowed_mdeg_s(context, side, room), expected))


def approach_of(context: JointContext, side: int) -> Approach:
    """The class of plants of one side: every tolerance at its worst corner, compiled curves as the law reads them."""
    joint, table = context.joint, context.table
    tolerances = joint.tolerances
    tick, tick_most = context.tick_s, context.tick_most_s
    noise_deg = context.noise_deg
    error_deg = float(joint.position.error_deg)
    points = tuple((x / MDEG, y / MDEG) for x, y in table.brake[side].points)
    speed = table.speed_full_mdeg_s[side] / MDEG
    brake = allowed_mdeg_s(context, side, np.arange(table.brake[side].points[-1][0] + 2, dtype=np.int32))
    valve = valve_class(context, side)
    slowest = slowest_flow_per_speed(context, side)
    gain = _gain(context, side, error_deg + noise_deg, context.late_s)
    approach = Approach(
        brake_points=points,
        brake=_with_rise(context, side, brake, valve, slowest),
        speed_deg_s=speed,
        travel_deg=(table.soft_stop_mdeg[0] - table.soft_stop_mdeg[1]) / MDEG,
        ramp_deg_s2=max(table.accelerate_mdeg_s, table.decelerate_mdeg_s, table.stop_mdeg_s)
        * context.machine.tick_hz
        / MDEG,
        gain=gain,
        gain_step=gain,
        band_deg_s=0.0,
        residual_deg_s=valve.residual_e4 * Q16 / slowest / MDEG,
        lag_low_s=float(tolerances.lag_s.lower),
        lag_high_s=float(tolerances.lag_s.upper),
        late_s=context.late_s,
        stale_s=context.lost_s,
        tick_s=tick,
        tick_most_s=tick_most,
        error_deg=error_deg,
        noise_deg=noise_deg,
        natural_frequency_hz=float(tolerances.natural_frequency_hz),
        damping_ratio=float(tolerances.damping_ratio),
    )
    return _best_step(approach, valve, slowest)


def _best_step(approach: Approach, valve: ValveClass, slowest: int) -> Approach:
    """Any (slope, band) pair of the valve class is sound; the one with the slowest swing at twice the ramp is taken."""
    norms = spring_norms(approach.natural_frequency_hz, approach.damping_ratio)

    def swing_speed(pair: tuple[float, float]) -> float:
        slope, band = pair
        by_ramp = 2.0 * slope * approach.ramp_deg_s2 * norms.position_per_speed_s
        return by_ramp + 0.5 * speed_deg_s(band) * (1.0 + norms.speed_per_speed)

    def speed_deg_s(flow_e4: float) -> float:
        return flow_e4 * Q16 / slowest / MDEG

    slope, band = min(valve.steps, key=swing_speed)
    return replace(approach, gain_step=approach.gain * slope, band_deg_s=speed_deg_s(band))


def _with_rise(
    context: JointContext, side: int, brake: np.ndarray, valve: ValveClass, slowest: int
) -> tuple[float, ...]:
    """up(B): the command plus what the valve may add at any flow up to the one it asks for in the hungriest pose."""
    hungriest = int(np.max(context.live.curve(context.index, 7 + side, context.poses_mdeg())))
    flow = np.minimum(brake.astype(np.int64) * hungriest // Q16 + 1, len(valve.rise_up_to_e4) - 1)
    real = brake + valve.rise_up_to_e4[flow] * Q16 / slowest
    return tuple((np.maximum.accumulate(real) / MDEG).tolist())


def _gain(context: JointContext, side: int, error_deg: float, late_s: float) -> float:
    """Largest real speed over commanded speed. How late a pose can be depends on it, so a guess is raised until it
    covers it.

    Raises:
        ValueError: no guess does; a dead centre lies within the travel, which the compiler refuses.
    """
    most = context.gain_most(side)
    spread = 1.2 * most
    for _ in range(_SPREAD_ROUNDS):
        gain = most * _geometry_gain(context, side, error_deg, spread * late_s)
        if gain <= spread:
            return gain
        spread = 1.2 * gain
    raise ValueError(f"{context.joint.name}: the lever arm vanishes near the end of the travel")


def _geometry_gain(context: JointContext, side: int, error_deg: float, way_s: float) -> float:
    """Largest true speed over commanded speed at rated gain, since the law works with a pose that is late and off.

    At each pose the reading lies between `way_s` times the fastest command allowed there behind it and the error ahead
    or behind. On a grid of poses and of readings; between points both factors change by less than their steepest slope
    times half a step.
    """
    lower, upper = context.travel_mdeg()
    sign = 1 if side == POSITIVE else -1
    poses = np.arange(lower, upper + _POSE_GRID_MDEG, _POSE_GRID_MDEG, dtype=np.int32)
    true = context.speed_per_flow_e4(np.minimum(poses, upper), side)
    full = context.table.speed_full_mdeg_s[side]
    fastest_way = way_s * full
    room = (context.table.soft_stop_mdeg[side] - poses) * sign + math.ceil(fastest_way + error_deg * MDEG)
    allowed = np.minimum(context.live.curve(context.index, 5 + side, np.maximum(room, 0)), full) + _CREEP_MDEG_S
    behind = error_deg * MDEG + way_s * allowed
    widest = np.zeros(poses.shape)
    for share in np.linspace(-error_deg * MDEG / np.max(behind), 1.0, _READINGS):
        reading = np.rint(poses - sign * share * behind).astype(np.int32)
        widest = np.maximum(widest, context.live.curve(context.index, 7 + side, reading))
    steps = (float(np.max(behind)) / _POSE_GRID_MDEG / (_READINGS - 1) + 1.0) * _relative_step(
        context.live.curve(context.index, 7 + side, poses).astype(np.float64)
    )
    return float(np.max(widest / Q16 * true)) * (1.0 + 0.5 * (steps + _relative_step(true)))


def _relative_step(values: np.ndarray) -> float:
    return float(np.max(np.abs(np.diff(values)) / np.minimum(values[1:], values[:-1])))
