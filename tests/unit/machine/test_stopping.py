"""Stops against energy balances, the worked numbers of the arm, and what must make them longer or shorter."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from dynamics_case import kerb, lump, physics_of
from make_profile import changed, with_electric_joint

from mapper.machine.oil.oil_spring import CAP, ROD, soft_columns, softest_n_m_rad, stiff_columns
from mapper.machine.stop.running import overshoot, ramp_peaks_pa, running_outlet_pa, runs_ahead, start_speed_rad_s
from mapper.machine.stop.stopping import (
    CATEGORY_0,
    CATEGORY_1,
    KINDS,
    RELEASE,
    blocked_deflection_rad,
    caps_pa,
    effect_s,
    opens_pa,
    stop_arrays,
    stop_bounds,
    tip_radius_m,
    yield_distance_rad,
)

BAR = 1e5
LIFT_TORQUE = (-10_800.0, -10_800.0)
HELD = {
    "holding__kind": "double_counterbalance",
    "holding__setting_pa": Fraction(23_000_000),
    "holding__pilot_ratio": Fraction(4),
    "holding__vented": False,
}


def array(*values):
    return np.array(values, dtype=float)


def swing(**more):
    return kerb("boom_swing", 3139.0, radius=3.13, **more)


def lift(**more):
    return kerb("boom_lift", 3087.0, LIFT_TORQUE, radius=3.13, **more)


def at_zero(physics):
    return int(np.argmin(np.abs(physics.envelope.q_rad)))


@pytest.mark.parametrize(("setting_bar", "deg", "mm"), [(155, 1.9, 105), (220, 0.9, 49)])
def test_loaded_lift_runs_on_through_its_counterbalance(setting_bar, deg, mm):
    """Worked out apart: lift at 20 deg/s, loaded, runs on by 1.9 deg = 105 mm set at 155 bar, 0.9 deg at 220 bar.

    That is at full reach, 0 deg, with rigid oil: 1.93 deg (1.4 % off), 0.87 deg (3 %).
    """
    physics = lift()
    cap = float(soft_columns(physics).displacement_m3_rad[CAP, at_zero(physics)])
    energy = array(0.5 * 3087.0 * math.radians(20) ** 2)
    found = yield_distance_rad(energy, array(cap * setting_bar * BAR - 10_800.0), array(1e15))[0]

    assert math.degrees(found) == pytest.approx(deg, rel=0.04)
    assert 3130 * found == pytest.approx(mm, rel=0.04)


def test_blocked_swing_makes_hundreds_of_bar_on_its_rod_side():
    """Worked out apart: blocking the loaded swing at 25 deg/s adds about 607 bar on the rod side.

    With the whole stiffness, all of it on the rod side, where the frequency is lowest: 577 bar, 5 % less. The rod
    side's oil alone can take up the energy at 467 bar, and at 661 bar when it holds no air; 607 lies between.
    """
    physics, energy = swing(), array(0.5 * 3139.0 * math.radians(25) ** 2)
    columns = soft_columns(physics)
    cap, rod = columns.stiffness_n_m_rad(0.8e9)
    softest = int(np.argmin(cap + rod))
    per_bar = float(columns.displacement_m3_rad[ROD, softest]) * BAR
    both = math.radians(25) * math.sqrt(3139.0 * (cap + rod)[softest]) / per_bar
    alone = [
        rod[softest] * stiff * blocked_deflection_rad(energy, (array(rod[softest] * stiff), array(1.0)), array(0.0))[0]
        for stiff in (1.0, 2.0)
    ]

    assert both == pytest.approx(607, rel=0.07)
    assert alone[0] / per_bar < 607 < alone[1] / per_bar


def test_swing_yields_through_its_port_relief():
    """Worked out apart: with a 230 bar port relief it yields over 2.2 deg = 121 mm.

    Rigid oil and no pressure on the other side: 1.9 deg at 0 deg, where the lever arm is long; with the pump's margin
    of 18 bar still on the cap side 2.2 deg (0.2 % off).
    """
    physics, energy = swing(), array(0.5 * 3139.0 * math.radians(25) ** 2)
    cap, rod = soft_columns(physics).displacement_m3_rad[:, at_zero(physics)]
    plain, fed = (yield_distance_rad(energy, array(rod * 230 * BAR - cap * p * BAR), array(1e15))[0] for p in (0, 18))

    assert math.degrees(plain) == pytest.approx(1.9, rel=0.02)
    assert math.degrees(fed) == pytest.approx(2.2, rel=0.02)
    assert 3130 * fed == pytest.approx(121, rel=0.02)


def test_overshoot_of_a_step():
    assert [overshoot(z) for z in (0.1, 0.2, 1.0, 3.0)] == pytest.approx([0.7292, 0.5266, 0.0, 0.0], abs=1e-4)


def test_blocked_oil_takes_up_just_the_energy():
    rng = np.random.default_rng(1)
    energy, kc, ko = (rng.uniform(*ends, 500) for ends in ((1, 2000), (1e4, 1e6), (1e4, 1e6)))
    borne = rng.uniform(0, 2e4, 500)
    x = blocked_deflection_rad(energy, (kc, ko), borne)
    reach = borne / ko
    other = np.where(x <= reach, 0.5 * ko * x**2, borne * (x - 0.5 * reach))

    assert 0.5 * kc * x**2 + other == pytest.approx(energy, rel=1e-9)
    assert np.any(x < reach)
    assert np.any(x > reach)


def test_yield_spends_just_the_energy():
    rng = np.random.default_rng(2)
    energy, net, k = (rng.uniform(*ends, 500) for ends in ((1, 2000), (500, 4e4), (1e4, 1e6)))
    x = yield_distance_rad(energy, net, k)
    spent = np.where(k * x <= net * (1 + 1e-12), 0.5 * k * x**2, net * (x - net / k) + 0.5 * net**2 / k)

    assert spent == pytest.approx(energy, rel=1e-9)


def test_softer_oil_never_shortens_the_yield():
    k = np.geomspace(1e3, 1e7, 200)
    x = yield_distance_rad(np.full(200, 400.0), np.full(200, 5000.0), k)

    assert np.all(np.diff(x) <= 1e-12)


def test_relief_below_the_load_stops_nothing():
    physics = lift(holding__setting_pa=Fraction(90 * 100_000))
    bound, travel = stop_bounds(physics, 1, CATEGORY_0), math.radians(90)

    assert yield_distance_rad(array(10.0), array(0.0), array(1e5))[0] == math.inf
    assert bound.distance_rad == pytest.approx(travel)
    assert bound.time_s == math.inf
    assert bound.yields


@pytest.mark.parametrize(
    ("changes", "cap_bar", "rod_bar"),
    [
        ({}, 235, math.inf),
        ({"holding__port_relief_pa": Fraction(23_000_000)}, 235, 230),
        ({"holding__port_relief_pa": Fraction(20_000_000)}, 235, 200),  # shut off from the side that is held
        ({"holding__kind": "double_counterbalance"}, 235, 235),
        ({"holding__kind": "double_counterbalance", "holding__vented": True}, 220, 220),
        ({"holding__kind": "port_relief"}, 220, 220),
        ({"holding__kind": "pilot_check", "holding__setting_pa": None}, math.inf, math.inf),
        ({"holding__kind": "none", "holding__setting_pa": None}, math.inf, math.inf),
    ],
)
def test_each_side_is_capped_by_what_sits_there(changes, cap_bar, rod_bar):
    """The load presses on the cap side, so the single counterbalance holds that: 220 bar and (1 + 4) x 3 bar of tank,
    which a vented one does not feel.
    """
    base = {"holding__port_relief_pa": None, "holding__setting_pa": Fraction(22_000_000)}
    physics = lift(**{**base, **changes})

    assert [value / BAR for value in caps_pa(physics)] == [cap_bar, rod_bar]


def test_single_counterbalance_moves_to_the_side_that_is_loaded():
    physics = kerb(
        "boom_lift",
        3087.0,
        (9000.0, 10_800.0),
        holding__port_relief_pa=None,
        holding__setting_pa=Fraction(22_000_000),
    )

    assert [value / BAR for value in caps_pa(physics)] == [math.inf, 235]


@pytest.mark.parametrize(("vented", "bar"), [(False, 220), (True, 208)])
def test_counterbalance_may_give_way_before_its_highest_pressure(vented, bar):
    """220 bar, 4:1, 3 bar in the tank line: vented, its pilot opens it 12 bar earlier; the way counts that."""
    physics = lift(holding__port_relief_pa=None, holding__vented=vented)
    at, w0 = at_zero(physics), math.radians(31)
    cap, rod = soft_columns(physics).displacement_m3_rad[:, at]
    soft = np.min(soft_columns(physics).stiffness_n_m_rad(0.8e9)[:, at])
    linkage, q = physics.model.linkage, physics.envelope.q_rad
    soft += -10_800 * float(linkage.lever_slope_m_rad(q)[at] / linkage.lever_m(q)[at])
    net = cap * bar * BAR - rod * 3 * BAR - 10_800
    hanging = 3087 * 1.3 * math.radians(20) * 1.5266 / soft
    expected = w0 * (0.051 + 0.08) + by_hand(physics, soft, w0) / net + net / (2 * soft) + hanging

    assert opens_pa(physics)[CAP] == bar * BAR
    assert stop_arrays(physics, 1, CATEGORY_0).distance_rad[0, at] == pytest.approx(expected, rel=1e-4)


def test_lowering_compresses_the_cap_side_and_lifting_the_rod_side():
    physics = lift(holding__port_relief_pa=None)
    up, down = stop_arrays(physics, 0, CATEGORY_0), stop_arrays(physics, 1, CATEGORY_0)

    assert np.max(down.free_pa[CAP]) > np.max(up.free_pa[CAP])
    assert np.max(up.free_pa[ROD]) > np.max(down.free_pa[ROD])
    assert np.max(down.peak_pa[CAP]) == pytest.approx(235 * BAR)
    assert np.max(up.peak_pa[ROD]) == pytest.approx(np.max(up.free_pa[ROD]))


def test_ramp_peak_is_running_pressure_and_inertia_with_overshoot():
    """Lift lowered, at 0 deg, by hand: 1.3 x 20 deg/s2, damping 0.2, 3 bar in the tank line. Its counterbalance is wide
    open a tenth above 220 bar, 4:1, and its pilot is the rod side: pi = (cap po - 10800) / rod.
    """
    physics = lift()
    at = at_zero(physics)
    cap, rod = (float(each[at]) for each in soft_columns(physics).displacement_m3_rad)
    torque = 3087.0 * 1.3 * math.radians(20) * (1 + 0.5266)
    running = (1.1 * 220 * BAR + 5 * 3 * BAR + 4 * 10_800.0 / rod) / (1 + 4 * cap / rod)
    assert running + 4 * (cap * running - 10_800.0) / rod == pytest.approx(1.1 * 220 * BAR + 15 * BAR)

    found = ramp_peaks_pa(physics, 1, math.radians(20))
    assert found[CAP][0, at] == pytest.approx(running + torque / cap, rel=1e-4)
    assert 0.5266 * torque - 10_800.0 < 0
    assert found[ROD][0, at] == pytest.approx(3 * BAR * cap / rod, rel=1e-6)


def test_running_pressure_is_the_balance_of_what_holds_the_outlet():
    """Swing that nothing pulls, from rod side out: wide open at po + 4 pi = setting + 15 bar + range; the check valve
    at 4 (pi - pt) = po - pt + 5 bar; the edge alone at pt + (1.3 r)^2 x half the rated drop.
    """
    counter = {"holding__kind": "double_counterbalance", "holding__pilot_ratio": Fraction(4)}
    check = {"holding__kind": "pilot_check", "holding__setting_pa": None, "holding__pilot_ratio": Fraction(4)}
    held, seated, plain = (swing(valve__rated_drop_pa=Fraction(20 * 100_000), **one) for one in (counter, check, {}))
    at = at_zero(plain)
    cap, rod = (float(each[at]) for each in soft_columns(plain).displacement_m3_rad)
    none, r = np.zeros((1, plain.envelope.q_rad.size)), rod / cap
    edge = 3 * BAR + (1.3 * r) ** 2 * 10 * BAR
    setting = float(held.joint.holding.setting_pa)

    assert running_outlet_pa(plain, 0, none)[0, at] == pytest.approx(edge, rel=1e-6)
    found = running_outlet_pa(held, 0, none)[0, at]
    assert found + 4 * rod / cap * found == pytest.approx(1.1 * setting + 15 * BAR, rel=1e-6)
    pull = none + 9000.0
    po = running_outlet_pa(seated, 0, pull)[0, at]
    pi = (rod * po - 9000.0) / cap
    assert 4 * (pi - 3 * BAR) == pytest.approx(po - 3 * BAR + 5 * BAR, rel=1e-6)
    assert running_outlet_pa(seated, 0, none)[0, at] == pytest.approx(edge + (1.3 * r) ** 2 * 10 * BAR, rel=1e-6)


def test_light_joint_flutters_on_its_seat_valve_and_a_heavy_one_does_not():
    kinds = {"holding__kind": "pilot_check", "holding__setting_pa": None, "holding__pilot_ratio": Fraction(4)}
    light, heavy = (kerb("wrist_pitch", inertia, **kinds) for inertia in (0.2, 20.0))
    seated = [ramp_peaks_pa(physics, 0, 1e-6)[ROD] for physics in (light, heavy)]
    running = [running_outlet_pa(physics, 0, np.zeros((1, 91))) for physics in (light, heavy)]
    at = at_zero(light)
    kc = stiff_columns(light).stiffness_n_m_rad(1.6e9)[ROD, at]
    rod = stiff_columns(light).displacement_m3_rad[ROD, at]
    speed = 1.3 * math.radians(float(light.joint.limits.speed_deg_s.positive))

    assert seated[0][0, at] == pytest.approx(running[0][0, at] + 2 * speed * math.sqrt(kc * 0.2) / rod, rel=1e-4)
    assert seated[1][0, at] == pytest.approx(running[1][0, at], rel=1e-4)


def test_speed_that_is_left_when_the_spool_centres_adds_to_the_ramp():
    physics = lift()
    without, left = (ramp_peaks_pa(physics, 1, math.radians(20), v)[CAP] for v in (0.0, math.radians(1)))

    assert np.all(left > without + 5 * BAR)


def test_oils_way_is_counted_from_the_real_speed_and_the_latest_effect():
    """Swing, stiff and light, so that only the oil is left: 37 deg/s, commanded 25, dead time 30 ms, 3 ticks of 7 ms,
    lag 80 ms; ramp 25 deg/s2, gain 1.3 less 2 %.
    """
    physics = kerb("boom_swing", 1e-3, limits__stop_distance_m=None, **HELD)
    late = 0.030 + 3 * 0.007

    assert effect_s(physics) == pytest.approx(late)
    cut = stop_bounds(physics, 0, CATEGORY_0)
    assert math.degrees(cut.distance_rad) == pytest.approx(37 * (late + 0.08), rel=2e-3)
    ramp = stop_bounds(physics, 0, RELEASE)
    assert math.degrees(ramp.distance_rad) == pytest.approx(37 * (late + 0.08) + 37 - 0.5 * 0.98 * 1.3 * 25, rel=2e-3)


def test_outlet_edge_lets_the_load_go_on_until_it_bites():
    """Swing from 37 deg/s behind 230 bar reliefs: lag x ln(u0 / u*) more than where the edge bites at once, which is
    at a rated drop that takes 227 bar over the outlet edge; u0 / u* = root(227 bar over 10 bar) over the sides' ratio.
    """
    wide = swing(valve__rated_drop_pa=Fraction(20 * 100_000))
    at = at_zero(wide)
    cap, rod = soft_columns(wide).displacement_m3_rad[:, at]
    bites = swing(valve__rated_drop_pa=Fraction(2 * 227 * 100_000 * (cap / rod) ** 2))
    more = math.log(math.sqrt(227 / 10) * cap / rod)
    found = [stop_arrays(physics, 0, CATEGORY_0) for physics in (wide, bites)]

    assert more > 1.5
    assert float((found[0].distance_rad - found[1].distance_rad)[0, at]) == pytest.approx(
        math.radians(37) * 0.08 * more, rel=1e-6
    )
    assert float((found[0].time_s - found[1].time_s)[0, at]) == pytest.approx(0.08 * more, rel=1e-6)


def test_edge_bound_is_above_a_closing_orifice_stepped_in_time():
    """Rigid oil, relief at 230 bar, nothing driving: I dw = -(rod p - cap pt) dt, p = pt + (rod w / u k)^2."""
    physics = swing(valve__rated_drop_pa=Fraction(20 * 100_000))
    at, w0 = at_zero(physics), math.radians(37)
    cap, rod = soft_columns(physics).displacement_m3_rad[:, at]
    bound = stop_arrays(physics, 0, CATEGORY_0).distance_rad[0, at] - w0 * effect_s(physics)
    for inertia in (50.0, 500.0, 3139.0):
        w, way, dt = w0, 0.0, 1e-5
        for step in range(200_000):
            asked = w0 * math.exp(-step * dt / 0.08)
            p = min(3 * BAR + (rod / cap * w / asked) ** 2 * 10 * BAR, 230 * BAR)
            w -= (rod * p - cap * 3 * BAR) / inertia * dt
            w = max(w, asked if inertia < 3139.0 else 0.0)
            way += w * dt
            if w < 1e-4:
                break

        assert way < bound
    assert way > 0.5 * bound


def test_ramp_behind_an_edge_runs_ahead_as_the_stepped_equation_says():
    physics, pull = kerb("boom_swing", 3139.0, (200.0, 200.0), valve__rated_drop_pa=Fraction(20 * 100_000)), 200.0
    rate, at = math.radians(25), at_zero(physics)
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, 0)
    edge = (outlet * (outlet / inlet) ** 2 * 10 * BAR)[at]
    torque, rest = 3139.0 * 1.3 * rate, pull + (inlet - outlet)[at] * 3 * BAR
    narrow = runs_ahead(physics, 0, rate, 0.7)
    r, steps = 1.0, 100_000
    for step in range(steps):
        share = 0.7 * (step + 0.5) / steps
        r += (r + rest / torque - edge / torque * r * r) / (1 - share) * 0.7 / steps

    assert narrow[0, at] >= r - 1e-4
    assert narrow[0, at] == pytest.approx(r, rel=0.1)  # that is the worst angle, which is not far off
    assert runs_ahead(physics, 0, rate, 0.0) == pytest.approx(1.0)
    assert np.all(runs_ahead(kerb("boom_swing", 3139.0, (200.0, 200.0), **HELD), 0, rate, 0.7) == 1.0)
    assert np.all(runs_ahead(kerb("boom_swing", 3139.0, (-9e4, -9e4)), 0, rate, 0.7) == 1.0)


def test_way_of_a_ramp_counts_the_speed_of_the_load_that_runs_ahead():
    """r times what is asked, at most 37 deg/s, over the second of 25 deg/s2 from 25 deg/s; then the oil's swing."""
    physics = swing(valve__rated_drop_pa=Fraction(20 * 100_000), holding__setting_pa=Fraction(10**9))
    at, rate, w0 = at_zero(physics), math.radians(25), math.radians(37)
    over = (np.arange(2000) + 0.5) / 2000
    ahead = runs_ahead(physics, 0, rate, over)[:, 0, at]
    end = runs_ahead(physics, 0, rate, 1 - 0.08)[0, at]
    oil = w0 * (effect_s(physics) + 0.08) + w0 * np.mean(np.minimum(ahead * (1 - over), 1.0))
    hanging = 3139.0 * 1.3 * rate * (1 + end) * 1.5266 / softest_n_m_rad(physics)[0, at]

    assert end > 1.5
    found = stop_arrays(physics, 0, RELEASE)
    assert not found.yields.any()
    assert found.distance_rad[0, at] == pytest.approx(oil + hanging, rel=1e-3)


def test_stop_lasts_until_a_tenth_of_a_degree_a_second_is_left():
    """Light swing behind counterbalances: it does as its oil does, 37 exp(-t / 80 ms) deg/s."""
    physics = kerb("boom_swing", 1e-3, **HELD)
    found = stop_bounds(physics, 0, CATEGORY_0).time_s
    left = 37 * math.exp(-(found - effect_s(physics)) / 0.08)

    assert left == pytest.approx(0.1, rel=0.05)


def test_leak_of_a_motor_counts_until_its_brake_bites():
    base = kerb("wrist_roll", 23.0, radius=0.166, **HELD)
    tight = kerb("wrist_roll", 23.0, radius=0.166, drive__volumetric_efficiency=Fraction(1), **HELD)
    drive, flow = base.joint.drive, float(base.joint.valve.rated_flow_m3_s)
    volume = float(drive.displacement_m3_rev) * float(drive.gear_ratio) / (2 * math.pi)
    w0 = start_speed_rad_s(base, 0)
    found, dry = (stop_arrays(physics, 0, CATEGORY_0) for physics in (base, tight))
    peak = found.peak_pa[ROD][0, 0]
    biting = 0.08 * math.log(100 * w0 * volume / flow)
    speed = 0.1 * flow / float(drive.rated_pressure_pa) * peak / volume

    more = float((found.distance_rad - dry.distance_rad)[0, 0])
    assert more > speed * biting
    assert more == pytest.approx(speed * biting, rel=0.6)  # and while the relief slows it


def by_hand(physics, stiffness, w0):
    """E of a sudden stop at 0 deg: speed, and the swing that a ramp of 1.3 x 20 deg/s2 left, at damping 0.2."""
    return 0.5 * (w0 * math.sqrt(3087.0) + 3087.0 * 1.3 * math.radians(20) * 1.5266 / math.sqrt(stiffness)) ** 2


def test_sudden_stop_of_lowering_by_hand():
    """Lift at 31 deg/s, 220 bar at the cap side, softest oil: the rod side alone, at 0 deg."""
    physics, w0 = lift(holding__port_relief_pa=None), math.radians(31)
    at = at_zero(physics)
    columns = soft_columns(physics)
    cap, rod = columns.displacement_m3_rad[:, at]
    soft = np.min(columns.stiffness_n_m_rad(0.8e9)[:, at])
    linkage, q = physics.model.linkage, physics.envelope.q_rad
    soft += -10_800 * float(linkage.lever_slope_m_rad(q)[at] / linkage.lever_m(q)[at])
    net = cap * 220 * BAR - rod * 3 * BAR - 10_800
    hanging = 3087 * 1.3 * math.radians(20) * 1.5266 / soft
    expected = w0 * (0.051 + 0.08) + by_hand(physics, soft, w0) / net + net / (2 * soft) + hanging

    assert stop_arrays(physics, 1, CATEGORY_0).distance_rad[0, at] == pytest.approx(expected, rel=1e-4)


def test_sudden_stop_of_lifting_by_hand():
    """The cap side bears the load and gives it up: what is left goes into the rod side's oil, stiffest, no hose."""
    physics, w0 = lift(holding__port_relief_pa=None), math.radians(31)
    at = at_zero(physics)
    columns = stiff_columns(physics)
    ko, kc = columns.stiffness_n_m_rad(1.6e9)[:, at]
    cap, rod = columns.displacement_m3_rad[:, at]
    # Lifting, the rod side's edge holds back: 1.3 times the rated flow on the cap side, 10 bar an edge at rated flow.
    back = 3 * BAR + (1.3 * rod / cap) ** 2 * 10 * BAR
    energy, borne = by_hand(physics, kc, w0), 10_800.0 + rod * back
    x = np.linspace(0, 0.2, 2_000_001)
    taken = 0.5 * kc * x**2 + np.where(ko * x < borne, 0.5 * ko * x**2, borne * x - borne**2 / (2 * ko))
    expected = kc * x[np.searchsorted(taken, energy)] / rod + back + 3 * BAR * cap / rod

    assert stop_arrays(physics, 0, CATEGORY_0).free_pa[ROD][0, at] == pytest.approx(expected, rel=1e-3)


def test_deadline_cuts_the_ramp():
    long, short = swing(), swing()
    stop = replace(short.profile.emergency_stop, release_deadline_s=Fraction(2, 10))
    short = replace(short, profile=replace(short.profile, emergency_stop=stop))
    bounds = [stop_bounds(physics, 1, RELEASE) for physics in (long, short)]

    assert bounds[1].distance_rad < bounds[0].distance_rad
    assert not bounds[0].yields
    assert bounds[1].yields


def test_category_1_waits_for_its_relay_and_not_for_the_release_deadline():
    physics = swing()
    stop = replace(physics.profile.emergency_stop, release_deadline_s=Fraction(2), delayed_off_relay_s=Fraction(3, 10))
    physics = replace(physics, profile=replace(physics.profile, emergency_stop=stop))

    assert stop_bounds(physics, 1, CATEGORY_1).time_s != stop_bounds(physics, 1, RELEASE).time_s


WORSE = {
    "limits.speed_never_above_deg_s.negative": Fraction(45),
    "tolerances.lag_s.upper": Fraction(2, 10),
    "tolerances.dead_time_s.upper": Fraction(2, 10),
    "holding.setting_pa": Fraction(15_000_000),
    "hoses.length_m": Fraction(8),
    "tolerances.damping_ratio": Fraction(2, 100),
}


@pytest.mark.parametrize("path", WORSE)
def test_sudden_stop_grows_with_everything_that_is_worse(path):
    base = lift()
    worse = replace(base, joint=changed(base.joint, path, WORSE[path]))

    assert stop_bounds(worse, 1, CATEGORY_0).distance_rad > stop_bounds(base, 1, CATEGORY_0).distance_rad


def test_heavier_load_goes_farther_and_a_pull_against_the_motion_helps():
    light, heavy, helped = (
        kerb("boom_lift", i, t, **HELD) for i, t in ((1000, (0, 0)), (4000, (0, 0)), (4000, (3000, 3000)))
    )
    found = [stop_bounds(physics, 1, CATEGORY_0).distance_rad for physics in (light, heavy, helped)]

    assert found[0] < found[1]
    assert found[2] < found[1]


def test_worst_place_is_named_where_the_load_goes_farthest():
    physics = lift()
    found = stop_arrays(physics, 1, CATEGORY_0)
    bound = stop_bounds(physics, 1, CATEGORY_0)
    at = int(np.argmax(found.distance_rad[0]))

    assert bound.q_rad == physics.envelope.q_rad[at]
    assert bound.load_name == "block"
    assert bound.distance_tip_m == pytest.approx(3.13 * bound.distance_rad)
    soft = physics.joint.limits.soft_stops_deg
    outside = np.degrees(physics.envelope.q_rad) > float(soft.upper) + 2
    assert np.any(outside)
    assert np.all(found.distance_rad[0][outside] == 0.0)


def test_electric_joint_stops_without_oil():
    physics = physics_of(with_electric_joint(), "lever", 10.0)
    for kind in KINDS:
        bound = stop_bounds(physics, 0, kind)

        assert bound.distance_rad > 0
        assert (bound.peak_cap_pa, bound.peak_rod_pa, bound.yields) == (0.0, 0.0, False)


def test_grip_is_measured_at_its_own_jaws():
    physics = kerb("clamp", 0.4)
    joint = replace(physics.joint, body=lump("40", "0.1"))

    assert np.all(tip_radius_m(replace(physics, joint=joint)) == 0.1)
    assert np.all(tip_radius_m(lift()) == 3.13)


def test_kinds_are_named():
    with pytest.raises(ValueError, match="category_0"):
        stop_bounds(lift(), 0, "category_2")
