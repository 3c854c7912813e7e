"""Stability of the follow loop: gain and phase margin with lag, dead time, sampling and the oil spring."""

from __future__ import annotations

import math
from dataclasses import replace

from mapper.check.context import JointContext, down
from mapper.check.demand import Demand, judge_demands
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.motion.dynamics import gain_range
from mapper.machine.arm.modes import arm_modes
from mapper.machine.loop import GAIN_MARGIN_DB, PHASE_MARGIN_DEG, RIGID_HZ, LoopClass, Margins, worst_margins
from mapper.machine.oil.oil_spring import has_oil, lowest_hz
from mapper.table.table import FOLLOW

_LIMIT = "loop_margin"
_SOURCE = "common practice; Ogata, Modern Control Engineering, from memory"
_GAIN_STEP = 0.01
_GAIN_SHARE_LEAST = 0.1  # a real gain below this share of the highest only makes the joint slow
_TRIES = 30


def loop_margin(context: JointContext) -> Finding | None:
    """Both margins of the worst plant. None for a joint whose lever sets its speed: it has no loop."""
    if context.table.control != FOLLOW or context.joint.follow is None:
        return None
    gain = float(context.joint.follow.gain_per_s)
    members, rests_on = loop_class(context, gain)
    found = worst_margins(members)
    advice = _advice(context, gain, found)
    finding = judge_demands(
        context,
        _LIMIT,
        (
            Demand(
                what="gain margin",
                value=found.gain_margin_db,
                bound=GAIN_MARGIN_DB,
                unit="dB",
                why=_SOURCE,
                advice=advice,
                at_least=True,
            ),
            Demand(
                what="phase margin",
                value=found.phase_margin_deg,
                bound=PHASE_MARGIN_DEG,
                unit="deg",
                why=_SOURCE,
                advice=advice,
                at_least=True,
            ),
        ),
        cases=found.cases,
        detail=f"; the highest gain that keeps both is {down(gain * found.highest_gain, _GAIN_STEP):g} 1/s. Worst gain "
        f"margin with {_plant_words(found.worst_gain_plant)}, worst phase margin with "
        f"{_plant_words(found.worst_phase_plant)}; of {found.cases} plants between all corners, {rests_on}",
        explanation=_explained(gain, members, found),
    )
    return replace(finding, evidence=Evidence.SEARCH)


def loop_class(context: JointContext, gain_per_s: float) -> tuple[LoopClass, str]:
    """The plants, and what their lowest frequency rests on."""
    tolerances = context.joint.tolerances
    ranges = [gain_range(context, side) for side in (0, 1)]
    highest = max(high for _, high in ranges)
    lowest = max(min(low for low, _ in ranges), _GAIN_SHARE_LEAST * highest)
    stated = float(tolerances.natural_frequency_hz)
    physics = context.physics
    damping = float(tolerances.damping_ratio)
    if not context.model.takes_pump_flow:
        natural, rests_on = RIGID_HZ, "an electric joint is taken as rigid"
    elif physics is not None and has_oil(physics) and physics.joint.hoses is not None:
        mode = arm_modes(physics.profile).modes.get(context.joint.name)
        computed = min(float(lowest_hz(physics).min()), math.inf if mode is None else mode.hz)
        natural = max(min(stated, computed), 0.01)
        rests_on = f"oil spring from {natural:.3g} Hz (stated, computed alone or together, the lowest) to rigid"
    else:
        natural = stated
        rests_on = f"oil spring from {natural:.3g} Hz (stated, not computed: body or hoses are missing) to rigid"
    return LoopClass(
        gain_per_s=(gain_per_s * lowest, gain_per_s * highest),
        lag_s=(float(tolerances.lag_s.lower), float(tolerances.lag_s.upper)),
        # Of a rising reading the median of three is one tick old; computing takes up to a tick more.
        delay_s=(
            float(tolerances.dead_time_s.lower) + context.tick_s,
            float(tolerances.dead_time_s.upper) + 2.0 * context.tick_most_s,
        ),
        hold_s=context.tick_s,
        natural_hz=(natural, RIGID_HZ),
        damping_ratio=(min(damping, 1.0), 1.0),
    ), rests_on


def _advice(context: JointContext, gain: float, found: Margins) -> str:
    """The largest gain that holds when it is tried."""
    fits = down(gain * found.highest_gain, _GAIN_STEP)
    for _ in range(_TRIES):
        if fits <= 0.0 or found.highest_gain >= 1.0:
            break
        tried = worst_margins(loop_class(context, fits)[0])
        if tried.gain_margin_db >= GAIN_MARGIN_DB and tried.phase_margin_deg >= PHASE_MARGIN_DEG:
            break
        fits = round(fits - _GAIN_STEP, 6)
    if fits <= 0.0:
        return f"control of {context.key} by speed: no follow gain holds on this spring"
    return f'{context.key}.follow.gain = "{fits:g} 1/s"; feed_forward then carries the tracking'


def _plant_words(plant: dict[str, float]) -> str:
    rigid = plant["natural_hz"] >= 0.99 * RIGID_HZ
    spring = "rigid" if rigid else f"spring {plant['natural_hz']:.3g} Hz, damping {plant['damping_ratio']:.2g}"
    return f"lag {plant['lag_s'] * 1000:.3g} ms, delay {plant['delay_s'] * 1000:.3g} ms, {spring}"


def _explained(gain: float, members: LoopClass, found: Margins) -> Explanation:
    plant = found.worst_gain_plant
    return Explanation(
        formula=(
            "L(s) = K g exp(-s T) (1 - exp(-s h)) / (s h) / (s (1 + tau s)) * w^2 / (s^2 + 2 z w s + w^2)",
            "gain margin = 1 / |L| where the phase is -180 deg (or an odd multiple), the smallest",
            "phase margin = distance of the phase from -180 deg where |L| = 1, the smallest of all crossings",
        ),
        given=(
            Given(symbol="K", meaning="gain", value=gain, unit="1/s"),
            Given(symbol="g", meaning="real over asked speed", value=members.gain_per_s[1] / gain, unit="ratio"),
            Given(symbol="T", meaning="dead time, median and computing, worst case", value=plant["delay_s"] * 1e3,
                  unit="ms"),
            Given(symbol="h", meaning="tick, zero-order hold", value=members.hold_s * 1e3, unit="ms"),
            Given(symbol="tau", meaning="lag of the valve, worst case", value=plant["lag_s"] * 1e3, unit="ms"),
            Given(symbol="w / 2 pi", meaning="natural frequency, worst case", value=plant["natural_hz"], unit="Hz"),
            Given(symbol="z", meaning="damping ratio, worst case", value=plant["damping_ratio"], unit="ratio"),
        ),
        source=f"Nyquist criterion; margins {_SOURCE}",
    )  # fmt: skip
