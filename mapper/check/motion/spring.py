"""How far a lightly damped oil column lets a joint swing away from where the oil alone would have put it.

The trapped oil between valve and piston is a spring with the load as its mass. Write x for the joint, x_r for where an
incompressible column would have it, w the natural frequency in rad/s, z the damping ratio, 0 < z <= 1. What damps it
decides which of two responses the joint has (Merritt, Hydraulic Control Systems, 1967, from memory):

    H0(s) = w^2 / (s^2 + 2 z w s + w^2)                 oil that leaks with the pressure: leakage, the valve's own
                                                        flow-pressure slope. The joint lags behind x_r by 2 z / w.
    H(s) = (2 z w s + w^2) / (s^2 + 2 z w s + w^2)      a resistance to the compression itself, beside the spring

Every bound here is to hold for both. H0 is H behind one more first-order lag T = 2 z / w: so x = H x_1, x_1 = x_r for
the second and x_r behind that lag for the first, and e = x - x_1 obeys in both cases

    e'' + 2 z w e' + w^2 e = -x_1''

With h(t) = exp(-s t) sin(d t) / d, s = z w, d = w sqrt(1 - z^2), and the spring at rest at the start,

    e = -(h * a) = -(h' * v),    e' = -(h' * a),        v = x_1', a = x_1''

so a bound on |a| or |v| gives one on |e| and |e'| through the integral of |h|, |h'|, |h''|. These integrals are sums
over the half waves of h; with q = exp(-s pi / d) and phi = acos z:

    integral |h|   = (1 / w^2) (1 + q) / (1 - q) = (1 / w^2) coth(z pi / (2 sqrt(1 - z^2)))
    integral |h'|  = 2 exp(-s phi / d) / (w (1 - q))           total variation of h: its extremes are exp(-s t_n) / w
    integral |h''| = 1 + 2 exp(-2 s phi / d) / (1 - q)         total variation of h': h'(0) = 1, its extremes exp(-s
    t_n) max |h|        = exp(-s phi / d) / w

All four fall when w or z grows, so the lowest frequency and damping bound every stiffer and better damped joint.
For a room y that closes at a rate k at most (`stop_bound`), what counts is the response to p = y' + k y instead. With
r = k / w and time in units of 1 / w, the impulse response of H(s) / (s + r), H(s) = (2 z s + 1) / (s^2 + 2 z s + 1),
times e^(rt), is by partial fractions

    f(t) = A + e^(-(z-r) t) (B cos d t + C sin d t),     d = sqrt(1 - z^2)
    A = (1 - 2 z r) / (1 - 2 z r + r^2),  B = -A,  C = (2 z + r A - z A) / d

f(0) = 0; f' = 0 once in every half wave, and f - A falls by exp(-(z-r) pi / d) from one such place to the next. So the
largest and the smallest value are among f at the first places, 0 and A. With H0 in place of H it is the step response
of a spring with damping z - r,

    f0(t) = A0 (1 - e^(-(z-r) t) (cos d t + (z-r) / d sin d t)),     A0 = 1 / (1 - 2 z r + r^2)

never negative for r < z and at most A0 (1 + exp(-(z-r) pi / d)), of which the first factor grows with z and the second
falls: between two damping ratios it is below the first at the upper and the second at the lower one.

For two joints together (`coupled_stop`) what counts is how large h' can still become from a time on, either way. Of h'
the change with z is -2 (h' * h'), and |h'| <= e^(-z t) min(1 / root(1 - z^2), 1 + z t) in units of 1 / w, so between
two damping ratios h' is within their distance / 2 times 2 t e^(-z t) min(..)^2 of one of them.

Source: derived here; the convolution bound is the textbook one for linear time-invariant systems (integral of the
magnitude of the impulse response), from memory. tests/unit/check/test_spring.py integrates h numerically
and compares f with the same response of scipy.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

DAMPING_MOST = 0.99  # a better damped joint is bounded by this one, since every norm falls with the damping
_RANGES = 8  # into which the damping ratios from the lowest up to 1 are divided
_DAMPINGS = 17  # damping ratios of a range at which the response is worked out
_BETWEEN = 1e-3  # what f may be beyond that between them; tests/unit/check/test_spring.py looks
_SWELLS = 0.85  # damping ratio from which on root(1 - z^2) says too little
_NEARLY_ONE = 1.0 - 1e-9  # the closed forms divide by root(1 - z^2)
TAIL_STEP, TAIL_END = 0.02, 8.0  # in 1 / w, and in 1 / (z w)
_TAIL_DAMPINGS = 60  # of a range
_OUTWARD = 1e-9  # rounding of the closed forms


@dataclass(frozen=True, slots=True, kw_only=True)
class SpringNorms:
    """Integrals of the impulse response's magnitude, see the module."""

    position_per_acceleration_s2: float  # integral |h|
    position_per_speed_s: float  # integral |h'|
    speed_per_speed: float  # integral |h''|
    peak_s: float  # max |h|
    natural_rad_s: float
    damping_ratio: float


def spring_norms(natural_frequency_hz: float, damping_ratio: float) -> SpringNorms:
    """The four norms for the softest and least damped joint of a class.

    Args:
        natural_frequency_hz: lowest, > 0.
        damping_ratio: lowest, > 0; above DAMPING_MOST it is taken as that.
    Raises:
        ValueError: a frequency or damping that is not positive: no bound exists for an undamped spring.
    """
    if not natural_frequency_hz > 0.0 or not damping_ratio > 0.0:
        raise ValueError(
            f"natural frequency {natural_frequency_hz} Hz and damping ratio {damping_ratio} must be above 0"
        )
    z = min(damping_ratio, DAMPING_MOST)
    w = 2.0 * math.pi * natural_frequency_hz
    root = math.sqrt(1.0 - z * z)
    phi = math.acos(z)
    q = math.exp(-z * math.pi / root)
    first = math.exp(-z * phi / root)
    return SpringNorms(
        position_per_acceleration_s2=(1.0 + q) / (1.0 - q) / (w * w),
        position_per_speed_s=2.0 * first / (w * (1.0 - q)),
        speed_per_speed=1.0 + 2.0 * first * first / (1.0 - q),
        peak_s=first / w,
        natural_rad_s=w,
        damping_ratio=z,
    )


def damping_ranges(lowest: float) -> tuple[tuple[float, float], ...]:
    """The damping ratios from the lowest (> 0; above DAMPING_MOST taken as that) up to 1, in parts that join."""
    ends = [float(z) for z in np.geomspace(min(lowest, DAMPING_MOST), 1.0, _RANGES + 1)]
    return tuple(pairwise([*ends[:-1], 1.0]))


@functools.cache
def response_extremes(rate: float, lowest: float, highest: float) -> tuple[float, float]:
    """Least and largest value of f and f0 (see the module) for all damping ratios of a range, outward.

    Args:
        rate: r, the closing rate over the natural frequency in rad/s, > 0.
        lowest: damping ratio, > 0.
        highest: the same, at most 1.

    Returns:
        The least value leaves out f(0) = 0, which every f has; below 0 also where r is not below the damping ratio.
    """
    lowest = min(lowest, DAMPING_MOST)
    if rate >= lowest:
        return -1.0, math.inf
    damping = np.geomspace(lowest, min(highest, _NEARLY_ONE), _DAMPINGS)
    found = [_extremes(rate, float(z)) for z in damping]
    least, most = min(least for least, _ in found) - _BETWEEN, max(most for _, most in found) + _BETWEEN
    below, above = damping[:-1], np.minimum(damping[1:] * (1.0 + _OUTWARD), 1.0)
    crest = 1.0 + np.exp(-math.pi * (below - rate) / np.sqrt(1.0 - below * below))
    leaking = float(np.max(crest / (1.0 - 2.0 * above * rate + rate * rate)))
    return least, max(most, leaking) + _OUTWARD


def _extremes(rate: float, z: float) -> tuple[float, float]:
    d, fade = math.sqrt(1.0 - z * z), z - rate
    level = (1.0 - 2.0 * z * rate) / (1.0 - 2.0 * z * rate + rate * rate)
    sine = (2.0 * z + rate * level - z * level) / d
    # f' = 0 where tan(d t) = up / down
    angle = math.atan2(d * sine + fade * level, fade * sine - d * level) % math.pi
    values = [
        level + math.exp(-fade * t) * (sine * math.sin(d * t) - level * math.cos(d * t))
        for t in ((angle + wave * math.pi) / d for wave in (0, 1, 2))
        if t > 0.0
    ]
    return min(level, *values), max(level, *values)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tails:
    """Upper bounds of what h' can still become from a time on, in steps of TAIL_STEP / w; both never rise."""

    positive: Floats
    negative: Floats


@functools.cache
def response_tails(lowest: float, highest: float) -> Tails:
    """Largest positive and negative value of h'(t) from each time on, for all damping ratios of a range, outward.

    For a stiffer spring too, since h' depends on w t: its value at t is the softest one's at a later time. h' = 1 at
    0, its extremes lie where h'' = 0: at w t = (2 phi + n pi) / d. Beyond the last step see `fade_of_tails`.
    """
    lowest = min(lowest, DAMPING_MOST)
    last = TAIL_END / lowest
    t = np.arange(0.0, last, TAIL_STEP)
    share, swell = fade_of_tails(lowest, highest)
    beyond = swell * math.exp(-share * float(t[-1]))
    positive, negative = np.full(t.size, beyond), np.full(t.size, beyond)
    dampings = np.geomspace(lowest, min(highest, _NEARLY_ONE), _TAIL_DAMPINGS)
    for z in dampings:
        d = math.sqrt(1.0 - z * z)
        crests = (2.0 * math.acos(z) + math.pi * np.arange(int(last * d / math.pi) + 1)) / d
        at = np.concatenate([t, crests[crests < last]])
        slope = np.exp(-z * at) * (np.cos(d * at) - z / d * np.sin(d * at))
        order = np.argsort(at, kind="stable")
        place = np.searchsorted(at[order], t)
        for side, values in ((positive, slope), (negative, -slope)):
            highest_on = np.maximum.accumulate(np.maximum(values[order], 0.0)[::-1])[::-1]
            np.maximum(side, highest_on[place], out=side)
    between = 0.5 * float(np.max(np.diff(dampings))) * _change_with_damping(t, lowest, highest)
    return Tails(positive=np.minimum(positive + between, 1.0), negative=np.minimum(negative + between, 1.0))


def _change_with_damping(t: Floats, lowest: float, highest: float) -> Floats:
    """Largest |dh'/dz| from each time on, in a range."""
    size = np.minimum(1.0 / math.sqrt(1.0 - min(highest, _NEARLY_ONE) ** 2), 1.0 + highest * t)
    change = 2.0 * t * np.exp(-lowest * t) * size**2
    later = 2.0 * t[-1] * math.exp(-lowest * t[-1]) * size[-1] ** 2  # falls from there on
    return np.asarray(np.maximum(np.maximum.accumulate(change[::-1])[::-1], later))


def fade_of_tails(lowest: float, highest: float) -> tuple[float, float]:
    """(share, swell): |h'(t)| <= swell e^(-share w t) at all times, for all damping ratios of a range.

    Either e^(-z t) / root(1 - z^2), or near 1 from (1 + z t) e^(-z t), the largest of (1 + u) e^(-u / 4) being
    4 e^(-3/4).
    """
    if highest < _SWELLS:
        return lowest, 1.0 / math.sqrt(1.0 - highest * highest)
    return 0.75 * lowest, 4.0 * math.exp(-0.75)
