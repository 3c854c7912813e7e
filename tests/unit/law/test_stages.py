"""Single functions of the compiled law, called directly: ends and widths that no valid table or tick need ever reach.

What is expected is written down from the rules in law.h and the contract in curve.h, in whole numbers.
"""

from __future__ import annotations

import ctypes
import itertools
import random
import struct
from collections.abc import Sequence

import hand_table
import numpy as np
import pytest

from mapper.law import CAUSES, STATES, load_core
from mapper.law.core import OUT_HEAD, OUT_JOINT, LiveTable
from mapper.table import encode_table
from mapper.table.table import Curve, JointTable

POINTS_MAX = 12
INT32_MAX = 2_147_483_647
TURN = 360_000


class CurveBlock(ctypes.Structure):
    """curve_t of curve.h."""

    _fields_ = (
        ("x", ctypes.c_int32 * POINTS_MAX),
        ("y", ctypes.c_int32 * POINTS_MAX),
        ("slope_q16", ctypes.c_int32 * POINTS_MAX),
        ("count", ctypes.c_int32),
    )


def block(points: Sequence[tuple[int, int]], count: int | None = None) -> CurveBlock:
    made = CurveBlock(count=len(points) if count is None else count)
    for index, (x, y) in enumerate(points):
        made.x[index], made.y[index] = x, y
    return made


def prepared(curve: CurveBlock) -> bool:
    function = load_core().library.curve_prepare
    function.restype = ctypes.c_bool
    return bool(function(ctypes.byref(curve)))


def by_rule(points: Sequence[tuple[int, int]], x: int) -> int:
    """L2; Python's // rounds down."""
    if x <= points[0][0]:
        return points[0][1]
    if x >= points[-1][0]:
        return points[-1][1]
    (x0, y0), (x1, y1) = next(pair for pair in itertools.pairwise(points) if pair[0][0] <= x < pair[1][0])
    value = y0 + (x - x0) * (65_536 * (y1 - y0) // (x1 - x0)) // 65_536
    return min(max(value, min(y0, y1)), max(y0, y1))


@pytest.mark.parametrize(
    "angle", [half * TURN // 2 + off for half in range(-3, 4) for off in (-1, 0, 1)] + [-2 * TURN, 2 * TURN]
)
def test_an_angle_is_wrapped_by_as_many_turns_as_the_rule_allows(angle):
    """L2w: once, twice or not at all, into -180000 <= a < 180000."""
    assert load_core().library.angle_wrap(angle) == (angle + TURN // 2) % TURN - TURN // 2


@pytest.mark.parametrize("count", [-1, 0, 1, 13, 200])
def test_a_curve_with_too_few_or_too_many_points_is_refused(count):
    assert not prepared(block([(0, 0), (10, 10)], count))


@pytest.mark.parametrize("second", [0, -1, -INT32_MAX])
def test_a_curve_whose_x_does_not_rise_is_refused(second):
    assert not prepared(block([(0, 0), (second, 10), (20, 20)]))
    assert not prepared(block([(-5, 0), (0, 1), (second, 10)]))


@pytest.mark.parametrize(
    ("points", "fits"),
    [
        ([(0, 0), (65_536, INT32_MAX)], True),  # a slope of 2^31 - 1
        ([(0, 0), (1, 32_767)], True),
        ([(0, 0), (1, 32_768)], False),  # 2^31
        ([(0, 32_768), (1, 0)], True),  # -2^31
        ([(0, 32_769), (1, 0)], False),
        ([(0, 32_768 * 2 + 1), (2, 0)], False),  # -2^31 - 32768
        ([(0, 0), (1, INT32_MAX)], False),
        ([(0, INT32_MAX), (1, -INT32_MAX)], False),
    ],
)
def test_a_slope_that_leaves_32_bits_is_refused_and_one_that_just_fits_is_taken(points, fits):
    assert prepared(block(points)) is fits


def test_a_slope_is_rounded_down_on_either_side_of_zero():
    curve = block([(0, 0), (3, 1), (6, 0), (9, 0), (12, -3), (15, -2)])

    assert prepared(curve)
    assert list(curve.slope_q16[:5]) == [21_845, -21_846, 0, -65_536, 21_845]


def test_a_curve_of_any_shape_is_the_rule_at_every_point_and_beside_it():
    rng = random.Random(7)
    curve_at = load_core().library.curve_at
    for _ in range(150):
        width = rng.choice((1, 3, 50, 5_000, 60_000))
        count = rng.randint(2, POINTS_MAX)
        x, points = rng.randint(-360_000, 0), []
        for _ in range(count):
            points.append((x, rng.randint(0, width * 20_000)))
            x += rng.randint(width, width * 3)
        curve = block(points)
        assert prepared(curve)
        near = [at + off for at, _ in points for off in (-1, 0, 1)]
        for at in (*near, *(rng.randint(points[0][0] - 5, points[-1][0] + 5) for _ in range(20))):
            assert curve_at(ctypes.byref(curve), at) == by_rule(points, at), (points, at)
    assert load_core().assert_line() == 0


def stop_of(weights_e3: tuple[int, int], limit_mdeg: int) -> LiveTable:
    """Two follow joints and a stop whose cap is a hundred times its room."""
    brake = Curve(points=((0, 0), (1_000, 100_000)))
    stop = hand_table.coupled(limit_mdeg, brake, weights_e3)
    joints = (hand_table.follow_joint(), hand_table.second(hand_table.follow_joint()))
    return load_core().table(encode_table(hand_table.table(*joints, coupled=(stop,))))


@pytest.mark.parametrize(
    ("position", "speed", "expected"),
    [
        ((9_999, 0), (100, 0), (100, 0)),  # room 1 mdeg: the cap is 100
        ((9_999, 0), (400, 0), (100, 0)),
        ((9_999, 1), (400, 0), (0, 0)),  # room 0.999 mdeg, rounded down: 0
        ((10_000, 0), (1, 0), (0, 0)),
        ((10_000, 0), (0, 1), (0, 0)),  # a sum of one thousandth
        ((10_000, 0), (1, 1), (0, 0)),
        ((10_000, 0), (-1, 1), (-1, 0)),
        ((10_000, 0), (1, -1), (0, -1)),
        ((10_000, 0), (-1, -1), (-1, -1)),
        ((10_001, 0), (0, 0), (0, 0)),
    ],
)
def test_a_coupled_stop_at_the_last_thousandth(position, speed, expected):
    """L6c with the weights 1 and 0.001: what closes by least, at the least room that there is."""
    live = stop_of((1_000, 1), 10_000)
    arrays = [[value] for value in (*position, *speed)]

    lowered = live.coupled(0, (arrays[0], arrays[1]), (arrays[2], arrays[3]))

    assert tuple(int(values[0]) for values in lowered) == expected
    assert load_core().assert_line() == 0


def live_of(*joints: JointTable, **changes: int) -> LiveTable:
    return load_core().table(encode_table(hand_table.table(*joints, **changes)))


def test_a_share_of_one_ten_thousandth_has_the_speed_of_its_own_direction():
    """L5b: 1 * 200000 div 10000 = 20, -1 * 100000 div 10000 = -10."""
    live = live_of(hand_table.speed_joint(speed_full_mdeg_s=(200_000, 100_000)))

    assert live.target_speed(0, 1, [1, 0, -1], [0, 0, 0]).tolist() == [20, 0, -10]


def test_one_millidegree_before_a_soft_stop_the_braking_curve_still_counts():
    """L6b: room 1 is above 0; the curve allows 7 + 1."""
    curve = Curve(points=((0, 7), (1_000, 1_007)))
    live = live_of(hand_table.follow_joint(brake=(curve, curve), soft_stop_mdeg=(90_000, 10_000)))

    assert live.limit(0, 1, [500] * 4, [89_998, 89_999, 90_000, 90_001]).tolist() == [9, 8, 0, 0]
    assert live.limit(0, 1, [-500] * 4, [10_002, 10_001, 10_000, 9_999]).tolist() == [-9, -8, 0, 0]
    assert live.limit(0, 1, [1, -1], [90_000, 10_000]).tolist() == [0, 0]  # the least speed that there is


def test_a_gap_of_one_millidegree_holds_the_joint_beyond_it():
    """L5a: gap_mdeg 1 is a gap, 0 is none. Gain 1."""
    live = live_of(hand_table.follow_joint(gap_mdeg=1))
    free = live_of(hand_table.follow_joint(gap_mdeg=0))

    assert live.target_speed(0, 1, [-2, -1, 0, 1, 2], [0] * 5).tolist() == [0, -1, 0, 1, 0]
    assert free.target_speed(0, 1, [-2, 2], [0, 0]).tolist() == [-2, 2]


def test_a_speed_that_the_clamp_of_the_flow_takes_to_zero_has_no_flow():
    """L7d: flow 32767 is above 1; floor(1 * 65536 / (2^31 - 1)) = 0, and no direction, no flow."""
    steep = Curve(points=((0, INT32_MAX), (100_000, INT32_MAX)))
    live = live_of(hand_table.follow_joint(flow_per_speed_q16=(steep, steep), flow_max_e4=(1, 1)))

    flow, speed = live.flow(0, [1, -1, 0], [500, 500, 500])

    assert (flow.tolist(), speed.tolist()) == ([0, 0, 0], [0, 0, 0])


def test_the_start_does_not_depend_on_what_was_in_the_memory():
    live = live_of(hand_table.follow_joint())
    fresh, used = live.start(), live.start()
    used.load(b"\xa5" * len(bytes(used)))

    load_core().library.bench_start(used.buffer)

    assert bytes(used) == bytes(fresh)


def test_an_assertion_that_fails_within_a_tick_takes_every_drive_and_the_enable_output_away_in_that_tick():
    """The speed that is kept is overwritten with one that no joint may have: every drive of this tick is zero, not only
    of the next one, in which the assertion is a fault (L9a)."""
    bench = hand_table.Bench(
        hand_table.speed_joint(accelerate_mdeg_s=1_234), hand_table.second(hand_table.speed_joint())
    )
    bench.to_running()
    bench.counts[hand_table.OPERATOR] = bench.counts[2] = 900
    for _ in range(3):
        last = bench.tick()
    assert last.joints[0].drive == 2_468
    assert last.joints[1].drive > 0
    live = load_core().table(encode_table(bench.table))
    state = live.start()
    rows = np.array(bench.rows, dtype=np.int32)
    assert live.run(state, rows)[-1, OUT_HEAD + 5] == 2_468
    kept = bytes(state)
    wrong = kept.replace(struct.pack("<i", 2_468), struct.pack("<i", 200_002), 1)  # the first is the speed, in mdeg/s
    state.load(wrong)

    try:
        ticks = live.run(state, rows[-2:])
        failed = load_core().assert_line()
    finally:
        load_core().assert_clear()

    assert failed
    assert not ticks[:, OUT_HEAD + 5 :: OUT_JOINT].any()
    assert ticks[0, 0] == STATES.index("running")
    assert not ticks[:, 4].any()
    assert ticks[1, 0] == STATES.index("fault")
    assert ticks[1, 1] == CAUSES.index("assertion")


def test_what_is_added_for_the_operator_s_speed_ends_where_the_error_alone_asks_for_everything():
    """L5a with gain 1 and feed 1, at most 10000 and 8000: at the error that asks for exactly that the feed is 0."""
    live = live_of(hand_table.follow_joint(feed_q16=65_536, speed_full_mdeg_s=(10_000, 8_000)))

    got = live.target_speed(0, 1, [9_999, 10_000, 10_001, -7_999, -8_000, -8_001], [5, 5, 5, -5, -5, -5])

    assert got.tolist() == [10_004, 10_000, 10_001, -8_004, -8_000, -8_001]


def test_a_reach_of_one_millimetre_is_a_reach():
    """L6f: floor(10 * 65536 / 20) = 32768, half of 20. L7g: 20 is above 10, so that 5 stays 5. Reach 0 stays."""
    joints = (hand_table.follow_joint(reach_mm=1), hand_table.second(hand_table.follow_joint(reach_mm=0)))
    live = live_of(*joints, tip_mdeg_mm_s=10)

    assert live.tip_scale([[20, 7]]).tolist() == [[10, 7]]
    assert live.tip_hold([[5, 5]], [[20, 7]]).tolist() == [[5, 7]]


def test_a_tip_that_is_too_fast_gains_nothing_in_any_of_sixteen_joints():
    """L7g: 16 * 2 is above 10, and no joint may be faster than it was."""
    live = live_of(*(hand_table.second(hand_table.follow_joint(reach_mm=1), n) for n in range(16)), tip_mdeg_mm_s=10)

    assert live.tip_hold([[1] * 16], [[2] * 15 + [1]]).tolist() == [[1] * 16]
