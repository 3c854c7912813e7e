"""`stuck_sensor`: one of two tracks frozen, or the only one."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from check_case import KERB, STAND, bad, check_text, context_of, finding, profile_of, text_of, with_value

from mapper.check import Evidence, Status
from mapper.check.law import stuck_sensor as module
from mapper.check.law.pilot import running_state
from mapper.check.law.stuck_sensor import stuck_sensor
from mapper.check.law.tries import sense
from mapper.law import load_core
from mapper.table import compile_table, encode_table
from mapper.table.table import Curve

ADVISED = re.compile(r'joints\.(\S+) = ("[^"]*")')


def running_of(name: str):
    table = compile_table(profile_of(text_of(name)))
    return running_state(table, load_core().table(encode_table(table)))


def wide_stand(disagreement: str) -> str:
    """Ten degrees between soft and hard stops, so that motion_watches lets so much disagreement be."""
    text = with_value(text_of(STAND), "joints.lever.limits.soft_stops", '{lower = "-25 deg", upper = "25 deg"}')
    text = text.replace('joint = "-30 deg"}', 'joint = "-25 deg"}').replace('joint = "30 deg"}', 'joint = "25 deg"}')
    return with_value(text, "joints.lever.position.disagreement", f'"{disagreement}"')


def test_just_inside_holds_just_outside_does_not_and_the_number_advised_does():
    edge = finding(check_text(wide_stand("5 deg")), "stuck_sensor", "lever")
    most = int((edge.bound - edge.worst + 5) * 10) / 10  # the disagreement itself counts as it is
    assert bad(check_text(wide_stand(f"{most:g} deg"))) == []

    result = check_text(wide_stand(f"{most + 0.1:g} deg"))
    assert bad(result) == [("stuck_sensor", "lever")]
    path, value = ADVISED.findall(finding(result, "stuck_sensor", "lever").advice)[0]
    assert path == "lever.position.disagreement"
    assert bad(check_text(wide_stand(value.strip('"')))) == []


@pytest.mark.parametrize("joint", ["boom_swing", "wrist_roll", "clamp"])
def test_every_count_of_both_tracks_is_tried_both_ways(joint):
    context, running = context_of(profile_of(text_of(KERB)), joint), running_of(KERB)
    found = stuck_sensor(context, running)
    windows = [track.count_max - track.count_min + 1 for track in context.table.position.tracks]

    assert (found.status, found.evidence) == (Status.HOLDS, Evidence.EXHAUSTIVE)
    assert found.cases == 2 * sum(windows)
    assert "seen after 200 ticks on the compiled law" in found.detail


def test_way_is_disagreement_readings_and_the_time_to_notice():
    """2 deg, twice (0.5 deg and a count), and (4 + 1 + 2) ticks of 7 ms at the fastest real speed."""
    context, running = context_of(profile_of(text_of(STAND)), "lever"), running_of(STAND)
    found = stuck_sensor(context, running)
    given = {one.symbol: one.value for one in found.explanation.given}

    assert given["t"] == pytest.approx(49)
    assert found.worst == pytest.approx(2 + 2 * (0.5 + context.noise_deg) + given["v"] * 0.049, abs=1e-5)
    assert given["v"] > 45  # the pose is not known, so it is not the pose's own fastest speed


def test_a_live_track_that_cannot_leave_the_frozen_one_is_seen():
    """Calibrated to 34 deg only, one track goes no farther than that: frozen at 33 deg, the other is never missed."""
    own = compile_table(profile_of(text_of(STAND))).joints[0].position
    short = replace(own.tracks[1], curve=Curve(points=((400, 34_000), (3695, -40_000))))
    context = context_of(profile_of(text_of(STAND)), "lever", position=replace(own, tracks=(own.tracks[0], short)))
    found = stuck_sensor(context, running_of(STAND))

    assert (found.status, found.unit) == (Status.VIOLATED, "counts")
    assert "calibrate both tracks" in found.advice


def test_soft_stops_take_the_worse_track_whichever_is_frozen():
    """Live track at its soft stop, the other one frozen in the middle: no speed towards the stop, full speed back."""
    context = context_of(profile_of(text_of(STAND)), "lever")
    at_stop, middle = (3284, 811), (2048, 2047)  # 30.02 deg, and level; on track 0 and on track 1
    for frozen in (0, 1):
        counts = [at_stop[0], at_stop[1]]
        counts[frozen] = middle[frozen]
        seen = sense(context.live, 0, np.array([counts]), np.array([counts]), 1)
        assert (seen.cap_up[0], seen.larger[0] > 29_900) == (0, True)
        assert seen.cap_down[0] > 0


def test_a_soft_stop_that_took_one_track_alone_would_be_loose(monkeypatch):
    """Were the frozen track believed: the law told to have only that one."""

    def one_track(live, joint, first, then, ticks):
        found = sense(live, joint, first, then, ticks)
        return replace(found, cap_up=np.full_like(found.cap_up, 30_000))

    context, running = context_of(profile_of(text_of(STAND)), "lever"), running_of(STAND)
    monkeypatch.setattr(module, "sense", one_track)
    found = stuck_sensor(context, running)

    assert found.status is Status.VIOLATED
    assert "a soft stop allows more speed" in found.detail


def single_track(joint: str, text: str) -> str:
    """The joint's second position track taken out."""
    start = text.index(f"[joints.{joint}.position]")
    end = text.index("\n[joints.", start + 1)
    part = text[start:end]
    second = part.index("[[joints.", part.index("[[joints.") + 1)
    part = re.sub(r"disagreement = [^\n]*\n", "", part[:second])
    return re.sub(rf"\n{joint}_b = \d+[^\n]*", "", text[:start] + part + text[end:])


def test_a_single_track_hides_more_than_the_way_to_the_hard_stop():
    result = check_text(single_track("clamp", text_of(KERB)))
    found = finding(result, "stuck_sensor", "clamp")

    assert bad(result) == [("stuck_sensor", "clamp")]
    assert (found.bound, found.unit) == (3, "deg")
    assert "way below stall_flow" in found.detail
    assert "second track" in found.advice


def test_a_slow_joint_with_one_track_and_much_room_holds():
    """One that creeps at 1 deg/s at most has gone a few degrees when the watch sees it, or the operator lets go."""
    context, running = context_of(profile_of(text_of(KERB)), "wrist_roll"), running_of(KERB)
    track = replace(context.table.position, tracks=context.table.position.tracks[:1])
    single = replace(context, table=replace(context.table, position=track))
    slow = replace(
        single,
        table=replace(single.table, speed_full_mdeg_s=(1000, 1000), speed_reduced_mdeg_s=(1000, 1000)),
    )

    assert stuck_sensor(single, running).status is Status.VIOLATED
    assert stuck_sensor(slow, running).status is Status.HOLDS


def test_what_a_frozen_operators_sensor_does_is_told():
    result = check_text(text_of(KERB))

    assert "goes to that target and stands there" in finding(result, "stuck_sensor", "elbow").detail
    assert "goes on at that speed to its soft stop" in finding(result, "stuck_sensor", "clamp").detail
