"""Tip speed in reduced mode: the proof against random poses and sums by hand, the law's part, and the advice."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from check_case import KERB, STAND, bad, check_with, finding
from make_chain import reordered
from make_profile import changed, worked

from mapper.check.context import JointContext, contexts
from mapper.check.finding import Evidence, Finding, Status
from mapper.check.motion.speed import speed_limit
from mapper.check.space.branch import highest
from mapper.check.space.joint_speed import JointSpeed, joint_speed
from mapper.check.space.reach import farthest
from mapper.check.space.tip import part_speed
from mapper.check.space.tip_law import law_keeps_the_sum
from mapper.check.space.tip_search import allowed_mm_s, fastest_point
from mapper.check.space.tip_speed import tip_speed
from mapper.law import LiveTable, load_core
from mapper.machine import joint_model
from mapper.machine.arm.arm import arm_model
from mapper.machine.arm.chain import PITCH, VERTICAL
from mapper.machine.arm.points import Hinge, Part, arm_shape
from mapper.profile.profile import Profile
from mapper.table import compile_table, encode_table
from mapper.table.table import Table


@functools.cache
def table_of(name: str) -> Table:
    return compile_table(worked(name))


def parts_of(profile: Profile, table: Table) -> tuple[LiveTable, tuple[JointContext, ...]]:
    live = load_core().table(encode_table(table))
    return live, contexts(profile, table, live, tuple(joint_model(profile, joint) for joint in profile.joints))


@functools.cache
def case(name: str) -> tuple[LiveTable, tuple[JointContext, ...]]:
    return parts_of(worked(name), table_of(name))


def with_tip(table: Table, tip_mdeg_mm_s: int) -> Table:
    return replace(table, machine=replace(table.machine, tip_mdeg_mm_s=tip_mdeg_mm_s))


def examined(name: str, tip_mdeg_mm_s: int) -> Finding:
    table = with_tip(table_of(name), tip_mdeg_mm_s)
    return tip_speed(worked(name), table, load_core().table(encode_table(table)), case(name)[1])


def speed(index: int, asked: float, gain: float = 1.0, creep: float = 0.0, reach_mm: int = 0) -> JointSpeed:
    return JointSpeed(index=index, asked_rad_s=asked, gain=gain, creep_rad_s=creep, reach_mm=reach_mm)


# -- by hand ----------------------------------------------------------------------------------------------------------


def two_links(travel_rad: float = 1.0) -> Part:
    """Two level links of 1 m, a ball of 100 mm at the end."""
    hinges = (
        Hinge(index=0, axis=PITCH, lower_rad=-1.0, upper_rad=1.0, next_x_m=1.0),
        Hinge(index=1, axis=PITCH, lower_rad=-travel_rad, upper_rad=travel_rad),
    )
    return Part(name="two links", joint_name="b", hinges=hinges, ends_m=((1.0, 0.0),), radius_m=0.1)


def most(part: Part, speeds: Sequence[JointSpeed], limit_mm_s: float) -> float:
    found = highest(
        part_speed(part, speeds, limit_mm_s), part.travel_rad(), (), tolerance=lambda value: 1e-4 * abs(value)
    )
    return found.most


def test_two_links_stretched_out_without_a_limit() -> None:
    """Both at 0.1 rad/s: (2.1 + 1.1) m x 0.1 rad/s = 320 mm/s; creep of 0.01 and a gain of 1.3 on the second: 2.1 x
    0.1 + 1.1 x (0.13 + 0.01) = 364 mm/s.
    """
    assert most(two_links(), (speed(0, 0.1), speed(1, 0.1)), math.inf) == pytest.approx(320.0, rel=2e-4)
    assert most(two_links(), (speed(0, 0.1), speed(1, 0.1, 1.3, 0.01)), math.inf) == pytest.approx(364.0, rel=2e-4)


def test_two_links_that_the_law_limits() -> None:
    """Limit 100 mm/s, reaches 2100 and 2200 mm: the first joint gives 1 mm/s for each mm/s of the limit up to 210 mm/s,
    the second only a half: 100 mm/s. With the first at 0.02 rad/s it gives 42, the second 58 / 2200 x 1100 = 29 mm/s.
    """
    second = speed(1, 0.1, reach_mm=2200)

    assert most(two_links(), (speed(0, 0.1, reach_mm=2100), second), 100.0) == pytest.approx(100.0, rel=2e-4)
    assert most(two_links(), (speed(0, 0.02, reach_mm=2100), second), 100.0) == pytest.approx(71.0, rel=2e-4)


def test_the_elbow_that_cannot_stretch() -> None:
    """Second joint between 60 and 90 deg: the end is sqrt(3) m from the first axis at most."""
    folded = replace(
        two_links(),
        hinges=(two_links().hinges[0], replace(two_links().hinges[1], lower_rad=math.pi / 3, upper_rad=math.pi / 2)),
    )

    found = most(folded, (speed(0, 0.1), speed(1, 0.0)), math.inf)

    assert found == pytest.approx(100.0 * (math.sqrt(3.0) + 0.1), rel=2e-4)


def test_swing_alone_moves_what_is_level_farthest() -> None:
    """A boom of 2 m between 30 and 80 deg: 2 cos 30 deg from the upright axis, and 0.1 m of radius."""
    hinges = (
        Hinge(index=0, axis=VERTICAL, lower_rad=-1.0, upper_rad=1.0, next_z_m=0.5),
        Hinge(index=1, axis=PITCH, lower_rad=math.radians(30.0), upper_rad=math.radians(80.0)),
    )
    boom = Part(name="boom", joint_name="b", hinges=hinges, ends_m=((0.0, 0.0), (2.0, 0.0)), radius_m=0.1)

    assert most(boom, (speed(0, 0.1), speed(1, 0.0)), math.inf) == pytest.approx(100.0 * (math.sqrt(3) + 0.1), rel=2e-4)


def test_jaws_move_by_themselves_too() -> None:
    jaws = replace(two_links(), jaws=(2, 0.3), radius_m=0.3)

    assert most(jaws, (speed(0, 0.0), speed(1, 0.0), speed(2, 0.2)), math.inf) == pytest.approx(60.0, rel=2e-4)


def test_a_real_speed_in_a_pose_is_never_above_its_bound_and_reaches_it_in_one_plane() -> None:
    quantity = part_speed(two_links(), (speed(0, 0.1, reach_mm=2100), speed(1, 0.1, reach_mm=2200)), 250.0)
    for angle in np.linspace(-1.0, 1.0, 9):
        reached, _ = quantity.shares(np.array([0.3, angle]))
        assert reached <= quantity.value(np.array([[0.3, angle]]))[0] + 1e-9
    stretched, shares = quantity.shares(np.zeros(2))

    assert stretched == pytest.approx(quantity.value(np.zeros((1, 2)))[0], rel=1e-9)
    assert sum(share.part_mm_s for share in shares) == pytest.approx(stretched)


# -- the worked machines ----------------------------------------------------------------------------------------------


def reached_by_random(profile: Profile, speeds: Sequence[JointSpeed], limit_mm_s: float, count: int) -> float:
    """The fastest that a load gets in random poses with random real speeds that the law lets through, mm/s."""
    rng = np.random.default_rng(3)
    arm = arm_model(profile)
    hard = [None if joint.continuous else joint.limits.hard_stops_deg for joint in profile.joints]
    low = np.radians([-180.0 if ends is None else float(ends.lower) for ends in hard])
    high = np.radians([180.0 if ends is None else float(ends.upper) for ends in hard])
    share = rng.random((count, len(low)))
    q = low + (high - low) * np.where(rng.random(share.shape) < 0.3, np.round(share), share)
    asked, gain = np.array([one.asked_rad_s for one in speeds]), np.array([one.gain for one in speeds])
    creep, reach = np.array([one.creep_rad_s for one in speeds]), np.array([float(one.reach_mm) for one in speeds])
    command = asked * rng.random(share.shape) * (rng.random(share.shape) < 0.5)
    command *= np.minimum(1.0, limit_mm_s / np.maximum(command @ reach, 1e-9))[:, None]
    alone = np.arange(count) % 2 == 0  # one joint with all of the limit
    rows, column = np.flatnonzero(alone), rng.integers(0, len(speeds), alone.sum())
    command[rows] = 0.0
    command[rows, column] = np.minimum(asked[column], limit_mm_s / np.maximum(reach[column], 1e-9))
    real = np.where(command > 0.0, creep + gain * command, 0.0) * rng.choice([-1.0, 1.0], share.shape)
    best = 0.0
    for load in profile.loads:
        pose, columns = arm.pose(q, load.name), arm.tip_jacobian_m(q, load.name)
        velocity, turning = np.einsum("nkj,nj->nk", columns, real), np.einsum("njk,nj->nk", pose.axes, real)
        outward = np.cross(velocity, turning)  # the way to the place of the ball that turning makes faster
        outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-12)
        faster = velocity + np.cross(turning, -outward * float(load.radius_m))
        other = velocity + np.cross(turning, outward * float(load.radius_m))
        best = max(best, np.linalg.norm(faster, axis=1).max(), np.linalg.norm(other, axis=1).max())
    return best * 1000.0


def test_no_random_pose_of_the_kerb_arm_beats_the_bound_and_some_come_near() -> None:
    """100,000 poses with commands that the law lets through: at least 97 % of the bound is reached."""
    profile, table = worked(KERB), table_of(KERB)
    speeds = [joint_speed(context) for context in case(KERB)[1]]

    found = fastest_point(profile, arm_shape(profile), speeds, allowed_mm_s(table), 250.0)
    sampled = reached_by_random(profile, speeds, allowed_mm_s(table), 100_000)

    assert 0.97 * found.most_mm_s < sampled <= found.most_mm_s
    assert 0.98 * found.most_mm_s < found.reached_mm_s <= found.value_mm_s <= found.most_mm_s


@pytest.mark.parametrize("seed", range(3))
def test_arms_in_any_order_of_joints(seed: int) -> None:
    """Invented arms, 20,000 poses each, with a limit that acts: never above the bound."""
    orders = (
        ("roll", "pitch", "vertical", "pitch", "grip", "roll"),
        ("vertical", "pitch", "roll", "pitch", "pitch", "roll"),
        ("vertical", "vertical", "pitch", "pitch", "pitch", "roll"),
    )
    profile = reordered(orders[seed], seed=seed)
    joints = tuple(
        replace(joint, continuous=False, body=replace(joint.body, radius_m=Fraction(1, 10))) for joint in profile.joints
    )
    loads = tuple(replace(load, radius_m=Fraction(1, 5)) for load in profile.loads)
    profile = replace(profile, joints=joints, loads=loads)
    speeds = [speed(index, 0.1, 1.3, 0.001, 3000 - 300 * index) for index in range(6)]

    found = fastest_point(profile, arm_shape(profile), speeds, 250.0, math.inf)
    sampled = reached_by_random(profile, speeds, 250.0, 20_000)

    assert sampled <= found.most_mm_s
    assert 0.95 * found.most_mm_s < found.reached_mm_s <= found.most_mm_s


@pytest.mark.parametrize("name", [KERB, STAND])
def test_the_line_of_a_joint_is_above_what_speed_limit_finds_at_reduced_speed(name: str) -> None:
    """`speed_limit` with the reduced speed as its full speed: the real one at every millidegree."""
    for context in case(name)[1]:
        own = joint_speed(context)
        reduced = context.table.speed_reduced_mdeg_s
        known = speed_limit(replace(context, table=replace(context.table, speed_full_mdeg_s=reduced)))
        line = math.degrees(own.most_rad_s)

        assert known.worst <= line + 0.01
        assert line <= 1.1 * known.worst, "the line is far too high"


@pytest.mark.parametrize("name", [KERB, STAND])
def test_the_worked_machines_hold(name: str) -> None:
    live, joints = case(name)

    found = tip_speed(worked(name), table_of(name), live, joints)

    assert (found.status, found.evidence, found.bound) == (Status.HOLDS, Evidence.INTERVAL, 250.0)
    assert found.joint is None
    assert found.worst <= 250.0
    assert found.cases > 0
    assert "worst pose" in found.detail


def test_a_table_that_lets_two_per_cent_more_through_is_violated_in_the_whole_check() -> None:
    """The kerb arm uses its limit up, so that 2 % more is too much; nothing else but the comparison with the profile
    sees it.
    """
    tip = table_of(KERB).machine.tip_mdeg_mm_s

    assert examined(KERB, tip).status is Status.HOLDS
    result = check_with(worked(KERB), with_tip(table_of(KERB), tip * 102 // 100))
    told = finding(result, "tip_speed", None)
    assert {("as_written", None), ("tip_speed", None)} <= set(bad(result))
    assert told.status is Status.VIOLATED
    assert 250.0 < told.worst < 256.0
    assert "compile the table again" in told.advice


def test_just_inside_and_just_outside_of_what_the_profile_says() -> None:
    """The stand's lever alone makes 147 mm/s at reduced speed; without a limit in the table that must be allowed."""
    live, joints = case(STAND)
    fastest = examined(STAND, 0).worst
    for limit_mm_s, status in ((math.ceil(fastest), Status.HOLDS), (math.floor(fastest), Status.VIOLATED)):
        profile = changed(worked(STAND), "joints.0.limits.tip_speed_m_s", Fraction(limit_mm_s, 1000))
        assert tip_speed(profile, with_tip(table_of(STAND), 0), live, joints).status is status


def test_a_joint_that_is_faster_than_compiled_is_violated_and_the_advice_holds() -> None:
    """A load that pulls makes 1.6 of what was compiled for 1.3. The reduced speed that is advised holds when compiled
    anew, and twice the step more than it does not.
    """
    profile = changed(worked(STAND), "joints.0.limits.tip_speed_m_s", Fraction(140, 1000))

    def examine(one: Profile) -> Finding:
        table = compile_table(one)
        live, joints = parts_of(one, table)
        model = replace(joints[0].model, spread=((Fraction(1), Fraction(8, 5)), (Fraction(1), Fraction(8, 5))))
        return tip_speed(one, table, live, (replace(joints[0], model=model),))

    told = examine(profile)
    reduced = dict(re.findall(r'reduced_speed\.(\w+) = "(\S+) deg/s"', told.advice))

    assert told.status is Status.VIOLATED
    assert "make gain_spread of lever hold" in told.advice
    assert set(reduced) == {"positive", "negative"}
    for more, status in ((0, Status.HOLDS), (Fraction(3, 10), Status.VIOLATED)):
        slower = profile
        for side, value in reduced.items():
            slower = changed(slower, f"joints.0.limits.reduced_speed_deg_s.{side}", Fraction(value) + more)
        assert examine(slower).status is status


@pytest.mark.parametrize(
    ("path", "key"),
    [("loads.1.radius_m", "loads.rated.radius"), ("joints.1.body.radius_m", "joints.boom_lift.body.radius")],
)
def test_without_a_radius_it_is_not_shown_and_the_key_is_named(path: str, key: str) -> None:
    live, joints = case(KERB)

    told = tip_speed(changed(worked(KERB), path, None), table_of(KERB), live, joints)

    assert told.status is Status.NOT_SHOWN
    assert key in told.advice


def test_the_least_limit_of_all_joints_counts_and_250_mm_s_where_none_states_one() -> None:
    live, joints = case(KERB)
    least = changed(worked(KERB), "joints.3.limits.tip_speed_m_s", Fraction(1, 5))
    none = worked(KERB)
    for index in range(len(none.joints)):
        none = changed(none, f"joints.{index}.limits.tip_speed_m_s", None)

    assert tip_speed(least, table_of(KERB), live, joints).bound == 200.0
    assert tip_speed(none, table_of(KERB), live, joints).bound == 250.0


# -- the law ----------------------------------------------------------------------------------------------------------


def test_the_compiled_law_keeps_the_sum() -> None:
    cases, faults = law_keeps_the_sum(table_of(KERB), case(KERB)[0])

    assert cases == 3 * (4**6 + 10_000)
    assert faults == []


class _Spoiled:
    """The law with rule L6f or L7g left out."""

    def __init__(self, live: LiveTable, rule: str) -> None:
        self._live, self._rule = live, rule

    def tip_scale(self, speed: np.ndarray) -> np.ndarray:
        return speed if self._rule == "L6f" else self._live.tip_scale(speed)

    def tip_hold(self, before: np.ndarray, speed: np.ndarray) -> np.ndarray:
        return 2 * speed if self._rule == "L7g" else self._live.tip_hold(before, speed)


@pytest.mark.parametrize("rule", ["L6f", "L7g"])
def test_a_law_without_the_rule_is_seen(rule: str) -> None:
    live, joints = case(KERB)

    told = tip_speed(worked(KERB), table_of(KERB), _Spoiled(live, rule), joints)

    assert told.status is Status.VIOLATED
    assert f"rule {rule}" in told.detail


def test_what_a_handover_adds_counts_several_joints_that_slow_at_once() -> None:
    """Swing, elbow and wrist slow while boom and roll gain, all on their ramps: more than any single joint that slows,
    so the told number is what the pose itself gives at the most.
    """
    live, joints = case(KERB)

    told = tip_speed(worked(KERB), table_of(KERB), live, joints).detail

    added, most = (
        float(re.search(pattern, told).group(1))  # type: ignore[union-attr]
        for pattern in (r"may add up to (\d+) mm/s until the ramps are over", r"gives more than ([\d.]+)")
    )
    assert most - 1.0 < added < most + 0.5


# -- the farthest reach -----------------------------------------------------------------------------------------------


def test_farthest_reach_of_the_kerb_arm_stretched_level() -> None:
    """Boom, forearm and stone in a line: 1600 + 45.3 in + sqrt(380^2 + 166^2) + 600 mm from the upright axis, which no
    pose passes.
    """
    profile = worked(KERB)
    stretched = 1.6 + 45.3 * 0.0254 + math.hypot(0.38, 0.166) + 0.6

    found = farthest(profile, arm_shape(profile))

    assert found.part.name == "load rated"
    assert 0.995 * stretched < found.found_m <= found.most_m <= stretched + 1e-6
