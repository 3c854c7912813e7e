"""The table: what the controller gets, as plain integers.

It mirrors `firmware_stub/core/table.h` field by field; units are the same: millidegrees, mdeg/s, 1/10000 of full scale
(e4), raw counts, ticks. `encode` turns it into bytes, `decode` (which shares nothing with `encode`) back again.
"""

from __future__ import annotations

from dataclasses import dataclass

FULL_E4 = 10_000
Q16 = 65_536
CURVE_POINTS_MAX = 12
JOINTS_MAX = 16
COUPLED_MAX = 8
INPUTS_MAX = 64
FOLLOW, SPEED = 0, 1

Pair = tuple[int, int]
"""(positive direction, negative direction)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Piecewise-linear curve, 2 to 12 points (x, y), x strictly rising; rule L2 of law.h reads it."""

    points: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    input: int
    count_min: int
    count_max: int
    curve: Curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    tracks: tuple[Track, ...]  # one or two
    step_max: int
    disagreement: int
    bad_ticks: int


@dataclass(frozen=True, slots=True, kw_only=True)
class JointTable:
    control: int  # FOLLOW or SPEED
    continuous: bool
    polarity: int  # +1 or -1
    operator: Sensor
    position: Sensor
    filter_q16: int
    speed_filter_q16: int
    deadband: int
    speed_deadband_mdeg_s: int
    response: Curve
    gain_q16: int
    feed_q16: int
    match_window_mdeg: int
    gap_mdeg: int
    speed_reduced_mdeg_s: Pair
    speed_full_mdeg_s: Pair
    accelerate_mdeg_s: int
    decelerate_mdeg_s: int
    stop_mdeg_s: int
    soft_stop_mdeg: Pair  # (upper, lower)
    brake: tuple[Curve, Curve]
    flow_per_speed_q16: tuple[Curve, Curve]
    flow_max_e4: Pair
    flow_full_ml_min: int
    valve: tuple[Curve, Curve]
    drive_max_e4: int
    reversal_ticks: int
    settle_ticks: int
    still_ticks: int
    still_mdeg: int
    stall_flow_e4: int
    stall_ticks: int
    stall_mdeg: int
    reach_mm: int  # of the farthest point beyond the joint, times the largest real over asked speed; 0: none


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineTable:
    tick_us: int
    tick_hz: int
    late_us: int
    pump_ml_min: int
    power_up_ticks: int
    discrepancy_ticks: int
    reset_min_ticks: int
    reset_max_ticks: int
    load_ticks: int
    match_ticks: int
    authority_step_q16: int
    stop_category: int
    stop_ticks: int
    release_ticks: int
    tip_mdeg_mm_s: int  # rule L6f; 0: none


@dataclass(frozen=True, slots=True, kw_only=True)
class CoupledStop:
    """weight_a * qa + weight_b * qb <= 1000 * limit_mdeg, braked like a soft stop; rules L6c and L7f."""

    joints: tuple[int, int]  # the first below the second
    weights_e3: tuple[int, int]
    limit_mdeg: int
    brake: Curve


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    machine_id: str  # ASCII, 1 to 16 characters
    revision: int  # 0 to 65535
    tool_version: tuple[int, int, int]
    profile_digest: bytes  # 32 bytes, SHA-256 of the profile file
    machine: MachineTable
    joints: tuple[JointTable, ...]
    coupled: tuple[CoupledStop, ...] = ()  # strictly rising by (joints, weights, limit)
