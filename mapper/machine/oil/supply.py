"""What joints ask of the pump together: flow, power, and what a pump that keeps its standby pressure can still do.
Floats, SI, gauge pascals.

Source: power = pressure x flow; the flow of a joint is oil per rad x speed. Checked against published worked examples
    in
tests/outside.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.machine.arm.envelope import Floats
from mapper.machine.load import against_n_m, along_n_m, highest, over
from mapper.machine.model import NEGATIVE, POSITIVE, JointModel
from mapper.machine.oil.holding import held_outlets
from mapper.machine.oil.pressure import opening_pa
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import Joint, Profile

PUMP_EFFICIENCY = 0.85
"""Overall, of a piston pump at work. Common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowAsked:
    """The most that one joint asks for at its full commanded speed."""

    flow_m3_s: float
    direction: int
    q_rad: float


def power_w(pressure_pa: float, flow_m3_s: float) -> float:
    """Hydraulic power in W."""
    return pressure_pa * flow_m3_s


def flow_asked(joint: Joint, model: JointModel, q_rad: Floats) -> FlowAsked:
    """Pump flow at full commanded speed, at the angle and in the direction that ask for most. 0 for an electric
    joint.
    """
    if not model.takes_pump_flow:
        return FlowAsked(flow_m3_s=0.0, direction=POSITIVE, q_rad=0.0)
    found = []
    for direction in (POSITIVE, NEGATIVE):
        limit = joint.limits.speed_deg_s
        speed = np.radians(float(limit.positive if direction == POSITIVE else limit.negative))
        flows = speed / model.speed_per_flow_rad_m3(q_rad, direction)
        at = int(np.argmax(flows))
        found.append(FlowAsked(flow_m3_s=float(flows[at]), direction=direction, q_rad=float(q_rad[at])))
    return max(found, key=lambda one: one.flow_m3_s)


def share(pump_flow_m3_s: float, asked_m3_s: float) -> float:
    """Part of their speed that joints keep when all move at once; at most 1."""
    return 1.0 if asked_m3_s <= pump_flow_m3_s else pump_flow_m3_s / asked_m3_s


def stuck_s(profile: Profile) -> float | None:
    """Longest time in s from an emergency stop to the pressure's being down, a stuck spool open all the while: that of
    the dump, and in category 1 the delayed relay's before it. None where the profile does not say it.
    """
    stop = profile.emergency_stop
    if stop.dump_time_s is None:
        return None
    delay = stop.delayed_off_relay_s if stop.category == 1 else None
    return float(stop.dump_time_s) + float(delay or 0)


def stuck_way_rad(profile: Profile, joint: Joint) -> float | None:
    """Way in rad of a joint with a stuck spool in that time, at speed_never_above in its faster direction. A spool that
    sticks farther open than any command opens it lets the joint go faster than that.
    """
    time_s, fastest = stuck_s(profile), joint.limits.speed_never_above_deg_s
    if time_s is None:
        return None
    return math.radians(float(max(fastest.positive, fastest.negative))) * time_s


def moves_at_pa(physics: JointPhysics, direction: int) -> Floats:
    """Pressure (k, n) at the inlet from which a joint moves in a direction when its spool is stuck open: the least that
    gravity sets against it, no friction, no back pressure but the tank line. 0: it moves without any.

    What the load does at its lightest pose counts here, so these are the least torques against the motion.
    """
    least_against = -along_n_m(physics.envelope, direction)
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, direction)
    tank = float(physics.profile.supply.tank_pa)
    open_pa = np.maximum(over(least_against + outlet * tank, inlet), 0.0)
    if not held_outlets(physics.joint.holding, physics.model, physics.envelope)[direction]:
        return np.asarray(open_pa)
    against = least_against
    if physics.joint.holding.kind == "pilot_check":
        # The less is trapped behind a check valve, the less opens it: of each pressure the least, be it in two poses.
        against = against_n_m(physics.envelope, direction)
    opens = opening_pa(physics.joint.holding, physics.model, (inlet, outlet), against, tank)
    return highest((open_pa, opens))
