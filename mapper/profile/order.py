"""Order of values: pairs that may be swapped, curves whose columns must rise, ranges that lie inside others."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

from mapper.profile.messages import Report
from mapper.profile.positions import Path
from mapper.profile.view import View


def in_order(view: View, report: Report, path: Path, keys: tuple[str, str], *, equal: bool = False) -> bool:
    """Reports when the first of two keys of the table at `path` is not below the second (or equal, where that will do).

    Returns:
        True when both are there and in order.
    """
    low_key, high_key = keys
    low, high = view.value(*path, low_key), view.value(*path, high_key)
    if low is None or high is None:
        return False
    if low < high or (equal and low == high):
        return True
    low_text, high_text = view.text(*path, low_key), view.text(*path, high_key)
    same = low == high
    report.at(
        path,
        found=f"{low_key} {low_text} is {'equal to' if same else 'above'} {high_key} {high_text}",
        allowed=f"{low_key} is {'at most' if equal else 'below'} {high_key}",
        remedy="give the two ends of the range" if same else "swap the two",
    )
    return False


def at_most(view: View, report: Report, small: Path, large: Path, reason: str) -> None:
    """Reports when the value at `small` is above the one at `large`, in the same or a neighbouring table."""
    low, high = view.value(*small), view.value(*large)
    if low is not None and high is not None and low > high:
        name = ".".join(str(part) for part in large[2:])
        report.at(
            small,
            found=f"{view.text(*small)} is above {name} {view.text(*large)}",
            allowed=reason,
            remedy="correct one of the two",
        )


def rising(view: View, report: Report, path: Path, key: str) -> None:
    """Reports the first point of the curve at `path` whose `key` does not rise."""
    for index, (before, now) in enumerate(pairwise(view.column(path, key)), start=1):
        if before is not None and now is not None and now <= before:
            report.at(
                (*path, index, key),
                found=f"{view.text(*path, index, key)} does not rise from {view.text(*path, index - 1, key)} before it",
                allowed=f"{key} rises from point to point",
                remedy="sort the points, or remove the one that is there twice",
            )
            return


def one_way(view: View, report: Report, path: Path, key: str, *, strict: bool) -> None:
    """Reports the first point of the curve at `path` at which `key` turns back (or, if `strict`, stands still)."""
    values = view.column(path, key)
    if any(value is None for value in values):
        return
    direction = 0
    for index, (before, now) in enumerate(pairwise(values), start=1):
        step = (now > before) - (now < before)
        if (strict and step == 0) or step * direction < 0:
            word = "is the same as" if step == 0 else "turns back from"
            report.at(
                (*path, index, key),
                found=f"{view.text(*path, index, key)} {word} {view.text(*path, index - 1, key)} before it",
                allowed=f"{key} goes one way, all rising or all falling" + ("" if strict else ", level parts allowed"),
                remedy="correct the value, or leave the point out",
            )
            return
        direction = direction or step


def at_zero(points: list[tuple[Fraction, Fraction]]) -> Fraction | None:
    """The value of the curve at 0, its points rising in x; None where the curve does not reach 0."""
    for (x0, y0), (x1, y1) in pairwise(points):
        if x0 <= 0 <= x1 and x0 < x1:
            return y0 + (y1 - y0) * (0 - x0) / (x1 - x0)
    return None
