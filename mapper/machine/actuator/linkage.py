"""A cylinder across a pivot: joint angle, cylinder length, lever arm. Floats, SI, radians.

The triangle: the joint's pivot, the base pivot at `base_radius_m` from it and the rod pivot at `rod_radius_m` from it.
The included angle between the two radii is `included_at_zero_rad` at joint angle 0; it opens with the joint angle when
`sense` is +1 and closes when it is -1. It lies strictly between 0 and pi over the whole travel: at both ends the
cylinder points at the pivot (dead centre) and has no lever arm.

Source: law of cosines; the lever arm is its derivative (virtual work: force times change of length = torque times
change of angle). Any textbook of statics; checked against a published crane problem in tests/outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class LeverRange:
    """Least and largest lever arm over a travel, in m, and the joint angles (rad) where they are."""

    least_m: float
    least_at_rad: float
    most_m: float
    most_at_rad: float

    @property
    def share(self) -> float:
        """Least over largest; 0 or less where a dead centre lies in the travel."""
        return self.least_m / self.most_m if self.most_m > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Linkage:
    """Args: radii in m, above 0; included angle at joint angle 0 in rad; sense +1 or -1."""

    base_radius_m: float
    rod_radius_m: float
    included_at_zero_rad: float
    sense: int

    def included_rad(self, q_rad: npt.ArrayLike) -> Floats:
        """Included angle in rad at the joint angles `q_rad` (any shape)."""
        return np.asarray(self.included_at_zero_rad + self.sense * np.asarray(q_rad, dtype=np.float64))

    def length_m(self, q_rad: npt.ArrayLike) -> Floats:
        """Cylinder length pin to pin in m: l = sqrt(a2 + b2 - 2 a b cos(included))."""
        a, b = self.base_radius_m, self.rod_radius_m
        return np.asarray(np.sqrt(a * a + b * b - 2.0 * a * b * np.cos(self.included_rad(q_rad))))

    def lever_m(self, q_rad: npt.ArrayLike) -> Floats:
        """Lever arm in m, change of length for a change of included angle: a b sin(included) / l. Zero at dead
        centre.
        """
        a, b = self.base_radius_m, self.rod_radius_m
        return np.asarray(a * b * np.sin(self.included_rad(q_rad)) / self.length_m(q_rad))

    def lever_slope_m_rad(self, q_rad: npt.ArrayLike) -> Floats:
        """Derivative of the lever arm by the joint angle in m/rad: sense (a b cos(included) - lever2) / l."""
        a, b = self.base_radius_m, self.rod_radius_m
        lever = self.lever_m(q_rad)
        bend = a * b * np.cos(self.included_rad(q_rad)) - lever * lever
        return np.asarray(self.sense * bend / self.length_m(q_rad))

    def angle_rad(self, length_m: float) -> float:
        """Joint angle in rad at a cylinder length in m.

        Raises:
            ValueError: no triangle has that side: it must be from |a - b| to a + b.
        """
        a, b = self.base_radius_m, self.rod_radius_m
        if not abs(a - b) <= length_m <= a + b:
            raise ValueError(f"length {length_m} m is outside {abs(a - b)} to {a + b} m")
        cosine = (a * a + b * b - length_m * length_m) / (2.0 * a * b)
        return self.sense * (math.acos(max(-1.0, min(1.0, cosine))) - self.included_at_zero_rad)

    def dead_centres_rad(self) -> tuple[float, float]:
        """The two joint angles, the lower first, at which the lever arm is zero."""
        ends = (-self.sense * self.included_at_zero_rad, self.sense * (math.pi - self.included_at_zero_rad))
        return min(ends), max(ends)

    def dead_centre_room_rad(self, lower_rad: float, upper_rad: float) -> tuple[float, float]:
        """From each end of a travel to the dead centre beyond it, in rad; negative: the dead centre is inside."""
        below, above = self.dead_centres_rad()
        return lower_rad - below, above - upper_rad

    def highest_lever_at_rad(self) -> float:
        """Joint angle in rad of the largest lever arm of the circle: cylinder square to the shorter radius, so
        cos(included) = shorter over longer radius.
        """
        short, long = sorted((self.base_radius_m, self.rod_radius_m))
        return self.sense * (math.acos(short / long) - self.included_at_zero_rad)

    def lever_range(self, lower_rad: float, upper_rad: float) -> LeverRange:
        """Least and largest lever arm between two joint angles, `lower_rad` below `upper_rad`.

        Between the dead centres the lever arm rises to its highest and falls again, so the least is at an end, and the
        largest at an end or at `highest_lever_at_rad`.
        """
        ends = (lower_rad, upper_rad)
        places = [*ends, min(max(self.highest_lever_at_rad(), lower_rad), upper_rad)]
        levers = [float(self.lever_m(place)) for place in places]
        least, most = levers.index(min(levers)), levers.index(max(levers))
        return LeverRange(
            least_m=levers[least], least_at_rad=places[least], most_m=levers[most], most_at_rad=places[most]
        )

    def reach_rad(self, closed_length_m: float, stroke_m: float) -> tuple[float, float] | None:
        """Joint travel, the lower end first, that a cylinder of this closed length and stroke can go through.

        None where the pins never come within the cylinder's lengths. A length that passes a dead centre ends there.
        """
        a, b = self.base_radius_m, self.rod_radius_m
        shortest = max(closed_length_m, abs(a - b))
        longest = min(closed_length_m + stroke_m, a + b)
        if shortest > longest:
            return None
        ends = (self.angle_rad(shortest), self.angle_rad(longest))
        return min(ends), max(ends)

    def highest_lever_m(self) -> float:
        """The largest lever arm of the whole circle, in m: where the cylinder is square to the shorter radius."""
        return min(self.base_radius_m, self.rod_radius_m)
