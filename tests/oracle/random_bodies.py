"""The operator's side and the machine's side of one joint: a lever or an arm that is moved, and a plain plant."""

from __future__ import annotations

import random

from random_tables import steepest

from mapper.table.table import FOLLOW, Curve, JointTable


def inverse(curve: Curve, y: float) -> float:
    """An x at which the curve is y or as near as it comes."""
    best, least = float(curve.points[0][0]), float("inf")
    for (x0, y0), (x1, y1) in zip(curve.points, curve.points[1:], strict=False):
        low, high = (y0, y1) if y0 < y1 else (y1, y0)
        if low <= y <= high and y1 != y0:
            return x0 + (y - y0) * (x1 - x0) / (y1 - y0)
        for x, end in ((x0, y0), (x1, y1)):
            if abs(end - y) < least:
                best, least = float(x), abs(end - y)
    return best


class Lever:
    """The operator's side of one joint: a value that moves no faster than the sensor's step allows."""

    def __init__(self, rng: random.Random, joint: JointTable) -> None:
        grain = max(steepest(track.curve) for track in joint.operator.tracks)
        self.rng, self.joint = rng, joint
        self.rate = max(1.0, (joint.operator.step_max - 2 * grain) * rng.uniform(0.5, 0.95))
        ys = [y for _, y in joint.operator.tracks[0].curve.points]
        self.low, self.high = min(ys), max(ys)
        self.value = self.wish = rng.uniform(self.low, self.high) if joint.control == FOLLOW else 0.0
        self.patience = 0

    def to_target(self, target: float) -> None:
        response = self.joint.response
        if self.joint.continuous:
            ys = [y for _, y in response.points]
            target = next((t for t in (target, target - 360_000, target + 360_000) if min(ys) <= t <= max(ys)), target)
        self.wish = inverse(response, target)

    def match(self, position: int) -> None:
        if self.joint.control == FOLLOW:
            self.to_target(position)
        else:
            self.wish = 0.0
        if self.rng.random() < 0.04:
            self.wish = self.rng.uniform(self.low, self.high)  # a hand that is not steady

    def work(self, position: int, drive: int) -> None:
        """Running: somewhere else every now and then, mostly not so far that the gap holds the joint."""
        self.patience -= 1
        if self.patience > 0 and (drive or self.rng.random() < 0.7):
            return
        rng, joint = self.rng, self.joint
        self.patience = rng.randint(4, rng.choice((20, 60, 200)))
        if joint.control != FOLLOW:
            self.wish = rng.choice((0.0, 10_000.0, -10_000.0, *(rng.uniform(-10_000, 10_000) for _ in range(3))))
            return
        if rng.random() < 0.1 and not joint.gap_mdeg:
            self.wish = rng.choice((self.low, self.high))  # as far as the arm goes
            return
        upper, lower = joint.soft_stop_mdeg
        reach = (upper - lower) * rng.choice((0.05, 0.3, 1.0, 1.0))
        if joint.gap_mdeg and rng.random() < 0.9:
            reach = min(reach, joint.gap_mdeg * 0.9)
        self.to_target(position + rng.choice((-1, 1)) * rng.uniform(0.1, 1.0) * reach)

    def push(self, position: int, way: int) -> None:
        """Asks for motion that way, 0 for none, for a tick."""
        self.patience = 3
        if self.joint.control == FOLLOW:
            upper, lower = self.joint.soft_stop_mdeg
            reach = (upper - lower) * 0.3
            self.to_target(position + way * min(reach, (self.joint.gap_mdeg or reach) * 0.9))
            return
        ends = sorted(self.joint.response.points[:: len(self.joint.response.points) - 1], key=lambda point: point[1])
        self.wish = float(ends[0][0] if way < 0 else ends[-1][0]) if way else 0.0

    def move(self) -> float:
        self.wish = min(max(self.wish, self.low), self.high)
        self.value += min(max(self.wish - self.value, -self.rate), self.rate)
        return self.value


class Plant:
    """Moves by the drive's sign and the flow: its own gain, a little lag, never faster than the sensor believes."""

    def __init__(self, rng: random.Random, joint: JointTable, hz: int) -> None:
        upper, lower = joint.soft_stop_mdeg
        ys = [y for _, y in joint.position.tracks[0].curve.points]
        self.low, self.high = min(ys), max(ys)
        self.angle = rng.uniform(lower, upper) if rng.random() < 0.9 else rng.uniform(self.low, self.high)
        self.joint, self.hz = joint, hz
        self.gain, self.lag = rng.uniform(0.7, 1.35), rng.choice((1.0, 0.7))
        self.speed = 0.0
        self.creep = 0.0
        self.stuck = False
        self.backward = False

    def move(self, drive: int, speed: int) -> None:
        wanted = speed * self.gain if drive else 0.0
        self.speed += self.lag * (wanted - self.speed) if drive else -self.speed
        if self.stuck:
            return
        self.angle += (-self.speed if self.backward else self.speed) / self.hz + self.creep
        if self.joint.continuous:
            self.angle = (self.angle - self.low) % 360_000 + self.low
        else:
            self.angle = min(max(self.angle, self.low), self.high)
