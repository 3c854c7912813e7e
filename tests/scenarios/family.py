"""What a family of scenarios is: numbered faults, each run on the unmodified core, and what became of them.

A scenario is named by its family's code and its number (`cut-1a3`), so that one short id replays it. Two numbers of one
family may turn out to be the same scenario (a cut past the last byte, the same bits drawn twice): each gives a key of
what was really done, and distinct keys are counted, not runs.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_DIGITS = "0123456789abcdefghijklmnopqrstuvwxyz"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """A scenario that did not end as it must. why: the rule that did not hold, with what was found."""

    number: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Of some scenarios of one family.

    Attributes:
        keys: (n,) uint64, one for every scenario whose fault came to pass; equal keys: the same scenario.
        empty: how many did not come to pass (the operation that was to fail is never reached); they are not counted.
        lost: those that ended wrong.
    """

    keys: NDArray[np.uint64]
    empty: int
    lost: tuple[Lost, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Scenarios of one kind, numbered 0 to total - 1.

    Attributes:
        code: two to six small letters, the first part of an id.
        about: what is done, for people, one line.
        total: how many numbers there are.
        chunk: how many of them one call of `run` takes at best (a second or two).
        run: runs those numbers. Never raises for a lost scenario; that one is in the outcome.
        describe: what number so-and-so does, in one line, for the replay of an id.
        trace: what happens in it, step by step; None where `describe` says it all.
    """

    code: str
    about: str
    total: int
    chunk: int
    run: Callable[[range], Outcome]
    describe: Callable[[int], str]
    trace: Callable[[int], str] | None = None


def scenario_id(family: Family, number: int) -> str:
    """`cut` and 46655 -> `cut-zzz`."""
    digits = ""
    while True:
        number, digit = divmod(number, 36)
        digits = _DIGITS[digit] + digits
        if number == 0:
            return f"{family.code}-{digits}"


def parse_id(text: str) -> tuple[str, int]:
    """(code, number). Raises ValueError for what is no id."""
    code, dash, digits = text.strip().lower().partition("-")
    if not dash or not code.isalpha() or not digits or not set(digits) <= set(_DIGITS):
        raise ValueError(f"{text!r} is no id of a scenario: letters, a dash, digits and letters, as in cut-1a3")
    return code, int(digits, 36)
