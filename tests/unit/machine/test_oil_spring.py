"""The oil spring against the numbers of the arm that the worked profile describes, hand sums and brute force."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from dynamics_case import kerb, lump, physics_of
from make_profile import changed, with_electric_joint, worked

from mapper.machine.oil.oil_spring import (
    CAP,
    ROD,
    highest_hz,
    load_stiffness_n_m_rad,
    lowest_hz,
    oil_columns,
    one_sided,
    outlet_side,
    soft_columns,
    softest_n_m_rad,
    stiff_columns,
)

BETA = 0.8e9


@pytest.mark.parametrize(
    ("name", "inertia", "both_hz", "cap_hz"),
    [
        ("boom_swing", 3139, 1.5, None),
        ("boom_lift", 3087, 2.3, 1.35),
        ("elbow", 643, 3.2, 1.8),
        ("wrist_pitch", 48, 5.5, 3.7),
    ],
)
def test_lowest_frequencies_are_those_of_the_invented_arm(name, inertia, both_hz, cap_hz):
    """Worked out apart from this project, lumped, to two digits, with 0.8 GPa and 3 m of 9.5 mm hose a port."""
    physics = kerb(name, inertia)

    assert np.min(lowest_hz(physics, alone=False)) == pytest.approx(both_hz, rel=0.05)
    if cap_hz is not None:
        cap = soft_columns(physics).stiffness_n_m_rad(BETA)[CAP]
        assert np.min(np.sqrt(cap / inertia)) / (2 * math.pi) == pytest.approx(cap_hz, rel=0.05)


def test_stiffness_of_each_side_is_that_of_its_own_oil():
    """Lift at 0 deg by hand: bore 63, rod 45, stroke 490, closed 746 mm, pivots 1000 and 340 mm at 66 deg."""
    physics = kerb("boom_lift", 3000)
    at = int(np.argmin(np.abs(physics.envelope.q_rad)))
    length = math.sqrt(1 + 0.34**2 - 2 * 0.34 * math.cos(math.radians(66)))
    lever = 0.34 * math.sin(math.radians(66)) / length
    cap, rod = math.pi / 4 * 0.063**2, math.pi / 4 * (0.063**2 - 0.045**2)
    hose = math.pi / 4 * 0.0095**2 * 3
    out = length - 0.746
    expected = [
        BETA * (cap * lever) ** 2 / (cap * (out + 0.02 * 0.49) + hose),
        BETA * (rod * lever) ** 2 / (rod * (0.49 - out + 0.02 * 0.49) + hose),
    ]

    assert soft_columns(physics).stiffness_n_m_rad(BETA)[:, at] == pytest.approx(expected, rel=1e-9)


def test_motor_springs_on_both_of_its_lines():
    physics = kerb("wrist_roll", 23)
    columns = oil_columns(physics.model, physics.envelope.q_rad, 2e-4, 0.0)
    drive = physics.joint.drive
    per_rad = float(drive.displacement_m3_rev) * 6 / (2 * math.pi)
    each = BETA * per_rad**2 / (2e-4 + float(drive.displacement_m3_rev) / 2)

    assert columns.stiffness_n_m_rad(BETA)[:, 5] == pytest.approx([each, each])
    assert outlet_side(physics.model, 0) == ROD
    assert outlet_side(physics.model, 1) == CAP


@pytest.mark.parametrize(
    ("kind", "single"),
    [
        ("none", False),
        ("port_relief", False),
        ("pilot_check", False),
        ("counterbalance", True),
        ("double_counterbalance", True),
    ],
)
def test_a_counterbalance_leaves_one_side_to_spring(kind, single):
    physics = kerb("boom_lift", 3000, holding__kind=kind)
    sides = soft_columns(physics).stiffness_n_m_rad(BETA)
    expected = np.min(sides, axis=0) if single else np.sum(sides, axis=0)

    assert one_sided(physics) == single
    assert softest_n_m_rad(physics)[0] == pytest.approx(expected)


def test_a_valve_at_the_actuator_shuts_the_hose_off_where_stiffer_is_worse():
    inside, outside = (kerb("boom_lift", 3000, holding__kind=kind) for kind in ("pilot_check", "port_relief"))

    assert np.all(stiff_columns(inside).volume_m3 < stiff_columns(outside).volume_m3)
    assert np.all(highest_hz(inside) > highest_hz(outside))
    assert np.all(highest_hz(outside) > lowest_hz(outside))


def test_load_term_is_the_lowest_over_all_torques_in_the_envelope():
    profile = changed(worked("kerb-arm"), "tilt_deg", Fraction(0))
    for torque in ((-1500.0, 1300.0), (400.0, 1700.0), (-1800.0, -1600.0)):
        physics = physics_of(profile, "elbow", 600.0, torque)
        joints = tuple(
            replace(joint, body=lump("60", "1") if joint.name == "elbow" else None) for joint in physics.profile.joints
        )
        physics = replace(physics, profile=replace(physics.profile, joints=joints))
        most = 9.80665 * math.sqrt(60.0 * 600.0)
        for turn in (-3.0, -0.5, 0.0, 0.5, 3.0):
            tried = np.linspace(*torque, 20_001)
            expected = np.min(tried * turn - np.sqrt(most**2 - tried**2))
            found = load_stiffness_n_m_rad(physics, np.full_like(physics.envelope.q_rad, turn))

            assert np.max(found) == pytest.approx(expected, rel=1e-5, abs=1e-3)


def test_a_pendulum_on_its_cylinder_has_just_that_stiffness():
    """A lump of 300 kg at 2 m on the lift: torque of oil and gravity together, differenced numerically."""
    mass, arm, gravity = 300.0, 2.0, 9.80665
    physics = kerb("boom_lift", mass * arm**2, holding__kind="port_relief")
    joints = tuple(
        replace(joint, body=lump("300", "2") if joint.name == "boom_lift" else None) for joint in physics.profile.joints
    )
    q = physics.envelope.q_rad
    weight = (-mass * gravity * arm * np.cos(q))[None, :]
    envelope = replace(physics.envelope, torque_least_n_m=weight, torque_most_n_m=weight)
    physics = replace(physics, profile=replace(physics.profile, joints=joints), envelope=envelope)
    linkage = physics.model.linkage
    oil = np.sum(soft_columns(physics).stiffness_n_m_rad(BETA), axis=0) / linkage.lever_m(q) ** 2  # N/m of the rod
    step = 1e-5

    def torque(at):
        """Push that bears the weight at q, changed by the oil when the rod moves; lever arm and weight at `at`."""
        push = -weight[0] / linkage.lever_m(q) - oil * (linkage.length_m(at) - linkage.length_m(q))
        return push * linkage.lever_m(at) - mass * gravity * arm * np.cos(at)

    expected = -(torque(q + step) - torque(q - step)) / (2 * step)
    up = q > 0.02
    assert softest_n_m_rad(physics)[0][up] == pytest.approx(expected[up], rel=1e-4)
    assert np.all(softest_n_m_rad(physics)[0] <= expected * (1 + 1e-6))


def test_without_hoses_or_oil_there_is_no_spring():
    physics = kerb("boom_lift", 3000)
    physics = replace(physics, joint=replace(physics.joint, hoses=None))
    with pytest.raises(ValueError, match="hoses"):
        lowest_hz(physics)
    electric = physics_of(with_electric_joint(), "lever", 10.0)
    with pytest.raises(ValueError, match="no oil"):
        oil_columns(electric.model, electric.envelope.q_rad, 0.0, 0.0)
