"""`mapper journal`: what is on record, and whether what is in a controller is on record."""

from __future__ import annotations

import json
import random
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import click
import numpy as np
import pytest
from click.testing import CliRunner
from host_program import program
from make_table import random_table

import mapper.check
import mapper.law
from mapper.cli import journal as journal_command
from mapper.cli import upload as upload_command
from mapper.errors import MapperError
from mapper.link import HostController, LinkError, journal, upload
from mapper.profile import read_profile
from mapper.table import compile_table, encode_table, table_digest

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
DIGEST = "0123456789abcdef"


def made(number: int, **changed: object) -> dict[str, object]:
    """What one upload leaves."""
    return {
        "when": f"2026-03-0{number}T10:20:30+00:00",
        "who": f"person {number}",
        "port": "/dev/ttyUSB0",
        "profile": "arm.toml",
        "profile_sha256": "ab" * 32,
        "digest": f"{number:016x}",
        "bytes": 2714,
        "revision": number + 10,
        "machine_id": "arm-1",
        "tool": "mapper 0.1.0",
        "layout": 2,
        "protocol": 1,
        "law": "feedfacefeedface",
        "checked": {"result": "holds with waivers", "limits": {"holds": 140, "holds with waiver": 1}},
        "not_examined": ["backlash", "oil_temperature"],
        "waivers": [{"limit": "stuck_sensor", "joint": "swing", "reason": "guarded", "used": True}],
        "warnings": ["the controller has the later revision 99"],
        "confirmed": "asked",
        "in_use": True,
        "sequence": number,
        "controller": {"machine_id": "arm-1", "firmware": "feed", "state": "stopped", "digest": "", "sequence": 0},
        "error": None,
    } | changed


@pytest.fixture
def profile(tmp_path) -> Path:
    path = tmp_path / "arm.toml"
    path.write_text("not looked at\n")
    return path


@pytest.fixture
def three(profile) -> Path:
    """In use, declined, in use; gives the journal's path."""
    path = journal.journal_path(profile)
    refused = {"confirmed": "declined", "in_use": False, "sequence": None, "error": "the values\n were\tnot confirmed"}
    for entry in (made(1), made(2, **refused), made(3, confirmed="--yes")):
        journal.append(path, entry)
    return path


def run(*arguments: object):
    return CliRunner().invoke(journal_command.command, [str(one) for one in arguments], standalone_mode=False)


def test_each_upload_is_told_with_who_when_what_checked_confirmed_and_how_it_ended_newest_last(profile, three):
    result = run(profile)
    lines = result.stdout.splitlines()

    assert result.return_value == 0
    assert lines[0] == f"{three}: 3 attempts to upload on record, 2 of which went into use, newest last"
    assert lines[1] == (
        "  1  2026-03-01 10:20:30 UTC  by person 1: table 0000000000000001, revision 11, upload number 1"
    )
    assert lines[2] == (
        "     checked: holds with waivers (140 holds, 1 holds with waiver); the values were confirmed by a person who "
        "was shown them"
    )
    assert lines[3] == "     put into use"
    assert lines[4].startswith("  2  2026-03-02 10:20:30 UTC  by person 2: table 0000000000000002")
    assert lines[4].endswith("upload number none")
    assert lines[5].endswith("the values were declined by a person who was shown them")
    assert lines[6] == "     not put into use: the values / were?not confirmed"
    assert lines[8].endswith("taken as confirmed by --yes, nobody was asked")
    assert lines[10] == (
        "last put into use: table 0000000000000003, revision 13, upload number 3, by person 3 on 2026-03-03 "
        "10:20:30 UTC (entry 3)"
    )
    assert len(lines) == 11


def test_the_newest_few_and_still_what_was_last_put_into_use(profile, three):
    journal.append(three, made(4, in_use=False, error="key off"))
    result = run(profile, "--last", 1)

    assert "4 attempts to upload on record, 2 of which went into use, the newest 1, newest last" in result.stdout
    assert "person 4" in result.stdout
    assert "by person 1" not in result.stdout
    assert "(entry 3)" in result.stdout.splitlines()[-1]
    assert "by person 1" in run(profile, "--last", 99).stdout


def test_a_long_reason_is_shortened_in_the_list_and_whole_in_its_entry(profile, three):
    reason = "not every limit holds, so nothing was sent: " + "a limit, " * 60 + "the last one"
    journal.append(three, made(4, in_use=False, error=reason))
    line = run(profile, "--last", 1).stdout.splitlines()[3]

    assert line.endswith("... (all of it: --entry 4)")
    assert len(line) < 240
    assert reason in run(profile, "--entry", 4).stdout


@pytest.mark.parametrize("options", [(), ("--last", 2), ("--entry", 3)])
def test_as_json_the_entries_are_one_array_as_they_are_in_the_file(profile, three, options):
    document = json.loads(run(profile, "--json", *options).stdout)
    whole = [json.loads(line) for line in three.read_text().splitlines()]

    assert document == (whole if not options else whole[-2:] if options[0] == "--last" else whole[2:])


def test_everything_of_one_entry_is_told(profile, three):
    text = run(profile, "--entry", 2).stdout

    assert text.startswith(f"entry 2 of {three}:\n")
    for told in (
        "2026-03-02 10:20:30 UTC",
        "person 2",
        "0000000000000002, 2714 bytes, layout 2",
        "arm-1, revision 12",
        f"arm.toml, SHA-256 {'ab' * 32}",
        "through the law feedfacefeedface",
        "backlash, oil_temperature",
        "stuck_sensor of swing: guarded",
        "the controller has the later revision 99",
        "mapper 0.1.0, link protocol 1",
        "/dev/ttyUSB0",
        "machine arm-1, firmware feed, in state stopped, with no table before",
        "declined by a person",
        "not put into use: the values / were?not confirmed",
    ):
        assert told in text
    values = json.loads(three.read_text().splitlines()[1])
    told_otherwise = (values["when"], values["error"], "")
    for leaf in _leaves(values):
        assert leaf is None or isinstance(leaf, bool) or leaf in told_otherwise or str(leaf) in text, leaf


def _leaves(value: object) -> list[object]:
    if isinstance(value, dict | list):
        parts = value.values() if isinstance(value, dict) else value
        return [leaf for part in parts for leaf in _leaves(part)]
    return [value]


def test_what_a_later_version_records_is_told_too(profile, three):
    journal.append(three, made(4, oil_temperature_c=[21, 22], controller={"digest": DIGEST, "not_taken": "layout 1"}))
    text = run(profile, "--entry", 4).stdout

    assert "oil_temperature_c" in text
    assert "[21, 22]" in text
    assert f"table {DIGEST}" in text
    assert "(layout 1) before" in text


@pytest.mark.parametrize("text", [None, ""])
def test_without_an_upload_yet_that_is_said(profile, text):
    if text is not None:
        journal.journal_path(profile).write_text(text)
    result = run(profile)

    assert result.return_value == 0
    assert "no upload is on record yet" in result.stdout
    assert ("is empty" if text is not None else "is not there") in result.stdout
    assert json.loads(run(profile, "--json").stdout) == []


def test_a_name_without_profile_and_journal_is_an_error(tmp_path):
    result = run(tmp_path / "amr.toml")

    assert isinstance(result.exception, MapperError)
    assert result.exception.exit_code == 2
    assert "there is no such file" in result.exception.message


def test_the_journal_itself_may_be_named_and_outlives_its_profile(profile, three):
    profile.unlink()

    assert run(profile).return_value == 0
    assert run(three).stdout == run(profile).stdout


def test_a_damaged_line_is_told_with_its_place_and_the_others_are_shown(profile, three):
    before = three.read_bytes()
    first, second, third = before.splitlines(keepends=True)
    three.write_bytes(first + second[:40] + b"\n" + third)
    result = run(profile)
    as_json = run(profile, "--json")

    assert (result.return_value, as_json.return_value) == (2, 2)
    assert result.stderr.startswith(f"{three}:2:")
    assert "leave the file as it is" in result.stderr
    for text in ("2 attempts to upload on record, 2 of which", "by person 1", "by person 3"):
        assert text in result.stdout
    assert [entry["who"] for entry in json.loads(as_json.stdout)] == ["person 1", "person 3"]
    assert three.read_bytes() == first + second[:40] + b"\n" + third, "reading changes nothing"
    assert run(profile, "--entry", 2).return_value == 2
    assert "person 3" in run(profile, "--entry", 3).stdout, "numbers are lines of the file, so they stay"


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"when": 5, "who": None, "checked": [], "waivers": {"a": 1}, "controller": 7, "in_use": "yes", "sequence": {}},
        {"waivers": [5, {"limit": None}], "checked": {"limits": 3}, "confirmed": [], "controller": {"digest": []}},
        {"who": "\x1b[31mred\x07\x00\u202e", "digest": "\ud800", "error": "a\nb"},
    ],
)
def test_whatever_an_entry_holds_it_is_told_without_an_error_and_steers_no_terminal(profile, values):
    path = journal.journal_path(profile)
    path.write_text(json.dumps(values) + "\n")
    for options in ((), ("--entry", 1), ("--json",)):
        result = run(profile, *options)

        assert result.exception is None
        assert result.return_value == 0
        assert not {"\x1b", "\x07", "\x00", "\u202e"} & set(result.stdout)


@pytest.mark.parametrize("options", [("--last", 1, "--entry", 1), ("--entry", 9), ("--last", 0)])
def test_what_cannot_be_meant_is_refused(profile, three, options):
    result = run(profile, *options)

    assert isinstance(result.exception, click.UsageError)


# ---- with a controller ----


@pytest.fixture
def stand(tmp_path) -> Path:
    path = tmp_path / "test-stand.toml"
    shutil.copy(PROFILES / "test-stand.toml", path)
    return path


@pytest.fixture
def controller(tmp_path):
    with HostController.start("test-stand-1", tmp_path / "flash", program=program()) as one:
        one.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
        yield one


@pytest.fixture(autouse=True)
def without_check(monkeypatch):
    nothing = SimpleNamespace(findings=(), not_examined=(), unused_waivers=(), result="holds")
    monkeypatch.setattr(mapper.check, "check_profile", lambda *_: nothing)
    monkeypatch.setattr(mapper.law, "load_core", lambda: SimpleNamespace(source_digest="test"))


def put(profile: Path, port: str) -> str:
    """By the command; gives the table's digest."""
    arguments = [str(profile), "--port", port, "--yes", "--by", "tester"]
    CliRunner().invoke(upload_command.command, arguments, standalone_mode=False, catch_exceptions=False)
    return table_digest(encode_table(compile_table(read_profile(profile.read_bytes(), str(profile)))))


def test_the_table_in_the_controller_is_found_in_the_journal(stand, controller):
    digest = put(stand, controller.port)
    result = run(stand, "--port", controller.port)

    assert result.return_value == 0
    assert f"on record: table {digest}, revision 1, upload number 1, by tester on" in result.stdout
    assert "(entry 1)" in result.stdout
    assert "machine    test-stand-1" in result.stdout
    quiet = run(stand, "--port", controller.port, "--json")
    assert [entry["digest"] for entry in json.loads(quiet.stdout)] == [digest]
    assert "on record: table" in quiet.stderr


def test_a_table_that_came_from_elsewhere_is_not_on_record(stand, controller):
    digest = put(stand, controller.port)
    other = encode_table(replace(random_table(random.Random(3), 1), machine_id="test-stand-1"))
    upload(controller.port, other)
    result = run(stand, "--port", controller.port)

    assert result.return_value == 1
    assert f"NOT on record: no entry put table {table_digest(other)} (upload number 2) into use" in result.stdout
    assert f"last put into use: table {digest}" in result.stdout
    with journal.journal_path(stand).open("a") as file:
        file.write('{"torn')
    torn = run(stand, "--port", controller.port)
    assert torn.return_value == 1, "more than that a line is damaged"
    assert "it may be in a line that cannot be read; else find who uploaded it" in torn.stdout


def test_another_journal_of_the_folder_that_has_the_table_is_named(stand, controller):
    digest = put(stand, controller.port)
    other = stand.with_name("second.toml")
    shutil.copy(stand, other)
    stand.with_name("pipe.journal.jsonl").mkdir()
    result = run(other, "--port", controller.port)
    upload(controller.port, encode_table(compile_table(read_profile(stand.read_bytes(), str(stand)))))
    again = run(other, "--port", controller.port)

    assert (result.return_value, again.return_value) == (1, 1), "it is not on record where it was looked for"
    assert f"NOT on record in {journal.journal_path(other)}, but in another journal" in result.stdout
    assert f"{journal.journal_path(stand)} has it: table {digest}" in result.stdout
    assert "though it is in the controller" not in result.stdout
    assert "though it is in the controller as upload number 2" in again.stdout


def test_a_journal_of_attempts_only_says_that_none_went_into_use(profile):
    journal.append(journal.journal_path(profile), made(1, in_use=False))

    assert "1 attempt to upload on record, none of which went into use" in run(profile).stdout
    assert "only ever adds to the file" in " ".join(run("--help").output.split())


def test_numbers_that_json_has_not_come_out_of_no_journal(profile):
    path = journal.journal_path(profile)
    path.write_text('{"n": NaN}\n{"n": 1e999}\n{"n": 1.5}\n')
    result = run(profile, "--json")

    assert result.return_value == 2
    assert json.loads(result.stdout, parse_constant=lambda word: pytest.fail(word)) == [{"n": 1.5}]
    assert f"{path}:1:" in result.stderr
    assert f"{path}:2:" in result.stderr


def test_the_same_table_put_in_once_more_from_elsewhere_is_not_on_record(stand, controller):
    digest = put(stand, controller.port)
    upload(controller.port, encode_table(compile_table(read_profile(stand.read_bytes(), str(stand)))))
    result = run(stand, "--port", controller.port)

    assert result.return_value == 1
    assert f"NOT on record: the same table is (table {digest}" in result.stdout
    assert "as upload number 2" in result.stdout


def test_an_older_upload_that_is_still_in_a_controller_is_named_beside_the_last_one(stand, controller, tmp_path):
    put(stand, controller.port)
    stand.write_text(stand.read_text().replace("revision = 1", "revision = 2"))
    with HostController.start("test-stand-1", tmp_path / "spare", program=program()) as spare:
        spare.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
        put(stand, spare.port)
        newest = run(stand, "--port", spare.port)
    result = run(stand, "--port", controller.port)

    assert (newest.return_value, result.return_value) == (0, 0)
    assert "but not the last one" not in newest.stdout
    assert "(entry 1), but not the last one that this journal has in use, which is" in result.stdout


def test_an_upload_whose_end_was_not_learned_is_on_record_when_it_did_go_in(stand, controller):
    """The cable went after the commit: the entry says that nothing was learned, the controller that it took it."""
    put(stand, controller.port)
    path = journal.journal_path(stand)
    values = json.loads(path.read_text())
    path.write_text("")
    journal.append(
        path, values | {"in_use": False, "sequence": None, "error": "the port is gone", "confirmed": "asked"}
    )
    found = run(stand, "--port", controller.port)
    path.write_text("")
    journal.append(path, values | {"in_use": False, "sequence": None, "error": "declined", "confirmed": "declined"})
    declined = run(stand, "--port", controller.port)

    path.write_text("")
    lost = values | {"in_use": False, "sequence": None, "error": "the port is gone", "confirmed": "asked"}
    journal.append(path, lost | {"controller": values["controller"] | {"sequence": 4}})
    another = run(stand, "--port", controller.port)

    assert (found.return_value, declined.return_value) == (0, 1)
    assert another.return_value == 1, "that one would be upload number 5"
    assert "on record: entry 1 put it in, though its end was not learned then" in found.stdout
    assert "NOT on record" in declined.stdout


def test_an_empty_controller_and_none_at_all(stand, controller):
    empty = run(stand, "--port", controller.port)
    gone = run(stand, "--port", str(stand.with_name("no-port")))

    assert empty.return_value == 1
    assert "there is no table in the controller" in empty.stdout
    assert isinstance(gone.exception, LinkError)
    assert gone.exception.exit_code == 3


def test_an_upload_that_cannot_be_put_on_record_says_so_and_what_is_in_use(stand, controller, monkeypatch):
    monkeypatch.setattr(journal, "append", lambda *_: (_ for _ in ()).throw(MapperError("the disk is full")))
    arguments = [str(stand), "--port", controller.port, "--yes"]
    result = CliRunner().invoke(upload_command.command, arguments, standalone_mode=False)
    controller.tick(3, np.zeros(64, dtype=np.int32), 5000)
    refused = CliRunner().invoke(upload_command.command, arguments, standalone_mode=False)

    assert isinstance(result.exception, MapperError)
    assert result.exception.exit_code == 2
    assert result.exception.message.startswith("in use now: table ")
    assert "\nthis is NOT on record: the disk is full" in result.exception.message
    assert refused.exception.exit_code == 3
    assert "key is off" in refused.exception.message
    assert "NOT on record" in refused.exception.message
    assert run(stand, "--port", controller.port).return_value == 1
