"""Two metering edges in all four quadrants: balance, energy, limits between the regimes, compensator, drive to flow."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from mapper.machine.oil.metering import (
    AS_ASKED,
    BACKWARDS,
    HELD,
    METERED,
    OVERRUNNING,
    Lines,
    Section,
    compensated,
    drive_flow_range,
    edge_flow_m3_s,
    section_of,
    steady,
)
from mapper.profile.profile import ValveSide

BAR = 1e5
CAP, ROD = 3117e-6, 1860e-6
SECTION = section_of(25 / 60_000, 20 * BAR)
LINES = Lines(supply_pa=210 * BAR, tank_pa=3 * BAR)
SIDES = [(CAP, ROD), (ROD, CAP)]
LOADS = np.linspace(-500e3, 120e3, 621)


def test_rated_flow_passes_at_the_rated_drop_over_both_edges():
    got = steady(SECTION, (1e-3, 1e-3), Lines(supply_pa=20 * BAR, tank_pa=0.0), 0.0)

    assert float(got.speed) * 1e-3 == pytest.approx(25 / 60_000)
    assert float(got.inlet_pa) == pytest.approx(10 * BAR)
    assert float(got.outlet_pa) == pytest.approx(10 * BAR)


@pytest.mark.parametrize("displacement", SIDES)
@pytest.mark.parametrize("check_valve", [True, False])
def test_forces_balance_and_each_edge_passes_what_its_side_moves(displacement, check_valve):
    inlet, outlet = displacement
    got = steady(SECTION, displacement, LINES, LOADS, 0.4, check_valve=check_valve)

    assert np.allclose(inlet * got.inlet_pa - outlet * got.outlet_pa, LOADS, atol=1e-6)
    through_outlet = edge_flow_m3_s(SECTION.outlet, 0.4, got.outlet_pa - LINES.tank_pa)
    open_out = got.regime != BACKWARDS  # the emptying side may be void when running backwards
    assert np.allclose(through_outlet[open_out], (outlet * got.speed)[open_out], atol=1e-12)
    through_inlet = edge_flow_m3_s(SECTION.inlet, 0.4, LINES.supply_pa - got.inlet_pa)
    open_in = (got.regime == METERED) | (got.regime == BACKWARDS)
    assert np.allclose(through_inlet[open_in], (inlet * got.speed)[open_in], atol=1e-12)


@pytest.mark.parametrize("displacement", SIDES)
@pytest.mark.parametrize("check_valve", [True, False])
@pytest.mark.parametrize("least_bar", [0.0, 3.0])
def test_no_more_power_comes_out_than_goes_in(displacement, check_valve, least_bar):
    """Pump, or whatever fills a void, and a pulling load give; a resisting load and the tank line take."""
    inlet, outlet = displacement
    lines = Lines(supply_pa=LINES.supply_pa, tank_pa=LINES.tank_pa, inlet_least_pa=least_bar * BAR)
    got = steady(SECTION, displacement, lines, LOADS, check_valve=check_valve)
    fed_pa = np.where(got.regime == OVERRUNNING, least_bar * BAR, LINES.supply_pa)
    left_pa = np.where((got.regime == BACKWARDS) & (got.outlet_pa <= least_bar * BAR), least_bar * BAR, LINES.tank_pa)

    lost_w = fed_pa * inlet * got.speed - left_pa * outlet * got.speed - LOADS * got.speed

    assert np.all(lost_w >= -1e-6)
    assert np.all(lost_w[got.speed != 0.0] > 0.0)


@pytest.mark.parametrize("displacement", SIDES)
def test_speed_falls_with_the_load_without_a_jump(displacement):
    loads = np.linspace(-500e3, 120e3, 200_001)
    got = steady(SECTION, displacement, LINES, loads, check_valve=False)

    assert np.all(np.diff(got.speed) < 0.0)
    assert set(np.unique(got.regime)) == {METERED, OVERRUNNING, BACKWARDS}
    for one, two in ((OVERRUNNING, METERED), (METERED, BACKWARDS)):
        at = int(np.flatnonzero((got.regime[:-1] == one) & (got.regime[1:] == two))[0])
        assert got.speed[at] == pytest.approx(got.speed[at + 1], abs=8e-3)  # a root at 0
        assert got.inlet_pa[at] == pytest.approx(got.inlet_pa[at + 1], abs=2e3)


def test_a_load_is_held_only_where_the_pressure_does_not_reach():
    most = CAP * 210 * BAR - ROD * 3 * BAR

    lighter, heavier = steady(SECTION, (CAP, ROD), LINES, np.array([most - 1.0, most + 1.0])).regime
    free = steady(SECTION, (CAP, ROD), LINES, most + 1.0, check_valve=False)

    assert lighter == METERED
    assert heavier == HELD
    assert free.regime == BACKWARDS
    assert float(free.speed) < 0.0


def test_held_load_stands_on_the_inlet_side():
    got = steady(SECTION, (CAP, ROD), LINES, 100e3)

    assert float(got.speed) == 0.0
    assert float(got.inlet_pa) == pytest.approx((100e3 + ROD * 3 * BAR) / CAP)


def test_overrunning_load_is_left_to_the_outlet_edge():
    load = -60e3
    pushed = 60e3 / CAP
    by_hand = 0.1 * SECTION.outlet * math.sqrt(pushed - 3 * BAR) / CAP

    low = steady(SECTION, (ROD, CAP), Lines(supply_pa=10 * BAR, tank_pa=3 * BAR), load, 0.1)

    assert low.regime == OVERRUNNING
    assert float(low.speed) == pytest.approx(by_hand)
    assert float(low.inlet_pa) == 0.0


def test_anti_cavitation_lets_the_load_run_a_little_faster():
    """The filled inlet side presses too."""
    void = steady(SECTION, (CAP, ROD), Lines(supply_pa=5 * BAR, tank_pa=3 * BAR), -30e3)
    filled = steady(SECTION, (CAP, ROD), Lines(supply_pa=5 * BAR, tank_pa=3 * BAR, inlet_least_pa=3 * BAR), -30e3)

    assert void.regime == filled.regime == OVERRUNNING
    assert float(filled.speed) > float(void.speed)


def test_opening_scales_speed_and_leaves_pressures():
    half, full = (steady(SECTION, (CAP, ROD), LINES, LOADS, opening) for opening in (0.5, 1.0))

    assert np.allclose(half.speed, 0.5 * full.speed)
    assert np.array_equal(half.inlet_pa, full.inlet_pa)
    assert np.array_equal(half.outlet_pa, full.outlet_pa)


def test_unequal_edges_share_the_drop_with_the_square_of_their_flow_over_constant():
    section = Section(inlet=2 * SECTION.inlet, outlet=SECTION.outlet)
    got = steady(section, (CAP, ROD), LINES, 0.0)

    inlet_drop, outlet_drop = 210 * BAR - float(got.inlet_pa), float(got.outlet_pa) - 3 * BAR
    assert inlet_drop / outlet_drop == pytest.approx((CAP / 2 / ROD) ** 2)


def test_compensator_keeps_the_flow_until_its_drop_is_gone():
    asked = 20 / 60_000
    loads = np.linspace(0.0, 70e3, 2001)
    got = compensated(SECTION, (CAP, ROD), LINES, loads, asked, 0.8)
    plain = steady(SECTION, (CAP, ROD), LINES, loads, 0.8)
    short = plain.speed < asked / CAP

    assert np.allclose(got.speed[~short] * CAP, asked)
    assert np.all(got.regime[~short] == AS_ASKED)
    assert np.array_equal(got.speed[short], plain.speed[short])
    assert 0 < int(np.count_nonzero(short)) < loads.size
    # What is left for compensator and inlet edge: never less than the inlet edge's drop at that flow.
    spare = 210 * BAR - got.inlet_pa[~short]
    assert np.all(spare >= (asked / (0.8 * SECTION.inlet)) ** 2 - 1.0)


def test_compensator_cannot_hold_a_load_that_pulls_harder_than_its_outlet_edge():
    """Extending, the outlet edge takes (rod / cap area)^2 of 10 bar at rated flow: 3.6 bar and the tank line."""
    asked = 25 / 60_000
    edge = (ROD * asked / CAP / SECTION.outlet) ** 2 + 3 * BAR
    below, above = -0.99 * edge * ROD, -4.0 * edge * ROD

    kept = compensated(SECTION, (CAP, ROD), LINES, below, asked)
    ahead = compensated(SECTION, (CAP, ROD), LINES, above, asked)

    assert kept.regime == AS_ASKED
    assert float(kept.speed) * CAP == pytest.approx(asked)
    assert ahead.regime == OVERRUNNING
    assert float(ahead.speed) * CAP > 1.5 * asked
    assert float(ahead.speed) == pytest.approx(SECTION.outlet * math.sqrt(4.0 * edge - 3 * BAR) / ROD)


def test_nothing_asked_moves_nothing():
    got = compensated(SECTION, (CAP, ROD), LINES, 10e3, 0.0, 0.0)

    assert float(got.speed) == 0.0


SIDE = ValveSide(
    crack=Fraction(20, 100),
    crack_min=Fraction(17, 100),
    jump=Fraction(17, 100),
    points=((Fraction(20, 100), Fraction(0)), (Fraction(60, 100), Fraction(40, 100)), (Fraction(1), Fraction(1))),
)


def test_drive_gives_a_band_of_flow():
    """Half the hysteresis of 4 % to the right; to the left the 3 % by which the smallest crack point lies lower."""
    least, most = drive_flow_range(SIDE, 0.04, np.array([0.0, 0.17, 0.19, 0.60, 1.0]))

    assert least.tolist() == pytest.approx([0.0, 0.0, 0.0, 0.38, 0.97])
    assert most.tolist() == pytest.approx([0.0, 0.0, 0.02, 0.445, 1.045])


def test_pressure_scales_the_band_with_its_root():
    least, most = drive_flow_range(SIDE, 0.04, 0.8, (0.25, 4.0))
    plain_least, plain_most = drive_flow_range(SIDE, 0.04, 0.8)

    assert float(least) == pytest.approx(0.5 * float(plain_least))
    assert float(most) == pytest.approx(2.0 * float(plain_most))
