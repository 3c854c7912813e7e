"""How far a joint's real speed may be off, from the loads that the machine really has. Floats, SI.

Where valve.py takes any load up to nine tenths of the pressure, here every angle, load and direction has the load that
gravity sets: metering.py gives the steady speed at full opening, over the speed that the rated flow promises. With
equal edges the opening cancels, so this holds for every command.

- Highest: another joint has the pump at relief; the load is the one that pulls along most, friction not counted. A
  counterbalance keeps the load from running ahead of the oil, and can only take flow away.
- Lowest: the load is the heaviest, friction and the work's own torque on top. A fixed pump is at relief. A load-sensing
  pump keeps its margin over the inlet edge, unless relief cuts that off. Where a counterbalance holds the outlet, the
  inlet pressure must also open it.
- A compensated section keeps its own figures as long as it has its drop; it meters oil in, so a load that nothing holds
  runs ahead of it as with a plain section.

Not in it: inertia (transient; the checks have the oil spring for it), a pump that gives all it has and still too little
(the share of rule L6e is there to prevent it; valves at the top of their spread can still ask for more), line losses.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np

from mapper.machine.actuator.motor import Motor
from mapper.machine.arm.envelope import Floats, JointEnvelope
from mapper.machine.load import against_n_m, along_n_m
from mapper.machine.model import JointModel
from mapper.machine.oil.holding import back_factor, metered_outlets
from mapper.machine.oil.metering import OVERRUNNING, Lines, Section, compensated, section_of, steady
from mapper.machine.oil.valve import COMPENSATED_HIGHEST, COMPENSATED_LOWEST
from mapper.profile.profile import Holding, Joint, Profile

_GRID = 1000
_LEVER_LEAST = 1e-9  # m3/rad; at dead centre any load would be infinite


def gains(
    profile: Profile, joint: Joint, model: JointModel, envelope: JointEnvelope, direction: int
) -> tuple[Floats, Floats]:
    """Lowest and highest real speed over promised speed in a direction, at each load and angle: arrays (k, n).

    Raises:
        ValueError: an electric joint.
    """
    supply, valve = profile.supply, joint.valve
    section = section_of(float(valve.rated_flow_m3_s), float(valve.rated_drop_pa))
    sides = model.displacement_m3_rad(envelope.q_rad, direction)
    inlet, outlet = (np.broadcast_to(np.maximum(side, _LEVER_LEAST), envelope.torque_most_n_m.shape) for side in sides)
    lines = Lines(
        supply_pa=float(supply.relief_pa),
        tank_pa=float(supply.tank_pa),
        inlet_least_pa=inlet_least_pa(profile, joint),
    )
    per_speed = inlet / float(valve.rated_flow_m3_s)
    lightest = -along_n_m(envelope, direction)
    metered = metered_outlets(joint.holding, model, envelope)[direction]
    heaviest = _heaviest(joint, model, envelope, direction)
    slowest = _slowest(profile, joint.holding if metered else None, (section, lines), (inlet, outlet), heaviest)
    if valve.compensated:
        asked = float(COMPENSATED_HIGHEST) * float(valve.rated_flow_m3_s)
        pulled = compensated(section, (inlet, outlet), lines, lightest, asked)
        ahead = np.where((pulled.regime == OVERRUNNING) & (not metered), pulled.speed * per_speed, 0.0)
        high = np.maximum(float(COMPENSATED_HIGHEST), ahead)
        low = np.minimum(float(COMPENSATED_LOWEST), slowest * per_speed)
    else:
        fastest = steady(section, (inlet, outlet), lines, lightest).speed
        alone = section.inlet * math.sqrt(float(supply.relief_pa) - inlet_least_pa(profile, joint)) / inlet
        high = (np.minimum(fastest, alone) if metered else fastest) * per_speed
        low = slowest * per_speed
    if isinstance(model.drive, Motor):
        high = high / model.drive.volumetric_efficiency
    return np.asarray(low), np.asarray(high)


def inlet_least_pa(profile: Profile, joint: Joint) -> float:
    """Least pressure that a port can have, gauge Pa: the tank line's where an anti-cavitation valve fills the port,
    else none; a void is not below the atmosphere by much.
    """
    return float(profile.supply.tank_pa) if joint.holding.anti_cavitation else 0.0


def _heaviest(joint: Joint, model: JointModel, envelope: JointEnvelope, direction: int) -> Floats:
    """Torque against the motion, work included, over the efficiency where it is against; a pull is taken whole."""
    torque = against_n_m(envelope, direction)
    if joint.work is not None:
        torque = torque + float((joint.work.torque_n_m.positive, joint.work.torque_n_m.negative)[direction])
    return np.asarray(np.where(torque > 0.0, torque / model.efficiency, torque))


def _slowest(
    profile: Profile, holding: Holding | None, ways: tuple[Section, Lines], sides: tuple[Floats, Floats], load: Floats
) -> Floats:
    """Steady speed with the heaviest load: at relief, and with no more than a load-sensing pump's margin over the inlet
    edge; less where the inlet pressure must also open a counterbalance (`holding`) at the outlet.
    """
    section, lines = ways
    inlet, outlet = sides
    relief, tank = float(profile.supply.relief_pa), float(profile.supply.tank_pa)
    speed = np.maximum(steady(section, sides, lines, load).speed, 0.0)
    if holding is not None and holding.setting_pa is not None and holding.pilot_ratio is not None:
        # As in holding.py, with pi = relief - x and pb = tank + (r)^2 x, x the drop over the inlet edge, equal edges.
        setting, ratio = float(holding.setting_pa), float(holding.pilot_ratio)
        back = back_factor(ratio, vented=holding.vented)
        pushed = (relief * (inlet + ratio * outlet) - load) - outlet * (setting + back * tank)
        drop = pushed / (inlet + ratio * outlet + outlet * back * (outlet / inlet) ** 2)
        speed = np.minimum(speed, section.inlet * np.sqrt(np.maximum(drop, 0.0)) / inlet)
    if profile.supply.load_sensing and profile.supply.margin_pa > 0:
        speed = np.minimum(speed, section.inlet * math.sqrt(float(profile.supply.margin_pa)) / inlet)
    return np.asarray(speed)


def with_derived_spread(profile: Profile, joint: Joint, model: JointModel, envelope: JointEnvelope) -> JointModel:
    """The model with the spread that the machine's own loads leave, rounded outward to 1/1000; an electric joint's
    stays.

    A low end of 0: there is a pose and a load that the pump cannot move.
    """
    if not model.takes_pump_flow:
        return model
    pairs = []
    for direction in (0, 1):
        low, high = gains(profile, joint, model, envelope, direction)
        pairs.append((_down(float(np.min(low))), _up(float(np.max(high)))))
    return replace(model, spread=(pairs[0], pairs[1]))


def _down(value: float) -> Fraction:
    return Fraction(math.floor(value * _GRID + 1e-9), _GRID)


def _up(value: float) -> Fraction:
    return Fraction(math.ceil(value * _GRID - 1e-9), _GRID)
