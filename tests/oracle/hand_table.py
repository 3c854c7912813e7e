"""A small table with round numbers, for examples that are worked out by hand.

One follow joint `follow_joint` or one speed joint `speed_joint`: 100 ticks a second, 100 mdeg a count, no filter,
flow (e4) equal to speed (mdeg/s), drive equal to flow. Every test changes the few numbers that its example is
about.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from law_oracle import Oracle
from oracle_words import ENABLING, MODE_FULL, RESET, STOP_1, STOP_2, Tick

from mapper.table.table import FOLLOW, SPEED, CoupledStop, Curve, JointTable, MachineTable, Sensor, Table, Track

Q16 = 65_536
ANGLES = Curve(points=((0, 0), (1_000, 100_000)))
LEVER = Curve(points=((0, -10_000), (1_000, 10_000)))
LEVEL = Curve(points=((0, Q16), (100_000, Q16)))
STRAIGHT = Curve(points=((0, 0), (10_000, 10_000)))
ONE_TO_ONE = Curve(points=((0, 0), (100_000, 100_000)))
FREE_BRAKE = Curve(points=((0, 200_000), (1_000, 200_000)))
OPERATOR, POSITION = 0, 1  # analog inputs
CLOSED = STOP_1 | STOP_2
HELD = CLOSED | ENABLING | MODE_FULL
IDLE = CLOSED | MODE_FULL
PRESSED = CLOSED | RESET | MODE_FULL


def sensor(analog: int, curve: Curve, **changes: Any) -> Sensor:
    track = Track(input=analog, count_min=1, count_max=1_000, curve=curve)
    base = Sensor(tracks=(track,), step_max=100_000, disagreement=1_000, bad_ticks=3)
    return replace(base, **changes)


def follow_joint(**changes: Any) -> JointTable:
    base = JointTable(
        control=FOLLOW,
        continuous=False,
        polarity=1,
        operator=sensor(OPERATOR, ANGLES),
        position=sensor(POSITION, ANGLES),
        filter_q16=Q16,
        speed_filter_q16=Q16,
        deadband=0,
        speed_deadband_mdeg_s=0,
        response=Curve(points=((0, 0), (100_000, 100_000))),
        gain_q16=Q16,
        feed_q16=0,
        match_window_mdeg=500,
        gap_mdeg=0,
        speed_reduced_mdeg_s=(5_000, 5_000),
        speed_full_mdeg_s=(10_000, 10_000),
        accelerate_mdeg_s=10_000,
        decelerate_mdeg_s=10_000,
        stop_mdeg_s=10_000,
        soft_stop_mdeg=(100_000, 0),
        brake=(FREE_BRAKE, FREE_BRAKE),
        flow_per_speed_q16=(LEVEL, LEVEL),
        flow_max_e4=(10_000, 10_000),
        flow_full_ml_min=10_000,
        valve=(STRAIGHT, STRAIGHT),
        drive_max_e4=10_000,
        reversal_ticks=1,
        settle_ticks=1_000,
        still_ticks=1_000,
        still_mdeg=100,
        stall_flow_e4=10_000,
        stall_ticks=1_000,
        stall_mdeg=1,
        reach_mm=0,
    )
    return replace(base, **changes)


def speed_joint(**changes: Any) -> JointTable:
    base = replace(
        follow_joint(),
        control=SPEED,
        operator=sensor(OPERATOR, LEVER),
        response=Curve(points=((-10_000, -10_000), (10_000, 10_000))),
        deadband=1_000,
    )
    return replace(base, **changes)


def second(joint: JointTable, number: int = 1) -> JointTable:
    """The joint on channels 2 and 3, as joint 1 of a bench; or on those of joint `number`."""
    moved = {}
    for name, channel in (("operator", 2 * number), ("position", 2 * number + 1)):
        sensor_of_joint: Sensor = getattr(joint, name)
        tracks = (replace(sensor_of_joint.tracks[0], input=channel), *sensor_of_joint.tracks[1:])
        moved[name] = replace(sensor_of_joint, tracks=tracks)
    return replace(joint, **moved)


def coupled(
    limit_mdeg: int,
    brake: Curve,
    weights_e3: tuple[int, int] = (1_000, 1_000),
    joints: tuple[int, int] = (0, 1),
) -> CoupledStop:
    return CoupledStop(joints=joints, weights_e3=weights_e3, limit_mdeg=limit_mdeg, brake=brake)


def table(*joints: JointTable, coupled: tuple[CoupledStop, ...] = (), **changes: Any) -> Table:
    machine = MachineTable(
        tick_us=10_000,
        tick_hz=100,
        late_us=1_000,
        pump_ml_min=1_000_000,
        power_up_ticks=3,
        discrepancy_ticks=2,
        reset_min_ticks=2,
        reset_max_ticks=4,
        load_ticks=0,
        match_ticks=1,
        authority_step_q16=Q16,
        stop_category=0,
        stop_ticks=100,
        release_ticks=100,
        tip_mdeg_mm_s=0,
    )
    return Table(
        machine_id="by-hand",
        revision=1,
        tool_version=(0, 1, 0),
        profile_digest=bytes(32),
        machine=replace(machine, **changes),
        joints=joints,
        coupled=coupled,
    )


made: list[Bench] = []
"""Every bench since it was last emptied, so that a test module can hold the compiled law to the same examples."""


class Bench:
    """An oracle with its inputs held until changed; channels OPERATOR and POSITION of joint 0, the next two of
    joint 1, ..."""

    def __init__(self, *joints: JointTable, coupled: tuple[CoupledStop, ...] = (), **changes: Any) -> None:
        made.append(self)
        self.table = table(*joints, coupled=coupled, **changes)
        self.oracle = Oracle(self.table)
        self.rows: list[list[int]] = []
        self.ticks: list[Tick] = []
        self.counts = [500] * 64
        self.digital = IDLE
        self.elapsed_us = 10_000

    def tick(self, digital: int | None = None, operator: int | None = None, position: int | None = None) -> Tick:
        self.digital = self.digital if digital is None else digital
        self.counts[OPERATOR] = self.counts[OPERATOR] if operator is None else operator
        self.counts[POSITION] = self.counts[POSITION] if position is None else position
        self.rows.append([self.elapsed_us, self.digital, *self.counts])
        self.ticks.append(self.oracle.step(self.elapsed_us, self.digital, self.counts))
        return self.ticks[-1]

    def to_running(self) -> Tick:
        """Through power-up, reset and matching, every sensor at count 500; the first running tick has authority 0."""
        for digital in (IDLE, IDLE, IDLE, PRESSED, PRESSED, IDLE, HELD, HELD):
            last = self.tick(digital)
        return last


def ramp_bench(**changes: Any) -> Bench:
    """Running, a lever that asks 250 mdeg/s either way, accelerating by 100 a tick, slowing by 200."""
    bench = Bench(
        speed_joint(
            speed_full_mdeg_s=(250, 250),
            speed_reduced_mdeg_s=(250, 250),
            deadband=0,
            operator=sensor(0, Curve(points=((1, -10_000), (499, 0), (501, 0), (1_000, 10_000)))),
            accelerate_mdeg_s=100,
            decelerate_mdeg_s=200,
            stop_mdeg_s=90,
            reversal_ticks=3,
        ),
        **changes,
    )
    bench.to_running()
    return bench
