"""Watches and safety states (L9, L10): the oracle against examples worked out by hand, as in test_oracle_by_hand.py."""

from __future__ import annotations

import pytest
from hand_table import (
    ANGLES,
    CLOSED,
    HELD,
    IDLE,
    PRESSED,
    Bench,
    follow_joint,
    ramp_bench,
    sensor,
)
from oracle_words import (
    DISCREPANCY,
    EMERGENCY_STOP,
    ENABLING,
    FAULT,
    KEY,
    LATE,
    MATCHING,
    MODE_FULL,
    MOVED,
    NO_JOINT,
    NONE,
    OPERATOR_COUNTS,
    POWERING_UP,
    RELEASED,
    RESET,
    RUNNING,
    STALLED,
    STOP,
    STOP_1,
    STOPPED,
    STOPPING,
)


def test_l9a_late_only_past_the_allowance() -> None:
    bench = Bench(follow_joint())
    bench.to_running()
    bench.elapsed_us = 11_000
    on_time = bench.tick()
    bench.elapsed_us = 11_001
    late = bench.tick()

    assert on_time.state == RUNNING
    assert (late.state, late.cause, late.cause_joint, late.enable) == (FAULT, LATE, NO_JOINT, 0)


def test_l9c_a_joint_that_moves_without_drive() -> None:
    """still_mdeg 100, settle_ticks 2, counted from the tick after matching began: the counter is 1 in the first
    running tick (to_running's last), 2 in the next (anchor 50000), and the median shows the new position one tick
    late: 100 is allowed, 200 is not."""
    bench = Bench(follow_joint(settle_ticks=2, still_ticks=50, match_window_mdeg=5_000, deadband=5_000))
    bench.to_running()
    seen = [bench.tick(position=count) for count in (500, 501, 501, 502, 502)]

    assert [tick.state for tick in seen] == [RUNNING, RUNNING, RUNNING, RUNNING, FAULT]
    assert (seen[-1].cause, seen[-1].cause_joint) == (MOVED, 0)


def test_l9d_a_joint_that_does_not_move_with_drive() -> None:
    """stall_flow 2000, stall_ticks 3: lever step at tick 1, flow from tick 2 on; ticks 3, 4, 5 count 1, 2, 3: fault."""
    bench = Bench(follow_joint(stall_flow_e4=2_000, stall_ticks=3, stall_mdeg=100))
    bench.to_running()
    seen = [bench.tick(operator=530) for _ in range(5)]

    assert [tick.joints[0].flow for tick in seen] == [0, 3_000, 3_000, 3_000, 0]
    assert (seen[-1].state, seen[-1].cause) == (FAULT, STALLED)


def test_l9d_a_flow_of_exactly_the_threshold_is_watched() -> None:
    """As in the example above, but the flow is 3000 and so is the threshold; with 3001 nothing happens."""
    for threshold, state in ((3_000, FAULT), (3_001, RUNNING)):
        bench = Bench(follow_joint(stall_flow_e4=threshold, stall_ticks=3, stall_mdeg=100))
        bench.to_running()

        assert [bench.tick(operator=530).state for _ in range(5)][-1] == state


def test_l9d_motion_of_exactly_the_amount_asked_is_enough() -> None:
    """stall_mdeg 100 within 3 ticks: one count is enough each time, so the joint never stalls."""
    bench = Bench(follow_joint(stall_flow_e4=2_000, stall_ticks=3, stall_mdeg=100))
    bench.to_running()
    states = {bench.tick(operator=600, position=500 + tick // 2).state for tick in range(12)}

    assert states == {RUNNING}


def test_l9d_motion_the_other_way_is_no_motion() -> None:
    """As above, a count every other tick, but away from what is asked: the first count of flow is at tick 3, so tick 5
    is the third. Either way of asking."""
    for way in (1, -1):
        bench = Bench(follow_joint(stall_flow_e4=2_000, stall_ticks=3, stall_mdeg=100))
        bench.to_running()
        seen = [bench.tick(operator=500 + way * 100, position=500 - way * (tick // 2)) for tick in range(5)]

        assert [tick.state for tick in seen] == [RUNNING] * 4 + [FAULT]
        assert (seen[-1].cause, seen[-1].joints[0].drive) == (STALLED, 0)


def test_l9d_a_joint_that_comes_back_has_to_get_past_where_it_was() -> None:
    """stall_mdeg 200: from the anchor 50.0 deg back to 49.9, then on to 50.1 (too little) and 50.2, all a tick late for
    the median. The lever steps in tick 0, flow comes in tick 1, the count begins in tick 2."""
    bench = Bench(follow_joint(stall_flow_e4=2_000, stall_ticks=8, stall_mdeg=200))
    bench.to_running()
    counted = []
    for place in (500, 500, 500, 499, 499, 500, 501, 502, 502):
        bench.tick(operator=600, position=place)
        counted.append(bench.oracle.joints[0].busy)

    assert counted == [0, 0, 1, 2, 3, 4, 5, 6, 0]


def test_l9e_a_joint_that_creeps_on_in_fault_keeps_the_reset_from_working() -> None:
    """still_mdeg 100, still_ticks 4; the median shows a place one tick late. The fault comes at 50.2 deg: anchor there,
    counter 0. Then a count a tick, and standing from 50.7 on:

        tick      1     2     3     4     5     6     7     8     9
        p      50.2  50.3  50.4  50.5  50.6  50.7  50.7  50.7  50.7
        anchor 50.2  50.2  50.4  50.4  50.6  50.6  50.6  50.6  50.6
        count     1     2     0     1     0     1     2     3     4

    A good reset (pressed for two ticks) that is let go in tick 3, 6 or 8 does nothing; in tick 9 it leads out."""
    for let_go, state in ((3, FAULT), (6, FAULT), (8, FAULT), (9, STOPPED)):
        bench = Bench(follow_joint(settle_ticks=2, still_ticks=4, match_window_mdeg=5_000, deadband=5_000))
        bench.to_running()
        moved = [bench.tick(position=count) for count in (500, 501, 501, 502, 502)][-1]
        bench.tick(IDLE, position=503) if let_go > 3 else bench.tick(PRESSED, position=503)
        seen, counted = [], [bench.oracle.joints[0].quiet]
        for tick in range(2, let_go + 1):
            digital = PRESSED if let_go - 2 <= tick < let_go else IDLE
            seen.append(bench.tick(digital, position=min(502 + tick, 507)))
            counted.append(bench.oracle.joints[0].quiet)

        assert (moved.state, moved.cause, moved.cause_joint, moved.joints[0].position) == (FAULT, MOVED, 0, 50_200)
        assert counted == [1, 2, 0, 1, 0, 1, 2, 3, 4][:let_go]
        assert [tick.state for tick in seen] == [FAULT] * (let_go - 2) + [state]


def test_l9e_after_a_stall_every_joint_has_to_rest() -> None:
    """still_ticks 3. Joint 0 stalls (as in the example of L9d above) and stands; joint 1 is what goes on moving, two
    counts a tick. It stands at tick 6 and its median at tick 7, the third tick of rest is tick 10: a reset let go in
    tick 9 does nothing, in tick 10 it leads out."""
    for let_go, state in ((9, FAULT), (10, STOPPED)):
        stalls = follow_joint(stall_flow_e4=2_000, stall_ticks=3, stall_mdeg=100, still_ticks=3)
        rolls = follow_joint(operator=sensor(2, ANGLES), position=sensor(3, ANGLES), still_ticks=3)
        bench = Bench(stalls, rolls)
        bench.to_running()
        stalled = [bench.tick(operator=530) for _ in range(5)][-1]
        for tick in range(1, let_go + 1):
            bench.counts[3] = 500 + 2 * min(tick, 6)
            last = bench.tick(PRESSED if let_go - 2 <= tick < let_go else IDLE)

        assert (stalled.state, stalled.cause, stalled.cause_joint) == (FAULT, STALLED, 0)
        assert last.state == state


def test_l9e_a_sensor_fault_does_not_wait_for_rest() -> None:
    """power_up_ticks 3: the operator's wire is back for three ticks when the reset is let go, and the joint still moves
    two counts (twice still_mdeg) in every one of them."""
    bench = Bench(follow_joint(still_ticks=4, settle_ticks=1_000))
    bench.to_running()
    off = [bench.tick(operator=2_000) for _ in range(3)][-1]
    places = (502, 504, 506)
    seen = [
        bench.tick(digital, operator=500, position=place)
        for digital, place in zip((PRESSED, PRESSED, IDLE), places, strict=True)
    ]

    assert (off.state, off.cause) == (FAULT, OPERATOR_COUNTS)
    assert [tick.joints[0].position for tick in seen] == [50_000, 50_200, 50_400]
    assert [tick.state for tick in seen] == [FAULT, FAULT, STOPPED]


def test_l10_start_up_step_by_step() -> None:
    """power_up_ticks 3; reset 2..4 ticks; load_ticks 2, match_ticks 2. Entering matching is state tick 0; it counts
    up in each tick that stays, so it reaches 2 after two more, and the next two matched ticks make running."""
    bench = Bench(follow_joint(), load_ticks=2, match_ticks=2)
    script = [
        (IDLE, POWERING_UP), (IDLE, POWERING_UP), (IDLE, STOPPED),
        (HELD, STOPPED),  # no permit yet
        (PRESSED, STOPPED), (IDLE, STOPPED),  # one tick is too short a press
        (HELD, STOPPED),
        (PRESSED, STOPPED), (PRESSED, STOPPED), (IDLE, STOPPED),  # permit
        (HELD, MATCHING),
        (HELD, MATCHING), (HELD, MATCHING),  # pump
        (HELD, MATCHING), (HELD, RUNNING),  # matched twice
    ]  # fmt: skip
    seen = [bench.tick(digital) for digital, _ in script]

    assert [tick.state for tick in seen] == [state for _, state in script]
    assert [tick.enable for tick in seen] == [int(state in (MATCHING, RUNNING)) for _, state in script]
    assert all(tick.cause == NONE for tick in seen)
    assert all(tick.joints[0].drive == 0 for tick in seen)


def test_l10_category_0_stop_is_zero_at_once() -> None:
    bench = ramp_bench(stop_category=0)
    for _ in range(4):
        bench.tick(operator=1_000)
    tick = bench.tick(digital=ENABLING | STOP_1 | MODE_FULL)

    assert (tick.state, tick.cause, tick.enable) == (EMERGENCY_STOP, STOP, 0)
    assert (tick.joints[0].speed, tick.joints[0].drive) == (0, 0)


def test_l10_category_1_stop_slows_down_and_then_drops_everything() -> None:
    """250 mdeg/s, 90 a tick in stopping: 160, 70, 0; in the tick after that every speed of the tick before is 0."""
    bench = ramp_bench(stop_category=1)
    for _ in range(4):
        bench.tick(operator=1_000)
    seen = [bench.tick(digital=ENABLING | MODE_FULL) for _ in range(4)]

    assert [tick.joints[0].speed for tick in seen] == [160, 70, 0, 0]
    assert [tick.state for tick in seen] == [STOPPING, STOPPING, STOPPING, EMERGENCY_STOP]
    assert [tick.enable for tick in seen] == [1, 1, 1, 0]
    assert all(tick.cause == STOP for tick in seen)


def test_l10b_a_discrepancy_stays_until_both_channels_were_open() -> None:
    """discrepancy_ticks 2. Both closed again and a good reset do not help; both open, both closed and a reset do."""
    bench = Bench(follow_joint())
    for _ in range(3):
        bench.tick()
    one = MODE_FULL | STOP_1
    causes = [(tick.state, tick.cause) for tick in (bench.tick(one), bench.tick(one))]
    states = [bench.tick(digital).state for digital in (IDLE, PRESSED, PRESSED, IDLE)]
    states += [bench.tick(digital).state for digital in (MODE_FULL, PRESSED, PRESSED, IDLE)]

    assert causes == [(EMERGENCY_STOP, STOP), (FAULT, DISCREPANCY)]
    assert states == [FAULT] * 7 + [STOPPED]


def test_l10c_a_button_held_at_start_means_nothing() -> None:
    """Held through power-up (3 ticks) and let go in the fourth: 3 would be a good press, but it began before the
    start."""
    bench = Bench(follow_joint())
    states = [bench.tick(digital).state for digital in (PRESSED, PRESSED, PRESSED, IDLE, HELD, HELD)]

    assert states == [POWERING_UP, POWERING_UP, STOPPED, STOPPED, STOPPED, STOPPED]


def test_l10h_a_stop_while_slowing_after_a_release_takes_over() -> None:
    bench = ramp_bench(stop_category=1)
    for _ in range(4):
        bench.tick(operator=1_000)
    released = bench.tick(digital=IDLE)
    stopped = bench.tick(digital=MODE_FULL)

    assert (released.state, released.cause) == (STOPPING, RELEASED)
    assert (stopped.state, stopped.cause) == (STOPPING, STOP)


def test_l10i_category_1_stop_has_a_deadline() -> None:
    """stop_ticks 1: state ticks 0 on entering, 0 >= 1 is false in the next tick (it counts up to 1), true in the
    one after."""
    bench = ramp_bench(stop_category=1, stop_ticks=1)
    for _ in range(4):
        bench.tick(operator=1_000)
    seen = [bench.tick(digital=ENABLING | MODE_FULL) for _ in range(3)]

    assert [tick.state for tick in seen] == [STOPPING, STOPPING, EMERGENCY_STOP]
    assert [tick.joints[0].speed for tick in seen] == [160, 70, 0]


def test_l10l_the_permit_outlives_a_release_but_the_device_must_have_been_let_go() -> None:
    bench = Bench(follow_joint())
    bench.to_running()
    states = [bench.tick(digital).state for digital in (IDLE, HELD, HELD, IDLE, HELD)]

    assert states == [STOPPING, STOPPED, STOPPED, STOPPED, MATCHING]


def test_l10l_the_service_key_keeps_the_machine_from_matching() -> None:
    bench = Bench(follow_joint())
    for digital in (IDLE, IDLE, IDLE, PRESSED, PRESSED, IDLE):
        bench.tick(digital)
    states = [bench.tick(digital).state for digital in (HELD | KEY, HELD | KEY, HELD)]

    assert states == [STOPPED, STOPPED, MATCHING]


def test_l10o_matched_ticks_must_come_in_a_row() -> None:
    """match_ticks 3: two matched, one not (the lever step shows a tick late), then three matched."""
    bench = Bench(follow_joint(), match_ticks=3)
    for digital in (IDLE, IDLE, IDLE, PRESSED, PRESSED, IDLE, HELD):
        bench.tick(digital)
    states = [bench.tick(operator=count).state for count in (500, 550, 550, 500, 500, 500, 500)]

    assert states == [MATCHING] * 6 + [RUNNING]


def test_l10q_mode_falls_at_once_and_never_rises_in_motion() -> None:
    bench = Bench(follow_joint())
    bench.to_running()
    full, reduced = HELD, CLOSED | ENABLING
    modes = [bench.tick(digital).mode for digital in (full, reduced, full)]

    assert modes == [1, 0, 0]


def test_l10q_mode_is_taken_as_asked_on_entering_matching() -> None:
    """Reduced while stopped, full asked in the very tick of the press: full, and from then on it only falls."""
    bench = Bench(follow_joint())
    reduced_pressed = PRESSED & ~MODE_FULL
    for digital in (CLOSED, CLOSED, CLOSED, reduced_pressed, reduced_pressed, CLOSED):
        bench.tick(digital)
    modes = [(tick.state, tick.mode) for tick in (bench.tick(HELD), bench.tick(CLOSED | ENABLING), bench.tick(HELD))]

    assert modes == [(MATCHING, 1), (RUNNING, 0), (RUNNING, 0)]


@pytest.mark.parametrize("cause", ["fault", "emergency_stop"])
def test_l10mn_a_reset_counts_only_with_the_device_let_go(cause: str) -> None:
    """Reset let go while the device is held does nothing; with the device let go it leads to stopped, then a press
    to matching."""
    bench = Bench(follow_joint())
    bench.to_running()
    if cause == "fault":
        bench.elapsed_us = 11_001
        bench.tick()
        bench.elapsed_us = 10_000
    else:
        bench.tick(ENABLING)
    locked = bench.tick(HELD).state
    held = [bench.tick(digital).state for digital in (HELD | RESET, HELD | RESET, HELD)]
    let_go = [bench.tick(digital).state for digital in (PRESSED, PRESSED, IDLE, HELD)]

    assert locked == (FAULT if cause == "fault" else EMERGENCY_STOP)
    assert held == [locked] * 3
    assert let_go == [locked, locked, STOPPED, MATCHING]


def test_l10n_a_fault_whose_cause_is_there_stays() -> None:
    """The tick of the reset is late as well: still a fault, and that edge is spent."""
    bench = Bench(follow_joint())
    bench.to_running()
    bench.elapsed_us = 11_001
    bench.tick()
    states = [bench.tick(digital).state for digital in (PRESSED, PRESSED, IDLE)]
    bench.elapsed_us = 10_000
    states.append(bench.tick(IDLE).state)

    assert states == [FAULT] * 4


def test_l10n_one_good_count_is_not_enough_to_leave_a_fault() -> None:
    """bad_ticks 3, power_up_ticks 3. The wire is off for three ticks; the first good count comes in the tick in which
    the button is let go: still a fault. With three good counts the next press ends it."""
    bench = Bench(follow_joint())
    bench.to_running()
    off = [bench.tick(position=2_000).state for _ in range(3)]
    bench.tick(PRESSED)
    bench.tick(PRESSED)
    first = bench.tick(IDLE, position=500)
    again = [bench.tick(digital).state for digital in (PRESSED, PRESSED, IDLE)]

    assert off == [RUNNING, RUNNING, FAULT]
    assert first.state == FAULT
    assert again == [FAULT, FAULT, STOPPED]


def test_l9_the_first_fault_found_is_the_one_that_is_latched() -> None:
    """Late and, in the same tick, both sensors outside their windows (bad_ticks 1): late comes first, and stays."""
    joint = follow_joint(operator=sensor(0, ANGLES, bad_ticks=1), position=sensor(1, ANGLES, bad_ticks=1))
    bench = Bench(joint)
    for _ in range(3):
        bench.tick()
    bench.elapsed_us = 11_001
    both = bench.tick(operator=2_000, position=2_000)
    bench.elapsed_us = 10_000
    after = bench.tick()

    assert (both.state, both.cause, both.cause_joint) == (FAULT, LATE, NO_JOINT)
    assert (after.state, after.cause) == (FAULT, LATE)
