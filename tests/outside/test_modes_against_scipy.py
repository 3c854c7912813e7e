"""Modes of the arm on its oil against scipy and against closed forms of textbooks."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.linalg
from make_chain import arm_of, chain, joint
from make_profile import worked

from mapper.machine import joint_model
from mapper.machine.arm.arm import arm_model, down_on_tilt
from mapper.machine.arm.chain import GRAVITY_M_S2, PITCH
from mapper.machine.arm.modes import natural_modes
from mapper.machine.oil.oil_spring import lever_turn_per_rad, soft_oil_n_m_rad

pytestmark = pytest.mark.outside

POSES = 200
SWINGING = [0, 1, 2, 3, 4]  # of the kerb arm: all but its jaws


def _random_cases() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mass, oil and load of the kerb arm, rated load, on ground that slopes any way."""
    profile, rng = worked("kerb-arm"), np.random.default_rng(5)
    arm = arm_model(profile)
    ends = np.array([(item.lower_rad, item.upper_rad) for item in arm.chain.joints])
    q = rng.uniform(ends[:, 0], ends[:, 1], (POSES, len(ends)))
    down = down_on_tilt(arm.chain.tilt_rad, rng.uniform(-math.pi, math.pi, POSES))
    mass = arm.mass_matrix_kg_m2(q, "rated")[:, :5, :5]
    weight = arm.gravity_stiffness_n_m_rad(q, "rated", down)[:, :5, :5]
    torque = arm.gravity_torque_n_m(q, "rated", down)
    oil = np.zeros((POSES, 5))
    for index in SWINGING:
        model = joint_model(profile, profile.joints[index])
        oil[:, index] = soft_oil_n_m_rad(profile, profile.joints[index], model, q[:, index])
        weight[:, index, index] += torque[:, index] * lever_turn_per_rad(model, q[:, index])
    return mass, oil, weight


def test_modes_of_the_kerb_arm_are_those_of_scipy():
    """scipy.linalg.eigh (LAPACK's generalized symmetric-definite solver) of (K, M) at 200 random poses: frequencies and
    the share of each joint's oil.
    """
    mass, oil, weight = _random_cases()
    hertz, shares = natural_modes(mass, oil, weight)

    for case in range(POSES):
        values, vectors = scipy.linalg.eigh(np.diag(oil[case]) + weight[case], mass[case])
        energy = oil[case][:, None] * vectors**2
        assert hertz[case] == pytest.approx(np.sqrt(values) / (2.0 * math.pi), rel=1e-7)
        assert np.allclose(shares[case].T, energy / energy.sum(axis=0), rtol=0.0, atol=1e-6)


def test_two_equal_masses_on_two_equal_springs():
    """Wall, spring, mass, spring, mass: w^2 = (3 -+ root 5) / 2 k / m, the golden ratio's square and its inverse
    (closed form, standard textbook problem, from memory). Counted in the springs' extensions, as an arm's joints are,
    M = m (2 1; 1 1) and K = k 1; the first mode's extensions stand as the golden ratio to 1.
    """
    m, k, golden = 3.0, 700.0, (1.0 + math.sqrt(5.0)) / 2.0
    mass = m * np.array([[[2.0, 1.0], [1.0, 1.0]]])
    hertz, shares = natural_modes(mass, np.full((1, 2), k), np.zeros((1, 2, 2)))

    assert (2.0 * math.pi * hertz[0]) ** 2 * m / k == pytest.approx([golden**-2, golden**2])
    assert shares[0, 0] == pytest.approx(np.array([golden**2, 1.0]) / (golden**2 + 1.0))
    assert shares[0, 1] == pytest.approx(np.array([1.0, golden**2]) / (golden**2 + 1.0))


def test_double_pendulum():
    """Taylor, Classical Mechanics (2005), section 11.4 (from memory): two equal lengths and masses hanging down swing
    with w^2 = (2 -+ root 2) g / l. Here as an arm that hangs on its gravity alone, its oil next to nothing.
    """
    length = 0.7
    links = [joint(name, PITCH, mass_kg=4.0, centre_m=length, length_m=length) for name in ("upper", "lower")]
    arm = arm_of(chain(*links))
    hanging = np.array([[-math.pi / 2.0, 0.0]])
    mass, weight = arm.mass_matrix_kg_m2(hanging, None), arm.gravity_stiffness_n_m_rad(hanging, None)
    hertz, _ = natural_modes(mass, np.full((1, 2), 1e-6), weight)
    expected = np.sqrt((2.0 + np.array([-1.0, 1.0]) * math.sqrt(2.0)) * GRAVITY_M_S2 / length)

    assert 2.0 * math.pi * hertz[0] == pytest.approx(expected, rel=1e-6)
