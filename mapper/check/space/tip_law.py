"""Tip speed in the compiled law: what rules L6f and L7g let through, tried on many sets of commands."""

from __future__ import annotations

import itertools

import numpy as np
import numpy.typing as npt

from mapper.law import LiveTable
from mapper.table.table import Table

_MIXED_ROWS = 10_000  # sets of commands that are tried on the compiled law besides the corners
_ROWS_MOST = 20_000


def law_keeps_the_sum(table: Table, live: LiveTable) -> tuple[int, list[str]]:
    """Sets of commands tried on the compiled rules L6f and L7g, and what is wrong with their results.

    Every joint at none, the least, half and all of its reduced speed with every other (up to seven joints; up to nine:
    none, half and all; more: none and all together), and seeded mixtures of any size; L7g from speeds that L6f let
    through, and from faster ones, as they are left by a drop of the mode.
    """
    limit = table.machine.tip_mdeg_mm_s
    if limit == 0:
        return 0, []
    reach = np.array([joint.reach_mm for joint in table.joints], dtype=np.int64)
    full = np.array([max(joint.speed_full_mdeg_s) for joint in table.joints], dtype=np.int64)
    reduced = np.array([max(joint.speed_reduced_mdeg_s) for joint in table.joints], dtype=np.int64)
    rng = np.random.default_rng(1)
    wanted = np.concatenate([_corners(reduced), _mixed(reduced, rng), _mixed(full, rng)]).astype(np.int32)
    lowered = live.tip_scale(wanted)
    faults = []
    if np.any(_sums(lowered, reach) > limit):
        faults.append("rule L6f lets more through than the table's limit")
    if np.any(np.abs(lowered.astype(np.int64)) > np.abs(wanted)) or np.any(lowered.astype(np.int64) * wanted < 0):
        faults.append("rule L6f makes a speed larger or turns it round")
    before = rng.permutation(lowered)
    fast = rng.permutation(wanted)
    for start, name in ((before, "after a sum within the limit"), (fast, "after a faster tick")):
        held = live.tip_hold(start, lowered)
        if np.any(_sums(held, reach) > np.maximum(limit, _sums(start, reach))):
            faults.append(f"rule L7g lets the sum grow beyond the limit {name}")
    return 3 * len(wanted), faults


def _sums(speeds: npt.NDArray[np.int32], reach: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    return np.asarray(np.abs(speeds.astype(np.int64)) @ reach)


def _corners(reduced: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    for steps in (lambda one: (0, 1, one // 2, one), lambda one: (0, one // 2, one)):
        each = [steps(int(one)) for one in reduced]
        if len(each[0]) ** len(each) <= _ROWS_MOST:
            return np.array(list(itertools.product(*each)))
    return np.array([np.zeros_like(reduced), reduced])


def _mixed(most: npt.NDArray[np.int64], rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """Random shares of each joint's most, both directions, many of them none or all."""
    share = np.clip(rng.uniform(-0.3, 1.3, (_MIXED_ROWS // 2, len(most))), 0.0, 1.0)
    return np.asarray(np.rint(share * most) * rng.choice([-1, 1], share.shape), dtype=np.int64)
