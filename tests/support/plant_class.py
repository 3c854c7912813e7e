"""Random adversarial runs of plants of the class that a soft-stop bound speaks of: numpy, many at once.

Written from the class's description in mapper/check/motion/barrier.py, not from its bound. Law: rules L6b, L7a, L7c as
a sequence of speeds; plant: dead time, valve that gives up(u), first-order lag, oil spring, all stepped exactly over a
tick (the command is constant in it). The lag is one value while gaining and another while slowing. Not tried: ticks
that come late (they only delay here), the spool's play and its jump when it centres, noise beyond a count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.check.motion.barrier import Approach


@dataclass(frozen=True)
class Runs:
    """Per trajectory: largest x beyond the upper soft stop, largest |e| before the one drop to 0, largest v above the
    barrier.
    """

    farthest_deg: np.ndarray
    swing_deg: np.ndarray
    above_barrier_deg_s: np.ndarray
    kind: np.ndarray


@dataclass(frozen=True)
class Outside:
    """How far the plants are out of the class: factors on gain, frequency, damping; 1 is just inside."""

    gain: float = 1.0
    frequency: float = 1.0
    damping: float = 1.0
    late_ticks: int = 0


INSIDE = Outside()
KINDS = ("full speed", "pump in phase", "square wave", "random")


def exact_steps(gain: np.ndarray, lag: np.ndarray, w: np.ndarray, z: np.ndarray, tick: float) -> np.ndarray:
    """(n, 4, 5): x_r, v, e, e'/w after a tick from those before it and the constant valve speed."""
    n = gain.size
    a = np.zeros((n, 5, 5))
    a[:, 0, 1] = 1.0
    a[:, 1, 1], a[:, 1, 4] = -1.0 / lag, 1.0 / lag
    a[:, 2, 3] = w
    a[:, 3, 2], a[:, 3, 3] = -w, -2.0 * z * w
    a[:, 3, 1], a[:, 3, 4] = 1.0 / lag / w, -1.0 / lag / w
    total = np.repeat(np.eye(5)[None], n, axis=0)
    term = total.copy()
    for order in range(1, 16):
        term = np.einsum("nij,njk->nik", term, a) * (tick / order)
        total = total + term
    return total[:, :4, :]


def run(
    upper: Approach,
    lower: Approach,
    real: tuple[np.ndarray, np.ndarray],
    curve,
    *,
    count: int,
    ticks: int,
    seed: int,
    swing_deg: float,
    outside: Outside = INSIDE,
    start_deg: tuple[float, float] | None = None,
) -> Runs:
    """`real`: up(u) in deg/s for commands 0, 1, 2, .. mdeg/s, for both directions. x is 0 at the upper soft stop."""
    rng = np.random.default_rng(seed)
    tick, full, back = upper.tick_s, upper.speed_deg_s, lower.speed_deg_s
    ramp = upper.ramp_deg_s2 * tick
    gain = np.where(rng.random(count) < 0.6, 1.0, rng.uniform(0.6, 1.0, count)) * upper.gain * outside.gain
    lag = np.where(rng.random(count) < 0.5, upper.lag_high_s, rng.uniform(upper.lag_low_s, upper.lag_high_s, count))
    w = np.full(count, 2.0 * np.pi * upper.natural_frequency_hz * outside.frequency) * rng.choice(
        [1.0, 1.0, 1.3], count
    )
    z = np.full(count, upper.damping_ratio * outside.damping) * rng.choice([1.0, 1.0, 1.5], count)
    # what is left of the lateness after the median's tick, the hold and the samples that may be lost
    dead_most = (
        int(np.floor((upper.late_s - upper.stale_s - 2.0 * upper.tick_most_s) / tick + 1e-9)) + outside.late_ticks
    )
    dead = np.where(rng.random(count) < 0.5, dead_most, rng.integers(1, dead_most + 1, count))
    lost_most = round(upper.stale_s / upper.tick_most_s)
    lost_at, at = rng.integers(0, ticks, count), np.arange(count)
    waiting = rng.random(count) < 0.5  # for the reading to come so near before samples are lost
    near = rng.uniform(0.0, 1.2 * upper.brake_points[-1][0], count)
    lost_at = np.where(waiting, ticks, lost_at)
    slowing = np.where(rng.random(count) < 0.5, lag, rng.uniform(upper.lag_low_s, upper.lag_high_s, count))
    gains, slows = exact_steps(gain, lag, w, z, tick), exact_steps(gain, slowing, w, z, tick)
    brake = [
        np.interp(np.arange(side.brake_points[-1][0] * 1000 + 2) / 1000, *np.array(side.brake_points).T)
        for side in (upper, lower)
    ]
    span = start_deg or (-upper.travel_deg, 0.0)
    x = np.zeros((count, 5))
    x[:, 0] = rng.uniform(*span, count)
    error = np.where(rng.random(count) < 0.5, -1.0, rng.uniform(-1.0, 1.0, count)) * upper.error_deg
    command, history = np.zeros(count), np.zeros((dead_most + 1, count))
    older, oldest, reading = x[:, 0] + error, x[:, 0] + error, x[:, 0] + error
    kind = rng.integers(0, len(KINDS), count)
    go, phase, stop_at = (
        rng.integers(0, ticks, count),
        rng.uniform(0, 2 * np.pi, count),
        rng.integers(0, 2 * ticks, count),
    )
    wish = np.full(count, full)
    farthest, most_swing, above = np.full(count, -np.inf), np.zeros(count), np.full(count, -np.inf)
    origin = upper.error_deg + upper.noise_deg + swing_deg
    for k in range(ticks):
        newest = x[:, 0] + x[:, 2] + error + rng.uniform(-1, 1, count) * upper.noise_deg
        starts = waiting & (reading > -near)
        lost_at, waiting = np.where(starts, k, lost_at), waiting & ~starts
        good = (k < lost_at) | (k >= lost_at + lost_most)
        median = np.maximum(np.minimum(newest, older), np.minimum(np.maximum(newest, older), oldest))
        reading = np.where(good, median, reading)
        oldest, older = np.where(good, older, oldest), np.where(good, newest, older)
        caps = []
        for side, room in ((0, -reading), (1, reading + upper.travel_deg)):
            index = np.clip((room * 1000.0).astype(np.int64), 0, len(brake[side]) - 1)
            caps.append(np.where(room > 0.0, brake[side][index], 0.0))
        wish = np.where(rng.random(count) < 0.02, rng.uniform(-back, full, count), wish)
        pump = np.where(x[:, 3] > 0.0, -back, full)
        square = np.where(np.sin(w * k * tick + phase) > 0.0, full, -back)
        target = np.select([kind == 0, kind == 1, kind == 2], [np.full(count, full), pump, square], wish)
        target = np.where(k >= go, full, target)
        target = np.clip(target, -np.minimum(back, caps[1]), np.minimum(full, caps[0]))
        rising = np.where(
            target >= command, np.minimum(target, command + ramp), np.maximum(np.maximum(target, 0.0), command - ramp)
        )
        falling = np.where(
            target <= command, np.maximum(target, command - ramp), np.minimum(np.minimum(target, 0.0), command + ramp)
        )
        command = np.where(command > 0, rising, np.where(command < 0, falling, np.clip(target, -ramp, ramp)))
        command = np.clip(command, -caps[1], caps[0])
        command = np.where(k >= stop_at, 0.0, command)
        history = np.roll(history, 1, axis=0)
        history[0] = command
        acting = history[dead, at]
        forward = real[0][np.clip((acting * 1000.0).astype(np.int64), 0, len(real[0]) - 1)]
        backward = real[1][np.clip((-acting * 1000.0).astype(np.int64), 0, len(real[1]) - 1)]
        x[:, 4] = gain * np.where(acting > 0, forward, np.where(acting < 0, -backward, 0.0))
        faster = (np.abs(x[:, 4]) > np.abs(x[:, 1])) | (x[:, 4] * x[:, 1] < 0)
        x[:, :4] = np.einsum("nij,nj->ni", np.where(faster[:, None, None], gains, slows), x)
        farthest = np.maximum(farthest, x[:, 0] + x[:, 2])
        most_swing = np.where(k < stop_at, np.maximum(most_swing, np.abs(x[:, 2])), most_swing)
        above = np.maximum(above, x[:, 1] - curve.speed_at(x[:, 0] - origin))
    return Runs(farthest, most_swing, above, kind)
