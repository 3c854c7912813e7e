"""Margins of the follow loop against closed forms, brute force and the worked numbers of the arm."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from mapper.machine.loop import (
    RIGID_HZ,
    LoopClass,
    Loops,
    gain_margins,
    highest_gain_factors,
    phase_margins_rad,
    worst_margins,
)

NO_HOLD = 1e-9


def one(gain=1.0, lag=1e-9, delay=1e-9, hz=RIGID_HZ, damping=1.0, hold=NO_HOLD) -> Loops:
    def array(value):
        return np.array([value], dtype=float)

    return Loops(
        gain_per_s=array(gain),
        lag_s=array(lag),
        delay_s=array(delay),
        natural_hz=array(hz),
        damping_ratio=array(damping),
        hold_s=hold,
    )


def random_loops(count: int, seed: int) -> Loops:
    rng = np.random.default_rng(seed)
    return Loops(
        gain_per_s=rng.uniform(0.3, 12, count),
        lag_s=rng.uniform(0.01, 0.2, count),
        delay_s=rng.uniform(0.005, 0.1, count),
        natural_hz=np.exp(rng.uniform(math.log(0.5), math.log(60), count)),
        damping_ratio=rng.uniform(0.05, 0.9, count),
        hold_s=0.005,
    )


def test_gain_at_six_decibels_is_that_of_the_invented_arm():
    """Worked out apart: 26 1/s with 50 ms lag and 20 ms dead time alone; 1.1 to 1.9 with a 1.5 Hz spring."""
    rigid = gain_margins(one(lag=0.05, delay=0.02))[0] / 2
    soft = [gain_margins(one(lag=0.05, delay=0.02, hz=1.5, damping=z))[0] / 2 for z in (0.1, 0.2)]

    assert rigid == pytest.approx(26, rel=0.01)
    assert soft == pytest.approx([1.1, 1.9], rel=0.03)


def test_spring_alone_allows_twice_damping_times_frequency():
    """Routh: s (s2 + 2 z w s + w2) + K w2 is stable up to K = 2 z w."""
    found = gain_margins(one(hz=2.0, damping=0.15))[0]

    assert found == pytest.approx(2 * 0.15 * 2 * math.pi * 2.0, rel=1e-4)


def test_phase_margin_of_an_integrator_with_delay():
    found = phase_margins_rad(one(gain=4.0, delay=0.1))[0]

    assert math.degrees(found) == pytest.approx(90 - math.degrees(4.0 * 0.1), abs=0.5)


def test_hold_counts_as_half_a_tick_of_delay():
    held, delayed = one(gain=3.0, delay=0.1, hold=0.02), one(gain=3.0, delay=0.11)

    assert gain_margins(held)[0] == pytest.approx(gain_margins(delayed)[0], rel=0.01)


def test_every_crossing_counts_where_the_spring_peaks_above_one():
    """Three crossings of |L| = 1: the first alone would promise 75 deg, the peak's have 33."""
    loops = one(gain=2.2, hz=2.0, damping=0.08, delay=0.1)
    w = np.geomspace(0.1, 100, 400_001)
    size, phase = loops.magnitude(w[None, :])[0], loops.phase_rad(w[None, :])[0]
    crossings = np.flatnonzero(np.diff(np.sign(size - 1)))
    room = np.abs(np.degrees(phase[crossings]) + 180)

    assert crossings.size == 3
    assert room[0] > 70
    assert np.min(room) < 40
    assert math.degrees(phase_margins_rad(loops)[0]) == pytest.approx(np.min(room), abs=1.0)


def test_an_unstable_loop_has_negative_margins():
    loops = one(gain=5.0, hz=2.0, damping=0.1)

    assert gain_margins(loops)[0] < 1
    assert phase_margins_rad(loops)[0] < 0


def test_margins_of_random_loops_are_those_of_a_fine_grid():
    loops = random_loops(60, 3)
    w = np.geomspace(0.02, 3000, 120_000)
    found_gain, found_phase = gain_margins(loops), phase_margins_rad(loops)
    for index in range(60):
        each = Loops(
            **{
                name: getattr(loops, name)[index : index + 1]
                for name in ("gain_per_s", "lag_s", "delay_s", "natural_hz", "damping_ratio")
            },
            hold_s=loops.hold_s,
        )
        size, phase = each.magnitude(w[None, :])[0], each.phase_rad(w[None, :])[0]
        turns = np.floor((phase + math.pi) / (2 * math.pi))
        at = np.flatnonzero(np.diff(turns))
        gain = 1 / np.max(size[at])
        crossing = np.flatnonzero(np.diff(np.sign(size - 1)))
        room = np.min(np.abs((phase[crossing] + math.pi + math.pi) % (2 * math.pi) - math.pi))

        assert found_gain[index] == pytest.approx(gain, rel=5e-3)
        assert abs(found_phase[index]) == pytest.approx(room, abs=0.03)
        assert (found_phase[index] > 0) == (gain > 1)


def test_highest_gain_keeps_both_margins_and_a_little_more_does_not():
    loops = random_loops(200, 4)
    factors = highest_gain_factors(loops, 2.0, math.radians(45))
    just, over = (replace(loops, gain_per_s=loops.gain_per_s * factors * share) for share in (0.98, 1.05))

    assert np.all(gain_margins(just) >= 2.0)
    assert np.all(phase_margins_rad(just) >= math.radians(44))
    assert np.all((gain_margins(over) < 2.0) | (phase_margins_rad(over) < math.radians(45.5)))


def test_worst_of_a_class_is_no_better_than_any_plant_in_it():
    members = LoopClass(
        gain_per_s=(0.85, 1.3),
        lag_s=(0.03, 0.08),
        delay_s=(0.015, 0.044),
        hold_s=0.005,
        natural_hz=(1.5, RIGID_HZ),
        damping_ratio=(0.15, 1.0),
    )
    worst = worst_margins(members)
    rng = np.random.default_rng(5)
    count = 3000
    inside = Loops(
        gain_per_s=rng.uniform(0.85, 1.3, count),
        lag_s=rng.uniform(0.03, 0.08, count),
        delay_s=rng.uniform(0.015, 0.044, count),
        natural_hz=np.exp(rng.uniform(math.log(1.5), math.log(RIGID_HZ), count)),
        damping_ratio=np.exp(rng.uniform(math.log(0.15), 0.0, count)),
        hold_s=0.005,
    )

    assert 20 * np.log10(np.min(gain_margins(inside))) >= worst.gain_margin_db - 0.1
    assert np.degrees(np.min(phase_margins_rad(inside))) >= worst.phase_margin_deg - 1.0
    assert np.min(highest_gain_factors(inside, 10 ** (6 / 20), math.pi / 4)) >= worst.highest_gain * 0.98
    assert worst.cases > 500


def test_no_side_of_frequency_or_lag_is_safe():
    """A stiffer spring may be worse, where the delay has turned the phase by its peak; a longer lag may be better."""
    soft, stiff = (gain_margins(one(lag=0.03, delay=0.25, hz=hz, damping=0.06))[0] for hz in (2.0, 3.0))
    slow, fast = (gain_margins(one(lag=lag, delay=0.02, hz=1.5, damping=0.1))[0] for lag in (0.08, 0.03))

    assert stiff < 0.95 * soft
    assert slow > 1.2 * fast
