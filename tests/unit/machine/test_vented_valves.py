"""Back pressure behind a counterbalance: what it adds unless the spring chamber is vented, and nothing if it is."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_profile import changed, joint_named, worked

from mapper.machine import NEGATIVE, POSITIVE, joint_model
from mapper.machine.oil.holding import (
    brake_least_n_m,
    counterbalance_pilot_pa,
    inlet_through_counterbalance_pa,
    opens_at_most_pa,
    opens_from_pa,
    trapped_n_m,
)
from mapper.machine.oil.metering import section_of
from mapper.machine.oil.pressure import Motion, highest_port_pa, needed
from mapper.machine.oil.spread import gains
from mapper.machine.oil.supply import moves_at_pa, stuck_s, stuck_way_rad
from mapper.machine.physics import JointPhysics, joint_physics
from mapper.profile.profile import Holding, TwoWay, Work

BAR = 1e5
SETTING, RATIO = 230 * BAR, 4.0
KERB = worked("kerb-arm")


def counterbalance(kind: str = "double_counterbalance", *, vented: bool) -> Holding:
    return Holding(kind=kind, setting_pa=Fraction(230 * 10**5), pilot_ratio=Fraction(4), vented=vented)


def swing(*, vented: bool, profile=KERB) -> JointPhysics:
    physics = joint_physics(profile)["boom_swing"]
    return replace(physics, joint=replace(physics.joint, holding=counterbalance(vented=vented)))


def test_without_pilot_pressure_an_unvented_valve_opens_one_and_the_ratio_times_the_back_pressure_later():
    """230 bar, ratio 4, 3 bar behind it: 245 bar; the same balance with pi = 0."""
    assert opens_at_most_pa(counterbalance(vented=False), 3 * BAR) == 245 * BAR
    assert opens_at_most_pa(counterbalance(vented=True), 3 * BAR) == 230 * BAR
    assert counterbalance_pilot_pa(SETTING, RATIO, 245 * BAR, 3 * BAR) == 0.0
    assert counterbalance_pilot_pa(SETTING, RATIO, 244 * BAR, 3 * BAR) == pytest.approx(0.25 * BAR)


def test_a_pilot_line_at_the_tank_s_pressure_opens_a_vented_valve_early_and_an_unvented_one_not():
    for vented, from_bar in ((True, 218), (False, 230)):
        holding = counterbalance(vented=vented)
        surely = opens_from_pa(holding, 3 * BAR)

        assert surely == from_bar * BAR
        assert counterbalance_pilot_pa(SETTING, RATIO, surely - 1.0, 3 * BAR, vented=vented) > 3 * BAR
    assert counterbalance_pilot_pa(SETTING, RATIO, 218 * BAR, 3 * BAR, vented=True) == pytest.approx(3 * BAR)
    assert opens_from_pa(counterbalance(vented=True), 100 * BAR) == 0.0


@pytest.mark.parametrize("kind", ["none", "pilot_check", "port_relief", "brake"])
def test_only_a_counterbalance_opens_so(kind):
    holding = Holding(kind=kind, setting_pa=Fraction(10**7) if kind == "port_relief" else None, pilot_ratio=None)

    assert opens_at_most_pa(holding, 3 * BAR) is None
    assert opens_from_pa(holding, 3 * BAR) is None


@pytest.mark.parametrize("vented", [True, False])
@pytest.mark.parametrize("back", [0.0, 3 * BAR, 17 * BAR])
def test_the_inlet_pressure_satisfies_both_balances(vented, back):
    """Ai pi - Ao pc = F and pc + R pi = S + (1 + R) pb, or = S with a vented chamber."""
    inlet, outlet, load = 3e-4, 2e-4, np.array([-4000.0, -900.0, 0.0, 2500.0])

    pi = inlet_through_counterbalance_pa(SETTING, RATIO, (inlet, outlet), load, back, vented=vented)

    pc = (inlet * pi - load) / outlet
    behind = 0.0 if vented else 5.0 * back
    moves = pi > 0.0
    assert np.count_nonzero(moves) >= 3
    assert np.allclose((pc + RATIO * pi)[moves], SETTING + behind)
    pilot = counterbalance_pilot_pa(SETTING, RATIO, pc, back, vented=vented)
    assert np.allclose(pilot[moves], pi[moves])


def test_back_pressure_costs_a_vented_valve_no_inlet_pressure():
    for direction in (POSITIVE, NEGATIVE):
        open_pa = [needed(swing(vented=vented), direction, Motion.STEADY).opens_pa for vented in (True, False)]
        stuck = [moves_at_pa(swing(vented=vented), direction) for vented in (True, False)]
        model = swing(vented=True).model
        inlet, outlet = model.displacement_m3_rad(swing(vented=True).envelope.q_rad, direction)
        back = needed(swing(vented=True), direction, Motion.STEADY).outlet_pa

        saved = np.broadcast_to(5.0 * outlet * back / (inlet + 4.0 * outlet), open_pa[0].shape)
        both = open_pa[0] > 0.0
        assert back > 3 * BAR
        assert np.allclose((open_pa[1] - open_pa[0])[both], saved[both])
        assert np.all(stuck[0] <= stuck[1])


def test_the_highest_pressure_of_a_port_is_raised_by_the_tank_line_unless_the_chamber_is_vented():
    for vented, most, words in ((False, 245, "raised by the tank line's pressure"), (True, 230, "setting")):
        physics = swing(vented=vented)
        found = [highest_port_pa(KERB, physics.joint, physics.model, physics, inlet_of=side) for side in (0, 1)]
        unknown = highest_port_pa(KERB, physics.joint, physics.model, None, inlet_of=POSITIVE)

        assert [pressure for pressure, _ in (*found, unknown)] == [most * BAR] * 3
        assert found[0][1].endswith(words)


@pytest.mark.parametrize(("vented", "relief_bar"), [(True, 62), (False, 110)])
def test_the_slowest_speed_through_a_counterbalance_satisfies_the_balance(vented, relief_bar):
    """At relief of a fixed pump, both edges at that speed: pc + R pi = S + b pb with the pressures that they leave."""
    fixed = changed(changed(KERB, "supply.load_sensing", False), "supply.relief_pa", Fraction(relief_bar * 10**5))
    physics = swing(vented=vented, profile=fixed)
    joint = replace(physics.joint, valve=replace(physics.joint.valve, compensated=False))
    model, envelope = joint_model(fixed, joint), physics.envelope
    low, _ = gains(fixed, joint, model, envelope, NEGATIVE)
    inlet, outlet = model.displacement_m3_rad(envelope.q_rad, NEGATIVE)
    rated = float(joint.valve.rated_flow_m3_s)
    section = section_of(rated, float(joint.valve.rated_drop_pa))
    speed = low / inlet * rated
    pi = relief_bar * BAR - (inlet * speed / section.inlet) ** 2
    pb = 3 * BAR + (outlet * speed / section.outlet) ** 2
    torque = envelope.torque_most_n_m
    load = np.where(torque > 0.0, torque / model.efficiency, torque)
    pc = (inlet * pi - load) / outlet

    at_valve = (pc + 4.0 * pi) - (230 * BAR + (0.0 if vented else 5.0) * pb)
    throttled = (low > 0.0) & (pc > pb + 1.0)
    assert np.count_nonzero(throttled) > 20
    assert np.allclose(at_valve[throttled], 0.0, atol=100.0)


def test_a_brake_must_hold_the_largest_torque_of_gravity_and_of_a_grip_what_is_trapped():
    physics = joint_physics(KERB)
    roll, clamp = physics["wrist_roll"], physics["clamp"]
    most = max(np.max(roll.envelope.torque_most_n_m), -np.min(roll.envelope.torque_least_n_m))
    worked_hard = replace(clamp.joint, work=Work(torque_n_m=TwoWay(positive=Fraction(0), negative=Fraction(5000))))

    assert brake_least_n_m(roll.joint, roll.envelope) == pytest.approx(float(most))
    assert brake_least_n_m(worked_hard, clamp.envelope) == pytest.approx(
        float(np.max(trapped_n_m(worked_hard, clamp.envelope, POSITIVE)))
    )
    assert brake_least_n_m(worked_hard, clamp.envelope) >= 5000.0


def test_a_stuck_spool_moves_a_joint_at_its_highest_speed_until_the_dump_has_worked():
    joint = joint_named(KERB, "boom_swing")
    uneven = replace(
        joint,
        limits=replace(joint.limits, speed_never_above_deg_s=TwoWay(positive=Fraction(10), negative=Fraction(40))),
    )

    assert stuck_s(KERB) == 0.3
    assert stuck_way_rad(KERB, uneven) == pytest.approx(math.radians(12.0))
    assert stuck_way_rad(changed(KERB, "emergency_stop.dump_time_s", None), uneven) is None


def test_in_category_1_the_delayed_relay_comes_before_the_dump():
    later = changed(KERB, "emergency_stop.delayed_off_relay_s", Fraction(8, 10))

    assert stuck_s(later) == 0.3
    assert stuck_s(changed(later, "emergency_stop.category", 1)) == pytest.approx(1.1)
