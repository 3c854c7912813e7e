"""A joint in motion: the pressures that it runs at, how far a load runs ahead of a ramp, and the peaks of a ramp.

D and D' are the volumes for a radian of the outlet and of the driven side, po and pi their pressures, pt and ps those
of tank and pump, tau gravity along the motion, R the pilot ratio, I the most inertia, a the command's deceleration, g
real over asked speed, z the damping ratio. Angles in rad, torques in N m, all at one pose and load.

    running        pressure po of the outlet side while the joint moves:
                     edge           the steady balance of metering.py, pump at relief: pt + (g D / D')^2 drop / 2, more
                                    where the load runs ahead or a plain section clamps; behind a seat its drop on top
                     counterbalance wide open at po + R pi = setting + (1 + R) pt + range, D' pi = D po - tau:
                                    po = (setting + (1 + R) pt + range + R tau / D') / (1 + R D / D'); without
                                    (1 + R) pt if its spring chamber is vented
                     check valve    wide open at R (pi - pt) = po - pt + range:
                                    po = ((R - 1) pt + range + R tau / D') / (R D / D' - 1)
                   The higher of edge and seat; never below tau / D + pt D' / D, never above what pump and load can
                   make, (ps D' + tau) / D
    pe             (g' D / D')^2 drop / 2 over a spool's outlet edge that alone holds the joint, at the highest speed
                   and the widest opening then; g' is 1 for a compensated section, whose gain is taken to be all in the
                   opening, and g for a plain one, whose gain is in the pressures
    runs ahead     on a ramp such a joint comes to be r times as fast as asked. With T = I g a, the edge's torque
                   e = D pe at the opening asked for, G = tau + (D' - D) pt, share s of the ramp over:
                   (1 - s) T dr/ds = T r + G - e r^2, r = 1 at first, a logistic curve between its two roots. r stays 1
                   where T + G <= e, and behind a seat valve; the speed stays below what it began with
    ramp's peak    behind a seat valve po + I g a (1 + q) / D, q = exp(-pi z / sqrt(1 - z^2)): a step of deceleration
                   through the oil spring, the driven side pushing on as it did. Without one po of a load that pulls
                   with gravity and I g a r (1 + q), r one lag before the end. Swinging back after the ramp, q times
                   that and gravity on the other side. What the pump gives that side, at most ps, is not in it: there it
                   opens nothing, the line behind has it too
    flutter        a light joint on a seat valve: the valve shuts when the driven side's pressure sags, and opening it
                   throws the joint on to at most twice its speed, 2 w root(I kc) / D more, and w twice as high in a
                   sudden stop. Counted for a joint that swings on the driven side and the valve, at
                   root(ki (1 + R D / D') / I), faster than FLUTTER_RAD_S; a slower one is taken to be carried quietly:
                   the stiff model of the replay shows no more, nothing proves it

Friction is left out where it helps. The stiffest oil counts. A joint so light that it would swing faster than
FASTEST_RAD_S counts as heavier.

Source: the orifice law; the balances of holding.py; the step response of a damped oscillator (any textbook of
mechanics); derived here. tests/unit/replay/test_stiff_within_bounds.py holds it against a model with pressures as
states.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.envelope import Floats
from mapper.machine.load import along_n_m, over
from mapper.machine.model import NEGATIVE, POSITIVE
from mapper.machine.oil.holding import COUNTERBALANCES, back_factor, held_outlets
from mapper.machine.oil.metering import Lines, compensated, section_of, steady
from mapper.machine.oil.oil_spring import (
    CAP,
    ROD,
    bulk_modulus_pa,
    has_oil,
    outlet_side,
    soft_columns,
    stiff_columns,
    stiffest_modulus_pa,
)
from mapper.machine.oil.pressure import metered_outlet_pa
from mapper.machine.oil.spread import inlet_least_pa
from mapper.machine.oil.valve import COMPENSATED_HIGHEST
from mapper.machine.physics import JointPhysics

FLUTTER_RAD_S = 1000.0
"""See `flutter` of the module; a seat valve needs some milliseconds. Common practice, no source."""
FASTEST_RAD_S = 2000.0
"""A joint so light that it would swing faster counts as heavier: there is steel in every drive."""
COUNTERBALANCE_RANGE = 0.1
"""A piloted counterbalance goes from shut to wide open over this share of its setting. Common practice, no source."""
CHECK_RANGE_PA = 5e5
"""A pilot-operated check valve goes from shut to wide open over this. Common practice, no source."""

THROWN = 2.0
"""A fluttering joint is at most so many times as fast as its oil."""

_LEVER_LEAST = 1e-9  # m3/rad
_GROWN_MOST = 50.0  # exponent; nothing changes beyond


def overshoot(damping_ratio: float) -> float:
    """q: how much of a step an oscillator swings beyond it, damping ratio above 0; 0 from critical damping on."""
    if damping_ratio >= 1.0:
        return 0.0
    return math.exp(-math.pi * damping_ratio / math.sqrt(1.0 - damping_ratio**2))


def start_speed_rad_s(physics: JointPhysics, direction: int) -> float:
    """w0: the largest real speed in the direction."""
    never = physics.joint.limits.speed_never_above_deg_s
    return math.radians(float(never.positive if direction == POSITIVE else never.negative))


def between_soft_stops(physics: JointPhysics) -> npt.NDArray[np.bool_]:
    """The angles (n,) that commanded motion reaches: nothing starts a stop from full speed beyond them."""
    soft, q = physics.joint.limits.soft_stops_deg, physics.envelope.q_rad
    if soft is None:
        return np.ones(q.shape, dtype=np.bool_)
    lower, upper = math.radians(float(soft.lower)), math.radians(float(soft.upper))
    step = float(np.max(np.diff(q)))  # the angle just beyond counts too
    return np.asarray((q > lower - step) & (q < upper + step))


def ramp_torque_n_m(physics: JointPhysics, direction: int, rate_rad_s2: float) -> Floats:
    """I g a: what slowing the load by a command ramp asks for, (k, n), without the swing."""
    gain = physics.model.gain_spread(direction)[1]
    return np.asarray(physics.envelope.inertia_most_kg_m2 * gain * rate_rad_s2)


def ramp_peaks_pa(
    physics: JointPhysics, direction: int, rate_rad_s2: float, left_rad_s: float = 0.0
) -> tuple[Floats, Floats]:
    """Highest pressure on (cap, rod) while a motion in the direction ramps down, (k, n), reliefs not counted; on the
    driven side what the load makes, without what the pump gives it.

    Args:
        rate_rad_s2: of the command, > 0.
        left_rad_s: real speed that is left when the command reaches zero and the spool centres.
    """
    swing = overshoot(float(physics.joint.tolerances.damping_ratio))
    outlet, side = sides_m3_rad(physics, direction)[1], outlet_side(physics.model, direction)
    kc = stiff_columns(physics).stiffness_n_m_rad(stiffest_modulus_pa(physics))[side]
    inertia = ramp_torque_n_m(physics, direction, rate_rad_s2) * (1.0 + swing)
    inertia = inertia * ahead_at_end(physics, direction, rate_rad_s2)
    inertia = inertia + left_rad_s * np.sqrt(kc * physics.envelope.inertia_most_kg_m2)
    peaks = list(both_peaks(physics, direction, inertia, swing * inertia))
    if held_outlets(physics.joint.holding, physics.model, physics.envelope)[direction]:
        stopping = running_outlet_pa(physics, direction, along_n_m(physics.envelope, direction)) + inertia / outlet
        stopping = stopping + _flutter_pa(physics, direction)
    else:
        stopping = metered_outlet_pa(physics, direction, inertia)
    peaks[side] = np.maximum(peaks[side], stopping)
    return peaks[CAP], peaks[ROD]


def running_outlet_pa(physics: JointPhysics, direction: int, along_n_m: Floats) -> Floats:
    """po of the module: highest pressure (k, n) on the outlet side in steady motion with `along_n_m` pulling along."""
    joint, supply = physics.joint, physics.profile.supply
    holding, tank = joint.holding, float(supply.tank_pa)
    inlet, outlet = sides_m3_rad(physics, direction)
    ratio, drop = outlet / inlet, float(joint.valve.rated_drop_pa) / 2.0
    held = held_outlets(holding, physics.model, physics.envelope)[direction]
    found = _metered_pa(physics, (inlet, outlet), along_n_m, ahead=not held)
    if held:
        pilot = float(holding.pilot_ratio or 0)
        found = found + (float(COMPENSATED_HIGHEST) * np.minimum(ratio, 1.0)) ** 2 * drop
        if holding.kind in COUNTERBALANCES and holding.setting_pa is not None:
            shut = float(holding.setting_pa) * (1.0 + COUNTERBALANCE_RANGE)
            shut = shut + back_factor(pilot, vented=holding.vented) * tank
            seat = (shut + pilot * along_n_m / inlet) / (1.0 + pilot * ratio)
        else:
            asked = (pilot - 1.0) * tank + CHECK_RANGE_PA + pilot * along_n_m / inlet
            spare = pilot * ratio - 1.0
            seat = np.where(asked <= 0.0, 0.0, np.where(spare > 0.0, asked / np.where(spare > 0.0, spare, 1.0), np.inf))
        found = np.maximum(found, seat)
    most = (float(supply.relief_pa) * inlet + along_n_m) / outlet
    least = np.maximum(along_n_m, 0.0) / outlet + tank * inlet / outlet
    return np.asarray(np.maximum(np.minimum(found, most), least))


def runs_ahead(physics: JointPhysics, direction: int, rate_rad_s2: float, gone: npt.ArrayLike) -> Floats:
    """r of the module, at least 1: real speed over asked speed, (k, n), while a load is slowed by its outlet edge.

    Args:
        gone: share of the ramp that is over, 0..1; more of them give (..., k, n).
    """
    along, gone = along_n_m(physics.envelope, direction), np.asarray(gone, dtype=np.float64)[..., None, None]
    if not has_oil(physics) or held_outlets(physics.joint.holding, physics.model, physics.envelope)[direction]:
        return np.ones(np.broadcast_shapes(along.shape, gone.shape))
    inlet, outlet = sides_m3_rad(physics, direction)
    edge = outlet * edge_pa(physics, direction)
    torque = np.maximum(ramp_torque_n_m(physics, direction, rate_rad_s2), 1e-6 * edge)
    rest = along + (inlet - outlet) * float(physics.profile.supply.tank_pa)
    pushes = (torque + rest > edge) & between_soft_stops(physics)  # else the edge brakes as much as is asked
    apart = np.sqrt(np.where(pushes, torque**2 + 4.0 * edge * rest, 1.0))
    low, high = (torque - apart) / (2.0 * edge), (torque + apart) / (2.0 * edge)
    grown = np.minimum(-np.log(np.maximum(1.0 - gone, 1e-9)) * apart / torque, _GROWN_MOST)
    with np.errstate(divide="ignore", invalid="ignore"):
        found = high - (high - low) / (1.0 + (1.0 - low) / (high - 1.0) * np.exp(grown))
    # A ramp goes far: gravity of all the angles that it may come to.
    worst = np.max(np.where(pushes, found, 1.0), axis=-1, keepdims=True)
    return np.asarray(np.broadcast_to(np.maximum(worst, 1.0), np.broadcast_shapes(along.shape, gone.shape)))


def ahead_at_end(physics: JointPhysics, direction: int, rate_rad_s2: float) -> Floats:
    """r when the lag no longer follows the ramp: one lag before the command is at zero."""
    limits = physics.joint.limits
    asked = math.radians(float(limits.speed_deg_s.positive if direction == POSITIVE else limits.speed_deg_s.negative))
    lasts = asked / rate_rad_s2 if rate_rad_s2 > 0.0 else math.inf
    gone = 1.0 - min(float(physics.joint.tolerances.lag_s.upper) / lasts, 1.0)
    return runs_ahead(physics, direction, rate_rad_s2, gone)


def _metered_pa(physics: JointPhysics, sides: tuple[Floats, Floats], along_n_m: Floats, *, ahead: bool) -> Floats:
    """What the spool's outlet edge holds back, pump at relief; `ahead`: a load may run ahead of the oil."""
    supply, valve = physics.profile.supply, physics.joint.valve
    rated = float(valve.rated_flow_m3_s)
    section = section_of(rated, float(valve.rated_drop_pa))
    lines = Lines(
        supply_pa=float(supply.relief_pa),
        tank_pa=float(supply.tank_pa),
        inlet_least_pa=inlet_least_pa(physics.profile, physics.joint) if ahead else -np.inf,
    )
    if valve.compensated:
        found = compensated(section, sides, lines, -along_n_m, float(COMPENSATED_HIGHEST) * rated)
    else:
        found = steady(section, sides, lines, -along_n_m)
    return np.asarray(found.outlet_pa)


def outlet_edge_pa(physics: JointPhysics, direction: int) -> Floats | None:
    """pe of the module, (n,); None where a seat valve holds the outlet."""
    held = held_outlets(physics.joint.holding, physics.model, physics.envelope)[direction]
    return None if held else edge_pa(physics, direction)


def edge_pa(physics: JointPhysics, direction: int) -> Floats:
    """Pressure (n,) over the outlet edge at the highest speed and the widest opening that it has then.

    The gain of a compensated section is taken to be all in the opening, that of a plain one comes from the pressures.
    """
    inlet, outlet = sides_m3_rad(physics, direction)
    valve = physics.joint.valve
    gain = 1.0 if valve.compensated else physics.model.gain_spread(direction)[1]
    return np.asarray((gain * outlet / inlet) ** 2 * float(valve.rated_drop_pa) / 2.0)


def flutters(physics: JointPhysics, direction: int) -> npt.NDArray[np.bool_]:
    """Where the seat valve at the outlet throws the load about, (k, n): see `flutter` of the module."""
    holding, inertia = physics.joint.holding, inertia_kg_m2(physics)
    if not held_outlets(holding, physics.model, physics.envelope)[direction]:
        return np.zeros(inertia.shape, dtype=np.bool_)
    inlet, outlet = sides_m3_rad(physics, direction)
    soft = soft_columns(physics).stiffness_n_m_rad(bulk_modulus_pa(physics))
    driven = soft[1 - outlet_side(physics.model, direction)]
    rate = np.sqrt(driven * (1.0 + float(holding.pilot_ratio or 0) * outlet / inlet) / inertia)
    return np.asarray(rate > FLUTTER_RAD_S)


def _flutter_pa(physics: JointPhysics, direction: int) -> Floats:
    """What it adds to a ramp's peak, (k, n), from the fastest commanded motion."""
    limits, side = physics.joint.limits, outlet_side(physics.model, direction)
    stiff = stiff_columns(physics).stiffness_n_m_rad(stiffest_modulus_pa(physics))[side]
    asked = math.radians(float(limits.speed_deg_s.positive if direction == POSITIVE else limits.speed_deg_s.negative))
    speed = min(asked * physics.model.gain_spread(direction)[1], start_speed_rad_s(physics, direction))
    thrown = THROWN * speed * np.sqrt(stiff * inertia_kg_m2(physics)) / sides_m3_rad(physics, direction)[1]
    return np.asarray(np.where(flutters(physics, direction), thrown, 0.0))


def inertia_kg_m2(physics: JointPhysics) -> Floats:
    """The most inertia (k, n), and no less than that of FASTEST_RAD_S."""
    spring = np.sum(stiff_columns(physics).stiffness_n_m_rad(stiffest_modulus_pa(physics)), axis=0)
    return np.asarray(np.maximum(physics.envelope.inertia_most_kg_m2, spring / FASTEST_RAD_S**2))


def sides_m3_rad(physics: JointPhysics, direction: int) -> tuple[Floats, Floats]:
    """Inlet and outlet, (n,). At a dead centre nothing moves; the limit of travel speaks of it."""
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, direction)
    return np.maximum(inlet, _LEVER_LEAST), np.maximum(outlet, _LEVER_LEAST)


def both_peaks(physics: JointPhysics, direction: int, inertia_n_m: Floats, back_n_m: Floats) -> tuple[Floats, Floats]:
    """Pressures on (cap, rod): the side that stops the motion bears `inertia_n_m` and gravity that pulls along, the
    other one `back_n_m`, when the load swings back, and gravity that is against the motion.
    """
    columns, tank = stiff_columns(physics), float(physics.profile.supply.tank_pa)
    side = outlet_side(physics.model, direction)
    against = along_n_m(physics.envelope, POSITIVE + NEGATIVE - direction)
    stopping = over(inertia_n_m + along_n_m(physics.envelope, direction), columns.displacement_m3_rad[side])
    returning = over(back_n_m + against, columns.displacement_m3_rad[1 - side])
    ratio = columns.displacement_m3_rad[1 - side] / columns.displacement_m3_rad[side]
    peaks = {
        side: np.maximum(stopping, 0.0) + tank * ratio,
        1 - side: np.maximum(returning, 0.0) + tank / ratio,
    }
    return np.asarray(peaks[CAP]), np.asarray(peaks[ROD])
