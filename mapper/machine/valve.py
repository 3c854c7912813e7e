"""A proportional valve section: flow against pressure drop, and how far its gain may be off. Exact rationals and
floats, SI.

Source: orifice law, flow proportional to the root of the pressure drop (Bernoulli, turbulent); the rated flow at the
rated drop over both metering edges stands for the orifice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

COMPENSATED_LOWEST, COMPENSATED_HIGHEST = Fraction(85, 100), Fraction(13, 10)
"""Real flow over asked flow of a pressure-compensated section: compensator setting, oil viscosity, drive current, wear.
Common practice, no source."""

LOAD_SHARE_MAX = Fraction(9, 10)
"""Largest part of the pressure there is that a load may take on an uncompensated section (or give, where nothing
holds it).
"""

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
    load_is_held: bool  # counterbalance: a load that pulls does not add to the drop


def gain_spread(compensated: bool, rated_drop_pa: Fraction, pressures: Pressures) -> tuple[Fraction, Fraction]:
    """Lowest and highest real flow over the flow that the rated curve promises.

    Compensated: fixed figures. Uncompensated: the flow goes as the root of the pressure drop. The least drop is the
    pump's margin (load-sensing pump, this joint carrying the highest load) or what a load of LOAD_SHARE_MAX leaves of
    the relief pressure; the greatest is the full relief pressure less tank (another joint has the pump there, this one
    carries nothing), and LOAD_SHARE_MAX of it more where a pulling load is not held back.

    Returns:
        (low, high), rounded outward to 1/10000.
    """
    if compensated:
        return COMPENSATED_LOWEST, COMPENSATED_HIGHEST
    there_is = pressures.relief_pa - pressures.tank_pa
    least = (1 - LOAD_SHARE_MAX) * there_is
    if pressures.load_sensing and pressures.margin_pa > 0:
        least = min(least, pressures.margin_pa)
    greatest = there_is if pressures.load_is_held else (1 + LOAD_SHARE_MAX) * there_is
    return root_below(least / rated_drop_pa), root_above(greatest / rated_drop_pa)


def root_below(value: Fraction) -> Fraction:
    """Square root rounded down to 1/10000, exact."""
    return Fraction(math.isqrt(math.floor(value * _GRID * _GRID)), _GRID)


def root_above(value: Fraction) -> Fraction:
    """Square root rounded up to 1/10000, exact."""
    scaled = math.ceil(value * _GRID * _GRID)
    root = math.isqrt(scaled)
    return Fraction(root if root * root == scaled else root + 1, _GRID)
