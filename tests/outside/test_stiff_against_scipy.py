"""The stiff model's fixed step against scipy's variable-step solver on the same right-hand side; its energy balance.

Source of all checks here: scipy.integrate.solve_ivp (Radau: an implicit Runge-Kutta method of order 5 after Hairer and
Wanner; error held to 1e-7 relative and 1e-9 absolute or better), BSD licence.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from stiff_case import bare, changed, holding, physics_of, sudden, with_side

from mapper.replay._stiff_library import run_stiff_compiled
from mapper.replay.stiff import (
    RELIEF_OPENED,
    SEAT_OPENED,
    Motion,
    StiffJoint,
    StiffStart,
    Valve,
    Yield,
    geometry,
    gravity,
    slopes,
)
from mapper.replay.stiff_joint import stiff_joint

pytestmark = pytest.mark.outside

ANGLE_DEG, SPEED_SHARE, PRESSURE_BAR = 5e-6, 5e-6, 0.01
"""What the two may differ by. Measured over the cases below: 6e-7 deg, 4e-7 of the first speed, 0.0016 bar at most."""


HELD = {
    "boom_swing": holding("port_relief", 210),
    "boom_lift": holding("counterbalance", 160, ratio=4, relief_bar=230, vented=True),
    "elbow": holding("double_counterbalance", 200, ratio=4),
    "wrist_pitch": holding("double_counterbalance", 160, ratio=4),
    "wrist_roll": holding("none", relief_bar=230),
    "lever": holding("pilot_check", ratio=4),
}


def made(name, direction, q, corner="nominal", **changes):
    physics = changed(physics_of(name), holding=HELD[name])
    load = physics.envelope.load_names[-1]
    joint = stiff_joint(physics, corner=corner, load_name=load, direction=direction, q_rad=q)
    return dataclasses.replace(joint, brake_n_m=0.0, **changes)


def reference(joint: StiffJoint, start: StiffStart, ticks: int):
    """Rows (q, w, p0, p1) at the end of each tick.

    The lag is exact: the share is target + (lag - target) exp(-t / T) between changes of the target, at which the
    solver starts afresh; so it does where the dump ends.
    """
    lag_s = -joint.step_s / math.log(1.0 - joint.alpha)
    late = (joint.dead_steps % joint.steps_per_tick) * joint.step_s
    state = np.array([start.q_rad, start.w_rad_s, *start.squeezed_m3])
    lag, rows = start.lag, []
    off = start.off_tick * joint.tick_s

    def advance(state, lag, begin, length, target):
        def right(t, y):
            share = target + (lag - target) * math.exp(-t / lag_s)
            since = begin + t - off
            level = 1.0 if since <= 0.0 else max(0.0, 1.0 - joint.dump_per_s * since)
            now = Motion(float(y[0]), float(y[1]), float(y[2]) * 1e-6, float(y[3]) * 1e-6)
            oil = slopes(joint, now, Valve(share, 1.0, level, 0.0))
            return [now.w, oil.dw, oil.de0 * 1e6, oil.de1 * 1e6]

        scaled = state * np.array([1.0, 1.0, 1e6, 1e6])
        found = solve_ivp(right, (0.0, length), scaled, method="Radau", rtol=1e-7, atol=1e-9)
        assert found.success
        return found.y[:, -1] * np.array([1.0, 1.0, 1e-6, 1e-6]), target + (lag - target) * math.exp(-length / lag_s)

    for tick in range(ticks):
        begin = tick * joint.tick_s
        if late > 0.0:
            state, lag = advance(state, lag, begin, late, start.share[tick])
        state, lag = advance(state, lag, begin + late, joint.tick_s - late, start.share[tick + 1])
        volumes = geometry(joint, state[0])[2:]
        rows.append(
            [state[0], state[1], *(max(0.0, e) * joint.bulk_pa / v for e, v in zip(state[2:], volumes, strict=True))]
        )
    return np.array(rows)


def agree(joint: StiffJoint, start: StiffStart, ticks: int):
    """Asserts the agreement and gives the compiled result."""
    start = dataclasses.replace(
        start, share=start.share[: ticks + 1], factor=start.factor[:ticks], quiet_ticks=ticks + 1
    )
    result = run_stiff_compiled(joint, start)
    expected = reference(joint, start, ticks)
    off = np.max(np.abs(result.rows[:, :4] - expected), axis=0)

    assert math.degrees(off[0]) < ANGLE_DEG
    assert off[1] < SPEED_SHARE * abs(start.w_rad_s)
    assert max(off[2:]) < PRESSURE_BAR * 1e5
    return result


def test_a_blocked_swing_is_that_of_the_reference():
    """The valve shuts at once: nothing but oil, damping and friction. Source: scipy.integrate.solve_ivp."""
    joint = made("boom_swing", 1, 0.0)
    joint = with_side(joint, 0, yields=(Yield(pa=math.inf), Yield(pa=math.inf)))
    joint = with_side(joint, 1, yields=(Yield(pa=math.inf), Yield(pa=math.inf)))
    start = sudden(joint, 0.0, -math.radians(25.0))
    start = dataclasses.replace(start, lag=0.0, share=np.zeros(801))
    result = agree(joint, start, 60)

    assert max(result.peak_pa) > 200e5


def test_a_swing_that_its_port_relief_lets_yield_is_that_of_the_reference():
    """Source: scipy.integrate.solve_ivp."""
    joint = made("boom_swing", 0, 0.0)
    start = sudden(joint, 0.0, math.radians(25.0))
    result = agree(joint, dataclasses.replace(start, lag=0.0, share=np.zeros(801)), 60)

    assert result.happened & (RELIEF_OPENED << 8)


def test_lowering_through_a_counterbalance_is_that_of_the_reference():
    """The spool closes behind its dead time and lag, the pump is dumped. Source: scipy.integrate.solve_ivp."""
    joint = made("boom_lift", 1, 0.2)
    result = agree(joint, sudden(joint, 0.2, -math.radians(20.0)), 60)

    assert result.happened & SEAT_OPENED


@pytest.mark.parametrize(
    ("name", "direction", "q", "speed_deg_s", "corner"),
    [
        ("boom_lift", 0, 0.2, 20.0, "slow"),
        ("elbow", 1, -1.0, -30.0, "nominal"),
        ("elbow", 0, -1.0, 30.0, "fast"),
        ("wrist_pitch", 0, 0.1, 50.0, "nominal"),
        ("wrist_roll", 0, 0.0, 45.0, "nominal"),
        ("lever", 1, 0.0, -30.0, "slow"),
    ],
)
def test_stops_of_other_joints_are_those_of_the_reference(name, direction, q, speed_deg_s, corner):
    """Double counterbalance, motor with leak, plain section on a fixed pump. Source: scipy.integrate.solve_ivp."""
    joint = made(name, direction, q, corner)
    agree(joint, sudden(joint, q, math.radians(speed_deg_s)), 40)


def test_what_a_motion_loses_is_what_its_friction_takes():
    """Energy balance of a swing shut in its oil: kinetic and stored energy lost = work of friction, which the
    reference solver sums up along the compiled model's own states. Source: scipy.integrate.solve_ivp.
    """
    joint = made("boom_swing", 0, 0.0)
    joint = bare(joint, driving=joint.driving, overrunning=joint.overrunning)
    q, w = 0.0, math.radians(20.0)
    volumes = geometry(joint, q)[2:]
    squeezed = tuple(40e5 * volume / joint.bulk_pa for volume in volumes)

    def right(_, y):
        now = Motion(float(y[0]), float(y[1]), float(y[2]) * 1e-6, float(y[3]) * 1e-6)
        oil = slopes(joint, now, Valve(0.0, 1.0, 1.0, 0.0))
        area0, area1, _, _ = geometry(joint, now.q)
        net = area0 * oil.p0 - area1 * oil.p1
        friction = net + gravity(joint, now.q) - joint.inertia_kg_m2 * oil.dw
        return [now.w, oil.dw, oil.de0 * 1e6, oil.de1 * 1e6, friction * now.w]

    begin = [q, w, squeezed[0] * 1e6, squeezed[1] * 1e6, 0.0]
    found = solve_ivp(right, (0.0, 0.4), begin, method="Radau", rtol=1e-8, atol=1e-10)
    ticks = round(0.4 / joint.tick_s)
    start = StiffStart(
        q_rad=q,
        w_rad_s=w,
        squeezed_m3=squeezed,
        lag=0.0,
        share=np.zeros(ticks + 1),
        factor=np.ones(ticks),
        off_tick=0,
        quiet_ticks=ticks + 1,
    )
    result = run_stiff_compiled(joint, start)

    def energy(row):
        stored = 0.0
        for volume, pressure in zip(geometry(joint, row[0])[2:], row[2:4], strict=True):
            oil = volume * (1.0 + pressure / joint.bulk_pa)
            stored += joint.bulk_pa * (oil * math.log(oil / volume) - (oil - volume))
        return 0.5 * joint.inertia_kg_m2 * row[1] ** 2 + stored

    lost = energy([q, w, 40e5, 40e5]) - energy(result.rows[-1].tolist())

    assert found.y[4, -1] > 10.0
    assert lost == pytest.approx(found.y[4, -1], rel=2e-3)
