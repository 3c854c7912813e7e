"""What goes wrong, or is done, beside the way that leads on: wires, stops, modes, loads that push."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

from law_oracle import Oracle
from oracle_words import FAULT, FULL_SPEED, MATCHING, RUNNING, STOPPED, STOPPING, sign
from random_bodies import Lever, Plant

from mapper.table.table import Sensor, Table

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
    ("rub", 130),
    ("drop", 70),
    ("hand_over", 130),
)


class Disturbances:
    """The hands' and the machine's troubles; each `_do_` is one, a step a tick."""

    def __init__(
        self, rng: random.Random, table: Table, oracle: Oracle, levers: list[Lever], plants: list[Plant]
    ) -> None:
        self.rng, self.table, self.oracle, self.levers, self.plants = rng, table, oracle, levers, plants
        self.rate = rng.choice((0.025, 0.04, 0.06, 0.08))
        self.mode_full = rng.random() < 0.55
        self.going: list[Iterator[None]] = [self._do_late_start()] if rng.random() < 0.4 else []
        self._clear()

    def _clear(self) -> None:
        """What the disturbances of this tick change; each of them sets it anew in every tick."""
        self.open_1 = self.open_2 = self.released = self.forced_held = self.key = self.late = False
        self.wrong: dict[tuple[int, str, int], tuple[str, float]] = {}

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

    def _some_pair(self) -> tuple[int, str, Sensor] | None:
        """A sensor with two tracks, if there is one."""
        found = [
            (index, side, sensor)
            for index, joint in enumerate(self.table.joints)
            for side, sensor in (("operator", joint.operator), ("position", joint.position))
            if len(sensor.tracks) == 2
        ]
        return self.rng.choice(found) if found else None

    def _do_apart(self) -> Iterator[None]:
        """One track drifts from the other, slowly enough to be believed."""
        found = self._some_pair()
        if found is None:
            return
        index, side, sensor = found
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

    def _do_rub(self) -> Iterator[None]:
        """Two tracks that come apart and agree again, over and over, as a worn one does; in the end one may be lost."""
        rng = self.rng
        found = self._some_pair()
        if found is None:
            return
        index, side, sensor = found
        track, way = rng.randrange(2), rng.choice((-1, 1))
        rate = max(1.0, sensor.step_max * rng.uniform(0.3, 0.6))
        apart = rng.randint(1, max(1, sensor.bad_ticks))
        agree = rng.choice((1, 1, 2, apart, apart + 1))  # as many that agree as do not never add up
        near, far = sensor.disagreement - 0.6 * rate, sensor.disagreement + 0.6 * rate
        drift = 0.0
        for goal, ticks in ((near, int(near / rate) + 2), *((far, apart), (near, agree)) * rng.randint(2, 8)):
            for _ in range(ticks):
                drift += min(max(goal - drift, -rate), rate)
                self.wrong[index, side, track] = ("add", way * drift)
                yield
        if rng.random() < 0.3:
            for _ in range(sensor.bad_ticks + rng.randint(0, 4)):
                self.wrong[index, side, track] = ("open", 0.0)
                yield
        while drift > 0:
            drift -= rate
            self.wrong[index, side, track] = ("add", way * max(0.0, drift))
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

    def _do_drop(self) -> Iterator[None]:
        """Full speed is taken back while the machine moves, and often asked for again at once."""
        oracle = self.oracle
        yield from self._until(lambda: oracle.state == RUNNING and any(joint.w for joint in oracle.joints))
        if oracle.mode != FULL_SPEED:
            self.mode_full = True
            return
        self.mode_full = False
        for _ in range(self.rng.randint(1, 30)):
            yield
        self.mode_full = True

    def _do_fold(self) -> Iterator[None]:
        """The operator moves both joints of a coupled stop towards it, or one towards it and one away."""
        rng, oracle = self.rng, self.oracle
        stop = rng.choice(self.table.coupled)
        ways = [1 if weight > 0 else -1 for weight in stop.weights_e3]
        if rng.random() < 0.3:
            ways[rng.randrange(2)] *= -1
        yield from self._until(lambda: oracle.state == RUNNING)
        for _ in range(rng.randint(10, 80)):
            for index, way in zip(stop.joints, ways, strict=True):
                self.levers[index].push(oracle.joints[index].position.value, way)
            yield

    def _do_squeeze(self) -> Iterator[None]:
        """A load pushes the joints of a coupled stop on, the way they go: past it, back again, and once more."""
        rng, oracle = self.rng, self.oracle
        stop = rng.choice(oracle.coupled)
        ways = [1 if weight > 0 else -1 for weight in stop.table.weights_e3]
        yield from self._until(lambda: oracle.state == RUNNING and oracle.authority > 0)
        share = rng.uniform(0.1, 0.6)
        others = [index for index in range(len(self.levers)) if index not in stop.table.joints]
        if rng.random() < 0.3:
            self.mode_full = False
        brake_room = stop.table.brake.points[-1][0]
        for turn in (-1, 1) * rng.randint(1, 3):
            beyond = -brake_room * rng.uniform(0.0, 0.3) if turn > 0 else brake_room * rng.uniform(0.8, 1.5)
            pushes = [(index, rng.choice((-1, 0, 1))) for index in others]
            for _ in range(rng.choice((20, 60, 120))):
                for index, way in pushes:
                    self.levers[index].push(oracle.joints[index].position.value, way)
                if turn * (oracle.coupled_room(stop) - beyond) < 0 or oracle.state != RUNNING:
                    break
                for index, way in zip(stop.table.joints, ways, strict=True):
                    joint = oracle.joints[index]
                    self.levers[index].push(joint.position.value, turn * way)
                    step = joint.table.position.step_max
                    self.plants[index].creep = sign(joint.w) * step * share if joint.drive else 0.0
                yield
        for index in stop.table.joints:
            self.plants[index].creep = 0.0

    def _do_hand_over(self) -> Iterator[None]:
        """One joint moves as it can, then stops while the others begin; full speed may be taken back just then."""
        rng, oracle = self.rng, self.oracle
        yield from self._until(lambda: oracle.state == RUNNING)
        first = rng.randrange(len(self.levers))
        ways = [rng.choice((-1, 1)) for _ in self.levers]
        for ticks, moves_first in ((rng.randint(10, 40), True), (rng.randint(5, 30), False)):
            if not moves_first and self.mode_full and rng.random() < 0.7:
                self.mode_full = False
            for _ in range(ticks):
                for index, way in enumerate(ways):
                    self.levers[index].push(
                        oracle.joints[index].position.value, way * ((index == first) == moves_first)
                    )
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

    def roll_on(self) -> Iterator[None]:
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

    def disturb(self, state: int) -> None:
        self._clear()
        rng = self.rng
        lively = state in (MATCHING, RUNNING, STOPPING)
        if rng.random() < (self.rate if lively else self.rate / 2):
            kind = rng.choices([k for k, _ in DISTURBANCES], [w for _, w in DISTURBANCES])[0]
            self.going.append(getattr(self, f"_do_{kind}")())
        if state == RUNNING and self.table.coupled and rng.random() < 0.04:
            self.going.append(self._do_squeeze() if rng.random() < 0.8 else self._do_fold())
        self.going = [disturbance for disturbance in self.going if next(disturbance, self) is None]
