"""How far a joint goes with its spool stuck open until the dump has taken the pressure away: told, and no limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.check.context import JointContext
from mapper.machine.oil.supply import stuck_way_rad
from mapper.machine.stop.stopping import tip_radius_m


@dataclass(frozen=True, slots=True, kw_only=True)
class StuckWay:
    """Of one joint."""

    angle_rad: float
    tip_m: float | None  # of the load's centre, along its arc, where it is farthest from the axis; None: not known

    @property
    def words(self) -> str:
        tip = "" if self.tip_m is None else f" ({self.tip_m * 1000:.0f} mm at the load)"
        return f"{math.degrees(self.angle_rad):.3g} deg{tip}"


def stuck_way(context: JointContext) -> StuckWay | None:
    """Of an oil-driven joint; None of an electric one, and where the profile does not say how long the dump takes."""
    angle = stuck_way_rad(context.profile, context.joint) if context.model.takes_pump_flow else None
    if angle is None:
        return None
    tip = None if context.physics is None else angle * float(np.max(tip_radius_m(context.physics)))
    return StuckWay(angle_rad=angle, tip_m=tip)
