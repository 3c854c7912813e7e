"""A spool section as two metering edges: how fast it lets an actuator go, in all four quadrants. Floats, SI, gauge Pa.

An edge passes Q = u k sqrt(drop): u its opening, 0..1, k its constant at full opening. The rated drop of a section is
over both edges together with the same flow through both, so each takes half of it: k = rated flow / sqrt(rated drop /
2).

An actuator that moves at speed v takes Ai v from the inlet edge and gives Ao v to the outlet edge (cylinder: the areas
in m2 and v in m/s, or areas times lever arm in m3/rad and v in rad/s; motor: displacement in m3/rad on both sides). The
load F counts against the motion; a load that pulls along has the other sign. With the pressures pi and po at the
actuator, supply ps and tank pt:

    balance      Ai pi - Ao po = F
    edges        pi = ps - (Ai v / u ki)^2,   po = pt + (Ao v / u ko)^2
    so           v^2 = u^2 (Ai ps - Ao pt - F) / (Ai^3 / ki^2 + Ao^3 / ko^2)

- The load pulls so hard that pi would fall below what the port can have (`inlet_least_pa`: the tank line where an
  anti-cavitation valve fills it, else none): the load runs ahead of the oil, and the outlet edge alone decides,
  v = u ko sqrt((Ai pi - F) / Ao - pt) / Ao with pi at its least.
- The load is too heavy for the supply: a check valve or a compensator in the pressure line holds it (speed 0); without
  one the section runs backwards, oil flowing back to the pump line.

Both edges open alike, so pressures do not depend on the opening, and speed goes with it.
Source: orifice law (Bernoulli, turbulent) and the balance of forces, derived here; checked against published worked
    examples
in tests/outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.profile.profile import ValveSide

Floats = npt.NDArray[np.float64]
Regimes = npt.NDArray[np.int8]

METERED, OVERRUNNING, HELD, BACKWARDS, AS_ASKED = 0, 1, 2, 3, 4
"""What decides the speed: both edges; the outlet edge alone; nothing moves; both edges, the wrong way; a compensator.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Args: constants of the two edges at full opening in m3/s per root Pa, above 0."""

    inlet: float
    outlet: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Gauge Pa, numbers or arrays: pump line at the section, tank line, what the inlet port can have at least."""

    supply_pa: npt.ArrayLike
    tank_pa: npt.ArrayLike
    inlet_least_pa: npt.ArrayLike = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Steady:
    """Arrays of one shape. Speed counts in the direction of the drive; pressures are those at the actuator."""

    speed: Floats
    inlet_pa: Floats
    outlet_pa: Floats
    regime: Regimes  # METERED, OVERRUNNING, HELD, BACKWARDS or AS_ASKED


def edge_constant(flow_m3_s: float, drop_pa: float) -> float:
    """Constant of one edge in m3/s per root Pa that passes a flow in m3/s at a drop in Pa, both above 0."""
    return flow_m3_s / math.sqrt(drop_pa)


def section_of(rated_flow_m3_s: float, rated_drop_pa: float) -> Section:
    """Two equal edges that together take the rated drop in Pa at the rated flow in m3/s."""
    constant = edge_constant(rated_flow_m3_s, rated_drop_pa / 2.0)
    return Section(inlet=constant, outlet=constant)


def orifice_constant(area_m2: float, discharge: float, density_kg_m3: float) -> float:
    """Constant in m3/s per root Pa of a sharp-edged orifice: Cd A sqrt(2 / rho).

    Args:
        discharge: coefficient, 0.6 to 0.8.
    """
    return discharge * area_m2 * math.sqrt(2.0 / density_kg_m3)


def edge_flow_m3_s(constant: float, opening: npt.ArrayLike, drop_pa: npt.ArrayLike) -> Floats:
    """Flow in m3/s through one edge; a negative drop gives a negative flow."""
    drop = np.asarray(drop_pa, dtype=np.float64)
    return np.asarray(constant * np.asarray(opening) * np.sign(drop) * np.sqrt(np.abs(drop)))


def steady(
    section: Section,
    displacement: tuple[npt.ArrayLike, npt.ArrayLike],
    lines: Lines,
    load: npt.ArrayLike,
    opening: npt.ArrayLike = 1.0,
    *,
    check_valve: bool = True,
) -> Steady:
    """Steady speed of an uncompensated section, see the module. All arguments broadcast.

    Args:
        displacement: (inlet, outlet) areas in m2 and load in N, or volumes in m3/rad and load in N m; above 0.
        load: against the motion; negative where it pulls along. Friction is the caller's to add.
        opening: of both edges, 0..1.
        check_valve: oil cannot flow back to the pump line (a check valve or a pressure compensator in it).
    """
    inlet, outlet = (np.asarray(side, dtype=np.float64) for side in displacement)
    supply, tank = np.asarray(lines.supply_pa, dtype=np.float64), np.asarray(lines.tank_pa, dtype=np.float64)
    least, force = np.asarray(lines.inlet_least_pa, dtype=np.float64), np.asarray(load, dtype=np.float64)
    u = np.asarray(opening, dtype=np.float64)
    spare = inlet * supply - outlet * tank - force
    square = spare / (inlet**3 / section.inlet**2 + outlet**3 / section.outlet**2)  # v^2 at full opening, signed
    inlet_pa = supply - inlet**2 / section.inlet**2 * square
    outlet_pa = tank + outlet**2 / section.outlet**2 * square
    speed = np.sign(square) * np.sqrt(np.abs(square))
    regime = np.where(square >= 0.0, METERED, BACKWARDS)

    ahead = (square >= 0.0) & (inlet_pa < least)
    pushed = (inlet * least - force) / outlet  # pressure on the outlet side, the inlet side at its least
    alone = edge_flow_m3_s(section.outlet, 1.0, pushed - tank) / outlet
    speed, regime = np.where(ahead, alone, speed), np.where(ahead, OVERRUNNING, regime)
    inlet_pa, outlet_pa = np.where(ahead, least, inlet_pa), np.where(ahead, pushed, outlet_pa)

    void = (square < 0.0) & (outlet_pa < least)  # running backwards, the outlet side is the one that may run empty
    back_pa = (force + outlet * least) / inlet
    back = edge_flow_m3_s(section.inlet, 1.0, supply - back_pa) / inlet
    if check_valve:
        stuck = square < 0.0
        # The trapped inlet side carries the load, the outlet side is open to tank.
        held_pa = (force + outlet * tank) / inlet
        speed, regime = np.where(stuck, 0.0, speed), np.where(stuck, HELD, regime)
        inlet_pa, outlet_pa = np.where(stuck, held_pa, inlet_pa), np.where(stuck, tank, outlet_pa)
    else:
        speed = np.where(void, back, speed)
        inlet_pa, outlet_pa = np.where(void, back_pa, inlet_pa), np.where(void, least, outlet_pa)
    return Steady(
        speed=np.asarray(u * speed),
        inlet_pa=np.asarray(inlet_pa),
        outlet_pa=np.asarray(outlet_pa),
        regime=np.asarray(regime, dtype=np.int8),
    )


def compensated(
    section: Section,
    displacement: tuple[npt.ArrayLike, npt.ArrayLike],
    lines: Lines,
    load: npt.ArrayLike,
    asked_m3_s: npt.ArrayLike,
    opening: npt.ArrayLike = 1.0,
) -> Steady:
    """Steady speed of a section whose compensator in the pressure line keeps the inlet flow at `asked_m3_s`.

    The compensator takes what pressure is left over. Once nothing is left it stands wide open and the section is a
    plain one, whose flow falls with the root of the drop. It meters oil in: a load that runs ahead of the oil is left
    to the outlet edge, as in `steady`. Its own drop when wide open is not counted; it holds a load that is too heavy.
    """
    inlet, outlet = (np.asarray(side, dtype=np.float64) for side in displacement)
    tank, least = np.asarray(lines.tank_pa, dtype=np.float64), np.asarray(lines.inlet_least_pa, dtype=np.float64)
    force, u = np.asarray(load, dtype=np.float64), np.asarray(opening, dtype=np.float64)
    plain = steady(section, displacement, lines, load, opening)
    asked = np.asarray(asked_m3_s, dtype=np.float64) / inlet
    with np.errstate(divide="ignore", invalid="ignore"):
        drop = np.where(asked > 0.0, (outlet * asked / (u * section.outlet)) ** 2, 0.0)
    outlet_pa = tank + drop
    inlet_pa = (force + outlet * outlet_pa) / inlet
    throttled = (plain.regime == METERED) & (asked <= plain.speed)
    ahead = throttled & (inlet_pa < least)
    pushed = (inlet * least - force) / outlet
    alone = u * edge_flow_m3_s(section.outlet, 1.0, pushed - tank) / outlet
    kept = throttled & ~ahead
    speed = np.where(kept, asked, np.where(ahead, alone, plain.speed))
    regime = np.where(kept, AS_ASKED, np.where(ahead, OVERRUNNING, plain.regime))
    return Steady(
        speed=np.asarray(speed),
        inlet_pa=np.asarray(np.where(kept, inlet_pa, np.where(ahead, least, plain.inlet_pa))),
        outlet_pa=np.asarray(np.where(kept, outlet_pa, np.where(ahead, pushed, plain.outlet_pa))),
        regime=np.asarray(regime, dtype=np.int8),
    )


def drive_flow_range(
    side: ValveSide, hysteresis: float, drive: npt.ArrayLike, drop_share: tuple[float, float] = (1.0, 1.0)
) -> tuple[Floats, Floats]:
    """Least and most flow, as a share of the rated flow, that a drive value can give.

    The measured curve may lie half the hysteresis either way, and to the left also by how much the smallest crack point
    ever measured is below the measured one; beyond its last point it goes on with its last slope. The result is then
    scaled by the root of the pressure drop.

    Args:
        side: the valve's curve for the direction.
        hysteresis: width, share of full drive.
        drive: share of full drive, 0..1; 0 centres the spool and gives exactly 0.
        drop_share: least and most drop over rated drop, both at least 0; (1, 1) for a compensated section.
    """
    x = np.array([float(at) for at, _ in side.points])
    y = np.array([float(flow) for _, flow in side.points])
    at = np.asarray(drive, dtype=np.float64)
    half = hysteresis / 2.0
    left = max(half, float(side.crack - side.crack_min))
    slope = (y[-1] - y[-2]) / (x[-1] - x[-2])
    least = np.interp(at - half, x, y)
    most = np.interp(at + left, x, y) + np.maximum(at + left - x[-1], 0.0) * slope
    on = at > 0.0
    return (
        np.asarray(np.where(on, least * math.sqrt(drop_share[0]), 0.0)),
        np.asarray(np.where(on, most * math.sqrt(drop_share[1]), 0.0)),
    )
