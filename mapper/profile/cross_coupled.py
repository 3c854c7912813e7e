"""Coupled stops: joints that exist and have stops, weights that the table holds, limits that leave room to move."""

from __future__ import annotations

from fractions import Fraction

from mapper.profile.messages import Report, listing, nearest
from mapper.profile.order import in_order
from mapper.profile.positions import Path
from mapper.profile.view import View

_WEIGHT_DECIMALS = 1000
_SIDES_MAX = 8  # the table has one row for each lower and each upper stop
_LOOKED_AT_MAX = 32  # each is compared with those before it; the schema reports more than 8
_Weights = dict[str, Fraction]


def check_coupled_stops(view: View, report: Report) -> None:
    """Reports what is wrong with each coupled stop and between them."""
    names: dict[str, int] = {}
    sums: list[tuple[int, _Weights]] = []
    sides = 0
    for index in range(min(view.count("coupled_stops"), _LOOKED_AT_MAX)):
        path: Path = ("coupled_stops", index)
        _check_name(view, path, names, report)
        weights = _checked_weights(view, path, report)
        sides += _check_sides(view, path, report)
        if weights is None:
            continue
        _check_sum_twice(path, weights, sums, report)
        sums.append((index, weights))
        _check_room(view, path, weights, report)
    if sides > _SIDES_MAX:
        report.at(
            ("coupled_stops",), key=True,
            found=f"{sides} lower and upper stops in all",
            allowed=f"the controller has room for {_SIDES_MAX}",
            remedy="leave out those that the joints' own stops or other sums keep anyway",
        )  # fmt: skip


def _check_name(view: View, path: Path, names: dict[str, int], report: Report) -> None:
    name = view.value(*path, "name")
    if not isinstance(name, str):
        return
    if name in names:
        report.at(
            (*path, "name"),
            found=f"coupled_stops[{names[name]}] already has the name {name}",
            allowed="each coupled stop has a name of its own, by which findings speak of it",
            remedy="choose another name, or write lower and upper of one sum into one table",
        )
    names.setdefault(name, int(path[-1]))


def _checked_weights(view: View, path: Path, report: Report) -> _Weights | None:
    """The weights of the two joints, None where something is wrong with them."""
    known, weights, sound = view.names("joints"), {}, True
    for name in view.names(*path, "sum"):
        place: Path = (*path, "sum", name)
        if known and name not in known:
            near = nearest(name, known)
            report.at(
                place, key=True,
                found=f'the name "{name}" is not in [joints]',
                allowed=f"one of {listing(known)}",
                remedy=f'did you mean "{near}"?' if near else "use one of these",
            )  # fmt: skip
            sound = False
        elif view.value("joints", name, "travel") == "continuous":
            report.at(
                place, key=True,
                found=f"{name} turns for ever",
                allowed="both joints of a coupled stop have limited travel: a sum with an angle that starts anew after "
                "each turn has no stop",
                remedy=f'use other joints, or write travel = "limited" and stops for {name}',
            )  # fmt: skip
            sound = False
        weight = view.value(*place)
        sound = _check_weight(view, place, weight, report) and sound
        weights[name] = weight
    return weights if sound and len(weights) == 2 else None


def _check_weight(view: View, place: Path, weight: Fraction | None, report: Report) -> bool:
    if weight is None:
        return False
    if weight == 0:
        report.at(
            place,
            found="the weight 0",
            allowed="both joints count in the sum: a weight is not 0",
            remedy="give the weight, or use soft_stops where one joint alone decides",
        )
        return False
    if (weight * _WEIGHT_DECIMALS).denominator != 1:
        rounded = round(weight * _WEIGHT_DECIMALS) or 1
        report.at(
            place,
            found=f"{float(weight):.12g} has more than three decimals",
            allowed="the controller takes weights in thousandths",
            remedy=f"write {rounded / _WEIGHT_DECIMALS:g} if the stops allow for the difference",
        )
        return False
    return True


def _check_sides(view: View, path: Path, report: Report) -> int:
    """How many sides have a stop."""
    given = [side for side in ("lower", "upper") if view.has(*path, side)]
    if not given and view.lacks(*path, "lower") and view.lacks(*path, "upper"):
        report.at(
            path, key=True, found="neither lower nor upper",
            allowed="a coupled stop has a lower stop, an upper one, or both",
            remedy='add for example: lower = {soft = "-80 deg", hard = "-90 deg"}',
        )  # fmt: skip
    in_order(view, report, (*path, "lower"), ("hard", "soft"))
    in_order(view, report, (*path, "upper"), ("soft", "hard"))
    low, high = view.value(*path, "lower", "soft"), view.value(*path, "upper", "soft")
    if low is not None and high is not None and low >= high:
        report.at(
            (*path, "upper", "soft"),
            found=f"{view.text(*path, 'upper', 'soft')} is not above that of lower, "
            f"{view.text(*path, 'lower', 'soft')}",
            allowed="between its two soft stops the sum has room to move",
            remedy="correct one of the two, or its sign",
        )
    return len(given)


def _check_sum_twice(path: Path, weights: _Weights, sums: list[tuple[int, _Weights]], report: Report) -> None:
    """Two sums of the same joints that are multiples of each other are one sum."""
    for index, other in sums:
        if set(weights) == set(other):
            first, second = weights
            if weights[first] * other[second] == weights[second] * other[first]:
                report.at(
                    (*path, "sum"), key=True,
                    found=f"the same sum as in coupled_stops[{index}], or a multiple of it",
                    allowed="each sum has one lower and one upper stop",
                    remedy="keep the narrower stops, in one table",
                )  # fmt: skip
                return


def _check_room(view: View, path: Path, weights: _Weights, report: Report) -> None:
    """Somewhere within the joints' own soft stops the sum must be allowed."""
    ends = [Fraction(0), Fraction(0)]
    for name, weight in weights.items():
        stops = [view.value("joints", name, "limits", "soft_stops", end) for end in ("lower", "upper")]
        if None in stops:
            return
        reached = sorted(weight * stop for stop in stops)
        ends = [ends[0] + reached[0], ends[1] + reached[1]]
    for side, sign, farthest in (("lower", 1, ends[1]), ("upper", -1, ends[0])):
        soft = view.value(*path, side, "soft")
        if soft is not None and sign * soft >= sign * farthest:
            report.at(
                (*path, side, "soft"),
                found=f"{view.text(*path, side, 'soft')} leaves no pose: between their own soft stops the joints make "
                f"{float(ends[0]):g} to {float(ends[1]):g} deg",
                allowed=f"some of those are inside the {side} soft stop",
                remedy="correct the angle, or the signs of the weights",
            )
