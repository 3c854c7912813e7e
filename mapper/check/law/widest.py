"""The widest table that the controller accepts: every number at the end of the range that firmware_stub/README.md gives
it, whether or not all of them could stand in one table.
"""

from __future__ import annotations

import functools
from dataclasses import replace

from mapper.table.table import (
    COUPLED_MAX,
    FOLLOW,
    FULL_E4,
    JOINTS_MAX,
    Q16,
    SPEED,
    CoupledStop,
    Curve,
    JointTable,
    MachineTable,
    Sensor,
    Table,
    Track,
)

_ANGLE, _SPEED, _TICKS, _COUNT = 360_000, 200_000, 60_000, 65_534
_INT32_MOST = 2**31 - 1
_COUPLED_ROOM, _COUPLED_SPEED, _WEIGHT = 7_200_000, 2_000_000, 10_000


def _line(x: tuple[int, int], y: tuple[int, int]) -> Curve:
    return Curve(points=((x[0], y[0]), (x[1], y[1])))


def _steep(low: int, high: int, rise: int) -> Curve:
    """As steep as a slope of 32 bits allows, and then level to the end of the range."""
    step = -(-rise * Q16 // _INT32_MOST)
    return Curve(points=((low, 0), (low + step, rise), (high, rise)))


def _sensor(y_most: int) -> Sensor:
    curve = _line((0, 65_535), (-y_most, y_most))
    track = Track(input=0, count_min=1, count_max=_COUNT, curve=curve)
    return Sensor(tracks=(track,), step_max=2 * _ANGLE, disagreement=2 * _ANGLE, bad_ticks=1000)


@functools.cache
def widest_table() -> Table:
    """Sixteen joints, follow and speed control in turn, and eight coupled stops."""
    joints = tuple(_joint() if index % 2 else _lever() for index in range(JOINTS_MAX))
    stop = CoupledStop(
        joints=(0, 1),
        weights_e3=(_WEIGHT, -_WEIGHT),
        limit_mdeg=-_COUPLED_ROOM,
        brake=_steep(0, _COUPLED_ROOM, _COUPLED_SPEED),
    )
    return Table(
        machine_id="widest",
        revision=0,
        tool_version=(0, 0, 0),
        profile_digest=bytes(32),
        machine=_machine(),
        joints=joints,
        coupled=(stop,) * COUPLED_MAX,
    )


def _joint() -> JointTable:
    flow = Curve(points=((-_ANGLE, 1), (-_ANGLE + Q16, _INT32_MOST), (_ANGLE, _INT32_MOST)))  # the steepest slope
    return JointTable(
        control=FOLLOW,
        continuous=False,
        polarity=1,
        operator=_sensor(_ANGLE),
        position=_sensor(_ANGLE),
        filter_q16=Q16,
        speed_filter_q16=Q16,
        deadband=_ANGLE,
        speed_deadband_mdeg_s=_SPEED,
        response=_line((-_ANGLE, _ANGLE), (-_ANGLE, _ANGLE)),
        gain_q16=50 * Q16,
        feed_q16=Q16,
        match_window_mdeg=_ANGLE,
        gap_mdeg=2 * _ANGLE,
        speed_reduced_mdeg_s=(_SPEED, _SPEED),
        speed_full_mdeg_s=(_SPEED, _SPEED),
        accelerate_mdeg_s=_SPEED,
        decelerate_mdeg_s=_SPEED,
        stop_mdeg_s=_SPEED,
        soft_stop_mdeg=(_ANGLE, -_ANGLE),
        brake=(_steep(0, 2 * _ANGLE, _SPEED),) * 2,
        flow_per_speed_q16=(flow, flow),
        flow_max_e4=(FULL_E4, FULL_E4),
        flow_full_ml_min=1_000_000,
        valve=(_line((0, FULL_E4), (0, FULL_E4)),) * 2,
        drive_max_e4=FULL_E4,
        reversal_ticks=1000,
        settle_ticks=30_000,
        still_ticks=30_000,
        still_mdeg=_ANGLE,
        stall_flow_e4=FULL_E4,
        stall_ticks=_TICKS,
        stall_mdeg=_ANGLE,
        reach_mm=65_535,
    )


def _lever() -> JointTable:
    return replace(
        _joint(),
        control=SPEED,
        operator=_sensor(FULL_E4),
        deadband=5000,
        response=_line((-FULL_E4, FULL_E4), (-FULL_E4, FULL_E4)),
    )


def _machine() -> MachineTable:
    return MachineTable(
        tick_us=20_000,
        tick_hz=1000,
        late_us=20_000,
        pump_ml_min=10_000_000,
        power_up_ticks=_TICKS,
        discrepancy_ticks=_TICKS,
        reset_min_ticks=_TICKS,
        reset_max_ticks=_TICKS,
        load_ticks=_TICKS,
        match_ticks=_TICKS,
        authority_step_q16=Q16,
        stop_category=1,
        stop_ticks=10_000,
        release_ticks=10_000,
        tip_mdeg_mm_s=2_000_000_000,
    )
