"""The journal: one line an upload, only ever appended to, readable again, with the line named that is none."""

from __future__ import annotations

import json
import os
import subprocess
import sys

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


def test_a_line_that_a_power_cut_left_torn_is_told_and_stays_and_the_next_entry_begins_on_its_own_line(tmp_path):
    """At every byte: the entry before is whole, the one after too, and the torn one is told with its place."""
    path = tmp_path / "a.journal.jsonl"
    journal.append(path, {"n": 1})
    first = path.read_bytes()
    torn = json.dumps({"who": "Ärger", "n": 2}, ensure_ascii=False).encode() + b"\n"
    for cut in range(1, len(torn) + 1):
        path.write_bytes(first + torn[:cut])
        journal.append(path, {"n": 3})
        found = journal.look(path)

        whole = cut >= len(torn) - 1
        assert path.read_bytes().startswith(first + torn[:cut]), "nothing is taken out"
        assert [entry.values["n"] for entry in found.entries] == ([1, 2, 3] if whole else [1, 3])
        assert [entry.line for entry in found.entries][-1] == 3
        assert [line.line for line in found.damaged] == ([] if whole else [2])
        if not whole:
            assert found.damaged[0].text(path).startswith(f"{path}:2:")
            assert "leave the file as it is" in found.damaged[0].text(path)
            assert found.damaged[0].raw == torn[:cut]


@pytest.mark.parametrize(
    ("raw", "column"),
    [
        (b'{"n": NaN}', 1),
        (b'{"n": [-Infinity]}', 1),
        (b'{"n": 1e999}', 1),
        (b'{"n": 1', 8),
        (b'{"who": "\xc3', 10),
        (b"\0\0\0\0", 1),
        (b'{"n": 1}{"n": 2}', 9),
        (b"[" * 100_000, 1),
        (b'{"n": ' + b"9" * 5000 + b"}", 1),
        (b'"text"', 1),
    ],
)
def test_whatever_a_damaged_line_holds_the_others_are_read(tmp_path, raw, column):
    path = tmp_path / "a.jsonl"
    path.write_bytes(b'{"n": 1}\n' + raw + b'\n\n{"n": 4}\n')
    found = journal.look(path)

    assert [(entry.line, entry.values) for entry in found.entries] == [(1, {"n": 1}), (4, {"n": 4})]
    assert [(line.line, line.column, line.raw) for line in found.damaged] == [(2, column, raw)]


def test_a_name_with_any_character_stays_on_its_line(tmp_path):
    """Line ends of Unicode are none of the file's, and half a character of a command line is no reason to lose it."""
    path = tmp_path / "a.jsonl"
    for name in ("a\u2028b", "a\u0085b", "a\x0cb\x1e", "a\r\nb", "half \udcc3"):
        journal.append(path, {"who": name})

    found = journal.look(path)
    assert found.damaged == ()
    assert [entry.values["who"] for entry in found.entries] == [
        "a\u2028b",
        "a\u0085b",
        "a\x0cb\x1e",
        "a\r\nb",
        "half ?",
    ]


def test_many_uploads_at_once_each_add_a_whole_line(tmp_path):
    """Six processes with fifty lines each, longer than a page of memory, onto a file that ends in a torn line."""
    path = tmp_path / "a.jsonl"
    path.write_bytes(b'{"torn": ')
    program = (
        "import sys\nfrom pathlib import Path\nfrom mapper.link import journal\n"
        "for n in range(50):\n"
        "    journal.append(Path(sys.argv[1]), {'p': int(sys.argv[2]), 'n': n, 'long': 'x' * (5000 + 97 * n)})\n"
    )
    commands = [[sys.executable, "-c", program, str(path), str(number)] for number in range(6)]
    processes = [subprocess.Popen(command) for command in commands]
    assert [process.wait(timeout=60) for process in processes] == [0] * 6
    found = journal.look(path)

    assert [line.raw for line in found.damaged] == [b'{"torn": ']
    assert sorted((entry.values["p"], entry.values["n"]) for entry in found.entries) == [
        (p, n) for p in range(6) for n in range(50)
    ]
    for number in range(6):
        own = [entry.values["n"] for entry in found.entries if entry.values["p"] == number]
        assert own == sorted(own), "each one's lines are in the order in which it wrote them"


def test_a_disk_that_takes_only_part_of_a_line_is_told_and_the_next_line_is_whole(tmp_path, monkeypatch):
    path = tmp_path / "a.jsonl"
    journal.append(path, {"n": 1})
    write = os.write
    monkeypatch.setattr(journal.os, "write", lambda descriptor, data: write(descriptor, data[:3]))
    with pytest.raises(MapperError, match="only 3 of 9 bytes") as caught:
        journal.append(path, {"n": 2})
    assert "may be in use already" in caught.value.message
    assert "mapper readback --port" in caught.value.message
    monkeypatch.undo()
    journal.append(path, {"n": 3})

    assert [entry.values for entry in journal.look(path).entries] == [{"n": 1}, {"n": 3}]


def test_a_folder_in_place_of_the_file_is_said(tmp_path):
    with pytest.raises(MapperError, match="cannot be read"):
        journal.look(tmp_path)


_TRIES = """
import sys
from pathlib import Path
from mapper.errors import MapperError
from mapper.link import journal
for one in (journal.look, journal.check_writable, lambda path: journal.append(path, {})):
    try:
        one(Path(sys.argv[1]))
    except MapperError as error:
        print(error.message)
"""


@pytest.mark.parametrize("place", ["pipe", "/dev/null"])
def test_what_is_no_regular_file_is_refused_and_nothing_waits_for_its_other_end(tmp_path, place):
    path = tmp_path / place
    if place == "pipe":
        os.mkfifo(path)
    found = subprocess.run([sys.executable, "-c", _TRIES, path], capture_output=True, text=True, timeout=20, check=True)

    assert found.stdout.count("it is no regular file") == 3, found.stderr


def test_the_other_journals_of_a_folder_are_found_and_one_that_cannot_be_read_is_left_out(tmp_path):
    for name in ("b", "a", "c"):
        journal.append(tmp_path / f"{name}.journal.jsonl", {"n": name})
    (tmp_path / "folder.journal.jsonl").mkdir()
    (tmp_path / "notes.jsonl").write_text("{}")
    found = journal.beside(tmp_path / "b.journal.jsonl")

    assert [one.path.name for one in found] == ["a.journal.jsonl", "c.journal.jsonl"]
    assert found[0].entries[0].values == {"n": "a"}
