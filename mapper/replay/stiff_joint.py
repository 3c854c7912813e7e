"""From a profile to the stiff model of one joint: its parameters, its valve's past, the pressures that it begins with.

Figures that no profile states and that are common practice without a source are constants here, each with its reason.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mapper.machine import NEGATIVE, POSITIVE
from mapper.machine.model import JointModel
from mapper.machine.oil.holding import held_outlets, opens_at_most_pa
from mapper.machine.oil.oil_spring import DEAD_SHARE_LEAST, DEAD_SHARE_MOST, line_volume_m3
from mapper.machine.oil.valve import COMPENSATED_HIGHEST, COMPENSATED_LOWEST
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import CylinderDrive, ElectricDrive, Joint, MotorDrive, ValveSide
from mapper.replay.stiff import (
    COUNTERBALANCE,
    CYLINDER,
    GRAVITY_MAX,
    MOTOR,
    NO_SEAT,
    PILOT_CHECK,
    RELIEF_OPENED,
    SEAT_OPENED,
    Floats,
    Pair,
    Side,
    StiffJoint,
    Yield,
    geometry,
    gravity,
    outlet_m3_s,
)

OVERRIDE = 0.05
"""A relief valve, or the relief function of a counterbalance, passes the joint's rated flow at so much above its
setting. Common practice, no source."""
COUNTERBALANCE_RANGE = 0.1
"""A piloted counterbalance goes from shut to wide open over this share of its setting. Common practice, no source."""
CHECK_RANGE_PA = 5e5
"""A pilot-operated check valve goes from shut to wide open over this. Common practice, no source."""
LEAK_SHARE, LEAK_PA = 0.001, 1e7
"""A centred spool lets through so much of its rated flow at 100 bar, from a port to the tank. Common practice, no
source."""
BRAKE_FACTOR = 1.5
"""Torque of a holding brake over the largest that gravity has. Common practice, no source."""
FILL_EDGES = 2.0
"""An anti-cavitation check valve passes as much as so many wide open metering edges. Common practice, no source."""
FRICTION_RAD_S = math.radians(0.2)
"""Friction has its full value well above this speed."""
SOFT_PA = 2e5
"""An edge's flow is straight within about so much of no drop at all."""
STEP_S, STEP_LEAST_S = 2e-4, 2e-5
AHEAD_RAD = 0.2
"""A stop is expected to stay within this. A chamber that gets smaller than half of what it is there, at the end of its
stroke, is taken to stay at that."""
REACH, REACH_MOST = 1.2, 2.4
"""Step times the fastest rate of the oil, where the stop is expected to stay, and anywhere; the method is stable to
2.78."""
FASTEST_RAD_S = 2000.0
"""A joint so light that it would swing faster is taken to be heavier: nothing of it is left to see in a stop."""
TURN = 0.2
"""Step times the joint's natural frequency in rad/s, at most."""

Ints = NDArray[np.int32]
CORNERS = ("nominal", "fast", "slow")


@dataclass(frozen=True, slots=True, kw_only=True)
class ValvePast:
    """What the valve is asked for, and how far open it stands when the stop begins."""

    lag: float
    share: Floats  # as in StiffStart


def stiff_joint(physics: JointPhysics, *, corner: str, load_name: str, direction: int, q_rad: float) -> StiffJoint:
    """The stiff model of a joint that moves in a direction (0 positive, 1 negative) at an angle when its stop begins.

    Gravity is the most that it gives the motion in any pose of the other joints, on any ground the profile allows; the
    moment of inertia is the largest at that angle, and stays.

    Args:
        corner: "nominal", "fast" or "slow": lag, dead time and the gain of a compensated section, as in the plant. A
            plain section takes its flow from the pressures; in the fast corner another joint holds a load-sensing pump
            at relief. Fast is also the stiff one: as little oil as there may be, and a motor that does not leak.
        load_name: one of the envelope's.
    Raises:
        ValueError: an electric joint, a joint without hoses, an unknown corner or load.
    """
    profile, joint, model = physics.profile, physics.joint, physics.model
    if isinstance(joint.drive, ElectricDrive) or joint.hoses is None:
        raise ValueError(f"{joint.name}: no oil in it, or its hoses are not known")
    if corner not in CORNERS or load_name not in physics.envelope.load_names:
        raise ValueError(f"corner {corner!r} or load {load_name!r} is not known")
    supply, stop, tick_s = profile.supply, profile.emergency_stop, float(profile.controller.tick_s)
    lower, upper = _travel(model)
    load = physics.envelope.load_names.index(load_name)
    at, per_rad, torque = _gravity(physics, load, direction)
    product, squares, included, sense = _triangle(model)
    efficiency = float(joint.drive.efficiency if isinstance(joint.drive, CylinderDrive) else _mechanical(joint))
    full = float(joint.valve.rated_flow_m3_s)
    dump_time_s = float(stop.dump_time_s or 0) or tick_s
    plain_fast = corner == "fast" and not joint.valve.compensated
    raw = StiffJoint(
        name=joint.name,
        kind=CYLINDER if isinstance(joint.drive, CylinderDrive) else MOTOR,
        continuous=joint.continuous,
        compensated=joint.valve.compensated,
        load_sensing=supply.load_sensing and not plain_fast,
        brake_n_m=_brake_n_m(physics, load),
        tick_s=tick_s,
        steps_per_tick=1,
        dead_steps=0,
        alpha_half=1.0,
        alpha=1.0,
        full_flow_m3_s=full,
        edge=full / math.sqrt(float(joint.valve.rated_drop_pa) / 2.0),
        soft_pa2=SOFT_PA * SOFT_PA,
        product_m2=product,
        squares_m2=squares,
        included_rad=included,
        sense=sense,
        side=_sides(physics, stiff=corner == "fast"),
        cross_leak_per_pa=0.0 if corner == "fast" else _cross_leak(physics),
        bulk_pa=float(supply.bulk_modulus_pa),
        damping_s=0.0,
        supply_pa=float(supply.relief_pa),
        margin_pa=float(supply.margin_pa),
        tank_pa=float(supply.tank_pa),
        dump_pa=float(supply.margin_pa) if stop.dump == "load_sensing" and supply.load_sensing else 0.0,
        dump_per_s=0.0 if stop.dump is None else 1.0 / dump_time_s,
        driving=1.0 - efficiency,
        overrunning=1.0 / efficiency - 1.0,
        friction_rad_s=FRICTION_RAD_S,
        inertia_kg_m2=float(np.interp(q_rad, physics.envelope.q_rad, physics.envelope.inertia_most_kg_m2[load])),
        gravity_at_rad=at,
        gravity_per_rad=per_rad,
        gravity_n_m=torque,
        lower_rad=lower,
        upper_rad=upper,
        gain=_gain(joint, corner),
    )
    return _timed(raw, joint, corner, (q_rad, direction))


def spring_n_m_rad(own: StiffJoint, q_rad: float) -> float:
    """Stiffness of the oil of both sides at an angle, valve shut: a2 K / V of each, side by side."""
    area0, area1, volume0, volume1 = geometry(own, q_rad)
    return own.bulk_pa * (area0 * area0 / volume0 + area1 * area1 / volume1)


def natural_rad_s(own: StiffJoint, q_rad: float) -> float:
    """Natural frequency in rad/s of the joint on that spring. Source: any textbook of hydraulic control."""
    return math.sqrt(spring_n_m_rad(own, q_rad) / own.inertia_kg_m2)


def valve_past(joint: Joint, own: StiffJoint, drives_e4: Sequence[int], before: int) -> ValvePast:
    """The openings that the drives ask for: curve, hysteresis, gain, then dead time and lag up to the stop.

    Args:
        drives_e4: the law's drives in 1/10000, tick after tick; the first is taken to have stood for ever.
        before: how many of them are from before the stop.

    Returns:
        its shares: as many as drives from the stop on, and those of the dead time and one tick before them.
    """
    polarity = -1 if joint.valve.reversed else 1
    play, spool = float(joint.tolerances.hysteresis) / 2.0, 0.0
    curves = (_points(joint.valve.positive), _points(joint.valve.negative))
    asked = np.zeros(len(drives_e4))
    for tick, drive in enumerate(drives_e4):
        at = polarity * int(drive) / 10_000.0
        spool = 0.0 if drive == 0 else min(max(spool, at - play), at + play)
        if spool != 0.0:
            index = POSITIVE if spool > 0.0 else NEGATIVE
            share = float(np.interp(abs(spool), *curves[index])) * own.gain
            asked[tick] = share if spool > 0.0 else -share
    whole, late = divmod(own.dead_steps, own.steps_per_tick)
    keep = 1.0 - own.alpha
    asked = np.concatenate([np.full(whole + 1, asked[0] if len(asked) else 0.0), asked])
    lag = float(asked[0])
    for tick in range(before):  # asked[tick] is what acts in the first `late` steps of tick, the next one after them
        lag = asked[tick] + (lag - asked[tick]) * keep**late
        lag = asked[tick + 1] + (lag - asked[tick + 1]) * keep ** (own.steps_per_tick - late)
    return ValvePast(lag=float(lag), share=asked[before:])


def resting_squeeze(own: StiffJoint, q_rad: float, w_rad_s: float, lag: float) -> Pair:
    """Squeezed oil of both sides for steady motion at this speed with the spool open by `lag`.

    The oil's torque balances gravity and friction; the driven side's pressure is the one at which the other side,
    through its seat valve and the outlet edge, passes the flow of that speed (found by halving). Where the valve does
    not drive that motion, the driven side has the least pressure that there can be.
    """
    area0, area1, volume0, volume1 = geometry(own, q_rad)
    positive = w_rad_s > 0.0 or (w_rad_s == 0.0 and gravity(own, q_rad) <= 0.0)
    area_in, area_out = (area0, area1) if positive else (area1, area0)
    along = gravity(own, q_rad) if positive else -gravity(own, q_rad)
    rubs = 1.0 if w_rad_s != 0.0 else 0.0
    net = -along / (1.0 - rubs * own.driving if along < 0.0 else 1.0 + rubs * own.overrunning)
    filled = own.tank_pa if own.side[0 if positive else 1].fill_edge > 0.0 else 0.0
    low = max(filled, net / area_in)
    high = max(low, own.supply_pa)

    def outlet_pa(inlet_pa: float) -> float:
        return (area_in * inlet_pa - net) / area_out

    if w_rad_s != 0.0 and lag * w_rad_s > 0.0:
        side, wanted = own.side[1 if positive else 0], area_out * abs(w_rad_s)
        for _ in range(50):
            middle = 0.5 * (low + high)
            if outlet_m3_s(own, side, abs(lag), outlet_pa(middle), middle) < wanted:
                low = middle
            else:
                high = middle
        low = high
    pressures = (low, outlet_pa(low)) if positive else (outlet_pa(low), low)
    return pressures[0] * volume0 / own.bulk_pa, pressures[1] * volume1 / own.bulk_pa


def sinking_rad_s(own: StiffJoint, q_rad: float) -> float:
    """Speed at which gravity moves the joint with its valve shut, signed: what its loaded side leaks."""
    torque = gravity(own, q_rad)
    loaded = 1 if torque > 0.0 else 0
    area = geometry(own, q_rad)[loaded]
    leak = 0.0 if own.brake_n_m > 0.0 else own.side[loaded].leak_per_pa + own.cross_leak_per_pa
    return 0.0 if leak == 0.0 else leak * torque / (area * area)


def _timed(raw: StiffJoint, joint: Joint, corner: str, at: tuple[float, int]) -> StiffJoint:
    """With damping, step, lag and dead time; stiff parts softened where even the shortest step would not carry them.

    Args:
        at: angle and direction of the motion that is stopped.
    """
    q_rad, direction = at
    raw = replace(raw, inertia_kg_m2=max(raw.inertia_kg_m2, spring_n_m_rad(raw, q_rad) / FASTEST_RAD_S**2))
    turn = natural_rad_s(raw, q_rad)
    ahead = q_rad + (AHEAD_RAD if direction == POSITIVE else -AHEAD_RAD)
    reached = (q_rad, min(max(ahead, raw.lower_rad), raw.upper_rad))
    rates = [max(_rate_m3_s_pa(raw, i) * raw.bulk_pa / geometry(raw, q)[2 + i] for q in reached) for i in (0, 1)]
    step_s = max(min(STEP_S, REACH / max(rates), TURN / turn), STEP_LEAST_S)
    count = math.ceil(raw.tick_s / step_s)
    step_s = raw.tick_s / count
    rubs = max(raw.driving, raw.overrunning) * raw.supply_pa * max(geometry(raw, q_rad)[:2]) * step_s
    lag_s = _corner(joint.tolerances.lag_s.lower, joint.tolerances.lag_s.upper, corner)
    dead_s = _corner(joint.tolerances.dead_time_s.lower, joint.tolerances.dead_time_s.upper, corner)
    sides = [
        replace(side, least_m3=_rate_m3_s_pa(raw, index) * raw.bulk_pa * step_s / REACH_MOST)
        for index, side in enumerate(raw.side)
    ]
    return replace(
        raw,
        steps_per_tick=count,
        dead_steps=round(dead_s / step_s),
        alpha_half=1.0 - math.exp(-0.5 * step_s / lag_s) if lag_s > 0.0 else 1.0,
        alpha=1.0 - math.exp(-step_s / lag_s) if lag_s > 0.0 else 1.0,
        side=(sides[0], sides[1]),
        damping_s=2.0 * float(joint.tolerances.damping_ratio) / turn,
        friction_rad_s=max(FRICTION_RAD_S, rubs / raw.inertia_kg_m2),
    )


def _rate_m3_s_pa(own: StiffJoint, index: int) -> float:
    """Steepest that the flows of a side can change with its pressure; over its stiffness V / K, a rate in 1/s."""
    side, seat = own.side[index], 0.0
    if side.seat == COUNTERBALANCE:
        seat = side.seat_edge * math.sqrt(side.shut_pa) / side.range_pa
    elif side.seat == PILOT_CHECK:
        seat = side.seat_edge * math.sqrt(own.supply_pa) / side.range_pa
    straight = (own.edge + side.fill_edge) / math.sqrt(math.sqrt(own.soft_pa2))
    return straight + seat + sum(one.per_pa for one in side.yields) + side.leak_per_pa + own.cross_leak_per_pa


def _travel(model: JointModel) -> tuple[float, float]:
    """Where the joint is stopped: its hard stops, or the end of the stroke where that comes first."""
    hard = model.hard_stops_rad
    reach = model.reach_rad()
    lower, upper = (-math.inf, math.inf) if hard is None else hard
    if reach is not None:
        lower, upper = max(lower, reach[0]), min(upper, reach[1])
    return lower, upper


def _triangle(model: JointModel) -> tuple[float, float, float, float]:
    if model.linkage is None:
        return 0.0, 0.0, 0.0, 1.0
    a, b = model.linkage.base_radius_m, model.linkage.rod_radius_m
    return a * b, a * a + b * b, model.linkage.included_at_zero_rad, float(model.linkage.sense)


def _gravity(physics: JointPhysics, load: int, direction: int) -> tuple[float, float, tuple[float, ...]]:
    """First node, nodes a radian, torque at the nodes, evenly spaced."""
    envelope = physics.envelope
    torque = (envelope.torque_most_n_m if direction == POSITIVE else envelope.torque_least_n_m)[load]
    count = min(GRAVITY_MAX, max(2, len(envelope.q_rad)))
    nodes = np.linspace(float(envelope.q_rad[0]), float(envelope.q_rad[-1]), count)
    span = float(nodes[-1] - nodes[0])
    values = np.interp(nodes, envelope.q_rad, torque)
    return float(nodes[0]), (count - 1) / span if span > 0.0 else 0.0, tuple(values.tolist())


def _sides(physics: JointPhysics, *, stiff: bool) -> tuple[Side, Side]:
    """`stiff`: as little oil as there may be; a seat valve sits at the actuator and shuts the line off."""
    joint, model = physics.joint, physics.model
    drive, holding, full = joint.drive, joint.holding, float(joint.valve.rated_flow_m3_s)
    assert joint.hoses is not None
    if isinstance(drive, CylinderDrive):
        cap = math.pi / 4.0 * float(drive.bore_m) ** 2
        ring = cap - math.pi / 4.0 * float(drive.rod_m) ** 2
        closed, stroke = float(drive.closed_length_m), float(drive.stroke_m)
        spare = stroke * (DEAD_SHARE_LEAST if stiff else DEAD_SHARE_MOST)
        ends = ((cap, 1.0, closed, cap * spare), (ring, -1.0, closed + stroke, ring * spare))
        first, second = ends if drive.extends_positive else ends[::-1]
    else:
        assert isinstance(drive, MotorDrive)
        turn = float(drive.displacement_m3_rev)
        first = second = (turn * float(drive.gear_ratio) / (2.0 * math.pi), 0.0, 0.0, turn * (0.5 + DEAD_SHARE_MOST))
    out_positive, out_negative = held_outlets(holding, model, physics.envelope)
    seat = PILOT_CHECK if holding.kind == "pilot_check" else COUNTERBALANCE
    edge = full / math.sqrt(float(joint.valve.rated_drop_pa) / 2.0)
    relief = holding.setting_pa if holding.kind == "port_relief" else holding.port_relief_pa
    relief_pa = math.inf if relief is None else float(relief)
    setting = math.inf if holding.setting_pa is None else float(holding.setting_pa)
    shut = opens_at_most_pa(holding, float(physics.profile.supply.tank_pa))
    found = []
    for own, other, held in ((first, second, out_negative), (second, first, out_positive)):
        most = max(1.0, own[0] / other[0])  # this side's flow over the other's
        counter = held and seat == COUNTERBALANCE
        found.append(
            Side(
                area=own[0],
                way=own[1],
                length_at_m=own[2],
                dead_m3=own[3] + (0.0 if held and stiff else line_volume_m3(joint.hoses)),
                least_m3=0.0,
                seat=seat if held else NO_SEAT,
                shut_pa=shut if counter and shut is not None else math.inf,
                ratio=float(holding.pilot_ratio or 0) if held else 0.0,
                range_pa=COUNTERBALANCE_RANGE * setting if counter else CHECK_RANGE_PA,
                seat_edge=edge * most,
                yields=_yields(shut if counter and shut is not None else math.inf, relief_pa, full * most),
                fill_edge=FILL_EDGES * edge if holding.anti_cavitation else 0.0,
                leak_per_pa=0.0 if held else LEAK_SHARE * full / LEAK_PA,
            )
        )
    return found[0], found[1]


def _yields(shut_pa: float, relief_pa: float, flow_m3_s: float) -> tuple[Yield, Yield]:
    """The counterbalance's relief function and the port relief, the one that opens first before the other."""
    counter = Yield(pa=shut_pa, per_pa=flow_m3_s / (OVERRIDE * shut_pa), bit=SEAT_OPENED)
    port = Yield(pa=relief_pa, per_pa=flow_m3_s / (OVERRIDE * relief_pa), bit=RELIEF_OPENED)
    return (counter, port) if shut_pa <= relief_pa else (port, counter)


def _brake_n_m(physics: JointPhysics, load: int) -> float:
    """Torque of a holding brake: where the profile does not say it, it is taken from what it must hold."""
    drive, envelope = physics.joint.drive, physics.envelope
    if physics.joint.holding.kind != "brake" and not (isinstance(drive, MotorDrive) and drive.holding_brake):
        return 0.0
    if isinstance(drive, MotorDrive) and drive.brake_torque_n_m is not None:
        return float(drive.brake_torque_n_m)
    most = np.maximum(np.abs(envelope.torque_least_n_m[load]), np.abs(envelope.torque_most_n_m[load]))
    return BRAKE_FACTOR * float(np.max(most))


def _mechanical(joint: Joint) -> float:
    assert isinstance(joint.drive, MotorDrive)
    return float(joint.drive.mechanical_efficiency)


def _cross_leak(physics: JointPhysics) -> float:
    """A motor's leak from side to side, laminar: what its volumetric efficiency leaves off, at its rated pressure."""
    drive = physics.joint.drive
    if not isinstance(drive, MotorDrive):
        return 0.0
    rated = float(drive.rated_pressure_pa or physics.profile.supply.relief_pa)
    return (1.0 - float(drive.volumetric_efficiency)) * float(physics.joint.valve.rated_flow_m3_s) / rated


def _gain(joint: Joint, corner: str) -> float:
    """Flow of a compensated section over its rated curve's; what load and pressures do is in the model itself."""
    if not joint.valve.compensated:
        return 1.0
    return {"fast": float(COMPENSATED_HIGHEST), "slow": float(COMPENSATED_LOWEST)}.get(corner, 1.0)


def _corner(lower: object, upper: object, corner: str) -> float:
    low, high = float(lower), float(upper)  # type: ignore[arg-type]
    return {"fast": low, "slow": high}.get(corner, 0.5 * (low + high))


def _points(side: ValveSide) -> tuple[Floats, Floats]:
    return np.array([float(at) for at, _ in side.points]), np.array([float(share) for _, share in side.points])
