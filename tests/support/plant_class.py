"""Random adversarial runs of plants of the class that a soft-stop bound speaks of: numpy, many at once.

Written from the class's description in mapper/check/motion/stop_bound.py, not from its bound. Law: rules L6b, L7a,
L7b and L7c as a sequence of speeds. Plant: dead time, a valve that makes anything of a command that the class allows,
a first-order lag, the oil spring, half of them leaking; stepped exactly over a tick, in which command, gain and lag are
constant. Every tick of every run may have another gain, lag, dead time, error and age of its sample. Not tried: ticks
that come late (they only delay here).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.check.context import SIDES, JointContext
from mapper.check.motion.stop_bound import StopClass
from mapper.check.motion.stop_plants import real_speed, stop_class


@dataclass(frozen=True)
class Runs:
    """Per trajectory: largest x beyond the upper soft stop, the same less where it started (if beyond), largest |e|
    while commands may come, what the operator did, and whether the oil leaks.
    """

    farthest_deg: np.ndarray
    started_deg: np.ndarray
    swing_deg: np.ndarray
    kind: np.ndarray
    leaking: np.ndarray


@dataclass(frozen=True)
class Outside:
    """How far the plants are out of the class: factors on gain, frequency, damping; 1 is just inside."""

    gain: float = 1.0
    frequency: float = 1.0
    damping: float = 1.0
    late_ticks: int = 0


@dataclass(frozen=True)
class Joint:
    """One joint with its class, seen towards the stop of one side. The first of a pair belongs to that side."""

    stops: StopClass
    most_deg_s: tuple[np.ndarray, np.ndarray]  # by command in mdeg/s
    least_deg_s: tuple[np.ndarray, np.ndarray]
    brake: tuple[np.ndarray, np.ndarray]  # command by room in mdeg, from 0 on
    full_deg_s: tuple[float, float]
    travel_deg: float
    ramp_deg_s: tuple[float, float]  # of a tick: gaining, slowing
    tick_s: float
    lag_low_s: float
    dead_s: tuple[float, float]
    restart_ticks: int


INSIDE = Outside()
KINDS = ("full speed", "pump in phase", "square wave", "random", "away and back")
_LAGS = 3


def joint_of(context: JointContext, side: int) -> Joint:
    """The joint with the sides turned so that `side` comes first."""
    stops, order = stop_class(context), (side, 1 - side)
    real = [real_speed(context, number) for number in SIDES]
    table, machine, tolerances = context.table, context.machine, context.joint.tolerances
    brake = []
    for number in order:
        x, y = np.array(table.brake[number].points).T
        allowed = np.minimum(np.interp(np.arange(x[-1] + 1), x, y), table.speed_full_mdeg_s[number])
        allowed[0] = 0.0
        brake.append(np.floor(allowed))
    return Joint(
        stops=stops,
        most_deg_s=(real[order[0]].most_deg_s, real[order[1]].most_deg_s),
        least_deg_s=(real[order[0]].least_deg_s, real[order[1]].least_deg_s),
        brake=(brake[0], brake[1]),
        full_deg_s=(table.speed_full_mdeg_s[order[0]] / 1000.0, table.speed_full_mdeg_s[order[1]] / 1000.0),
        travel_deg=(table.soft_stop_mdeg[0] - table.soft_stop_mdeg[1]) / 1000.0,
        ramp_deg_s=(table.accelerate_mdeg_s / 1000.0, max(table.decelerate_mdeg_s, table.stop_mdeg_s) / 1000.0),
        tick_s=context.tick_s,
        lag_low_s=float(tolerances.lag_s.lower),
        dead_s=(float(tolerances.dead_time_s.lower), float(tolerances.dead_time_s.upper)),
        restart_ticks=machine.load_ticks + machine.match_ticks,
    )


STATES = ("x_r", "v", "e", "e' / w", "x_r - x_1")  # after them the valve's speed; x = x_1 + e


def exact_steps(lag: np.ndarray, w: np.ndarray, z: np.ndarray, leaking: np.ndarray, tick: float) -> np.ndarray:
    """(n, 5, 6): the states after a tick from those before it and the constant valve speed.

    Without a leak e'' + 2 z w e' + w^2 e = -x_r''. Leaking, x'' + 2 z w x' + w^2 x = w^2 x_r; of that x_1 is x_r behind
    the lag T = 2 z / w, for which e = x - x_1 obeys the first equation with x_1'' = (v - (x_r - x_1) / T) / T.
    """
    n = lag.size
    a = np.zeros((n, 6, 6))
    a[:, 0, 1] = 1.0
    a[:, 1, 1], a[:, 1, 5] = -1.0 / lag, 1.0 / lag
    a[:, 2, 3] = w
    a[:, 3, 2], a[:, 3, 3] = -w, -2.0 * z * w
    late = 2.0 * z / w
    a[:, 3, 1] = np.where(leaking, -1.0 / late / w, 1.0 / lag / w)
    a[:, 3, 5] = np.where(leaking, 0.0, -1.0 / lag / w)
    a[:, 3, 4] = np.where(leaking, 1.0 / late**2 / w, 0.0)
    a[:, 4, 1], a[:, 4, 4] = np.where(leaking, 1.0, 0.0), np.where(leaking, -1.0 / late, 0.0)
    total = np.repeat(np.eye(6)[None], n, axis=0)
    term = total.copy()
    for order in range(1, 16):
        term = np.einsum("nij,njk->nik", term, a) * (tick / order)
        total = total + term
    return total[:, :5, :]


def run(joint: Joint, *, count: int, ticks: int, seed: int, outside: Outside = INSIDE, still: bool = False) -> Runs:
    """x is 0 at the soft stop that is attacked.

    Args:
        still: gain, lag, dead time, age and error each at the worst for a run into the stop, all the time.
    """
    return _Attack(joint, count, seed, outside, still).run(ticks)


class _Attack:
    def __init__(self, joint: Joint, count: int, seed: int, outside: Outside, still: bool) -> None:
        rng = self.rng = np.random.default_rng(seed)
        self.joint, self.count, self.outside = joint, count, outside
        stops, self.at = joint.stops, np.arange(count)
        self.w = stops.natural_rad_s * outside.frequency * rng.choice([1.0, 1.0, 1.0, 1.4], count)
        self.z = np.minimum(1.0, stops.damping_ratio * outside.damping * rng.choice([1.0, 1.0, 1.0, 1.6], count))
        lags = [stops.lag_s, np.sqrt(stops.lag_s * joint.lag_low_s), joint.lag_low_s][:_LAGS]
        self.leaking = rng.random(count) < 0.5
        self.steps = np.stack(
            [exact_steps(np.full(count, lag), self.w, self.z, self.leaking, joint.tick_s) for lag in lags]
        )
        # Effect of a command ends dead time after the end of its tick, which is the second after its sample.
        self.dead_most = int(joint.dead_s[1] / joint.tick_s + 1e-9) + outside.late_ticks
        self.dead_least = int(np.ceil(joint.dead_s[0] / joint.tick_s - 1e-9))
        self.age_most = max(1, int((stops.late_s - joint.dead_s[1]) / joint.tick_s + 1e-9) - 2)
        self.wild = np.zeros(count, bool) if still else rng.random(count) < 0.6  # else the worst, all the time
        self.kind = rng.integers(0, len(KINDS), count)
        self.phase = rng.uniform(0, 2 * np.pi, count)
        self.command = np.zeros(count)
        self.history = np.zeros((self.dead_most + 1, count))
        self.samples = np.zeros((self.age_most + 1, count))
        self.wish = np.full(count, joint.full_deg_s[0])
        self.stopped = np.zeros(count, np.int64)  # ticks that a stop still lasts

    def run(self, ticks: int) -> Runs:
        rng, joint = self.rng, self.joint
        x = np.zeros((self.count, 6))
        share = rng.choice([0.2, 1.0], self.count)
        x[:, 0] = rng.uniform(-joint.travel_deg, 0.0, self.count) * share
        near = rng.random(self.count) < 0.3
        x[:, 0] = np.where(near, rng.uniform(-3.0, 2.0, self.count), x[:, 0])
        self.samples[:] = x[:, 0]
        started, go = x[:, 0].copy(), rng.integers(0, ticks, self.count)
        farthest, swing = np.full(self.count, -np.inf), np.zeros(self.count)
        for k in range(ticks):
            reading = self._reading(x[:, 0] - x[:, 4] + x[:, 2])
            self._command(k, reading, self._wish(k, x, reading, go))
            x[:, 5] = self._valve()
            lag = np.where(self.wild, rng.integers(0, _LAGS, self.count), 0)
            x[:, :5] = np.einsum("nij,nj->ni", self.steps[lag, self.at], x)
            farthest = np.maximum(farthest, x[:, 0] - x[:, 4] + x[:, 2])
            swing = np.where(self.stopped == 0, np.maximum(swing, np.abs(x[:, 2])), swing)
        return Runs(farthest, started, swing, self.kind, self.leaking)

    def _reading(self, position: np.ndarray) -> np.ndarray:
        """A sample of any allowed age with any allowed error; the worst is the oldest, with the stop read too far
        off.
        """
        rng, error = self.rng, self.joint.stops.error_deg
        self.samples = np.roll(self.samples, 1, axis=0)
        self.samples[0] = position
        age = np.where(self.wild, rng.choice([0, self.age_most], self.count), self.age_most)
        off = np.where(self.wild & (rng.random(self.count) < 0.3), rng.choice([-1.0, 1.0], self.count), -1.0)
        return self.samples[age, self.at] + off * error

    def _wish(self, k: int, x: np.ndarray, reading: np.ndarray, go: np.ndarray) -> np.ndarray:
        rng, joint = self.rng, self.joint
        full, back = joint.full_deg_s
        away = -back
        self.wish = np.where(rng.random(self.count) < 0.02, rng.uniform(-back, full, self.count), self.wish)
        pump = np.where(x[:, 3] > 0.0, away, full)
        square = np.where(np.sin(self.w * k * joint.tick_s + self.phase) > 0.0, full, away)
        turn = np.where(((k * joint.tick_s + self.phase) % 4.0) < 2.0, away, full)
        kinds = [self.kind == number for number in range(4)]
        target = np.select(kinds, [np.full(self.count, full), pump, square, self.wish], turn)
        return np.where(k >= go, full, target)

    def _command(self, k: int, reading: np.ndarray, target: np.ndarray) -> None:
        joint, rng, command = self.joint, self.rng, self.command
        gain, slow = joint.ramp_deg_s
        caps = [self._cap(0, -reading), self._cap(1, reading + joint.travel_deg)]
        target = np.clip(target, -caps[1], caps[0])
        up = np.where(
            target >= command, np.minimum(target, command + gain), np.maximum(np.maximum(target, 0.0), command - slow)
        )
        down = np.where(
            target <= command, np.maximum(target, command - gain), np.minimum(np.minimum(target, 0.0), command + slow)
        )
        command = np.where(command > 0, up, np.where(command < 0, down, np.clip(target, -gain, gain)))
        command = np.clip(command, -caps[1], caps[0])
        begins = (self.stopped == 0) & (rng.random(self.count) < np.where(self.wild, 0.004, 0.0005))
        self.stopped = np.where(begins, joint.restart_ticks, np.maximum(self.stopped - 1, 0))
        self.command = np.where(self.stopped > 0, 0.0, command)

    def _cap(self, side: int, room_deg: np.ndarray) -> np.ndarray:
        curve = self.joint.brake[side]
        index = np.clip(np.floor(room_deg * 1000.0 + 1e-6).astype(np.int64), 0, curve.size - 1)
        return np.where(room_deg > 0.0, curve[index], 0.0) / 1000.0

    def _valve(self) -> np.ndarray:
        """Real speed asked of the oil; the worst is the most towards the stop and the least away from it."""
        rng, joint, factor = self.rng, self.joint, self.outside.gain
        self.history = np.roll(self.history, 1, axis=0)
        self.history[0] = self.command
        dead = np.where(
            self.wild, rng.choice([min(self.dead_least, self.dead_most), self.dead_most], self.count), self.dead_most
        )
        acting = self.history[dead, self.at]
        values = []
        for side, command in enumerate((acting, -acting)):
            number = np.clip(np.ceil(command * 1000.0 - 1e-6).astype(np.int64), 0, joint.most_deg_s[side].size - 1)
            share = np.where(self.wild & (rng.random(self.count) < 0.5), rng.choice([0.0, 1.0], self.count), 1.0)
            most, least = joint.most_deg_s[side][number], joint.least_deg_s[side][number]
            values.append(factor * np.where(number > 0, least + share * (most - least), 0.0))
        return values[0] - values[1]
