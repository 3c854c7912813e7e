"""Messages of the reader: `FILE:LINE:COL: path.to.item: what was found; what is allowed; what to do`.

Line and column count from 1; a tab and a wide character each are one column (see `positions`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import islice

from mapper.errors import MapperError
from mapper.profile.positions import Path, Positions
from mapper.profile.quantity import shown

MESSAGES_MAX = 200
_BARE = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One problem of a profile. Lines and columns count from 1; `item` is empty when the file as a whole is meant."""

    file_name: str
    line: int
    column: int
    item: str
    found: str
    allowed: str
    remedy: str

    def __str__(self) -> str:
        place = f"{self.file_name}:{self.line}:{self.column}: "
        item = f"{self.item}: " if self.item else ""
        return f"{place}{item}{self.found}; {self.allowed}; {self.remedy}"


class ProfileError(MapperError):
    """The profile cannot be used; `messages` has every problem in file order (after `MESSAGES_MAX` a count)."""

    def __init__(self, messages: Iterable[Message]) -> None:
        every = sorted(dict.fromkeys(messages), key=lambda message: (message.line, message.column, message.item))
        self.messages: tuple[Message, ...] = tuple(every[:MESSAGES_MAX])
        lines = [str(message) for message in self.messages]
        if len(every) > MESSAGES_MAX:
            lines.append(f"and {len(every) - MESSAGES_MAX} more problems")
        super().__init__("\n".join(lines), exit_code=2)


def item_text(path: Path) -> str:
    """`path` as one would write it: joints.elbow.operator.tracks[1].points[0].count (positions count from 0)."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += ("." if text else "") + key_text(part)
    return text


def key_text(key: str) -> str:
    """A key as it is written in the file: bare where that is possible, else quoted."""
    return key if _BARE.fullmatch(key) else shown(key)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word that `word` was probably meant to be, if one is near enough."""
    if len(word) > 64:
        return None
    plain = word.lower().replace("-", "_").replace(" ", "_")
    matches = get_close_matches(plain, list(known), n=1, cutoff=0.6)
    return matches[0] if matches else None


def looks_misspelt(wanted: str, given: Iterable[str]) -> bool:
    """True when one of the given words is probably meant to be the wanted one; it is then reported as unknown."""
    return any(nearest(word, [wanted]) is not None for word in islice(given, 100))


def listing(words: Iterable[str], joiner: str = "or") -> str:
    """`a, b or c`."""
    every = list(words)
    return every[0] if len(every) == 1 else ", ".join(every[:-1]) + f" {joiner} " + every[-1]


class Report:
    """Collects the messages of one file."""

    def __init__(self, file_name: str, positions: Positions) -> None:
        self._file_name = file_name
        self._positions = positions
        self.messages: list[Message] = []

    def at(self, path: Path, *, found: str, allowed: str, remedy: str, key: bool = False) -> None:
        """Adds a problem at the value of `path`, or at its name when `key`."""
        line, column = self._positions.of_key(path) if key else self._positions.of_value(path)
        self.messages.append(
            Message(
                file_name=self._file_name, line=line, column=column, item=item_text(path),
                found=found, allowed=allowed, remedy=remedy,
            )
        )  # fmt: skip

    def line_of(self, path: Path) -> int:
        """Line of the item's name, to point from one place to another."""
        return self._positions.of_key(path)[0]
