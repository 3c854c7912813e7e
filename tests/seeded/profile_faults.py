"""Single slips in a profile: a number ten times too large or too small, a sign lost.

What such a slip makes is either no profile (the reader or the compiler says so), or another machine: then a limit has
to fail, or the other machine is one that the profile's author may well have meant. Those are listed with the reason.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from decimal import Decimal

from judges import PROFILES

from mapper.check import check_profile
from mapper.check.finding import Status
from mapper.errors import MapperError
from mapper.profile import read_profile
from mapper.table import compile_table, encode_table

_NUMBER = re.compile(r"(?<![\w.#-])(-?\d+(?:\.\d+)?)(?![\w.])")
_SECTION = re.compile(r"^\[\[?([^\]]+)\]\]?")
_KEY = re.compile(r"^\s*([\w]+) = |^\s*\{(\w+) = ")
SLIPS = ("times 10", "over 10", "sign")


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    id: str  # LINE-independent: section.key, which number of it, what was done
    line: int  # 1-based
    start: int
    end: int
    value: str

    def applied(self, text: str) -> str:
        lines = text.split("\n")
        line = lines[self.line - 1]
        lines[self.line - 1] = line[: self.start] + self.value + line[self.end :]
        return "\n".join(lines)


def slips(text: str) -> tuple[Slip, ...]:
    """Every slip in every number of the text; comments are left alone."""
    found: list[Slip] = []
    section, key, seen = "", "", 0
    sections = Counter[str]()
    for number, line in enumerate(text.split("\n"), start=1):
        code = line.split("#", 1)[0]
        head = _SECTION.match(code)
        if head:
            sections[head.group(1)] += 1
            section, key, seen = head.group(1), "", 0
            if sections[section] > 1:  # one more entry of a list of tables
                section = f"{section}.{sections[section]}"
            continue
        named = _KEY.match(code)
        if named and named.group(1):
            key, seen = named.group(1), 0
        for match in _NUMBER.finditer(code):
            seen += 1
            for slip in SLIPS:
                value = _slipped(match.group(1), slip)
                if value is not None:
                    found.append(
                        Slip(
                            id=f"{section}.{key}/{seen}/{slip}",
                            line=number,
                            start=match.start(1),
                            end=match.end(1),
                            value=value,
                        )
                    )
    return tuple(found)


def _slipped(number: str, slip: str) -> str | None:
    value = Decimal(number)
    if value == 0:
        return None
    if slip == "sign":
        return format(-value, "f")
    changed = value * 10 if slip == "times 10" else value / 10
    if "." not in number and changed != changed.to_integral_value():
        return None if number.lstrip("-").isdigit() and abs(value) < 10 else format(changed, "f")
    return format(changed.normalize(), "f")


def judged(text: str, slip: Slip) -> str:
    """Who catches it; empty: the result is a machine that holds."""
    try:
        profile = read_profile(slip.applied(text).encode(), "profile.toml")
    except MapperError:
        return "the reader"
    try:
        table = compile_table(profile)
        data = encode_table(table)
    except MapperError:
        return "the compiler"
    result = check_profile(profile, table, data)
    bad = [one for one in result.findings if one.status in (Status.VIOLATED, Status.NOT_SHOWN)]
    return f"{bad[0].limit} of {bad[0].joint or 'the machine'}" if bad else ""


def kerb_arm() -> str:
    return (PROFILES / "kerb-arm.toml").read_text(encoding="utf-8")
