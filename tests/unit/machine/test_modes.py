"""Joints that swing together on their oil: below each of them alone, and only those that take part."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_chain import random_poses, reordered
from make_profile import changed, with_electric_joint, worked

from mapper.machine import joint_model
from mapper.machine.arm.arm import Arm, arm_model
from mapper.machine.arm.chain import chain_of
from mapper.machine.arm.modes import TAKES_PART, arm_modes, lowest_taking_part, natural_modes
from mapper.machine.oil.oil_spring import lever_turn_per_rad, lowest_hz, soft_oil_n_m_rad
from mapper.machine.physics import joint_physics
from mapper.profile.profile import Profile

TURN = 2.0 * math.pi


def matrices(profile: Profile, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """At random poses, with the last load: put together joint by joint, apart from the search."""
    arm = arm_model(profile)
    q, down = random_poses(arm.chain, count, roll_anyhow=False)
    load = arm.chain.loads[-1].name
    columns = [index for index, joint in enumerate(profile.joints) if joint.axis != "grip"]
    mass, weight = arm.mass_matrix_kg_m2(q, load), arm.gravity_stiffness_n_m_rad(q, load, down)
    torque, oil = arm.gravity_torque_n_m(q, load, down), np.zeros((count, len(columns)))
    for index in columns:
        model = joint_model(profile, profile.joints[index])
        oil[:, index] = soft_oil_n_m_rad(profile, profile.joints[index], model, q[:, index])
        weight[:, index, index] += torque[:, index] * lever_turn_per_rad(model, q[:, index])
    both = np.ix_(range(count), columns, columns)
    return mass[both], oil, weight[both]


# -- what gravity adds --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("order", [None, ("pitch", "vertical", "roll", "pitch"), ("roll", "pitch", "pitch", "grip")])
def test_gravity_turns_away_as_its_torque_falls(order):
    profile = worked("kerb-arm") if order is None else reordered(order, seed=3)
    arm = arm_model(profile)
    q, down = random_poses(arm.chain, 50, roll_anyhow=True)
    load, step = arm.chain.loads[-1].name, 1e-5
    slope = np.stack(
        [
            (arm.gravity_torque_n_m(q - way, load, down) - arm.gravity_torque_n_m(q + way, load, down)) / (2.0 * step)
            for way in step * np.eye(q.shape[1])
        ],
        axis=2,
    )

    assert arm.gravity_stiffness_n_m_rad(q, load, down) == pytest.approx(slope, abs=1e-4)
    assert np.abs(slope).max() > 100.0


def test_a_pose_worked_out_before_gives_the_same():
    arm = arm_model(worked("kerb-arm"))
    q, down = random_poses(arm.chain, 5, roll_anyhow=True)
    pose = arm.pose(q, "rated")

    assert np.array_equal(arm.mass_matrix_kg_m2(pose, "rated"), arm.mass_matrix_kg_m2(q, "rated"))
    assert np.array_equal(arm.gravity_torque_n_m(pose, "rated", down), arm.gravity_torque_n_m(q, "rated", down))


# -- modes --------------------------------------------------------------------------------------------------------


def test_lowest_mode_is_below_every_joint_alone():
    mass, oil, weight = matrices(worked("kerb-arm"), 300)
    hertz, _ = natural_modes(mass, oil, weight)
    stiffness = weight + oil[:, :, None] * np.eye(5)
    alone = np.sqrt(np.einsum("nii->ni", stiffness) / np.einsum("nii->ni", mass)) / TURN

    assert np.all(hertz[:, 0] <= alone.min(axis=1) * (1.0 + 1e-9))
    assert np.all(hertz[:, -1] >= alone.max(axis=1) * (1.0 - 1e-9))
    assert np.min(hertz[:, 0] / alone.min(axis=1)) < 0.95


def test_modes_interlace_with_those_of_an_arm_with_one_joint_held():
    mass, oil, weight = matrices(worked("kerb-arm"), 100)
    free, _ = natural_modes(mass, oil, weight)
    for held in range(5):
        left = [place for place in range(5) if place != held]
        both = np.ix_(range(100), left, left)
        fixed, _ = natural_modes(mass[both], oil[:, left], weight[both])

        assert np.all(free[:, :-1] <= fixed * (1.0 + 1e-9))
        assert np.all(fixed <= free[:, 1:] * (1.0 + 1e-9))


def test_shares_are_the_weights_of_the_modes_in_a_joints_own_swing():
    """Without gravity: they add up to 1 over joints and over modes, and the joint alone is their mean of 1 / w^2."""
    mass, oil, _ = matrices(worked("kerb-arm"), 100)
    hertz, shares = natural_modes(mass, oil, np.zeros_like(mass))

    assert shares.sum(axis=1) == pytest.approx(np.ones((100, 5)))
    assert shares.sum(axis=2) == pytest.approx(np.ones((100, 5)))
    compliance = np.einsum("njm,nj->nm", shares, (TURN * hertz) ** -2.0)
    assert compliance == pytest.approx(np.einsum("nii->ni", mass) / oil)


def test_a_joint_that_does_not_take_part_keeps_its_own():
    mass = np.array([[[20.0, 8.0, 0.0], [8.0, 5.0, 0.0], [0.0, 0.0, 2.0]]])
    oil = np.array([[4000.0, 3000.0, 9000.0]])
    lowest, number = lowest_taking_part(*natural_modes(mass, oil, np.zeros_like(mass)))

    assert lowest[0, 2] == pytest.approx(math.sqrt(9000.0 / 2.0) / TURN)
    assert lowest[0, 0] < math.sqrt(4000.0 / 20.0) / TURN
    assert number[0, 0] == 0


def test_a_joint_takes_part_from_a_third():
    hertz = np.array([[1.0, 2.0, 3.0]])
    edge = 1.0 / 3.0
    shares = np.array([[[0.6, edge - 0.01, edge], [0.0, 0.6, 0.1], [0.4, 0.07, 0.6]]])

    assert lowest_taking_part(hertz, shares)[0].tolist() == [[1.0, 2.0, 1.0]]


def test_where_nobody_has_a_third_the_largest_share_counts():
    shares = np.full((1, 12, 12), 1.0 / 12.0)
    shares[0, 4, 7] = 0.09
    hertz = np.arange(1.0, 13.0)[None, :]

    assert lowest_taking_part(hertz, shares)[0][0, 7] == 5.0


def test_an_arm_that_topples_has_no_frequency():
    mass, oil = np.tile(np.eye(2), (2, 1, 1)), np.full((2, 2), 100.0)
    load = np.array([np.zeros((2, 2)), [[-60.0, -60.0], [-60.0, -60.0]]])
    hertz, shares = natural_modes(mass, oil, load)

    assert hertz[0] == pytest.approx(np.full(2, 10.0 / TURN))
    assert hertz[1].tolist() == [0.0, 0.0]
    assert shares[1, 0] == pytest.approx([0.5, 0.5])


def test_a_joint_without_inertia_does_not_swing():
    mass = np.array([[[2.0, 0.0], [0.0, 0.0]]])
    hertz, shares = natural_modes(mass, np.array([[50.0, 70.0]]), np.zeros((1, 2, 2)))

    assert hertz[0, 0] == pytest.approx(5.0 / TURN)
    assert shares[0, 0] == pytest.approx([1.0, 0.0])
    assert hertz[0, 1] == math.inf


# -- the search ---------------------------------------------------------------------------------------------------


def test_search_is_no_worse_than_many_random_poses():
    profile = worked("kerb-arm")
    found = arm_modes(profile)
    lowest, _ = lowest_taking_part(*natural_modes(*matrices(profile, 20_000)))

    for place, (name, mode) in enumerate(found.modes.items()):
        assert mode.hz < 1.05 * lowest[:, place].min(), name
        assert mode.shares[place] >= TAKES_PART
    assert min(mode.hz for mode in found.modes.values()) < 1.001 * lowest.min()
    assert 1000 < found.poses < 20_000


def test_the_mode_is_that_of_its_pose_and_load():
    profile = worked("kerb-arm")
    mode = arm_modes(profile).modes["boom_lift"]
    arm = Arm(chain=chain_of(profile))
    size = len(mode.names)

    assert np.allclose(mode.mass_kg_m2, arm.mass_matrix_kg_m2(mode.pose_rad, mode.load_name)[0][:size, :size])
    squares = np.linalg.eigvals(np.linalg.solve(mode.mass_kg_m2, mode.stiffness_n_m_rad))
    assert np.min(np.abs(np.sqrt(squares) / TURN - mode.hz)) < 1e-6
    for joint, angle in zip(arm.chain.joints, mode.pose_rad, strict=True):
        if joint.axis != "grip":
            assert joint.lower_rad <= angle <= joint.upper_rad


def test_stiffness_is_how_the_torque_that_holds_the_load_changes():
    """Oil aside: force of the cylinder as it holds the load, times the lever arm, against gravity, by differences."""
    profile = worked("kerb-arm")
    arm, mode, step = arm_model(profile), arm_modes(profile).modes["boom_lift"], 1e-5
    index = mode.names.index("boom_lift")
    linkage = joint_model(profile, profile.joints[index]).linkage

    def gravity(angle: float) -> float:
        pose = mode.pose_rad.copy()
        pose[index] += angle
        return float(arm.gravity_torque_n_m(pose, mode.load_name, mode.down)[0, index])

    def lever(angle: float) -> float:
        return float(linkage.lever_m(mode.pose_rad[index] + angle))

    force = -gravity(0.0) / lever(0.0)
    unbalanced = [gravity(angle) + force * lever(angle) for angle in (-step, step)]
    expected = (unbalanced[0] - unbalanced[1]) / (2.0 * step)

    assert abs(force * (lever(step) - lever(-step)) / (2.0 * step)) > 500.0
    assert mode.stiffness_n_m_rad[index, index] - mode.oil_n_m_rad[index] == pytest.approx(expected, rel=1e-3)


def test_joint_alone_bounds_what_it_has_at_any_pose():
    """At the worst pose of the arm the joint's own quotient is no lower than its bound alone."""
    profile = worked("kerb-arm")

    for name, mode in arm_modes(profile).modes.items():
        place = mode.names.index(name)
        quotient = mode.stiffness_n_m_rad[place, place] / mode.mass_kg_m2[place, place]

        assert math.sqrt(quotient) / TURN >= lowest_hz(joint_physics(profile)[name]).min()


def test_more_hose_lowers_the_mode_that_its_joint_takes_part_in():
    profile = worked("kerb-arm")
    soft = changed(profile, "joints.2.hoses.length_m", Fraction(6))
    before, after = arm_modes(profile).modes, arm_modes(soft).modes

    assert 0.96 < after["boom_lift"].hz / before["boom_lift"].hz < 0.99
    assert after["boom_swing"].hz == pytest.approx(before["boom_swing"].hz, rel=1e-3)


def test_a_slope_counts():
    profile = worked("kerb-arm")
    level, steep = (arm_modes(replace(profile, tilt_deg=Fraction(tilt))).modes["boom_lift"].hz for tilt in (0, 20))

    assert steep < level


def test_what_is_unknown_or_has_no_oil_is_rigid():
    profile = worked("kerb-arm")
    without = arm_modes(changed(profile, "joints.2.hoses", None))
    electric = arm_modes(changed(profile, "joints.2.drive", with_electric_joint().joints[0].drive))
    bare = arm_modes(changed(profile, "joints.2.body", None))

    assert without.rigid == ("elbow",)
    assert electric.rigid == ()
    for found in (without, electric):
        assert "elbow" not in found.modes
        assert arm_modes(profile).modes["boom_lift"].hz < found.modes["boom_lift"].hz
    assert bare.rigid == ("boom_swing", "boom_lift", "elbow")
    assert set(bare.modes) == {"wrist_pitch", "wrist_roll"}


def test_one_joint_swings_with_nobody():
    found = arm_modes(worked("test-stand"))

    assert found.modes == {}
    assert found.poses == 0
