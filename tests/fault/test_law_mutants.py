"""A law that is broken on purpose is caught by the exhaustive part of the check, under the name of the limit that the
defect is about. Many of the defects show only after four events in order, as: stop, release, reset, command.
"""

from __future__ import annotations

import pytest
from check_case import STAND, profile_of, text_of
from law_library import changed_law, run_by_the_check

from mapper.check import Status
from mapper.check.law.exhaust import VARIANTS, enumerated, short_table
from mapper.check.law.pilot import running_state
from mapper.check.law.safety_rules import GROUPS, broken_rules, ticks_of
from mapper.check.law.slowing import slowing
from mapper.table import compile_table, encode_table

# Defect: file, what it says, what it says instead, the limits under whose name it is reported.
ORDERED = {
    "the emergency stop is left with the device held: stop, hold, reset, and it runs at once": (
        "safety.c",
        "    if (!buttons->stop_open && !buttons->held && buttons->reset_edge) {",
        "    if (!buttons->stop_open && buttons->reset_edge) {",
        {"emergency_stop"},
    ),
    "a reset during the stop is remembered: stop, reset, close, release": (
        "safety.c",
        "    if (!buttons->stop_open && !buttons->held && buttons->reset_edge) {",
        "    state->permit = state->permit || buttons->reset_edge;\n"
        "    if (!buttons->stop_open && !buttons->held && state->permit) {",
        {"emergency_stop", "restart"},
    ),
    "after a release the device need not be seen released: run, release, press while it slows": (
        "safety.c",
        "        state->seen_released = acknowledged;",
        "        state->seen_released = acknowledged || from == LAW_STOPPING;",
        {"restart"},
    ),
    "the match time goes on where it was: match, release, press, and it runs too early": (
        "safety.c",
        "    state->state_ticks = 0;\n    state->match_ticks = 0;\n}",
        "    state->state_ticks = 0;\n}",
        {"restart"},
    ),
    "a press is added to the one before: reset, let go, reset": (
        "safety.c",
        "    const uint32_t pressed = state->press_ticks;\n    state->press_ticks = 0;",
        "    const uint32_t pressed = state->press_ticks;\n    state->press_ticks = pressed > 1u ? 0u : pressed;",
        {"restart"},
    ),
    "a discrepancy is forgotten when the channels agree: differ, agree closed, release, reset": (
        "safety.c",
        "    if (!first_closed && !second_closed) {\n        state->both_must_open = false;",
        "    if (first_closed == second_closed) {\n        state->both_must_open = false;",
        {"fault"},
    ),
    "a stop while slowing down after a release is not taken: run, release, stop": (
        "safety.c",
        "    if (buttons->stop_open && table->stop_category == 0) {\n",
        "    if (buttons->stop_open && table->stop_category == 0 && state->cause == LAW_CAUSE_STOP) {\n",
        {"emergency_stop"},
    ),
    "authority is kept from the run before: run, release, press, match": (
        "safety.c",
        "    if (!safety_moves(state->state) || from == LAW_MATCHING) {",
        "    if (state->state == LAW_FAULT || state->state == LAW_EMERGENCY_STOP) {",
        {"restart"},
    ),
    "the mode rises in mid-motion: reduced, match, run, full": (
        "safety.c",
        "    if (!safety_enables(state->state) || entered_matching || asked == TABLE_REDUCED) {",
        "    if (!safety_enables(state->state) || entered_matching || asked == TABLE_REDUCED || state->state == "
        "LAW_RUNNING) {",
        {"restart"},
    ),
    "a fault is left while it lasts: fault, release, reset": (
        "safety.c",
        "    const bool cause_gone = fault->cause == LAW_CAUSE_NONE && all_ready(table, state);",
        "    const bool cause_gone = fault->cause != LAW_CAUSE_DISCREPANCY && all_ready(table, state);",
        {"fault"},
    ),
    "the service key is not looked at: reset, key on, release, press": (
        "safety.c",
        "    if (state->permit && state->seen_released && buttons->held && !buttons->key) {",
        "    if (state->permit && state->seen_released && buttons->held) {",
        {"restart", "power_up"},
    ),
    "stopping goes back to running when the device is pressed again: run, release, press": (
        "safety.c",
        "    const bool by_stop = state->cause == LAW_CAUSE_STOP;\n    CORE_ASSERT(by_stop",
        "    if (buttons->held && !buttons->stop_open && state->cause == LAW_CAUSE_RELEASED) {\n"
        "        enter(state, LAW_RUNNING, LAW_CAUSE_NONE, LAW_NO_JOINT);\n        return;\n    }\n"
        "    const bool by_stop = state->cause == LAW_CAUSE_STOP;\n    CORE_ASSERT(by_stop",
        {"restart"},
    ),
    "power-up gives the permit: power on, release, press": (
        "safety.c",
        "        state->permit = acknowledged || (state->permit && from != LAW_POWERING_UP);",
        "        state->permit = true;",
        {"power_up", "restart"},
    ),
}

# Seen only with two joints that differ.
JOINTS = {
    "the second joint need not be matched": (
        "safety.c",
        "        if (!state->joint[i].matched) {",
        "        if (i == 0 && !state->joint[i].matched) {",
        {"restart"},
    ),
    "one matched joint is enough": (
        "safety.c",
        "        if (!state->joint[i].matched) {\n            return false;\n        }\n    }\n    return true;",
        "        if (state->joint[i].matched) {\n            return true;\n        }\n    }\n    return false;",
        {"restart"},
    ),
    "the second joint's sensors need not be ready": (
        "safety.c",
        "        const table_joint_t *joint = &table->joint[i];\n        if (!sense_ready(",
        "        const table_joint_t *joint = &table->joint[i];\n        if (i > 0) {\n            return true;\n"
        "        }\n        if (!sense_ready(",
        {"power_up"},
    ),
}


@pytest.fixture
def core_of(tmp_path, monkeypatch):
    def build(defect):
        core = changed_law(tmp_path, *defect[:3])
        run_by_the_check(monkeypatch, core)
        return core

    return build


def broken_limits(wanted: set[str] | None = None) -> set[str]:
    """Limits of which a rule is broken, in either stop category; of the first only, where it breaks all that is
    wanted.
    """
    broken: set[str] = set()
    for category in (0, 1):
        if wanted is not None and wanted <= broken:
            break
        ticks = ticks_of(enumerated(short_table(category)))
        broken |= {limit for limit, rules in GROUPS if broken_rules(ticks, limit, rules)}
    return broken


@pytest.mark.parametrize("name", ORDERED)
def test_a_defect_that_shows_after_events_in_order_is_caught(name, core_of):
    core_of(ORDERED[name])

    assert ORDERED[name][3] <= broken_limits(ORDERED[name][3])


@pytest.mark.parametrize("name", JOINTS)
def test_a_defect_of_one_joint_of_two_is_caught(name, core_of):
    core_of(JOINTS[name])

    assert JOINTS[name][3] <= broken_limits(JOINTS[name][3])


def test_the_same_judge_passes_the_law_as_it_is(core_of):
    core_of(("safety.c", "return !safety_enables(state->state);", "return !safety_enables(state->state); /* same */"))

    assert broken_limits() == set()
    assert len(VARIANTS) == 15


SLOWING = {
    "stopping goes on following the operator": (
        "law.c",
        "state->state == LAW_STOPPING ? 0 : demand_speed(",
        "demand_speed(",
    ),
    "stopping takes the ordinary deceleration's half": (
        "law.c",
        "stopping ? joint->stop_mdeg_s : joint->decelerate_mdeg_s",
        "stopping ? joint->stop_mdeg_s / 2 : joint->decelerate_mdeg_s",
    ),
    "from small speeds it does not slow": (
        "motion.c",
        "    const int32_t slower = speed - decelerate;",
        "    const int32_t slower = speed < 3 ? speed : speed - decelerate;",
    ),
    "it slows past zero": (
        "motion.c",
        "    return slower > floor_speed ? slower : floor_speed;",
        "    return target > 0 && slower < floor_speed ? floor_speed : slower;",
    ),
}


@pytest.mark.parametrize("name", SLOWING)
def test_a_law_that_does_more_than_slow_in_stopping_is_caught(name, core_of):
    core = core_of(SLOWING[name])
    profile = profile_of(text_of(STAND))
    table = compile_table(profile)
    live = core.table(encode_table(table))

    found = slowing(profile, table, live, running_state(table, live))

    assert (found.status, found.unit) == (Status.VIOLATED, "tries")
    assert found.worst > 0
