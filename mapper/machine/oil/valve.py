"""A proportional valve section: flow against pressure drop, and how far its gain may be off whatever the load is. Exact
rationals and floats, SI.

Source: orifice law, flow proportional to the root of the pressure drop (Bernoulli, turbulent); the rated flow at the
rated drop over both metering edges stands for the two equal orifices (see metering.py).

The spread here needs nothing but the profile's own numbers and comes out the same on every PC: the compiler uses it. It
is wide. What the machine's loads really leave of it is derived in spread.py.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

COMPENSATED_LOWEST, COMPENSATED_HIGHEST = Fraction(85, 100), Fraction(13, 10)
"""Real flow over asked flow of a pressure-compensated section: compensator setting, oil viscosity, drive current, wear.
Common practice, no source."""

LOAD_SHARE_MAX = Fraction(9, 10)
"""Largest part of the pressure there is that a load is taken to ask for, or to make where it pulls along, as long as
nobody has worked out the loads. Common practice, no source: with a tenth of the pressure left a machine is slow but
still moves. The check says so where the machine's loads go further."""

_GRID = 10_000


def flow_m3_s(rated_flow_m3_s: float, rated_drop_pa: float, drop_pa: float) -> float:
    """Flow in m3/s at a pressure drop in Pa over the edges that the rating names; negative drop, negative flow."""
    return math.copysign(rated_flow_m3_s * math.sqrt(abs(drop_pa) / rated_drop_pa), drop_pa)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressures:
    """What an uncompensated section works between, gauge Pa, exact."""

    load_sensing: bool
    relief_pa: Fraction
    margin_pa: Fraction  # of a load-sensing pump, over the highest load
    tank_pa: Fraction
    load_is_held: bool  # counterbalance on the outlet: a load that pulls cannot run ahead of the oil
    anti_cavitation: bool = False


def gain_spread(
    compensated: bool, rated_drop_pa: Fraction, pressures: Pressures, area_ratio: Fraction = Fraction(1)
) -> tuple[Fraction, Fraction]:
    """Lowest and highest real flow over the flow that the rated curve promises, for any load up to LOAD_SHARE_MAX.

    Compensated: fixed figures. Uncompensated: with equal edges, r = outlet area / inlet area and f = load / inlet area,
    metering.py's balance gives

        (Q / Qrated)^2 = 2 (ps - r pt - f) / (drop (1 + r^3))                    both edges decide
        (Q / Qrated)^2 = 2 ((pi - f) / r - pt) / (drop r^2)                      the load runs ahead of the oil

    and the larger of the two is the flow. Lowest: the load takes LOAD_SHARE_MAX of the relief pressure, or the pump's
    margin is all there is over the whole section (load-sensing, this joint carrying the highest load; the margin is
    kept over the inlet edge alone, so this is on the safe side). Highest: another joint has the pump at relief, and the
    load makes LOAD_SHARE_MAX of that on the outlet side; where a counterbalance holds it, the inlet edge alone with the
    whole pressure over it is the most.

    Args:
        area_ratio: outlet area over inlet area of the direction, above 0; 1 for a motor.

    Returns:
        (low, high), rounded outward to 1/10000.
    """
    if compensated:
        return COMPENSATED_LOWEST, COMPENSATED_HIGHEST
    ratio, both = area_ratio, 1 + area_ratio**3
    there_is = pressures.relief_pa - pressures.tank_pa
    least = 2 * (pressures.relief_pa - ratio * pressures.tank_pa - LOAD_SHARE_MAX * there_is) / both
    if pressures.load_sensing and pressures.margin_pa > 0:
        least = min(least, pressures.margin_pa)
    pull = LOAD_SHARE_MAX * there_is * ratio  # over the inlet area, for that pressure on the outlet side
    inlet_least = pressures.tank_pa if pressures.anti_cavitation else Fraction(0)
    metered = 2 * (pressures.relief_pa - ratio * pressures.tank_pa + pull) / both
    if pressures.load_is_held:
        greatest = min(metered, 2 * (pressures.relief_pa - inlet_least))
    else:
        greatest = max(metered, 2 * ((inlet_least + pull) / ratio - pressures.tank_pa) / ratio**2)
    return root_below(max(least, Fraction(0)) / rated_drop_pa), root_above(greatest / rated_drop_pa)


def root_below(value: Fraction) -> Fraction:
    """Square root rounded down to 1/10000, exact."""
    return Fraction(math.isqrt(math.floor(value * _GRID * _GRID)), _GRID)


def root_above(value: Fraction) -> Fraction:
    """Square root rounded up to 1/10000, exact."""
    scaled = math.ceil(value * _GRID * _GRID)
    root = math.isqrt(scaled)
    return Fraction(root if root * root == scaled else root + 1, _GRID)
