"""The class of plants that a soft stop's bound speaks of: every tolerance at its worst corner, compiled curves as the
law reads them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.check.context import FULL_MODE, MDEG, SIDES, Floats, Ints, JointContext
from mapper.check.motion.spring import spring_norms
from mapper.check.motion.stop_bound import StopClass, StopSide
from mapper.check.motion.swing import Shaken
from mapper.check.motion.valve_class import valve_class
from mapper.table.table import Q16

_POSE_GRID_MDEG = 50
_READINGS = 33
_SPREAD_ROUNDS = 20
_CREEP_MDEG_S = 2000  # what hysteresis may add to an allowed speed


@dataclass(frozen=True, slots=True, kw_only=True)
class RealSpeed:
    """What the valve may make of a command of 0, 1, 2, .. mdeg/s in one direction; deg/s."""

    most_deg_s: Floats
    least_deg_s: Floats
    gain_most: float


def stop_class(context: JointContext) -> StopClass:
    """Both directions of a joint that is not continuous."""
    tolerances = context.joint.tolerances
    real = tuple(real_speed(context, side) for side in SIDES)
    sides = tuple(_side(context, side, real[side]) for side in SIDES)
    error_deg = float(context.joint.position.error_deg) + context.noise_deg
    middle = max(0.5 * (own.most_deg_s[-1] + own.least_deg_s[-1]) * MDEG / (own.most_deg_s.size - 1) for own in real)
    dead_s, lag_s = float(tolerances.dead_time_s.upper), float(tolerances.lag_s.upper)
    dead_spread_s = dead_s - float(tolerances.dead_time_s.lower) + context.tick_most_s
    machine = context.machine
    natural_rad_s = 2.0 * math.pi * float(tolerances.natural_frequency_hz)
    ramps = (context.table.accelerate_mdeg_s, context.table.decelerate_mdeg_s, context.table.stop_mdeg_s)
    fastest = max(side.fastest_deg_s for side in sides)
    pull = _pull(context, fastest)
    return StopClass(
        sides=(sides[0], sides[1]),
        lag_s=lag_s,
        late_s=context.late_s,
        error_deg=error_deg,
        natural_rad_s=natural_rad_s,
        damping_ratio=float(tolerances.damping_ratio),
        shaken=Shaken(
            natural_rad_s=natural_rad_s,
            damping_ratio=float(tolerances.damping_ratio),
            ramp_deg_s2=max(ramps) * machine.tick_hz / MDEG,
            slope_per_s=max(_steepest(side) for side in sides),
            speed_deg_s=max(context.table.speed_full_mdeg_s) / MDEG,
            fastest_deg_s=fastest,
            middle_gain=float(middle),
            spread_deg_s=max(_spread(own, middle) for own in real),
            lag_low_s=float(tolerances.lag_s.lower),
            lag_s=lag_s,
            dead_spread_s=dead_spread_s,
            age_s=context.late_s - dead_s,
            error_deg=error_deg,
            restart_s=max(context.tick_s, (machine.load_ticks + machine.match_ticks) * context.tick_s - context.late_s),
            extra_fall_deg_s2=pull[0],
            extra_shake_deg_s=pull[1],
        ),
    )


def _pull(context: JointContext, fastest_deg_s: float) -> tuple[float, float]:
    """What coupled stops add to the fall (deg/s2) and the shake (deg/s) of a joint's commands, for step 1 of `swing`.

    A stop that has just lowered joint A leaves it b(room read) less what B closes; since any earlier tick B has risen
    by its ramp at most, and b has fallen along the oil's motion or with its readings. So A falls by slope x speed of
    the sum + B's ramp, apart from shakes: slope times errors, swings and half of what the oil moves within the age of a
    sample. All that over A's weight. The swing of a joint is below int|h'| times its fastest speed whatever it does.
    """
    fall, shake = 0.0, 0.0
    for partner in context.partners:
        own, others = (abs(partner.stop.weights_e3[number]) / 1000.0 for number in (partner.own, 1 - partner.own))
        slope = max(
            (y1 - y0) / (x1 - x0)
            for (x0, y0), (x1, y1) in zip(partner.stop.brake.points, partner.stop.brake.points[1:], strict=False)
        )
        other = partner.other
        other_deg_s = max(float(real_speed(other, side).most_deg_s[-1]) for side in SIDES)
        speed = own * fastest_deg_s + others * other_deg_s
        off = sum(
            weight * (float(each.joint.position.error_deg) + each.noise_deg + _swing_any(each, most))
            for weight, each, most in ((own, context, fastest_deg_s), (others, other, other_deg_s))
        )
        age_s = max(each.late_s - float(each.joint.tolerances.dead_time_s.upper) for each in (context, other))
        rise = other.table.accelerate_mdeg_s * other.machine.tick_hz / MDEG
        fall = max(fall, (slope * speed + others * rise) / own)
        shake = max(shake, slope * (off + 0.5 * age_s * speed) / own)
    return fall, shake


def _swing_any(context: JointContext, fastest_deg_s: float) -> float:
    """Largest swing for any speeds up to the fastest, either way."""
    tolerances = context.joint.tolerances
    norms = spring_norms(float(tolerances.natural_frequency_hz), float(tolerances.damping_ratio))
    return norms.position_per_speed_s * fastest_deg_s


def _spread(real: RealSpeed, middle: float) -> float:
    command = np.arange(real.most_deg_s.size) * (middle / MDEG)
    return float(np.max(np.maximum(real.most_deg_s - command, command - real.least_deg_s)))


def _steepest(side: StopSide) -> float:
    return max((y1 - y0) / (x1 - x0) for (x0, y0), (x1, y1) in zip(side.points, side.points[1:], strict=False))


def allowed_mdeg_s(context: JointContext, side: int, room_mdeg: Ints) -> Ints:
    """Largest speed towards the stop that rules L6a and L6b let through, at each room left to the soft stop (mdeg)."""
    sign = (1, -1)[side]
    asked = np.full(room_mdeg.shape, sign * context.table.speed_full_mdeg_s[side], dtype=np.int32)
    position = context.table.soft_stop_mdeg[side] - sign * room_mdeg
    return context.live.limit(context.index, FULL_MODE, asked, position.astype(np.int32)) * np.int32(sign)


def _side(context: JointContext, side: int, real: RealSpeed) -> StopSide:
    """The braking curve up to the first point at or above the full speed, and F at every millidegree of room."""
    curve, full = context.table.brake[side].points, context.table.speed_full_mdeg_s[side]
    enough = next((i for i, (_, y) in enumerate(curve) if y >= full), len(curve) - 1)
    last = curve[max(enough, 1)][0]
    allowed = allowed_mdeg_s(context, side, np.arange(last + 2, dtype=np.int32))
    return StopSide(
        points=tuple((x / MDEG, min(y, full) / MDEG) for x, y in curve[: max(enough, 1) + 1]),
        real_deg_s=real.most_deg_s[np.maximum.accumulate(allowed)],
    )


def real_speed(context: JointContext, side: int) -> RealSpeed:
    """Most and least that gain, geometry, hysteresis and crack spread make of each command up to the full speed.

    The rise is that of the flow asked for in the hungriest pose, counted in the pose in which a flow is worth most.
    """
    valve, full = valve_class(context, side), context.table.speed_full_mdeg_s[side]
    # The curve runs straight between its points, so the least and the most are among them.
    per_speed = [y for _, y in context.table.flow_per_speed_q16[side].points]
    slowest, hungriest = min(per_speed), max(per_speed)
    command = np.arange(full + 1, dtype=np.int64)
    flow = np.minimum(command * hungriest // Q16 + 1, len(valve.rise_up_to_e4) - 1)
    low, high = context.model.gain_spread(side)
    least, most = _geometry(context, side, high)
    up = command + valve.rise_up_to_e4[flow] * Q16 / slowest
    down = np.maximum(command - valve.fall_up_to_e4[flow] * Q16 / slowest, 0.0)
    up[0] = down[0] = 0.0
    return RealSpeed(
        most_deg_s=np.maximum.accumulate(up) * (high * most / MDEG),
        least_deg_s=down * (low * least / MDEG),
        gain_most=high * most,
    )


def _geometry(context: JointContext, side: int, gain: float) -> tuple[float, float]:
    """Least and most true speed over commanded speed at rated gain, since the law works with a pose that is late and
    off. How late a pose can be depends on it, so a guess is raised until it covers it.

    Raises:
        ValueError: no guess does; a dead centre lies within the travel, which the compiler refuses.
    """
    spread = 1.2 * gain
    for _ in range(_SPREAD_ROUNDS):
        least, most = _geometry_with(context, side, spread * context.late_s)
        if gain * most <= spread:
            return least, most
        spread = 1.2 * gain * most
    raise ValueError(f"{context.joint.name}: the lever arm vanishes near the end of the travel")


def _geometry_with(context: JointContext, side: int, way_s: float) -> tuple[float, float]:
    """At each pose the reading lies between `way_s` times the fastest command allowed there behind it and ahead of it
    by the error and what the joint can still run the other way when a command towards the stop begins: a command turns
    round by the ramps, so that is twice the speed that they change while it is on its way, or the full speed. On a
    grid of poses and of readings; between points both factors change by less than their steepest slope times half a
    step.
    """
    lower, upper = context.travel_mdeg()
    sign = (1, -1)[side]
    poses = np.arange(lower, upper + _POSE_GRID_MDEG, _POSE_GRID_MDEG, dtype=np.int32)
    true = context.speed_per_flow_e4(np.minimum(poses, upper), side)
    off_mdeg = (float(context.joint.position.error_deg) + context.noise_deg) * MDEG
    full, number = context.table.speed_full_mdeg_s[side], 7 + side
    room = (context.table.soft_stop_mdeg[side] - poses) * sign + math.ceil(way_s * full + off_mdeg)
    allowed = np.minimum(context.live.curve(context.index, 5 + side, np.maximum(room, 0)), full) + _CREEP_MDEG_S
    behind = off_mdeg + way_s * allowed
    ramp = max(context.table.decelerate_mdeg_s, context.table.stop_mdeg_s) * context.machine.tick_hz
    back = 2.0 * ramp * (float(context.joint.tolerances.lag_s.upper) + context.late_s)
    ahead = off_mdeg + way_s * min(back, context.table.speed_full_mdeg_s[1 - side] + _CREEP_MDEG_S)
    widest, narrowest = np.zeros(poses.shape), np.full(poses.shape, np.inf)
    for share in np.linspace(-1.0, 1.0, _READINGS):
        reading = np.rint(poses - sign * share * (behind if share > 0.0 else ahead)).astype(np.int32)
        flow = context.live.curve(context.index, number, reading)
        widest, narrowest = np.maximum(widest, flow), np.minimum(narrowest, flow)
    here = context.live.curve(context.index, number, poses).astype(np.float64)
    farthest = max(float(np.max(behind)), ahead)
    steps = (2.0 * farthest / _POSE_GRID_MDEG / (_READINGS - 1) + 1.0) * _relative_step(here) + _relative_step(true)
    return float(np.min(narrowest / Q16 * true)) * (1.0 - 0.5 * steps), float(np.max(widest / Q16 * true)) * (
        1.0 + 0.5 * steps
    )


def _relative_step(values: Floats) -> float:
    return float(np.max(np.abs(np.diff(values)) / np.minimum(values[1:], values[:-1])))
