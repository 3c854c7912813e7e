"""Random valid tables: everything that the layout allows, mostly with small timers so that every state comes up often.

Only `random.Random` with a given seed decides, so a seed names its table for ever.
"""

from __future__ import annotations

import random
from dataclasses import replace

from mapper.table.table import (
    COUPLED_MAX,
    CURVE_POINTS_MAX,
    FOLLOW,
    INPUTS_MAX,
    SPEED,
    CoupledStop,
    Curve,
    JointTable,
    MachineTable,
    Sensor,
    Table,
    Track,
)

ANGLE_MAX = 360_000
WEIGHT_MAX_E3 = 10_000
COUPLED_ROOM_MAX = COUPLED_LIMIT_MAX = 7_200_000
COUPLED_SPEED_MAX = 2_000_000
TIP_MAX = 2_000_000_000
SPEED_MAX = 200_000
Q16 = 65_536


def steepest(curve: Curve) -> int:
    """Largest change of the curve for one step of x, rounded up."""
    pairs = zip(curve.points, curve.points[1:], strict=False)
    return max(-(-abs(y1 - y0) // (x1 - x0)) for (x0, y0), (x1, y1) in pairs)


def _xs(rng: random.Random, first: int, last: int, count: int) -> list[int]:
    """Ends and `count` - 2 places between them, not so close that a slope would leave its range."""
    grid = min(12, last - first)
    steps = sorted(rng.sample(range(1, grid), min(count - 2, grid - 1)))
    return [first, *(first + (last - first) * step // grid for step in steps), last]


def _monotone(rng: random.Random, xs: list[int], y_first: int, y_last: int) -> Curve:
    """Points that go one way from y_first to y_last, near the straight line or away from it."""
    bend = rng.choice((0.0, 0.3, 0.9))
    span = xs[-1] - xs[0]
    shares = []
    for x in xs[1:-1]:
        straight = (x - xs[0]) / span
        shares.append(straight + bend * (rng.random() - straight))
    ys = [y_first, *(round(y_first + share * (y_last - y_first)) for share in sorted(shares)), y_last]
    return Curve(points=tuple(zip(xs, ys, strict=True)))


def _track(rng: random.Random, analog: int, low: int, high: int, falling: bool) -> Track:
    """One calibration over low..high, with the plausible window outside it, at it or inside it."""
    first = rng.randint(20, 2_000)
    last = first + rng.choice((rng.randint(300, 3_000), rng.randint(3_000, 60_000)))
    curve = _monotone(rng, _xs(rng, first, last, rng.randint(2, 6)), *((high, low) if falling else (low, high)))
    spare = rng.choice((0, 5, 20, 20, -5))
    return Track(input=analog, count_min=max(1, first - spare), count_max=min(65_534, last + spare), curve=curve)


def _sensor(rng: random.Random, free: list[int], low: int, high: int, motion: int) -> Sensor:
    """`motion` is the most that the value may move in a tick of ordinary use."""
    falling = rng.random() < 0.5
    tracks = [_track(rng, free.pop(), low, high, falling)]
    if rng.random() < 0.45:
        tracks.append(_track(rng, free.pop(), low, high, (not falling) if rng.random() < 0.8 else falling))
    grain = sum(steepest(track.curve) for track in tracks)
    return Sensor(
        tracks=tuple(tracks),
        step_max=min(2 * ANGLE_MAX, 3 * grain + motion + rng.randint(1, motion + 1)),
        disagreement=min(2 * ANGLE_MAX, 3 * grain + rng.randint(1, 3) * motion + 1),
        bad_ticks=rng.choice((1, 2, 2, 3, 4, 6, rng.randint(1, 25))),
    )


def _brake(rng: random.Random, speed: int, width: int) -> Curve:
    last = min(SPEED_MAX, rng.choice((speed, speed, speed * 2, max(1, speed // 2))))
    least = 12 + last // 2_000
    room = rng.randint(least, max(least, rng.choice((width // 2, width // 3, width // 10, 10 * least))))
    first = rng.choice((0, rng.randint(0, last // 4), rng.randint(0, last), last))
    return _monotone(rng, _xs(rng, 0, room, rng.randint(2, 7)), first, last)


def _flow_per_speed(rng: random.Random, low: int, high: int, speed: tuple[int, int]) -> tuple[Curve, Curve]:
    """Flow per speed over the positions, about full flow at full speed; now and then nearly flat, tiny or huge."""
    xs = _xs(rng, low, high, rng.randint(2, CURVE_POINTS_MAX if rng.random() < 0.2 else 6))
    curves = []
    for side in (0, 1):
        extreme = rng.random() < 0.02
        if extreme:
            huge = min(2**31 - 1, (2**31 - 1) * Q16 // speed[side])
            middle = rng.choice((1, 1, huge // rng.randint(1, 300)))
        else:
            middle = rng.randint(1_000, 16_000) * Q16 // speed[side]
        middle = max(1, middle)
        if extreme or rng.random() < 0.3:
            end = max(1, middle - rng.randint(0, 12))  # falls by next to nothing: rounding is all that there is
            curves.append(_monotone(rng, xs, middle, end))
        else:
            ys = [max(1, middle * rng.randint(50, 100) // 100) for _ in xs]
            curves.append(Curve(points=tuple(zip(xs, ys, strict=True))))
    return curves[0], curves[1]


def _valve(rng: random.Random) -> Curve:
    jump = rng.choice((0, rng.randint(1, 3_500), rng.randint(1, 3_500)))
    return _monotone(rng, _xs(rng, 0, rng.choice((10_000, rng.randint(100, 10_000))), rng.randint(2, 8)), jump, 10_000)


def _response(rng: random.Random, control: int, operator: tuple[int, int], joint: tuple[int, int]) -> Curve:
    if control == SPEED:
        if rng.random() < 0.1:
            ys = [rng.randint(-10_000, 10_000) for _ in range(4)]
            return Curve(points=tuple(zip((-10_000, -3_000, 3_000, 10_000), ys, strict=True)))
        end = rng.choice((10_000, 10_000, rng.randint(3_000, 10_000)))
        return _monotone(rng, _xs(rng, -10_000, 10_000, rng.randint(2, 7)), *rng.choice(((-end, end), (end, -end))))
    first, last = operator
    ends = joint if rng.random() < 0.8 else (joint[1], joint[0])
    curve = _monotone(rng, _xs(rng, first, last, rng.randint(2, 6)), *ends)
    if rng.random() < 0.07:
        ys = [rng.randint(joint[0], joint[1]) for _ in curve.points]
        curve = Curve(points=tuple((x, y) for (x, _), y in zip(curve.points, ys, strict=True)))
    return curve


def _speed(rng: random.Random, width: int, hz: int) -> int:
    """Such that the whole travel takes 20 to 1000 ticks where the largest speed allows it."""
    return max(20, min(SPEED_MAX, width * hz // rng.randint(20, rng.choice((60, 200, 1_000)))))


def _filter(rng: random.Random) -> int:
    return rng.choice((Q16, rng.randint(6_000, Q16))) if rng.random() < 0.94 else rng.randint(1, 6_000)


def _deadline(rng: random.Random) -> int:
    return rng.choice((rng.randint(0, 3), rng.randint(1, 8), rng.randint(1, 40)))


def _timer(rng: random.Random, small: int, large: int = 40) -> int:
    return rng.randint(1, small) if rng.random() < 0.92 else rng.randint(1, large)


def _joint(rng: random.Random, free: list[int], hz: int) -> JointTable:
    control = FOLLOW if rng.random() < 0.6 else SPEED
    continuous = rng.random() < 0.18
    if continuous:
        low = rng.choice((-180_000, -180_000, 0, -360_000, rng.randint(-300_000, -60_000)))
        high = min(ANGLE_MAX, low + 360_000)
    else:
        low = rng.randint(-200_000, 120_000)
        high = min(ANGLE_MAX, low + rng.choice((rng.randint(4_000, 40_000), rng.randint(40_000, 300_000))))
    width = high - low
    margin = width // rng.randint(8, 30)
    stops = (high - margin, low + margin)  # upper, lower
    full = (_speed(rng, width, hz), _speed(rng, width, hz))
    reduced = (max(1, full[0] * rng.randint(10, 100) // 100), max(1, full[1] * rng.randint(10, 100) // 100))
    top = max(full)
    motion = top * 3 // (2 * hz) + 2
    position = _sensor(rng, free, low, high, motion)
    grain = sum(steepest(track.curve) for track in position.tracks)
    if control == FOLLOW:
        reach = (low, high) if rng.random() < 0.5 else (low // 2, low // 2 + rng.randint(20_000, 120_000))
        operator = _sensor(rng, free, *reach, rng.randint(motion, 4 * motion))
        response = _response(rng, control, reach, (low + margin // 2, high - margin // 2))
        deadband = rng.choice((0, rng.randint(0, 2 * grain + 1), width // rng.randint(50, 400)))
    else:
        operator = _sensor(rng, free, -10_000, 10_000, rng.randint(20, 3_000))
        response = _response(rng, control, (0, 0), (0, 0))
        grain_operator = sum(steepest(track.curve) for track in operator.tracks)
        least = min(5_000, 2 * grain_operator) if rng.random() < 0.95 else 0  # with 0 no lever ever counts as at rest
        deadband = rng.choice((least, rng.randint(least, max(least, 2_000)), rng.randint(least, 5_000)))
    flow = _flow_per_speed(rng, low, high, full)
    stall_flow = rng.choice((rng.randint(1, 1_500), rng.randint(300, 4_000)))
    k = max(y for curve in flow for _, y in curve.points)
    crawl = stall_flow * Q16 // k / hz  # mdeg in a tick at the least flow that the watch looks at
    stall_ticks = max(rng.randint(2, 12), min(300, round((6 * grain + 4) / max(crawl, 1e-3)) + 2))
    lag = rng.randint(3, 12)
    return JointTable(
        control=control,
        continuous=continuous,
        polarity=rng.choice((1, -1)),
        operator=operator,
        position=position,
        filter_q16=_filter(rng),
        speed_filter_q16=rng.choice((Q16, rng.randint(1, Q16))),
        deadband=deadband,
        speed_deadband_mdeg_s=rng.choice((0, rng.randint(0, top // 8), rng.randint(0, top))),
        response=response,
        gain_q16=rng.choice((min(50 * Q16, top * Q16 * rng.randint(3, 60) // width), rng.randint(0, 50 * Q16))),
        feed_q16=rng.choice((0, Q16, rng.randint(0, Q16))),
        match_window_mdeg=min(ANGLE_MAX, 6 * grain + width // rng.randint(15, 100)),
        gap_mdeg=rng.choice((0, width * rng.randint(15, 90) // 100)),
        speed_reduced_mdeg_s=reduced,
        speed_full_mdeg_s=full,
        accelerate_mdeg_s=max(1, top // rng.randint(1, 30)),
        decelerate_mdeg_s=max(1, top // rng.randint(1, rng.choice((20, 200, 500, 2_000)))),
        stop_mdeg_s=max(1, top // rng.randint(1, rng.choice((20, 150)))),
        soft_stop_mdeg=stops,
        brake=(_brake(rng, full[0], width), _brake(rng, full[1], width)),
        flow_per_speed_q16=flow,
        flow_max_e4=(rng.randint(3_000, 10_000), rng.choice((10_000, rng.randint(3_000, 10_000)))),
        flow_full_ml_min=rng.choice((rng.randint(1_000, 100_000), rng.randint(1, 1_000_000))),
        valve=(_valve(rng), _valve(rng)),
        drive_max_e4=rng.choice((10_000, rng.randint(4_000, 10_000))),
        reversal_ticks=_timer(rng, 8),
        settle_ticks=lag,
        still_ticks=_timer(rng, 12),
        still_mdeg=5 * grain + rng.randint(0, motion),
        stall_flow_e4=stall_flow,
        stall_ticks=stall_ticks,
        stall_mdeg=max(1, min(ANGLE_MAX, int(stall_ticks * crawl * 0.3) - 2 * grain)),
        reach_mm=_reach(rng),
    )


def _reach(rng: random.Random) -> int:
    if rng.random() < 0.28:
        return 0
    return rng.choice((rng.randint(1, 10), rng.randint(300, 4_000), rng.randint(300, 4_000), rng.randint(1, 65_535)))


def _tip(rng: random.Random, joints: tuple[JointTable, ...]) -> int:
    """0, or about what the joints may do together in reduced mode, so that the limit acts now and then or always."""
    together = sum(max(joint.speed_reduced_mdeg_s) * joint.reach_mm for joint in joints)
    if together == 0 or rng.random() < 0.25:
        return 0 if rng.random() < 0.6 else rng.choice((1, *(rng.randint(1, TIP_MAX) for _ in range(4))))
    share = rng.choice((rng.uniform(0.02, 0.2), rng.uniform(0.2, 0.7), rng.uniform(0.2, 0.7), rng.uniform(0.7, 1.1)))
    return max(1, min(TIP_MAX, int(together * share)))


def _weight(rng: random.Random) -> int:
    size = rng.choice((1_000, 1_000, rng.randint(300, 3_000), rng.randint(1, WEIGHT_MAX_E3)))
    if rng.random() < 0.04:
        size = rng.choice((1, WEIGHT_MAX_E3))
    return size * rng.choice((1, -1))


def _coupled_stop(rng: random.Random, joints: tuple[JointTable, ...], pair: tuple[int, int]) -> CoupledStop:
    """Its limit lies mostly within what the two joints reach between their soft stops, so that it acts."""
    weights = (_weight(rng), _weight(rng))
    least = most = speed = 0
    for index, weight in zip(pair, weights, strict=True):
        upper, lower = joints[index].soft_stop_mdeg
        ends = sorted((weight * lower, weight * upper))
        least, most = least + ends[0] // 1_000, most + ends[1] // 1_000
        speed += max(1, abs(weight) * max(joints[index].speed_full_mdeg_s) // 1_000)
    share = rng.choice((rng.uniform(0.6, 1.0), rng.uniform(0.6, 1.0), rng.uniform(0.4, 0.8), rng.uniform(-0.1, 1.2)))
    limit = least + int((most - least) * share)
    if rng.random() < 0.02:
        limit = rng.choice((COUPLED_LIMIT_MAX, -COUPLED_LIMIT_MAX))  # never in the way; always beyond
    return CoupledStop(
        joints=pair,
        weights_e3=weights,
        limit_mdeg=max(-COUPLED_LIMIT_MAX, min(COUPLED_LIMIT_MAX, limit)),
        brake=_coupled_brake(rng, speed, most - least),
    )


def _coupled_brake(rng: random.Random, speed: int, width: int) -> Curve:
    last = min(COUPLED_SPEED_MAX, max(1, speed // rng.choice((1, 2, 4, 10))))
    shortest = 12 + last // 2_000  # a steeper curve would leave the range of a slope
    longest = max(shortest, min(COUPLED_ROOM_MAX, width // rng.choice((1, 2, 4, 8, 40))))
    if rng.random() < 0.02:
        shortest = longest = COUPLED_ROOM_MAX
    first = rng.choice((0, 0, 0, rng.randint(0, last // 4), rng.randint(0, last // 4), last))
    return _monotone(rng, _xs(rng, 0, rng.randint(shortest, longest), rng.randint(2, 7)), first, last)


def _twin(rng: random.Random, stop: CoupledStop, of: CoupledStop) -> CoupledStop:
    """`stop` moved to act about where another one of the same pair does, so that the two act in one tick."""
    moved = of.limit_mdeg + rng.choice((0, -1, -1, -1, 1)) * rng.randint(1, 2_000)
    moved = max(-COUPLED_LIMIT_MAX, min(COUPLED_LIMIT_MAX, moved))
    first, second = of.weights_e3
    later = second + rng.choice((0, 1, 1, 1, 1, -1))  # comes after the other one in the table, or before it
    weights = (first, later if 0 < abs(later) <= WEIGHT_MAX_E3 else second)
    return replace(rng.choice((stop, of, of, of)), joints=of.joints, weights_e3=weights, limit_mdeg=moved)


def _coupled(rng: random.Random, joints: tuple[JointTable, ...]) -> tuple[CoupledStop, ...]:
    """None to eight coupled stops, several on one joint or one pair, in the order that the layout asks for."""
    limited = [index for index, joint in enumerate(joints) if not joint.continuous]
    pairs = [(a, b) for a in limited for b in limited if a < b]
    if not pairs or rng.random() < 0.1:
        return ()
    stops: list[CoupledStop] = []
    for _ in range(rng.choice((1, 1, 2, 2, 2, 3, rng.randint(1, COUPLED_MAX)))):
        stop = _coupled_stop(rng, joints, rng.choice(pairs))
        stops.append(_twin(rng, stop, rng.choice(stops)) if stops and rng.random() < 0.55 else stop)
    by_key = {(*stop.joints, *stop.weights_e3, stop.limit_mdeg): stop for stop in stops}
    return tuple(by_key[key] for key in sorted(by_key))


def _machine(rng: random.Random, joints: tuple[JointTable, ...], hz: int) -> MachineTable:
    reset_min = _timer(rng, 4)
    asked = sum(joint.flow_full_ml_min for joint in joints)
    plenty = rng.choice((0.003, 0.02, 0.3, 0.6, 0.8, 2.0)) * rng.uniform(0.1, 1.0)
    return MachineTable(
        tick_us=1_000_000 // hz,
        tick_hz=hz,
        late_us=rng.choice((0, 500, rng.randint(0, 1_000_000 // hz))),
        pump_ml_min=max(1, min(10_000_000, int(asked * plenty))),
        power_up_ticks=rng.randint(3, 8),
        discrepancy_ticks=_timer(rng, 6),
        reset_min_ticks=reset_min,
        reset_max_ticks=reset_min + _timer(rng, 5, 60),
        load_ticks=rng.choice((0, _timer(rng, 8))),
        match_ticks=_timer(rng, 6),
        authority_step_q16=rng.choice((Q16, rng.randint(4_000, 40_000), rng.randint(1_000, 8_000))),
        stop_category=rng.randint(0, 1),
        stop_ticks=_deadline(rng),
        release_ticks=_deadline(rng),
        tip_mdeg_mm_s=_tip(rng, joints),
    )


def random_table(rng: random.Random, joint_count: int = 0) -> Table:
    """A valid table of so many joints; with 0 of 1 to 6, most of them of one to three."""
    hz = rng.choice((50, 100, 100, 200, 250, 500, 1_000))
    free = rng.sample(range(INPUTS_MAX), INPUTS_MAX)
    count = joint_count or rng.choices((1, 2, 3, 4, 5, 6), (22, 40, 22, 9, 4, 3))[0]
    joints = tuple(_joint(rng, free, hz) for _ in range(count))
    return Table(
        machine_id="random",
        revision=rng.randint(0, 65_535),
        tool_version=(0, 1, 0),
        profile_digest=bytes(32),
        machine=_machine(rng, joints, hz),
        joints=joints,
        coupled=_coupled(rng, joints),
    )
