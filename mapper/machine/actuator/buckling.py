"""Buckling of a piston rod under push. Floats, SI.

The whole pin-to-pin length is taken as a solid round column of the rod's diameter: the barrel is stiffer, so this is on
the safe side. Long columns: Euler, P = pi^2 E I / Le^2. Short ones, slenderness Le / r below the column constant sqrt(2
pi^2 E / Sy): Johnson's parabola, P = A Sy (1 - Sy (Le / r)^2 / (4 pi^2 E)), which meets Euler's curve there. Le = end
factor x length; the end factors of theory are 1 (pinned at both ends), 0.7, 0.5 and 2.

Source: Euler and J. B. Johnson, any textbook of machine design; checked against published worked examples in
tests/outside. ISO/TS 13725 is the method for whole cylinders, with the barrel and friction in the pins; it is not
worked here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ELASTICITY_PA = 206e9
"""Young's modulus of steel; from memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Args: area in m2, least second moment of area in m4, effective length in m, yield strength in Pa, all above 0."""

    area_m2: float
    second_moment_m4: float
    effective_length_m: float
    yield_pa: float
    elasticity_pa: float = ELASTICITY_PA

    @property
    def slenderness(self) -> float:
        """Effective length over radius of gyration."""
        return self.effective_length_m / math.sqrt(self.second_moment_m4 / self.area_m2)

    @property
    def constant(self) -> float:
        """Slenderness at which Euler takes over from Johnson."""
        return math.sqrt(2.0 * math.pi**2 * self.elasticity_pa / self.yield_pa)

    @property
    def is_long(self) -> bool:
        """Euler's case."""
        return self.slenderness >= self.constant

    def buckling_load_n(self) -> float:
        """Force in N at which the column gives way."""
        if self.is_long:
            return math.pi**2 * self.elasticity_pa * self.second_moment_m4 / self.effective_length_m**2
        bend = self.yield_pa * self.slenderness**2 / (4.0 * math.pi**2 * self.elasticity_pa)
        return self.area_m2 * self.yield_pa * (1.0 - bend)


def round_column(diameter_m: float, length_m: float, end_factor: float, yield_pa: float) -> Column:
    """A solid round rod of a length pin to pin."""
    return Column(
        area_m2=math.pi / 4.0 * diameter_m**2,
        second_moment_m4=math.pi / 64.0 * diameter_m**4,
        effective_length_m=end_factor * length_m,
        yield_pa=yield_pa,
    )
