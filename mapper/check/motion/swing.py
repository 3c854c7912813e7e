"""The largest swing of a joint on its oil spring, whatever is commanded: what (B) of `stop_bound` asks for.

e = x - x_1 obeys e'' + 2 z w e' + w^2 e = -x_1''; h is its impulse response and the integrals of |h| and |h'| are those
of `spring.py`, as is x_1: the position x_r of the oil, or that behind one more lag T = 2 z / w where the oil leaks.
Whatever bounds the valve's speed bounds that of x_1, v_1, too. The class of plants is that of `stop_bound`: gain, lag,
dead time, error and age of the reading may change at any moment; frequency, damping and T are constant.

1. Commands. Below, the oil's motion is x_1. Let R be at least every ramp and the fall of b along the oil's motion. Then
   a command never falls below an earlier one by more than R times the time between plus 2 W: since the last tick that
   took the command from the braking curve (rule L7c) it has fallen by a ramp only, and in that tick it was b(room
   read), while the earlier one was at most b of its own reading. Two readings differ from the rooms of the oil at their
   ticks by at most E and the error each, and by the ages of their samples, during which the oil moved at most at its
   fastest: 2 W = slope (2 E + 2 error + age x fastest) + rounding. For negative commands the same holds upwards with
   the other stop's curve. A coupled stop lowers commands in the same way; `extra_fall_deg_s2` and `extra_shake_deg_s`
   are its part of R and W (`stop_plants`).
2. So there is a c(t), no steeper than R, with |u - c| <= W (McShane's extension: the largest of u(j) - W - R |t - j|).
3. The valve's speed differs from middle_gain * c by at most `spread`, what gain, hysteresis and crack spread make of
   it, plus middle_gain * (W + R * half the spread of the dead times and a tick). The lag, of any changing size,
   passes deviations on no larger. What it makes of y = middle_gain * c: v is never farther from y than middle_gain R
   lag_s. Let v0 follow y with the constant lag T0 = 2 / (1 / lag_low_s + 1 / lag_s); then (v - v0)' = -(v - v0) / T0
   + (y - v) (1 / lag - 1 / T0), so |v - v0| <= middle_gain R lag_s |T0 / lag - 1| <= middle_gain R lag_s (lag_s -
   lag_low_s) / (lag_s + lag_low_s). T, constant, passes all of that on no larger and no steeper.
4. |v0'| <= middle_gain R, hence |e| <= middle_gain R int|h| + d int|h'|, d the sum of the deviations in 3.
5. A stop drops the command to 0 at once, and the soonest next command comes restart_s later. Compare with a plant whose
   valve closes evenly within `slowing`, the time that full speed takes at R (R is raised if that is longer than
   restart_s): that one is covered by 4, and the difference v_d to the real one starts at 0, jumps up by at most the
   fastest speed and falls back evenly. |h(t)| is below C e^(-b t): with b = z w, C = 1 / (w sqrt(1 - z^2)), or, since
   |h| <= t e^(-z w t), with b = 3/4 z w and C = 4 / (exp(1) z w). With a the smallest of b, 1 / (2 lag) and 1 / (2 T),
   |h| and the lags together leave at most e^(-a t) C / ((1 - a lag) (1 - a T)) of each step, so at the next command
   |e_d| <= fastest C / ((1 - a lag) (1 - a T)) [e^(-aT') + (e^(-a (T' - slowing)) - e^(-aT')) / (a slowing)], T' =
   restart_s. Stops again and again add up as a geometric series.
6. E stands on both sides, since W holds slope * E: E = base / (1 - middle_gain slope int|h'|), if that is above 0.

Source: derived here; bounds by integrals of the magnitude of the impulse response are textbook, from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from mapper.check.motion.spring import DAMPING_MOST, spring_norms

_SWELLS = 0.85  # damping ratio from which on 1 / sqrt(1 - z^2) says too little
_PEAK = 4.0 / math.e
_ROUNDING_DEG_S = 0.003  # integer steps of speed, flow and drive in the law, in units of the command


@dataclass(frozen=True, slots=True, kw_only=True)
class Shaken:
    """What a joint's commands and valve can do to its oil spring. Degrees and seconds, both directions together."""

    natural_rad_s: float
    damping_ratio: float  # lowest
    ramp_deg_s2: float  # the steepest of acceleration, deceleration and stopping ramp
    slope_per_s: float  # steepest braking curve
    speed_deg_s: float  # largest command
    fastest_deg_s: float  # largest real speed
    middle_gain: float
    spread_deg_s: float  # largest difference of the valve's speed from middle_gain times the command
    lag_low_s: float
    lag_s: float
    dead_spread_s: float  # longest less shortest dead time, and a tick
    age_s: float  # of a sample when its command comes out
    error_deg: float
    restart_s: float  # from a stop to the soonest command after it
    extra_fall_deg_s2: float = 0.0
    extra_shake_deg_s: float = 0.0


def largest_swing_deg(shaken: Shaken, fall_deg_s2: float, damping_most: float = 1.0) -> float | None:
    """E of the module. None where the braking curve is too steep for the spring to have a bound.

    Args:
        fall_deg_s2: fastest fall of the braking curve's command along the oil's motion.
        damping_most: highest damping ratio, at most 1.
    """
    norms = spring_norms(shaken.natural_rad_s / (2.0 * math.pi), shaken.damping_ratio)
    gain = shaken.middle_gain
    kept = 1.0 - gain * shaken.slope_per_s * norms.position_per_speed_s
    if kept <= 0.0:
        return None
    steepest = max(shaken.ramp_deg_s2, fall_deg_s2, shaken.extra_fall_deg_s2, shaken.speed_deg_s / shaken.restart_s)
    shake = shaken.slope_per_s * (shaken.error_deg + 0.5 * shaken.age_s * shaken.fastest_deg_s)
    shake += _ROUNDING_DEG_S + shaken.extra_shake_deg_s
    lag_share = (shaken.lag_s - shaken.lag_low_s) / (shaken.lag_s + shaken.lag_low_s)
    shake += steepest * (shaken.lag_s * lag_share + 0.5 * shaken.dead_spread_s)
    base = gain * steepest * norms.position_per_acceleration_s2
    base += norms.position_per_speed_s * (shaken.spread_deg_s + gain * shake)
    return (base + _left_of_stops_deg(shaken, steepest, damping_most)) / kept


def _left_of_stops_deg(shaken: Shaken, steepest_deg_s2: float, damping_most: float) -> float:
    """Step 5: what all earlier stops have left of their swing when the next command comes."""
    natural, z = shaken.natural_rad_s, min(shaken.damping_ratio, DAMPING_MOST)
    share, swell = (z, 1.0 / math.sqrt(1.0 - damping_most**2)) if damping_most < _SWELLS else (0.75 * z, _PEAK / z)
    lag_s, leak_s = shaken.lag_s, 2.0 * damping_most / natural
    decay = min(share * natural, 0.5 / lag_s, 0.5 / leak_s)
    slowing_s = shaken.speed_deg_s / steepest_deg_s2
    whole, part = math.exp(-decay * shaken.restart_s), math.exp(-decay * (shaken.restart_s - slowing_s))
    once = whole + (part - whole) / (decay * slowing_s)
    passed = (1.0 - decay * lag_s) * (1.0 - decay * leak_s) * (1.0 - whole)
    return shaken.fastest_deg_s * swell / natural * once / passed
