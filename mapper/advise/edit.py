"""Values put into the text of a file: nothing else of it changes, to the byte."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.items import String, StringType

from mapper.advise.draft import Texts
from mapper.errors import MapperError
from mapper.profile.messages import item_text
from mapper.profile.positions import Path, scan

_MARK = "\N{ZERO WIDTH NO-BREAK SPACE}"
_TOKEN = re.compile(r'"[^"\\\n]*"|\'[^\'\n]*\'')


class EditError(MapperError):
    """A value stands in the file in a way that cannot be changed without touching more than the value."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LineChange:
    """A line of the file, counted from 1, without its end."""

    line: int
    before: str
    after: str


def edited(data: bytes, texts: Texts) -> bytes:
    """The file with these values.

    tomlkit makes the change; a second way, over the places of the values, has to come to the same bytes.

    Args:
        data: a file that the reader takes.
        texts: what each value is to be; each must be there as text now.
    Raises:
        EditError: the two ways differ, or a value is not plain text between quotes.
    """
    text = data.decode("utf-8")
    mark = _MARK if text.startswith(_MARK) else ""
    body = text.removeprefix(mark)
    document = tomlkit.parse(body)
    for path, new in texts.items():
        _put(document, path, new)
    spliced = _spliced(body, texts)
    if tomlkit.dumps(document) != spliced:
        raise EditError("the values cannot be changed without changing more of the file; change them by hand")
    return (mark + spliced).encode("utf-8")


def changed_lines(before: bytes, after: bytes) -> tuple[LineChange, ...]:
    """Lines that differ; both have the same number of them."""
    pairs = zip(before.decode("utf-8").split("\n"), after.decode("utf-8").split("\n"), strict=True)
    return tuple(
        LineChange(line=number, before=old.rstrip("\r"), after=new.rstrip("\r"))
        for number, (old, new) in enumerate(pairs, start=1)
        if old != new
    )


def _put(document: Any, path: Path, new: str) -> None:  # noqa: ANN401
    *parents, key = path
    table = document
    for part in parents:
        table = table[part]
    old = table[key]
    if not isinstance(old, String):
        raise EditError(f"{item_text(path)}: no text between quotes; change it by hand")
    literal = old.as_string().startswith("'")
    table[key] = String.from_raw(new, StringType.SLL if literal else StringType.SLB)


def _spliced(text: str, texts: Texts) -> str:
    # The scanner's text has bare line ends, the file may have others: places are looked up line by line.
    lines = text.split("\n")
    positions = scan(text.replace("\r\n", "\n"))
    places = sorted(((positions.of_value(path), path, new) for path, new in texts.items()), reverse=True)
    for (line, column), path, new in places:
        old = lines[line - 1]
        token = _TOKEN.match(old, column - 1)
        if token is None:
            raise EditError(f"{item_text(path)}: no text between one pair of quotes on one line; change it by hand")
        quote = token.group()[0]
        lines[line - 1] = f"{old[: token.start()]}{quote}{new}{quote}{old[token.end() :]}"
    return "\n".join(lines)
