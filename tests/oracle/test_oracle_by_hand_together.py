"""Coupled stops and tip speed (L6c, L6f, L7f, L7g), and L3e's counter: the oracle against examples worked out by hand.

As in test_oracle_by_hand.py. Every joint stands at 50000 mdeg unless its test says otherwise; a follow joint with
gain 1 asks for its error as a speed. A change of a count comes through the median one tick later.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hand_table import (
    ANGLES,
    CLOSED,
    FREE_BRAKE,
    HELD,
    IDLE,
    ONE_TO_ONE,
    PRESSED,
    Q16,
    Bench,
    coupled,
    follow_joint,
    second,
    sensor,
    speed_joint,
)
from oracle_words import (
    AT_LIMIT,
    BRAKED,
    ENABLING,
    FAULT,
    FULL_SPEED,
    MATCHED,
    OPERATOR_DISAGREEMENT,
    POSITION_DISAGREEMENT,
    REDUCED,
    RUNNING,
    SHARED,
    STOPPED,
    STOPPING,
    TIP,
    Tick,
)

from mapper.table.table import CoupledStop, Curve, JointTable, Sensor, Track

HELD_REDUCED = CLOSED | ENABLING
FULL_LEVER = Curve(points=((1, -10_000), (499, 0), (501, 0), (1_000, 10_000)))


def lever_joint(speed: int, **changes: object) -> JointTable:
    """Count 1000 asks `speed` mdeg/s in either mode, count 1 as much the other way, count 500 nothing."""
    speeds = {"speed_full_mdeg_s": (speed, speed), "speed_reduced_mdeg_s": (speed, speed)}
    return speed_joint(**{"deadband": 0, "operator": sensor(0, FULL_LEVER), **speeds, **changes})


def two_tracks(first: int, other: int, **changes: object) -> Sensor:
    tracks = tuple(Track(input=analog, count_min=1, count_max=1_000, curve=ANGLES) for analog in (first, other))
    return replace(Sensor(tracks=tracks, step_max=100_000, disagreement=1_000, bad_ticks=3), **changes)


def running(*joints: JointTable, mode: int = FULL_SPEED, **changes: object) -> Bench:
    """Joint i on channels 2 i and 2 i + 1."""
    bench = Bench(*(second(joint, number) for number, joint in enumerate(joints)), **changes)
    bench.to_running()
    bench.tick(HELD if mode == FULL_SPEED else HELD_REDUCED)
    return bench


def ask(bench: Bench, *speeds_mdeg_s: int) -> Tick:
    """Moves the operator of each follow joint so that its error is the speed asked for; two ticks, for the median."""
    for number, speed in enumerate(speeds_mdeg_s):
        bench.counts[2 * number] = bench.counts[2 * number + 1] + speed // 100
    bench.tick()
    return bench.tick()


def pair(*stops: CoupledStop, **changes: object) -> Bench:
    return running(follow_joint(), follow_joint(), coupled=stops, **changes)


def wanted(tick: Tick) -> list[int]:
    assert [joint.speed for joint in tick.joints] == [joint.wanted for joint in tick.joints]  # nothing more in L7
    return [joint.wanted for joint in tick.joints]


def flagged(tick: Tick, flag: int) -> list[bool]:
    return [bool(joint.flags & flag) for joint in tick.joints]


# ---------------------------------------------------------------------------------------------------- L6c
@pytest.mark.parametrize(
    ("limit", "speeds", "braked"),
    [(104_000, [3_000, 1_000], True), (108_000, [6_000, 2_000], False), (107_999, [5_999, 1_999], True)],
)
def test_l6c_one_factor_brakes_both_joints(limit: int, speeds: list[int], braked: bool) -> None:
    """Limit 104000, both at 50000: room 4000, brake one to one: cap 4000. 6000 + 2000 = 8000 close: factor 1/2. Cap
    8000 is just enough. Cap 7999: factor floor(7999 * 65536 / 8000) = 65527; 6000 * 65527 / 65536 = 5999.2; 2000 *
    65527 / 65536 = 1999.7."""
    tick = ask(pair(coupled(limit, ONE_TO_ONE)), 6_000, 2_000)

    assert wanted(tick) == speeds
    assert flagged(tick, BRAKED) == [braked, braked]


def test_l6c_motion_away_is_not_set_against_motion_towards() -> None:
    """Cap 4000; 6000 closes, -5000 does not count and is not touched: factor floor(4000 * 65536 / 6000) = 43690, 6000
    * 43690 / 65536 = 3999.9. (Set against each other they would close by 1000 and nothing would be braked.)"""
    tick = ask(pair(coupled(104_000, ONE_TO_ONE)), 6_000, -5_000)

    assert wanted(tick) == [3_999, -5_000]
    assert flagged(tick, BRAKED) == [True, False]


@pytest.mark.parametrize(
    ("limit", "asked", "speeds", "braked"),
    [
        (100_001, (3_000, 0), [3_000, 0], [False, False]),
        (100_000, (3_000, 0), [0, 0], [True, False]),
        (100_000, (-3_000, 0), [-3_000, 0], [False, False]),
        (95_000, (-3_000, 3_000), [-3_000, 0], [False, True]),
        (95_000, (3_000, 3_000), [0, 0], [True, True]),
    ],
)
def test_l6c_at_and_beyond_the_stop_only_motion_back(
    limit: int, asked: tuple[int, int], speeds: list[int], braked: list[bool]
) -> None:
    """FREE_BRAKE allows 200000 mdeg/s at room 0 already; room 1 moves, room 0 and -5000 do not, whatever the curve
    says."""
    tick = ask(pair(coupled(limit, FREE_BRAKE)), *asked)

    assert wanted(tick) == speeds
    assert flagged(tick, BRAKED) == braked


@pytest.mark.parametrize(
    ("weights", "limit", "asked", "speed"),
    [
        ((1, 1), 101, 3_000, 0),
        ((1, 1), 102, 3_000, 3_000),
        ((1, 1), 102, 5_000, 3_999),
        ((-1, -1), -101, -3_000, 0),
        ((-1, -1), -99, -3_000, -3_000),
    ],
)
def test_l6c_room_is_rounded_down(weights: tuple[int, int], limit: int, asked: int, speed: int) -> None:
    """Joint 0 at 50100, joint 1 at 50000, weights of one thousandth: 100.1 mdeg. Limit 101: 0.9 left, so none. Limit
    102: 1.9, so 1; brake (0, 3) .. (10, 13): cap 4, in thousandths 4000: 3000 passes, 5000 gets factor floor(4000 *
    65536 / 5000) = 52428, 5000 * 52428 / 65536 = 3999.9. The other way -100.1: limit -101: -0.9, so -1: none; limit
    -99: 1.1, so 1."""
    bench = pair(coupled(limit, Curve(points=((0, 3), (10, 13))), weights))
    bench.counts[1] = 501

    assert wanted(ask(bench, asked, 0)) == [speed, 0]


@pytest.mark.parametrize(
    ("weights", "limit", "asked", "speeds"),
    [
        ((-1_000, 1_000), 1_000, (-2_000, 0), [-599, 0]),
        ((1_000, 1_000), 101_800, (0, 2_000), [0, 500]),
        ((1_000, -1_000), 1_000, (2_000, 0), [99, 0]),
    ],
)
def test_l6c_uses_the_worse_track_of_each_joint(
    weights: tuple[int, int], limit: int, asked: tuple[int, int], speeds: list[int]
) -> None:
    """Joint 0 reads 50000 and 50900, joint 1 reads 50000 and 50400. B - A <= 1000: 50400 - 50000 leaves 600: factor
    floor(600 * 65536 / 2000) = 19660, 2000 * 19660 / 65536 = 599.97. A + B <= 101800: 50900 + 50400 leaves 500: 1/4
    of 2000. A - B <= 1000: 50900 - 50000 leaves 100: factor floor(100 * 65536 / 2000) = 3276, 2000 * 3276 / 65536 =
    99.98."""
    first = follow_joint(position=two_tracks(1, 9))
    other = follow_joint(position=two_tracks(1, 10))
    bench = Bench(first, second(other), coupled=(coupled(limit, ONE_TO_ONE, weights),))
    bench.counts[9], bench.counts[10] = 509, 504
    bench.to_running()

    assert wanted(ask(bench, *asked)) == speeds


def test_l6c_weights_scale_what_a_joint_adds() -> None:
    """2 A + 0.5 B <= 126000 at 125000: cap 1000. 2 * 1000 + 0.5 * 4000 = 4000: factor 1/4."""
    tick = ask(pair(coupled(126_000, ONE_TO_ONE, (2_000, 500))), 1_000, 4_000)

    assert wanted(tick) == [250, 1_000]


def test_l6c_largest_weights_and_room() -> None:
    """10 A + 10 B <= 7200000 at 1000000: room 6200000; slope floor(65536 * 200000 / 7200000) = 1820, cap
    floor(6200000 * 1820 / 65536) = 172180. 10 * 10000 + 10 * 10000 = 200000: factor floor(172180 * 65536 / 200000) =
    56419; 10000 * 56419 / 65536 = 8608.9."""
    brake = Curve(points=((0, 0), (7_200_000, 200_000)))
    tick = ask(pair(coupled(7_200_000, brake, (10_000, 10_000))), 10_000, 10_000)

    assert wanted(tick) == [8_608, 8_608]


def test_l6c_stops_that_share_a_joint_act_in_the_table_s_order() -> None:
    """4000 each. A + B, cap 4000: 8000, so 2000 and 2000. Then A + C, cap 3000: 2000 + 4000 = 6000, so 1000 and 2000.
    (The other way round: 1500 and 1500 first, then 5500 > 4000: 1090 and 2909.)"""
    stops = (coupled(104_000, ONE_TO_ONE, joints=(0, 1)), coupled(103_000, ONE_TO_ONE, joints=(0, 2)))
    tick = ask(running(follow_joint(), follow_joint(), follow_joint(), coupled=stops), 4_000, 4_000, 4_000)

    assert wanted(tick) == [1_000, 2_000, 2_000]


def test_l6c_two_stops_on_one_pair() -> None:
    """A + B, cap 4000: 6000 and 2000 become 3000 and 1000. 2 A + B <= 153000 at 150000, cap 3000: 7000, factor
    floor(3000 * 65536 / 7000) = 28086: 3000 * 28086 / 65536 = 1285.7, 1000 * 28086 / 65536 = 428.6."""
    stops = (coupled(104_000, ONE_TO_ONE), coupled(153_000, ONE_TO_ONE, (2_000, 1_000)))

    assert wanted(ask(pair(*stops), 6_000, 2_000)) == [1_285, 428]


def test_l6c_comes_after_the_joints_own_limits() -> None:
    """A asks 30000, lowered to 10000 (L6a), then to 2000 by its own soft stop at 52000 (L6b). With B's 6000 that is
    8000, cap 4000: 1000 and 3000."""
    first = follow_joint(soft_stop_mdeg=(52_000, 0), brake=(ONE_TO_ONE, ONE_TO_ONE))
    tick = ask(running(first, follow_joint(), coupled=(coupled(104_000, ONE_TO_ONE),)), 30_000, 6_000)

    assert wanted(tick) == [1_000, 3_000]
    assert [joint.flags & ~MATCHED for joint in tick.joints] == [AT_LIMIT | BRAKED, BRAKED]


def test_l6c_comes_before_authority() -> None:
    """Step 1/4; running begins, 1/4 and 1/2 in the two ticks of `ask`. 8000 is braked to 3000 + 1000, then halved.
    (Halved first, 3000 + 1000 would pass.)"""
    bench = Bench(
        follow_joint(),
        second(follow_joint()),
        coupled=(coupled(104_000, ONE_TO_ONE),),
        authority_step_q16=Q16 // 4,
    )
    bench.to_running()

    assert wanted(ask(bench, 6_000, 2_000)) == [1_500, 500]


# ---------------------------------------------------------------------------------------------------- L7f
def coasting(**changes: object) -> Bench:
    """Joint 0 moves up at 4000 with 5000 left to a coupled stop of cap one to one; it slows by 100 a tick."""
    first = lever_joint(4_000, decelerate_mdeg_s=100, stop_mdeg_s=90, **changes)
    bench = running(first, lever_joint(4_000), coupled=(coupled(105_000, ONE_TO_ONE),))
    bench.tick(operator=1_000)
    assert bench.tick().joints[0].speed == 4_000
    return bench


def test_l7f_brakes_the_ramp_at_once() -> None:
    """At 53000 room is 2000: v = 2000; the ramp alone gives 3900; factor floor(2000 * 65536 / 3900) = 33608, 3900 *
    33608 / 65536 = 1999.99. Then up to 2000, and at 56000, beyond the stop, 0 at once."""
    bench = coasting()
    ticks = [bench.tick(position=count) for count in (530, 530, 530, 560, 560)]

    assert [tick.joints[0].wanted for tick in ticks] == [4_000, 2_000, 2_000, 2_000, 0]
    assert [tick.joints[0].speed for tick in ticks] == [4_000, 1_999, 2_000, 2_000, 0]
    assert [bool(tick.joints[0].flags & BRAKED) for tick in ticks] == [False, True, True, True, True]
    assert ticks[-1].joints[0].drive == 0


def test_l7f_acts_in_stopping_too() -> None:
    """Let go: 4000 - 90 = 3910 (room still 5000). At 53000: 3820, cap 2000: factor floor(2000 * 65536 / 3820) =
    34312, 3820 * 34312 / 65536 = 1999.998. Then 1909, below the cap."""
    bench = coasting()
    ticks = [bench.tick(IDLE, position=530) for _ in range(3)]

    assert [tick.state for tick in ticks] == [STOPPING] * 3
    assert [tick.joints[0].wanted for tick in ticks] == [0, 0, 0]
    assert [tick.joints[0].speed for tick in ticks] == [3_910, 1_999, 1_909]
    assert [bool(tick.joints[0].flags & BRAKED) for tick in ticks] == [False, True, False]


# ---------------------------------------------------------------------------------------------------- L6f
@pytest.mark.parametrize(
    ("mode", "tip", "speeds", "slowed"),
    [
        (REDUCED, 5_000_000, [3_333, 3_333, 4_000], [True, True, False]),
        (REDUCED, 5_999_999, [3_999, 3_999, 4_000], [True, True, False]),
        (REDUCED, 6_000_000, [4_000, 4_000, 4_000], [False, False, False]),
        (REDUCED, 0, [4_000, 4_000, 4_000], [False, False, False]),
        (FULL_SPEED, 5_000_000, [4_000, 4_000, 4_000], [False, False, False]),
    ],
)
def test_l6f_one_factor_for_what_moves_the_tip(mode: int, tip: int, speeds: list[int], slowed: list[bool]) -> None:
    """4000 * 1000 mm + 4000 * 500 mm = 6 million; the third joint's reach is 0. Limit 5 million: factor floor(65536 *
    5 / 6) = 54613, 4000 * 54613 / 65536 = 3333.3. One below 6 million: factor 65535, 3999.9. Exactly 6 million
    passes."""
    joints = [follow_joint(reach_mm=reach) for reach in (1_000, 500, 0)]
    tick = ask(running(*joints, mode=mode, tip_mdeg_mm_s=tip), 4_000, -4_000, 4_000)

    assert tick.mode == mode
    assert wanted(tick) == [speeds[0], -speeds[1], speeds[2]]
    assert flagged(tick, TIP) == slowed


def test_l6f_comes_after_authority() -> None:
    """Limit 3 million, reach 1000: 3000. At authority 1/2 the 4000 are 2000 already and pass. (The other way round:
    1500.)"""
    bench = Bench(follow_joint(reach_mm=1_000), tip_mdeg_mm_s=3_000_000, authority_step_q16=Q16 // 4)
    bench.to_running()
    bench.digital = HELD_REDUCED
    half = ask(bench, 4_000)
    bench.tick()
    full = bench.tick()

    assert (wanted(half), flagged(half, TIP)) == ([2_000], [False])
    assert (wanted(full), flagged(full, TIP)) == ([3_000], [True])


def test_l6f_comes_before_the_pump_is_shared() -> None:
    """4000 becomes 2000, which needs 2000 * 10000 = 20 million, just what the pump gives: nothing to share."""
    bench = running(follow_joint(reach_mm=1_000), mode=REDUCED, tip_mdeg_mm_s=2_000_000, pump_ml_min=2_000)
    tick = ask(bench, 4_000)

    assert (wanted(tick), tick.share_q16, flagged(tick, SHARED)) == ([2_000], Q16, [False])


# ---------------------------------------------------------------------------------------------------- L7g
@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("mode", [REDUCED, FULL_SPEED])
def test_l7g_while_one_joint_slows_none_gains(mode: int, way: int) -> None:
    """Limit 4.5 million, reach 1000, 1000 and 0; up by 1000 a tick, down by 500. The first slows 3500, 3000, ..; the
    second may gain to 1000 (3500 + 1000 is exactly the limit), not to 2000 beside 3000, to 2000 beside 2500, and so
    on; the third is free. In full mode nothing is held."""
    ramps = {"accelerate_mdeg_s": 1_000, "decelerate_mdeg_s": 500}
    joints = [lever_joint(4_000, reach_mm=reach, **ramps) for reach in (1_000, 1_000, 0)]
    bench = running(*joints, mode=mode, tip_mdeg_mm_s=4_500_000)
    bench.counts[0] = 1_000
    for _ in range(5):
        bench.tick()
    bench.counts[0], bench.counts[2], bench.counts[4] = 500, 1_000 if way > 0 else 1, 1_000
    begun = bench.tick()
    ticks = [bench.tick() for _ in range(8)]
    gains = [1_000, 1_000, 2_000, 2_000, 3_000, 3_000, 4_000, 4_000]
    held = [False, True, False, True, False, True, False, False]
    if mode == FULL_SPEED:
        gains, held = [1_000, 2_000, 3_000, 4_000, 4_000, 4_000, 4_000, 4_000], [False] * 8

    assert [joint.speed for joint in begun.joints] == [4_000, 0, 0]
    assert [tick.joints[0].speed for tick in ticks] == [3_500, 3_000, 2_500, 2_000, 1_500, 1_000, 500, 0]
    assert [tick.joints[1].speed for tick in ticks] == [way * gain for gain in gains]
    assert [tick.joints[2].speed for tick in ticks] == [1_000, 2_000, 3_000, 4_000, 4_000, 4_000, 4_000, 4_000]
    assert [flagged(tick, TIP) for tick in ticks] == [[False, each, False] for each in held]


def test_l7g_after_the_mode_has_dropped_all_ramp_down() -> None:
    """The first at 8000 in full mode, the second about to begin when the mode drops. Reduced 5000 and 1000, reach
    1000: 6 million over a limit of 4 million: factor 43690, so 3333 and 666 are wanted. The first slows by 1000 a
    tick; the second (500 a tick) stays at 0 beside 7000 .. 4000 (4500 is still above) and begins beside 3333: 3833,
    then 3333 + 666."""
    first = lever_joint(5_000, speed_full_mdeg_s=(8_000, 8_000), decelerate_mdeg_s=1_000, reach_mm=1_000)
    bench = running(first, lever_joint(1_000, accelerate_mdeg_s=500, reach_mm=1_000), tip_mdeg_mm_s=4_000_000)
    bench.counts[0] = 1_000
    bench.tick()
    bench.tick()
    bench.counts[2] = 1_000
    assert [joint.speed for joint in bench.tick().joints] == [8_000, 0]
    ticks = [bench.tick(HELD_REDUCED) for _ in range(6)]

    assert {tuple(joint.wanted for joint in tick.joints) for tick in ticks} == {(3_333, 666)}
    assert [tick.joints[0].speed for tick in ticks] == [7_000, 6_000, 5_000, 4_000, 3_333, 3_333]
    assert [tick.joints[1].speed for tick in ticks] == [0, 0, 0, 0, 500, 666]


def test_l7g_looks_at_what_the_coupled_stops_left() -> None:
    """The first coasts at 4000 (down by 100 a tick) when its room falls to 1000; the second begins the other way by
    2000 a tick. L7a: 3900 and -2000, 5900 over a limit of 5000. L7f: factor floor(1000 * 65536 / 3900) = 16804, 3900
    * 16804 / 65536 = 999.99; 999 + 2000 is within the limit, so the second is not held."""
    first = lever_joint(4_000, decelerate_mdeg_s=100, reach_mm=1_000)
    other = lever_joint(4_000, accelerate_mdeg_s=2_000, reach_mm=1_000)
    stop = coupled(105_000, ONE_TO_ONE)
    bench = running(first, other, mode=REDUCED, tip_mdeg_mm_s=5_000_000, coupled=(stop,))
    bench.tick(operator=1_000)
    bench.tick()
    bench.counts[2] = 1
    bench.tick(position=540)
    tick = bench.tick()

    assert [joint.wanted for joint in tick.joints] == [1_000, -4_000]
    assert [joint.speed for joint in tick.joints] == [999, -2_000]
    assert (flagged(tick, BRAKED), flagged(tick, TIP)) == ([True, False], [False, False])


# ---------------------------------------------------------------------------------------------------- L3e
def test_l3e_tracks_apart_by_exactly_the_limit_agree() -> None:
    """Five counts are 500 mdeg: allowed 500 for ever; 499 is passed in the tick in which the median shows it, and
    bad_ticks 2 makes a fault of it one tick later."""
    for disagreement, states in ((500, [STOPPED] * 4), (499, [STOPPED, STOPPED, FAULT, FAULT])):
        bench = Bench(follow_joint(position=two_tracks(1, 5, disagreement=disagreement, bad_ticks=2)))
        for _ in range(3):
            bench.tick()
        bench.counts[5] = 505

        assert [bench.tick().state for _ in range(4)] == states


@pytest.mark.parametrize(("disagreement", "state"), [(360, STOPPED), (359, FAULT)])
def test_l3e_two_tracks_of_a_continuous_joint_differ_the_short_way(disagreement: int, state: int) -> None:
    """Counts 1 and 1000 are -180000 and 179640: 359640 apart the long way, 360 the short way."""
    turn = Curve(points=((1, -180_000), (1_000, 179_640)))
    tracks = tuple(Track(input=analog, count_min=1, count_max=1_000, curve=turn) for analog in (1, 5))
    position = Sensor(tracks=tracks, step_max=100_000, disagreement=disagreement, bad_ticks=2)
    bench = Bench(follow_joint(continuous=True, position=position))
    bench.counts[1], bench.counts[5] = 1, 1_000

    assert [bench.tick().state for _ in range(4)][-1] == state


@pytest.mark.parametrize("side", ["operator", "position"])
@pytest.mark.parametrize(
    ("bad_ticks", "apart", "agree", "first_fault"),
    [(4, 3, 2, 9), (3, 2, 2, None), (3, 3, 9, 4), (4, 3, 3, None), (2, 2, 9, 3)],
)
def test_l3e_what_comes_and_goes_adds_up(
    bad_ticks: int, apart: int, agree: int, first_fault: int | None, side: str
) -> None:
    """The median shows each run one tick late. bad_ticks 4, three apart and two in agreement: 0, 1 2 3, 2 1, 2 3 4: a
    fault in the ninth tick; a counter that agreement set to 0 would go 1 2 3 0 0 1 2 3 for ever. As many that agree
    as do not never add up: 1 2 1 0. One run long enough: 0, 1 2 3."""
    table = two_tracks(0 if side == "operator" else 1, 9, disagreement=499, bad_ticks=bad_ticks)
    bench = Bench(follow_joint(**{side: table}))
    bench.to_running()
    ticks = []
    for count in ([505] * apart + [500] * agree) * 4:
        bench.counts[9] = count
        ticks.append(bench.tick())
    states = [tick.state for tick in ticks]

    assert (states.index(FAULT) + 1 if FAULT in states else None) == first_fault
    assert set(states[: (first_fault or 99) - 1]) == {RUNNING}
    if first_fault:
        expected = OPERATOR_DISAGREEMENT if side == "operator" else POSITION_DISAGREEMENT
        assert (ticks[first_fault - 1].cause, ticks[first_fault - 1].enable) == (expected, 0)


def test_l3e_falls_while_a_track_is_not_primed() -> None:
    """bad_ticks 5. Three counts apart, a tick late: 0 1 2. Lost: the values stay apart: 3 4 5 (a fault), 5. In the
    fifth lost tick the track is no longer primed: 4, 3, 2. Back in agreement: 1, 0, 0."""
    bench = Bench(follow_joint(position=two_tracks(1, 9, disagreement=499, bad_ticks=5)))
    for _ in range(4):
        bench.tick()
    counted, ticks = [], []
    for count in [505] * 3 + [2_000] * 7 + [500] * 3:
        bench.counts[9] = count
        ticks.append(bench.tick())
        counted.append(bench.oracle.joints[0].position.apart)

    assert counted == [0, 1, 2, 3, 4, 5, 5, 4, 3, 2, 1, 0, 0]
    assert [tick.state for tick in ticks[:6]] == [STOPPED] * 5 + [FAULT]
    assert ticks[5].cause == POSITION_DISAGREEMENT


def test_l3e_a_fault_left_early_leaves_the_rest_of_the_counter() -> None:
    """bad_ticks 4. Apart: 0 1 2 3 4, a fault in the fifth tick. In agreement, a tick late, while reset is pressed and
    let go: 4 3 2, so the cause is gone and the state is stopped. Apart again: 1 2 3 4, a fault in the fourth tick
    (from 0 it would be the fifth)."""
    bench = Bench(follow_joint(position=two_tracks(1, 9, disagreement=499, bad_ticks=4)))
    for _ in range(4):
        bench.tick()
    script = [(505, IDLE)] * 5 + [(500, PRESSED), (500, PRESSED), (500, IDLE)] + [(505, IDLE)] * 4
    counted, states = [], []
    for count, digital in script:
        bench.counts[9] = count
        states.append(bench.tick(digital).state)
        counted.append(bench.oracle.joints[0].position.apart)

    assert counted == [0, 1, 2, 3, 4, 4, 3, 2, 1, 2, 3, 4]
    assert states == [STOPPED] * 4 + [FAULT] * 3 + [STOPPED] * 4 + [FAULT]
