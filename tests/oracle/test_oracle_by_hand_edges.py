"""Whole ticks at the edges of what a table may hold: the oracle, and the compiled law with it.

As in test_oracle_by_hand.py. Each of these once was a place where a fault seeded into the law went unnoticed.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from hand_table import (
    ANGLES,
    HELD,
    IDLE,
    OPERATOR,
    POSITION,
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
    EMERGENCY_STOP,
    ENABLING,
    FAULT,
    FULL_SPEED,
    MODE_FULL,
    MOVED,
    POSITION_COUNTS,
    POSITION_DISAGREEMENT,
    REDUCED,
    RUNNING,
    STOP_1,
    STOPPED,
    STOPPING,
)

from mapper.table.table import Curve

JOINTS = 16


def test_l4b_the_filter_of_the_operator_speed_starts_at_zero_to_the_last_bit() -> None:
    """-100 mdeg in a tick is -10000 mdeg/s, half of it -5000 exactly: a start at 1/65536 would make -4999 of it."""
    bench = Bench(follow_joint(speed_filter_q16=Q16 // 2, feed_q16=Q16, gain_q16=0))
    bench.to_running()
    bench.tick()

    bench.tick(operator=499)

    assert bench.tick().joints[0].wanted == -5_000


@pytest.mark.parametrize(("mode", "tip"), [(FULL_SPEED, 0), (REDUCED, 0), (REDUCED, 100_000_000)])
def test_l1_a_table_may_have_sixteen_joints_and_the_last_is_like_the_first(mode: int, tip: int) -> None:
    """The lever of joint 15 alone, fully over: 10000 mdeg/s, or 5000 in the reduced mode.

    With the tip limit 100000000 and a reach of 50000 mm: floor(100000000 * 65536 / 250000000) = 26214, and
    floor(5000 * 26214 / 65536) = 1999.
    """
    joints = [second(speed_joint(reach_mm=50_000, deadband=0), number) for number in range(JOINTS)]
    bench = Bench(*joints, tip_mdeg_mm_s=tip)
    bench.to_running()
    held = HELD if mode == FULL_SPEED else HELD & ~MODE_FULL
    bench.counts[2 * (JOINTS - 1) + OPERATOR] = 1_000
    bench.tick(held)

    last = bench.tick(held)

    assert (last.state, last.mode) == (RUNNING, mode)
    expected = {(FULL_SPEED, 0): 10_000, (REDUCED, 0): 5_000}.get((mode, tip), 1_999)
    assert [joint.wanted for joint in last.joints] == [0] * (JOINTS - 1) + [expected]
    assert [joint.speed for joint in last.joints] == [0] * (JOINTS - 1) + [expected]

    idle = held & ~ENABLING
    assert [bench.tick(idle).state for _ in range(2)] == [STOPPING, STOPPED]
    assert [bench.tick(idle & ~STOP_1).state for _ in range(2)] == [EMERGENCY_STOP, FAULT]


SEAM = Curve(points=((0, 130_000), (1_000, 230_000)))  # count 500 is 180000 mdeg, wrapped -180000; 499 is 179900


def seam_bench() -> Bench:
    """A continuous joint that stands at the seam, its operator too, quiet for settle_ticks; 300 mdeg are still."""
    joint = follow_joint(
        continuous=True,
        position=sensor(POSITION, SEAM),
        operator=sensor(OPERATOR, SEAM),
        response=Curve(points=((0, 0), (360_000, 360_000))),
        deadband=1_000,
        settle_ticks=2,
        still_ticks=3,
        still_mdeg=300,
    )
    bench = Bench(joint)
    assert bench.to_running().joints[0].position == -180_000
    bench.tick()
    return bench


@pytest.mark.parametrize(("count", "fault"), [(499, False), (497, False), (496, True), (503, False), (504, True)])
def test_l9c_motion_over_the_seam_is_as_far_as_motion_elsewhere(count: int, fault: bool) -> None:
    """From -180000 to 179900 is 100 mdeg and no fault; 300 is not more than still_mdeg, 400 is."""
    bench = seam_bench()
    bench.tick(position=count)

    last = bench.tick()

    assert last.joints[0].position == {499: 179_900, 497: 179_700, 496: 179_600, 503: -179_700, 504: -179_600}[count]
    assert (last.state, last.cause) == ((FAULT, MOVED) if fault else (RUNNING, 0))


def test_l9e_a_joint_that_trembles_over_the_seam_has_come_to_rest() -> None:
    """After the fault (cause moved) the position goes back and forth by 100 mdeg over the seam: less than still_mdeg.
    So after still_ticks a reset is taken."""
    bench = seam_bench()
    bench.tick(position=504)
    assert bench.tick(IDLE).state == FAULT
    for count in (500, 499, 500, 499, 500, 499):
        bench.tick(IDLE, position=count)
    for count in (500, 499, 500):
        bench.tick(PRESSED, position=count)

    assert bench.tick(IDLE, position=499).state == STOPPED


@pytest.mark.parametrize(("count", "fault"), [(505, False), (506, True), (495, False), (494, True)])
def test_l3b_a_step_of_exactly_step_max_is_good(count: int, fault: bool) -> None:
    """From count 500 to 505 are 500 mdeg, the most that a step may be."""
    bench = Bench(follow_joint(position=sensor(POSITION, ANGLES, step_max=500, bad_ticks=1)))
    bench.to_running()

    last = bench.tick(position=count)

    assert (last.state, last.cause) == ((FAULT, POSITION_COUNTS) if fault else (RUNNING, 0))


@pytest.mark.parametrize(("count", "fault"), [(510, False), (511, True), (490, False), (489, True)])
def test_l3e_tracks_that_are_exactly_the_disagreement_apart_agree(count: int, fault: bool) -> None:
    """Count 500 beside 510: 1000 mdeg, no more than the disagreement. The median lets it through a tick later."""
    position = sensor(POSITION, ANGLES, bad_ticks=1)
    position = replace(position, tracks=(position.tracks[0], replace(position.tracks[0], input=10)))
    bench = Bench(follow_joint(position=position))
    bench.to_running()
    bench.counts[10] = count
    bench.tick()

    last = bench.tick()

    assert (last.state, last.cause) == ((FAULT, POSITION_DISAGREEMENT) if fault else (RUNNING, 0))


def test_l6c_takes_the_nearer_track_for_the_least_weight_too() -> None:
    """Weights 1 and 0.001; joint 1 has its tracks at 50000 and 50900 mdeg.

    Room floor((50052000 - 50000000 - 50900) / 1000) = 1, its cap 100 (with the other track it would be 200); the error
    asks for 5000: floor(100000 * 65536 / 5000000) = 1310, floor(5000 * 1310 / 65536) = 99.
    """
    brake = Curve(points=((0, 0), (1_000, 100_000)))
    position = sensor(3, ANGLES)
    position = replace(position, tracks=(position.tracks[0], replace(position.tracks[0], input=10)))
    joints = (follow_joint(match_window_mdeg=10_000), replace(second(follow_joint()), position=position))
    bench = Bench(*joints, coupled=(coupled(50_052, brake, (1_000, 1)),))
    bench.counts[10] = 509
    bench.counts[OPERATOR] = 550
    bench.to_running()

    assert bench.tick().joints[0].wanted == 99
