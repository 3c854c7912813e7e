"""A hydraulic motor behind a gear: speed and torque at the joint. Floats, SI.

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

    def torque_n_m(self, drop_pa: float) -> float:
        """Joint torque in N m at a pressure drop over the motor in Pa."""
        return drop_pa * self.displacement_m3_rev / (2.0 * math.pi) * self.mechanical_efficiency * self.gear_ratio
