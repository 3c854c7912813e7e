"""What the compiled table does that is no fault, but that one expects otherwise."""

from __future__ import annotations

import math

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, JointContext
from mapper.check.finding import Note
from mapper.check.hydraulics.structure import build_of, change_words
from mapper.check.hydraulics.stuck import stuck_way
from mapper.machine.actuator.travel import LEVER_SHARE_LEAST, smallest_changes
from mapper.machine.oil.supply import stuck_s


def joint_notes(context: JointContext) -> tuple[Note, ...]:
    """Everything worth knowing of one joint."""
    return room_notes(context) + lever_notes(context) + stuck_notes(context)


def room_notes(context: JointContext) -> tuple[Note, ...]:
    """Room that full speed needs before a soft stop, and the speed that the braking curve leaves in the middle of the
    travel, through the law at every millidegree. Nothing for a continuous joint.
    """
    if context.table.continuous:
        return ()
    upper, lower = context.table.soft_stop_mdeg
    half = (upper - lower) // 2
    rooms = np.arange(upper - lower + 1, dtype=np.int32)
    texts = []
    for side in SIDES:
        asked = context.table.speed_full_mdeg_s[side]
        allowed = np.minimum(context.live.curve(context.index, 5 + side, rooms), asked)
        enough = np.flatnonzero(allowed >= asked)
        if enough.size:
            room_deg = int(rooms[enough[0]]) / MDEG
            needs = f"full speed ({asked / MDEG:g} deg/s) needs {room_deg:.1f} deg of room before a soft stop"
        else:
            needs = (
                f"full speed ({asked / MDEG:g} deg/s) is never reached: the whole travel of {(upper - lower) / MDEG:g} "
                f"deg leaves room for {int(allowed[-1]) / MDEG:.1f} deg/s"
            )
        texts.append(f"{needs}; in the middle of the travel at most {int(allowed[half]) / MDEG:.1f} deg/s")
    if texts[0] == texts[1]:
        return (Note(joint=context.joint.name, text=texts[0]),)
    return tuple(
        Note(joint=context.joint.name, text=f"{SIDE_NAMES[side]}: {text}")
        for side, text in zip(SIDES, texts, strict=True)
    )


def lever_notes(context: JointContext) -> tuple[Note, ...]:
    """A lever arm that gets small towards a dead centre, and the smallest change of one value that mends it.

    Nothing where the least is a third of the largest or more (common practice, no source), or without a cylinder.
    """
    build = build_of(context)
    if build is None or build.levers().share >= LEVER_SHARE_LEAST:
        return ()
    levers = build.levers()
    changes = smallest_changes(build, (LEVER_SHARE_LEAST,))
    mended = (
        f"; what would mend it: {change_words(context, build, changes[0])}"
        if changes
        else "; no single value of the drive within half of its length mends it with this travel"
    )
    places = [f"{math.degrees(place):.1f} deg" for place in (levers.least_at_rad, levers.most_at_rad)]
    text = (
        f"near dead centre: the lever arm is {levers.least_m * 1000:.1f} mm at {places[0]}, {levers.share:.0%} of the "
        f"largest, {levers.most_m * 1000:.1f} mm at {places[1]}: little force there, and much speed for little flow; "
        f"below a third is to be avoided (common practice, no source){mended}"
    )
    return (Note(joint=context.joint.name, text=text),)


def stuck_notes(context: JointContext) -> tuple[Note, ...]:
    """How far the joint goes in an emergency stop with its spool stuck open, until the dump has worked. Nothing for an
    electric joint, or where the profile does not say how long the dump takes.
    """
    way, time_s = stuck_way(context), stuck_s(context.profile)
    if way is None or time_s is None:
        return ()
    text = (
        f"with its spool stuck open it goes {way.words} after an emergency stop, until the dump has worked "
        f"({time_s * 1000:g} ms at speed_never_above; faster where it sticks farther open than any command opens it); "
        "no limit holds that way"
    )
    return (Note(joint=context.joint.name, text=text),)
