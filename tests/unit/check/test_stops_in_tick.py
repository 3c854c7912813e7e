"""Whole ticks of the law at the stops: a law whose tick does not call a stage, or not on what goes to the valve, fails
the check under the name of the limit that rests on it, though every stage by itself is sound.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from check_case import KERB, STAND, check_text, check_with, profile_of, text_of
from law_library import law_with, run_by_the_check

from mapper.check import Evidence, Status
from mapper.check.law.pilot import running_state
from mapper.check.law.stop_tries import stop_tries
from mapper.check.law.stops_in_tick import in_whole_ticks, whole_ticks
from mapper.law import load_core
from mapper.table import compile_table, encode_table
from mapper.table.table import Table

ASKED_PAIR = ("law.c", "    coupled_step(table, state, wanted, out);\n", "")
RAMPED_PAIR = ("law.c", "    coupled_step(table, state, speed_mdeg_s, out);\n", "")
TIP_SCALE = ("law.c", "    tip_scale(table, state->mode, wanted, out);\n", "")
TIP_HOLD = ("law.c", "    tip_hold(table, state, speed_mdeg_s, out);\n", "")
RAMPED_SOFT = ("law.c", "motion_soft_stop(&look[i], ramped, &out->joint[i].flags);", "ramped;")
ASKED_SOFT = ("motion.c", "    wanted = motion_soft_stop(look, wanted, flags);\n", "    (void)look;\n")
ASKED_LIMIT = ("law.c", "motion_limit(joint, &look[i], state->mode, asked, flags);", "asked;")
SOFT = ("soft_stop_overrun_upper", "soft_stop_overrun_lower")

# What the tick leaves out: profile, changes, limits that then must not hold, rules that are named (none: a stage by
# itself shows it).
LEFT_OUT = {
    "the soft stops after the ramp": (STAND, (RAMPED_SOFT,), SOFT, ("L7c",)),
    "the soft stops in what is asked for": (STAND, (ASKED_SOFT,), SOFT, ()),
    "soft stops and speed limits in what is asked for": (STAND, (ASKED_LIMIT,), (*SOFT, "speed_limit"), ("L6b", "L6a")),
    "soft stops everywhere": (STAND, (ASKED_LIMIT, RAMPED_SOFT), (*SOFT, "speed_limit"), ("L6b and L7c", "L6a")),
    "the ramp": (STAND, (("law.c", "ramped = motion_ramp(joint, own, decelerate, out->joint[i].wanted_mdeg_s);",
                          "ramped = out->joint[i].wanted_mdeg_s; (void)decelerate;"),), ("ramp",), ("L7a",)),
    "coupled stops and the tip limit": (KERB, (ASKED_PAIR, RAMPED_PAIR, TIP_SCALE, TIP_HOLD),
                                        ("coupled_stops", "tip_speed"), ("L6c and L7f", "L6f and L7g")),
}  # fmt: skip
ONE_CALL = {
    "both calls for coupled stops": (KERB, (ASKED_PAIR, RAMPED_PAIR), ("coupled_stops",), ("L6c and L7f",)),
    "coupled stops in what is asked for": (KERB, (ASKED_PAIR,), ("coupled_stops",), ("L6c",)),
    "coupled stops after the ramp": (KERB, (RAMPED_PAIR,), ("coupled_stops",), ("L7f",)),
    "the tip limit in what is asked for": (KERB, (TIP_SCALE,), ("tip_speed",), ("L6f",)),
    "the tip limit after the ramp": (KERB, (TIP_HOLD,), ("tip_speed",), ("L7g",)),
    "the soft stops of a whole arm": (KERB, (RAMPED_SOFT,), SOFT, ("L7c",)),
}


def table_of(name: str) -> Table:
    return compile_table(profile_of(text_of(name)))


def fails_the_whole_check(monkeypatch, tmp_path, defect) -> None:
    name, changes, limits, rules = defect
    run_by_the_check(monkeypatch, law_with(tmp_path, changes))

    result = check_with(profile_of(text_of(name)), table_of(name))

    assert not result.holds
    found = [finding for finding in result.findings if finding.limit in limits]
    assert {finding.limit for finding in found} == set(limits)
    assert {finding.status for finding in found} <= {Status.NOT_SHOWN, Status.VIOLATED}
    assert all(finding.advice.startswith("do not use this build of the law") for finding in found)
    for rule in rules:
        assert any(f"rule {rule} is broken in the tick" in finding.advice for finding in found), rule


@pytest.mark.parametrize("left_out", LEFT_OUT)
def test_a_tick_that_leaves_something_out_fails_the_whole_check(monkeypatch, tmp_path, left_out):
    fails_the_whole_check(monkeypatch, tmp_path, LEFT_OUT[left_out])


@pytest.mark.deep
@pytest.mark.parametrize("left_out", ONE_CALL)
def test_a_tick_that_leaves_one_call_out_fails_the_whole_check(monkeypatch, tmp_path, left_out):
    fails_the_whole_check(monkeypatch, tmp_path, ONE_CALL[left_out])


@pytest.mark.parametrize("left_out", ONE_CALL)
def test_a_tick_that_leaves_one_call_out_breaks_just_that_rule(monkeypatch, tmp_path, left_out):
    name, changes, limits, rules = ONE_CALL[left_out]
    core, table = law_with(tmp_path, changes), table_of(name)
    run_by_the_check(monkeypatch, core)
    live = core.table(encode_table(table))

    evidence = whole_ticks(table, live, running_state(table, live))

    broken = {(one.limit, rule) for one in evidence for rule, count in zip(one.rules, one.broken, strict=True) if count}
    assert broken == {(limit, rule) for limit in limits for named in rules for rule in named.split(" and ")}


@pytest.mark.parametrize("name", [KERB, STAND])
def test_the_law_as_it_is_breaks_none(name):
    table = table_of(name)
    live = load_core().table(encode_table(table))
    running = running_state(table, live)

    evidence = whole_ticks(table, live, running)

    tries = stop_tries(table, live, running.row)
    tried = {True: np.count_nonzero(tries.reduced), False: tries.reduced.size}
    assert all(sum(one.broken) == 0 and one.tried == tried[one.limit == "tip_speed"] for one in evidence)
    stopped = sum(not joint.continuous for joint in table.joints)
    assert len(evidence) == 2 * stopped + 2 * len(table.joints) + bool(table.coupled) + 1


@pytest.mark.parametrize("name", [KERB, STAND])
def test_at_every_soft_stop_the_ramp_alone_would_be_too_fast_before_at_and_beyond_it(name):
    """So each has something to lower: speeds of the tick before that a tick of ramp leaves above the curve."""
    table = table_of(name)
    live = load_core().table(encode_table(table))
    tries = stop_tries(table, live, running_state(table, live).row)

    for index, joint in enumerate(table.joints):
        for side, sign, nearer in ((0, 1, tries.larger), (1, -1, tries.smaller)) if not joint.continuous else ():
            room = sign * (joint.soft_stop_mdeg[side] - nearer[:, index])
            curve = live.curve(index, 5 + side, np.maximum(room, 0).astype(np.int32))
            fast = sign * tries.before[:, index] - joint.decelerate_mdeg_s > np.where(room > 0, curve, 0)
            for where in (room < -1000, abs(room) < 100, (room > 0) & (room < 1000), room > 5000):
                assert np.count_nonzero(fast & where & tries.reduced) >= 10
                assert np.count_nonzero(fast & where & ~tries.reduced) >= 10


def test_both_joints_close_a_coupled_stop_before_at_and_beyond_it():
    table = table_of(KERB)
    live = load_core().table(encode_table(table))
    tries = stop_tries(table, live, running_state(table, live).row)
    (stop,) = table.coupled
    assert stop.joints == (1, 2)
    assert stop.weights_e3 == (-1000, -1000)
    room = stop.limit_mdeg + tries.smaller[:, 1] + tries.smaller[:, 2]
    closing = (tries.before[:, 1] < 0) & (tries.before[:, 2] < 0)

    for where in (room < -1000, abs(room) < 100, (room > 100) & (room < 10_000), room > 30_000):
        assert np.count_nonzero(where & closing) >= 30


@pytest.mark.parametrize("name", [KERB, STAND])
def test_what_was_tried_counts_as_cases_and_is_told(name):
    result = check_text(text_of(name))

    found = [
        one for one in result.findings if one.limit in (*SOFT, "speed_limit", "ramp", "coupled_stops", "tip_speed")
    ]
    assert found
    for one in found:
        assert one.status is Status.HOLDS
        assert one.evidence is not Evidence.NONE
        tried = int(one.detail.split("; and none of ")[1].split(" ")[0])
        assert one.cases > tried > 4000


def test_speeds_that_differ_by_direction_are_no_alarm():
    """The stand with half the speed downwards: no state is made up that the law could not be in."""
    lever = table_of(STAND).joints[0]
    table = replace(table_of(STAND), joints=(replace(lever, speed_full_mdeg_s=(30_000, 12_000)),))
    live = load_core().table(encode_table(table))

    assert not any(sum(one.broken) for one in whole_ticks(table, live, running_state(table, live)))


def test_a_law_that_does_not_run_shows_nothing():
    profile, table = profile_of(text_of(STAND)), table_of(STAND)
    live = load_core().table(encode_table(table))
    running = replace(running_state(table, live), moving=False, rest_state=bytes(live.start()))
    before = check_text(text_of(STAND)).findings

    after = in_whole_ticks(profile, table, live, running, before)

    assert whole_ticks(table, live, running) is None
    concerned = (*SOFT, "speed_limit", "ramp", "coupled_stops", "tip_speed")
    assert {one.status for one in after if one.limit in concerned} == {Status.NOT_SHOWN}
    assert [one for one in after if one.limit not in concerned] == [one for one in before if one.limit not in concerned]


def test_a_limit_that_is_violated_stays_so_and_says_that_the_law_is_broken(monkeypatch, tmp_path):
    core, table = law_with(tmp_path, (RAMPED_SOFT,)), table_of(STAND)
    run_by_the_check(monkeypatch, core)
    live = core.table(encode_table(table))
    violated = replace(check_text(text_of(STAND)).findings[0], limit=SOFT[0], joint="lever", status=Status.VIOLATED)

    (found,) = in_whole_ticks(profile_of(text_of(STAND)), table, live, running_state(table, live), (violated,))

    assert found.status is Status.VIOLATED
    assert found.advice.startswith("do not use this build of the law: rule L7c is broken in the tick; ")
