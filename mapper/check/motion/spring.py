"""How far a lightly damped oil column lets a joint swing away from where the oil alone would have put it.

The trapped oil between valve and piston is a spring with the load as its mass. Write x for the joint, x_r for where an
incompressible column would have it, e = x - x_r. Oil damping (leakage and the valve's own pressure dependence) acts on
the compression, so

    e'' + 2 z w e' + w^2 e = -x_r''          w natural frequency in rad/s, z damping ratio, 0 < z < 1

With h(t) = exp(-s t) sin(d t) / d, s = z w, d = w sqrt(1 - z^2), and the spring at rest at the start,

    e = -(h * a) = -(h' * v),    e' = -(h' * a),        v = x_r', a = x_r''

so a bound on |a| or |v| gives one on |e| and |e'| through the integral of |h|, |h'|, |h''|. These integrals are sums
over the half waves of h; with q = exp(-s pi / d) and phi = acos z:

    integral |h|   = (1 / w^2) (1 + q) / (1 - q) = (1 / w^2) coth(z pi / (2 sqrt(1 - z^2)))
    integral |h'|  = 2 exp(-s phi / d) / (w (1 - q))           total variation of h: its extremes are exp(-s t_n) / w
    integral |h''| = 1 + 2 exp(-2 s phi / d) / (1 - q)         total variation of h': h'(0) = 1, its extremes exp(-s
    t_n) max |h|        = exp(-s phi / d) / w

All four fall when w or z grows, so the lowest frequency and damping bound every stiffer and better damped joint.
Source: derived here; the convolution bound is the textbook one for linear time-invariant systems (integral of the
magnitude of the impulse response), from memory. tests/unit/check/test_spring.py integrates h numerically.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

DAMPING_MOST = 0.99  # a better damped joint is bounded by this one, since every norm falls with the damping


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class SpringTail:
    """What the spring still remembers; ordered, since both fall together with time."""

    position_per_speed_s: float
    speed_per_speed: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpringNorms:
    """Integrals of the impulse response's magnitude, see the module."""

    position_per_acceleration_s2: float  # integral |h|
    position_per_speed_s: float  # integral |h'|
    speed_per_speed: float  # integral |h''|
    peak_s: float  # max |h|
    natural_rad_s: float
    damping_ratio: float

    def tail(self, after_s: float) -> SpringTail:
        """The same for what happened at least so long ago, and a step in it at that time: the envelope's integrals.

        |h'| <= w exp(-s t) / d and |h''| <= w^2 exp(-s t) / d; never more than the whole integrals.
        """
        root = math.sqrt(1.0 - self.damping_ratio**2)
        left = math.exp(-self.damping_ratio * self.natural_rad_s * after_s) / root
        return SpringTail(
            position_per_speed_s=min(
                self.position_per_speed_s, left * (1.0 / self.damping_ratio + 1.0) / self.natural_rad_s
            ),
            speed_per_speed=min(1.0 + self.speed_per_speed, left * (1.0 / self.damping_ratio + 1.0)),
        )


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
