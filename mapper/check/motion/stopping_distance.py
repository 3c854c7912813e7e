"""Stopping distance of the load's centre and time of every kind of stop, against what the profile allows."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np

from mapper.check.context import SIDE_NAMES, SIDES, JointContext, down, judge, not_shown, up
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.hydraulics.loaded import bar, given_bar, given_place, place_words
from mapper.check.motion.dynamics import Worst, gain_range, lacking, worst_of
from mapper.machine.arm.envelope import Floats
from mapper.machine.oil.oil_spring import CAP, ROD, has_oil, outlet_side, softest_n_m_rad
from mapper.machine.physics import JointPhysics
from mapper.machine.stop.running import outlet_edge_pa, start_speed_rad_s
from mapper.machine.stop.stopping import (
    CATEGORY_0,
    CATEGORY_1,
    RELEASE,
    STANDS_RAD_S,
    StopArrays,
    effect_s,
    opens_pa,
    stop_arrays,
    tip_radius_m,
)
from mapper.profile.profile import Limits, TwoWay

_LIMIT = "stopping_distance"
_MM = 1000.0
_NAMES = {RELEASE: "letting go", CATEGORY_0: "category 0 or fault", CATEGORY_1: "category 1"}
_BISECTIONS = 12


def stopping_distance(context: JointContext) -> Finding:
    """The farthest that the load's centre still moves after any stop of this joint that the machine has."""
    missing = lacking(context, _LIMIT, "mm")
    if missing is not None:
        return missing
    physics, allowed = context.physics, context.joint.limits.stop_distance_m
    assert physics is not None
    stops = {kind: tuple(stop_arrays(physics, side, kind) for side in SIDES) for kind in _kinds(context)}
    radius = tip_radius_m(physics)
    worst = {kind: _farthest(physics, found, radius) for kind, found in stops.items()}
    kind = max(worst, key=lambda name: worst[name].value)
    words = "; ".join(_words(physics, name, stops[name], worst[name], radius) for name in stops)
    if allowed is None:
        return not_shown(
            context,
            _LIMIT,
            unit="mm",
            detail=f"how far the load may still move is not in the profile. It may: {words}",
            advice=f"write {context.key}.limits.stop_distance: the room that is kept clear around the load; at least "
            f'"{up(worst[kind].value * _MM, 10.0):g} mm" as it is now. What is measured at hand-over must be below it',
        )
    return judge(
        context,
        _LIMIT,
        evidence=Evidence.COMPUTED,
        cases=sum(2 * found[0].distance_rad.size for found in stops.values()),
        worst=worst[kind].value * _MM,
        bound=float(allowed) * _MM,
        unit="mm",
        detail=f"{words}. {_class_words(physics)}",
        advice=""
        if worst[kind].value <= float(allowed)
        else _advice(context, physics, float(allowed), worst[kind].value),
        explanation=_explained(context, physics, kind, worst[kind]),
    )


def _kinds(context: JointContext) -> tuple[str, ...]:
    """A fault stops like category 0 in every machine."""
    ramped = (CATEGORY_1,) if context.profile.emergency_stop.category == 1 else ()
    return (RELEASE, CATEGORY_0, *ramped)


def _farthest(physics: JointPhysics, found: tuple[StopArrays, ...], radius: Floats) -> Worst:
    return worst_of(physics, (found[0].distance_rad * radius, found[1].distance_rad * radius))


def _words(physics: JointPhysics, kind: str, found: tuple[StopArrays, ...], worst: Worst, radius: Floats) -> str:
    at = (worst.node.load_index, worst.node.q_index)
    one = found[worst.side]
    text = (
        f"{_NAMES[kind]} {worst.value * _MM:.4g} mm ({math.degrees(float(one.distance_rad[at])):.3g} deg at "
        f"{float(radius[at]):.3g} m) in {_time_words(float(one.time_s[at]))}, {SIDE_NAMES[worst.side]} at "
        f"{place_words(physics, worst.node, None)}"
    )
    if has_oil(physics):
        peaks = [max(float(np.max(each.peak_pa[port])) for each in found) for port in (CAP, ROD)]
        yields = any(np.any(each.yields > 0.0) for each in found)
        text += f", up to {bar(peaks[CAP]):.3g} and {bar(peaks[ROD]):.3g} bar" + (" (relief opens)" if yields else "")
    return text


def _time_words(time_s: float) -> str:
    return (
        f"{time_s * 1000:.0f} ms"
        if math.isfinite(time_s)
        else "a time without end (the relief does not hold the load: it does not stop)"
    )


def _class_words(physics: JointPhysics) -> str:
    return (
        "From speed_never_above, with the longest lag and dead time, three ticks, the softest oil and the swing that a "
        "ramp left; this joint alone, the others taken as rigid: joints that move at the same time add theirs, and the "
        "ends of a long load go farther than its centre. Without what a fault does before it is noticed (a spool stuck "
        "open runs on until the dump has worked), and without friction. The time is until it stands: no faster than "
        f"{math.degrees(STANDS_RAD_S):g} deg/s for the first time, beyond what a leak lets it sink by, or turning "
        "back; on its oil it may still swing to and fro. Dumping the pump stops "
        f"nothing that a load moves: {physics.joint.holding.kind.replace('_', ' ')} does. Measure at hand-over: no "
        "more than this"
    )


def _advice(context: JointContext, physics: JointPhysics, allowed_m: float, worst_m: float) -> str:
    """Lower speeds that keep the distance, tried."""
    scale = _speed_scale(physics, _kinds(context), allowed_m)
    if not all(
        np.all(np.isfinite(stop_arrays(physics, side, kind).time_s)) for kind in _kinds(context) for side in SIDES
    ):
        return (
            f"nothing stops this joint: raise {context.key}.holding.setting or port_relief (see holding_pressure), or "
            "take a larger bore; no distance is enough"
        )
    room = f"or keep {up(worst_m * _MM, 10.0):g} mm clear and write that as stop_distance, if so much room is safe"
    if scale <= 0.0:
        return (
            f"{context.key}: no lower speed keeps this distance; raise stop_deceleration or the relief setting, {room}"
        )
    scaled = _scaled(physics.joint.limits, scale)
    values = []
    for name in ("speed", "speed_never_above", "reduced_speed"):
        new, old = getattr(scaled, f"{name}_deg_s"), getattr(physics.joint.limits, f"{name}_deg_s")
        for side in SIDE_NAMES:
            if getattr(new, side) != getattr(old, side):
                values.append(f'{context.key}.limits.{name}.{side} = "{float(getattr(new, side)):g} deg/s"')
    return f"write {', '.join(values)}; {room}; or a steeper stop_deceleration where pressure_peak allows it"


def _speed_scale(physics: JointPhysics, kinds: tuple[str, ...], allowed_m: float) -> float:
    """Largest share of all speeds that keeps the distance, in whole steps of the bisection; 0 where none does."""
    low, high = 0.0, 1.0
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        slower = replace(physics, joint=replace(physics.joint, limits=_scaled(physics.joint.limits, middle)))
        radius = tip_radius_m(slower)
        farthest = max(
            float(np.max(stop_arrays(slower, side, kind).distance_rad * radius)) for kind in kinds for side in SIDES
        )
        low, high = (middle, high) if farthest <= allowed_m else (low, middle)
    return low


def _scaled(limits: Limits, scale: float) -> Limits:
    """All speeds scaled and rounded down to what one writes; reduced speed no higher than speed."""

    def less(value: Fraction) -> Fraction:
        return Fraction(str(max(down(float(value) * scale), 0.1)))

    def both(pair: TwoWay) -> TwoWay:
        return TwoWay(positive=less(pair.positive), negative=less(pair.negative))

    speed, reduced = both(limits.speed_deg_s), limits.reduced_speed_deg_s
    return replace(
        limits,
        speed_deg_s=speed,
        speed_never_above_deg_s=both(limits.speed_never_above_deg_s),
        reduced_speed_deg_s=TwoWay(
            positive=min(reduced.positive, speed.positive), negative=min(reduced.negative, speed.negative)
        ),
    )


def _explained(context: JointContext, physics: JointPhysics, kind: str, worst: Worst) -> Explanation:
    limits, tolerances = context.joint.limits, context.joint.tolerances
    at = (worst.node.load_index, worst.node.q_index)
    asked = (limits.speed_deg_s.positive, limits.speed_deg_s.negative)[worst.side]
    given = [
        *given_place(worst.node),
        Given(symbol="w0", meaning=f"speed_never_above, {SIDE_NAMES[worst.side]}",
              value=math.degrees(start_speed_rad_s(physics, worst.side)), unit="deg/s"),
        Given(symbol="t", meaning="longest dead time and three ticks", value=effect_s(physics) * 1e3, unit="ms"),
        Given(symbol="lag", meaning="longest lag of the valve", value=float(tolerances.lag_s.upper) * 1e3, unit="ms"),
        Given(symbol="u0", meaning="commanded speed", value=float(asked), unit="deg/s"),
        Given(symbol="a", meaning="stop_deceleration", value=float(limits.stop_deceleration_deg_s2), unit="deg/s2"),
        Given(symbol="g", meaning="real over asked speed, highest", value=gain_range(context, worst.side)[1],
              unit="ratio"),
        Given(symbol="r", meaning="load's centre from the axis", value=float(tip_radius_m(physics)[at]), unit="m"),
        Given(symbol="I", meaning="most inertia", value=float(physics.envelope.inertia_most_kg_m2[at]), unit="kg m2"),
    ]  # fmt: skip
    if has_oil(physics):
        along = (physics.envelope.torque_most_n_m, -physics.envelope.torque_least_n_m)[worst.side][at]
        cap = opens_pa(physics)[outlet_side(physics.model, worst.side)]
        given += [
            Given(symbol="k", meaning="least stiffness", value=float(softest_n_m_rad(physics)[at]) / 1e3,
                  unit="kN m/rad"),
            Given(symbol="tau", meaning="gravity along the motion, most", value=float(along) / 1e3, unit="kN m"),
        ]  # fmt: skip
        if math.isfinite(cap):
            given.append(given_bar("p_set", "relief or counterbalance that stops it", cap))
        edge = outlet_edge_pa(physics, worst.side)
        if edge is not None:
            given.append(given_bar("pe", "over the outlet edge in that motion", float(edge[worst.node.q_index])))
    formula = (
        (
            "oil: w0 (t + lag); where a spool's edge alone holds the outlet w0 (t + lag + lag ln(sqrt((p - pt) / pe)))",
            "load: E / N + N / (2 k) beyond it, N = D p_set - D' pt - tau; without a relief sqrt(2 E / k)",
            "motor: what leaks until its brake bites",
            "E = (w0 sqrt(I) + I g a (1 + q') / sqrt(k))^2 / 2, and the swing that a ramp left",
        )
        if kind == CATEGORY_0
        else (
            "oil: w0 (t + lag) + w0 T - g a T^2 / 2, T = u0 / a, no longer than the deadline; more where a load runs "
            "ahead of it through the spool's edge",
            "load: 2 I g a (1 + q') / k beyond it: hanging back when the stop begins, ahead when it ends",
        )
    )
    return Explanation(
        formula=(*formula, "distance = r x (oil + load)"),
        given=tuple(given),
        source="work and energy; derived in mapper/machine/stop/stopping.py",
    )
