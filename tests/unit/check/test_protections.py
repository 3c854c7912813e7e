"""Protections that are set too wide, or too tight, do not hold; the number advised does."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from check_case import KERB, STAND, bad, check_text, context_of, finding, profile_of, text_of, with_value

from mapper.check import Status
from mapper.check.changes import joint_changes
from mapper.check.law.protection import matching, motion_watches, sensor_step

ADVISED = re.compile(r'((?:joints|start)\.[\w.]+) = ("[^"]*")')

# Path, just inside, just outside, limit, joint.
CASES = [
    ("joints.lever.follow.match_window", '"10 deg"', '"10.1 deg"', "matching", "lever"),
    ("start.authority_ramp", '"500 ms"', '"495 ms"', "matching", None),
    ("start.match_hold", '"100 ms"', '"95 ms"', "matching", None),
    ("start.pump_load", '"5 ms"', '"0 ms"', "matching", None),
    ("joints.lever.watch.stall_flow", '"5.6 %"', '"5.7 %"', "motion_watches", "lever"),
    ("joints.lever.watch.stall_angle", '"1.2 deg"', '"1.3 deg"', "motion_watches", "lever"),
    ("joints.lever.watch.stall_angle", '"0.06 deg"', '"0.05 deg"', "motion_watches", "lever"),
    ("joints.lever.watch.stall_time", '"5 s"', '"5.1 s"', "motion_watches", "lever"),
    ("joints.lever.watch.settle", '"5 s"', '"5.1 s"', "motion_watches", "lever"),
    ("joints.lever.watch.still_angle", '"5 deg"', '"5.1 deg"', "motion_watches", "lever"),
    ("joints.lever.position.disagreement", '"5 deg"', '"5.1 deg"', "motion_watches", "lever"),
    ("joints.lever.position.rate_max", '"450 deg/s"', '"451 deg/s"', "sensor_step", "lever"),
    ("joints.lever.operator.rate_max", '"3000 deg/s"', '"3001 deg/s"', "sensor_step", "lever"),
]


@pytest.mark.parametrize(("path", "inside", "outside", "limit", "joint"), CASES)
def test_just_inside_holds_just_outside_does_not_and_the_number_advised_does(path, inside, outside, limit, joint):
    assert bad(check_text(with_value(text_of(STAND), path, inside))) == []

    outer = with_value(text_of(STAND), path, outside)
    found = finding(check_text(outer), limit, joint)
    assert bad(check_text(outer)) == [(limit, joint)]
    assert found.margin is not None
    assert found.margin < 0
    written = ADVISED.findall(found.advice)
    assert [name for name, _ in written] == [path]
    for name, value in written:
        outer = with_value(outer, name, value)
    assert bad(check_text(outer)) == []


@pytest.mark.deep
def test_an_arm_with_its_protections_turned_off_does_not_hold():
    text = text_of(KERB)
    for path, value in (
        ("joints.boom_swing.follow.match_window", '"60 deg"'),
        ("joints.boom_swing.watch.stall_flow", '"100 %"'),
        ("joints.boom_swing.watch.still_angle", '"45 deg"'),
        ("joints.boom_swing.position.disagreement", '"80 deg"'),
        ("joints.boom_swing.position.rate_max", '"20000 deg/s"'),
        ("start.authority_ramp", '"5 ms"'),
        ("start.pump_load", '"0 ms"'),
    ):
        text = with_value(text, path, value)
    result = check_text(text)

    swing = [(limit, "boom_swing") for limit in ("stuck_sensor", "sensor_step", "matching", "motion_watches")]
    assert bad(result) == [*swing, ("matching", None)]
    watches = finding(result, "motion_watches", "boom_swing").advice
    assert all(key in watches for key in ("still_angle", "disagreement", "stall_flow"))
    for item in result.findings:
        for path, value in ADVISED.findall(item.advice):
            text = with_value(text, path, value)
    assert bad(check_text(text)) == []


def test_match_window_is_at_most_half_the_gap():
    text = with_value(text_of(STAND), "joints.lever.follow.gap", '"7.9 deg"')
    found = finding(check_text(text), "matching", "lever")

    assert (found.status, found.worst, found.bound) == (Status.VIOLATED, 4, 3.95)
    assert 'match_window = "3.9 deg"' in found.advice


def test_bounds_without_a_source_say_so():
    result = check_text(text_of(STAND))

    assert "10 deg (common practice, no source)" in finding(result, "matching", "lever").detail
    assert "half the gap" in finding(result, "matching", "lever").detail
    assert "common practice, no source" in finding(result, "sensor_step", "lever").detail


def test_least_that_the_window_may_ask_for_is_told():
    """4 deg times 2.0 1/s is 8 deg/s."""
    assert "at the start is 8 deg/s" in finding(check_text(text_of(STAND)), "matching", "lever").detail


def test_a_joint_that_runs_by_itself_at_reduced_speed_is_seen():
    """8 deg/s in 200 ms of still_time is 1.6 deg."""
    text = with_value(text_of(STAND), "joints.lever.watch.still_time", '"200 ms"')
    found = finding(check_text(text), "motion_watches", "lever")

    assert (found.status, found.worst, found.bound) == (Status.VIOLATED, 2, 1.6)
    assert 'still_angle = "1.6 deg"' in found.advice


def test_too_short_a_stall_time_is_a_false_alarm_and_a_longer_one_is_advised():
    text = with_value(text_of(STAND), "joints.lever.watch.stall_time", '"120 ms"')
    found = finding(check_text(text), "motion_watches", "lever")

    assert found.status is Status.VIOLATED
    for path, value in ADVISED.findall(found.advice):
        text = with_value(text, path, value)
    assert "stall_time" in found.advice
    assert bad(check_text(text)) == []


def test_two_tracks_of_an_operator_are_bounded_too():
    profile = profile_of(text_of(STAND))
    own = context_of(profile, "lever").table.operator
    second = replace(own.tracks[0], input=3)
    for apart, status in ((10_000, Status.HOLDS), (10_001, Status.VIOLATED)):
        sensor = replace(own, tracks=(own.tracks[0], second), disagreement=apart)
        assert motion_watches(context_of(profile, "lever", operator=sensor)).status is status


def test_limits_look_at_the_compiled_table():
    profile = profile_of(text_of(STAND))
    position = context_of(profile, "lever").table.position

    wide = context_of(profile, "lever", position=replace(position, step_max=20_000))
    assert sensor_step(wide).status is Status.VIOLATED
    found = matching(context_of(profile, "lever", match_window_mdeg=10_001))
    assert found is not None
    assert found.status is Status.VIOLATED
    assert motion_watches(context_of(profile, "lever", stall_flow_e4=10_000)).status is Status.VIOLATED


def test_a_lever_needs_no_match_window_and_its_step_is_a_share():
    """100 shares a second are 10000 %/s; at 200 ticks a second that is 50 % a tick."""
    context = context_of(profile_of(text_of(KERB)), "wrist_roll")
    wide = replace(context, table=replace(context.table, operator=replace(context.table.operator, step_max=5050)))

    assert matching(context) is None
    assert sensor_step(context).status is Status.HOLDS
    assert sensor_step(wide).status is Status.VIOLATED


# -- windows -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("inside", "outside"), [((82, 3895), (81, 3895)), ((200, 4013), (200, 4014)), ((82, 4013), (1, 4094))]
)
def test_window_leaves_room_for_a_broken_wire_at_both_ends(inside, outside):
    """2 % of 4095 counts is 81.9."""

    def text(window: tuple[int, int]) -> str:
        return text_of(STAND).replace(
            "window = {lower = 200, upper = 3895}", f"window = {{lower = {window[0]}, upper = {window[1]}}}"
        )

    assert bad(check_text(text(inside))) == []
    result = check_text(text(outside))
    found = finding(result, "sensor_window", "lever")
    assert bad(result) == [("sensor_window", "lever")]
    assert (found.unit, found.bound, found.at_least) == ("counts", 82, True)
    assert found.worst == min(outside[0], 4095 - outside[1])
    assert found.margin is not None
    assert found.margin < 0
    assert "operator.tracks[0].window: lower at least 82 and upper at most 4013" in found.advice


# -- margins, notes, and what leans on what ----------------------------------------------------------------------------


def test_no_margin_where_the_worst_counts_faults_or_is_the_bound_by_design():
    result = check_text(text_of(STAND))
    without = {item.limit for item in result.findings if item.margin is None}

    assert without == {
        "as_written",
        "drive_range",
        "deadband_zero",
        "direction",
        "ramp",
        "gain_spread",  # the compiler counts the spread that there is
        "pump_share",  # a pump that gives all that is asked for, where all is asked for
        "track_disagreement",
        "two_tracks",
        "load_holding",
        "emergency_stop",
        "fault",
        "power_up",
        "restart",
        "release",
    }
    assert all(item.margin > 0 for item in result.findings if item.margin is not None)


def test_room_that_full_speed_needs_is_told():
    """By the law: one millidegree less room allows less than full speed."""
    context = context_of(profile_of(text_of(STAND)), "lever")
    note = check_text(text_of(STAND)).notes[0]
    words = re.fullmatch(
        r"positive: full speed \(30 deg/s\) needs ([\d.]+) deg of room before a soft stop; in the middle of the "
        r"travel at most ([\d.]+) deg/s",
        note.text,
    )

    assert words is not None
    room = float(words[1]) * 1000
    allowed = context.live.curve(0, 5, [int(room - 60), int(room + 60), 30_000])
    assert allowed[0] < 30_000 <= allowed[1]
    assert float(words[2]) == pytest.approx(min(allowed[2], 30_000) / 1000, abs=0.06)


def test_a_travel_too_short_for_full_speed_is_told():
    notes = [note for note in check_text(text_of(KERB)).notes if "full speed (" in note.text]

    stopped = ["boom_swing", "boom_lift", "elbow", "wrist_pitch", "clamp"]
    assert list(dict.fromkeys(note.joint for note in notes)) == stopped
    text = with_value(text_of(STAND), "joints.lever.limits.soft_stops.upper", '"-24 deg"')
    assert "is never reached" in check_text(text).notes[0].text


WAIVER = '\n[[waivers]]\nlimit = "flow_available"\njoint = "lever"\nreason = "tried at full speed"\n'


def test_a_waived_shortage_of_flow_leaves_the_overrun_not_shown():
    text = with_value(text_of(STAND), "supply.flow", '"4 l/min"') + WAIVER
    result = check_text(text)

    assert finding(result, "flow_available", "lever").status is Status.WAIVED
    for limit in ("soft_stop_overrun_upper", "soft_stop_overrun_lower"):
        found = finding(result, limit, "lever")
        assert (found.status, found.worst, found.margin) == (Status.NOT_SHOWN, None, None)
        assert "L7d" in found.detail


def test_one_number_satisfies_all_advice_on_the_same_speed():
    text = with_value(text_of(STAND), "supply.flow", '"3 l/min"')
    text = with_value(text, "joints.lever.limits.speed_never_above", '{positive = "40 deg/s", negative = "40 deg/s"}')
    result = check_text(text)
    changes = joint_changes(result.findings)

    assert {"speed_limit", "flow_available"} <= {limit for limit, _ in bad(result)}
    assert changes
    for item in result.findings:
        for path, value in ADVISED.findall(item.advice):
            if not any(change.startswith(path) for change in changes):
                text = with_value(text, path, value)
    for change in changes:
        path, value = ADVISED.findall(change)[0]
        text = with_value(text, path, value)
    assert bad(check_text(text)) == []


def test_the_same_advice_twice_needs_no_extra_line():
    result = check_text(with_value(text_of(STAND), "supply.flow", '"4 l/min"'))

    assert joint_changes(result.findings) == ()


@pytest.mark.parametrize("most", [25, 40])
def test_speed_advised_holds_far_from_the_edge_too(most):
    """Hysteresis adds the same to a slow command as to a fast one: a number in proportion would not hold."""
    never = f'{{positive = "{most} deg/s", negative = "{most} deg/s"}}'
    text = with_value(text_of(STAND), "joints.lever.limits.speed_never_above", never)
    found = finding(check_text(text), "speed_limit", "lever")

    for path, value in ADVISED.findall(found.advice):
        text = with_value(text, path, value)
    assert found.status is Status.VIOLATED
    assert ("speed_limit", "lever") not in bad(check_text(text))
