"""Tip speed in the table: reaches never below the geometry, gains never below what valve and reading make, and the sum
that the law may not pass, worked out by hand.
"""

from __future__ import annotations

import math
import random
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_profile import changed, joint_named, with_electric_joint, worked

from mapper.machine import joint_gain_spread
from mapper.machine.arm.arm import Arm, arm_model
from mapper.profile.profile import Body, Joint, Load, Profile, TwoWay
from mapper.table import CompileError, Curve, compile_table
from mapper.table.compile_drive import flow_curves, valve_curve
from mapper.table.compile_tip import (
    TipError,
    _most_ratio,
    creep_mdeg_s,
    far_m,
    reach_known,
    reach_of_mm,
    tip_gain,
    tip_limit,
)

KERB_ARM = worked("kerb-arm")
TEST_STAND = worked("test-stand")
LOAD_M = math.hypot(0.380, 0.166) + 0.600  # the stone from the wrist pitch pivot: its centre, and its far end
FOREARM_M = 45.3 * 0.0254
FAR_M = {
    "boom_swing": 1.6 + FOREARM_M + LOAD_M,  # of the column only what it is long, nothing of what it is high
    "boom_lift": 1.6 + FOREARM_M + LOAD_M,
    "elbow": FOREARM_M + LOAD_M,
    "wrist_pitch": LOAD_M,
    "wrist_roll": 0.166 + 0.600,
    "clamp": 0.300,
}


def stand(path: str, value: object) -> Profile:
    return changed(TEST_STAND, path, value)


# -- reach ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("index", range(6))
def test_the_arms_reach_is_that_of_the_stones_far_end(index: int) -> None:
    found, by_hand = float(far_m(KERB_ARM, index)), FAR_M[KERB_ARM.joints[index].name]

    assert by_hand <= found <= by_hand + 1e-9


def test_the_reach_of_the_arm_is_reached_in_a_pose_within_its_travel() -> None:
    """Elbow straight, the wrist turned until the stone's centre lies in line: nothing is given away there."""
    straight = math.radians(0.0), -math.atan2(0.166, 0.380)
    pose = arm_model(KERB_ARM).pose([0.3, 0.0, straight[0], straight[1], 0.0, 0.2], "rated")

    for index in range(4):
        off = np.cross(pose.axes[0, index], pose.tip_m[0] - pose.pivots_m[0, index])
        assert float(np.linalg.norm(off)) + 0.600 == pytest.approx(FAR_M[KERB_ARM.joints[index].name], abs=1e-9)


def test_a_pitch_joint_far_below_counts_what_is_risen_and_a_vertical_one_does_not() -> None:
    """Three metres of rise on the column: the lift turns about their top and the swing about their line."""
    high = changed(KERB_ARM, "joints.0.body.rise_m", Fraction(3))
    tilted = changed(KERB_ARM, "joints.1.body.rise_m", Fraction(6, 5))

    assert far_m(high, 0) == far_m(KERB_ARM, 0)
    assert float(far_m(tilted, 1)) == pytest.approx(2.0 + FOREARM_M + LOAD_M)  # 1.6 along, 1.2 up: 2.0


def test_a_body_counts_with_its_radius_and_without_one_at_least_with_its_centre() -> None:
    thick = changed(KERB_ARM, "joints.2.body.radius_m", Fraction(9))
    thin = changed(KERB_ARM, "joints.5.body.radius_m", None)

    assert float(far_m(thick, 2)) == pytest.approx(FOREARM_M + 9)
    assert float(far_m(thick, 1)) == pytest.approx(1.6 + FOREARM_M + 9)
    assert far_m(thin, 5) == Fraction(1, 10)


def test_a_grip_moves_its_own_jaws_and_nothing_without_a_body() -> None:
    bare = changed(KERB_ARM, "joints.5.body", None)

    assert far_m(bare, 5) == 0
    assert tip_limit(bare).reach_mm[5] == 0
    assert tip_limit(bare).reach_mm[:4] == tip_limit(KERB_ARM).reach_mm[:4]


def _random_arm(rng: random.Random) -> Profile:
    """Joints of the kerb arm in any order of axes, with bodies, rises and loads of any size."""
    axes = [rng.choice(("vertical", "pitch", "roll", "grip")) for _ in range(rng.randint(1, 6))]
    if all(axis == "grip" for axis in axes):
        axes[0] = rng.choice(("vertical", "pitch", "roll"))

    def metres(highest: int) -> Fraction:
        return Fraction(rng.randint(0, highest), 100)

    def body(axis: str) -> Body | None:
        if axis != "pitch" and rng.random() < 0.3:
            return None
        return Body(
            mass_kg=Fraction(1),
            centre_m=metres(200),
            length_m=Fraction(0) if axis == "grip" else metres(200),
            rise_m=Fraction(0) if axis == "grip" else metres(100) * rng.choice((-1, 0, 1)),
        )

    joints = tuple(
        replace(joint, axis=axis, body=body(axis)) for joint, axis in zip(KERB_ARM.joints, axes, strict=False)
    )
    load = Load(name="stone", mass_kg=Fraction(1), centre_m=metres(200), offset_m=metres(50) * rng.choice((0, 1)))
    return replace(KERB_ARM, joints=joints, loads=(load,), coupled_stops=(), keep_out=())


@pytest.mark.parametrize("seed", range(60))
def test_no_point_of_any_arm_in_any_pose_is_farther_than_its_reach(seed: int) -> None:
    """Against the machine model's poses: load, masses and pivots of 500 poses, every angle a full turn."""
    rng = random.Random(seed)
    profile = _random_arm(rng)
    arm: Arm = arm_model(profile)
    q = np.random.default_rng(seed).uniform(-math.pi, math.pi, (500, len(profile.joints)))
    pose = arm.pose(q, "stone")
    moving = [index for index, joint in enumerate(profile.joints) if joint.axis != "grip"]

    for index in moving:
        beyond = [other for other in moving if other >= index]
        carried = arm.bodies("stone")[2][index] > 0
        points = np.concatenate([pose.pivots_m[:, beyond], pose.places_m[:, carried], pose.tip_m[:, None]], axis=1)
        off = np.cross(pose.axes[:, None, index], points - pose.pivots_m[:, None, index])
        assert float(np.max(np.linalg.norm(off, axis=2))) <= float(far_m(profile, index)) + 1e-9


def test_a_radius_adds_to_the_reach_of_every_random_arm() -> None:
    for seed in range(20):
        profile = _random_arm(random.Random(seed))
        ball = changed(profile, "loads.0.radius_m", Fraction(50))
        index = next(number for number, joint in enumerate(profile.joints) if joint.axis != "grip")
        tip = arm_model(profile).tip_radius_m(np.zeros((1, len(profile.joints))), "stone")[0, index]

        assert float(far_m(ball, index)) >= tip + 50 - 1e-9


# -- gain and creep -------------------------------------------------------------------------------------------------


def test_the_gain_of_a_motor_is_its_spread_times_what_hysteresis_makes_of_a_small_flow() -> None:
    """Lever arm the same in every pose, so no reading is wrong. Compiled: 18 % at no flow to 40 % at 17 %; the real
    curve, half of 4 % to the left: from 18 %, 22/20 as steep."""
    roll = joint_named(KERB_ARM, "wrist_roll")
    spread = max(joint_gain_spread(KERB_ARM, roll, side)[1] for side in (0, 1))

    assert {roll.valve.positive.jump, roll.valve.negative.jump} == {Fraction(18, 100)}
    assert tip_gain(KERB_ARM, roll) == spread * Fraction(11, 10)


def test_a_drive_that_jumps_just_short_of_where_flow_may_begin_leaves_no_creep() -> None:
    assert tip_limit(KERB_ARM).creep_mdeg_s == (0,) * 6
    assert tip_limit(TEST_STAND).creep_mdeg_s == (0,)


def test_creep_is_the_flow_that_passes_when_the_drive_jumps_a_percent_too_far() -> None:
    """1 % of drive on a curve of 17 % flow for 20 % drive is 0.85 % flow: 85 of 10000, where it is worth most speed."""
    profile = stand("joints.0.valve.positive.jump", Fraction(19, 100))
    joint = profile.joints[0]
    smallest = min(y for _, y in flow_curves(joint)[0].points)

    assert creep_mdeg_s(joint) == Fraction(85 * 65_536, smallest)


def test_the_spread_of_the_crack_counts_where_it_is_more_than_half_the_hysteresis() -> None:
    profile = stand("joints.0.valve.positive.crack_min", Fraction(17, 100))  # 3 %: 1 % more than 2 %
    narrow = changed(profile, "joints.0.tolerances.hysteresis", Fraction(1, 1000))

    assert creep_mdeg_s(profile.joints[0]) == creep_mdeg_s(narrow.joints[0]) > 0


def test_an_electric_joint_has_the_spread_of_its_amplifier_and_its_own_speed_for_a_flow() -> None:
    profile = changed(with_electric_joint(), "joints.0.valve.positive.jump", Fraction(19, 100))
    joint = profile.joints[0]

    assert creep_mdeg_s(joint) == Fraction(85 * 65_536, math.floor(Fraction(10_000 * 65_536, 40_000)))
    assert tip_gain(profile, joint) >= joint_gain_spread(profile, joint, 0)[1]


def _real_flow_e4(joint: Joint, side: int, asked: np.ndarray) -> np.ndarray:
    """What the spool may pass of each asked flow, in floats: the compiled curve by rule L2, then the measured one."""
    own = (joint.valve.positive, joint.valve.negative)[side]
    left = float(max(joint.tolerances.hysteresis / 2, own.crack - own.crack_min))
    points = valve_curve(joint, side).points
    drive = np.interp(asked, [x for x, _ in points], [y for _, y in points]) / 1e4 + left
    at, flow = [float(x) for x, _ in own.points], [float(y) for _, y in own.points]
    last = (flow[-1] - flow[-2]) / (at[-1] - at[-2])
    return (np.interp(drive, at, flow) + np.maximum(drive - at[-1], 0.0) * last) * 1e4


@pytest.mark.parametrize("jump", [Fraction(0), Fraction(1, 100), Fraction(-1, 100)])
@pytest.mark.parametrize("name", [joint.name for joint in KERB_ARM.joints])
def test_no_flow_up_to_the_reduced_speeds_is_above_gain_and_creep(name: str, jump: Fraction) -> None:
    """Every whole flow, both sides, jumps short of and beyond the edge. Real over asked speed: the lever arm of a right
    reading cancels; the gain has more in it, for a wrong one."""
    joint = joint_named(KERB_ARM, name)
    for side in ("positive", "negative"):
        joint = changed(joint, f"valve.{side}.jump", getattr(joint.valve, side).jump + jump)
    for side in (0, 1):
        spread = float(joint_gain_spread(KERB_ARM, joint, side)[1])
        reduced = (joint.limits.reduced_speed_deg_s.positive, joint.limits.reduced_speed_deg_s.negative)[side]
        per_speed = [y for _, y in flow_curves(joint)[side].points]
        asked = np.arange(1, int(reduced * 1000 * max(per_speed) / 65_536) + 1)
        creep_e4 = float(creep_mdeg_s(joint)) * min(per_speed) / 65_536
        real = spread * _real_flow_e4(joint, side, asked)

        assert np.all(real <= float(tip_gain(KERB_ARM, joint)) * (asked + creep_e4) + 1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_no_reading_within_its_error_makes_more_of_the_flow_curve_than_is_counted(seed: int) -> None:
    rng = random.Random(seed)
    xs = sorted(rng.sample(range(-40_000, 40_000), 9))
    curve = Curve(points=tuple((x, rng.randint(3_000, 20_000)) for x in xs))
    off = rng.choice((1, 500, 3_000, 20_000))
    most = float(_most_ratio(curve, off))
    at, values = [x for x, _ in curve.points], [y for _, y in curve.points]
    q = np.random.default_rng(seed).uniform(-45_000, 45_000, 4_000)
    r = q + np.random.default_rng(seed + 100).uniform(-off, off, 4_000)

    assert np.max(np.interp(r, at, values) / np.interp(q, at, values)) <= most + 1e-12
    grid = np.concatenate([np.array(at)[:, None] + np.array([0.0, off, -off])]).ravel()
    reached = max(
        np.max(np.interp(grid + d, at, values) / np.interp(grid, at, values)) for d in np.linspace(-off, off, 401)
    )
    assert most <= reached * 1.02


def test_a_wrong_reading_costs_more_the_larger_its_error_and_the_later_it_is() -> None:
    joint = TEST_STAND.joints[0]
    off = stand("joints.0.position.error_deg", Fraction(3))
    late = stand("joints.0.tolerances.dead_time_s.upper", Fraction(3, 10))

    assert tip_gain(off, off.joints[0]) > tip_gain(TEST_STAND, joint)
    assert tip_gain(late, late.joints[0]) > tip_gain(TEST_STAND, joint)


# -- the limit ------------------------------------------------------------------------------------------------------


def test_the_limit_in_the_table_is_that_of_the_profile_in_its_unit_rounded_down() -> None:
    """250 mm/s for a radius in mm is 250 x 180000 / pi mdeg/s mm: 14323944.88."""
    table = compile_table(KERB_ARM)

    assert table.machine.tip_mdeg_mm_s == 14_323_944 == math.floor(250 * 180_000 / math.pi)
    assert tuple(joint.reach_mm for joint in table.joints) == tip_limit(KERB_ARM).reach_mm


def test_a_reach_in_the_table_is_the_distance_times_the_gain_rounded_up() -> None:
    for index, joint in enumerate(KERB_ARM.joints):
        exact = far_m(KERB_ARM, index) * tip_gain(KERB_ARM, joint) * 1000
        assert exact <= reach_of_mm(KERB_ARM, index) < exact + 1


def test_the_smallest_stated_limit_counts_and_without_any_a_quarter_of_a_metre_a_second() -> None:
    slower = changed(KERB_ARM, "joints.3.limits.tip_speed_m_s", Fraction(1, 10))
    unsaid = replace(KERB_ARM, joints=tuple(changed(joint, "limits.tip_speed_m_s", None) for joint in KERB_ARM.joints))

    assert tip_limit(slower).tip_mdeg_mm_s == math.floor(100 * 180_000 / math.pi)
    assert tip_limit(unsaid).limit_mm_s == 250


def test_creep_of_every_joint_is_taken_off_the_limit() -> None:
    """Each as fast as its valve lets it creep, times its reach."""
    profile = changed(KERB_ARM, "joints.2.valve.positive.jump", Fraction(175, 1000))
    tip = tip_limit(profile)

    assert tip.creep_mdeg_s[2] > 0
    whole = 250 * 180_000 / math.pi - tip.reach_mm[2] * float(tip.creep_mdeg_s[2])
    assert tip.tip_mdeg_mm_s == math.floor(whole)


def test_nothing_is_limited_where_a_pitch_joint_has_no_body() -> None:
    profile = changed(KERB_ARM, "joints.2.body", None)
    table = compile_table(profile)

    assert reach_known(KERB_ARM)
    assert not reach_known(profile)
    assert table.machine.tip_mdeg_mm_s == 0
    assert {joint.reach_mm for joint in table.joints} == {0}


def test_a_limit_that_the_valves_alone_use_up_is_refused_with_the_joint_and_the_way_out() -> None:
    """Jumps 3 % further than the spool begins to open, on a curve of 0.85 flow a drive: 2.55 % of full flow."""
    profile = KERB_ARM
    for side in ("positive", "negative"):
        for index in (0, 1, 2):
            own = getattr(profile.joints[index].valve, side)
            profile = changed(profile, f"joints.{index}.valve.{side}.jump", own.jump + Fraction(3, 100))

    with pytest.raises(CompileError) as caught:
        compile_table(profile)

    text = str(caught.value)
    assert caught.value.joint in ("boom_swing", "boom_lift", "elbow")
    assert text.startswith(f"joints.{caught.value.joint}.limits.tip_speed: at the smallest command the valves may by ")
    for words in ("the limit of the machine is 250 mm/s", "valve.positive.jump", "a valve with less hysteresis"):
        assert words in text


def test_just_inside_and_just_outside_of_what_creep_leaves() -> None:
    """The smallest limit that compiles is the one of which creep leaves a whole unit."""
    profile = changed(TEST_STAND, "joints.0.valve.positive.jump", Fraction(19, 100))
    tip = tip_limit(profile)
    used = tip.reach_mm[0] * tip.creep_mdeg_s[0] * Fraction(math.pi) / 180_000 / 1000  # m/s
    inside = changed(profile, "joints.0.limits.tip_speed_m_s", used + Fraction(1, 10**6))
    outside = changed(profile, "joints.0.limits.tip_speed_m_s", used - Fraction(1, 10**6))

    assert 1 <= tip_limit(inside).tip_mdeg_mm_s < 100
    with pytest.raises(TipError):
        tip_limit(outside)


def test_a_reach_or_limit_beyond_the_table_is_refused_in_words() -> None:
    far = changed(KERB_ARM, "loads.1.radius_m", Fraction(45))
    fast = replace(
        KERB_ARM, joints=tuple(changed(joint, "limits.tip_speed_m_s", Fraction(40)) for joint in KERB_ARM.joints)
    )

    with pytest.raises(CompileError, match=r"joints\.boom_swing\.body: reaches \d+ mm.*at most 65535 mm"):
        compile_table(far)
    with pytest.raises(CompileError, match=r"a tip speed of 40000 mm/s; at most 34906\.6 mm/s"):
        compile_table(fast)


@pytest.mark.parametrize("seed", range(10))
def test_commands_within_the_sum_never_make_a_tip_faster_than_the_limit(seed: int) -> None:
    """Random commands up to the sum, each joint as fast as gain and creep let it, all adding up in one line: the bound
    that the table promises, by its own numbers and pi."""
    rng = random.Random(seed)
    profile = changed(KERB_ARM, "joints.2.valve.positive.jump", Fraction(172, 1000))
    tip = tip_limit(profile)
    weights = [rng.random() for _ in tip.reach_mm]
    scale = tip.tip_mdeg_mm_s / sum(weight * reach for weight, reach in zip(weights, tip.reach_mm, strict=True))
    speeds = [
        float(tip_gain(profile, joint)) * (math.floor(weight * scale) + float(tip.creep_mdeg_s[index]))
        for index, (joint, weight) in enumerate(zip(profile.joints, weights, strict=True))
    ]
    together = sum(math.radians(v / 1000) * float(far_m(profile, n)) * 1000 for n, v in enumerate(speeds))

    assert together <= 250.0
    assert together > 245.0 or min(weights) < 0.02


def test_the_worse_of_the_two_directions_counts() -> None:
    """More flow is asked for one way: hysteresis makes more of it on the steeper part of the valve's curve."""
    joint = TEST_STAND.joints[0]
    one_way = changed(joint, "limits.reduced_speed_deg_s", TwoWay(positive=Fraction(30), negative=Fraction(8)))
    other_way = changed(joint, "limits.reduced_speed_deg_s", TwoWay(positive=Fraction(8), negative=Fraction(30)))

    assert tip_gain(TEST_STAND, one_way) > tip_gain(TEST_STAND, joint)
    assert tip_gain(TEST_STAND, other_way) > tip_gain(TEST_STAND, joint)
