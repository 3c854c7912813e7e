"""Reading recordings: what is accepted, what every refusal says, and the resampling rule."""

from __future__ import annotations

import numpy as np
import pytest

from mapper.replay import RecordingError, read_recording
from mapper.replay.recording import resample

GOOD = "# one\n#two\n\ntime_s,hand_angle_deg,enabling,reset\n0.0,1.5,0,0\n# between\n0.1,,1,0\n0.2,2.5,1,1\n"


def column(recording, name):
    return next(one for one in recording.columns if one.header == name)


def test_columns_comments_and_missing_samples_are_read():
    recording = read_recording(GOOD, "a.csv")

    assert recording.comments == ("one", "two")
    assert recording.time_s.tolist() == [0.0, 0.1, 0.2]
    assert recording.lines.tolist() == [5, 7, 8]
    assert [one.unit for one in recording.columns] == ["deg", "digital", "digital"]
    assert np.isnan(column(recording, "hand_angle_deg").values[1])
    assert column(recording, "enabling").values.tolist() == [0.0, 1.0, 1.0]


def test_a_byte_order_mark_and_windows_line_ends_are_taken():
    recording = read_recording("\ufeff" + GOOD.replace("\n", "\r\n"), "a.csv")

    assert recording.time_s.tolist() == [0.0, 0.1, 0.2]


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("", "a.csv:1:1", "no header line"),
        ("# only\n", "a.csv:1:1", "no header line"),
        ("t,x_deg\n0,1\n1,2\n", "a.csv:1:1", "the first column is time_s"),
        ("time_s;x_deg\n0;1\n1;2\n", "a.csv:1:1", "write commas"),
        ("time_s,x\n0,1\n1,2\n", "a.csv:1:8", "add the ending"),
        ("time_s,_deg\n0,1\n1,2\n", "a.csv:1:8", "add the ending"),
        ("time_s,x_deg, x_deg\n0,1,2\n1,2,3\n", "a.csv:1:15", "second time"),
        ("time_s,x_deg\n0,1\n", "a.csv:1:1", "at least two samples"),
        ("time_s,x_deg\n0,1\n1,2,3\n", "a.csv:3:1", "the header names 2 columns"),
        ("time_s,x_deg\n0,1\n1,1e999\n", "a.csv:3:3", "a finite decimal number"),
        ("time_s,x_deg\n0,1\n1, nan\n", "a.csv:3:4", "a finite decimal number"),
        ("time_s,x_deg\n0,1\n1,1_0\n", "a.csv:3:3", "a finite decimal number"),
        ("time_s,x_deg\n0,1\n,2\n", "a.csv:3:1", "time_s is ''"),
        ("time_s,x_deg\n0,1\n0,2\n", "a.csv:3:1", "time must rise"),
        ("time_s,x_deg\n0,1\n3601,2\n", "a.csv:3:1", "cut it in parts"),
        ("time_s,x_deg\n0,\n1,\n", "a.csv:2:1", "delete the column"),
        ("time_s,a_deg,key\n0,1,0\n1,2,0.5\n", "a.csv:3:5", "0 or 1"),
        ("time_s,a_counts\n0,1\n1,2.5\n", "a.csv:3:3", "whole number"),
        ("time_s,a_counts\n0,-1\n1,2\n", "a.csv:2:3", "whole number"),
        ("time_s,a_share\n0,0\n1,50\n", "a.csv:3:3", "divide percent by 100"),
        ("time_s,a_deg\n0,0\n1,2048\n", "a.csv:3:3", "are these counts"),
    ],
)
def test_a_refusal_says_where_and_what_to_do(text, place, words):
    with pytest.raises(RecordingError) as caught:
        read_recording(text, "a.csv")

    assert caught.value.message.startswith(place + ":")
    assert words in caught.value.message
    assert caught.value.exit_code == 2


def test_an_analog_input_is_linear_between_samples():
    recording = read_recording("time_s,x_deg\n10.0,0\n10.1,10\n10.2,0\n", "a.csv")

    values, gaps = resample(recording, recording.columns[0], np.array([0.0, 0.025, 0.1, 0.15, 0.2, 0.3]))

    assert values == pytest.approx([0.0, 2.5, 10.0, 5.0, 0.0, 0.0])
    assert gaps == ()


def test_a_long_gap_holds_the_value_before_it_and_is_named():
    recording = read_recording("time_s,x_deg\n0.0,1\n0.25,2\n0.51,12\n", "a.csv")

    values, gaps = resample(recording, recording.columns[0], np.array([0.125, 0.25, 0.4, 0.505, 0.51]))

    assert values == pytest.approx([1.5, 2.0, 2.0, 2.0, 12.0])
    assert [(gap.start_s, gap.end_s) for gap in gaps] == [(0.25, 0.51)]


def test_empty_cells_make_a_gap_of_their_column_only():
    rows = "\n".join(f"{k / 10},{'' if 2 <= k <= 5 else k},{k}" for k in range(9))
    recording = read_recording(f"time_s,x_deg,y_deg\n{rows}\n", "a.csv")

    x, x_gaps = resample(recording, recording.columns[0], np.array([0.3, 0.6]))
    y, y_gaps = resample(recording, recording.columns[1], np.array([0.3, 0.6]))

    assert x.tolist() == [1.0, 6.0]
    assert y == pytest.approx([3.0, 6.0])
    assert len(x_gaps) == 1
    assert y_gaps == ()


def test_a_digital_input_keeps_its_last_value():
    recording = read_recording("time_s,key\n0.0,0\n0.1,1\n0.9,0\n", "a.csv")

    values, gaps = resample(recording, recording.columns[0], np.array([0.0, 0.099, 0.1, 0.5, 0.899, 0.9, 2.0]))

    assert values.tolist() == [0, 0, 1, 1, 1, 0, 0]
    assert gaps == ()


def test_a_faster_recording_is_read_at_its_own_samples():
    rows = "\n".join(f"{k / 1000},{k}" for k in range(301))
    recording = read_recording(f"time_s,x_deg\n{rows}\n", "a.csv")

    values, _ = resample(recording, recording.columns[0], np.arange(61) * 0.005)

    assert values == pytest.approx(np.arange(61) * 5.0)
