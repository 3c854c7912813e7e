"""The enumeration of the safety machine: complete, on the real law, and able to see a defect."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from check_case import STAND, bad, check_text, profile_of, text_of, with_value

from mapper.check.law import safety_rules as safety
from mapper.check.law.exhaust import (
    DIGITAL,
    FIELDS,
    MOVES,
    ONE_JOINT,
    VARIANTS,
    Timers,
    enumerated,
    short_table,
    state_number,
    transitions,
)
from mapper.check.law.pilot import drives, run_each, running_state
from mapper.law import INPUT_BITS, STATES, load_core
from mapper.law.core import IN_INTS
from mapper.table import compile_table, encode_table

CATEGORIES = (0, 1)


def broken(ticks: safety.Ticks) -> dict[str, list[str]]:
    return {limit: safety.broken_rules(ticks, limit, rules) for limit, rules in safety.GROUPS}


@pytest.mark.parametrize("category", CATEGORIES)
def test_every_state_and_input_is_tried_and_every_rule_holds(category):
    found = transitions(category)

    assert found.next.shape == (len(found.states), DIGITAL, len(VARIANTS))
    assert set(np.unique(found.next)) == set(range(len(found.states)))  # closed, and every state is reached
    assert {STATES[number] for number in found.column("state")} == set(STATES)
    assert broken(safety.ticks_of(transitions(category))) == {
        "emergency_stop": [],
        "fault": [],
        "power_up": [],
        "restart": [],
    }


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
        for lever in (2, 4):
            rows[:, lever] = np.where(rng.random(200) < 0.1, 800, 500)
            rows[:, lever + 1] = np.where(rng.random(200) < 0.005, 0, 500)
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
    ticks = DEFECTS[name](safety.ticks_of(transitions(0)))

    assert any(broken(ticks).values())


def rewired(origin: str, target: str, where=None) -> safety.Ticks:
    """The enumeration with all ticks from one state (for the inputs `where`) led to a state of another name."""
    ticks = safety.ticks_of(transitions(0))
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
    ticks = safety.ticks_of(transitions(0))
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


# -- one table stands for all ------------------------------------------------------------------------------------------

TIMERS = [
    Timers(),
    Timers(power_up=3, discrepancy=1, reset_min=1, reset_max=2, load=1, match=1, authority=1, stop=1, release=1),
    Timers(power_up=5, discrepancy=3, reset_min=1, reset_max=4, load=0, match=3, authority=3, stop=3, release=2),
    Timers(power_up=4, discrepancy=5, reset_min=3, reset_max=5, load=4, match=2, authority=5, stop=4, release=5),
]


@pytest.mark.parametrize("timers", TIMERS)
@pytest.mark.parametrize("category", CATEGORIES)
def test_every_rule_holds_with_other_timers_too(category, timers):
    ticks = safety.ticks_of(enumerated(short_table(category, timers)))

    assert not any(broken(ticks).values())
    assert {STATES[number] for number in ticks.all.column("state")} == set(STATES)


def _outcomes(timers: Timers) -> set[tuple[int, ...]]:
    """Every step as (state, cause, permit, seen released, both must open) before and after, inputs, variant."""
    found = enumerated(short_table(0, timers))
    columns = [FIELDS.index(name) for name in ("state", "cause", "permit", "seen_released", "both_must_open", "mode")]
    named = found.states[:, columns]
    before = np.broadcast_to(named[:, None, None, :], (*found.next.shape, len(columns)))
    after = named[found.next]
    digital = np.broadcast_to(np.arange(DIGITAL)[None, :, None, None], (*found.next.shape, 1))
    variant = np.broadcast_to(np.arange(len(VARIANTS))[None, None, :, None], (*found.next.shape, 1))
    rows = np.concatenate([before, digital, variant, after], axis=3).reshape(-1, 2 * len(columns) + 2)
    return set(map(tuple, np.unique(rows, axis=0).tolist()))


@pytest.mark.deep
def test_timers_change_when_a_step_comes_but_not_which_there_are():
    """With every timer at 2 or more, so that each can be both short of its end and at it."""
    usual = _outcomes(Timers())
    others = (
        Timers(power_up=4, discrepancy=3, reset_min=2, reset_max=4, load=3, match=3, stop=3, release=3),
        Timers(power_up=5, discrepancy=5, reset_min=3, reset_max=5, load=2, match=4, stop=5, release=2),
    )

    for timers in others:
        assert _outcomes(timers) == usual


def test_two_joints_differ_in_every_way_that_one_can():
    """Each condition of one joint comes with the other joint calm, on either joint."""
    assert len(VARIANTS) == 2 * len(ONE_JOINT) - 1
    for name in ("ready", "matched"):
        assert any(not getattr(one, name) for one in VARIANTS)
    for variant in ONE_JOINT[1:]:
        both = [one for one in VARIANTS if variant.name in one.name]
        assert len(both) == 2, variant.name
        assert {(one.ready, one.matched, one.moving, one.faulty) for one in both} == {
            (variant.ready, variant.matched, variant.moving, variant.faulty)
        }


def test_power_up_reconnect_and_a_new_table_begin_in_the_first_state_of_the_enumeration():
    """Rule L10s: a new table starts the law anew, and so does power; from there the enumeration has seen everything."""
    live = load_core().table(encode_table(short_table(0)))
    fresh = bytes(live.start())
    row = np.zeros((1, IN_INTS), dtype=np.int32)
    state = live.start()
    out = live.run(state, row)

    assert bytes(live.start()) == fresh
    assert out[0, 0] == state_number("powering_up")
    assert transitions(0).column("state")[0] == state_number("powering_up")
    assert tuple(transitions(0).parents[0]) == (-1, -1)


@pytest.mark.parametrize("category", CATEGORIES)
def test_an_emergency_stop_takes_the_drive_from_every_state_there_is(category):
    """Category 0 in the tick; category 1 from running and stopping only by way of the timed stop."""
    ticks = safety.ticks_of(transitions(category))
    states = ticks.all.column("state")
    opened = np.broadcast_to(ticks.stop_open, ticks.all.next.shape)
    driven = ticks.drives & opened
    origins = set(np.unique(np.broadcast_to(states[:, None, None], driven.shape)[driven]).tolist())

    moving = {state_number("running"), state_number("stopping")}
    assert origins <= (moving if category else set())
    assert opened.sum() == len(states) * 48 * len(VARIANTS)  # 3 of the 4 settings of the two channels


def test_link_and_store_have_no_way_to_the_law():
    """INV-LINK-1, by the sources: none of them knows the law's state; the controller alone does, and starts it anew
    where it starts itself and where it takes a table. That random traffic leaves every bit of it: test_link_messages.
    """
    core = Path(__file__).resolve().parents[3] / "firmware_stub" / "core"
    for name in ("frame", "link", "link_transfer", "store", "store_choice", "store_look"):
        for path in (core / f"{name}.c", core / f"{name}.h"):
            text = path.read_text(encoding="utf-8") if path.exists() else ""
            assert '#include "law' not in text
            assert "law_state_t" not in text
    text = (core / "controller.c").read_text(encoding="utf-8")
    used = re.findall(r"(\w+)\(&controller->table, &controller->law|(\w+)\(&controller->law\)", text)

    assert sorted(one or other for one, other in used) == ["law_at_standstill", "law_start", "law_start", "law_step"]
    assert len(re.findall(r"controller->law\b", text)) == 4
