"""Whoever sits at the machine, and the machine: input after input for one table, chosen by watching the oracle.

The driver does what leads on (closes the stop, presses reset, moves to the arm's pose, holds the enabling device,
works the levers) and in between something goes wrong: a bad count, a wire, a stop, a stuck joint, a late tick. The
joints move by a plain plant. Only the given `random.Random` decides.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

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
from random_bodies import Lever, Plant, inverse
from random_disturbances import Disturbances

from mapper.table.table import INPUTS_MAX, JointTable, Table, Track


class Driver(Disturbances):
    """Gives the inputs of the next tick from the tick before."""

    def __init__(self, rng: random.Random, table: Table, oracle: Oracle) -> None:
        levers = [Lever(rng, joint) for joint in table.joints]
        plants = [Plant(rng, joint, table.machine.tick_hz) for joint in table.joints]
        super().__init__(rng, table, oracle, levers, plants)
        self.noise = rng.choice((0.0, 0.1, 0.4))
        self.state_before = -1
        self.routine: Iterator[tuple[bool, bool]] = iter(())
        self.counts = [rng.randint(0, 65_535) for _ in range(INPUTS_MAX)]
        self.held_at_start = rng.randint(1, 12) if rng.random() < 0.3 else 0  # a button that sticks, L10c
        self.start_open = rng.randint(5, 40) if rng.random() < 0.5 else 0

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
                    self.going.append(self.roll_on())
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
        self.disturb(state)
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
