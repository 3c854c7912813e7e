"""Bytes to the data of tomllib, and tomllib's complaints in our own words.

Besides TOML itself some bounds are kept here, so that no file, however odd, takes long to read: 1 MiB, 1000 characters
and 40 points a line (tomllib takes quadratic time for very long dotted keys), 24 levels of nesting.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any, NoReturn

from mapper.profile.messages import Message, ProfileError, item_text
from mapper.profile.positions import DEPTH_MAX, Path, first_repeat, scan
from mapper.profile.quantity import shown
from mapper.profile.slips import slip_near
from mapper.profile.values import exact_float

BYTES_MAX = 1024 * 1024
LINE_MAX = 1000
POINTS_MAX = 40

_PLACE = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)$")
_REPEATED = ("Cannot overwrite", "Cannot declare", "Duplicate inline", "Cannot redefine", "Cannot mutate")
_HEADER = re.compile(r"^[ \t]*\[\[?[ \t]*([A-Za-z0-9_.-]+)[ \t]*\]", re.MULTILINE)
_KEY = re.compile(r"[ \t]*([A-Za-z0-9_.-]+)[ \t]*=")

_WORDS = (  # what tomllib says first: what was found, what is allowed, what to do
    ("Expected newline", "something stands after the value", "a line holds one key and one value",
     'put quotes around text, or # before a comment'),
    ("Expected '='", "a key without = and a value", "a line reads key = value",
     "write = and a value, or # before a comment"),
    ("Invalid value", "no value that TOML knows",
     'a value is text in quotes, a number like 0.5, true or false, [ ... ] or { ... }',
     "put quotes around text, write digits on both sides of a point"),
    ("Illegal character '\\n'", "text that is not closed on its line", "text stands between two quotes on one line",
     'write the second "'),
    ("Unterminated", "text that is never closed", "text stands between two quotes", "write the closing quotes"),
    ("Unclosed array", "an array [ ... that is not closed or lacks a comma", "items are separated by commas",
     "write the missing ] or comma"),
    ("Unclosed inline", "an inline table { ... that is not closed or lacks a comma",
     "an inline table stands on one line, its items are separated by commas", "write the missing } or comma"),
    ("Expected ']", "a header that is not closed", "a table begins with [name], one of several with [[name]]",
     "write the missing bracket"),
    ("Unescaped", "a backslash in a text", "a backslash in double quotes begins an escape like \\n",
     "write \\\\ or use single quotes"),
    ("Invalid hex", "an escape that is not closed", "\\u has four and \\U has eight hexadecimal digits",
     "correct the escape"),
    ("Escaped character", "an escape of no character", "\\u and \\U give a Unicode character", "correct the escape"),
    ("Invalid initial", "no key where one must stand",
     "a key is made of letters, digits, - and _, and no comma stands before a closing }",
     "write the key or remove the comma"),
    ("Invalid statement", "a line that begins with neither a key nor a header",
     "a line is key = value, [table], [[table]] or # comment", "correct the line"),
    ("Found invalid", "a character that is not allowed here", "control characters do not belong in a profile",
     "remove it"),
    ("Illegal character", "a character that is not allowed in a text", "control characters do not belong in a profile",
     "remove it"),
    ("Invalid date", "a date or time that does not exist", "a profile has no dates outside texts",
     "put quotes around it"),
)  # fmt: skip


def parse_toml(data: bytes, file_name: str) -> tuple[str, dict[str, Any]]:
    """The text (line ends made "\\n") and what tomllib makes of it, numbers exact.

    Raises:
        ProfileError: with one message; nothing more can be said of a file that is not TOML.
    """
    text = _text(data, file_name)
    _check_lines(text, file_name)
    try:
        loaded = tomllib.loads(text, parse_float=exact_float)
    except tomllib.TOMLDecodeError as error:
        _refuse_syntax(text, str(error), file_name)
    except RecursionError:
        _refuse(file_name, (1, 1), "", "arrays or tables that are nested very deeply", _nesting(), "remove the nesting")
    except ValueError:
        # Python refuses to read a whole number of more than 4300 digits; tomllib passes that on without a place.
        _refuse(
            file_name, (1, 1), "", "a number of thousands of digits", "a number has at most 32", "correct the number"
        )
    too_deep = _too_deep(loaded)
    if too_deep is not None:
        place = scan(text).of_value(too_deep)
        _refuse(file_name, place, item_text(too_deep[:4]), "nested too deeply", _nesting(), "remove the nesting")
    return text, loaded


def _nesting() -> str:
    return f"at most {DEPTH_MAX} levels are read, and a profile needs no more than 8"


def _refuse(
    file_name: str, place: tuple[int, int], item: str, found: str, allowed: str, remedy: str
) -> NoReturn:  # fmt: skip
    line, column = place
    raise ProfileError(
        [Message(
            file_name=file_name, line=line, column=column, item=item, found=found, allowed=allowed, remedy=remedy
        )]
    ) from None  # fmt: skip


def _text(data: bytes, file_name: str) -> str:
    if len(data) > BYTES_MAX:
        found = f"the file has {len(data)} bytes"
        _refuse(file_name, (1, 1), "", found, f"a profile has at most {BYTES_MAX}", "check that it is the right file")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        before = data[: error.start].decode("utf-8").replace("\r\n", "\n")
        place = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
        found = f"byte 0x{data[error.start]:02x} is not UTF-8"
        _refuse(file_name, place, "", found, "a profile is UTF-8 text", "save the file as UTF-8 in your editor")
    # A mark that some editors put in front says nothing in UTF-8.
    return text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}").replace("\r\n", "\n")


def _check_lines(text: str, file_name: str) -> None:
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LINE_MAX:
            found = f"a line of {len(line)} characters"
            _refuse(file_name, (number, 1), "", found, f"a line has at most {LINE_MAX}", "break the line")
        if line.count(".") > POINTS_MAX and not line.lstrip().startswith("#"):
            found = f"a line with {line.count('.')} points"
            _refuse(file_name, (number, 1), "", found, f"a line has at most {POINTS_MAX} of them", "break the line")


def _refuse_syntax(text: str, complaint: str, file_name: str) -> NoReturn:
    match = _PLACE.search(complaint)
    lines = text.split("\n")
    at_end = match is None or match[1] is None
    line, column = (len(lines), len(lines[-1]) + 1) if match is None or at_end else (int(match[1]), int(match[2]))
    offset = sum(len(one) + 1 for one in lines[: line - 1]) + column - 1
    if complaint.startswith(_REPEATED):
        _refuse_repeat(text, offset, (line, column), file_name)
    item = _item_at(text, offset, lines[line - 1])
    slip = slip_near(lines[line - 1], column)
    if slip is not None:
        _refuse(file_name, (line, slip.column), item, slip.found, slip.allowed, slip.remedy)
    for start, found, allowed, remedy in _WORDS:
        if complaint.startswith(start):
            _refuse(file_name, (line, column), item, found, allowed, remedy)
    _refuse(file_name, (line, column), item, "not TOML", "a profile is TOML 1.0 (toml.io)", "correct the line")


def _refuse_repeat(text: str, offset: int, place: tuple[int, int], file_name: str) -> NoReturn:
    line_end = text.find("\n", offset)
    repeat = first_repeat(text[: line_end if line_end >= 0 else len(text)])
    allowed = "a key or table is given once"
    if repeat is None:
        _refuse(file_name, place, "", "a key or table given a second time", allowed, "remove one of the two")
    found = f"given a second time, after line {repeat.first_line}"
    _refuse(file_name, (repeat.line, repeat.column), item_text(repeat.path), found, allowed, "remove one of the two")


def _item_at(text: str, offset: int, line: str) -> str:
    """The table and key that a place most likely belongs to; the text is not TOML, so this is a hint and no more."""
    headers = list(_HEADER.finditer(text, 0, offset))
    key = _KEY.match(line)
    parts = [headers[-1][1]] if headers else []
    if key:
        parts.append(key[1])
    name = ".".join(parts)
    return name if len(name) <= 100 else shown(name)


def _too_deep(loaded: dict[str, Any]) -> Path | None:
    """The path of something below `DEPTH_MAX` levels, None if there is nothing. No recursion."""
    waiting: list[tuple[Path, Any]] = [((), loaded)]
    while waiting:
        path, value = waiting.pop()
        children: list[tuple[str | int, Any]] = []
        if isinstance(value, dict):
            children = list(value.items())
        elif isinstance(value, list):
            children = list(enumerate(value))
        if children and len(path) >= DEPTH_MAX:
            return path
        waiting.extend(((*path, key), child) for key, child in children)
    return None
