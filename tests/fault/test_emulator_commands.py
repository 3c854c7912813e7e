"""The emulated board and who started it: nothing is left behind, nothing waits for ever; the commands that use it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from board_program import MACHINE, MISSING, REASON, board_program, start, tick
from host_program import program as host_program
from replay_case import RECORDINGS, ROOT

from mapper.cli import main
from mapper.link import EmulatedController, HostController, LinkError, readback, upload
from mapper.profile import read_profile
from mapper.table import compile_table, encode_table

pytestmark = pytest.mark.skipif(bool(MISSING), reason=REASON)

STAND = ROOT / "profiles" / "test-stand.toml"


@pytest.fixture
def flash(tmp_path) -> Path:
    return tmp_path / "flash"


# ---- nothing is left behind, nothing waits for ever ----


def _is_gone(pid: int, within_s: float = 3.0) -> bool:
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        state = Path(f"/proc/{pid}/stat")
        if not state.exists() or state.read_text().rpartition(")")[2].split()[0] == "Z":
            return True
        time.sleep(0.02)
    return False


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_no_emulator_is_left_when_its_parent_is_killed(flash, how):
    script = (
        "import time, pathlib\n"
        "from mapper.link import EmulatedController\n"
        f"flash, program = pathlib.Path({str(flash)!r}), pathlib.Path({str(board_program())!r})\n"
        f"c = EmulatedController.start({MACHINE!r}, flash, program=program)\n"
        "print(c.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as parent:
        child = int(parent.stdout.readline())
        parent.send_signal(how)
        parent.wait()

    assert _is_gone(child)


def test_closing_ends_it(flash):
    controller = start(flash)
    controller.close()

    assert not controller.running
    assert _is_gone(controller.pid)


def test_an_emulator_that_is_gone_is_reported_and_not_waited_for(flash):
    controller = start(flash)
    controller.kill()
    begun = time.monotonic()
    with pytest.raises(LinkError, match="has ended"):
        tick(controller)

    assert time.monotonic() - begun < 3


def test_an_emulator_that_stands_still_is_reported_in_bounded_time(flash, monkeypatch):
    monkeypatch.setattr("mapper.link.emulator._DEADLINE_S", 0.5)
    with start(flash) as controller:
        os.kill(controller.pid, signal.SIGSTOP)
        with pytest.raises(LinkError, match="gave no answer within"):
            tick(controller)
        begun = time.monotonic()

    assert time.monotonic() - begun < 3
    assert _is_gone(controller.pid)


@pytest.mark.parametrize(
    ("program", "said"), [("no such file", "No such file|could not load"), ("not a firmware", "exit code")]
)
def test_firmware_that_cannot_be_loaded_is_told(tmp_path, program, said):
    path = tmp_path / "x.elf"
    if program == "not a firmware":
        path.write_text("#!/bin/sh\n")
    with pytest.raises(LinkError, match=said):
        EmulatedController.start(MACHINE, tmp_path / "flash", program=path)


def test_inputs_of_another_shape_are_refused_and_the_board_goes_on(flash):
    with start(flash) as controller:
        for counts in (np.zeros(65, dtype=np.int32), np.zeros((2, 2), dtype=np.int32)):
            with pytest.raises(ValueError, match="at most 64"):
                controller.tick(0, counts, 5000)
        with pytest.raises(ValueError, match="264 bytes"):
            controller.exchange(b"")
        assert tick(controller).shape == (121,)


@pytest.mark.parametrize("machine", ["", "a" * 17, "a b", "größe"])
def test_what_is_no_machine_id_is_refused(tmp_path, machine):
    with pytest.raises(ValueError, match="machine id"):
        start(tmp_path / "flash", machine)

    assert not (tmp_path / "flash").exists()


def test_without_the_emulator_the_message_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(LinkError, match="apt-get install qemu-system-arm gcc-arm-none-eabi") as caught:
        EmulatedController.start(MACHINE, tmp_path / "flash")

    assert caught.value.exit_code == 3
    assert not (tmp_path / "flash").exists()


@pytest.mark.parametrize("content", [None, b"built from something else"])
def test_without_a_firmware_of_these_sources_the_message_says_how_to_build_it(tmp_path, monkeypatch, content):
    path = tmp_path / "firmware.elf"
    if content is not None:
        path.write_bytes(content)
    monkeypatch.setattr("mapper.link.emulator._PROGRAM", path)
    with pytest.raises(LinkError, match=r"python firmware_stub/build\.py"):
        EmulatedController.start(MACHINE, tmp_path / "flash")


# ---- the commands ----


def test_a_rehearsal_without_the_emulator_says_so_before_it_checks_anything(tmp_path, short, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SystemExit) as ended:
        main(["rehearse", str(STAND), str(short), "--target", "emulator", "--out", str(tmp_path / "out")])
    captured = capsys.readouterr()

    assert ended.value.code == 3
    assert "apt-get install qemu-system-arm" in captured.err
    assert "2. check" not in captured.out


@pytest.fixture
def short(tmp_path):
    """The first seconds of the test stand's recording."""
    lines = (RECORDINGS / "test-stand-practice.csv").read_text(encoding="ascii").splitlines()
    path = tmp_path / "short.csv"
    path.write_text("\n".join(lines[:300]) + "\n", encoding="ascii")
    return path


def _in_a_process(*arguments: object, **variables: str) -> subprocess.Popen[str]:
    """The command on the firmware of the sources as they are now, whatever was built last."""
    script = (
        "import pathlib, sys, mapper.link.emulator as emulator\n"
        f"emulator._PROGRAM = pathlib.Path({str(board_program())!r})\n"
        "emulator._check_built = lambda: None\n"
        "from mapper.cli import main\n"
        "main(sys.argv[1:])\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, **variables},
    )


def test_rehearse_on_the_emulator_does_the_whole_job_and_finds_every_value_the_same(tmp_path, short):
    command = _in_a_process("rehearse", STAND, short, "--target", "emulator", "--out", tmp_path / "out", "--json")
    out, err = command.communicate(timeout=120)
    document = json.loads(out)

    assert (command.returncode, err) == (0, "")
    assert document["same_as_in_process"] is True
    assert "emulated" in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("target", ["host", "emulator"])
def test_a_rehearsal_that_is_ended_by_a_signal_leaves_nothing_behind(tmp_path, target):
    folder = tmp_path / "temporary"
    folder.mkdir()
    recording = RECORDINGS / "test-stand-practice.csv"
    command = _in_a_process(
        "rehearse", STAND, recording, "--target", target, "--out", tmp_path / "out", TMPDIR=str(folder)
    )
    pid = 0
    for line in command.stdout:
        if "process " in line:
            pid = int(line.partition("process ")[2].split(",")[0])
            assert any(folder.iterdir())
        if line.startswith("6."):
            break
    command.send_signal(signal.SIGTERM)
    _, err = command.communicate(timeout=20)

    assert command.returncode == 128 + signal.SIGTERM
    assert err == ""
    assert pid > 0
    assert _is_gone(pid)
    assert not any(folder.iterdir())
    assert not (tmp_path / "out").exists()


def test_the_practice_controller_on_the_emulator_takes_an_upload_and_leaves_nothing_behind(tmp_path):
    profile = read_profile(STAND.read_bytes(), STAND.name)
    data = encode_table(compile_table(profile))
    command = _in_a_process("controller", STAND, "--target", "emulator", "--flash", tmp_path / "flash")
    try:
        port = ""
        for line in command.stdout:
            if line.startswith("port "):
                port = line.split()[1]
            if line.startswith("powering_up"):
                break
        upload(port, data)
        assert readback(port) == data
    finally:
        command.send_signal(signal.SIGTERM)
        _, err = command.communicate(timeout=20)

    assert command.returncode == 128 + signal.SIGTERM
    assert err == ""
    with HostController.start(profile.machine_id, tmp_path / "flash", program=host_program()) as process:
        assert readback(process.port) == data
