"""Stops, reset and sensor windows against published statements; braking distance against a textbook example.

Each test names its source. "Quoted second hand": the clause was read in a page that explains it, not in the standard.
"From memory": no text was at hand. Passing says that the law does what these sentences say, not that a machine conforms
to the standard.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from check_case import STAND, context_of, profile_of, text_of

from mapper.check import Status
from mapper.check.law.exhaust import state_number, transitions
from mapper.check.law.pilot import running_state
from mapper.check.law.safety_rules import _reached, ticks_of
from mapper.check.law.sensors import _stops, sensor_window
from mapper.law import load_core
from mapper.table import compile_table, encode_table
from mapper.table.compile_brake import Slopes, brake_curve, braking_room

pytestmark = pytest.mark.outside

ENABLED = tuple(map(state_number, ("matching", "running", "stopping")))
POWERED = tuple(map(state_number, ("running", "stopping")))


def test_category_0_takes_the_power_away_at_once():
    """IEC 60204-1, 9.2.2, stop category 0: power to the actuators removed at once. Quoted second hand
    (machinerysafety101.com, 27 Sep 2010, "Emergency stop categories").
    """
    ticks = ticks_of(transitions(0))
    opened = np.broadcast_to(ticks.stop_open, ticks.all.next.shape)

    assert opened.sum() > 100_000
    assert not np.any(ticks.drives & opened)
    assert not np.any(ticks.enables & opened)


def test_category_1_slows_with_power_and_then_takes_it_away():
    """IEC 60204-1, 9.2.2, stop category 1: a controlled stop with power, then power removed. Quoted second hand (as
    above).

    From every running state, held open, the stop is `stopping` first and without power within its deadline.
    """
    ticks = ticks_of(transitions(1))
    states = ticks.all.column("state")
    held_open = 0b000100  # enabling device held, both channels open
    moving = 2  # the variant that keeps moving
    here = np.flatnonzero(states == state_number("running"))

    assert here.size
    after = ticks.all.next[here, held_open, moving]
    assert np.all(states[after] == state_number("stopping"))
    assert np.all(ticks.drives[here, held_open, moving])
    for _ in range(3):  # stop_ticks of the short table, and the tick that ends it
        after = ticks.all.next[after, held_open, moving]
    assert np.all(np.isin(states[after], [state_number("emergency_stop")]))


def test_emergency_stop_overrides_every_function_in_every_mode():
    """Emergency stop overrides all other functions in all modes; its reset does not restart. Quoted second hand (a
    component maker's glossary on IEC 60204-1).
    """
    for category in (0, 1):
        ticks = ticks_of(transitions(category))
        bad = ticks.stop_open & np.isin(ticks.after["state"], [state_number("matching"), state_number("running")])

        assert not np.any(bad)
        assert {0, 1} == set(ticks.before["mode"].ravel())


def test_machine_stays_stopped_until_the_device_is_deliberately_unlatched():
    """ISO 13850:2015, 4.1.1.2: stopped until the device is deliberately unlatched. Quoted second hand (a component
    maker's page).
    """
    for category in (0, 1):
        ticks = ticks_of(transitions(category))
        reached = _reached(ticks, (state_number("emergency_stop"),), ticks.stop_open)

        assert not np.any(reached & np.isin(ticks.all.column("state"), ENABLED))


def test_reset_alone_starts_nothing():
    """ISO 13849-1, manual reset: it prepares for a start, it does not start; from memory. In the tick of the reset edge
    nothing is enabled that was not before.
    """
    for category in (0, 1):
        ticks = ticks_of(transitions(category))
        newly = ticks.reset_edge & ~np.isin(ticks.before["state"], ENABLED) & ticks.enables

        assert np.any(ticks.reset_edge)
        assert not np.any(newly & ~ticks.held)
        # Entered in the tick of the edge at most by an operator who was given the permit by an earlier one.
        assert not np.any(newly & (ticks.before["permit"] == 0))


def test_reset_acts_on_letting_go_of_the_button():
    """ISO 13849-1, manual reset: accepted when the actuator leaves its pressed position; from memory."""
    ticks = ticks_of(transitions(0))
    pressed_all_the_time = np.broadcast_to((np.arange(64)[None, :, None] & 8) != 0, (1, 64, 1))
    reached = _reached(ticks, (state_number("powering_up"),), pressed_all_the_time)

    assert not np.any(reached & np.isin(ticks.all.column("state"), ENABLED))


def test_hold_to_run_keeps_motion_only_while_the_device_is_held():
    """ISO 12100-1:2003, hold-to-run: hazardous function only while the device is held (definition seen in a published
    extract; superseded by ISO 12100:2010). After release only the timed slowing goes on.
    """
    for category in (0, 1):
        ticks = ticks_of(transitions(category))
        released = ~ticks.held & np.isin(ticks.after["state"], ENABLED)

        assert np.any(released)
        assert np.all(
            np.isin(ticks.after["state"], [state_number("stopping")])[np.broadcast_to(released, ticks.all.next.shape)]
        )


@pytest.mark.parametrize(("reaction_s", "published"), [(Fraction(0), 64.3), (Fraction(1, 2), 79.3)])
def test_room_of_the_braking_curve_is_the_textbook_stopping_distance(reaction_s, published):
    """30.0 m/s, 7.00 m/s2: 64.3 m, with 0.500 s of reaction 79.3 m. OpenStax, College Physics, module m42099, "How Far
    Does a Car Go When Coming to a Halt?". Here deg for m: v t + v2 / 2a does not mind. The car has no spring and a gain
    of 1, so that braking alone decides.
    """
    stiff = (Slopes(near_per_s=Fraction(10**6), far_per_s=Fraction(10**6), offset_mdeg=Fraction(0)),)
    way = braking_room(Fraction(1), reaction_s, Fraction(7_000))
    curve = brake_curve(30_000, lambda asked: asked, stiff, way)
    room_mdeg, speed_mdeg_s = curve.points[-1]

    assert speed_mdeg_s == 30_000
    assert room_mdeg / 1000 == pytest.approx(published, abs=0.06)


def test_a_car_that_follows_the_braking_curve_late_comes_to_rest_before_the_stop():
    """The same car, OpenStax, College Physics, module m42099: driven by the curve for its 0.5 s, and told that late
    of every place, it stands within a hundredth of the 79.3 m before the stop, and needs no more than 7 m/s2.
    """
    delay_s, step_s = 0.5, 0.001
    # c = k exp(-k late) is steepest at k = 1 / late: 2 / e = 0.7358
    stiff = (Slopes(near_per_s=Fraction(735, 1000), far_per_s=Fraction(735, 1000), offset_mdeg=Fraction(0)),)
    curve = brake_curve(30_000, lambda asked: asked, stiff, braking_room(Fraction(1), Fraction(1, 2), Fraction(7_000)))
    rooms, speeds = (np.array(values) / 1000 for values in zip(*curve.points, strict=True))
    room, told, speed_before, braking = 120.0, [120.0] * int(delay_s / step_s), 30.0, 0.0
    for _ in range(30_000):
        speed = float(np.interp(max(told.pop(0), 0.0), rooms, speeds))
        braking = max(braking, (speed_before - speed) / step_s)
        room, speed_before = room - speed * step_s, speed
        told.append(room)

    assert 0.0 <= room < 0.01 * 79.3
    assert 6.5 < braking < 8.0  # straight between the curve's points


def test_current_loop_failure_currents_lie_outside_a_window_of_valid_ones():
    """NAMUR NE 43: valid 3.8 to 20.5 mA, failure at or below 3.6 and at or above 21.0 mA. Quoted second hand
    (instrunexus.com).

    A 12-bit input of 25 mA full scale with the window at the valid currents: the failure currents stop the arm in time.
    """
    profile = profile_of(text_of(STAND))

    def count(current_ma: float) -> int:
        return round(current_ma / 25 * 4095)

    operator = profile.joints[0].operator
    track = replace(
        operator.sensor.tracks[0],
        count_min=count(3.8),
        count_max=count(20.5),
        points=((count(4), Fraction(-60)), (count(20), Fraction(60))),
    )
    joint = replace(profile.joints[0], operator=replace(operator, sensor=replace(operator.sensor, tracks=(track,))))
    profile = replace(profile, joints=(joint,))
    context = context_of(profile, "lever")
    table = compile_table(profile)
    running = running_state(table, load_core().table(encode_table(table)))

    assert running.moving
    failing = np.array([count(0), count(3.6), count(21.0), 4095], dtype=np.int32)
    stopped = _stops(context, running, track.input_index, failing, context.table.operator.bad_ticks)
    assert np.all(stopped)
    assert sensor_window(context, running).status is Status.HOLDS
