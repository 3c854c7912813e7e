"""What the rest of the arm may do to a joint at each of its own angles: torque of gravity, inertia, radius of the tip.

The joint's own angle runs over its travel; the others are anywhere in theirs, on ground that is tilted any way by up to
the profile's tilt, with every load; the last roll joint is at any angle, for nobody knows which way a load's offset
points.

All values are outward: no pose lies beyond them, also not between the nodes of the own angle when they are joined by
straight lines. `planar` (one upright plane: closed forms and running maxima) and `spatial` (any other order of
joints: a grid) say how the margin is derived. On the worked kerb arm it is below 0.1 % of the largest
torque and below 0.4 % of the largest inertia.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import GRAVITY_M_S2, GRIP, Chain, chain_of
from mapper.machine.arm.moments import Extremes
from mapper.machine.arm.planar import PlanarArm, is_planar
from mapper.machine.arm.spatial import SpatialArm
from mapper.profile.profile import Profile

Floats = npt.NDArray[np.float64]

ROUNDING = 1e-12
"""Of the largest value with each load, added outward: far more than the rounding of floats, here and in the reader."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JointEnvelope:
    """Arrays over the loads (k) and the joint's own angles (n); J joints in the profile's order.

    Torques are those that gravity exerts about the joint's axis, counted in the joint's positive direction: to move the
    positive way the drive must give at least -torque_least.
    """

    joint_name: str
    q_rad: Floats  # (n,), rising, from hard stop to hard stop; a continuous joint: -pi to pi
    load_names: tuple[str, ...]  # k; at least one ("empty" where the profile names none)
    torque_least_n_m: Floats  # (k, n) least over the poses of the other joints and the tilt, rounded outward
    torque_most_n_m: Floats  # (k, n)
    inertia_least_kg_m2: Floats  # (k, n) about the joint's axis, the other joints held
    inertia_most_kg_m2: Floats  # (k, n)
    tip_radius_most_m: Floats  # (k, n) of the load's centre from the joint's axis
    pose_of_least_rad: Floats  # (k, n, J) a pose with torque_least
    pose_of_most_rad: Floats  # (k, n, J)


def joint_envelopes(profile: Profile) -> dict[str, JointEnvelope]:
    """By joint name. A joint is missing where it or a joint that it carries is a pitch joint or a grip without a body:
    nobody knows then what it lifts.
    """
    return chain_envelopes(chain_of(profile))


def chain_envelopes(chain: Chain) -> dict[str, JointEnvelope]:
    """The same for a chain. Equal chains share their envelopes, so the arrays cannot be written to."""
    return dict(_envelopes(chain))


@lru_cache(maxsize=64)
def _envelopes(chain: Chain) -> tuple[tuple[str, JointEnvelope], ...]:
    known = [index for index in range(len(chain.joints)) if chain.is_known(index)]
    moving = [index for index in known if chain.joints[index].axis != GRIP]
    arm: PlanarArm | SpatialArm | None = None
    if moving:
        arm = PlanarArm(chain) if is_planar(chain.moving()) else SpatialArm(chain)
    found = []
    for index in known:
        q_rad = _own_angles(chain, index)
        if chain.joints[index].axis == GRIP:
            extremes = _of_jaws(chain, index, q_rad)
        else:
            assert arm is not None
            extremes = arm.extremes(index, q_rad)
        found.append((chain.joints[index].name, _envelope(chain, index, q_rad, extremes)))
    return tuple(found)


def _own_angles(chain: Chain, index: int) -> Floats:
    joint = chain.joints[index]
    count = min(121, max(61, math.ceil((joint.upper_rad - joint.lower_rad) / math.radians(1.0)) + 1))
    return np.linspace(joint.lower_rad, joint.upper_rad, count)


def _of_jaws(chain: Chain, index: int, q_rad: Floats) -> Extremes:
    """A grip joint moves its own jaws and nothing else: gravity pulls on them either way, the load stays."""
    joint, count = chain.joints[index], len(chain.loads)
    torque = np.full((count, len(q_rad)), joint.mass_kg * GRAVITY_M_S2 * abs(joint.centre_m))
    inertia = np.full(count, joint.mass_kg * (joint.centre_m**2 + joint.gyration_m**2))
    home = [min(max(0.0, other.lower_rad), other.upper_rad) for other in chain.joints]
    pose = np.tile(home, (count, len(q_rad), 1))
    pose[..., index] = q_rad
    return Extremes(
        torque_least_n_m=0.0 - torque,
        torque_most_n_m=torque,
        inertia_least_kg_m2=inertia,
        inertia_most_kg_m2=inertia,
        tip_radius_most_m=np.zeros(count),
        pose_of_least_rad=pose,
        pose_of_most_rad=pose.copy(),
    )


def _envelope(chain: Chain, index: int, q_rad: Floats, extremes: Extremes) -> JointEnvelope:
    def over_angles(each_load: Floats) -> Floats:
        return np.repeat(each_load[:, None], len(q_rad), axis=1)

    def outward(values: Floats, sign: float) -> Floats:
        return np.asarray(values + sign * ROUNDING * np.abs(values).max(axis=-1, keepdims=True))

    envelope = JointEnvelope(
        joint_name=chain.joints[index].name,
        q_rad=q_rad,
        load_names=tuple(load.name for load in chain.loads),
        torque_least_n_m=outward(extremes.torque_least_n_m, -1.0),
        torque_most_n_m=outward(extremes.torque_most_n_m, 1.0),
        inertia_least_kg_m2=np.maximum(outward(over_angles(extremes.inertia_least_kg_m2), -1.0), 0.0),
        inertia_most_kg_m2=outward(over_angles(extremes.inertia_most_kg_m2), 1.0),
        tip_radius_most_m=outward(over_angles(extremes.tip_radius_most_m), 1.0),
        pose_of_least_rad=extremes.pose_of_least_rad,
        pose_of_most_rad=extremes.pose_of_most_rad,
    )
    for field in fields(envelope):
        value = getattr(envelope, field.name)
        if isinstance(value, np.ndarray):
            value.setflags(write=False)  # shared by everybody who asks for an equal chain
    return envelope
