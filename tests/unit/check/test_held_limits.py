"""What opens a counterbalance late, what a brake holds, how far a stuck spool goes: inside, outside, and not said."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from check_case import context_of
from make_profile import changed, worked

from mapper.check import Finding, Status
from mapper.check.context import JointContext
from mapper.check.hydraulics.buckling import buckling
from mapper.check.hydraulics.holding_pressure import holding_pressure
from mapper.check.hydraulics.ratings import pressure_rating
from mapper.check.hydraulics.supply import standby_pressure
from mapper.check.motion.pressure_peak import pressure_peak
from mapper.check.notes import joint_notes
from mapper.machine.physics import joint_physics
from mapper.profile.profile import ElectricDrive, Holding, Profile

KERB = worked("kerb-arm")
ROLL = [joint.name for joint in KERB.joints].index("wrist_roll")
BAR = 10**5
BRAKE = Holding(kind="brake", setting_pa=None, pilot_ratio=None)


def swing(*, vented: bool, **items: Any) -> JointContext:
    """The swing with 230 bar and 3 bar in the tank line, and with items of it (`__` for the dot) replaced."""
    profile = changed(KERB, "joints.0.holding.vented", vented)
    for path, value in items.items():
        profile = changed(profile, f"joints.0.{path.replace('__', '.')}", value)
    return context_of(profile, "boom_swing")


def roll(**items: Any) -> JointContext:
    profile = KERB
    for path, value in items.items():
        profile = changed(profile, f"joints.{ROLL}.{path.replace('__', '.')}", value)
    return context_of(profile, "wrist_roll")


def need_n_m() -> float:
    """1.3 times what the clamped stone's torque is about the roll axis on the steepest ground."""
    envelope = joint_physics(KERB)["wrist_roll"].envelope
    return 1.3 * float(np.max(np.maximum(envelope.torque_most_n_m, -envelope.torque_least_n_m)))


def judged(finding: Finding | None) -> Finding:
    assert finding is not None
    return finding


@pytest.mark.parametrize("limit", [pressure_rating, pressure_peak])
@pytest.mark.parametrize(("vented", "opens_bar"), [(False, 245), (True, 230)])
def test_a_rating_must_bear_where_the_counterbalance_really_opens(limit, vented, opens_bar):
    """Just as much holds, a little less does not; 230 bar of setting alone would."""
    for rating, status in ((Fraction(opens_bar), Status.HOLDS), (Fraction(opens_bar) - 1, Status.VIOLATED)):
        ratings = {"drive__rated_pressure_pa": rating * BAR, "hoses__rated_pressure_pa": rating * BAR}
        finding = judged(limit(swing(vented=vented, **ratings)))

        assert finding.status is status, (rating, finding.detail)
        assert finding.worst == pytest.approx(opens_bar)


def test_a_rod_is_pushed_by_the_pressure_at_which_the_counterbalance_really_opens():
    late, vented = (judged(buckling(swing(vented=one))) for one in (False, True))

    assert late.worst == pytest.approx(vented.worst * 230.0 / 245.0, rel=1e-6)
    assert "raised by the tank line's pressure of 245 bar" in late.detail
    for rod_factor, status in ((late.worst - 0.01, Status.HOLDS), (late.worst + 0.01, Status.VIOLATED)):
        factor = Fraction(rod_factor).limit_denominator(10**6)
        assert judged(buckling(swing(vented=False, drive__buckling_factor=factor))).status is status
        assert judged(buckling(swing(vented=True, drive__buckling_factor=factor))).status is Status.HOLDS


def test_the_explanation_says_what_the_tank_line_adds():
    late, vented = (
        {one.symbol: one.value for one in judged(pressure_rating(swing(vented=kind))).explanation.given}
        for kind in (False, True)
    )

    assert (late["S"], late["b"], late["pt"], late["So"]) == (230.0, 5.0, 3.0, 245.0)
    assert (vented["S"], vented["b"], vented["pt"], vented["So"]) == (230.0, 0.0, 3.0, 230.0)


def test_the_pilot_pressure_of_a_vented_valve_does_not_count_the_back_pressure():
    late, vented = (judged(holding_pressure(swing(vented=one))) for one in (False, True))

    assert vented.worst < late.worst - 10.0
    assert "on an unvented spring chamber" in late.detail
    assert "spring chamber vented" in vented.detail
    assert "unvented" not in vented.detail


@pytest.mark.parametrize("vented", [False, True])
def test_the_pilot_ratio_that_is_advised_opens_the_valve(vented):
    """The smallest in tenths: it does, and a tenth less does not."""
    stiff = {"holding__setting_pa": Fraction(330 * BAR), "holding__pilot_ratio": Fraction(1, 2)}
    shut = judged(holding_pressure(swing(vented=vented, **stiff)))
    ratios = [Fraction(value) for value in re.findall(r"holding\.pilot_ratio = ([\d.]+)", shut.advice)]
    most = max(ratios)
    opened = judged(holding_pressure(swing(vented=vented, **{**stiff, "holding__pilot_ratio": most})))
    less = judged(holding_pressure(swing(vented=vented, **{**stiff, "holding__pilot_ratio": most - Fraction(1, 10)})))

    assert shut.status is Status.VIOLATED
    assert most > 1
    assert opened.status is Status.HOLDS
    assert less.status is Status.VIOLATED


def test_a_vented_valve_stays_shut_while_its_pilot_line_has_the_tank_s_pressure():
    """Ratio 100, 3 bar: its setting must be 300 bar above the load, more than the 1.3 of practice asks for."""
    ratio = {"holding__pilot_ratio": Fraction(100)}
    low = judged(holding_pressure(swing(vented=True, **ratio)))
    found = re.search(r'holding\.setting = "([\d.]+) bar"', low.advice)
    assert found is not None
    setting = Fraction(found.group(1)) * BAR

    assert low.status is Status.VIOLATED
    assert 300 * BAR < setting < 400 * BAR
    for value, status in ((setting, Status.HOLDS), (setting - BAR, Status.VIOLATED)):
        finding = judged(holding_pressure(swing(vented=True, **ratio, holding__setting_pa=value)))
        assert finding.status is status, finding.detail
    assert judged(holding_pressure(swing(vented=False, **ratio))).status is Status.HOLDS


# -- brakes -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("spare", "status"), [(0.01, Status.HOLDS), (-0.01, Status.VIOLATED)])
def test_a_brake_that_holds_alone_has_a_third_more_than_gravity(spare, status):
    torque = Fraction(need_n_m() + spare).limit_denominator(10**6)
    finding = judged(holding_pressure(roll(holding=BRAKE, drive__brake_torque_n_m=torque)))

    assert finding.status is status
    assert (finding.unit, finding.at_least) == ("N m", True)
    assert finding.bound == pytest.approx(need_n_m(), abs=1e-5)
    if status is Status.VIOLATED:
        found = re.search(r'joints\.wrist_roll\.drive\.brake_torque = "([\d.]+) N m"', finding.advice)
        assert found is not None
        mended = roll(holding=BRAKE, drive__brake_torque_n_m=Fraction(found.group(1)))
        assert judged(holding_pressure(mended)).status is Status.HOLDS


def test_a_brake_of_which_nothing_is_said_is_not_shown_to_hold():
    finding = judged(holding_pressure(roll(holding=BRAKE, drive__brake_torque_n_m=None)))

    assert finding.status is Status.NOT_SHOWN
    assert "joints.wrist_roll.drive.brake_torque" in finding.advice
    assert f'"{math.ceil(need_n_m() * 10) / 10:g} N m"' in finding.advice


@pytest.mark.parametrize(("spare", "status"), [(0.01, Status.HOLDS), (-0.01, Status.VIOLATED)])
def test_a_brake_beside_a_counterbalance_is_judged_where_its_torque_is_given(spare, status):
    torque = Fraction(need_n_m() + spare).limit_denominator(10**6)
    finding = judged(holding_pressure(roll(drive__brake_torque_n_m=torque)))

    assert finding.status is status
    assert "torque of the holding brake" in finding.detail
    assert "second means" in finding.detail
    symbols = {given.symbol for given in finding.explanation.given}
    assert {"Tb", "Tg", "S", "R", "pa"} <= symbols


def test_a_brake_beside_a_counterbalance_need_not_be_given():
    finding = judged(holding_pressure(roll(drive__brake_torque_n_m=None)))

    assert finding.status is Status.HOLDS
    assert finding.unit == "bar"
    assert "brake" not in finding.detail


def test_a_given_brake_is_judged_even_where_the_profile_names_no_holding():
    none = Holding(kind="none", setting_pa=None, pilot_ratio=None)

    assert judged(holding_pressure(roll(holding=none, drive__brake_torque_n_m=Fraction(10)))).status is Status.VIOLATED
    assert holding_pressure(roll(holding=none, drive__brake_torque_n_m=None)) is None


def test_a_brake_of_an_electric_joint_is_judged_alike():
    def electric(torque: Fraction | None) -> Finding:
        drive = ElectricDrive(speed_deg_s=Fraction(60), torque_n_m=Fraction(2000), brake_torque_n_m=torque)
        return judged(holding_pressure(roll(drive=drive, holding=BRAKE, hoses=None)))

    assert electric(None).status is Status.NOT_SHOWN
    assert electric(Fraction(math.ceil(need_n_m()))).status is Status.HOLDS
    assert electric(Fraction(math.floor(need_n_m()))).status is Status.VIOLATED


def test_a_brake_that_gravity_does_nothing_to_needs_no_torque():
    level = replace(KERB, tilt_deg=Fraction(0))
    drive = ElectricDrive(speed_deg_s=Fraction(40), torque_n_m=Fraction(9000))
    for path, value in (("drive", drive), ("holding", BRAKE), ("hoses", None)):
        level = changed(level, f"joints.0.{path}", value)

    assert holding_pressure(context_of(level, "boom_swing")) is None


# -- a spool that sticks ----------------------------------------------------------------------------------------------


def told(profile: Profile) -> tuple[str, dict[str, str]]:
    """Detail of the dump's limit, and each joint's note of a stuck spool."""
    joints = [context_of(profile, joint.name) for joint in profile.joints]
    notes = {note.joint: note.text for context in joints for note in joint_notes(context) if "stuck open" in note.text}
    return standby_pressure(profile, joints).detail, notes


def test_the_way_of_a_stuck_spool_is_told_of_every_joint_with_the_farthest_first():
    """Swing: 37 deg/s for 300 ms is 11.1 deg; 21.6 deg of the wrist are more in angle, less at the load."""
    detail, notes = told(KERB)
    envelope = joint_physics(KERB)["boom_swing"].envelope
    millimetres = math.radians(11.1) * float(np.max(envelope.tip_radius_most_m)) * 1000.0

    assert f"farthest first: boom_swing 11.1 deg ({millimetres:.0f} mm at the load), boom_lift" in detail
    assert "No limit holds that way" in detail
    assert list(notes) == [joint.name for joint in KERB.joints]
    assert f"11.1 deg ({millimetres:.0f} mm at the load)" in notes["boom_swing"]
    assert "21.6 deg" in notes["wrist_pitch"]


def test_a_way_that_stop_distance_would_not_allow_breaks_no_limit():
    short = changed(KERB, "joints.0.limits.stop_distance_m", Fraction(1, 1000))
    joints = [context_of(short, joint.name) for joint in short.joints]

    assert standby_pressure(short, joints).status is Status.HOLDS


def test_a_dump_of_unknown_time_is_said_and_gives_no_note():
    detail, notes = told(changed(KERB, "emergency_stop.dump_time_s", None))

    assert "emergency_stop.dump_time is not in the profile" in detail
    assert notes == {}


def test_an_electric_joint_has_no_spool_to_stick():
    drive = ElectricDrive(speed_deg_s=Fraction(60), torque_n_m=Fraction(2000))
    profile = changed(changed(KERB, f"joints.{ROLL}.drive", drive), f"joints.{ROLL}.hoses", None)
    profile = changed(profile, f"joints.{ROLL}.holding", BRAKE)
    detail, notes = told(profile)

    assert "wrist_roll" not in notes
    assert "wrist_roll 21 deg" not in detail
