"""Speed of the farthest point of arm and load in reduced mode, over all poses, loads and directions of the joints.

The commands that the law lets through are tried on the compiled law (rules L6f and L7g); what the joints make of them
is `joint_speed`, what a point makes of the joints `tip`, and the most over all poses is found by `tip_search`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np

from mapper.check.context import JointContext, judge, not_shown
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.space.joint_speed import JointSpeed, joint_speed
from mapper.check.space.tip_advice import tip_advice
from mapper.check.space.tip_law import law_keeps_the_sum
from mapper.check.space.tip_search import TipSpeed, allowed_mm_s, fastest_point, limit_mm_s
from mapper.check.space.words import NO_POSE, NO_POSE_ADVICE, missing_advice, pose_words
from mapper.law import LiveTable
from mapper.machine.arm.points import arm_shape
from mapper.profile.profile import Profile
from mapper.table.table import Table

_MM = 1000.0
_STILL_RAD_S = 1e-9


def tip_speed(profile: Profile, table: Table, live: LiveTable, contexts: Sequence[JointContext]) -> Finding:
    """The machine's limit: the least `tip_speed` of its joints, 250 mm/s where none states one."""
    bound = limit_mm_s(profile)
    shape = arm_shape(profile)
    if shape.missing:
        return not_shown(
            None,
            "tip_speed",
            unit="mm/s",
            detail=f"how far arm and load reach is not in the profile: {', '.join(shape.missing)}",
            advice=missing_advice(shape),
        )
    speeds = [joint_speed(context) for context in contexts]
    endless = [context.joint.name for context, one in zip(contexts, speeds, strict=True) if not math.isfinite(one.gain)]
    if endless:
        return not_shown(
            None,
            "tip_speed",
            unit="mm/s",
            detail=f"at a dead centre no speed is too high for any flow: {', '.join(endless)}",
            advice=f"make travel of {', '.join(endless)} hold",
        )
    law_cases, law_faults = law_keeps_the_sum(table, live)
    found = fastest_point(profile, shape, speeds, allowed_mm_s(table), bound)
    if found is None:
        return not_shown(None, "tip_speed", unit="mm/s", detail=NO_POSE, advice=NO_POSE_ADVICE)
    detail = _detail(profile, contexts, found, law_cases)
    holds = found.most_mm_s <= bound and not law_faults
    if not holds and not law_faults and found.reached_mm_s <= bound:
        return not_shown(
            None,
            "tip_speed",
            unit="mm/s",
            detail=f"after {found.boxes} boxes of poses no less than {found.most_mm_s:.1f} mm/s is shown, and no pose "
            f"was found above {found.reached_mm_s:.1f}; {detail}",
            advice=tip_advice(profile, table, contexts, shape, bound),
        )
    return judge(
        None,
        "tip_speed",
        evidence=Evidence.INTERVAL,
        cases=found.boxes,
        worst=found.most_mm_s if holds or law_faults else found.reached_mm_s,
        bound=bound,
        unit="mm/s",
        holds=holds,
        detail="; ".join([*law_faults, detail]),
        advice="" if holds else tip_advice(profile, table, contexts, shape, bound),
        explanation=_explanation(profile, table, found),
    )


def _detail(profile: Profile, contexts: Sequence[JointContext], found: TipSpeed, law_cases: int) -> str:
    shares = ", ".join(
        f"{profile.joints[share.index].name} {math.degrees(abs(share.speed_rad_s)):.2f} deg/s = "
        f"{share.part_mm_s:.0f} mm/s"
        for share in found.shares
        if share.part_mm_s >= 0.5
    )
    law = (
        f"on {law_cases} sets of commands the law let no more through than its limit"
        if law_cases
        else "the table has no limit"
    )
    pose = pose_words(profile, found.part.part, found.pose_rad)
    return (
        f"farthest point of {found.part.part.name}, worst pose {pose}: {found.reached_mm_s:.1f} mm/s is reached with "
        f"{shares or 'no joint that moves it'}; no pose within the hard stops gives more than {found.most_mm_s:.1f}; "
        f"{law}; hysteresis, crack spread, gain and readings that are off or late included; {_beside(contexts, found)}"
    )


def _beside(contexts: Sequence[JointContext], found: TipSpeed) -> str:
    """What the number does not hold."""
    swing = "what the load swings on the oil spring comes on top"
    handover = _handover_mm_s(contexts, found)
    if handover < 0.5:
        return swing
    return (
        f"{swing}, and while joints take over from others, valves of which some lag longest and some shortest, "
        f"{_apart_s(contexts) * 1000:.0f} ms apart, may add up to {handover:.0f} mm/s until the ramps are over"
    )


def _apart_s(contexts: Sequence[JointContext]) -> float:
    """How much later one joint may follow its command than another."""
    early = [float(one.joint.tolerances.dead_time_s.lower + one.joint.tolerances.lag_s.lower) for one in contexts]
    late = [float(one.joint.tolerances.dead_time_s.upper + one.joint.tolerances.lag_s.upper) for one in contexts]
    return max(late) - min(early) if len(contexts) > 1 else 0.0


def _handover_mm_s(contexts: Sequence[JointContext], found: TipSpeed) -> float:
    """What late joints still move while quick ones already gain, all on their ramps: in the time between, no more than
    what those that slow lose and no more than what the others gain; the worst way to part the joints into the two.
    """
    part = found.part.part
    columns = np.linalg.norm(part.speeds_m(found.pose_rad[None])[0][0], axis=-1).max(axis=0)
    rises, falls = [], []
    for drive, lever in zip(found.part.drives, columns, strict=False):
        if drive is not None:
            limits = contexts[drive.index].joint.limits
            per_rad_s = drive.gain * (float(lever) + part.radius_m) * _MM
            rises.append(math.radians(float(limits.acceleration_deg_s2)) * per_rad_s)
            falls.append(math.radians(float(limits.deceleration_deg_s2)) * per_rad_s)
    ways = itertools.product((True, False), repeat=len(rises))
    most = max(min(sum(itertools.compress(falls, w)), sum(rises) - sum(itertools.compress(rises, w))) for w in ways)
    return min(most * _apart_s(contexts), found.value_mm_s)


def _explanation(profile: Profile, table: Table, found: TipSpeed) -> Explanation:
    drives = [drive for drive in found.part.drives if drive is not None]
    given = [
        Given(symbol="L", meaning="limit of the table for sum R x w", value=round(allowed_mm_s(table), 3), unit="mm/s"),
        *(one for drive in drives for one in _given(profile.joints[drive.index].name, drive)),
        *(
            Given(
                symbol="d",
                meaning=f"distance of the point from the axis of {profile.joints[share.index].name}",
                value=round(share.part_mm_s / abs(share.speed_rad_s), 1),
                unit="mm",
            )
            for share in found.shares
            if abs(share.speed_rad_s) > _STILL_RAD_S
        ),
        Given(symbol="v", meaning="in that pose", value=round(found.value_mm_s, 3), unit="mm/s"),
        Given(symbol="vr", meaning="that a point really has there", value=round(found.reached_mm_s, 3), unit="mm/s"),
        Given(symbol="vb", meaning="no pose gives more", value=round(found.most_mm_s, 3), unit="mm/s"),
    ]
    return Explanation(
        formula=(
            "v = sum of d x (c + g x w) over the joints, the most for 0 <= w <= s and sum R x w <= L",
            "every pose between the hard stops, those of coupled stops too, by branch and bound; d from the chain",
        ),
        given=tuple(given),
        source="rigid-body kinematics, any textbook of robot mechanics; rules L6f and L7g of firmware_stub/core/law.h; "
        "250 mm/s: ISO 10218-1:2011, 5.6.2 (from memory)",
    )


def _given(name: str, drive: JointSpeed) -> tuple[Given, ...]:
    asked, creep = math.degrees(drive.asked_rad_s), math.degrees(drive.creep_rad_s)
    return (
        Given(symbol="s", meaning=f"reduced speed of {name}", value=round(asked, 3), unit="deg/s"),
        Given(symbol="R", meaning=f"reach of {name} in the table", value=drive.reach_mm, unit="mm"),
        Given(symbol="g", meaning=f"largest real over asked speed of {name}", value=round(drive.gain, 4), unit="ratio"),
        Given(symbol="c", meaning=f"creep of {name}", value=round(creep, 4), unit="deg/s"),
    )
