"""Stops of a replay, run on in the stiff model: which, from where, what is said of them and what is left out."""

from __future__ import annotations

import dataclasses
import functools
import json
from fractions import Fraction

import numpy as np
import pytest
from replay_case import KERB, RECORDINGS, ROOT, STAND, still, worked_profile, worked_recording, worked_table

from mapper.cli import main
from mapper.profile.profile import ElectricDrive
from mapper.replay import find_stops, read_fault, report_html, run_replay, summarise
from mapper.replay.stop_page import more_text, stop_section
from mapper.replay.stops import stops_document

KERB_FILE = str(ROOT / "profiles" / "kerb-arm.toml")
PERSON = "person/forward-elevation-right.csv"


@functools.cache
def kerb_trace(*faults: str, corner: str = "nominal", load: str | None = None):
    profile = worked_profile(KERB)
    wanted = [read_fault(text, profile) for text in faults]
    return run_replay(profile, worked_table(KERB), worked_recording(PERSON), wanted, corner=corner, load_name=load)


def kerb_stops(*faults: str, **options):
    return find_stops(kerb_trace(*faults, **options), worked_profile(KERB))


def call(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return ended.value.code, captured.out, captured.err


def joint_of(stop, name):
    return next(one for one in stop.joints if one.joint == name)


def test_an_emergency_stop_is_run_on_from_the_trace_s_own_place_and_speed():
    trace, stops = kerb_trace("12s:stop-press"), kerb_stops("12s:stop-press")
    first = stops.stops[0]
    row = round(first.time_s / trace.tick_s) + trace.zero_tick
    lift = joint_of(first, "boom_lift")

    assert (first.kind, first.time_s) == ("emergency_stop", pytest.approx(12.0))
    assert lift.speed_deg_s == pytest.approx(trace.speed_deg_s(1)[row - 1])
    assert 0.0 < lift.distance_deg < 5.0
    assert lift.still
    assert lift.stood_ms <= lift.still_ms
    assert stops.left_out == ()


def test_it_goes_about_as_far_as_the_plant_without_pressures():
    """Within half a degree and a third: the oil's spring and the load make the difference."""
    trace, stops = kerb_trace("12s:stop-press"), kerb_stops("12s:stop-press")
    events = [event for event in summarise(trace, worked_profile(KERB)).events if event.run_on]
    rigid = {one.joint: one.angle_deg for one in events[0].run_on}

    for one in stops.stops[0].joints:
        if one.joint in rigid:
            assert one.distance_deg == pytest.approx(rigid[one.joint], rel=0.34, abs=0.5)


@pytest.mark.parametrize(
    ("fault", "kind"),
    [("9s:wire-cut:elbow_a", "fault"), ("10s:release", "released"), ("12s:stop-press", "emergency_stop")],
)
def test_each_way_to_stop_has_its_kind(fault, kind):
    assert kerb_stops(fault).stops[0].kind == kind


def test_a_ramp_goes_farther_and_makes_less_pressure_than_a_stop_at_once():
    ramped = joint_of(kerb_stops("10s:release").stops[0], "elbow")
    sudden = joint_of(kerb_stops("10s:stop-press").stops[0], "elbow")

    assert ramped.speed_deg_s == pytest.approx(sudden.speed_deg_s)
    assert ramped.distance_deg > 2.0 * sudden.distance_deg
    assert max(ramped.peak_bar) < max(sudden.peak_bar)


def test_the_sides_are_named_cap_first_whichever_way_the_cylinder_drives():
    profile = worked_profile(KERB)
    joint = profile.joints[2]
    other = dataclasses.replace(
        joint, drive=dataclasses.replace(joint.drive, extends_positive=False, included_at_zero_deg=Fraction(20))
    )
    turned = dataclasses.replace(profile, joints=(*profile.joints[:2], other, *profile.joints[3:]))
    trace = kerb_trace("12s:stop-press")

    for one in (profile, turned):
        elbow = joint_of(find_stops(trace, one).stops[0], "elbow")
        assert elbow.sides == ("cap", "rod")


def test_the_load_makes_the_stop_longer():
    heavy = joint_of(kerb_stops("12s:stop-press").stops[0], "boom_lift")
    empty = kerb_stops("12s:stop-press", load="")

    assert empty.load_name == "empty"
    assert max(heavy.peak_bar) > max(joint_of(empty.stops[0], "boom_lift").peak_bar)


def test_what_cannot_be_shown_is_left_out_with_the_key_to_add():
    profile = worked_profile(KERB)
    first, lift, elbow, *others = profile.joints
    bare = dataclasses.replace(
        profile,
        joints=(
            dataclasses.replace(first, drive=ElectricDrive(speed_deg_s=Fraction(40), torque_n_m=Fraction(500))),
            dataclasses.replace(lift, hoses=None),
            dataclasses.replace(elbow, body=None),
            *others,
        ),
    )
    stops = find_stops(kerb_trace("12s:stop-press"), bare)
    why = dict(stops.left_out)

    assert "electric" in why["boom_swing"]
    assert "joints.boom_lift.hoses" in why["boom_lift"]
    assert "joints.elbow.body" in why["elbow"]
    assert {one.joint for stop in stops.stops for one in stop.joints}.isdisjoint(why)


def test_a_profile_without_any_of_the_data_still_replays():
    profile = worked_profile(STAND)
    bare = dataclasses.replace(
        profile, joints=tuple(dataclasses.replace(joint, hoses=None, body=None) for joint in profile.joints)
    )
    recording = still(6.0, 20.0)
    trace = run_replay(bare, worked_table(STAND), recording, [read_fault("3s:stop-press", bare)])
    stops = find_stops(trace, bare)
    text = report_html(trace, summarise(trace, bare), bare, (), stops)

    assert [name for name, _ in stops.left_out] == ["lever"]
    assert stops.worst() is None
    assert "joints.lever.hoses" in text


def test_a_stop_in_which_nothing_moves_is_told_as_such():
    profile = worked_profile(STAND)
    trace = run_replay(profile, worked_table(STAND), still(8.0), [read_fault("6s:stop-press", profile)])
    stops = find_stops(trace, profile)

    assert [stop.joints for stop in stops.stops] == [()]
    assert "nothing moved" in stop_section(stops)


def test_the_worst_is_the_farthest_at_the_load_s_centre_and_is_drawn():
    stops = kerb_stops("10s:release")
    stop, worst = stops.worst()
    text = stop_section(stops)

    assert worst.distance_mm == max(one.distance_mm for each in stops.stops for one in each.joints)
    assert stop in stops.stops
    assert text.count("<svg") == 1
    assert text.count("<polyline") == 3
    assert "simulated, not measured" in text
    assert np.isfinite(worst.rows).all()


def test_a_stop_longer_than_the_profile_allows_says_so():
    one = joint_of(kerb_stops("12s:stop-press").stops[0], "boom_lift")

    assert "ALLOWED" in more_text(dataclasses.replace(one, allowed_mm=one.distance_mm - 1.0))
    assert "ALLOWED" not in more_text(dataclasses.replace(one, allowed_mm=one.distance_mm))


def test_a_stop_takes_less_than_five_milliseconds_of_computing():
    import time

    trace, profile = kerb_trace("12s:stop-press"), worked_profile(KERB)
    find_stops(trace, profile)
    begin = time.process_time()
    stops = find_stops(trace, profile)
    joints = sum(len(stop.joints) for stop in stops.stops)

    assert (time.process_time() - begin) / max(1, joints) < 0.015  # three times as long: machines differ


def test_the_document_is_json_with_everything_in_it():
    document = json.loads(json.dumps(stops_document(kerb_stops("12s:stop-press")), allow_nan=False))
    first = document["stops"][0]["joints"][0]

    assert document["simulated"] is True
    assert document["load"] == "rated"
    assert set(first["peak_bar"]) == {"cap", "rod"}
    assert first["allowed_mm"] > 0.0


def test_replay_prints_the_stops_and_takes_a_load(capsys, tmp_path):
    code, out, _ = call(
        capsys,
        "replay",
        KERB_FILE,
        RECORDINGS / PERSON,
        "--fault",
        "12s:stop-press",
        "--load",
        "empty",
        "--out",
        tmp_path,
    )

    assert code == 0
    assert "simulated, not measured); load empty" in out
    assert "emergency stop  boom_lift" in out
    assert "<h2>Stops</h2>" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_an_unknown_load_is_refused_with_those_that_there_are(capsys, tmp_path):
    code, out, err = call(capsys, "replay", KERB_FILE, RECORDINGS / PERSON, "--load", "brick", "--out", tmp_path)

    assert code == 64
    assert out == ""
    assert "allowed are empty, rated" in err
