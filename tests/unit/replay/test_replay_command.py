"""`mapper replay` as a user meets it."""

from __future__ import annotations

import json
import os

import pytest
from replay_case import RECORDINGS, ROOT

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
    for options in ((), ("--mode", "reduced"), ("--corner", "slow")):
        _, out, _ = call(capsys, "replay", KERB, PERSON, "--out", tmp_path, "--json", *options)
        peaks[options] = max(joint["peak_speed_deg_s"] for joint in json.loads(out)["joints"])

    assert peaks["--mode", "reduced"] < peaks["--corner", "slow"] < peaks[()]


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
