"""A finding: what was shown of one limit of one joint, how, and how far the worst case was from the bound."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum


class Status(Enum):
    HOLDS = "holds"
    VIOLATED = "violated"
    NOT_SHOWN = "not shown"
    WAIVED = "holds with waiver"


class Evidence(Enum):
    EXHAUSTIVE = "exhaustive"  # every value of the inputs on the compiled law; `cases` is the size of the domain
    INTERVAL = "interval"  # an argument with outward rounding that covers all states in between
    SEARCH = "search"  # nothing found in `cases` examples, and no more than that
    COMPUTED = "computed"  # one formula at the worst corner
    NONE = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """One number that went into a formula. `value` is in `unit`, as a builder writes it (bar, mm, deg, l/min)."""

    symbol: str
    meaning: str
    value: float | str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """How a finding's worst value was worked out, for `--explain`: formula in plain text, numbers, where it is from."""

    formula: tuple[str, ...]  # one line each, in the symbols of `given`
    given: tuple[Given, ...]  # at the worst case
    source: str  # standard, textbook or derivation; "common practice, no source" for a fact of the trade


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """worst and bound are in `unit`; margin is how far the worst is from the bound (negative: violated). No margin
    where the worst counts faults, or is the bound by design: 0 would look like the edge of failure there.
    """

    limit: str  # snake_case name of the limit, stable
    joint: str | None  # None: the machine
    status: Status
    evidence: Evidence
    cases: int
    worst: float | None
    bound: float | None
    unit: str
    margin: float | None
    detail: str  # one sentence: what was shown, for which inputs or plants, where the worst case is
    advice: str  # what to change; empty when it holds
    at_least: bool = False  # the bound is the least that is allowed, not the most
    explanation: Explanation | None = None  # None: the limit's own words in mapper/check/explain.py do

    def not_shown(self, detail: str, advice: str) -> Finding:
        """The same limit with nothing shown: its numbers are of no worth then."""
        return replace(
            self,
            status=Status.NOT_SHOWN,
            evidence=Evidence.NONE,
            cases=0,
            worst=None,
            bound=None,
            margin=None,
            detail=detail,
            advice=advice,
            explanation=None,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something worth knowing that is no limit."""

    joint: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NotExamined:
    """A limit that this version does not look at, and what to do about it instead."""

    limit: str
    why: str
