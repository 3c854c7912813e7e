"""The soft-stop bound is itself tested: adversarial plants of the class never pass it, plants outside do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from check_case import KERB, STAND, context_of, profile_of, text_of
from plant_class import KINDS, Outside, Runs, joint_of, run

from mapper.check.motion.stop_bound import StopBound, StopClass, StopSide, bound_overruns
from mapper.check.motion.stop_plants import stop_class
from mapper.check.motion.swing import Shaken, largest_swing_deg

JOINTS = [(STAND, "lever"), (KERB, "boom_swing"), (KERB, "elbow"), (KERB, "clamp")]
OTHERS = [(KERB, "boom_lift"), (KERB, "wrist_pitch")]


def prepared(name: str, joint: str, side: int):
    prepared_joint = joint_of(context_of(profile_of(text_of(name)), joint), side)
    bound = bound_overruns(prepared_joint.stops)
    assert bound is not None
    return prepared_joint, bound


def must_not_cross(runs: Runs, bound: StopBound, side: int) -> None:
    """Started beyond the bound: no deeper than there."""
    assert np.all(runs.farthest_deg <= np.maximum(bound.overrun_deg[side], runs.started_deg) + 1e-9)
    assert np.max(runs.swing_deg) <= bound.swing_deg


def test_ten_thousand_adversarial_plants_of_the_class_never_cross():
    total = 0
    for number, (name, joint) in enumerate(JOINTS):
        side = number % 2
        attacked, bound = prepared(name, joint, side)
        runs = run(attacked, count=2500, ticks=300, seed=number)
        total += runs.farthest_deg.size

        must_not_cross(runs, bound, side)
        # The attack is one: every kind of it occurs, some start beyond the stop, and some of it comes close.
        assert set(runs.kind) == set(range(len(KINDS)))
        for leaking in (False, True):
            assert np.max(runs.farthest_deg[(runs.leaking == leaking) & (runs.started_deg < 0.0)]) > 0.2
        assert np.any(runs.started_deg > bound.overrun_deg[side])
        assert np.max(runs.farthest_deg[runs.started_deg < 0.0]) > 0.5 * attacked.stops.error_deg
    assert total >= 10_000


@pytest.mark.deep
@pytest.mark.parametrize(("name", "joint"), [*JOINTS, *OTHERS])
def test_two_hundred_and_forty_thousand_adversarial_plants_never_cross(name, joint):
    for seed in range(5):
        for side in (0, 1):
            attacked, bound = prepared(name, joint, side)
            for still in (False, True):
                runs = run(attacked, count=2000, ticks=700, seed=1000 + 4 * seed + 2 * side + still, still=still)
                must_not_cross(runs, bound, side)


OUTSIDE = [
    ((KERB, "boom_swing"), Outside(gain=3.0)),
    ((KERB, "clamp"), Outside(gain=2.5)),
    ((KERB, "boom_swing"), Outside(frequency=0.5, damping=0.3)),
    ((STAND, "lever"), Outside(frequency=0.4, damping=0.15)),
    ((KERB, "wrist_pitch"), Outside(late_ticks=60)),
]


@pytest.mark.parametrize(("named", "outside"), OUTSIDE)
def test_a_plant_outside_the_class_crosses(named, outside):
    """As far out as random attacks need; each joint's own class, attacked in the same way, stays inside."""
    attacked, bound = prepared(*named, 0)
    within = run(attacked, count=300, ticks=600, seed=3, still=True)
    beyond = run(attacked, count=300, ticks=600, seed=3, still=True, outside=outside)

    must_not_cross(within, bound, 0)
    assert np.max((beyond.farthest_deg - bound.overrun_deg[0])[beyond.started_deg < 0.0]) > 0.1


# -- the same argument where it can be worked out by hand -------------------------------------------------------------


def linear(slope_per_s: float, *, creep_deg_s: float = 0.0, **changes: object) -> StopClass:
    """Both valves make slope x room, plus a creep; a stiff, well damped spring, no error."""
    room = np.arange(0, 20_001) / 1000.0
    real = slope_per_s * room + creep_deg_s
    real[0] = 0.0
    side = StopSide(points=((0.0, 0.0), (20.0, slope_per_s * 20.0)), real_deg_s=real)
    shaken = Shaken(
        natural_rad_s=500.0,
        damping_ratio=0.7,
        ramp_deg_s2=1000.0,
        slope_per_s=slope_per_s,
        speed_deg_s=slope_per_s * 20.0,
        fastest_deg_s=float(real[-1]),
        middle_gain=1.0,
        spread_deg_s=creep_deg_s,
        lag_low_s=0.1,
        lag_s=0.1,
        dead_spread_s=0.0,
        age_s=0.0,
        error_deg=0.0,
        restart_s=1.0,
    )
    stops = StopClass(
        sides=(side, side), lag_s=0.1, late_s=0.1, error_deg=0.0, natural_rad_s=500.0, damping_ratio=0.7, shaken=shaken
    )
    return replace(stops, **changes)


def steepest_per_s(lag_s: float, late_s: float) -> float:
    """Largest k (1 - k lag) exp(-k late)."""
    rates = np.linspace(0.001, 1.0 / lag_s, 100_000)
    return float(np.max(rates * (1.0 - rates * lag_s) * np.exp(-rates * late_s)))


def farthest_of_linear(slope_per_s: float, lag_s: float, late_s: float) -> float:
    """Where a room that closes at slope x room, told late and behind a lag, goes below 0; deg beyond, 0 if it does
    not.
    """
    step = 0.0005
    told, room, speed = [10.0] * round(late_s / step), 10.0, 0.0
    lowest = room
    for _ in range(20_000):
        told.append(room)
        speed += (slope_per_s * told.pop(0) - speed) * (1.0 - math.exp(-step / lag_s))
        room -= speed * step
        lowest = min(lowest, room)
    return max(0.0, -lowest)


def test_without_a_spring_the_steepest_slope_is_exact():
    """A tenth steeper than k (1 - k lag) exp(-k late) allows and the delayed loop really swings past the stop."""
    steepest = steepest_per_s(0.1, 0.1)

    assert farthest_of_linear(0.97 * steepest, 0.1, 0.1) < 1e-6
    assert farthest_of_linear(1.1 * steepest, 0.1, 0.1) > 1e-5
    assert farthest_of_linear(1.5 * steepest, 0.1, 0.1) > 0.01


def test_a_curve_that_the_room_bears_has_no_overrun_but_the_error():
    slope = 0.5 * steepest_per_s(0.1, 0.1)
    for error_deg in (0.0, 0.3):
        bound = bound_overruns(linear(slope, error_deg=error_deg))
        assert bound is not None
        assert bound.overrun_deg == pytest.approx((error_deg, error_deg), abs=1e-6)


def test_creep_at_the_smallest_command_costs_creep_over_slope():
    slope = 0.3 * steepest_per_s(0.1, 0.1)
    bound = bound_overruns(linear(slope, creep_deg_s=0.5))

    assert bound is not None
    near = 0.5 * bound.rho / bound.slope_per_s
    far = 0.5 / (bound.slope_per_s * (1.0 - bound.leak_share)) + bound.swing_deg
    assert bound.shift_deg[0] == pytest.approx(min(near, far), abs=0.003)


def test_a_curve_too_steep_costs_what_the_steepest_part_takes():
    """Three times too steep near the stop: then the room that the fastest speed needs is missing from the travel."""
    steepest = steepest_per_s(0.1, 0.1)
    bound = bound_overruns(linear(1.5 * steepest))

    assert bound is not None
    assert bound.shift_deg[0] > 1.0
    assert bound.at_room_deg[0] > 1.0


def test_bound_grows_with_every_tolerance():
    """Of the compiled curve, each tolerance made worse by itself: never less overrun, and more where enough is
    changed.
    """
    base = stop_class(context_of(profile_of(text_of(STAND)), "lever"))
    reference = bound_overruns(base)
    assert reference is not None

    def faster(side: StopSide) -> StopSide:
        return replace(side, real_deg_s=side.real_deg_s * 1.2)

    worse = {
        "gain": replace(base, sides=(faster(base.sides[0]), faster(base.sides[1]))),
        "lag": replace(base, lag_s=0.2),
        "lateness": replace(base, late_s=base.late_s + 0.15),
        "error": replace(base, error_deg=base.error_deg + 0.2),
        "frequency": replace(base, natural_rad_s=base.natural_rad_s * 0.8),
        "damping": replace(base, damping_ratio=base.damping_ratio * 0.8),
        "swing": replace(base, shaken=replace(base.shaken, ramp_deg_s2=base.shaken.ramp_deg_s2 * 2.0)),
        "restart": replace(base, shaken=replace(base.shaken, restart_s=0.6)),
    }
    for name, changed in worse.items():
        grown = bound_overruns(changed)
        assert grown is None or max(grown.overrun_deg) > max(reference.overrun_deg) + 0.01, name


def test_a_curve_too_steep_for_the_spring_has_no_bound():
    base = stop_class(context_of(profile_of(text_of(STAND)), "lever"))
    shaken = replace(base.shaken, natural_rad_s=base.natural_rad_s / 8.0, damping_ratio=0.02)
    soft = replace(base, natural_rad_s=base.natural_rad_s / 8.0, damping_ratio=0.02, shaken=shaken)

    assert largest_swing_deg(shaken, 0.0) is None
    assert bound_overruns(soft) is None


def test_swing_grows_with_what_shakes_the_joint():
    base = stop_class(context_of(profile_of(text_of(KERB)), "boom_swing")).shaken
    reference = largest_swing_deg(base, 0.0, 0.25)
    assert reference is not None
    for name, value in (
        ("ramp_deg_s2", 60.0),
        ("spread_deg_s", 15.0),
        ("age_s", 0.2),
        ("error_deg", 1.5),
        ("restart_s", 1.0),
        ("lag_s", 0.2),
        ("dead_spread_s", 0.1),
        ("extra_fall_deg_s2", 60.0),
        ("extra_shake_deg_s", 2.0),
    ):
        grown = largest_swing_deg(replace(base, **{name: value}), 0.0, 0.25)
        assert grown is not None
        assert grown > reference * 1.02, name


def test_swing_of_a_held_command_is_what_the_valve_alone_makes():
    """No ramp, no curve, no stop worth mention: gain x R int|h| is left, here with R = 1 and w = 10, z = 0.5."""
    shaken = Shaken(
        natural_rad_s=10.0,
        damping_ratio=0.5,
        ramp_deg_s2=1.0,
        slope_per_s=0.0,
        speed_deg_s=1e-6,
        fastest_deg_s=1e-6,
        middle_gain=1.0,
        spread_deg_s=0.0,
        lag_low_s=0.05,
        lag_s=0.05,
        dead_spread_s=0.0,
        age_s=0.0,
        error_deg=0.0,
        restart_s=1.0,
    )
    half = 0.5 * math.pi / (2.0 * math.sqrt(0.75))

    assert largest_swing_deg(shaken, 0.0) == pytest.approx(1.0 / math.tanh(half) / 100.0, rel=0.15)
