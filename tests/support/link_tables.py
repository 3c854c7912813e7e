"""Tables for the link's tests: the worked arm's, the longest there can be, and short ones for one joint."""

from __future__ import annotations

import functools
import random
from dataclasses import replace

from make_table import random_table
from replay_case import KERB, worked_table

from mapper.table import Curve, Sensor, Table, Track, encode_table
from mapper.table.table import COUPLED_MAX, JOINTS_MAX, CoupledStop, JointTable

MACHINE = "bench-1"
LONGEST_BYTES = 15_297


@functools.cache
def kerb_table() -> bytes:
    """Of the worked six-joint arm."""
    return worked_table(KERB)


def short_table(seed: int) -> bytes:
    """One joint with curves of few points: two blocks."""
    rng = random.Random(seed)
    fitting = (encode_table(replace(random_table(rng, 1), machine_id=MACHINE)) for _ in range(1000))
    return next(data for data in fitting if 352 < len(data) <= 520)


def _wide(x0: int, x1: int, y0: int, y1: int) -> Curve:
    return Curve(points=tuple((x0 + (x1 - x0) * i // 11, y0 + (y1 - y0) * i // 11) for i in range(12)))


def _widest_joint(one: JointTable, index: int) -> JointTable:
    angle, flow = _wide(0, 65_535, -360_000, 360_000), _wide(-360_000, 360_000, 1, 2**24)
    tracks = tuple(Track(input=4 * index + n, count_min=1, count_max=65_534, curve=angle) for n in range(4))

    def sensor(two: tuple[Track, ...]) -> Sensor:
        return Sensor(tracks=two, step_max=5, disagreement=5, bad_ticks=5)

    return replace(
        one,
        control=0,
        continuous=False,
        soft_stop_mdeg=(90_000, -90_000),
        operator=sensor(tracks[:2]),
        position=sensor(tracks[2:]),
        response=_wide(-360_000, 360_000, -360_000, 360_000),
        brake=(_wide(0, 720_000, 0, 200_000),) * 2,
        flow_per_speed_q16=(flow, flow),
        speed_reduced_mdeg_s=(1, 1),
        speed_full_mdeg_s=(100, 100),
        valve=(_wide(0, 10_000, 0, 10_000),) * 2,
    )


@functools.cache
def longest_table() -> bytes:
    """16 joints, two tracks a sensor, 8 coupled stops, every curve of 12 points in its widest form."""
    table: Table = random_table(random.Random(6), joint_count=1)
    machine = replace(table.machine, tick_us=5000, tick_hz=200, late_us=0, discrepancy_ticks=9)
    machine = replace(machine, stop_ticks=0, release_ticks=0)
    joints = tuple(_widest_joint(table.joints[0], index) for index in range(JOINTS_MAX))
    widest = CoupledStop(
        joints=(0, 1),
        weights_e3=(-10_000, -10_000),
        limit_mdeg=-7_200_000,
        brake=_wide(0, 7_200_000, 0, 2_000_000),
    )
    coupled = tuple(replace(widest, limit_mdeg=limit) for limit in range(COUPLED_MAX))
    data = encode_table(replace(table, machine_id=MACHINE, machine=machine, joints=joints, coupled=coupled))
    assert len(data) == LONGEST_BYTES
    return data
