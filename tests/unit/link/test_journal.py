"""The journal: one line an upload, only ever appended to, readable again, with the line named that is none."""

from __future__ import annotations

import json

import pytest

from mapper.errors import MapperError
from mapper.link import journal


def test_the_journal_lies_beside_the_profile(tmp_path):
    assert journal.journal_path(tmp_path / "kerb-arm.toml") == tmp_path / "kerb-arm.journal.jsonl"


def test_lines_are_added_and_earlier_ones_stay_byte_for_byte(tmp_path):
    path = tmp_path / "a.journal.jsonl"
    journal.append(path, {"who": "Ä", "n": 1})
    first = path.read_bytes()
    journal.append(path, {"who": "b", "n": 2})

    assert path.read_bytes().startswith(first)
    assert journal.read(path) == [{"who": "Ä", "n": 1}, {"who": "b", "n": 2}]
    assert len(path.read_text().splitlines()) == 2


def test_no_file_is_an_empty_journal(tmp_path):
    assert journal.read(tmp_path / "none.jsonl") == []


@pytest.mark.parametrize(("line", "place"), [("{'a': 1}", ":2:2:"), ("[1]", ":2:1:"), ("half", ":2:1:")])
def test_a_line_that_is_no_entry_is_named(tmp_path, line, place):
    path = tmp_path / "a.jsonl"
    path.write_text(json.dumps({"n": 1}) + "\n" + line + "\n")
    with pytest.raises(MapperError, match=place) as caught:
        journal.read(path)

    assert caught.value.exit_code == 2


def test_a_place_that_cannot_be_written_is_said_before_anything_is_sent(tmp_path):
    with pytest.raises(MapperError, match="nothing was sent"):
        journal.check_writable(tmp_path / "no" / "such" / "folder.jsonl")
    with pytest.raises(MapperError, match="on record"):
        journal.append(tmp_path / "no" / "such" / "folder.jsonl", {})


def test_values_that_json_has_not_are_refused(tmp_path):
    with pytest.raises(ValueError, match="JSON"):
        journal.append(tmp_path / "a.jsonl", {"n": float("nan")})
