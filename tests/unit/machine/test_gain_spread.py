"""Gain spread for any load (exact) and for the machine's own (derived): from one balance, one inside the other."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_profile import changed, joint_named, with_electric_joint, worked

from mapper.machine import NEGATIVE, POSITIVE, joint_gain_spread, joint_model
from mapper.machine.arm.envelope import JointEnvelope
from mapper.machine.oil.metering import Lines, section_of, steady
from mapper.machine.oil.spread import gains, with_derived_spread
from mapper.machine.oil.valve import LOAD_SHARE_MAX, Pressures, gain_spread
from mapper.profile.profile import Holding

BAR = 10**5


def pinned(profile):
    """The worked arm with the numbers that these tests work with, whatever the file says now."""
    supply = {"relief_pa": 210, "margin_pa": 18, "tank_pa": 3}
    for name, value in supply.items():
        profile = changed(profile, f"supply.{name}", Fraction(value * 10**5))
    for name, value in {"bore_m": Fraction(63, 1000), "rod_m": Fraction(40, 1000)}.items():
        profile = changed(profile, f"joints.0.drive.{name}", value)
    return changed(profile, "joints.0.valve.rated_drop_pa", Fraction(20 * 10**5))


KERB = pinned(worked("kerb-arm"))
SWING = joint_named(KERB, "boom_swing")
Q = np.radians(np.linspace(-45.0, 45.0, 7))


def envelope_of(torque_most, torque_least=None):
    most = np.full((1, Q.size), float(torque_most))
    least = -most if torque_least is None else np.full((1, Q.size), float(torque_least))
    pose = np.zeros((1, Q.size, len(KERB.joints)))
    return JointEnvelope(
        joint_name="boom_swing",
        q_rad=Q,
        load_names=("rated",),
        torque_least_n_m=least,
        torque_most_n_m=most,
        inertia_least_kg_m2=np.ones_like(most),
        inertia_most_kg_m2=np.ones_like(most),
        tip_radius_most_m=np.ones_like(most),
        pose_of_least_rad=pose,
        pose_of_most_rad=pose,
    )


def swing(compensated=False, **holding):
    joint = replace(SWING, valve=replace(SWING.valve, compensated=compensated))
    kind = {"kind": "none", "setting_pa": None, "pilot_ratio": None} | holding
    return replace(joint, holding=Holding(**kind))


def spread_of(joint, envelope, direction=POSITIVE, profile=KERB):
    low, high = gains(profile, joint, joint_model(profile, joint), envelope, direction)
    return float(np.min(low)), float(np.max(high))


def pressures(**changes):
    plain = {
        "load_sensing": False,
        "relief_pa": Fraction(210 * BAR),
        "margin_pa": Fraction(0),
        "tank_pa": Fraction(3 * BAR),
        "load_is_held": False,
    }
    return Pressures(**(plain | changes))


@pytest.mark.parametrize("ratio", [Fraction(1, 2), Fraction(1), Fraction(2)])
@pytest.mark.parametrize("anti_cavitation", [True, False])
def test_exact_spread_is_the_steady_speed_at_its_two_loads(ratio, anti_cavitation):
    """Against metering's floats: load of nine tenths of the pressure, resisting and pulling."""
    drop = Fraction(20 * BAR)
    low, high = gain_spread(False, drop, pressures(anti_cavitation=anti_cavitation), ratio)
    section = section_of(1.0, float(drop))
    lines = Lines(supply_pa=210.0 * BAR, tank_pa=3.0 * BAR, inlet_least_pa=3.0 * BAR if anti_cavitation else 0.0)
    load = float(LOAD_SHARE_MAX) * 207.0 * BAR

    slow = steady(section, (1.0, float(ratio)), lines, load)
    fast = steady(section, (1.0, float(ratio)), lines, -load * float(ratio))

    assert float(low) == pytest.approx(max(float(slow.speed), 0.0), abs=1.1e-4)
    assert float(high) == pytest.approx(float(fast.speed), abs=1.1e-4)
    assert float(low) <= max(float(slow.speed), 0.0)
    assert float(high) >= float(fast.speed)


def test_compensated_section_keeps_its_figures_where_the_loads_are_moderate():
    joint = swing(compensated=True)

    assert spread_of(joint, envelope_of(0.0)) == (0.85, 1.3)
    assert joint_gain_spread(KERB, joint, POSITIVE) == (Fraction(85, 100), Fraction(13, 10))


def test_load_that_pulls_runs_ahead_of_a_compensated_section_unless_it_is_held():
    """1 kN m at the outlet edge alone, by hand; a counterbalance both sides keeps it."""
    envelope = envelope_of(1000.0)
    joint = swing(compensated=True)
    model = joint_model(KERB, joint)
    inlet, outlet = model.displacement_m3_rad(Q, POSITIVE)
    constant = section_of(float(joint.valve.rated_flow_m3_s), float(joint.valve.rated_drop_pa)).outlet
    alone = constant * np.sqrt(1000.0 / outlet - 3 * BAR) / outlet * inlet / float(joint.valve.rated_flow_m3_s)

    assert spread_of(joint, envelope)[1] == pytest.approx(float(np.max(alone)))
    assert float(np.max(alone)) > 2.0
    held = swing(
        compensated=True,
        kind="double_counterbalance",
        setting_pa=Fraction(230 * BAR),
        pilot_ratio=Fraction(4),
    )
    assert spread_of(held, envelope)[1] == 1.3


def test_single_counterbalance_keeps_only_its_own_side():
    envelope = envelope_of(200.0, -1000.0)  # pulls mostly the negative way
    joint = swing(compensated=True, kind="counterbalance", setting_pa=Fraction(230 * BAR), pilot_ratio=Fraction(4))
    wild = envelope_of(900.0, -2000.0)

    assert spread_of(joint, envelope, NEGATIVE)[1] == 1.3
    assert spread_of(joint, wild, NEGATIVE)[1] == 1.3
    assert spread_of(joint, wild, POSITIVE)[1] > 1.3


def test_compensator_that_has_nothing_left_falls_below_its_figure():
    lever = joint_model(KERB, SWING).lever_m(Q)
    cap = math.pi / 4 * 0.063**2
    almost = 0.92 * 205 * BAR * cap * float(np.min(lever))

    low, _ = spread_of(swing(compensated=True), envelope_of(almost))

    assert 0.0 < low < 0.85
    assert spread_of(swing(compensated=True), envelope_of(1.1 * almost))[0] == 0.0


def test_margin_below_the_inlet_edge_drop_starves_a_compensated_section():
    """Half of 20 bar is what the inlet edge takes; 5 bar of margin give root(5 / 10)."""
    starved = changed(KERB, "supply.margin_pa", Fraction(5 * BAR))

    assert spread_of(swing(compensated=True), envelope_of(0.0), profile=starved)[0] == pytest.approx(math.sqrt(0.5))


def test_uncompensated_spread_of_the_machine_lies_inside_that_for_any_load():
    for torque in (0.0, 300.0, 1000.0, 2000.0):
        for kind in ("none", "double_counterbalance"):
            held = kind != "none"
            joint = swing(
                kind=kind,
                setting_pa=Fraction(230 * BAR) if held else None,
                pilot_ratio=Fraction(4) if held else None,
            )
            for direction in (POSITIVE, NEGATIVE):
                low, high = spread_of(joint, envelope_of(torque), direction)
                wide_low, wide_high = joint_gain_spread(KERB, joint, direction)

                assert low >= float(wide_low), (torque, kind, direction)
                assert high <= float(wide_high), (torque, kind, direction)


def test_uncompensated_spread_follows_the_loads():
    """Load-sensing margin over the inlet edge at least; the pump at relief over both edges at most."""
    low, high = spread_of(swing(), envelope_of(0.0))
    ratio = 1 - (40 / 63) ** 2

    assert low == pytest.approx(math.sqrt(18 / 10))
    assert high == pytest.approx(math.sqrt(2 * (210 - 3 * ratio) / (20 * (1 + ratio**3))))
    assert spread_of(swing(), envelope_of(1500.0))[1] > high


def test_fixed_pump_leaves_less_to_the_heavier_load():
    fixed = changed(KERB, "supply.load_sensing", False)
    light, heavy = (spread_of(swing(), envelope_of(torque), profile=fixed)[0] for torque in (200.0, 2000.0))

    assert heavy < light


def test_counterbalance_that_must_be_opened_takes_from_a_fixed_pump():
    fixed = changed(KERB, "supply.load_sensing", False)
    held = swing(kind="double_counterbalance", setting_pa=Fraction(230 * BAR), pilot_ratio=Fraction(3))

    assert spread_of(held, envelope_of(0.0), profile=fixed)[0] < spread_of(swing(), envelope_of(0.0), profile=fixed)[0]


def test_counterbalance_takes_only_from_the_motion_that_it_holds():
    fixed = changed(KERB, "supply.load_sensing", False)
    held = swing(kind="counterbalance", setting_pa=Fraction(230 * BAR), pilot_ratio=Fraction(3))
    lowered = envelope_of(-100.0, -900.0)  # gravity pulls the negative way

    free_low = spread_of(swing(), lowered, POSITIVE, profile=fixed)[0]
    assert spread_of(held, lowered, POSITIVE, profile=fixed)[0] == free_low
    free_back = spread_of(swing(), lowered, NEGATIVE, profile=fixed)[0]
    assert spread_of(held, lowered, NEGATIVE, profile=fixed)[0] < free_back


def test_motor_may_leak_less():
    joint = joint_named(KERB, "wrist_roll")

    assert spread_of(joint, envelope_of(0.0))[1] == pytest.approx(1.3 / 0.9)


def test_derived_spread_is_rounded_outward_to_thousandths():
    joint = swing()
    model = with_derived_spread(KERB, joint, joint_model(KERB, joint), envelope_of(700.0))

    for direction in (POSITIVE, NEGATIVE):
        low, high = spread_of(joint, envelope_of(700.0), direction)
        kept_low, kept_high = model.spread[direction]
        assert 0.0 <= low - float(kept_low) < 1e-3
        assert 0.0 <= float(kept_high) - high < 1e-3
        assert (kept_low * 1000).denominator == 1
        assert (kept_high * 1000).denominator == 1


def test_electric_joint_keeps_its_spread():
    profile = with_electric_joint()
    joint = profile.joints[0]
    model = joint_model(profile, joint)

    assert with_derived_spread(profile, joint, model, envelope_of(50.0)) is model


def test_dead_centre_in_the_travel_has_no_speed_to_offer_and_no_error():
    joint = replace(swing(), drive=replace(SWING.drive, included_at_zero_deg=Fraction(0)))

    low, high = spread_of(joint, envelope_of(100.0))

    assert low == 0.0
    assert math.isfinite(high)
