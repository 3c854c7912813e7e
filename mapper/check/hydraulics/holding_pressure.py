"""Limit of load holding: set well over what the load makes, and still opened by what the pump has; a holding brake has
torque enough.
"""

from __future__ import annotations

import math

import numpy as np

from mapper.check.context import SIDE_NAMES, SIDES, JointContext, not_shown, up
from mapper.check.demand import PRACTICE, Demand, judge_demands
from mapper.check.finding import Explanation, Finding, Given
from mapper.check.hydraulics.loaded import BAR, bar, given_bar, load_unknown, place_words
from mapper.machine.load import node_of_most
from mapper.machine.oil.holding import (
    BRAKE_FACTOR,
    COUNTERBALANCES,
    SETTING_FACTOR,
    back_factor,
    brake_least_n_m,
    gripped_pa,
    held_outlets,
)
from mapper.machine.oil.pressure import Motion, available_pa, needed, port_cap_pa, shut_in_n_m
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import CylinderDrive, ElectricDrive, MotorDrive

_FRICTION_PA = 1e5
"""Load-induced pressure that seals hold by themselves. Common practice, no source."""

_RATIO_STEP = 0.1
_NO_TORQUE_N_M = 1e-6


def holding_pressure(context: JointContext) -> Finding | None:
    """Setting, side and pilot pressure of what holds the joint, and the torque of its brake. None where neither a valve
    at the actuator nor a brake does.
    """
    holding = context.joint.holding
    valves = (*COUNTERBALANCES, "pilot_check")
    cap = port_cap_pa(holding)
    by_oil = not isinstance(context.joint.drive, ElectricDrive) and (holding.kind in valves or cap is not None)
    braked = isinstance(context.joint.drive, MotorDrive) and context.joint.drive.brake_torque_n_m is not None
    if holding.kind != "brake" and not by_oil and not braked:
        return None
    physics = context.physics
    if physics is None:
        return load_unknown(context, "holding_pressure", "bar" if by_oil else "N m")
    if holding.kind == "brake" or not by_oil:
        # A port relief beside a brake cannot creep open: the brake keeps the load off the oil.
        return _by_brake_alone(context, physics)
    brakes = _brake(context, physics)
    if holding.kind in COUNTERBALANCES:
        demands = [*_settings(context, physics), *_open_side(context, physics), *_pilot(context, physics)]
    elif holding.kind == "pilot_check":
        demands = [*_pilot(context, physics)]
    else:
        assert cap is not None
        demands = [_port_relief(context, physics, cap)]
    held = held_outlets(holding, physics.model, physics.envelope)
    sides = " and ".join(_port_words(physics, side) for side in SIDES if held[side]) or "both ports (relief only)"
    return judge_demands(
        context,
        "holding_pressure",
        [*demands, *brakes],
        cases=len(SIDES) * physics.envelope.torque_most_n_m.size,
        detail=f"; held: {sides}{_second_words(brakes)}; load-induced pressures: {_load_words(physics)}; "
        f"{_cases_words(context)}{_drain_words(context)}",
        explanation=_explained(physics),
    )


def _cases_words(context: JointContext) -> str:
    tilt_deg = float(context.profile.tilt_deg)
    return f"every load, every pose of the other joints, tilt {tilt_deg:g} deg, friction not counted"


def _second_words(brakes: list[Demand]) -> str:
    return "; the brake is a second means, and must hold alone" if brakes else ""


def _brake(context: JointContext, physics: JointPhysics) -> list[Demand]:
    """The torque of a holding brake, where the profile gives it."""
    drive = physics.joint.drive
    if isinstance(drive, CylinderDrive) or drive.brake_torque_n_m is None:
        return []
    most = brake_least_n_m(physics.joint, physics.envelope)
    least = BRAKE_FACTOR * most
    return [
        Demand(
            what="torque of the holding brake",
            value=float(drive.brake_torque_n_m),
            bound=least,
            unit="N m",
            why=f"{BRAKE_FACTOR:g} times the largest of gravity, {most:.4g} N m; {PRACTICE}",
            advice=f'{context.key}.drive.brake_torque = "{up(least):g} N m": fit such a brake',
            at_least=True,
        )
    ]


def _by_brake_alone(context: JointContext, physics: JointPhysics) -> Finding | None:
    """None where gravity does nothing to the joint."""
    most = brake_least_n_m(physics.joint, physics.envelope)
    if most <= _NO_TORQUE_N_M:
        return None
    brakes = _brake(context, physics)
    if not brakes:
        return not_shown(
            context,
            "holding_pressure",
            unit="N m",
            detail=f"held by a brake alone, against {most:.4g} N m; what the brake holds is not in the profile",
            advice=f"write {context.key}.drive.brake_torque, as its maker states it, behind the gear; at least "
            f'"{up(BRAKE_FACTOR * most):g} N m" is needed',
        )
    return judge_demands(
        context,
        "holding_pressure",
        brakes,
        cases=len(SIDES) * physics.envelope.torque_most_n_m.size,
        detail=f"; held: by the brake; {_cases_words(context)}",
        explanation=Explanation(
            formula=(f"Tb >= {BRAKE_FACTOR:g} Tg",),
            given=_given_brake(physics),
            source="factor: common practice, no source; torque of gravity: statics, mapper/machine/arm/arm.py",
        ),
    )


def _given_brake(physics: JointPhysics) -> tuple[Given, ...]:
    drive = physics.joint.drive
    if isinstance(drive, CylinderDrive) or drive.brake_torque_n_m is None:
        return ()
    most = brake_least_n_m(physics.joint, physics.envelope)
    return (
        Given(symbol="Tb", meaning="torque of the holding brake", value=float(drive.brake_torque_n_m), unit="N m"),
        Given(symbol="Tg", meaning="largest torque of gravity, any load and pose", value=round(most, 1), unit="N m"),
    )


def _drain_words(context: JointContext) -> str:
    """What every valve that is opened by a pilot line takes for granted."""
    if context.joint.holding.pilot_ratio is None:
        return ""
    return (
        ". It shuts only where the spool, centred, drains both valve ports to tank: with blocked ports the pilot stays "
        "under pressure; the profile does not say which spool is fitted"
    )


def _port_words(physics: JointPhysics, side: int) -> str:
    """The port that oil leaves by in a motion in the direction."""
    if physics.model.linkage is None:
        return f"the outlet of moving {SIDE_NAMES[side]}"
    return "the rod side" if physics.model.extending(side) else "the cap side"


def _loaded(physics: JointPhysics, side: int) -> tuple[float, str]:
    """Highest load-induced pressure on the outlet of a direction in Pa, and where; of a grip, what it grips with."""
    values = gripped_pa(physics.joint, physics.model, physics.envelope, side)
    node = node_of_most(physics.envelope, values)
    # The load pulls most where it is hardest to move the other way.
    return float(np.max(values)), place_words(physics, node, 1 - side)


def _load_words(physics: JointPhysics) -> str:
    words = []
    for side in SIDES:
        pressure, place = _loaded(physics, side)
        words.append(f"{_port_words(physics, side)} {bar(pressure):.4g} bar" + (f" at {place}" if pressure > 0 else ""))
    return ", ".join(words)


def _settings(context: JointContext, physics: JointPhysics) -> list[Demand]:
    holding = physics.joint.holding
    assert holding.setting_pa is not None
    held = held_outlets(holding, physics.model, physics.envelope)
    demands = []
    for side in SIDES:
        pressure, place = _loaded(physics, side)
        if held[side]:
            least = SETTING_FACTOR * bar(pressure)
            why = f"{SETTING_FACTOR:g} times the load's {bar(pressure):.4g} bar at {place}; {PRACTICE}"
            lowered = float(holding.pilot_ratio or 0) * float(physics.profile.supply.tank_pa) if holding.vented else 0.0
            if bar(pressure + lowered) > least:
                least = bar(pressure + lowered)
                why = (
                    f"the load's {bar(pressure):.4g} bar at {place}, and pilot ratio x tank line, which presses on the "
                    "pilot of a vented valve"
                )
            demands.append(
                Demand(
                    what=f"setting that holds {_port_words(physics, side)}",
                    value=bar(float(holding.setting_pa)),
                    bound=least,
                    unit="bar",
                    why=why,
                    advice=f'{context.key}.holding.setting = "{up(least):g} bar", or a larger bore',
                    at_least=True,
                )
            )
    return demands


def _open_side(context: JointContext, physics: JointPhysics) -> list[Demand]:
    """A single counterbalance leaves the other side open: nothing of the load may come to it."""
    if physics.joint.holding.kind != "counterbalance":
        return []
    held = held_outlets(physics.joint.holding, physics.model, physics.envelope)
    side = next(side for side in SIDES if not held[side])
    pressure, place = _loaded(physics, side)
    return [
        Demand(
            what=f"load on {_port_words(physics, side)}, where nothing holds",
            value=bar(pressure),
            bound=bar(_FRICTION_PA),
            unit="bar",
            why=f"at {place}; what seals hold: {PRACTICE}",
            advice=f'{context.key}.holding.kind = "double_counterbalance": past the vertical the load is on the other '
            "side",
        )
    ]


def _pilot(context: JointContext, physics: JointPhysics) -> list[Demand]:
    """Pressure at the inlet that opens what holds the outlet, moving steadily, against what the pump leaves."""
    most = available_pa(physics)
    held = held_outlets(physics.joint.holding, physics.model, physics.envelope)
    demands = []
    for side in SIDES:
        if not held[side]:
            continue
        need = needed(physics, side, Motion.STEADY)
        node = node_of_most(physics.envelope, need.opens_pa)
        ratio = _ratio_that_opens(physics, side, most)
        advice = (
            f"{context.key}.holding.pilot_ratio = {ratio:g}"
            if ratio is not None
            else f"a lower setting or a larger pressure of the pump: no pilot ratio opens {_port_words(physics, side)}"
        )
        demands.append(
            Demand(
                what=f"pressure that opens {_port_words(physics, side)} to move {SIDE_NAMES[side]}",
                value=bar(float(np.max(need.opens_pa))),
                bound=bar(most),
                unit="bar",
                why=f"what the pump leaves; at {place_words(physics, node, None)}, back pressure "
                f"{bar(need.outlet_pa):.3g} bar{_chamber_words(physics)}",
                advice=advice,
            )
        )
    return demands


def _chamber_words(physics: JointPhysics) -> str:
    holding = physics.joint.holding
    if holding.kind not in COUNTERBALANCES:
        return ""
    return ", spring chamber vented" if holding.vented else " on an unvented spring chamber"


def _ratio_that_opens(physics: JointPhysics, side: int, most_pa: float) -> float | None:
    """Smallest pilot ratio, in tenths, with which the pump opens the outlet. Solved from holding.py's two balances."""
    need = needed(physics, side, Motion.STEADY)
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, side)
    load = np.where(need.torque_n_m > 0.0, need.torque_n_m / physics.model.efficiency, need.torque_n_m)
    if physics.joint.holding.kind == "pilot_check":
        load = -shut_in_n_m(physics, side)
    holding = physics.joint.holding
    back = 0.0 if holding.vented else need.outlet_pa
    if most_pa <= back:
        return None
    sound = outlet > 0.0
    load, inlet, outlet = load[:, sound], inlet[sound], outlet[sound]
    if holding.kind in COUNTERBALANCES:
        assert holding.setting_pa is not None
        pushed = load + outlet * (float(holding.setting_pa) + back) - most_pa * inlet
        ratio = float(np.max(pushed / (outlet * (most_pa - back))))
    else:
        ratio = float(np.max((inlet / outlet + (-load / outlet - back) / most_pa) / (1.0 - back / most_pa)))
    least = max(up(ratio, _RATIO_STEP), 1.0)
    return least if math.isfinite(least) else None


def _port_relief(context: JointContext, physics: JointPhysics, cap_pa: float) -> Demand:
    """Where nothing else stands between load and port relief, it must not creep open under the load."""
    pressure, place = max(_loaded(physics, side) for side in SIDES)
    least = SETTING_FACTOR * bar(pressure)
    key = "setting" if physics.joint.holding.kind == "port_relief" else "port_relief"
    return Demand(
        what="port relief",
        value=cap_pa / BAR,
        bound=least,
        unit="bar",
        why=f"{SETTING_FACTOR:g} times the load's {bar(pressure):.4g} bar at {place}; {PRACTICE}",
        advice=f'{context.key}.holding.{key} = "{up(least):g} bar", or a larger bore',
        at_least=True,
    )


def _explained(physics: JointPhysics) -> Explanation:
    holding = physics.joint.holding
    given = [
        given_bar("pc", f"load-induced, {_port_words(physics, side)}", _loaded(physics, side)[0]) for side in SIDES
    ]
    given += [
        given_bar("pb", f"back pressure, moving {SIDE_NAMES[side]}", needed(physics, side, Motion.STEADY).outlet_pa)
        for side in SIDES
    ]
    given.append(given_bar("pa", "what the pump leaves at the inlet", available_pa(physics)))
    if holding.setting_pa is not None:
        given.insert(0, given_bar("S", "setting", float(holding.setting_pa)))
    if holding.pilot_ratio is not None:
        given.insert(1, Given(symbol="R", meaning="pilot ratio", value=float(holding.pilot_ratio), unit="ratio"))
    if holding.kind in COUNTERBALANCES:
        behind = back_factor(float(holding.pilot_ratio or 0), vented=holding.vented)
        meaning = f"of the back pressure, spring chamber {'vented: 0' if holding.vented else 'not vented: 1 + R'}"
        given.insert(2, Given(symbol="b", meaning=meaning, value=behind, unit="ratio"))
    brake = _given_brake(physics)
    return Explanation(
        formula=(
            f"S >= {SETTING_FACTOR:g} pc, pc = load torque / oil of the loaded side for 1 rad",
            "counterbalance opens at pc + R pi = S + b pb, moving at Vi pi - Vo pc = T:",
            "pi = (T + Vo (S + b pb)) / (Vi + R Vo) <= pa",
            "pilot check: pi = (Tt / Vo + (R - 1) pb) / (R - Vi / Vo) <= pa, Tt what is trapped behind it",
            *([f"brake: Tb >= {BRAKE_FACTOR:g} Tg"] if brake else []),
        ),
        given=(*given, *brake),
        source="factor: taught by the trade, common practice, no source; pilot pressure = (setting - load) / ratio: "
        "Power & Motion, Understanding Counterbalance Valves; the back-pressure term from memory; balances derived in "
        "mapper/machine/oil/holding.py",
    )
