"""Replay against sources outside the project: human motion, first-order lag, real recordings."""

from __future__ import annotations

import dataclasses
import math
import runpy

import numpy as np
import pytest
from replay_case import RECORDINGS, STAND, worked_profile

from mapper.replay import Plant, plant_parameters
from mapper.replay.inputs import minimum_jerk
from mapper.replay.plant import ShareCurve, _valve_share

pytestmark = pytest.mark.outside


@pytest.mark.parametrize("path", [minimum_jerk, "generate"])
def test_minimum_jerk_has_the_published_peak_speed_and_acceleration(path):
    """T. Flash, N. Hogan, J. Neurosci. 5(7), 1985, 1688-1703; peaks 1.875 A/D at half time and 10/sqrt(3) A/D2 at
    (3 - sqrt 3)/6 of it as in the Radboud University physics note www.socsci.ru.nl/wilberth/physics/smooth.html."""
    if path == "generate":
        one = runpy.run_path(str(RECORDINGS / "generate.py"))["path"]

        def path(shares):
            return np.array([one(share) for share in shares])

    s = np.linspace(0.0, 1.0, 20001)
    x = path(s)
    speed, acceleration = np.gradient(x, s), np.gradient(np.gradient(x, s), s)

    assert (x[0], x[-1]) == pytest.approx((0.0, 1.0), abs=1e-12)
    assert path(np.array([0.25]))[0] == pytest.approx(0.103516, abs=1e-6)
    assert speed.max() == pytest.approx(1.875, rel=1e-6)
    assert s[speed.argmax()] == pytest.approx(0.5, abs=1e-4)
    assert acceleration[5:-5].max() == pytest.approx(5.773503, rel=1e-5)
    assert s[acceleration[5:-5].argmax() + 5] == pytest.approx(0.2113249, abs=1e-3)


def lag_only(tick_s, lag_s):
    """The test stand's joint with nothing but a lag: flow share equals drive, no dead time, no play."""
    parameters = plant_parameters(worked_profile(STAND))
    straight = ShareCurve(x=(0.0, 1.0), y=(0.0, 1.0), slope=(1.0,))
    joint = dataclasses.replace(
        parameters.joints[0],
        side=(straight, straight),
        play=0.0,
        dead_ticks=0,
        alpha=1.0 - math.exp(-tick_s / lag_s),
    )
    return Plant(dataclasses.replace(parameters, tick_s=tick_s, joints=(joint,)), [0.0])


def lag_of(plant, drives):
    return [_valve_share(plant.parameters.joints[0], plant._states[0], drive) for drive in drives]


def test_a_step_through_the_lag_has_the_closed_forms_values():
    """Step-invariant first-order low-pass, alpha = 1 - exp(-T/tau) (dsp.stackexchange.com/questions/43063); tau 50
    ms, T 10 ms:
    0.181269247 after one step, 0.632120559 after 5, 0.864664717 after 10 (1 - exp(-k/5), closed form)."""
    values = lag_of(lag_only(0.010, 0.050), [10000] * 10)

    assert [values[0], values[4], values[9]] == pytest.approx([0.181269247, 0.632120559, 0.864664717], abs=5e-10)


def test_a_ramp_through_the_lag_trails_by_rate_times_time_constant():
    """Closed form: 30 deg/s through 50 ms trails by 1.5 deg. Here a drive rising 0.3 of full a second trails by 0.015,
    plus half a tick's rise, because the drive is held over each tick (zero-order hold)."""
    tick_s = 0.001
    drives = [round(0.3 * k * tick_s * 10000) for k in range(1, 2001)]
    values = lag_of(lag_only(tick_s, 0.050), drives)

    trail = drives[-1] / 10000 - values[-1]
    assert trail == pytest.approx(0.3 * 0.050, abs=0.3 * tick_s)


def test_the_lag_is_scipys_solution_of_its_differential_equation():
    """scipy.integrate.solve_ivp as the reference: tau y' = u - y with u held over each tick."""
    integrate = pytest.importorskip("scipy.integrate")
    source = np.random.default_rng(7)
    drives = [int(d) for d in source.integers(-10000, 10001, 40) if d]
    values = lag_of(lag_only(0.005, 0.035), drives)
    y = 0.0
    for drive, ours in zip(drives, values, strict=True):
        u = drive / 10000
        solved = integrate.solve_ivp(lambda _, x, u=u: (u - x) / 0.035, (0.0, 0.005), [y], rtol=1e-10, atol=1e-12)
        y = float(solved.y[0, -1])
        assert ours == pytest.approx(y, abs=1e-9)


# Per exercise from all 140 recordings of the data set (seglearn 1.2.5 watch_dataset.npy; study arXiv:1802.01489),
# worked out beforehand: 99 % of the turn rate's size in deg/s; 95 % of its power lies below, in Hz.
PUBLISHED = {
    "abduction": (465.0, 2.15),
    "forward-elevation": (486.0, 2.34),
    "external-rotation": (452.0, 2.73),
    "row": (158.0, 3.12),
}


def original(name):
    path = RECORDINGS / "person" / "original" / f"{name}-right.csv"
    lines = [line for line in path.read_text(encoding="ascii").splitlines() if not line.startswith("#")]
    table = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    return {column: table[:, index] for index, column in enumerate(lines[0].split(","))}


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_persons_turn_rates_are_those_of_the_data_set(name):
    """D. M. Burns et al., arXiv:1802.01489, data of the package seglearn 1.2.5: figures worked out from the whole set.

    One person of ten, so within a quarter of the whole data set's figure; a wrong unit or column is far outside.
    """
    data = original(name)
    rate = np.degrees(np.sqrt(data["wx_rad_s"] ** 2 + data["wy_rad_s"] ** 2 + data["wz_rad_s"] ** 2))

    assert np.diff(data["time_s"]) == pytest.approx(0.02)
    assert np.percentile(rate, 99) == pytest.approx(PUBLISHED[name][0], rel=0.25)


@pytest.mark.parametrize("name", PUBLISHED)
def test_the_persons_motion_is_slow(name):
    """D. M. Burns et al., arXiv:1802.01489, data of the package seglearn 1.2.5: 95 % of the power lies below a few Hz
    (the figures above; half as much again is allowed for one person).
    """
    signal = pytest.importorskip("scipy.signal")
    data = original(name)
    power = 0.0
    for axis in ("wx_rad_s", "wy_rad_s", "wz_rad_s"):
        frequency, density = signal.welch(data[axis], fs=50.0, nperseg=512)
        power = power + density
    share = np.cumsum(power) / np.sum(power)

    assert frequency[np.argmax(share >= 0.95)] < 1.5 * PUBLISHED[name][1]


def test_the_mapping_keeps_the_persons_path_and_only_scales_it():
    """The recordings of D. M. Burns et al., arXiv:1802.01489 (data of the package seglearn 1.2.5), against what is made
    of them here.

    Correlation of the mapped elevation with the original inclination is 1 up to rounding; times are stretched by
    SLOWER.
    """
    script = runpy.run_path(str(RECORDINGS / "map_person.py"))
    for name in PUBLISHED:
        lines = (RECORDINGS / "person" / f"{name}-right.csv").read_text(encoding="ascii").splitlines()
        rows = np.array([[float(cell) for cell in line.split(",")] for line in lines if line[0].isdigit()])
        data = original(name)

        assert np.corrcoef(rows[:, 2], data["inclination_deg"])[0, 1] > 0.999999
        assert np.ptp(rows[:, 2]) == pytest.approx(
            script["ELEVATION_SCALE"] * np.ptp(data["inclination_deg"]), abs=0.02
        )
        assert rows[-1, 0] == pytest.approx(script["SLOWER"] * data["time_s"][-1], abs=0.011)


def test_the_invented_tremor_lies_between_six_and_ten_hertz():
    """Band of a hand's tremor: common practice, no source. scipy's Welch estimate as the instrument."""
    signal = pytest.importorskip("scipy.signal")
    import random

    script = runpy.run_path(str(RECORDINGS / "generate.py"))
    tremor = script["Tremor"](random.Random(3), 0.08)
    values = np.array([tremor.at(k / 50) for k in range(6000)])
    frequency, density = signal.welch(values, fs=50.0, nperseg=1024)
    inside = (frequency > 5.7) & (frequency < 10.3)

    assert density[inside].sum() / density.sum() > 0.99
    assert values.std() == pytest.approx(0.08, rel=0.35)
