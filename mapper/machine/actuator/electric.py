"""An electric actuator behind a proportional amplifier: full drive is full speed. Floats, SI.

It takes nothing from the pump. The table counts flow for every joint, so an electric joint is given the smallest flow
that a table can state, 1 ml/min at full speed, which the pump's account never feels.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

STAND_IN_FLOW_M3_S = Fraction(1, 60_000_000)
"""1 ml/min."""

GAIN_LOWEST, GAIN_HIGHEST = Fraction(9, 10), Fraction(11, 10)
"""Real speed over asked speed: amplifier and supply voltage. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Electric:
    """Args: joint speed at full drive in rad/s, joint torque in N m, both above 0."""

    speed_rad_s: float
    torque_n_m: float

    def speed_per_flow_rad_m3(self) -> float:
        """Joint speed in rad/s for 1 m3/s of the stand-in flow."""
        return self.speed_rad_s / float(STAND_IN_FLOW_M3_S)

    def torque_share(self, torque_n_m: float) -> float:
        """Part of its torque that a torque in N m at the joint takes; above 1 it stalls."""
        return torque_n_m / self.torque_n_m
