"""Soft-stop overrun: a barrier in the phase plane for the oil's motion, and a bound for the oil spring on top of it.

One joint, one direction; x grows towards the soft stop at 0. The class of plants that the bound speaks of:

    v' = (y - v) / lag              v speed of the oil column; lag in lag_low..lag_high, constant or one value while
                                    gaining and another while slowing
    y                               what the valve makes of the command, dead time later: at most gain * up(u) for u >
                                    0, where up is u plus what hysteresis and crack spread add; exactly 0 for u = 0;
                                    within `band` it follows the command at most `gain_step` times as fast, apart from a
                                    jump of at most gain * residual when the spool centres
    x = x_r + e                     e the oil spring of `spring.py`, at least as stiff and as damped as stated; x_r' = v
    reading                         x at a sample whose command has lost its effect `late_s` later (dead time included);
                                    off by a constant of at most error_deg and by noise of at most noise_deg
    command u                       anything that the law can put out: up by at most the ramp; down by the ramp or with
                                    the braking curve B(room) of the reading; 0 when no room is left

Starts: at rest, the spring too, between the soft stops. On top, once, at any moment: the command drops to 0 in one tick
(emergency stop, fault, deadline of a stop); and samples are lost for less than the fault time.

Not in the class, and so not in the bound: gain is one value during a motion. The lever arm that the law takes from the
reading changes along the way, and it swings with the reading while the joint swings on the oil; the largest ratio that
lateness and error can make of it is in `gain`, the change itself and what E adds to the lateness are not. Samples lost
again and again, as often good as lost: their reading is no older than `late`, but the swing that each loss adds is
counted once. A second drop to 0, or a new start, while the spring still swings. Ticks shorter than nominal.

1. Barrier. Suppose |e| <= E. The room that the law sees at a time is at most error + noise + E - x_r then, so with
   z = x_r - (error + noise + E) the command is at most B(-z(t - late)), and 0 once z(t - late) >= 0, independent of E.
   Curve C starts at gain * up(speed), before the braking curve acts, and follows v' = (gain up(B(-z(t - late))) - v) /
   lag_high. No plant of the class crosses C outwards: on C its position `late` ago was at least C's (it has been below
   C, and whoever is below C covers no more way in the same time), so its command is at most C's, and with v above the
   commanded value both slow, the plant no slower than C: dv/dx <= that of C. Needs v >= gain up(B) on C, which the
   integration keeps. The integration is outward: each step holds the command at the step's beginning, where it is
   largest (B falls along C), and solves the lag exactly; B is taken at the room rounded up to the next millidegree.
2. Envelope. Take any rate at least the ramp's. Commands rise by at most the ramp. They fall by the ramp or with B of
   the reading, which over a time I falls by at most B(room + way) - B(room), where way = (oil) v I + (spring) min(2 E,
   E' I) and v is the speed of C at the start of the way. `excess` is the most by which such a fall is more than rate *
   I. Then u lies at most 2 wobble below its upper envelope of slope `rate`, wobble = excess / 2 + slope * noise + rate
   * lateness of a tick + rounding: let i be the last tick before k whose value is that of B; every earlier u_j is at
   most B_j, hence at most u_i + rate (i - j) + 2 wobble, and after i the command falls by the ramp only. The other soft
   stop does the same from below. Steep falls end within `reach` of their stop, so between one near either stop the
   joint covers the rest of the travel, which takes at least `apart`: of the other stop's wobble only what the spring
   still remembers after that time counts, and halfway between no new wobble is added.
3. Spring. The envelope's acceleration of x_r is at most gain_step * rate * staircase, where staircase = (T / lag_low) /
   (1 - exp(-T / lag_low)) is the price of steps instead of a ramp. Wobble, band and residual move v by at most
   gain_step * wobble + gain * (band + residual) / 2 about a value without them (the lag is monotone with unit gain).
   The norms of spring.py turn both into E and E'. The one run of lost samples moves the command by at most rate * stale
   and back.
4. Fixed point. E and E' bound the excess, which bounds E and E'. Values that reproduce themselves hold for all time by
   induction over ticks: the command of a tick depends only on readings before it. Several rates are tried and the
   smallest E kept. Where none is found there is no bound, and the result says so: then the braking curve is too steep
   near the stop for the spring, and the stop itself may keep it swinging.
5. Overrun. x = x_r + e <= (z at the end) + error + noise + E + E. The drop to 0 in one tick, from a point (z, v) of C:
   the oil goes on by at most v (late + lag), and not beyond C's end; the spring adds at most v * max|h|, since the drop
   is one way.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.motion.spring import SpringNorms, SpringTail, spring_norms

Floats = npt.NDArray[np.float64]

_STEP_MOST_S = 0.0025
_STEPS_MOST = 60_000
_SPEED_LEAST_DEG_S = 0.001  # below this the curve is closed off by a formula
_ROUNDS_MOST = 40
_RATES = (1.0, 1.25, 1.6, 2.0, 2.5, 3.2)  # of the ramp
_PIECES, _TIME_MOST_S = 6, 2.0  # longer falls than two seconds and a half swing are slower than the ramp
_SPEED_ROUNDS = 3
_SWING_MOST_DEG = 45.0  # a bound above this is none
_GRID_DEG = 0.1
_OUTWARD = 1.0 + 1e-9  # covers the rounding of the floating-point steps
_ROUNDING_DEG_S = 0.003  # integer steps of speed, flow and drive in the law, in units of the command


@dataclass(frozen=True, slots=True, kw_only=True)
class Approach:
    """One direction of one joint: braking curve, limits and the class of plants. Degrees and seconds."""

    brake_points: tuple[tuple[float, float], ...]  # room (deg) -> speed (deg/s), as compiled
    brake: tuple[float, ...]  # up(B) in deg/s at room 0, 1, 2, .. mdeg; never falling; the last value is held
    speed_deg_s: float  # largest command
    travel_deg: float  # between the soft stops
    ramp_deg_s2: float  # the steepest of acceleration, deceleration and stopping ramp
    gain: float  # real speed over commanded speed, largest
    gain_step: float  # change of real speed over change of the command, largest
    band_deg_s: float  # in units of the command, like the next one
    residual_deg_s: float
    lag_low_s: float
    lag_high_s: float
    late_s: float
    stale_s: float  # how much of late_s is due to lost samples before they become a fault
    tick_s: float
    tick_most_s: float  # a later tick is a fault
    error_deg: float
    noise_deg: float
    natural_frequency_hz: float
    damping_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PhaseCurve:
    """The barrier C: no plant is faster than speed_deg_s[i] once it has passed z_deg[i]."""

    z_deg: Floats
    speed_deg_s: Floats
    end_deg: float  # where it comes to rest

    def speed_at(self, z_deg: npt.ArrayLike) -> Floats:
        """Upper bound of the speed at z: the curve's value at the last point not beyond it."""
        at = np.searchsorted(self.z_deg, z_deg, side="right") - 1
        return np.asarray(self.speed_deg_s[np.clip(at, 0, len(self.z_deg) - 1)], dtype=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Overrun:
    """One side of `bound_overruns`. overrun_deg and swing_deg are None when no bound was found."""

    overrun_deg: float | None
    swing_deg: float | None  # E
    rigid_deg: float  # the same bound without the spring
    curve: PhaseCurve
    slope_per_s: float  # steepest braking curve
    slope_shown_per_s: float  # a steeper one can have no bound, whatever the ramp


def phase_curve(approach: Approach) -> PhaseCurve:
    """Step 1 of the module: the barrier, for E = error = noise = 0 (other values only move the origin of z)."""
    brake, last = approach.brake, len(approach.brake) - 1
    gain, lag = approach.gain, approach.lag_high_s
    step = min(_STEP_MOST_S, approach.tick_s, lag / 4.0)
    delay = math.ceil(approach.late_s / step - 1e-9)
    keep = math.exp(-step / lag)
    slide = lag * (1.0 - keep)
    speed = gain * brake[last] * _OUTWARD
    position = -last / 1000.0
    z = [position - speed * step * (delay - i) for i in range(delay)]
    v = [speed] * delay
    for i in range(_STEPS_MOST):
        z.append(position)
        v.append(speed)
        if speed < _SPEED_LEAST_DEG_S:
            break
        room = -z[i]
        command = 0.0
        if room > 0.0:
            command = gain * brake[min(last, int(room * 1000.0) + 1)]
        position += (command * step + (speed - command) * slide) * _OUTWARD
        speed = max(command, command + (speed - command) * keep * _OUTWARD)
    end = max(position, 0.0) + speed * (approach.late_s + lag)
    return PhaseCurve(z_deg=np.array(z), speed_deg_s=np.array(v), end_deg=end)


@dataclass(frozen=True, slots=True)
class _Side:
    approach: Approach
    curve: PhaseCurve
    slopes: Floats  # see _slope_envelope


def bound_overruns(approaches: tuple[Approach, Approach]) -> tuple[Overrun, Overrun]:
    """Bounds of x beyond both soft stops of a joint, for every plant of the class. Source: steps 1 to 5 of the module.

    Args:
        approaches: the two directions; spring, lags and ticks are the joint's, the same in both.
    """
    first, second = (_Side(approach, phase_curve(approach), _slope_envelope(approach)) for approach in approaches)
    norms = spring_norms(approaches[0].natural_frequency_hz, approaches[0].damping_ratio)
    swing = _swing((first, second), norms)
    if swing is None:
        return _bound(first, norms, None), _bound(second, norms, None)
    return _bound(first, norms, swing[0]), _bound(second, norms, swing[1])


def _bound(side: _Side, norms: SpringNorms, swing: float | None) -> Overrun:
    return Overrun(
        overrun_deg=None if swing is None else _overrun(side.approach, side.curve, swing, norms.peak_s),
        swing_deg=swing,
        rigid_deg=_overrun(side.approach, side.curve, 0.0, 0.0),
        curve=side.curve,
        slope_per_s=float(side.slopes[0]),
        slope_shown_per_s=1.0 / (_push(side.approach) * norms.position_per_speed_s),
    )


def _push(approach: Approach) -> float:
    """Acceleration of the oil over rate of the command (step 3)."""
    stairs = approach.tick_s / approach.lag_low_s
    return approach.gain_step * stairs / (1.0 - math.exp(-stairs))


def _swing(sides: tuple[_Side, _Side], norms: SpringNorms) -> tuple[float, float] | None:
    """Steps 2 to 4: E near either stop, or None when the rounds find no fixed point at any of the rates."""
    best: tuple[float, float] | None = None
    for share in _RATES:
        rate = max(side.approach.ramp_deg_s2 for side in sides) * share
        swing = _swing_at(sides, norms, rate, _SWING_MOST_DEG if best is None else max(best))
        best = best if swing is None else swing
    return best


def _swing_at(sides: tuple[_Side, _Side], norms: SpringNorms, rate: float, most: float) -> tuple[float, float] | None:
    """E near either stop at one rate; None when there is no fixed point, or none below `most`."""
    own = [side.approach for side in sides]
    step = max(approach.gain_step for approach in own)
    position, speed = _steady(sides, norms, rate)
    fastest = max(approach.gain * approach.brake[-1] for approach in own)
    excess, tail = [0.0, 0.0], SpringTail(position_per_speed_s=0.0, speed_per_speed=0.0)
    for _ in range(_ROUNDS_MOST):
        half = [0.5 * step * value for value in excess]
        swings = [
            position + near * norms.position_per_speed_s + far * tail.position_per_speed_s
            for near, far in (half, reversed(half))
        ]
        if max(swings) >= most:
            return None
        swing_speed = speed + max(
            near * (1.0 + norms.speed_per_speed) + far * tail.speed_per_speed for near, far in (half, half[::-1])
        )
        falls = [_excess(side, (max(swings), swing_speed, rate)) for side in sides]
        slack = 2.0 * max(approach.error_deg + approach.noise_deg for approach in own) + 2.0 * max(swings)
        apart_s = (own[0].travel_deg - sum(fall.reach_deg for fall in falls) - slack) / fastest
        needed_tail = norms.tail(max(0.0, apart_s))
        if all(fall.excess_deg_s <= value for fall, value in zip(falls, excess, strict=True)) and needed_tail <= tail:
            return swings[0], swings[1]
        excess = [
            value + max(0.0, 1.2 * (fall.excess_deg_s - value) + 1e-3)
            for fall, value in zip(falls, excess, strict=True)
        ]
        tail = max(tail, needed_tail)
    return None


def _steady(sides: tuple[_Side, _Side], norms: SpringNorms, rate: float) -> tuple[float, float]:
    """The parts of E and E' that do not depend on the swing itself: ramp, valve, noise, rounding, lost samples."""
    own = [side.approach for side in sides]
    push = max(_push(approach) for approach in own)
    step = max(approach.gain_step for approach in own)
    # Each direction's valve has its band and its jump when the spool centres; noise shakes one direction at a time.
    shake = sum(0.5 * approach.gain * approach.residual_deg_s for approach in own)
    shake += max(0.5 * approach.gain * approach.band_deg_s for approach in own)
    shake += step * max(
        float(side.slopes[0]) * side.approach.noise_deg
        + rate * (side.approach.tick_most_s - side.approach.tick_s)
        + _ROUNDING_DEG_S
        for side in sides
    )
    lost = 2.0 * step * rate * max(approach.stale_s for approach in own)
    position = (
        push * rate * norms.position_per_acceleration_s2 + shake * norms.position_per_speed_s + lost * norms.peak_s
    )
    return position, push * rate * norms.position_per_speed_s + shake * (1.0 + norms.speed_per_speed) + lost


def _slope_envelope(approach: Approach) -> Floats:
    """At each room of the grid, the steepest slope of the braking curve (1/s) at that room or more."""
    points = approach.brake_points
    room = _rooms(approach)
    slope = np.zeros_like(room)
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        if y0 < approach.speed_deg_s:  # above the largest command the curve does nothing
            slope[room <= x1] = np.maximum(slope[room <= x1], (y1 - y0) / (x1 - x0))
    return slope


def _rooms(approach: Approach) -> Floats:
    return np.arange(0.0, approach.brake_points[-1][0] + 2.0 * _GRID_DEG, _GRID_DEG)


@dataclass(frozen=True, slots=True)
class _Falls:
    excess_deg_s: float  # 0 when the braking curve never falls faster than the rate
    reach_deg: float  # room at the start of the farthest fall that does


def _excess(side: _Side, swing: tuple[float, float, float]) -> _Falls:
    """Step 2: the most by which the braking curve can fall more than `rate` times the time it takes, deg/s.

    swing: E, E' and the rate. Times are cut into pieces, one cut where 2 E = E' I. On a piece the speed is that of the
    longest way, so the way is a concave function of time and so is its fall less the rate: straight between the cuts.
    Between two points of the grid of rooms the slope is at most the nearer one's and the speed that of the farther one.
    """
    approach, curve, slopes = side.approach, side.curve, side.slopes
    most_deg, most_deg_s, rate = swing
    turn = 2.0 * most_deg / most_deg_s
    cuts = np.concatenate(
        [np.linspace(0.0, turn, _PIECES + 1), np.linspace(turn, turn + _TIME_MOST_S, 2 * _PIECES + 1)[1:]]
    )
    begin, end = cuts[:-1, None], cuts[1:, None]
    room = _rooms(approach)[None, :]
    behind = 2.0 * (approach.error_deg + approach.noise_deg + most_deg) + _GRID_DEG
    fastest = np.full((cuts.size - 1, room.shape[1]), approach.gain * approach.brake[-1])
    spring = np.minimum(2.0 * most_deg, most_deg_s * end)
    for _ in range(_SPEED_ROUNDS):  # each round's speed is a bound, so the next round's is one too, and smaller
        fastest = curve.speed_at(-(room + fastest * end + spring) - behind)
    x, y = np.array(approach.brake_points).T
    here = np.interp(room, x, y)
    worst, reach = 0.0, 0.0
    for time in (begin, end):
        way = fastest * time + np.minimum(2.0 * most_deg, most_deg_s * time)
        fall = np.minimum(slopes[None, :] * way, np.interp(room + _GRID_DEG + way, x, y) - here)
        excess = fall - rate * time
        worst = max(worst, float(np.max(excess)))
        reach = max(reach, float(np.max(np.where(excess > 0.0, room + _GRID_DEG + way, 0.0))))
    return _Falls(worst, reach)


def _overrun(approach: Approach, curve: PhaseCurve, swing_deg: float, peak_s: float) -> float:
    """Step 5, with the drop to 0 at the worst place of the curve (taken to lie up to the next point)."""
    speed = curve.speed_deg_s
    farthest = np.append(curve.z_deg[1:], curve.end_deg) + speed * (approach.late_s + approach.lag_high_s)
    dropped = np.minimum(farthest, curve.end_deg) + speed * peak_s
    return float(max(curve.end_deg, np.max(dropped))) + approach.error_deg + approach.noise_deg + 2.0 * swing_deg
