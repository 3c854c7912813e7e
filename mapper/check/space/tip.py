"""How fast the points of a part of the arm may move: the quantity that `tip_speed` searches over, in mm/s.

A point's speed is the sum over the joints of axis x (point - pivot) x joint speed, so it is never more than the sum of
distance from the axis x joint speed. Joint i makes at most creep_i + gain_i w_i of a command w_i (`joint_speed`); the
commands are at most the reduced speeds, and by rule L6f the sum of reach_i w_i is at most the table's limit. The most
of the first sum under the two others is a linear programme with one coupling row; by its dual it is the least over p of
p x limit + sum of (what joint i gives for a share of the limit - p, where above 0) x its share at full command, and the
least is where p is 0 or one of these gives. That most rises with every distance, so over a box of poses the most of
each distance bounds it: the corners of the arcs' polygons, and what no pose at all goes beyond.

All of a part lies within its radius of its line: there a point is at most so much farther from each axis; the line's
ends are the farthest of it. Jaws turn about their own pivot besides.

Source: rigid-body kinematics, any textbook of robot mechanics; duality of linear programmes; derived here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.space.joint_speed import JointSpeed
from mapper.machine.arm.points import Part

Floats = npt.NDArray[np.float64]

_MM = 1000.0
_CORNERS_MOST = 3**7
"""Of a box of angles. An arm with more hinges gets the wider bound of the distances' slopes."""
_ROUNDING = 1e-9  # of the speed: far more than the rounding of floats
_ROUNDS = 12  # of turning the direction towards the speed that it gives
_NOWHERE = 1e-12  # m or m/s: a speed without a direction


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """What one joint gives to the speed of a point: its real speed, and that times the point's distance."""

    index: int
    speed_rad_s: float
    part_mm_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSpeed:
    """Of one part. `drives` are those of its hinges, None where nothing drives one (the way that an offset points), and
    of its jaws last; the arrays belong to them.
    """

    part: Part
    drives: tuple[JointSpeed | None, ...]
    limit_mm_s: float  # of the sum of reach x command; inf: the table has none
    sure_rad_s: Floats  # speed that costs nothing of the limit: creep, and all of a joint that the limit does not count
    gain_per_mm: Floats  # gain over reach; 0 where the limit does not count the joint
    full_mm_s: Floats  # reach x command at full command

    def value(self, q_rad: Floats) -> Floats:
        """(n,): the most in each pose, if all joints moved the point the same way."""
        levers = np.linalg.norm(self.part.speeds_m(q_rad)[0], axis=-1)
        return np.asarray(self._most(levers).max(axis=1))

    def anywhere(self) -> float:
        """No pose gives more; far too much where the part cannot be stretched out."""
        return float(self._most(self.part.levers_most_m()).max()) * (1.0 + _ROUNDING)

    def bound(self, middle_rad: Floats, half_rad: Floats) -> tuple[Floats, Floats, Floats]:
        """See `branch.Quantity`."""
        farthest = self.part.levers_most_m().max(axis=0)
        gain = half_rad**2 * farthest * self._weights()
        gain[:, 0] = 0.0  # its own angle turns all speeds and changes none
        hinges = len(self.part.hinges)
        if 3 ** (hinges - 1) > _CORNERS_MOST:
            levers, pose = self._sloped(middle_rad, half_rad), middle_rad
        else:
            corners = self.part.most_levers_m(middle_rad, half_rad).reshape(
                len(middle_rad), -1, 3 ** (hinges - 1), hinges
            )
            levers = corners.max(axis=2)
            worth = (corners @ (self.sure_rad_s + self.gain_per_mm * self.full_mm_s)[:-1]).max(axis=1)
            pose = _corner_poses(worth.argmax(axis=1), middle_rad, half_rad)
        levers = np.minimum(levers, self.part.levers_most_m())
        return self._most(levers).max(axis=1) * (1.0 + _ROUNDING), pose, gain

    def shares(self, q_rad: Floats) -> tuple[float, tuple[Share, ...]]:
        """The largest speed in mm/s that some point of the part really has in one pose (H,), directions and all, and
        what each joint gives to it: a lower bound, found by turning a direction towards the speed that it gives.
        """
        columns, axes = self.part.speeds_m(q_rad[None])
        best, speeds, levers = -1.0, np.zeros(len(self.drives)), np.zeros(len(self.drives))
        for column in columns[0]:
            for start in (*column, column.sum(axis=0), *np.eye(3)):
                found, size = self._towards(column, axes[0], start)
                if size > best:
                    best, speeds, levers = size, found, self._reach_m(np.linalg.norm(column, axis=1))
        shares = tuple(
            Share(index=drive.index, speed_rad_s=float(speed), part_mm_s=abs(float(speed)) * float(lever) * _MM)
            for drive, speed, lever in zip(self.drives, speeds, levers, strict=True)
            if drive is not None
        )
        return best, shares

    def _reach_m(self, levers_m: Floats) -> Floats:
        """(..., H + 1) m: of the farthest point within the radius, from each axis; of jaws from their own pivot."""
        jaws = 0.0 if self.part.jaws is None else self.part.jaws[1]
        own = np.full((*levers_m.shape[:-1], 1), jaws)
        return np.concatenate([levers_m + self.part.radius_m, own], axis=-1)

    def _towards(self, column: Floats, axes: Floats, start: Floats) -> tuple[Floats, float]:
        """Real speeds (H + 1,) of hinges and jaws, signed, and the speed in mm/s of the part's fastest point."""
        direction, best, found = start, np.zeros(len(self.drives)), -1.0
        for _ in range(_ROUNDS):
            length = float(np.linalg.norm(direction))
            if length < _NOWHERE:
                break
            along = column @ (direction / length)
            across = np.linalg.norm(np.cross(axes, direction / length), axis=1) * self.part.radius_m
            levers = self._reach_m(np.abs(along) + across - self.part.radius_m)
            speeds = self._greedy(levers * _MM) * np.where(np.append(along, 1.0) < 0.0, -1.0, 1.0)
            velocity, turning = speeds[:-1] @ column, speeds[:-1] @ axes
            size = self._fastest(velocity, turning, abs(float(speeds[-1])))
            if size > found:
                best, found = speeds, size
            direction = velocity
        return best, found

    def _fastest(self, velocity: Floats, turning: Floats, jaws_rad_s: float) -> float:
        """mm/s of the fastest point within the radius of a place with that velocity (m/s) and turning (rad/s)."""
        rate = float(np.linalg.norm(turning))
        along = 0.0 if rate == 0.0 else float(velocity @ turning) / rate
        across = math.sqrt(max(0.0, float(velocity @ velocity) - along**2))
        jaws = 0.0 if self.part.jaws is None else jaws_rad_s * self.part.jaws[1]
        return (math.hypot(along, across + rate * self.part.radius_m) + jaws) * _MM

    def _greedy(self, reach_mm: Floats) -> Floats:
        """Real speeds (H + 1,) that give most to a point so far (H + 1,) from each axis: the joint that gives most for
        its share of the limit first.
        """
        speeds, left = self.sure_rad_s.copy(), self.limit_mm_s
        for number in np.argsort(-self.gain_per_mm * reach_mm):
            share = min(float(self.full_mm_s[number]), left)
            if reach_mm[number] > 0.0 and share > 0.0:
                speeds[number] += share * self.gain_per_mm[number]
                left -= share
        return np.where(reach_mm > 0.0, speeds, 0.0)

    def _most(self, levers_m: Floats) -> Floats:
        """(...): over distances (..., H), in mm/s; rises with each."""
        reach_mm = self._reach_m(levers_m) * _MM
        worth = reach_mm * self.gain_per_mm  # speed for one mm/s of the limit
        sure = reach_mm @ self.sure_rad_s
        if self.full_mm_s.sum() <= self.limit_mm_s:
            return np.asarray(sure + worth @ self.full_mm_s)
        least = worth @ self.full_mm_s  # a price of 0
        for number in np.flatnonzero(self.full_mm_s):
            price = worth[..., number]
            spare = np.maximum(worth - price[..., None], 0.0) @ self.full_mm_s
            least = np.minimum(least, price * self.limit_mm_s + spare)
        return np.asarray(sure + least)

    def _sloped(self, middle_rad: Floats, half_rad: Floats) -> Floats:
        """(n, E, H): distances in the middle, and what each hinge beyond may add to them."""
        levers = np.linalg.norm(self.part.speeds_m(middle_rad)[0], axis=-1)
        moved = half_rad[:, None, :] * self.part.levers_most_m()[None]
        return np.asarray(levers + moved[..., ::-1].cumsum(axis=-1)[..., ::-1] - moved)

    def _weights(self) -> Floats:
        """(H,) how many hinges up to each give speed: only those before it gain from halving its angle."""
        return np.asarray((self.sure_rad_s + self.gain_per_mm * self.full_mm_s)[:-1] > 0.0, dtype=np.float64).cumsum()


def part_speed(part: Part, speeds: Sequence[JointSpeed], limit_mm_s: float) -> PartSpeed:
    """Args: speeds of all joints of the profile, in its order; limit of rule L6f, inf where the table has none."""
    drives = [None if hinge.index is None else speeds[hinge.index] for hinge in part.hinges]
    drives.append(None if part.jaws is None else speeds[part.jaws[0]])
    return PartSpeed(
        part=part,
        drives=tuple(drives),
        limit_mm_s=limit_mm_s,
        sure_rad_s=np.array([_sure_rad_s(drive) for drive in drives]),
        gain_per_mm=np.array([drive.gain / drive.reach_mm if drive and drive.reach_mm else 0.0 for drive in drives]),
        full_mm_s=np.array([drive.asked_rad_s * drive.reach_mm if drive else 0.0 for drive in drives]),
    )


def _corner_poses(corner: npt.NDArray[np.intp], middle_rad: Floats, half_rad: Floats) -> Floats:
    """(n, H): the pose on the arcs that is nearest to a corner of `most_levers_m`, by its number."""
    pose, hinges = middle_rad.copy(), middle_rad.shape[1]
    for number, place in enumerate(np.unravel_index(corner, (3,) * (hinges - 1)) if hinges > 1 else ()):
        pose[:, number + 1] += np.array([-1.0, 1.0, 0.0])[place] * half_rad[:, number + 1]
    return pose


def _sure_rad_s(drive: JointSpeed | None) -> float:
    if drive is None or drive.asked_rad_s == 0.0:
        return 0.0
    return drive.creep_rad_s if drive.reach_mm else drive.most_rad_s
