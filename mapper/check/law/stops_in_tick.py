"""Soft stops, coupled stops, speed limits, ramps and the tip limit in whole ticks of the compiled law.

The stages that keep them are tried by themselves at every room elsewhere (`soft_stop`, `coupled_stop`, `tip_law`).
That a tick calls them, and that what goes on to the valve is what they made, shows only in the tick: here no stage of
the law is called for it, but `law_step`, and its outputs are compared with the curves.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mapper.check.context import SIDES
from mapper.check.finding import Finding, Status
from mapper.check.law.pilot import RUNNING, Running
from mapper.check.law.stop_tries import StopTries, Wide, stop_tries
from mapper.check.law.tries import Tries, try_ticks
from mapper.law import LawState, LiveTable
from mapper.profile.profile import Profile
from mapper.table.table import Table

_Bools = npt.NDArray[np.bool_]
_SOFT = ("soft_stop_overrun_upper", "soft_stop_overrun_lower")  # by side
_SIGNS = (1, -1)
_LEAST_SHARE = 0.5  # of the tries that are to stay in running


@dataclass(frozen=True, slots=True, kw_only=True)
class TickEvidence:
    """Of one limit: whole ticks that were tried, and in how many of them each of its rules was broken."""

    limit: str
    joint: int | None  # None: the machine
    tried: int
    rules: tuple[str, ...]
    broken: tuple[int, ...]  # by rule


def in_whole_ticks(
    profile: Profile, table: Table, live: LiveTable, running: Running, found: Iterable[Finding]
) -> list[Finding]:
    """The findings, in order; those of stops, speeds, ramps and the tip with what whole ticks of the law show of them.

    Args:
        profile: whose joints are named.
        table: compiled from it.
        live: the same, as the law reads it.
        running: how the law gets to running.
        found: of the whole check, before waivers.
    """
    evidence = whole_ticks(table, live, running)
    if evidence is None:
        concerned = {*_SOFT, "speed_limit", "ramp", "coupled_stops", "tip_speed"}
        return [_untried(finding) if finding.limit in concerned else finding for finding in found]
    known = {(one.limit, None if one.joint is None else profile.joints[one.joint].name): one for one in evidence}
    return [_with(finding, known.get((finding.limit, finding.joint))) for finding in found]


def whole_ticks(table: Table, live: LiveTable, running: Running) -> list[TickEvidence] | None:
    """One tick from each of the states of `stop_tries`. None where the law does not stay in running: nothing is shown
    then.
    """
    data, row = (running.state, running.row) if running.moving else (running.rest_state, running.rest_row)
    state = _after_a_tick(live, data, row)
    if state is None:
        return None
    tries = stop_tries(table, live, row)
    after = try_ticks(live, state, tries.rows, tries.before, fresh=True)
    kept = after.states == RUNNING
    if np.count_nonzero(kept) < _LEAST_SHARE * kept.size:
        return None
    return list(_evidence(table, live, tries, after, kept))


def _after_a_tick(live: LiveTable, data: bytes, row: npt.NDArray[np.int32]) -> bytes | None:
    """A tick on, so that the watches have seen the drives and none takes a new position for motion without drive.
    None where it is not running.
    """
    state = LawState(len(data))
    state.load(data)
    return bytes(state) if live.run(state, row[None, :])[0, 0] == RUNNING else None


# -- the curves ------------------------------------------------------------------------------------------------------


def _evidence(table: Table, live: LiveTable, tries: StopTries, after: Tries, kept: _Bools) -> Iterator[TickEvidence]:
    wanted, speed = after.wanted.astype(np.int64), after.speed.astype(np.int64)
    for index, joint in enumerate(table.joints):
        for side in () if joint.continuous else SIDES:
            cap = _cap(table, live, tries, (index, side))
            above = (_SIGNS[side] * wanted[:, index] > cap, _SIGNS[side] * speed[:, index] > cap)
            yield _counted((_SOFT[side], index), kept, above, ("L6b", "L7c"))
        yield _counted(("speed_limit", index), kept, (_too_fast(table, tries, after, index),), ("L6a",))
        yield _counted(("ramp", index), kept, (_off_the_ramp(table, tries, after, index),), ("L7a",))
    pairs = [_pair_above(table, live, tries, (wanted, speed), number) for number in range(len(table.coupled))]
    if pairs:
        asked, ramped = (np.any([pair[part] for pair in pairs], axis=0) for part in (0, 1))
        yield _counted(("coupled_stops", None), kept, (asked, ramped), ("L6c", "L7f"))
    if table.machine.tip_mdeg_mm_s > 0:
        above = _tip_above(table, tries, wanted, speed)
        yield _counted(("tip_speed", None), kept & tries.reduced, above, ("L6f", "L7g"))


def _counted(
    what: tuple[str, int | None], kept: _Bools, above: tuple[_Bools, ...], rules: tuple[str, ...]
) -> TickEvidence:
    """above: by rule."""
    broken = tuple(int(np.count_nonzero(one & kept)) for one in above)
    return TickEvidence(limit=what[0], joint=what[1], tried=int(np.count_nonzero(kept)), rules=rules, broken=broken)


def _cap(table: Table, live: LiveTable, tries: StopTries, at: tuple[int, int]) -> Wide:
    """Largest speed towards the soft stop at the room that is left. at: joint, side."""
    index, side = at
    joint = table.joints[index]
    nearer = tries.larger if side == SIDES[0] else tries.smaller
    room = _SIGNS[side] * (joint.soft_stop_mdeg[side] - nearer[:, index])
    curve = live.curve(index, 5 + side, np.maximum(room, 0).astype(np.int32)).astype(np.int64)
    return np.where(room > 0, np.minimum(curve, joint.speed_full_mdeg_s[side]), 0)


def _too_fast(table: Table, tries: StopTries, after: Tries, index: int) -> _Bools:
    """Whether more is asked for than mode and direction allow."""
    joint = table.joints[index]
    limits = np.array([joint.speed_full_mdeg_s, joint.speed_reduced_mdeg_s], dtype=np.int64)
    limit, wanted = limits[tries.reduced.astype(np.int64)], after.wanted[:, index]
    return np.asarray((wanted > limit[:, 0]) | (-wanted > limit[:, 1]))


def _off_the_ramp(table: Table, tries: StopTries, after: Tries, index: int) -> _Bools:
    """Whether the speed gains more than the ramp, or more than is asked for, loses less than the ramp where less is
    asked for, or turns round. What comes after the ramp only lowers.
    """
    joint = table.joints[index]
    before = tries.before[:, index].astype(np.int64)
    way = np.where(before == 0, np.sign(after.speed[:, index]), np.sign(before))
    wanted, speed, before = way * after.wanted[:, index], way * after.speed[:, index], way * before
    most = np.maximum(wanted, np.maximum(before - joint.decelerate_mdeg_s, 0))
    return np.asarray((speed < 0) | (speed > np.minimum(most, before + joint.accelerate_mdeg_s)))


def _pair_above(
    table: Table, live: LiveTable, tries: StopTries, speeds: tuple[Wide, Wide], number: int
) -> tuple[_Bools, _Bools]:
    """speeds: asked for and ramped. Whether the weighted speeds that close the stop add up to more than its curve."""
    stop = table.coupled[number]
    pull = sum(
        weight * (tries.larger if weight > 0 else tries.smaller)[:, joint]
        for joint, weight in zip(stop.joints, stop.weights_e3, strict=True)
    )
    room = (stop.limit_mdeg * 1000 - pull) // 1000
    curve = live.coupled_brake(number, np.clip(room, 0, np.iinfo(np.int32).max).astype(np.int32)).astype(np.int64)
    cap = np.where(room > 0, curve, 0) * 1000
    closing = [
        sum(np.maximum(weight * one[:, joint], 0) for joint, weight in zip(stop.joints, stop.weights_e3, strict=True))
        for one in speeds
    ]
    return closing[0] > cap, closing[1] > cap


def _tip_above(table: Table, tries: StopTries, wanted: Wide, speed: Wide) -> tuple[_Bools, _Bools]:
    """Asked: more than the limit in all. Ramped: more than it, and a joint with reach gained."""
    reach = np.array([joint.reach_mm for joint in table.joints], dtype=np.int64)
    limit = table.machine.tip_mdeg_mm_s
    gained = np.any((np.abs(speed) > np.abs(tries.before)) & (reach > 0), axis=1)
    return np.abs(wanted) @ reach > limit, (np.abs(speed) @ reach > limit) & gained


# -- findings ---------------------------------------------------------------------------------------------------------


def _with(finding: Finding, evidence: TickEvidence | None) -> Finding:
    if evidence is None:
        return finding
    if any(evidence.broken):
        return _broken(finding, evidence)
    if finding.status is not Status.HOLDS:
        return finding
    words = (
        f"; and none of {evidence.tried} whole ticks of the law, from before, at and beyond the stops, breaks rule "
        f"{' or '.join(evidence.rules)}"
    )
    return replace(finding, cases=finding.cases + evidence.tried, detail=finding.detail + words)


def _broken(finding: Finding, evidence: TickEvidence) -> Finding:
    broken = [(rule, count) for rule, count in zip(evidence.rules, evidence.broken, strict=True) if count]
    counts = " and ".join(f"rule {rule} is broken in {count}" for rule, count in broken)
    rules = " and ".join(rule for rule, _ in broken)
    detail = f"of {evidence.tried} whole ticks of the law, {counts}"
    return _unshown(finding, detail, f"do not use this build of the law: rule {rules} is broken in the tick")


def _untried(finding: Finding) -> Finding:
    detail = "the law does not stay in running with healthy sensors, so no whole tick of it could be tried"
    advice = "see whether every operator input reaches poses inside the soft stops; if it does, do not use this build "
    return _unshown(finding, detail, f"{advice}of the law") if finding.status is Status.HOLDS else finding


def _unshown(finding: Finding, detail: str, advice: str) -> Finding:
    """Not shown; a limit that is violated in any case stays so."""
    if finding.status is Status.VIOLATED:
        return replace(finding, detail=f"{detail}; {finding.detail}", advice=f"{advice}; {finding.advice}")
    return finding.not_shown(detail, advice)
