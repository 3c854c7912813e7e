"""Keep-out spaces: the proof against random poses, against sums by hand, and what is said where one is entered."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from check_case import STAND, bad, check_text, finding, text_of
from make_chain import reordered
from make_profile import changed, worked

from mapper.check.coverage import not_examined
from mapper.check.finding import Evidence, Status
from mapper.check.space import branch
from mapper.check.space.branch import highest, ruled_out
from mapper.check.space.clearance import depth_in
from mapper.check.space.keep_out import keep_out, nearest_to
from mapper.machine.arm.arm import arm_model
from mapper.machine.arm.points import arm_shape
from mapper.profile.profile import CoupledStop, KeepOut, Profile, Range, StopPair


def space(name: str, *corners: tuple[float, float, float]) -> KeepOut:
    low, high = (tuple(Fraction(round(value * 10_000), 10_000) for value in corner) for corner in corners)
    return KeepOut(name=name, lower_m=low, upper_m=high)


def with_spaces(profile: Profile, *spaces: KeepOut) -> Profile:
    return replace(profile, keep_out=spaces, coupled_stops=())


LANE = space("left lane", (1.0, 2.0, -1.0), (3.0, 3.0, 1.3))
PIT = space("pit", (1.5, -0.5, -3.6), (2.5, 0.5, -2.2))
ROOF = space("roof", (-0.9, -1.5, 5.0), (3.0, 1.5, 5.5))
CAB = space("cab", (-0.9, -0.6, 1.4), (0.3, 0.6, 2.5))
FOLD = CoupledStop(
    name="fold",
    joints=("boom_lift", "elbow"),
    weights=(Fraction(1), Fraction(1)),
    lower=StopPair(soft_deg=Fraction(-80), hard_deg=Fraction(-90)),
    upper=None,
)


def random_poses(profile: Profile, count: int, seed: int = 1) -> np.ndarray:
    """(n, J) within the hard stops, a third of the angles at a stop, coupled stops kept."""
    rng = np.random.default_rng(seed)
    hard = [None if joint.continuous else joint.limits.hard_stops_deg for joint in profile.joints]
    low = np.radians([-180.0 if ends is None else float(ends.lower) for ends in hard])
    high = np.radians([180.0 if ends is None else float(ends.upper) for ends in hard])
    part = rng.random((count, len(low)))
    q = low + (high - low) * np.where(rng.random(part.shape) < 0.3, np.round(part), part)
    names = [joint.name for joint in profile.joints]
    for stop in profile.coupled_stops:
        total = sum(
            float(w) * np.degrees(q[:, names.index(name)]) for name, w in zip(stop.joints, stop.weights, strict=True)
        )
        kept = np.ones(len(q), bool)
        kept &= total >= float(stop.lower.hard_deg) if stop.lower else True
        kept &= total <= float(stop.upper.hard_deg) if stop.upper else True
        q = q[kept]
    return q


def distance(points: np.ndarray, where: KeepOut) -> np.ndarray:
    """Of places outside a space; negative inside."""
    low, high = np.array(where.lower_m, float), np.array(where.upper_m, float)
    beyond = np.maximum(low - points, points - high)
    return np.linalg.norm(np.maximum(beyond, 0.0), axis=-1) + np.minimum(beyond.max(axis=-1), 0.0)


def least_distance(profile: Profile, where: KeepOut, q: np.ndarray) -> float:
    """Of loads and of eleven balls along each body, with the arm's own places, not those that the proof uses."""
    arm, found = arm_model(profile), []
    for load in profile.loads:
        found.append(distance(arm.tip_m(q, load.name), where).min() - float(load.radius_m))
    pose = arm.pose(q, None)
    for index, joint in enumerate(profile.joints[:-1]):
        if joint.body is not None and joint.axis != "grip":
            start = pose.pivots_m[:, index]
            end = pose.pivots_m[:, index + 1] if profile.joints[index + 1].axis != "grip" else arm.tip_m(q, None)
            for share in np.linspace(0.0, 1.0, 11):
                found.append(distance(start + share * (end - start), where).min() - float(joint.body.radius_m))
    return float(min(found))


@pytest.mark.parametrize("where", [PIT, ROOF, LANE, CAB], ids=lambda one: one.name)
@pytest.mark.parametrize("coupled", [(), (FOLD,)], ids=["", "coupled"])
def test_no_random_pose_is_nearer_than_the_proof_and_some_come_near(where: KeepOut, coupled) -> None:
    """100,000 poses for one case, 10,000 for each other. Clear: the proof is within 5 % of a pose that it gives, and
    the random ones come near that. Entered: no random pose is much deeper than the pose that it gives.
    """
    profile = replace(with_spaces(worked("kerb-arm"), where), coupled_stops=coupled)

    found = nearest_to(profile, arm_shape(profile), where)
    poses = random_poses(profile, 100_000 if where is PIT and coupled else 10_000)
    sampled = least_distance(profile, where, poses)

    assert found.clear_m <= sampled
    assert (found.found_m < 0.0) == (where in (LANE, CAB))
    if found.found_m >= 0.0:
        assert found.clear_m <= found.found_m <= 1.06 * found.clear_m + 1e-4
    assert abs(sampled - found.found_m) < 0.15


@pytest.mark.parametrize("seed", range(3))
def test_arms_in_any_order_of_joints(seed: int) -> None:
    """Invented arms with a roll in the midst or two verticals: 20,000 poses never beat the proof."""
    orders = (
        ("roll", "pitch", "vertical", "pitch", "grip", "roll"),
        ("vertical", "pitch", "roll", "pitch", "pitch", "roll"),
    )
    profile = reordered(orders[seed % 2], seed=seed)
    joints = tuple(
        replace(joint, continuous=False, body=replace(joint.body, radius_m=Fraction(1, 10))) for joint in profile.joints
    )
    loads = tuple(replace(load, radius_m=Fraction(1, 5)) for load in profile.loads)
    where = space("anywhere", (1.2, -0.3, 1.0 + 0.4 * seed), (2.0, 0.6, 2.6))
    profile = with_spaces(replace(profile, joints=joints, loads=loads), where)

    found = nearest_to(profile, arm_shape(profile), where)
    sampled = least_distance(profile, where, random_poses(profile, 20_000))

    assert found.clear_m <= sampled


def test_a_lever_by_hand() -> None:
    """Test stand: ball of 120 mm at 600 mm, up to 35 deg: its top is at 600 sin 35 + 120 = 464.146 mm."""
    top_m = 0.6 * math.sin(math.radians(35.0)) + 0.12
    stand = worked("test-stand")

    over = keep_out(with_spaces(stand, space("lamp", (0.3, -0.5, 0.475), (0.8, 0.5, 1.0))))
    under = keep_out(with_spaces(stand, space("lamp", (0.3, -0.5, 0.455), (0.8, 0.5, 1.0))))

    assert (over.status, over.evidence) == (Status.HOLDS, Evidence.INTERVAL)
    assert over.worst == pytest.approx((0.475 - top_m) * 1000.0, abs=0.6)
    assert over.worst <= (0.475 - top_m) * 1000.0
    assert under.status is Status.VIOLATED
    assert under.worst == pytest.approx((0.455 - top_m) * 1000.0, abs=0.6)
    assert 'load weight gets 9 mm into "lamp": at lever 35.0 deg' in under.detail


def test_just_inside_holds_and_just_outside_is_violated_in_the_whole_check() -> None:
    """The same lamp in the file: 0.9 mm above the highest point of the load, and 4.1 mm below it."""
    lamp = '\n[[keep_out]]\nname = "lamp"\nfrom = {x = "300 mm", y = "-500 mm", z = "465 mm"}\n'
    lamp += 'to = {x = "800 mm", y = "500 mm", z = "1 m"}\n'

    inside, outside = (check_text(text_of(STAND) + one) for one in (lamp, lamp.replace("465 mm", "460 mm")))

    assert bad(inside) == []
    assert finding(inside, "keep_out", None).worst == pytest.approx(0.85, abs=0.1)
    assert bad(outside) == [("keep_out", None)]
    assert finding(outside, "keep_out", None).worst == pytest.approx(-4.15, abs=0.1)


def test_the_advised_stop_keeps_the_arm_out_and_two_degrees_less_does_not() -> None:
    profile = with_spaces(worked("kerb-arm"), LANE)
    told = keep_out(profile)
    ways = re.findall(r'joints\.(\w+)\.limits\.hard_stops\.(\w+) = "(\S+) deg"', told.advice)
    names = [joint.name for joint in profile.joints]

    assert told.status is Status.VIOLATED
    assert ways
    for name, side, angle in ways:
        index = names.index(name)
        for shift, status in ((0, Status.HOLDS), (2, Status.VIOLATED)):
            stop = Fraction(angle) + (shift if side == "upper" else -shift)
            ends = {
                "lower": profile.joints[index].limits.hard_stops_deg.lower,
                "upper": profile.joints[index].limits.hard_stops_deg.upper,
            }
            moved = changed(profile, f"joints.{index}.limits.hard_stops_deg", Range(**{**ends, side: stop}))
            assert keep_out(moved).status is status, (name, side, stop)


def test_the_advised_soft_stop_is_as_far_inside_as_before() -> None:
    told = keep_out(with_spaces(worked("kerb-arm"), LANE))
    hard = re.search(r'boom_swing\.limits\.hard_stops\.upper = "(\S+) deg"', told.advice)
    soft = re.search(r'boom_swing\.limits\.soft_stops\.upper = "(\S+) deg"', told.advice)

    assert float(hard.group(1)) - float(soft.group(1)) == pytest.approx(6.0)


def test_a_space_around_the_column_has_no_stop_that_helps() -> None:
    told = keep_out(with_spaces(worked("kerb-arm"), space("shed", (-1.0, -1.0, 0.0), (1.0, 1.0, 0.5))))

    assert told.status is Status.VIOLATED
    assert "no joint's stop alone" in told.advice


def test_a_coupled_stop_alone_keeps_the_arm_out() -> None:
    """Folded, the stone comes back to the trailer; with lift + elbow at -90 deg or more it does not."""
    hitch = space("hitch", (-1.2, -1.0, -1.0), (-0.5, 1.0, 1.3))
    free = with_spaces(worked("kerb-arm"), hitch)

    assert keep_out(free).status is Status.VIOLATED
    assert keep_out(replace(free, coupled_stops=(FOLD,))).status is Status.HOLDS


def test_several_spaces_are_one_finding_that_names_each() -> None:
    told = keep_out(with_spaces(worked("kerb-arm"), PIT, LANE))

    assert told.status is Status.VIOLATED
    assert '"pit"' in told.detail
    assert 'into "left lane"' in told.detail


def test_without_a_radius_it_is_not_shown_and_the_key_is_named() -> None:
    bare = changed(with_spaces(worked("kerb-arm"), LANE), "loads.1.radius_m", None)

    told = keep_out(bare)

    assert told.status is Status.NOT_SHOWN
    assert "loads.rated.radius" in told.advice


def test_too_few_boxes_are_not_shown_never_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """The proof cut short: what it says then still bounds every pose."""
    part = next(part for part in arm_shape(worked("kerb-arm")).parts if part.name == "load rated")
    quantity, whole = depth_in(part, PIT), part.travel_rad()

    cut = highest(quantity, whole, (), tolerance=lambda depth: 0.0, boxes_most=200)
    done = highest(quantity, whole, (), tolerance=lambda depth: 0.01)
    monkeypatch.setattr(branch, "BOXES_MOST", 200)

    assert not cut.finished
    assert cut.most >= done.value


def test_a_space_whose_proof_does_not_finish_is_not_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    profile = with_spaces(worked("kerb-arm"), PIT)
    monkeypatch.setattr(
        "mapper.check.space.keep_out.highest", lambda *args, **named: highest(*args, **{**named, "boxes_most": 20})
    )

    told = keep_out(profile)

    assert told.status is Status.NOT_SHOWN
    assert "is not ruled out" in told.detail


def test_coupled_stops_that_leave_no_pose_are_not_shown() -> None:
    nowhere = replace(FOLD, lower=StopPair(soft_deg=Fraction(80), hard_deg=Fraction(75)))

    told = keep_out(replace(with_spaces(worked("kerb-arm"), LANE), coupled_stops=(nowhere,)))

    assert told.status is Status.NOT_SHOWN
    assert "coupled_stops" in told.advice


def test_without_a_space_nothing_is_looked_at_and_that_is_said() -> None:
    bare = with_spaces(worked("kerb-arm"))

    assert keep_out(bare) is None
    assert "no keep-out space" in {item.limit: item.why for item in not_examined(bare)}["keep_out"]
    assert "keep_out" not in {item.limit for item in not_examined(with_spaces(bare, LANE))}


def test_a_joint_that_does_not_move_the_part_rules_out_least() -> None:
    """lift + elbow >= -90 deg for the boom alone: the elbow may be at 0, so lift at -90 deg or more."""
    profile = replace(worked("kerb-arm"), coupled_stops=(FOLD,))
    boom = next(part for part in arm_shape(profile).parts if part.joint_name == "boom_lift")

    (rule,) = ruled_out(profile, boom.hinges)

    assert rule.weights == pytest.approx([0.0, -1.0])
    assert math.degrees(rule.most_rad) == pytest.approx(90.0)
