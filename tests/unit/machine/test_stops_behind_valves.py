"""Stops whose oil is shut in by a valve at the actuator, or clamped between the edges of a plain spool."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from dynamics_case import kerb

from mapper.machine.oil.oil_spring import CAP, ROD, stiff_columns
from mapper.machine.oil.pressure import metered_outlet_pa
from mapper.machine.stop.running import ramp_peaks_pa
from mapper.machine.stop.stopping import CATEGORY_0, caps_pa, stop_arrays

BAR = 1e5


def plain_swing(**more):
    """Double-acting 63/40, uncompensated, reliefs far away, level ground."""
    return kerb("boom_swing", 100.0, holding__setting_pa=Fraction(70_000_000), valve__compensated=False, **more)


def at_zero(physics):
    return int(np.argmin(np.abs(physics.envelope.q_rad)))


def metered(physics, pull_n_m=0.0):
    """Rod side of an extending cylinder by hand, equal edges: X over the inlet edge, r^2 X over the outlet edge, and
    ps - X = r (pt + r^2 X) - pull / cap.
    """
    at = at_zero(physics)
    cap, rod = (float(side) for side in stiff_columns(physics).displacement_m3_rad[:, at])
    supply = physics.profile.supply
    relief, tank, r = float(supply.relief_pa), float(supply.tank_pa), rod / cap
    drop = (relief - r * tank + pull_n_m / cap) / (1 + r**3)
    assert relief - drop > 0.0  # the inlet side is still fed: the load does not run ahead
    return tank + r**2 * drop


@pytest.mark.parametrize("kind", ["pilot_check", "double_counterbalance"])
def test_relief_at_the_valve_does_not_reach_oil_that_is_shut_in_at_the_actuator(kind):
    setting = None if kind == "pilot_check" else Fraction(22_000_000)
    physics = kerb(
        "boom_lift",
        3087.0,
        (-10_800.0, -10_800.0),
        holding__kind=kind,
        holding__setting_pa=setting,
        holding__port_relief_pa=Fraction(15_000_000),
    )
    own = math.inf if setting is None else 235 * BAR  # 220 and (1 + 4) x 3 of the tank line
    found = stop_arrays(physics, 1, CATEGORY_0)

    assert caps_pa(physics) == (own, own)
    assert np.max(found.peak_pa[CAP]) > 150 * BAR


def test_outlet_edge_of_a_plain_spool_holds_back_pressure():
    physics = plain_swing()

    assert metered_outlet_pa(physics, 0)[0, at_zero(physics)] == pytest.approx(metered(physics), rel=1e-9)


def test_no_edge_is_counted_behind_a_counterbalance():
    physics = plain_swing(holding__kind="double_counterbalance", holding__pilot_ratio=Fraction(4))

    assert not metered_outlet_pa(physics, 0).any()


def test_ramp_of_a_plain_spool_is_no_less_than_what_its_outlet_edge_holds_back():
    physics, rate = plain_swing(), math.radians(5)
    at, gain = at_zero(physics), physics.model.gain_spread(0)[1]
    pull = 100.0 * gain * rate * 1.5266  # damping 0.2
    found = ramp_peaks_pa(physics, 0, rate)[ROD][0, at]

    assert found == pytest.approx(metered(physics, pull), rel=1e-4)
    rod = float(stiff_columns(physics).displacement_m3_rad[ROD, at])
    assert found > 2 * (pull / rod + 3 * BAR)


def test_sudden_stop_begins_at_what_drives_against_the_outlet_edge():
    """Energy by a fine table: the rod side takes it up, the cap side drives until it is empty."""
    physics = plain_swing()
    at, w0 = at_zero(physics), math.radians(37)
    ko, kc = stiff_columns(physics).stiffness_n_m_rad(1.6e9)[:, at]
    cap, rod = stiff_columns(physics).displacement_m3_rad[:, at]
    before = metered(physics)
    rate = math.radians(float(physics.joint.limits.acceleration_deg_s2))
    ramp = 100.0 * physics.model.gain_spread(0)[1] * rate * 1.5266
    energy, driving = 0.5 * (w0 * 10.0 + ramp / math.sqrt(kc)) ** 2, rod * before
    x = np.linspace(0, 0.05, 1_000_001)
    # Net torque against the motion: what the rod side gains and the cap side loses, down to nothing.
    against = kc * x + driving - np.maximum(driving - ko * x, 0.0)
    spent = np.concatenate([[0.0], np.cumsum(0.5 * (against[1:] + against[:-1]) * np.diff(x))])
    expected = before + kc * x[np.searchsorted(spent, energy)] / rod + 3 * BAR * cap / rod

    assert stop_arrays(physics, 0, CATEGORY_0).free_pa[ROD][0, at] == pytest.approx(expected, rel=1e-3)
