"""How far a joint can come past a soft stop: a comparison with a room that shrinks exponentially.

One joint, one direction; x grows towards the soft stop at 0. The class of plants that the bound speaks of; each of
these may be anything within its limits at every moment and change at any moment, on purpose against us:

    x_r, v = x_r'   where a column of oil that cannot be compressed would have the joint
    v' = (y - v) / lag
                    lag at most lag_s (and at least lag_low_s, which only (B) uses)
    y               what the valve makes of the command, dead time later. Command u > 0: at most gain * (u + rise(u)),
                    rise what hysteresis and crack spread add, and at least gain_least * (u - fall(u)); u = 0: exactly
                    0 (no drift by leakage); u < 0: anything at most 0 (limited likewise for the other direction). The
                    load changes it by no more than the spread of the gain; the spool is neither limited in its speed
                    nor does it swing, beyond the lag
    x = H x_r       the oil spring of `spring.py`, either of its two: H(s) = (2 z w s + w^2) / (s^2 + 2 z w s + w^2), or
                    H0(s) = w^2 / (s^2 + 2 z w s + w^2) where the oil leaks; w and z at least as stated, z at most 1,
                    which of the two it is, w and z constant during a motion
    reading         x at a sample whose command has lost its effect `late_s` later at the latest (dead time, lost
                    samples, median, ticks); off by at most error_deg, which holds one count of noise
    command u       anything that the law can put out: u <= b(room read), 0 where no room is read (L6b, L7c); otherwise
                    by the ramps; 0 at any moment and from then on until a restart (stop, fault), as often as one likes

Starts: at rest, the spring too, anywhere. From beyond err + r the same holds with a larger r: no deeper than there.

Theorem. Let err = error_deg, r >= 0, y = err + r - x_r and Y = err + r - x = H y. Write x_1 for x_r, or where the oil
leaks for x_r behind the lag T = 2 z / w, so that x = H x_1 either way (`spring.py`). Let k > 0 with k lag_s < 1.
Suppose

    (A) the response f(t) = e^(kt) (impulse response of H(s) / (s + k)) is never negative; rho is its largest value;
        both for H and for H0
    (B) |x - x_1| <= E whenever the law reads and may command (`swing.py`)
    (C) F(Z) <= max(d / rho Z, d (1 - k T) (Z - E)) for every Z > 0, with d = k e^(-k late) (1 - k lag_s), T = 2 z / w
        and F(Z) the largest real speed that the valve makes of b(Z - r); 0 for Z <= r

Then x <= err + r for all time.

Proof.
1. Claim (*): v <= k y at all times. Where it has held so far, p = y' + k y = k y - v >= 0, so y >= 0 and e^(kt) y(t)
   never falls, and Y = (H / (s + k)) p has a response that is not negative: Y >= 0.
2. Also y(t) = int e^(-ks) p(t-s) ds, hence Y <= rho y. And y_1 = err + r - x_1 is y, or y behind the lag T, and y(t-s)
   <= e^(ks) y(t), so y_1 <= y int e^(ks) e^(-s/T) / T ds = y / (1 - k T); Y <= y_1 + E by (B).
3. A reading is at least x - error_deg, so the room that it leaves is at most error_deg - x = Y(t') - r at its time t'.
   So the command made of it asks the valve for at most F(Y(t')), which by (C) and 2 is at most d y(t') either way.
4. By the time it acts, at most late_s later, e^(k late) y(t) >= y(t'): the valve's speed is at most k (1 - k lag_s)
   y(t) at all times up to which (*) has held.
5. With m = k y - v: m' = -k v - (valve - v) / lag >= -k^2 y + (k y - m - k (1 - k lag_s) y) / lag = -m / lag + k^2 y
   (lag_s / lag - 1) >= -m / lag. So m, which is not negative at the start, never becomes so: (*) goes on. (Commands
   depend on earlier readings only, so the steps follow each other in time; where m or y is 0 one argues with k y + eps
   and lets eps go to 0.)
6. Y >= 0 is x <= err + r. Nothing was said of how the speed got there: ramps, amplitudes and earlier swings do not
   enter, except through E in the far branch of (C).

A stiffer joint: its motions, slowed down by w / w_low, are motions of the softest joint with y' >= -k (w_low / w) y >=
-k y, so (A) holds and rho is no larger; T and E are smaller. More damping: a joint's damping ratio is one, so the
damping ratios from the lowest up to 1 are divided into ranges, and (C) is asked of each with its own rho, T and E. A
relief or counterbalance that opens lets x_r move without the valve: such a plant is outside (limit pressure_peak); so
are other joints that throw this one, and play in pins.

k is free: of several the one with the smallest r is taken. For a given k, F is constant between two millidegrees of
reading, so (C) is an inequality for each millidegree, and the smallest r comes from the worst of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mapper.check.motion.spring import DAMPING_MOST, damping_ranges, response_extremes
from mapper.check.motion.swing import Shaken, largest_swing_deg

Floats = npt.NDArray[np.float64]

_SHARES = tuple(np.linspace(0.1, 1.0, 37))  # of damping x natural frequency, or of 1 / lag where that is less, for k
_COARSE, _FINE = 80, 1  # millidegrees of reading that are judged together, to choose k and then with that k
_ROUNDS_MOST = 60
_GROWTH = 1e-5  # by which a value that does not yet reproduce itself is raised beyond what it needs
_OUTWARD = 1.0 + 1e-9  # covers the rounding of the floating-point steps


@dataclass(frozen=True, slots=True, kw_only=True)
class StopSide:
    """One direction of a joint. Degrees and seconds."""

    points: tuple[tuple[float, float], ...]  # braking curve as compiled, up to the full speed: room, command
    real_deg_s: Floats  # F at a room read of 0, 1, 2, .. mdeg; never falling; the last value is held

    @property
    def fastest_deg_s(self) -> float:
        """Largest real speed towards this stop."""
        return float(self.real_deg_s[-1])

    def blocks(self, size: int) -> tuple[Floats, Floats]:
        """Rooms read from 1 mdeg on, `size` millidegrees judged together: smallest room (deg) and largest F of each."""
        first = np.arange(1, self.real_deg_s.size, size)
        last = np.minimum(first + size - 1, self.real_deg_s.size - 1)
        return first / 1000.0, self.real_deg_s[last] * _OUTWARD


@dataclass(frozen=True, slots=True, kw_only=True)
class StopClass:
    """A joint's class of plants. `error_deg` holds the count of noise; the two sides share everything but the
    curves.
    """

    sides: tuple[StopSide, StopSide]
    lag_s: float
    late_s: float
    error_deg: float
    natural_rad_s: float
    damping_ratio: float
    shaken: Shaken


@dataclass(frozen=True, slots=True, kw_only=True)
class StopBound:
    """Both sides' bounds of x beyond the soft stop, and what the argument needed for them."""

    overrun_deg: tuple[float, float]
    shift_deg: tuple[float, float]  # r
    at_room_deg: tuple[float, float]  # the room at which r is needed; 0: none is
    far: tuple[bool, bool]  # the swing E decides there
    rate_per_s: float  # k
    slope_per_s: float  # d
    rho: float  # largest of all ranges of damping
    leak_share: float  # k T, largest of all ranges
    swing_deg: float  # E, largest of all ranges


@dataclass(slots=True)
class _Range:
    """Damping ratios that are judged together."""

    lowest: float
    highest: float
    rho: float
    leak_share: float  # k T
    swing_deg: float = 0.0  # E; raised until it reproduces itself


@dataclass(frozen=True, slots=True)
class _Shift:
    deg: float
    room_deg: float
    far: bool


def bound_overruns(stops: StopClass) -> StopBound | None:
    """The smallest bound over the k that are tried; None where no k meets (A) with a swing that has a bound."""
    coarse = _Rooms(stops, _COARSE)
    best: StopBound | None = None
    most_per_s = min(min(stops.damping_ratio, DAMPING_MOST) * stops.natural_rad_s, 1.0 / stops.lag_s)
    for share in _SHARES:
        bound = _bound_with(stops, coarse, float(share) * most_per_s)
        if bound is not None and (best is None or max(bound.shift_deg) < max(best.shift_deg)):
            best = bound
    return None if best is None else _bound_with(stops, _Rooms(stops, _FINE), best.rate_per_s)


class _Rooms:
    """Both sides' rooms and speeds, in blocks."""

    def __init__(self, stops: StopClass, size: int) -> None:
        self.sides = tuple(side.blocks(size) for side in stops.sides)


def _bound_with(stops: StopClass, rooms: _Rooms, rate: float) -> StopBound | None:
    """One k. Swing and shifts bound each other: raised until they reproduce themselves."""
    slope = rate * math.exp(-rate * stops.late_s) * (1.0 - rate * stops.lag_s) / _OUTWARD
    ranges = _ranges(stops, rate)
    if ranges is None or slope <= 0.0:
        return None
    shifts = (0.0, 0.0)
    for _ in range(_ROUNDS_MOST):
        fall = max(_fall_rate(stops, side, rate, shift) for side, shift in zip(stops.sides, shifts, strict=True))
        settled = True
        for own in ranges:
            shaken = replace(stops.shaken, damping_ratio=own.lowest)
            needed = largest_swing_deg(shaken, fall, own.highest)
            if needed is None:
                return None
            if needed > own.swing_deg:
                own.swing_deg, settled = needed * (1.0 + _GROWTH), False
        found = tuple(_shift(side, slope, ranges) for side in rooms.sides)
        if settled and all(new.deg <= old for new, old in zip(found, shifts, strict=True)):
            return StopBound(
                overrun_deg=(stops.error_deg + shifts[0], stops.error_deg + shifts[1]),
                shift_deg=shifts,
                at_room_deg=(found[0].room_deg, found[1].room_deg),
                far=(found[0].far, found[1].far),
                rate_per_s=rate,
                slope_per_s=slope,
                rho=max(own.rho for own in ranges),
                leak_share=max(own.leak_share for own in ranges),
                swing_deg=max(own.swing_deg for own in ranges),
            )
        shifts = (_grown(found[0], shifts[0]), _grown(found[1], shifts[1]))
    return None


def _ranges(stops: StopClass, rate: float) -> list[_Range] | None:
    """The ranges of damping with what does not depend on the swing; None where (A) or 1 - k T > 0 fails in one."""
    ranges, share = [], rate / stops.natural_rad_s
    for lowest, highest in damping_ranges(stops.damping_ratio):
        least, rho = response_extremes(share, lowest, highest)
        if least < 0.0 or 2.0 * highest * share >= 1.0:
            return None
        ranges.append(_Range(lowest, highest, rho * _OUTWARD, 2.0 * highest * share * _OUTWARD))
    return ranges


def _grown(found: _Shift, before: float) -> float:
    return before if found.deg <= before else found.deg * (1.0 + _GROWTH) + _GROWTH


def _shift(side: tuple[Floats, Floats], slope: float, ranges: list[_Range]) -> _Shift:
    """Smallest r with which (C) holds at every millidegree of room, in every range of damping."""
    room, speed = side
    shift = _Shift(0.0, 0.0, False)
    for own in ranges:
        by_near = speed * (own.rho / slope)
        by_far = speed * (1.0 / (slope * (1.0 - own.leak_share))) + own.swing_deg
        needed = np.minimum(by_near, by_far) - room
        worst = int(np.argmax(needed))
        if needed[worst] > shift.deg:
            shift = _Shift(float(needed[worst]), float(room[worst]), bool(by_far[worst] < by_near[worst]))
    return shift


def _fall_rate(stops: StopClass, side: StopSide, rate: float, shift_deg: float) -> float:
    """Fastest fall of b along the motion of the oil (deg/s2): slope times real speed, which is at most k times the room
    of the oil, and the fastest of all.
    """
    worst = 0.0
    for (x0, y0), (x1, y1) in zip(side.points, side.points[1:], strict=False):
        speed = min(side.fastest_deg_s, rate * (x1 + stops.error_deg + shift_deg))
        worst = max(worst, (y1 - y0) / (x1 - x0) * speed)
    return worst * _OUTWARD
