"""The enumeration of the safety machine: complete, on the real law, and able to see a defect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from check_case import STAND, bad, check_text, profile_of, text_of, with_value

from mapper.check.law import safety
from mapper.check.law.exhaust import DIGITAL, FIELDS, MOVES, VARIANTS, short_table, state_number, transitions
from mapper.check.law.pilot import drives, run_each, running_state
from mapper.law import INPUT_BITS, STATES, load_core
from mapper.law.core import IN_INTS
from mapper.table import compile_table, encode_table

CATEGORIES = (0, 1)


def broken(ticks: safety.Ticks) -> dict[str, list[str]]:
    return {limit: safety._broken(ticks, limit, rules) for limit, rules in safety._GROUPS}


@pytest.mark.parametrize("category", CATEGORIES)
def test_every_state_and_input_is_tried_and_every_rule_holds(category):
    found = transitions(category)

    assert found.next.shape == (len(found.states), DIGITAL, len(VARIANTS))
    assert set(np.unique(found.next)) == set(range(len(found.states)))  # closed, and every state is reached
    assert {STATES[number] for number in found.column("state")} == set(STATES)
    assert broken(safety.ticks_of(category)) == {"emergency_stop": [], "fault": [], "power_up": [], "restart": []}


def test_category_one_has_a_timed_stop_and_category_zero_has_not():
    stop = safety._STOP_CAUSE
    timed = [
        np.any(
            (transitions(category).column("state") == state_number("stopping"))
            & (transitions(category).column("cause") == stop)
        )
        for category in CATEGORIES
    ]

    assert timed == [False, True]


@pytest.mark.parametrize("category", CATEGORIES)
def test_random_walks_of_the_law_stay_inside_the_enumeration(category):
    """The law run tick after tick, its joints never put to a variant: every state that it shows was enumerated."""
    table = short_table(category)
    live = load_core().table(encode_table(table))
    found = transitions(category)
    known = {
        tuple(int(value) for value in row) for row in found.states[:, [0, 1, 3, 11]]
    }  # state, cause, mode, authority
    rng = np.random.default_rng(category)
    seen = set()
    for _ in range(60):
        rows = np.zeros((200, IN_INTS), dtype=np.int32)
        held = rng.integers(0, DIGITAL, 200) | np.where(rng.random(200) < 0.9, 3, 0)
        keep = rng.integers(1, 6, 200)
        rows[:, 1] = np.repeat(held, keep)[:200]
        rows[:, 0] = np.where(rng.random(200) < 0.01, 9000, 5000)
        rows[:, 2] = np.where(rng.random(200) < 0.2, 800, 500)
        rows[:, 3] = np.where(rng.random(200) < 0.01, 0, 500)
        out = live.run(live.start(), rows)
        seen |= {tuple(int(value) for value in row) for row in out[:, [0, 1, 3, 5]]}

    assert seen <= known
    assert {row[0] for row in seen} >= {0, 1, 2, 5, 6}


def with_after(ticks: safety.Ticks, column: str, value: int, where: np.ndarray) -> safety.Ticks:
    """The enumeration with one column of the state after the tick changed."""
    return replace(ticks, after={**ticks.after, column: np.where(where, value, ticks.after[column])})


DEFECTS = {
    "drive in matching": lambda t: replace(t, drives=t.drives | (t.after["state"] == state_number("matching"))),
    "enable kept in fault": lambda t: replace(t, enables=t.enables | (t.after["state"] == state_number("fault"))),
    "enable kept in emergency stop": lambda t: replace(
        t, enables=t.enables | (t.after["state"] == state_number("emergency_stop"))
    ),
    "drive while powering up": lambda t: replace(
        t, drives=t.drives | (t.after["state"] == state_number("powering_up"))
    ),
    "permit without a reset edge": lambda t: with_after(t, "permit", 1, t.after["state"] == state_number("stopped")),
    "device taken as released while held": lambda t: with_after(
        t, "seen_released", 1, (t.after["state"] == state_number("stopped")) & t.held
    ),
    "released before the stop counts after it": lambda t: with_after(
        t, "seen_released", 1, (t.before["state"] == state_number("stopping")) & (t.after["state"] == 1) & ~t.held
    ),
    "match time kept over a tick that is not matched": lambda t: with_after(
        t, "match_ticks", 1, t.after["state"] == state_number("matching")
    ),
    "another cause while in fault": lambda t: with_after(
        t, "cause", 3, (t.before["state"] == state_number("fault")) & (t.after["state"] == state_number("fault"))
    ),
    "speed kept while stopped": lambda t: replace(t, moves=t.moves | (t.after["state"] == state_number("stopped"))),
}


@pytest.mark.parametrize("name", DEFECTS)
def test_a_wrong_output_breaks_a_rule(name):
    ticks = DEFECTS[name](safety.ticks_of(0))

    assert any(broken(ticks).values())


def rewired(origin: str, target: str, where=None) -> safety.Ticks:
    """The enumeration with all ticks from one state (for the inputs `where`) led to a state of another name."""
    ticks = safety.ticks_of(0)
    column = ticks.all.column("state")
    to = int(np.flatnonzero(column == state_number(target))[0])
    chosen = np.broadcast_to(
        (ticks.before["state"] == state_number(origin)) & (True if where is None else where(ticks)),
        ticks.all.next.shape,
    )
    following = np.where(chosen, to, ticks.all.next)
    changed = replace(ticks.all, next=following.astype(np.int32))
    after = {name: changed.column(name)[changed.next] for name in ticks.after}
    return replace(ticks, all=changed, after=after)


REWIRED = {
    "emergency stop left without reset": (
        "emergency_stop",
        "stopped",
        lambda t: ~t.stop_open & ~t.held,
        "emergency_stop",
    ),
    "emergency stop left with the device held": (
        "emergency_stop",
        "stopped",
        lambda t: ~t.stop_open & t.reset_edge,
        "emergency_stop",
    ),
    "emergency stop left while open": ("emergency_stop", "stopped", lambda t: t.reset_edge & ~t.held, "emergency_stop"),
    "fault left while present": ("fault", "stopped", lambda t: t.reset_edge & ~t.held & ~t.stop_open, "fault"),
    "stop ignored in running": ("running", "running", lambda t: t.stop_open & t.held, "emergency_stop"),
    "release ignored in running": ("running", "running", lambda t: ~t.held & ~t.stop_open, "restart"),
    "straight from stopped to running": ("stopped", "running", lambda t: t.held & ~t.stop_open & ~t.key, "restart"),
    "back from stopping to running": ("stopping", "running", lambda t: t.held & ~t.stop_open, "restart"),
    "matching straight after power-up": ("powering_up", "matching", lambda t: t.held & ~t.stop_open, "power_up"),
}


@pytest.mark.parametrize("name", REWIRED)
def test_a_wrong_transition_breaks_a_rule_of_its_limit(name):
    origin, target, where, limit = REWIRED[name]

    assert broken(rewired(origin, target, where))[limit]


def test_a_broken_rule_tells_the_shortest_way_to_it():
    found = broken(rewired("emergency_stop", "stopped", lambda t: ~t.stop_open & ~t.held))["emergency_stop"]

    assert "from power-up" in found[0]
    assert "then [" in found[0]


def test_four_events_in_order_reach_an_enabled_state():
    """Stop, release, reset, command: after an emergency stop motion comes back only in this order, and it does come
    back.
    """
    ticks = safety.ticks_of(0)
    start, edge = (state_number("emergency_stop"),), ticks.reset_edge
    enabled = np.isin(ticks.all.column("state"), [state_number("running")])

    assert np.any(safety._reached(ticks, start, np.ones_like(edge)) & enabled)
    assert not np.any(safety._reached(ticks, start, ~edge) & enabled)
    assert not np.any(safety._reached(ticks, start, ticks.held) & enabled)
    assert not np.any(safety._reached(ticks, start, ticks.stop_open) & enabled)


def test_moving_variants_do_move_and_standing_ones_do_not():
    found = transitions(0)
    running = np.flatnonzero(
        (found.column("state") == state_number("running")) & (found.column("authority_q16") == 65_536)
    )[0]
    kept = HEALTHY_HELD
    flags = found.flags[running, kept]

    for number, variant in enumerate(VARIANTS):
        if variant.faulty:
            assert flags[number] == 0, variant.name
        elif variant.moving:
            assert flags[number] & MOVES, variant.name


HEALTHY_HELD = INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"] | INPUT_BITS["enabling"]


@pytest.mark.parametrize("name", [STAND, "kerb-arm"])
def test_pilot_brings_every_joint_to_motion(name):
    profile = profile_of(text_of(name))
    table = compile_table(profile)
    live = load_core().table(encode_table(table))
    running = running_state(table, live)

    assert running.moving
    out = run_each(live, running.state, running.row[None, :], 1)
    assert np.all(drives(out, len(table.joints))[0] != 0)


def test_short_scenarios_equal_the_law_run_tick_by_tick():
    table = compile_table(profile_of(text_of(STAND)))
    live = load_core().table(encode_table(table))
    running = running_state(table, live)
    rows = np.tile(running.row, (5, 1))
    rows[:, 3] += np.array([0, 7, -9, 300, -4000], dtype=np.int32)
    rows[:, 3] = np.clip(rows[:, 3], 0, 4095)
    out = run_each(live, running.state, rows, 6)

    for row, last in zip(rows, out, strict=True):
        state = live.start()
        state.load(running.state)
        assert np.array_equal(live.run(state, np.tile(row, (6, 1)))[-1], last)


def test_category_one_profile_holds_within_its_relay():
    text = with_value(text_of(STAND), "emergency_stop.category", "1")
    text = text.replace("[emergency_stop]\n", '[emergency_stop]\ndelayed_off_relay = "800 ms"\n')
    result = check_text(text)
    stop = next(item for item in result.findings if item.limit == "emergency_stop")

    assert bad(result) == []
    assert stop.bound == 800
    assert stop.worst is not None
    assert 5 < stop.worst <= 800


def test_fields_are_those_of_the_enumerator():
    assert len(FIELDS) == transitions(0).states.shape[1]
