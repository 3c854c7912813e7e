"""Sides of conditions that no test can take, each with its reason: exceptions.toml."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from branch_report import Gap

FILE = Path(__file__).with_name("exceptions.toml")
_KEYS = {"file", "function", "text", "side", "reason"}


class ExceptionsError(ValueError):
    """An entry of exceptions.toml that says too little or too much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exempt:
    """One entry. It stands for every gap of that text and side in that function."""

    file: str
    function: str
    text: str
    side: str
    reason: str

    def fits(self, gap: Gap) -> bool:
        """True where this entry is about that gap."""
        return (self.file, self.function, self.text, self.side) == (gap.file, gap.function, gap.text, gap.side)

    def __str__(self) -> str:
        return f"{self.file}: {self.function}: {self.text}: {self.side}"


def read_exceptions(text: str) -> tuple[Exempt, ...]:
    """Reads exceptions.toml.

    Raises:
        ExceptionsError: a key is missing or not known, or a reason is shorter than a sentence.
    """
    found = []
    for number, entry in enumerate(tomllib.loads(text).get("exception", []), 1):
        if set(entry) != _KEYS:
            raise ExceptionsError(f"exception {number}: it has {sorted(entry)}; it must have exactly {sorted(_KEYS)}")
        if len(entry["reason"].split()) < 4:
            raise ExceptionsError(f"exception {number}: {entry['reason']!r} is no reason; say why no test can go there")
        found.append(Exempt(**entry))
    return tuple(found)


def judge(gaps: Iterable[Gap], exempt: Iterable[Exempt]) -> tuple[list[Gap], list[Exempt]]:
    """Gaps that no entry is about, and entries that are about no gap."""
    gaps, exempt = list(gaps), list(exempt)
    open_gaps = [gap for gap in gaps if not any(one.fits(gap) for one in exempt)]
    stale = [one for one in exempt if not any(one.fits(gap) for gap in gaps)]
    return open_gaps, stale
