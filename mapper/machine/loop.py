"""The follow loop: gain and phase margin, and the highest gain that keeps them.

The law closes the loop once a tick: speed asked for = gain * error. With the real machine behind it

    L(s) = K g  exp(-s T) (1 - exp(-s h)) / (s h)  /  (s (1 + tau s))  *  w^2 / (s^2 + 2 z w s + w^2)

K gain of the profile (1/s), g real speed over asked speed, T dead time + one tick of computing + one tick of the
median of three, h the tick (its zero-order hold), tau lag of the valve, w and z the oil spring (w infinite: rigid).
The reading is not filtered besides the median; the operator's filter lies outside the loop, and feed-forward does not
change it.

Evaluated as a continuous loop with the hold's factor. That leaves out the images of the sampling: L falls with the
fourth power of the frequency there, and the exact sampled loop's closed-loop eigenvalues, in tests/outside, agree
within 1 %.

The phase falls all the way, so it crosses each odd multiple of -180 deg once: the gain margin is the smallest 1 / |L|
over these crossings. The magnitude does not fall all the way (the spring's peak), so |L| = 1 may be crossed up to
three times: the phase margin is the smallest distance to -180 deg (or to an odd multiple of it) over all of them.

Neither lag nor dead time nor frequency nor damping nor gain has a safe side: a stiffer spring may meet the delay at a
worse phase, a lower gain may put a crossing nearer to the peak. `worst_margins` searches a grid between all their
corners and refines nothing: it is a search and says how many plants it tried.

Source: Nyquist criterion; gain margin 6 dB and phase margin 45 deg are common practice (Ogata, Modern Control
Engineering, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.machine.actuator.linkage import Floats

GAIN_MARGIN_DB, PHASE_MARGIN_DEG = 6.0, 45.0
"""Common practice (Ogata, Modern Control Engineering, from memory)."""

RIGID_HZ = 1000.0
"""Stands for a joint that does not spring: far above what any valve follows."""

_BISECTIONS = 28  # of 25 in the logarithm: to 1e-7 of the frequency
_CROSSINGS = (1, 3, 5)  # odd multiples of -180 deg that the peak of a stiff spring can lie at
_POINTS = 60
_AROUND_PEAK = (-2.0, -1.0, -0.5, 0.0, 0.5, 1.0, 2.0)  # in half widths of the peak
_WINDOW = 9
_LAGS, _DELAYS, _FREQUENCIES, _DAMPINGS = 3, 3, 12, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Loops:
    """Many loops at once: arrays of one length n (m plants). `gain_per_s` is K g."""

    gain_per_s: Floats
    lag_s: Floats
    delay_s: Floats  # T: all pure delays
    hold_s: float  # h
    natural_hz: Floats
    damping_ratio: Floats

    def phase_rad(self, w: Floats) -> Floats:
        """Of L at w (rad/s), shape (n,) or (n, p): falls from -pi/2, never wrapped."""
        lag, delay, u, z = self._shaped(w)
        return np.asarray(
            -math.pi / 2.0 - np.arctan(lag * w) - w * (delay + self.hold_s / 2.0) - np.arctan2(2.0 * z * u, 1.0 - u * u)
        )

    def magnitude(self, w: Floats) -> Floats:
        """|L| at w (rad/s)."""
        lag, _, u, z = self._shaped(w)
        gain = self.gain_per_s if w.ndim == 1 else self.gain_per_s[:, None]
        hold = np.abs(np.sinc(w * self.hold_s / (2.0 * math.pi)))
        spring = np.sqrt((1.0 - u * u) ** 2 + (2.0 * z * u) ** 2)
        return np.asarray(gain * hold / (w * np.sqrt(1.0 + (lag * w) ** 2) * spring))

    def crossing_rad_s(self, phase_rad: float) -> Floats:
        """Where each loop's phase is `phase_rad`, below -pi/2: bisection in the logarithm, shape (n,)."""
        low = np.full(self.gain_per_s.shape, math.log(1e-4))
        high = np.full(self.gain_per_s.shape, math.log(1e6))
        for _ in range(_BISECTIONS):
            middle = 0.5 * (low + high)
            above = self.phase_rad(np.exp(middle)) > phase_rad
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.asarray(np.exp(0.5 * (low + high)))

    def peak_rad_s(self) -> Floats:
        """Of the spring's magnitude; its natural frequency where it has no peak."""
        w = 2.0 * math.pi * self.natural_hz
        return np.asarray(w * np.sqrt(np.maximum(1.0 - 2.0 * self.damping_ratio**2, 0.04)))

    def _shaped(self, w: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        wide = w.ndim == 2
        lag, delay, natural, z = (
            value[:, None] if wide else value
            for value in (self.lag_s, self.delay_s, 2.0 * math.pi * self.natural_hz, self.damping_ratio)
        )
        return lag, delay, w / natural, z


def gain_margins(loops: Loops) -> Floats:
    """By what factor each loop's gain may rise before it is unstable; below 1: it is unstable. Shape (n,)."""
    at = [loops.magnitude(loops.crossing_rad_s(-math.pi * odd)) for odd in _CROSSINGS]
    return np.asarray(1.0 / np.maximum.reduce(at))


def phase_margins_rad(loops: Loops, gains: Floats | None = None) -> Floats:
    """Phase that each loop has to spare at |L| = 1, over all such crossings; negative where the loop is unstable.

    Args:
        gains: the loops' gain margins, where they are known already.
    """
    w = _frequencies(loops)
    size = np.log(loops.magnitude(w))
    crosses = np.signbit(size[:, :-1]) != np.signbit(size[:, 1:])
    share = size[:, :-1] / np.where(crosses, size[:, :-1] - size[:, 1:], 1.0)
    log_w = np.log(w)
    at = np.exp(log_w[:, :-1] + np.where(crosses, share, 0.0) * np.diff(log_w, axis=1))
    turned = loops.phase_rad(at) + math.pi
    apart = np.abs(turned - 2.0 * math.pi * np.round(turned / (2.0 * math.pi)))
    least = np.min(np.where(crosses, apart, np.inf), axis=1)
    return np.asarray(np.where((gain_margins(loops) if gains is None else gains) > 1.0, least, -least))


def _frequencies(loops: Loops) -> Floats:
    """Rising frequencies (n, p) that bracket every crossing of |L| = 1: even in the logarithm, and around the peak."""
    peak = loops.peak_rad_s()
    low = 0.2 * np.minimum(loops.gain_per_s, peak)
    high = 3.0 * np.maximum(loops.gain_per_s, peak)
    steps = np.linspace(0.0, 1.0, _POINTS)[None, :]
    even = np.exp(np.log(low)[:, None] * (1.0 - steps) + np.log(high)[:, None] * steps)
    width = np.minimum(loops.damping_ratio, 0.3)[:, None]
    near = peak[:, None] * (1.0 + width * np.array(_AROUND_PEAK)[None, :])
    return np.asarray(np.sort(np.concatenate([even, near], axis=1), axis=1))


def highest_gain_factors(
    loops: Loops, gain_margin: float, phase_margin_rad: float, gains: Floats | None = None
) -> Floats:
    """Largest factor on each loop's gain that leaves both margins, shape (n,).

    A phase margin of p means: wherever the phase is within p of -180 deg (or an odd multiple), |L| is not 1; since
    |L| has to be below 1 at -180 deg itself, it has to be below 1 in that whole window. The largest |L| in the window
    is taken at its ends, at points between and at the spring's peak where that lies inside.
    """
    by_gain = (gain_margins(loops) if gains is None else gains) / gain_margin
    largest = np.zeros_like(by_gain)
    peak = loops.peak_rad_s()
    for odd in _CROSSINGS:
        begin = loops.crossing_rad_s(-math.pi * odd + min(phase_margin_rad, 0.49 * math.pi))
        end = loops.crossing_rad_s(-math.pi * odd - phase_margin_rad)
        steps = np.linspace(0.0, 1.0, _WINDOW)[None, :]
        within = np.exp(np.log(begin)[:, None] * (1.0 - steps) + np.log(end)[:, None] * steps)
        inside = np.clip(peak, begin, end)[:, None]
        largest = np.maximum(largest, np.max(loops.magnitude(np.concatenate([within, inside], axis=1)), axis=1))
    return np.asarray(np.minimum(by_gain, 1.0 / largest))


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopClass:
    """What a joint's loop may be: every range from its lowest to its highest value."""

    gain_per_s: tuple[float, float]  # K g
    lag_s: tuple[float, float]
    delay_s: tuple[float, float]  # T
    hold_s: float
    natural_hz: tuple[float, float]
    damping_ratio: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Margins:
    """The worst of a class, and the plants that are it. `highest_gain` is a factor on the class's gains."""

    gain_margin_db: float
    phase_margin_deg: float
    highest_gain: float
    cases: int
    worst_gain_plant: dict[str, float]
    worst_phase_plant: dict[str, float]


def worst_margins(
    members: LoopClass, gain_margin_db: float = GAIN_MARGIN_DB, phase_margin_deg: float = PHASE_MARGIN_DEG
) -> Margins:
    """Margins of the worst plant on the grid of the class, corners included."""
    lowest, highest = members.gain_per_s
    loops, slow = _grid(members, highest), _grid(members, lowest)
    gains = gain_margins(loops)
    # The gain margin is least at the highest gain; the phase margin may be less at the lowest.
    both = np.concatenate([phase_margins_rad(loops, gains), phase_margins_rad(slow, gains * highest / lowest)])
    factors = highest_gain_factors(loops, 10.0 ** (gain_margin_db / 20.0), math.radians(phase_margin_deg), gains)
    worst_gain, worst_phase = int(np.argmin(gains)), int(np.argmin(both))
    return Margins(
        gain_margin_db=20.0 * math.log10(float(gains[worst_gain])),
        phase_margin_deg=math.degrees(float(both[worst_phase])),
        highest_gain=float(np.min(factors)),
        cases=int(both.size),
        worst_gain_plant=_plant(loops, worst_gain),
        worst_phase_plant=_plant(loops if worst_phase < gains.size else slow, worst_phase % gains.size),
    )


def _grid(members: LoopClass, gain_per_s: float) -> Loops:
    axes = (
        np.unique(np.linspace(*members.lag_s, _LAGS)),
        np.unique(np.linspace(*members.delay_s, _DELAYS)),
        np.unique(np.geomspace(*members.natural_hz, _FREQUENCIES)),
        np.unique(np.geomspace(*members.damping_ratio, _DAMPINGS)),
    )
    lag, delay, natural, damping = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    return Loops(
        gain_per_s=np.full(lag.shape, gain_per_s),
        lag_s=lag,
        delay_s=delay,
        natural_hz=natural,
        damping_ratio=damping,
        hold_s=members.hold_s,
    )


def _plant(loops: Loops, index: int) -> dict[str, float]:
    return {
        "gain_per_s": float(loops.gain_per_s[index]),
        "lag_s": float(loops.lag_s[index]),
        "delay_s": float(loops.delay_s[index]),
        "natural_hz": float(loops.natural_hz[index]),
        "damping_ratio": float(loops.damping_ratio[index]),
    }
