"""Hunting at rest: a joint that enters the error deadband must stop inside it and not come out on the other side."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, Ints, JointContext, down, judge, up
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.motion.dynamics import gain_range
from mapper.check.motion.spring import spring_norms
from mapper.check.motion.valve_class import most_flow_e4
from mapper.table.table import FOLLOW, Q16

_LIMIT = "hunting"
_STEP_DEG = 0.1
_STEP_PER_S = 0.05
_WINDOW_SHARE = 0.5  # of match_window that the deadband may fill; common practice, no source
_POSES = 2001
_MOST = 50.0  # an exponent that says: no end


def hunting(context: JointContext) -> Finding | None:
    """Run-on after rule L5a has set the target to zero, against the way through the deadband. None without a loop.

    Rule L5a: within the deadband (operator at rest) the target is zero, outside it is gain x error. So at its edge
    the command is gain x deadband, a valve may make more of it (hysteresis and crack spread at that flow, the jump,
    the highest gain), and a closed loop that is late by t comes in faster by exp(K g t). From there the command ramps
    down.
    """
    if context.table.control != FOLLOW or context.joint.follow is None:
        return None
    deadband = float(context.joint.follow.error_deadband_deg)
    runs = [_run_on(context, side, deadband, float(context.joint.follow.gain_per_s)) for side in SIDES]
    side = max(SIDES, key=lambda one: runs[one].total_deg)
    worst = runs[side]
    bound = 2.0 * deadband - context.noise_deg
    return judge(
        context,
        _LIMIT,
        evidence=Evidence.COMPUTED,
        cases=len(SIDES) * _poses(context).size,
        worst=worst.total_deg,
        bound=bound,
        unit="deg",
        detail=f"{SIDE_NAMES[side]}, at {worst.pose_deg:.4g} deg: comes into the deadband of {deadband:g} deg each way "
        f"at {worst.speed_deg_s:.3g} deg/s ({worst.command_deg_s:.3g} asked for), runs on by {worst.oil_deg:.3g} deg, "
        f"swings by {worst.swing_deg:.3g} deg, a count is {context.noise_deg:.3g} deg; the way through is twice the "
        "deadband less a count. Operator at rest; one whose tremor crosses the edge keeps the joint busy all the same",
        advice="" if worst.total_deg <= bound else _advice(context, deadband),
        explanation=_explained(context, side, deadband, worst),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _RunOn:
    """One direction. Angles in deg, speeds in deg/s."""

    gain: float
    late_s: float
    ramp_s: float
    command_deg_s: float
    speed_deg_s: float
    pose_deg: float
    oil_deg: float
    swing_deg: float
    total_deg: float


def _run_on(context: JointContext, side: int, deadband_deg: float, gain_per_s: float) -> _RunOn:
    tolerances = context.joint.tolerances
    poses, gain = _poses(context), gain_range(context, side)[1]
    late_s = context.late_s - context.lost_s + float(tolerances.lag_s.upper)
    # What still acts is the command of a larger error: the error falls by at most K g of itself in a second.
    asked = gain_per_s * deadband_deg * math.exp(min(gain_per_s * gain * late_s, _MOST))
    command = min(math.ceil(asked * MDEG), context.table.speed_full_mdeg_s[side])
    per_speed = context.live.curve(context.index, 7 + side, poses).astype(np.int64)
    flow = np.minimum(command * per_speed // Q16 + 1, context.table.flow_max_e4[side])
    real = most_flow_e4(context, side, int(np.max(flow)))[flow] * context.speed_per_flow_e4(poses, side) * gain / MDEG
    at = int(np.argmax(real))
    speed = float(real[at])
    ramp_s = command / (context.table.decelerate_mdeg_s * context.machine.tick_hz) + context.tick_most_s
    norms = spring_norms(float(tolerances.natural_frequency_hz), float(tolerances.damping_ratio))
    oil = speed * (late_s + 0.5 * ramp_s)
    swing = speed * norms.peak_s if context.model.takes_pump_flow else 0.0
    return _RunOn(
        gain=gain,
        late_s=late_s,
        ramp_s=ramp_s,
        command_deg_s=command / MDEG,
        speed_deg_s=speed,
        pose_deg=float(poses[at]) / MDEG,
        oil_deg=oil,
        swing_deg=swing,
        total_deg=oil + swing + context.noise_deg,
    )


def _poses(context: JointContext) -> Ints:
    """Evenly over the travel, ends included; lever arm and compiled flow change little from one to the next."""
    lower, upper = context.travel_mdeg()
    return np.unique(np.linspace(lower, upper, _POSES).astype(np.int32))


def _advice(context: JointContext, deadband: float) -> str:
    """A wider deadband, as long as it stays well inside the window in which operator and arm count as matched; else the
    gain that the present deadband allows.
    """
    follow = context.joint.follow
    assert follow is not None
    gain = float(follow.gain_per_s)
    fits, most = up(deadband, _STEP_DEG), _WINDOW_SHARE * float(follow.match_window_deg)
    while fits <= most:
        if _stops_inside(context, fits, gain):
            return f'write {context.key}.follow.error_deadband = "{fits:g} deg", or a lower {context.key}.follow.gain'
        fits = round(fits + _STEP_DEG, 6)
    lower = down(gain, _STEP_PER_S)
    while lower > 0 and not _stops_inside(context, deadband, lower):
        lower = round(lower - _STEP_PER_S, 6)
    if lower > 0:
        return (
            f'write {context.key}.follow.gain = "{lower:g} 1/s": at this one no deadband well inside match_window does'
        )
    return f"a valve with less hysteresis and lag, or a wider {context.key}.follow.error_deadband and match_window"


def _stops_inside(context: JointContext, deadband_deg: float, gain_per_s: float) -> bool:
    worst = max(_run_on(context, side, deadband_deg, gain_per_s).total_deg for side in SIDES)
    return worst <= 2.0 * deadband_deg - context.noise_deg


def _explained(context: JointContext, side: int, deadband: float, worst: _RunOn) -> Explanation:
    follow, tolerances = context.joint.follow, context.joint.tolerances
    assert follow is not None
    return Explanation(
        formula=(
            "u = K d exp(K g t): command at the deadband's edge, late by t",
            "v = g (u + what hysteresis and crack spread add at that flow)",
            "run-on = v (t + r / 2) + v max|h| + c <= 2 d - c",
        ),
        given=(
            Given(symbol="K", meaning="follow gain", value=float(follow.gain_per_s), unit="1/s"),
            Given(symbol="d", meaning="error deadband, each way", value=deadband, unit="deg"),
            Given(symbol="g", meaning=f"real over asked speed, {SIDE_NAMES[side]}", value=worst.gain, unit="ratio"),
            Given(symbol="t", meaning="dead time, three ticks and longest lag", value=worst.late_s * 1e3, unit="ms"),
            Given(symbol="u", meaning="command", value=worst.command_deg_s, unit="deg/s"),
            Given(symbol="v", meaning="real speed", value=worst.speed_deg_s, unit="deg/s"),
            Given(symbol="r", meaning="time of the ramp to zero", value=worst.ramp_s * 1e3, unit="ms"),
            Given(symbol="f", meaning="natural frequency", value=float(tolerances.natural_frequency_hz), unit="Hz"),
            Given(symbol="z", meaning="damping ratio", value=float(tolerances.damping_ratio), unit="ratio"),
            Given(symbol="v max|h|", meaning="swing on the oil spring", value=worst.swing_deg, unit="deg"),
            Given(symbol="c", meaning="one count of the sensor", value=context.noise_deg, unit="deg"),
        ),
        source="rule L5a of firmware_stub/core/law.h; derived in mapper/check/motion/hunting.py and "
        "spring.py beside it",
    )
