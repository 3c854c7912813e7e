"""The arm in space: where it is in a pose, what gravity does to each joint, how heavy it is to turn.

Floats, SI, radians. Frames, axes and bodies: see `chain`. The base frame has its origin in the pivot of the first joint
that turns, x forward, y to the left, z up on level ground. Poses are arrays (n, J) over the joints of the profile, base
first.

Source: the torque that gravity exerts about an axis is axis . (sum of (place - pivot) x weight); the mass matrix is the
sum over the bodies of m Jv' Jv + m k^2 Jw' Jw, with Jv = axis x (place - pivot) and Jw = axis (any textbook of robot
mechanics; checked against MuJoCo in tests/outside).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import GRAVITY_M_S2, GRIP, PITCH, ROLL, VERTICAL, Chain, ChainLoad, Link, chain_of
from mapper.profile.profile import Profile

Floats = npt.NDArray[np.float64]

LEVEL_GROUND = (0.0, 0.0, -1.0)
"""Direction of gravity in the base frame of a machine that stands level."""

_AXES = {VERTICAL: (0.0, 0.0, 1.0), PITCH: (0.0, -1.0, 0.0), ROLL: (1.0, 0.0, 0.0)}


def down_on_tilt(tilt_rad: npt.ArrayLike, azimuth_rad: npt.ArrayLike) -> Floats:
    """Unit vector (..., 3) of gravity in the base frame on ground that is tilted by `tilt_rad` (0 to pi/2).

    Downhill lies at `azimuth_rad` from forward, positive to the left. Both broadcast.
    """
    tilt, azimuth = np.broadcast_arrays(np.asarray(tilt_rad, np.float64), np.asarray(azimuth_rad, np.float64))
    return np.stack([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), -np.cos(tilt)], axis=-1)


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmPose:
    """Everything in the base frame for n poses."""

    turns: Floats  # (n, J, 3, 3) from the frame before each joint to the base frame; unit matrix for a grip joint
    pivots_m: Floats  # (n, J, 3)
    axes: Floats  # (n, J, 3); zeros for a grip joint
    places_m: Floats  # (n, bodies, 3), the load last
    tip_m: Floats  # (n, 3)
    end_turns: Floats  # (n, 3, 3) from the last moving joint's frame to the base frame


Poses = npt.ArrayLike | ArmPose
"""Joint angles, or where everything is at them, worked out before."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arm:
    """All methods are vectorised over poses; `load` is the name of a load of the profile, None: no load.

    A load that is not in the profile raises ValueError. Joint angles are not limited to the travel.
    """

    chain: Chain

    @property
    def joint_names(self) -> tuple[str, ...]:
        return tuple(joint.name for joint in self.chain.joints)

    def gravity_torque_n_m(self, q_rad: Poses, load: str | None, down: npt.ArrayLike = LEVEL_GROUND) -> Floats:
        """(n, J) N m: the torque that gravity exerts about each joint, in the joint's positive direction.

        Args: q (n, J) or (J,), or the `pose` of it with that load; down (3,) or (n, 3), unit vector of gravity in the
        base frame, see `down_on_tilt`. A grip joint has 0: its jaws open to either side.
        """
        pose = self._posed(q_rad, load)
        return np.asarray(np.einsum("njk,njk->nj", pose.axes, np.cross(self._moments(pose, load), _weight(pose, down))))

    def gravity_stiffness_n_m_rad(self, q_rad: Poses, load: str | None, down: npt.ArrayLike = LEVEL_GROUND) -> Floats:
        """(n, J, J) N m/rad, symmetric: how fast gravity's torque about a joint falls as a joint turns.

        Arguments as for `gravity_torque_n_m`; where it is negative, gravity helps the arm to turn on. Source: second
        derivatives of the height, -weight . (axis i x (axis j x (sum of mass (place - pivot j)))), joint i the nearer
        to the base (derived here). A grip joint has 0.
        """
        pose = self._posed(q_rad, load)
        swept = np.cross(pose.axes, self._moments(pose, load))
        inner = np.cross(pose.axes, _weight(pose, down)) @ np.swapaxes(swept, 1, 2)
        return np.asarray(np.triu(inner) + np.swapaxes(np.triu(inner, 1), 1, 2))

    def mass_matrix_kg_m2(self, q_rad: Poses, load: str | None) -> Floats:
        """(n, J, J) kg m2, symmetric. A grip joint stands alone: its jaws' own inertia and no coupling."""
        pose, (mass, gyration, carried) = self._posed(q_rad, load), self.bodies(load)
        lever = pose.places_m[:, None, :, :] - pose.pivots_m[:, :, None, :]
        speed = np.cross(pose.axes[:, :, None, :], lever) * (carried * np.sqrt(mass))[None, :, :, None]
        rows = speed.reshape(len(speed), len(carried), -1)
        matrix = rows @ np.swapaxes(rows, 1, 2)
        turning = np.einsum("ib,jb,b->ij", carried, carried, mass * gyration**2)
        matrix += turning * (pose.axes @ np.swapaxes(pose.axes, 1, 2))
        for index, joint in enumerate(self.chain.joints):
            if joint.axis == GRIP:
                matrix[:, index, index] = joint.mass_kg * (joint.centre_m**2 + joint.gyration_m**2)
        return np.asarray(matrix)

    def inertia_kg_m2(self, q_rad: npt.ArrayLike, load: str | None) -> Floats:
        """(n, J) kg m2: what each joint alone has to turn, the others held: the mass matrix's diagonal."""
        return np.asarray(np.einsum("njj->nj", self.mass_matrix_kg_m2(q_rad, load)))

    def tip_m(self, q_rad: npt.ArrayLike, load: str | None) -> Floats:
        """(n, 3) m: the load's centre in the base frame; without a load the end of the last body."""
        return self.pose(q_rad, load).tip_m

    def tip_jacobian_m(self, q_rad: npt.ArrayLike, load: str | None) -> Floats:
        """(n, 3, J) m: speed of the load's centre in the base frame for 1 rad/s of each joint. A grip joint has 0."""
        pose = self.pose(q_rad, load)
        lever = pose.tip_m[:, None, :] - pose.pivots_m
        return np.asarray(np.moveaxis(np.cross(pose.axes, lever), 1, 2))

    def tip_radius_m(self, q_rad: npt.ArrayLike, load: str | None) -> Floats:
        """(n, J) m: distance of the load's centre from each joint's axis. A grip joint has 0."""
        return np.asarray(np.linalg.norm(self.tip_jacobian_m(q_rad, load), axis=1))

    def _posed(self, q_rad: Poses, load: str | None) -> ArmPose:
        return q_rad if isinstance(q_rad, ArmPose) else self.pose(q_rad, load)

    def _moments(self, pose: ArmPose, load: str | None) -> Floats:
        """(n, J, 3) kg m: of what each joint carries, from its pivot."""
        mass, _, carried = self.bodies(load)
        each = carried * mass
        return np.asarray(each @ pose.places_m - np.sum(each, axis=1)[:, None] * pose.pivots_m)

    # -- the chain in numbers ---------------------------------------------------------------------------------------

    def _poses(self, q_rad: npt.ArrayLike) -> Floats:
        q = np.atleast_2d(np.asarray(q_rad, dtype=np.float64))
        if q.ndim != 2 or q.shape[1] != len(self.chain.joints):
            raise ValueError(f"poses are (n, {len(self.chain.joints)}), not {np.shape(q_rad)}")
        return q

    def _load(self, name: str | None) -> ChainLoad | None:
        if name is None:
            return None
        for load in self.chain.loads:
            if load.name == name:
                return load
        raise ValueError(f"no load {name!r}; there are {', '.join(load.name for load in self.chain.loads)}")

    def bodies(self, load_name: str | None) -> tuple[Floats, Floats, Floats]:
        """Mass (bodies,), radius of gyration (bodies,) and 1 where joint j moves body b (J, bodies); the load last."""
        links, load = self.chain.moving(), self._load(load_name)
        rows = [(lump.mass_kg, lump.gyration_m, link.index) for link in links for lump in link.lumps]
        if links and load is not None:
            rows.append((load.mass_kg, load.gyration_m, links[-1].index))
        mass, gyration, holder = np.array(rows, dtype=np.float64).reshape(-1, 3).T
        moving = [link.index for link in links]
        carried = np.zeros((len(self.chain.joints), len(rows)))
        for index in moving:
            carried[index] = holder >= index
        return mass, gyration, carried

    def pose(self, q_rad: npt.ArrayLike, load_name: str | None) -> ArmPose:
        """Where everything is in the base frame."""
        q, load = self._poses(q_rad), self._load(load_name)
        shape = (len(q), len(self.chain.joints))
        turn, pivot = np.broadcast_to(np.eye(3), (len(q), 3, 3)), np.zeros((len(q), 3))
        turns, pivots, axes = np.tile(np.eye(3), (*shape, 1, 1)), np.zeros((*shape, 3)), np.zeros((*shape, 3))
        places = []
        links = self.chain.moving()
        tip = pivot
        for link in links:
            turns[:, link.index], pivots[:, link.index] = turn, pivot
            axes[:, link.index] = turn @ np.array(_AXES[link.axis])
            turn = turn @ _turned(link, q[:, link.index])
            places += [pivot + turn @ np.array([lump.x_m, 0.0, lump.z_m]) for lump in link.lumps]
            if link is links[-1]:
                tip = pivot + turn @ self._tip_place(link, load)
                places += [tip] if load is not None else []
            pivot = pivot + turn @ np.array([link.next_x_m, 0.0, link.next_z_m])
        stacked = np.stack(places, axis=1) if places else np.zeros((len(q), 0, 3))
        return ArmPose(turns=turns, pivots_m=pivots, axes=axes, places_m=stacked, tip_m=tip, end_turns=turn)

    def _tip_place(self, link: Link, load: ChainLoad | None) -> Floats:
        """In the frame of the link that holds it, in m."""
        if load is None:
            return np.array([link.next_x_m, 0.0, link.next_z_m])
        x, z = self.chain.load_place_m(load)
        return np.array([x, 0.0, z + load.offset_m])


def _weight(pose: ArmPose, down: npt.ArrayLike) -> Floats:
    """(n, 1, 3) N/kg."""
    shape = (len(pose.axes), 3)
    return GRAVITY_M_S2 * np.broadcast_to(np.asarray(down, dtype=np.float64), shape)[:, None, :]


def _turned(link: Link, angle_rad: Floats) -> Floats:
    """(n, 3, 3): from the frame after the joint to the frame before it."""
    c, s, zero, one = np.cos(angle_rad), np.sin(angle_rad), np.zeros_like(angle_rad), np.ones_like(angle_rad)
    rows = {
        VERTICAL: (c, -s, zero, s, c, zero, zero, zero, one),
        PITCH: (c, zero, -s, zero, one, zero, s, zero, c),
        ROLL: (one, zero, zero, zero, c, -s, zero, s, c),
    }[link.axis]
    return np.stack(rows, axis=-1).reshape(len(c), 3, 3)


def arm_model(profile: Profile) -> Arm:
    """The arm of a profile. A joint without a body is a pivot without mass or length."""
    return Arm(chain=chain_of(profile))
