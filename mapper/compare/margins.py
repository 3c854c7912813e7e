"""Two checks finding by finding: what held and does not, what came nearer to its bound, what went away from it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from mapper.check.finding import Finding, Status

KINDS = ("status", "shrank", "grew", "added", "removed", "unchanged")
"""In the order in which they are told."""

_GOOD = (Status.HOLDS, Status.WAIVED)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginChange:
    """One limit of one joint in both checks; `before` or `after` is None where one has no such finding."""

    limit: str
    joint: str | None
    before: Finding | None
    after: Finding | None
    kind: str  # one of KINDS

    @property
    def worse(self) -> bool:
        """A status that no longer holds, or a new finding that does not."""
        if self.after is None or self.after.status in _GOOD:
            return False
        return self.before is None or self.before.status in _GOOD


def margin_changes(before: Iterable[Finding], after: Iterable[Finding]) -> tuple[MarginChange, ...]:
    """Changes of status first (what no longer holds before what now does), then margins that shrank, the most of their
    bound first, then those that grew, findings that only one check has, and the unchanged, in the check's order.
    """
    old = {(one.limit, one.joint): one for one in before}
    new = {(one.limit, one.joint): one for one in after}
    found = [
        MarginChange(limit=limit, joint=joint, before=a, after=b, kind=_kind(a, b))
        for limit, joint in dict.fromkeys((*new, *old))
        for a, b in [(old.get((limit, joint)), new.get((limit, joint)))]
    ]
    return tuple(sorted(found, key=lambda one: (KINDS.index(one.kind), not one.worse, -abs(_share(one)))))


def _kind(before: Finding | None, after: Finding | None) -> str:
    if before is None:
        return "added"
    if after is None:
        return "removed"
    if before.status is not after.status:
        return "status"
    old, new = _shares(before, after)
    if old == new:
        return "unchanged"
    return "shrank" if new < old else "grew"


def _shares(before: Finding, after: Finding) -> tuple[float, float]:
    """Two numbers of which the smaller is the worse: margins in the same unit, else margins as a share of their bound.
    A limit that makes several demands may show another one, with another unit, in the second check.
    """
    if before.margin is None or after.margin is None:
        return 0.0, 0.0
    if before.unit == after.unit:
        return before.margin, after.margin
    return _of_bound(before), _of_bound(after)


def _of_bound(finding: Finding) -> float:
    assert finding.margin is not None, "asked for only where there is one"
    return finding.margin / abs(finding.bound) if finding.bound else finding.margin


def _share(change: MarginChange) -> float:
    """How much the margin moved, as a share of the bound; 0 where it cannot be said."""
    if change.before is None or change.after is None or change.before.margin is None or change.after.margin is None:
        return 0.0
    return _of_bound(change.after) - _of_bound(change.before)
