"""Commands that are stopped, as real processes on a real terminal: Ctrl-C, the end of the input, SIGTERM, SIGHUP."""

from __future__ import annotations

import fcntl
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from host_program import program

from mapper.cli import mapper as group
from mapper.cli._linking import ProgressLine
from mapper.link import HostController, identify, journal

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
_WITHOUT_CHECK = """
import sys
from types import SimpleNamespace
import mapper.check, mapper.law, mapper.link.host
from mapper.cli import main
nothing = SimpleNamespace(findings=(), not_examined=(), unused_waivers=(), result="holds")
mapper.check.check_profile = lambda *_: nothing
if sys.argv[2] == "upload":
    mapper.law.load_core = lambda: SimpleNamespace(source_digest="test")
mapper.link.host._PROGRAM = __import__("pathlib").Path(sys.argv[1])
mapper.link.host._check_built = lambda: None
main(sys.argv[2:])
"""


def _command(*arguments: str) -> list[str]:
    return [sys.executable, "-c", _WITHOUT_CHECK, str(program()), *arguments]


def _read_until(descriptor: int, wanted: str, seconds: float = 20.0) -> str:
    """To the end when `wanted` is empty."""
    text, deadline = b"", time.monotonic() + seconds
    while not wanted or wanted.encode() not in text:
        ready, _, _ = select.select([descriptor], [], [], max(0.0, deadline - time.monotonic()))
        assert ready, text.decode()
        try:
            part = os.read(descriptor, 4096)
        except OSError:  # the last one let go of the terminal
            part = b""
        if not part:
            assert not wanted, text.decode()
            break
        text += part
    return text.decode()


def _signal_until_it_ends(process: subprocess.Popen[bytes], number: signal.Signals) -> None:
    """More than once: one that comes just between the prompt and the waiting for a key is seen with the next key only,
    as with every program that reads a terminal by the C library.
    """
    for _ in range(20):
        process.send_signal(number)
        try:
            process.wait(timeout=0.5)
        except subprocess.TimeoutExpired:
            continue
        return


def _press_until_it_ends(process: subprocess.Popen[bytes], descriptor: int, keys: bytes) -> None:
    """A person presses again: a signal just before the program begins to wait for a key is seen with the next one."""
    for _ in range(5):
        os.write(descriptor, keys)
        try:
            process.wait(timeout=3.0)
        except subprocess.TimeoutExpired:
            continue
        return


def _own_terminal() -> None:
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.mark.parametrize(("keys", "code"), [(b"\x03", 130), (b"\x04", 130), (b"n\n", 3), (signal.SIGHUP, 129)])
def test_an_upload_stopped_at_the_question_is_on_record_and_says_what_is_inside(tmp_path, keys, code):
    profile = tmp_path / "test-stand.toml"
    shutil.copy(PROFILES / "test-stand.toml", profile)
    with HostController.start("test-stand-1", tmp_path / "flash", program=program()) as controller:
        controller.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
        master, slave = os.openpty()
        process = subprocess.Popen(
            _command("upload", str(profile), "--port", controller.port),
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=_own_terminal,
        )
        os.close(slave)
        before = _read_until(master, "[y/N]")
        if isinstance(keys, bytes):
            _press_until_it_ends(process, master, keys)
        else:
            _signal_until_it_ends(process, keys)
        after = _read_until(master, "")
        os.close(master)
        found = process.wait(timeout=10)
        assert identify(controller.port).before.transfer == 0
    (entry,) = journal.read(journal.journal_path(profile))

    assert found == code, after
    assert "in the controller now: no table: nothing moves" in after
    assert "Traceback" not in after
    assert entry["in_use"] is False
    assert entry["controller"]["machine_id"] == "test-stand-1"
    assert entry["error"].split(";")[0] in " ".join(after.split())
    bars = [line for line in re.split(r"[\r\n]+", before) if "#" in line or "...." in line]
    assert bars
    assert all(re.fullmatch(r"[a-z ]+ +[#.]{30} \d+/\d+", bar) for bar in bars), "a bar shares its line with nothing"
    assert bars[-1].startswith("reading back ")
    assert len(set(bars[-1].split()[-1].split("/"))) == 1, "its last frame came before the question"


_AFTER_TYPING = _WITHOUT_CHECK.replace(
    "mapper.check.check_profile = lambda *_: nothing\n",
    """
def check(*_):
    print("now type", flush=True)
    import time
    time.sleep(1.0)
    return nothing
mapper.check.check_profile = check
""",
)


def test_what_was_typed_before_the_values_were_shown_confirms_nothing(tmp_path):
    """The person types `yes` while the profile is still checked; the question has a line of its own and waits."""
    profile = tmp_path / "test-stand.toml"
    shutil.copy(PROFILES / "test-stand.toml", profile)
    with HostController.start("test-stand-1", tmp_path / "flash", program=program()) as controller:
        controller.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
        master, slave = os.openpty()
        process = subprocess.Popen(
            [sys.executable, "-c", _AFTER_TYPING, str(program()), "upload", str(profile), "--port", controller.port],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            start_new_session=True,
            preexec_fn=_own_terminal,
        )
        os.close(slave)
        _read_until(master, "now type")
        os.write(master, b"yes\nyes\n")
        screen = _read_until(master, "[y/N]: ")
        ready, _, _ = select.select([master], [], [], 1.0)
        waited = not ready and process.poll() is None
        _press_until_it_ends(process, master, b"n\n")
        _read_until(master, "")
        os.close(master)
        found = process.wait(timeout=10)
    (entry,) = journal.read(journal.journal_path(profile))

    assert waited
    assert found == 3
    assert (entry["confirmed"], entry["in_use"]) == ("declined", False)
    assert re.split(r"[\r\n]+", screen)[-1].startswith("compare with the machine's drawing")


def test_a_bar_that_is_broken_off_ends_its_line_before_the_next_text(monkeypatch, capsys):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    bar = ProgressLine()
    bar("sending", 1, 4)
    bar("reading back", 1, 2)
    bar("reading back", 2, 2)
    bar.close()

    assert capsys.readouterr().err.count("\n") == 2


def _is_gone(path: Path) -> bool:
    """Within 5 s: the controller's process notices the end of its channel by itself."""
    deadline = time.monotonic() + 5.0
    while path.exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    return not path.exists()


def test_a_simulated_controller_that_is_ended_by_a_signal_leaves_nothing_behind(tmp_path):
    started = []
    for number in (signal.SIGTERM, signal.SIGHUP):
        folder = tmp_path / number.name
        folder.mkdir()
        process = subprocess.Popen(
            _command("controller", str(PROFILES / "test-stand.toml")),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, "TMPDIR": str(folder), "PYTHONUNBUFFERED": "1"},
        )
        started.append((number, folder, process))
    try:
        # Both are up before either is ended: a port number that is free again is given to the next one.
        told = [_read_until(process.stdout.fileno(), "powering_up") for _, _, process in started]
        for (number, folder, process), text in zip(started, told, strict=True):
            port = next(line.split()[1] for line in text.splitlines() if line.startswith("port "))
            assert list(folder.glob("mapper-*"))
            process.send_signal(number)
            _, said = process.communicate(timeout=10)

            assert process.returncode == 128 + number
            assert b"Traceback" not in said
            assert not list(folder.iterdir())
            assert _is_gone(Path(port)), "its process has ended"
    finally:
        for _, _, process in started:
            process.kill()
            process.wait(timeout=10)


def test_a_flash_that_is_none_is_refused_before_anything_starts(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("my notes")
    found = subprocess.run(
        _command("controller", str(PROFILES / "test-stand.toml"), "--flash", str(path), "--seconds", "1"),
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )

    assert found.returncode == 2
    assert found.stdout == ""
    assert "is no flash image: it has 8 bytes; allowed is" in found.stderr
    assert path.read_text() == "my notes"


def test_the_help_names_every_exit_code():
    text = " ".join(CliRunner().invoke(group, ["--help"]).output.split())

    for code in ("0 done", "1 a limit", "2 a file", "3 the link", "64 the command line", "130 stopped", "129 and 143"):
        assert code in text
