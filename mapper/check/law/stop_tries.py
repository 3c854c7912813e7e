"""States and inputs from which whole ticks of the law are tried at soft stops, coupled stops and the tip limit.

Every joint at once: where it is, how fast it was in the tick before and what its operator asks for are made up, so that
the rules that look at one joint and those that look at several all have something to lower.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from mapper.check.context import HALF_TURN_MDEG, SIDES, Ints
from mapper.check.law.pilot import HELD
from mapper.law import INPUT_BITS, LiveTable
from mapper.machine import NEGATIVE, POSITIVE
from mapper.table.table import FOLLOW, FULL_E4, CoupledStop, JointTable, Table, Track

Wide = npt.NDArray[np.int64]

_REDUCED = ~INPUT_BITS["mode_full"]
_SIGNS = (1, -1)  # by side
_BEYOND_MDEG = (-20_000, -5_000, -1_000, -100)  # rooms
_STEPS = (-4, -2, -1, 0, 1, 2, 4)  # counts of the sensor around the stop itself
_ROOMS = 40  # from the stop to where its braking curve ends
_PAST_END = 1.05
_SPEED_SHARES = (1.0, 0.6, 0.3, 0.1, 0.01, 0.0, -0.3, -1.0)  # of full speed, towards the stop; below 0 away from it
_ASKED = (1, 0, -1)  # all that there is towards the stop, nothing, all away from it
_ALONE = 0.3  # how many joints are asked in the ticks in which the pump is to have enough for those
_PAIR_TRIES = 3_000  # for one coupled stop
_TIP_TRIES = 3_000
_GAP_SHARE = 0.95  # of the gap at which a follow joint is held


@dataclass(frozen=True, slots=True, kw_only=True)
class _Poses:
    """(n, joints) each: where the joints are to be (mdeg), speed of the tick before (mdeg/s), what is asked: +1 for all
    that the operator can ask in the positive direction, 0 nothing, -1; `reduced`: (n,), 1 for the reduced mode.
    """

    position: Wide
    before: Wide
    asked: Wide
    reduced: Wide


@dataclass(frozen=True, slots=True, kw_only=True)
class StopTries:
    """What is put in, and what the law is to read of it."""

    rows: Ints  # (n, 66)
    before: Ints  # (n, joints), mdeg/s
    larger: Wide  # (n, joints), mdeg, the larger of the tracks' values
    smaller: Wide
    reduced: npt.NDArray[np.bool_]  # (n,)


def stop_tries(table: Table, live: LiveTable, row: Ints) -> StopTries:
    """The same tries for the same table.

    Args:
        table: with any joints.
        live: the same table.
        row: a tick of input of the law in running; what is not of a joint is taken from it.
    """
    rng = np.random.default_rng(1)
    parts = [_at_soft_stops(table, live, rng), *(_at_pair(table, stop, rng) for stop in table.coupled)]
    if table.machine.tip_mdeg_mm_s > 0:
        parts += list(_at_tip_limit(table, rng))
    names = ("position", "before", "asked", "reduced")
    position, before, asked, reduced = (np.concatenate([getattr(part, name) for part in parts]) for name in names)
    rows = np.tile(row, (reduced.size, 1))
    rows[:, 1] = np.where(reduced > 0, HELD & _REDUCED, HELD)
    larger, smaller = np.empty_like(position), np.empty_like(position)
    for index, joint in enumerate(table.joints):
        read = _put(rows, live, index, joint.position.tracks, position[:, index])
        larger[:, index], smaller[:, index] = read.max(axis=0), read.min(axis=0)
        _ask(rows, live, index, joint, (read[0], asked[:, index]))
    return StopTries(rows=rows, before=before.astype(np.int32), larger=larger, smaller=smaller, reduced=reduced > 0)


# -- poses ---------------------------------------------------------------------------------------------------------


def _at_soft_stops(table: Table, live: LiveTable, rng: np.random.Generator) -> _Poses:
    """Of each joint every room, speed and demand with every other, in both modes; the joints shuffled against each
    other.
    """
    each = [_combinations(live, index, joint) for index, joint in enumerate(table.joints)]
    half = max(one.shape[1] for one in each)  # the ticks of one mode
    shuffled = [np.concatenate([_again(one, half, rng), _again(one, half, rng)], axis=1) for one in each]
    position, before, asked = (np.stack([one[part] for one in shuffled], axis=1) for part in range(3))
    count = 2 * half
    few = rng.random((count, 1)) < 0.75
    asked = np.where(few & (rng.random(asked.shape) > _ALONE), 0, asked)
    return _Poses(position=position, before=before, asked=asked, reduced=np.arange(count) // half)


def _again(list_of: Wide, count: int, rng: np.random.Generator) -> Wide:
    """`count` of the columns: all of them in some order, again from the first where they are too few."""
    return np.resize(rng.permutation(list_of.T), (count, list_of.shape[0])).T


def _combinations(live: LiveTable, index: int, joint: JointTable) -> Wide:
    """(3, n): position, speed before, asked."""
    parts = []
    for side in SIDES:
        sign = _SIGNS[side]
        if joint.continuous:
            position = np.linspace(-HALF_TURN_MDEG, HALF_TURN_MDEG - 1, _ROOMS).astype(np.int64)
        else:
            position = joint.soft_stop_mdeg[side] - sign * _rooms(joint.brake[side].points[-1][0], _step_mdeg(joint))
        before = _speeds(joint, side, np.array(_SPEED_SHARES))
        axes = np.meshgrid(position, before, sign * np.array(_ASKED, dtype=np.int64), indexing="ij")
        parts.append(np.stack([axis.ravel() for axis in axes]))
    return np.concatenate(parts, axis=1)


def _speeds(joint: JointTable, side: int, share: npt.NDArray[np.float64]) -> Wide:
    """share: of the full speed towards the stop of that side; below 0, of that away from it."""
    towards, away = joint.speed_full_mdeg_s[side], joint.speed_full_mdeg_s[1 - side]
    return _SIGNS[side] * np.where(share > 0, share * towards, share * away).astype(np.int64)


def _rooms(end_mdeg: int, step_mdeg: int) -> Wide:
    """Beyond the stop, about it, and up to where the curve ends and a little on."""
    about = [step * step_mdeg for step in _STEPS]
    inside = np.linspace(step_mdeg, end_mdeg * _PAST_END + step_mdeg, _ROOMS).astype(np.int64)
    return np.concatenate([np.array([*_BEYOND_MDEG, *about], dtype=np.int64), inside])


def _step_mdeg(joint: JointTable) -> int:
    """From one count to the next, rounded up."""
    points = [track.curve.points for track in joint.position.tracks]
    steps = [abs(y1 - y0) // (x1 - x0) + 1 for one in points for (x0, y0), (x1, y1) in pairwise(one)]
    return max(steps)


def _at_pair(table: Table, stop: CoupledStop, rng: np.random.Generator) -> _Poses:
    """Both joints of a coupled stop at a room of it, each well inside its own travel where that can be; the others
    stand in the middle.
    """
    poses, count = _middle(table, _PAIR_TRIES), _PAIR_TRIES
    pair = [table.joints[number] for number in stop.joints]
    step = sum(abs(weight) * _step_mdeg(joint) for weight, joint in zip(stop.weights_e3, pair, strict=True)) // 1000
    room = rng.choice(_rooms(stop.brake.points[-1][0], max(step, 1)), count)
    first = rng.integers(pair[0].soft_stop_mdeg[NEGATIVE], pair[0].soft_stop_mdeg[POSITIVE] + 1, (_ROOMS, count))
    second = (stop.limit_mdeg * 1000 - room * 1000 - stop.weights_e3[0] * first) // stop.weights_e3[1]
    over = np.maximum(second - pair[1].soft_stop_mdeg[POSITIVE], pair[1].soft_stop_mdeg[NEGATIVE] - second)
    best, at = np.argmin(np.maximum(over, 0), axis=0), np.arange(count)
    for number, weight, joint, position in zip(
        stop.joints, stop.weights_e3, pair, (first[best, at], second[best, at]), strict=True
    ):
        side = POSITIVE if weight > 0 else NEGATIVE
        share = rng.choice(np.array(_SPEED_SHARES), count)
        poses.position[:, number] = position
        poses.before[:, number] = _speeds(joint, side, share)
        poses.asked[:, number] = _SIGNS[side] * rng.choice(np.array([1, 1, 0, -1]), count)
    return poses


def _at_tip_limit(table: Table, rng: np.random.Generator) -> Iterator[_Poses]:
    """All joints asked for something in the reduced mode: from speeds whose sum is at the limit, and from faster
    ones, as they are left by a drop of the mode.
    """
    reach = np.array([joint.reach_mm for joint in table.joints], dtype=np.int64)
    full = np.array([min(joint.speed_full_mdeg_s) for joint in table.joints])
    reduced = np.array([min(joint.speed_reduced_mdeg_s) for joint in table.joints])
    for most in (reduced, full):
        poses = _middle(table, _TIP_TRIES // 2)
        poses.reduced[:] = 1
        poses.asked[:] = rng.choice(np.array([1, 1, 1, 0, -1, -1, -1]), poses.asked.shape)
        same = np.where(rng.random(poses.asked.shape) < 0.9, poses.asked, rng.choice([-1, 1], poses.asked.shape))
        speed = np.clip(rng.uniform(-0.3, 1.3, poses.asked.shape), 0.0, 1.0) * most
        if most is reduced:
            sums = np.maximum(speed @ reach, 1.0)
            speed = speed * np.minimum(1.0, table.machine.tip_mdeg_mm_s / sums)[:, None]
        poses.before[:] = same * speed.astype(np.int64)
        yield poses


def _middle(table: Table, count: int) -> _Poses:
    """Every joint in the middle of its travel at rest, nothing asked; the modes in turn."""
    middle = [0 if joint.continuous else sum(joint.soft_stop_mdeg) // 2 for joint in table.joints]
    position = np.tile(np.array(middle, dtype=np.int64), (count, 1))
    none = np.zeros_like(position)
    return _Poses(position=position, before=none, asked=none.copy(), reduced=np.arange(count, dtype=np.int64) % 2)


# -- counts --------------------------------------------------------------------------------------------------------


class _Counts:
    """From values to the counts that come nearest to them."""

    def __init__(self, counts: Ints, values: Ints) -> None:
        order = np.argsort(values, kind="stable")
        self._values, self._counts = values[order].astype(np.int64), counts[order]

    def nearest(self, wanted: Wide) -> tuple[Ints, Wide]:
        """Counts, and the values that they stand for."""
        above = np.clip(np.searchsorted(self._values, wanted), 1, self._values.size - 1)
        at = np.where(wanted - self._values[above - 1] <= self._values[above] - wanted, above - 1, above)
        return self._counts[at], self._values[at]


def _counts_of(track: Track) -> Ints:
    return np.arange(track.count_min, track.count_max + 1, dtype=np.int32)


def _put(rows: Ints, live: LiveTable, index: int, tracks: tuple[Track, ...], position: Wide) -> Wide:
    """Puts the counts of the position into the rows. Returns (tracks, n), the values; those after the first agree with
    it as well as counts can.
    """
    values: list[Wide] = []
    for number, track in enumerate(tracks):
        counts = _counts_of(track)
        lookup = _Counts(counts, live.curve(index, 2 + number, counts))
        rows[:, 2 + track.input], value = lookup.nearest(values[0] if values else position)
        values.append(value)
    return np.stack(values)


def _ask(rows: Ints, live: LiveTable, index: int, joint: JointTable, pose: tuple[Wide, Wide]) -> None:
    """Puts the operator's counts into the rows. pose: position as read, and what is asked."""
    read, asked = pose
    counts = _counts_of(joint.operator.tracks[0])
    values = live.curve(index, 0, counts)
    if joint.control == FOLLOW:
        targets = live.curve(index, 4, values)
        way = int(_GAP_SHARE * joint.gap_mdeg) if joint.gap_mdeg > 0 else HALF_TURN_MDEG
        wanted = read + asked * way
        if joint.continuous:
            wanted = (wanted + HALF_TURN_MDEG) % (2 * HALF_TURN_MDEG) - HALF_TURN_MDEG
    else:
        targets, wanted = values, asked * FULL_E4
    chosen, _ = _Counts(counts, targets).nearest(wanted)
    rows[:, 2 + joint.operator.tracks[0].input] = chosen
    for number, track in enumerate(joint.operator.tracks[1:], start=1):
        other = _counts_of(track)
        lookup = _Counts(other, live.curve(index, number, other))
        rows[:, 2 + track.input], _ = lookup.nearest(values[chosen - counts[0]].astype(np.int64))
