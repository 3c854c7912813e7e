"""What the limits of dynamics share: what the profile must say for them, and the worst of two directions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.check.context import JointContext, not_shown
from mapper.check.finding import Finding
from mapper.check.hydraulics.loaded import load_unknown
from mapper.machine.arm.envelope import Floats
from mapper.machine.load import Node, node_of_most
from mapper.machine.physics import JointPhysics


def lacking(context: JointContext, limit: str, unit: str) -> Finding | None:
    """`not shown`, with the keys to add, where the profile lacks the joint's load or, of a hydraulic one, its hoses."""
    if context.physics is None:
        return load_unknown(context, limit, unit)
    if context.model.takes_pump_flow and context.joint.hoses is None:
        return not_shown(
            context,
            limit,
            unit=unit,
            detail="the oil between valve and actuator is part of the spring, and the profile names no hoses",
            advice=f"write [{context.key}.hoses] with length and bore of the line of one port, and its rated_pressure",
        )
    return None


def gain_range(context: JointContext, side: int) -> tuple[float, float]:
    """Lowest and highest real speed over promised speed; for the machine's own loads where they are known."""
    model = context.model if context.physics is None else context.physics.model
    return model.gain_spread(side)


@dataclass(frozen=True, slots=True, kw_only=True)
class Worst:
    """A largest value and where it is."""

    value: float
    node: Node
    side: int  # direction of the motion


def worst_of(physics: JointPhysics, values: tuple[Floats, Floats]) -> Worst:
    """The largest of two arrays (k, n), one for each direction."""
    side = 0 if np.max(values[0]) >= np.max(values[1]) else 1
    node = node_of_most(physics.envelope, values[side])
    return Worst(value=float(values[side][node.load_index, node.q_index]), node=node, side=side)
