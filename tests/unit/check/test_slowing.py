"""`slowing`: every speed and every count on the law; the ramp of the stop ends before the deadline."""

from __future__ import annotations

import re

import numpy as np
import pytest
from check_case import KERB, STAND, bad, check_text, finding, profile_of, text_of, with_value

from mapper.check import Evidence, Status
from mapper.check.law.pilot import running_state
from mapper.check.law.slowing import slowing
from mapper.check.law.tries import try_ticks
from mapper.law import STATES, load_core
from mapper.table import compile_table, encode_table

ADVISED = re.compile(r'(emergency_stop\.\w+) = ("[^"]*")')


@pytest.mark.parametrize("name", [KERB, STAND])
def test_every_speed_and_every_count_are_tried(name):
    profile = profile_of(text_of(name))
    table = compile_table(profile)
    live = load_core().table(encode_table(table))

    found = slowing(profile, table, live, running_state(table, live))

    speeds = sum(1 + sum(joint.speed_full_mdeg_s) for joint in table.joints)
    counts = 4096 * len(table.joints)
    assert (found.status, found.evidence) == (Status.HOLDS, Evidence.EXHAUSTIVE)
    assert found.cases == 2 * speeds + 2 * 8 * counts  # modes; sensors, and speeds where the ramp breaks
    assert found.margin is not None


def test_the_ramp_takes_as_many_ticks_as_are_counted():
    """Tick by tick from a speed that the braking curve leaves in the middle of the travel."""
    profile = profile_of(text_of(STAND))
    table = compile_table(profile)
    live = load_core().table(encode_table(table))
    running = running_state(table, live)
    row = running.row.copy()
    row[1] = 3 | 16
    speed, ticks = 15_000, 0
    while speed:
        speed = int(try_ticks(live, running.state, row[None, :], np.array([[speed]], dtype=np.int32)).speed[0, 0])
        ticks += 1

    assert ticks == 15_000 // table.joints[0].stop_mdeg_s == 50
    assert slowing(profile, table, live, running).worst == 2 * ticks * 5  # full speed is twice that


def test_a_try_is_a_tick_of_the_law():
    """From the running state with its own speed: what the law itself does next."""
    profile = profile_of(text_of(STAND))
    table = compile_table(profile)
    live = load_core().table(encode_table(table))
    running = running_state(table, live)
    state = live.start()
    state.load(running.state)
    speed = live.run(state, running.row[None, :])[0, 9 + 3]
    after = live.run(state, running.row[None, :])

    state.load(running.state)
    live.run(state, running.row[None, :])
    tried = try_ticks(live, bytes(state), running.row[None, :], np.array([[speed]], dtype=np.int32))
    assert (tried.wanted[0, 0], tried.speed[0, 0], tried.flow_e4[0, 0], tried.drive_e4[0, 0]) == tuple(after[0, 11:15])
    assert tried.states[0] == STATES.index("running")
    assert tried.enables[0]


# (tick 5 ms + 2 ms late) x (n - 1 + 3) for the stand's ramp of n = 100 ticks is 714 ms.
def test_a_deadline_that_cuts_the_ramp_off_is_that_limit_and_the_one_advised_holds():
    inside = with_value(text_of(STAND), "emergency_stop.release_deadline", '"720 ms"')
    outside = with_value(text_of(STAND), "emergency_stop.release_deadline", '"700 ms"')
    found = finding(check_text(outside), "slowing", None)

    assert bad(check_text(inside)) == []
    assert bad(check_text(outside)) == [("slowing", None)]
    assert found.margin is not None
    assert found.margin < 0
    path, value = ADVISED.findall(found.advice)[0]
    assert bad(check_text(with_value(outside, path, value))) == []


def test_a_relay_that_drops_before_the_ramp_has_ended_is_that_limit():
    """Category 1: the relay's time is the deadline as well."""
    text = with_value(text_of(STAND), "emergency_stop.category", "1")
    for relay, wrong in (("720 ms", []), ("700 ms", [("slowing", None)])):
        with_relay = text.replace("[emergency_stop]\n", f'[emergency_stop]\ndelayed_off_relay = "{relay}"\n')
        assert bad(check_text(with_relay)) == wrong
