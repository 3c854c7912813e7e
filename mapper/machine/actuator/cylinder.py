"""A double-acting cylinder with one rod: areas, force, speed, pressures, cushion. Floats, SI, gauge pascals.

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

    def outlet_pa(self, inlet_pa: float, load_n: float, extending: bool) -> float:
        """Pressure in Pa on the side that oil leaves when a force against the motion in N and the inlet pressure are in
        balance, friction not counted: what a metered outlet has to hold back. With the rod side metered and no load it
        is the inlet pressure times cap area over rod-side area; a load that pulls along (negative) adds to it.
        """
        return (inlet_pa * self.inlet_area_m2(extending) - load_n) / self.outlet_area_m2(extending)

    def held_pa(self, load_n: float) -> tuple[float, float]:
        """(cap side, rod side) in Pa, valve closed, for a force in N that pushes the rod in (negative: pulls it out).

        The side that the load presses on carries it; the other one is relieved. Friction, which could carry some of it,
        is not counted.
        """
        return max(load_n, 0.0) / self.cap_area_m2, max(-load_n, 0.0) / self.rod_area_m2

    def regenerative_speed_m_s(self, pump_flow_m3_s: float) -> float:
        """Extending speed in m/s with the rod side fed back into the cap side: the pump fills only the rod's volume."""
        return pump_flow_m3_s / (self.cap_area_m2 - self.rod_area_m2)

    def regenerative_force_n(self, pressure_pa: float) -> float:
        """Extending force in N with the same pressure on both sides: it acts on the rod's cross-section."""
        return pressure_pa * (self.cap_area_m2 - self.rod_area_m2) * self.efficiency

    def stroke_volume_m3(self, extending: bool) -> float:
        """Oil in m3 that one full stroke takes in."""
        return self.inlet_area_m2(extending) * self.stroke_m

    def cushion_pa(
        self, moving_mass_kg: float, speed_m_s: float, length_m: float, push_n: float, extending: bool
    ) -> float:
        """Mean pressure in Pa in an end cushion that stops a mass within the cushion's length: energy over volume.

        Args:
            moving_mass_kg: at the rod; a joint's is inertia / lever arm squared.
            speed_m_s: of the rod at the cushion's start.
            length_m: of the cushion, above 0.
            push_n: what still pushes in the direction of motion, pump and load together; negative holds back.
            extending: of the motion that is stopped; the cushion is on the side that oil leaves.

        The peak is higher than the mean wherever the cushion's throttle is not shaped to keep it even. The area is the
        whole outlet side, the cushion spear's own cross-section not taken off.
        """
        energy_j = 0.5 * moving_mass_kg * speed_m_s**2 + push_n * length_m
        return energy_j / (self.outlet_area_m2(extending) * length_m)


def bore_for_m(force_n: float, pressure_pa: float) -> float:
    """Bore in m whose full area gives a force in N at a pressure in Pa, both above 0."""
    return math.sqrt(4.0 * force_n / (math.pi * pressure_pa))
