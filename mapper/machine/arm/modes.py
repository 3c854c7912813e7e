"""The whole arm on its oil: the modes in which its joints swing together, and the lowest that each joint takes part in.

At a pose, with the drives holding the load and every valve shut, small swings obey

    M x'' + K x = 0,    K = diag(k + tau lever' / lever) + G

M the arm's mass matrix, k the stiffness of each joint's oil, tau the torque of gravity, G how gravity turns away
(`Arm.gravity_stiffness_n_m_rad`). Natural frequencies are the square roots of the eigenvalues of (K, M). With the other
joints held, joint i alone has sqrt(K_ii / M_ii), and the lowest mode of all is never above any of these (Rayleigh's
quotient of a single joint; any textbook of vibrations).

What swings: the hydraulic joints whose load and hoses are known, each on the softest oil that `oil_spring` gives it at
its own angle. A brake is taken as open, as it is while the joint moves. An electric joint is rigid, and so is one whose
stiffness nobody can work out (`ArmModes.rigid`). Jaws move nothing of the chain and are left out.

Which mode is a joint's: the lowest in which its own oil holds at least `TAKES_PART` of the energy of all oil,
k_i x_i^2 / sum k x^2. Gravity left out, this share is also the weight of the mode in what the joint's own command does
to the joint: the answer to an acceleration a of its command is the sum over the modes of share x (that mode alone,
driven by a), as shares add up to 1 for each joint (derived here by expanding M x'' + K x = K c in the modes). A joint
with less rides along on the others' oil. Where the line lies is this project's choice; no source. It hides nothing of
what the joint's own command does: held still, k x = M_jj a, so the sum of share / w^2 over all modes is that of the
joint alone, and by Jensen's inequality the sum of share / w is no more than that of the joint alone; bounds that fall
with 1 / w or 1 / w^2, as those of the soft stops do, hold with the frequency alone. What the commands of the other
joints do to this one is another matter, and is not judged.

A search, not a bound: a grid of poses, every load, on level ground; then around the worst of each joint with ever
smaller steps, on ground tilted the four ways too. Poses in between may be lower. `natural_frequency` has a bound for
each joint alone.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.arm import LEVEL_GROUND, Arm, down_on_tilt
from mapper.machine.arm.chain import ROLL, VERTICAL, Link, chain_of
from mapper.machine.arm.envelope import Floats
from mapper.machine.model import JointModel, joint_model
from mapper.machine.oil.oil_spring import lever_turn_per_rad, soft_oil_n_m_rad
from mapper.profile.profile import Joint, Profile

Indices = npt.NDArray[np.int64]

TAKES_PART = 1.0 / 3.0
"""Least share of the oil's energy that makes a mode a joint's own. This project's choice, no source."""

_POSES = 2000  # of the grid, all loads together, where the arm has no more joints than that allows
_ROLL_ANGLES = 4
_PITCH_ANGLES_MOST = 13
_BASE_ANGLES = 181
_ROUNDS = 8
_DIAGONAL_STEPS = 16
_SEED = 1
_RANDOM_POSES = 1500  # beside the grid: they find what lies between its angles
_OIL_LEAST_N_M_RAD = 1e-6  # at dead centre, where the oil holds nothing
_NO_INERTIA = 1e-13  # of the largest eigenvalue: rounding of a joint that has nothing to swing


@dataclass(frozen=True, slots=True, kw_only=True)
class Mode:
    """One mode of the arm at one pose. Arrays are over the joints that swing, `names`."""

    hz: float  # 0: the arm topples
    names: tuple[str, ...]
    shares: Floats  # (m,) of the energy of all oil in each joint's own
    oil_n_m_rad: Floats  # (m,)
    stiffness_n_m_rad: Floats  # (m, m) K of the module
    mass_kg_m2: Floats  # (m, m)
    load_name: str
    pose_rad: Floats  # (J,) in the profile's order
    down: Floats  # (3,) unit vector of gravity


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmModes:
    """The lowest mode found for each joint that swings with others; none where fewer than two do."""

    modes: Mapping[str, Mode]
    rigid: tuple[str, ...]  # hydraulic joints without hoses or without a known load, taken as rigid
    poses: int  # solved, over all loads


@dataclass(frozen=True, slots=True, kw_only=True)
class _Cases:
    """n poses with one of the loads each."""

    q_rad: Floats  # (n, J)
    load: Indices  # (n,) of the load
    down: Floats  # (n, 3)

    def of(self, chosen: Indices) -> _Cases:
        return _Cases(q_rad=self.q_rad[chosen], load=self.load[chosen], down=self.down[chosen])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Swinging:
    profile: Profile
    arm: Arm
    links: tuple[Link, ...]  # all that turn, rigid ones too: they set the pose
    joints: tuple[tuple[int, Joint, JointModel], ...]  # that swing, with their place in the profile

    @property
    def columns(self) -> list[int]:
        return [index for index, _, _ in self.joints]

    def matrices(self, cases: _Cases) -> tuple[Floats, Floats, Floats]:
        """Mass (n, m, m), stiffness of the oil (n, m) and of the load (n, m, m)."""
        count, size, columns = len(cases.q_rad), len(self.joints), self.columns
        mass, weight = np.zeros((count, size, size)), np.zeros((count, size, size))
        torque = np.zeros((count, size))
        both = np.ix_(columns, columns)
        for number, load in enumerate(self.arm.chain.loads):
            at = np.flatnonzero(cases.load == number)
            if len(at) > 0:
                q, down = cases.q_rad[at], cases.down[at]
                pose = self.arm.pose(q, load.name)
                mass[at] = self.arm.mass_matrix_kg_m2(pose, load.name)[:, both[0], both[1]]
                weight[at] = self.arm.gravity_stiffness_n_m_rad(pose, load.name, down)[:, both[0], both[1]]
                torque[at] = self.arm.gravity_torque_n_m(pose, load.name, down)[:, columns]
        oil = np.zeros((count, size))
        for place, (index, joint, model) in enumerate(self.joints):
            angle, back = np.unique(cases.q_rad[:, index], return_inverse=True)
            oil[:, place] = soft_oil_n_m_rad(self.profile, joint, model, angle)[back]
            weight[:, place, place] += torque[:, place] * lever_turn_per_rad(model, angle)[back]
        return mass, np.maximum(oil, _OIL_LEAST_N_M_RAD), weight


def natural_modes(mass_kg_m2: Floats, oil_n_m_rad: Floats, load_n_m_rad: Floats) -> tuple[Floats, Floats]:
    """Frequencies (n, m) in Hz, rising, and the share (n, m modes, m joints) of the oil's energy in each joint.

    In the oil's own measure u = sqrt(k) x both matrices become U = R M R and S = 1 + R G R with R = diag(1 / sqrt(k)),
    and the oil's energy |u|^2. With the Cholesky factor S = L L' the eigenvalues of L^-1 U L^-T are 1 / w^2: a joint
    without inertia has 0 there and needs no care. Source: any textbook of numerical linear algebra, the symmetric
    definite problem.

    Args:
        mass_kg_m2: (n, m, m) symmetric, not negative.
        oil_n_m_rad: (n, m), all above 0.
        load_n_m_rad: (n, m, m) symmetric. Where it outweighs the oil in some direction the arm topples: all modes of
            that pose are then 0 Hz, with the shares of the direction that gives way most.
    """
    root = 1.0 / np.sqrt(oil_n_m_rad)
    scale = root[:, :, None] * root[:, None, :]
    size = oil_n_m_rad.shape[1]
    inertia, spring = mass_kg_m2 * scale, np.eye(size) + load_n_m_rad * scale
    try:
        factor, topples, falls = np.linalg.cholesky(spring), np.zeros(len(spring), dtype=bool), None
    except np.linalg.LinAlgError:
        values, falls = np.linalg.eigh(spring)
        topples = values[:, 0] <= _NO_INERTIA
        factor = np.linalg.cholesky(np.where(topples[:, None, None], np.eye(size), spring))
    inverse = np.linalg.inv(factor)
    turned = np.swapaxes(inverse, 1, 2)
    values, vectors = np.linalg.eigh(inverse @ inertia @ turned)
    values, vectors = values[:, ::-1], (turned @ vectors)[:, :, ::-1]
    swings = values > _NO_INERTIA * np.maximum(values[:, :1], 0.0)
    hertz = np.where(swings, 1.0 / (2.0 * math.pi * np.sqrt(np.where(swings, values, 1.0))), np.inf)
    energy = np.swapaxes(vectors, 1, 2) ** 2
    if falls is not None:
        hertz = np.where(topples[:, None], 0.0, hertz)
        energy = np.where(topples[:, None, None], falls[:, None, :, 0] ** 2, energy)
    return hertz, energy / np.sum(energy, axis=2, keepdims=True)


def lowest_taking_part(hertz: Floats, shares: Floats) -> tuple[Floats, Indices]:
    """For each joint (n, m) the lowest frequency of a mode that is its own, and the number of that mode.

    Where no mode has enough of it (more than ten joints), the mode that has most.
    """
    takes = shares >= np.minimum(TAKES_PART, np.max(shares, axis=1, keepdims=True))
    number = np.argmax(takes, axis=1)
    return np.take_along_axis(hertz, number, axis=1), number


def arm_modes(profile: Profile) -> ArmModes:
    """The search of the module. Equal profiles share their result."""
    return _arm_modes(profile)


@lru_cache(maxsize=16)
def _arm_modes(profile: Profile) -> ArmModes:
    swinging, rigid = _swinging(profile)
    if len(swinging.joints) < 2:
        return ArmModes(modes={}, rigid=rigid, poses=0)
    search = _Search(swinging)
    search.look(_grid(swinging))
    search.look(_anywhere(swinging))
    search.refine()
    return ArmModes(modes=search.found(), rigid=rigid, poses=search.poses)


def _swinging(profile: Profile) -> tuple[_Swinging, tuple[str, ...]]:
    chain = chain_of(profile)
    links = chain.moving()
    joints, rigid = [], []
    for index in (link.index for link in links):
        joint = profile.joints[index]
        model = joint_model(profile, joint)
        if model.takes_pump_flow and (joint.hoses is None or not chain.is_known(index)):
            rigid.append(joint.name)
        elif model.takes_pump_flow:
            joints.append((index, joint, model))
    return _Swinging(profile=profile, arm=Arm(chain=chain), links=links, joints=tuple(joints)), tuple(rigid)


def _grid(swinging: _Swinging) -> _Cases:
    """All loads, on level ground. The first joint sets no inertia: upright, only its own oil depends on its angle, and
    one angle is enough, where that is softest.
    """
    chain = swinging.arm.chain
    turns = [_base_angle(swinging)] if swinging.links[0].axis == VERTICAL else []
    links = swinging.links[len(turns) :]
    rolls = _ROLL_ANGLES ** sum(link.axis == ROLL for link in links)
    others = sum(link.axis != ROLL for link in links)
    each = int((_POSES / rolls / len(chain.loads)) ** (1.0 / max(others, 1)) + 1e-9)
    count = min(max(each, 2), _PITCH_ANGLES_MOST)
    turns += [_angles(link, _ROLL_ANGLES if link.axis == ROLL else count) for link in links]
    mesh = np.stack(np.meshgrid(*turns, np.arange(len(chain.loads)), indexing="ij"), axis=-1).reshape(
        -1, len(turns) + 1
    )
    q = np.zeros((len(mesh), len(chain.joints)))
    q[:, [link.index for link in swinging.links]] = mesh[:, :-1]
    return _Cases(q_rad=q, load=mesh[:, -1].astype(np.int64), down=np.tile(np.array(LEVEL_GROUND), (len(mesh), 1)))


def _anywhere(swinging: _Swinging) -> _Cases:
    """Poses drawn evenly from the travel, always the same ones, with any load, on level ground."""
    chain, links = swinging.arm.chain, swinging.links
    rng = np.random.default_rng(_SEED)
    q = np.zeros((_RANDOM_POSES, len(chain.joints)))
    for link in links:
        q[:, link.index] = rng.uniform(link.lower_rad, link.upper_rad, _RANDOM_POSES)
    return _Cases(
        q_rad=q,
        load=rng.integers(0, len(chain.loads), _RANDOM_POSES),
        down=np.tile(np.array(LEVEL_GROUND), (_RANDOM_POSES, 1)),
    )


def _base_angle(swinging: _Swinging) -> Floats:
    link = swinging.links[0]
    for index, joint, model in swinging.joints:
        if index == link.index:
            angles = _angles(link, _BASE_ANGLES)
            return angles[[int(np.argmin(soft_oil_n_m_rad(swinging.profile, joint, model, angles)))]]
    return np.array([min(max(0.0, link.lower_rad), link.upper_rad)])


def _angles(link: Link, count: int) -> Floats:
    """From stop to stop; of a whole turn not both ends."""
    whole = link.upper_rad - link.lower_rad >= 2.0 * math.pi - 1e-9
    return np.linspace(link.lower_rad, link.upper_rad, count, endpoint=not whole)


class _Search:
    """The best case of every joint so far."""

    def __init__(self, swinging: _Swinging) -> None:
        self._swinging = swinging
        self._hz = np.full(len(swinging.joints), np.inf)
        self._best: list[_Cases | None] = [None] * len(swinging.joints)
        self.poses = 0

    def look(self, cases: _Cases) -> None:
        """Keeps what is lower than the best so far."""
        lowest, _ = lowest_taking_part(*natural_modes(*self._swinging.matrices(cases)))
        self.poses += len(lowest)
        for place, at in enumerate(np.argmin(lowest, axis=0)):
            if lowest[at, place] < self._hz[place]:
                self._hz[place] = lowest[at, place]
                self._best[place] = cases.of(np.array([at]))

    def refine(self) -> None:
        """Around the best of each joint: single joints, several at once, and the ground tilted."""
        links, chain = self._swinging.links, self._swinging.arm.chain
        moving = [link.index for link in links]
        lower, upper = (np.array([getattr(link, end) for link in links]) for end in ("lower_rad", "upper_rad"))
        signs = np.random.default_rng(_SEED).integers(-1, 2, (_DIAGONAL_STEPS, len(links)))
        moves = np.concatenate([np.zeros((1, len(links))), np.eye(len(links)), -np.eye(len(links)), signs])
        ways = np.concatenate([[LEVEL_GROUND], down_on_tilt(chain.tilt_rad, np.arange(4) * math.pi / 2.0)])
        step = (upper - lower) / 16.0
        for _ in range(_ROUNDS):
            tried = []
            for best in filter(None, self._best):
                q = np.repeat(best.q_rad, len(moves), axis=0)
                q[:, moving] = np.clip(q[:, moving] + moves * step, lower, upper)
                load, down = np.repeat(best.load, len(q)), np.repeat(best.down, len(q), axis=0)
                tried.append(_Cases(q_rad=q, load=load, down=down))
                if chain.tilt_rad > 0.0:
                    still, load = np.repeat(best.q_rad, len(ways), axis=0), np.repeat(best.load, len(ways))
                    tried.append(_Cases(q_rad=still, load=load, down=ways))
            self.look(
                _Cases(
                    q_rad=np.concatenate([case.q_rad for case in tried]),
                    load=np.concatenate([case.load for case in tried]),
                    down=np.concatenate([case.down for case in tried]),
                )
            )
            step = 0.6 * step

    def found(self) -> dict[str, Mode]:
        """By name; a joint that nothing makes swing (no inertia anywhere) is missing."""
        names = tuple(joint.name for _, joint, _ in self._swinging.joints)
        return {
            name: self._mode(place, names, best)
            for place, (name, best) in enumerate(zip(names, self._best, strict=True))
            if best is not None
        }

    def _mode(self, place: int, names: tuple[str, ...], best: _Cases) -> Mode:
        mass, oil, load = self._swinging.matrices(best)
        hertz, shares = natural_modes(mass, oil, load)
        number = lowest_taking_part(hertz, shares)[1][0, place]
        return Mode(
            hz=float(hertz[0, number]),
            names=names,
            shares=shares[0, number],
            oil_n_m_rad=oil[0],
            stiffness_n_m_rad=np.diag(oil[0]) + load[0],
            mass_kg_m2=mass[0],
            load_name=self._swinging.arm.chain.loads[int(best.load[0])].name,
            pose_rad=best.q_rad[0],
            down=best.down[0],
        )
