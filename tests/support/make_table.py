"""Tables for tests: valid ones, at random from a seed, over the whole width of the layout."""

from __future__ import annotations

import random

from mapper.table.table import (
    COUPLED_MAX,
    FOLLOW,
    SPEED,
    CoupledStop,
    Curve,
    JointTable,
    MachineTable,
    Sensor,
    Table,
    Track,
)

TICK_RATES = (50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 625, 800, 1000)
"""Ticks a second that have a whole number of microseconds."""

TICKS_MAX = 60_000


def _xs(rng: random.Random, lower: int, upper: int, count: int) -> list[int]:
    """Strictly rising, a sixth at least of the even spacing apart, so that no slope leaves 32 bits."""
    gap = max(1, (upper - lower) // (6 * count))
    picked = sorted(rng.sample(range(lower, upper - gap * (count - 1) + 1), count))
    return [x + gap * index for index, x in enumerate(picked)]


def _curve(
    rng: random.Random,
    x_range: tuple[int, int],
    y_range: tuple[int, int],
    *,
    order: str = "any",
    first_x_zero: bool = False,
) -> Curve:
    count = rng.randint(2, min(12, x_range[1] - x_range[0]))
    xs = _xs(rng, x_range[0], x_range[1], count)
    if first_x_zero:
        xs[0] = 0
    ys = [rng.randint(*y_range) for _ in range(count)]
    if order != "any":
        ys.sort(reverse=order == "falling")
        if ys[0] == ys[-1]:
            ys[0], ys[-1] = (y_range[1], y_range[0]) if order == "falling" else y_range
            ys[1:-1] = [ys[0]] * (count - 2)
    return Curve(points=tuple(zip(xs, ys, strict=True)))


def _sensor(rng: random.Random, reach: int, inputs: list[int], tick_hz: int) -> Sensor:
    tracks = []
    for _ in range(rng.randint(1, 2)):
        count_min = rng.randint(1, 2_000)
        count_max = rng.randint(count_min + 2_000, 65_534)
        order = rng.choice(("rising", "falling"))
        curve = _curve(rng, (count_min, count_max), (-reach, reach), order=order)
        tracks.append(Track(input=inputs.pop(), count_min=count_min, count_max=count_max, curve=curve))
    return Sensor(
        tracks=tuple(tracks),
        step_max=rng.randint(1, 720_000),
        disagreement=rng.randint(1, 720_000),
        bad_ticks=rng.randint(1, tick_hz),  # at most 1 s
    )


def _seen_by_all(sensor: Sensor) -> tuple[int, int]:
    """What every track of the sensor can tell apart; the second below the first where there is nothing."""
    values = [sorted(y for _, y in track.curve.points) for track in sensor.tracks]
    return max(ys[0] for ys in values), min(ys[-1] for ys in values)


def _pair(rng: random.Random, lower: int, upper: int) -> tuple[int, int]:
    return rng.randint(lower, upper), rng.randint(lower, upper)


def _flow(rng: random.Random, full: tuple[int, int]) -> tuple[Curve, Curve]:
    first = _curve(rng, (-360_000, 360_000), (1, 2 ** rng.randint(8, 28)))
    most = [min(2**28, (2**31 - 1) * 65_536 // speed) for speed in full]
    xs = [x for x, _ in first.points]
    return (
        Curve(points=tuple((x, min(y, most[0])) for x, y in first.points)),
        Curve(points=tuple((x, rng.randint(1, most[1])) for x in xs)),
    )


def random_joint(rng: random.Random, inputs: list[int], tick_hz: int) -> JointTable:
    """One valid joint; takes its inputs from the end of `inputs`."""
    control = rng.choice((FOLLOW, SPEED))
    reach = 360_000 if control == FOLLOW else 10_000
    full = _pair(rng, 1, 200_000)
    position = _sensor(rng, 360_000, inputs, tick_hz)
    lowest, highest = _seen_by_all(position)
    continuous = rng.random() < 0.3 or highest - lowest < 2
    seen = range(-360_000, 360_001) if continuous else range(lowest, highest + 1)
    stops = sorted(rng.sample(seen, 2)) if continuous or rng.random() < 0.7 else [lowest, highest]
    return JointTable(
        control=control,
        continuous=continuous,
        polarity=rng.choice((1, -1)),
        operator=_sensor(rng, reach, inputs, tick_hz),
        position=position,
        filter_q16=rng.randint(1, 65_536),
        speed_filter_q16=rng.randint(1, 65_536),
        deadband=rng.randint(0, 5_000),
        speed_deadband_mdeg_s=rng.randint(0, 200_000),
        response=_curve(rng, (-reach, reach), (-reach, reach)),
        gain_q16=rng.randint(0, 50 * 65_536),
        feed_q16=rng.randint(0, 65_536),
        match_window_mdeg=rng.randint(0, 360_000),
        gap_mdeg=rng.randint(0, 720_000),
        speed_reduced_mdeg_s=(rng.randint(1, full[0]), rng.randint(1, full[1])),
        speed_full_mdeg_s=full,
        accelerate_mdeg_s=rng.randint(1, 200_000),
        decelerate_mdeg_s=rng.randint(1, 200_000),
        stop_mdeg_s=rng.randint(1, 200_000),
        soft_stop_mdeg=(stops[1], stops[0]),
        brake=(
            _curve(rng, (0, rng.randint(1_000, 720_000)), (0, 200_000), order="rising", first_x_zero=True),
            _curve(rng, (0, rng.randint(1_000, 720_000)), (0, 200_000), order="rising", first_x_zero=True),
        ),
        flow_per_speed_q16=_flow(rng, full),
        flow_max_e4=_pair(rng, 1, 10_000),
        flow_full_ml_min=rng.randint(1, 1_000_000),
        valve=(
            _curve(rng, (0, 10_000), (0, 10_000), order="rising", first_x_zero=True),
            _curve(rng, (0, 10_000), (0, 10_000), order="rising", first_x_zero=True),
        ),
        drive_max_e4=rng.randint(1, 10_000),
        reversal_ticks=rng.randint(1, 1_000),
        settle_ticks=rng.randint(1, 30_000),
        still_ticks=rng.randint(1, 30_000),
        still_mdeg=rng.randint(0, 360_000),
        stall_flow_e4=rng.randint(1, 10_000),
        stall_ticks=rng.randint(1, TICKS_MAX),
        stall_mdeg=rng.randint(1, 360_000),
        reach_mm=rng.choice((0, rng.randint(1, 5_000), rng.randint(1, 65_535))),
    )


def _weight(rng: random.Random) -> int:
    return rng.choice((1, -1)) * rng.choice((1_000, rng.randint(1, 10_000)))


def random_coupled(rng: random.Random, joints: tuple[JointTable, ...]) -> tuple[CoupledStop, ...]:
    """Valid coupled stops of these joints, in their order; none where fewer than two of the joints have stops."""
    limited = [index for index, joint in enumerate(joints) if not joint.continuous]
    if len(limited) < 2:
        return ()
    stops = {}
    for _ in range(rng.randint(0, COUPLED_MAX)):
        a, b = sorted(rng.sample(limited, 2))
        weights = (_weight(rng), _weight(rng))
        farthest = rng.choice((720_000, 7_200_000))
        brake = _curve(
            rng,
            (0, rng.randint(10_000, farthest)),
            (0, rng.choice((200_000, 2_000_000))),
            order="rising",
            first_x_zero=True,
        )
        limit = rng.randint(-farthest, farthest)
        stops[(a, b, *weights, limit)] = CoupledStop(joints=(a, b), weights_e3=weights, limit_mdeg=limit, brake=brake)
    return tuple(stops[key] for key in sorted(stops))


def random_table(rng: random.Random, joint_count: int | None = None) -> Table:
    """A valid table with `joint_count` joints, else 1 to 16."""
    tick_hz = rng.choice(TICK_RATES)
    reset = sorted(rng.sample(range(1, TICKS_MAX + 1), 2))
    inputs = list(range(64))
    rng.shuffle(inputs)
    machine = MachineTable(
        tick_us=1_000_000 // tick_hz,
        tick_hz=tick_hz,
        late_us=rng.randint(0, 1_000_000 // tick_hz),
        pump_ml_min=rng.randint(1, 10_000_000),
        power_up_ticks=rng.randint(3, TICKS_MAX),
        discrepancy_ticks=rng.randint(1, 5 * tick_hz),
        reset_min_ticks=reset[0],
        reset_max_ticks=reset[1],
        load_ticks=rng.randint(0, TICKS_MAX),
        match_ticks=rng.randint(1, TICKS_MAX),
        authority_step_q16=rng.randint(1, 65_536),
        stop_category=rng.randint(0, 1),
        stop_ticks=rng.randint(0, 10 * tick_hz),  # at most 10 s
        release_ticks=rng.randint(0, 10 * tick_hz),
        tip_mdeg_mm_s=rng.choice((0, rng.randint(1, 100_000_000), rng.randint(1, 2_000_000_000))),
    )
    joints = tuple(random_joint(rng, inputs, tick_hz) for _ in range(joint_count or rng.randint(1, 16)))
    length = rng.randint(1, 16)
    return Table(
        machine_id="".join(chr(rng.randint(33, 126)) for _ in range(length)),
        revision=rng.randint(0, 65_535),
        tool_version=(rng.randint(0, 255), rng.randint(0, 255), rng.randint(0, 255)),
        profile_digest=rng.randbytes(32),
        machine=machine,
        joints=joints,
        coupled=random_coupled(rng, joints),
    )
