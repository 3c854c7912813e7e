"""The fastest point of arm and load over all parts and poses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.context import MDEG
from mapper.check.space.branch import Found, highest, ruled_out
from mapper.check.space.joint_speed import JointSpeed
from mapper.check.space.tip import PartSpeed, Share, part_speed
from mapper.machine.arm.points import ArmShape
from mapper.profile.profile import Profile
from mapper.table.compile_tip import TIP_SPEED_M_S
from mapper.table.table import Table

_MM = 1000.0
_TOLERANCE = 0.01  # of the speed: how near the bound comes to the speed of a pose
_TOLERANCE_LEAST_MM_S = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class TipSpeed:
    """The most over all parts."""

    most_mm_s: float  # proven
    value_mm_s: float  # what the pose gives, if all joints moved the point the same way
    part: PartSpeed  # with the largest value
    pose_rad: npt.NDArray[np.float64]
    reached_mm_s: float  # that some point really has in that pose
    shares: tuple[Share, ...]
    boxes: int


def limit_mm_s(profile: Profile) -> float:
    stated = [joint.limits.tip_speed_m_s for joint in profile.joints if joint.limits.tip_speed_m_s is not None]
    return float(min(stated, default=TIP_SPEED_M_S)) * _MM


def allowed_mm_s(table: Table) -> float:
    """The table's limit of the sum of reach x command; inf where it has none."""
    tip = table.machine.tip_mdeg_mm_s
    return math.radians(tip / MDEG) if tip else math.inf


def fastest_point(
    profile: Profile, shape: ArmShape, speeds: Sequence[JointSpeed], allowed: float, bound_mm_s: float
) -> TipSpeed | None:
    """The most over all parts and poses; the bound says how near the proof has to come. None where no pose was found
    that the coupled stops leave.
    """

    def tolerance(value: float) -> float:
        wanted = _TOLERANCE * abs(value)
        if value < bound_mm_s:
            wanted = min(wanted, bound_mm_s - value)
        return max(wanted, _TOLERANCE_LEAST_MM_S)

    best: tuple[Found, PartSpeed] | None = None
    most, boxes = 0.0, 0
    # What may be fastest first: most of the others are then done with at once.
    quantities = [part_speed(part, speeds, allowed) for part in shape.parts]
    for quantity in sorted(quantities, key=PartSpeed.anywhere, reverse=True):
        part, known = quantity.part, -math.inf if best is None else best[0].value
        found = highest(quantity, part.travel_rad(), ruled_out(profile, part.hinges), tolerance=tolerance, least=known)
        most, boxes = max(most, found.most), boxes + found.boxes
        if found.pose_rad is None:
            return None
        if found.value > known:
            best = found, quantity
    if best is None or best[0].pose_rad is None:
        return None
    reached, shares = best[1].shares(best[0].pose_rad)
    return TipSpeed(
        most_mm_s=most,
        value_mm_s=best[0].value,
        part=best[1],
        pose_rad=best[0].pose_rad,
        reached_mm_s=reached,
        shares=shares,
        boxes=boxes,
    )
