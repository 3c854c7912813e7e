"""An arm in one upright plane: at most one vertical joint, then pitch joints, then roll joints. Its extremes, outward.

Bodies and pivots lie in the plane; only what a roll joint turns leaves it, and counts as if it pointed any way across
the roll axis. That makes the extremes of gravity's torque a problem of directions:

- Joint p carries the first moment S = sum of mass x place from its pivot, in its own frame. With `reach(t)` the largest
  component of S along the direction at angle t over all angles of the joints beyond, the torque that gravity exerts
  is -g reach(-a) at least and g reach(pi - a) at most, where a is the angle of the link to the level.
- S = c + R(q) S', so reach(t) = c . u(t) + most over q of reach'(t - q): a running maximum over the travel of the next
  joint. Parts off the roll axis, first moment w, add w |sin t| at the last link, for they may point either way.
- The ground's tilt turns gravity in the plane by at most `tilt` (across the plane it only takes from it), so that it
  widens the travel of what lies before joint p, and a = own angle + anything in that interval: a running maximum again.

Between the nodes: `reach` is the most of functions A cos(t - b) with A up to R, the sum of mass x farthest distance.
None bends down faster than R, so `reach` lies below the chord of two nodes plus R h^2 / 8 (h the step). Each running
maximum therefore costs R h^2 / 8, and the users' straight line between the nodes of the joint's own angle the same once
more with that step.

Inertia about the joint and distance of the load do not depend on the joint's own angle, nor on those before it. They
are computed on a grid of the angles beyond. Between the nodes of a grid a function differs from what its corners give
by at most the sum over the axes of h^2 / 8 times the largest second derivative along that axis (one chord after
another); that sum is added. With D the distance between two pivots, R and T the sums of mass x distance and mass x
distance^2 beyond the second, that derivative is 2 D R for a pitch joint and 2 T + 2 D R for the vertical joint.

Source: rigid-body statics; the running maximum is the support function of a sum of rotated sets. Derived here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import GRAVITY_M_S2, PITCH, ROLL, VERTICAL, Chain, Link
from mapper.machine.arm.circle import CIRCLE_NODES, CIRCLE_STEP_RAD, cosine_most, on_circle, running_most
from mapper.machine.arm.moments import Extremes, MomentGrid, Parts, joined, lumps, moved, total

Floats = npt.NDArray[np.float64]

GRID_POSES = 27_000
"""Poses of all joints beyond the first one together: three joints get 30 angles each, two and fewer 61."""


POSE_NODES = 61


def is_planar(links: Sequence[Link]) -> bool:
    """True for at most one vertical joint, then pitch joints, then roll joints."""
    order = [(VERTICAL, PITCH, ROLL).index(link.axis) for link in links]
    return order == sorted(order) and order.count(0) <= 1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Level:
    """One joint of the plane: what lies beyond its pivot, seen in its own frame."""

    link: Link
    reach: Floats  # (k, CIRCLE_NODES) kg m, rounded up
    moment_most: Floats  # (k,) kg m, R
    inertia_least: Floats  # (k,) kg m2
    inertia_most: Floats
    tip_radius_most: Floats  # (k,) m


class PlanarArm:
    """Args: a chain whose moving joints satisfy `is_planar`."""

    def __init__(self, chain: Chain) -> None:
        links = chain.moving()
        self._chain = chain
        self._rolls = tuple(link for link in links if link.axis == ROLL)
        # Roll joints alone hang on a link that neither turns nor weighs anything.
        self._plane = tuple(link for link in links if link.axis != ROLL) or (
            Link(index=-1, axis=VERTICAL, lower_rad=0.0, upper_rad=0.0),
        )
        count = len(chain.loads)
        self._parts = [joined([lumps(link, count)]) for link in self._plane[:-1]]
        beyond = moved(self._beyond_roll(0), self._plane[-1].next_x_m, self._line_z())
        self._parts.append(joined([lumps(self._plane[-1], count), beyond]))
        self._levels = self._all_levels()

    def extremes(self, index: int, q_rad: Floats) -> Extremes:
        """What joint `index` of the chain meets at its own angles (n,), evenly spaced, in rad."""
        for number, roll in enumerate(self._rolls):
            if roll.index == index:
                return self._of_roll(number, q_rad)
        number = next(number for number, level in enumerate(self._levels) if level.link.index == index)
        if self._plane[number].axis == VERTICAL:
            return self._of_vertical(q_rad)
        return self._of_pitch(number, q_rad)

    # -- masses -----------------------------------------------------------------------------------------------------

    def _line_z(self) -> float:
        """Height of the roll axis (of the load where nothing rolls) over the last link's line, in m."""
        return self._plane[-1].next_z_m if self._rolls else self._plane[-1].line_z_m

    def _beyond_roll(self, number: int) -> Parts:
        """What roll joint `number` turns, from its pivot along its axis; the load, where no joint rolls.

        Rises of bodies and the load's offset may point any way round the axis: distances from it add.
        """
        loads = self._chain.loads
        rows: list[tuple[float, float, float, float]] = []
        x = across = last_x = last_across = 0.0
        for link in self._rolls[number:]:
            last_x, last_across = x, across
            rows += [(lump.mass_kg, x + lump.x_m, across + abs(lump.z_m), lump.gyration_m) for lump in link.lumps]
            x, across = x + link.next_x_m, across + abs(link.next_z_m)
        # Without a roll joint the load's place is counted from the plane's last pivot, not from where its link ends.
        start = last_x if self._rolls else -self._plane[-1].next_x_m
        table = [
            [
                *rows,
                (
                    load.mass_kg,
                    start + self._chain.load_place_m(load)[0],
                    last_across + load.offset_m,
                    load.gyration_m,
                ),
            ]
            for load in loads
        ]
        mass, along, off, gyration = np.moveaxis(np.array(table, dtype=np.float64), -1, 0)
        return Parts(mass_kg=mass, x_m=along, z_m=np.zeros_like(along), across_m=off, gyration_m=gyration)

    # -- levels -----------------------------------------------------------------------------------------------------

    def _all_levels(self) -> tuple[_Level, ...]:
        reaches = self._reaches()
        spans = self._spans()
        levels = []
        for number, (link, (reach, moment)) in enumerate(zip(self._plane, reaches, strict=True)):
            least, most, radius = spans[number]
            levels.append(
                _Level(
                    link=link,
                    reach=reach,
                    moment_most=moment,
                    inertia_least=least,
                    inertia_most=most,
                    tip_radius_most=radius,
                )
            )
        return tuple(levels)

    def _masses(self) -> list[Floats]:
        """(k,) kg beyond the pivot of each joint of the plane."""
        own = [total(parts.mass_kg) for parts in self._parts]
        return [np.asarray(sum(own[number:])) for number in range(len(own))]

    def _reaches(self) -> list[tuple[Floats, Floats]]:
        """(reach, R) of each joint of the plane."""
        angles = np.arange(CIRCLE_NODES) * CIRCLE_STEP_RAD
        cosine, sine = np.cos(angles), np.sin(angles)
        masses = self._masses()
        found: list[tuple[Floats, Floats]] = []
        for number in reversed(range(len(self._plane))):
            link, parts = self._plane[number], self._parts[number]
            along, above = parts.first_moment
            moment = total(parts.mass_kg * parts.distance_m)
            reach = parts.across_moment[:, None] * np.abs(sine)
            if found:
                beyond, after = masses[number + 1], self._plane[number + 1]
                along, above = along + beyond * link.next_x_m, above + beyond * link.next_z_m
                moment = moment + beyond * math.hypot(link.next_x_m, link.next_z_m) + found[0][1]
                reach = reach + running_most(found[0][0], after.lower_rad, after.upper_rad)
                reach = reach + found[0][1][:, None] * CIRCLE_STEP_RAD**2 / 8.0
            reach = reach + along[:, None] * cosine + above[:, None] * sine
            found.insert(0, (reach, moment))
        return found

    def _spans(self) -> list[tuple[Floats, Floats, Floats]]:
        """(least inertia, most inertia, farthest load) of each joint of the plane, on the grid of the angles beyond."""
        turns = len(self._plane) - 1
        count = max(3, min(61, int(GRID_POSES ** (1.0 / max(1, turns)) + 1e-9)))
        grid = MomentGrid(self._parts[-1], self._line_z())
        found = [grid.extremes(self._plane[-1].axis)]
        for number in reversed(range(turns)):
            after = self._plane[number + 1]
            grid.turn(np.linspace(after.lower_rad, after.upper_rad, count))
            grid.add(self._parts[number], self._plane[number].next_x_m, self._plane[number].next_z_m)
            found.insert(0, grid.extremes(self._plane[number].axis))
        return found

    # -- joints -----------------------------------------------------------------------------------------------------

    def _before(self, number: int) -> tuple[float, float]:
        """Least and most angle to the level of the link before joint `number` of the plane, without tilt, in rad."""
        before = [link for link in self._plane[:number] if link.axis == PITCH]
        return sum(link.lower_rad for link in before), sum(link.upper_rad for link in before)

    def _of_pitch(self, number: int, q_rad: Floats) -> Extremes:
        level = self._levels[number]
        lower, upper = self._before(number)
        lower, upper = lower - self._chain.tilt_rad, upper + self._chain.tilt_rad
        most_at = running_most(level.reach, lower, upper)
        step = (q_rad[-1] - q_rad[0]) / (len(q_rad) - 1)
        # Two running maxima deep, and the straight line between the own nodes.
        spare = level.moment_most[:, None] * (2.0 * CIRCLE_STEP_RAD**2 + step**2) / 8.0 * (1.0 + 1e-9)
        angles = -q_rad[None, :]
        return Extremes(
            torque_least_n_m=-GRAVITY_M_S2 * (on_circle(most_at, angles) + spare),
            torque_most_n_m=GRAVITY_M_S2 * (on_circle(most_at, angles + math.pi) + spare),
            inertia_least_kg_m2=level.inertia_least,
            inertia_most_kg_m2=level.inertia_most,
            tip_radius_most_m=level.tip_radius_most,
            pose_of_least_rad=self._pose(number, q_rad, 0.0),
            pose_of_most_rad=self._pose(number, q_rad, math.pi),
        )

    def _of_vertical(self, q_rad: Floats) -> Extremes:
        """Tilted ground makes the arm want to swing downhill: g sin(tilt) times the first moment across the axis."""
        level = self._levels[0]
        both = np.stack([level.reach[:, 0], level.reach[:, CIRCLE_NODES // 2]])
        farthest = np.hypot(both.max(axis=0), self._parts[-1].across_moment)
        torque = GRAVITY_M_S2 * math.sin(min(self._chain.tilt_rad, math.pi / 2.0)) * farthest
        torque = np.repeat(torque[:, None], len(q_rad), axis=1)
        forward, backward = (self._rest(0, np.full((len(both[0]), 1), turn)) for turn in (0.0, math.pi))
        pose = np.where((both[0] >= both[1])[:, None, None], forward, backward)
        pose = np.repeat(pose, len(q_rad), axis=1)
        pose[..., level.link.index] = q_rad
        return Extremes(
            torque_least_n_m=0.0 - torque,
            torque_most_n_m=torque,
            inertia_least_kg_m2=level.inertia_least,
            inertia_most_kg_m2=level.inertia_most,
            tip_radius_most_m=level.tip_radius_most,
            pose_of_least_rad=pose,
            pose_of_most_rad=pose.copy(),
        )

    def _of_roll(self, number: int, q_rad: Floats) -> Extremes:
        """Only what lies off the axis turns a roll joint; it may lie any way round it: the own angle tells nothing."""
        parts = self._beyond_roll(number)
        lower, upper = self._before(len(self._plane))
        tilt = self._chain.tilt_rad
        torque = GRAVITY_M_S2 * parts.across_moment * cosine_most(lower - tilt, upper + tilt)
        torque = np.repeat(torque[:, None], len(q_rad), axis=1)
        own = total(parts.mass_kg * parts.gyration_m**2)
        inertia = own + total(parts.mass_kg * parts.across_m**2)
        # Rises of a roll joint before the last one may point against what lies beyond.
        exact = all(link.next_z_m == 0 for link in self._rolls[number:-1])
        level = min(max(0.0, lower), upper)
        pose = np.repeat(np.tile(self._home(), (len(own), 1, 1)), len(q_rad), axis=1)
        self._share(len(self._plane), np.full(pose.shape[:2], level), pose)
        pose[..., self._rolls[number].index] = q_rad
        return Extremes(
            torque_least_n_m=0.0 - torque,
            torque_most_n_m=torque,
            inertia_least_kg_m2=inertia if exact else own,
            inertia_most_kg_m2=inertia,
            tip_radius_most_m=parts.across_m[:, -1].copy(),
            pose_of_least_rad=pose,
            pose_of_most_rad=pose.copy(),
        )

    # -- poses ------------------------------------------------------------------------------------------------------

    def _home(self) -> Floats:
        """Every joint at 0, or as near as its travel lets it: (J,) rad."""
        return np.array([min(max(0.0, joint.lower_rad), joint.upper_rad) for joint in self._chain.joints])

    def _share(self, number: int, angle_rad: Floats, pose: Floats) -> None:
        """Writes the pitch joints before joint `number` of the plane so that they add up to `angle_rad` (k, n)."""
        lower, upper = self._before(number)
        part = (np.clip(angle_rad, lower, upper) - lower) / max(upper - lower, 1e-12)
        for link in self._plane[:number]:
            if link.axis == PITCH:
                pose[..., link.index] = link.lower_rad + part * (link.upper_rad - link.lower_rad)

    def _pose(self, number: int, q_rad: Floats, turn_rad: float) -> Floats:
        """(k, n, J): a pose in which the first moment reaches farthest to the level (turn 0) or backwards (turn pi)."""
        level = self._levels[number]
        lower, upper = self._before(number)
        tilt = self._chain.tilt_rad
        before = np.linspace(lower - tilt, upper + tilt, POSE_NODES)
        angles = turn_rad - q_rad[:, None] - before
        best = on_circle(level.reach, angles[None]).argmax(axis=-1)
        pose = self._rest(number, turn_rad - q_rad - before[best])
        self._share(number, before[best], pose)
        pose[..., level.link.index] = q_rad
        return pose

    def _rest(self, number: int, angle_rad: Floats) -> Floats:
        """(k, n, J): the joints beyond `number` so that the first moment reaches farthest along `angle_rad` (k, n)."""
        pose = np.tile(self._home(), (*angle_rad.shape, 1))
        for level in self._levels[number + 1 :]:
            choices = np.linspace(level.link.lower_rad, level.link.upper_rad, POSE_NODES)
            own = choices[on_circle(level.reach, angle_rad[..., None] - choices).argmax(axis=-1)]
            pose[..., level.link.index] = own
            angle_rad = angle_rad - own
        return pose
