"""What the table says is compared with the profile item by item: every value that is changed is seen, and named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from check_case import (
    KERB,
    STAND,
    altered,
    check_text,
    check_with,
    context_of,
    finding,
    profile_of,
    text_of,
    with_value,
)

from mapper.check import Status
from mapper.check.law.as_written import joint_as_written, machine_as_written
from mapper.check.motion.speed import speed_limit
from mapper.table import compile_table
from mapper.table.table import Curve, Sensor

PROFILE = profile_of(text_of(STAND))
TABLE = compile_table(PROFILE)
JOINT, MACHINE = TABLE.joints[0], TABLE.machine
CATEGORY_ONE = with_value(text_of(STAND), "emergency_stop.category", "1").replace(
    "[emergency_stop]\n", '[emergency_stop]\ndelayed_off_relay = "800 ms"\n'
)


def moved(curve: Curve, scale: float, shift: int) -> Curve:
    return Curve(points=tuple((x, int(y * scale) + shift) for x, y in curve.points))


def calibrated(sensor: Sensor, scale: float, shift: int) -> Sensor:
    tracks = tuple(replace(track, curve=moved(track.curve, scale, shift)) for track in sensor.tracks)
    return replace(sensor, tracks=tracks)


JOINT_CHANGES = {
    "reduced_speed": {"speed_reduced_mdeg_s": (8001, 8000)},
    "deceleration": {"decelerate_mdeg_s": JOINT.decelerate_mdeg_s - 1},
    "stop_deceleration": {"stop_mdeg_s": JOINT.stop_mdeg_s // 10},
    "soft_stops.upper": {"soft_stop_mdeg": (30_001, -30_000)},
    "soft_stops.lower": {"soft_stop_mdeg": (30_000, -30_001)},
    "rated_flow": {"flow_full_ml_min": JOINT.flow_full_ml_min // 2},
    "reversal_hold": {"reversal_ticks": JOINT.reversal_ticks - 1},
    "watch.settle": {"settle_ticks": JOINT.settle_ticks + 1},
    "watch.still_time": {"still_ticks": JOINT.still_ticks + 1},
    "watch.still_angle": {"still_mdeg": 360_000},
    "watch.stall_flow": {"stall_flow_e4": 10_000},
    "watch.stall_time": {"stall_ticks": JOINT.stall_ticks + 1},
    "watch.stall_angle": {"stall_mdeg": 1},
    "operator.filter": {"filter_q16": JOINT.filter_q16 + 1},
    "operator.speed_filter": {"speed_filter_q16": 65_536},
    "follow.gain": {"gain_q16": JOINT.gain_q16 * 2},
    "follow.feed_forward": {"feed_q16": JOINT.feed_q16 + 1},
    "follow.error_deadband": {"deadband": JOINT.deadband - 1},
    "follow.speed_deadband": {"speed_deadband_mdeg_s": 0},
    "follow.match_window": {"match_window_mdeg": JOINT.match_window_mdeg + 1},
    "follow.gap": {"gap_mdeg": 0},
    "operator.response": {"response": moved(JOINT.response, 1.01, 0)},
    "position.tracks[0].points": {"position": calibrated(JOINT.position, 1.0, 20)},
    "position.tracks[1].points": {"position": calibrated(JOINT.position, 0.99, 0)},
    "operator.tracks[0].points": {"operator": calibrated(JOINT.operator, 1.0, 20)},
    "position.rate_max": {"position": replace(JOINT.position, step_max=JOINT.position.step_max * 2)},
    "position.disagreement": {"position": replace(JOINT.position, disagreement=2001)},
    "position.fault_time": {"position": replace(JOINT.position, bad_ticks=JOINT.position.bad_ticks + 1)},
    "operator.fault_time": {"operator": replace(JOINT.operator, bad_ticks=JOINT.operator.bad_ticks + 1)},
    "position.tracks[0].input": {
        "position": replace(
            JOINT.position, tracks=(replace(JOINT.position.tracks[0], input=9), *JOINT.position.tracks[1:])
        )
    },
    "position.tracks[0].window.lower": {
        "position": replace(
            JOINT.position, tracks=(replace(JOINT.position.tracks[0], count_min=249), *JOINT.position.tracks[1:])
        )
    },
}  # fmt: skip
MACHINE_CHANGES = {
    "controller.late_allowance": {"late_us": MACHINE.late_us + 1},
    "supply.flow": {"pump_ml_min": MACHINE.pump_ml_min * 2},
    "start.sensors_good": {"power_up_ticks": 3},
    "start.pump_load": {"load_ticks": MACHINE.load_ticks - 1},
    "start.match_hold": {"match_ticks": 1},
    "start.authority_ramp": {"authority_step_q16": 65_536},
    "emergency_stop.discrepancy_time": {"discrepancy_ticks": MACHINE.discrepancy_ticks + 1},
    "emergency_stop.reset_press.shortest": {"reset_min_ticks": 1},
    "emergency_stop.reset_press.longest": {"reset_max_ticks": MACHINE.reset_max_ticks + 1},
    "emergency_stop.category": {"stop_category": 1},
    "emergency_stop.delayed_off_relay": {"stop_ticks": MACHINE.stop_ticks + 1},
    "emergency_stop.release_deadline": {"release_ticks": MACHINE.release_ticks + 1},
    "limits.tip_speed": {"tip_mdeg_mm_s": MACHINE.tip_mdeg_mm_s + 1},
}


@pytest.mark.parametrize("text", [text_of(STAND), text_of(KERB), CATEGORY_ONE])
def test_every_joint_of_a_compiled_profile_is_as_written(text):
    found = [item for item in check_text(text).findings if item.limit == "as_written"]

    assert [item.joint for item in found] == [joint.name for joint in profile_of(text).joints] + [None]
    assert all(item.status is Status.HOLDS and item.worst == 0 for item in found)


@pytest.mark.parametrize("item", JOINT_CHANGES)
def test_a_changed_value_of_a_joint_is_seen_and_named(item):
    found = joint_as_written(context_of(PROFILE, "lever", **JOINT_CHANGES[item]))

    assert found.status is Status.VIOLATED
    assert item in found.detail


@pytest.mark.parametrize("item", MACHINE_CHANGES)
def test_a_changed_value_of_the_machine_is_seen_and_named(item):
    found = machine_as_written(PROFILE, replace(TABLE, machine=replace(MACHINE, **MACHINE_CHANGES[item])))

    assert found.status is Status.VIOLATED
    assert item in found.detail


@pytest.mark.parametrize("change", [-1, 1])
def test_a_changed_reach_is_seen_and_named(change):
    found = machine_as_written(PROFILE, replace(TABLE, joints=(replace(JOINT, reach_mm=JOINT.reach_mm + change),)))

    assert found.status is Status.VIOLATED
    assert "joints.lever, reach for tip speed" in found.detail


FOLDS = profile_of(text_of(KERB))
FOLDED = compile_table(FOLDS)


def test_a_coupled_stop_that_the_table_lacks_is_seen_and_named():
    found = machine_as_written(FOLDS, replace(FOLDED, coupled=()))

    assert found.status is Status.VIOLATED
    assert "coupled_stops.fold.lower is not in the table" in found.detail


@pytest.mark.parametrize(
    "change",
    [
        {"joints": (0, 2)},
        {"weights_e3": (-1000, 1000)},
        {"weights_e3": (-999, -1000)},
        {"limit_mdeg": 80_001},
    ],
)
def test_a_changed_coupled_stop_is_seen_on_both_sides(change):
    found = machine_as_written(FOLDS, replace(FOLDED, coupled=(replace(FOLDED.coupled[0], **change),)))

    assert found.status is Status.VIOLATED
    assert found.worst == 2
    assert "is not the profile's" in found.detail


def test_a_coupled_stop_that_is_there_twice_with_another_limit_is_seen():
    more = replace(FOLDED.coupled[0], limit_mdeg=90_000)
    found = machine_as_written(FOLDS, replace(FOLDED, coupled=(*FOLDED.coupled, more)))

    assert found.worst == 1


def test_cases_are_the_sizes_of_the_domains_and_the_single_values():
    found = joint_as_written(context_of(PROFILE, "lever"))
    counts, response = 3 * 4096, 120_000 + 1

    assert 0 < found.cases - counts - response < 60


def test_a_changed_table_does_not_hold():
    result = check_with(PROFILE, altered(PROFILE, "lever", stall_flow_e4=10_000))

    assert finding(result, "as_written", "lever").status is Status.VIOLATED
    assert not result.holds


def test_speed_limit_covers_a_reading_that_is_late():
    """The law takes the lever arm of a reading that is late; a joint that runs into a shorter arm is faster than the
    same pose read in time would be. Tried here by the law and the geometry alone.
    """
    text = with_value(text_of(STAND), "joints.lever.tolerances.hysteresis", '"0.5 %"')
    text = with_value(text, "joints.lever.tolerances.dead_time", '{shortest = "10 ms", longest = "150 ms"}')
    for side, crack in (("positive", '"20 %"'), ("negative", '"22 %"')):
        for key in ("crack_min", "jump"):
            text = with_value(text, f"joints.lever.valve.{side}.{key}", crack)
    context = context_of(profile_of(text), "lever")

    def speeds(poses: np.ndarray, late_s: float) -> np.ndarray:
        command = np.full(poses.shape, context.table.speed_full_mdeg_s[0], dtype=np.int32)
        readings = (poses - late_s * 39_000).astype(np.int32)
        flow = context.live.flow(context.index, command, readings)[0]
        return flow * context.speed_per_flow_e4(poses, 0) * context.gain_most(0) / 1000

    before_braking = np.arange(-10_000, -4_999, 100, dtype=np.int32)
    late = np.max(speeds(before_braking, 0.150 + 0.007 * (context.table.position.bad_ticks + 3)))
    in_time = np.max(speeds(context.poses_mdeg(), 0.0))

    assert late > 1.01 * in_time  # lateness matters here
    assert speed_limit(context).worst >= late
