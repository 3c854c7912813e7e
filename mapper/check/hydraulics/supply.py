"""Limits of the supply that all joints share: flow when they move together, power, and what a dump leaves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from mapper.check.context import (
    M3_S_PER_ML_MIN,
    MDEG,
    SIDE_NAMES,
    SIDES,
    JointContext,
    down,
    judge,
    not_shown,
    up,
)
from mapper.check.demand import PRACTICE, Demand, judge_demands
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.hydraulics.loaded import bar, given_bar, place_words
from mapper.check.hydraulics.stuck import stuck_way
from mapper.machine.load import node_of_most
from mapper.machine.oil.pressure import Motion, needed
from mapper.machine.oil.supply import PUMP_EFFICIENCY, FlowAsked, moves_at_pa, power_w, share, stuck_s
from mapper.profile.profile import Profile
from mapper.table.table import FULL_E4, Q16

_L_MIN = 60_000.0


def pump_share(profile: Profile, contexts: Sequence[JointContext]) -> Finding | None:
    """Part of their full speed that all joints keep when they move at once, each at the pose that asks for most. None
    where no joint takes oil.
    """
    asked = _asked(contexts)
    if not asked:
        return None
    total = sum(flow.flow_m3_s for flow in asked.values())
    pump = float(profile.supply.flow_m3_s)
    kept = share(pump, total)
    words = ", ".join(f"{name} {flow.flow_m3_s * _L_MIN:.3g}" for name, flow in asked.items())
    detail = (
        f"full speed asks for {total * _L_MIN:.4g} l/min in all ({words}), the pump gives {pump * _L_MIN:.4g}: rule L6 "
        f"slows all joints to {kept:.3g} of their speed, and the direction of motion is kept"
    )
    if profile.supply.share_least is None:
        return not_shown(
            None,
            "pump_share",
            unit="ratio",
            detail=f"{detail}; how much is enough for the task is not in the profile",
            advice=f'supply.share_least = "{math.floor(kept * 100):g} %" if that is enough for the work',
        )
    least = float(profile.supply.share_least)
    return judge(
        None,
        "pump_share",
        evidence=Evidence.COMPUTED,
        cases=len(SIDES) * sum(context.poses_mdeg().size for context in contexts if context.joint.name in asked),
        worst=kept,
        bound=least,
        unit="ratio",
        at_least=True,
        margin=kept < 1.0 or least < 1.0,  # more than all is never kept
        detail=detail,
        advice=f'supply.flow = "{up(least * total * _L_MIN):g} l/min" (a larger pump and its power), or lower speeds, '
        f'or supply.share_least = "{math.floor(kept * 100):g} %" if that is enough for the work',
        explanation=Explanation(
            formula=("share = Qp / (Q1 + Q2 + ...), at most 1", "Q = area x L x w; motor: D i w / (2 pi ev)"),
            given=(
                Given(symbol="Qp", meaning="flow of the pump", value=round(pump * _L_MIN, 3), unit="l/min"),
                *(
                    Given(
                        symbol="Q",
                        meaning=f"{name}, {SIDE_NAMES[flow.direction]} at {math.degrees(flow.q_rad):.1f} deg",
                        value=round(flow.flow_m3_s * _L_MIN, 3),
                        unit="l/min",
                    )
                    for name, flow in asked.items()
                ),
                Given(symbol="share", meaning="kept", value=round(kept, 4), unit="ratio"),
            ),
            source="continuity, any textbook of fluid power; the sharing is rule L6 of firmware_stub/core/law.h. "
            "Valves at the top of their spread can ask for more than the law counts with",
        ),
    )


def _asked(contexts: Sequence[JointContext]) -> dict[str, FlowAsked]:
    """As rule L6e counts it: the compiled flow table at every pose, rounded up."""
    return {context.joint.name: _most_asked(context) for context in contexts if context.model.takes_pump_flow}


def _most_asked(context: JointContext) -> FlowAsked:
    poses, found = context.poses_mdeg(), []
    for side in SIDES:
        k = context.live.curve(context.index, 7 + side, poses).astype(np.int64)
        need_e4 = -((-context.table.speed_full_mdeg_s[side] * k) // Q16)
        at = int(np.argmax(need_e4))
        flow = float(need_e4[at]) / FULL_E4 * context.table.flow_full_ml_min * M3_S_PER_ML_MIN
        found.append(FlowAsked(flow_m3_s=flow, direction=side, q_rad=math.radians(poses[at] / MDEG)))
    return max(found, key=lambda one: one.flow_m3_s)


def power(profile: Profile, contexts: Sequence[JointContext]) -> Finding | None:
    """Shaft power that the pump asks of the engine: at relief with full flow, and with all joints at work. None where
    no joint takes oil.
    """
    asked = _asked(contexts)
    if not asked:
        return None
    supply = profile.supply
    pump, relief = float(supply.flow_m3_s), float(supply.relief_pa)
    most = power_w(relief, pump) / PUMP_EFFICIENCY
    working_pa, who = _working(profile, contexts)
    flow = min(pump, sum(one.flow_m3_s for one in asked.values())) if supply.load_sensing else pump
    working = power_w(working_pa, flow) / PUMP_EFFICIENCY
    detail = (
        f"all joints at work: {flow * _L_MIN:.4g} l/min at {bar(working_pa):.4g} bar ({who}) ask for "
        f"{working / 1000:.3g} kW; at relief, one joint against its stop while the others move, {most / 1000:.3g} kW; "
        f"pump efficiency {PUMP_EFFICIENCY:g} ({PRACTICE})"
    )
    if supply.power_w is None:
        return not_shown(
            None,
            "power",
            unit="kW",
            detail=f"{detail}; the engine's power is not in the profile",
            advice=f'write supply.power; "{up(most / 1000):g} kW" or more is what the pump can ask for',
        )
    least_flow = down(float(supply.power_w) * PUMP_EFFICIENCY / relief * _L_MIN)
    return judge(
        None,
        "power",
        evidence=Evidence.COMPUTED,
        cases=2,
        worst=most / 1000,
        bound=float(supply.power_w) / 1000,
        unit="kW",
        detail=detail,
        advice=f'supply.power = "{up(most / 1000):g} kW" (a stronger engine), or supply.flow = "{least_flow:g} l/min", '
        "or a lower supply.relief_pressure",
        explanation=Explanation(
            formula=("P = p x Q / e", "kW = bar x l/min / 600 / e"),
            given=(
                given_bar("p", "relief pressure", relief),
                Given(symbol="Q", meaning="flow of the pump", value=round(pump * _L_MIN, 3), unit="l/min"),
                Given(symbol="e", meaning="efficiency of the pump", value=PUMP_EFFICIENCY, unit="ratio"),
                given_bar("pw", f"pump pressure at work: {who}", working_pa),
                Given(symbol="Pw", meaning="power at work", value=round(working / 1000, 3), unit="kW"),
                Given(symbol="P", meaning="power at relief", value=round(most / 1000, 3), unit="kW"),
            ),
            source=f"kW = bar l/min / 600: any textbook of fluid power; efficiency: {PRACTICE}",
        ),
    )


def _working(profile: Profile, contexts: Sequence[JointContext]) -> tuple[float, str]:
    """Pump pressure in Pa with all joints moving, and whose it is: a fixed pump is at relief."""
    supply = profile.supply
    relief = float(supply.relief_pa)
    if not supply.load_sensing:
        return relief, "a fixed pump runs at relief"
    needs = [
        (float(np.max(needed(context.physics, side, Motion.ACCELERATING).inlet_pa)), context.joint.name)
        for context in contexts
        if context.physics is not None and context.model.takes_pump_flow
        for side in SIDES
    ]
    if not needs:
        return relief, "no load is known: relief"
    need, name = max(needs)
    return min(relief, need + float(supply.margin_pa)), f"the need of {name} and the margin"


def standby_pressure(profile: Profile, contexts: Sequence[JointContext]) -> Finding:
    """Pressure that a dump leaves, against the least that moves a joint whose spool is stuck open."""
    supply, dump = profile.supply, profile.emergency_stop.dump
    if dump is None:
        return not_shown(
            None,
            "standby_pressure",
            unit="bar",
            detail="the profile does not say what the emergency stop's dump valve does to the pump",
            advice='write emergency_stop.dump = "pump_to_tank", or "load_sensing" if that is what is fitted, and '
            "dump_time",
        )
    left = 0.0
    if dump == "load_sensing":
        # Venting load sensing leaves the margin of a pump that has one; a fixed pump stays at relief.
        left = float(supply.margin_pa) if supply.load_sensing else float(supply.relief_pa)
    unknown = [item.joint.name for item in contexts if item.model.takes_pump_flow and item.physics is None]
    if unknown and left > 0.0:
        return not_shown(
            None,
            "standby_pressure",
            unit="bar",
            detail=f"{bar(left):.4g} bar stays after the dump, and what {', '.join(unknown)} carries is not known",
            advice='emergency_stop.dump = "pump_to_tank" and fit a valve that does it',
        )
    least, where, cases = _least_that_moves(contexts)
    advice = (
        'emergency_stop.dump = "pump_to_tank" and fit a valve that unloads the pump altogether, with a pressure switch '
        "that is proved at each start"
    )
    return judge_demands(
        None,
        "standby_pressure",
        [
            Demand(
                what="pressure that the dump leaves",
                value=bar(left),
                bound=bar(least),
                unit="bar",
                why=where,
                advice=advice,
            )
        ],
        cases=cases,
        detail="; a spool that is stuck open, friction not counted; load holding at the cylinder stops a load, the "
        f"dump does not. {_stuck_ways(contexts)}",
        explanation=Explanation(
            formula=(
                "pump_to_tank: p = 0;  load_sensing: p = margin of a load-sensing pump, relief of a fixed one",
                "pmin = (T + Vo pt) / Vi, or what opens a valve that holds the outlet, if that is more; at least 0",
                "T: least torque that gravity sets against the motion, over poses and loads",
            ),
            given=(
                Given(symbol="dump", meaning="what the dump valve opens", value=dump, unit=""),
                given_bar("p", "left after the dump", left),
                given_bar("pt", "tank line", float(supply.tank_pa)),
                given_bar("pmin", where, least),
            ),
            source="balance of forces, derived in mapper/machine/oil/supply.py and holding.py",
        ),
    )


def _stuck_ways(contexts: Sequence[JointContext]) -> str:
    """How far each joint goes with a stuck spool until the dump has worked, farthest first; held against nothing."""
    time_s = stuck_s(contexts[0].profile) if contexts else None
    if time_s is None:
        return "How far a joint goes until then is not known: emergency_stop.dump_time is not in the profile"
    ways = [(way, context.joint.name) for context in contexts if (way := stuck_way(context)) is not None]
    if not ways:
        return "No joint takes oil that a dump could take away"
    ways.sort(key=lambda item: (item[0].tip_m or 0.0, item[0].angle_rad), reverse=True)
    words = ", ".join(f"{name} {way.words}" for way, name in ways)
    return (
        f"Until it has worked, {time_s * 1000:g} ms after the stop, a joint with a stuck spool goes on at "
        f"speed_never_above (faster where the spool sticks farther open than any command opens it); farthest first: "
        f"{words}. No limit holds that way"
    )


def _least_that_moves(contexts: Sequence[JointContext]) -> tuple[float, str, int]:
    """In Pa, where, and over how many poses, loads and directions."""
    least, where, cases = math.inf, "no joint takes oil", 0
    for context in contexts:
        if context.physics is None or not context.model.takes_pump_flow:
            continue
        for side in SIDES:
            values = moves_at_pa(context.physics, side)
            cases += values.size
            lowest = float(np.min(values))
            if lowest < least:
                node = node_of_most(context.physics.envelope, -values)
                least = lowest
                place = place_words(context.physics, node, None)
                from_where = "from this on" if lowest > 0.0 else "by gravity alone, which no dump stops"
                where = f"{context.joint.name} moves {SIDE_NAMES[side]} with a stuck spool {from_where}, at {place}"
    if not math.isfinite(least):
        return 0.0, where if cases == 0 else "", max(cases, 1)
    return least, where, cases
