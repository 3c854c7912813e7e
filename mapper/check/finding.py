"""A finding: what was shown of one limit of one joint, how, and how far the worst case was from the bound."""

from __future__ import annotations

from dataclasses import dataclass
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
class Finding:
    """worst and bound are in `unit`; margin is how much the worst may grow before the bound is met (negative:
    violated).
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


@dataclass(frozen=True, slots=True, kw_only=True)
class NotExamined:
    """A limit that this version does not look at, and what to do about it instead."""

    limit: str
    why: str
