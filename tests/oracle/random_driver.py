"""Whoever sits at the machine, and the machine: input after input for one table, chosen by watching the oracle.

The driver does what leads on (closes the stop, presses reset, moves to the arm's pose, holds the enabling device,
works the levers) and in between something goes wrong: a bad count, a wire, a stop, a stuck joint, a late tick. The
joints move by a plain plant. Only the given `random.Random` decides.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

from law_oracle import Oracle
from oracle_words import (
    EMERGENCY_STOP,
    ENABLING,
    FAULT,
    KEY,
    MATCHING,
    MODE_FULL,
    MOVED,
    POWERING_UP,
    RESET,
    RUNNING,
    STALLED,
    STOP_1,
    STOP_2,
    STOPPED,
    STOPPING,
    Tick,
)
from random_tables import steepest

from mapper.table.table import FOLLOW, INPUTS_MAX, Curve, JointTable, Sensor, Table, Track

DISTURBANCES: tuple[tuple[str, int], ...] = (
    ("glitch", 12),
    ("wire", 3),
    ("loose", 10),
    ("wires", 4),
    ("jump", 6),
    ("apart", 14),
    ("stop", 54),
    ("channel", 22),
    ("release", 60),
    ("release_then_stop", 75),
    ("mode", 50),
    ("late", 14),
    ("key", 10),
    ("creep", 64),
    ("stuck", 170),
    ("push", 150),
    ("held", 5),
)


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


class _Lever:
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

    def move(self) -> float:
        self.wish = min(max(self.wish, self.low), self.high)
        self.value += min(max(self.wish - self.value, -self.rate), self.rate)
        return self.value


class _Plant:
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


class Driver:
    """Gives the inputs of the next tick from the tick before."""

    def __init__(self, rng: random.Random, table: Table, oracle: Oracle) -> None:
        self.rng, self.table, self.oracle = rng, table, oracle
        machine = table.machine
        self.levers = [_Lever(rng, joint) for joint in table.joints]
        self.plants = [_Plant(rng, joint, machine.tick_hz) for joint in table.joints]
        self.noise = rng.choice((0.0, 0.1, 0.4))
        self.rate = rng.choice((0.025, 0.04, 0.06, 0.08))
        self.state_before = -1
        self.routine: Iterator[tuple[bool, bool]] = iter(())
        self.mode_full = rng.random() < 0.7
        self.counts = [rng.randint(0, 65_535) for _ in range(INPUTS_MAX)]
        self.held_at_start = rng.randint(1, 12) if rng.random() < 0.3 else 0  # a button that sticks, L10c
        self.start_open = rng.randint(5, 40) if rng.random() < 0.5 else 0
        self.going: list[Iterator[None]] = [self._do_late_start()] if rng.random() < 0.4 else []
        self._clear()

    def _clear(self) -> None:
        """What the disturbances of this tick change; each of them sets it anew in every tick."""
        self.open_1 = self.open_2 = self.released = self.forced_held = self.key = self.late = False
        self.wrong: dict[tuple[int, str, int], tuple[str, float]] = {}

    # ------------------------------------------------------------------------------------- hands on the panel
    def _press(self) -> Iterator[tuple[bool, bool]]:
        """Reset pressed and let go, mostly for a right time."""
        rng, machine = self.rng, self.table.machine
        right = rng.randint(machine.reset_min_ticks, min(machine.reset_max_ticks, machine.reset_min_ticks + 5))
        length = right
        if rng.random() < 0.25:
            length = rng.choice((max(1, machine.reset_min_ticks - 1), machine.reset_max_ticks + rng.randint(1, 3)))
        for _ in range(length):
            yield False, True
        yield False, False

    def _stopped(self) -> Iterator[tuple[bool, bool]]:
        rng = self.rng
        while True:
            for _ in range(rng.randint(0, 3)):
                yield rng.random() < 0.3, False
            if not self.oracle.permit or rng.random() < 0.2:
                yield from self._press()
            yield False, False
            for _ in range(rng.randint(2, 6)):
                yield True, rng.random() < 0.05

    def _locked(self) -> Iterator[tuple[bool, bool]]:
        """emergency_stop and fault."""
        while True:
            for _ in range(self.rng.randint(0, 2)):
                yield self.rng.random() < 0.3, self.rng.random() < 0.1
            yield from self._press()

    def _hands(self, state: int) -> tuple[bool, bool]:
        """(enabling device held, reset pressed)."""
        if state != self.state_before:
            self.state_before = state
            if state == STOPPED:
                self.routine = self._stopped()
            elif state in (EMERGENCY_STOP, FAULT):
                self.routine = self._locked()
                if self.oracle.cause in (MOVED, STALLED) and self.rng.random() < 0.6:
                    self.going.append(self._do_roll_on())
        if state in (MATCHING, RUNNING):
            return True, False
        if state == STOPPING:
            return self.rng.random() < 0.3, self.rng.random() < 0.05
        if self.held_at_start:
            self.held_at_start -= 1
            return False, True
        if state == POWERING_UP:
            return self.rng.random() < 0.1, self.rng.random() < 0.2
        return next(self.routine)

    # ------------------------------------------------------------------------------------- what goes wrong
    def _some_track(self) -> tuple[int, str, int, Sensor]:
        rng = self.rng
        index = rng.randrange(len(self.table.joints))
        joint = self.table.joints[index]
        side, sensor = rng.choice((("operator", joint.operator), ("position", joint.position)))
        return index, side, rng.randrange(len(sensor.tracks)), sensor

    def _do_glitch(self) -> Iterator[None]:
        index, side, track, _ = self._some_track()
        self.wrong[index, side, track] = (self.rng.choice(("open", "short", "shift")), self.rng.uniform(-1.0, 1.0))
        yield

    def _do_wire(self) -> Iterator[None]:
        index, side, track, sensor = self._some_track()
        kind = self.rng.choice(("open", "short"))
        for _ in range(sensor.bad_ticks + self.rng.randint(-1, 5)):
            self.wrong[index, side, track] = (kind, 0.0)
            yield

    def _do_loose(self) -> Iterator[None]:
        """A contact that fails again and again, never for long enough to be a fault by one run alone."""
        rng = self.rng
        index, side, track, sensor = self._some_track()
        kind = rng.choice(("open", "short"))
        lost = rng.randint(1, max(1, sensor.bad_ticks - 1))
        good = rng.choice((1, 1, 2, lost, lost + 1))  # as many good as lost never add up
        for _ in range(rng.randint(2, 8)):
            for _ in range(lost):
                self.wrong[index, side, track] = (kind, 0.0)
                yield
            for _ in range(good):
                yield

    def _do_wires(self) -> Iterator[None]:
        places = [self._some_track() for _ in range(3)]
        for _ in range(max(sensor.bad_ticks for _, _, _, sensor in places) + self.rng.randint(0, 3)):
            for index, side, track, _ in places:
                self.wrong[index, side, track] = ("open", 0.0)
            self.late = self.rng.random() < 0.1
            yield

    def _do_late_start(self) -> Iterator[None]:
        """The operator's sensor is not there yet when the controller wakes up."""
        index = self.rng.randrange(len(self.table.joints))
        track = self.rng.randrange(len(self.table.joints[index].operator.tracks))
        for _ in range(self.rng.randint(1, 6)):
            self.wrong[index, "operator", track] = ("open", 0.0)
            yield

    def _do_jump(self) -> Iterator[None]:
        index, side, track, sensor = self._some_track()
        share = self.rng.uniform(-1.0, 1.0)
        for _ in range(sensor.bad_ticks + self.rng.randint(-1, 6)):
            self.wrong[index, side, track] = ("shift", share)
            yield

    def _do_apart(self) -> Iterator[None]:
        """One track drifts from the other, slowly enough to be believed."""
        found = [
            (index, side, sensor)
            for index, joint in enumerate(self.table.joints)
            for side, sensor in (("operator", joint.operator), ("position", joint.position))
            if len(sensor.tracks) == 2
        ]
        if not found:
            return
        index, side, sensor = self.rng.choice(found)
        track = self.rng.randrange(2)
        rate = max(1.0, sensor.step_max * 0.3) * self.rng.choice((-1, 1))
        drift = 0.0
        for _ in range(int(sensor.disagreement * 1.5 / abs(rate)) + sensor.bad_ticks + self.rng.randint(0, 3)):
            if abs(drift) < sensor.disagreement * 1.6:
                drift += rate
            self.wrong[index, side, track] = ("add", drift)
            yield
        while abs(drift) > abs(rate):
            drift -= rate
            self.wrong[index, side, track] = ("add", drift)
            yield

    def _do_stop(self) -> Iterator[None]:
        for _ in range(self.rng.choice((1, 2, self.rng.randint(1, 12)))):
            self.open_1 = self.open_2 = True
            yield

    def _do_channel(self) -> Iterator[None]:
        first = self.rng.random() < 0.5
        for _ in range(max(1, self.table.machine.discrepancy_ticks + self.rng.randint(-1, 3))):
            self.open_1, self.open_2 = self.open_1 or first, self.open_2 or not first
            yield
        for _ in range(self.rng.randint(0, 6)):
            yield
        while self.oracle.both_must_open:
            self.open_1 = self.open_2 = True
            yield

    def _do_release(self) -> Iterator[None]:
        for _ in range(self.rng.randint(1, 12)):
            self.released = True
            yield

    def _do_release_then_stop(self) -> Iterator[None]:
        yield from self._until(lambda: self.oracle.state == RUNNING and any(joint.w for joint in self.oracle.joints))
        for _ in range(self.rng.randint(1, 2)):
            self.released = True
            yield
        for _ in range(self.rng.randint(1, 3)):
            self.open_1 = self.open_2 = True
            yield

    def _until(self, ready: Callable[[], bool]) -> Iterator[None]:
        """Waits, for 40 ticks at most."""
        for _ in range(40):
            if ready():
                return
            yield

    def _do_mode(self) -> Iterator[None]:
        if self.rng.random() < 0.3:
            yield from self._until(lambda: self.oracle.state == STOPPED and self.oracle.permit)
        self.mode_full = not self.mode_full
        yield

    def _do_late(self) -> Iterator[None]:
        for _ in range(self.rng.choice((1, 1, 2))):
            self.late = True
            yield

    def _do_key(self) -> Iterator[None]:
        for _ in range(self.rng.randint(3, 40)):
            self.key = True
            yield

    def _do_held(self) -> Iterator[None]:
        for _ in range(self.rng.randint(1, 15)):
            self.forced_held = True
            yield

    def _do_creep(self) -> Iterator[None]:
        """A joint moves without drive."""
        index = self.rng.randrange(len(self.plants))
        plant, joint, state = self.plants[index], self.table.joints[index], self.oracle.joints[index]
        rate = self.rng.choice((-1, 1)) * max(1.0, (joint.still_mdeg + 1) / self.rng.randint(1, 4))
        rate = min(max(rate, -joint.position.step_max * 0.4), joint.position.step_max * 0.4)
        for _ in range(joint.settle_ticks + self.rng.randint(4, 20)):
            plant.creep = rate if state.drive == 0 else 0.0
            yield
        plant.creep = 0.0

    def _do_push(self) -> Iterator[None]:
        """A load pushes a joint on, past its soft stop where it has one."""
        limited = [i for i, joint in enumerate(self.table.joints) if not joint.continuous]
        index = self.rng.choice(limited or range(len(self.plants)))
        plant, joint, state = self.plants[index], self.table.joints[index], self.oracle.joints[index]
        yield from self._until(lambda: bool(state.w))
        for _ in range(self.rng.randint(3, 80)):
            upper, lower = joint.soft_stop_mdeg
            room = upper - state.position.value if state.w > 0 else state.position.value - lower
            way = (state.w > 0) - (state.w < 0)
            plant.creep = way * joint.position.step_max * (0.3 if room > joint.position.step_max else 0.6)
            yield
        plant.creep = 0.0

    def _do_stuck(self) -> Iterator[None]:
        """A joint does not move with drive on it, or moves the other way."""
        index = self.rng.randrange(len(self.plants))
        plant, joint, state = self.plants[index], self.table.joints[index], self.oracle.joints[index]
        yield from self._until(lambda: state.flow >= joint.stall_flow_e4)
        self.levers[index].patience = joint.stall_ticks + 60  # the operator keeps on asking
        backward = self.rng.random() < 0.4
        for _ in range(joint.stall_ticks + self.rng.randint(5, 60)):
            plant.stuck, plant.backward = not backward, backward
            yield
            if self.oracle.state not in (RUNNING, STOPPING):
                break
        plant.stuck = plant.backward = False

    def _do_roll_on(self) -> Iterator[None]:
        """In a fault a joint goes on moving, about as fast as the watch for rest just lets by or just does not."""
        rng = self.rng
        blamed = self.oracle.cause_joint
        index = blamed if rng.random() < 0.6 else rng.randrange(len(self.plants))
        plant, joint = self.plants[index], self.table.joints[index]
        for _ in range(rng.randint(1, 3)):  # moves, rests, moves
            rate = (joint.still_mdeg + 1) / rng.choice((1, 2, 3, joint.still_ticks, joint.still_ticks + 1))
            rate = rng.choice((-1, 1)) * min(max(1.0, rate), joint.position.step_max * 0.4)
            for ticks, creep in ((rng.randint(1, 12), rate), (rng.randint(0, joint.still_ticks + 3), 0.0)):
                for _ in range(ticks):
                    if self.oracle.state != FAULT:
                        plant.creep = 0.0
                        return
                    plant.creep = creep
                    yield
        plant.creep = 0.0

    def _disturb(self, state: int) -> None:
        self._clear()
        rng = self.rng
        lively = state in (MATCHING, RUNNING, STOPPING)
        if rng.random() < (self.rate if lively else self.rate / 2):
            kind = rng.choices([k for k, _ in DISTURBANCES], [w for _, w in DISTURBANCES])[0]
            self.going.append(getattr(self, f"_do_{kind}")())
        self.going = [disturbance for disturbance in self.going if next(disturbance, self) is None]

    # ------------------------------------------------------------------------------------- counts
    def _count(self, track: Track, value: float, wrong: tuple[str, float] | None) -> int:
        rng = self.rng
        if wrong is not None:
            kind, amount = wrong
            if kind == "open":
                return 0
            if kind == "short":
                return 65_535
            if kind == "add":
                value += amount
        count = round(inverse(track.curve, value))
        if wrong is not None and wrong[0] == "shift":
            span = track.curve.points[-1][0] - track.curve.points[0][0]
            count += round(wrong[1] * span)
        if rng.random() < self.noise:
            count += rng.choice((-1, 1))
        return min(max(count, 0), 65_535)

    def inputs(self, last: Tick) -> tuple[int, int, list[int]]:
        """(elapsed_us, digital, counts) of the next tick, where `last` is what the law gave in the tick before."""
        rng, machine, state = self.rng, self.table.machine, last.state
        self._disturb(state)
        held, reset = self._hands(state)
        held = (held or self.forced_held) and not self.released
        if self.start_open:
            self.start_open -= state == EMERGENCY_STOP
            self.open_1 = self.open_2 = self.open_1 or state in (POWERING_UP, EMERGENCY_STOP)
            self.start_open = self.start_open if state in (POWERING_UP, EMERGENCY_STOP) else 0
        digital = (0 if self.open_1 else STOP_1) | (0 if self.open_2 else STOP_2) | (ENABLING if held else 0)
        digital |= (RESET if reset else 0) | (MODE_FULL if self.mode_full else 0) | (KEY if self.key else 0)
        limit = machine.tick_us + machine.late_us
        elapsed = machine.tick_us if rng.random() < 0.9 else rng.choice((0, limit, rng.randint(0, limit)))
        if self.late:
            elapsed = limit + rng.choice((1, rng.randint(1, 5_000), 2**31 - 1 - limit))
        for index, joint in enumerate(self.table.joints):
            self._move(index, joint, last)
        return elapsed, digital, self.counts

    def _move(self, index: int, joint: JointTable, last: Tick) -> None:
        lever, plant, out = self.levers[index], self.plants[index], last.joints[index]
        plant.move(out.drive, out.speed)
        if last.state == RUNNING:
            lever.work(out.position, out.drive)
        else:
            lever.match(out.position)
        value = lever.move()
        for side, sensor, now in (("operator", joint.operator, value), ("position", joint.position, plant.angle)):
            for number, track in enumerate(sensor.tracks):
                wrong = self.wrong.get((index, side, number)) if self.wrong else None
                self.counts[track.input] = self._count(track, now, wrong)
