"""What a joint really does with the speeds that the law lets through in reduced mode: a straight line above all of it.

Real speed of the joint = flow of the valve x speed per flow at the pose x largest gain. The flow asked for is command x
compiled flow per speed at the pose that is read, which is off and late; what the spool makes of it is more, by play
and a crack point that has moved (`valve_class`). That surplus is not a constant: it grows with the flow, so a
constant for it would be far too much at the small speeds of reduced mode. Here: flow made <= c + m x flow asked, for
every flow up to that of reduced speed, with the smallest c there is; so real speed <= creep + gain x command.

Within a cell of poses the lever arm is least at one of its ends (it rises to one most and falls after it), so that the
speed per flow is most there; the compiled flow per speed is straight between its points.

Source: flow / area = speed and the triangle of the pivots, as in `mapper/check/motion/speed.py`; derived here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.check.context import MDEG, SIDE_SIGNS, SIDES, Floats, JointContext
from mapper.check.motion.valve_class import most_flow_e4
from mapper.table.table import Q16

_CELL_MDEG = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class JointSpeed:
    """Both directions together: real speed <= creep + gain x command, command <= asked."""

    index: int  # of the joint in profile and table
    asked_rad_s: float  # reduced speed, the larger of both directions
    gain: float
    creep_rad_s: float
    reach_mm: int  # what the compiled law counts it with (rule L6f); 0: not at all

    @property
    def most_rad_s(self) -> float:
        """With the command at its limit."""
        return self.creep_rad_s + self.gain * self.asked_rad_s if self.asked_rad_s > 0.0 else 0.0


def joint_speed(context: JointContext) -> JointSpeed:
    """The reduced mode's speed of one joint, over all poses."""
    asked = max(context.table.speed_reduced_mdeg_s)
    lines = [_line(context, side) for side in SIDES if context.table.speed_reduced_mdeg_s[side] > 0]
    return JointSpeed(
        index=context.index,
        asked_rad_s=math.radians(asked / MDEG),
        gain=max((gain for gain, _ in lines), default=0.0),
        creep_rad_s=math.radians(max((creep for _, creep in lines), default=0.0)),
        reach_mm=context.table.reach_mm,
    )


def _line(context: JointContext, side: int) -> tuple[float, float]:
    """Gain, and creep in deg/s, of one direction."""
    asked = context.table.speed_reduced_mdeg_s[side]
    cells, true = _cells(context, side)
    flow_max = context.table.flow_max_e4[side]
    rise = most_flow_e4(context, side, flow_max) - np.arange(flow_max + 1)
    fastest = asked / MDEG
    while True:  # ends: the flow curve holds its ends, so the real speed has a most
        hungriest = _hungriest(context, side, cells, fastest * context.late_s)
        flow = max(1, min(int(np.max(hungriest)) * asked // Q16, flow_max))
        creep_e4 = float(rise[1]) if len(rise) > 1 else 0.0
        flows = np.arange(1, flow + 1)
        slope = 1.0 + float(np.max(np.maximum(rise[1 : flow + 1] - creep_e4, 0.0) / flows, initial=0.0))
        gain = slope * float(np.max(hungriest * true)) * MDEG / Q16
        creep = creep_e4 * float(np.max(true))
        real = creep + gain * asked / MDEG
        if real <= fastest:
            return gain, creep
        fastest = 1.01 * real


def _cells(context: JointContext, side: int) -> tuple[Floats, Floats]:
    """(n, 2) ends of the cells in mdeg, and (n,) the most real speed in deg/s for a flow of 1/10000 in each."""
    lower, upper = context.travel_mdeg()
    edges = np.append(np.arange(lower, upper, _CELL_MDEG), upper).astype(np.float64)
    true = context.speed_per_flow_e4(edges, side) * context.gain_most(side) / MDEG
    return np.stack([edges[:-1], edges[1:]], axis=1), np.maximum(true[:-1], true[1:])


def _hungriest(context: JointContext, side: int, cells: Floats, way_deg: float) -> Floats:
    """(n,) largest compiled flow per speed (q16) at any reading that goes with a pose of each cell: up to the error
    ahead, up to error and way behind.
    """
    off = float(context.joint.position.error_deg) + context.noise_deg
    ahead, behind = off * MDEG, (off + way_deg) * MDEG
    before, after = (behind, ahead) if SIDE_SIGNS[side] > 0 else (ahead, behind)
    low = np.floor(cells[:, 0] - before).astype(np.int32)
    high = np.ceil(cells[:, 1] + after).astype(np.int32)
    number = 7 + side
    most = np.maximum(context.live.curve(context.index, number, low), context.live.curve(context.index, number, high))
    for at, value in context.table.flow_per_speed_q16[side].points:
        most = np.where((low <= at) & (at <= high), np.maximum(most, value), most)
    return np.asarray(most, dtype=np.float64)
