"""`mapper advise`: what it prints, what it writes, and when it does not."""

from __future__ import annotations

import json
import os
import stat
from dataclasses import replace

import pytest
from advise_case import stand_advice
from check_case import STAND, text_of
from click.testing import CliRunner

import mapper.advise
from mapper.cli import main
from mapper.cli.advise import command
from mapper.errors import MapperError


@pytest.fixture
def stand(tmp_path):
    path = tmp_path / "stand.toml"
    path.write_bytes(text_of(STAND).encode())
    return path


@pytest.fixture(autouse=True)
def searched_once(monkeypatch):
    """The search itself is tried in tests/unit/advise; here its result is taken as it was found once."""
    monkeypatch.setattr(mapper.advise, "advise", lambda data, *_, **__: stand_advice())


def run(*arguments: str):
    return CliRunner().invoke(command, list(arguments), standalone_mode=False)


@pytest.mark.deep
def test_without_write_the_lines_are_shown_and_the_file_stays(stand):
    result = run(str(stand))

    assert result.return_value == 0
    assert stand.read_bytes() == text_of(STAND).encode()
    for change in stand_advice().changes:
        assert f"{stand}:{change.line}:\n  - {change.before}\n  + {change.after}\n" in result.output
    assert "--write" in result.output.rstrip().split("\n")[-1]
    assert "machine.revision (now 1)" in result.output


def test_every_number_has_a_line_with_what_it_is_and_what_binds(stand):
    output = run(str(stand)).output

    for number in stand_advice().joints[0].numbers:
        (line,) = [line for line in output.split("\n") if line.split(" ")[2:3] == [number.number.key]]
        assert number.number.text(number.number.now) in line
        if number.changed:
            assert number.number.text(number.value) in line
        if number.breach.finding is not None:
            assert number.breach.finding.limit in line
            assert f"at {number.number.text(number.beyond)}" in line


def test_write_puts_the_values_into_the_file_and_keeps_its_mode(stand):
    os.chmod(stand, 0o640)

    result = run(str(stand), "--write")

    assert result.return_value == 0
    assert stand.read_bytes() == stand_advice().data
    assert stat.S_IMODE(stand.stat().st_mode) == 0o640
    assert [path.name for path in stand.parent.iterdir()] == ["stand.toml"]
    assert "raise machine.revision" in result.output


def test_write_through_a_link_keeps_the_link(stand):
    link = stand.with_name("link.toml")
    link.symlink_to(stand)

    run(str(link), "--write")

    assert link.is_symlink()
    assert stand.read_bytes() == stand_advice().data


def test_a_file_that_was_changed_meanwhile_is_not_written(stand, monkeypatch):
    def advise(data, *_, **__):
        stand.write_bytes(data + b"# somebody was here\n")
        return stand_advice()

    monkeypatch.setattr(mapper.advise, "advise", advise)

    result = run(str(stand), "--write")

    assert isinstance(result.exception, MapperError)
    assert "changed by someone else" in str(result.exception)
    assert stand.read_bytes().endswith(b"# somebody was here\n")
    assert [path.name for path in stand.parent.iterdir()] == ["stand.toml"]


def test_a_write_protected_file_is_not_replaced(stand, monkeypatch):
    """The mode alone would not stop root, who runs the tests in many a container."""
    os.chmod(stand, 0o440)
    monkeypatch.setattr(os, "access", lambda path, mode: not (mode & os.W_OK))

    result = run(str(stand), "--write")

    assert "write-protected" in str(result.exception)
    assert stand.read_bytes() == text_of(STAND).encode()


def test_values_that_do_not_hold_are_not_written(stand, monkeypatch):
    found = stand_advice()
    finding = replace(found.check.findings[0], status=type(found.check.findings[0].status)("violated"))
    check = replace(found.check, findings=(finding, *found.check.findings[1:]), result="does not hold")
    monkeypatch.setattr(mapper.advise, "advise", lambda *_, **__: replace(found, check=check))

    result = run(str(stand), "--write")

    assert result.return_value == 1
    assert stand.read_bytes() == text_of(STAND).encode()
    assert "Nothing was written" in result.output
    assert finding.limit in result.output


def test_json_is_one_document(stand):
    document = json.loads(run(str(stand), "--json", "--write").output)

    assert document["written"] is True
    assert document["holds"] is True
    (joint,) = document["joints"]
    assert [number["key"] for number in joint["numbers"]] == [
        ".".join(number.number.path) for number in stand_advice().joints[0].numbers
    ]
    bound = [number for number in joint["numbers"] if number["binds"] is not None]
    assert all(number["binds"]["margin"] < 0 <= number["margin"] for number in bound)


def test_an_unknown_joint_names_those_that_there_are(stand, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["advise", str(stand), "--joint", "elbow"])

    assert stopped.value.code == 64
    assert "there are lever" in capsys.readouterr().err


@pytest.mark.parametrize("content", [None, b"\xff", b"format = 1\n"])
def test_a_file_that_cannot_be_read_ends_with_2(tmp_path, content, capsys):
    path = tmp_path / "bad.toml"
    if content is not None:
        path.write_bytes(content)

    with pytest.raises(SystemExit) as stopped:
        main(["advise", str(path)])

    assert stopped.value.code == 2
    assert str(path) in capsys.readouterr().err
