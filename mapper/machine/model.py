"""One joint as a machine: from flow to motion, whatever drives it. Floats, SI, radians; the compiler's exact numbers
apart.

Directions are 0 (positive, the joint angle grows) and 1 (negative), as in the table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from mapper.machine.actuator.cylinder import Cylinder
from mapper.machine.actuator.electric import GAIN_HIGHEST, GAIN_LOWEST, STAND_IN_FLOW_M3_S, Electric
from mapper.machine.actuator.linkage import Floats, Linkage
from mapper.machine.actuator.motor import Motor
from mapper.machine.oil.valve import Pressures, gain_spread
from mapper.profile.profile import CylinderDrive, ElectricDrive, Joint, MotorDrive, Profile

POSITIVE, NEGATIVE = 0, 1


@dataclass(frozen=True, slots=True, kw_only=True)
class JointModel:
    """A joint's drive and valve. `linkage` and `cylinder` are None where a motor or an electric actuator drives it."""

    name: str
    drive: Cylinder | Motor | Electric
    linkage: Linkage | None
    extends_positive: bool
    full_flow_m3_s: float  # at full opening and rated drop, into the inlet side
    hard_stops_rad: tuple[float, float] | None  # lower, upper; None: continuous
    spread: tuple[tuple[Fraction, Fraction], tuple[Fraction, Fraction]]

    @property
    def takes_pump_flow(self) -> bool:
        """False for an electric joint."""
        return not isinstance(self.drive, Electric)

    def extending(self, direction: int) -> bool:
        """True when the cylinder gets longer in that direction (always False without a cylinder)."""
        return isinstance(self.drive, Cylinder) and self.extends_positive == (direction == POSITIVE)

    def lever_m(self, q_rad: npt.ArrayLike) -> Floats:
        """Lever arm of the cylinder in m at joint angles in rad; 1.0 for a rotary drive, whose force is a torque."""
        if self.linkage is None:
            return np.ones_like(np.asarray(q_rad, dtype=np.float64))
        return self.linkage.lever_m(q_rad)

    def length_m(self, q_rad: npt.ArrayLike) -> Floats:
        """Cylinder length pin to pin in m.

        Raises:
            ValueError: the joint has no cylinder.
        """
        if self.linkage is None:
            raise ValueError(f"{self.name} has no cylinder")
        return self.linkage.length_m(q_rad)

    def speed_per_flow_rad_m3(self, q_rad: npt.ArrayLike, direction: int) -> Floats:
        """Joint speed in rad/s for 1 m3/s into the inlet side, at joint angles in rad; infinite at dead centre.

        Cylinder: 1 / (inlet area x lever arm). Motor and electric actuator: the same in every pose and direction.
        """
        q = np.asarray(q_rad, dtype=np.float64)
        if isinstance(self.drive, Cylinder):
            area_m2 = self.drive.inlet_area_m2(self.extending(direction))
            with np.errstate(divide="ignore"):
                return np.asarray(1.0 / (area_m2 * np.abs(self.lever_m(q))))
        return np.full_like(q, self.drive.speed_per_flow_rad_m3())

    def speed_per_flow(self, q_rad: npt.ArrayLike, direction: int) -> Floats:
        """Short name of `speed_per_flow_rad_m3`."""
        return self.speed_per_flow_rad_m3(q_rad, direction)

    @property
    def efficiency(self) -> float:
        """Part of the force or torque of the oil that reaches the joint; 1.0 for an electric actuator, whose torque is
        stated at the joint.
        """
        if isinstance(self.drive, Cylinder):
            return self.drive.efficiency
        return self.drive.mechanical_efficiency if isinstance(self.drive, Motor) else 1.0

    def displacement_m3_rad(self, q_rad: npt.ArrayLike, direction: int) -> tuple[Floats, Floats]:
        """(inlet, outlet): oil in m3 that each side takes or gives for 1 rad of motion in a direction, at joint angles
        in rad. Times a pressure in Pa it is the torque in N m that this pressure makes.

        Cylinder: area x lever arm. Motor: displacement x gear ratio / 2 pi on both sides.

        Raises:
            ValueError: an electric joint has no oil.
        """
        q = np.asarray(q_rad, dtype=np.float64)
        if isinstance(self.drive, Cylinder):
            lever, extending = np.abs(self.lever_m(q)), self.extending(direction)
            return self.drive.inlet_area_m2(extending) * lever, self.drive.outlet_area_m2(extending) * lever
        if isinstance(self.drive, Motor):
            both = np.full_like(q, self.drive.displacement_m3_rad())
            return both, both
        raise ValueError(f"{self.name} has no oil")

    def gain_spread(self, direction: int) -> tuple[float, float]:
        """Lowest and highest real joint speed over what the rated curves promise: for any load (`joint_gain_spread`),
        or for the machine's own where it is known (`spread.with_derived_spread`).
        """
        low, high = self.spread[direction]
        return float(low), float(high)

    def reach_rad(self) -> tuple[float, float] | None:
        """Joint travel that the stroke allows, the lower end first; None where no stroke limits it or none fits."""
        if self.linkage is None or not isinstance(self.drive, Cylinder):
            return None
        return self.linkage.reach_rad(self.drive.closed_length_m, self.drive.stroke_m)

    def missing_travel_rad(self) -> tuple[float, float]:
        """How far the hard stops lie beyond the stroke, (lower, upper) in rad; 0 where the stroke reaches them.

        A hard stop that the cylinder cannot reach means that the cylinder bottoms first: the profile and the steel
        differ.
        """
        reach = self.reach_rad()
        if self.hard_stops_rad is None or self.linkage is None:
            return 0.0, 0.0
        if reach is None:
            return math.inf, math.inf
        return max(0.0, reach[0] - self.hard_stops_rad[0]), max(0.0, self.hard_stops_rad[1] - reach[1])


def joint_gain_spread(profile: Profile, joint: Joint, direction: int) -> tuple[Fraction, Fraction]:
    """Lowest and highest real speed over promised speed for any load, exact, from what drives the joint.

    A hydraulic joint: the valve's spread (`valve.gain_spread`), with the cylinder's areas for the direction; a motor
    may also leak less than its volumetric efficiency says, down to nothing, and is then faster. An electric joint: the
    amplifier's spread. `direction` is 0 or 1. A single counterbalance is taken to hold either way: which side gravity
    loads is known only to the machine model, and a joint that gravity loads on both sides needs two (limit
    `holding_pressure`).
    """
    if direction not in (POSITIVE, NEGATIVE):
        raise ValueError(f"direction is 0 or 1, not {direction}")
    if isinstance(joint.drive, ElectricDrive):
        return GAIN_LOWEST, GAIN_HIGHEST
    supply = profile.supply
    pressures = Pressures(
        load_sensing=supply.load_sensing,
        relief_pa=supply.relief_pa,
        margin_pa=supply.margin_pa,
        tank_pa=supply.tank_pa,
        load_is_held=joint.holding.kind in ("counterbalance", "double_counterbalance"),
        anti_cavitation=joint.holding.anti_cavitation,
    )
    low, high = gain_spread(
        joint.valve.compensated, joint.valve.rated_drop_pa, pressures, _area_ratio(joint, direction)
    )
    if isinstance(joint.drive, MotorDrive):
        high = high / joint.drive.volumetric_efficiency
    return low, high


def _area_ratio(joint: Joint, direction: int) -> Fraction:
    """Outlet area over inlet area, exact; 1 for a motor."""
    drive = joint.drive
    if not isinstance(drive, CylinderDrive):
        return Fraction(1)
    ring_over_cap = 1 - (drive.rod_m / drive.bore_m) ** 2
    return ring_over_cap if drive.extends_positive == (direction == POSITIVE) else 1 / ring_over_cap


def joint_model(profile: Profile, joint: Joint) -> JointModel:
    """The model of one joint of a profile."""
    drive: Cylinder | Motor | Electric
    linkage, extends_positive = None, False
    full_flow = joint.valve.rated_flow_m3_s
    if isinstance(joint.drive, CylinderDrive):
        extends_positive = joint.drive.extends_positive
        linkage = Linkage(
            base_radius_m=float(joint.drive.base_radius_m),
            rod_radius_m=float(joint.drive.rod_radius_m),
            included_at_zero_rad=math.radians(float(joint.drive.included_at_zero_deg)),
            sense=1 if extends_positive else -1,
        )
        drive = Cylinder(
            bore_m=float(joint.drive.bore_m),
            rod_m=float(joint.drive.rod_m),
            stroke_m=float(joint.drive.stroke_m),
            closed_length_m=float(joint.drive.closed_length_m),
            efficiency=float(joint.drive.efficiency),
        )
    elif isinstance(joint.drive, MotorDrive):
        drive = Motor(
            displacement_m3_rev=float(joint.drive.displacement_m3_rev),
            gear_ratio=float(joint.drive.gear_ratio),
            volumetric_efficiency=float(joint.drive.volumetric_efficiency),
            mechanical_efficiency=float(joint.drive.mechanical_efficiency),
        )
    else:
        drive = Electric(
            speed_rad_s=math.radians(float(joint.drive.speed_deg_s)), torque_n_m=float(joint.drive.torque_n_m)
        )
        full_flow = STAND_IN_FLOW_M3_S
    hard = joint.limits.hard_stops_deg
    return JointModel(
        name=joint.name,
        drive=drive,
        linkage=linkage,
        extends_positive=extends_positive,
        full_flow_m3_s=float(full_flow),
        hard_stops_rad=None if hard is None else (math.radians(float(hard.lower)), math.radians(float(hard.upper))),
        spread=(joint_gain_spread(profile, joint, POSITIVE), joint_gain_spread(profile, joint, NEGATIVE)),
    )
