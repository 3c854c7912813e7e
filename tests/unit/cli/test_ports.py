"""Which port the controller is on: listed, and asked of a person at a terminal; nobody chooses for them."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time

import click
import numpy as np
import pytest
from click.testing import CliRunner
from host_program import program

from mapper.cli import readback as readback_command
from mapper.cli import upload as upload_command
from mapper.cli._linking import choose_port
from mapper.errors import MapperError
from mapper.link import HostController

PORTS = [("/dev/ttyS0", ""), ("/dev/ttyUSB0", "USB adapter"), ("/dev/ttyUSB10", "another adapter")]

_LISTED = """
import sys
import mapper.link
mapper.link.list_ports = lambda: [("/dev/ttyS9", "nobody"), (sys.argv[1], "the right one"), ("/dev/ttyS8", "")]
from mapper.cli import main
main(sys.argv[2:])
"""


class Keyboard:
    """A person at a terminal, whose answers are in the list."""

    def __init__(self, terminal: bool = True) -> None:
        self.answers: list[str] = []
        self._terminal = terminal

    def isatty(self) -> bool:
        return self._terminal

    def fileno(self) -> int:
        raise OSError("a list has none")

    def readline(self, _size: int = -1) -> str:
        return self.answers.pop(0) + "\n" if self.answers else ""


@pytest.fixture
def listed(monkeypatch):
    """Three ports; gives the list of what will be answered."""
    keyboard = Keyboard()
    monkeypatch.setattr("mapper.link.list_ports", lambda: PORTS)
    monkeypatch.setattr("sys.stdin", keyboard)
    return keyboard.answers


@pytest.mark.parametrize(
    ("answer", "port"),
    [("1", "/dev/ttyS0"), ("3", "/dev/ttyUSB10"), (" 2 ", "/dev/ttyUSB0"), ("/dev/ttyUSB0", "/dev/ttyUSB0")],
)
def test_one_of_several_ports_is_chosen_by_its_number(listed, capsys, answer, port):
    listed.append(answer)

    assert choose_port(None, may_ask=True) == port
    said = capsys.readouterr()
    assert said.out == "", "standard output is for what was asked for"
    assert [line.split() for line in said.err.splitlines()[:4]] == [
        ["serial", "ports", "of", "this", "PC:", "3"],
        ["1", "/dev/ttyS0"],
        ["2", "/dev/ttyUSB0", "USB", "adapter"],
        ["3", "/dev/ttyUSB10", "another", "adapter"],
    ]
    assert "on which port, 1 to 3 (nothing to stop)" in said.err


@pytest.mark.parametrize("answer", ["", "   "])
def test_no_answer_chooses_no_port(listed, answer):
    listed.append(answer)
    with pytest.raises(MapperError, match="no port was chosen and nothing was sent") as caught:
        choose_port(None, may_ask=True)

    assert caught.value.exit_code == 64


def test_the_end_of_the_input_chooses_no_port(listed):
    with pytest.raises(click.Abort):
        choose_port(None, may_ask=True)


@pytest.mark.parametrize("wrong", ["0", "4", "-1", "1.0", "9" * 5000, "²", "y", "ttyS0", "/dev/ttyUSB1"])
def test_what_is_on_no_list_is_asked_again_with_what_is_allowed(listed, capsys, wrong):
    listed += [wrong, "2"]

    assert choose_port(None, may_ask=True) == "/dev/ttyUSB0"
    assert "is none of them: a number from 1 to 3, or nothing to stop" in capsys.readouterr().err
    assert listed == []


@pytest.mark.parametrize("terminal", [True, False])
def test_nobody_is_asked_with_yes_or_json_or_without_a_terminal(listed, monkeypatch, terminal):
    """`may_ask` is False with --yes and --json; without a terminal it does not matter what it is."""
    keyboard = Keyboard(terminal)
    keyboard.answers.append("1")
    monkeypatch.setattr("sys.stdin", keyboard)
    with pytest.raises(MapperError) as caught:
        choose_port(None, may_ask=not terminal)

    assert caught.value.exit_code == 64
    assert keyboard.answers == ["1"], "no question was asked"
    for name, about in PORTS:
        assert name in caught.value.message
        assert about in caught.value.message


@pytest.mark.parametrize("command", [upload_command.command, readback_command.command])
def test_the_help_says_that_it_asks(command):
    assert "you are asked which one it is" in " ".join(CliRunner().invoke(command, ["--help"]).output.split())


def _dialogue(arguments: list[str], port: str, answers: list[tuple[str, str]]) -> tuple[int, str]:
    """A command on a terminal of its own: waits for each text, then types the answer. Gives exit code and screen."""
    master, slave = pty.openpty()
    command = [sys.executable, "-c", _LISTED, port, *arguments]
    process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True)
    os.close(slave)
    screen, deadline = b"", time.monotonic() + 20.0
    while time.monotonic() < deadline:
        if answers and answers[0][0].encode() in screen:
            os.write(master, answers.pop(0)[1].encode())
        ready, _, _ = select.select([master], [], [], 0.2)
        try:
            part = os.read(master, 4096) if ready else b" "
        except OSError:  # the last one let go of the terminal
            break
        screen += part if ready else b""
    os.close(master)
    assert not answers, screen.decode()
    return process.wait(timeout=10), screen.decode()


def test_on_a_real_terminal_the_chosen_port_is_asked_who_it_is_before_anything_else_is_shown(tmp_path):
    with HostController.start("test-stand-1", tmp_path / "flash", program=program()) as controller:
        controller.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
        question = "1 to 3 (nothing to stop): "
        code, screen = _dialogue(["readback"], controller.port, [(question, "7\n"), ("is none of them", "2\n")])
        stopped = _dialogue(["readback"], controller.port, [(question, "\n")])

    assert code == 1, "no table is in there yet"
    assert (
        screen.index("serial ports of this PC: 3") < screen.index("nothing to stop") < screen.index("machine    test")
    )
    assert f"on {controller.port}:" in screen
    assert stopped[0] == 64
    assert "machine" not in stopped[1]
