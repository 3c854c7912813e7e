"""A hydraulic motor behind a gear: speed, torque and leakage at the joint. Floats, SI.

Source: a motor passes its displacement in each turn, so turns = flow x volumetric efficiency / displacement, and
torque = pressure drop x displacement / 2 pi x mechanical efficiency. Any textbook of fluid power; checked against
published worked examples in tests/outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Motor:
    """Args: displacement in m3 a turn, gear ratio (motor turns for one joint turn), efficiencies above 0, at most 1."""

    displacement_m3_rev: float
    gear_ratio: float
    volumetric_efficiency: float
    mechanical_efficiency: float

    def speed_per_flow_rad_m3(self) -> float:
        """Joint speed in rad/s for 1 m3/s."""
        return 2.0 * math.pi * self.volumetric_efficiency / (self.displacement_m3_rev * self.gear_ratio)

    def displacement_m3_rad(self) -> float:
        """Oil in m3 that the motor passes for 1 rad of the joint, leakage not counted."""
        return self.displacement_m3_rev * self.gear_ratio / (2.0 * math.pi)

    def leakage_m3_s(self, drop_pa: float, rated_flow_m3_s: float, rated_drop_pa: float) -> float:
        """Flow in m3/s that leaks past the motor at a pressure drop in Pa, standing still or turning.

        The volumetric efficiency is taken as measured at the rated flow and drop; leakage is laminar, so it goes with
        the drop and not with the speed. Source: laminar gap flow, any textbook of fluid power.
        """
        return (1.0 - self.volumetric_efficiency) * rated_flow_m3_s * drop_pa / rated_drop_pa

    def drift_rad_s(self, drop_pa: float, rated_flow_m3_s: float, rated_drop_pa: float) -> float:
        """Joint speed in rad/s at which a motor with its ports closed gives way to a load: leakage over
        displacement.
        """
        return self.leakage_m3_s(drop_pa, rated_flow_m3_s, rated_drop_pa) / self.displacement_m3_rad()

    def torque_n_m(self, drop_pa: float) -> float:
        """Joint torque in N m at a pressure drop over the motor in Pa."""
        return drop_pa * self.displacement_m3_rev / (2.0 * math.pi) * self.mechanical_efficiency * self.gear_ratio
