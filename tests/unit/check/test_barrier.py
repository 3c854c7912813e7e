"""The soft-stop bound is itself tested: adversarial plants of the class never pass it, plants outside do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from check_case import KERB, STAND, context_of, profile_of, text_of
from plant_class import KINDS, Outside, Runs, run

from mapper.check.context import slowest_flow_per_speed
from mapper.check.motion.barrier import bound_overruns, phase_curve
from mapper.check.motion.soft_stop import _with_rise, approach_of
from mapper.check.motion.valve_class import valve_class

INSIDE = Outside()
JOINTS = [(STAND, "lever"), (KERB, "boom_swing"), (KERB, "elbow"), (KERB, "clamp")]


def prepared(name: str, joint: str, side: int):
    """Approach of this side and of the other, the bound, and up(u) of both directions."""
    context = context_of(profile_of(text_of(name)), joint)
    approaches = (approach_of(context, 0), approach_of(context, 1))
    bounds = bound_overruns(approaches)
    real = []
    for direction in (side, 1 - side):
        commands = np.arange(context.table.speed_full_mdeg_s[direction] + 1)
        slowest = slowest_flow_per_speed(context, direction)
        real.append(np.array(_with_rise(context, direction, commands, valve_class(context, direction), slowest)))
    return approaches[side], approaches[1 - side], bounds[side], (real[0], real[1])


def attack(
    name: str, joint: str, side: int, count: int, seed: int, outside: Outside = INSIDE, **more
) -> tuple[Runs, object]:
    upper, lower, bound, real = prepared(name, joint, side)
    assert bound.swing_deg is not None
    runs = run(
        upper,
        lower,
        real,
        bound.curve,
        count=count,
        ticks=500,
        seed=seed,
        swing_deg=bound.swing_deg,
        outside=outside,
        **more,
    )
    return runs, bound


def must_not_cross(runs: Runs, bound) -> None:
    assert np.max(runs.farthest_deg) <= bound.overrun_deg
    assert np.max(runs.swing_deg) <= bound.swing_deg
    assert np.max(runs.above_barrier_deg_s) <= 1e-6


def test_twenty_thousand_adversarial_plants_of_the_class_never_cross():
    total = 0
    for number, (name, joint) in enumerate(JOINTS):
        for side in (0, 1):
            runs, bound = attack(name, joint, side, 2600, seed=10 * number + side)
            total += runs.farthest_deg.size

            must_not_cross(runs, bound)
            # The attack is one: every kind of it occurs, and some of it does pass the soft stop.
            assert set(runs.kind) == set(range(len(KINDS)))
            assert np.max(runs.farthest_deg) > 0.1
    assert total >= 20_000


@pytest.mark.deep
@pytest.mark.parametrize(("name", "joint"), [*JOINTS, (KERB, "boom_lift"), (KERB, "wrist_pitch")])
def test_two_hundred_thousand_adversarial_plants_never_cross(name, joint):
    for seed in range(10):
        for side in (0, 1):
            runs, bound = attack(name, joint, side, 10_000, seed=1000 + 2 * seed + side)
            must_not_cross(runs, bound)


def test_a_plant_a_little_faster_than_the_class_crosses_the_barrier():
    """Two per cent more gain than the class allows, long travel, so that full speed is reached."""
    upper, lower, bound, real = prepared(STAND, "lever", 0)
    upper, lower = replace(upper, travel_deg=400.0), replace(lower, travel_deg=400.0)
    for gain, crosses in ((1.0, False), (1.02, True)):
        runs = run(
            upper, lower, real, bound.curve, count=400, ticks=2000, seed=5, swing_deg=bound.swing_deg,
            outside=Outside(gain=gain), start_deg=(-90.0, -80.0),
        )  # fmt: skip

        assert (np.max(runs.above_barrier_deg_s) > 1e-6) == crosses


def test_a_softer_and_less_damped_plant_swings_beyond_the_bound():
    runs, bound = attack(STAND, "lever", 0, 2000, seed=6, outside=Outside(frequency=0.6, damping=0.4))

    assert np.max(runs.swing_deg) > bound.swing_deg


def test_a_plant_that_hears_late_crosses_the_barrier():
    runs, _ = attack(KERB, "clamp", 0, 2000, seed=7, outside=Outside(late_ticks=25))

    assert np.max(runs.above_barrier_deg_s) > 0.1


def test_curve_keeps_what_the_argument_needs():
    """Speed falls, and is never below the commanded value: without both, plants could cross outwards."""
    upper, _, _, _ = prepared(STAND, "lever", 0)
    curve = phase_curve(upper)

    assert np.all(np.diff(curve.speed_deg_s) <= 1e-9)
    assert np.all(np.diff(curve.z_deg) >= 0)
    room = np.maximum(-curve.z_deg, 0.0)
    here = np.array(upper.brake)[np.minimum((room * 1000).astype(int), len(upper.brake) - 1)]
    assert np.all(curve.speed_deg_s >= upper.gain * np.where(room > 0, here, 0.0) - 1e-6)


def test_bound_grows_with_every_tolerance():
    context = context_of(profile_of(text_of(STAND)), "lever")
    base = (approach_of(context, 0), approach_of(context, 1))
    reference = bound_overruns(base)[0].overrun_deg
    worse = {
        "gain": lambda a: replace(a, gain=a.gain * 1.1, gain_step=a.gain_step * 1.1),
        "lag": lambda a: replace(a, lag_high_s=0.4),
        "lateness": lambda a: replace(a, late_s=a.late_s + 0.25),
        "error": lambda a: replace(a, error_deg=a.error_deg + 0.2),
        "frequency": lambda a: replace(a, natural_frequency_hz=a.natural_frequency_hz * 0.8),
        "damping": lambda a: replace(a, damping_ratio=a.damping_ratio * 0.8),
        "ramp": lambda a: replace(a, ramp_deg_s2=a.ramp_deg_s2 * 1.3),
    }
    for name, change in worse.items():
        grown = bound_overruns((change(base[0]), change(base[1])))[0].overrun_deg
        assert grown is None or grown > reference, name


def test_a_curve_too_steep_for_the_spring_has_no_bound():
    context = context_of(profile_of(text_of(STAND)), "lever")
    soft = [replace(approach_of(context, side), natural_frequency_hz=0.4, damping_ratio=0.03) for side in (0, 1)]

    assert bound_overruns((soft[0], soft[1]))[0].overrun_deg is None
