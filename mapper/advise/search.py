"""How far one number can go: from a value that holds outward in growing steps to the first that does not, then between
the two until they are neighbours. Nothing is assumed of what lies between values that were tried.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

from mapper.advise.bench import Breach, Measured, unmoved
from mapper.advise.number import Number

Try = Callable[[Fraction, int | None, frozenset[int]], Measured]
"""Measures a value: place of the limit to look at first, places of limits to leave out."""

_FIRST_LEAP = Fraction(1, 20)  # of the value
_FIRST_LEAP_DEG = 1  # of a stop, whose angle says nothing about how far it is


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The last value that holds. `breach`: what breaks a step beyond; None where the format ends there."""

    value: Fraction
    breach: Breach | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tried:
    steps: int
    measured: Measured


def climb(number: Number, start: Fraction, attempt: Try, moving: set[int], first: int | None = None) -> Found:
    """The outermost value that is reached from `start`, which holds.

    The value found was tried with every limit, and so was the step beyond it until one broke.

    Args:
        number: what is searched.
        start: a value that holds.
        attempt: measures a value.
        moving: places of limits that a number of this joint has moved before; added to.
        first: place of the limit that is expected to break.
    """
    room = number.steps_to(start, number.most)
    if room < 1:
        return Found(value=start, breach=None)
    if first is not None:
        likely = attempt(number.beyond(start, 1), first, frozenset())
        if likely.breach is not None:
            return Found(value=start, breach=likely.breach)
    zero = _Tried(steps=0, measured=attempt(start, None, frozenset()))
    assert zero.measured.breach is None, "a search starts from a value that holds"
    climb = _Climb(number=number, start=start, attempt=attempt)
    low, high = climb.leap(zero, room, moving)
    low, high = climb.narrowed(low, high)
    while low.steps > 0 and climb.skip:
        whole = attempt(number.beyond(start, low.steps), None, frozenset())
        if whole.breach is None:
            break
        # A limit that the first leap did not move is broken farther out after all.
        place = whole.breach.place
        moving |= climb.skip if place is None else {place}
        climb.skip -= moving
        low, high = climb.narrowed(zero, _Tried(steps=low.steps, measured=whole))
    value = number.beyond(start, low.steps) if low.steps > 0 else start
    return Found(value=value, breach=None if high is None else high.measured.breach)


@dataclass(slots=True, kw_only=True)
class _Climb:
    """Steps count from the start value. Limits that are skipped on the way are looked at again at its end."""

    number: Number
    start: Fraction
    attempt: Try
    skip: frozenset[int] = frozenset()

    def leap(self, low: _Tried, room: int, moving: set[int]) -> tuple[_Tried, _Tried | None]:
        """The last try that held and the first that did not, leaping twice as far each time.

        What the first leap shows decides which limits are skipped from then on: those whose findings it did not move
        at all, and no other number of the joint before it.
        """
        way = _FIRST_LEAP_DEG if self.number.stage == "travel" else abs(self.start) * _FIRST_LEAP
        leap, before = max(1, int(way / self.number.step)), low
        while low.steps < room:
            tried = self._try(min(room, low.steps + leap), None)
            if tried.measured.breach is not None:
                return low, tried
            if low is before:
                same = unmoved(low.measured, tried.measured)
                moving |= low.measured.outputs.keys() - same
                self.skip = same - moving
            low, leap = tried, 2 * leap
        return low, None

    def narrowed(self, low: _Tried, high: _Tried | None) -> tuple[_Tried, _Tried | None]:
        """Until the two are a step apart: by a straight line between their margins while that halves the way."""
        straight = True
        while high is not None and high.steps - low.steps > 1:
            width = high.steps - low.steps
            steps = _guess(low, high) if straight else (low.steps + high.steps) // 2
            tried = self._try(steps, None if high.measured.breach is None else high.measured.breach.place)
            low, high = (tried, high) if tried.measured.breach is None else (low, tried)
            straight = straight and 2 * (high.steps - low.steps) <= width
        return low, high

    def _try(self, steps: int, first: int | None) -> _Tried:
        value = self.number.beyond(self.start, steps)
        return _Tried(steps=steps, measured=self.attempt(value, first, self.skip))


def _guess(low: _Tried, high: _Tried) -> int:
    """Where the margin of the broken limit would be 0 on a straight line, between the two."""
    middle = (low.steps + high.steps) // 2
    finding = None if high.measured.breach is None else high.measured.breach.finding
    if finding is None or finding.margin is None:
        return middle
    held = low.measured.margin(finding.limit, finding.joint)
    if held is None or held <= 0 or finding.margin >= 0:
        return middle
    steps = low.steps + int((high.steps - low.steps) * held / (held - finding.margin))
    return min(max(steps, low.steps + 1), high.steps - 1)
