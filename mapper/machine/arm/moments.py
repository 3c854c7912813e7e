"""First and second moments of masses in the plane of an arm, over a grid of the angles of the joints beyond a pivot.

A grid gives extremes that hold between its nodes too: see `planar` for the margin. Floats, SI, radians.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import VERTICAL, Link

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Masses in one link's frame for every load: each array (k, parts); the load is the last part where it is one."""

    mass_kg: Floats
    x_m: Floats
    z_m: Floats
    across_m: Floats  # away from the roll axis, any way round it; 0: in the plane
    gyration_m: Floats

    @property
    def first_moment(self) -> tuple[Floats, Floats]:
        """(k,) and (k,) kg m: along x and z."""
        return total(self.mass_kg * self.x_m), total(self.mass_kg * self.z_m)

    @property
    def across_moment(self) -> Floats:
        """(k,) kg m, w."""
        return total(self.mass_kg * self.across_m)

    @property
    def distance_m(self) -> Floats:
        """(k, parts) from the pivot."""
        return np.asarray(np.sqrt(self.x_m**2 + self.z_m**2) + self.across_m)


def total(parts: Floats) -> Floats:
    return np.asarray(parts.sum(axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Extremes:
    """What one joint meets. Each (k,), the torques (k, n) and the poses (k, n, J) over the joint's own angles."""

    torque_least_n_m: Floats
    torque_most_n_m: Floats
    inertia_least_kg_m2: Floats
    inertia_most_kg_m2: Floats
    tip_radius_most_m: Floats
    pose_of_least_rad: Floats
    pose_of_most_rad: Floats


class MomentGrid:
    """First and second moments of all that lies beyond a pivot, over a grid of the angles beyond: (k, angles ...)."""

    def __init__(self, parts: Parts, line_z_m: float) -> None:
        self._offs = [column for column in range(parts.mass_kg.shape[1]) if np.any(parts.across_m[:, column] > 0)]
        self._tip = parts
        self._line_z = line_z_m
        self._turn = np.zeros(1)  # of the last link in the present frame
        self._end_x, self._end_z = np.zeros(1), np.zeros(1)  # of the last link's pivot
        self._mass = total(parts.mass_kg)
        self._sx, self._sz = parts.first_moment
        self._xx, self._xz, self._zz = _second(parts)
        self._own = total(parts.mass_kg * parts.gyration_m**2)
        # Bounds for the margin: R and T beyond each pivot, farthest load; steps and distances of the turns so far.
        self._first = total(parts.mass_kg * parts.distance_m)
        self._square = total(parts.mass_kg * parts.distance_m**2)
        self._far = parts.distance_m[:, -1]
        self._turns: list[tuple[float, Floats, Floats, Floats, float]] = []  # h2/8, R, T, farthest load, D

    def turn(self, angles_rad: Floats) -> None:
        """Into the frame before the joint, which takes all these angles (n,), evenly spaced."""
        step = (angles_rad[-1] - angles_rad[0]) / (len(angles_rad) - 1)
        self._turns.append((step**2 / 8.0, self._first, self._square, self._far, 0.0))
        c, s = np.cos(angles_rad), np.sin(angles_rad)
        sx, sz, xx, xz, zz = (a[..., None] for a in (self._sx, self._sz, self._xx, self._xz, self._zz))
        self._sx, self._sz = sx * c - sz * s, sx * s + sz * c
        mixed = 2.0 * c * s * xz
        self._xx, self._zz = c * c * xx - mixed + s * s * zz, s * s * xx + mixed + c * c * zz
        self._xz = c * s * (xx - zz) + (c * c - s * s) * xz
        x, z = self._end_x[..., None], self._end_z[..., None]
        self._end_x, self._end_z = x * c - z * s, x * s + z * c
        self._turn = self._turn[..., None] + angles_rad

    def add(self, parts: Parts, x_m: float, z_m: float) -> None:
        """Moves the pivot's frame to the joint before, (x, z) away from it in its frame, and adds its own parts."""
        mass = self._wide(self._mass)
        self._xx = self._xx + 2.0 * x_m * self._sx + mass * x_m * x_m
        self._xz = self._xz + x_m * self._sz + z_m * self._sx + mass * x_m * z_m
        self._zz = self._zz + 2.0 * z_m * self._sz + mass * z_m * z_m
        self._sx, self._sz = self._sx + mass * x_m, self._sz + mass * z_m
        self._end_x, self._end_z = self._end_x + x_m, self._end_z + z_m
        distance = math.hypot(x_m, z_m)
        self._turns = [(*turn[:4], turn[4] + distance) for turn in self._turns]
        self._square = self._square + 2.0 * distance * self._first + self._mass * distance**2
        self._first, self._far = self._first + self._mass * distance, self._far + distance
        if parts.mass_kg.shape[1]:
            own_x, own_z = parts.first_moment
            own_xx, own_xz, own_zz = (self._wide(item) for item in _second(parts))
            self._sx, self._sz = self._sx + self._wide(own_x), self._sz + self._wide(own_z)
            self._xx, self._xz, self._zz = self._xx + own_xx, self._xz + own_xz, self._zz + own_zz
            self._mass = self._mass + total(parts.mass_kg)
            self._own = self._own + total(parts.mass_kg * parts.gyration_m**2)
            self._first = self._first + total(parts.mass_kg * parts.distance_m)
            self._square = self._square + total(parts.mass_kg * parts.distance_m**2)

    def _wide(self, each_load: Floats) -> Floats:
        """(k,) to the shape of the grid."""
        return each_load.reshape(each_load.shape + (1,) * (self._sx.ndim - 1))

    def extremes(self, axis: str) -> tuple[Floats, Floats, Floats]:
        """(least inertia, most inertia, farthest load), each (k,), about the joint whose frame this is."""
        upright = axis == VERTICAL
        least, most = self._upright() if upright else self._level()
        radius = self._radius_square(upright)
        spare = sum((h * (2.0 * d * r + (2.0 * t if upright else 0.0)) for h, r, t, _, d in self._turns), np.zeros(1))
        far = sum((h * (2.0 * d * f + (2.0 * f * f if upright else 0.0)) for h, _, _, f, d in self._turns), np.zeros(1))
        return (
            np.maximum(_over_grid(least, np.min) - spare, 0.0) + self._own,
            _over_grid(most, np.max) + spare + self._own,
            np.sqrt(_over_grid(radius, np.max) + far),
        )

    def _level(self) -> tuple[Floats, Floats]:
        """Least and most inertia about a pitch axis: each part off the roll axis leans from or toward the pivot."""
        least = most = self._xx + self._zz
        height = np.abs(self._height())
        for mass, off, _ in self._off_axis():
            # m (u2 - 2 height u) is what a part adds that lies u toward the pivot: least where u is the height.
            near = np.minimum(off, height)
            least, most = least + mass * near * (near - 2.0 * height), most + mass * off * (2.0 * height + off)
        return least, most

    def _upright(self) -> tuple[Floats, Floats]:
        """The same about the vertical axis."""
        least = most = self._xx
        sine = np.abs(np.sin(self._turn))
        for mass, off, x in self._off_axis():
            near = np.minimum(off * sine, np.abs(x))
            least, most = least + mass * near * (near - 2.0 * np.abs(x)), most + mass * self._bulge(off, x)
        return least, most

    def _off_axis(self) -> Iterator[tuple[Floats, Floats, Floats]]:
        """Mass, distance from the roll axis and place x along the present frame of each part that leaves the plane."""
        for column in self._offs:
            mass, off = self._wide(self._tip.mass_kg[:, column]), self._wide(self._tip.across_m[:, column])
            yield mass, off, self._place(column)[0]

    def _bulge(self, off: Floats, x: Floats) -> Floats:
        """Most that a part's offset adds to the square of its distance from the vertical axis, in m2.

        At roll angle r: 2 |x| off sin(a) cos(r) + off2 (1 - cos2(a) cos2(r)), a the last link's angle to the level.
        """
        lean = np.abs(x * np.sin(self._turn)) * off
        drop = (off * np.cos(self._turn)) ** 2
        inside = lean**2 / np.maximum(drop, 1e-300)
        return np.asarray(off**2 + np.where(lean < drop, inside, 2.0 * lean - drop))

    def _height(self) -> Floats:
        """Distance of the pivot from the line of the roll axis, in m, signed."""
        return np.asarray(self._line_z + self._end_z * np.cos(self._turn) - self._end_x * np.sin(self._turn))

    def _place(self, column: int) -> tuple[Floats, Floats]:
        """(x, z) in m in the present frame of a tip part, on the roll axis."""
        x, z = self._wide(self._tip.x_m[:, column]), self._wide(self._tip.z_m[:, column])
        c, s = np.cos(self._turn), np.sin(self._turn)
        return np.asarray(self._end_x + x * c - z * s), np.asarray(self._end_z + x * s + z * c)

    def _radius_square(self, upright: bool) -> Floats:
        """Square of the load's distance from the axis, farthest roll angle, in m2."""
        x, z = self._place(-1)
        off = self._wide(self._tip.across_m[:, -1])
        if upright:
            return np.asarray(x**2 + self._bulge(off, x))
        return np.asarray(x**2 + z**2 + 2.0 * off * np.abs(self._height()) + off**2)


def _over_grid(values: Floats, take: Callable[..., Floats]) -> Floats:
    """(k, ...) to (k,)."""
    return np.asarray(take(values.reshape(values.shape[0], -1), axis=1))


def _second(parts: Parts) -> tuple[Floats, Floats, Floats]:
    """(k,) each, kg m2: sums of mass x xx, xz, zz."""
    mass, x, z = parts.mass_kg, parts.x_m, parts.z_m
    return total(mass * x * x), total(mass * x * z), total(mass * z * z)


def lumps(link: Link, load_count: int) -> Parts:
    rows = np.array([(lump.mass_kg, lump.x_m, lump.z_m, 0.0, lump.gyration_m) for lump in link.lumps])
    rows = np.repeat(rows.reshape(1, -1, 5), load_count, axis=0)
    mass, x, z, across, gyration = np.moveaxis(rows, -1, 0)
    return Parts(mass_kg=mass, x_m=x, z_m=z, across_m=across, gyration_m=gyration)


def moved(parts: Parts, x_m: float, z_m: float) -> Parts:
    return replace(parts, x_m=parts.x_m + x_m, z_m=parts.z_m + z_m)


def joined(all_parts: list[Parts]) -> Parts:
    columns = {field.name: [getattr(parts, field.name) for parts in all_parts] for field in fields(Parts)}
    return Parts(**{name: np.concatenate(arrays, axis=1) for name, arrays in columns.items()})
