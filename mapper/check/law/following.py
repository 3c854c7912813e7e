"""Follow control: how motion begins, how far the joint trails, what a gap does; and that a lever begins at rest.

Stages of the compiled law over their whole domains, and the beginning of running on the whole law. That nothing is
driven in matching, and that authority rises from 0 by its step, is in the enumeration of the safety machine too
(`restart`); that a tick gains at most the acceleration, in `ramp`.
"""

from __future__ import annotations

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, Ints, JointContext, judge, up
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.law.pilot import HEALTHY, RUNNING, Begin, Running, run_each
from mapper.law import FLAGS, STATES, LiveTable
from mapper.law.core import IN_INTS, OUT_HEAD, OUT_HEAD_NAMES, OUT_JOINT, OUT_JOINT_NAMES
from mapper.profile.profile import ElectricDrive
from mapper.table.table import FOLLOW, Q16, Track

_LIMIT = "following"
_MODES = (0, 1)
_FLAGS_AT, _SPEED_AT, _DRIVE_AT = map(OUT_JOINT_NAMES.index, ("flags", "speed_mdeg_s", "drive_e4"))
_AUTHORITY_AT = OUT_HEAD_NAMES.index("authority_q16")
_MATCHING = STATES.index("matching")


def following(context: JointContext, running: Running) -> Finding:
    """The steady error at full speed stays inside the gap, and what holds a joint back does so at every error; of a
    lever: every count but those at rest keeps the joint from being matched.
    """
    cases, faults = _matched_cases(context), _matched_faults(context)
    more, found = _beginnings(context, running)
    cases, faults = cases + more, [*faults, *found]
    if context.table.control != FOLLOW:
        return _lever(context, running, cases, faults)
    errors = _errors(context)
    for mode in _MODES:
        more, found = _stage(context, mode, errors)
        cases += more
        faults += found
    side = max(SIDES, key=lambda one: _steady_deg(context, one))
    worst, (bound, why) = _steady_deg(context, side), _most_deg(context)
    return judge(
        context,
        _LIMIT,
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=len(faults) or worst,
        bound=0 if faults else bound,
        unit="stages" if faults else "deg",
        holds=not faults and worst <= bound,
        detail=_follow_words(context, errors, (worst, side, why))
        + _begin_words(context, running)
        + "".join(f"; {fault}" for fault in faults),
        advice="compile the table again; the law does not begin or hold as its rules say"
        if faults
        else _advice(context, side, worst),
        explanation=_explained(context, side, (worst, bound, why)),
    )


# -- how far it trails -------------------------------------------------------------------------------------------------


def _steady_deg(context: JointContext, side: int) -> float:
    """Error of a joint that follows at the fastest steady speed it can: asked w = K e + f v, and the joint, of real
    over asked speed g and with the share s that the pump leaves it, does v = s g w. So e = w (1 - f s g) / K; the
    lowest g and s trail most.
    """
    table = context.table
    gain = table.gain_q16 / Q16
    if gain <= 0:
        return float("inf")
    return table.speed_full_mdeg_s[side] / MDEG * max(0.0, 1.0 - table.feed_q16 / Q16 * _slowest(context, side)) / gain


def _share(context: JointContext) -> float:
    """What all joints together leave of a joint's speed at the least, as far as the profile says it (the limit
    pump_share shows that it is so); 1 where it does not, and for what the pump does not move.
    """
    least = context.profile.supply.share_least
    return 1.0 if least is None or isinstance(context.joint.drive, ElectricDrive) else float(least)


def _slowest(context: JointContext, side: int) -> float:
    return context.model.gain_spread(side)[0] * _share(context)


def _most_deg(context: JointContext) -> tuple[float, str]:
    """Error at which the law holds the joint, or the travel where it never does."""
    table = context.table
    if table.gap_mdeg > 0:
        return table.gap_mdeg / MDEG, "the gap, at which the law holds the joint in the middle of its motion"
    lower, upper = context.travel_mdeg()
    return (upper - lower) / MDEG, "no gap: the travel"


def _advice(context: JointContext, side: int, worst: float) -> str:
    speed = _most_deg(context)[0] / worst * context.table.speed_full_mdeg_s[side] / MDEG
    return (
        f'write {context.key}.follow.gap = "{up(worst):g} deg", or more feed_forward, or at most '
        f"{np.floor(speed * 10) / 10:g} deg/s as {context.key}.limits.speed.{SIDE_NAMES[side]}"
    )


# -- stages ------------------------------------------------------------------------------------------------------------


def _errors(context: JointContext) -> Ints:
    """Every error that a target and a reading can make."""
    table = context.table
    if context.table.continuous:
        return np.arange(-180_000, 180_000, dtype=np.int32)
    targets = [y for _, y in table.response.points]
    poses = [y for track in table.position.tracks for _, y in track.curve.points]
    return np.arange(min(targets) - max(poses), max(targets) - min(poses) + 1, dtype=np.int32)


def _stage(context: JointContext, mode: int, errors: Ints) -> tuple[int, list[str]]:
    """Rule L5a in one mode: every error with the operator at rest and at the fastest either way; target 0 beyond the
    gap; inside it at most gain times error and the forward share.
    """
    table, faults, cases = context.table, [], 0
    most = (table.speed_reduced_mdeg_s, table.speed_full_mdeg_s)[mode]
    gap, fastest = table.gap_mdeg, table.operator.step_max * context.machine.tick_hz
    beyond = np.abs(errors) > gap if gap > 0 else np.zeros(errors.shape, dtype=np.bool_)
    proportional = np.abs(errors.astype(np.int64)) * table.gain_q16 // Q16
    for operator_speed in (-fastest, -most[1], 0, most[0], fastest):
        target = context.live.target_speed(context.index, mode, errors, np.full_like(errors, operator_speed))
        cases += errors.size
        if np.any(target[beyond] != 0):
            faults.append(f"an error beyond the gap is chased in {('reduced', 'full')[mode]} mode")
        if np.any(np.abs(target.astype(np.int64)) > proportional + min(max(most), abs(operator_speed))):
            faults.append("the target speed is more than gain times error and the share forward")
    return cases, list(dict.fromkeys(faults))


def _matched_cases(context: JointContext) -> int:
    return (context.profile.controller.count_max + 1) * len(_poses(context))


def _poses(context: JointContext) -> tuple[int, ...]:
    table = context.table
    return (0,) if table.continuous else (sum(table.soft_stop_mdeg) // 2, *table.soft_stop_mdeg)


def _matched_faults(context: JointContext) -> list[str]:
    """Rule L10o's condition on the whole law, from a fresh start: every count of the operator's sensor, the arm at the
    middle and at both soft stops; against the window, or the lever's rest, worked out from the stages here.
    """
    counts = np.arange(context.profile.controller.count_max + 1, dtype=np.int32)
    for pose in _poses(context):
        matched, wanted = _matched(context, pose, counts)
        if np.any(matched != wanted):
            at = int(counts[np.flatnonzero(matched != wanted)[0]])
            return [f"count {at} of the operator's sensor counts as {'' if matched[at] else 'not '}matched"]
    return []


def _matched(context: JointContext, pose: int, counts: Ints) -> tuple[np.ndarray, np.ndarray]:
    """What the law says, and what it should."""
    table, live, index = context.table, context.live, context.index
    rows = np.zeros((counts.size, IN_INTS), dtype=np.int32)
    rows[:, :2] = context.machine.tick_us, HEALTHY
    inside = np.ones(counts.size, dtype=np.bool_)
    for number, track in enumerate(table.position.tracks):
        rows[:, 2 + track.input] = _nearest(live, index, 2 + number, track, pose)
    for track in table.operator.tracks:
        rows[:, 2 + track.input] = counts
        inside &= (counts >= track.count_min) & (counts <= track.count_max)
    flags = _first_tick(live, rows)[:, OUT_HEAD + OUT_JOINT * index + _FLAGS_AT]
    value = live.curve(index, 0, counts)
    if table.control != FOLLOW:
        rest = live.share(index, value)[1] != 0
        return (flags & FLAGS["matched"]) != 0, inside & rest
    at = rows[:1, 2 + table.position.tracks[0].input]
    error = live.curve(index, 4, value).astype(np.int64) - int(live.curve(index, 2, at)[0])
    if table.continuous:
        error = (error + 180_000) % 360_000 - 180_000
    return (flags & FLAGS["matched"]) != 0, inside & (np.abs(error) <= table.match_window_mdeg)


def _nearest(live: LiveTable, index: int, curve: int, track: Track, pose: int) -> int:
    counts = np.arange(track.count_min, track.count_max + 1, dtype=np.int32)
    return int(counts[int(np.argmin(np.abs(live.curve(index, curve, counts).astype(np.int64) - pose)))])


def _first_tick(live: LiveTable, rows: Ints) -> Ints:
    """The law's first tick after power-up, for each row: sensors and demand have no past, so a count is a value."""
    return run_each(live, bytes(live.start()), rows, 1)


# -- how motion begins -------------------------------------------------------------------------------------------------


def _beginnings(context: JointContext, running: Running) -> tuple[int, list[str]]:
    """Ticks looked at, and what was wrong in them; the operator at both edges of the match window, in both modes."""
    faults = [fault for begin in running.begins for fault in _begin_faults(context, begin)]
    return sum(len(begin.out) for begin in running.begins), list(dict.fromkeys(faults))


def _begin_faults(context: JointContext, begin: Begin) -> list[str]:
    """No drive in matching; authority from 0 by its step; a speed of at most the authority's share of the limit, that
    gains at most the acceleration in a tick.
    """
    table, out = context.table, _until_stall(begin.out)
    at = OUT_HEAD + OUT_JOINT * context.index
    speed, drive = out[:, at + _SPEED_AT].astype(np.int64), out[:, at + _DRIVE_AT]
    authority, runs = out[:, _AUTHORITY_AT].astype(np.int64), out[:, 0] == RUNNING
    if not np.any(runs):
        return ["the law does not begin to run with the operator at the edge of the match window"]
    limits = (table.speed_reduced_mdeg_s, table.speed_full_mdeg_s)[begin.mode]
    faults = []
    if np.any(drive[out[:, 0] == _MATCHING] != 0):
        faults.append("there is drive while matching")
    if authority[runs][0] != 0 or np.any(np.diff(authority) > context.machine.authority_step_q16):
        faults.append("authority does not rise from 0 by its step")
    if np.any(np.abs(speed) > max(limits) * authority // Q16):
        faults.append("a speed is above its share of authority")
    if np.any(np.abs(np.diff(speed)) > table.accelerate_mdeg_s) or speed[runs][0] != 0:
        faults.append("the beginning is a jump")
    return faults


def _until_stall(out: Ints) -> Ints:
    """Up to where the arm, which stands still all the while, has been asked for motion long enough to be a fault."""
    last = np.flatnonzero(np.isin(out[:, 0], (_MATCHING, RUNNING)))
    return out[: int(last[-1]) + 1] if last.size else out[:0]


# -- in words ----------------------------------------------------------------------------------------------------------


def _begin_words(context: JointContext, running: Running) -> str:
    at = OUT_HEAD + OUT_JOINT * context.index + _SPEED_AT
    second = [begin.out[np.flatnonzero(begin.out[:, 0] == RUNNING)[1:2], at] for begin in running.begins]
    first = max((int(np.max(np.abs(values))) for values in second if values.size), default=0)
    ticks = -(-Q16 // context.machine.authority_step_q16)
    return (
        f"motion begins with 0 in the first tick of running and {first / MDEG:.3g} deg/s in the second, authority "
        f"full after {ticks} ticks, no drive in matching (on the whole law, the operator at both edges of what counts "
        "as matched, both modes)"
    )


def _follow_words(context: JointContext, errors: Ints, steady: tuple[float, int, str]) -> str:
    """steady: error (deg), side, where its bound is from."""
    table, (worst, side, why) = context.table, steady
    window = table.match_window_mdeg / MDEG
    return (
        f"following at {table.speed_full_mdeg_s[side] / MDEG:g} deg/s asked for, {SIDE_NAMES[side]}, it trails "
        f"by {worst:.3g} deg at its lowest gain of {_slowest(context, side):.3g}, the pump shared, "
        f"({_steady_rated_deg(context, side):.3g} deg at 1); bound: {why}. Through the law: {len(errors)} errors in "
        "both modes, the operator at rest and fast: target 0 beyond the gap, else at most gain times error and the "
        f"share forward; every count of the operator's sensor at {len(_poses(context))} poses matched within "
        f"{window:g} deg and nowhere else; "
    )


def _steady_rated_deg(context: JointContext, side: int) -> float:
    """(1 - f) v / K, in deg: the steady error where the joint does exactly what is asked."""
    table = context.table
    if table.gain_q16 <= 0:
        return float("inf")
    return table.speed_full_mdeg_s[side] / MDEG * (1.0 - table.feed_q16 / Q16) / (table.gain_q16 / Q16)


def _lever(context: JointContext, running: Running, cases: int, faults: list[str]) -> Finding:
    return judge(
        context,
        _LIMIT,
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=len(faults),
        bound=0,
        unit="stages",
        margin=False,
        detail="a lever: every count of its sensor counts as matched where it is at rest and nowhere else, so a lever "
        f"that is pushed keeps the whole arm in matching; {_begin_words(context, running)}"
        + "".join(f"; {fault}" for fault in faults),
        advice="compile the table again; the law does not begin as its rules say",
    )


def _explained(context: JointContext, side: int, steady: tuple[float, float, str]) -> Explanation:
    """steady: error, bound (deg) and where the bound is from."""
    table, (worst, bound, why) = context.table, steady
    return Explanation(
        formula=("e = w (1 - f g) / K, g with what the pump leaves when all joints move", "e <= gap"),
        given=(
            Given(
                symbol="w",
                meaning=f"largest speed asked for, {SIDE_NAMES[side]}",
                value=table.speed_full_mdeg_s[side] / MDEG,
                unit="deg/s",
            ),
            Given(symbol="f", meaning="feed-forward share", value=table.feed_q16 / Q16, unit="ratio"),
            Given(symbol="g", meaning="lowest real over asked speed", value=_slowest(context, side), unit="ratio"),
            Given(symbol="K", meaning="follow gain", value=table.gain_q16 / Q16, unit="1/s"),
            Given(symbol="e", meaning="steady error", value=worst, unit="deg"),
            Given(symbol="gap", meaning=why, value=bound, unit="deg"),
        ),
        source="steady state of a proportional loop with feed-forward, any textbook of control; rules L5a and L10o of "
        "firmware_stub/core/law.h",
    )
