"""How far arm and load get: the farthest that any point of them can be from the axis of the first joint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mapper.check.space.branch import Floats, Found, highest, ruled_out
from mapper.check.space.tip import PartSpeed
from mapper.machine.arm.points import ArmShape, Part
from mapper.profile.profile import Profile

_MM = 1000.0
_TOLERANCE = 0.002  # of the distance


@dataclass(frozen=True, slots=True, kw_only=True)
class Farthest:
    most_m: float  # proven: no point gets farther
    found_m: float  # in the pose
    part: Part
    pose_rad: Floats


def farthest(profile: Profile, shape: ArmShape) -> Farthest | None:
    """Over all parts and poses between the hard stops. None for a profile without parts, or without a pose that the
    coupled stops leave.
    """
    best: tuple[Found, Part] | None = None
    most = 0.0
    for quantity in sorted((_distance(part) for part in shape.parts), key=PartSpeed.anywhere, reverse=True):
        part, known = quantity.part, -np.inf if best is None else best[0].value
        found = highest(
            quantity,
            part.travel_rad(),
            ruled_out(profile, part.hinges),
            tolerance=lambda distance: _TOLERANCE * abs(distance),
            least=known,
        )
        most = max(most, found.most)
        if found.pose_rad is None:
            return None
        if found.value > known:
            best = found, part
    if best is None or best[0].pose_rad is None:
        return None
    return Farthest(most_m=most / _MM, found_m=best[0].value / _MM, part=best[1], pose_rad=best[0].pose_rad)


def _distance(part: Part) -> PartSpeed:
    """The speed that 1 rad/s of the first joint alone would give is the distance from its axis."""
    count = len(part.hinges) + 1
    return PartSpeed(
        part=part,
        drives=(None,) * count,
        limit_mm_s=np.inf,
        sure_rad_s=np.eye(count)[0],
        gain_per_mm=np.zeros(count),
        full_mm_s=np.zeros(count),
    )
