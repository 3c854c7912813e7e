"""Limits of the valve stage: the drive stays in its range, and jumps the deadband short of the crack point."""

from __future__ import annotations

import math

import numpy as np

from mapper.check.context import SIDE_NAMES, SIDE_SIGNS, SIDES, JointContext, judge, valve_side
from mapper.check.finding import Evidence, Finding
from mapper.table.table import FULL_E4


def drive_range(context: JointContext) -> Finding:
    """Every flow, both directions, through rule L8: drive within 0..drive_max, exactly 0 for flow 0."""
    flows = np.arange(FULL_E4 + 1, dtype=np.int32)
    worst, cases, zero_is_zero, right_sign = 0, 0, True, True
    for sign in SIDE_SIGNS:
        drive = context.live.valve(context.index, sign, flows) * (sign * context.table.polarity)
        cases += drive.size
        worst = max(worst, int(np.max(np.abs(drive))))
        zero_is_zero = zero_is_zero and int(drive[0]) == 0
        right_sign = right_sign and bool(np.all(drive >= 0))
    assert cases == 2 * (FULL_E4 + 1)
    bound = math.floor(context.joint.valve.drive_max * FULL_E4)
    bad_zero = "" if zero_is_zero else "; a flow of 0 gives a drive other than 0"
    return judge(
        context,
        "drive_range",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=worst / 100,
        bound=bound / 100,
        unit="%",
        holds=worst <= bound and zero_is_zero and right_sign,
        margin=False,
        detail=f"every flow 0..{FULL_E4} both ways through the compiled valve stage: drive at most {worst / 100:g} % "
        "of "
        f"{bound / 100:g} %, exactly 0 for flow 0{bad_zero}",
        advice=f"compile the table again: its drive_max is not the profile's {context.key}.valve.drive_max",
    )


def deadband_jump(context: JointContext) -> Finding:
    """The drive's first value past zero lies at or short of the smallest crack point, each side; compiled integers."""
    worst_margin, worst, bound, where, advice = None, 0, 0, "", []
    for side in SIDES:
        own = valve_side(context, side)
        jump = int(context.live.curve(context.index, 9 + side, np.zeros(1, dtype=np.int32))[0])
        crack = math.floor(own.crack_min * FULL_E4)
        if worst_margin is None or crack - jump < worst_margin:
            worst_margin, worst, bound, where = crack - jump, jump, crack, SIDE_NAMES[side]
        if jump > crack:
            advice.append(f'{context.key}.valve.{SIDE_NAMES[side]}.jump = "{crack / 100:g} %"')
    return judge(
        context,
        "deadband_jump",
        evidence=Evidence.COMPUTED,
        cases=len(SIDES),
        worst=worst / 100,
        bound=bound / 100,
        unit="%",
        detail=f"the {where} side is the nearer one: the compiled curve starts at {worst / 100:g} % of drive, the "
        "smallest crack "
        f"point ever measured is {bound / 100:g} %; past it the smallest command already moves the joint, which then "
        "hunts",
        advice=f"write at most {' and '.join(advice)}, or measure the crack point again",
    )
