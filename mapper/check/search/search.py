"""The search itself: Hypothesis draws examples until a budget is spent; what the monitor finds is shrunk.

Pure: the clock comes in. With a number of examples as the budget, the same seed finds the same.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass, field

from mapper.check.search.library import Bench
from mapper.check.search.rules import Breach, Rule
from mapper.check.search.strategy import examples

SHRINK_S = 15.0
"""Longest that a violation is made smaller; what is smallest by then is kept."""
_BATCH = 2000
"""Examples of one run of Hypothesis: it remembers every one of them, so each run has an end and the next a new seed."""
_TELL_EVERY = 64
_SEEDS = 1_000_003

Progress = Callable[[int, float], None]
"""(examples so far, seconds so far)"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """Exactly one of the two. seconds: of search, shrinking apart."""

    seconds: float | None = None
    examples: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The smallest example of a violation. `genome`: its bytes."""

    breach: Breach
    genome: bytes
    ticks: int
    first_ticks: int  # of the example as it was found, before it was made smaller


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """What was searched: examples and their ticks (those of shrinking apart), and what was found, if anything."""

    seed: int
    cases: int
    ticks: int
    seconds: float
    found: Found | None


class _Violated(AssertionError):  # what a property of Hypothesis fails with
    pass


class _Enough(BaseException):
    """Not an Exception: Hypothesis lets it through at once."""


@dataclass(slots=True)
class _Run:
    bench: Bench
    budget: Budget
    clock: Callable[[], float]
    progress: Progress | None
    shrink_s: float
    begun_s: float
    stopped: Callable[[], bool]
    cases: int = 0
    ticks: int = 0
    rule: Rule | None = None
    found_s: float = 0.0
    first_ticks: int = 0
    best: tuple[int, int, bytes] = (0, 0, b"")
    breach: Breach | None = field(default=None)

    def spent(self) -> bool:
        if self.budget.examples is not None:
            return self.cases >= self.budget.examples
        return self.clock() - self.begun_s >= (self.budget.seconds or 0.0)

    def tidy(self) -> None:
        """Set to 0 what the smallest example does not need, byte by byte; Hypothesis orders by bytes, not by ticks."""
        for at in range(len(self.best[2])):
            ticks, _, genome = self.best
            if genome[at] == 0 or self.clock() - self.found_s >= self.shrink_s:
                continue
            fewer = genome[:at] + b"\0" + genome[at + 1 :]
            ticks_now, breach = self.bench.run(fewer)
            if breach is not None and breach.rule is self.rule and ticks_now <= ticks:
                self.keep(ticks_now, breach, fewer)

    def keep(self, ticks: int, breach: Breach, genome: bytes) -> None:
        size = (ticks, sum(byte != 0 for byte in genome), genome)
        if self.breach is None or size < self.best:
            self.best, self.breach = size, breach

    def tell(self) -> None:
        if self.progress is not None:
            self.progress(self.cases, self.clock() - self.begun_s)
        if self.stopped():
            raise _Enough

    def try_one(self, genome: bytes) -> None:
        """One example. Raises _Violated where it shows what was found first, _Enough when the budget is spent."""
        if self.rule is None:
            if self.spent():
                raise _Enough
        elif self.clock() - self.found_s >= self.shrink_s:
            raise _Enough
        ticks, breach = self.bench.run(genome)
        if self.rule is None:
            self.cases += 1
            self.ticks += ticks
            if self.cases % _TELL_EVERY == 0:
                self.tell()
        if breach is None or (self.rule is not None and breach.rule is not self.rule):
            return
        if self.rule is None:
            self.rule, self.found_s, self.first_ticks = breach.rule, self.clock(), ticks
        self.keep(ticks, breach, genome)
        raise _Violated


def search(
    bench: Bench,
    *,
    seed: int,
    budget: Budget,
    clock: Callable[[], float],
    progress: Progress | None = None,
    shrink_s: float = SHRINK_S,
    stopped: Callable[[], bool] = lambda: False,
) -> SearchResult:
    """Search until the budget is spent or something is found, which is then made smaller for at most `shrink_s`.

    Args:
        seed: at least 0; the same one draws the same examples.
        clock: seconds, rising.
        progress: told every now and then.
        stopped: asked every now and then; True ends the search early.
    """
    run = _Run(
        bench=bench,
        budget=budget,
        clock=clock,
        progress=progress,
        shrink_s=shrink_s,
        begun_s=clock(),
        stopped=stopped,
    )
    batch = 0
    while run.rule is None and not run.spent() and not stopped():
        _batch(run, seed * _SEEDS + batch)
        batch += 1
    seconds = (run.found_s if run.rule is not None else clock()) - run.begun_s
    found = None
    if run.breach is not None:
        run.tidy()
        ticks, _, genome = run.best
        found = Found(breach=run.breach, genome=genome, ticks=ticks, first_ticks=run.first_ticks)
    return SearchResult(seed=seed, cases=run.cases, ticks=run.ticks, seconds=seconds, found=found)


def _batch(run: _Run, seed: int) -> None:
    """One run of Hypothesis. Nothing of it is kept between runs, and nothing is printed."""
    import hypothesis

    @hypothesis.seed(seed)
    @hypothesis.settings(
        max_examples=_BATCH,
        database=None,
        deadline=None,
        derandomize=False,
        print_blob=False,
        report_multiple_bugs=False,
        suppress_health_check=list(hypothesis.HealthCheck),
        phases=(hypothesis.Phase.generate, hypothesis.Phase.shrink),
        verbosity=hypothesis.Verbosity.quiet,
    )
    @hypothesis.given(examples())
    def property_of(genome: bytes) -> None:
        run.try_one(genome)

    with contextlib.suppress(_Enough, _Violated):
        property_of()
