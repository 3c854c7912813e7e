"""One joint: settings to start from where the file's do not hold, and each number of a stage as far as it goes."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from mapper.advise.bench import Bench, Breach, Measured, broken_in_all
from mapper.advise.draft import Texts
from mapper.advise.number import Amounts, Number, full_speed, is_never_above, numbers_of, texts_of
from mapper.advise.search import Found, Try, climb
from mapper.check.finding import Finding
from mapper.profile.positions import Path

_SHARES = tuple(Fraction(percent, 100) for percent in (90, 75, 60, 45, 30, 20, 10, 5, 2))
"""Of speeds, ramps and half the travel: what is tried, gentler each time, until a joint holds that does not today."""

_GENTLE = ({"ramps"}, {"travel"}, {"speeds"}, {"speeds", "ramps"}, {"speeds", "ramps", "travel"})
"""Which of the numbers are made gentler together, at each share in this order: speeds are kept as long as they can."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One joint in one stage. It says all that another process needs."""

    data: bytes
    file_name: str
    joint: str
    stage: str  # "start": find settings that hold; else one of STAGES
    never_above: bool
    amounts: Amounts  # of this joint's numbers
    others: Texts = field(default_factory=dict)  # what is written differently for the other joints
    with_joints: tuple[str, ...] = ()  # joints whose limits count, too
    still: frozenset[Path] = frozenset()  # numbers that are left where they are
    free: frozenset[Path] = frozenset()  # numbers that nothing stopped before
    first: Mapping[Path, int] = field(default_factory=dict)  # place of the limit that stopped a number before


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """`amounts` is None where no setting that was tried holds; `in_the_way` then has what none of them mends."""

    task: Task
    amounts: dict[Path, Fraction] | None
    breaches: dict[Path, Breach] = field(default_factory=dict)  # of the numbers that were searched, a step beyond
    in_the_way: tuple[Finding, ...] = ()
    held: bool = True  # as the file is
    tries: int = 0


@functools.lru_cache(maxsize=2)
def bench_of(data: bytes, file_name: str) -> Bench:
    """Shared by the tasks of a process: the file is read and judged once."""
    return Bench(data, file_name)


def run_task(task: Task) -> Outcome:
    """Searches; the same task has the same outcome, whatever ran before it."""
    bench = bench_of(task.data, task.file_name)
    tries = bench.tries
    outcome = _start(bench, task) if task.stage == "start" else _stage(bench, task)
    return replace(outcome, tries=bench.tries - tries)


# -- settings to start from -----------------------------------------------------------------------------------------


def _start(bench: Bench, task: Task) -> Outcome:
    numbers = bench_numbers(bench, task)
    now = bench.joint({}, task.joint)
    if now.breach is None:
        return Outcome(task=task, amounts=dict(task.amounts))
    ends = [
        now,
        *(bench.joint(texts_of(numbers, found), task.joint) for found in _gentler(numbers, task, _SHARES[-1:])),
    ]
    fixed = _unmoved(ends)
    for amounts in () if fixed else _gentler(numbers, task, _SHARES):
        tried = bench.joint(texts_of(numbers, amounts), task.joint, first=now.breach.place, to_the_end=False)
        if tried.breach is None:
            return Outcome(task=task, amounts=_given_back(bench, task, numbers, amounts), held=False)
    return Outcome(task=task, amounts=None, in_the_way=fixed or broken_in_all(ends) or now.broken, held=False)


def _unmoved(ends: list[Measured]) -> tuple[Finding, ...]:
    """What is broken in the very same way at every end: no number of the search has a say in it."""
    every = [one.broken for one in ends if one.outputs]
    return tuple(one for one in ends[0].broken if all(one in broken for broken in every))


def _gentler(numbers: tuple[Number, ...], task: Task, shares: tuple[Fraction, ...]) -> Iterator[dict[Path, Fraction]]:
    """Settings to try. Reduced speed and speed_never_above stay where they can: a watch needs the one, and the other
    is what the builder allows.
    """
    cut = [one for one in numbers if not is_never_above(one) and full_speed(one, numbers) is None]
    for share in shares:
        for stages in _GENTLE:
            chosen = [number for number in cut if number.stage in stages]
            found = {**task.amounts, **{one.path: _less(one, chosen, task.amounts, share) for one in chosen}}
            yield _in_order(numbers, task.amounts, found)


def _given_back(
    bench: Bench, task: Task, numbers: tuple[Number, ...], amounts: dict[Path, Fraction]
) -> dict[Path, Fraction]:
    """As much as holds of what was cut, up to what the file has, before anything is raised above the file: speeds,
    then travel, then ramps.
    """
    moving = set[int]()
    for stage in ("speeds", "travel", "ramps"):
        for number in numbers:
            old = task.amounts[number.path]
            if number.stage != stage or not number.out_of(old, amounts[number.path]):
                continue
            attempt = _attempt(bench, task, amounts, number)
            if attempt(old, None, frozenset()).breach is None:
                amounts[number.path] = old
            else:
                amounts[number.path] = climb(replace(number, most=old), amounts[number.path], attempt, moving).value
    return amounts


def _less(number: Number, chosen: list[Number], amounts: Amounts, share: Fraction) -> Fraction:
    value = amounts[number.path]
    if number.stage != "travel":
        return max(number.step, number.inward(value * share)) if share < 1 else value
    ends = [amounts[one.path] for one in chosen if one.stage == "travel"]
    middle = sum(ends, Fraction(0)) / len(ends)
    return number.inward(middle + (value - middle) * share)


def _in_order(numbers: tuple[Number, ...], amounts: Amounts, found: dict[Path, Fraction]) -> dict[Path, Fraction]:
    """Reduced speed as it was, or as low as the speed had to become."""
    for number in numbers:
        full = full_speed(number, numbers)
        if full is not None:
            most = found[full.path] * full.factor / number.factor
            if number.out_of(amounts[number.path], most):
                found[number.path] = number.inward(most)
    return found


# -- one stage ------------------------------------------------------------------------------------------------------


def _stage(bench: Bench, task: Task) -> Outcome:
    amounts, breaches, moving = dict(task.amounts), dict[Path, Breach](), set[int]()
    chosen = [one for one in bench_numbers(bench, task) if one.stage == task.stage and one.path not in task.still]
    for number in chosen:
        attempt = _attempt(bench, task, amounts, number)
        full = full_speed(number, bench_numbers(bench, task))
        if full is not None and _free_up_to(number, amounts, full, attempt):
            breaches[number.path] = Breach(rule=f"{full.key} is the most that it may be", of_format=True)
            continue
        if number.path in task.free and attempt(number.most, None, frozenset()).breach is None:
            continue
        found = climb(number, amounts[number.path], attempt, moving, task.first.get(number.path))
        breach = found.breach or Breach(rule=f"the file takes {number.text(number.most)} at most", of_format=True)
        if not breach.of_format:
            # Where nothing of the machine stops a number, the check has no say in it: it stays what it was.
            amounts[number.path] = found.value
        breaches[number.path] = breach
    for number in filter(is_never_above, chosen):
        raised = amounts[number.path]
        found = _least(_attempt(bench, task, amounts, number), number, raised)
        amounts[number.path] = found.value
        if number.out_of(raised, found.value) or found.breach is not None:
            breaches[number.path] = found.breach or Breach(rule="no speed that was found needs more than the file has")
    return Outcome(task=task, amounts=amounts, breaches=breaches)


def _free_up_to(number: Number, amounts: Amounts, full: Number, attempt: Try) -> bool:
    """Nothing of the machine stops reduced speed short of full speed: how slow it must be is the builder's choice."""
    most = number.inward(amounts[full.path] * full.factor / number.factor)
    return number.out_of(most, amounts[number.path]) and attempt(most, None, frozenset()).breach is None


def bench_numbers(bench: Bench, task: Task) -> tuple[Number, ...]:
    return numbers_of(bench.draft, task.joint, task.never_above)


def _attempt(bench: Bench, task: Task, amounts: Amounts, number: Number) -> Try:
    """Measures values of one number, the others as they are at that time."""
    every = bench_numbers(bench, task)

    def attempt(value: Fraction, first: int | None, skip: frozenset[int]) -> Measured:
        texts = {**task.others, **texts_of(every, {**amounts, number.path: value})}
        return bench.joint(texts, task.joint, with_joints=task.with_joints, first=first, skip=skip, to_the_end=False)

    return attempt


def _least(attempt: Try, number: Number, value: Fraction) -> Found:
    """speed_never_above brought back to what the speeds found need, no lower than the file has it: everything that
    a stop must bear is worked out from it.
    """
    return climb(replace(number, outward=-1, most=min(number.now, value)), value, attempt, set())
