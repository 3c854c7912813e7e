"""Metering edges against the orifice and control-valve functions of the library fluids (MIT licence)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from mapper.machine.oil.metering import Lines, edge_constant, edge_flow_m3_s, orifice_constant, section_of, steady
from mapper.machine.oil.valve import flow_m3_s

fluids = pytest.importorskip("fluids")

pytestmark = pytest.mark.outside

L_MIN, BAR, WATER = 1e-3 / 60, 1e5, 999.10329075702327
"""Density of water at 15 deg C that IEC 60534-2-1 refers to, as fluids has it."""


def kv_m3_h(constant: float, density_kg_m3: float) -> float:
    """Kv of an edge: m3/h of water at 1 bar."""
    return constant * math.sqrt(density_kg_m3 / WATER) * math.sqrt(BAR) * 3600


@pytest.mark.parametrize("drop_pa", np.geomspace(1 * BAR, 250 * BAR, 12))
def test_orifice_law(drop_pa: float) -> None:
    """fluids.flow_meter.flow_meter_discharge (ISO 5167-2 flow equation): 4 mm orifice in a 20 mm line, C 0.61, oil; its
    velocity of approach is divided out.
    """
    diameter, line, discharge, density = 0.004, 0.020, 0.61, 870.0
    theirs = fluids.flow_meter.flow_meter_discharge(
        D=line, Do=diameter, P1=260 * BAR, P2=260 * BAR - drop_pa, rho=density, C=discharge, expansibility=1.0
    )
    approach = 1 / math.sqrt(1 - (diameter / line) ** 4)

    constant = orifice_constant(math.pi / 4 * diameter**2, discharge, density)

    assert float(edge_flow_m3_s(constant, 1.0, drop_pa)) == pytest.approx(theirs / density / approach, rel=1e-12)


def test_metering_nozzle_of_the_standard() -> None:
    """ISO 5167 flow equation as in the documentation of fluids 1.3.1: D 73.9 mm, Do 22.2 mm, 1 kPa, 1.1646 kg/m3,
    C 0.5988, expansibility 0.9975: 0.01120390943807026 kg/s.
    """
    approach = 1 / math.sqrt(1 - (0.0222 / 0.0739) ** 4)
    constant = orifice_constant(math.pi / 4 * 0.0222**2, 0.5988 * 0.9975, 1.1646)

    mass_flow = float(edge_flow_m3_s(constant, 1.0, 1e3)) * 1.1646 * approach

    assert mass_flow == pytest.approx(0.01120390943807026, rel=1e-9)


def test_discharge_coefficient_of_the_standard_is_in_the_usual_range() -> None:
    """Reader-Harris/Gallagher (ISO 5167) by fluids: a sharp-edged orifice has a coefficient of 0.6 to 0.65 (M. G.
    Rabie, Fluid Power Engineering, p. 27).
    """
    theirs = fluids.flow_meter.C_Reader_Harris_Gallagher(
        D=0.07391, Do=0.0222, rho=1.165, mu=1.85e-5, m=0.12, taps="flange"
    )

    assert theirs == pytest.approx(0.5990326277163659, rel=1e-9)
    assert 0.59 < theirs < 0.65


@pytest.mark.parametrize("drop_bar", [10, 35, 70, 140])
def test_rated_flow_is_a_constant_kv(drop_bar: float) -> None:
    """fluids.control_valve.size_control_valve_l (IEC 60534-2-1): 40 l/min rated at 70 bar has one Kv at every drop."""
    flow = flow_m3_s(40 * L_MIN, 70 * BAR, drop_bar * BAR)
    theirs = fluids.control_valve.size_control_valve_l(
        rho=870.0, Psat=1.0, Pc=1e9, mu=0.04, P1=300 * BAR, P2=(300 - drop_bar) * BAR, Q=flow
    )

    assert kv_m3_h(edge_constant(40 * L_MIN, 70 * BAR), 870.0) == pytest.approx(theirs, rel=1e-6)


def test_kv_of_a_section_at_ten_bar() -> None:
    """fluids 1.3.1: 40 l/min of 870 kg/m3 at 10 bar: Kv 0.708216."""
    assert kv_m3_h(edge_constant(40 * L_MIN, 10 * BAR), 870.0) == pytest.approx(0.708216, rel=1e-6)


def test_us_and_metric_capacity() -> None:
    """fluids.control_valve.Kv_to_Cv (IEC 60534-2-1: Kv = 0.865 Cv): an edge of Kv 2 has Cv 2.3122."""
    gpm, psi = 231 * 0.0254**3 / 60, 4.4482216152605 / 0.0254**2
    constant = 2.0 / 3600 / math.sqrt(BAR)  # water, m3/s per root Pa

    assert constant / (gpm / math.sqrt(psi)) == pytest.approx(fluids.control_valve.Kv_to_Cv(2.0), rel=1e-3)
    assert fluids.control_valve.Kv_to_Cv(2.0) == pytest.approx(2.3121984567073133, rel=1e-12)


@pytest.mark.parametrize(
    ("case", "published"),
    [
        (
            {"rho": 965.4, "Psat": 70.1e3, "Pc": 22120e3, "mu": 3.1472e-4, "P1": 680e3, "P2": 220e3, "Q": 0.1},
            164.9954763704956,
        ),
        ({"rho": 780.0, "Psat": 4e3, "Pc": 22120e3, "mu": 8e-3, "P1": 2e6, "P2": 1.95e6, "Q": 0.05}, None),
    ],
)
def test_sizing_without_fittings_is_the_root_law(case: dict[str, float], published: float | None) -> None:
    """IEC 60534-2-1, example 1 (globe valve: Kv 164.9954763704956, fluids 1.3.1 documentation), and a mild case:
    turbulent, not choked, no fittings: the root law alone.
    """
    theirs = fluids.control_valve.size_control_valve_l(**case)
    own = kv_m3_h(edge_constant(case["Q"], case["P1"] - case["P2"]), case["rho"])

    assert own == pytest.approx(theirs, rel=1e-6)
    if published is not None:
        assert own == pytest.approx(published, rel=1e-6)


def test_two_edges_in_series_are_one_valve_of_less_capacity() -> None:
    """Capacities in series, 1 / Kv^2 = 1 / Kv1^2 + 1 / Kv2^2 (any textbook), through the Kv of fluids; equal areas."""
    section = section_of(25 * L_MIN, 20 * BAR)
    got = steady(section, (1e-3, 1e-3), Lines(supply_pa=150 * BAR, tank_pa=0.0), 0.0)
    theirs = fluids.control_valve.size_control_valve_l(
        rho=870.0, Psat=1.0, Pc=1e9, mu=0.04, P1=300 * BAR, P2=150 * BAR, Q=float(got.speed) * 1e-3
    )

    one = kv_m3_h(section.inlet, 870.0)
    assert theirs == pytest.approx(one / math.sqrt(2), rel=1e-6)
