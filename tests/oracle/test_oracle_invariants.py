"""What must hold in every tick of every sequence, read from the traces alone: judges the oracle without the
compiled core."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pytest
from differential import Sequence, played
from oracle_words import (
    EMERGENCY_STOP,
    ENABLING,
    FAULT,
    FULL_SPEED,
    KEY,
    LATE,
    MATCHED,
    MATCHING,
    NONE,
    POWERING_UP,
    Q16,
    REDUCED,
    RELEASED,
    RUNNING,
    STOP,
    STOP_1,
    STOP_2,
    STOPPED,
    STOPPING,
    TIP,
)

SEEDS = range(9_000_000, 9_000_080)
WAYS_ON = {
    POWERING_UP: {STOPPED, EMERGENCY_STOP},
    STOPPED: {MATCHING, EMERGENCY_STOP, FAULT},
    MATCHING: {RUNNING, STOPPED, EMERGENCY_STOP, FAULT},
    RUNNING: {STOPPING, EMERGENCY_STOP, FAULT},
    STOPPING: {STOPPED, EMERGENCY_STOP, FAULT},
    EMERGENCY_STOP: {STOPPED, FAULT},
    FAULT: {STOPPED},
}


@pytest.fixture(scope="module")
def sequences() -> list[Sequence]:
    return [played(seed)[0] for seed in SEEDS]


def joints(sequence: Sequence) -> Iterator[tuple[object, dict[str, np.ndarray]]]:
    names = ("target", "position", "wanted", "speed", "flow", "drive", "flags")
    for index, table in enumerate(sequence.table.joints):
        columns = sequence.expected[:, 9 + 7 * index : 16 + 7 * index]
        yield table, {name: columns[:, number].astype(np.int64) for number, name in enumerate(names)}


def test_nothing_moves_outside_running_and_stopping(sequences: list[Sequence]) -> None:
    for sequence in sequences:
        still = ~np.isin(sequence.expected[:, 0], (RUNNING, STOPPING))
        for _, joint in joints(sequence):
            for name in ("wanted", "speed", "flow", "drive"):
                assert not joint[name][still].any()
            assert not (joint["flags"][still] & ~MATCHED).any()


def test_states_follow_each_other_only_as_the_rules_allow(sequences: list[Sequence]) -> None:
    for sequence in sequences:
        states = [POWERING_UP, *sequence.expected[:, 0].tolist()]
        for before, after in pairwise(states):
            assert after == before or after in WAYS_ON[before]


def test_running_and_matching_need_the_device_held_and_the_stop_closed(sequences: list[Sequence]) -> None:
    for sequence in sequences:
        live = np.isin(sequence.expected[:, 0], (MATCHING, RUNNING))
        digital = sequence.inputs[:, 1][live]
        entered = (sequence.expected[1:, 0] == MATCHING) & (sequence.expected[:-1, 0] == STOPPED)

        assert (digital & (STOP_1 | STOP_2 | ENABLING) == STOP_1 | STOP_2 | ENABLING).all()
        assert not (sequence.inputs[1:, 1][entered] & KEY).any()


def test_enable_output_and_cause_belong_to_the_state(sequences: list[Sequence]) -> None:
    for sequence in sequences:
        state, cause, joint, _, enable, authority = (sequence.expected[:, column] for column in range(6))

        assert (enable == np.isin(state, (MATCHING, RUNNING, STOPPING))).all()
        assert (cause[np.isin(state, (POWERING_UP, STOPPED, MATCHING, RUNNING))] == NONE).all()
        assert np.isin(cause[state == STOPPING], (RELEASED, STOP)).all()
        assert (cause[state == EMERGENCY_STOP] == STOP).all()
        assert (cause[state == FAULT] >= LATE).all()
        assert ((joint < len(sequence.table.joints)) | (joint == 255)).all()
        assert not authority[~np.isin(state, (RUNNING, STOPPING))].any()
        assert ((authority >= 0) & (authority <= Q16)).all()


def test_speed_gains_no_more_than_the_ramp_and_keeps_within_every_limit(sequences: list[Sequence]) -> None:
    for sequence in sequences:
        for table, joint in joints(sequence):
            speed, wanted, flow, drive = joint["speed"], joint["wanted"], joint["flow"], joint["drive"]
            gained = np.abs(speed[1:]) - np.abs(speed[:-1])

            assert gained.max() <= table.accelerate_mdeg_s
            assert not (speed[1:] * speed[:-1] < 0).any()  # never through zero in one tick
            assert (speed <= table.speed_full_mdeg_s[0]).all()
            assert (speed >= -table.speed_full_mdeg_s[1]).all()
            assert (wanted <= table.speed_full_mdeg_s[0]).all()
            assert (wanted >= -table.speed_full_mdeg_s[1]).all()
            assert (flow <= max(table.flow_max_e4)).all()
            assert (flow >= 0).all()
            assert (np.abs(drive) <= table.drive_max_e4).all()
            assert (np.sign(drive) * table.polarity * np.sign(speed) >= 0).all()
            assert not drive[flow == 0].any()


def test_no_drive_into_a_soft_stop(sequences: list[Sequence]) -> None:
    """At or beyond a soft stop nothing drives farther, whatever the ramp wanted. One track: position is both ends
    of it."""
    for sequence in sequences:
        for table, joint in joints(sequence):
            if table.continuous:
                continue
            upper, lower = table.soft_stop_mdeg

            assert not (joint["speed"][joint["position"] >= upper] > 0).any()
            assert not (joint["speed"][joint["position"] <= lower] < 0).any()


def columns(sequence: Sequence, name: str) -> np.ndarray:
    """One value of every joint: (ticks, joints)."""
    return np.stack([joint[name] for _, joint in joints(sequence)], axis=1)


def test_no_joint_closes_a_coupled_stop_faster_than_its_braking_curve_allows(sequences: list[Sequence]) -> None:
    """The trace shows the first track only; the worse one leaves less room, and a braking curve never falls, so that
    what this room allows is at least what the rule allowed, read from the curve in floats."""
    beyond = braked = 0
    for sequence in sequences:
        position, speed, target = (columns(sequence, name) for name in ("position", "speed", "wanted"))
        for stop in sequence.table.coupled:
            indices, weights = list(stop.joints), np.array(stop.weights_e3)
            room = stop.limit_mdeg - position[:, indices] @ weights / 1_000
            curve = np.interp(room, [x for x, _ in stop.brake.points], [y for _, y in stop.brake.points])
            allowed = np.where(room <= 0, 0, curve)
            wanted = np.maximum(target[:, indices] * weights, 0).sum(axis=1) / 1_000
            moved = np.maximum(speed[:, indices] * weights, 0).sum(axis=1) / 1_000

            assert (wanted <= allowed + 1e-6).all()
            assert (moved <= allowed + 1e-6).all()
            beyond += int((room <= 0).sum())
            braked += int((wanted > 0.99 * allowed)[wanted > 0].sum())
    assert beyond > 500
    assert braked > 500


def test_tip_keeps_its_limit_in_reduced_mode_or_nothing_gains(sequences: list[Sequence]) -> None:
    """What is wanted is always within the limit; what is moved is too, or no joint that counts gains in that tick."""
    within = above = 0
    for sequence in sequences:
        limit = sequence.table.machine.tip_mdeg_mm_s
        reach = np.array([table.reach_mm for table, _ in joints(sequence)], dtype=np.int64)
        reduced, flags = sequence.expected[:, 3] == REDUCED, columns(sequence, "flags")
        assert not (flags[~reduced] & TIP).any()
        assert not (flags[:, reach == 0] & TIP).any()
        if limit == 0:
            assert not (flags & TIP).any()
            continue
        speed = np.abs(columns(sequence, "speed"))
        gained = np.diff(speed, axis=0, prepend=0)[:, reach > 0] > 0
        over = reduced & (speed @ reach > limit)

        assert (np.abs(columns(sequence, "wanted")) @ reach <= limit)[reduced].all()
        assert not gained[over].any()
        above += int(over.sum())
        within += int((reduced & (speed @ reach > 0) & ~over).sum())
    assert within > 500
    assert above > 15


def test_full_mode_is_left_in_motion_and_never_entered(sequences: list[Sequence]) -> None:
    """Without this the runs would not show what a drop of the mode does to joints that move."""
    drops = 0
    for sequence in sequences:
        moves = columns(sequence, "speed").any(axis=1)
        mode, state = sequence.expected[:, 3], sequence.expected[:, 0]
        live = np.isin(state, (RUNNING, STOPPING))
        both = live[1:] & live[:-1]

        assert not (both & (mode[1:] == FULL_SPEED) & (mode[:-1] == REDUCED)).any()
        drops += int((both & moves[:-1] & (mode[1:] == REDUCED) & (mode[:-1] == FULL_SPEED)).sum())
    assert drops > 10


def test_pump_is_never_asked_for_more_than_it_gives(sequences: list[Sequence]) -> None:
    """Wanted flow, summed after the share, stays within the pump but for one step of rounding up a joint."""
    checked = 0
    for sequence in sequences:
        shared = sequence.expected[:, 6] < Q16
        for row in sequence.expected[shared]:
            total = 0
            for index, table in enumerate(sequence.table.joints):
                wanted, position = abs(int(row[11 + 7 * index])), int(row[10 + 7 * index])
                k = least_k(table, position, 0 if row[11 + 7 * index] > 0 else 1)
                total += wanted * k // Q16 * table.flow_full_ml_min
            checked += 1

            assert total <= sequence.table.machine.pump_ml_min * 10_000
    assert checked > 500


def least_k(table: object, position: int, way: int) -> int:
    """A little less than the curve at `position`, in floats: independent of the integer curve reader."""
    points = table.flow_per_speed_q16[way].points
    value = np.interp(position, [x for x, _ in points], [y for _, y in points])
    return int(value) - 16
