"""The arm as a chain of numbers: what the profile says of joints, bodies and loads, as floats in SI and radians.

INV-CHAIN-1: joints stand in the profile's order, from the base to the tool. Each joint has a frame at its pivot, with
x along its link, y to the left, z up (at joint angle 0 in the direction of the frame before). A body's mass lies on x
at its centre; the next pivot lies at (length, 0, rise).
INV-CHAIN-2: a vertical joint turns about z (positive to the left seen from above), a pitch joint about -y (positive
lifts), a roll joint about x (positive: the left side rises). A grip joint turns nothing of the chain: its jaws count as
fixed to what it sits on.
INV-CHAIN-3: the load sits beyond all joints: `centre` along x from the pivot of the last pitch joint (of the first
joint that turns where there is none) and `offset` away from the axis of the roll joint there, or else from the line
through the last joint's pivot. Which way the offset points is not known; `arm` puts it along z at roll angle 0, the
envelopes any way.
INV-CHAIN-4: masses are lumped; a radius of gyration is the same about every axis through its centre.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from mapper.profile.profile import Joint, Load, Profile

GRAVITY_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3; 3rd CGPM, 1901)."""

VERTICAL, PITCH, ROLL, GRIP = "vertical", "pitch", "roll", "grip"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainJoint:
    """One joint with the body that it moves; a joint without a body has zeros."""

    name: str
    axis: str  # vertical, pitch, roll, grip
    lower_rad: float  # hard stops; a continuous joint: -pi to pi
    upper_rad: float
    has_body: bool
    mass_kg: float
    centre_m: float
    gyration_m: float
    length_m: float
    rise_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lump:
    """A mass in the frame of the moving joint that carries it: at (x, 0, z)."""

    mass_kg: float
    x_m: float
    z_m: float
    gyration_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A joint that turns what follows it: its lumps, and the place of the next moving joint's pivot in its frame."""

    index: int  # of the joint in the chain
    axis: str  # vertical, pitch, roll
    lower_rad: float
    upper_rad: float
    lumps: tuple[Lump, ...] = ()
    next_x_m: float = 0.0
    next_z_m: float = 0.0
    line_z_m: float = 0.0  # height of the pivot of the last joint that is fixed to it, its own or of jaws

    def extended(self, joint: ChainJoint) -> Link:
        """With the body of a joint whose pivot is where the link ended until now."""
        lump = Lump(
            mass_kg=joint.mass_kg,
            x_m=self.next_x_m + joint.centre_m,
            z_m=self.next_z_m,
            gyration_m=joint.gyration_m,
        )
        return replace(
            self,
            lumps=(*self.lumps, lump) if joint.mass_kg > 0 else self.lumps,
            next_x_m=self.next_x_m + joint.length_m,
            next_z_m=self.next_z_m + joint.rise_m,
            line_z_m=self.next_z_m,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainLoad:
    name: str
    mass_kg: float
    centre_m: float
    offset_m: float
    gyration_m: float


EMPTY = ChainLoad(name="empty", mass_kg=0.0, centre_m=0.0, offset_m=0.0, gyration_m=0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """Hashable: equal chains carry the same."""

    joints: tuple[ChainJoint, ...]
    loads: tuple[ChainLoad, ...]  # at least one: `EMPTY` where the profile names none
    tilt_rad: float

    def moving(self) -> tuple[Link, ...]:
        """The joints that turn what follows them, with all that is fixed to each: the jaws of grip joints included."""
        links: list[Link] = []
        for index, joint in enumerate(self.joints):
            if joint.axis != GRIP:
                links.append(Link(index=index, axis=joint.axis, lower_rad=joint.lower_rad, upper_rad=joint.upper_rad))
            if links:
                links[-1] = links[-1].extended(joint)
        return tuple(links)

    def load_place_m(self, load: ChainLoad) -> tuple[float, float]:
        """(x, z) in the frame of the last moving joint, in m, of the point that `offset` is counted from."""
        links = self.moving()
        pitches = [number for number, link in enumerate(links) if link.axis == PITCH]
        start = pitches[-1] if pitches else 0
        # A roll joint beyond the last pitch joint has its axis through its own pivot; without one the load sits on the
        # line of whatever holds it, which the rises of the bodies before have carried up.
        rolls = any(link.axis == ROLL for link in links[start + 1 :]) or links[start].axis == ROLL
        along = sum(link.next_x_m for link in links[start:-1])
        return load.centre_m - along, 0.0 if rolls else links[-1].line_z_m

    def carries(self, index: int) -> tuple[ChainJoint, ...]:
        """The joint itself and those that move with it; a grip joint moves only its own jaws."""
        return self.joints[index : index + 1] if self.joints[index].axis == GRIP else self.joints[index:]

    def is_known(self, index: int) -> bool:
        """False where the joint or one that it carries is a pitch joint or a grip without a body."""
        return all(joint.has_body or joint.axis not in (PITCH, GRIP) for joint in self.carries(index))


def chain_of(profile: Profile) -> Chain:
    """The chain of a profile."""
    return Chain(
        joints=tuple(_joint(joint) for joint in profile.joints),
        loads=tuple(_load(load) for load in profile.loads) or (EMPTY,),
        tilt_rad=math.radians(float(profile.tilt_deg)),
    )


def _joint(joint: Joint) -> ChainJoint:
    hard, body = joint.limits.hard_stops_deg, joint.body
    ends = (-180.0, 180.0) if joint.continuous or hard is None else (float(hard.lower), float(hard.upper))
    return ChainJoint(
        name=joint.name,
        axis=joint.axis,
        lower_rad=math.radians(ends[0]),
        upper_rad=math.radians(ends[1]),
        has_body=body is not None,
        mass_kg=0.0 if body is None else float(body.mass_kg),
        centre_m=0.0 if body is None else float(body.centre_m),
        gyration_m=0.0 if body is None else float(body.gyration_m),
        length_m=0.0 if body is None else float(body.length_m),
        rise_m=0.0 if body is None else float(body.rise_m),
    )


def _load(load: Load) -> ChainLoad:
    return ChainLoad(
        name=load.name,
        mass_kg=float(load.mass_kg),
        centre_m=float(load.centre_m),
        offset_m=float(load.offset_m),
        gyration_m=float(load.gyration_m),
    )
