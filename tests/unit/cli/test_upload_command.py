"""`mapper upload`, `readback` and `controller` on the simulated controller: exit codes, texts, journal, table."""

from __future__ import annotations

import json
import shutil
import threading
from pathlib import Path
from types import SimpleNamespace

import click
import numpy as np
import pytest
from click.testing import CliRunner
from host_program import program

import mapper.check
import mapper.law
import mapper.link.host
from mapper.check.finding import Evidence, Finding, NotExamined, Status
from mapper.cli import controller as controller_command
from mapper.cli import readback as readback_command
from mapper.cli import upload as upload_command
from mapper.cli._linking import choose_port
from mapper.errors import MapperError
from mapper.link import HostController, LinkError, StoppedError, identify, journal, readback
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
        interrupted = False
        not_examined = (NotExamined(limit="keep_out", why="later"),)
        unused_waivers: tuple = ()
        seen: tuple | None = None

        @property
        def findings(self):
            return (_finding(self.status),)

    result = Checked()

    def check(profile, table, data):
        result.seen = (profile, table, data)
        if result.interrupted:
            raise KeyboardInterrupt
        return result

    monkeypatch.setattr(mapper.check, "check_profile", check)
    monkeypatch.setattr(mapper.law, "load_core", lambda: SimpleNamespace(source_digest="test"))
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
    assert entry["tool"] == f"mapper {mapper.__version__}"
    assert (entry["layout"], entry["protocol"]) == (table[4], 1)
    assert (entry["law"], entry["controller"]["firmware"]) == ("test", "test")
    assert entry["warnings"] == []
    assert entry["controller"]["machine_id"] == "test-stand-1"
    assert entry["error"] is None


def test_the_values_that_safety_rests_on_are_shown_as_read_back_with_the_cautions(profile, machine, checked):
    output = run(upload_command.command, str(profile), "--port", machine.port, "--yes").output

    for text in (
        "read back from the controller, not in use yet",
        "soft stops deg",
        "lever",
        "emergency stop",
        "windows in counts",
        f"mapper {mapper.__version__}, link protocol 1, table layout",
        "firmware   test",
        "not shown, but decoded",
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
    following = output[output.index("next:") :]
    steps = ("reduced speed", "service key off", "if it is pressed", "press reset and let it go", "enabling device and")
    assert sorted(map(following.index, steps)) == [following.index(step) for step in steps]


@pytest.mark.parametrize("status", [Status.VIOLATED, Status.NOT_SHOWN])
def test_a_profile_that_does_not_hold_is_not_sent(profile, machine, checked, status):
    checked.status = status
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes")

    assert isinstance(result.exception, MapperError)
    assert result.exception.exit_code == 1
    lines = result.exception.message.splitlines()
    assert "nothing was sent" in lines[0]
    assert lines[1] == f"  lever: soft_stop_overrun_upper {status.value}: detail of it"
    assert lines[2] == "      what to do: move the soft stop"
    assert readback(machine.port) is None
    (entry,) = journal.read(journal.journal_path(profile))
    assert (entry["in_use"], entry["confirmed"], entry["controller"]) == (False, "nobody", None)
    assert entry["checked"]["limits"] == {status.value: 1}
    assert "nothing was sent" in entry["error"]


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
    assert "--port" not in result.exception.message
    assert readback(machine.port) is None
    neither = run(upload_command.command, str(profile))
    assert "--yes" in neither.exception.message
    assert "--port PORT" in neither.exception.message


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
    assert (entry["confirmed"], entry["in_use"]) == (("asked", True) if in_use else ("declined", False))
    assert in_use or "not confirmed" in entry["error"]
    assert in_use or "what to do: upload again when they are right" in entry["error"]


def test_json_is_one_document_and_nothing_else(profile, table, machine, checked):
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes", "--json")
    document = json.loads(result.stdout)

    assert document["digest"] == table_digest(table)
    assert document["in_use"] is True
    assert document["seconds"] < 5


def _none() -> int:
    raise OSError("no terminal")


@pytest.mark.parametrize("ports", [1, 2])
@pytest.mark.parametrize("command", ["upload", "readback"])
def test_without_port_the_ports_are_listed_and_none_is_taken(profile, checked, monkeypatch, ports, command):
    listed = [("/dev/ttyA", "adapter"), ("/dev/ttyB", "")][:ports]
    monkeypatch.setattr("mapper.link.list_ports", lambda: listed)
    one = (upload_command.command, str(profile), "--yes") if command == "upload" else (readback_command.command,)
    result = run(*one)

    assert isinstance(result.exception, MapperError)
    assert result.exception.exit_code == 64
    for text in (*(name for name, _ in listed), "adapter", "--port", f": {ports}", "nothing was sent"):
        assert text in result.exception.message
    assert "the ports are listed" in " ".join(run(one[0], "--help").output.split())


@pytest.mark.parametrize(
    ("ports", "answer", "may_ask", "asked"),
    [(1, True, True, 1), (1, False, True, 1), (1, True, False, 0), (2, True, False, 0)],
)
def test_a_single_port_is_taken_only_when_a_person_says_so(monkeypatch, ports, answer, may_ask, asked):
    questions: list[str] = []
    monkeypatch.setattr("mapper.link.list_ports", lambda: [("/dev/ttyA", "adapter"), ("/dev/ttyB", "")][:ports])
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True, fileno=_none))
    monkeypatch.setattr(click, "confirm", lambda text, **_: questions.append(text) is None and answer)
    try:
        chosen: str | int = choose_port(None, may_ask=may_ask)
    except MapperError as error:
        chosen = error.exit_code

    assert chosen == ("/dev/ttyA" if asked and answer else 64)
    assert len(questions) == asked
    assert choose_port("/dev/ttyX", may_ask=may_ask) == "/dev/ttyX"


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
    assert "all values are the same" not in changed.output
    profile.write_text(text + "# a remark\n")
    remark = run(readback_command.command, "--port", machine.port, "--profile", str(profile))
    assert remark.return_value == 1
    assert f"all values are the same as those of {profile}" in remark.output


def test_readback_as_json_has_the_decoded_table(profile, table, machine, checked):
    run(upload_command.command, str(profile), "--port", machine.port, "--yes")
    document = json.loads(run(readback_command.command, "--port", machine.port, "--json").stdout)

    assert document["digest"] == table_digest(table)
    assert document["same"] is None
    assert document["table"]["machine_id"] == "test-stand-1"
    assert len(document["table"]["joints"]) == 1


def test_the_simulated_controller_takes_an_upload_and_plays_a_recording_then(profile, table, monkeypatch):
    """In a thread of its own, in real time: table taken, a while of `stopped`, key off, then the recording runs.

    Ctrl-C comes with the line that tells of `running`.
    """
    monkeypatch.setattr(mapper.link.host, "_PROGRAM", program())
    monkeypatch.setattr(mapper.link.host, "_check_built", lambda: None)
    monkeypatch.setattr(controller_command, "_SETTLED_S", 0.3)
    recording = profile.with_name("hand.csv")
    recording.write_text("time_s,hand_angle_deg\n0,0\n3,0\n")
    lines: list[str] = []

    def echo(text: str = "", **_: object) -> None:
        lines.append(str(text))
        if str(text).startswith("running"):
            raise KeyboardInterrupt

    monkeypatch.setattr(click, "echo", echo)
    arguments = [str(profile), "--recording", str(recording), "--seconds", "10"]
    thread = threading.Thread(target=lambda: controller_command.command.main(arguments, standalone_mode=False))
    thread.start()
    for _ in range(200):
        port = next((line.split()[1] for line in lines if line.startswith("port ")), None)
        if port and any(line.startswith("powering_up") for line in lines):  # it ticks, so it knows its inputs
            break
        threading.Event().wait(0.02)
    before = identify(port).before
    result = mapper.link.upload(port, table)
    thread.join()

    assert before.key
    assert result.outcome.data == table
    assert any("mapper upload" in line for line in lines)
    states = list(dict.fromkeys(line.split(",")[0] for line in lines if ", waits for" in line))
    assert states[:4] == ["powering_up", "stopped", "matching", "running"]
    assert lines.count("a table was taken and is in use now") == 1
    assert lines[-1] == "ended; the port is gone"
    first = next(line for line in lines if line.startswith("stopped"))
    at = [first.index(text) for text in ("service key to be turned off", "reset button", "device to be pressed")]
    assert at == sorted(at), "the whole way to motion, in the order in which it is gone"


def test_a_simulated_controller_without_its_key_does_not_send_the_person_to_an_upload(profile, monkeypatch):
    monkeypatch.setattr(mapper.link.host, "_PROGRAM", program())
    monkeypatch.setattr(mapper.link.host, "_check_built", lambda: None)
    output = run(controller_command.command, str(profile), "--no-key", "--seconds", "0.3").output

    (following,) = [line for line in output.splitlines() if line.startswith("next")]
    assert "mapper readback --port" in following
    assert "without --no-key" in following
    assert "mapper upload" not in output
    assert "a table was taken" not in output


def test_ctrl_c_before_anything_is_sent_is_put_on_record(profile, machine, checked):
    checked.interrupted = True
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes")
    (entry,) = journal.read(journal.journal_path(profile))

    assert isinstance(result.exception, StoppedError)
    assert result.exception.exit_code == 130
    assert "in the controller now: unchanged" in result.exception.message
    assert entry["error"] == result.exception.message
    assert (entry["in_use"], entry["checked"]["result"]) == (False, "not checked")


def test_an_error_that_nobody_thought_of_is_put_on_record(profile, machine, checked, monkeypatch):
    monkeypatch.setattr("mapper.table.decode_table", lambda data: 1 // 0)
    result = run(upload_command.command, str(profile), "--port", machine.port, "--yes")

    assert isinstance(result.exception, ZeroDivisionError)
    assert "division" in journal.read(journal.journal_path(profile))[-1]["error"]
    assert readback(machine.port) is None
    assert identify(machine.port).before.transfer == 0, "the transfer was given up"


def _with_comment(profile: Path) -> None:
    profile.write_text(profile.read_text() + "# another file, the same revision\n")


def test_the_same_revision_with_other_content_in_the_controller_is_warned_of(profile, table, machine, checked):
    first = run(upload_command.command, str(profile), "--port", machine.port, "--yes").output
    again = run(upload_command.command, str(profile), "--port", machine.port, "--yes").output
    _with_comment(profile)
    other = run(upload_command.command, str(profile), "--port", machine.port, "--yes").output
    entry = journal.read(journal.journal_path(profile))[-1]

    assert "WARNING" not in first
    assert "WARNING" not in again
    assert "WARNING: revision 1 is already in the controller with other content" in other
    assert "raise machine.revision" in other
    assert table_digest(table) in entry["warnings"][0]
    assert len(entry["warnings"]) == 1, "what the controller and the journal both know is told once"


def test_the_same_revision_with_other_content_in_the_journal_is_warned_of(profile, table, machine, checked, tmp_path):
    run(upload_command.command, str(profile), "--port", machine.port, "--yes", "--by", "tester")
    _with_comment(profile)
    fresh = Ticking("test-stand-1", tmp_path / "fresh")
    result = run(upload_command.command, str(profile), "--port", fresh.port, "--yes", "--json")
    fresh.controller.close()

    assert "put into use with other content" in result.stderr
    assert "by tester" in result.stderr
    assert table_digest(table) in json.loads(result.stdout)["warnings"][0]


def test_an_older_revision_and_other_firmware_are_warned_of(profile, machine, checked, monkeypatch):
    text = profile.read_text()
    profile.write_text(text.replace("revision = 1", "revision = 2"))
    run(upload_command.command, str(profile), "--port", machine.port, "--yes")
    profile.write_text(text)
    monkeypatch.setattr(mapper.law, "load_core", lambda: SimpleNamespace(source_digest="0123456789abcdef0123"))
    output = run(upload_command.command, str(profile), "--port", machine.port, "--yes").output

    assert "WARNING: the controller has the later revision 2, this is 1" in output
    assert "WARNING: the controller's firmware calls itself 'test', the check ran the law '0123456789abcdef'" in output


_WAIVERS = """
[[waivers]]
limit = "soft_stop_overrun"
joint = "lever"
reason = "bumpers fitted"

[[waivers]]
limit = "drive_range"
joint = "lever"
reason = "kept for later"
"""


def test_waivers_are_named_by_upload_and_readback_those_that_waive_nothing_too(profile, machine, checked):
    profile.write_text(profile.read_text() + _WAIVERS)
    checked.status = Status.WAIVED
    checked.unused_waivers = read_profile(profile.read_bytes(), str(profile)).waivers[1:]
    upload = run(upload_command.command, str(profile), "--port", machine.port, "--yes").output
    read = run(readback_command.command, "--port", machine.port, "--profile", str(profile)).output
    document = json.loads(
        run(readback_command.command, "--port", machine.port, "--profile", str(profile), "--json").stdout
    )
    entry = journal.read(journal.journal_path(profile))[-1]

    for output in (upload, read, "\n".join(document["waivers"])):
        assert "waived: soft_stop_overrun of lever: bumpers fitted" in output
        assert "waiver not used: drive_range of lever: kept for later" in output
    assert [one["used"] for one in entry["waivers"]] == [True, False]
