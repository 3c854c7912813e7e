"""How deep a part of the arm may be in a box of space: the quantity that `keep_out` searches over.

Depth of a place is the distance that it would have to go to leave the box, negative outside: the distance to the box.
Of a capsule it is the most over its line, plus its radius.

Over a box of angles: for any unit vector d, no place p of the line is deeper than max over the box of d . x less d . p,
and d . p over the angles is its value in the middle, at least less |d . dp/dq| x half width for each angle, less a
remainder: half the sum over all pairs of angles of the half widths times the farthest distance of the end from the
outer one's axis, which no second derivative is above. d points from the box's nearest place to the line's in the
middle pose; any d is sound, this one is close.

Source: Taylor's theorem with the remainder of Lagrange; distance to a convex set by its supporting planes, any textbook
of convex optimisation; derived here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.points import Part
from mapper.profile.profile import KeepOut

Floats = npt.NDArray[np.float64]

ROUNDING_M = 1e-9
"""Added to every bound: far more than the rounding of floats at the size of an arm."""

_STEPS = 24  # of the search for the deepest place of a line: each leaves 0.62 of the rest
_GOLDEN = 0.6180339887498949


@dataclass(frozen=True, slots=True, kw_only=True)
class Depth:
    """Of one part in one keep-out space, in m."""

    part: Part
    lower_m: Floats  # (3,) corners of the space
    upper_m: Floats

    def value(self, q_rad: Floats) -> Floats:
        """(n,) m: how deep the part is in each pose; negative: how far away."""
        return self._deepest(self.part.places_m(q_rad))[0] + self.part.radius_m

    def bound(self, middle_rad: Floats, half_rad: Floats) -> tuple[Floats, Floats, Floats]:
        """See `branch.Quantity`."""
        places = self.part.places_m(middle_rad)
        speeds, _ = self.part.speeds_m(middle_rad)
        depth, share = self._deepest(places)
        away = self._away(_along(places, share), depth)
        slope = np.einsum("nehk,nk->neh", speeds, away)
        levers = self.part.levers_most_m()
        before = np.cumsum(half_rad, axis=1) - half_rad
        turns = half_rad * (half_rad + 2.0 * before)
        remainder = 0.5 * turns @ levers.T
        nearest = np.einsum("nek,nk->ne", places, away) - np.einsum("neh,nh->ne", np.abs(slope), half_rad) - remainder
        edge = np.where(away > 0.0, away * self.upper_m, away * self.lower_m).sum(axis=1)
        bound = edge - nearest.min(axis=1) + self.part.radius_m + ROUNDING_M
        own = slope[:, 0] if slope.shape[1] == 1 else slope[:, 0] + share[:, None] * (slope[:, 1] - slope[:, 0])
        # What halving an angle takes off the remainder; the slopes' share is real and stays.
        gain = half_rad * (half_rad.sum(axis=1)[:, None] + half_rad) * levers.max(axis=0)
        return bound, middle_rad - np.sign(own) * half_rad, gain + 1e-3 * np.abs(own) * half_rad

    def _deepest(self, places_m: Floats) -> tuple[Floats, Floats]:
        """Depth (n,) of the deepest place of each line (n, E, 3) and its share of the way from the first end: depth is
        concave along a line, so a search between two places that closes in finds it.
        """
        if places_m.shape[1] == 1:
            return self._depth(places_m[:, 0]), np.zeros(len(places_m))
        low, high = np.zeros(len(places_m)), np.ones(len(places_m))
        first, second = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
        at_first, at_second = self._depth(_along(places_m, first)), self._depth(_along(places_m, second))
        for _ in range(_STEPS):
            left = at_first >= at_second
            low, high = np.where(left, low, first), np.where(left, second, high)
            new = np.where(left, high - _GOLDEN * (high - low), low + _GOLDEN * (high - low))
            at_new = self._depth(_along(places_m, new))
            first, second = np.where(left, new, second), np.where(left, first, new)
            at_first, at_second = np.where(left, at_new, at_second), np.where(left, at_first, at_new)
        share = np.stack([first, np.zeros_like(first), np.ones_like(first)])
        depth = np.stack([at_first, self._depth(places_m[:, 0]), self._depth(places_m[:, 1])])
        at, rows = np.argmax(depth, axis=0), np.arange(len(places_m))
        return depth[at, rows], share[at, rows]

    def _depth(self, place_m: Floats) -> Floats:
        """(n,): of places (n, 3)."""
        beyond = np.maximum(self.lower_m - place_m, place_m - self.upper_m)
        outside = np.sqrt((np.maximum(beyond, 0.0) ** 2).sum(axis=1))
        return np.asarray(-(outside + np.minimum(beyond.max(axis=1), 0.0)))

    def _away(self, place_m: Floats, depth_m: Floats) -> Floats:
        """(n, 3): unit vectors from the space's nearest place to each; inside it square to the nearest side."""
        gap = place_m - np.clip(place_m, self.lower_m, self.upper_m)
        sides = np.concatenate([self.lower_m - place_m, place_m - self.upper_m], axis=1)
        nearest = np.argmax(sides, axis=1)
        square = np.concatenate([-np.eye(3), np.eye(3)])[nearest]
        return np.where((depth_m < -1e-9)[:, None], gap / np.maximum(-depth_m, 1e-9)[:, None], square)


def depth_in(part: Part, space: KeepOut) -> Depth:
    return Depth(
        part=part,
        lower_m=np.array([float(value) for value in space.lower_m]),
        upper_m=np.array([float(value) for value in space.upper_m]),
    )


def _along(places_m: Floats, share: Floats) -> Floats:
    """(n, 3): the place at a share of each line (n, E, 3)."""
    if places_m.shape[1] == 1:
        return places_m[:, 0]
    return np.asarray(places_m[:, 0] + share[:, None] * (places_m[:, 1] - places_m[:, 0]))
