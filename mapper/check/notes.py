"""What the compiled table does that is no fault, but that one expects otherwise."""

from __future__ import annotations

import numpy as np

from mapper.check.context import MDEG, SIDE_NAMES, SIDES, JointContext
from mapper.check.finding import Note


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
