"""Profile -> table: every rounding to the safe side, and the curves nowhere above the truth that they stand for."""

from __future__ import annotations

import decimal
import functools
import math
import random
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from make_profile import changed, joint_named, with_electric_joint, worked

from mapper.machine import joint_model
from mapper.profile.profile import CylinderDrive, Joint, MotorDrive, Range, TwoWay
from mapper.table import CompileError, Curve, JointTable, Table, compile_table, encode_table
from mapper.table.compile_drive import CurveError, flow_curves, valve_curve

KERB_ARM = worked("kerb-arm")
TEST_STAND = worked("test-stand")
CYLINDERS = [joint.name for joint in KERB_ARM.joints if isinstance(joint.drive, CylinderDrive)]


@functools.cache
def compiled(name: str) -> JointTable:
    """A joint of the kerb arm."""
    index = [joint.name for joint in KERB_ARM.joints].index(name)
    return _kerb_arm_table().joints[index]


@functools.cache
def _kerb_arm_table() -> Table:
    return compile_table(KERB_ARM)


def stand(path: str, value: object) -> JointTable:
    """The test stand's only joint with one item changed."""
    return compile_table(changed(TEST_STAND, f"joints.0.{path}", value)).joints[0]


def curve_at(curve: Curve, x: np.ndarray) -> np.ndarray:
    """Rule L2, as it stands in law.h."""
    points = curve.points
    y = np.full(x.shape, points[0][1], dtype=np.int64)
    for (x0, y0), (x1, y1) in pairwise(points):
        slope = (65_536 * (y1 - y0)) // (x1 - x0)
        inside = y0 + ((x - x0) * slope) // 65_536
        y = np.where((x >= x0) & (x < x1), np.clip(inside, min(y0, y1), max(y0, y1)), y)
    return np.where(x >= points[-1][0], points[-1][1], y)


def true_flow_per_speed(joint: Joint, x: np.ndarray, direction: int) -> np.ndarray:
    """e4 for one mdeg/s, times 65536, from the machine model (floats)."""
    model = joint_model(KERB_ARM, joint)
    speed = model.speed_per_flow_rad_m3(np.radians(x / 1000.0), direction)
    return np.radians(0.001) / speed / model.full_flow_m3_s * 10_000 * 65_536


@pytest.mark.parametrize("direction", [0, 1])
@pytest.mark.parametrize("name", CYLINDERS)
def test_flow_for_speed_is_nowhere_above_the_true_lever_arm(name: str, direction: int) -> None:
    """Every millidegree between the hard stops; and nowhere more than 2 % below, which would be needlessly slow."""
    joint = joint_named(KERB_ARM, name)
    curve = compiled(name).flow_per_speed_q16[direction]
    hard = joint.limits.hard_stops_deg
    assert hard is not None
    x = np.arange(math.ceil(hard.lower * 1000), math.floor(hard.upper * 1000) + 1)

    table, truth = curve_at(curve, x), true_flow_per_speed(joint, x, direction)

    assert np.all(table <= truth)
    assert np.max((truth - table) / truth) < 0.02


def _random_cylinder(rng: random.Random) -> Joint:
    a, b = Fraction(rng.randint(50, 2000), 1000), Fraction(rng.randint(50, 2000), 1000)
    lower = rng.randint(3, 120)
    upper = rng.randint(lower + 5, 177)
    at_zero = rng.randint(lower, upper)
    extends = rng.random() < 0.5
    ends = (lower - at_zero, upper - at_zero) if extends else (at_zero - upper, at_zero - lower)
    joint = changed(TEST_STAND, "joints.0.drive.base_radius_m", a).joints[0]
    for path, value in (
        ("drive.rod_radius_m", b),
        ("drive.included_at_zero_deg", Fraction(at_zero)),
        ("drive.extends_positive", extends),
        ("limits.hard_stops_deg", Range(lower=Fraction(ends[0]), upper=Fraction(ends[1]))),
    ):
        joint = changed(joint, path, value)
    return joint


@pytest.mark.parametrize("seed", range(40))
def test_flow_for_speed_is_nowhere_above_the_truth_for_random_linkages(seed: int) -> None:
    """Pivots of any proportion, from 3 degrees off one dead centre to 3 degrees off the other."""
    joint = _random_cylinder(random.Random(seed))
    hard = joint.limits.hard_stops_deg
    assert hard is not None
    x = np.arange(math.ceil(hard.lower * 1000), math.floor(hard.upper * 1000) + 1, 7)
    curves = flow_curves(joint)

    for direction in (0, 1):
        assert np.all(curve_at(curves[direction], x) <= true_flow_per_speed(joint, x, direction))


@pytest.mark.parametrize(
    "included", [Fraction(35), Fraction(145), Fraction(34), Fraction(146), Fraction(-90), Fraction(270)]
)
def test_a_dead_centre_within_the_hard_stops_is_an_error(included: Fraction) -> None:
    """The stand's hard stops are 35 degrees either way."""
    with pytest.raises(CompileError, match="lever arm vanishes") as refused:
        stand("drive.included_at_zero_deg", included)

    assert refused.value.joint == "lever"
    assert refused.value.item == "drive"


@pytest.mark.parametrize("direction", [0, 1])
@pytest.mark.parametrize("name", [joint.name for joint in KERB_ARM.joints])
def test_drive_is_nowhere_above_the_measured_curve(name: str, direction: int) -> None:
    """At every flow the drive gives at most that flow by the measured curve."""
    joint = joint_named(KERB_ARM, name)
    side = (joint.valve.positive, joint.valve.negative)[direction]
    curve = compiled(name).valve[direction]
    flow = np.arange(0, curve.points[-1][0] + 1)

    drive = curve_at(curve, flow)
    x, y = [float(at) * 10_000 for at, _ in side.points], [float(share) * 10_000 for _, share in side.points]
    real = np.interp(drive, x, y, left=0.0)

    assert curve.points[0] == (0, math.floor(side.jump * 10_000))
    assert np.all(real <= flow + 1e-9)
    assert np.all(np.diff(drive) >= 0)


AWKWARD = Fraction(1_234_567, 100_003)  # 12.34529..., no finite decimal


@pytest.mark.parametrize(
    ("path", "value", "read", "expected"),
    [
        (
            "limits.speed_deg_s",
            TwoWay(positive=AWKWARD, negative=AWKWARD),
            lambda j: j.speed_full_mdeg_s,
            (12_345, 12_345),
        ),
        ("limits.acceleration_deg_s2", AWKWARD, lambda j: j.accelerate_mdeg_s, 61),
        ("limits.deceleration_deg_s2", AWKWARD, lambda j: j.decelerate_mdeg_s, 61),
        ("limits.stop_deceleration_deg_s2", AWKWARD, lambda j: j.stop_mdeg_s, 61),
        ("limits.soft_stops_deg", Range(lower=-AWKWARD, upper=AWKWARD), lambda j: j.soft_stop_mdeg, (12_345, -12_345)),
        (
            "limits.soft_stops_deg",
            Range(lower=AWKWARD, upper=AWKWARD + 1),
            lambda j: j.soft_stop_mdeg,
            (13_345, 12_346),
        ),
        ("follow.error_deadband_deg", AWKWARD, lambda j: j.deadband, 12_346),
        ("follow.speed_deadband_deg_s", AWKWARD, lambda j: j.speed_deadband_mdeg_s, 12_346),
        ("follow.match_window_deg", AWKWARD, lambda j: j.match_window_mdeg, 12_345),
        ("follow.gap_deg", AWKWARD, lambda j: j.gap_mdeg, 12_345),
        ("follow.gap_deg", None, lambda j: j.gap_mdeg, 0),
        ("follow.gain_per_s", AWKWARD, lambda j: j.gain_q16, round(AWKWARD * 65_536)),
        ("follow.feed_forward", Fraction(1, 3), lambda j: j.feed_q16, 21_845),
        ("position.disagreement", AWKWARD, lambda j: j.position.disagreement, 12_345),
        ("position.fault_time_s", Fraction(49, 1000), lambda j: j.position.bad_ticks, 9),
        ("position.fault_time_s", Fraction(1, 1000), lambda j: j.position.bad_ticks, 1),
        ("valve.drive_max", Fraction(99_999, 100_000), lambda j: j.drive_max_e4, 9_999),
        ("valve.reversal_hold_s", Fraction(21, 1000), lambda j: j.reversal_ticks, 5),
        ("valve.reversed", True, lambda j: j.polarity, -1),
        ("watch.settle_s", Fraction(29, 1000), lambda j: j.settle_ticks, 5),
        ("watch.still_s", Fraction(29, 1000), lambda j: j.still_ticks, 6),
        ("watch.still_deg", AWKWARD, lambda j: j.still_mdeg, 12_345),
        ("watch.stall_flow", Fraction(12_345, 100_000), lambda j: j.stall_flow_e4, 1_234),
        ("watch.stall_s", Fraction(29, 1000), lambda j: j.stall_ticks, 5),
        ("watch.stall_deg", AWKWARD, lambda j: j.stall_mdeg, 12_346),
        ("valve.rated_flow_m3_s", Fraction(1, 7_000), lambda j: j.flow_full_ml_min, 8_572),
    ],
)
def test_each_item_is_rounded_to_its_safe_side(path: str, value: object, read: object, expected: object) -> None:
    assert read(stand(path, value)) == expected  # type: ignore[operator]


@pytest.mark.parametrize(
    ("path", "value", "name", "expected"),
    [
        ("supply.flow_m3_s", Fraction(1, 7_001), "pump_ml_min", 8_570),
        ("controller.late_s", Fraction(1999, 999_999), "late_us", 1_999),
        ("start.sensors_good_s", Fraction(201, 1000), "power_up_ticks", 41),
        ("start.sensors_good_s", Fraction(1, 1000), "power_up_ticks", 3),
        ("start.pump_load_s", Fraction(201, 1000), "load_ticks", 41),
        ("start.match_hold_s", Fraction(201, 1000), "match_ticks", 41),
        ("start.authority_ramp_s", Fraction(1), "authority_step_q16", 327),
        ("start.authority_ramp_s", Fraction(0), "authority_step_q16", 65_536),
        ("emergency_stop.discrepancy_s", Fraction(29, 1000), "discrepancy_ticks", 5),
        ("emergency_stop.reset_min_s", Fraction(151, 1000), "reset_min_ticks", 31),
        ("emergency_stop.reset_max_s", Fraction(2999, 1000), "reset_max_ticks", 599),
        ("emergency_stop.release_deadline_s", Fraction(1000, 1000), "release_ticks", 139),
        ("emergency_stop.release_deadline_s", Fraction(28, 1000), "release_ticks", 1),
        ("emergency_stop.delayed_off_relay_s", Fraction(503, 1000), "stop_ticks", 68),
        ("emergency_stop.delayed_off_relay_s", Fraction(504, 1000), "stop_ticks", 69),
    ],
)
def test_each_item_of_the_machine_is_rounded_to_its_safe_side(
    path: str, value: object, name: str, expected: int
) -> None:
    assert getattr(compile_table(changed(TEST_STAND, path, value)).machine, name) == expected


def test_a_sound_step_of_the_sensor_is_believed() -> None:
    """200 deg/s for 5 ms is 1 degree, the error 0.5 degrees, one count of 80 deg in 3295 counts 25 mdeg."""
    assert stand("name", "lever").position.step_max == 1000 + 500 + 25


def test_joint_in_speed_control_has_lever_units() -> None:
    roll = compiled("wrist_roll")

    assert roll.control == 1
    assert roll.continuous
    assert max(y for _, y in roll.operator.tracks[0].curve.points) == 10_000
    assert roll.deadband == math.ceil(joint_named(KERB_ARM, "wrist_roll").operator.deadband_share * 10_000)
    assert (roll.gain_q16, roll.feed_q16, roll.gap_mdeg) == (0, 0, 0)


def test_motor_needs_its_displacement_for_a_turn() -> None:
    """Roll motor: volume of one joint turn over volumetric efficiency, for 360000 mdeg."""
    joint = joint_named(KERB_ARM, "wrist_roll")
    curve = compiled("wrist_roll").flow_per_speed_q16[0]
    drive = joint.drive
    assert isinstance(drive, MotorDrive)
    turn = float(drive.displacement_m3_rev * drive.gear_ratio / drive.volumetric_efficiency)
    expected = turn / 360_000 / float(joint.valve.rated_flow_m3_s) * 10_000 * 65_536

    assert curve.points == ((-180_000, math.floor(expected)), (180_000, math.floor(expected)))


def test_electric_joint_asks_the_pump_for_next_to_nothing() -> None:
    joint = compile_table(with_electric_joint()).joints[0]

    assert joint.flow_full_ml_min == 1
    assert joint.flow_max_e4 == (10_000, 10_000)
    assert {y for _, y in joint.flow_per_speed_q16[0].points} == {10_000 * 65_536 // 40_000}


def test_a_pump_smaller_than_the_valve_limits_the_flow() -> None:
    small = changed(
        TEST_STAND, "supply.flow_m3_s", TEST_STAND.joints[0].valve.rated_flow_m3_s * Fraction(66_666, 100_000)
    )

    assert compile_table(small).joints[0].flow_max_e4 == (6_666, 6_666)


def test_a_valve_that_ends_below_rated_flow_limits_the_flow() -> None:
    points = TEST_STAND.joints[0].valve.positive.points
    weaker = (*points[:-1], (points[-1][0], Fraction(95_555, 100_000)))

    joint = stand("valve.positive.points", weaker)

    assert joint.flow_max_e4 == (9_555, 10_000)
    assert joint.valve[0].points[-1] == (9_556, 10_000)


def test_second_category_needs_its_relay_and_ends_before_it() -> None:
    with pytest.raises(CompileError, match="delayed_off_relay"):
        compile_table(changed(TEST_STAND, "emergency_stop.category", 1))
    delayed = changed(TEST_STAND, "emergency_stop.delayed_off_relay_s", Fraction(1, 2))

    machine = compile_table(changed(delayed, "emergency_stop.category", 1)).machine

    assert machine.stop_category == 1
    assert machine.stop_ticks * machine.tick_us < 500_000


@pytest.mark.parametrize("late_ms", [Fraction(1, 1000), Fraction(1), Fraction(2), Fraction(5)])
@pytest.mark.parametrize("time_ms", [40, 41, 499, 800, 801, 9_999])
@pytest.mark.parametrize("tick_ms", [1, 5])
def test_deadlines_hold_with_every_tick_late(tick_ms: int, time_ms: int, late_ms: Fraction) -> None:
    """A tick until the contact is read, that one, and one to the output besides; a tick more would be too late."""
    profile = TEST_STAND
    for path, value in (
        ("controller.tick_s", Fraction(tick_ms, 1000)),
        ("controller.late_s", late_ms / 1000),
        ("emergency_stop.category", 1),
        ("emergency_stop.delayed_off_relay_s", Fraction(time_ms, 1000)),
        ("emergency_stop.release_deadline_s", Fraction(time_ms, 1000)),
    ):
        profile = changed(profile, path, value)
    if late_ms > tick_ms:
        with pytest.raises(CompileError, match="late_us"):
            compile_table(profile)
        return

    machine = compile_table(profile).machine

    for ticks in (machine.stop_ticks, machine.release_ticks):
        assert ticks >= 1
        assert (ticks + 3) * (tick_ms + late_ms) <= time_ms < (ticks + 4) * (tick_ms + late_ms)


@pytest.mark.parametrize("key", ["delayed_off_relay", "release_deadline"])
def test_a_deadline_too_quick_for_late_ticks_says_by_how_much(key: str) -> None:
    """Four ticks of 5 ms, each 2 ms late, are 28 ms."""
    with pytest.raises(CompileError) as refused:
        compile_table(changed(TEST_STAND, f"emergency_stop.{key}_s", Fraction(255, 10_000)))

    assert str(refused.value) == (
        f"emergency_stop.{key}: 25.5 ms, too quick by 2.5 ms; at least 28 ms: 4 ticks, each late by late_allowance"
    )


@pytest.mark.parametrize("tick_ms", [Fraction(3), Fraction(7), Fraction(1, 2), Fraction(25), Fraction(10_001, 2000)])
def test_a_tick_that_does_not_divide_a_second_is_an_error(tick_ms: Fraction) -> None:
    with pytest.raises(CompileError, match=r"controller\.tick"):
        compile_table(changed(TEST_STAND, "controller.tick_s", tick_ms / 1000))


@pytest.mark.parametrize(
    ("path", "value", "item"),
    [
        ("limits.acceleration_deg_s2", Fraction(1, 10), "limits.acceleration"),
        ("limits.stop_deceleration_deg_s2", Fraction(199, 1000), "limits.stop_deceleration"),
        ("limits.speed_deg_s", TwoWay(positive=Fraction(1), negative=Fraction(1, 2000)), "limits.speed"),
        ("follow.gap_deg", Fraction(1, 2000), "follow.gap"),
        ("position.rate_max", Fraction(10**6), "position.step_max"),
        ("limits.speed_deg_s", TwoWay(positive=Fraction(201), negative=Fraction(1)), "speed_full_mdeg_s[0]"),
        ("valve.positive.jump", Fraction(41, 100), "valve.positive"),
        ("drive.rod_radius_m", Fraction(1, 10**9), "drive"),
    ],
)
def test_what_does_not_fit_names_joint_and_item(path: str, value: object, item: str) -> None:
    with pytest.raises(CompileError) as refused:
        stand(path, value)

    assert refused.value.joint == "lever"
    assert refused.value.item == item
    assert str(refused.value).startswith(f"joints.lever.{item}: ")


@pytest.mark.parametrize(
    ("points", "what"),
    [
        (((20, 0), (40, Fraction(1, 1000)), (50, Fraction(2, 1000))), "rises"),
        (((20, 0), (40, 50), (100, 101)), "rated"),
        (((20, 0),), "2 to 12"),
        (tuple((20 + n, n) for n in range(13)), None),
    ],
)
def test_valve_points_that_do_not_fit_are_named(points: tuple[tuple[int, int], ...], what: str | None) -> None:
    shares = tuple((Fraction(drive) / 100, Fraction(flow) / 100) for drive, flow in points)
    joint = changed(TEST_STAND.joints[0], "valve.positive.points", shares)
    if what is None:
        with pytest.raises(CurveError, match="2 to 12"):
            valve_curve(changed(joint, "valve.positive.points", (*shares, (Fraction(1, 2), Fraction(1, 2)))), 0)
        assert len(valve_curve(changed(joint, "valve.positive.points", shares[:12]), 0).points) == 12
    else:
        with pytest.raises(CurveError, match=what):
            valve_curve(joint, 0)


def test_table_does_not_depend_on_the_surrounding_decimal_context() -> None:
    """The digest of a table is compared between PCs: nothing around the compiler may change a bit."""
    expected = encode_table(compile_table(KERB_ARM))
    with decimal.localcontext() as context:
        context.prec = 6
        context.rounding = decimal.ROUND_UP

        assert encode_table(compile_table(KERB_ARM)) == expected
