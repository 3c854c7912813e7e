"""What llvm-cov found of the core, in the words of its source: which side of which condition no test has taken.

A place is named by file, function and the text of the expression, never by a line number alone, so that an exception
outlives an edit somewhere else in the file.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SIDES = ("true", "false")
_FUNCTION = re.compile(r"^(?:static )?[a-z_][\w \*]*?\b(\w+)\(", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """One side of a condition that was never taken, or one condition of a decision that never decided by itself.

    side: of SIDES for a branch; `condition 1` and so on for MC/DC.
    """

    file: str
    line: int
    function: str
    text: str
    side: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.side}: {self.function}: {self.text}"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileCoverage:
    """Of one source file. Branches are sides of conditions; what stands inside CORE_ASSERT is counted apart.

    assertions: how many there are; assertions_failed: how many some test makes fail.
    """

    file: str
    lines: int
    lines_covered: int
    branches: int
    branch_gaps: tuple[Gap, ...]
    conditions: int
    condition_gaps: tuple[Gap, ...]
    assertions: int
    assertions_failed: int


class Source:
    """The text of a file, and what stands where. Lines and columns from 1, as llvm-cov counts them."""

    def __init__(self, name: str, text: str) -> None:
        self.name = name
        self._lines = text.split("\n")
        self._starts = [0]
        for line in self._lines:
            self._starts.append(self._starts[-1] + len(line) + 1)
        self._text = text
        self._assertions = list(_assertions(text))

    def _at(self, line: int, column: int) -> int:
        return self._starts[line - 1] + column - 1

    def text(self, region: Sequence[int]) -> str:
        """Of (line, column, end line, end column), every gap of blanks one blank."""
        return " ".join(self._text[self._at(*region[:2]) : self._at(*region[2:4])].split())

    def function(self, line: int) -> str:
        """The function that holds the line: the last one that opens at the left margin."""
        for number in range(line, 0, -1):
            found = _FUNCTION.match(self._lines[number - 1])
            if found and not self._lines[number - 1].rstrip().endswith(";"):
                return found.group(1)
        return ""

    def in_assertion(self, line: int, column: int) -> bool:
        """True for what stands between the brackets of a CORE_ASSERT."""
        at = self._at(line, column)
        return self._assertion_at(at) is not None

    def _assertion_at(self, at: int) -> tuple[int, int] | None:
        return next((span for span in self._assertions if span[0] <= at < span[1]), None)

    def assertion(self, place: Sequence[int]) -> str:
        """The whole CORE_ASSERT( ... ) around a place."""
        span = self._assertion_at(self._at(*place[:2]))
        return " ".join(self._text[slice(*span)].split()) if span else ""


def _assertions(text: str) -> Iterator[tuple[int, int]]:
    for found in re.finditer(r"\bCORE_ASSERT\(", text):
        depth, at = 1, found.end()
        while depth:
            depth += {"(": 1, ")": -1}.get(text[at], 0)
            at += 1
        yield found.start(), at


def _merged(branches: Iterable[Sequence[int]]) -> dict[tuple[int, ...], tuple[int, int]]:
    """Counts (true, false) of each place; a place that is listed twice is one place."""
    merged: dict[tuple[int, ...], tuple[int, int]] = {}
    for branch in branches:
        place = tuple(branch[:4])
        true, false = merged.get(place, (0, 0))
        merged[place] = (true + branch[4], false + branch[5])
    return merged


def _branch_gaps(source: Source, branches: Mapping[tuple[int, ...], tuple[int, int]]) -> Iterator[Gap]:
    for place, counts in sorted(branches.items()):
        for side, count in zip(SIDES, counts, strict=True):
            if count == 0:
                yield Gap(
                    file=source.name,
                    line=place[0],
                    function=source.function(place[0]),
                    text=source.text(place),
                    side=side,
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Assertion:
    place: tuple[int, int, int, int]
    asked: bool
    failed: bool


def _asked(source: Source, entry: Mapping[str, Any]) -> Iterator[_Assertion]:
    """What became of each assertion. The counts are in the macro's expansion: with a single condition of
    `!(condition)`, with several of each by itself, in their order.
    """
    for expansion in entry["expansions"]:
        region = expansion["source_region"]
        if not source.in_assertion(*region[:2]):
            continue
        counts = [(branch[4], branch[5]) for branch in expansion["branches"]]
        if len(counts) == 1:
            failed, asked = counts[0][0] > 0, counts[0][1] > 0
        else:
            either = "||" in source.assertion(region)
            failed = counts[-1][1] > 0 if either else any(false > 0 for _, false in counts)
            asked = any(true > 0 for true, _ in counts)
        line, column, end_line, end_column = region[:4]
        yield _Assertion(place=(line, column, end_line, end_column), asked=asked, failed=failed)


def _unasked(source: Source, checks: Iterable[_Assertion]) -> Iterator[Gap]:
    """Assertions that no test ever comes to with their condition true."""
    for one in checks:
        if not one.asked:
            line = one.place[0]
            text = source.assertion(one.place)
            yield Gap(file=source.name, line=line, function=source.function(line), text=text, side="held")


def _condition_gaps(source: Source, records: Iterable[Sequence[Any]]) -> Iterator[Gap]:
    for record in records:
        for number, shown in enumerate(record[-1], 1):
            if not shown:
                yield Gap(
                    file=source.name,
                    line=record[0],
                    function=source.function(record[0]),
                    text=source.text(record[:4]),
                    side=f"condition {number}",
                )


def read_export(exported: Mapping[str, Any], sources: Mapping[str, str]) -> tuple[FileCoverage, ...]:
    """Reads what `llvm-cov export` wrote.

    Args:
        exported: its JSON.
        sources: text of each file, by name without folder; files that are not here are left out.

    Returns:
        One for each .c file, sorted by name.
    """
    found = []
    for entry in exported["data"][0]["files"]:
        name = Path(entry["filename"]).name
        if name not in sources or not name.endswith(".c"):
            continue
        source = Source(name, sources[name])
        outside = [one for one in entry["branches"] if not source.in_assertion(one[0], one[1])]
        checks = list(_asked(source, entry))
        records = [one for one in entry["mcdc_records"] if not source.in_assertion(one[0], one[1])]
        branches = _merged(outside)
        lines = entry["summary"]["lines"]
        found.append(
            FileCoverage(
                file=name,
                lines=lines["count"],
                lines_covered=lines["covered"],
                branches=2 * len(branches),
                branch_gaps=(*_branch_gaps(source, branches), *_unasked(source, checks)),
                conditions=sum(len(one[-1]) for one in records),
                condition_gaps=tuple(_condition_gaps(source, records)),
                assertions=len(checks),
                assertions_failed=sum(one.failed for one in checks),
            )
        )
    return tuple(sorted(found, key=lambda one: one.file))
