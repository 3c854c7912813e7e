"""Properties of replay that hold for any input: reader, resampling, inverse calibration, thinning."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from replay_case import KERB, STAND, worked_profile

from mapper.replay import RecordingError, prepare_inputs, read_recording
from mapper.replay.inputs import _counts, _values, minimum_jerk
from mapper.replay.recording import GAP_S, resample
from mapper.replay.report import thin

finite = st.floats(-300, 300, allow_nan=False).map(lambda value: round(value, 3))


@st.composite
def recordings(draw):
    steps = draw(st.lists(st.integers(1, 600), min_size=1, max_size=30))
    times = np.concatenate([[0], np.cumsum(steps)]) / 1000
    values = draw(st.lists(finite, min_size=len(times), max_size=len(times)))
    rows = "\n".join(f"{time:.3f},{value:.3f}" for time, value in zip(times, values, strict=True))
    return read_recording(f"time_s,x_deg\n{rows}\n", "a.csv")


@given(st.text(alphabet="time_s,xdegcounts01.-#\n e;\t٣\x00", max_size=200))
def test_any_text_is_read_or_refused_with_a_place(text):
    message = ""
    try:
        recording = read_recording("time_s," + text, "a.csv")
    except RecordingError as error:
        message = error.message

    if message:
        assert message.startswith("a.csv:")
        assert "; " in message
    else:
        assert np.all(np.diff(recording.time_s) > 0)
        assert all(len(column.values) == len(recording.time_s) for column in recording.columns)


@given(recordings())
def test_resampled_values_lie_between_their_neighbours_and_on_the_samples(recording):
    column = recording.columns[0]
    at_samples, _ = resample(recording, column, recording.time_s)
    ticks = np.arange(0.0, recording.length_s, 0.005)
    values, gaps = resample(recording, column, ticks)
    before = np.searchsorted(recording.time_s, ticks + 1e-9, side="right") - 1
    after = np.minimum(before + 1, len(recording.time_s) - 1)

    assert np.array_equal(at_samples, column.values)
    low = np.minimum(column.values[before], column.values[after])
    high = np.maximum(column.values[before], column.values[after])
    assert np.all((values >= low - 1e-9) & (values <= high + 1e-9))
    held = np.diff(recording.time_s)[np.minimum(before, len(recording.time_s) - 2)] > GAP_S + 1e-9
    inside = held & (before < len(recording.time_s) - 1)
    assert np.array_equal(values[inside], column.values[before[inside]])
    assert len(gaps) == np.count_nonzero(np.diff(recording.time_s) > GAP_S + 1e-9)


@given(st.integers(0, 4095))
def test_counts_to_value_and_back_gives_the_same_count_inside_the_calibration(count):
    for name in (KERB, STAND):
        for joint in worked_profile(name).joints:
            for track in joint.operator.sensor.tracks:
                ends = [at for at, _ in track.points]
                back = int(_counts(track, _values(track, np.array([count])))[0])
                assert back == min(max(count, min(ends)), max(ends))


@given(st.floats(-400, 400))
@settings(max_examples=50)
def test_any_operator_value_gives_counts_inside_the_sensors_window(value):
    recording = read_recording(f"time_s,hand_angle_deg\n0,{max(-360, min(360, value)):.4f}\n0.1,0\n", "a.csv")
    prepared = prepare_inputs(worked_profile(STAND), recording)
    track = worked_profile(STAND).joints[0].operator.sensor.tracks[0]

    assert prepared.inputs[:, 2].min() >= track.count_min
    assert prepared.inputs[:, 2].max() <= track.count_max


@given(st.lists(finite, min_size=1, max_size=200), st.integers(1, 40))
def test_thinning_bounds_every_value_by_its_bucket(values, width):
    array = np.array(values)
    low, high = thin(array, width)
    bucket = np.arange(len(array)) // width

    assert np.all((array >= low[bucket]) & (array <= high[bucket]))
    assert np.isin(low, array).all()
    assert np.isin(high, array).all()


@given(st.floats(0, 1), st.floats(0, 1))
def test_a_minimum_jerk_way_rises_from_nothing_to_all(one, two):
    low, high = minimum_jerk(np.array(sorted((one, two))))

    assert -1e-12 <= low <= high + 1e-12 <= 1 + 2e-12
