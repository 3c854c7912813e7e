"""The braking curves: room left to a stop -> largest asked speed. Exact rationals in, integers out.

A curve is computed from what the checker's argument (mapper/check/motion/stop_bound.py) can bear, so that its bound
comes out near the sensor's error. With Z the room and u the asked speed, g the largest real speed over the asked one,
rise(u) what hysteresis and crack spread may add to it:

    near the stop    g (u + rise(u)) <= d Z / rho,              d = k (1 - k lag) exp(-k late)
    farther away     g (u + rise(u)) <= d (1 - k T) (Z - d0)    d0 the largest swing on the oil spring
    everywhere       the room also grows by g (late + lag) + g u / D a step of u: told so late, the command falls no
                     faster than the deceleration D

k (1/s) is how fast the joint may close the last of the room without swinging through it: a share of damping ratio times
natural frequency of the oil spring. rho is how much more of the room a swinging joint may report than its oil column
has, T = 2 z / w how far one whose oil leaks lags behind it; both and d0 depend on the damping ratio z, so all of them
up to 1 are looked at, a range at a time. Nothing here has to be sound: what a curve is worth is shown by the checker on
the compiled one.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from mapper.machine.model import NEGATIVE, POSITIVE, joint_gain_spread
from mapper.profile.profile import CoupledStop, Joint, Profile
from mapper.table.compile_drive import flow_curves, flow_max_e4, valve_curve
from mapper.table.exact import exponential, pi, root, sine_cosine
from mapper.table.table import FULL_E4, Q16, Curve, Pair

_MDEG = 1000
_MICRO = 1_000_000
_POINTS = 12
_ROOM_MAX_MDEG = 720_000  # that the table holds; two whole turns
_GRID = 48  # speeds at which the room is worked out; the curve's points are some of them
_SHARES = tuple(Fraction(n, 40) for n in range(4, 40, 2))  # of damping x frequency or of 1 / lag, tried for k
_PEAKS = tuple(Fraction(n, 100) for n in (20, 35, 50, 60, 70, 80, 88, 94, 100))  # half waves at which rho is looked for
_DIPS = tuple(Fraction(n, 100) for n in (170, 180, 190, 200))
_RATE_MOST = Fraction(9, 20)  # of the natural frequency: at a half the best damped joint of the class comes to zero
_LEAST = Fraction(1, 50)  # how far the response has to stay above zero there
_DAMPING_MOST = Fraction(99, 100)
_RANGE = Fraction(5, 4)  # highest over lowest damping ratio of a range
_SWELLS = Fraction(85, 100)  # as in mapper/check/motion/swing.py
_NEAR_LOSS = Fraction(97, 100)  # of the steepest slope near the stop, given up where it makes the far one steeper
_COUPLED_SHARES = tuple(Fraction(n, 20) for n in range(2, 13))  # of the same, for a coupled stop
_POSE_SHARE = Fraction(2, 3)  # the braking curve allows less than full speed where the lever arm is shortest
_SWING_SPARE = Fraction(1)
_MARGIN = Fraction(49, 50)  # left to the checker's grids and roundings, and to the geometry that it adds to the gain


@dataclass(frozen=True, slots=True, kw_only=True)
class Slopes:
    """How fast a real joint may be for the room that it has, in one range of damping; the module's d / rho, d (1 - k T)
    and d0.
    """

    near_per_s: Fraction
    far_per_s: Fraction
    offset_mdeg: Fraction


def brake_curves(profile: Profile, joint: Joint, speed_full: Pair) -> tuple[Curve, Curve]:
    """Both directions' braking curves of a joint, for its full speeds in mdeg/s."""
    return _joint_curve(profile, joint, POSITIVE, speed_full), _joint_curve(profile, joint, NEGATIVE, speed_full)


def coupled_brake(profile: Profile, stop: CoupledStop, upper: bool) -> Curve:
    """Braking curve of a coupled stop: room of the weighted sum (mdeg) -> largest closing speed of it (mdeg/s).

    Args:
        stop: of the profile.
        upper: True for its upper stop, False for its lower one.
    """
    named = {joint.name: joint for joint in profile.joints}
    joints = [named[name] for name in stop.joints]
    weights = [abs(weight) for weight in stop.weights]
    sides = [POSITIVE if (weight > 0) == upper else NEGATIVE for weight in stop.weights]
    gains = [_gain(profile, joint, side) for joint, side in zip(joints, sides, strict=True)]
    rises = [_rise(profile, joint, side) for joint, side in zip(joints, sides, strict=True)]
    speeds = [_speed_mdeg_s(joint, side) for joint, side in zip(joints, sides, strict=True)]
    dead_s = max(joint.tolerances.dead_time_s.upper for joint in joints)
    late_s = max(late_of_s(profile, joint) - joint.tolerances.dead_time_s.upper for joint in joints) + dead_s
    lag_s = max(joint.tolerances.lag_s.upper for joint in joints)

    def real(asked: Fraction) -> Fraction:
        """Each joint alone may use all of the allowed speed up; told at different times, both may for a moment."""
        shares = [min(asked / weight, speed) for weight, speed in zip(weights, speeds, strict=True)]
        return sum(
            (w * g * (u + rise(u)) for w, g, u, rise in zip(weights, gains, shares, rises, strict=True)), Fraction(0)
        )

    deceleration = min(
        weight * joint.limits.deceleration_deg_s2 * _MDEG for weight, joint in zip(weights, joints, strict=True)
    )
    full = sum(weight * speed for weight, speed in zip(weights, speeds, strict=True)).__floor__()
    decay = min(joint.tolerances.natural_frequency_hz * _damping(joint) for joint in joints) * 2 * pi()
    leak_s = 2 / (2 * pi() * min(joint.tolerances.natural_frequency_hz for joint in joints))
    rates = (share * min(decay, 1 / lag_s) for share in _COUPLED_SHARES)
    near = max(_slope(rate, lag_s, late_s) * max(Fraction(0), 1 - rate * leak_s) for rate in rates) * _MARGIN / 2
    slopes = Slopes(near_per_s=near, far_per_s=near, offset_mdeg=Fraction(0))
    curve = brake_curve(max(1, full), real, (slopes,), braking_room(max(gains), late_s + lag_s, deceleration))
    return _within(curve, _most_room_mdeg(stop, joints, upper))


def _most_room_mdeg(stop: CoupledStop, joints: list[Joint], upper: bool) -> int | None:
    """Largest room that the soft stops leave; None without soft stops."""
    pair, sign = (stop.upper, 1) if upper else (stop.lower, -1)
    room = Fraction(0) if pair is None else sign * pair.soft_deg
    for weight, joint in zip(stop.weights, joints, strict=True):
        own = joint.limits.soft_stops_deg
        if own is None:
            return None
        room -= min(sign * weight * own.lower, sign * weight * own.upper)
    return max(1, (room * _MDEG).__ceil__())


def _within(curve: Curve, most_room_mdeg: int | None) -> Curve:
    """Cut off where no room is larger: what lies beyond would only be steep."""
    if most_room_mdeg is None or curve.points[-1][0] <= most_room_mdeg:
        return curve
    kept = [point for point in curve.points if point[0] < most_room_mdeg]
    (x0, y0), (x1, y1) = kept[-1], curve.points[len(kept)]
    return Curve(points=(*kept, (most_room_mdeg, y0 + (y1 - y0) * (most_room_mdeg - x0) // (x1 - x0))))


def late_of_s(profile: Profile, joint: Joint) -> Fraction:
    """Longest time from a position to the end of what the law made of its reading: dead time; samples lost for as long
    as is no fault; the median's tick, the output within its tick and held until the next; each tick late by its
    allowance.
    """
    tick_s = profile.controller.tick_s
    bad_ticks = max(1, (joint.position.fault_time_s / tick_s).__floor__())
    lost_ticks = bad_ticks if bad_ticks > 1 else 0
    return joint.tolerances.dead_time_s.upper + (lost_ticks + 3) * (tick_s + profile.controller.late_s)


def braking_room(gain: Fraction, delay_s: Fraction, deceleration_mdeg_s2: Fraction) -> Callable[[Fraction], Fraction]:
    """Speed asked for (mdeg/s) -> way in mdeg of a joint told so late, whose command falls by the deceleration.

    g (v t + v^2 / (2 D)). Source: any textbook of mechanics, reaction distance and braking distance.
    """
    return lambda speed: gain * speed * (delay_s + speed / (2 * deceleration_mdeg_s2))


def brake_curve(
    speed_mdeg_s: int,
    real: Callable[[Fraction], Fraction],
    slopes: tuple[Slopes, ...],
    way: Callable[[Fraction], Fraction],
) -> Curve:
    """Distance left to a stop (mdeg) -> largest asked speed (mdeg/s), from 0 up to the full one.

    At most twelve points. Rooms are rounded up, and no chord between points allows more than the room worked out at
    the speeds between: both slower.

    Args:
        speed_mdeg_s: full speed asked for, at least 1.
        real: largest real speed for an asked one, both in mdeg/s; never falling.
        slopes: what the room bears, in each range of damping.
        way: room that braking itself takes from an asked speed (mdeg); its steps are the least that the room grows by.
    """
    speeds = sorted({speed_mdeg_s * step // _GRID for step in range(1, _GRID + 1)} - {0})
    creep = _short(
        real(Fraction(1, _MDEG)) / min(own.near_per_s for own in slopes)
    )  # what the checker adds to the overrun in any case
    rooms, at, before = [Fraction(0)], Fraction(0), Fraction(0)
    for speed in speeds:
        asked = Fraction(speed)
        fast = real(asked)
        braking = _short(way(asked))
        needed = max(min(fast / own.near_per_s, fast / own.far_per_s + own.offset_mdeg) for own in slopes) - creep
        at, before = _short(max(needed, at + braking - before)), braking
        rooms.append(at)
    return _chosen([0, *speeds], [room.__ceil__() for room in rooms])


def _chosen(speeds: list[int], rooms: list[int]) -> Curve:
    """The points that lose least: where the room is farthest from the chords. Then chords that lie below are raised."""
    knots = [0, len(speeds) - 1]
    while len(knots) < min(_POINTS, len(speeds)):
        off = [
            (abs(rooms[i] - _chord(speeds, rooms, a, b, i)), -i) for a, b in pairwise(knots) for i in range(a + 1, b)
        ]
        if max(off)[0] == 0:
            break
        knots = sorted([*knots, -max(off)[1]])
    raised = list(rooms)
    for a, b in pairwise(knots):
        for i in range(a + 1, b):
            short = rooms[i] - _chord(speeds, raised, a, b, i)
            if short > 0 and a > 0:
                raised[a], raised[b] = raised[a] + short, raised[b] + short
            elif short > 0:  # the first point is fixed at no room
                raised[b] += -(-short * speeds[b] // speeds[i])
    points = [(0, 0)]
    for knot in knots[1:]:
        points.append((max(raised[knot], points[-1][0] + 1), speeds[knot]))
    return Curve(points=tuple(points))


def _chord(speeds: list[int], rooms: list[int], a: int, b: int, at: int) -> int:
    """Down: too little room rather than too much, so that a chord is raised rather than not."""
    return rooms[a] + (rooms[b] - rooms[a]) * (speeds[at] - speeds[a]) // (speeds[b] - speeds[a])


# -- one joint ------------------------------------------------------------------------------------------------------


def _joint_curve(profile: Profile, joint: Joint, side: int, speed_full: Pair) -> Curve:
    gain, rise = _gain(profile, joint, side), _rise(profile, joint, side)
    late_s, lag_s = late_of_s(profile, joint), joint.tolerances.lag_s.upper
    slopes = joint_slopes(profile, joint)
    way = braking_room(gain, late_s + lag_s, joint.limits.deceleration_deg_s2 * _MDEG)
    curve = brake_curve(speed_full[side], lambda asked: gain * (asked + rise(asked)), slopes, way)
    return _within(curve, _ROOM_MAX_MDEG)


def joint_slopes(profile: Profile, joint: Joint) -> tuple[Slopes, ...]:
    """What one joint's oil spring, lag and lateness bear, in either direction, for each range of damping."""
    ranges, late_s, lag_s = _ranges(joint), late_of_s(profile, joint), joint.tolerances.lag_s.upper
    natural = 2 * pi() * joint.tolerances.natural_frequency_hz
    tried, most = [], min(ranges[0][0] * natural, 1 / lag_s, _RATE_MOST * natural)
    for share in _SHARES:
        rate = share * most
        rho = _rho(_short(rate / natural), *ranges[0])
        if rho is not None and rate * lag_s < 1:
            slope = _slope(rate, lag_s, late_s) * _MARGIN
            tried.append((slope / rho, slope, _short(rate / natural)))
    best = max(near for near, _, _ in tried)
    _, slope, share = max((each for each in tried if each[0] >= _NEAR_LOSS * best), key=lambda each: each[1])
    found = []
    for lowest, highest in ranges:
        far = slope * (1 - 2 * highest * share)
        rho = _rho(share, lowest, highest)
        near = far if rho is None else slope / rho
        offset = _swing_mdeg(profile, joint, slope, (lowest, highest))
        found.append(Slopes(near_per_s=near, far_per_s=far, offset_mdeg=offset))
    return tuple(found)


def _ranges(joint: Joint) -> tuple[tuple[Fraction, Fraction], ...]:
    """Damping ratios from the lowest up to 1."""
    ends = [_damping(joint)]
    while ends[-1] < _DAMPING_MOST:
        ends.append(min(ends[-1] * _RANGE, _DAMPING_MOST))
    return tuple(pairwise([*ends[:-1], Fraction(1)])) if len(ends) > 1 else ((ends[0], Fraction(1)),)


def _damping(joint: Joint) -> Fraction:
    return min(joint.tolerances.damping_ratio, _DAMPING_MOST)


def _slope(rate: Fraction, lag_s: Fraction, late_s: Fraction) -> Fraction:
    """k (1 - k lag) exp(-k late), a little below; 0 where the lag alone is too slow for k."""
    if rate * lag_s >= 1:
        return Fraction(0)
    return _short(rate * (1 - rate * lag_s) * exponential(-rate * late_s))


def _short(value: Fraction) -> Fraction:
    """Twelve decimals, down: the numbers stay small."""
    return Fraction((value * 10**12).__floor__(), 10**12)


@functools.cache
def _rho(rate: Fraction, z: Fraction, highest: Fraction) -> Fraction | None:
    """Largest value of the two responses of mapper/check/motion/spring.py near their first crest, in units of the
    natural frequency, from the damping ratio z to the highest; None where the first comes to zero in its first trough.
    """
    damped = _short(root(1 - z * z))
    level = (1 - 2 * z * rate) / (1 - 2 * z * rate + rate * rate)
    sine_part = (2 * z + rate * level - z * level) / damped

    def response(half_waves: Fraction) -> Fraction:
        sine, cosine = (_short(value) for value in sine_cosine(180 * half_waves))
        fade = _short(exponential(-(z - rate) * half_waves * pi() / damped))
        return level + fade * (sine_part * sine - level * cosine)

    if min(response(at) for at in _DIPS) < _LEAST:
        return None
    leaking = (1 + _short(exponential(-(z - rate) * pi() / damped))) / (1 - 2 * highest * rate + rate * rate)
    return max(_short(leaking), max(response(at) for at in _PEAKS) * Fraction(101, 100), Fraction(101, 100))


# -- what the valve may add, and the swing ----------------------------------------------------------------------------


def _speed_mdeg_s(joint: Joint, side: int) -> Fraction:
    speeds = joint.limits.speed_deg_s
    return Fraction(((speeds.positive if side == POSITIVE else speeds.negative) * _MDEG).__floor__())


def _gain(profile: Profile, joint: Joint, side: int) -> Fraction:
    """Largest real speed over the asked one: the valve's spread, and the lever arm of a reading that is late and
    off.
    """
    gain = joint_gain_spread(profile, joint, side)[1]
    curve = flow_curves(joint)[side].points
    change = max(Fraction(abs(y1 - y0), (x1 - x0) * min(y0, y1)) for (x0, y0), (x1, y1) in pairwise(curve))
    behind = joint.position.error_deg * _MDEG + gain * _speed_mdeg_s(joint, side) * late_of_s(profile, joint)
    return _short(gain * (1 + change * behind * _POSE_SHARE))


def _rise(profile: Profile, joint: Joint, side: int) -> Callable[[Fraction], Fraction]:
    """Speed asked for -> what hysteresis and crack spread may add to it or to a smaller one, both in mdeg/s.

    The measured curve shifted to the left by half the hysteresis, or by crack - crack_min where that is more, against
    the flow asked for, in the pose that needs most flow; counted in the pose in which a flow is worth the most speed.
    Whole millionths all the way, which is fine enough for a curve that the checker judges.
    """
    own = joint.valve.positive if side == POSITIVE else joint.valve.negative
    left = (max(joint.tolerances.hysteresis / 2, own.crack - own.crack_min) * _MICRO).__ceil__()
    compiled = [(x * _MICRO, y * _MICRO // FULL_E4) for x, y in valve_curve(joint, side).points]
    measured = [((x * _MICRO).__floor__(), (y * FULL_E4 * _MICRO).__floor__()) for x, y in own.points]
    most_e4 = flow_max_e4(profile, joint, side)
    per_speed = [y for _, y in flow_curves(joint)[side].points]
    added, points = 0, []
    for flow in sorted({1, *(most_e4 * n // _GRID for n in range(1, _GRID + 1))} - {0}):
        added = max(added, _along(measured, _along(compiled, flow * _MICRO) + left) - flow * _MICRO)
        points.append((flow * _MICRO * Q16 // max(per_speed), -(-added * Q16 // min(per_speed))))
    return lambda asked: Fraction(_along(points, min((asked * _MICRO).__floor__(), points[-1][0])), _MICRO)


def _along(points: list[tuple[int, int]], x: int) -> int:
    """Straight between the points; before the first one its value, after the last one on with the last slope."""
    if x <= points[0][0]:
        return points[0][1]
    (x0, y0), (x1, y1) = next((pair for pair in pairwise(points) if x <= pair[1][0]), (points[-2], points[-1]))
    return y0 + (x - x0) * (y1 - y0) // (x1 - x0)


def _swing_mdeg(profile: Profile, joint: Joint, far_per_s: Fraction, damping: tuple[Fraction, Fraction]) -> Fraction:
    """d0 in a range of damping: about what mapper/check/motion/swing.py comes to, in closed forms and a little more."""
    z, tolerances, limits = damping[0], joint.tolerances, joint.limits
    natural = 2 * pi() * tolerances.natural_frequency_hz
    coth, by_speed_s = _coth(z), _by_speed_s(joint, z)
    by_acceleration_s2 = coth / natural**2
    low = min(joint_gain_spread(profile, joint, side)[0] for side in (POSITIVE, NEGATIVE))
    high = max(_gain(profile, joint, side) for side in (POSITIVE, NEGATIVE))
    fastest_mdeg_s = max(_fastest_mdeg_s(profile, joint, side) for side in (POSITIVE, NEGATIVE))
    speed = max(_speed_mdeg_s(joint, POSITIVE), _speed_mdeg_s(joint, NEGATIVE))
    restart_s = profile.start.pump_load_s + profile.start.match_hold_s - late_of_s(profile, joint)
    ramps = (limits.acceleration_deg_s2, limits.deceleration_deg_s2, limits.stop_deceleration_deg_s2)
    fall, pull = _pull(profile, joint, fastest_mdeg_s)
    steepest = max(*(ramp * _MDEG for ramp in ramps), far_per_s / high * fastest_mdeg_s, fall)
    late_s = late_of_s(profile, joint) - tolerances.dead_time_s.upper
    slope = far_per_s / high
    spread = (fastest_mdeg_s - low * (2 * speed - fastest_mdeg_s / high)) / 2  # the valve adds or takes as much
    middle = (fastest_mdeg_s - spread) / speed
    shake = pull + slope * (joint.position.error_deg * _MDEG + late_s * fastest_mdeg_s / 2)
    shake += steepest * (_lag_change_s(joint) + (tolerances.dead_time_s.upper - tolerances.dead_time_s.lower) / 2)
    swing = middle * steepest * by_acceleration_s2 + by_speed_s * (spread + middle * shake)
    left = _left_of_a_stop(natural, damping, tolerances.lag_s.upper, restart_s, speed / steepest)
    swing += left * fastest_mdeg_s / natural
    kept = 1 - by_speed_s * middle * slope
    return _short(swing * _SWING_SPARE / max(kept, Fraction(1, 5)))


def _coth(z: Fraction) -> Fraction:
    """Of z pi / (2 root(1 - z^2)), from above: 1 / x + x / 3."""
    half = _short(z * pi() / (2 * root(1 - z * z)))
    return 1 / half + half / 3


def _by_speed_s(joint: Joint, z: Fraction) -> Fraction:
    """Largest swing for any speed up to one, over that speed: int|h'| of mapper/check/motion/spring.py."""
    natural = 2 * pi() * joint.tolerances.natural_frequency_hz
    return _short(exponential(-z * (pi() / 2 - z))) * (_coth(z) + 1) / natural


def _pull(profile: Profile, joint: Joint, fastest_mdeg_s: Fraction) -> tuple[Fraction, Fraction]:
    """What coupled stops add to fall and shake of a joint's commands, as in mapper/check/motion/stop_plants.py."""
    fall, shake = Fraction(0), Fraction(0)
    for stop in profile.coupled_stops:
        if joint.name not in stop.joints:
            continue
        at = stop.joints.index(joint.name)
        own, others = abs(stop.weights[at]), abs(stop.weights[1 - at])
        other = next(item for item in profile.joints if item.name == stop.joints[1 - at])
        other_mdeg_s = max(_fastest_mdeg_s(profile, other, side) for side in (POSITIVE, NEGATIVE))
        swings = own * fastest_mdeg_s * _by_speed_s(joint, _damping(joint))
        swings += others * other_mdeg_s * _by_speed_s(other, _damping(other))
        errors = (own * joint.position.error_deg + others * other.position.error_deg) * _MDEG
        late_s = max(late_of_s(profile, each) - each.tolerances.dead_time_s.upper for each in (joint, other))
        speed = own * fastest_mdeg_s + others * other_mdeg_s
        for upper in (pair[1] for pair in ((stop.lower, False), (stop.upper, True)) if pair[0] is not None):
            curve = coupled_brake(profile, stop, upper).points
            slope = max(Fraction(y1 - y0, x1 - x0) for (x0, y0), (x1, y1) in pairwise(curve))
            fall = max(fall, (slope * speed + others * other.limits.acceleration_deg_s2 * _MDEG) / own)
            shake = max(shake, slope * (errors + swings + late_s * speed / 2) / own)
    return fall, shake


def _fastest_mdeg_s(profile: Profile, joint: Joint, side: int) -> Fraction:
    speed = _speed_mdeg_s(joint, side)
    return _gain(profile, joint, side) * (speed + _rise(profile, joint, side)(speed))


def _lag_change_s(joint: Joint) -> Fraction:
    low, high = joint.tolerances.lag_s.lower, joint.tolerances.lag_s.upper
    return high * (high - low) / (high + low)


def _left_of_a_stop(
    natural: Fraction, damping: tuple[Fraction, Fraction], lag_s: Fraction, restart_s: Fraction, slowing_s: Fraction
) -> Fraction:
    """Share of a stop's speed over natural frequency that still swings when commands may come again."""
    lowest, highest = damping
    share, swell = (lowest, Fraction(1)) if highest < _SWELLS else (lowest * 3 / 4, Fraction(3, 2) / lowest)
    leak_s = 2 * highest / natural
    rate = min(share * natural, 1 / (2 * lag_s), 1 / (2 * leak_s))
    slowing_s = min(slowing_s, restart_s)
    whole, part = exponential(-rate * restart_s), exponential(-rate * (restart_s - slowing_s))
    passed = (1 - rate * lag_s) * (1 - rate * leak_s) * (1 - whole)
    return _short(swell * (whole + (part - whole) / (rate * slowing_s)) / passed)
