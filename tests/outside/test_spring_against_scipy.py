"""The oil spring's closed forms, on which the bounds of the soft stops rest, against scipy's linear systems."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from mapper.check.motion.spring import TAIL_STEP, damping_ranges, response_extremes, response_tails

pytestmark = pytest.mark.outside


def response(rate: float, damping: float, last: float, leaking: bool = False) -> np.ndarray:
    """f of mapper/check/motion/spring.py: e^(rt) times the impulse response of (2 z s + 1) / ((s2 + 2 z s + 1) (s +
    r)); f0, with 1 in place of 2 z s + 1, where the oil leaks.
    """
    t = np.linspace(0.0, last, 20_001)
    system = signal.lti([1.0] if leaking else [2.0 * damping, 1.0], np.polymul([1.0, 2.0 * damping, 1.0], [1.0, rate]))
    return np.exp(rate * t) * signal.impulse(system, T=t)[1]


@pytest.mark.parametrize("damping", [0.05, 0.1, 0.2, 0.4, 0.7])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_extremes_of_the_response_are_those_of_scipy(damping: float, share: float) -> None:
    """scipy.signal.impulse of the same transfer function, on a grid of 20,000 times over five half waves."""
    rate = share * damping
    both = [response(rate, damping, 5.0 * math.pi, leaking) for leaking in (False, True)]
    least, most = response_extremes(rate, damping, damping * 1.001)
    highest = max(float(np.max(f)) for f in both)

    assert highest <= most
    assert most == pytest.approx(highest, abs=3e-3)
    for f in both:
        assert least <= np.min(f[np.argmax(f) :])
        if least > 0.0:
            assert np.min(f) >= -1e-9


@pytest.mark.parametrize(("damping", "share"), [(0.05, 0.95), (0.1, 0.95), (0.2, 0.925), (0.4, 0.84)])
def test_lowest_frequency_is_the_worst_in_every_range_of_damping(damping: float, share: float) -> None:
    """Random springs of the class by scipy.signal.impulse: neither response is ever negative or above what the softest
    frequency makes of its range of damping.
    """
    rng = np.random.default_rng(int(1000 * damping))
    rate = share * damping
    ranges = damping_ranges(damping)
    assert all(response_extremes(rate, *own)[0] >= 0.0 for own in ranges)
    for number in range(40):
        stiffer = rng.uniform(1.0, 4.0)  # the same k is a smaller share of a higher frequency
        z = rng.uniform(damping, 1.0 - 1e-4)
        f = response(rate / stiffer, z, 14.0, number % 2 == 1)
        most = next(response_extremes(rate, *own)[1] for own in ranges if own[0] <= z <= own[1])
        assert np.max(f) <= most
        assert np.min(f) >= -1e-6


def test_the_damping_matters_near_its_lowest_value() -> None:
    """A spring with half the damping breaks what the bound needs: by scipy.signal.impulse its f turns negative."""
    rate = 0.925 * 0.2

    assert response_extremes(rate, 0.2, 1.0)[0] > 0.0
    assert np.min(response(rate, 0.1, 14.0)) < -0.1


@pytest.mark.parametrize("lowest", [0.05, 0.1, 0.2, 0.5])
def test_tails_hold_for_every_spring_of_the_class(lowest: float) -> None:
    """h' by scipy.signal.impulse of s / (s2 + 2 z w s + w2) for random stiffer and better damped springs."""
    rng = np.random.default_rng(7)
    ranges = damping_ranges(lowest)
    t = np.linspace(0.0, 30.0, 6001)
    for _ in range(40):
        w, z = rng.uniform(1.0, 3.0), min(rng.uniform(lowest, 1.0), 1.0 - 1e-6)
        tails = next(response_tails(*own) for own in ranges if own[0] <= z <= own[1])
        cell = np.minimum((t / TAIL_STEP).astype(int), tails.positive.size - 1)
        slope = signal.impulse(signal.lti([1.0, 0.0], [1.0, 2.0 * z * w, w * w]), T=t)[1]
        inside = t < tails.positive.size * TAIL_STEP
        assert np.all((slope <= tails.positive[cell] + 1e-6)[inside])
        assert np.all((-slope <= tails.negative[cell] + 1e-6)[inside])
