"""The joint model: flow to speed in both directions, gain spread from the supply, travel that the stroke allows."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from make_profile import changed, joint_named, with_electric_joint, worked

from mapper.machine import NEGATIVE, POSITIVE, Cylinder, joint_gain_spread, joint_model
from mapper.profile.profile import CylinderDrive, Joint, MotorDrive

KERB_ARM = worked("kerb-arm")
TEST_STAND = worked("test-stand")


@pytest.mark.parametrize("extends_positive", [True, False])
def test_cap_side_is_filled_when_extending(extends_positive: bool) -> None:
    profile = changed(TEST_STAND, "joints.0.drive.extends_positive", extends_positive)
    model = joint_model(profile, profile.joints[0])
    assert isinstance(model.drive, Cylinder)
    q = np.array([-0.3, 0.0, 0.3])

    extending, retracting = (POSITIVE, NEGATIVE) if extends_positive else (NEGATIVE, POSITIVE)

    assert model.extending(extending)
    assert not model.extending(retracting)
    ratio = model.speed_per_flow_rad_m3(q, retracting) / model.speed_per_flow_rad_m3(q, extending)
    assert np.allclose(ratio, model.drive.cap_area_m2 / model.drive.rod_area_m2)
    assert np.allclose(model.speed_per_flow(q, extending) * model.drive.cap_area_m2 * model.lever_m(q), 1.0)


def test_speed_per_flow_is_the_motion_that_a_small_volume_makes() -> None:
    """Volume into the cap side over its area is a change of length; the joint must have that length after it."""
    model = joint_model(TEST_STAND, TEST_STAND.joints[0])
    assert isinstance(model.drive, Cylinder)
    volume, q = 1e-10, 0.2

    turned = float(model.speed_per_flow_rad_m3(q, POSITIVE)) * volume

    stroke = volume / model.drive.cap_area_m2
    assert float(model.length_m(q + turned) - model.length_m(q)) == pytest.approx(stroke, rel=1e-5)


def test_speed_is_infinite_at_dead_centre_and_not_an_error() -> None:
    profile = changed(TEST_STAND, "joints.0.drive.included_at_zero_deg", Fraction(0))

    assert math.isinf(float(joint_model(profile, profile.joints[0]).speed_per_flow_rad_m3(0.0, POSITIVE)))


def test_motor_and_electric_joint_are_the_same_in_every_pose() -> None:
    roll = joint_model(KERB_ARM, joint_named(KERB_ARM, "wrist_roll"))
    profile = with_electric_joint()
    electric = joint_model(profile, profile.joints[0])
    q = np.linspace(-3, 3, 5)

    assert np.ptp(roll.speed_per_flow_rad_m3(q, POSITIVE)) == 0
    assert np.all(roll.lever_m(q) == 1.0)
    assert roll.takes_pump_flow
    assert not electric.takes_pump_flow
    full = electric.speed_per_flow_rad_m3(q, NEGATIVE) * electric.full_flow_m3_s
    assert np.allclose(np.degrees(full), 40.0)
    assert roll.reach_rad() is None
    with pytest.raises(ValueError, match="no cylinder"):
        roll.length_m(q)


@pytest.mark.parametrize("joint", KERB_ARM.joints, ids=lambda joint: joint.name)
def test_stroke_reaches_the_hard_stops_of_the_worked_arm(joint: Joint) -> None:
    """The last row of numbers that came with the arm: closed length and stroke belong to the travel."""
    model = joint_model(KERB_ARM, joint)

    assert max(model.missing_travel_rad()) == 0.0


def test_too_short_a_stroke_is_missing_travel_at_the_right_end() -> None:
    drive = TEST_STAND.joints[0].drive
    assert isinstance(drive, CylinderDrive)
    shorter = changed(TEST_STAND, "joints.0.drive.stroke_m", drive.stroke_m * Fraction(3, 4))
    model = joint_model(shorter, shorter.joints[0])
    reach = model.reach_rad()
    assert reach is not None
    assert model.hard_stops_rad is not None

    lower, upper = model.missing_travel_rad()

    assert lower == 0.0
    assert upper == pytest.approx(model.hard_stops_rad[1] - reach[1])
    assert upper > 0.1


def test_cylinder_that_never_fits_is_missing_all_travel() -> None:
    longer = changed(TEST_STAND, "joints.0.drive.closed_length_m", Fraction(2))

    assert joint_model(longer, longer.joints[0]).missing_travel_rad() == (math.inf, math.inf)


def _uncompensated(**changes: object) -> tuple[float, float]:
    profile = changed(KERB_ARM, "joints.0.valve.compensated", False)
    profile = changed(profile, "joints.0.valve.rated_drop_pa", Fraction(20 * 10**5))
    profile = changed(profile, "joints.0.holding.anti_cavitation", False)
    profile = changed(profile, "joints.0.drive.bore_m", Fraction(63, 1000))
    profile = changed(profile, "joints.0.drive.rod_m", Fraction(40, 1000))
    for name, value in {"relief_pa": 210, "margin_pa": 18, "tank_pa": 3}.items():
        profile = changed(profile, f"supply.{name}", Fraction(value * 10**5))
    for path, value in changes.items():
        profile = changed(profile, path.replace("__", "."), value)
    return joint_model(profile, profile.joints[0]).gain_spread(POSITIVE)


def test_gain_spread_of_a_compensated_section_is_fixed() -> None:
    for joint in KERB_ARM.joints:
        if joint.valve.compensated and joint.name != "wrist_roll":
            assert joint_gain_spread(KERB_ARM, joint, POSITIVE) == (Fraction(17, 20), Fraction(13, 10))


def test_gain_spread_of_a_motor_holds_one_that_does_not_leak() -> None:
    joint = joint_named(KERB_ARM, "wrist_roll")

    low, high = joint_gain_spread(KERB_ARM, joint, NEGATIVE)

    assert low == Fraction(17, 20)
    assert isinstance(joint.drive, MotorDrive)
    assert high == Fraction(13, 10) / joint.drive.volumetric_efficiency


def test_gain_spread_without_compensation_goes_as_the_root_of_the_drop() -> None:
    """20 bar rated, margin 20.3 bar: root(20.3 / 20) at least. At most: the load makes nine tenths of 203 bar on the
    rod side of a 63/40 cylinder that extends, held by a counterbalance; both edges take 2 / (1 + r^3) of what there is.
    """
    ratio = 1 - (40 / 63) ** 2
    most = math.sqrt(2 * (206 - 3 * ratio + 0.9 * 203 * ratio) / (20 * (1 + ratio**3)))
    supply = {
        "supply__relief_pa": Fraction(206 * 10**5),
        "supply__tank_pa": Fraction(3 * 10**5),
        "supply__margin_pa": Fraction(203 * 10**4),
        "joints__0__holding__kind": "counterbalance",
    }

    low, high = _uncompensated(**supply)

    assert low == pytest.approx(math.sqrt(20.3 / 20), abs=1e-4)
    assert high == pytest.approx(min(most, math.sqrt(2 * 206 / 20)), abs=1e-4)
    assert low <= math.sqrt(20.3 / 20)
    assert high >= min(most, math.sqrt(2 * 206 / 20))


def test_load_that_nothing_holds_widens_the_spread() -> None:
    held = _uncompensated(joints__0__holding__kind="counterbalance")
    free = _uncompensated(joints__0__holding__kind="none")

    ratio = 1 - (40 / 63) ** 2
    alone = math.sqrt(2 * (0.9 * 207 - 3) / (20 * ratio**2))  # nine tenths of the pressure, over the outlet edge alone
    assert free[0] == held[0]
    assert free[1] == pytest.approx(alone, abs=1e-3)
    assert held[1] == pytest.approx(math.sqrt(2 * 210 / 20), abs=1e-4)


def test_small_margin_of_a_load_sensing_pump_lowers_the_gain() -> None:
    wide = _uncompensated(supply__margin_pa=Fraction(30 * 10**5))
    small = _uncompensated(supply__margin_pa=Fraction(5 * 10**5))
    fixed = _uncompensated(supply__margin_pa=Fraction(5 * 10**5), supply__load_sensing=False)

    assert small[0] == pytest.approx(0.5, abs=1e-4)
    assert wide[0] > small[0]
    assert fixed[0] > small[0]


def test_direction_is_zero_or_one() -> None:
    with pytest.raises(ValueError, match="direction"):
        joint_gain_spread(KERB_ARM, KERB_ARM.joints[0], 2)


def test_oil_per_rad_is_the_inverse_of_speed_per_flow() -> None:
    for joint in KERB_ARM.joints:
        model = joint_model(KERB_ARM, joint)
        q = np.linspace(-0.3, 0.0, 4)
        for direction in (POSITIVE, NEGATIVE):
            inlet, outlet = model.displacement_m3_rad(q, direction)
            back_inlet, back_outlet = model.displacement_m3_rad(q, 1 - direction)

            leak = joint.drive.volumetric_efficiency if isinstance(joint.drive, MotorDrive) else 1
            assert np.allclose(inlet * model.speed_per_flow_rad_m3(q, direction), float(leak))
            assert np.array_equal(inlet, back_outlet)
            assert np.array_equal(outlet, back_inlet)


def test_electric_joint_has_no_oil() -> None:
    profile = with_electric_joint()
    model = joint_model(profile, profile.joints[0])

    assert model.efficiency == 1.0
    with pytest.raises(ValueError, match="no oil"):
        model.displacement_m3_rad(0.0, POSITIVE)
