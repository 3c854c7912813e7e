"""Limits of the protections' own settings: a watch, a window or a step that is set too wide protects nothing, and a
watch that is set too tight cries wolf until somebody turns it off.

Bounds that follow from the machine say what from; the others are marked "common practice, no source".
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, JointContext, count_step, down, up
from mapper.check.demand import PRACTICE, Demand, judge_demands
from mapper.check.finding import Finding
from mapper.check.motion.valve_class import least_flow_e4
from mapper.profile.profile import ElectricDrive, Profile
from mapper.profile.profile import Sensor as ProfileSensor
from mapper.table.table import FOLLOW, FULL_E4, Q16, MachineTable, Sensor

_WINDOW_MOST_DEG = 10.0
_RAMP_LEAST_S, _HOLD_LEAST_S = 0.5, 0.1
_UNSTOPPED_DEG = 10.0  # instead of the way to a hard stop, where a joint has none
_APART_MOST_SHARE = 10.0  # %, two tracks of a lever
_SETTLE_MOST_S = _STALL_MOST_S = 5.0
_STEP_OVER_SPEED = 10
_HAND_DEG_S = Fraction(3000)  # a human joint can pass 600 deg/s, a noisy sensor reads a multiple in one tick
_LEVER_SHARE_S = Fraction(100)  # 10000 %/s: from end to end in 20 ms
_UNTIL_READ_TICKS = 2  # a motion passes the median a tick later; the watch looks at the next


def matching(context: JointContext) -> Finding | None:
    """How far the operator's pose may be from the joint's when motion is allowed. None for a lever."""
    table, key = context.table, f"{context.key}.follow.match_window"
    if table.control != FOLLOW:
        return None
    window, gap = table.match_window_mdeg / MDEG, table.gap_mdeg / MDEG
    fits = down(min(_WINDOW_MOST_DEG, gap / 2.0 if gap > 0 else _WINDOW_MOST_DEG))
    advice = f'{key} = "{fits:g} deg"'
    demands = [
        Demand(what="match window", value=window, bound=_WINDOW_MOST_DEG, unit="deg", why=PRACTICE, advice=advice)
    ]
    if gap > 0:
        why = "half the gap at which the joint is held"
        demands.append(Demand(what="match window", value=window, bound=gap / 2.0, unit="deg", why=why, advice=advice))
    asked, ramp_s = window * table.gain_q16 / Q16, _authority_s(context.machine)
    detail = (
        f"; the most that the window asks for at the start is {asked:.3g} deg/s (window times gain), and only after "
        f"the authority ramp of {ramp_s:.3g} s: {asked / ramp_s:.3g} deg/s2"
    )
    return judge_demands(context, "matching", demands, cases=1, detail=detail)


def _authority_s(machine: MachineTable) -> float:
    """From none to full, in nominal ticks."""
    return Q16 / machine.authority_step_q16 * machine.tick_us / 1e6


def start_matching(profile: Profile, machine: MachineTable) -> Finding:
    """The times around the comparison of the poses, which all joints share."""
    tick_s = machine.tick_us / 1e6
    demands = [
        Demand(
            what="authority ramp",
            value=_authority_s(machine),
            bound=_RAMP_LEAST_S,
            unit="s",
            why=f"or the first motion is a step; {PRACTICE}",
            advice='start.authority_ramp = "500 ms"',
            at_least=True,
        ),
        Demand(
            what="match hold",
            value=machine.match_ticks * tick_s,
            bound=_HOLD_LEAST_S,
            unit="s",
            why=f"or a pose that passes by counts as held; {PRACTICE}",
            advice='start.match_hold = "100 ms"',
            at_least=True,
        ),
    ]
    if any(not isinstance(joint.drive, ElectricDrive) for joint in profile.joints):
        demands.append(
            Demand(
                what="pump load",
                value=machine.load_ticks * tick_s,
                bound=tick_s,
                unit="s",
                why="more than none: the poses are compared only once the pump holds the load",
                advice='start.pump_load = "1 s", or what your pump needs to build up its pressure',
                at_least=True,
            )
        )
    return judge_demands(None, "matching", demands, cases=len(demands))


def motion_watches(context: JointContext) -> Finding:
    """Both motion watches and the comparison of two tracks: awake, and without false alarms."""
    demands = [*_still(context), *_apart(context), *_stall(context)]
    return judge_demands(
        context,
        "motion_watches",
        demands,
        cases=2 * context.poses_mdeg().size,
        detail="; the oil spring, load holding and a valve that sticks are not part of the stall watch's motion",
    )


def way_to_stop(context: JointContext) -> tuple[float, str]:
    """Distance in deg that a joint may go wrong unseen, and why."""
    hard = context.joint.limits.hard_stops_deg
    if context.table.continuous or hard is None:
        return _UNSTOPPED_DEG, f"no hard stop; {PRACTICE}"
    upper, lower = context.table.soft_stop_mdeg
    way_mdeg = min(hard.upper * MDEG - upper, lower - hard.lower * MDEG)
    return float(way_mdeg) / MDEG, "way from soft stop to hard stop"


def _angle_advice(key: str, most_deg: float) -> str:
    fits = down(most_deg)
    return f'{key} = "{fits:g} deg"' if fits > 0 else f"more room between soft and hard stop, so that {key} fits in"


def _still(context: JointContext) -> tuple[Demand, ...]:
    table, key = context.table, f"{context.key}.watch"
    still_deg = table.still_mdeg / MDEG
    way_deg, why = way_to_stop(context)
    drift_deg = min(table.speed_reduced_mdeg_s) / MDEG * table.still_ticks * context.tick_s
    if drift_deg < way_deg:
        way_deg, why = drift_deg, "what reduced speed covers in still_time: a joint that runs by itself is seen"
    return (
        Demand(
            what="still angle",
            value=still_deg,
            bound=way_deg,
            unit="deg",
            why=why,
            advice=_angle_advice(f"{key}.still_angle", way_deg),
        ),
        Demand(
            what="settle",
            value=table.settle_ticks * context.tick_s,
            bound=_SETTLE_MOST_S,
            unit="s",
            why=f"until then nothing watches; {PRACTICE}",
            advice=f'{key}.settle = "{_SETTLE_MOST_S:g} s"',
        ),
    )


def _apart(context: JointContext) -> tuple[Demand, ...]:
    demands = []
    position, operator = context.table.position, context.table.operator
    if len(position.tracks) == 2:
        way_deg, why = way_to_stop(context)
        demands.append(
            Demand(
                what="position disagreement",
                value=position.disagreement / MDEG,
                bound=way_deg,
                unit="deg",
                why=why,
                advice=_angle_advice(f"{context.key}.position.disagreement", way_deg),
            )
        )
    if len(operator.tracks) == 2:
        follow = context.table.control == FOLLOW
        most, unit = (_WINDOW_MOST_DEG, "deg") if follow else (_APART_MOST_SHARE, "%")
        demands.append(
            Demand(
                what="operator disagreement",
                value=operator.disagreement / (MDEG if follow else FULL_E4 / 100),
                bound=most,
                unit=unit,
                why=PRACTICE,
                advice=f'{context.key}.operator.disagreement = "{most:g} {unit}"',
            )
        )
    return tuple(demands)


def _stall(context: JointContext) -> tuple[Demand, ...]:
    table, key = context.table, f"{context.key}.watch"
    needs = [_least_need_e4(context, side) for side in SIDES]
    side = SIDES[int(np.argmin(needs))]
    flow = min(table.stall_flow_e4, needs[side])  # where the flow itself is too large: at the one that is advised
    flow -= flow % 10 if flow < table.stall_flow_e4 else 0
    stall_deg, stall_s = table.stall_mdeg / MDEG, table.stall_ticks * context.tick_s
    tolerances = context.joint.tolerances
    late_s = float(tolerances.lag_s.upper + tolerances.dead_time_s.upper) + _UNTIL_READ_TICKS * context.tick_s
    slowest = min(_least_speed(context, each, flow) for each in SIDES)
    moved = max(0.0, slowest * (min(stall_s, _STALL_MOST_S) - late_s))
    noise = 2.0 * context.noise_deg
    return (
        Demand(
            what="stall flow",
            value=table.stall_flow_e4 / 100,
            bound=needs[side] / 100,
            unit="%",
            why=f"what reduced speed {SIDE_NAMES[side]} needs at the pose that needs least: awake in reduced mode",
            advice=f'{key}.stall_flow = "{down(needs[side] / 100):g} %"',
        ),
        Demand(
            what="stall angle",
            value=stall_deg,
            bound=moved,
            unit="deg",
            why=f"what {flow / 100:g} % of flow moves the slowest pose in stall_time less {late_s * 1000:g} ms of lag, "
            "dead time and reading, with lowest gain and hysteresis: no false alarm",
            advice=_stall_advice(key, (stall_deg, noise, moved), slowest, late_s),
        ),
        Demand(
            what="stall angle",
            value=stall_deg,
            bound=noise,
            unit="deg",
            why="twice a count of noise, which must not pass as motion",
            advice=_stall_advice(key, (max(stall_deg, up(noise, 0.01)), noise, moved), slowest, late_s),
            at_least=True,
        ),
        Demand(
            what="stall time",
            value=stall_s,
            bound=_STALL_MOST_S,
            unit="s",
            why=PRACTICE,
            advice=f'{key}.stall_time = "{_STALL_MOST_S:g} s"',
        ),
    )


def _stall_advice(key: str, degrees: tuple[float, float, float], slowest: float, late_s: float) -> str:
    """The angle where one fits between noise and motion, else a longer time, else what makes the joint faster."""
    wanted, noise, moved = degrees
    fits = min(wanted, down(moved, 0.01))
    if fits >= noise:
        return f'{key}.stall_angle = "{fits:g} deg"'
    least = up(noise, 0.01)
    longer = up((least + 0.001) / slowest + late_s) if slowest > 0 else math.inf
    if longer <= _STALL_MOST_S:
        return f'{key}.stall_time = "{longer:g} s" and {key}.stall_angle = "{least:g} deg"'
    return f"a higher reduced_speed and with it a higher {key}.stall_flow: so little flow moves the joint too slowly"


def _least_need_e4(context: JointContext, side: int) -> int:
    """Flow that reduced speed asks for at the pose where it asks for least. Rule L6e's rounding."""
    least = int(np.min(context.live.curve(context.index, 7 + side, context.poses_mdeg())))
    return -((-context.table.speed_reduced_mdeg_s[side] * least) // Q16)


def _least_speed(context: JointContext, side: int, flow_e4: int) -> float:
    """deg/s at the slowest pose with the least that the valve makes of a flow asked for, and the lowest gain."""
    real_e4 = least_flow_e4(context, side, flow_e4) * context.model.gain_spread(side)[0]
    return float(np.min(context.speed_per_flow_e4(context.poses_mdeg(), side))) / MDEG * real_e4


def sensor_step(context: JointContext) -> Finding:
    """The step between two samples above which a reading is not believed, of both sensors, as compiled."""
    follow = context.table.control == FOLLOW
    never = context.joint.limits.speed_never_above_deg_s
    position = _STEP_OVER_SPEED * max(never.positive, never.negative)
    operator, scale, unit = (_HAND_DEG_S, MDEG, "deg") if follow else (_LEVER_SHARE_S, FULL_E4, "%")
    demands = (
        _step(
            context,
            ("position", "deg", MDEG, f"{_STEP_OVER_SPEED} times speed_never_above; {PRACTICE}"),
            (context.table.position, context.joint.position),
            position,
        ),
        _step(
            context,
            ("operator", unit, scale, f"faster than any hand; {PRACTICE}"),
            (context.table.operator, context.joint.operator.sensor),
            operator,
        ),
    )
    return judge_demands(context, "sensor_step", demands, cases=len(demands))


def _step(
    context: JointContext, words: tuple[str, str, int, str], sensors: tuple[Sensor, ProfileSensor], most: Fraction
) -> Demand:
    """words: name, unit, table units in one of the profile's, reason. The step allows for error and one count, too."""
    name, unit, scale, why = words
    table, own = sensors
    tick_s = context.profile.controller.tick_s
    step = math.ceil(most * tick_s * scale) + math.ceil(own.error_deg * scale) + math.ceil(count_step(own, scale)) + 1
    shown = 100 if unit == "%" else 1
    rate = f"{float(most * shown):g} {unit}/s"
    return Demand(
        what=f"{name} step in one tick",
        value=table.step_max * shown / scale,
        bound=step * shown / scale,
        unit=unit,
        why=f"that of {rate}, the reading's error and one count: {why}",
        advice=f'{context.key}.{name}.rate_max = "{rate}"',
    )
