"""Where each item of a TOML text stands: path -> line and column.

tomllib gives values without positions. This scanner walks a text that tomllib has already accepted and notes, for every
key, table and array element, where its name and where its value begin. It never judges the text: on text that tomllib
refuses it may return nonsense or raise `ValueError`, but it always ends, since every step moves forward.

1. Lines and columns count from 1; "\\n" ends a line. A column is one character (Unicode code point), whatever its bytes
   or its width on a screen: a tab, a wide character and a combining accent each count as one.
2. A path is a tuple of keys (str) and array positions (int, from 0), as one would index the dictionary from tomllib.
3. Paths longer than `DEPTH_MAX` are not recorded; `Positions` then answers with the nearest parent.
4. No recursion: open brackets are kept on a stack, so nesting is bounded by memory and not by Python.

Source: TOML v1.0.0 (toml.io), grammar of keys, strings, arrays, inline tables and array-of-tables headers.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from contextlib import suppress
from dataclasses import dataclass

Path = tuple[str | int, ...]
DEPTH_MAX = 24

_BLANK = re.compile(r"[ \t]*")
_FILLER = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\[\s\S]|"{1,2}(?!"))*"{3,5}')
_LONG_LITERAL = re.compile(r"'''(?:[^']|'{1,2}(?!'))*'{3,5}")
_PLAIN = re.compile(r"[^,\]}#\r\n]+")


@dataclass(frozen=True, slots=True)
class _Place:
    key: int  # offset of the name (of the element itself in an array)
    value: int  # offset of the value; of a table's header its name again


@dataclass(slots=True)
class _Bracket:
    """An open array or inline table: the path of what it holds, and the next index of an array."""

    path: Path
    array: bool
    next_index: int = 0


class Positions:
    """Answers of the scanner; see the module text."""

    def __init__(self, line_starts: list[int], places: dict[Path, _Place]) -> None:
        self._line_starts = line_starts
        self._places = places

    def of_key(self, path: Path) -> tuple[int, int]:
        """Line and column of the item's name, or of the nearest parent that has one; (1, 1) for the file itself."""
        place = self._nearest(path)
        return (1, 1) if place is None else self._line_column(place.key)

    def of_value(self, path: Path) -> tuple[int, int]:
        """Line and column of the item's value, or of the nearest parent that has one; (1, 1) for the file itself."""
        place = self._nearest(path)
        return (1, 1) if place is None else self._line_column(place.value)

    def paths(self) -> frozenset[Path]:
        """Every path that was recorded."""
        return frozenset(self._places)

    def _nearest(self, path: Path) -> _Place | None:
        for length in range(min(len(path), DEPTH_MAX), 0, -1):
            place = self._places.get(path[:length])
            if place is not None:
                return place
        return None

    def _line_column(self, offset: int) -> tuple[int, int]:
        line = bisect_right(self._line_starts, offset)
        return line, offset - self._line_starts[line - 1] + 1


def scan(text: str) -> Positions:
    """Positions of all items of `text`, which tomllib.loads has accepted.

    Raises:
        ValueError: the text is not TOML after all.
    """
    return _Scanner(text).run()


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """A key or table that is given twice: its path, the line of the first, line and column of the second."""

    path: Path
    first_line: int
    line: int
    column: int


def first_repeat(text: str) -> Repeat | None:
    """The first key or table of `text` that is given a second time, if the scanner gets that far.

    `text` is the part of a file that tomllib has read before it complained of a repetition.
    """
    scanner = _Scanner(text)
    # The part ends where tomllib stopped, often within a statement; what came before has been seen.
    with suppress(ValueError):
        scanner.run()
    if scanner.repeat is None:
        return None
    path, first, second = scanner.repeat
    places = Positions(_line_starts(text), {(0,): _Place(first, first), (1,): _Place(second, second)})
    line, column = places.of_key((1,))
    return Repeat(path=path, first_line=places.of_key((0,))[0], line=line, column=column)


def _line_starts(text: str) -> list[int]:
    return [0] + [match.end() for match in re.finditer("\n", text)]


class _Scanner:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._places: dict[Path, _Place] = {}
        self._last_element: dict[Path, int] = {}  # arrays of tables: index of the table that is open
        self._defined: dict[Path, int] = {}  # what has a header or a value of its own
        self._dotted: dict[Path, int] = {}  # tables that exist because of a dotted key
        self.repeat: tuple[Path, int, int] | None = None

    def run(self) -> Positions:
        text = self._text
        table: Path = ()
        while True:
            self._skip(_FILLER)
            if self._at >= len(text):
                break
            table = self._header() if text[self._at] == "[" else self._statement(table)
        return Positions(_line_starts(text), self._places)

    def _skip(self, blanks: re.Pattern[str]) -> None:
        match = blanks.match(self._text, self._at)
        if match:
            self._at = match.end()

    def _take(self, expected: str) -> None:
        if not self._text.startswith(expected, self._at):
            raise ValueError(f"expected {expected} at offset {self._at}")
        self._at += len(expected)

    def _token(self, token: re.Pattern[str]) -> str:
        match = token.match(self._text, self._at)
        if not match or match.end() == self._at:
            raise ValueError(f"no token at offset {self._at}")
        self._at = match.end()
        return match.group()

    def _note(self, path: Path, place: _Place, *, keep_older: bool = False) -> None:
        if len(path) <= DEPTH_MAX and not (keep_older and path in self._places):
            self._places[path] = place

    def _define(self, path: Path, offset: int) -> None:
        first = self._defined.setdefault(path, self._dotted.get(path, offset))
        if first != offset and self.repeat is None and len(path) <= DEPTH_MAX:
            self.repeat = (path, first, offset)

    def _key(self) -> list[tuple[str, int]]:
        """A dotted key: its names with their offsets."""
        names: list[tuple[str, int]] = []
        while True:
            self._skip(_BLANK)
            start = self._at
            first = self._text[start : start + 1]
            if first == '"':
                name = str(tomllib.loads("key = " + self._token(_BASIC))["key"])
            elif first == "'":
                name = self._token(_LITERAL)[1:-1]
            else:
                name = self._token(_BARE_KEY)
            names.append((name, start))
            self._skip(_BLANK)
            if not self._text.startswith(".", self._at):
                return names
            self._at += 1

    def _header(self) -> Path:
        start = self._at
        array = self._text.startswith("[[", start)
        self._take("[[" if array else "[")
        names = self._key()
        self._take("]]" if array else "]")
        path: Path = ()
        for number, (name, offset) in enumerate(names, start=1):
            path = _longer(path, name)
            last = number == len(names)
            if last and array:
                self._note(path, _Place(offset, offset), keep_older=True)
                index = self._last_element.get(path, -1) + 1
                self._last_element[path] = index
                path = _longer(path, index)
                self._note(path, _Place(start, start))
            else:
                # A table's own header says more than an earlier mention of it as part of a longer name.
                self._note(path, _Place(offset, offset), keep_older=not last)
                if last:
                    self._define(path, offset)
                if path in self._last_element:
                    path = _longer(path, self._last_element[path])
        return path

    def _statement(self, table: Path) -> Path:
        """One `key = value` with everything inside the value; returns the table again."""
        open_brackets: list[_Bracket] = []
        self._pair(table, open_brackets)
        while open_brackets:
            self._skip(_FILLER)
            bracket = open_brackets[-1]
            if self._text.startswith("]" if bracket.array else "}", self._at):
                self._at += 1
                open_brackets.pop()
            elif self._text.startswith(",", self._at):
                self._at += 1
            elif bracket.array:
                path = _longer(bracket.path, bracket.next_index)
                bracket.next_index += 1
                self._note(path, _Place(self._at, self._at))
                self._value(path, open_brackets)
            else:
                self._pair(bracket.path, open_brackets)
        return table

    def _pair(self, base: Path, open_brackets: list[_Bracket]) -> None:
        names = self._key()
        self._take("=")
        self._skip(_BLANK)
        path = base
        for name, offset in names[:-1]:
            path = _longer(path, name)
            self._note(path, _Place(offset, offset), keep_older=True)
            self._dotted.setdefault(path, offset)
        name, offset = names[-1]
        path = _longer(path, name)
        self._define(path, offset)
        self._note(path, _Place(offset, self._at))
        self._value(path, open_brackets)

    def _value(self, path: Path, open_brackets: list[_Bracket]) -> None:
        """Steps over a simple value, or into an array or inline table, which is left open."""
        text, at = self._text, self._at
        first = text[at : at + 1]
        if first in ("[", "{"):
            self._at += 1
            open_brackets.append(_Bracket(path, first == "["))
        elif first == '"':
            self._token(_LONG_BASIC if text.startswith('"""', at) else _BASIC)
        elif first == "'":
            self._token(_LONG_LITERAL if text.startswith("'''", at) else _LITERAL)
        else:
            self._token(_PLAIN)


def _longer(path: Path, part: str | int) -> Path:
    """`path` with one more part; beyond the recorded depth it stays as it is, so that long keys cost no time."""
    return path if len(path) > DEPTH_MAX else (*path, part)
