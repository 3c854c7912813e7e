"""`mapper replay` as a user meets it."""

from __future__ import annotations

import json
import os

import pytest
from replay_case import RECORDINGS, ROOT

import mapper.replay
from mapper.cli import main

KERB = str(ROOT / "profiles" / "kerb-arm.toml")
PERSON = str(RECORDINGS / "person" / "forward-elevation-right.csv")


def call(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return ended.value.code, captured.out, captured.err


def test_it_prints_the_table_and_where_the_files_are(capsys, tmp_path):
    code, out, err = call(capsys, "replay", KERB, PERSON, "--out", tmp_path / "new")

    assert code == 0
    assert err == ""
    assert out.count("boom_lift") >= 2
    assert "time limited by" in out
    assert "matching" in out
    assert "not a measured one" in out
    assert str(tmp_path / "new" / "report.html") in out
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == ["report.html", "trace.csv"]


def test_json_is_one_document_and_nothing_else(capsys, tmp_path):
    fault = "5s:wire-cut:elbow_a"
    code, out, err = call(capsys, "replay", KERB, PERSON, "--out", tmp_path, "--json", "--fault", fault)
    document = json.loads(out)

    assert code == 0
    assert err == ""
    assert document["final_state"] == "fault"
    assert document["faults"] == [fault]
    assert document["simulated"] is True
    assert [joint["name"] for joint in document["joints"]][:2] == ["boom_swing", "boom_lift"]


def test_mode_and_corner_change_what_happens(capsys, tmp_path):
    peaks = {}
    for options in (("--corner", "fast"), ("--mode", "reduced"), ("--corner", "slow")):
        _, out, _ = call(capsys, "replay", KERB, PERSON, "--out", tmp_path, "--json", *options)
        peaks[options] = max(joint["peak_speed_deg_s"] for joint in json.loads(out)["joints"])

    assert peaks["--mode", "reduced"] < peaks["--corner", "slow"] < peaks["--corner", "fast"]


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        ({"recording": "no-such.csv"}, 2, "no-such.csv: cannot be read"),
        ({"profile": "no-such.toml"}, 2, "no-such.toml: cannot be read"),
        ({"fault": "1s:nonsense"}, 64, "allowed are wire-cut"),
        ({"fault": "9999s:stop-press"}, 64, "choose a time within"),
    ],
)
def test_what_cannot_be_done_is_said_without_a_traceback(capsys, tmp_path, change, code, words):
    arguments = [change.get("profile", KERB), change.get("recording", PERSON), "--out", tmp_path]
    if "fault" in change:
        arguments += ["--fault", change["fault"]]
    found, out, err = call(capsys, "replay", *arguments)

    assert found == code
    assert words in err
    assert "Traceback" not in err
    assert out == ""


def test_binary_and_unwritable_places_are_said(capsys, tmp_path):
    binary = tmp_path / "x.csv"
    binary.write_bytes(b"time_s,\xff\xfe\n")
    blocked = tmp_path / "file"
    blocked.write_text("in the way")

    code, _, err = call(capsys, "replay", KERB, binary, "--out", tmp_path)
    assert (code, "UTF-8" in err) == (2, True)
    code, _, err = call(capsys, "replay", KERB, PERSON, "--out", blocked)
    assert (code, "--out" in err) == (2, True)


def test_a_place_that_takes_no_files_is_noticed_before_the_run(capsys, tmp_path, monkeypatch):
    def never(*_, **__):
        raise AssertionError("it ran")

    monkeypatch.setattr(mapper.replay, "run_replay", never)
    (tmp_path / "file").write_text("in the way")
    (tmp_path / "report.html").mkdir()
    for out in (tmp_path / "file", tmp_path / "file" / "below", tmp_path):
        code, _, err = call(capsys, "replay", KERB, PERSON, "--out", out)

        assert (code, "choose another place with --out" in err) == (2, True), out
    assert sorted(path.name for path in tmp_path.iterdir()) == ["file", "report.html"]


def test_what_the_recording_says_of_itself_and_what_was_found_is_printed(capsys, tmp_path):
    faults = ("--fault", "5s:stuck:elbow_flexion:1s", "--fault", "8s:release:0.5s")
    _, out, _ = call(capsys, "replay", KERB, PERSON, "--out", tmp_path, *faults)

    assert "the recording says: Derived from a person's arm" in out
    assert "5 times slower than recorded" in out
    assert "l/min asked for (before sharing)" in out
    assert "full speed needs this room before a soft stop" in out
    assert "switches" in out
    assert "ran on: " in out
    assert "this fault was never noticed by the controller: 5 s stuck (elbow_flexion)" in out
    assert "8 s release: the enabling device is let go, for 0.5 s: the controller reacted in the same tick" in out


def test_the_profiles_waivers_are_named(capsys, tmp_path):
    text = (ROOT / "profiles" / "test-stand.toml").read_text(encoding="utf-8")
    waived = tmp_path / "waived.toml"
    waiver = '\n[[waivers]]\nlimit = "deadband_jump"\njoint = "lever"\nreason = "measured <twice>"\n'
    waived.write_text(text + waiver, encoding="utf-8")
    recording = RECORDINGS / "test-stand-practice.csv"
    _, out, _ = call(capsys, "replay", waived, recording, "--out", tmp_path)

    assert "waiver in the profile: deadband_jump of lever: measured <twice>" in out
    assert "deadband_jump of lever: measured &lt;twice&gt;" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_failed_write_leaves_the_old_report(capsys, tmp_path, monkeypatch):
    call(capsys, "replay", KERB, PERSON, "--out", tmp_path)
    before = (tmp_path / "report.html").read_bytes()

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    code, _, err = call(capsys, "replay", KERB, PERSON, "--out", tmp_path, "--mode", "reduced")

    assert code == 2
    assert "No space left" in err
    assert (tmp_path / "report.html").read_bytes() == before
    assert not list(tmp_path.glob("*.part"))
