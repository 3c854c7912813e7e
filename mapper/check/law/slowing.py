"""In `stopping` a joint only slows and stands before the deadline: every speed, every count, on the compiled law."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from mapper.check.context import Ints, judge, not_shown, up
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.law.pilot import HEALTHY, HELD, Running
from mapper.check.law.tries import Tries, try_ticks
from mapper.law import INPUT_BITS, STATES, LawState, LiveTable
from mapper.profile.profile import Profile
from mapper.table.table import Table

_LIMIT = "slowing"
_STOPPING = STATES.index("stopping")
_REDUCED = ~INPUT_BITS["mode_full"]
_SPARE_TICKS = 3  # of a deadline, as the compiler takes it: until read, the tick itself, until it is out


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tried:
    """`cases` pairs of a joint and what was put in; in how many of them it did not only slow."""

    cases: int
    broken: int


def slowing(profile: Profile, table: Table, live: LiveTable, running: Running) -> Finding:
    """Rules L5c, L7 and L10i: in `stopping` the target is 0 whatever operator and sensors say, so the ramp of the stop
    alone decides, and whatever limits come after it only lower the speed. And the ramp ends before the deadline does.
    """
    if not running.moving:
        return _not_stopping()
    starts = _starts(table, live, running)
    if starts is None:
        return _not_stopping()
    tried = [one for start in starts for one in _every_speed(table, live, start)]
    tried += [one for start in starts for one in _every_count(profile, table, live, start)]
    cases, broken = sum(one.cases for one in tried), sum(one.broken for one in tried)
    ticks, index = max((_ramp_ticks(table, index), -index) for index in range(len(table.joints)))
    name, allowed = profile.joints[-index].name, _deadline_ticks(table) + 1
    tick_ms = table.machine.tick_us / 1000
    return judge(
        None,
        _LIMIT,
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=broken or ticks * tick_ms,
        bound=0 if broken else allowed * tick_ms,
        unit="tries" if broken else "ms",
        holds=not broken and ticks <= allowed,
        detail="in stopping every joint from every speed that it may have, in both modes; and every count "
        f"0..{profile.controller.count_max} of every sensor, at the speeds where the ramp has its breaks (the split is "
        "exact: the target is 0 at every count, the ramp reads none, and what limits come after it only lower): "
        + (
            f"in {broken} tries a joint lost less than its stop deceleration, turned round, was asked for motion or "
            "had drive without speed"
            if broken
            else f"none asked for motion, none lost less than its stop deceleration or turned round. Longest ramp: "
            f"{name}, {ticks} ticks from full speed; the deadline cuts it off after {allowed}"
        ),
        advice="the control law does not slow every joint in stopping; do not use this build"
        if broken
        else _advice(profile, table, name, ticks),
        explanation=_explained(table, -index, name, (ticks, allowed)),
    )


def _not_stopping() -> Finding:
    return not_shown(
        None,
        _LIMIT,
        unit="ms",
        detail="the law could not be brought to stopping from running with every joint moving",
        advice="see whether every operator input reaches poses inside the soft stops and every speed limit asks for "
        "some flow",
    )


def _ramp_ticks(table: Table, index: int) -> int:
    joint = table.joints[index]
    return -(-max(joint.speed_full_mdeg_s) // joint.stop_mdeg_s)


def _deadline_ticks(table: Table) -> int:
    machine = table.machine
    return machine.release_ticks if machine.stop_category == 0 else min(machine.release_ticks, machine.stop_ticks)


def _advice(profile: Profile, table: Table, name: str, ticks: int) -> str:
    """The deadline that the longest ramp fits in, or the deceleration that fits in the deadline."""
    late_tick_s = float(profile.controller.tick_s + profile.controller.late_s)
    least_s = up((ticks - 1 + _SPARE_TICKS) * late_tick_s, 0.01)
    keys = ["emergency_stop.release_deadline"]
    if table.machine.stop_category == 1:
        keys.append("emergency_stop.delayed_off_relay")
    full = max(table.joints[[joint.name for joint in profile.joints].index(name)].speed_full_mdeg_s)
    steep = up(full / (_deadline_ticks(table) + 1) * table.machine.tick_hz / 1000) + 0.1
    longer = " and ".join(f'{key} = "{least_s:g} s"' for key in keys)
    return (
        f"write {longer} (the ramp of {name} then ends by itself), or a steeper ramp, where pressure_peak allows it: "
        f"joints.{name}.limits.stop_deceleration of {steep:g} deg/s2"
    )


# -- the states that are tried from ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Start:
    """A state in stopping, and the tick of input that keeps it there."""

    state: bytes
    row: Ints


def _starts(table: Table, live: LiveTable, running: Running) -> list[_Start] | None:
    """After a release, and in category 1 after a stop as well. None where one does not come about."""
    ways = (HEALTHY,) if table.machine.stop_category == 0 else (HEALTHY, HELD & ~INPUT_BITS["stop_1"])
    starts = []
    for digital in ways:
        state, row = LawState(len(running.state)), running.row.copy()
        state.load(running.state)
        row[1] = digital
        if live.run(state, row[None, :])[0, 0] != _STOPPING:
            return None
        starts.append(_Start(state=bytes(state), row=row))
    return starts


# -- what is tried -----------------------------------------------------------------------------------------------------


def _every_speed(table: Table, live: LiveTable, start: _Start) -> Iterator[_Tried]:
    """Every joint from each of its speeds, all joints at once: a line of speeds has one of each."""
    ends = [(-joint.speed_full_mdeg_s[1], joint.speed_full_mdeg_s[0]) for joint in table.joints]
    count = max(most - least for least, most in ends) + 1
    lines = np.stack([np.minimum(least + np.arange(count), most) for least, most in ends], axis=1).astype(np.int32)
    for mask in (-1, _REDUCED):
        row = start.row.copy()
        row[1] &= mask
        bad = _broken(table, lines, try_ticks(live, start.state, row[None, :], lines))
        yield _Tried(cases=sum(most - least + 1 for least, most in ends), broken=int(np.count_nonzero(bad)))


def _every_count(profile: Profile, table: Table, live: LiveTable, start: _Start) -> Iterator[_Tried]:
    """Every count of the operator's and of the position sensors, each joint at the speeds where its ramp breaks."""
    counts = np.arange(profile.controller.count_max + 1, dtype=np.int32)
    breaks = [
        (joint.speed_full_mdeg_s[0], joint.stop_mdeg_s + 1, joint.stop_mdeg_s, 1, -1, -joint.stop_mdeg_s,
         -joint.stop_mdeg_s - 1, -joint.speed_full_mdeg_s[1])
        for joint in table.joints
    ]  # fmt: skip
    lines = np.array(breaks, dtype=np.int32).T
    for part in ("operator", "position"):
        rows = np.tile(start.row, (counts.size, 1))
        rows[:, 1] &= _REDUCED  # where the tip limit acts, too
        for joint in table.joints:
            for track in getattr(joint, part).tracks:
                rows[:, 2 + track.input] = counts
        for line in lines[:, None, :]:
            bad = _broken(table, line, try_ticks(live, start.state, rows, line, fresh=True))
            yield _Tried(cases=bad.size, broken=int(np.count_nonzero(bad)))


def _broken(table: Table, before: Ints, after: Tries) -> np.ndarray:
    """Which (try, joint) did anything but slow: what must hold in stopping, and where stopping has ended."""
    steps = np.array([joint.stop_mdeg_s for joint in table.joints], dtype=np.int32)
    stopping = (after.states == _STOPPING)[:, None]
    standing = (after.speed == 0) & (after.drive_e4 == 0)
    slower = np.abs(after.speed) <= np.maximum(np.abs(before) - steps, 0)
    same_way = after.speed.astype(np.int64) * before >= 0
    driven = (after.speed != 0) | (after.drive_e4 == 0)
    good = np.where(stopping, (after.wanted == 0) & slower & same_way & driven, standing & ~after.enables[:, None])
    return np.asarray(~good)


# -- in words ----------------------------------------------------------------------------------------------------------


def _explained(table: Table, index: int, name: str, ticks: tuple[int, int]) -> Explanation:
    """ticks: of the ramp, and after which the deadline cuts it off."""
    joint, tick_ms = table.joints[index], table.machine.tick_us / 1000
    return Explanation(
        formula=("|w'| <= |w| - d, never past zero, for every speed w", "n = w0 / d, rounded up", "n <= m"),
        given=(
            Given(
                symbol="w0", meaning=f"full speed of {name}", value=max(joint.speed_full_mdeg_s) / 1000, unit="deg/s"
            ),
            Given(symbol="d", meaning="lost in a tick of stopping", value=joint.stop_mdeg_s / 1000, unit="deg/s"),
            Given(symbol="n", meaning="ticks of the ramp", value=ticks[0], unit="ticks"),
            Given(symbol="m", meaning="ticks until the deadline cuts it off", value=ticks[1], unit="ticks"),
            Given(symbol="T", meaning="tick", value=tick_ms, unit="ms"),
        ),
        source="rules L5c, L7 and L10i of firmware_stub/core/law.h; derived in mapper/check/law/slowing.py",
    )
