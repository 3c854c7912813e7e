"""The outer shape of the arm: steel as capsules, loads and jaws as balls, and where their middles are in a pose.

A capsule is everything within a radius of a straight line; a ball is one whose line is a point. Each hangs on a path of
hinges, base first: a hinge turns what follows about its axis (frames and axes: see `chain`), then its step leads to the
next hinge. Base frame as in `arm`: origin in the pivot of the first joint, x forward, y to the left, z up.

INV-POINTS-1: a load's offset points any way round the roll axis (or the last link's line): the angle is a hinge of its
own with a whole turn, or the last roll joint's where that turns for ever about the same line.
INV-POINTS-2: jaws turn about an axis that the profile does not name: they are a ball about their pivot that holds them
whichever way it lies.
INV-POINTS-3: every coordinate is straight in the sine and cosine of each hinge, so what is convex in a place is most,
over a range of angles, in a corner of any polygon around the arc (`most_levers_m` rests on it).

Source: rotations and the cross product, any textbook of robot mechanics; speeds against MuJoCo in tests/outside.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import EMPTY, GRIP, PITCH, ROLL, VERTICAL, Chain, ChainLoad, Link, chain_of
from mapper.profile.profile import Body, Profile

Floats = npt.NDArray[np.float64]
Vector = tuple[Floats, Floats, Floats]

_TURNED = {VERTICAL: (0, 1), PITCH: (0, 2), ROLL: (1, 2)}
"""The two coordinates that turn, the first towards the second; the axis of a pitch joint is -y."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hinge:
    index: int | None  # of the joint in the profile; None: the way that a load's offset points
    axis: str  # vertical, pitch, roll
    lower_rad: float
    upper_rad: float
    next_x_m: float = 0.0
    next_z_m: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One capsule or ball, and the hinges that move it; angles of a part are arrays (n, H) over them."""

    name: str
    joint_name: str | None  # whose body it is; None: a load
    hinges: tuple[Hinge, ...]
    ends_m: tuple[tuple[float, float], ...]  # one or two places (x, z) in the frame after the last hinge
    radius_m: float
    jaws: tuple[int, float] | None = None  # index of the grip joint, farthest of its points from its pivot in m

    def travel_rad(self) -> tuple[Floats, Floats]:
        """(H,) lower and upper ends: hard stops, a whole turn where there are none."""
        return (
            np.array([hinge.lower_rad for hinge in self.hinges]),
            np.array([hinge.upper_rad for hinge in self.hinges]),
        )

    def places_m(self, q_rad: Floats) -> Floats:
        """(n, E, 3): the ends in the base frame."""
        vector = self._start()
        for number in reversed(range(len(self.hinges))):
            vector = self._inward(number, _angles(q_rad[:, number]), vector)
        return _stacked(vector, len(q_rad), len(self.ends_m))

    def speeds_m(self, q_rad: Floats) -> tuple[Floats, Floats]:
        """(n, E, H, 3): speed of each end in the base frame for 1 rad/s of each hinge, and (n, H, 3): its axis."""
        shape = (len(q_rad), len(self.ends_m))
        vector, levers, axes = self._start(), list[Vector](), list[Vector]()
        for number in reversed(range(len(self.hinges))):
            turn = _angles(q_rad[:, number])
            axis = self.hinges[number].axis
            levers = [_turn(axis, turn, lever) for lever in levers]
            axes = [_turn(axis, turn, one) for one in axes]
            vector = _turn(axis, turn, vector)
            levers.insert(0, _swept(axis, vector))
            axes.insert(0, _axis(axis))
            vector = self._stepped(number, vector)
        return (
            np.stack([_stacked(lever, *shape) for lever in levers], axis=2),
            np.stack([_stacked(one, len(q_rad), 1)[:, 0] for one in axes], axis=1),
        )

    def most_levers_m(self, middle_rad: Floats, half_rad: Floats) -> Floats:
        """(n, E, 3 ... 3, H) m: distance of each end from each hinge's axis, for every corner of a box of angles.

        A corner stands for -half, +half or the place where the tangents at these two meet, of every hinge but the
        first, whose own angle changes no distance. Along the arcs no distance, and nothing that is convex in all of
        them, is more than in some corner (INV-POINTS-3). half_rad: below pi / 2.
        """
        count = len(self.hinges)
        wide = (len(middle_rad), len(self.ends_m)) + (3,) * (count - 1)
        found = np.empty((*wide, count))
        vector = tuple(part.reshape(1, len(self.ends_m), *(1,) * (count - 1)) for part in self._start())
        for number in reversed(range(count)):
            hinge = self.hinges[number]
            found[..., number] = np.sqrt(_square(_swept(hinge.axis, vector)))  # type: ignore[arg-type]
            if number:
                shape = [len(middle_rad), *(1,) * count]
                shape[1 + number] = 3
                turn = tuple(one.reshape(shape) for one in _corners(middle_rad[:, number], half_rad[:, number]))
                vector = self._stepped(number, _turn(hinge.axis, turn, vector))  # type: ignore[arg-type]
        return found

    def levers_most_m(self) -> Floats:
        """(E, H) m: no pose brings the end farther from the hinge's axis than this.

        Roll hinges leave x where it is, so a hinge and the roll hinges that follow are one straight run: so far along x
        and no more than the sum of the steps aside off it. From run to run lengths add up at most.
        """
        return np.array(
            [[self._lever_most_m(end, number) for number in range(len(self.hinges))] for end in self.ends_m]
        )

    def _lever_most_m(self, end: tuple[float, float], first: int) -> float:
        steps = [(hinge.next_x_m, hinge.next_z_m) for hinge in self.hinges[:-1]] + [end]
        total, along, aside, own = 0.0, 0.0, 0.0, self.hinges[first].axis
        for number in range(first, len(self.hinges)):
            if number > first and self.hinges[number].axis != ROLL:
                total += aside if own == ROLL else math.hypot(along, aside)
                along, aside, own = 0.0, 0.0, PITCH
            along += steps[number][0]
            aside += 0.0 if number == first and own == VERTICAL else abs(steps[number][1])
        return total + (aside if own == ROLL else math.hypot(along, aside))

    def _start(self) -> Vector:
        x, z = np.array(self.ends_m, dtype=np.float64).T
        return x[None], np.zeros((1, len(x))), z[None]

    def _inward(self, number: int, turn: tuple[Floats, Floats], vector: Vector) -> Vector:
        return self._stepped(number, _turn(self.hinges[number].axis, turn, vector))

    def _stepped(self, number: int, vector: Vector) -> Vector:
        """From the frame before a hinge to the frame after the hinge before it."""
        if number == 0:
            return vector
        before = self.hinges[number - 1]
        return vector[0] + before.next_x_m, vector[1], vector[2] + before.next_z_m


def _angles(q_rad: Floats) -> tuple[Floats, Floats]:
    return np.cos(q_rad)[:, None], np.sin(q_rad)[:, None]


def _corners(middle_rad: Floats, half_rad: Floats) -> tuple[Floats, Floats]:
    """(n, 3) cosines and sines of the corners of a polygon around an arc: its two ends and where the tangents meet."""
    angle = np.stack([middle_rad - half_rad, middle_rad + half_rad, middle_rad], axis=1)
    size = np.ones_like(angle)
    size[:, 2] = 1.0 / np.cos(half_rad)
    return size * np.cos(angle), size * np.sin(angle)


def _turn(axis: str, turn: tuple[Floats, Floats], vector: Vector) -> Vector:
    first, second = _TURNED[axis]
    cosine, sine = turn
    turned = list(vector)
    turned[first] = cosine * vector[first] - sine * vector[second]
    turned[second] = sine * vector[first] + cosine * vector[second]
    return turned[0], turned[1], turned[2]


def _swept(axis: str, vector: Vector) -> Vector:
    """Axis x vector, which is what 1 rad/s about the axis gives a place."""
    first, second = _TURNED[axis]
    swept = [np.zeros_like(part) for part in vector]
    swept[first], swept[second] = -vector[second], vector[first]
    return swept[0], swept[1], swept[2]


def _axis(axis: str) -> Vector:
    places = {VERTICAL: (0.0, 0.0, 1.0), PITCH: (0.0, -1.0, 0.0), ROLL: (1.0, 0.0, 0.0)}[axis]
    x, y, z = (np.full((1, 1), part) for part in places)
    return x, y, z


def _square(vector: Vector) -> Floats:
    return np.asarray(vector[0] ** 2 + vector[1] ** 2 + vector[2] ** 2)


def _stacked(vector: Vector, count: int, ends: int) -> Floats:
    return np.stack([np.broadcast_to(part, (count, ends)) for part in vector], axis=-1)


# -- from the profile -----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmShape:
    parts: tuple[Part, ...]  # bodies from the base to the tool, then the loads
    missing: tuple[str, ...]  # keys of the profile without which the shape is not known


def arm_shape(profile: Profile) -> ArmShape:
    """All that moves. A vertical or roll joint without a body is a bearing without steel of its own; a pitch or grip
    joint without one, a body or load without a radius, and a profile without loads are `missing`. Where only a radius
    is missing, the part counts with radius 0.
    """
    chain = chain_of(profile)
    missing = [
        f"joints.{joint.name}.body" + (".radius" if joint.body is not None else "")
        for joint in profile.joints
        if (joint.body is None and joint.axis in (PITCH, GRIP))
        or (joint.body is not None and joint.body.radius_m is None)
    ]
    missing += [f"loads.{load.name}.radius" for load in profile.loads if load.radius_m is None]
    missing += [] if profile.loads else ["loads"]
    radii = {load.name: float(load.radius_m or 0) for load in profile.loads}
    parts = _bodies(profile, chain)
    if chain.moving():
        parts += [_load(chain, load, radii[load.name]) for load in chain.loads if load is not EMPTY]
    return ArmShape(parts=tuple(parts), missing=tuple(missing))


def _bodies(profile: Profile, chain: Chain) -> list[Part]:
    parts: list[Part] = []
    hinges: list[Hinge] = []
    x, z = 0.0, 0.0  # of the next pivot in the frame after the last hinge
    for index, (joint, item) in enumerate(zip(profile.joints, chain.joints, strict=True)):
        if item.axis != GRIP:
            if hinges:
                hinges[-1] = replace(hinges[-1], next_x_m=x, next_z_m=z)
            hinges.append(Hinge(index=index, axis=item.axis, lower_rad=item.lower_rad, upper_rad=item.upper_rad))
            x, z = 0.0, 0.0
        if joint.body is not None:
            if item.axis == GRIP:
                parts.append(_jaws(index, joint.name, joint.body, hinges, (x, z)))
            else:
                ends = ((x, z), (x + item.length_m, z + item.rise_m))
                parts.append(_body(joint.name, joint.body, hinges, ends))
        x, z = x + item.length_m, z + item.rise_m
    return parts


def _body(
    name: str, body: Body, hinges: Sequence[Hinge], ends: tuple[tuple[float, float], tuple[float, float]]
) -> Part:
    return Part(
        name=f"the body of {name}",
        joint_name=name,
        hinges=tuple(hinges),
        ends_m=ends if ends[0] != ends[1] else ends[:1],
        radius_m=float(body.radius_m or 0),
    )


def _jaws(index: int, name: str, body: Body, hinges: Sequence[Hinge], pivot: tuple[float, float]) -> Part:
    reach = math.hypot(float(body.length_m), float(body.rise_m)) + float(body.radius_m or 0)
    return Part(
        name=f"the jaws of {name}",
        joint_name=name,
        hinges=tuple(hinges),
        ends_m=(pivot,),
        radius_m=reach,
        jaws=(index, reach),
    )


def _load(chain: Chain, load: ChainLoad, radius_m: float) -> Part:
    links = chain.moving()
    x, z = chain.load_place_m(load)
    hinges = [_hinge(link) for link in links]
    end = (x, z)
    if load.offset_m > 0.0:
        whole_turn = links[-1].upper_rad - links[-1].lower_rad >= 2.0 * math.pi
        if not (links[-1].axis == ROLL and z == 0.0 and whole_turn):
            hinges[-1] = replace(hinges[-1], next_x_m=x, next_z_m=z)
            hinges.append(Hinge(index=None, axis=ROLL, lower_rad=-math.pi, upper_rad=math.pi))
            x, z = 0.0, 0.0
        end = (x, z + load.offset_m)
    return Part(name=f"load {load.name}", joint_name=None, hinges=tuple(hinges), ends_m=(end,), radius_m=radius_m)


def _hinge(link: Link) -> Hinge:
    return Hinge(
        index=link.index,
        axis=link.axis,
        lower_rad=link.lower_rad,
        upper_rad=link.upper_rad,
        next_x_m=link.next_x_m,
        next_z_m=link.next_z_m,
    )
