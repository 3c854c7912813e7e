"""`mapper upload`, `readback` and `controller` on the simulated controller: exit codes, texts, journal, table."""

from __future__ import annotations

import json
import shutil
import threading
from pathlib import Path

import click
import numpy as np
import pytest
from click.testing import CliRunner
from host_program import program

import mapper.check
import mapper.link.host
from mapper.check.finding import Evidence, Finding, NotExamined, Status
from mapper.cli import controller as controller_command
from mapper.cli import readback as readback_command
from mapper.cli import upload as upload_command
from mapper.errors import MapperError
from mapper.link import HostController, LinkError, identify, journal, readback
from mapper.profile import read_profile
from mapper.table import compile_table, encode_table, table_digest

PROFILES = Path(__file__).resolve().parents[3] / "profiles"


class Ticking:
    """A controller whose key input is on, ticking in a thread of its own as `mapper controller` does."""

    def __init__(self, machine_id: str, flash: Path, digital: int = 32 | 3) -> None:
        self.controller = HostController.start(machine_id, flash, program=program())
        self.digital = digital
        self.controller.tick(digital, np.zeros(64, dtype=np.int32), 5000)

    @property
    def port(self) -> str:
        return self.controller.port


@pytest.fixture
def profile(tmp_path) -> Path:
    path = tmp_path / "test-stand.toml"
    shutil.copy(PROFILES / "test-stand.toml", path)
    return path


@pytest.fixture
def table(profile) -> bytes:
    return encode_table(compile_table(read_profile(profile.read_bytes(), str(profile))))


@pytest.fixture
def machine(tmp_path):
    ticking = Ticking("test-stand-1", tmp_path / "flash")
    yield ticking
    ticking.controller.close()


def _finding(status: Status) -> Finding:
    return Finding(
        limit="soft_stop_overrun_upper",
        joint="lever",
        status=status,
        evidence=Evidence.INTERVAL,
        cases=1,
        worst=1.0,
        bound=2.0,
        unit="deg",
        margin=1.0,
        detail="detail of it",
        advice="" if status is Status.HOLDS else "move the soft stop",
    )


@pytest.fixture
def checked(monkeypatch):
    """What the check says, so that these tests speak of the upload: set .status before the command runs."""

    class Checked:
        status = Status.HOLDS
        result = "holds"
        not_examined = (NotExamined(limit="keep_out", why="later"),)
        seen: tuple | None = None

        @property
        def findings(self):
            return (_finding(self.status),)

    result = Checked()

    def check(profile, table, data):
        result.seen = (profile, table, data)
        return result

    monkeypatch.setattr(mapper.check, "check_profile", check)
    return result


def run(command: click.Command, *arguments: str):
    return CliRunner().invoke(command, list(arguments), standalone_mode=False)


def test_a_checked_profile_goes_in_and_everything_is_put_on_record(profile, table, machine, checked):
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes", "--by", "tester")
    entry = journal.read(journal.journal_path(profile))[-1]

    assert result.exit_code == 0, result.output
    assert readback(machine.port) == table
    assert checked.seen[2] == table, "what was checked is what was sent"
    assert (entry["who"], entry["in_use"], entry["confirmed"], entry["sequence"]) == ("tester", True, "--yes", 1)
    assert entry["digest"] == table_digest(table)
    assert entry["checked"] == {"result": "holds", "limits": {"holds": 1}}
    assert entry["tool"].startswith("mapper ")
    assert entry["controller"]["machine_id"] == "test-stand-1"
    assert entry["error"] is None


def test_the_values_that_safety_rests_on_are_shown_as_read_back_with_the_cautions(profile, machine, checked):
    output = run(upload_command.command, str(profile), "--port", machine.port, "--yes").output

    for text in (
        "read back from the controller, not in use yet",
        "soft stops deg",
        "lever",
        "emergency stop",
        "sensor windows",
    ):
        assert text in output
    for caution in (
        "hard-wired emergency stop",
        "lock out and bleed",
        "drop a raised arm",
        "through the skin",
        "certificate",
    ):
        assert caution in output
    assert "next:" in output


@pytest.mark.parametrize("status", [Status.VIOLATED, Status.NOT_SHOWN])
def test_a_profile_that_does_not_hold_is_not_sent(profile, machine, checked, status):
    checked.status = status
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes")

    assert isinstance(result.exception, MapperError)
    assert result.exception.exit_code == 1
    for text in ("lever", "soft_stop_overrun_upper", status.value, "move the soft stop", "nothing was sent"):
        assert text in result.exception.message
    assert readback(machine.port) is None


def test_a_waived_limit_is_sent_and_the_journal_says_so(profile, machine, checked):
    checked.status = Status.WAIVED
    checked.result = "holds with waivers"
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes")

    assert result.exit_code == 0
    assert journal.read(journal.journal_path(profile))[-1]["checked"]["limits"] == {"holds with waiver": 1}


def test_a_controller_of_another_machine_gets_nothing(profile, tmp_path, checked):
    other = Ticking("other-arm", tmp_path / "flash")
    result = run(upload_command.command, str(profile), "--port", other.port, "--yes")
    inside = readback(other.port)
    other.controller.close()

    assert isinstance(result.exception, LinkError)
    assert "'other-arm'" in result.exception.message
    assert "'test-stand-1'" in result.exception.message
    assert inside is None
    assert journal.read(journal.journal_path(profile))[-1]["in_use"] is False


def test_a_refusal_is_put_on_record_too(profile, machine, checked):
    machine.controller.tick(3, np.zeros(64, dtype=np.int32), 5000)
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes")
    entry = journal.read(journal.journal_path(profile))[-1]

    assert isinstance(result.exception, LinkError)
    assert "key is off" in entry["error"]
    assert entry["in_use"] is False
    assert entry["confirmed"] == "nobody"


def test_without_a_terminal_nobody_can_confirm(profile, machine, checked):
    result = run(upload_command.command, str(profile), "--port", machine.port)

    assert isinstance(result.exception, click.UsageError), "the group turns it into exit 64"
    assert "--yes" in result.exception.message
    assert readback(machine.port) is None


@pytest.mark.parametrize(("answer", "in_use"), [(True, True), (False, False)])
def test_the_person_decides(profile, table, machine, checked, monkeypatch, answer, in_use):
    asked = []
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "confirm", lambda text, **_: asked.append(text) is None and answer)
    try:
        upload_command.command.main([str(profile), "--port", machine.port], standalone_mode=False)
        failed = None
    except LinkError as error:
        failed = error
    entry = journal.read(journal.journal_path(profile))[-1]

    assert len(asked) == 1
    assert readback(machine.port) == (table if in_use else None)
    assert (failed is None) == in_use
    assert (entry["confirmed"], entry["in_use"]) == (("asked", True) if in_use else ("nobody", False))


def test_json_is_one_document_and_nothing_else(profile, table, machine, checked):
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes", "--json")
    document = json.loads(result.stdout)

    assert document["digest"] == table_digest(table)
    assert document["in_use"] is True
    assert document["seconds"] < 5


def test_several_ports_are_listed_and_the_choice_is_asked_for(profile, checked, monkeypatch):
    monkeypatch.setattr("mapper.link.list_ports", lambda: [("/dev/ttyA", "adapter"), ("/dev/ttyB", "")])
    result = run(upload_command.command, str(profile), "--yes")

    assert isinstance(result.exception, MapperError)
    assert result.exception.exit_code == 64
    for text in ("/dev/ttyA", "adapter", "/dev/ttyB", "--port"):
        assert text in result.exception.message


def test_no_port_at_all_is_said_with_what_to_do(profile, checked, monkeypatch):
    monkeypatch.setattr("mapper.link.list_ports", list)
    result = run(upload_command.command, str(profile), "--yes")

    assert result.exception.exit_code == 64
    assert "no serial port" in result.exception.message


def test_readback_knows_the_profile_the_changed_profile_and_no_table(profile, machine, checked):
    empty = run(readback_command.command, "--port", machine.port, "--profile", str(profile))
    run(upload_command.command, str(profile), "--port", machine.port, "--yes")
    same = run(readback_command.command, "--port", machine.port, "--profile", str(profile))
    text = profile.read_text()
    assert text.count("revision = 1") == 1
    profile.write_text(text.replace("revision = 1", "revision = 2"))
    changed = run(readback_command.command, "--port", machine.port, "--profile", str(profile))

    assert [one.return_value for one in (empty, same, changed)] == [1, 0, 1]
    assert "no table" in empty.output
    assert "byte for byte" in same.output
    assert "revision 1" in changed.output
    assert "revision 2" in changed.output


def test_readback_as_json_has_the_decoded_table(profile, table, machine, checked):
    run(upload_command.command, str(profile), "--port", machine.port, "--yes")
    document = json.loads(run(readback_command.command, "--port", machine.port, "--json").stdout)

    assert document["digest"] == table_digest(table)
    assert document["same"] is None
    assert document["table"]["machine_id"] == "test-stand-1"
    assert len(document["table"]["joints"]) == 1


def test_the_simulated_controller_takes_an_upload_and_plays_a_recording_then(profile, table, checked, monkeypatch):
    """In a thread of its own, in real time: table taken, a while of `stopped`, key off, then the recording runs."""
    monkeypatch.setattr(mapper.link.host, "_PROGRAM", program())
    monkeypatch.setattr(mapper.link.host, "_check_built", lambda: None)
    monkeypatch.setattr(controller_command, "_SETTLED_S", 0.3)
    recording = profile.with_name("hand.csv")
    recording.write_text("time_s,hand_angle_deg\n0,0\n3,0\n")
    lines: list[str] = []
    monkeypatch.setattr(click, "echo", lambda text="", **_: lines.append(str(text)))
    arguments = [str(profile), "--recording", str(recording), "--seconds", "4"]
    thread = threading.Thread(target=lambda: controller_command.command.main(arguments, standalone_mode=False))
    thread.start()
    for _ in range(200):
        port = next((line.split()[1] for line in lines if line.startswith("port ")), None)
        if port:
            break
        threading.Event().wait(0.02)
    threading.Event().wait(0.2)
    before = identify(port).before
    result = mapper.link.upload(port, table)
    thread.join()

    assert before.key
    assert result.outcome.data == table
    assert any("mapper upload" in line for line in lines)
    states = list(dict.fromkeys(line.split(",")[0] for line in lines if ", waits for" in line))
    assert states[:4] == ["powering_up", "stopped", "matching", "running"]
    assert lines[-1] == "ended; the port is gone"
