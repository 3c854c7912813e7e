"""Limit of rated pressure: the most that stands in actuator and hoses, against what they are rated for. Static: the
peak of a stop is a limit of its own (pressure_peak).
"""

from __future__ import annotations

import math

import numpy as np

from mapper.check.context import SIDE_NAMES, SIDES, JointContext, not_shown
from mapper.check.demand import Demand, judge_demands
from mapper.check.finding import Explanation, Finding, Given
from mapper.check.hydraulics.loaded import BAR, bar, given_bar, load_unknown
from mapper.machine.actuator.cylinder import Cylinder
from mapper.machine.load import along_n_m
from mapper.machine.oil.holding import back_factor, opens_at_most_pa, trapped_n_m
from mapper.machine.oil.metering import Lines, section_of, steady
from mapper.machine.oil.pressure import Motion, highest_port_pa, needed, port_cap_pa
from mapper.machine.oil.spread import inlet_least_pa
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import ElectricDrive

NOMINAL_BAR = (10, 16, 25, 40, 63, 100, 125, 160, 200, 250, 315, 400, 500, 630)
"""Nominal pressures of cylinders (ISO 3322), and two between; from memory."""


def pressure_rating(context: JointContext) -> Finding | None:
    """Relief, settings, load and what a metered outlet holds back, against the ratings of actuator and hoses. None for
    an electric joint.
    """
    joint, physics = context.joint, context.physics
    if isinstance(joint.drive, ElectricDrive):
        return None
    if physics is None:
        return load_unknown(context, "pressure_rating", "bar")
    rated = {
        f"{context.key}.drive.rated_pressure": joint.drive.rated_pressure_pa,
        f"{context.key}.hoses.rated_pressure": None if joint.hoses is None else joint.hoses.rated_pressure_pa,
    }
    known = {key: float(value) for key, value in rated.items() if value is not None}
    missing = [key for key, value in rated.items() if value is None]
    pressure, what = highest_pa(physics)
    if missing and all(pressure <= value for value in known.values()):
        return not_shown(
            context,
            "pressure_rating",
            unit="bar",
            detail=f"{bar(pressure):.4g} bar ({what}), but what the parts are rated for is not in the profile: "
            f"{', '.join(missing)}",
            advice=f"write {' and '.join(missing)}, as the makers state them",
        )
    demands = [
        Demand(
            what=what,
            value=bar(pressure),
            bound=value / BAR,
            unit="bar",
            why=key,
            advice=f'{key} = "{_nominal_bar(bar(pressure)):g} bar": fit one that is rated for it',
        )
        for key, value in known.items()
    ]
    return judge_demands(
        context,
        "pressure_rating",
        demands,
        cases=len(SIDES) * physics.envelope.torque_most_n_m.size,
        detail=f"; {_blocked_words(context, physics)}" + (f"; not in the profile: {missing}" if missing else ""),
        explanation=_explained(physics, known),
    )


def _nominal_bar(least: float) -> float:
    return next((float(size) for size in NOMINAL_BAR if size >= least - 1e-9), float(math.ceil(least)))


def highest_pa(physics: JointPhysics) -> tuple[float, str]:
    """The most that stands in the joint's ports in Pa, and what puts it there."""
    profile, joint, model = physics.profile, physics.joint, physics.model
    found = [highest_port_pa(profile, joint, model, physics, inlet_of=side) for side in SIDES]
    for side in SIDES:
        found.append((metered_pa(physics, side), f"the {_outlet_words(physics, side)} that is metered"))
        if joint.holding.kind == "pilot_check":
            what = f"the {_outlet_words(physics, side)} until its check valve opens"
            found.append((_trapped_pa(physics, side), what))
    return max(found)


def _outlet_words(physics: JointPhysics, side: int) -> str:
    if not isinstance(physics.model.drive, Cylinder):
        return f"outlet, moving {SIDE_NAMES[side]},"
    return "rod side" if physics.model.extending(side) else "cap side"


def metered_pa(physics: JointPhysics, side: int) -> float:
    """Outlet pressure in Pa of a plain spool with the pump at relief and the load that pulls along most: the balance of
    both edges. A port relief caps it. A compensated section has less as long as its compensator works.
    """
    joint, supply = physics.joint, physics.profile.supply
    lines = Lines(
        supply_pa=float(supply.relief_pa),
        tank_pa=float(supply.tank_pa),
        inlet_least_pa=inlet_least_pa(physics.profile, joint),
    )
    section = section_of(float(joint.valve.rated_flow_m3_s), float(joint.valve.rated_drop_pa))
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, side)
    sound = inlet > 0.0
    load = -along_n_m(physics.envelope, side)[:, sound]
    pressure = float(np.max(steady(section, (inlet[sound], outlet[sound]), lines, load).outlet_pa))
    cap = port_cap_pa(joint.holding)
    return pressure if cap is None else min(pressure, cap)


def _trapped_pa(physics: JointPhysics, side: int) -> float:
    """Pressure behind a pilot-operated check valve when the inlet pressure just opens it: pc = (Vi pi + T) / Vo, T
    what is trapped there.
    """
    need = needed(physics, side, Motion.STEADY)
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, side)
    sound = outlet > 0.0
    opens = np.minimum(need.opens_pa[:, sound], float(physics.profile.supply.relief_pa))
    torque = trapped_n_m(physics.joint, physics.envelope, side)[:, sound]
    trapped = (inlet[sound] * opens + torque) / outlet[sound]
    return max(0.0, float(np.max(trapped)))


def _blocked_words(context: JointContext, physics: JointPhysics) -> str:
    """What no rating stands: for the reader, not for the limit."""
    drive = physics.model.drive
    if not isinstance(drive, Cylinder):
        return "static pressures; the peak of a stop is pressure_peak"
    blocked = drive.outlet_pa(float(context.profile.supply.relief_pa), 0.0, extending=True)
    return (
        f"a rod side that is blocked at the cylinder (a coupling not home, a port plugged) would have "
        f"{bar(blocked):.4g} bar at relief pressure: no relief at the valve's ports reaches it there, "
        "and this limit does not cover it"
    )


def _explained(physics: JointPhysics, known: dict[str, float]) -> Explanation:
    supply, holding = physics.profile.supply, physics.joint.holding
    given = [given_bar("pr", "relief of the pump", float(supply.relief_pa))]
    if holding.setting_pa is not None:
        given.append(given_bar("S", f"setting of the {holding.kind.replace('_', ' ')}", float(holding.setting_pa)))
    opens = opens_at_most_pa(holding, float(supply.tank_pa))
    if opens is not None:
        behind = back_factor(float(holding.pilot_ratio or 0), vented=holding.vented)
        meaning = "0, its spring chamber is vented" if holding.vented else "1 + pilot ratio, its chamber is not vented"
        given.append(Given(symbol="b", meaning=meaning, value=behind, unit="ratio"))
        given.append(given_bar("pt", "tank line", float(supply.tank_pa)))
        given.append(given_bar("So", "where it opens without pilot pressure", opens))
    cap = port_cap_pa(holding)
    if cap is not None:
        given.append(given_bar("Sp", "port relief", cap))
    given += [given_bar("pm", f"{_outlet_words(physics, side)}, metered", metered_pa(physics, side)) for side in SIDES]
    given += [given_bar("rated", key, value) for key, value in known.items()]
    if isinstance(physics.model.drive, Cylinder):
        ratio = physics.model.drive.cap_area_m2 / physics.model.drive.rod_area_m2
        given.append(Given(symbol="phi", meaning="cap area over rod-side area", value=round(ratio, 4), unit="ratio"))
    return Explanation(
        formula=(
            "p = the largest of pr, S (of a counterbalance So), Sp, the load's own pressure, and pm",
            "So = S + b pt",
            "pm = pt + (Vo v / k)^2, v from the balance of both edges at pr with the load pulling along",
            "rod side blocked altogether: pr x phi",
        ),
        given=tuple(given),
        source="pressure intensification: any textbook of fluid power, a published example is in tests/outside; "
        "balance of both edges derived in mapper/machine/oil/metering.py",
    )
