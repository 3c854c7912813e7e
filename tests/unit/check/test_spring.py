"""The norms of the oil spring's response against numerical integration of the response itself."""

from __future__ import annotations

import math

import numpy as np
import pytest

from mapper.check.motion.spring import DAMPING_MOST, spring_norms

CASES = [(1.5, 0.05), (1.5, 0.1), (2.3, 0.2), (8.0, 0.5), (3.0, 0.9)]


def response(frequency_hz: float, damping: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    w = 2 * math.pi * frequency_hz
    s, d = damping * w, w * math.sqrt(1 - damping**2)
    t = np.linspace(0, 14 / s, 400_001)
    h = np.exp(-s * t) * np.sin(d * t) / d
    slope = np.exp(-s * t) * (np.cos(d * t) - s / d * np.sin(d * t))
    return t, h, slope


@pytest.mark.parametrize(("frequency_hz", "damping"), CASES)
def test_norms_are_the_integrals_of_the_response(frequency_hz, damping):
    t, h, slope = response(frequency_hz, damping)
    norms = spring_norms(frequency_hz, damping)

    assert norms.position_per_acceleration_s2 == pytest.approx(np.trapezoid(np.abs(h), t), rel=2e-5)
    assert norms.position_per_speed_s == pytest.approx(np.sum(np.abs(np.diff(h))), rel=2e-5)
    assert norms.speed_per_speed == pytest.approx(np.sum(np.abs(np.diff(slope))), rel=2e-5)
    assert norms.peak_s == pytest.approx(np.max(np.abs(h)), rel=2e-5)


@pytest.mark.parametrize(("frequency_hz", "damping"), CASES)
def test_tail_bounds_what_is_remembered_after_any_time(frequency_hz, damping):
    t, h, slope = response(frequency_hz, damping)
    norms = spring_norms(frequency_hz, damping)

    for at in np.linspace(0, 0.8 * t[-1], 23):
        later = t >= at
        tail = norms.tail(float(at))
        assert np.sum(np.abs(np.diff(h[later]))) <= tail.position_per_speed_s * (1 + 1e-6) + 1e-9
        assert np.sum(np.abs(np.diff(slope[later]))) <= tail.speed_per_speed * (1 + 1e-6) + 1e-9


def test_a_stiffer_or_better_damped_spring_has_smaller_norms():
    base = spring_norms(2.0, 0.1)
    for better in (spring_norms(2.1, 0.1), spring_norms(2.0, 0.11)):
        assert better.position_per_acceleration_s2 < base.position_per_acceleration_s2
        assert better.position_per_speed_s < base.position_per_speed_s
        assert better.speed_per_speed <= base.speed_per_speed + 1e-12
        assert better.peak_s < base.peak_s


def test_heavy_damping_is_bounded_by_the_heaviest_that_the_formula_takes():
    assert spring_norms(2.0, 1.7) == spring_norms(2.0, DAMPING_MOST)


@pytest.mark.parametrize(("frequency_hz", "damping"), [(0.0, 0.1), (2.0, 0.0), (-1.0, 0.1), (2.0, float("nan"))])
def test_an_undamped_spring_has_no_norm(frequency_hz, damping):
    with pytest.raises(ValueError, match="must be above 0"):
        spring_norms(frequency_hz, damping)
