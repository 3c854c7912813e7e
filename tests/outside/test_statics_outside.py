"""Cylinders, edges, power, load holding, motors and columns against published worked examples.

Values of textbooks were read in the open textbook companions of FOSSEE, IIT Bombay, which restate a book's numbered
examples and print the results; the printed books were not opened. Where a check says so, its number is worked out by
hand.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from mapper.check.hydraulics.ratings import NOMINAL_BAR
from mapper.machine import Cylinder, Motor
from mapper.machine.actuator.buckling import Column, round_column
from mapper.machine.actuator.cylinder import bore_for_m
from mapper.machine.load import over
from mapper.machine.oil.holding import SETTING_FACTOR, counterbalance_pilot_pa
from mapper.machine.oil.metering import (
    Lines,
    Section,
    drive_flow_range,
    edge_constant,
    edge_flow_m3_s,
    orifice_constant,
    section_of,
    steady,
)
from mapper.machine.oil.supply import power_w
from mapper.profile.profile import CylinderDrive, ValveSide

pytestmark = pytest.mark.outside

INCH, POUND_FORCE, POUND = 0.0254, 4.4482216152605, 0.45359237
PSI = POUND_FORCE / INCH**2
GPM = 231 * INCH**3 / 60
FOOT, HORSEPOWER, WATER = 12 * INCH, 745.6998715822702, 999.1
BAR, L_MIN = 1e5, 1e-3 / 60


def cylinder(cap_in2: float, rod_in2: float, stroke_m: float = 1.0) -> Cylinder:
    """By its piston area and its rod's cross-section in square inches."""
    return Cylinder(
        bore_m=math.sqrt(4 * cap_in2 / math.pi) * INCH,
        rod_m=math.sqrt(4 * rod_in2 / math.pi) * INCH,
        stroke_m=stroke_m,
        closed_length_m=1.0,
        efficiency=1.0,
    )


# -- cylinders --------------------------------------------------------------------------------------------------------


def test_push_and_pull_of_a_two_inch_cylinder() -> None:
    """Force = pressure x area, any textbook: bore 2 in, rod 1 in, 3000 psi: 9424.78, 7068.58 lbf (worked by hand)."""
    one = cylinder(math.pi, math.pi / 4)

    assert one.force_n(3000 * PSI, 0.0, True) / POUND_FORCE == pytest.approx(9424.78, rel=1e-6)
    assert one.force_n(3000 * PSI, 0.0, False) / POUND_FORCE == pytest.approx(7068.58, rel=1e-6)


REGENERATIVE = cylinder(25.0, 7.0)


def test_regenerative_extension() -> None:
    """Esposito, Fluid Power with Applications, Example 9-1, p. 331: 25 in2, rod 7 in2, 20 gpm, 1000 psi: 11.0 in/s,
    7000 lbf, 11.7 hp.
    """
    speed = REGENERATIVE.regenerative_speed_m_s(20 * GPM)
    force = REGENERATIVE.regenerative_force_n(1000 * PSI)

    assert speed / INCH == pytest.approx(11.0, rel=1e-6)
    assert force / POUND_FORCE == pytest.approx(7000, rel=1e-9)
    assert force * speed / HORSEPOWER == pytest.approx(11.7, rel=5e-3)


def test_retraction_of_the_regenerative_cylinder() -> None:
    """Esposito, Example 9-1, p. 331, the other way: 4.28 in/s, 18 000 lbf, 11.7 hp."""
    speed = REGENERATIVE.speed_m_s(20 * GPM, False)
    force = REGENERATIVE.force_n(1000 * PSI, 0.0, False)

    assert speed / INCH == pytest.approx(4.28, rel=1e-3)
    assert force / POUND_FORCE == pytest.approx(18_000, rel=1e-9)
    assert force * speed / HORSEPOWER == pytest.approx(11.7, rel=5e-3)


def test_force_on_a_known_area() -> None:
    """Sullivan, Fluid Power: Theory and Applications, Example 1.1, p. 17: 1500 psi on 12.57 in2: 18 855 lbf."""
    assert cylinder(12.57, 3.0).force_n(1500 * PSI, 0.0, True) / POUND_FORCE == pytest.approx(18_855, rel=1e-9)


@pytest.mark.parametrize(
    ("force_n", "pressure_pa", "bore_m", "within"),
    [(80_000 * POUND_FORCE, 1600 * PSI, 7.979 * INCH, 5e-5), (355.8e3, 11.03e6, 0.2027, 5e-4)],
)
def test_bore_for_a_force(force_n: float, pressure_pa: float, bore_m: float, within: float) -> None:
    """Sullivan, Example 8.1, p. 172: 80 000 lbf at 1600 psi: 7.979 in; 355.8 kN at 11.03 MPa: 20.27 cm."""
    assert bore_for_m(force_n, pressure_pa) == pytest.approx(bore_m, rel=within)


def test_hundred_millimetre_cylinder() -> None:
    """mechanicalengineeringcourse.com (?p=1680), givens: bore 100, rod 70 mm, 200 bar, 40 l/min.

    Worked by hand: 157.080 kN, 0.0848826 m/s, 20.40 l/min out of the rod side, 13.333 kW.
    """
    one = Cylinder(bore_m=0.1, rod_m=0.07, stroke_m=1.0, closed_length_m=1.0, efficiency=1.0)
    speed = one.speed_m_s(40 * L_MIN, True)

    assert one.force_n(200 * BAR, 0.0, True) == pytest.approx(157_080, rel=1e-5)
    assert speed == pytest.approx(0.0848826, rel=1e-6)
    assert one.outlet_flow_m3_s(40 * L_MIN, True) / L_MIN == pytest.approx(20.40, rel=1e-6)
    assert power_w(200 * BAR, 40 * L_MIN) == pytest.approx(13_333.3, rel=1e-5)


def test_speed_both_ways_of_an_exam_cylinder() -> None:
    """Examination question (collegedunia.com), givens: bore 76, rod 25 mm, 40 l/min both ways; worked by hand: 0.146957
    and 0.164789 m/s.
    """
    one = Cylinder(bore_m=0.076, rod_m=0.025, stroke_m=1.0, closed_length_m=1.0, efficiency=1.0)

    assert one.speed_m_s(40 * L_MIN, True) == pytest.approx(0.146957, rel=1e-5)
    assert one.speed_m_s(40 * L_MIN, False) == pytest.approx(0.164789, rel=1e-5)


def test_brake_cylinders_share_a_pressure() -> None:
    """OpenStax, College Physics, module m42193 (Pascal's principle): 500 N on 0.500 cm, wheel cylinder 2.50 cm: 1.25e4
    N, 2.55e7 Pa.
    """
    pedal = Cylinder(bore_m=0.005, rod_m=0.001, stroke_m=1.0, closed_length_m=1.0, efficiency=1.0)
    wheel = Cylinder(bore_m=0.025, rod_m=0.001, stroke_m=1.0, closed_length_m=1.0, efficiency=1.0)
    pressure = pedal.held_pa(500.0)[0]

    assert pressure == pytest.approx(2.55e7, rel=5e-3)
    assert wheel.force_n(pressure, 0.0, True) == pytest.approx(1.25e4, rel=5e-3)


def test_hydraulic_jack() -> None:
    """Esposito, Example 3-13, p. 112: 25 cm2 onto 100 cm2, 200 N, 5 cm: 800 N, 1.25 cm."""
    small, large = (cylinder(area / 6.4516, 0.1) for area in (25.0, 100.0))

    assert large.force_n(small.held_pa(200.0)[0], 0.0, True) == pytest.approx(800, rel=1e-9)
    assert large.speed_m_s(0.05 * small.cap_area_m2, True) == pytest.approx(0.0125, rel=1e-9)


def test_oil_of_a_double_stroke() -> None:
    """Sullivan, Example 4.1, p. 64: 12.56 in2, rod 3.14 in2, stroke 24 in: 527.52 in3 there and back."""
    one = cylinder(12.56, 3.14, stroke_m=24 * INCH)

    assert (one.stroke_volume_m3(True) + one.stroke_volume_m3(False)) / INCH**3 == pytest.approx(527.52, rel=1e-9)


def test_pressure_that_accelerates_a_weight() -> None:
    """Esposito, Example 6-4, p. 222: 6000 lbf lifted to 8 ft/s in 0.5 s: 8981 lbf (6000 at constant speed).

    Through the machine's chain: inertia at a lever of 1 m, oil per rad, pressure; 4 in2 of piston.
    """
    weight, acceleration, lever = 6000 * POUND_FORCE, 8 * FOOT / 0.5, 1.0
    inertia = weight / (32.2 * FOOT) * lever**2
    torque = weight * lever + inertia * (acceleration / lever)
    one = cylinder(4.0, 1.0)

    pressure = float(over(np.array(torque), np.array(one.cap_area_m2 * lever)))

    assert one.force_n(pressure, 0.0, True) / POUND_FORCE == pytest.approx(8981, rel=1e-4)


# -- orifices and valves ----------------------------------------------------------------------------------------------


def test_flow_through_a_one_inch_orifice() -> None:
    """Esposito, Example 8-4, p. 302: 1 in, C 0.80, SG 0.9, 100 psi: 252 gpm (its constant 38.1 is for water of 62.4
    lb/ft3).
    """
    density = 0.9 * 62.4 * POUND / FOOT**3
    constant = orifice_constant(math.pi / 4 * INCH**2, 0.80, density)

    assert float(edge_flow_m3_s(constant, 1.0, 100 * PSI)) / GPM == pytest.approx(252, rel=3e-3)


def test_discharge_coefficient_of_a_known_flow() -> None:
    """Sullivan, Example 5.4, p. 90: 1000 gpm, 120 psi, SG 0.85, 3.14 in2: 0.70."""
    unit = orifice_constant(3.14 * INCH**2, 1.0, 0.85 * 62.4 * POUND / FOOT**3)

    assert 1000 * GPM / float(edge_flow_m3_s(unit, 1.0, 120 * PSI)) == pytest.approx(0.70, rel=1e-2)


@pytest.mark.parametrize("bore_in", [0.023, 0.046, 0.23])
def test_rule_for_orifice_discs(bore_in: float) -> None:
    """Trade rule (www.hoseandfittings.com/hydor): gpm = (D / 0.23)^2 root psi for water, discharge 0.633 behind it."""
    constant = orifice_constant(math.pi / 4 * (bore_in * INCH) ** 2, 0.633, WATER)

    assert float(edge_flow_m3_s(constant, 1.0, 9 * PSI)) / GPM == pytest.approx((bore_in / 0.23) ** 2 * 3, rel=1e-2)


@pytest.mark.parametrize(
    ("flow", "drop", "gravity", "unit_flow", "unit_drop", "published"),
    [
        (25, 100, 0.9, GPM, PSI, 2.37),
        (94.8, 687, 0.9, L_MIN, 1e3, 3.43),
        (30, 300, 0.85, GPM, PSI, 1.597),
    ],
)
def test_capacity_constant_from_flow_and_drop(
    flow: float, drop: float, gravity: float, unit_flow: float, unit_drop: float, published: float
) -> None:
    """Esposito, Example 8-5, p. 304 (both unit systems), and Sullivan, Example 10.1, p. 225: Cv = Q root(SG / dp)."""
    constant = edge_constant(flow * unit_flow, drop * unit_drop) * math.sqrt(gravity)

    assert constant / (unit_flow / math.sqrt(unit_drop)) == pytest.approx(published, rel=2e-3)


def test_drop_at_a_known_capacity() -> None:
    """Sullivan, Example 10.1, p. 225: 30 gpm of SG 0.85 through Cv 5.41: 26.138 psi."""
    constant = 5.41 * GPM / math.sqrt(PSI) / math.sqrt(0.85)

    assert float(edge_flow_m3_s(constant, 1.0, 26.138 * PSI)) / GPM == pytest.approx(30, rel=5e-5)


def test_meter_out_needle_valve() -> None:
    """Esposito, Example 8-6, p. 304: piston 3.14 in2, rod 0.79 in2, 1000 lbf, 500 psi on the cap side, SG 0.9, 10 in/s:
    Cv 0.37.

    The steady state of a wide inlet edge and that needle valve, with the exact Cv 0.371813, must run at 10 in/s.
    """
    one = cylinder(3.14, 0.79)
    needle = 0.371813 * GPM / math.sqrt(PSI) / math.sqrt(0.9)
    section = Section(inlet=1e6 * needle, outlet=needle)

    got = steady(
        section,
        (one.cap_area_m2, one.rod_area_m2),
        Lines(supply_pa=500 * PSI, tank_pa=0.0),
        1000 * POUND_FORCE,
    )

    assert float(got.speed) / INCH == pytest.approx(10.0, rel=1e-4)
    assert float(got.outlet_pa) / PSI == pytest.approx(242.553, rel=1e-4)
    assert one.outlet_pa(500 * PSI, 1000 * POUND_FORCE, True) / PSI == pytest.approx(242.553, rel=1e-4)


def test_rating_of_five_bar_a_path_is_ten_for_both() -> None:
    """Fluid Power Journal, "Test Your Skills: Application of Proportional Valves": 5 bar a path, 10 bar both."""
    section = section_of(40 * L_MIN, 10 * BAR)

    assert float(edge_flow_m3_s(section.inlet, 1.0, 5 * BAR)) == pytest.approx(40 * L_MIN)
    got = steady(section, (1e-3, 1e-3), Lines(supply_pa=10 * BAR, tank_pa=0.0), 0.0)
    assert float(got.speed) * 1e-3 == pytest.approx(40 * L_MIN)


def test_available_drop_is_supply_less_load_less_return() -> None:
    """Fluid Power Journal, same article: available drop = supply - load - return; 4 times the drop, twice the flow."""
    section = section_of(10 * L_MIN, 10 * BAR)
    lines = Lines(supply_pa=100 * BAR, tank_pa=5 * BAR)

    light, heavy = (float(steady(section, (1e-3, 1e-3), lines, load * BAR * 1e-3).speed) for load in (55.0, 85.0))

    assert heavy * 1e-3 == pytest.approx(10 * L_MIN)  # 100 - 85 - 5 = 10 bar
    assert light == pytest.approx(2 * heavy)  # 40 bar


def test_dead_zone_and_its_inverse() -> None:
    """Dead zone y = 0 for |u| <= D, y = m (u - D) above; inverse u = y / m + D (engineeringniche.com, dead-zone
    compensation).
    """
    side = ValveSide(
        crack=Fraction(22, 100),
        crack_min=Fraction(22, 100),
        jump=Fraction(22, 100),
        points=((Fraction(22, 100), Fraction(0)), (Fraction(1), Fraction(1))),
    )
    slope = 1 / 0.78
    flows = np.linspace(0.1, 1.0, 10)

    for band in drive_flow_range(side, 0.0, flows / slope + 0.22):
        assert np.allclose(band, flows)
    assert drive_flow_range(side, 0.0, [0.0, 0.1, 0.22])[1].tolist() == pytest.approx([0.0, 0.0, 0.0])


# -- power ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("pressure_psi", "flow_gpm", "power_hp", "within"),
    [(1000, 20, 11.7, 3e-3), (25, 20, 0.29, 1e-2), (2000, 5, 5.83, 2e-3), (400, 20, 4.667, 5e-4)],
)
def test_horsepower(pressure_psi: float, flow_gpm: float, power_hp: float, within: float) -> None:
    """Esposito, Examples 8-2 and 8-3, p. 299; Sullivan, Example 2.7, p. 31; classroom.synonym.com (400 psi, 20 gpm)."""
    assert power_w(pressure_psi * PSI, flow_gpm * GPM) / HORSEPOWER == pytest.approx(power_hp, rel=within)


@pytest.mark.parametrize(
    ("pressure_bar", "flow_l_min", "power_kw", "within"), [(150, 40, 10.0, 1e-9), (100, 50, 8.35, 3e-3)]
)
def test_kilowatt(pressure_bar: float, flow_l_min: float, power_kw: float, within: float) -> None:
    """calculatorlib.com, hydraulic power calculator (150 bar x 40 l/min); Esposito, Example 3-15, p. 113 (its constant
    is rounded).
    """
    assert power_w(pressure_bar * BAR, flow_l_min * L_MIN) / 1000 == pytest.approx(power_kw, rel=within)


# -- intensification, load holding ------------------------------------------------------------------------------------


def test_blocked_rod_side_of_half_the_area_doubles_the_pressure() -> None:
    """www.hydraulicsupermarket.com, "Pressure Intensification in Hydraulic Cylinders": 3000 psi, rod side half the area
    and blocked: 6000 psi.
    """
    assert cylinder(10.0, 5.0).outlet_pa(3000 * PSI, 0.0, True) / PSI == pytest.approx(6000, rel=1e-9)


def test_metered_rod_side_never_passes_the_blocked_one() -> None:
    """The same source's 6000 psi is the end that a closing outlet edge comes to: any open edge stays below."""
    one = cylinder(10.0, 5.0)
    lines = Lines(supply_pa=3000 * PSI, tank_pa=0.0)
    pressures = [
        float(steady(Section(inlet=1e-6, outlet=outlet), (one.cap_area_m2, one.rod_area_m2), lines, 0.0).outlet_pa)
        for outlet in (1e-6, 1e-7, 1e-9)
    ]

    assert pressures == sorted(pressures)
    assert pressures[-1] / PSI == pytest.approx(6000, rel=1e-4)


def test_intensifier_of_five_to_one() -> None:
    """Esposito, Example 11-1, p. 409: 500 psi, 20 gpm, 5 to 1: 2500 psi, 4 gpm."""
    one = cylinder(5.0, 4.0)  # rod side a fifth of the cap side

    assert one.outlet_pa(500 * PSI, 0.0, True) / PSI == pytest.approx(2500, rel=1e-9)
    assert one.outlet_flow_m3_s(20 * GPM, True) / GPM == pytest.approx(4, rel=1e-9)


def test_air_oil_booster() -> None:
    """Esposito, Example 3-6, p. 91: 100 psi on 20 in2, onto 1 in2, load piston 25 in2: 50 000 lbf."""
    boosted = cylinder(20.0, 19.0).outlet_pa(100 * PSI, 0.0, True)

    assert cylinder(25.0, 1.0).force_n(boosted, 0.0, True) / POUND_FORCE == pytest.approx(50_000, rel=1e-9)


def test_pilot_pressure_of_a_three_to_one_counterbalance() -> None:
    """Power & Motion, "Understanding Counterbalance Valves": 3 to 1, setting 300 psi above the load: 100 psi."""
    pilot = counterbalance_pilot_pa(2300 * PSI, 3.0, 2000 * PSI)

    assert float(pilot) / PSI == pytest.approx(100, rel=1e-9)


def test_setting_of_a_load_holding_valve() -> None:
    """At least 1.3 times the highest load-induced pressure: taught by the trade, common practice, no source."""
    assert pytest.approx(1.3) == SETTING_FACTOR


def test_nominal_pressures() -> None:
    """ISO 3322 nominal cylinder pressures in bar, from memory: each is among the sizes that are advised."""
    assert {10, 16, 25, 40, 63, 100, 160, 200, 250, 315, 400, 500} <= set(NOMINAL_BAR)


# -- motors -----------------------------------------------------------------------------------------------------------


def motor(displacement_m3_rev: float) -> Motor:
    return Motor(
        displacement_m3_rev=displacement_m3_rev, gear_ratio=1.0, volumetric_efficiency=1.0, mechanical_efficiency=1.0
    )


def test_five_inch_motor() -> None:
    """Esposito, Example 7-2, p. 259: 5 in3 a turn, 1000 psi, 10 gpm: 462 rpm, 795 in lb, 5.83 hp."""
    one = motor(5 * INCH**3)
    speed = one.speed_per_flow_rad_m3() * 10 * GPM
    torque = one.torque_n_m(1000 * PSI)

    assert speed * 60 / (2 * math.pi) == pytest.approx(462, rel=1e-6)
    assert torque / (POUND_FORCE * INCH) == pytest.approx(795, rel=2e-3)
    assert torque * speed / HORSEPOWER == pytest.approx(5.83, rel=2e-3)


def test_vane_rotary_actuator() -> None:
    """Esposito, Example 7-1, p. 248: vane from 0.5 to 1.5 in, 1 in wide, 1000 in lb: 1000 psi."""
    volume = math.pi * (1.5**2 - 0.5**2) * 1.0 * INCH**3
    one = motor(volume)

    pressure = over(np.array(1000 * POUND_FORCE * INCH), np.array(one.displacement_m3_rad()))

    assert float(pressure) / PSI == pytest.approx(1000, rel=1e-9)


def test_torque_of_a_shaft_power() -> None:
    """Esposito, Example 3-16, p. 114: 10 kW at 1450 rpm: 65.9 N m (constant 9550)."""
    flow = 100 * L_MIN
    pressure = 10_000 / flow
    one = motor(flow * 60 / 1450)

    assert one.speed_per_flow_rad_m3() * flow * 60 / (2 * math.pi) == pytest.approx(1450, rel=1e-9)
    assert one.torque_n_m(pressure) == pytest.approx(65.9, rel=1e-3)


# -- columns ----------------------------------------------------------------------------------------------------------


def test_euler_column_of_a_round_link() -> None:
    """Wentzell, Machine Design, Example 3.5, p. 53: 5/8 in, 30 in, pinned, E 30e6 psi, yield 42 ksi: L/r 192, constant
    118.74, 2464.16 lbf.
    """
    diameter = 0.625 * INCH
    column = Column(
        area_m2=math.pi / 4 * diameter**2,
        second_moment_m4=math.pi / 64 * diameter**4,
        effective_length_m=30 * INCH,
        yield_pa=42_000 * PSI,
        elasticity_pa=30e6 * PSI,
    )

    assert column.is_long
    assert column.slenderness == pytest.approx(192, rel=1e-6)
    assert column.constant == pytest.approx(118.74, rel=1e-4)
    assert column.buckling_load_n() / POUND_FORCE == pytest.approx(2464.16, rel=1e-4)


def test_johnson_column() -> None:
    """Wentzell, Example 3.6, p. 55: 60 in, end factor 0.65, 2.26 in2, 0.764 in4, yield 36 ksi, factor 2: L/r 67.08,
    constant 128.25, 35 116.5 lbf allowed.
    """
    column = Column(
        area_m2=2.26 * INCH**2,
        second_moment_m4=0.764 * INCH**4,
        effective_length_m=0.65 * 60 * INCH,
        yield_pa=36_000 * PSI,
        elasticity_pa=30e6 * PSI,
    )

    assert not column.is_long
    assert column.slenderness == pytest.approx(67.08, rel=1e-4)
    assert column.constant == pytest.approx(128.25, rel=1e-4)
    assert column.buckling_load_n() / 2 / POUND_FORCE == pytest.approx(35_116.5, rel=1e-4)


def test_column_of_a_rolled_section() -> None:
    """Hibbeler, Mechanics of Materials, Example 13.2, p. 668: I 29 and 9.32 in4, E 29e3 ksi, the weak axis braced to
    100.8 in, the strong one 144 in with both ends as built: 263 kip governs.
    """
    weak = Column(
        area_m2=9.0 * INCH**2,  # decides no more than that it is a long one
        second_moment_m4=9.32 * INCH**4,
        effective_length_m=100.8 * INCH,
        yield_pa=1e12,  # Euler alone: the book compares yield apart
        elasticity_pa=29e6 * PSI,
    )

    assert weak.is_long
    assert weak.buckling_load_n() / (1000 * POUND_FORCE) == pytest.approx(263, rel=3e-3)


def test_usual_factor_lies_where_the_trade_has_it() -> None:
    """Buckling factor of a cylinder's rod 3 to 5, often 3.5 at least; pinned ends: common practice, no source."""
    default = {field.name: field.default for field in CylinderDrive.__dataclass_fields__.values()}

    assert 3 <= default["buckling_factor"] <= 5
    assert float(default["buckling_factor"]) == 3.5
    assert default["end_factor"] == 1


@pytest.mark.parametrize(("end_factor", "times"), [(2.0, 0.25), (1.0, 1.0), (0.7, 2.04), (0.5, 4.0)])
def test_four_cases_of_euler(end_factor: float, times: float) -> None:
    """Euler's four cases, any textbook of strength of materials: 1/4, 1, 2.04 (usually written 2) and 4 times the
    pinned column.
    """
    pinned, other = (round_column(0.020, 3.0, factor, 350e6).buckling_load_n() for factor in (1.0, end_factor))

    assert other / pinned == pytest.approx(times, rel=1e-3)


# -- levers -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("load_arm_in", "cylinder_arm_in", "force_lbf"), [(10, 10, 1000), (10, 20, 500), (20, 10, 2000)]
)
def test_three_classes_of_levers(load_arm_in: float, cylinder_arm_in: float, force_lbf: float) -> None:
    """Esposito, Example 6-5, p. 227: 1000 lbf, arms of 10 in, cylinder square to the lever: first class 1000, second
    500, third 2000 lbf.
    """
    one = cylinder(4.0, 1.0)
    torque = 1000 * POUND_FORCE * load_arm_in * INCH

    pressure = over(np.array(torque), np.array(one.cap_area_m2 * cylinder_arm_in * INCH))

    assert one.force_n(float(pressure), 0.0, True) / POUND_FORCE == pytest.approx(force_lbf, rel=1e-9)


def test_muscle_on_a_short_lever() -> None:
    """OpenStax, College Physics, module m42175: biceps 4.0 cm from the elbow, forearm 2.50 kg at 16.0 cm, load 4.00 kg
    at 38.0 cm: 470 N.
    """
    torque = 9.80 * (2.50 * 0.160 + 4.00 * 0.380)
    area = 1e-3

    assert float(over(np.array(torque), np.array(area * 0.040))) * area == pytest.approx(470, rel=2e-3)
