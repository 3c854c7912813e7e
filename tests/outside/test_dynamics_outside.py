"""Oil spring, follow loop and stops against published numbers and scipy. The source stands beside each check."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from check_case import STAND, context_of, profile_of, text_of
from dynamics_case import kerb, physics_of
from make_profile import changed, with_electric_joint
from scipy import signal
from scipy.integrate import solve_ivp

from mapper.machine.loop import RIGID_HZ, Loops, gain_margins, phase_margins_rad
from mapper.machine.oil.oil_spring import CAP, ROD, OilColumns, soft_columns, softest_n_m_rad, stiff_columns
from mapper.machine.stop.running import overshoot, ramp_peaks_pa, running_outlet_pa
from mapper.machine.stop.stopping import (
    CATEGORY_0,
    RELEASE,
    blocked_deflection_rad,
    stop_arrays,
    stop_bounds,
    yield_distance_rad,
)

pytestmark = pytest.mark.outside

BAR = 1e5


def array(*values: float) -> np.ndarray:
    return np.array(values, dtype=float)


def loop(gain=1.0, lag=1e-9, delay=1e-9, hz=RIGID_HZ, damping=1.0, hold=1e-9) -> Loops:
    return Loops(
        gain_per_s=array(gain),
        lag_s=array(lag),
        delay_s=array(delay),
        natural_hz=array(hz),
        damping_ratio=array(damping),
        hold_s=hold,
    )


# -- oil as a spring ----------------------------------------------------------------------------------------------


def columns_of(area: float, volume: float) -> OilColumns:
    return OilColumns(displacement_m3_rad=np.full((2, 1), area), volume_m3=np.full((2, 1), volume))


@pytest.mark.parametrize(
    ("volume", "rise", "modulus", "published", "tolerance"),
    [(10.0, 1900.0, 250_000.0, 0.076, 1e-6), (1.0, 1000.0, 350_000.0, 0.0029, 0.02)],
)
def test_oil_gives_way_by_its_bulk_modulus(volume, rise, modulus, published, tolerance):
    """Esposito, Fluid Power with Applications, Example 2-11: 10 in3, 100 to 2000 psi, 250 000 psi: 0.076 in3.
    Sullivan, Fluid Power: Theory and Applications, Example 6.2: 1000 psi, 350 000 psi: 0.0029 of the volume (2 %).
    Inches, pounds.
    """
    area = 2.5
    push = columns_of(area, volume).stiffness_n_m_rad(modulus)[CAP, 0] * (published / area)

    assert push / area == pytest.approx(rise, rel=tolerance)


def test_natural_frequency_of_an_electrohydraulic_drive():
    """Esposito, Example 17-1: 5 in2, 50 in3, 2.59 lb s2/in, 175 000 psi: 259.9 rad/s."""
    stiffness = np.sum(columns_of(5.0, 50.0).stiffness_n_m_rad(175_000.0))

    assert math.sqrt(stiffness / 2.59) == pytest.approx(259.9, rel=5e-4)


def test_a_third_of_the_natural_frequency_as_gain():
    """Esposito, Example 17-1: open-loop gain one third of 259.938 rad/s, 86.6 1/s. With the damping ratio of 1/3 that
    makes this rule of the trade one of 6 dB (2 z w / K = 2).
    """
    found = gain_margins(loop(gain=86.6459, hz=259.938 / (2 * math.pi), damping=1 / 3))[0]

    assert found == pytest.approx(2.0, rel=2e-3)


@pytest.mark.parametrize(("name", "inertia"), [("boom_swing", 3139.0), ("elbow", 643.0)])
def test_frequency_is_that_of_a_model_with_pressures_as_states(name, inertia):
    """scipy/numpy eigenvalues of x' = v, I v' = D1 p1 - D2 p2, p1' = -b D1 v / V1, p2' = b D2 v / V2 (textbook
    balance of the two columns).
    """
    physics = kerb(name, inertia, holding__kind="none", holding__setting_pa=None)
    columns, beta = soft_columns(physics), 0.8e9
    for at in (3, 45, 80):
        (d1, d2), (v1, v2) = columns.displacement_m3_rad[:, at], columns.volume_m3[:, at]
        matrix = [
            [0.0, d1 / inertia, -d2 / inertia],
            [-beta * d1 / v1, 0.0, 0.0],
            [beta * d2 / v2, 0.0, 0.0],
        ]
        expected = np.max(np.abs(np.linalg.eigvals(np.array(matrix)).imag))

        assert math.sqrt(softest_n_m_rad(physics)[0, at] / inertia) == pytest.approx(expected, rel=1e-9)


# -- the follow loop ----------------------------------------------------------------------------------------------


def test_margins_of_a_textbook_loop():
    """Dorf and Bishop, Modern Control Systems, Bode diagrams: 1 / (s (s + 1) (0.2 s + 1)): gain margin 15 dB, phase
    margin 43 deg (from memory). As a loop here: gain 1, spring (s2 + 6 s + 5), no lag.
    """
    loops = loop(hz=math.sqrt(5) / (2 * math.pi), damping=3 / math.sqrt(5))

    assert 20 * math.log10(gain_margins(loops)[0]) == pytest.approx(15.5, abs=0.6)
    assert math.degrees(phase_margins_rad(loops)[0]) == pytest.approx(43, abs=0.6)


def test_routh_limit_of_a_textbook_loop():
    """Ogata, Modern Control Engineering, K / (s (s + 1) (s + 5)): Routh's array gives stability up to K = 30 (from
    memory; s3 + 6 s2 + 5 s + K).
    """
    loops = loop(gain=1 / 5, hz=math.sqrt(5) / (2 * math.pi), damping=3 / math.sqrt(5))

    assert gain_margins(loops)[0] == pytest.approx(30, rel=1e-3)


def test_ultimate_gain_of_an_integrator_with_dead_time():
    """K exp(-s T) / s oscillates at K = pi / (2 T) (any textbook of process control, from memory)."""
    assert gain_margins(loop(delay=0.2))[0] == pytest.approx(math.pi / 0.4, rel=3e-3)


PLANTS = [
    (0.03, 0.015, 1.5, 0.2),
    (0.08, 0.045, 1.5, 0.2),
    (0.05, 0.02, 1.5, 0.1),
    (0.08, 0.03, 4.0, 0.1),
    (0.03, 0.045, 12.0, 0.3),
    (0.05, 0.02, 60.0, 0.7),
]


@pytest.mark.parametrize(("lag", "delay", "hz", "damping"), PLANTS)
def test_gain_limit_is_where_the_sampled_loops_eigenvalues_leave_the_circle(lag, delay, hz, damping):
    """scipy.signal.cont2discrete (zero-order hold, exact) of lag, spring and integrator at 5 ms, the delay as whole
    ticks: closed-loop eigenvalues reach the unit circle at the gain that the margin says, within 1 %.
    """
    tick, w = 0.005, 2 * math.pi * hz
    a, b, c, d = signal.tf2ss([w * w], np.polymul(np.polymul([1.0, 0.0], [lag, 1.0]), [1.0, 2 * damping * w, w * w]))
    ad, bd, cd, _, _ = signal.cont2discrete((a, b, c, d), tick)
    late = round(delay / tick)
    n = ad.shape[0]

    def radius(gain: float) -> float:
        whole = np.zeros((n + late, n + late))
        whole[:n, :n] = ad
        whole[:n, n : n + 1] = bd
        whole[n : n + late - 1, n + 1 :] = np.eye(late - 1)
        whole[-1:, :n] = -gain * cd
        return float(np.max(np.abs(np.linalg.eigvals(whole))))

    low, high = 0.0, 500.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if radius(middle) < 1.0 else (low, middle)

    assert gain_margins(loop(lag=lag, delay=delay, hz=hz, damping=damping, hold=tick))[0] == pytest.approx(
        low, rel=0.01
    )


@pytest.mark.parametrize(("lag", "delay", "hz", "damping"), PLANTS)
def test_phase_margin_is_that_of_a_fine_frequency_response(lag, delay, hz, damping):
    """scipy.signal.freqresp of the plant, delay and hold applied to it: smallest angle to -1 where the magnitude is
    1.
    """
    gain, w0 = 1.2, 2 * math.pi * hz
    system = signal.TransferFunction(
        [gain * w0 * w0], np.polymul(np.polymul([1.0, 0.0], [lag, 1.0]), [1.0, 2 * damping * w0, w0 * w0])
    )
    w = np.geomspace(0.02, 3000, 200_001)
    _, response = signal.freqresp(system, w)
    response = response * np.exp(-1j * w * delay) * (1 - np.exp(-1j * w * 0.005)) / (1j * w * 0.005)
    crossings = np.flatnonzero(np.diff(np.sign(np.abs(response) - 1)))
    expected = np.min(np.abs(np.angle(-response[crossings])))
    found = phase_margins_rad(loop(gain=gain, lag=lag, delay=delay, hz=hz, damping=damping, hold=0.005))[0]

    assert abs(found) == pytest.approx(expected, abs=0.01)


# -- stops --------------------------------------------------------------------------------------------------------


def car(speed: str, deceleration: str, reaction: str):
    """An electric joint as a car that brakes: degrees for metres or feet, no lag, no tick, gain 1."""
    profile = changed(with_electric_joint(), "controller.tick_s", Fraction(0))
    profile = changed(profile, "controller.late_s", Fraction(0))
    profile = changed(profile, "emergency_stop.release_deadline_s", Fraction(100))
    for path, value in {
        "tolerances.dead_time_s.upper": reaction,
        "tolerances.lag_s.upper": "0",
        "limits.speed_deg_s.positive": speed,
        "limits.speed_never_above_deg_s.positive": speed,
        "limits.stop_deceleration_deg_s2": deceleration,
        "limits.hard_stops_deg": None,
        "limits.soft_stops_deg": None,
    }.items():
        profile = changed(profile, f"joints.0.{path}", None if value is None else Fraction(value))
    physics = physics_of(profile, "lever", 10.0)
    spread = (Fraction(100, 98), Fraction(100, 98))
    return replace(physics, model=replace(physics.model, spread=(spread, spread), hard_stops_rad=None))


@pytest.mark.parametrize(
    ("speed", "deceleration", "reaction", "published", "source_digits"),
    [
        ("30", "7", "0", 64.3, 0.05),
        ("30", "7", "1/2", 79.3, 0.05),
        ("30", "5", "1/2", 105, 0.5),
        ("88", "9.68", "0", 400, 0.5),
    ],
)
def test_ramped_stop_is_the_textbook_stopping_distance(speed, deceleration, reaction, published, source_digits):
    """OpenStax, College Physics, module m42099: 30.0 m/s, 7.00 m/s2 dry: 64.3 m, with 0.500 s of reaction 79.3 m; 5.00
    m/s2 wet: 105 m. Wentzell, Machine Design, Example 16.4: 88 ft/s, 9.68 ft/s2: 400 ft.
    """
    bound = stop_bounds(car(speed, deceleration, reaction), 0, RELEASE)

    assert math.degrees(bound.distance_rad) == pytest.approx(published, abs=source_digits)


def test_lag_adds_speed_times_lag():
    """A ramp through a first-order lag trails by rate x tau: 30 deg/s, 50 ms: 1.5 deg (closed form; scipy.signal.lsim
    of the same cut speed agrees).
    """
    physics = car("30", "7", "0")
    tolerances = replace(
        physics.joint.tolerances, lag_s=replace(physics.joint.tolerances.lag_s, upper=Fraction(50, 1000))
    )
    found = stop_bounds(replace(physics, joint=replace(physics.joint, tolerances=tolerances)), 0, CATEGORY_0)
    time = np.linspace(0.0, 1.0, 20_001)
    _, speed, _ = signal.lsim(signal.StateSpace([[-20.0]], [[20.0]], [[1.0]], [[0.0]]), 0 * time, time, X0=[30.0])

    assert math.degrees(found.distance_rad) == pytest.approx(1.5, rel=1e-6)
    assert np.trapezoid(speed, time) == pytest.approx(1.5, rel=1e-4)


def test_time_of_a_cut_ends_when_a_tenth_of_a_degree_a_second_is_left():
    """First-order lag: 1 - exp(-t / tau), 0.632 after one tau and 0.865 after two (dsp.stackexchange.com, question
    43063, exact form). From 30 deg/s, 1 - 0.1 / 30 of the flow is gone.
    """
    physics = car("30", "7", "0")
    tolerances = replace(
        physics.joint.tolerances, lag_s=replace(physics.joint.tolerances.lag_s, upper=Fraction(50, 1000))
    )
    found = stop_bounds(replace(physics, joint=replace(physics.joint, tolerances=tolerances)), 0, CATEGORY_0)

    assert 1 - math.exp(-found.time_s / 0.050) == pytest.approx(1 - 0.1 / 30, abs=1e-6)


def test_sampled_ramp_takes_forty_samples_for_a_unit_step():
    """Rate limiter |u[k] - u[k-1]| <= r dt: unit step at 2.5 /s, dt 10 ms: 40 samples (closed form). Rule L7 of the
    law: 1 deg/s at 2.5 deg/s2.
    """
    profile = profile_of(text_of(STAND))
    profile = changed(profile, "controller.tick_s", Fraction(10, 1000))
    context = context_of(changed(profile, "joints.0.limits.acceleration_deg_s2", Fraction(5, 2)), "lever")
    speed, samples = np.zeros(1, dtype=np.int32), 0
    while speed[0] < 1000 and samples < 1000:
        speed = context.live.ramp(context.index, False, speed, np.full(1, 1000, dtype=np.int32))
        samples += 1

    assert samples == 40


def test_slow_enough_sine_passes_the_sampled_ramp():
    """A sine of amplitude A and frequency f is not limited while 2 pi f A <= r (closed form): A 1.5 deg/s, r 2.5
    deg/s2.
    """
    profile = changed(profile_of(text_of(STAND)), "controller.tick_s", Fraction(10, 1000))
    for key in ("acceleration", "deceleration"):
        profile = changed(profile, f"joints.0.limits.{key}_deg_s2", Fraction(5, 2))
    context = context_of(profile, "lever")
    behind = {}
    for share in (0.98, 1.3):
        time = np.arange(0, 8, 0.01)
        asked = np.rint(3000 + 1500 * np.sin(share * 2.5 / 1.5 * time)).astype(np.int32)
        speed, worst = asked[:1].copy(), 0
        for value in asked:
            speed = context.live.ramp(context.index, False, speed, np.full(1, value, dtype=np.int32))
            worst = max(worst, abs(int(speed[0]) - int(value)))
        behind[share] = worst

    assert behind[0.98] == 0
    assert behind[1.3] > 100


def test_spring_takes_up_the_energy_of_a_toy_car():
    """OpenStax, College Physics, conservation of mechanical energy, toy car: 0.100 kg, 250.0 N/m, 4.00 cm: 2.00 m/s."""
    found = blocked_deflection_rad(array(0.5 * 0.100 * 2.00**2), (array(250.0), array(1.0)), array(0.0))[0]

    assert found == pytest.approx(0.0400, rel=1e-3)


@pytest.mark.parametrize(("slope_deg", "published"), [(0.0, 2.60), (5.0, 2.31)])
def test_constant_force_spends_the_energy_of_a_slide(slope_deg, published):
    """OpenStax, College Physics, Example 7.9: 65.0 kg, 6.00 m/s, 450 N: 2.60 m. Example 7.10, up 5.00 deg: 2.31 m (that
    one from memory).
    """
    net = 450.0 + 65.0 * 9.80 * math.sin(math.radians(slope_deg))
    found = yield_distance_rad(array(0.5 * 65.0 * 6.00**2), array(net), array(1e15))[0]

    assert found == pytest.approx(published, abs=0.005)


@pytest.mark.parametrize("damping", [0.05, 0.1, 0.2, 0.5, 0.6])
def test_overshoot_is_that_of_a_step_response(damping):
    """scipy.signal.step of w2 / (s2 + 2 z w s + w2). At 0.6: 9.5 % (Ogata, Modern Control Engineering, from memory)."""
    _, response = signal.step(([1.0], [1.0, 2 * damping, 1.0]), T=np.linspace(0, 12, 20_001))

    assert overshoot(damping) == pytest.approx(np.max(response) - 1.0, abs=1e-5)
    if damping == 0.6:
        assert overshoot(damping) == pytest.approx(0.095, abs=5e-4)


def test_ramp_peak_bounds_the_swing_of_a_simulated_ramp():
    """scipy.signal.lsim of the load on its spring while the oil column ramps down: the bound holds for every length
    of the ramp, and the worst of them comes within 2 % on the stopping side and within 3 % on the other one.
    """
    physics = kerb(
        "boom_swing",
        3139.0,
        holding__kind="double_counterbalance",
        holding__setting_pa=Fraction(10**7),
        holding__pilot_ratio=Fraction(4),
    )
    at, damping, rate = 45, 0.2, math.radians(25)
    gain = physics.model.gain_spread(0)[1]
    w = 10.0
    peaks = ramp_peaks_pa(physics, 0, rate)
    volume = stiff_columns(physics).displacement_m3_rad[:, at]
    before = {ROD: running_outlet_pa(physics, 0, np.zeros((1, 91)))[0, at] * volume[ROD], CAP: 3 * BAR * volume[ROD]}
    bound = [peaks[side][0, at] * volume[side] - before[side] for side in (ROD, CAP)]
    # e'' + 2 z w e' + w2 e = -x_r''; the spring's torque is I w2 e
    system = signal.StateSpace([[0.0, 1.0], [-w * w, -2 * damping * w]], [[0.0], [1.0]], [[w * w, 0.0]], [[0.0]])
    time = np.linspace(0.0, 4.0, 2001)
    most = np.zeros(2)
    for lasts in np.linspace(0.2, 1.2, 26):
        _, torque, _ = signal.lsim(system, np.where(time < lasts, gain * rate * 3139.0, 0.0), time)
        most = np.maximum(most, [np.max(torque), -np.min(torque)])

    assert most[0] <= bound[0] * 1.001
    assert most[1] <= bound[1] * 1.001
    assert most[0] >= 0.98 * bound[0]
    assert most[1] >= 0.97 * bound[1]


@pytest.mark.parametrize("settings", [(150, "port_relief"), (230, "port_relief"), (100_000, "port_relief")])
@pytest.mark.parametrize("pull", [-1500.0, 0.0, 1500.0])
def test_sudden_stop_bounds_a_simulated_one_with_pressures_as_states(settings, pull):
    """scipy.integrate.solve_ivp of both columns, the lever arm that changes with the angle, voids at 0 bar and an ideal
    relief, spool shut at once at w0: neither its peak nor its way passes the bound; the peak reaches 60 % of it or the
    relief's setting.
    """
    bar, kind = settings
    physics = kerb("boom_swing", 3139.0, (pull, pull), holding__kind=kind, holding__setting_pa=Fraction(bar) * 100_000)
    model, speed, beta = physics.model, math.radians(37), 1.6e9
    columns = stiff_columns(physics)
    found = stop_arrays(physics, 0, CATEGORY_0)
    drive, linkage = model.drive, model.linkage
    for at in (20, 45, 70):
        q0 = physics.envelope.q_rad[at]
        volume = columns.volume_m3[:, at]
        lever0 = float(linkage.lever_m(q0))
        areas = np.array([drive.cap_area_m2, drive.rod_area_m2])
        # Steady before the stop: the side that bears the load has its pressure, the other one none.
        start = np.array([max(-pull, 0.0), max(pull, 0.0)]) / (areas * lever0)
        length0 = float(linkage.length_m(q0))

        def pressures(q, lost, start=start, areas=areas, volume=volume, length0=length0):
            moved = linkage.length_m(q) - length0
            raw = [
                start[0] - beta * areas[0] * moved / volume[0],
                start[1] + beta * (areas[1] * moved - lost) / volume[1],
            ]
            return np.maximum(raw, 0.0)

        def slope(t, state, areas=areas, pressures=pressures):
            q, rate, lost = state
            cap, rod = pressures(q, lost)
            leak = max(rod - bar * BAR, 0.0) * 2e-9  # a wide relief: 0.12 l/min for a bar above its setting
            return [rate, ((cap * areas[0] - rod * areas[1]) * float(linkage.lever_m(q)) + pull) / 3139.0, leak]

        def stopped(t, state):
            return state[1]

        stopped.terminal = True
        run = solve_ivp(slope, (0, 3), [q0, speed, 0.0], events=stopped, max_step=5e-4, rtol=1e-7, atol=1e-9)
        peak = np.max(pressures(run.y[0], run.y[2])[1])
        oil_way = 37 * (0.051 + 0.08)

        assert run.status == 1
        assert math.degrees(run.y[0, -1] - q0) <= math.degrees(found.distance_rad[0, at]) - oil_way
        assert peak <= found.peak_pa[ROD][0, at] + 3 * BAR
        assert peak >= 0.6 * found.peak_pa[ROD][0, at]
