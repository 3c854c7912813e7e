"""Limits of the way from operator to speed: nothing inside the deadband, right way and monotonic everywhere."""

from __future__ import annotations

import numpy as np

from mapper.check.context import FULL_MODE, SIDE_SIGNS, Ints, JointContext, judge, never_falls
from mapper.check.finding import Evidence, Finding
from mapper.table.table import FOLLOW, FULL_E4

_PRODUCT_MOST = 6_000_000  # pairs of error and operator speed that are tried outright


def deadband_zero(context: JointContext) -> Finding:
    """Inside the deadband the command is exactly zero, and every count the input can deliver has a value."""
    counts, mapped = _every_count_maps(context)
    if context.table.control == FOLLOW:
        worst, cases, detail = _follow_deadband(context)
        advice = f"make {context.key}.follow.error_deadband and speed_deadband what the table was compiled from"
    else:
        worst, cases, detail = _lever_deadband(context)
        advice = f"make {context.key}.operator.response pass through zero and compile again"
    return judge(
        context,
        "deadband_zero",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases + counts,
        worst=worst,
        bound=0,
        unit="deg/s" if context.table.control == FOLLOW else "%",
        margin=False,
        holds=worst == 0 and mapped,
        detail=f"{detail}; each of {counts} counts has a value between the calibration's ends",
        advice=advice,
    )


def _every_count_maps(context: JointContext) -> tuple[int, bool]:
    counts = np.arange(context.profile.controller.count_max + 1, dtype=np.int32)
    good, cases = True, 0
    for number, track in enumerate(context.table.operator.tracks):
        values = context.live.curve(context.index, number, counts)
        ends = [y for _, y in track.curve.points]
        good = good and bool(np.all((values >= min(ends)) & (values <= max(ends))))
        cases += counts.size
    return cases, good


def _lever_deadband(context: JointContext) -> tuple[float, int, str]:
    demand = np.arange(-FULL_E4, FULL_E4 + 1, dtype=np.int32)
    share, at_rest = context.live.share(context.index, demand)
    inside = np.abs(demand) <= context.table.deadband
    wrong_rest = bool(np.any((at_rest != 0) != inside))
    worst = int(np.max(np.abs(share[inside])))
    if wrong_rest:
        worst = max(worst, 1)
    return (
        worst / 100,
        demand.size,
        (
            f"every lever position -{FULL_E4}..{FULL_E4} (1/10000): within {context.table.deadband / 100:g} % of rest "
            "the "
            "share is exactly 0 and the lever counts as at rest, nowhere else"
        ),
    )


def _follow_deadband(context: JointContext) -> tuple[float, int, str]:
    dead, slow = context.table.deadband, context.table.speed_deadband_mdeg_s
    errors = np.arange(-dead, dead + 1, dtype=np.int32)
    speeds = np.arange(-slow, slow + 1, dtype=np.int32)
    if errors.size * speeds.size <= _PRODUCT_MOST:
        pairs = (np.repeat(errors, speeds.size), np.tile(speeds, errors.size))
        how = "every pair"
    else:  # the rule compares the two magnitudes one by one, so the edges of the rectangle decide
        pairs = (
            np.concatenate(
                [errors, errors, np.full(speeds.size, -dead, np.int32), np.full(speeds.size, dead, np.int32)]
            ),
            np.concatenate(
                [np.full(errors.size, -slow, np.int32), np.full(errors.size, slow, np.int32), speeds, speeds]
            ),
        )
        how = "all pairs on the edges of the rectangle (the rule compares the two magnitudes separately)"
    result = context.live.target_speed(context.index, FULL_MODE, *pairs)
    return (
        max(int(result.max()), -int(result.min())) / 1000,
        int(result.size),
        (
            f"{how} of an error up to {dead / 1000:g} deg and an operator speed up to {slow / 1000:g} deg/s gives a "
            "target speed of 0"
        ),
    )


def direction(context: JointContext) -> Finding:
    """Right way and monotonic from operator to drive: each compiled stage over its whole domain, composed by
    monotony.
    """
    faults: list[str] = []
    cases = (
        _calibration(context, faults) + _response(context, faults) + _gain(context, faults) + _valve(context, faults)
    )
    return judge(
        context,
        "direction",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=len(faults),
        bound=0,
        unit="stages",
        margin=False,
        detail="calibration, response, gain and valve stage each over every value of its domain, composed by the "
        "monotony shown: " + ("; ".join(faults) if faults else "all go the profile's way and never back"),
        advice=f"correct {context.key}: {'; '.join(faults)}",
    )


def _goes(values: Ints, rising: bool) -> bool:
    return never_falls(values if rising else -values) and int(values[0]) != int(values[-1])


def _calibration(context: JointContext, faults: list[str]) -> int:
    cases = 0
    counts = np.arange(context.profile.controller.count_max + 1, dtype=np.int32)
    for first, name, sensor in (
        (0, "operator", context.joint.operator.sensor),
        (2, "position", context.joint.position),
    ):
        for number, track in enumerate(sensor.tracks):
            points = sorted(track.points)
            values = context.live.curve(context.index, first + number, counts)
            cases += counts.size
            if not _goes(values, points[-1][1] > points[0][1]):
                faults.append(f"{name} track {number + 1} is not monotonic the way its points go")
    return cases


def _response(context: JointContext, faults: list[str]) -> int:
    points = context.joint.operator.response
    if context.table.control == FOLLOW:
        ends = [y for track in context.table.operator.tracks for _, y in track.curve.points]
        domain = np.arange(min(ends), max(ends) + 1, dtype=np.int32)
        values = context.live.curve(context.index, 4, domain)
    else:
        domain = np.arange(-FULL_E4, FULL_E4 + 1, dtype=np.int32)
        values = context.live.share(context.index, domain)[0]
    if not _goes(values, points[-1][1] > points[0][1]):
        faults.append("the response turns back, or does not go the way of its first and last point")
    return domain.size


def _gain(context: JointContext, faults: list[str]) -> int:
    table = context.table
    if table.control != FOLLOW:
        shares = np.arange(-FULL_E4, FULL_E4 + 1, dtype=np.int32)
        speed = context.live.target_speed(context.index, FULL_MODE, shares, np.zeros_like(shares))
        if not never_falls(speed) or np.any(np.sign(speed) * np.sign(shares) < 0):
            faults.append("the speed does not follow the share")
        return shares.size
    lower, upper = context.travel_mdeg()
    reach = table.gap_mdeg if table.gap_mdeg > 0 else upper - lower
    errors = np.arange(-reach, reach + 1, dtype=np.int32)
    cases = 0
    most, least = table.speed_full_mdeg_s[0], -table.speed_full_mdeg_s[1]
    for operator_speed in (least, 0, most):
        speed = context.live.target_speed(context.index, FULL_MODE, errors, np.full_like(errors, operator_speed))
        cases += errors.size
        capped = np.clip(speed, least, most)  # rule L6a
        wrong_way = operator_speed == 0 and bool(np.any(np.sign(capped) * np.sign(errors) < 0))
        if not never_falls(capped) or wrong_way:
            faults.append(
                f"the target speed does not follow the error (operator speed {operator_speed / 1000:g} deg/s)"
            )
    return cases


def _valve(context: JointContext, faults: list[str]) -> int:
    flows = np.arange(FULL_E4 + 1, dtype=np.int32)
    cases = 0
    polarity = -1 if context.joint.valve.reversed else 1
    for sign in SIDE_SIGNS:
        drive = context.live.valve(context.index, sign, flows) * (sign * polarity)
        cases += flows.size
        if not _goes(drive, True) or np.any(drive < 0):
            faults.append(
                f"the drive of the {'positive' if sign > 0 else 'negative'} direction falls or has the wrong sign"
            )
    return cases
