"""Limit of the rod as a column: the most that can push on it, at its longest, and what a sudden stop pushes with where
it stops, against what makes it buckle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from mapper.check.context import SIDES, JointContext, judge
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.hydraulics.loaded import bar, given_bar
from mapper.machine.actuator.buckling import Column, round_column
from mapper.machine.oil.oil_spring import CAP
from mapper.machine.oil.pressure import highest_port_pa
from mapper.machine.stop.stopping import CATEGORY_0, stop_arrays
from mapper.profile.profile import CylinderDrive

RODS_MM = (
    4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 22, 25, 28, 32, 36, 40, 45, 50, 56, 63, 70, 80, 90, 100, 110, 125, 140, 160,
    180, 200, 220, 250, 280, 320, 360,
)  # fmt: skip
"""Piston rod diameters of ISO 3320; from memory."""


def buckling(context: JointContext) -> Finding | None:
    """Buckling load over the largest push: what can stand on the cap side at the longest pin-to-pin length within the
    hard stops, or the peak of a sudden stop at the length where it stops. None without a cylinder.
    """
    drive = context.joint.drive
    if not isinstance(drive, CylinderDrive):
        return None
    pushes = [_standing(context, drive), *_stopping(context, drive)]
    worst = min(pushes, key=lambda push: _factor(drive, drive.rod_m, push))
    column, factor = _column(drive, drive.rod_m, worst.length_m), _factor(drive, drive.rod_m, worst)
    rod = next((size for size in RODS_MM if _does(drive, Fraction(size, 1000), pushes)), None)
    advice = (
        f'{context.key}.drive.rod = "{rod} mm" (the next size that does; the rod side then pulls less)'
        if rod
        else f"no rod of ISO 3320 inside this bore is enough: a shorter {context.key}.drive (pivots nearer, less "
        "stroke), or a larger bore with its rod at a lower supply.relief_pressure"
    )
    if worst.sudden:
        advice = f"a relief or counterbalance that caps the cap side of a sudden stop (see pressure_peak), or {advice}"
    kind = "Euler, long column" if column.is_long else "Johnson, short column"
    return judge(
        context,
        "buckling",
        evidence=Evidence.COMPUTED,
        cases=1 + len(pushes),
        worst=factor,
        bound=float(drive.buckling_factor),
        unit="ratio",
        at_least=True,
        detail=f"{'worst' if worst.sudden else 'longest'} at {worst.where}, {worst.length_m * 1000:.0f} mm pin to pin; "
        f"{worst.what} of {bar(worst.pressure_pa):.4g} bar on the cap side pushes with {worst.push_n / 1000:.3g} kN, "
        f"the rod alone buckles at {column.buckling_load_n() / 1000:.4g} kN ({kind}; the stiffer barrel is not counted)"
        + ("" if len(pushes) > 1 else "; the peak of a sudden stop is not known and not in it"),
        advice=advice,
        explanation=_explained(drive, column, worst.length_m, (worst.pressure_pa, worst.push_n, factor)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Push:
    """What pushes on the rod at one length."""

    length_m: float
    where: str
    pressure_pa: float
    push_n: float
    what: str
    sudden: bool


def _factor(drive: CylinderDrive, rod_m: Fraction, push: _Push) -> float:
    return _column(drive, rod_m, push.length_m).buckling_load_n() / push.push_n


def _does(drive: CylinderDrive, rod_m: Fraction, pushes: list[_Push]) -> bool:
    """A thicker rod that fits the bore and is enough. It makes the rod side smaller, not the push."""
    wanted = float(drive.buckling_factor)
    return drive.rod_m < rod_m < drive.bore_m and all(_factor(drive, rod_m, push) >= wanted for push in pushes)


def _standing(context: JointContext, drive: CylinderDrive) -> _Push:
    length_m, where = _longest(context, drive)
    pressure_pa, what = _push_pa(context)
    return _Push(
        length_m=length_m,
        where=where,
        pressure_pa=pressure_pa,
        push_n=_cap_force_n(drive, pressure_pa),
        what=what,
        sudden=False,
    )


def _stopping(context: JointContext, drive: CylinderDrive) -> list[_Push]:
    """The highest cap-side pressure of sudden stops, as its reliefs let it rise, at each angle; none where the profile
    does not say enough to know it.
    """
    physics = context.physics
    if physics is None or context.joint.hoses is None:
        return []
    peaks = np.max([stop_arrays(physics, side, CATEGORY_0).peak_pa[CAP] for side in SIDES], axis=(0, 1))
    whole = float(drive.closed_length_m + drive.stroke_m)
    lengths = np.minimum(context.model.length_m(physics.envelope.q_rad), whole)
    return [
        _Push(
            length_m=float(length),
            where=f"{math.degrees(q):.1f} deg",
            pressure_pa=float(peak),
            push_n=_cap_force_n(drive, float(peak)),
            what="the peak of a sudden stop",
            sudden=True,
        )
        for q, length, peak in zip(physics.envelope.q_rad, lengths, peaks, strict=True)
        if peak > 0.0
    ]


def _cap_force_n(drive: CylinderDrive, pressure_pa: float) -> float:
    return pressure_pa * math.pi / 4.0 * float(drive.bore_m) ** 2


def _column(drive: CylinderDrive, rod_m: Fraction, length_m: float) -> Column:
    return round_column(float(rod_m), length_m, float(drive.end_factor), float(drive.rod_yield_pa))


def _longest(context: JointContext, drive: CylinderDrive) -> tuple[float, str]:
    """Length in m, and where; within the cylinder's own lengths where the hard stops lie beyond them."""
    whole = float(drive.closed_length_m + drive.stroke_m)
    stops = context.model.hard_stops_rad
    if stops is None:
        return whole, "full stroke"
    length, angle = max((float(context.model.length_m(stop)), stop) for stop in stops)
    return (whole, "full stroke") if length > whole else (length, f"{math.degrees(angle):.1f} deg")


def _push_pa(context: JointContext) -> tuple[float, str]:
    """The most that the cap side can have, and what puts it there."""
    extending = 0 if context.model.extending(0) else 1
    return highest_port_pa(context.profile, context.joint, context.model, context.physics, inlet_of=extending)


def _explained(
    drive: CylinderDrive, column: Column, length_m: float, results: tuple[float, float, float]
) -> Explanation:
    pressure_pa, push_n, factor = results
    return Explanation(
        formula=(
            "Le = k L,  r = d / 4,  A = pi d^2 / 4,  I = pi d^4 / 64",
            "Cc = sqrt(2 pi^2 E / Sy)",
            "Le / r >= Cc: P = pi^2 E I / Le^2 (Euler)",
            "Le / r < Cc:  P = A Sy (1 - Sy (Le / r)^2 / (4 pi^2 E)) (Johnson)",
            "n = P / (p x cap area)",
        ),
        given=(
            Given(symbol="L", meaning="longest, pin to pin", value=round(length_m * 1000, 1), unit="mm"),
            Given(symbol="k", meaning="end factor", value=float(drive.end_factor), unit="ratio"),
            Given(symbol="d", meaning="rod", value=float(drive.rod_m) * 1000, unit="mm"),
            Given(symbol="E", meaning="Young's modulus of steel (from memory)", value=206.0, unit="GPa"),
            Given(symbol="Sy", meaning="yield strength of the rod", value=float(drive.rod_yield_pa) / 1e6, unit="MPa"),
            Given(symbol="Le / r", meaning="slenderness", value=round(column.slenderness, 1), unit="ratio"),
            Given(symbol="Cc", meaning="column constant", value=round(column.constant, 1), unit="ratio"),
            Given(symbol="P", meaning="buckling load", value=round(column.buckling_load_n() / 1000, 2), unit="kN"),
            given_bar("p", "highest pressure on the cap side", pressure_pa),
            Given(symbol="push", meaning="p x cap area", value=round(push_n / 1000, 2), unit="kN"),
            Given(symbol="n", meaning="factor", value=round(factor, 3), unit="ratio"),
        ),
        source="Euler and J. B. Johnson, any textbook of machine design; worked examples of Wentzell, Machine Design, "
        "Examples 3.5 and 3.6, and Hibbeler, Mechanics of Materials, Example 13.2, in tests/outside",
    )
