"""In `stopping` a joint only slows, whatever the operator asks: the law run from a moving arm, tick by tick."""

from __future__ import annotations

import numpy as np

from mapper.check.context import judge, not_shown
from mapper.check.finding import Evidence, Finding
from mapper.check.law.pilot import HEALTHY, HELD, Running, drives
from mapper.law import STATES, LawState, LiveTable
from mapper.law.core import OUT_HEAD, OUT_JOINT, OUT_JOINT_NAMES, Ints
from mapper.table.table import Table

_RUNNING, _STOPPING = STATES.index("running"), STATES.index("stopping")
_SPEED_AT = OUT_JOINT_NAMES.index("speed_mdeg_s")
_GOES_ON_TICKS = (0, 5, 10, 20, 40)
"""How long the operator's demand is held before the stop, so that it comes at several speeds; a standing arm under
drive is a fault of its own soon after."""


def slowing(table: Table, live: LiveTable, running: Running) -> Finding:
    """Every tick of `stopping` takes the stop's step from every joint's speed, or ends at zero; the demand goes on.

    With `ramp`, which shows for every speed what a target of 0 does in one tick, this is the limit of `stopping`: here
    it is seen that the target is 0.
    """
    if not running.moving:
        return not_shown(
            None,
            "slowing",
            unit="ticks",
            detail="the law could not be brought to running with every joint moving",
            advice="see whether every operator input reaches poses inside the soft stops",
        )
    stops = [HEALTHY] if table.machine.stop_category == 0 else [HEALTHY, HELD & ~1, HELD & ~2, HELD & ~3]
    courses = [_course(table, live, running, ticks, digital) for ticks in _GOES_ON_TICKS for digital in stops]
    cases = sum(seen for seen, _ in courses)
    broken = sum(bad for _, bad in courses)
    return judge(
        None,
        "slowing",
        evidence=Evidence.SEARCH,
        cases=cases,
        worst=float(broken),
        bound=0.0,
        unit="ticks",
        margin=False,
        holds=cases > 0 and broken == 0,
        detail=f"enabling device let go{'' if len(stops) == 1 else ' or a stop channel opened'} from a moving arm at "
        f"{len(courses)} speeds, the operator's demand going on: in {cases} ticks of stopping, {broken} in which a "
        "joint lost less than its stop deceleration, turned round or had drive without speed",
        advice="the control law does not slow every joint in stopping; do not use this build",
    )


def _course(table: Table, live: LiveTable, running: Running, goes_on_ticks: int, digital: int) -> tuple[int, int]:
    """(ticks of stopping times joints, how many broke the rule), for one stop; (0, 0) when the arm ran no more."""
    state = LawState(len(running.state))
    state.load(running.state)
    before = live.run(state, np.tile(running.row, (goes_on_ticks + 1, 1)))
    if before[-1, 0] != _RUNNING:
        return 0, 0
    row = running.row.copy()
    row[1] = digital
    after = live.run(state, np.tile(row, (max(table.machine.release_ticks, table.machine.stop_ticks) + 2, 1)))
    rows = np.concatenate([before[-1:], after])
    speeds, stopping = _speeds(rows, len(table.joints)), rows[1:, 0] == _STOPPING
    steps = np.array([joint.stop_mdeg_s for joint in table.joints])
    most = np.maximum(np.abs(speeds[:-1]) - steps, 0)
    bad = (np.abs(speeds[1:]) > most) | (speeds[1:] * speeds[:-1] < 0)
    bad |= (speeds[1:] == 0) & (drives(after, len(table.joints)) != 0)
    return int(np.count_nonzero(stopping)) * len(table.joints), int(np.count_nonzero(bad & stopping[:, None]))


def _speeds(rows: Ints, joint_count: int) -> np.ndarray:
    first = OUT_HEAD + _SPEED_AT
    return rows[:, first : first + OUT_JOINT * joint_count : OUT_JOINT].astype(np.int64)
