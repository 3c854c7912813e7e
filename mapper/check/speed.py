"""Limits of speed: what the joint really does at the worst pose, what pump and valve can give, how fast the command
changes.
"""

from __future__ import annotations

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDE_SIGNS, SIDES, JointContext, down, judge
from mapper.check.finding import Evidence, Finding
from mapper.check.valve_class import valve_class
from mapper.machine import POSITIVE
from mapper.profile.profile import ElectricDrive
from mapper.table.table import FULL_E4, Q16


def speed_limit(context: JointContext) -> Finding:
    """Real speed at full command, every pose, both ways, against speed_never_above."""
    poses = context.poses_mdeg()
    never = context.joint.limits.speed_never_above_deg_s
    worst, bound, detail, cases, advice = -1.0, 1.0, "", 0, []
    for side in SIDES:
        most = float(never.positive if side == POSITIVE else never.negative)
        asked = context.table.speed_full_mdeg_s[side]
        speeds = np.full(poses.shape, SIDE_SIGNS[side] * asked, dtype=np.int32)
        flow = context.live.flow(context.index, speeds, poses)[0].astype(np.float64)
        cases += poses.size
        valve = valve_class(context, side)
        gain = context.gain_most(side)
        real = (flow + valve.rise_e4) * context.speed_per_flow_e4(poses, side) * gain / MDEG
        at = int(np.argmax(real))
        fastest = float(real[at])
        if worst < 0 or fastest / most > worst / bound:
            worst, bound = fastest, most
            detail = (
                f"{asked / MDEG:g} deg/s asked for, {SIDE_NAMES[side]}, worst at {poses[at] / MDEG:g} deg: compiled "
                "flow x true "
                f"geometry x gain {gain:g}, hysteresis and crack spread worth {valve.rise_e4 / 100:.2g} % of flow "
                "included"
            )
        if fastest > most:
            per_flow = float(np.max(context.speed_per_flow_e4(poses, side))) * gain / MDEG
            fits = down((most - valve.rise_e4 * per_flow) / (fastest - valve.rise_e4 * per_flow) * asked / MDEG)
            advice.append(f'{context.key}.limits.speed.{SIDE_NAMES[side]} = "{fits:g} deg/s"')
    return judge(
        context,
        "speed_limit",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=worst,
        bound=bound,
        unit="deg/s",
        detail=detail,
        advice=f"write {' and '.join(advice)}, or raise speed_never_above if that speed is safe",
    )


def flow_available(context: JointContext) -> Finding:
    """Flow that the speed limit asks for at its worst pose, against pump (this joint alone) and valve. Rule L6e's
    rounding.
    """
    poses = context.poses_mdeg()
    full_l_min = context.table.flow_full_ml_min / 1000
    pump_e4 = FULL_E4 if isinstance(context.joint.drive, ElectricDrive) else _pump_e4(context)
    worst, bound, detail, cases, advice = -1.0, 1.0, "", 0, []
    for side in SIDES:
        asked = context.table.speed_full_mdeg_s[side]
        k = context.live.curve(context.index, 7 + side, poses).astype(np.int64)
        need = -((-asked * k) // Q16)
        cases += poses.size
        at = int(np.argmax(need))
        curve_end = context.table.flow_max_e4[side]
        most = min(pump_e4, curve_end)
        giver = "the pump gives this joint alone" if pump_e4 <= curve_end else "the valve passes at rated pressure drop"
        if worst < 0 or need[at] / most > worst / bound:
            worst, bound = float(need[at]), float(most)
            detail = (
                f"{asked / MDEG:g} deg/s {SIDE_NAMES[side]} asks for most at {poses[at] / MDEG:g} deg; "
                f"{most * full_l_min / FULL_E4:.3g} l/min is what {giver}"
            )
        if need[at] > most:
            fits = down(most * Q16 / int(k[at]) / MDEG)
            advice.append(f'{context.key}.limits.speed.{SIDE_NAMES[side]} = "{fits:g} deg/s"')
    return judge(
        context,
        "flow_available",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=worst * full_l_min / FULL_E4,
        bound=bound * full_l_min / FULL_E4,
        unit="l/min",
        holds=worst <= bound,
        detail=detail,
        advice=f"write {' and '.join(advice)}: the highest that fits, or fit a larger pump or valve",
    )


def _pump_e4(context: JointContext) -> int:
    return context.machine.pump_ml_min * FULL_E4 // context.table.flow_full_ml_min


def ramp(context: JointContext) -> Finding:
    """Change of the command in one tick: every speed before, targets at every break of rule L7, ordinary and
    stopping.
    """
    table, limits = context.table, context.joint.limits
    most, least = table.speed_full_mdeg_s[0], -table.speed_full_mdeg_s[1]
    before = np.arange(least, most + 1, dtype=np.int32)
    up_step, cases, faults = table.accelerate_mdeg_s, 0, []
    for stopping, down_step in ((False, table.decelerate_mdeg_s), (True, table.stop_mdeg_s)):
        targets = (
            _targets(before, (least, most), up_step, down_step)
            if not stopping
            else np.zeros((1, before.size), np.int32)
        )
        results = np.stack([context.live.ramp(context.index, stopping, before, target) for target in targets])
        cases += results.size
        faults += _ramp_faults(before, targets, results, up_step, down_step)
    rates = (
        ("acceleration", up_step, limits.acceleration_deg_s2),
        ("deceleration", table.decelerate_mdeg_s, limits.deceleration_deg_s2),
        ("stop_deceleration", table.stop_mdeg_s, limits.stop_deceleration_deg_s2),
    )
    hertz = context.machine.tick_hz
    name, step, allowed = max(rates, key=lambda rate: rate[1] / rate[2])
    steep = [
        f"{name} compiles to {step * hertz / MDEG:g} deg/s2"
        for name, step, most_rate in rates
        if step * hertz > most_rate * MDEG
    ]
    faults += steep
    return judge(
        context,
        "ramp",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=step * hertz / MDEG,
        bound=float(allowed),
        unit="deg/s2",
        holds=not faults,
        detail=f"every speed {least / MDEG:g}..{most / MDEG:g} deg/s before the tick, targets at the ends and at every "
        "break between "
        "which the result is straight, monotonic in the target there: no step above the compiled ramp, no sign change "
        "in one "
        f"tick; {name} is the nearest to the profile" + (": " + "; ".join(faults) if faults else ""),
        advice=f"compile the table again from {context.key}.limits: {'; '.join(faults)}",
    )


def _targets(before: np.ndarray, ends: tuple[int, int], up_step: int, down_step: int) -> np.ndarray:
    least, most = ends
    fixed = (least, -up_step, -1, 0, 1, up_step, most)
    rows = [np.full(before.shape, min(max(value, least), most)) for value in fixed]
    rows += [np.clip(before + shift, least, most) for shift in (-up_step, -down_step, 0, down_step, up_step)]
    return np.sort(np.stack(rows).astype(np.int32), axis=0)


def _ramp_faults(
    before: np.ndarray, targets: np.ndarray, results: np.ndarray, up_step: int, down_step: int
) -> list[str]:
    faults = []
    gained = np.abs(results) - np.abs(before)
    if np.any(gained > up_step):
        faults.append("a tick gains more than the compiled acceleration")
    overshoot = np.abs(results.astype(np.int64) - before) > np.where(gained > 0, up_step, down_step)
    if np.any(overshoot):
        faults.append("a tick changes the speed by more than its ramp")
    if np.any(results.astype(np.int64) * before < 0):
        faults.append("the speed changes sign within one tick")
    if np.any(results[1:] < results[:-1]):
        faults.append("a larger target gives a smaller speed")
    beyond = (results > np.maximum(before, targets)) | (results < np.minimum(before, targets))
    if np.any(beyond):
        faults.append("the result lies outside speed and target")
    return faults
