"""A double-acting cylinder with one rod: areas, force, speed. Floats, SI, gauge pascals.

Source: force = pressure x area, speed = flow / area, the rod side being the ring between bore and rod. Any textbook of
fluid power; checked against published worked examples in tests/outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Cylinder:
    """Args: bore and rod diameter in m (bore above rod above 0), stroke and closed pin-to-pin length in m, efficiency
    0..1.
    """

    bore_m: float
    rod_m: float
    stroke_m: float
    closed_length_m: float
    efficiency: float

    @property
    def cap_area_m2(self) -> float:
        """Piston area on the cap side."""
        return math.pi / 4.0 * self.bore_m**2

    @property
    def rod_area_m2(self) -> float:
        """Ring area on the rod side."""
        return math.pi / 4.0 * (self.bore_m**2 - self.rod_m**2)

    def inlet_area_m2(self, extending: bool) -> float:
        """Area of the side that oil flows into: cap side when extending, rod side when retracting."""
        return self.cap_area_m2 if extending else self.rod_area_m2

    def outlet_area_m2(self, extending: bool) -> float:
        """Area of the side that oil leaves."""
        return self.inlet_area_m2(not extending)

    def speed_m_s(self, inlet_flow_m3_s: float, extending: bool) -> float:
        """Rod speed in m/s for a flow into the inlet side."""
        return inlet_flow_m3_s / self.inlet_area_m2(extending)

    def outlet_flow_m3_s(self, inlet_flow_m3_s: float, extending: bool) -> float:
        """Flow out of the other side in m3/s: the inlet flow times the ratio of the two areas."""
        return self.speed_m_s(inlet_flow_m3_s, extending) * self.outlet_area_m2(extending)

    def force_n(self, inlet_pa: float, outlet_pa: float, extending: bool) -> float:
        """Force in N in the direction of motion, friction taken off by the efficiency (gauge pressures on both
        sides).
        """
        push = inlet_pa * self.inlet_area_m2(extending) - outlet_pa * self.outlet_area_m2(extending)
        return push * self.efficiency
