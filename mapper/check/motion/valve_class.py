"""What the real valve may make of the compiled curve: the part of a plant class that hysteresis and crack spread
decide.

The profile gives the measured curve (drive to flow), the width h of its hysteresis, the measured crack point and the
smallest ever measured. The class: the spool follows the drive with play h (it stands while the drive turns round),
starts from the centre when the drive is 0, and the curve may lie up to `shift` to the left, shift = max(h / 2, crack -
crack_min), or h / 2 to the right. For every flow 0..10000 that the law can ask for, the compiled valve stage gives the
drive, and the shifted curves the flow.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.check.context import SIDE_SIGNS, Floats, JointContext, valve_side
from mapper.table.table import FULL_E4


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveClass:
    """Flows in 1/10000 of rated flow."""

    rise_up_to_e4: Floats  # index flow asked: largest real flow above the asked one, over all flows up to this
    fall_up_to_e4: Floats  # the same for the largest asked flow above the real one


def valve_class(context: JointContext, side: int) -> ValveClass:
    """The class of one side, over the flows 0..flow_max."""
    own = valve_side(context, side)
    drive = np.array([float(x) for x, _ in own.points])
    flow = np.array([float(y) for _, y in own.points]) * FULL_E4
    half_play = float(context.joint.tolerances.hysteresis) / 2.0
    left = max(half_play, float(own.crack - own.crack_min))
    asked = np.arange(context.table.flow_max_e4[side] + 1, dtype=np.int32)
    compiled = np.abs(context.live.valve(context.index, SIDE_SIGNS[side], asked)) / FULL_E4
    most, least = (_flow_at(drive, flow, compiled + shift) for shift in (left, -half_play))
    most[0] = least[0] = 0.0  # drive 0: the spool is centred
    return ValveClass(
        rise_up_to_e4=np.maximum(np.maximum.accumulate(most - asked), 0.0),
        fall_up_to_e4=np.maximum(np.maximum.accumulate(asked - least), 0.0),
    )


def _flow_at(drive: Floats, flow: Floats, at: Floats) -> Floats:
    """The measured curve; beyond its last point on with its last slope (a valve may open a little further)."""
    last = (flow[-1] - flow[-2]) / (drive[-1] - drive[-2])
    return np.asarray(np.interp(at, drive, flow) + np.maximum(at - drive[-1], 0.0) * last)


def least_flow_e4(context: JointContext, side: int, asked_e4: int) -> float:
    """Least flow that the spool can make of one asked for: the measured curve, half the hysteresis to the right."""
    own = valve_side(context, side)
    asked = np.array([asked_e4], dtype=np.int32)
    drive = np.abs(context.live.valve(context.index, SIDE_SIGNS[side], asked)) / FULL_E4
    at = drive - float(context.joint.tolerances.hysteresis) / 2.0
    return float(np.interp(at, [float(x) for x, _ in own.points], [float(y) for _, y in own.points])[0]) * FULL_E4


def most_flow_e4(context: JointContext, side: int, up_to_e4: int) -> Floats:
    """Most flow that the spool can make of each one asked for, 0..up_to: the measured curve shifted to the left, and
    never less above the asked flow than at a smaller one.
    """
    own = valve_side(context, side)
    drive = np.array([float(x) for x, _ in own.points])
    flow = np.array([float(y) for _, y in own.points]) * FULL_E4
    left = max(float(context.joint.tolerances.hysteresis) / 2.0, float(own.crack - own.crack_min))
    asked = np.arange(up_to_e4 + 1, dtype=np.int32)
    real = _flow_at(drive, flow, np.abs(context.live.valve(context.index, SIDE_SIGNS[side], asked)) / FULL_E4 + left)
    real[0] = 0.0
    return np.asarray(asked + np.maximum(np.maximum.accumulate(real - asked), 0.0))
