"""The numbers that are searched: which they are, their unit in the file, the steps in which one writes them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import floor

from mapper.advise.draft import Draft
from mapper.profile.positions import Path
from mapper.profile.quantity import DIMENSIONS
from mapper.profile.readings import decimal_text

STAGES = ("speeds", "ramps", "travel")
"""In the order in which they are searched: what an earlier one takes, a later one no longer has."""

_PAIRS = {"speed": ("positive", "negative"), "reduced_speed": ("positive", "negative")}
_NEVER = "speed_never_above"
_RAMPS = ("deceleration", "stop_deceleration", "acceleration")

Amounts = Mapping[Path, Fraction]
"""Path of a number -> its value in the unit that the file uses."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """One number of a joint's limits. Values are in `unit`; outward is the way to faster, steeper or wider."""

    joint: str
    path: Path
    stage: str
    unit: str
    step: Fraction  # what one writes
    outward: int  # 1, or -1 for a lower stop
    now: Fraction
    most: Fraction  # outermost that the format takes
    factor: Fraction  # of `unit` to the unit that the profile keeps

    @property
    def key(self) -> str:
        """As in the joint's limits: speed.positive."""
        return ".".join(str(part) for part in self.path[3:])

    def text(self, value: Fraction) -> str:
        return f"{decimal_text(value)} {self.unit}"

    def inward(self, value: Fraction) -> Fraction:
        """Rounded to a whole step on the safe side; a whole step stays."""
        return self.outward * floor(self.outward * value / self.step) * self.step

    def beyond(self, value: Fraction, steps: int) -> Fraction:
        """The value so many whole steps farther out; the first comes after `value` wherever it lies between two."""
        return self.inward(value) + self.outward * steps * self.step

    def steps_to(self, value: Fraction, goal: Fraction) -> int:
        """Whole steps from `value` that do not pass `goal`."""
        return floor((self.outward * goal - self.outward * self.inward(value)) / self.step)

    def out_of(self, value: Fraction, other: Fraction) -> bool:
        """True where `value` lies farther out than `other`."""
        return self.outward * value > self.outward * other


def numbers_of(draft: Draft, joint: str, never_above: bool) -> tuple[Number, ...]:
    """In the order of the search: speeds, ramps, travel.

    Args:
        draft: the file.
        joint: name of one of its joints.
        never_above: whether speed_never_above may be changed too.
    """
    limits: Path = ("joints", joint, "limits")
    pairs = {_NEVER: _PAIRS["speed"], **_PAIRS} if never_above else _PAIRS
    found = [_number(draft, (*limits, key, way), "speeds", 1) for key, ways in pairs.items() for way in ways]
    found += [_number(draft, (*limits, key), "ramps", 1) for key in _RAMPS]
    found += [
        _number(draft, (*limits, "soft_stops", end), "travel", sign) for end, sign in (("upper", 1), ("lower", -1))
    ]
    return tuple(number for number in found if number is not None)


def _number(draft: Draft, path: Path, stage: str, outward: int) -> Number | None:
    """None where the file has no such key (a continuous joint has no stops)."""
    text = draft.text(path)
    if text is None:
        return None
    written, _, unit = text.partition(" ")
    node = draft.node(path)
    units = DIMENSIONS[node["x-quantity"]].units
    bound, _, bound_unit = node["x-highest" if outward > 0 else "x-lowest"].partition(" ")
    now = Fraction(written)
    return Number(
        joint=str(path[1]),
        path=path,
        stage=stage,
        unit=unit,
        step=_step(stage, now),
        outward=outward,
        now=now,
        most=Fraction(bound) * units[bound_unit] / units[unit],
        factor=units[unit],
    )


def _step(stage: str, now: Fraction) -> Fraction:
    """Angles are written in tenths whatever they are; of speeds and ramps two to four digits count."""
    if stage == "travel" or 1 <= now < 100:
        return Fraction(1, 10)
    return Fraction(1) if now >= 100 else Fraction(1, 100)


def is_never_above(number: Number) -> bool:
    return _NEVER in number.path


def full_speed(number: Number, numbers: Iterable[Number]) -> Number | None:
    """The full speed that a reduced speed must not pass; None for any other number."""
    if "reduced_speed" not in number.path:
        return None
    return next(one for one in numbers if one.path == (*number.path[:3], "speed", *number.path[4:]))


def amounts_of(numbers: Iterable[Number]) -> dict[Path, Fraction]:
    """As the file has them."""
    return {number.path: number.now for number in numbers}


def texts_of(numbers: Iterable[Number], amounts: Amounts) -> dict[Path, str]:
    """Only what differs from the file, so that the rest keeps its spelling."""
    return {number.path: number.text(amounts[number.path]) for number in numbers if amounts[number.path] != number.now}


def between(numbers: Iterable[Number], inner: Amounts, outer: Amounts, share: Fraction) -> dict[Path, Fraction]:
    """Every number the same share of its way from `inner` to `outer`, rounded inward; at share 0 and 1 as they are."""
    return dict(_between(numbers, inner, outer, share))


def _between(
    numbers: Iterable[Number], inner: Amounts, outer: Amounts, share: Fraction
) -> Iterator[tuple[Path, Fraction]]:
    for number in numbers:
        low, high = inner[number.path], outer[number.path]
        value = low + share * (high - low)
        if value not in (low, high):
            value = number.inward(value)
            if number.out_of(low, value) and not number.out_of(low, high):
                value = low  # rounding must not go back behind where it came from
        yield number.path, value
