"""From recording to the law's inputs: names, units, both tracks, what is added and that it is said."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import numpy as np
import pytest
from replay_case import KERB, STAND, stand_recording, still, worked_profile, worked_recording

from mapper.law import INPUT_BITS
from mapper.profile.profile import Track
from mapper.replay import RecordingError, operator_names, prepare_inputs, read_recording


def notes_of(prepared, kind):
    return [note.text for note in prepared.notes if note.kind == kind]


def two_track_stand():
    """The test stand with a second operator track: opposite slope, other offset, on input 9."""
    profile = worked_profile(STAND)
    joint = profile.joints[0]
    first = joint.operator.sensor.tracks[0]
    first = dataclasses.replace(first, input_name="hand_1")
    second = Track(
        input_name="hand_2",
        input_index=9,
        points=((300, Fraction(80)), (3900, Fraction(-80))),
        count_min=200,
        count_max=4000,
    )
    sensor = dataclasses.replace(joint.operator.sensor, tracks=(first, second), disagreement=Fraction(3))
    operator = dataclasses.replace(joint.operator, sensor=sensor)
    return dataclasses.replace(profile, joints=(dataclasses.replace(joint, operator=operator),))


def test_degrees_become_counts_by_the_inverse_calibration():
    prepared = prepare_inputs(worked_profile(STAND), still(1.0, 40.0))

    # 450 counts at -80 deg, 3650 at 80 deg: 20 counts a degree, 2050 at 0.
    assert prepared.inputs[prepared.zero_tick, 2] == 2850
    assert prepared.end_tick - prepared.zero_tick == 201


def test_degrees_fill_both_tracks_each_through_its_own_calibration():
    recording = stand_recording("0,30", "0.1,30", header="time_s,hand_deg")

    prepared = prepare_inputs(two_track_stand(), recording)

    row = prepared.inputs[prepared.zero_tick]
    assert row[2 + 0] == 2650
    assert row[2 + 9] == 1425


def test_a_missing_second_track_is_made_from_the_first_and_named():
    recording = stand_recording("0,2650", "0.1,2650", header="time_s,hand_1_counts")

    prepared = prepare_inputs(two_track_stand(), recording)

    assert prepared.inputs[prepared.zero_tick, 2 + 0] == 2650
    assert prepared.inputs[prepared.zero_tick, 2 + 9] == 1425
    assert any("hand_2" in text for text in notes_of(prepared, "generated"))


def test_raw_counts_go_through_untouched():
    header = "time_s,hand_1_counts,hand_2_counts"
    recording = stand_recording("0,2650,1400", "0.005,2651,1401", "0.01,2650,1402", header=header)

    prepared = prepare_inputs(two_track_stand(), recording)

    window = prepared.inputs[prepared.zero_tick : prepared.end_tick]
    assert window[:, 2].tolist() == [2650, 2651, 2650]
    assert window[:, 11].tolist() == [1400, 1401, 1402]


def test_values_outside_the_calibration_are_held_at_its_end_and_named():
    prepared = prepare_inputs(worked_profile(STAND), still(1.0, 95.0))

    assert prepared.inputs[prepared.zero_tick, 2] == 3650
    assert any("201 of 201" in text for text in notes_of(prepared, "clamped"))


def test_missing_inputs_are_held_at_rest_and_named():
    header = "time_s,shoulder_yaw_deg"
    recording = read_recording(f"{header}\n0,0\n0.1,0\n", "a.csv")

    prepared = prepare_inputs(worked_profile(KERB), recording)

    held = notes_of(prepared, "held")
    for name in ("shoulder_elevation", "elbow_flexion", "wrist_flexion", "roll_lever", "thumb_lever", "stop_1", "key"):
        assert any(text.startswith(name) for text in held), name
    assert not any(text.startswith("shoulder_yaw") for text in held)
    # Lever in the middle: 2048 counts is share 0 in the profile.
    assert set(prepared.inputs[:, 2 + 4].tolist()) == {2048}


def test_the_operator_is_first_held_at_the_arms_own_pose():
    profile = worked_profile(KERB)
    prepared = prepare_inputs(profile, worked_recording("kerb-setting.csv"))
    for index, joint in enumerate(profile.joints):
        pose = np.degrees(prepared.start_rad[index])
        soft = joint.limits.soft_stops_deg
        if joint.control != "follow":
            continue
        operator = np.array([float(x) for x, _ in joint.operator.response])
        joints = np.array([float(y) for _, y in joint.operator.response])
        track = joint.operator.sensor.tracks[0]
        count = prepared.inputs[0, 2 + track.input_index]
        value = np.interp(count, [c for c, _ in track.points], [float(v) for _, v in track.points])

        assert float(soft.lower) < pose < float(soft.upper)
        # Half a count of the calibration through the steepest part of the response.
        assert np.interp(value, operator, joints) == pytest.approx(pose, abs=0.05)


def test_the_generated_beginning_presses_reset_then_the_enabling_device():
    profile = worked_profile(STAND)
    prepared = prepare_inputs(profile, still(1.0))
    word = prepared.inputs[:, 1]
    reset = np.flatnonzero(word & INPUT_BITS["reset"])
    enabling = np.flatnonzero(word & INPUT_BITS["enabling"])
    press_s = len(reset) * 0.005

    assert float(profile.emergency_stop.reset_min_s) < press_s < float(profile.emergency_stop.reset_max_s)
    assert reset[-1] < enabling[0] < prepared.zero_tick
    assert enabling.tolist() == list(range(enabling[0], enabling[-1] + 1))
    assert enabling[-1] == prepared.end_tick + 199
    assert np.all(word & INPUT_BITS["stop_1"])
    assert np.all(word & INPUT_BITS["mode_full"])


def test_the_blend_to_the_first_sample_lasts_one_second_without_a_jump():
    prepared = prepare_inputs(worked_profile(STAND), still(1.0, 40.0))
    counts = prepared.inputs[:, 2].astype(int)
    zero = prepared.zero_tick

    assert counts[zero - 201] == 2050
    assert counts[zero - 100] == 2457  # 101 of 200 ticks: 0.5094 of the 800 counts
    assert counts[zero - 1] == 2850
    assert np.abs(np.diff(counts)).max() <= 8


def test_own_buttons_are_kept_and_nothing_is_generated():
    header = "time_s,hand_angle_deg,enabling,reset,stop_1,stop_2,mode_full,key"
    recording = stand_recording("0,20,0,1,1,1,0,1", "0.01,20,1,0,1,0,1,0", header=header)

    prepared = prepare_inputs(worked_profile(STAND), recording)

    assert prepared.zero_tick == 0
    assert prepared.inputs[:, 1].tolist() == [1 + 2 + 8 + 32, 1 + 2 + 8 + 32, 1 + 4 + 16]
    assert np.rad2deg(prepared.start_rad[0]) == pytest.approx(10.0)
    assert notes_of(prepared, "generated") == []


def test_the_second_stop_channel_follows_the_first_when_it_is_missing():
    recording = stand_recording("0,0,1", "0.1,0,0", header="time_s,hand_angle_deg,stop_1")

    prepared = prepare_inputs(worked_profile(STAND), recording)

    assert prepared.inputs[prepared.end_tick - 1, 1] & 3 == 0
    assert any(text.startswith("stop_2") for text in notes_of(prepared, "generated"))


def test_the_asked_mode_wins_over_the_recording_and_is_said():
    recording = stand_recording("0,0,1", "0.1,0,1", header="time_s,hand_angle_deg,mode_full")

    prepared = prepare_inputs(worked_profile(STAND), recording, mode="reduced")

    assert not np.any(prepared.inputs[:, 1] & INPUT_BITS["mode_full"])
    assert any("reduced" in text for text in notes_of(prepared, "ignored"))


def test_position_columns_are_ignored_because_the_model_supplies_them():
    recording = stand_recording("0,0,2000", "0.1,0,2000", header="time_s,hand_angle_deg,lever_a_counts")

    prepared = prepare_inputs(worked_profile(STAND), recording)

    assert any(text.startswith("lever_a_counts") for text in notes_of(prepared, "ignored"))
    assert not prepared.inputs[:, 3].any()


def test_many_gaps_are_one_note_with_their_number_the_longest_and_the_first():
    rows = [f"{k / 2 if k < 90 else k / 2 + 1:.1f},20,30" for k in range(100)]
    header = "time_s,shoulder_elevation_deg,elbow_flexion_deg"
    prepared = prepare_inputs(worked_profile(KERB), read_recording("\n".join([header, *rows]) + "\n", "a.csv"))

    gaps = notes_of(prepared, "gap")
    assert len(gaps) == 1
    assert gaps[0].startswith("shoulder_elevation_deg, elbow_flexion_deg: 99 gaps")
    assert "the longest 1.50 s, the first at 0.00 to 0.50 s, 0.50 to 1.00 s, 1.00 to 1.50 s;" in gaps[0]


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("time_s,elbow_deg", "allowed are hand_angle_deg"),
        ("time_s,hand_angle_share", "allowed are hand_angle_deg"),
        ("time_s,thumb_counts", "allowed are hand_angle_counts"),
        ("time_s,hand_angle_deg,lever_deg", "the same operator channel"),
        ("time_s,hand_angle_counts,lever_deg", "the same operator channel"),
        ("time_s,hand_angle_deg,reset", "without 'enabling'"),
    ],
)
def test_wrong_columns_are_refused_with_their_place(header, words):
    values = ",".join(["0"] * (header.count(",")))
    recording = read_recording(f"{header}\n0,{values}\n1,{values}\n", "a.csv")

    with pytest.raises(RecordingError) as caught:
        prepare_inputs(worked_profile(STAND), recording)

    assert caught.value.message.startswith("a.csv:1:")
    assert words in caught.value.message


def test_counts_above_the_controllers_are_refused():
    recording = stand_recording("0,100", "0.1,5000", header="time_s,hand_angle_counts")

    with pytest.raises(RecordingError, match=r"short\.csv:3:.*0 to 4095"):
        prepare_inputs(worked_profile(STAND), recording)


def test_a_channel_may_be_called_by_stem_joint_or_track():
    joint = two_track_stand().joints[0]

    assert operator_names(joint) == ("hand", "lever", "hand_1", "hand_2")


def test_every_shipped_recording_fits_the_kerb_arm_without_clamping():
    for name in ("kerb-setting.csv", "person/row-right.csv", "person/forward-elevation-right.csv"):
        prepared = prepare_inputs(worked_profile(KERB), worked_recording(name))

        assert notes_of(prepared, "clamped") == []
        assert notes_of(prepared, "gap") == []
