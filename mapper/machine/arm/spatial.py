"""An arm whose joints stand in any order: extremes of what each joint meets, outward, from a grid of the other joints.

For arms that do not lie in one upright plane (a roll joint before a pitch joint, two vertical joints ...); `planar` is
faster and closer for all others.

Joint i carries the first moment S about its pivot and has the axis a. Gravity's torque about it is g d . (a x S), with
d the direction of gravity. The joints beyond fix S, the joints before and the ground fix d; both run over a grid, and
the joint's own angle turns one against the other. Tilt is exact: over a cone of half-angle t round a direction, the
most of d . V is |V| where V lies inside the cone, else d . V cos t + sqrt(|V|^2 - (d . V)^2) sin t.

The load's offset may point any way round the last link's line: a circle, which lies within the regular polygon drawn
around it; what is convex in the load's place (the most of a torque, of an inertia, of a distance) is most in a corner.
The least inertia takes the load `offset` nearer to the axis than its place without it.

Between the nodes: for a fixed direction of gravity and roll of the load the torque is A cos(q - b) + C in every angle,
with A at most g R, where R is the sum of mass x farthest distance from that joint's axis (beyond) or from the axis of
joint i (before, and its own angle). A function differs from what the corners of a grid give by at most the sum over the
axes of h^2 / 8 times the largest second derivative along that axis, so the sum of h^2 / 8 g R is added. Inertia and
the square of the load's distance: 4 T + 2 D R in place of g R, with T the sum of mass x distance^2 and D the distance
of the pivot of joint i from the farthest point of the other joint's axis that a mass turns about (the distance from
the axis of joint i, squared, is |D + r|^2 less the part along that axis; r turns). The users' straight line between the
own nodes is covered by the own angle's share.

Source: rigid-body statics; derived here. Margins grow with the number of joints, see `GRID`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.arm import Arm, ArmPose
from mapper.machine.arm.chain import GRAVITY_M_S2, ROLL, VERTICAL, Chain, ChainLoad, Link
from mapper.machine.arm.moments import Extremes

Floats = npt.NDArray[np.float64]
Numbers = npt.NDArray[np.intp]

GRID = 8_000
"""Poses of all other joints together: three joints get 20 angles each, four 9."""

CORNERS = 8
"""Of the polygon around the circle of the load's offset: 8 % wider than the circle."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Bound:
    """What turns about one joint, for every load (k,), the load's offset included."""

    moment: Floats  # kg m: sum of mass x farthest distance from the axis
    square: Floats  # kg m2: sum of mass x farthest distance from the axis, squared
    tip: Floats  # m: farthest distance of the load from the axis
    along: Floats  # m: how far along a roll axis anything may lie; 0 for other axes, whose distances are from the pivot


class SpatialArm:
    """Args: any chain with at least one moving joint."""

    def __init__(self, chain: Chain) -> None:
        self._chain = chain
        self._links = chain.moving()
        self._arm = Arm(chain=replace(chain, loads=tuple(replace(load, offset_m=0.0) for load in chain.loads)))
        self._offset = np.array([load.offset_m for load in chain.loads])
        self._load_mass = np.array([load.mass_kg for load in chain.loads])
        self._bounds = [self._bound(number) for number in range(len(self._links))]

    def extremes(self, index: int, q_rad: Floats) -> Extremes:
        """What joint `index` of the chain meets at its own angles (n,), evenly spaced, in rad."""
        number = next(number for number, link in enumerate(self._links) if link.index == index)
        bound = self._bounds[number]
        before, beyond = self._before(number), self._links[number + 1 :]
        grids = self._grids(number, before, beyond)
        # One chord after another: the spare of an axis is its step^2 / 8 times the bend along it.
        own = ((q_rad[-1] - q_rad[0]) / max(1, len(q_rad) - 1)) ** 2 / 8.0
        bends = [(own, bound)] + [(_chord(grids[link.index]), bound) for link in before]
        bends += [(_chord(grids[link.index]), self._bounds[number + 1 + place]) for place, link in enumerate(beyond)]
        spare = GRAVITY_M_S2 * np.asarray(sum(step * item.moment for step, item in bends))
        if self._links[number].axis == VERTICAL and not before:
            spare = spare * math.sin(self._chain.tilt_rad)  # all that gravity has across an upright axis
        directions = self._directions(number, before, grids)
        poses = self._product(beyond, grids)
        least, most, least_at, most_at = self._torques(number, poses, directions, q_rad)
        inertia_least, inertia_most, radius = self._spans(number, poses, grids)
        return Extremes(
            torque_least_n_m=least - spare[:, None],
            torque_most_n_m=most + spare[:, None],
            inertia_least_kg_m2=inertia_least,
            inertia_most_kg_m2=inertia_most,
            tip_radius_most_m=radius,
            pose_of_least_rad=self._joined(number, least_at, before, beyond, grids, q_rad),
            pose_of_most_rad=self._joined(number, most_at, before, beyond, grids, q_rad),
        )

    # -- bounds -----------------------------------------------------------------------------------------------------

    def _bound(self, number: int) -> _Bound:
        """Farthest distances from the axis of joint `number`, the joints beyond anywhere."""
        links = self._links[number:]
        rows: list[tuple[float, float]] = []
        on_axis, reach, along, ahead = links[0].axis == ROLL, 0.0, 0.0, 0.0
        for place, link in enumerate(links):
            on_axis = on_axis and link.axis == ROLL  # along a roll axis nothing lies away from it
            rows += [
                (lump.mass_kg, reach + (abs(lump.z_m) if on_axis else math.hypot(lump.x_m, lump.z_m)))
                for lump in link.lumps
            ]
            if on_axis:
                along = max([along, *(ahead + abs(lump.x_m) for lump in link.lumps)])
            if place < len(links) - 1:
                ahead += abs(link.next_x_m) if on_axis else 0.0
                reach += abs(link.next_z_m) if on_axis else math.hypot(link.next_x_m, link.next_z_m)
        mass, distance = np.array(rows, dtype=np.float64).reshape(-1, 2).T
        places = [self._chain.load_place_m(load) for load in self._chain.loads]
        tip = reach + self._offset + np.array([abs(z) if on_axis else math.hypot(x, z) for x, z in places])
        return _Bound(
            moment=(mass * distance).sum() + self._load_mass * tip,
            square=(mass * distance**2).sum() + self._load_mass * tip**2,
            tip=tip,
            along=np.array([max(along, ahead + (abs(x) if on_axis else 0.0)) for x, _ in places]),
        )

    def _before(self, number: int) -> tuple[Link, ...]:
        """The joints before that turn the direction of gravity: not those that turn about the vertical itself."""
        links = self._links[:number]
        upright = next((place for place, link in enumerate(links) if link.axis != VERTICAL), len(links))
        return links[upright:]

    def _grids(self, number: int, before: Sequence[Link], beyond: Sequence[Link]) -> dict[int, Floats]:
        """Angles of every other joint, more of them where a step bends more; one where nothing depends on it."""
        bends = [(link, float(self._bounds[number].moment.max())) for link in before]
        bends += [(link, float(self._bounds[number + 1 + place].moment.max())) for place, link in enumerate(beyond)]
        weights = {
            link.index: (link.upper_rad - link.lower_rad) * math.sqrt(bend) for link, bend in bends if bend > 0.0
        }
        weights = {index: weight for index, weight in weights.items() if weight > 0.0}
        scale = (GRID / math.prod(weights.values())) ** (1.0 / len(weights)) if weights else 1.0
        return {
            link.index: np.linspace(link.lower_rad, link.upper_rad, min(91, max(2, int(weights[link.index] * scale))))
            if link.index in weights
            else np.array([min(max(0.0, link.lower_rad), link.upper_rad)])
            for link, _ in bends
        }

    # -- grids ------------------------------------------------------------------------------------------------------

    def _product(self, links: Sequence[Link], grids: dict[int, Floats]) -> Floats:
        """(poses, J) rad: every combination of the angles of these joints, all others 0."""
        shape = tuple(len(grids[link.index]) for link in links)
        poses = np.zeros((math.prod(shape), len(self._chain.joints)))
        if links:
            meshes = np.meshgrid(*(grids[link.index] for link in links), indexing="ij")
            for link, angles in zip(links, meshes, strict=True):
                poses[:, link.index] = angles.ravel()
        return poses

    def _directions(self, number: int, before: Sequence[Link], grids: dict[int, Floats]) -> Floats:
        """(directions, 3) of gravity on level ground in the frame before joint `number`."""
        turn = self._arm.pose(self._product(before, grids), None).turns[:, self._links[number].index]
        return np.asarray(-turn[:, 2, :])  # turn' (0, 0, -1)

    def _torques(
        self, number: int, poses: Floats, directions: Floats, q_rad: Floats
    ) -> tuple[Floats, Floats, Numbers, Numbers]:
        """Least and most (k, n) of the grid, and which pose beyond and which direction has them (k, n, 2)."""
        index = self._links[number].index
        vectors = [self._vectors(index, poses, load) for load in self._chain.loads]
        axis = vectors[0][1]
        shape = (len(vectors), len(q_rad))
        least, most = np.zeros(shape), np.zeros(shape)
        least_at, most_at = np.zeros((*shape, 2), dtype=np.intp), np.zeros((*shape, 2), dtype=np.intp)
        for load, (vector, _) in enumerate(vectors):
            size, corners = np.linalg.norm(vector, axis=-1), len(vector) // len(poses)
            for place, angle in enumerate(q_rad):
                dots = _about(vector, axis, angle) @ directions.T
                row = int(_over_cone(dots.max(axis=1), size, self._chain.tilt_rad).argmax())
                most[load, place] = _over_cone(dots[row].max(), size[row], self._chain.tilt_rad)
                most_at[load, place] = row // corners, dots[row].argmax()
                row = int(_over_cone(-dots.min(axis=1), size, self._chain.tilt_rad).argmax())
                least[load, place] = -_over_cone(-dots[row].min(), size[row], self._chain.tilt_rad)
                least_at[load, place] = row // corners, dots[row].argmin()
        return least, most, least_at, most_at

    def _vectors(self, index: int, poses: Floats, load: ChainLoad) -> tuple[Floats, Floats]:
        """g a x S for each pose beyond and corner (poses x corners, 3), and the axis a (3,): in the frame before the
        joint.
        """
        pose, (mass, _, carried) = self._arm.pose(poses, load.name), self._arm.bodies(load.name)
        lever = pose.places_m - pose.pivots_m[:, index, None, :]
        moment = np.einsum("b,nbk->nk", mass * carried[index], lever)[:, None, :] + load.mass_kg * _corners(pose, load)
        axis = pose.axes[0, index]
        return GRAVITY_M_S2 * np.cross(axis, moment).reshape(-1, 3), axis

    def _spans(self, number: int, poses: Floats, grids: dict[int, Floats]) -> tuple[Floats, Floats, Floats]:
        """Least and most inertia and farthest load (k,)."""
        index = self._links[number].index
        spare, far = np.zeros(len(self._offset)), np.zeros(len(self._offset))
        distance = 0.0
        for place in range(number + 1, len(self._links)):
            before, bound = self._links[place - 1], self._bounds[place]
            distance += math.hypot(before.next_x_m, before.next_z_m)
            step = _chord(grids[self._links[place].index])
            spare += step * (4.0 * bound.square + 2.0 * (distance + bound.along) * bound.moment)
            far += step * (4.0 * bound.tip**2 + 2.0 * (distance + bound.along) * bound.tip)
        least, most, radius = np.zeros_like(spare), np.zeros_like(spare), np.zeros_like(spare)
        for load, item in enumerate(self._chain.loads):
            pose, inertia = self._arm.pose(poses, item.name), self._arm.inertia_kg_m2(poses, item.name)[:, index]
            lever = (pose.tip_m - pose.pivots_m[:, index])[:, None, :]
            away = _square(np.cross(pose.axes[0, index], lever))[:, 0]
            wide = _square(np.cross(pose.axes[0, index], lever + _corners(pose, item))).max(axis=1)
            near = np.maximum(np.sqrt(away) - item.offset_m, 0.0) ** 2
            least[load] = (inertia + item.mass_kg * (near - away)).min() - spare[load]
            most[load] = (inertia + item.mass_kg * (wide - away)).max() + spare[load]
            radius[load] = math.sqrt(wide.max() + far[load])
        return np.maximum(least, 0.0), most, radius

    def _joined(
        self,
        number: int,
        at: Numbers,
        before: Sequence[Link],
        beyond: Sequence[Link],
        grids: dict[int, Floats],
        q_rad: Floats,
    ) -> Floats:
        """(k, n, J): the poses that the numbers (k, n, 2) of `_torques` stand for."""
        home = [min(max(0.0, joint.lower_rad), joint.upper_rad) for joint in self._chain.joints]
        pose = np.tile(home, (*at.shape[:2], 1))
        for links, numbers in ((beyond, at[..., 0]), (before, at[..., 1])):
            chosen = self._product(links, grids)[numbers]
            for link in links:
                pose[..., link.index] = chosen[..., link.index]
        pose[..., self._links[number].index] = q_rad
        return pose


def _corners(pose: ArmPose, load: ChainLoad) -> Floats:
    """(n, corners, 3) m: the load's offset to each corner of a polygon around its circle; one corner without offset."""
    if load.offset_m == 0.0:
        return np.zeros((len(pose.tip_m), 1, 3))
    angles = np.arange(CORNERS) * 2.0 * math.pi / CORNERS
    ring = np.stack([np.zeros_like(angles), np.cos(angles), np.sin(angles)], axis=-1)
    return np.asarray(load.offset_m / math.cos(math.pi / CORNERS) * ring @ np.swapaxes(pose.end_turns, 1, 2))


def _square(vectors: Floats) -> Floats:
    return np.asarray((vectors**2).sum(axis=-1))


def _chord(angles_rad: Floats) -> float:
    """Step^2 / 8 of evenly spaced angles; 0 for a single one."""
    return 0.0 if len(angles_rad) < 2 else float((angles_rad[-1] - angles_rad[0]) / (len(angles_rad) - 1)) ** 2 / 8.0


def _about(vectors: Floats, axis: Floats, angle_rad: float) -> Floats:
    """Vectors (poses, 3) square to the unit vector `axis`, turned about it."""
    return np.asarray(math.cos(angle_rad) * vectors + math.sin(angle_rad) * np.cross(axis, vectors))


def _over_cone(along: Floats, size: Floats, tilt_rad: float) -> Floats:
    """Most of d . V for d within `tilt_rad` of a direction whose own d . V is `along`; `size` is |V|."""
    across = np.sqrt(np.maximum(size**2 - along**2, 0.0))
    inside = along >= size * math.cos(tilt_rad)
    return np.asarray(np.where(inside, size, along * math.cos(tilt_rad) + across * math.sin(tilt_rad)))
