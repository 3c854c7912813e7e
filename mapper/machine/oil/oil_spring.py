"""The trapped oil as a spring: stiffness of a joint on its two oil columns, and its natural frequency with the load.

A column of volume V behind an area A gives way by its bulk modulus: k = beta A^2 / V (N/m of the rod). At the joint
the area becomes a displacement D = A * lever (m3 for a radian; a motor: volume a turn * gear / 2 pi, the same on both
sides) and

    k = beta D^2 / V (N m/rad),   both sides act in parallel,   f = sqrt(K / I) / (2 pi)

Source: Merritt, Hydraulic Control Systems, the hydraulic natural frequency of a valve-controlled cylinder (from
memory); a published worked example is in tests/outside. The steel is taken as rigid.

Which sides spring, by what holds the joint:
- none, port_relief, pilot_check (lifted wide off its seat while it moves): both ports end at the spool's edges. Both
  sides count, the textbook's case. With much oil flowing the outlet side relaxes through its edge and damps rather than
  springs; `alone` tells how low that can go.
- counterbalance, double_counterbalance: the side that the valve is opened on lets oil pass at a nearly constant
  pressure and does not spring. What is left is the inlet side; which one that is depends on the way the joint goes,
  so the softer of the two alone counts, in every pose. (The pilot makes that side stiffer than alone; it also answers
  late, which is why such joints chatter. Neither is credited.)
- brake: stiff while shut, and open whenever the joint moves; then both sides count as for none.

Two more terms of the joint's stiffness, both taken the soft way. The force that holds the load turns with the lever
arm: tau lever' / lever, for a torque tau of gravity at that pose. And gravity turns away with the joint: its torque
and the torque's slope are the two components of one vector that is at most G = g sqrt(M I) long for a mass M of
inertia I (Cauchy and Schwarz; times sin(tilt) about a vertical axis), so the slope is at most sqrt(G^2 - tau^2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.machine.actuator.cylinder import Cylinder
from mapper.machine.actuator.motor import Motor
from mapper.machine.arm.chain import GRAVITY_M_S2, GRIP, VERTICAL, chain_of
from mapper.machine.arm.envelope import Floats
from mapper.machine.model import POSITIVE, JointModel
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import Hoses, Joint, Profile

CAP, ROD = 0, 1
"""Index of the sides. A motor's "cap" side is the port that oil enters by in the positive direction."""

DEAD_SHARE_LEAST, DEAD_SHARE_MOST = 0.01, 0.02
"""Oil in ports and end clearances over the swept volume of the actuator. Common practice, no source."""

BULK_MODULUS_MOST_PA = 1.6e9
"""Mineral oil without air, some 1.4 to 1.8 GPa (from memory): the stiff corner, where stiffer is worse."""

_ONE_SIDED = ("counterbalance", "double_counterbalance")
_AT_THE_ACTUATOR = (*_ONE_SIDED, "pilot_check")


@dataclass(frozen=True, slots=True, kw_only=True)
class OilColumns:
    """Both sides over the joint's angles: shape (2, n), first the cap side."""

    displacement_m3_rad: Floats
    volume_m3: Floats

    def stiffness_n_m_rad(self, bulk_modulus_pa: float) -> Floats:
        """Of each side, (2, n)."""
        return np.asarray(bulk_modulus_pa * self.displacement_m3_rad**2 / self.volume_m3)


def has_oil(physics: JointPhysics) -> bool:
    """False for an electric joint."""
    return isinstance(physics.model.drive, Cylinder | Motor)


def line_volume_m3(hoses: Hoses) -> float:
    """Oil in the line of one port."""
    return math.pi / 4.0 * float(hoses.bore_m) ** 2 * float(hoses.length_m)


def oil_columns(model: JointModel, q_rad: Floats, line_m3: float, dead_share: float) -> OilColumns:
    """The columns of a hydraulic joint, `line_m3` of oil in the line of each port.

    Raises:
        ValueError: the joint has no oil.
    """
    drive = model.drive
    inlet, outlet = model.displacement_m3_rad(q_rad, POSITIVE)
    displacement = np.stack([inlet, outlet] if outlet_side(model, POSITIVE) == ROD else [outlet, inlet])
    if isinstance(drive, Cylinder):
        areas = np.array([drive.cap_area_m2, drive.rod_area_m2])[:, None]
        out = np.clip(model.length_m(q_rad) - drive.closed_length_m, 0.0, drive.stroke_m)
        oil = areas * (np.stack([out, drive.stroke_m - out]) + dead_share * drive.stroke_m)
    else:
        assert isinstance(drive, Motor)  # half of its chambers are on either side
        oil = np.full_like(displacement, drive.displacement_m3_rev * (0.5 + dead_share))
    return OilColumns(displacement_m3_rad=displacement, volume_m3=np.asarray(oil + line_m3))


def outlet_side(model: JointModel, direction: int) -> int:
    """The side that oil leaves by, and that is compressed when a motion in the direction is stopped."""
    if isinstance(model.drive, Cylinder):
        return ROD if model.extending(direction) else CAP
    return ROD if direction == POSITIVE else CAP


def soft_columns(physics: JointPhysics) -> OilColumns:
    """All the oil there is: where softer is worse.

    Raises:
        ValueError: no oil, or the profile names no hoses.
    """
    return oil_columns(physics.model, physics.envelope.q_rad, line_volume_m3(_hoses(physics.joint)), DEAD_SHARE_MOST)


def soft_oil_n_m_rad(profile: Profile, joint: Joint, model: JointModel, q_rad: Floats) -> Floats:
    """Least stiffness (n,) of the oil alone at each of the joint's own angles, nothing of the load.

    Raises:
        ValueError: no oil, or the profile names no hoses.
    """
    line_m3 = line_volume_m3(_hoses(joint))
    columns = oil_columns(model, np.asarray(q_rad, dtype=np.float64), line_m3, DEAD_SHARE_MOST)
    sides = columns.stiffness_n_m_rad(float(profile.supply.bulk_modulus_pa))
    return np.asarray(np.min(sides, axis=0) if joint.holding.kind in _ONE_SIDED else np.sum(sides, axis=0))


def lever_turn_per_rad(model: JointModel, q_rad: Floats) -> Floats:
    """lever' / lever (n,): how fast the lever arm changes with the angle; 0 for a motor."""
    if model.linkage is None:
        return np.zeros_like(q_rad)
    return np.asarray(model.linkage.lever_slope_m_rad(q_rad) / model.linkage.lever_m(q_rad))


def stiff_columns(physics: JointPhysics) -> OilColumns:
    """As little oil as there may be, where stiffer is worse: a valve that sits at the actuator shuts the line off.

    Raises:
        ValueError: no oil, or the profile names no hoses.
    """
    line_m3 = 0.0 if physics.joint.holding.kind in _AT_THE_ACTUATOR else line_volume_m3(_hoses(physics.joint))
    return oil_columns(physics.model, physics.envelope.q_rad, line_m3, DEAD_SHARE_LEAST)


def bulk_modulus_pa(physics: JointPhysics) -> float:
    """As the profile has it, air and hoses included."""
    return float(physics.profile.supply.bulk_modulus_pa)


def stiffest_modulus_pa(physics: JointPhysics) -> float:
    """Where stiffer is worse."""
    return max(bulk_modulus_pa(physics), BULK_MODULUS_MOST_PA)


def one_sided(physics: JointPhysics) -> bool:
    """Only one of the columns counts as a spring, see the module."""
    return physics.joint.holding.kind in _ONE_SIDED


def softest_n_m_rad(physics: JointPhysics, *, alone: bool | None = None) -> Floats:
    """Least stiffness (k, n) of the joint at each load and angle; `alone` overrides which sides count. At least 0.

    Raises:
        ValueError: no oil, or the profile names no hoses.
    """
    sides = soft_columns(physics).stiffness_n_m_rad(bulk_modulus_pa(physics))
    single = one_sided(physics) if alone is None else alone
    oil = np.min(sides, axis=0) if single else np.sum(sides, axis=0)
    envelope = physics.envelope
    turn = lever_turn_per_rad(physics.model, envelope.q_rad)
    return np.asarray(np.maximum(oil + load_stiffness_n_m_rad(physics, turn), 0.0))


def load_stiffness_n_m_rad(physics: JointPhysics, turn_per_rad: Floats) -> Floats:
    """Least of tau * turn - sqrt(G^2 - tau^2) over the torques there are at each load and angle, (k, n): at most 0
    where tau may be 0. It is convex in tau, so its lowest point or the nearest torque to it decides.

    Args:
        turn_per_rad: lever' / lever at each angle.
    """
    envelope = physics.envelope
    most = _gravity_vector_n_m(physics)
    lowest = -most * turn_per_rad / np.sqrt(1.0 + turn_per_rad**2)
    torque = np.clip(lowest, envelope.torque_least_n_m, envelope.torque_most_n_m)
    return np.asarray(torque * turn_per_rad - np.sqrt(np.maximum(most**2 - torque**2, 0.0)))


def lowest_hz(physics: JointPhysics, *, alone: bool | None = None) -> Floats:
    """Lowest natural frequency (k, n) in Hz; arguments and errors of `softest_n_m_rad`."""
    return _hertz(softest_n_m_rad(physics, alone=alone), physics.envelope.inertia_most_kg_m2)


def highest_hz(physics: JointPhysics) -> Floats:
    """Highest natural frequency (k, n) in Hz: both sides, stiffest oil, no line behind a valve at the actuator, least
    inertia.
    """
    oil = np.sum(stiff_columns(physics).stiffness_n_m_rad(stiffest_modulus_pa(physics)), axis=0)
    return _hertz(oil + np.zeros_like(physics.envelope.inertia_least_kg_m2), physics.envelope.inertia_least_kg_m2)


def _hertz(stiffness: Floats, inertia: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(np.sqrt(stiffness / inertia) / (2.0 * math.pi))


def _gravity_vector_n_m(physics: JointPhysics) -> Floats:
    """G of the module, (k, n)."""
    chain = chain_of(physics.profile)
    index = next(number for number, joint in enumerate(chain.joints) if joint.name == physics.joint.name)
    steel = sum(joint.mass_kg for joint in chain.carries(index))
    grip = physics.joint.axis == GRIP
    mass = np.array([steel + (0.0 if grip else load.mass_kg) for load in chain.loads])[:, None]
    gravity = GRAVITY_M_S2 * (math.sin(chain.tilt_rad) if physics.joint.axis == VERTICAL else 1.0)
    return np.asarray(gravity * np.sqrt(mass * physics.envelope.inertia_most_kg_m2))


def _hoses(joint: Joint) -> Hoses:
    if joint.hoses is None:
        raise ValueError(f"{joint.name}: the profile names no hoses")
    return joint.hoses
