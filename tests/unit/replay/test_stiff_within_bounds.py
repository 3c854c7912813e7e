"""The stiff model never goes farther, longer or higher than the closed-form bounds of the same stop say.

Both stand on the same profile but on other physics: the bounds on work and energy at the worst corner, the stiff model
on the oil's flows. Random starts within the class: any speed up to `speed_never_above`, any angle between the soft
stops, any load, any tolerance corner.
"""

from __future__ import annotations

import dataclasses
import math
import random

import numpy as np
import pytest
from stiff_case import changed, holding, physics_of, share_of, sudden

from mapper.machine.oil.oil_spring import outlet_side
from mapper.machine.stop.running import (
    CHECK_RANGE_PA,
    COUNTERBALANCE_RANGE,
    FASTEST_RAD_S,
    between_soft_stops,
    start_speed_rad_s,
)
from mapper.machine.stop.stopping import (
    CATEGORY_0,
    NEARLY_SHUT,
    RELEASE,
    STANDS_RAD_S,
    caps_pa,
    stop_arrays,
    stop_bounds,
)
from mapper.replay import stiff
from mapper.replay import stiff_joint as stiff_figures
from mapper.replay._stiff_library import run_stiff_compiled
from mapper.replay.stiff import HARD_STOP
from mapper.replay.stiff_joint import CORNERS, OVERRIDE, sinking_rad_s, stiff_joint

JOINTS = ("boom_swing", "boom_lift", "elbow", "wrist_pitch", "wrist_roll", "clamp", "lever")
CASES = 24


def random_start(source, physics, commanded=False):
    """`commanded`: no faster than the corner's gain makes of the highest commanded speed."""
    envelope = physics.envelope
    direction, corner = source.choice([0, 1]), source.choice(CORNERS)
    load = source.choice(envelope.load_names)
    node = source.choice(np.flatnonzero(between_soft_stops(physics)).tolist())
    q = float(envelope.q_rad[node])
    w = start_speed_rad_s(physics, direction) * source.choice([1.0, 1.0, source.uniform(0.1, 1.0)])
    joint = stiff_joint(physics, corner=corner, load_name=load, direction=direction, q_rad=q)
    if commanded:
        speed = physics.joint.limits.speed_deg_s
        w = min(w, math.radians(float(speed.positive if direction == 0 else speed.negative)) * joint.gain)
    where = (direction, envelope.load_names.index(load), node)
    return joint, where, q, w if direction == 0 else -w


def ramped(physics, joint, q, w):
    """The opening follows a command that slows by stop_deceleration, then the deadline cuts it."""
    start = sudden(joint, q, w)
    rate = math.radians(float(physics.joint.limits.stop_deceleration_deg_s2)) * joint.gain
    deadline = float(physics.profile.emergency_stop.release_deadline_s)
    dead = joint.dead_steps // joint.steps_per_tick + 1
    after = np.maximum(np.arange(len(start.share)) - dead + 1, 0) * joint.tick_s
    left = np.where(after < deadline, np.maximum(1.0 - rate * after / abs(w), 0.0), 0.0)
    off = round(min(abs(w) / rate, deadline) / joint.tick_s)
    return dataclasses.replace(start, share=share_of(joint, q, w) * left, off_tick=off)


def followed(physics, kind, case, start_of):
    """The stop's result, its bounds, and what to say where they do not hold."""
    joint, where, q, w = case
    direction, load, _ = where
    result = run_stiff_compiled(joint, start_of(joint, q, w))
    said = (
        f"{joint.name} {kind} direction {direction}, gain {joint.gain}, {physics.envelope.load_names[load]}, "
        f"from {math.degrees(q):.1f} deg at {math.degrees(w):.1f} deg/s"
    )
    return result, stop_bounds(physics, direction, kind), said


def compare_way(physics, kind, case, start_of):
    joint, (direction, load, node), q, _ = case
    result, bounds, said = followed(physics, kind, case, start_of)
    allowed = stop_arrays(physics, direction, kind).distance_rad[load, node]
    went = result.highest_rad - q if direction == 0 else q - result.lowest_rad
    sinking = abs(sinking_rad_s(joint, q))
    slow = np.flatnonzero(np.abs(result.rows[:, 1]) <= STANDS_RAD_S + sinking) + 1
    turned = result.turned_s if result.turned_s >= 0.0 else math.inf
    stood = min(turned, float(slow[0]) * joint.tick_s if slow.size else math.inf)

    assert math.isfinite(stood), said
    assert went <= allowed, f"{said}: {math.degrees(went):.3f} deg, bound {math.degrees(allowed):.3f}"
    assert stood <= bounds.time_s, f"{said}: {stood} s, bound {bounds.time_s}"


def compare_peaks(physics, kind, case, start_of):
    direction = case[1][0]
    result, bounds, said = followed(physics, kind, case, start_of)
    if kind == RELEASE and result.happened & HARD_STOP:
        return  # the law brakes before the soft stop, so that no ramp ends at the hard one
    stopping, driven = outlet_side(physics.model, direction), outlet_side(physics.model, 1 - direction)
    peaks = {stopping: result.peak_pa[1 - direction], driven: result.peak_pa[direction]}
    relief = float(physics.profile.supply.relief_pa)  # what the pump may have given the driven side before
    for side, cap in enumerate(caps_pa(physics)):
        bound = max((bounds.peak_cap_pa, bounds.peak_rod_pa)[side], relief if side == driven else 0.0)
        # What a relief rises above its setting with flow is not in the bounds, and says so there.
        most = bound * (1.0 + OVERRIDE) if bound >= cap else bound

        assert peaks[side] <= most, (
            f"{said}: {('cap', 'rod')[side]} {peaks[side] / 1e5:.1f} bar, bound {most / 1e5:.1f}"
        )


@pytest.mark.parametrize("name", JOINTS)
@pytest.mark.parametrize("compare", [compare_way, compare_peaks])
def test_no_sudden_stop_passes_its_bounds(name, compare):
    physics, source = physics_of(name), random.Random(name)
    for _ in range(CASES):
        compare(physics, CATEGORY_0, random_start(source, physics), sudden)


@pytest.mark.parametrize("name", JOINTS)
@pytest.mark.parametrize("compare", [compare_way, compare_peaks])
def test_no_stop_after_letting_go_passes_its_bounds(name, compare):
    physics, source = physics_of(name), random.Random(f"{name} release")
    for _ in range(CASES):
        case = random_start(source, physics, commanded=True)
        compare(physics, RELEASE, case, lambda *start: ramped(physics, *start))


@pytest.mark.parametrize("name", ["boom_swing", "wrist_roll", "wrist_pitch"])
@pytest.mark.parametrize("compare", [compare_way, compare_peaks])
def test_nothing_but_reliefs_at_the_ports_is_within_the_bounds_too(name, compare):
    """Nothing holds the outlet: while the valve shuts, the load pushes more than the asked flow through its edge."""
    physics, source = changed(physics_of(name), holding=holding("port_relief", 230)), random.Random(f"{name} bare")
    for _ in range(CASES):
        compare(physics, CATEGORY_0, random_start(source, physics), sudden)


@pytest.mark.parametrize("name", ["boom_swing", "wrist_roll", "wrist_pitch"])
@pytest.mark.parametrize("compare", [compare_way, compare_peaks])
def test_letting_go_with_nothing_but_reliefs_is_within_the_bounds_too(name, compare):
    """But for loads that run faster than `speed_never_above`, which the limit `speed_limit` forbids."""
    physics, source = changed(physics_of(name), holding=holding("port_relief", 230)), random.Random(f"{name} bare go")
    within = 0
    for _ in range(CASES):
        case = random_start(source, physics, commanded=True)
        joint, where, q, w = case
        fastest = np.max(np.abs(run_stiff_compiled(joint, ramped(physics, joint, q, w)).rows[:, 1]))
        if fastest <= start_speed_rad_s(physics, where[0]):
            within += 1
            compare(physics, RELEASE, case, lambda *start: ramped(physics, *start))

    assert within > CASES // 3


def test_bounds_and_stiff_model_stand_on_the_same_figures():
    assert stiff.STANDS_RAD_S == STANDS_RAD_S
    assert stiff.NEARLY_SHUT == NEARLY_SHUT
    assert stiff_figures.FASTEST_RAD_S == FASTEST_RAD_S
    assert stiff_figures.COUNTERBALANCE_RANGE == COUNTERBALANCE_RANGE
    assert stiff_figures.CHECK_RANGE_PA == CHECK_RANGE_PA
