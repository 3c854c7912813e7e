"""The arm in space: signs and sizes by hand, torque against change of height, speed against differences of place."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_chain import AXES, arm_of, chain, chains, joint, load
from make_profile import changed, worked

from mapper.machine.arm.arm import Arm, arm_model, down_on_tilt
from mapper.machine.arm.chain import GRAVITY_M_S2, GRIP, PITCH, ROLL, VERTICAL, Chain

G = GRAVITY_M_S2
ANY_ORDER = st.lists(st.sampled_from(AXES), min_size=1, max_size=6).map(tuple)
BOOM = joint("boom", PITCH, mass_kg=100.0, centre_m=0.5, length_m=2.0, rise_m=0.3, gyration_m=0.4)
WRIST = joint("wrist", PITCH, mass_kg=20.0, centre_m=0.1, length_m=0.2)
TURN = joint("turn", ROLL)


def test_gravity_pulls_a_level_boom_against_its_positive_direction() -> None:
    arm = arm_of(chain(BOOM, stone=load(50.0, 2.0)))

    torque = arm.gravity_torque_n_m([0.0], "stone")

    assert torque == pytest.approx(np.array([[-G * (100 * 0.5 + 50 * 2.0)]]), rel=1e-12)


def test_raised_boom_has_the_cosine_and_nothing_upright() -> None:
    arm = arm_of(chain(BOOM))

    torque = arm.gravity_torque_n_m(np.radians([[60.0], [90.0], [120.0]]), None)

    assert torque[:, 0] == pytest.approx([-25 * G, 0.0, 25 * G], abs=1e-9)


def test_rise_puts_the_next_pivot_above_the_line() -> None:
    tip = arm_of(chain(BOOM, WRIST, stone=load(1.0, 0.5))).tip_m([[0.0, 0.0], [math.pi / 2, 0.0]], "stone")

    assert tip == pytest.approx(np.array([[2.5, 0.0, 0.3], [-0.3, 0.0, 2.5]]), abs=1e-12)


def test_swing_turns_to_the_left_and_pitch_lifts() -> None:
    arm = arm_of(chain(joint("swing", VERTICAL), BOOM, stone=load(1.0, 2.0)))

    left, lifted = arm.tip_m([[0.1, 0.0], [0.0, 0.1]], "stone")

    assert left == pytest.approx([2.0 * math.cos(0.1), 2.0 * math.sin(0.1), 0.0])
    assert lifted == pytest.approx([2.0 * math.cos(0.1), 0.0, 2.0 * math.sin(0.1)])


def test_positive_roll_raises_the_left_side_and_starts_with_the_offset_up() -> None:
    arm = arm_of(chain(TURN, stone=load(10.0, 1.0, offset_m=0.2)))

    tip = arm.tip_m([[0.0], [math.pi / 2]], "stone")
    torque = arm.gravity_torque_n_m([[0.0], [math.pi / 2], [-math.pi / 2]], "stone")

    assert tip == pytest.approx(np.array([[1.0, 0.0, 0.2], [1.0, -0.2, 0.0]]), abs=1e-12)
    assert torque[:, 0] == pytest.approx([0.0, 10 * G * 0.2, -10 * G * 0.2], abs=1e-12)


def test_offset_of_a_raised_load_moves_the_pitch_torque() -> None:
    arm = arm_of(chain(BOOM, TURN, stone=load(50.0, 2.2, offset_m=0.2)))
    up = math.radians(30.0)

    torque = arm.gravity_torque_n_m([[up, 0.0], [up, math.pi]], "stone")

    on_axis = 100 * 0.5 * math.cos(up) + 50 * (2.2 * math.cos(up) - 0.3 * math.sin(up))
    assert torque[:, 0] == pytest.approx(
        [-G * (on_axis - 50 * 0.2 * math.sin(up)), -G * (on_axis + 50 * 0.2 * math.sin(up))], rel=1e-12
    )


def test_downhill_pulls_the_swing() -> None:
    arm = arm_of(chain(joint("swing", VERTICAL), BOOM))

    torque = arm.gravity_torque_n_m([[0.0, 0.0]], None, down_on_tilt(0.1, math.pi / 2))

    assert torque[0, 0] == pytest.approx(G * math.sin(0.1) * 100 * 0.5, rel=1e-12)


def test_inertia_of_a_boom_with_a_load() -> None:
    swing = joint("swing", VERTICAL, mass_kg=7.0, gyration_m=0.5)
    arm = arm_of(chain(swing, BOOM, TURN, stone=load(50.0, 2.0, 0.0, 0.1)))

    inertia = arm.inertia_kg_m2([[0.3, math.radians(60.0), 0.7]], "stone")

    lift = 100 * (0.5**2 + 0.4**2) + 50 * (2.0**2 + 0.3**2 + 0.1**2)
    x = 2.0 * 0.5 - 0.3 * math.sin(math.radians(60.0))
    round_swing = 7 * 0.5**2 + 100 * (0.25**2 + 0.4**2) + 50 * (x**2 + 0.1**2)
    assert inertia == pytest.approx(np.array([[round_swing, lift, 50 * 0.1**2]]), rel=1e-12)


def test_jaws_count_as_fixed_to_the_chain_and_turn_only_themselves() -> None:
    jaws = joint("jaws", GRIP, mass_kg=8.0, centre_m=0.25, gyration_m=0.1)
    arm = arm_of(chain(BOOM, jaws))
    q = [[0.0, 0.0], [0.0, 0.6]]

    torque, inertia = arm.gravity_torque_n_m(q, None), arm.inertia_kg_m2(q, None)

    assert torque[0].tolist() == torque[1].tolist()
    assert torque[0] == pytest.approx([-G * (50 + 8 * 2.25), 0.0], rel=1e-12)
    assert inertia[0, 1] == pytest.approx(8 * (0.25**2 + 0.1**2))
    assert arm.tip_radius_m(q, None)[:, 1].tolist() == [0.0, 0.0]


def test_load_without_a_roll_joint_sits_on_the_line_through_the_last_pivot() -> None:
    alone, held = chain(BOOM, stone=load(1.0, 2.4)), chain(BOOM, joint("jaws", GRIP, rise_m=0.7), stone=load(1.0, 2.4))

    assert arm_of(alone).tip_m([0.0], "stone")[0] == pytest.approx([2.4, 0.0, 0.0])
    assert arm_of(held).tip_m([0.0, 0.0], "stone")[0] == pytest.approx([2.4, 0.0, 0.3])


def test_load_stays_where_it_is_when_a_body_moves_the_roll_joint_along_the_axis() -> None:
    short, long = (joint("wrist", PITCH, mass_kg=1.0, length_m=length) for length in (0.1, 0.7))

    tips = [
        arm_of(chain(BOOM, wrist, TURN, stone=load(1.0, 0.9))).tip_m([[0.2, 0.1, 0.4]], "stone")
        for wrist in (short, long)
    ]

    assert tips[0] == pytest.approx(tips[1])


def test_chain_that_only_grips_turns_nothing() -> None:
    arm = arm_of(chain(joint("jaws", GRIP, mass_kg=8.0, centre_m=0.25), stone=load(5.0, 1.0)))

    assert arm.gravity_torque_n_m([[0.3]], "stone").tolist() == [[0.0]]
    assert arm.mass_matrix_kg_m2([[0.3]], "stone")[0, 0, 0] == pytest.approx(0.5)


def _height_energy(arm: Arm, q: np.ndarray, down: np.ndarray) -> np.ndarray:
    """Potential energy (n,) in J."""
    mass, _, _ = arm.bodies("stone")
    return -G * np.einsum("b,nbk,nk->n", mass, arm.pose(q, "stone").places_m, down)


@settings(max_examples=40)
@given(chains(ANY_ORDER), st.integers(0, 1000))
def test_torque_is_the_fall_of_potential_energy(machine: Chain, seed: int) -> None:
    arm, rng, step = arm_of(machine), np.random.default_rng(seed), 1e-5
    q = rng.uniform(-3.0, 3.0, (5, len(machine.joints)))
    down = down_on_tilt(rng.uniform(0.0, 1.0, 5), rng.uniform(-3.0, 3.0, 5))

    torque = arm.gravity_torque_n_m(q, "stone", down)

    scale = 1.0 + np.abs(torque).max()
    for index in range(len(machine.joints)):
        move = np.zeros(len(machine.joints))
        move[index] = step
        fall = (_height_energy(arm, q - move, down) - _height_energy(arm, q + move, down)) / (2.0 * step)
        moves = machine.joints[index].axis != GRIP
        assert torque[:, index] == pytest.approx(fall if moves else np.zeros(5), abs=1e-5 * scale)


@settings(max_examples=40)
@given(chains(ANY_ORDER), st.integers(0, 1000))
def test_jacobian_is_the_change_of_place(machine: Chain, seed: int) -> None:
    arm, step = arm_of(machine), 1e-6
    q = np.random.default_rng(seed).uniform(-3.0, 3.0, (4, len(machine.joints)))

    jacobian = arm.tip_jacobian_m(q, "stone")

    for index in range(len(machine.joints)):
        move = np.zeros(len(machine.joints))
        move[index] = step
        change = (arm.tip_m(q + move, "stone") - arm.tip_m(q - move, "stone")) / (2.0 * step)
        assert jacobian[:, :, index] == pytest.approx(change, abs=1e-7)
        assert arm.tip_radius_m(q, "stone")[:, index] == pytest.approx(np.linalg.norm(change, axis=1), abs=1e-7)


@settings(max_examples=40)
@given(chains(ANY_ORDER), st.integers(0, 1000))
def test_mass_matrix_is_the_kinetic_energy_of_the_moving_places(machine: Chain, seed: int) -> None:
    """Twice the energy of the centres is v' v m; what gyration adds is m k^2 times the square of the turning speed."""
    arm, rng, step = arm_of(machine), np.random.default_rng(seed), 1e-6
    moving = np.array([float(item.axis != GRIP) for item in machine.joints])
    q = rng.uniform(-3.0, 3.0, (3, len(machine.joints)))
    speed = rng.uniform(-1.0, 1.0, len(machine.joints)) * moving
    mass, gyration, carried = arm.bodies("stone")

    matrix = arm.mass_matrix_kg_m2(q, "stone")

    velocity = (arm.pose(q + step * speed, "stone").places_m - arm.pose(q - step * speed, "stone").places_m) / (
        2 * step
    )
    turning = np.einsum("jb,j,njk->nbk", carried, speed, arm.pose(q, "stone").axes)
    energy = np.einsum("b,nbk->n", mass, velocity**2) + np.einsum("b,nbk->n", mass * gyration**2, turning**2)
    assert np.einsum("i,nij,j->n", speed, matrix, speed) == pytest.approx(energy, rel=1e-6, abs=1e-6)
    assert matrix == pytest.approx(np.swapaxes(matrix, 1, 2))


def test_load_that_the_profile_does_not_name_is_refused_with_those_it_names() -> None:
    arm = arm_model(worked("kerb-arm"))

    with pytest.raises(ValueError, match=r"no load 'stone'; there are empty, rated"):
        arm.gravity_torque_n_m(np.zeros(6), "stone")


def test_poses_of_another_number_of_joints_are_refused() -> None:
    arm = arm_model(worked("kerb-arm"))

    with pytest.raises(ValueError, match=r"poses are \(n, 6\)"):
        arm.tip_m(np.zeros((3, 5)), None)


def test_profile_without_loads_has_an_empty_one() -> None:
    arm = arm_model(changed(worked("kerb-arm"), "loads", ()))

    assert [item.name for item in arm.chain.loads] == ["empty"]
    assert arm.gravity_torque_n_m(np.zeros(6), "empty") == pytest.approx(arm.gravity_torque_n_m(np.zeros(6), None))
