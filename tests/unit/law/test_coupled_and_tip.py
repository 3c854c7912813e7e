"""Coupled stops and tip speed (rules L6c, L7f, L6f, L7g) stage by stage: the rules in whole numbers beside the core."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from make_table import random_table

from mapper.law import load_core
from mapper.law.core import LiveTable
from mapper.table import Table, encode_table
from mapper.table.table import CoupledStop, Curve

Ints = npt.NDArray[np.int32]
_LINE = Curve(points=((0, 0), (100_000, 50_000)))


def _random_stops(count: int) -> list[tuple[Table, LiveTable]]:
    """Tables with at least one coupled stop."""
    found = []
    for seed in range(200):
        table = random_table(random.Random(seed))
        if table.coupled:
            found.append((table, load_core().table(encode_table(table))))
        if len(found) == count:
            return found
    raise AssertionError("random_table makes no coupled stops")


def _with(stop: CoupledStop) -> LiveTable:
    """A live table with this stop between two joints that have stops, as stop 0."""
    table = _random_stops(1)[0][0]
    return load_core().table(encode_table(replace(table, coupled=(replace(stop, joints=table.coupled[0].joints),))))


def _lowered_by_rule(
    stop: CoupledStop, cap_at: dict[int, int], q: tuple[int, int], v: tuple[int, int]
) -> tuple[int, int]:
    """L6c as it is written; `cap_at` holds brake(room) for the rooms above 0 that occur."""
    room = (stop.limit_mdeg * 1000 - sum(w * p for w, p in zip(stop.weights_e3, q, strict=True))) // 1000
    cap = 0 if room <= 0 else cap_at[room]
    closing = [max(w * speed, 0) for w, speed in zip(stop.weights_e3, v, strict=True)]
    if sum(closing) <= cap * 1000:
        return v
    factor = cap * 1000 * 65_536 // sum(closing)
    less = [abs(speed) * factor // 65_536 * (1 if speed > 0 else -1) for speed in v]
    return tuple(new if part else old for new, old, part in zip(less, v, closing, strict=True))


def test_coupled_stage_is_the_rule_on_random_stops() -> None:
    rng = np.random.default_rng(1)
    lowered_count = 0
    for table, live in _random_stops(12):
        for index, stop in enumerate(table.coupled):
            q = rng.integers(-360_000, 360_001, (2, 400)).astype(np.int32)
            v = rng.integers(-200_000, 200_001, (2, 400)).astype(np.int32)
            v[:, ::7] //= 1000
            rooms = (
                stop.limit_mdeg * 1000 - sum(w * p.astype(np.int64) for w, p in zip(stop.weights_e3, q, strict=True))
            ) // 1000
            caps = live.coupled_brake(index, rooms)
            cap_at = dict(zip(rooms.tolist(), caps.tolist(), strict=True))
            got = live.coupled(index, (q[0], q[1]), (v[0], v[1]))
            want = [
                _lowered_by_rule(stop, cap_at, tuple(a), tuple(b))
                for a, b in zip(q.T.tolist(), v.T.tolist(), strict=True)
            ]

            assert np.array_equal(np.array(got).T, want)
            lowered_count += int((np.array(got) != v).sum())
    assert lowered_count > 1000
    assert load_core().assert_line() == 0


@pytest.mark.parametrize(
    ("weights", "signs"), [((1000, 1000), (1, 1)), ((1000, -2000), (1, -1)), ((-500, 1500), (-1, 1))]
)
def test_motion_into_the_stop_is_capped_and_motion_away_is_free(
    weights: tuple[int, int], signs: tuple[int, int]
) -> None:
    """At a room of 20 deg the cap is 10 deg/s of the weighted sum: just inside it nothing is lowered, just outside it
    is; motion away does not make room for motion towards; beyond the limit only motion back is left.
    """
    stop = CoupledStop(joints=(0, 1), weights_e3=weights, limit_mdeg=20_000, brake=_LINE)
    live = _with(stop)
    share = [10_000 * 1000 // 2 // abs(weight) for weight in weights]

    def lowered(room: int, first: int, second: int) -> tuple[int, int]:
        position = (20_000 - room) * 1000 // weights[0]
        found = live.coupled(0, ([position], [0]), ([first * signs[0]], [second * signs[1]]))
        return int(found[0][0]) * signs[0], int(found[1][0]) * signs[1]

    assert lowered(20_000, share[0], share[1]) == (share[0], share[1])
    past = lowered(20_000, share[0] + 100, share[1])
    assert past[0] < share[0] + 100
    assert past[1] < share[1]
    assert abs(weights[0]) * past[0] + abs(weights[1]) * past[1] <= 10_000 * 1000
    assert lowered(20_000, 4 * share[0], -4 * share[1])[0] <= 2 * share[0]
    assert lowered(20_000, 4 * share[0], -4 * share[1])[1] == -4 * share[1]
    assert lowered(0, 500, -700) == (0, -700)
    assert lowered(-5_000, 500, 700) == (0, 0)
    assert lowered(-5_000, -500, -700) == (-500, -700)


@pytest.mark.parametrize(("room_e3", "cap"), [(-1, 0), (0, 0), (999, 0), (1000, 701), (1999, 701), (2000, 702)])
def test_room_is_rounded_down_and_a_room_of_zero_is_none(room_e3: int, cap: int) -> None:
    """The curve gives 700 at no room at all, but that is only for the first whole millidegree and more."""
    brake = Curve(points=((0, 700), (100, 800)))
    live = _with(CoupledStop(joints=(0, 1), weights_e3=(1, 1000), limit_mdeg=50, brake=brake))
    position = 50_000 - room_e3

    assert live.coupled(0, ([position], [0]), ([0], [5000]))[1][0] == 5000 * (cap * 65_536 // 5000) // 65_536


def test_largest_numbers_stay_inside_their_widths() -> None:
    """INV-TABLE-2 at the corners: largest weights, positions, speeds, limit and curve."""
    brake = Curve(points=((0, 0), (7_200_000, 2_000_000)))
    for limit in (-7_200_000, 7_200_000):
        for weights in ((10_000, 10_000), (-10_000, -10_000)):
            live = _with(CoupledStop(joints=(0, 1), weights_e3=weights, limit_mdeg=limit, brake=brake))
            for q in (-360_000, 360_000):
                for v in (-200_000, 200_000):
                    found = live.coupled(0, ([q], [q]), ([v], [v]))
                    room = limit - 2 * weights[0] * q // 1000
                    closing = 2 * weights[0] * v // 1000
                    cap = 0 if room <= 0 else min(int(live.coupled_brake(0, [room])[0]), max(closing, 0))
                    now = sum(w * int(s[0]) for w, s in zip(weights, found, strict=True)) // 1000
                    assert now == closing if closing < 0 else cap - 40 <= now <= cap
    assert load_core().assert_line() == 0


def test_stop_that_is_not_there_is_refused() -> None:
    table, live = _random_stops(1)[0]
    with pytest.raises(ValueError, match="not one of"):
        live.coupled_brake(len(table.coupled), [1])
    with pytest.raises(ValueError, match="not one of"):
        live.coupled(-1, ([0], [0]), ([0], [0]))


def _tip_table(limit: int, reaches: tuple[int, ...]) -> LiveTable:
    table = random_table(random.Random(8), joint_count=len(reaches))
    joints = tuple(replace(joint, reach_mm=reach) for joint, reach in zip(table.joints, reaches, strict=True))
    machine = replace(table.machine, tip_mdeg_mm_s=limit)
    return load_core().table(encode_table(replace(table, machine=machine, joints=joints)))


_REACHES = (3000, 0, 65_535, 1, 1200)


def _sums(speeds: Ints) -> npt.NDArray[np.int64]:
    return np.abs(speeds.astype(np.int64)) @ np.array(_REACHES, dtype=np.int64)


def test_tip_scale_is_the_rule() -> None:
    rng = np.random.default_rng(2)
    live = _tip_table(80_000_000, _REACHES)
    speed = (rng.integers(-200_000, 200_001, (500, 5)) // rng.choice([1, 100, 1000, 100_000], (500, 5))).astype(
        np.int32
    )
    got = live.tip_scale(speed)

    for before, after, total in zip(speed.tolist(), got.tolist(), _sums(speed).tolist(), strict=True):
        factor = min(65_536, 80_000_000 * 65_536 // total) if total else 65_536
        sign = [1 if v > 0 else -1 for v in before]
        want = [s * (abs(v) * factor // 65_536) if r else v for v, s, r in zip(before, sign, _REACHES, strict=True)]
        assert after == want
    assert (_sums(got) <= 80_000_000).all()
    assert 50 < (_sums(speed) > 80_000_000).sum() < 450


def test_tip_hold_lets_no_joint_gain_while_the_sum_is_over() -> None:
    rng = np.random.default_rng(3)
    live = _tip_table(80_000_000, _REACHES)
    before = (rng.integers(-200_000, 200_001, (500, 5)) // rng.choice([1, 100, 1000], (500, 5))).astype(np.int32)
    speed = np.clip(before + rng.integers(-900, 901, (500, 5)), -200_000, 200_000).astype(np.int32)
    speed[np.sign(speed) == -np.sign(before)] = 0  # the ramp does not reverse in one tick
    got = live.tip_hold(before, speed)

    over = (_sums(speed) > 80_000_000)[:, None] & (np.array(_REACHES) > 0)
    gains = np.abs(speed) > np.abs(before)
    assert np.array_equal(got, np.where(over & gains, np.sign(speed) * np.abs(before), speed))
    assert (_sums(got) <= np.maximum(_sums(before), 80_000_000)).all()
    assert (over & gains).any()
    assert not over.all()


def test_tip_limit_of_zero_is_none_and_the_limit_itself_is_allowed() -> None:
    speed = np.full((1, 5), 200_000, dtype=np.int32)
    assert np.array_equal(_tip_table(0, _REACHES).tip_scale(speed), speed)
    assert np.array_equal(_tip_table(0, _REACHES).tip_hold(0 * speed, speed), speed)

    small = np.array([[100, 7, 10, 50, 20]], dtype=np.int32)
    total = int(_sums(small)[0])
    assert np.array_equal(_tip_table(total, _REACHES).tip_scale(small), small)
    assert np.array_equal(_tip_table(total, _REACHES).tip_hold(0 * small, small), small)
    assert _sums(_tip_table(total - 1, _REACHES).tip_scale(small))[0] < total
    assert np.array_equal(_tip_table(total - 1, _REACHES).tip_hold(0 * small, small), [[0, 7, 0, 0, 0]])


def test_tip_numbers_stay_inside_their_widths() -> None:
    live = _tip_table(2_000_000_000, (65_535,) * 16)
    speed = np.full((1, 16), -200_000, dtype=np.int32)
    got = live.tip_scale(speed)

    assert (got == -(200_000 * (2_000_000_000 * 65_536 // (16 * 65_535 * 200_000)) // 65_536)).all()
    assert load_core().assert_line() == 0


def test_speeds_of_another_shape_are_refused() -> None:
    live = _tip_table(5, (1, 2))
    with pytest.raises(ValueError, match="shape"):
        live.tip_scale([[1, 2, 3]])
    with pytest.raises(ValueError, match="shape"):
        live.tip_hold([[1, 2], [1, 2]], [[1, 2]])
