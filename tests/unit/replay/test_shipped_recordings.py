"""The recordings in profiles/recordings: their generators make these very bytes, and they are what their headers
say."""

from __future__ import annotations

import runpy

import numpy as np
import pytest
from replay_case import KERB, RECORDINGS, STAND, worked_profile, worked_recording

from mapper.replay import operator_names

SCRIPTS = {"generate.py": RECORDINGS, "map_person.py": RECORDINGS / "person"}


@pytest.mark.parametrize("script", SCRIPTS)
def test_the_generator_makes_the_files_byte_for_byte(script):
    made = runpy.run_path(str(RECORDINGS / script))["recordings"]()

    assert len(made) >= 2
    for name, text in made.items():
        assert (SCRIPTS[script] / name).read_bytes() == text.encode("ascii"), name


def test_every_recording_there_is_comes_from_a_generator():
    made = {
        (SCRIPTS[script] / name).resolve()
        for script in SCRIPTS
        for name in runpy.run_path(str(RECORDINGS / script))["recordings"]()
    }
    found = {path.resolve() for path in RECORDINGS.rglob("*.csv") if path.parent.name != "original"}

    assert found == made


def test_files_are_small_enough_to_keep_in_the_repository():
    for path in RECORDINGS.rglob("*.csv"):
        assert path.stat().st_size < 1_000_000, path


@pytest.mark.parametrize(("name", "profile"), [("kerb-setting.csv", KERB), ("test-stand-practice.csv", STAND)])
def test_invented_recordings_last_minutes_and_drive_every_operator_channel(name, profile):
    recording = worked_recording(name)
    channels = {operator_names(joint)[0] for joint in worked_profile(profile).joints}

    assert "invented" in recording.comments[0]
    assert recording.length_s >= 180.0
    assert np.diff(recording.time_s) == pytest.approx(0.02)
    assert {column.name for column in recording.columns} == channels


@pytest.mark.parametrize("name", ["abduction", "external-rotation", "forward-elevation", "row"])
def test_person_recordings_say_what_was_done_to_them(name):
    recording = worked_recording(f"person/{name}-right.csv")
    head = "\n".join(recording.comments)

    assert {column.name for column in recording.columns} == {"shoulder_yaw", "shoulder_elevation", "elbow_flexion"}
    for words in ("README.md", "licence", "inclination", "times slower"):
        assert words in head


def test_the_notice_of_the_data_set_is_with_it():
    text = (RECORDINGS / "person" / "README.md").read_text(encoding="utf-8")

    for words in (
        "Copyright (c) 2018, David M. Burns",
        "Redistributions of source code must retain",
        "arXiv:1802.01489",
    ):
        assert words in text
