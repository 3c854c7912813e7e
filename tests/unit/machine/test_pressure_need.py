"""Pressure that a joint needs and what holds it, on envelopes made by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_profile import changed, joint_named, with_electric_joint, worked

from mapper.machine import NEGATIVE, POSITIVE, joint_model
from mapper.machine.arm.envelope import JointEnvelope
from mapper.machine.load import against_n_m, along_n_m, node_of_most, over
from mapper.machine.oil.holding import (
    check_pilot_pa,
    counterbalance_pilot_pa,
    held_outlets,
    inlet_through_check_pa,
    inlet_through_counterbalance_pa,
    load_pressure_pa,
    metered_outlets,
    trapped_n_m,
)
from mapper.machine.oil.pressure import (
    Motion,
    available_pa,
    back_pressure_pa,
    highest_port_pa,
    needed,
    port_cap_pa,
    pump_leaves_pa,
    torque_against_n_m,
)
from mapper.machine.oil.supply import flow_asked, moves_at_pa, share
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import Holding, TwoWay, Work

BAR = 1e5
NO_VALVE = Holding(kind="none", setting_pa=None, pilot_ratio=None)
STAND = changed(worked("test-stand"), "joints.0.holding", NO_VALVE)
STAND = changed(changed(STAND, "supply.relief_pa", Fraction(80 * 10**5)), "supply.tank_pa", Fraction(2 * 10**5))
KERB = changed(
    changed(worked("kerb-arm"), "supply.relief_pa", Fraction(210 * 10**5)), "supply.margin_pa", Fraction(18 * 10**5)
)


def envelope_of(q_rad, least, most, inertia=None, names=("empty", "full")):
    least, most = np.asarray(least, dtype=float), np.asarray(most, dtype=float)
    inertia = np.zeros_like(least) if inertia is None else np.asarray(inertia, dtype=float)
    pose = np.zeros((*least.shape, 1))
    return JointEnvelope(
        joint_name="lever",
        q_rad=np.asarray(q_rad, dtype=float),
        load_names=names[: least.shape[0]],
        torque_least_n_m=least,
        torque_most_n_m=most,
        inertia_least_kg_m2=inertia / 2,
        inertia_most_kg_m2=inertia,
        tip_radius_most_m=np.ones_like(least),
        pose_of_least_rad=pose,
        pose_of_most_rad=pose,
    )


Q = np.radians([-30.0, 0.0, 30.0])
DOWN = envelope_of(Q, [[-20, -22, -20], [-120, -140, -130]], [[-15, -18, -15], [-90, -110, -100]], [[1] * 3, [8] * 3])
BOTH_WAYS = envelope_of(Q, [[-100, -60, -10]], [[-40, 30, 80]])


def physics_of(profile, envelope, name=None, **holding):
    joint = profile.joints[0] if name is None else joint_named(profile, name)
    if holding:
        kind = {"setting_pa": None, "pilot_ratio": None} | holding
        joint = replace(joint, holding=Holding(**kind))
    return JointPhysics(profile=profile, joint=joint, model=joint_model(profile, joint), envelope=envelope)


def test_gravity_against_and_along_are_the_two_ends_of_the_envelope():
    assert np.array_equal(against_n_m(DOWN, POSITIVE), -DOWN.torque_least_n_m)
    assert np.array_equal(against_n_m(DOWN, NEGATIVE), DOWN.torque_most_n_m)
    assert np.array_equal(along_n_m(DOWN, NEGATIVE), -DOWN.torque_least_n_m)
    assert np.array_equal(along_n_m(DOWN, POSITIVE), DOWN.torque_most_n_m)


def test_standing_pressure_is_the_torque_over_area_and_lever():
    physics = physics_of(STAND, DOWN)
    drive = physics.model.drive

    need = needed(physics, POSITIVE, Motion.HOLD)

    lever = physics.model.lever_m(Q)
    assert np.allclose(need.inlet_pa, -DOWN.torque_least_n_m / (drive.cap_area_m2 * lever))
    node = node_of_most(DOWN, need.inlet_pa)
    assert (node.load_name, node.load_index) == ("full", 1)


def test_moving_adds_friction_back_pressure_work_and_inertia():
    physics = physics_of(STAND, DOWN)
    physics = replace(
        physics,
        joint=replace(physics.joint, work=Work(torque_n_m=TwoWay(positive=Fraction(50), negative=Fraction(0)))),
    )
    drive, lever = physics.model.drive, physics.model.lever_m(Q)
    ratio = drive.rod_area_m2 / drive.cap_area_m2
    back = 2 * BAR + ratio**2 * 10 * BAR

    steady = needed(physics, POSITIVE, Motion.STEADY)
    accelerating = needed(physics, POSITIVE, Motion.ACCELERATING)

    assert steady.outlet_pa == pytest.approx(back)
    force = (-DOWN.torque_least_n_m + 50) / lever / 0.92
    assert np.allclose(steady.inlet_pa, (force + drive.rod_area_m2 * back) / drive.cap_area_m2)
    more = DOWN.inertia_most_kg_m2 * math.radians(60) / lever / 0.92 / drive.cap_area_m2
    assert np.allclose(accelerating.inlet_pa - steady.inlet_pa, more)


def test_friction_does_not_help_where_the_load_pulls():
    physics = physics_of(STAND, DOWN, kind="none")
    drive, lever = physics.model.drive, physics.model.lever_m(Q)

    need = needed(physics, NEGATIVE, Motion.STEADY)

    plain = (DOWN.torque_most_n_m / lever + drive.cap_area_m2 * need.outlet_pa) / drive.rod_area_m2
    assert np.allclose(need.inlet_pa, np.maximum(plain, 0.0))
    assert np.all(need.opens_pa == 0.0)


def test_back_pressure_does_not_depend_on_speed_but_on_the_areas():
    physics = physics_of(STAND, DOWN)
    ratio = physics.model.drive.cap_area_m2 / physics.model.drive.rod_area_m2

    assert back_pressure_pa(physics, NEGATIVE) == pytest.approx(2 * BAR + ratio**2 * 10 * BAR)


def test_torque_of_the_work_counts_only_in_motion():
    work = Work(torque_n_m=TwoWay(positive=Fraction(0), negative=Fraction(70)))
    physics = physics_of(STAND, DOWN)
    physics = replace(physics, joint=replace(physics.joint, work=work))

    assert np.array_equal(torque_against_n_m(physics, NEGATIVE, Motion.HOLD), DOWN.torque_most_n_m)
    assert np.array_equal(torque_against_n_m(physics, NEGATIVE, Motion.STEADY), DOWN.torque_most_n_m + 70)
    assert np.array_equal(torque_against_n_m(physics, POSITIVE, Motion.STEADY), -DOWN.torque_least_n_m)


def test_pump_leaves_relief_less_edge_or_margin():
    assert pump_leaves_pa(STAND, 20 * BAR) == pytest.approx(70 * BAR)  # fixed, 80 bar
    assert pump_leaves_pa(KERB, 20 * BAR) == pytest.approx(192 * BAR)  # 210 bar, margin 18
    assert pump_leaves_pa(KERB, 60 * BAR) == pytest.approx(180 * BAR)


def test_port_relief_caps_what_the_inlet_can_have():
    low = physics_of(KERB, DOWN, "boom_swing", kind="port_relief", setting_pa=Fraction(100 * 10**5))
    beside = physics_of(KERB, DOWN, "boom_swing", kind="none", port_relief_pa=Fraction(90 * 10**5))

    assert available_pa(low) == pytest.approx(100 * BAR)
    assert port_cap_pa(beside.joint.holding) == pytest.approx(90 * BAR)
    assert available_pa(beside) == pytest.approx(90 * BAR)
    assert available_pa(physics_of(KERB, DOWN, "boom_swing", kind="none")) == pytest.approx(192 * BAR)


def test_motor_needs_the_same_both_ways():
    envelope = envelope_of(Q, [[-100] * 3], [[100] * 3])
    physics = physics_of(KERB, envelope, "wrist_roll", kind="brake")
    drive = physics.model.drive

    up, down = (needed(physics, side, Motion.STEADY).inlet_pa for side in (POSITIVE, NEGATIVE))

    by_hand = 100 / 0.88 / drive.displacement_m3_rad() + 3 * BAR + float(physics.joint.valve.rated_drop_pa) / 2
    assert np.allclose(up, by_hand)
    assert np.array_equal(up, down)


def test_electric_joint_has_no_pressure():
    physics = physics_of(with_electric_joint(), DOWN)

    with pytest.raises(ValueError, match="no oil"):
        needed(physics, POSITIVE, Motion.HOLD)


def test_torque_at_dead_centre_needs_no_end_of_pressure_and_none_needs_none():
    assert over(np.array([5.0, 0.0, -5.0]), np.zeros(3)).tolist() == [math.inf, 0.0, -math.inf]


# -- holding ----------------------------------------------------------------------------------------------------------


def test_load_presses_on_the_side_that_oil_would_leave_by():
    model = joint_model(STAND, STAND.joints[0])
    lever = model.lever_m(Q)

    lowering, lifting = (load_pressure_pa(model, DOWN, side) for side in (NEGATIVE, POSITIVE))

    assert np.allclose(lowering, -DOWN.torque_least_n_m / lever / model.drive.cap_area_m2)
    assert np.all(lifting == 0.0)


@pytest.mark.parametrize(
    ("kind", "held", "metered"),
    [
        ("none", (False, False), (False, False)),
        ("port_relief", (False, False), (False, False)),
        ("brake", (False, False), (False, False)),
        ("counterbalance", (False, True), (False, True)),
        ("double_counterbalance", (True, True), (True, True)),
        ("pilot_check", (True, True), (False, False)),
    ],
)
def test_which_side_is_held(kind, held, metered):
    model = joint_model(STAND, STAND.joints[0])
    holding = Holding(kind=kind, setting_pa=None, pilot_ratio=None)

    assert held_outlets(holding, model, DOWN) == held
    assert metered_outlets(holding, model, DOWN) == metered


def test_single_counterbalance_is_on_the_side_of_the_heavier_load():
    model = joint_model(STAND, STAND.joints[0])
    holding = Holding(kind="counterbalance", setting_pa=None, pilot_ratio=None)
    lifted_over = envelope_of(Q, [[-1, 0, 10]], [[0, 50, 90]])

    assert held_outlets(holding, model, lifted_over) == (True, False)


def test_counterbalance_opens_where_relief_and_pilot_balance():
    setting, ratio, load, back = 220 * BAR, 4.0, 100 * BAR, 10 * BAR

    pilot = float(counterbalance_pilot_pa(setting, ratio, load, back))

    assert load + ratio * pilot == pytest.approx(setting + (1 + ratio) * back)
    assert float(counterbalance_pilot_pa(setting, ratio, 230 * BAR)) == 0.0


def test_inlet_pressure_through_a_counterbalance_meets_both_balances():
    displacement = (np.array([1860e-6]), np.array([3117e-6]))
    load, back = np.array([-20e3]), 31 * BAR

    pilot = inlet_through_counterbalance_pa(220 * BAR, 4.0, displacement, load, back)

    behind = (displacement[0] * pilot - load) / displacement[1]
    assert np.allclose(behind + 4.0 * pilot, 220 * BAR + 5.0 * back)
    assert np.all(pilot < counterbalance_pilot_pa(220 * BAR, 4.0, 20e3 / 3117e-6, back))  # the inlet presses as well


def test_check_valve_opens_against_what_the_inlet_pressure_adds():
    displacement = (np.array([3117e-6]), np.array([1860e-6]))
    load, back = np.array([-20e3]), 5 * BAR

    pilot = inlet_through_check_pa(4.0, displacement, load, back)

    trapped = (displacement[0] * pilot - load) / displacement[1]
    assert np.allclose(4.0 * (pilot - back), trapped - back)
    assert np.all(pilot > check_pilot_pa(4.0, 20e3 / 1860e-6, back))
    assert np.all(np.isinf(inlet_through_check_pa(1.6, displacement, load, back)))


def test_joint_held_by_a_counterbalance_needs_the_larger_of_load_and_pilot():
    held = physics_of(
        STAND, DOWN, kind="double_counterbalance", setting_pa=Fraction(60 * 10**5), pilot_ratio=Fraction(4)
    )
    free = physics_of(STAND, DOWN, kind="none")

    for side in (POSITIVE, NEGATIVE):
        need, plain = needed(held, side, Motion.STEADY), needed(free, side, Motion.STEADY)

        assert np.array_equal(need.inlet_pa, np.maximum(plain.inlet_pa, need.opens_pa))
        assert float(np.max(need.opens_pa)) > 0.0
    assert np.array_equal(needed(held, POSITIVE, Motion.HOLD).inlet_pa, needed(free, POSITIVE, Motion.HOLD).inlet_pa)


def test_shut_clamp_pushes_back_when_it_is_opened():
    joint = joint_named(KERB, "clamp")
    joint = replace(joint, work=Work(torque_n_m=TwoWay(positive=Fraction(0), negative=Fraction(1400))))
    envelope = envelope_of(Q, [[-5] * 3], [[5] * 3])
    physics = JointPhysics(profile=KERB, joint=joint, model=joint_model(KERB, joint), envelope=envelope)

    assert np.all(trapped_n_m(joint, envelope, POSITIVE) == 1405.0)
    assert np.all(trapped_n_m(joint, envelope, NEGATIVE) == 5.0)
    inlet, outlet = physics.model.displacement_m3_rad(Q, POSITIVE)
    need = needed(physics, POSITIVE, Motion.STEADY)
    # Nothing keeps it from being shut until it stalls: relief pressure, which is more than the work's torque makes.
    relief = float(KERB.supply.relief_pa)
    assert np.all(1405 / outlet < relief)
    assert np.allclose(need.opens_pa, (relief + 3 * need.outlet_pa) / (4 - inlet / outlet))
    firm = replace(joint, work=Work(torque_n_m=TwoWay(positive=Fraction(0), negative=Fraction(14_000))))
    need = needed(replace(physics, joint=firm), POSITIVE, Motion.STEADY)
    assert np.allclose(need.opens_pa, (14_005 / outlet + 3 * need.outlet_pa) / (4 - inlet / outlet))


def test_highest_pressure_of_a_port_is_named():
    high = physics_of(STAND, DOWN, kind="counterbalance", setting_pa=Fraction(10**7), pilot_ratio=Fraction(4))
    low = physics_of(STAND, DOWN, kind="counterbalance", setting_pa=Fraction(5 * 10**6), pilot_ratio=Fraction(4))
    free = physics_of(STAND, replace(DOWN, torque_least_n_m=100 * DOWN.torque_least_n_m), kind="none")

    assert highest_port_pa(STAND, high.joint, high.model, high, inlet_of=POSITIVE)[0] == pytest.approx(110 * BAR)
    assert highest_port_pa(STAND, high.joint, high.model, high, inlet_of=NEGATIVE)[0] == pytest.approx(80 * BAR)
    assert highest_port_pa(STAND, low.joint, low.model, low, inlet_of=POSITIVE)[1] == "the relief pressure"
    assert highest_port_pa(STAND, free.joint, free.model, free, inlet_of=POSITIVE)[1] == "the load"
    assert highest_port_pa(STAND, high.joint, high.model, None, inlet_of=NEGATIVE)[0] == pytest.approx(110 * BAR)


# -- supply -----------------------------------------------------------------------------------------------------------


def test_flow_asked_is_area_times_lever_times_speed_at_its_largest():
    joint, model = STAND.joints[0], joint_model(STAND, STAND.joints[0])
    q = np.linspace(*model.hard_stops_rad, 721)

    asked = flow_asked(joint, model, q)

    most = model.drive.cap_area_m2 * float(np.max(model.lever_m(q))) * math.radians(30)
    assert asked.direction == POSITIVE
    assert asked.flow_m3_s == pytest.approx(most)
    assert float(model.lever_m(asked.q_rad)) == pytest.approx(float(np.max(model.lever_m(q))))


def test_electric_joint_asks_the_pump_for_nothing():
    profile = with_electric_joint()

    assert flow_asked(profile.joints[0], joint_model(profile, profile.joints[0]), Q).flow_m3_s == 0.0


def test_share_is_one_until_the_pump_is_short():
    assert share(50.0, 49.9) == 1.0
    assert share(50.0, 50.0) == 1.0
    assert share(50.0, 100.0) == 0.5


def test_stuck_spool_moves_a_balanced_joint_with_any_pressure():
    level = physics_of(STAND, envelope_of(Q, [[-1] * 3], [[1] * 3]), kind="none")
    loaded = physics_of(STAND, DOWN, kind="none")

    assert float(np.min(moves_at_pa(level, POSITIVE))) < 2.1 * BAR  # no more than the tank line on the other side
    lever, drive = loaded.model.lever_m(Q), loaded.model.drive
    lightest = -DOWN.torque_most_n_m / lever
    by_hand = (lightest + drive.rod_area_m2 * 2 * BAR) / drive.cap_area_m2
    assert np.allclose(moves_at_pa(loaded, POSITIVE), by_hand)
    assert float(np.min(moves_at_pa(loaded, NEGATIVE))) == 0.0


def test_counterbalance_keeps_a_stuck_spool_from_lowering_at_standby():
    held = physics_of(STAND, DOWN, kind="counterbalance", setting_pa=Fraction(10**7), pilot_ratio=Fraction(4))

    lowest = float(np.min(moves_at_pa(held, NEGATIVE)))

    heavy = float(np.max(load_pressure_pa(held.model, DOWN, NEGATIVE)))
    assert 10 * BAR < lowest < float(counterbalance_pilot_pa(100 * BAR, 4.0, heavy, 2 * BAR))


def test_profile_changes_reach_the_back_pressure():
    """The tank line is the profile's."""
    higher = changed(STAND, "supply.tank_pa", Fraction(6 * 10**5))

    assert back_pressure_pa(physics_of(higher, DOWN), POSITIVE) == pytest.approx(
        back_pressure_pa(physics_of(STAND, DOWN), POSITIVE) + 4 * BAR
    )


def test_loads_either_way_load_both_sides():
    model = joint_model(STAND, STAND.joints[0])

    assert float(np.max(load_pressure_pa(model, BOTH_WAYS, POSITIVE))) > 0.0
    assert float(np.max(load_pressure_pa(model, BOTH_WAYS, NEGATIVE))) > 0.0
