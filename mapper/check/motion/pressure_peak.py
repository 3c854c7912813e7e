"""Pressure peaks of stops: a ramp opens no relief; a sudden stop stays below what actuator and hoses are rated for."""

from __future__ import annotations

import math

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, Floats, JointContext, down, not_shown, slowest_flow_per_speed
from mapper.check.demand import Demand, judge_demands
from mapper.check.finding import Explanation, Finding, Given
from mapper.check.hydraulics.loaded import bar, given_bar, given_place, place_words
from mapper.check.motion.dynamics import Worst, gain_range, lacking, worst_of
from mapper.check.motion.valve_class import most_flow_e4
from mapper.machine.load import along_n_m
from mapper.machine.oil.holding import COUNTERBALANCES, held_outlets, opens_at_most_pa
from mapper.machine.oil.oil_spring import CAP, ROD, outlet_side, stiff_columns, stiffest_modulus_pa
from mapper.machine.physics import JointPhysics
from mapper.machine.stop.running import (
    between_soft_stops,
    overshoot,
    ramp_peaks_pa,
    running_outlet_pa,
    start_speed_rad_s,
)
from mapper.machine.stop.stopping import CATEGORY_0, StopArrays, caps_pa, opens_pa, stop_arrays
from mapper.table.table import Q16

_LIMIT = "pressure_peak"
_PORTS = ("cap side", "rod side")
_MOTOR_PORTS = ("port that positive motion fills", "port that negative motion fills")
_SHARE_OF_RATING = 0.92  # a relief rises some 8 % above its setting at full flow; common practice, no source
_BISECTIONS = 24
_STEP_DEG_S2 = 0.1


def pressure_peak(context: JointContext) -> Finding | None:
    """Four peaks: ramp and sudden stop, cap and rod side. None for an electric joint."""
    if not context.model.takes_pump_flow:
        return None
    missing = lacking(context, _LIMIT, "bar") or _unrated(context)
    if missing is not None:
        return missing
    physics = context.physics
    assert physics is not None
    rating, opens = _rating_pa(context), opens_pa(physics)
    left = (_left_rad_s(context, 0), _left_rad_s(context, 1))
    ramps = _ramps(physics, _rate_deg_s2(context), left)
    stops = (stop_arrays(physics, 0, CATEGORY_0), stop_arrays(physics, 1, CATEGORY_0))
    demands, places = [], []
    for port in (CAP, ROD):
        worst = worst_of(physics, ramps[port])
        bound = min(opens[port], rating)
        demands.append(
            Demand(
                what=f"ramp, {_port(context, port)}",
                value=bar(worst.value),
                bound=bar(bound),
                unit="bar",
                why="a relief opens here" if opens[port] <= rating else "the lowest rating",
                advice=_ramp_advice(context, physics, left) if worst.value > bound else "",
            )
        )
        places.append(worst)
    for port in (CAP, ROD):
        worst = worst_of(physics, (stops[0].peak_pa[port], stops[1].peak_pa[port]))
        demands.append(
            Demand(
                what=f"sudden stop, {_port(context, port)}",
                value=bar(worst.value),
                bound=bar(rating),
                unit="bar",
                why="the lowest rating of actuator and hoses",
                advice=_relief_advice(context, physics, port, ramps) if worst.value > rating else "",
            )
        )
        places.append(worst)
    nearest = min(range(len(demands)), key=lambda number: demands[number].spare_share)
    return judge_demands(
        context,
        _LIMIT,
        demands,
        cases=4 * len(SIDES) * physics.envelope.torque_most_n_m.size,
        detail="; worst: "
        + "; ".join(
            f"{demand.what} {SIDE_NAMES[worst.side]} at {place_words(physics, worst.node, None)}"
            for demand, worst in zip(demands, places, strict=True)
        )
        + f"{_free_words(physics, stops)}. From speed_never_above, stiffest oil, no friction, the other joints taken "
        "as rigid. What the pump itself gives a side that it drives is in pressure_rating. On top comes what a relief "
        f"rises above its setting with flow{_back_words(context)}",
        explanation=_explained(context, physics, places[nearest], nearest < 2),
    )


def _port(context: JointContext, port: int) -> str:
    return _PORTS[port] if context.model.linkage is not None else _MOTOR_PORTS[port]


def _unrated(context: JointContext) -> Finding | None:
    keys = _ratings(context)
    missing = [key for key, value in keys.items() if value is None]
    if not missing:
        return None
    return not_shown(
        context,
        _LIMIT,
        unit="bar",
        detail=f"what the peak may be is not in the profile: {', '.join(missing)}",
        advice=f"write {' and '.join(missing)}, as the makers state them",
    )


def _ratings(context: JointContext) -> dict[str, float | None]:
    drive, hoses = context.joint.drive, context.joint.hoses
    rated = getattr(drive, "rated_pressure_pa", None)
    lines = None if hoses is None else hoses.rated_pressure_pa
    return {
        f"{context.key}.drive.rated_pressure": None if rated is None else float(rated),
        f"{context.key}.hoses.rated_pressure": None if lines is None else float(lines),
    }


def _rating_pa(context: JointContext) -> float:
    return min(value for value in _ratings(context).values() if value is not None)


def _rate_deg_s2(context: JointContext) -> float:
    limits = context.joint.limits
    return float(max(limits.deceleration_deg_s2, limits.stop_deceleration_deg_s2))


def _left_rad_s(context: JointContext, side: int) -> float:
    """Real speed that the spool still lets through when the command reaches zero and it centres."""
    speed = most_flow_e4(context, side, 1)[1] * Q16 / slowest_flow_per_speed(context, side) / MDEG
    return math.radians(speed * gain_range(context, side)[1])


def _ramps(
    physics: JointPhysics, rate_deg_s2: float, left_rad_s: tuple[float, float]
) -> tuple[tuple[Floats, Floats], ...]:
    """[port][direction] -> (k, n) in Pa."""
    rate, here = math.radians(rate_deg_s2), between_soft_stops(physics)
    peaks = [ramp_peaks_pa(physics, side, rate, left_rad_s[side]) for side in SIDES]
    return tuple((np.where(here, peaks[0][port], 0.0), np.where(here, peaks[1][port], 0.0)) for port in (CAP, ROD))


def _free_words(physics: JointPhysics, stops: tuple[StopArrays, StopArrays]) -> str:
    most = [max(bar(float(np.max(one.free_pa[port]))) for one in stops) for port in (CAP, ROD)]
    if all(math.isinf(cap) for cap in caps_pa(physics)):
        return "; no relief caps a sudden stop"
    return f"; without its reliefs a sudden stop would make {most[CAP]:.4g} and {most[ROD]:.4g} bar"


def _back_words(context: JointContext) -> str:
    """What the relief function of a counterbalance needs to work at all, and what the tank line adds to it."""
    if context.joint.holding.kind not in COUNTERBALANCES or context.joint.holding.pilot_ratio is None:
        return ""
    back = bar(_back_pa(context))
    raised = f". {back:.3g} bar of a counterbalance's peak come from the tank line behind it" if back else ""
    return f"{raised}. A counterbalance's relief needs a way out: a spool that drains both valve ports when centred"


def _back_pa(context: JointContext) -> float:
    """How far above its setting a counterbalance opens, 0 where there is none."""
    holding = context.joint.holding
    opens = opens_at_most_pa(holding, float(context.profile.supply.tank_pa))
    return 0.0 if opens is None or holding.setting_pa is None else opens - float(holding.setting_pa)


def _ramp_advice(context: JointContext, physics: JointPhysics, left_rad_s: tuple[float, float]) -> str:
    """The steepest ramp that opens nothing."""
    bounds = [min(cap, _rating_pa(context)) for cap in opens_pa(physics)]

    def opens(rate_deg_s2: float) -> bool:
        ramps = _ramps(physics, rate_deg_s2, left_rad_s)
        return any(float(np.max(ramps[port][side])) > bounds[port] for port in (CAP, ROD) for side in SIDES)

    low, high = 0.0, _rate_deg_s2(context)
    if opens(low):
        key = "setting" if context.joint.holding.setting_pa is not None else "port_relief"
        return f"a higher {context.key}.holding.{key}: load and metered outlet open it when the spool centres"
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if opens(middle) else (middle, high)
    fits = down(low, _STEP_DEG_S2)
    if fits <= 0.0:
        return f"a higher relief setting in {context.key}.holding: no ramp that can be written is gentle enough"
    return " and ".join(
        f'{context.key}.limits.{name} = "{fits:g} deg/s2"'
        for name in ("deceleration", "stop_deceleration")
        if float(getattr(context.joint.limits, f"{name}_deg_s2")) > fits
    )


def _relief_advice(
    context: JointContext, physics: JointPhysics, port: int, ramps: tuple[tuple[Floats, Floats], ...]
) -> str:
    """A relief to fit, or another setting of the one that is there."""
    holding = context.joint.holding
    least = max(bar(float(np.max(ramps[one][side]))) for one in (CAP, ROD) for side in SIDES)
    counter = holding.kind in COUNTERBALANCES and math.isfinite(caps_pa(physics)[port]) and _held(physics, port)
    most = bar(_rating_pa(context) - (_back_pa(context) if counter else 0.0))
    fits = min(down(_SHARE_OF_RATING * bar(_rating_pa(context)), 5.0), down(most, 1.0))
    if fits <= least:
        fits = down(most, 1.0)
    if holding.kind == "port_relief" or counter:
        return f'{context.key}.holding.setting = "{fits:g} bar"'
    if holding.kind == "pilot_check":
        return (
            f'{context.key}.holding.kind = "double_counterbalance" with {context.key}.holding.setting = "{fits:g} bar" '
            "at the actuator in place of the check valves: shut, they keep any relief at the valve's ports away from "
            "the actuator; or lower speeds"
        )
    if holding.kind == "none":
        return (
            f'{context.key}.holding.kind = "port_relief" and {context.key}.holding.setting = "{fits:g} bar", and fit '
            "these reliefs at the valve's ports"
        )
    return f'{context.key}.holding.port_relief = "{fits:g} bar", and fit these reliefs at the valve\'s ports'


def _held(physics: JointPhysics, port: int) -> bool:
    """A seat valve at the actuator shuts this side off."""
    held = held_outlets(physics.joint.holding, physics.model, physics.envelope)
    return any(held[side] and outlet_side(physics.model, side) == port for side in SIDES)


def _explained(context: JointContext, physics: JointPhysics, worst: Worst, ramp: bool) -> Explanation:
    limits, at = context.joint.limits, (worst.node.load_index, worst.node.q_index)
    columns, side = stiff_columns(physics), outlet_side(physics.model, worst.side)
    stiff = columns.stiffness_n_m_rad(stiffest_modulus_pa(physics))[side, worst.node.q_index]
    along = (physics.envelope.torque_most_n_m, -physics.envelope.torque_least_n_m)[worst.side][at]
    damping = float(context.joint.tolerances.damping_ratio)
    rate = (
        _rate_deg_s2(context)
        if ramp
        else float(max(limits.acceleration_deg_s2, limits.deceleration_deg_s2, limits.stop_deceleration_deg_s2))
    )
    caps = caps_pa(physics)
    given = [
        *given_place(worst.node),
        Given(symbol="I", meaning="most inertia", value=float(physics.envelope.inertia_most_kg_m2[at]), unit="kg m2"),
        Given(symbol="a", meaning="steepest ramp of the command", value=rate, unit="deg/s2"),
        Given(symbol="g", meaning="real over asked speed, highest", value=gain_range(context, worst.side)[1],
              unit="ratio"),
        Given(symbol="q'", meaning=f"overshoot at damping {damping:g}", value=overshoot(damping), unit="ratio"),
        Given(symbol="tau", meaning="gravity along the motion, most", value=float(along) / 1e3, unit="kN m"),
        Given(symbol="D", meaning=f"compressed side ({_port(context, side)}): volume for a radian",
              value=float(columns.displacement_m3_rad[side, worst.node.q_index]) * 1e6, unit="cm3/rad"),
        given_bar("pt", "tank line", float(context.profile.supply.tank_pa)),
        given_bar("po", "outlet in steady motion, most", float(running_outlet_pa(
            physics, worst.side, along_n_m(physics.envelope, worst.side))[at])),
    ]  # fmt: skip
    if not ramp:
        given += [
            Given(symbol="w0", meaning=f"speed_never_above, {SIDE_NAMES[worst.side]}",
                  value=math.degrees(start_speed_rad_s(physics, worst.side)), unit="deg/s"),
            Given(symbol="kc", meaning="stiffest oil of that side", value=float(stiff) / 1e3, unit="kN m/rad"),
        ]  # fmt: skip
        if math.isfinite(caps[side]):
            given.append(given_bar("p_set", "relief or counterbalance at that side", caps[side]))
    formula = (
        (
            "behind a counterbalance or check valve: peak = po + I g a (1 + q') / D; 2 w root(I kc) / D more where a "
            "very light joint flutters on it",
            "else peak = what the outlet edge holds back against tau + I g a (1 + q'); that over D, + pt D'/D, if more",
            "swinging back: q' I g a (1 + q') on the other side",
        )
        if ramp
        else (
            "E = (w0 sqrt(I) + I g a (1 + q') / sqrt(kc))^2 / 2,  kc x^2 / 2 = E (and what bears the load gives up)",
            "with what drives against the outlet, B = po D - tau: kc x^2 / 2 + B x - B^2 / (2 ko) = E",
            "peak = (kc x + B + tau) / D + pt D'/D, no more than p_set",
            "swinging back: q' kc x on the other side",
        )
    )
    return Explanation(
        formula=formula,
        given=tuple(given),
        source="work and energy, step response of a damped oscillator; derived in mapper/machine/stop/running.py "
        "and stopping.py; oil without air 1.6 GPa, from memory",
    )
