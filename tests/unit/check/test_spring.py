"""The norms of the oil spring's response against numerical integration of the response itself."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from mapper.check.motion.spring import (
    DAMPING_MOST,
    TAIL_STEP,
    damping_ranges,
    fade_of_tails,
    response_extremes,
    response_tails,
    spring_norms,
)

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


def test_a_rate_at_the_decay_of_the_swing_or_above_it_has_no_bound():
    for rate in (0.2, 0.5):
        least, most = response_extremes(rate, 0.2, 1.0)
        assert least < 0.0
        assert most == math.inf


def test_a_slower_closing_room_is_reported_more_truly():
    """rho grows with the rate, and is 1 for a room that hardly closes."""
    found = [response_extremes(rate, 0.2, 0.25) for rate in (0.001, 0.05, 0.1, 0.15, 0.185)]

    assert all(a[1] < b[1] for a, b in pairwise(found))
    assert 1.0 < found[0][1] < 1.6
    assert all(least >= 0.0 for least, _ in found)


def test_tails_start_at_one_and_never_rise():
    tails = response_tails(0.2, 0.25)

    assert tails.positive[0] == pytest.approx(1.0)
    assert np.all(np.diff(tails.positive) <= 0.0)
    assert np.all(np.diff(tails.negative) <= 0.0)
    # The first trough of h' is that of h'' = 0: exp(-2 z phi / d) deep.
    assert tails.negative[0] == pytest.approx(math.exp(-0.4 * math.acos(0.2) / math.sqrt(0.96)), abs=5e-3)
    assert tails.negative[0] >= math.exp(-0.4 * math.acos(0.2) / math.sqrt(0.96))


@pytest.mark.parametrize("lowest", [0.02, 0.1, 0.2, 0.5, 0.95, 1.0])
def test_ranges_of_damping_join_from_the_lowest_to_one(lowest):
    ranges = damping_ranges(lowest)

    assert ranges[0][0] == min(lowest, DAMPING_MOST)
    assert ranges[-1][1] == 1.0
    assert all(a[1] == b[0] for a, b in pairwise(ranges))
    assert all(low < high for low, high in ranges)


def both_responses(rate: float, z: float, t: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """f and f0, as solutions of their equations: with h_a the response of the spring with damping z - r, f0 is its
    integral and f = (1 - 2 z r) f0 + 2 z h_a.
    """
    a, d = z - rate, math.sqrt(1.0 - z * z)
    kick = np.exp(-a * t) * np.sin(d * t) / d
    step = np.concatenate([[0.0], np.cumsum(0.5 * (kick[1:] + kick[:-1]) * np.diff(t))])
    return (1.0 - 2.0 * z * rate) * step + 2.0 * z * kick, step


@pytest.mark.parametrize("lowest", [0.05, 0.2, 0.5])
@pytest.mark.parametrize("share", [0.3, 0.9])
def test_no_damping_of_a_range_goes_beyond_its_extremes(lowest, share):
    """Dampings between those that are worked out, both kinds of spring; and the extremes are no wider than the steps
    of the damping make them.
    """
    rate, rng = min(share * lowest, 0.4), np.random.default_rng(5)
    t = np.linspace(0.0, 40.0, 8001)
    for low, high in damping_ranges(lowest):
        least, most = response_extremes(rate, low, high)
        highest, later = 0.0, math.inf
        for z in [low, *rng.uniform(low, high, 12), min(high, 0.99999)]:
            for f in both_responses(rate, float(z), t):
                highest, later = max(highest, float(np.max(f))), min(later, float(np.min(f[np.argmax(f) :])))
                assert np.min(f) >= min(0.0, least) - 1e-9
        assert highest <= most <= 1.03 * highest + 2e-3
        assert least <= later


@pytest.mark.parametrize("lowest", [0.05, 0.2, 0.5])
def test_no_damping_of_a_range_goes_beyond_its_tails(lowest):
    """From each time on, and a falling exponential over all of it."""
    rng = np.random.default_rng(6)
    for low, high in damping_ranges(lowest):
        tails, (share, swell) = response_tails(low, high), fade_of_tails(low, high)
        t = np.arange(tails.positive.size) * TAIL_STEP
        for z in [low, *rng.uniform(low, high, 12), min(high, 0.99999)]:
            d = math.sqrt(1.0 - z * z)
            slope = np.exp(-z * t) * (np.cos(d * t) - z / d * np.sin(d * t))
            assert np.all(slope <= tails.positive + 1e-12)
            assert np.all(-slope <= tails.negative + 1e-12)
            assert np.all(np.abs(slope) <= swell * np.exp(-share * t) + 1e-12)
