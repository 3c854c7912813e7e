"""`mapper rehearse`: the whole job through the controller's own program, and every way in which it must not go on."""

from __future__ import annotations

import dataclasses
import json
import os
import re

import numpy as np
import pytest
from replay_case import RECORDINGS, ROOT

import mapper.check
from mapper.check import Status
from mapper.cli import main
from mapper.link import HostController

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="the serial line needs a POSIX system")

STAND = ROOT / "profiles" / "test-stand.toml"


@pytest.fixture
def short(tmp_path):
    """The first seconds of the test stand's recording."""
    lines = (RECORDINGS / "test-stand-practice.csv").read_text(encoding="ascii").splitlines()
    path = tmp_path / "short.csv"
    path.write_text("\n".join(lines[:300]) + "\n", encoding="ascii")
    return path


@pytest.fixture
def every_limit_holds(monkeypatch):
    """What the check says is the check's own tests' business; here it must only say yes."""
    real = mapper.check.check_profile

    def agree(*arguments):
        result = real(*arguments)
        findings = tuple(dataclasses.replace(one, status=Status.HOLDS) for one in result.findings)
        return dataclasses.replace(result, findings=findings, result="holds")

    monkeypatch.setattr(mapper.check, "check_profile", agree)


def call(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return ended.value.code, captured.out, captured.err


def test_the_steps_are_numbered_and_the_last_line_says_what_to_do_next(capsys, tmp_path, short, every_limit_holds):
    code, out, err = call(capsys, "rehearse", STAND, short, "--out", tmp_path / "out")
    numbers = [int(line.split(".")[0]) for line in out.splitlines() if line[:1].isdigit()]

    assert (code, err) == (0, "")
    assert numbers == list(range(1, 9))
    assert "bytes the same" in out
    assert "ticks, every value the same" in out
    assert out.splitlines()[-1].startswith("Next: open ")
    assert "mapper upload" in out.splitlines()[-1]
    assert (tmp_path / "out" / "report.html").exists()


def test_json_is_one_document(capsys, tmp_path, short, every_limit_holds):
    code, out, err = call(capsys, "rehearse", STAND, short, "--out", tmp_path, "--json", "--fault", "1s:stop-press")
    document = json.loads(out)

    assert (code, err) == (0, "")
    assert document["same_as_in_process"] is True
    assert document["check"] == "holds"
    assert document["final_state"] == "emergency_stop"
    assert document["next"].startswith("Next: ")


def test_a_profile_that_does_not_hold_is_not_uploaded(capsys, tmp_path, short):
    text = STAND.read_text(encoding="utf-8")
    assert text.count('jump = "18 %"') == 1
    broken = tmp_path / "broken.toml"
    broken.write_text(text.replace('jump = "18 %"', 'jump = "19.5 %"'), encoding="utf-8")
    code, out, err = call(capsys, "rehearse", broken, short, "--out", tmp_path / "out")

    assert code == 1
    assert "nothing is uploaded" in err
    assert "lever" in err
    assert "3. " not in out
    assert not (tmp_path / "out").exists()


def test_a_waived_limit_is_counted_apart_and_named(capsys, tmp_path, short):
    text = STAND.read_text(encoding="utf-8")
    waived = tmp_path / "waived.toml"
    waiver = '\n[[waivers]]\nlimit = "deadband_jump"\njoint = "lever"\nreason = "measured on the bench"\n'
    waived.write_text(text.replace('jump = "18 %"', 'jump = "18.6 %"') + waiver, encoding="utf-8")
    code, out, _ = call(capsys, "rehearse", waived, short, "--out", tmp_path / "out")
    counted = re.search(r"(\d+) of (\d+) limits hold, 1 waived, 0 do not hold", out)
    assert counted is not None, out
    of = int(counted[2])

    assert code == 0
    assert f"{of - 1} of {of} limits hold" in out
    assert "waived: deadband_jump of lever, reason given: measured on the bench" in out
    assert "deadband_jump of lever: measured on the bench" in (tmp_path / "out" / "report.html").read_text("utf-8")


def test_a_controller_that_decides_otherwise_is_found(capsys, tmp_path, short, every_limit_holds, monkeypatch):
    real, calls = HostController.tick, []

    def bent(self, digital, counts, elapsed_us):
        out = real(self, digital, counts, elapsed_us)
        calls.append(out)
        if len(calls) == 900:
            out[6] -= 1  # share_q16
        return out

    monkeypatch.setattr(HostController, "tick", bent)
    code, out, err = call(capsys, "rehearse", STAND, short, "--out", tmp_path / "out")

    assert code == 1
    assert "share_q16 is 65535 there and 65536 here" in err
    assert "8. " not in out


def test_a_table_that_changed_on_the_way_is_found(capsys, tmp_path, short, every_limit_holds, monkeypatch):
    import mapper.link

    real = mapper.link.readback

    def changed(port):
        data = bytearray(real(port))
        data[len(data) // 2] ^= 1
        return bytes(data)

    monkeypatch.setattr(mapper.link, "readback", changed)
    code, _, err = call(capsys, "rehearse", STAND, short, "--out", tmp_path / "out")

    assert code == 3
    assert "not what was sent" in err


def test_a_stop_that_nobody_asked_for_is_no_success(capsys, tmp_path, every_limit_holds):
    """The recording's own counts leave the sensor's window: the law stops the arm, and rehearse says so with exit 1."""
    path = tmp_path / "torn.csv"
    counts = np.concatenate([np.full(100, 2050), np.zeros(100)]).astype(int)
    rows = [f"{k / 50:.2f},{count}" for k, count in enumerate(counts)]
    path.write_text("time_s,hand_angle_counts\n" + "\n".join(rows) + "\n", encoding="ascii")
    code, out, _ = call(capsys, "rehearse", STAND, path, "--out", tmp_path / "out")

    assert code == 1
    assert "nobody asked for" in out.splitlines()[-1]
