"""Words and numbers that the limits of pressure and force share: where the worst case is, and what to do where nobody
knows the load.
"""

from __future__ import annotations

import math

from mapper.check.context import JointContext, not_shown
from mapper.check.finding import Finding, Given
from mapper.machine import POSITIVE
from mapper.machine.arm.envelope import Floats
from mapper.machine.load import Node
from mapper.machine.physics import JointPhysics

BAR = 1e5
MOST_BAR = 1e4  # what is shown for a pressure without end, at dead centre
DERIVED = "balance of forces and orifice law, any textbook of fluid power; derived in mapper/machine"
_CARRIED = ("pitch", "grip")


def bar(pressure_pa: float) -> float:
    """In bar, and no more than can be shown."""
    return min(pressure_pa / BAR, MOST_BAR)


def load_unknown(context: JointContext, limit: str, unit: str) -> Finding:
    """Not shown: the joint, or one that it carries, is a pitch joint or a grip without a body."""
    joints = context.profile.joints[context.index :]
    bare = [joint.name for joint in joints if joint.axis in _CARRIED and joint.body is None]
    keys = ", ".join(f"[joints.{name}.body]" for name in bare or [context.joint.name])
    return not_shown(
        context,
        limit,
        unit=unit,
        detail="the profile does not say what this joint carries: a body is missing here or farther out",
        advice=f"write {keys} with mass, centre and length",
    )


def place_words(physics: JointPhysics, node: Node, direction: int | None) -> str:
    """The own angle, the load, and the pose of the other joints that sets most against a motion in the direction (None:
    the pose has no part in it).
    """
    words = f"{math.degrees(node.q_rad):.1f} deg with load {node.load_name}"
    if direction is None:
        return words
    envelope = physics.envelope
    poses: Floats = envelope.pose_of_least_rad if direction == POSITIVE else envelope.pose_of_most_rad
    pose = poses[node.load_index, node.q_index]
    others = [
        f"{joint.name} {math.degrees(angle):.0f} deg"
        for joint, angle in zip(physics.profile.joints, pose, strict=True)
        if joint.name != physics.joint.name and joint.axis in _CARRIED
    ]
    return f"{words}, {', '.join(others)}" if others else words


def given_bar(symbol: str, meaning: str, pressure_pa: float) -> Given:
    return Given(symbol=symbol, meaning=meaning, value=round(bar(pressure_pa), 3), unit="bar")


def given_place(node: Node) -> tuple[Given, Given]:
    return (
        Given(symbol="q", meaning="joint angle", value=round(math.degrees(node.q_rad), 3), unit="deg"),
        Given(symbol="load", meaning="load", value=node.load_name, unit=""),
    )
