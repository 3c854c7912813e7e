"""The oracle against examples worked out by hand from THE RULES of firmware_stub/core/law.h; each names its rule.

Goal: a slip in the oracle is noticed even where the compiled core shares it. The arithmetic of every expected number
stands in the test's docstring.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest
from hand_table import (
    ANGLES,
    IDLE,
    LEVEL,
    PRESSED,
    Q16,
    Bench,
    follow_joint,
    ramp_bench,
    sensor,
    speed_joint,
)
from law_oracle import Oracle
from oracle_words import (
    AT_LIMIT,
    BRAKED,
    FAULT,
    FLOW,
    MATCHED,
    OPERATOR_COUNTS,
    POSITION_COUNTS,
    POWERING_UP,
    RUNNING,
    SHARED,
    STOPPED,
    STOPPING,
    CurveReader,
    SensorState,
    new_counter,
)
from oracle_words import HELD as HELD_BY_GAP

from mapper.table.table import Curve, Sensor, Track


def curve(*points: tuple[int, int]) -> CurveReader:
    return CurveReader(Curve(points=points), new_counter())


def two_tracks(disagreement: int, bad_ticks: int = 2) -> Sensor:
    tracks = tuple(Track(input=analog, count_min=1, count_max=1_000, curve=ANGLES) for analog in (1, 5))
    return Sensor(tracks=tracks, step_max=100_000, disagreement=disagreement, bad_ticks=bad_ticks)


def test_l2_rising_curve_rounds_down_and_holds_its_ends() -> None:
    """Slope floor(65536 * 100 / 3) = 2184533; at 1: 2184533 / 65536 = 33.3.. -> 33; at 2: 66.6.. -> 66."""
    reader = curve((0, 0), (3, 100))

    assert [reader.at(x) for x in (-7, 0, 1, 2, 3, 900)] == [0, 0, 33, 66, 100, 100]


def test_l2_falling_curve_rounds_down_too() -> None:
    """Slope floor(-2184533.3) = -2184534; at 1: floor(-33.33) = -34; at 2: floor(-66.67) = -67."""
    reader = curve((0, 0), (3, -100))

    assert [reader.at(x) for x in (-7, 0, 1, 2, 3, 900)] == [0, 0, -34, -67, -100, -100]


def test_l2_a_rounded_slope_never_leaves_the_two_values() -> None:
    """Slope floor(-65536 / 200000) = -1; at 199999: 10 + floor(-199999 / 65536) = 10 - 4 = 6, held to 9.
    At 65536: 10 + floor(-1) = 9."""
    reader = curve((0, 10), (200_000, 9))

    assert [reader.at(x) for x in (0, 1, 65_536, 199_999)] == [10, 9, 9, 9]


def test_l2w_wrap_takes_the_short_way_round() -> None:
    oracle = Oracle(Bench(follow_joint()).table)

    assert [oracle.wrap(a) for a in (179_999, 180_000, -180_000, -180_001, 540_000, 719_999)] == [
        179_999, -180_000, -180_000, 179_999, -180_000, -1,
    ]  # fmt: skip
    assert oracle.difference(True, 179_000, -179_000) == -2_000  # 358 degrees ahead is 2 degrees back
    assert oracle.difference(False, 179_000, -179_000) == 358_000


def test_l3c_median_of_three_drops_a_single_odd_count() -> None:
    """Counts 500 500 900 510 520: medians 500, 500, 500 of (900 500 500), 510 of (510 900 500), 520 of (520 510
    900)."""
    bench = Bench(follow_joint())
    positions = [bench.tick(position=count).joints[0].position for count in (500, 500, 900, 510, 520)]

    assert positions == [50_000, 50_000, 50_000, 51_000, 52_000]


def test_l3d_a_step_is_held_then_a_fault_then_started_anew() -> None:
    """step_max 5000 is 50 counts; 500 -> 700 is 20000: bad 1, 2, 3; at bad_ticks 3 the track is no longer primed
    and the fault is there; the fourth 700 starts it anew, so the value is 70000 at once, and the bad counter falls to
    2: the cause is gone (the state stays fault, L10n)."""
    joint = follow_joint(position=sensor(1, ANGLES, step_max=5_000, bad_ticks=3))
    bench = Bench(joint)
    for _ in range(4):
        assert bench.tick().state in (POWERING_UP, STOPPED)
    seen = [bench.tick(position=700) for _ in range(4)]

    assert [tick.joints[0].position for tick in seen] == [50_000, 50_000, 50_000, 70_000]
    assert [tick.state for tick in seen] == [STOPPED, STOPPED, FAULT, FAULT]
    assert (seen[2].cause, seen[2].cause_joint) == (POSITION_COUNTS, 0)


@pytest.mark.parametrize("side", ["operator", "position"])
def test_l3c_samples_lost_again_and_again_add_up_to_a_fault(side: str) -> None:
    """bad_ticks 6; four lost, one good, over and over. Bad counter 1 2 3 4, 3 (the good one), 4 5 6: the fault is in
    the eighth tick, the third lost one of the second run, though no run is longer than four. A counter that a good
    sample set to 0 would go 1 2 3 4 0 for ever."""
    joint = follow_joint(operator=sensor(0, ANGLES, bad_ticks=6), position=sensor(1, ANGLES, bad_ticks=6))
    bench = Bench(joint)
    bench.to_running()
    counts = [2_000, 2_000, 2_000, 2_000, 500] * 4
    ticks = [bench.tick(**{side: count}) for count in counts[:8]]
    cause = POSITION_COUNTS if side == "position" else OPERATOR_COUNTS

    assert [tick.state for tick in ticks] == [RUNNING] * 7 + [FAULT]
    assert (ticks[7].cause, ticks[7].cause_joint, ticks[7].enable) == (cause, 0, 0)


@pytest.mark.parametrize(("lost", "good", "first_fault"), [(2, 1, 5), (2, 2, None), (1, 1, None), (3, 9, 3)])
def test_l3c_as_many_good_samples_as_lost_ones_never_add_up(lost: int, good: int, first_fault: int | None) -> None:
    """bad_ticks 3. Two lost, one good: 1 2 1 2 3, a fault in tick 5. Two and two: 1 2 1 0, again. One and one: 1 0,
    again. Three lost: 1 2 3, a fault in tick 3."""
    bench = Bench(follow_joint())
    bench.to_running()
    counts = ([2_000] * lost + [500] * good) * 8
    states = [bench.tick(position=count).state for count in counts]

    assert (states.index(FAULT) + 1 if FAULT in states else None) == first_fault


def test_l3c_one_good_sample_forgives_only_one_bad_one() -> None:
    """bad_ticks 3, step_max 50 counts. Three lost: bad counter 3, no longer primed. 700: started anew, 70000, bad
    counter 2. One lost: 3 again, no longer primed again. 300: started anew, so 30000 at once. (Were the counter 0 after
    the 700, the track would still be primed, and the step of 40000 to 300 not believed.)"""
    bench = Bench(follow_joint(position=sensor(1, ANGLES, step_max=5_000, bad_ticks=3)))
    for _ in range(4):
        bench.tick()
    seen = [bench.tick(position=count).joints[0].position for count in (2_000, 2_000, 2_000, 700, 2_000, 300)]

    assert seen == [50_000, 50_000, 50_000, 70_000, 70_000, 30_000]


def test_l3c_a_fault_left_early_leaves_the_rest_of_the_bad_counter() -> None:
    """bad_ticks 6, power_up_ticks 3: six lost are a fault, bad counter 6. Three good samples while reset is pressed and
    let go: ready, bad counter 3, and the state is stopped. Three lost: 4, 5, 6, so the fault is back in the third."""
    bench = Bench(follow_joint(position=sensor(1, ANGLES, bad_ticks=6)))
    for _ in range(3):
        bench.tick()
    lost = [bench.tick(position=2_000).state for _ in range(6)]
    good = [bench.tick(digital, position=500).state for digital in (PRESSED, PRESSED, IDLE)]
    again = [bench.tick(position=2_000).state for _ in range(3)]

    assert lost == [STOPPED] * 5 + [FAULT]
    assert good == [FAULT, FAULT, STOPPED]
    assert again == [STOPPED, STOPPED, FAULT]


def test_l3c_oldest_reading_of_a_contact_that_fails_twice() -> None:
    """bad_ticks 6, one count a tick; tick 0 gives count 500, the median of 500 499 498 is 499, one tick old. Ticks 1 to
    4 lost (bad counter 4): still 499. Tick 5 good (505, bad counter 3): the median of 505 500 499 is 500, five ticks
    old. Ticks 6 and 7 lost (bad counter 5): still 500, seven ticks old. Tick 8 good (508, bad counter 4): the median of
    508 505 500 is 505. Seven is bad_ticks + 1; a lost tick 8 would be the fault."""
    bench = Bench(follow_joint(position=sensor(1, ANGLES, bad_ticks=6)))
    for count in (496, 497, 498, 499, 500):
        bench.tick(position=count)
    counts = (2_000, 2_000, 2_000, 2_000, 505, 2_000, 2_000, 508)
    ticks = [bench.tick(position=count) for count in counts]

    assert [tick.joints[0].position for tick in ticks] == [49_900] * 4 + [50_000] * 3 + [50_500]
    assert [tick.state for tick in ticks] == [STOPPED] * 8


@pytest.mark.parametrize(("bad_ticks", "oldest"), [(1, 1), (2, 3), (3, 4), (4, 5), (5, 6)])
def test_l3c_a_reading_without_a_fault_is_at_most_one_tick_older_than_bad_ticks(bad_ticks: int, oldest: int) -> None:
    """Every order of lost and good samples, 12 ticks long, on a joint that moves one count a tick: how old the reading
    of a tick without a fault gets. r lost, one good (whose median is still the sample before the loss), s lost: age r +
    1 + s; no fault while r + s - 1 <= bad_ticks - 1; so bad_ticks + 1 where both r and s are at least 1. At bad_ticks 1
    nothing may be lost, and 1 is the median's tick."""
    table = sensor(0, ANGLES, bad_ticks=bad_ticks)
    oracle, found = Oracle(Bench(follow_joint()).table), 0
    for lost in product((False, True), repeat=12):
        state = SensorState(table, False, new_counter())
        for tick, is_lost in enumerate((False, False, False, *lost)):
            oracle.sense(state, [2_000 if is_lost else 100 + tick])
            if state.counts_bad():
                break
            found = max(found, tick - (state.value // 100 - 100))

    assert found == oldest


def test_l3d_a_step_of_exactly_the_limit_is_believed() -> None:
    joint = follow_joint(position=sensor(1, ANGLES, step_max=5_000))
    bench = Bench(joint)
    for _ in range(4):
        bench.tick()
    bench.tick(position=550)

    assert bench.tick(position=600).joints[0].position == 55_000  # median of 600 550 500
    assert bench.tick(position=651).joints[0].position == 55_000  # 5100 more: held


def test_l3f_soft_stops_use_the_worse_track() -> None:
    """Tracks at 50000 and 50900, upper soft stop 51000, brake one to one: room is 100, so 100 mdeg/s; downward the
    lower track counts: room 50000 - 49000 = 1000."""
    one_to_one = Curve(points=((0, 0), (50_000, 50_000)))
    joint = follow_joint(position=two_tracks(1_000), soft_stop_mdeg=(51_000, 49_000), brake=(one_to_one, one_to_one))
    bench = Bench(joint)
    bench.counts[5] = 509
    bench.to_running()
    up = [bench.tick(operator=600).joints[0].wanted for _ in range(2)]
    down = [bench.tick(operator=400).joints[0].wanted for _ in range(2)]

    assert (up, down) == ([0, 100], [100, -1_000])


def test_l4_the_filter_waits_for_every_track_of_the_operator() -> None:
    """The second track is out of its window for two ticks: demand and target stay 0, then start at the value at
    once."""
    tracks = tuple(Track(input=analog, count_min=10, count_max=1_000, curve=ANGLES) for analog in (0, 5))
    operator = Sensor(tracks=tracks, step_max=100_000, disagreement=1_000, bad_ticks=5)
    bench = Bench(follow_joint(operator=operator, filter_q16=1))
    bench.counts[5] = 5
    targets = [bench.tick().joints[0] for _ in range(2)]
    bench.counts[5] = 500
    targets.append(bench.tick().joints[0])

    assert [joint.target for joint in targets] == [0, 0, 50_000]
    assert [bool(joint.flags & MATCHED) for joint in targets] == [False, False, True]


def test_l4_the_filter_starts_anew_after_the_operator_s_wire_was_off() -> None:
    """bad_ticks 3: the track is unprimed in the third tick without a count, and demand and target are 0. The wire comes
    back at another angle: that is the target at once, however slow the filter."""
    bench = Bench(follow_joint(filter_q16=1))
    bench.to_running()
    off = [bench.tick(operator=2_000).joints[0] for _ in range(3)]
    back = bench.tick(operator=300).joints[0]

    assert [joint.target for joint in off] == [50_000, 50_000, 0]
    assert [bool(joint.flags & MATCHED) for joint in off] == [True, True, False]
    assert (back.target, back.drive) == (30_000, 0)


@pytest.mark.parametrize("way", [1, -1])
def test_l4a_low_pass_halves_the_rest_and_truncates_toward_zero(way: int) -> None:
    """filter 1/2; demand from 50000 by 100 one way (one count): F = 50050, 50075, 50087.5, 50093.75 -> the integers
    below; the median lets the step through one tick later. Downward 49950, 49925, 49912.5 -> 49912, 49906.25."""
    bench = Bench(follow_joint(filter_q16=Q16 // 2))
    for _ in range(3):
        bench.tick()
    targets = [bench.tick(operator=500 + way).joints[0].target for _ in range(5)]

    assert targets == [50_000] + ([50_050, 50_075, 50_087, 50_093] if way > 0 else [49_950, 49_925, 49_912, 49_906])


def test_l4a_negative_demand_truncates_toward_zero() -> None:
    """Curve -50000..50000, so 500 counts are 0; one count down is -100: F = -50, -75, -87.5 -> -87, not -88."""
    operator = sensor(0, Curve(points=((0, -50_000), (1_000, 50_000))))
    response = Curve(points=((-50_000, -50_000), (50_000, 50_000)))
    bench = Bench(follow_joint(filter_q16=Q16 // 2, operator=operator, response=response))
    for _ in range(3):
        bench.tick()
    targets = [bench.tick(operator=499).joints[0].target for _ in range(4)]

    assert targets == [0, -50, -75, -87]


def test_l4b_operator_speed_is_the_target_s_change_times_the_tick_rate() -> None:
    """One count is 100 mdeg, 100 ticks a second: 10000 mdeg/s for one tick; filter 1/2: 5000, then 2500, 1250, 625."""
    bench = Bench(follow_joint(speed_filter_q16=Q16 // 2))
    for _ in range(3):
        bench.tick()
    speeds = []
    for _ in range(5):
        bench.tick(operator=501)
        speeds.append(bench.oracle.joints[0].operator_speed)

    assert speeds == [0, 5_000, 2_500, 1_250, 625]


def test_l4c_lever_share_begins_at_zero_beside_the_deadband() -> None:
    """deadband 1000: scale floor(10000 * 65536 / 9000) = 72817. Count 550 is 1000: rest. Count 551 is 1020:
    20 * 72817 / 65536 = 22.2 -> 22. Count 775 is 5500: 4500 * 72817 / 65536 = 4999.9 -> 4999. Count 1 is -9980:
    8980 * 72817 / 65536 = 9977.7 -> -9977."""
    seen = {}
    for count in (550, 551, 775, 1):
        bench = Bench(speed_joint())
        tick = bench.tick(operator=count)
        seen[count] = (tick.joints[0].target, bool(tick.joints[0].flags & MATCHED))

    assert seen == {550: (0, True), 551: (22, False), 775: (4_999, False), 1: (-9_977, False)}


def test_l5a_follow_speed_is_gain_times_error_plus_a_share_of_the_operator_s_speed() -> None:
    """Gain 2, error 30 counts = 3000 mdeg: 6000. Feed 1/4 of an operator speed of 3000 * 100 = 300000: 75000,
    clamped to the limit 10000 (positive), so 16000 in the tick of the step, lowered to 10000 by L6a; 6000 in the
    next tick."""
    bench = Bench(follow_joint(gain_q16=2 * Q16, feed_q16=Q16 // 4))
    bench.to_running()
    bench.tick()
    wanted = [bench.tick(operator=530).joints[0].wanted for _ in range(3)]

    assert wanted == [0, 10_000, 6_000]


def test_l5a_gap_holds_the_joint() -> None:
    """gap 2000: an error of 2000 moves (gain 1: 2000), one of 2100 does not."""
    bench = Bench(follow_joint(gap_mdeg=2_000))
    bench.to_running()
    bench.tick()
    wanted = [bench.tick(operator=520).joints[0].wanted for _ in range(2)]
    wanted += [bench.tick(operator=521).joints[0].wanted for _ in range(2)]

    assert wanted == [0, 2_000, 2_000, 0]


@pytest.mark.parametrize(("error_counts", "wanted", "flags"), [(99, 10_000, True), (100, 10_000, False)])
def test_l5a_no_feed_forward_once_the_gain_alone_reaches_the_limit(error_counts: int, wanted: int, flags: int) -> None:
    """Gain 1, limit 10000; the operator moves by 99 or 100 counts in one tick, feed 1: forward is clamped to 10000.
    9900 + 10000 is lowered to 10000 (flag at limit); 10000 alone is exactly the limit (no flag)."""
    bench = Bench(follow_joint(feed_q16=Q16))
    bench.to_running()
    bench.tick()
    bench.tick(operator=500 + error_counts)
    joint = bench.tick(operator=500 + error_counts).joints[0]

    assert (joint.wanted, bool(joint.flags & AT_LIMIT)) == (wanted, flags)


def test_l5c_a_joint_that_is_stopping_is_not_held_by_the_gap() -> None:
    """Running with an error of 10000 above the gap of 2000: held. Let go: the target speed is 0 for another reason."""
    bench = Bench(follow_joint(gap_mdeg=2_000))
    bench.to_running()
    bench.tick(operator=600)
    running = bench.tick()
    stopping = bench.tick(IDLE)

    assert (running.state, bool(running.joints[0].flags & HELD_BY_GAP)) == (RUNNING, True)
    assert (stopping.state, bool(stopping.joints[0].flags & HELD_BY_GAP)) == (STOPPING, False)


def test_l6b_brake_and_soft_stop() -> None:
    """Upper soft stop 52000, arm at 50000: room 2000; brake (0, 0) .. (4000, 8000) gives 4000; at 52000 room is 0:
    nothing. Asked: error 30000 at gain 1, above the limit of 10000."""
    brake = (Curve(points=((0, 0), (4_000, 8_000))), Curve(points=((0, 0), (4_000, 8_000))))
    bench = Bench(follow_joint(soft_stop_mdeg=(52_000, 0), brake=brake))
    bench.to_running()
    bench.tick(operator=800)
    moving = bench.tick(operator=800)
    bench.tick(position=520)
    standing = bench.tick(position=520)

    assert (moving.joints[0].wanted, moving.joints[0].drive) == (4_000, 4_000)
    assert moving.joints[0].flags & BRAKED
    assert (standing.joints[0].wanted, standing.joints[0].drive) == (0, 0)


def test_l6b_nothing_at_the_soft_stop_even_where_the_brake_curve_allows_it() -> None:
    """FREE_BRAKE allows 200000 mdeg/s at room 0; room 100 moves, room 0 does not."""
    for upper, wanted in ((50_100, 10_000), (50_000, 0)):
        bench = Bench(follow_joint(soft_stop_mdeg=(upper, 0)))
        bench.to_running()
        bench.tick(operator=700)

        assert bench.tick(operator=700).joints[0].wanted == wanted


def test_l6d_authority_grows_from_zero() -> None:
    """Step 16384 is a quarter: 0 when running begins, then 1/4, 1/2, 3/4, 1 of 2000 mdeg/s (error 2000, gain 1)."""
    bench = Bench(follow_joint(match_window_mdeg=5_000), authority_step_q16=Q16 // 4)
    bench.counts[0] = 520
    first = bench.to_running()
    wanted = [first.joints[0].wanted, *(bench.tick().joints[0].wanted for _ in range(5))]

    assert first.state == RUNNING
    assert wanted == [0, 500, 1_000, 1_500, 2_000, 2_000]


def test_l6e_one_factor_for_every_joint() -> None:
    """Both ask 1000 mdeg/s, k = 2 flow each: need 2000 e4. 2000 * 10000 + 2000 * 20000 = 60 million; the pump gives
    4500 * 10000 = 45 million: factor 3/4 = 49152 / 65536, so 750 mdeg/s each and a flow of 1500."""
    two = Curve(points=((0, 2 * Q16), (100_000, 2 * Q16)))
    limits = (1_000, 1_000)
    first = speed_joint(
        speed_full_mdeg_s=limits, speed_reduced_mdeg_s=(1, 1), flow_per_speed_q16=(two, two), deadband=0
    )
    first = replace(first, operator=sensor(0, Curve(points=((0, -10_000), (499, 0), (501, 0), (1_000, 10_000)))))
    second = replace(
        first,
        operator=sensor(2, Curve(points=((0, -10_000), (499, 0), (501, 0), (1_000, 10_000)))),
        position=sensor(3, ANGLES),
        flow_full_ml_min=20_000,
    )
    bench = Bench(first, second, pump_ml_min=4_500)
    bench.to_running()
    bench.counts[0] = bench.counts[2] = 1_000
    bench.tick()
    tick = bench.tick()

    assert tick.share_q16 == 49_152
    assert [(j.wanted, j.speed, j.flow, bool(j.flags & SHARED)) for j in tick.joints] == [(750, 750, 1_500, True)] * 2


def test_l7_ramp_up_slow_down_wait_and_reverse() -> None:
    """The median delays each lever step by a tick. Up: 100, 200, 250. Reversed: 250 - 200 = 50, then 0 (zero ticks
    1), held while zero ticks are 1 and 2 (below 3), then -100, -200, -250."""
    bench = ramp_bench()
    up = [bench.tick(operator=1_000).joints[0].speed for _ in range(4)]
    down = [bench.tick(operator=1).joints[0].speed for _ in range(8)]

    assert up == [0, 100, 200, 250]
    assert down == [250, 50, 0, 0, 0, -100, -200, -250]


def test_l7b_the_same_direction_does_not_wait() -> None:
    """From 100 to 0 (lever at rest) and up again at once: the pause is for the other direction only."""
    bench = ramp_bench()
    speeds = [bench.tick(operator=count).joints[0].speed for count in (1_000, 1_000, 500, 500, 1_000, 1_000)]

    assert speeds == [0, 100, 200, 0, 0, 100]


def test_l7d_flow_clamp_is_the_ramp_s_state() -> None:
    """flow_max 6000 at k = 3: 2500 mdeg/s asks 7500; flow 6000, speed floor(6000 / 3) = 2000."""
    three = Curve(points=((0, 3 * Q16), (100_000, 3 * Q16)))
    bench = Bench(follow_joint(flow_per_speed_q16=(three, three), flow_max_e4=(6_000, 6_000)))
    bench.to_running()
    bench.tick(operator=525)
    joint = bench.tick().joints[0]

    assert (joint.wanted, joint.speed, joint.flow, joint.drive) == (2_500, 2_000, 6_000, 6_000)


def test_l7d_a_flow_of_exactly_the_largest_is_not_clamped() -> None:
    bench = Bench(follow_joint(flow_max_e4=(3_000, 3_000)))
    bench.to_running()
    bench.tick(operator=530)
    exact = bench.tick(operator=531).joints[0]
    above = bench.tick(operator=531).joints[0]

    assert (exact.flow, bool(exact.flags & FLOW)) == (3_000, False)
    assert (above.flow, above.speed, bool(above.flags & FLOW)) == (3_000, 3_000, True)


@pytest.mark.parametrize("polarity", [1, -1])
def test_l8_drive_jumps_over_the_deadband(polarity: int) -> None:
    """Valve (0, 2000) .. (10000, 10000): slope floor(65536 * 0.8) = 52428; flow 5000: 2000 + floor(3999.9) = 5999;
    flow 100: 2000 + floor(79.99) = 2079; flow 0: 0. Negative direction and polarity change the sign only."""
    valve = Curve(points=((0, 2_000), (10_000, 10_000)))
    bench = Bench(follow_joint(valve=(valve, valve), polarity=polarity))
    bench.to_running()
    drives = []
    for count in (550, 550, 500, 500, 500, 499, 499, 500, 500):
        drives.append(bench.tick(operator=count).joints[0].drive)

    assert drives == [0, 5_999 * polarity, 5_999 * polarity, 0, 0, 0, -2_079 * polarity, -2_079 * polarity, 0]


def test_hand_table_is_what_its_docstring_says() -> None:
    """Flow equals speed and drive equals flow: LEVEL is 65536 everywhere, the valve is the straight line."""
    bench = Bench(follow_joint())
    bench.to_running()
    bench.tick(operator=540)
    joint = bench.tick().joints[0]

    assert LEVEL.points[0][1] == Q16
    assert (joint.wanted, joint.speed, joint.flow, joint.drive) == (4_000, 4_000, 4_000, 4_000)
