"""A position sensor that freezes at a count that is plausible: how far the joint goes before anything notices.

One of two tracks: the other one goes on, so the two come apart with the joint's motion, and the soft stops, which take
the worse of the two, hold all the while. A single track: nothing but the stall watch (rule L9d) can see it, and only
where enough flow is asked for; the soft stops are blind meanwhile.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, Ints, JointContext, down, judge
from mapper.check.demand import PRACTICE, Demand, judge_demands
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.law.pilot import RUNNING, Running
from mapper.check.law.protection import way_to_stop
from mapper.check.law.tries import sense
from mapper.check.motion.valve_class import most_flow_e4
from mapper.law import CAUSES, STATES, LawState
from mapper.law.core import OUT_HEAD, OUT_JOINT, OUT_JOINT_NAMES
from mapper.table.table import FOLLOW, Q16

_LIMIT = "stuck_sensor"
_APART_MOST_DEG = 10.0  # as far as operator and arm may be apart when motion begins (`matching`)
_LET_GO_S = 2.0  # until the operator of a joint that creeps on unasked has let go of the enabling device
_READ_TICKS = 2  # until a position is read, and until the output is at zero in its tick
_MEDIAN_TICKS = 1
_SETTLE_TICKS = 400  # for filter and ramp, until the flow is there
_FAULT, _STALLED = STATES.index("fault"), CAUSES.index("drive_without_motion")
_FLOW_AT = OUT_JOINT_NAMES.index("flow_e4")


def stuck_sensor(context: JointContext, running: Running) -> Finding:
    """One of two tracks frozen: every count of it, both ways. All tracks frozen: judged where there is but one, else
    told.
    """
    speeds = _Speeds.of(context)
    stalled = _ticks_to_stall(context, running)
    blind = _blind_words(context, speeds, stalled) + _operator_words(context)
    if len(context.table.position.tracks) == 1:
        return _single(context, speeds, stalled, blind)
    cases, unseen, loose = _one_of_two(context)
    if unseen or loose:
        return judge(
            context,
            _LIMIT,
            evidence=Evidence.EXHAUSTIVE,
            cases=cases,
            worst=unseen + loose,
            bound=0,
            unit="counts",
            detail=f"one of two tracks frozen, every count of it, both ways: at {unseen} the other track may leave it "
            f"by more than the disagreement unseen, at {loose} a soft stop allows more speed than by that track alone",
            advice=f"calibrate both tracks of {context.key}.position from hard stop to hard stop, and by the "
            "disagreement farther",
        )
    found = judge_demands(
        context,
        _LIMIT,
        (_apart(context, speeds),),
        cases=cases,
        detail=f"; every count of a frozen track, both ways, through the compiled law: the other track is noticed to "
        "leave it by more than the disagreement wherever steel lets the joint go, and no soft stop allows more speed "
        f"than by the track that goes on. {blind}",
        explanation=_explained(context, speeds),
    )
    return replace(found, evidence=Evidence.EXHAUSTIVE)


# -- one of two tracks -------------------------------------------------------------------------------------------------


def _apart(context: JointContext, speeds: _Speeds) -> Demand:
    position = context.table.position
    apart, readings = position.disagreement / MDEG, _readings_deg(context)
    way = apart + readings + speeds.full_deg_s * _notice_s(context)
    fits = down(_APART_MOST_DEG - (way - apart))
    key = f"{context.key}.position"
    return Demand(
        what="way with one of two tracks frozen, until the drives are at zero",
        value=way,
        bound=_APART_MOST_DEG,
        unit="deg",
        why=f"as far as operator and arm may be apart when motion begins; {PRACTICE}",
        advice=f'{key}.disagreement = "{fits:g} deg"' if fits > 0 else f"a shorter {key}.fault_time, or a slower joint",
    )


def _readings_deg(context: JointContext) -> float:
    """What the two readings may be off, each its own way, counts included."""
    return 2.0 * (float(context.joint.position.error_deg) + context.noise_deg)


def _notice_s(context: JointContext) -> float:
    ticks = context.table.position.bad_ticks + _MEDIAN_TICKS + _READ_TICKS
    return ticks * context.tick_most_s


def _one_of_two(context: JointContext) -> tuple[int, int, int]:
    """(cases, counts that go unseen, counts at which a soft stop is looser than by the live track alone)."""
    cases, unseen, loose = 0, 0, 0
    for frozen in (0, 1):
        track = context.table.position.tracks[frozen]
        counts = np.arange(track.count_min, track.count_max + 1, dtype=np.int32)
        for sign in (1, -1):
            near, beyond, needed = _leaves(context, frozen, counts, sign)
            first, then = (_columns(frozen, counts, live) for live in (near, beyond))
            ticks = context.table.position.bad_ticks + _MEDIAN_TICKS
            left = sense(context.live, context.index, first, then, ticks)
            unseen += int(np.count_nonzero(needed & ~left.faulty))
            loose += _loose(context, 1 - frozen, first)
            cases += counts.size
    return cases, unseen, loose


def _columns(frozen: int, counts: Ints, live: Ints) -> Ints:
    return np.stack([counts, live] if frozen == 0 else [live, counts], axis=1)


def _leaves(context: JointContext, frozen: int, counts: Ints, sign: int) -> tuple[Ints, Ints, np.ndarray]:
    """Count of the live track just inside the disagreement and just beyond it, seen from each frozen count in one
    direction, and whether steel lets the joint go there.
    """
    table, position = context.table, context.table.position
    track = position.tracks[1 - frozen]
    own = np.arange(track.count_min, track.count_max + 1, dtype=np.int32)
    values = context.live.curve(context.index, 3 - frozen, own).astype(np.int64)
    order = np.argsort(values, kind="stable")
    values, own = values[order], own[order]
    at = context.live.curve(context.index, 2 + frozen, counts).astype(np.int64)
    goal = at + sign * (position.disagreement + 1)
    if table.continuous:
        goal = (goal + 180_000) % 360_000 - 180_000
    # Wrapped, the end of the turn is its beginning: there is a count beyond in any case.
    index = np.searchsorted(values, goal, side="left") if sign > 0 else np.searchsorted(values, goal, side="right") - 1
    inside = index - sign
    if table.continuous:
        index, inside = index % own.size, inside % own.size
        return own[inside], own[index], np.ones(counts.shape, dtype=np.bool_)
    lower, upper = context.travel_mdeg()
    needed = (goal >= lower) & (goal <= upper) & (at >= lower) & (at <= upper)
    return own[np.clip(inside, 0, own.size - 1)], own[np.clip(index, 0, own.size - 1)], needed


def _loose(context: JointContext, live: int, counts: Ints) -> int:
    """In how many pairs of counts a soft stop leaves more of full speed than by the live track alone."""
    if context.table.continuous:
        return 0
    both = sense(context.live, context.index, counts, counts, 1)
    value = context.live.curve(context.index, 2 + live, counts[:, live])
    upper, lower = context.table.soft_stop_mdeg
    loose = np.zeros(value.shape, dtype=np.bool_)
    for side, room, cap in ((0, upper - value, both.cap_up), (1, value - lower, both.cap_down)):
        alone = np.minimum(context.live.curve(context.index, 5 + side, room), context.table.speed_full_mdeg_s[side])
        loose |= cap > np.where(room > 0, alone, 0)
    return int(np.count_nonzero(loose))


# -- all tracks --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Speeds:
    """Real speeds in deg/s of a joint whose pose the law does not know: the most that the valve makes of a flow, at the
    pose where a flow is worth most.
    """

    full_deg_s: float  # at the largest flow that full speed asks for anywhere
    creep_deg_s: float  # just below the flow at which the stall watch looks

    @classmethod
    def of(cls, context: JointContext) -> _Speeds:
        poses = context.poses_mdeg()
        full, creep = [], []
        for side in SIDES:
            per_speed = context.live.curve(context.index, 7 + side, poses).astype(np.int64)
            asked = context.table.speed_full_mdeg_s[side] * int(np.max(per_speed)) // Q16 + 1
            asked = min(asked, context.table.flow_max_e4[side])
            worth = float(np.max(context.speed_per_flow_e4(poses, side))) * context.gain_most(side) / MDEG
            real = most_flow_e4(context, side, asked)
            full.append(float(np.max(real)) * worth)
            creep.append(float(real[min(asked, max(0, context.table.stall_flow_e4 - 1))]) * worth)
        return cls(full_deg_s=max(full), creep_deg_s=max(creep))


def _ticks_to_stall(context: JointContext, running: Running) -> int | None:
    """Ticks from the first with the stall watch's flow to the fault, on the whole law, this joint's operator input
    moved to its goal and every position standing. None where it is not seen.
    """
    joint = context.table
    pair = [(running.rest_row[2 + track.input], running.goal_row[2 + track.input]) for track in joint.operator.tracks]
    steepest = max(
        abs(y1 - y0) / (x1 - x0)
        for track in joint.operator.tracks
        for (x0, y0), (x1, y1) in zip(track.curve.points, track.curve.points[1:], strict=False)
    )
    moves = max(2, int(max(abs(int(to) - int(at)) for at, to in pair) * steepest / joint.operator.step_max * 3) + 2)
    rows = np.tile(running.rest_row, (moves + joint.stall_ticks + _SETTLE_TICKS, 1))
    for track, (at, to) in zip(joint.operator.tracks, pair, strict=True):
        rows[:, 2 + track.input] = to
        rows[:moves, 2 + track.input] = np.linspace(at, to, moves).astype(np.int32)
    state = LawState(len(running.rest_state))
    state.load(running.rest_state)
    out = context.live.run(state, rows)
    flow = out[:, OUT_HEAD + OUT_JOINT * context.index + _FLOW_AT]
    busy = np.flatnonzero((out[:, 0] == RUNNING) & (flow >= joint.stall_flow_e4))
    seen = np.flatnonzero((out[:, 0] == _FAULT) & (out[:, 1] == _STALLED) & (out[:, 2] == context.index))
    return int(seen[0] - busy[0]) if busy.size and seen.size else None


def _single(context: JointContext, speeds: _Speeds, stalled: int | None, blind: str) -> Finding:
    way_deg, why = way_to_stop(context)
    advice = f"give {context.key}.position a second track whose counts fall where the first one's rise"
    demands = [
        Demand(
            what="way that its single track, frozen, hides at full speed until the stall watch sees it",
            value=speeds.full_deg_s * _stall_s(context, stalled),
            bound=way_deg,
            unit="deg",
            why=f"{why}: the soft stops are blind",
            advice=advice,
        ),
        Demand(
            what=f"way below stall_flow, which no watch sees, in the {_LET_GO_S:g} s until the operator lets go",
            value=speeds.creep_deg_s * _LET_GO_S,
            bound=way_deg,
            unit="deg",
            why=f"{why}; the time: {PRACTICE}",
            advice=advice,
        ),
    ]
    return judge_demands(context, _LIMIT, demands, cases=2 * context.poses_mdeg().size, detail=f". {blind}")


def _stall_s(context: JointContext, stalled: int | None) -> float:
    """Longest time to the stall watch's fault; that of the table's setting where the run did not come to it."""
    ticks = context.table.stall_ticks if stalled is None else max(stalled, context.table.stall_ticks)
    return (ticks + _MEDIAN_TICKS + _READ_TICKS) * context.tick_most_s


# -- in words ----------------------------------------------------------------------------------------------------------


def _blind_words(context: JointContext, speeds: _Speeds, stalled: int | None) -> str:
    """What no track at all would do: no limit where there are two, since both then froze at once."""
    which = "Every track frozen" if len(context.table.position.tracks) == 1 else "Both frozen at once (one cause), told"
    seen = "not seen in a run" if stalled is None else f"seen after {stalled} ticks on the compiled law"
    return (
        f"{which}: with {context.table.stall_flow_e4 / 100:g} % of flow or more the stall watch stops it "
        f"({seen}), {speeds.full_deg_s * _stall_s(context, stalled):.3g} deg at full speed; below that flow, up to "
        f"{speeds.creep_deg_s:.3g} deg/s, nothing but the enabling device does"
    )


def _operator_words(context: JointContext) -> str:
    if context.table.control == FOLLOW:
        return "; an operator's sensor that freezes: the joint goes to that target and stands there"
    return (
        "; a lever's sensor that freezes while pushed: the joint goes on at that speed to its soft stop, or until the "
        "enabling device is let go"
    )


def _explained(context: JointContext, speeds: _Speeds) -> Explanation:
    side = max(SIDES, key=lambda one: context.table.speed_full_mdeg_s[one])
    return Explanation(
        formula=("way = D + 2 (e + c) + v t",),
        given=(
            Given(symbol="D", meaning="disagreement", value=context.table.position.disagreement / MDEG, unit="deg"),
            Given(symbol="e", meaning="error of a reading", value=float(context.joint.position.error_deg), unit="deg"),
            Given(symbol="c", meaning="one count", value=context.noise_deg, unit="deg"),
            Given(
                symbol="v",
                meaning=f"fastest real speed, the pose not known, {SIDE_NAMES[side]} or the other way",
                value=speeds.full_deg_s,
                unit="deg/s",
            ),
            Given(
                symbol="t",
                meaning="fault time, the median's tick, until read and until out, every tick late",
                value=_notice_s(context) * 1000,
                unit="ms",
            ),
        ),
        source="rules L3e, L6b and L9d of firmware_stub/core/law.h; derived in mapper/check/law/stuck_sensor.py",
    )
