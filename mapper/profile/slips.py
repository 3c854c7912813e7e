"""Common slips of the pen that make a line no TOML: quotes left out or of the wrong kind, commas in numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass

from mapper.profile.quantity import shown, unit_spelled
from mapper.profile.readings import CURLY_QUOTES, number_readings

_KEY = r"(?P<key>[A-Za-z0-9_-]+)[ \t]*=[ \t]*"
_END = r"(?=[ \t]*(?:$|[#,}\]]))"
_NUMBER = r"(?P<number>[+-]?[0-9](?:[0-9.]|,(?=[0-9]))*)"
_ANY_QUOTE = f"[\"'{CURLY_QUOTES}]"
_CURLY = re.compile(rf"{_KEY}(?P<open>{_ANY_QUOTE})(?P<text>[^;\"'{CURLY_QUOTES}]*)(?P<close>{_ANY_QUOTE}){_END}")
_UNQUOTED = re.compile(rf"{_KEY}{_NUMBER}[ \t]*(?P<unit>(?:[A-Za-z%°º]|1/)[A-Za-z0-9/%²³ ]*)")
_COMMA = re.compile(rf"{_KEY}{_NUMBER}{_END}")
_NEEDLESS_ZERO = re.compile(r"=[ \t]*(?P<number>[+-]?0[0-9]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """Where on its line the slip begins (from 1), and the three parts of its message."""

    column: int
    found: str
    allowed: str
    remedy: str


def slip_near(line: str, column: int) -> Slip | None:
    """The slip that explains why tomllib gave up at `column` of `line`, if it is one of those known here."""
    return _curly_quotes(line, column) or _no_quotes(line, column) or _comma(line, column) or _zero(line, column)


def _curly_quotes(line: str, column: int) -> Slip | None:
    for match in _CURLY.finditer(line):
        if match.start() < column and (match["open"] in CURLY_QUOTES or match["close"] in CURLY_QUOTES):
            text = shown(match["text"])
            return Slip(
                column=match.start("open") + 1,
                found=f"the wrong quotes around {text}",
                allowed="a text stands between two straight quotes, not curly ones",
                remedy=f"write {match['key']} = {text}",
            )
    if line[column - 1 : column] in set(CURLY_QUOTES):
        return Slip(
            column=column,
            found="a quote of the wrong kind",
            allowed="a text stands between two straight quotes, not curly ones",
            remedy="write the quotes again with a plain text editor",
        )
    return None


def _no_quotes(line: str, column: int) -> Slip | None:
    for match in _UNQUOTED.finditer(line):
        if match.start() < column <= match.end() + 1:
            written = match["unit"].strip()
            numbers = number_readings(match["number"]) or (match["number"],)
            return Slip(
                column=match.start("number") + 1,
                found=f"{match['number']} {written} without quotes",
                allowed="a value with a unit is text in double quotes",
                remedy=_write(match["key"], [f'"{number} {unit_spelled(written)}"' for number in numbers]),
            )
    return None


def _comma(line: str, column: int) -> Slip | None:
    for match in _COMMA.finditer(line):
        numbers = number_readings(match["number"])
        if match.start() < column <= match.end() + 1 and "," in match["number"] and numbers:
            return Slip(
                column=match.start("number") + 1,
                found=f"{match['number']} has a comma in its number",
                allowed="the decimal mark is a point and digits are not grouped",
                remedy=_write(match["key"], list(numbers)),
            )
    return None


def _write(key: str, values: list[str]) -> str:
    if len(values) == 1:
        return f"write {key} = {values[0]}"
    grouped, decimal = values
    return f"write {key} = {grouped} if the comma groups digits, {key} = {decimal} if it is the decimal mark"


def _zero(line: str, column: int) -> Slip | None:
    match = _NEEDLESS_ZERO.search(line)
    if match is None or not match.start() < column <= match.end():
        return None
    return Slip(
        column=match.start("number") + 1,
        found=f"the number {match['number']} begins with a needless zero",
        allowed="a number has no zero in front of other digits",
        remedy="remove the zero",
    )
