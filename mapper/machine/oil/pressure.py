"""Pressure that a joint needs: to hold its load, to move it steadily, to set it in motion. Floats, SI, gauge pascals.

For a motion in a direction, T the torque against it (gravity, and the work's own; negative where gravity pulls along):

    hold          pi = T / Vi                                           friction not counted
    steady        pi = (T / efficiency + Vo po) / Vi
    accelerating  the same with T + inertia x acceleration

Vi, Vo: oil per rad of the inlet and the outlet side (area x lever arm, or a motor's displacement). po: the tank line,
and what the outlet edge takes. Its drop does not depend on speed: the opening goes with the flow asked for, so with
edges that pass the rated flow at half the rated drop each, the outlet edge takes (Vo / Vi)^2 x half the rated drop. A
load that pulls is taken whole: friction that would help is not counted. Where a counterbalance or a pilot-operated
check valve holds the outlet, the inlet pressure must open it, too.

Source: balance of forces and orifice law, derived here and in metering.py and holding.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import GRIP
from mapper.machine.arm.envelope import Floats
from mapper.machine.load import against_n_m, along_n_m, highest, over
from mapper.machine.model import JointModel
from mapper.machine.oil.holding import (
    COUNTERBALANCES,
    held_outlets,
    inlet_through_check_pa,
    inlet_through_counterbalance_pa,
    load_pressure_pa,
    metered_outlets,
    opens_at_most_pa,
    trapped_n_m,
)
from mapper.machine.oil.metering import Lines, compensated, section_of, steady
from mapper.machine.oil.spread import inlet_least_pa
from mapper.machine.oil.valve import COMPENSATED_HIGHEST
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import Holding, Joint, Profile

_LEVER_LEAST = 1e-9  # m3/rad


class Motion(Enum):
    HOLD = "standing"
    STEADY = "moving steadily"
    ACCELERATING = "accelerating"


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """Arrays (k, n) over loads and angles."""

    torque_n_m: Floats  # against the motion, friction not included; negative pulls along
    inlet_pa: Floats  # least inlet pressure, at least 0
    outlet_pa: float  # back pressure behind the outlet port: tank line and outlet edge
    opens_pa: Floats  # the part of it that opens what holds the outlet; 0 where nothing does


def torque_against_n_m(physics: JointPhysics, direction: int, motion: Motion) -> Floats:
    """Torque (k, n) that the drive must give in a direction, friction apart; negative: the load pulls along."""
    torque = against_n_m(physics.envelope, direction)
    work = physics.joint.work
    if work is not None and motion is not Motion.HOLD:
        torque = torque + float((work.torque_n_m.positive, work.torque_n_m.negative)[direction])
    if motion is Motion.ACCELERATING:
        acceleration = np.radians(float(physics.joint.limits.acceleration_deg_s2))
        torque = torque + physics.envelope.inertia_most_kg_m2 * acceleration
    return np.asarray(torque)


def back_pressure_pa(physics: JointPhysics, direction: int) -> float:
    """Pressure behind the outlet port in Pa while the joint moves as asked: tank line and outlet edge."""
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, direction)
    at = int(np.argmax(inlet))  # the ratio is the same in every pose; not at a dead centre
    ratio = float(outlet[at] / inlet[at])
    return float(physics.profile.supply.tank_pa) + ratio**2 * float(physics.joint.valve.rated_drop_pa) / 2.0


def needed(physics: JointPhysics, direction: int, motion: Motion) -> Need:
    """What the inlet side must have in a direction.

    Raises:
        ValueError: an electric joint.
    """
    torque = torque_against_n_m(physics, direction, motion)
    efficiency = 1.0 if motion is Motion.HOLD else physics.model.efficiency
    loaded = np.asarray(np.where(torque > 0.0, torque / efficiency, torque))
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, direction)
    back = 0.0 if motion is Motion.HOLD else back_pressure_pa(physics, direction)
    open_pa = np.maximum(over(loaded + outlet * back, inlet), 0.0)
    opens = np.zeros_like(open_pa)
    held = held_outlets(physics.joint.holding, physics.model, physics.envelope)[direction]
    if held and motion is not Motion.HOLD:
        if physics.joint.holding.kind == "pilot_check":
            # It opens against all that is trapped behind it, before anything moves.
            loaded = -shut_in_n_m(physics, direction)
        opens = opening_pa(physics.joint.holding, physics.model, (inlet, outlet), loaded, back)
    return Need(torque_n_m=torque, inlet_pa=highest((open_pa, opens)), outlet_pa=back, opens_pa=opens)


def shut_in_n_m(physics: JointPhysics, direction: int) -> Floats:
    """Torque (k, n) in the direction of all that may be trapped behind a check valve: `trapped_n_m`; in a grip, that is
    shut until it stalls, the relief pressure of the pump on that side if this is more.
    """
    torque = trapped_n_m(physics.joint, physics.envelope, direction)
    if physics.joint.axis != GRIP:
        return torque
    outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, direction)[1]
    return np.maximum(torque, outlet * float(physics.profile.supply.relief_pa))


def opening_pa(
    holding: Holding, model: JointModel, displacement: tuple[Floats, Floats], load: Floats, back_pa: float
) -> Floats:
    """Inlet pressure that moves the load through a counterbalance or a pilot-operated check valve at the outlet."""
    if holding.pilot_ratio is None:
        return np.zeros_like(load)
    ratio = float(holding.pilot_ratio)
    if holding.kind in COUNTERBALANCES:
        assert holding.setting_pa is not None, model.name
        return inlet_through_counterbalance_pa(
            float(holding.setting_pa), ratio, displacement, load, back_pa, vented=holding.vented
        )
    return inlet_through_check_pa(ratio, displacement, load, back_pa)


def metered_outlet_pa(physics: JointPhysics, direction: int, inertia_n_m: npt.ArrayLike = 0.0) -> Floats:
    """Outlet pressure (k, n) that the spool's outlet edge holds back in a motion, pump at relief, gravity and
    `inertia_n_m` pulling along; 0 where a counterbalance holds that side.
    """
    profile, joint, envelope = physics.profile, physics.joint, physics.envelope
    along = along_n_m(envelope, direction) + np.asarray(inertia_n_m, dtype=np.float64)
    if metered_outlets(joint.holding, physics.model, envelope)[direction]:
        return np.zeros_like(along)
    supply, rated = profile.supply, float(joint.valve.rated_flow_m3_s)
    section = section_of(rated, float(joint.valve.rated_drop_pa))
    lines = Lines(
        supply_pa=float(supply.relief_pa),
        tank_pa=float(supply.tank_pa),
        inlet_least_pa=inlet_least_pa(profile, joint),
    )
    # At a dead centre nothing moves; the limit of travel speaks of it.
    sides = tuple(
        np.maximum(side, _LEVER_LEAST) for side in physics.model.displacement_m3_rad(envelope.q_rad, direction)
    )
    if joint.valve.compensated:
        found = compensated(section, (sides[0], sides[1]), lines, -along, float(COMPENSATED_HIGHEST) * rated)
    else:
        found = steady(section, (sides[0], sides[1]), lines, -along)
    return found.outlet_pa


def port_cap_pa(holding: Holding) -> float | None:
    """What a relief valve at both ports lets a port have; None where there is none."""
    setting = holding.setting_pa if holding.kind == "port_relief" else holding.port_relief_pa
    return None if setting is None else float(setting)


def pump_leaves_pa(profile: Profile, rated_drop_pa: float) -> float:
    """Inlet pressure in Pa that the pump can give while the flow is as asked: relief less the inlet edge's half of the
    rated drop, or less the margin of a load-sensing pump where that is more.
    """
    drop = rated_drop_pa / 2.0
    if profile.supply.load_sensing:
        drop = max(drop, float(profile.supply.margin_pa))
    return float(profile.supply.relief_pa) - drop


def available_pa(physics: JointPhysics) -> float:
    """The same for a joint: no more than its port reliefs let through."""
    most = pump_leaves_pa(physics.profile, float(physics.joint.valve.rated_drop_pa))
    cap = port_cap_pa(physics.joint.holding)
    return most if cap is None else min(most, cap)


def highest_port_pa(
    profile: Profile, joint: Joint, model: JointModel, physics: JointPhysics | None, *, inlet_of: int
) -> tuple[float, str]:
    """The most that one side of the actuator can have for longer than a peak, and what puts it there.

    The pump at relief; what a relief at the port, or the counterbalance that holds this side, lets a load raise it to
    with the tank line behind it; the load itself where nothing limits it.

    Args:
        physics: None where the load is not known: then a counterbalance is taken to hold either side.
        inlet_of: the direction in which oil goes into this side.
    """
    found = [(float(profile.supply.relief_pa), "the relief pressure")]
    cap = port_cap_pa(joint.holding)
    if cap is not None:
        found.append((cap, "the port relief's setting"))
    outlet_of = 1 - inlet_of
    held = True if physics is None else held_outlets(joint.holding, model, physics.envelope)[outlet_of]
    opens = opens_at_most_pa(joint.holding, float(profile.supply.tank_pa))
    if held and opens is not None:
        raised = "" if joint.holding.vented else ", raised by the tank line's pressure"
        found.append((opens, f"the counterbalance's setting{raised}"))
    if physics is not None:
        load = float(np.max(load_pressure_pa(model, physics.envelope, outlet_of)))
        found.append((load, "the load"))
    return max(found)
