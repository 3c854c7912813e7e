"""Limits of speed: what the joint really does at the worst pose, what pump and valve can give, how fast the command
changes.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from mapper.check.context import MDEG, SIDE_NAMES, SIDE_SIGNS, SIDES, Floats, Ints, JointContext, down, judge
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.motion.valve_class import valve_class
from mapper.machine import POSITIVE
from mapper.profile.profile import ElectricDrive
from mapper.table.table import FULL_E4, Q16


def speed_limit(context: JointContext) -> Finding:
    """Real speed at full command, every pose, both ways, against speed_never_above. The law works with a reading that
    is off and late, and so with the lever arm of another pose: the worst reading that goes with each pose counts.
    """
    poses = context.poses_mdeg()
    never = context.joint.limits.speed_never_above_deg_s
    worst, bound, detail, cases, advice = -1.0, 1.0, "", 0, []
    given: tuple[Given, ...] = ()
    for side in SIDES:
        most = float(never.positive if side == POSITIVE else never.negative)
        asked = context.table.speed_full_mdeg_s[side]
        gain = context.gain_most(side)
        real, way_deg = _real_speeds(context, side, poses, asked)
        cases += poses.size
        at = int(np.argmax(real))
        fastest = float(real[at])
        if worst < 0 or fastest / most > worst / bound:
            worst, bound = fastest, most
            detail = (
                f"{asked / MDEG:g} deg/s asked for, {SIDE_NAMES[side]}, worst at {poses[at] / MDEG:g} deg: compiled "
                f"flow at the worst reading (up to {way_deg:.2f} deg late, {_off_deg(context):.2g} deg off) x true "
                f"geometry x gain {gain:g}, hysteresis and crack spread included; speed of the oil column: what the "
                "load swings on the oil spring comes on top"
            )
            given = _speed_given(context, side, (int(poses[at]), fastest, way_deg))
        if fastest > most:
            fits = _speed_that_fits(context, side, poses, most)
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
        explanation=Explanation(
            formula=(
                "u = smallest of w and what the braking curve allows, times compiled flow per speed at the reading",
                "v = (u + rise) x t(q) x g,  rise: what hysteresis and crack spread add to u",
                "every pose q, and with each the reading between d ahead and d + m behind it that gives most",
            ),
            given=given,
            source="geometry: law of cosines; speed = flow / area; g and t as in mapper/machine; derived here",
        ),
    )


def _speed_given(context: JointContext, side: int, worst: tuple[int, float, float]) -> tuple[Given, ...]:
    """worst: pose (mdeg), speed there (deg/s), way that a reading can be late (deg)."""
    pose, fastest, way_deg = worst
    gain = context.gain_most(side)
    true = float(context.speed_per_flow_e4(np.array([pose]), side)[0]) / MDEG * FULL_E4
    return (
        Given(
            symbol="w",
            meaning=f"commanded speed, {SIDE_NAMES[side]}",
            value=context.table.speed_full_mdeg_s[side] / MDEG,
            unit="deg/s",
        ),
        Given(symbol="q", meaning="worst pose", value=pose / MDEG, unit="deg"),
        Given(symbol="t", meaning="joint speed there at rated flow (geometry)", value=true, unit="deg/s"),
        Given(symbol="g", meaning="largest real flow over rated flow", value=gain, unit="ratio"),
        Given(symbol="d", meaning="error of the reading, noise included", value=_off_deg(context), unit="deg"),
        Given(symbol="m", meaning="way that the joint makes while the reading is late", value=way_deg, unit="deg"),
        Given(symbol="u + rise", meaning="real flow asked for", value=fastest / true / gain * 100, unit="%"),
        Given(symbol="v", meaning="real speed there", value=fastest, unit="deg/s"),
    )


def _off_deg(context: JointContext) -> float:
    return float(context.joint.position.error_deg) + context.noise_deg


def _speed_that_fits(context: JointContext, side: int, poses: Ints, most: float) -> float:
    """Highest command in deg/s that stays below `most`: not in proportion, since hysteresis adds what it adds; and
    without the braking curve, which another full speed makes another one.
    """
    fits = context.table.speed_full_mdeg_s[side] / MDEG
    while fits > 0:
        fastest = float(np.max(_real_speeds(context, side, poses, round(fits * MDEG), braked=False)[0]))
        if fastest <= most:
            break
        fits = max(0.0, min(down(fits * most / fastest), round(fits - 0.1, 6)))
    return fits


def _real_speeds(
    context: JointContext, side: int, poses: Ints, asked: int, *, braked: bool = True
) -> tuple[Floats, float]:
    """Largest speed in deg/s that the valve can make of a command at each pose, and how far a reading can be late.

    The command is the largest that the braking curve lets through at any such reading (`braked` false: all of it). The
    speed itself lags behind these values and so is nowhere above the largest of them. A guess of the fastest is raised
    until it covers what it leads to; it does in the end, since the flow curve holds its ends.
    """
    valve = valve_class(context, side)
    true = context.speed_per_flow_e4(poses, side) * context.gain_most(side) / MDEG
    fastest = asked / MDEG
    while True:
        way_deg = fastest * context.late_s
        hungriest = _largest_flow_per_speed(context, side, poses, way_deg)
        behind = np.floor(poses - SIDE_SIGNS[side] * (_off_deg(context) + way_deg) * MDEG).astype(np.int32)
        room = (context.table.soft_stop_mdeg[side] - behind) * SIDE_SIGNS[side] + 1
        allowed = np.where(room > 0, np.minimum(context.live.curve(context.index, 5 + side, room), asked), 0)
        command = np.full(poses.shape, asked) if context.table.continuous or not braked else allowed
        flow = np.minimum(command * hungriest // Q16 + (command > 0), context.table.flow_max_e4[side])
        real = (flow + valve.rise_up_to_e4[flow]) * true
        if float(np.max(real)) <= fastest:
            return real, way_deg
        fastest = 1.01 * float(np.max(real))


def _largest_flow_per_speed(context: JointContext, side: int, poses: Ints, way_deg: float) -> npt.NDArray[np.int64]:
    """Largest compiled flow per speed (q16) over all readings that go with each pose: from the error ahead to way and
    error behind. The curve is straight between its points, so the ends and the points in between decide.
    """
    sign, off = SIDE_SIGNS[side], _off_deg(context)
    ahead, behind = poses + sign * off * MDEG, poses - sign * (off + way_deg) * MDEG
    low = np.floor(np.minimum(ahead, behind)).astype(np.int32)
    high = np.ceil(np.maximum(ahead, behind)).astype(np.int32)
    number = 7 + side
    largest = np.maximum(
        context.live.curve(context.index, number, low), context.live.curve(context.index, number, high)
    )
    for at, value in context.table.flow_per_speed_q16[side].points:
        largest = np.where((low <= at) & (at <= high), np.maximum(largest, value), largest)
    return largest.astype(np.int64)


def flow_available(context: JointContext) -> Finding:
    """Flow that the speed limit asks for at its worst pose, against pump (this joint alone) and valve. Rule L6e's
    rounding.
    """
    poses = context.poses_mdeg()
    full_l_min = context.table.flow_full_ml_min / 1000
    pump_e4 = FULL_E4 if isinstance(context.joint.drive, ElectricDrive) else _pump_e4(context)
    worst, bound, detail, cases, advice = -1.0, 1.0, "", 0, []
    given: tuple[Given, ...] = ()
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
            given = (
                Given(symbol="w", meaning=f"speed limit, {SIDE_NAMES[side]}", value=asked / MDEG, unit="deg/s"),
                Given(symbol="q", meaning="worst pose", value=float(poses[at]) / MDEG, unit="deg"),
                Given(symbol="k", meaning="compiled flow for 1 mdeg/s there", value=int(k[at]), unit="Q16"),
                Given(symbol="Qr", meaning="rated flow of the valve, 10000 parts", value=full_l_min, unit="l/min"),
                Given(symbol="u", meaning="flow asked for, 10000 parts", value=int(need[at]), unit="1/10000"),
                Given(symbol="Q", meaning="flow asked for", value=worst * full_l_min / FULL_E4, unit="l/min"),
                Given(symbol="Qa", meaning=f"what {giver}", value=bound * full_l_min / FULL_E4, unit="l/min"),
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
        explanation=Explanation(
            formula=("u = w (in mdeg/s) x k / 65536, rounded up", "Q = Qr x u / 10000", "Q <= Qa, at every pose"),
            given=given,
            source="rule L6e of the control law for the rounding; flow = area x lever arm x joint speed, any textbook "
            "of fluid power",
        ),
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
        margin=False,
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
