"""Words that the limits of space share."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.points import ArmShape, Part
from mapper.profile.profile import KeepOut, Profile

NO_POSE = "no pose was found that the hard limits of the coupled stops leave"
NO_POSE_ADVICE = "correct coupled_stops: some pose must be within the hard limits of all of them"


def missing_advice(shape: ArmShape) -> str:
    """The keys to write, and what each says."""
    meanings = []
    if any(key.startswith("joints.") and key.endswith(".radius") for key in shape.missing):
        meanings.append(
            "a body's radius: everything of it, cylinders and hoses too, is within this of the line to the next pivot"
        )
    if any(key.startswith("loads.") for key in shape.missing):
        meanings.append("a load's radius: of a ball about its centre that holds load and gripper")
    if any(key.endswith(".body") for key in shape.missing):
        meanings.append("a body: mass, centre, length, radius")
    if "loads" in shape.missing:
        meanings.append("loads: at least the empty gripper")
    return f"write {', '.join(shape.missing)} ({'; '.join(meanings)})"


def pose_words(profile: Profile, part: Part, pose_rad: npt.NDArray[np.float64]) -> str:
    """The angles of a part's hinges. Where nobody knows which way a load's offset points, its angle comes last."""
    found = [
        f"{'offset at' if hinge.index is None else profile.joints[hinge.index].name} {math.degrees(angle):.1f} deg"
        for hinge, angle in zip(part.hinges, pose_rad, strict=True)
    ]
    return ", ".join(found)


def quoted(space: KeepOut) -> str:
    return f'"{space.name}"'
