"""What to change where tip speed does not hold: every number was tried, the limit compiled anew."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, JointContext
from mapper.check.space.joint_speed import joint_speed
from mapper.check.space.tip_search import fastest_point
from mapper.machine.arm.points import ArmShape, arm_shape
from mapper.machine.model import joint_gain_spread
from mapper.profile.profile import Profile, TwoWay
from mapper.table.compile_tip import TipError, tip_limit
from mapper.table.table import Table

_TRIALS = 7
_STEP_DEG_S = Fraction(1, 10)


def tip_advice(profile: Profile, table: Table, contexts: Sequence[JointContext], shape: ArmShape, bound: float) -> str:
    """Another table, where this one is not the profile's; else what makes a joint faster than compiled, and the highest
    reduced speeds with which the bound was seen to hold.
    """
    tip = tip_limit(profile)
    if (tip.tip_mdeg_mm_s, tip.reach_mm) != (table.machine.tip_mdeg_mm_s, tuple(one.reach_mm for one in table.joints)):
        return "compile the table again: its limit of tip speed is not the profile's"
    fast = [
        context.joint.name
        for context in contexts
        if any(context.gain_most(side) > joint_gain_spread(profile, context.joint, side)[1] for side in SIDES)
    ]
    ways = [f"make gain_spread of {', '.join(fast)} hold, which the limit was compiled for"] if fast else []
    slower = _reduced_speeds(profile, contexts, shape, bound, fast)
    ways += [slower] if slower else []
    return " | ".join(ways) or (
        "no lower reduced speed makes it hold: a valve with less hysteresis, or a lower jump of the valve, so that "
        "less passes at the smallest drive"
    )


def _reduced_speeds(
    profile: Profile, contexts: Sequence[JointContext], shape: ArmShape, bound: float, fast: Sequence[str]
) -> str:
    """What to write: of the joints that are faster than compiled alone, where that does; else of all that move a part.
    Empty where nothing does.
    """
    moved = {hinge.index for part in shape.parts for hinge in part.hinges} | {
        part.jaws[0] for part in shape.parts if part.jaws
    }
    everyone = [joint.name for number, joint in enumerate(profile.joints) if number in moved]
    for names in ([fast] if fast else []) + [everyone]:
        good = _fastest_that_holds(profile, contexts, bound, names)
        if good is not None:
            keys = [
                f'joints.{new.name}.limits.reduced_speed.{name} = "{float(value):g} deg/s"'
                for old, new in zip(profile.joints, good.joints, strict=True)
                for name, value, before in _both(new.limits.reduced_speed_deg_s, old.limits.reduced_speed_deg_s)
                if value != before
            ]
            return f"write {' and '.join(keys)} (tried together, the limit compiled anew)"
    return ""


def _fastest_that_holds(
    profile: Profile, contexts: Sequence[JointContext], bound: float, names: Sequence[str]
) -> Profile | None:
    """With the highest common factor of their reduced speeds, by halving."""
    low, high, good = Fraction(0), Fraction(1), None
    for _ in range(_TRIALS):
        factor = (low + high) / 2
        trial = _slower(profile, factor, names)
        if trial is not None and _trial_holds(trial, contexts, bound):
            low, good = factor, trial
        else:
            high = factor
    return good


def _both(new: TwoWay, old: TwoWay) -> list[tuple[str, Fraction, Fraction]]:
    return [
        (SIDE_NAMES[side], value, before)
        for side, value, before in zip(SIDES, (new.positive, new.negative), (old.positive, old.negative), strict=True)
    ]


def _slower(profile: Profile, factor: Fraction, names: Sequence[str]) -> Profile | None:
    """Reduced speeds of the named joints times a factor, rounded down to what one writes; None where one would be
    nothing.
    """

    def less(value: Fraction) -> Fraction:
        return value * factor // _STEP_DEG_S * _STEP_DEG_S

    joints = []
    for joint in profile.joints:
        if joint.name not in names:
            joints.append(joint)
            continue
        speeds = joint.limits.reduced_speed_deg_s
        new = TwoWay(positive=less(speeds.positive), negative=less(speeds.negative))
        if not (new.positive and new.negative):
            return None
        joints.append(replace(joint, limits=replace(joint.limits, reduced_speed_deg_s=new)))
    return replace(profile, joints=tuple(joints))


def _trial_holds(profile: Profile, contexts: Sequence[JointContext], bound: float) -> bool:
    try:
        tip = tip_limit(profile)
    except TipError:
        return False
    speeds = []
    for joint, context, reach in zip(profile.joints, contexts, tip.reach_mm, strict=True):
        reduced = joint.limits.reduced_speed_deg_s
        pair = ((reduced.positive * MDEG).__floor__(), (reduced.negative * MDEG).__floor__())
        own = replace(context.table, speed_reduced_mdeg_s=pair, reach_mm=reach)
        speeds.append(joint_speed(replace(context, joint=joint, table=own)))
    allowed = math.radians(tip.tip_mdeg_mm_s / MDEG) if tip.tip_mdeg_mm_s else math.inf
    found = fastest_point(profile, arm_shape(profile), speeds, allowed, bound)
    return found is not None and found.most_mm_s <= bound
