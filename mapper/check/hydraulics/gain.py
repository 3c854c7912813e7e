"""Limit of the gain spread: what the machine's loads can make of an asked speed, against what the braking curve in the
table was compiled for.
"""

from __future__ import annotations

import numpy as np

from mapper.check.context import SIDE_NAMES, SIDES, JointContext, judge, up
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.hydraulics.loaded import DERIVED, bar, given_bar, given_place, load_unknown, place_words
from mapper.machine.load import node_of_most
from mapper.machine.model import joint_gain_spread
from mapper.machine.oil.holding import SETTING_FACTOR, load_pressure_pa, metered_outlets
from mapper.machine.oil.spread import gains
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import ElectricDrive

_SLACK = 1e-9
_RATIO = 4  # of a counterbalance that is advised; common practice, no source


def gain_spread(context: JointContext) -> Finding | None:
    """Highest real speed over promised speed, both ways, every pose and load, against the compiler's. None for an
    electric joint, whose spread knows no load.
    """
    if isinstance(context.joint.drive, ElectricDrive):
        return None
    physics = context.physics
    if physics is None:
        return load_unknown(context, "gain_spread", "ratio")
    found = []
    for side in SIDES:
        low, high = gains(context.profile, context.joint, physics.model, physics.envelope, side)
        bound = float(joint_gain_spread(context.profile, context.joint, side)[1])
        found.append((float(np.max(high)) / bound, side, float(np.min(low)), high, bound))
    _, side, _, high, bound = max(found, key=lambda one: one[0])
    node = node_of_most(physics.envelope, high)
    worst = float(np.max(high))
    worst = bound if abs(worst - bound) <= _SLACK else worst
    metered = metered_outlets(context.joint.holding, physics.model, physics.envelope)[side]
    lows = ", ".join(f"{SIDE_NAMES[one[1]]} {one[2]:.3g} to {float(np.max(one[3])):.3g}" for one in found)
    why = (
        f"; it pulls along with {bar(_pull_pa(physics, side)):.3g} bar and nothing at the cylinder meters it: it runs "
        "ahead of the oil, and the outlet edge alone decides"
        if worst > bound and not metered
        else ""
    )
    return judge(
        context,
        "gain_spread",
        evidence=Evidence.COMPUTED,
        cases=len(SIDES) * high.size,
        worst=worst,
        bound=bound,
        unit="ratio",
        holds=worst <= bound,
        margin=worst != bound,  # the same by design where load and valve are those that the compiler counts with
        detail=f"real over asked speed: {lows}; highest {SIDE_NAMES[side]} at {place_words(physics, node, 1 - side)}"
        f"{why}; the braking curve in the table is compiled for {bound:.4g}. Inertia is not in it",
        advice=_advice(context, physics),
        explanation=_explained(context, physics, side, (worst, bound)),
    )


def _pull_pa(physics: JointPhysics, side: int) -> float:
    return float(np.max(load_pressure_pa(physics.model, physics.envelope, side)))


def _advice(context: JointContext, physics: JointPhysics) -> str:
    """A counterbalance on both sides keeps any load from running ahead."""
    least = SETTING_FACTOR * max(bar(_pull_pa(physics, side)) for side in SIDES)
    holding = context.joint.holding
    present = holding.port_relief_pa if holding.setting_pa is None else holding.setting_pa
    setting = max(least, bar(float(context.profile.supply.relief_pa if present is None else present)))
    return (
        f'write {context.key}.holding.kind = "double_counterbalance", {context.key}.holding.setting = '
        f'"{up(setting):g} bar" and {context.key}.holding.pilot_ratio = {_RATIO}, and fit them at the '
        "actuator (a motor keeps its holding brake); or a spool whose outlet edges are as much narrower"
    )


def _explained(context: JointContext, physics: JointPhysics, side: int, results: tuple[float, float]) -> Explanation:
    valve, supply = context.joint.valve, context.profile.supply
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, side)
    at = int(np.argmax(inlet))
    ratio = float(outlet[at] / inlet[at])
    high = gains(context.profile, context.joint, physics.model, physics.envelope, side)[1]
    return Explanation(
        formula=(
            "g = Vi w / Qr at full opening; equal edges: (Q / k)^2 = drop of an edge, k = Qr / sqrt(dp / 2)",
            "both edges:      g^2 = 2 (ps - r pt - f) / (dp (1 + r^3)),  f = T / Vi",
            "load runs ahead: g^2 = 2 ((pmin - f) / r - pt) / (dp r^2)",
            "compensated: 0.85 to 1.3 as long as the load does not run ahead and the drop is there",
        ),
        given=(
            *given_place(node_of_most(physics.envelope, high)),
            Given(symbol="r", meaning="outlet over inlet area", value=round(ratio, 4), unit="ratio"),
            given_bar("dp", "rated drop, both edges", float(valve.rated_drop_pa)),
            given_bar("ps", "pump at relief", float(supply.relief_pa)),
            given_bar("pt", "tank line", float(supply.tank_pa)),
            given_bar("pull", "of the load, on the outlet side", _pull_pa(physics, side)),
            Given(symbol="g", meaning="highest real over asked speed", value=round(results[0], 4), unit="ratio"),
            Given(symbol="gc", meaning="compiled into the braking curve", value=round(results[1], 4), unit="ratio"),
        ),
        source=f"{DERIVED}/metering.py; 0.85 to 1.3: common practice, no source",
    )
