"""Cylinder, motor, electric actuator, rod as a column: limiting cases and what is conserved."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from mapper.machine.actuator.buckling import ELASTICITY_PA, Column, round_column
from mapper.machine.actuator.cylinder import Cylinder, bore_for_m
from mapper.machine.actuator.electric import Electric
from mapper.machine.actuator.motor import Motor

BAR = 1e5
CYLINDER = Cylinder(bore_m=0.063, rod_m=0.045, stroke_m=0.49, closed_length_m=0.746, efficiency=0.92)
MOTOR = Motor(displacement_m3_rev=80e-6, gear_ratio=6.0, volumetric_efficiency=0.9, mechanical_efficiency=0.88)


def test_regeneration_trades_force_for_speed_at_the_same_power():
    flow, pressure = 40 / 60_000, 150 * BAR
    ideal = replace(CYLINDER, efficiency=1.0)
    plain = ideal.force_n(pressure, 0.0, True) * ideal.speed_m_s(flow, True)

    power = ideal.regenerative_force_n(pressure) * ideal.regenerative_speed_m_s(flow)

    assert power == pytest.approx(plain)
    assert ideal.regenerative_speed_m_s(flow) > ideal.speed_m_s(flow, True)
    assert CYLINDER.regenerative_force_n(pressure) == pytest.approx(0.92 * pressure * math.pi / 4 * 0.045**2)


@pytest.mark.parametrize("extending", [True, False])
def test_outlet_pressure_balances_force_and_inlet(extending):
    load = 20e3
    outlet = CYLINDER.outlet_pa(120 * BAR, load, extending)

    assert replace(CYLINDER, efficiency=1.0).force_n(120 * BAR, outlet, extending) == pytest.approx(load)
    pulled = CYLINDER.outlet_pa(120 * BAR, -load, extending)
    assert pulled - outlet == pytest.approx(2 * load / CYLINDER.outlet_area_m2(extending))


def test_load_stands_on_one_side_only():
    pushed, pulled = CYLINDER.held_pa(30e3), CYLINDER.held_pa(-30e3)

    assert pushed == (pytest.approx(30e3 / CYLINDER.cap_area_m2), 0.0)
    assert pulled == (0.0, pytest.approx(30e3 / CYLINDER.rod_area_m2))


def test_cushion_takes_up_the_energy_and_the_push():
    mass, speed, length, push = 3000.0, 0.1, 0.02, 5000.0
    pressure = CYLINDER.cushion_pa(mass, speed, length, push, True)

    braking = pressure * CYLINDER.rod_area_m2 - push
    assert speed**2 - 2 * braking / mass * length == pytest.approx(0.0, abs=1e-12)


def test_stroke_volumes_differ_by_the_rod():
    difference = CYLINDER.stroke_volume_m3(True) - CYLINDER.stroke_volume_m3(False)

    assert difference == pytest.approx(math.pi / 4 * 0.045**2 * 0.49)


def test_bore_gives_the_force_back():
    assert math.pi / 4 * bore_for_m(50e3, 160 * BAR) ** 2 * 160 * BAR == pytest.approx(50e3)


def test_motor_leak_is_the_flow_that_does_not_turn_it():
    flow, drop = 10 / 60_000, 100 * BAR
    turning = MOTOR.speed_per_flow_rad_m3() * flow * MOTOR.displacement_m3_rad()

    assert MOTOR.leakage_m3_s(drop, flow, drop) == pytest.approx(flow - turning)
    assert MOTOR.leakage_m3_s(drop / 2, flow, drop) == pytest.approx((flow - turning) / 2)
    drift = MOTOR.drift_rad_s(drop, flow, drop) * MOTOR.displacement_m3_rad()
    assert drift == pytest.approx(MOTOR.leakage_m3_s(drop, flow, drop))


def test_motor_displacement_makes_torque_from_pressure():
    assert MOTOR.displacement_m3_rad() * 56 * BAR * 0.88 == pytest.approx(MOTOR.torque_n_m(56 * BAR))


def test_electric_torque_share_is_one_at_its_torque():
    actuator = Electric(speed_rad_s=1.0, torque_n_m=250.0)

    assert actuator.torque_share(250.0) == 1.0
    assert actuator.torque_share(500.0) == 2.0


def test_euler_and_johnson_meet_with_the_same_slope():
    """At the column constant both give half the squash load; derivatives by length agree too."""
    yield_pa = 350e6
    radius = 0.040 / 4
    length = math.sqrt(2 * math.pi**2 * ELASTICITY_PA / yield_pa) * radius
    shorter, at, longer = (round_column(0.040, length * factor, 1.0, yield_pa) for factor in (0.9999, 1.0, 1.0001))

    assert not shorter.is_long
    assert longer.is_long
    assert at.buckling_load_n() == pytest.approx(0.5 * at.area_m2 * yield_pa, rel=1e-9)
    down = shorter.buckling_load_n() - at.buckling_load_n()
    up = at.buckling_load_n() - longer.buckling_load_n()
    assert down == pytest.approx(up, rel=1e-3)


def test_very_short_column_is_squashed_and_very_long_one_falls_with_the_square():
    short = round_column(0.040, 1e-4, 1.0, 350e6)
    long, longer = (round_column(0.040, length, 1.0, 350e6) for length in (2.0, 4.0))

    assert short.buckling_load_n() == pytest.approx(350e6 * math.pi / 4 * 0.040**2, rel=1e-6)
    assert long.buckling_load_n() == pytest.approx(4 * longer.buckling_load_n())


def test_end_factor_is_a_change_of_length():
    fixed = round_column(0.040, 1.0, 0.5, 350e6)
    half: Column = round_column(0.040, 0.5, 1.0, 350e6)

    assert fixed.buckling_load_n() == pytest.approx(half.buckling_load_n())
