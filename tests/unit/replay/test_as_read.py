"""Recordings of what the controller itself read: every column is what it says, and nothing is missing or made up."""

from __future__ import annotations

import numpy as np
import pytest
from check_case import STAND, profile_of, text_of
from click.testing import CliRunner
from search_case import bench_of, example, joints_of

from mapper.check.search.counterexample import recording_rows
from mapper.cli.replay import command
from mapper.replay import RecordingError, prepare_inputs, read_recording
from mapper.replay.as_read import as_read, is_as_read, run_as_read
from mapper.table import compile_table, encode_table

RESTARTED = example(bytes([32, 0, 0, 0]), {0: 90, 1: 1, 2: 1, 3: 200, 4: 90, 5: 9, 6: 120, 8: 12, 9: 20})


@pytest.fixture(scope="module")
def trace():
    return bench_of(text_of(STAND), joints_of(STAND)).trace(RESTARTED)


@pytest.fixture(scope="module")
def lines(trace):
    return recording_rows(trace, profile_of(text_of(STAND)))


def recorded(lines):
    return read_recording("\n".join(lines) + "\n", "read.csv")


def changed(lines, column, value, row=5):
    """The recording with one cell replaced."""
    cells = lines[row].split(",")
    cells[lines[0].split(",").index(column)] = value
    return recorded([*lines[:row], ",".join(cells), *lines[row + 1 :]])


def without(lines, column):
    at = lines[0].split(",").index(column)
    return recorded([",".join(cell for index, cell in enumerate(line.split(",")) if index != at) for line in lines])


def test_everything_that_the_law_read_comes_back_exactly(lines, trace):
    recording = recorded(lines)
    rows = as_read(profile_of(text_of(STAND)), recording)

    assert is_as_read(recording)
    assert trace.power_up.sum() == 2
    assert (trace.inputs[:, 0] > 5000).any()
    used = [0, 1, 2, 3, 4]
    np.testing.assert_array_equal(rows.inputs[:, used], trace.inputs[:, used])
    np.testing.assert_array_equal(rows.power_up, trace.power_up)
    np.testing.assert_array_equal(rows.true_mdeg[:, 0], trace.true_mdeg[:, 0])


def test_the_replay_is_the_same_law_over_the_same_ticks(lines, trace):
    profile = profile_of(text_of(STAND))
    replayed = run_as_read(profile, encode_table(compile_table(profile)), recorded(lines))

    np.testing.assert_array_equal(replayed.law, trace.out)
    np.testing.assert_allclose(replayed.position_deg(0) * 1000, trace.true_mdeg[:, 0], atol=1e-6)
    assert "no model of the arm runs beside it" in replayed.notes[0].text


def test_where_no_place_is_recorded_it_is_what_the_law_read(lines, trace):
    profile = profile_of(text_of(STAND))
    replayed = run_as_read(profile, encode_table(compile_table(profile)), without(lines, "lever_true_deg"))

    np.testing.assert_allclose(replayed.position_deg(0) * 1000, replayed.joint(0, "position_mdeg"))


def test_without_elapsed_us_every_tick_is_in_time(lines):
    rows = as_read(profile_of(text_of(STAND)), without(lines, "elapsed_us"))

    assert set(rows.inputs[:, 0].tolist()) == {5000}


@pytest.mark.parametrize("column", ["lever_b_read", "stop_2", "key"])
def test_a_missing_input_is_named(lines, column):
    with pytest.raises(RecordingError, match=rf"read.csv:1:1: column '{column}' is missing"):
        as_read(profile_of(text_of(STAND)), without(lines, column))


@pytest.mark.parametrize(
    ("column", "value", "message"),
    [
        ("hand_angle_read", "70000", "hand_angle_read is 70000; a whole number from 0 to 65535"),
        ("hand_angle_read", "", "hand_angle_read is empty; what the controller reads is there in every tick"),
        ("elapsed_us", "0", "elapsed_us is 0; a whole number of microseconds"),
        ("power_up", "2", "power_up is 2; 0 or 1"),
        ("time_s", "0.021", "time_s is 0.021 after 0.015; one row a tick: 0.005 s apart"),
    ],
)
def test_a_wrong_cell_is_named_with_its_line(lines, column, value, message):
    with pytest.raises(RecordingError, match=r"read.csv:6:\d+: ") as caught:
        as_read(profile_of(text_of(STAND)), changed(lines, column, value))
    assert message in str(caught.value)


def test_a_column_of_another_kind_has_no_place_in_it(lines):
    mixed = recorded([lines[0] + ",hand_angle_deg", *(line + ",1" for line in lines[1:])])

    with pytest.raises(
        RecordingError, match="'hand_angle_deg' has no place in a recording of what the controller read"
    ):
        as_read(profile_of(text_of(STAND)), mixed)


@pytest.mark.parametrize("header", ["hand_angle_read", "elapsed_us", "power_up"])
def test_a_recording_of_an_operator_has_none_of_these_columns(header):
    """`rehearse` and a replay with a model of the arm take an operator's recording."""
    recording = read_recording(f"time_s,{header}\n0,1\n1,1\n", "mixed.csv")

    with pytest.raises(RecordingError, match=f"mixed.csv:1:8: .*{header}"):
        prepare_inputs(profile_of(text_of(STAND)), recording)


def test_options_for_the_model_of_the_arm_are_refused(lines, tmp_path):
    stand, file = tmp_path / "stand.toml", tmp_path / "read.csv"
    stand.write_text(text_of(STAND), encoding="utf-8")
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = CliRunner().invoke(command, [str(stand), str(file), "--fault", "1s:stop-press", "--corner", "fast"])

    assert result.exit_code == 2
    assert "--fault, --corner: " in result.output
    assert "leave the option out" in result.output


def test_a_replay_says_what_the_monitor_found(lines, tmp_path):
    stand, file = tmp_path / "stand.toml", tmp_path / "read.csv"
    stand.write_text(text_of(STAND), encoding="utf-8")
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    result = CliRunner().invoke(command, [str(stand), str(file), "--out", str(tmp_path / "out")])

    assert result.exit_code == 0
    assert "monitor: nothing found" in result.output
    assert "-> running" in result.output
