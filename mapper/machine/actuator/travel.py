"""Whether a cylinder takes its joint from hard stop to hard stop, and the smallest single change that makes it.

One value at a time is tried: a pivot nearer to or farther from the joint's pivot, a bracket turned about it, another
closed length, another stroke. Every value of the grid that a builder would write (tenths of a millimetre, hundredths of
a degree) within bounds is tried, so no shape of the condition is taken for granted, and the value that is given is put
into the triangle once more.

Source: law of cosines, see `linkage`. That a lever arm below a third of the largest is to be avoided: common practice,
no source (where it is small the cylinder has little force and the joint is fast).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from mapper.machine.actuator.linkage import Floats, LeverRange, Linkage

LEVER_SHARE_LEAST = 1.0 / 3.0
"""Of the least lever arm in the largest of the travel. Common practice, no source."""

_CHANGE_MOST_SHARE = 0.5  # of the present length or radius; more is another design, not a change
_TURN_MOST_DEG = 45.0
_GRID_PER_M, _WHOLE = 10_000, 10  # 0.1 mm, and how many of them make the millimetre that is rather written
_GRID_PER_DEG, _WHOLE_TURN = 100, 10  # 0.01 deg, rather 0.1 deg
_CLEAR_OF_DEAD_CENTRE_RAD = math.radians(1.0)  # an end nearer to it is none that one builds on purpose

BASE_RADIUS, ROD_RADIUS, INCLUDED, CLOSED, STROKE = (
    "base_radius",
    "rod_radius",
    "included_at_zero",
    "closed_length",
    "stroke",
)
_KEYS = (BASE_RADIUS, ROD_RADIUS, INCLUDED, CLOSED, STROKE)
"""As in the profile, below the joint's `drive`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spare:
    """What is left at one hard stop, negative: missing. `spare_deg` is None where the pins never come within the
    cylinder's lengths.
    """

    stop_deg: float
    length_m: float  # pin to pin with the joint there
    end_m: float  # the cylinder's own length at that end: closed, or closed and stroke
    spare_m: float  # of the stroke
    spare_deg: float | None  # up to the cylinder's end, or the dead centre where that comes first


@dataclass(frozen=True, slots=True, kw_only=True)
class Build:
    """Triangle, cylinder and the travel that is asked for. Lengths in m, angles in deg, sense +1 or -1 as in
    `Linkage`; lower hard stop below the upper one.
    """

    base_radius_m: float
    rod_radius_m: float
    included_at_zero_deg: float
    sense: int
    closed_length_m: float
    stroke_m: float
    lower_deg: float
    upper_deg: float

    @property
    def linkage(self) -> Linkage:
        return Linkage(
            base_radius_m=self.base_radius_m,
            rod_radius_m=self.rod_radius_m,
            included_at_zero_rad=math.radians(self.included_at_zero_deg),
            sense=self.sense,
        )

    def reach_deg(self) -> tuple[float, float] | None:
        """Joint travel that the cylinder allows, the lower end first; None where it fits nowhere."""
        reach = self.linkage.reach_rad(self.closed_length_m, self.stroke_m)
        return None if reach is None else (math.degrees(reach[0]), math.degrees(reach[1]))

    def spares(self) -> tuple[Spare, Spare]:
        """At the lower and at the upper hard stop."""
        reach = self.reach_deg()
        closed, longest = self.closed_length_m, self.closed_length_m + self.stroke_m
        found = []
        for stop, way in ((self.lower_deg, -1), (self.upper_deg, 1)):
            length = float(self.linkage.length_m(math.radians(stop)))
            long_end = way == self.sense
            spare_deg = None if reach is None else (reach[1] - stop if way > 0 else stop - reach[0])
            end = longest if long_end else closed
            found.append(
                Spare(
                    stop_deg=stop,
                    length_m=length,
                    end_m=end,
                    spare_m=end - length if long_end else length - end,
                    spare_deg=spare_deg,
                )
            )
        return found[0], found[1]

    def levers(self) -> LeverRange:
        """Lever arm from hard stop to hard stop."""
        return self.linkage.lever_range(math.radians(self.lower_deg), math.radians(self.upper_deg))

    def fits(self, lever_share: float = 0.0) -> bool:
        """Both hard stops within the cylinder's reach, no dead centre from one to the other, the cylinder one that can
        be built (longer than its stroke), the least lever arm at least that share of the largest.
        """
        spares = [spare.spare_deg for spare in self.spares()]
        rooms = self.linkage.dead_centre_room_rad(math.radians(self.lower_deg), math.radians(self.upper_deg))
        return (
            all(spare is not None and spare >= 0.0 for spare in spares)
            and min(rooms) > 0.0
            and self.closed_length_m > self.stroke_m
            and self.levers().share >= lever_share
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One value of the build changed, and the build with it, which fits."""

    key: str  # as in the profile below `drive`
    text: str  # what to write there, with its unit
    by: float  # mm or deg, signed: new less old
    way_m: float  # how far a pivot moves, or how much longer or shorter the cylinder is
    after: Build


def smallest_changes(build: Build, lever_shares: tuple[float, ...] = (LEVER_SHARE_LEAST, 0.0)) -> tuple[Change, ...]:
    """The smallest change of each single value with which the build fits, the smallest first; empty when there is none
    within half of a length and 45 deg of turn. All stay 1 deg clear of a dead centre.

    Args:
        build: one that does not fit, or not with the first of the shares.
        lever_shares: of the least lever arm in the largest; the next is tried only where the one before allows nothing.
    """
    for lever_share in lever_shares:
        found = [change for key in _KEYS if (change := _smallest(build, key, lever_share)) is not None]
        if found:
            return tuple(sorted(found, key=lambda change: change.way_m))
    return ()


def fitting_cylinder(build: Build) -> Build | None:
    """The build with another closed length and stroke, whole millimetres outward, that just reach both hard stops.

    None where a dead centre lies within the travel, or where the longest length is not less than double the shortest,
    which no cylinder of one stage can do.
    """
    lengths = [spare.length_m for spare in build.spares()]
    closed = math.floor(min(lengths) * 1000.0) / 1000.0
    stroke = math.ceil((max(lengths) - closed) * 1000.0) / 1000.0
    other = replace(build, closed_length_m=closed, stroke_m=stroke)
    return other if other.fits() else None


def _smallest(build: Build, key: str, lever_share: float) -> Change | None:
    turned = key == INCLUDED
    per_unit, whole = (_GRID_PER_DEG, _WHOLE_TURN) if turned else (_GRID_PER_M, _WHOLE)
    present = build.included_at_zero_deg if turned else float(getattr(build, f"{key}_m"))
    most = _TURN_MOST_DEG if turned else _CHANGE_MOST_SHARE * present
    grid = np.arange(math.ceil((present - most) * per_unit), math.floor((present + most) * per_unit) + 1)
    grid = grid[_fitting(build, key, grid / per_unit, lever_share)]
    if not grid.size:
        return None
    away = np.abs(grid - present * per_unit)
    rounder = (grid % whole == 0) & (away <= float(np.min(away)) + whole)
    for number in grid[np.lexsort((away, ~rounder))]:
        after = _with(build, key, int(number) / per_unit)
        if after.fits(lever_share):
            return _change(build, key, int(number), after)
    return None


def _with(build: Build, key: str, value: float) -> Build:
    field = "included_at_zero_deg" if key == INCLUDED else f"{key}_m"
    changed: dict[str, float] = {field: value}
    return replace(build, **changed)  # type: ignore[arg-type]


def _change(build: Build, key: str, number: int, after: Build) -> Change:
    if key == INCLUDED:
        by = after.included_at_zero_deg - build.included_at_zero_deg
        way = math.radians(abs(by)) * min(build.base_radius_m, build.rod_radius_m)
        return Change(key=key, text=f"{number / _GRID_PER_DEG:g} deg", by=by, way_m=way, after=after)
    by = (getattr(after, f"{key}_m") - getattr(build, f"{key}_m")) * 1000.0
    return Change(key=key, text=f"{number * 1000 / _GRID_PER_M:g} mm", by=by, way_m=abs(by) / 1000.0, after=after)


def _fitting(build: Build, key: str, values: Floats, lever_share: float) -> np.ndarray:
    """`Build.fits` for many values of one key at once."""
    part = {
        BASE_RADIUS: build.base_radius_m,
        ROD_RADIUS: build.rod_radius_m,
        INCLUDED: build.included_at_zero_deg,
        CLOSED: build.closed_length_m,
        STROKE: build.stroke_m,
    }
    columns = {name: np.full(values.shape, value) for name, value in part.items()} | {key: values}
    a, b, closed, stroke = (columns[name] for name in (BASE_RADIUS, ROD_RADIUS, CLOSED, STROKE))
    ends = np.stack([np.radians(columns[INCLUDED] + build.sense * q) for q in (build.lower_deg, build.upper_deg)])
    short, long = np.min(ends, axis=0), np.max(ends, axis=0)
    good = (short >= _CLEAR_OF_DEAD_CENTRE_RAD) & (long <= math.pi - _CLEAR_OF_DEAD_CENTRE_RAD) & (closed > stroke)
    highest = np.arccos(np.minimum(a, b) / np.maximum(a, b))
    levers = [_lever(a, b, angle) for angle in (short, long, np.clip(highest, short, long))]
    good &= np.minimum(levers[0], levers[1]) >= lever_share * levers[2]
    return np.asarray(good & (_length(a, b, short) >= closed) & (_length(a, b, long) <= closed + stroke))


def _length(a: Floats, b: Floats, included: Floats) -> Floats:
    return np.asarray(np.sqrt(a * a + b * b - 2.0 * a * b * np.cos(included)))


def _lever(a: Floats, b: Floats, included: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):  # both pivots in one place: no lever arm, and not good
        return np.asarray(a * b * np.sin(included) / _length(a, b, included))
