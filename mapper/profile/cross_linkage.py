"""Whether a cylinder's triangle can be built: the angle between its two radii over the whole travel.

The triangle has the joint's pivot at one corner, the cylinder's two pivots at the others. With the angle between the
two radii at 0 or 180 deg the cylinder points at the joint's pivot (dead centre): it has no lever arm there, and beyond
it would turn the joint the other way. Angles are exact; lengths are floats with a slack, by the law of cosines.
Whether closed length and stroke cover the travel is a limit for the checker. It is looked at here only to name
`extends` where the other direction, and not the one given, fits the cylinder.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from math import cos, radians, sqrt

from mapper.profile.messages import Report
from mapper.profile.positions import Path
from mapper.profile.readings import decimal_text
from mapper.profile.view import View

_HALF_TURN_DEG = 180
_SLACK_OF_STROKE = 0.01
_OTHER_WAY = {"positive": "negative", "negative": "positive"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Angle:
    """The included angle (deg) over the travel between the hard stops, the smaller end first."""

    low: Fraction
    high: Fraction

    def is_possible(self) -> bool:
        return self.low > 0 and self.high < _HALF_TURN_DEG

    def __str__(self) -> str:
        return f"{decimal_text(self.low)} to {decimal_text(self.high)} deg"


def check_linkage(view: View, joint: Path, report: Report) -> None:
    """Reports a dead centre within the hard stops, and a cylinder that must extend the other way to fit."""
    drive: Path = (*joint, "drive")
    hard: Path = (*joint, "limits", "hard_stops")
    at_zero, extends = view.value(*drive, "included_at_zero"), view.value(*drive, "extends")
    lower, upper = view.value(*hard, "lower"), view.value(*hard, "upper")
    if view.value(*drive, "kind") != "cylinder" or None in (at_zero, extends, lower, upper) or lower >= upper:
        return
    angle, other_way = (
        _Angle(low=at_zero + lower, high=at_zero + upper) if way == "positive"
        else _Angle(low=at_zero - upper, high=at_zero - lower)
        for way in (extends, _OTHER_WAY[extends])
    )  # fmt: skip
    if not angle.is_possible():
        _dead_centre(view, drive, hard, (angle, other_way), report)
    elif other_way.is_possible():
        _check_lengths(view, drive, (angle, other_way), report)


def _dead_centre(view: View, drive: Path, hard: Path, angles: tuple[_Angle, _Angle], report: Report) -> None:
    angle, other_way = angles
    at_zero, extends = view.value(*drive, "included_at_zero"), str(view.value(*drive, "extends"))
    travel = f"over the hard stops ({view.text(*hard, 'lower')}, {view.text(*hard, 'upper')})"
    found = f"the angle between base_radius and rod_radius would be {angle} {travel}"
    allowed = (
        "it stays between 0 and 180 deg, ends excluded: there the cylinder points at the joint's pivot and has no "
        "lever arm"
    )
    if other_way.is_possible():
        report.at(
            (*drive, "extends"), found=f'with extends = "{extends}" {found}', allowed=allowed,
            remedy=f'write extends = "{_OTHER_WAY[extends]}" if the cylinder gets longer that way: '
            f"then it is {other_way}",
        )  # fmt: skip
        return
    ends = (-at_zero, _HALF_TURN_DEG - at_zero) if extends == "positive" else (at_zero - _HALF_TURN_DEG, at_zero)
    report.at(
        (*drive, "included_at_zero"), found=found, allowed=allowed,
        remedy="correct included_at_zero, or the hard stops: with this angle they lie between "
        f"{decimal_text(ends[0])} and {decimal_text(ends[1])} deg, ends excluded",
    )  # fmt: skip


def _check_lengths(view: View, drive: Path, angles: tuple[_Angle, _Angle], report: Report) -> None:
    keys = ("base_radius", "rod_radius", "closed_length", "stroke")
    values = [view.value(*drive, key) for key in keys]
    if any(value is None for value in values):
        return
    base, rod, closed, stroke = map(float, values)
    slack = _SLACK_OF_STROKE * stroke
    needed, other_way = (
        tuple(sqrt(base**2 + rod**2 - 2 * base * rod * cos(radians(float(end)))) for end in (angle.low, angle.high))
        for angle in angles
    )
    fits = [closed - slack <= low and high <= closed + stroke + slack for low, high in (needed, other_way)]
    if fits != [False, True]:
        return
    extends = str(view.value(*drive, "extends"))
    report.at(
        (*drive, "extends"),
        found=f'with extends = "{extends}" the cylinder would be {_mm(*needed)} mm long over the hard stops',
        allowed=f"its closed length and stroke make it {_mm(closed, closed + stroke)} mm long",
        remedy=f'write extends = "{_OTHER_WAY[extends]}" if the cylinder gets longer that way: '
        f"then it is {_mm(*other_way)} mm",
    )


def _mm(*lengths_m: float) -> str:
    return " to ".join(f"{1000 * length:.0f}" for length in lengths_m)
