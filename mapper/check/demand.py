"""One limit that makes several demands, each with its own value and bound: the finding shows the nearest one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from mapper.check.context import JointContext, judge
from mapper.check.finding import Evidence, Explanation, Finding, Given

PRACTICE = "common practice, no source"
_LEAST_BOUND = 1e-9  # for the comparison of shares only


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """`value` may be at most `bound`, or must be at least that; both in `unit`."""

    what: str
    value: float
    bound: float
    unit: str
    why: str  # where the bound comes from
    advice: str
    at_least: bool = False

    @property
    def spare_share(self) -> float:
        """Room left as a share of the bound; negative: violated."""
        spare = self.value - self.bound if self.at_least else self.bound - self.value
        return spare / max(self.bound, _LEAST_BOUND)

    @property
    def words(self) -> str:
        kind = "at least" if self.at_least else "at most"
        return f"{self.what} {self.value:.4g} {self.unit}, {kind} {self.bound:.4g} {self.unit} ({self.why})"


def judge_demands(
    context: JointContext | None,
    limit: str,
    demands: Sequence[Demand],
    *,
    cases: int,
    detail: str = "",
    explanation: Explanation | None = None,
) -> Finding:
    """Worst and bound are those of the demand with the least room left, as a share of its bound; all are in the
    detail, and the advice of every one that does not hold. Explained by the list of demands where nothing else is.
    """
    nearest = min(demands, key=lambda demand: demand.spare_share)
    words = [demand.words for demand in demands]
    return judge(
        context,
        limit,
        evidence=Evidence.COMPUTED,
        cases=cases,
        worst=nearest.value,
        bound=nearest.bound,
        unit=nearest.unit,
        holds=nearest.spare_share >= 0,
        at_least=nearest.at_least,
        detail=f"nearest: {nearest.what}. Compiled: {'; '.join(words)}{detail}",
        advice="write " + "; and ".join(dict.fromkeys(one.advice for one in demands if one.spare_share < 0)),
        explanation=explanation or _listed(demands),
    )


def _listed(demands: Sequence[Demand]) -> Explanation:
    """Every demand as a line of its own, value beside bound."""
    formula, given = [], []
    for number, demand in enumerate(demands, start=1):
        value, bound = f"v{number}", f"b{number}"
        formula.append(f"{value} {'>=' if demand.at_least else '<='} {bound}")
        given.append(Given(symbol=value, meaning=demand.what, value=demand.value, unit=demand.unit))
        given.append(Given(symbol=bound, meaning=demand.why, value=demand.bound, unit=demand.unit))
    return Explanation(
        formula=tuple(formula),
        given=tuple(given),
        source="each bound's own, in its line; worked out here where none is",
    )
