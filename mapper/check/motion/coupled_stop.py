"""Coupled stops: how far the weighted sum of two joints can come past its soft stop. The argument of `stop_bound`,
for two.

x = wA xA + wB xB grows towards the stop; in the same way x_r and v. Both joints are of the class of plants in
`stop_bound`, each with its own lag, dead time, gain and oil spring, which may be at opposite ends of their limits.
closing_i = max(0, wi vi). The law (rules L6c, L7f) keeps the sum of the commanded closing speeds at or below b(room
read); since the two joints may act on commands of different times, each of them is taken to use all of it up.

Write x_1 for x_r, or of a joint whose oil leaks for x_r behind the lag T = 2 z / w, so that xi = Hi x_1i for both of
the springs that `spring.py` has; v_1, closing_1 and away_1 = max(0, -wi v_1i) likewise. Each joint's frequency, damping
and kind of spring are constant.

Theorem. Let err be the weighted sum of the errors, y = err + r - x_1, Y = err + r - x, T the larger of both (0 without
a leak). With P(s) and N(s) the largest positive and negative value that the h' of either spring can take from s on
(`spring.response_tails`), let k > 0 with k lag_s < 1 and k T < 1, and for all s

    (A) 1 - P(s) e^(ks) - k int_0^s N(u) e^(ku) du >= 0; rho is the largest 1 + N(s) e^(ks) + k int_0^s P(u) e^(ku) du
    (C) F_A(Z) + F_B(Z) <= c Z for every Z > 0, c = k e^(-k late) (1 - k lag_s) (1 - k T) / rho, F_i(Z) the largest
        real closing speed of joint i at b(Z - r); late from the oldest sample of either joint to the end of the effect
        of its command on either

Then x <= err + r for all time.

Proof.
1. Claim (*): closing_1A + closing_1B <= k y. Where it has held, y' = -v_1 >= -k y, so p = y' + k y >= 0 and e^(kt) y
   never falls. p = away_1A + away_1B + n, n = k y - closing_1A - closing_1B >= 0.
2. Y = y - sum of wi ei = y + sum of h_i' * (closing_1i - away_1i), and y = int e^(-ks) p(t-s) ds. So
       Y = int sum of (e^(-ks) - h_i'(s)) away_1i(t-s) + e^(-ks) n(t-s) ds + sum of h_i' * closing_1i,
   where sums over away_1i have e^(-ks) once each. The first is at least int (e^(-ks) - P(s)) p(t-s) ds. The last is at
   least -(N * k y), and y there is the integral of p once more. Together
       Y >= int p(t-s) e^(-ks) (1 - P e^(ks) - k int_0^s N e^(ku) du) ds >= 0 by (A).
3. The two readings may be of different times, the one at t, the other, B, at t - a, a >= 0 (samples of one lost). The
   room read is then at most Y2 - r, Y2 = err + r - xA(t) - xB(t-a), in closing coordinates, which is
       y + int_0^a v_1B(t-s) ds - eA(t) - eB(t-a).
   Of closing there is in it, as P and N never rise and P <= 1, at s < a at most P closing_1A + closing_1B <= k y(t-s),
   beyond at most P(s-a) k y(t-s); of moving away at s < a at most N(s) away_1A, beyond at most N(s-a) times both. With
   y(t-s) as the integral of p, Y2 <= int p(t-s) e^(-ks) K(s) ds, K(s) = e^(ks) (1 + N(s)) for s < a, and beyond e^(ka)
   (1 + N(s-a) e^(k(s-a)) + k int_0^(s-a) P e^(ku) du). Both are at most rho e^(ka): rho >= 1 + N(0). So Y2 <= rho
   e^(ka) y(t): no more than counting from the older sample costs anyway.
4. As in `stop_bound`, 3 and 4, valve i is at most F_i(rho e^(k late) y) at any time up to which (*) has held, and seen
   from t on, a way s back, y(t-s) <= e^(ks) y(t). So valve i at t - s is at most F_i(Z(s)), Z(s) = rho e^(k (late + s))
   y(t), which never falls with s. A lag that is never above lag_s remembers no longer than one of lag_s, and the one of
   the leak is constant, at most T. So closing_1i is at most the average of F_i(Z(s)), s distributed as the sum of two
   exponential times of mean lag_s and T, and both together at most that of c Z(s), which is rho c e^(k late) y(t) / ((1
   - k lag_s) (1 - k T)) = k y(t): (*) goes on. Y >= 0 is the claim.

P and N hold for stiffer and better damped springs. A joint's damping ratio is one: the ratios from the lowest up to 1
are divided into ranges, and (A) and (C) are asked of every pair of ranges, each with its own P, N and T. No ramp, stop
or earlier swing enters.

(A) is shown cell by cell of a grid of times, P and N from a cell's beginning, e^(ks) and the integral from its end;
up to the first FIRST steps by 1 - P e^(ks) >= 1 - e^(-(a-k) s), a the smaller z w, whose slope is to be at least that
of the integral. Beyond the grid's end P and N are below a falling exponential.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.context import MDEG, Floats, Ints, JointContext, down, judge, not_shown, up
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.motion.spring import TAIL_END, TAIL_STEP, damping_ranges, fade_of_tails, response_tails
from mapper.check.motion.stop_plants import real_speed
from mapper.law import LiveTable
from mapper.machine import NEGATIVE, POSITIVE
from mapper.profile.profile import Profile, StopPair
from mapper.table.table import CoupledStop, Table

LIMIT = "coupled_stops"
_SHARES = tuple(np.linspace(0.1, 0.7, 25))  # of the smaller damping x natural frequency, or of 1 / lag, for k
_FIRST = 10  # cells of the grid of times that are shown together
_OUTWARD = 1.0 + 1e-9
Pair = tuple[float, float]
_SPEED_SHARES = (1.0, 0.25, 0.0, -0.5)  # of full speed, towards the stop
_TOLD_MDEG = 30_000  # the room for which the finding tells the speed
_SOME_MDEG = 43  # between rooms at which all pairs of these are tried


@dataclass(frozen=True, slots=True, kw_only=True)
class SumBound:
    """A coupled stop's bound, in deg of the weighted sum."""

    error_deg: float
    shift_deg: float  # r
    at_room_deg: float
    rate_per_s: float  # k
    rho: float  # rho / (1 - k T), largest of all pairs of ranges of damping
    slope_per_s: float  # c
    cases: int

    @property
    def overrun_deg(self) -> float:
        """Largest x."""
        return self.error_deg + self.shift_deg


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """A coupled stop of the table with the words that the profile has for it."""

    number: int  # in the table
    stop: CoupledStop
    name: str
    end: str  # "upper" or "lower"
    pair: StopPair


def coupled_stops(
    profile: Profile, table: Table, live: LiveTable, joints: tuple[JointContext, ...]
) -> tuple[Finding, ...]:
    """One finding for each coupled stop of the table, in its order."""
    return tuple(_judged(row, live, _contexts_of(row.stop, joints)) for row in rows(profile, table))


def rows(profile: Profile, table: Table) -> tuple[Row, ...]:
    """The table's coupled stops with their names. One that the profile does not have is limit `as_written`'s to
    tell.
    """
    names = [joint.name for joint in profile.joints]
    found = []
    for number, stop in enumerate(table.coupled):
        for own in profile.coupled_stops:
            for end, pair, sign in (("upper", own.upper, 1), ("lower", own.lower, -1)):
                weights = tuple(int(sign * weight * 1000) for weight in own.weights)
                same = tuple(names.index(name) for name in own.joints) == stop.joints and weights == stop.weights_e3
                if pair is not None and same and math.floor(sign * pair.soft_deg * MDEG) == stop.limit_mdeg:
                    found.append(Row(number=number, stop=stop, name=own.name, end=end, pair=pair))
    return tuple(found)


def _contexts_of(stop: CoupledStop, joints: tuple[JointContext, ...]) -> tuple[JointContext, JointContext]:
    return joints[stop.joints[0]], joints[stop.joints[1]]


def _judged(row: Row, live: LiveTable, joints: tuple[JointContext, JointContext]) -> Finding:
    broken = _law_breaks(row, live, joints)
    if broken:
        detail = f"{row.name}, {row.end}: {broken}"
        advice = "do not use this build of the law: rule L6c is broken"
        return not_shown(None, LIMIT, unit="deg", detail=detail, advice=advice)
    bound = sum_bound(row.stop, row.number, live, joints)
    words = " and ".join(context.joint.name for context in joints)
    some_mdeg = min(_TOLD_MDEG, row.stop.brake.points[-1][0])
    cap_deg_s = int(live.coupled_brake(row.number, np.array([some_mdeg], dtype=np.int32))[0]) / MDEG
    return judge(
        None,
        LIMIT,
        evidence=Evidence.INTERVAL,
        cases=bound.cases,
        worst=bound.overrun_deg,
        bound=float(abs(row.pair.hard_deg - row.pair.soft_deg)),
        unit="deg",
        detail=f"{row.name}, {row.end} ({words}): comparison with a room that closes at {bound.rate_per_s:.2f} 1/s at "
        f"most; errors of both readings {bound.error_deg:.3f} deg and {bound.shift_deg:.3f} deg for what the valves do "
        "on top of the commands; plants as for the soft stops, each joint at its own worst, both readings of any "
        f"allowed ages, any commands, stops and restarts; with {some_mdeg / MDEG:g} deg of room both "
        f"together close at {cap_deg_s:.1f} deg/s at most",
        advice=_advice(row, bound, joints),
        explanation=_explained(bound),
    )


def _advice(row: Row, bound: SumBound, joints: tuple[JointContext, JointContext]) -> str:
    hard = float(row.pair.hard_deg)
    inside = down(hard - bound.overrun_deg) if row.end == "upper" else up(hard + bound.overrun_deg)
    advice = f'coupled_stops, {row.name}: {row.end}.soft = "{inside:g} deg"'
    if bound.shift_deg > bound.error_deg:
        keys = " and ".join(f"{context.key}.tolerances.hysteresis" for context in joints)
        return f"{advice}; or less {keys}, or a jump farther below the crack point"
    errors = " and ".join(f"{context.key}.position.error" for context in joints)
    return f"{advice}; or sensors with less {errors}"


def _explained(bound: SumBound) -> Explanation:
    numbers = (
        ("k", "closing rate of the room, free", bound.rate_per_s, "1/s"),
        (
            "rho",
            "largest room that swinging joints report over that of their oil columns, leaking or not",
            bound.rho,
            "ratio",
        ),
        ("c", "k (1 - k lag) exp(-k late) / rho", bound.slope_per_s, "1/s"),
        ("Zr", "room at which the valves are fastest for their room", bound.at_room_deg, "deg"),
        ("r", "what that takes", bound.shift_deg, "deg"),
        ("err", "weighted sum of the largest errors, a count of noise each included", bound.error_deg, "deg"),
    )
    return Explanation(
        formula=(
            "speeds of both valves at room Z, together <= c (Z + r) at every millidegree of room",
            "overrun = err + r",
        ),
        given=tuple(Given(symbol=s, meaning=meaning, value=value, unit=unit) for s, meaning, value, unit in numbers),
        source="derived here, step by step in mapper/check/motion/coupled_stop.py",
    )


# -- the bound ------------------------------------------------------------------------------------------------------


def sum_bound(stop: CoupledStop, number: int, live: LiveTable, joints: tuple[JointContext, JointContext]) -> SumBound:
    """The smallest bound over the k that are tried, on the curve as the law reads it.

    Args:
        stop: of the table, its `number`th.
        joints: the contexts of its joints, in its order.
    """
    room = np.arange(1, stop.brake.points[-1][0] + 2, dtype=np.int32)
    real = closing_deg_s(stop, joints, live.coupled_brake(number, room)) * _OUTWARD
    lag_s = max(float(context.joint.tolerances.lag_s.upper) for context in joints)
    late = late_s(joints)
    pairs = _spring_pairs(joints)
    decay_per_s = min(springs.decay_per_s for springs in pairs)
    best: SumBound | None = None
    for share in _SHARES:
        rate = float(share) * min(decay_per_s, 1.0 / lag_s)
        passed = 1.0 - rate * lag_s
        rooms = [springs.largest_room(rate) for springs in pairs]
        if passed <= 0.0 or any(rho is None for rho in rooms):
            continue
        rho = max(rho for rho in rooms if rho is not None)
        slope = rate * passed * math.exp(-rate * late) / rho / _OUTWARD
        needed = real / slope - room / MDEG
        worst = int(np.argmax(needed))
        shift = max(0.0, float(needed[worst]))
        if best is None or shift < best.shift_deg:
            best = SumBound(
                error_deg=error_deg(stop, joints),
                shift_deg=shift,
                at_room_deg=float(room[worst]) / MDEG if shift > 0.0 else 0.0,
                rate_per_s=rate,
                rho=rho,
                slope_per_s=slope,
                cases=room.size,
            )
    assert best is not None  # a small enough k meets (A)
    return best


def late_s(joints: tuple[JointContext, JointContext]) -> float:
    """From the oldest sample of either joint to the end of the effect of its command on either."""
    dead = [float(context.joint.tolerances.dead_time_s.upper) for context in joints]
    return max(context.late_s - own for context, own in zip(joints, dead, strict=True)) + max(dead)


def _spring_pairs(joints: tuple[JointContext, JointContext]) -> list[_Springs]:
    natural = [2.0 * math.pi * float(context.joint.tolerances.natural_frequency_hz) for context in joints]
    ranges = [damping_ranges(float(context.joint.tolerances.damping_ratio)) for context in joints]
    return [_Springs((natural[0], natural[1]), (first, second)) for first in ranges[0] for second in ranges[1]]


class _Springs:
    """Both joints' springs, each with a range of damping ratios: P and N of the module on one grid of times."""

    def __init__(self, natural: Pair, ranges: tuple[Pair, Pair]) -> None:
        both = list(zip(natural, ranges, strict=True))
        fades = [fade_of_tails(*own) for own in ranges]
        self.decay_per_s = min(own[0] * w for w, own in both)
        self.fade_per_s = min(share * w for w, (share, _) in zip(natural, fades, strict=True))
        self.swell = max(swell for _, swell in fades)
        self.leak_s = max(2.0 * own[1] / w for w, own in both)
        self.step_s = TAIL_STEP / max(natural)
        count = int(TAIL_END / self.fade_per_s / self.step_s)
        self.positive, self.negative = np.zeros(count), np.zeros(count)
        for w, own in both:
            tails, (share, swell) = response_tails(*own), fade_of_tails(*own)
            cell = np.floor(np.arange(count) * self.step_s * w / TAIL_STEP + 1e-9).astype(np.int64)
            known, held = np.minimum(cell, tails.positive.size - 1), cell < tails.positive.size
            beyond = swell * np.exp(-share * cell * TAIL_STEP)
            self.positive = np.maximum(self.positive, np.where(held, tails.positive[known], beyond))
            self.negative = np.maximum(self.negative, np.where(held, tails.negative[known], beyond))

    def largest_room(self, rate: float) -> float | None:
        """rho / (1 - k T) for a k in 1/s; None where (A) or k T < 1 does not hold."""
        fade, first = self.decay_per_s - rate, _FIRST * self.step_s
        if self.fade_per_s <= rate or rate * self.leak_s >= 1.0:
            return None
        end = np.exp(rate * self.step_s * np.arange(1, self.positive.size + 1))
        over = np.diff(np.concatenate([[1.0], end]))  # k int e^(ku) du over each cell
        drawn, given = np.cumsum(self.negative * over), np.cumsum(self.positive * over)
        if fade * math.exp(-fade * first) < rate * self.negative[0] * math.exp(rate * first):
            return None
        if np.min(1.0 - self.positive[_FIRST:] * end[_FIRST:] - drawn[_FIRST:]) < 0.0:
            return None
        # P e^(ks) and N e^(ks) at the end and beyond
        left = self.swell * math.exp(-(self.fade_per_s - rate) * self.step_s * self.positive.size)
        rest = left * (1.0 + rate / (self.fade_per_s - rate))
        if 1.0 - rest - drawn[-1] < 0.0:
            return None
        rho = float(max(np.max(1.0 + self.negative * end + given), 1.0 + rest + given[-1]))
        return rho / (1.0 - rate * self.leak_s)


def error_deg(stop: CoupledStop, joints: tuple[JointContext, JointContext]) -> float:
    """Weighted sum of what the readings may be off."""
    return sum(
        abs(weight) / 1000.0 * (float(context.joint.position.error_deg) + context.noise_deg)
        for weight, context in zip(stop.weights_e3, joints, strict=True)
    )


def closing_deg_s(stop: CoupledStop, joints: tuple[JointContext, JointContext], cap_mdeg_s: Ints) -> Floats:
    """F_A + F_B for each cap: each joint alone using all of it up, the valve at its most."""
    total = np.zeros(cap_mdeg_s.shape)
    for weight, context in zip(stop.weights_e3, joints, strict=True):
        most = real_speed(context, POSITIVE if weight > 0 else NEGATIVE).most_deg_s
        command = np.minimum(cap_mdeg_s.astype(np.int64) * 1000 // abs(weight), most.size - 1)
        total += abs(weight) / 1000.0 * most[command]
    return total


# -- the law --------------------------------------------------------------------------------------------------------


def _law_breaks(row: Row, live: LiveTable, joints: tuple[JointContext, JointContext]) -> str:
    """Rules L6c and L7f of the compiled law, also beyond the stop: both joints asked for full speed at every
    millidegree of room, other pairs of speeds at some of them. Empty where they are kept: no closing speeds above the
    curve together, none beyond the stop, no speed raised or turned round, and motion away left as it is.
    """
    every = _breaks_at(
        row, live, joints, np.arange(-1000, row.stop.brake.points[-1][0] + 2, dtype=np.int64), ((1.0, 1.0),)
    )
    some = np.arange(-1000, row.stop.brake.points[-1][0] + 2, _SOME_MDEG, dtype=np.int64)
    return every or _breaks_at(row, live, joints, some, tuple((a, b) for a in _SPEED_SHARES for b in _SPEED_SHARES))


def _breaks_at(
    row: Row,
    live: LiveTable,
    joints: tuple[JointContext, JointContext],
    wanted: npt.NDArray[np.int64],
    pairs: tuple[tuple[float, float], ...],
) -> str:
    """wanted: rooms in mdeg; pairs: shares of both full speeds towards the stop."""
    stop = row.stop
    weights = np.array(stop.weights_e3, dtype=np.int64)
    first = np.full(wanted.shape, sum(joints[0].table.soft_stop_mdeg) // 2, dtype=np.int64)
    # The second joint makes the room; a position beyond its travel does not matter to the rule.
    second = (stop.limit_mdeg * 1000 - weights[0] * first - wanted * 1000) // weights[1]
    room = (stop.limit_mdeg * 1000 - weights[0] * first - weights[1] * second) // 1000
    cap = np.where(room > 0, live.coupled_brake(row.number, np.maximum(room, 0).astype(np.int32)), 0).astype(np.int64)
    full = [
        context.table.speed_full_mdeg_s[POSITIVE if weight > 0 else NEGATIVE] * (1 if weight > 0 else -1)
        for weight, context in zip(stop.weights_e3, joints, strict=True)
    ]
    for shares in pairs:
        asked = [
            np.full(wanted.shape, int(share * speed), dtype=np.int32) for share, speed in zip(shares, full, strict=True)
        ]
        given = live.coupled(row.number, (first.astype(np.int32), second.astype(np.int32)), (asked[0], asked[1]))
        closing = [np.maximum(weight * speed.astype(np.int64), 0) for weight, speed in zip(weights, given, strict=True)]
        if np.any(closing[0] + closing[1] > cap * 1000):
            return "at some room the law lets the two joints close faster together than the curve says"
        for old, new, weight in zip(asked, given, weights, strict=True):
            away = old * weight <= 0
            if np.any(np.abs(new) > np.abs(old)) or np.any(old * new < 0) or np.any(away & (old != new)):
                return "at some room the law raises a speed, turns it round or slows motion away from the stop"
    return ""
