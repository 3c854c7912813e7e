"""Capsules and balls of an arm: where they are, how fast they move, and bounds that no pose goes beyond."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_chain import reordered
from make_profile import changed, worked

from mapper.machine.arm.arm import arm_model
from mapper.machine.arm.chain import PITCH
from mapper.machine.arm.points import Hinge, Part, arm_shape
from mapper.profile.profile import Profile

ORDERS = (
    ("vertical", "pitch", "pitch", "pitch", "roll", "grip"),
    ("roll", "pitch", "vertical", "pitch", "grip", "roll"),
    ("vertical", "vertical", "pitch", "roll", "pitch", "roll"),
)


def _arms() -> list[Profile]:
    return [worked("kerb-arm"), worked("test-stand"), *(reordered(order, seed=5) for order in ORDERS)]


def _angles(part: Part, q_rad: np.ndarray) -> np.ndarray:
    """Of a part's hinges, out of poses (n, J); an offset's own hinge at 0, where the arm has it too."""
    return np.stack(
        [np.zeros(len(q_rad)) if hinge.index is None else q_rad[:, hinge.index] for hinge in part.hinges], 1
    )


@pytest.mark.parametrize("number", range(len(_arms())))
def test_parts_lie_where_the_arm_has_its_pivots_and_loads(number: int) -> None:
    profile = _arms()[number]
    arm = arm_model(profile)
    q = np.random.default_rng(number).uniform(-2.0, 2.0, (40, len(profile.joints)))

    for part in arm_shape(profile).parts:
        places = part.places_m(_angles(part, q))
        if part.joint_name is None:
            assert places[:, 0] == pytest.approx(arm.tip_m(q, part.name.removeprefix("load ")), abs=1e-12)
        elif part.jaws is None:
            index = arm.joint_names.index(part.joint_name)
            assert places[:, 0] == pytest.approx(arm.pose(q, None).pivots_m[:, index], abs=1e-12)
            body = profile.joints[index].body
            length = math.hypot(body.length_m, body.rise_m)
            assert np.linalg.norm(places[:, -1] - places[:, 0], axis=1) == pytest.approx(length, abs=1e-12)


@pytest.mark.parametrize("number", range(len(_arms())))
def test_speeds_are_the_slopes_of_the_places(number: int) -> None:
    profile = _arms()[number]
    rng = np.random.default_rng(number)
    for part in arm_shape(profile).parts:
        q = rng.uniform(-2.0, 2.0, (30, len(part.hinges)))
        speeds, axes = part.speeds_m(q)
        for hinge in range(len(part.hinges)):
            step = 1e-6 * np.eye(len(part.hinges))[hinge]
            slope = (part.places_m(q + step) - part.places_m(q - step)) / 2e-6
            assert speeds[:, :, hinge] == pytest.approx(slope, abs=1e-8)
        assert np.linalg.norm(axes, axis=2) == pytest.approx(1.0)


@pytest.mark.parametrize("number", range(len(_arms())))
def test_no_pose_in_a_box_is_farther_from_an_axis_than_some_corner(number: int) -> None:
    """And none anywhere farther than the most of all poses, which some arm stretched out comes near."""
    profile = _arms()[number]
    rng = np.random.default_rng(number)
    for part in arm_shape(profile).parts:
        count = len(part.hinges)
        middle, half = rng.uniform(-2.0, 2.0, (30, count)), rng.uniform(0.05, 0.6, (30, count))
        corners = part.most_levers_m(middle, half).reshape(30, len(part.ends_m), -1, count).max(axis=2)
        anywhere = part.levers_most_m()
        for _ in range(30):
            levers = np.linalg.norm(part.speeds_m(middle + half * rng.uniform(-1.0, 1.0, half.shape))[0], axis=-1)

            assert np.all(levers <= corners + 1e-12)
            assert np.all(levers <= anywhere + 1e-12)


def test_corners_are_little_wider_than_the_arc() -> None:
    """A box of 2 x 0.1 rad: 1 / cos(0.1), so 0.5 % at most for each hinge that it depends on."""
    hinges = (
        Hinge(index=0, axis=PITCH, lower_rad=-1.0, upper_rad=1.0, next_x_m=1.0),
        Hinge(index=1, axis=PITCH, lower_rad=-1.0, upper_rad=1.0),
    )
    part = Part(name="two links", joint_name="b", hinges=hinges, ends_m=((1.0, 0.0),), radius_m=0.0)

    corners = part.most_levers_m(np.zeros((1, 2)), np.full((1, 2), 0.1)).reshape(-1, 2).max(axis=0)

    # A hinge's own angle changes no distance from it.
    assert corners == pytest.approx([1.0 + 1.0 / math.cos(0.1), 1.0])


def test_an_offset_load_lies_on_a_circle_about_the_roll_axis() -> None:
    """The rated stone, 166 mm off: the last roll joint turns it, and without one a hinge of its own does."""
    kerb = worked("kerb-arm")
    load = next(part for part in arm_shape(kerb).parts if part.name == "load rated")
    no_roll = replace(kerb, joints=tuple(joint for joint in kerb.joints if joint.axis != "roll"))
    own = next(part for part in arm_shape(no_roll).parts if part.name == "load rated")
    turned = np.zeros((13, 5))
    turned[:, -1] = np.linspace(-math.pi, math.pi, 13)

    assert [hinge.index for hinge in load.hinges] == [0, 1, 2, 3, 4]
    assert [hinge.index for hinge in own.hinges] == [0, 1, 2, 3, None]
    for part in (load, own):
        assert (part.hinges[-1].lower_rad, part.hinges[-1].upper_rad) == (-math.pi, math.pi)
        places = part.places_m(turned)[:, 0]
        assert np.hypot(places[:, 1], places[:, 2] - 0.9) == pytest.approx(0.166)
        assert places[:, 0] == pytest.approx(1.6 + float(kerb.joints[2].body.length_m) + 0.38)


def test_a_limited_roll_joint_does_not_hide_where_the_offset_points() -> None:
    kerb = changed(worked("kerb-arm"), "joints.4.continuous", False)
    kerb = changed(kerb, "joints.4.limits.hard_stops_deg", worked("kerb-arm").joints[0].limits.hard_stops_deg)

    load = next(part for part in arm_shape(kerb).parts if part.name == "load rated")

    assert [hinge.index for hinge in load.hinges] == [0, 1, 2, 3, 4, None]
    assert load.hinges[4].upper_rad == pytest.approx(math.radians(45.0))


def test_jaws_are_a_ball_that_holds_them_whichever_way_they_open() -> None:
    kerb = changed(worked("kerb-arm"), "joints.5.body.length_m", Fraction(3, 10))
    kerb = changed(kerb, "joints.5.body.rise_m", Fraction(4, 10))
    kerb = changed(kerb, "joints.5.body.radius_m", Fraction(1, 10))

    jaws = next(part for part in arm_shape(kerb).parts if part.jaws is not None)

    assert jaws.radius_m == pytest.approx(0.6)
    assert jaws.jaws == (5, pytest.approx(0.6))


@pytest.mark.parametrize(
    ("path", "key"),
    [
        ("joints.2.body.radius_m", "joints.elbow.body.radius"),
        ("joints.2.body", "joints.elbow.body"),
        ("joints.5.body", "joints.clamp.body"),
        ("loads.1.radius_m", "loads.rated.radius"),
    ],
)
def test_what_is_missing_is_named(path: str, key: str) -> None:
    assert arm_shape(worked("kerb-arm")).missing == ()
    assert arm_shape(changed(worked("kerb-arm"), path, None)).missing == (key,)


def test_without_loads_the_loads_are_missing() -> None:
    assert arm_shape(replace(worked("kerb-arm"), loads=())).missing == ("loads",)
