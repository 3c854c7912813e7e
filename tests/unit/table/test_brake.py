"""The braking curves: what they are computed from, and that every one of them is one."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from make_profile import changed, joint_named, with_electric_joint, worked

from mapper.machine import joint_gain_spread
from mapper.profile.profile import CoupledStop, Joint, Profile, StopPair
from mapper.table import Curve, compile_table
from mapper.table.compile_brake import (
    Slopes,
    brake_curve,
    brake_curves,
    braking_room,
    coupled_brake,
    joint_slopes,
    late_of_s,
)

KERB_ARM, TEST_STAND = worked("kerb-arm"), worked("test-stand")
FREE = (Slopes(near_per_s=Fraction(10**6), far_per_s=Fraction(10**6), offset_mdeg=Fraction(0)),)


def curves_of(profile: Profile, joint: Joint) -> tuple[Curve, Curve]:
    speeds = joint.limits.speed_deg_s
    return brake_curves(profile, joint, (int(speeds.positive * 1000), int(speeds.negative * 1000)))


def is_a_braking_curve(curve: Curve, full_mdeg_s: int) -> None:
    rooms, speeds = zip(*curve.points, strict=True)

    assert curve.points[0] == (0, 0)
    assert 2 <= len(rooms) <= 12
    assert all(a < b for a, b in pairwise(rooms))
    assert all(a <= b for a, b in pairwise(speeds))
    assert speeds[-1] == full_mdeg_s or rooms[-1] == 720_000


@pytest.mark.parametrize("direction", [0, 1])
@pytest.mark.parametrize("name", [joint.name for joint in KERB_ARM.joints])
def test_curve_keeps_to_what_the_room_bears(name: str, direction: int) -> None:
    """At every point the real speed is, in every range of damping, at most near x Z or far x (Z - d0), and its step at
    most what braking leaves room for.
    """
    joint = joint_named(KERB_ARM, name)
    curve = compile_table(KERB_ARM).joints[[own.name for own in KERB_ARM.joints].index(name)].brake[direction]
    gain = joint_gain_spread(KERB_ARM, joint, direction)[1]
    full = curve.points[-1][1]
    slopes = joint_slopes(KERB_ARM, joint)
    braking = braking_room(
        gain, late_of_s(KERB_ARM, joint) + joint.tolerances.lag_s.upper, joint.limits.deceleration_deg_s2 * 1000
    )
    is_a_braking_curve(curve, full)
    for (x0, y0), (x1, y1) in pairwise(curve.points):
        for own in slopes:
            assert gain * y1 <= max(own.near_per_s * x1, own.far_per_s * (x1 - own.offset_mdeg))
        assert x1 - x0 >= (braking(Fraction(y1)) - braking(Fraction(y0))) * Fraction(99, 100) - 2


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("tolerances.natural_frequency_hz", Fraction(2)),
        ("tolerances.damping_ratio", Fraction(1, 20)),
        ("tolerances.lag_s.upper", Fraction(2, 10)),
        ("tolerances.dead_time_s.upper", Fraction(15, 100)),
        ("tolerances.hysteresis", Fraction(8, 100)),
        ("position.fault_time_s", Fraction(1, 10)),
        ("limits.deceleration_deg_s2", Fraction(20)),
    ],
)
def test_every_quantity_that_makes_braking_harder_takes_more_room(path: str, value: Fraction) -> None:
    worse = changed(TEST_STAND, f"joints.0.{path}", value)

    for better, slower in zip(
        curves_of(TEST_STAND, TEST_STAND.joints[0]), curves_of(worse, worse.joints[0]), strict=True
    ):
        speeds = np.linspace(1.0, 30_000.0, 50)
        rooms = [np.interp(speeds, *np.array(curve.points).T[::-1]) for curve in (better, slower)]
        assert np.all(rooms[1] > rooms[0] * 0.99)
        assert np.max(rooms[1] - rooms[0]) > 500.0


@pytest.mark.parametrize("frequency_hz", [Fraction(3, 10), Fraction(2), Fraction(30), Fraction(1000)])
@pytest.mark.parametrize("damping", [Fraction(1, 50), Fraction(1, 5), Fraction(1)])
@pytest.mark.parametrize("lag_s", [Fraction(1, 100), Fraction(4, 10)])
def test_any_spring_and_lag_has_a_curve(frequency_hz: Fraction, damping: Fraction, lag_s: Fraction) -> None:
    profile = changed(TEST_STAND, "joints.0.tolerances.natural_frequency_hz", frequency_hz)
    profile = changed(profile, "joints.0.tolerances.damping_ratio", damping)
    profile = changed(profile, "joints.0.tolerances.lag_s.lower", lag_s / 2)
    profile = changed(profile, "joints.0.tolerances.lag_s.upper", lag_s)

    for curve in curves_of(profile, profile.joints[0]):
        is_a_braking_curve(curve, 30_000)


def test_an_electric_joint_has_a_curve() -> None:
    profile = with_electric_joint()
    for joint in profile.joints:
        for curve in curves_of(profile, joint):
            assert curve.points[0] == (0, 0)
            assert curve.points[-1][1] > 0


@pytest.mark.parametrize("speed", [1, 2, 5, 6, 7])
def test_braking_curve_of_a_crawling_joint_still_has_two_points(speed: int) -> None:
    way = braking_room(Fraction(13, 10), Fraction(1, 10), Fraction(10**6))

    is_a_braking_curve(brake_curve(speed, lambda asked: asked, FREE, way), speed)


def test_chords_allow_no_more_than_the_rooms_between_the_points() -> None:
    """A kink and a bend, in whole millidegrees at every speed of the grid."""
    slopes = (Slopes(near_per_s=Fraction(1, 2), far_per_s=Fraction(3, 2), offset_mdeg=Fraction(9000)),)
    way = braking_room(Fraction(1), Fraction(1, 10), Fraction(20_000))
    curve = brake_curve(30_000, lambda asked: asked, slopes, way)
    for speed in range(0, 30_001, 625):
        room = np.interp(speed, *np.array(curve.points).T[::-1])
        assert room >= min(speed / 0.5, speed / 1.5 + 9000) - 1.0


def fold(**changes: object) -> CoupledStop:
    values: dict[str, object] = {
        "name": "fold",
        "joints": ("boom_lift", "elbow"),
        "weights": (Fraction(1), Fraction(1)),
        "lower": StopPair(soft_deg=Fraction(-80), hard_deg=Fraction(-90)),
        "upper": StopPair(soft_deg=Fraction(20), hard_deg=Fraction(30)),
    }
    return CoupledStop(**(values | changes))  # type: ignore[arg-type]


@pytest.mark.parametrize("upper", [False, True])
def test_coupled_curve_ends_where_no_room_is_larger(upper: bool) -> None:
    """Lift -24 to 54 deg, elbow -111 to -6 deg: the sum is between -135 and 48 deg."""
    curve = coupled_brake(KERB_ARM, fold(), upper)
    most = 20_000 + 135_000 if upper else 80_000 + 48_000

    assert curve.points[0] == (0, 0)
    assert curve.points[-1][0] <= most
    assert 0 < curve.points[-1][1] <= 50_000


def test_coupled_curve_of_a_heavier_weight_is_in_its_units() -> None:
    """The same stop with everything doubled allows twice the speed of the sum at twice the room."""
    one, two = (
        coupled_brake(KERB_ARM, fold(), False),
        coupled_brake(
            KERB_ARM,
            fold(weights=(Fraction(2), Fraction(2)), lower=StopPair(soft_deg=Fraction(-160), hard_deg=Fraction(-180))),
            False,
        ),
    )
    for room in (5_000, 20_000, 60_000, 100_000):
        single = np.interp(room, *np.array(one.points).T)
        double = np.interp(2 * room, *np.array(two.points).T)
        assert double == pytest.approx(2.0 * single, rel=0.03, abs=20.0)
