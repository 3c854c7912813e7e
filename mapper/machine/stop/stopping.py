"""Stops of a joint that carries a load: how far and how long it goes on, and the pressure that the stop makes.

Kinds of stop: `release` (the enabling device is let go: the command ramps down by stop_deceleration, at the deadline it
is cut to zero), `category_1` (the same ramp, then the power goes) and `category_0` (drives to zero at once: emergency
stop of category 0, and every fault). Energy is counted from the largest REAL speed, `speed_never_above`, which the
limit `speed_limit` shows that no commanded motion passes: w0. Angles in rad, torques in N m, all at one pose and load:

    latest effect  t = dead time + 3 ticks: up to one until it is read, one of computing, one until the output is new
    oil goes on    w0 (t + lag) at once; on a ramp w0 T - g a T^2 / 2 more, T = u0 / a, u0 the commanded speed, a its
                   deceleration, g real speed over commanded
    edge           where the spool's outlet edge alone holds the joint (no counterbalance or check valve there), a load
                   pushes more than the asked flow through it. At the pressure p it passes D w0 once it is closed from
                   opening y0 to y*, y0 / y* = root((p - pt) / pe), pe what is over it at y0 (running.py), p the
                   highest pressure of the stop. Until then, lag ln(y0 / y*), the joint keeps at most its speed; from
                   then on the edge still lets lag w0 through, on whose way gravity adds tau lag w0 to E. In all
                   lag (1 + ln(y0 / y*)) instead of lag, the least of all such splits. A seat valve shuts when a joint
                   runs ahead of its oil and needs no more than lag
    leak           a motor passes L p from side to side: L p / D until its brake bites, lag ln(100 y0) from the spool's
                   first move on, and while a relief slows it
    ramp           peaks: running.py. A load that runs ahead of it has r times the speed asked for, at most w0
    sudden peak    E = (w0 sqrt(I) + I g a (1 + q) / sqrt(kc))^2 / 2: the speed, and the swing that a ramp before the
                   stop left, at its worst moment. The compressed side takes it up: kc x^2 / 2 = E. The other side
                   gives up what it bears, B, and is empty then: what gravity against the motion needs, and what drives
                   against the outlet's running pressure (po D - tau, where that is more): kc x^2 / 2 + B x - B^2 / (2
                   ko) = E, or (kc + ko) x^2 / 2 = E while ko x < B. The compressed side begins at B + tau
    yield          a relief or counterbalance at the compressed side gives R = D p_set - D' pt. p_set is the lowest at
                   which it opens; the peak goes to the highest (holding.py: back pressure, venting). Net of
                   gravity N = R - tau; where kc x is above it, the joint gives way until its energy is spent:
                   E / N + N / (2 k) in all, E / N of it if the oil were rigid. N <= 0: only the hard stop stops it
    stands         no faster than 0.1 deg/s, beyond what it sinks by as its spool and motor leak, for the first time, or
                   turning back: the end of the way. What then swings to and fro on the oil dies out by damping. The
                   valve's flow is below that after lag ln(w / 0.1 deg/s), w the speed that is cut off or, after a ramp,
                   what the lag left of it, g a lag; an edge takes lag ln(y0 / y*) more

Stiffness is taken both ways: the stiffest oil for the peak and for whether the relief opens, the softest for the way.
The time that a valve takes to shut is counted as way, and not credited against the energy: for a soft spring it is too
short to help, and for a stiff one nobody has shown the spool's last part to be that slow. Friction, which only helps,
is left out; so is what a relief rises above its setting with flow. The other joints are taken as
rigid. A relief at the valve's ports caps no side that a counterbalance or a check valve at the actuator shuts off.

Source: work and energy; the orifice law; the step response of a damped oscillator (any textbook of mechanics); the
balances of holding.py; derived here. tests/unit/replay/test_stiff_within_bounds.py holds them against a model with
pressures as states.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import GRIP
from mapper.machine.arm.envelope import Floats
from mapper.machine.load import along_n_m
from mapper.machine.model import NEGATIVE, POSITIVE
from mapper.machine.oil.holding import held_outlets, opens_at_most_pa, opens_from_pa
from mapper.machine.oil.oil_spring import (
    CAP,
    ROD,
    has_oil,
    outlet_side,
    soft_columns,
    softest_n_m_rad,
    stiff_columns,
    stiffest_modulus_pa,
)
from mapper.machine.oil.pressure import port_cap_pa
from mapper.machine.physics import JointPhysics
from mapper.machine.stop.running import (
    THROWN,
    ahead_at_end,
    between_soft_stops,
    both_peaks,
    edge_pa,
    flutters,
    inertia_kg_m2,
    overshoot,
    ramp_peaks_pa,
    ramp_torque_n_m,
    running_outlet_pa,
    runs_ahead,
    sides_m3_rad,
    start_speed_rad_s,
)
from mapper.profile.profile import MotorDrive

RELEASE, CATEGORY_0, CATEGORY_1 = "release", "category_0", "category_1"
KINDS = (RELEASE, CATEGORY_0, CATEGORY_1)

_TICKS = 3.0
STANDS_RAD_S = math.radians(0.1)
"""A joint below this stands, as in the events of a replay; see `stands` of the module."""
NEARLY_SHUT = 1e-2
"""Share of the rated flow at which a holding brake bites. Common practice, no source."""
_PIECES = 40  # of a ramp
_GAIN_SHARE = 0.98  # the compiled flow may be that much short of the true one


@dataclass(frozen=True, slots=True, kw_only=True)
class StopArrays:
    """One kind of stop of one direction at every load and angle, (k, n); 0 beyond the soft stops, where commanded
    motion does not come. An electric joint has no pressures.
    """

    distance_rad: Floats
    time_s: Floats
    peak_pa: tuple[Floats, Floats]  # cap side, rod side; as high as the reliefs let it
    free_pa: tuple[Floats, Floats]  # the same if there were no reliefs
    yields: Floats  # 1.0 where a relief or counterbalance opens


@dataclass(frozen=True, slots=True, kw_only=True)
class StopBound:
    """The worst over loads and angles: distance where the load's centre goes farthest, peaks wherever they are."""

    distance_rad: float
    distance_tip_m: float
    time_s: float
    peak_cap_pa: float
    peak_rod_pa: float
    q_rad: float
    load_name: str
    yields: bool


def effect_s(physics: JointPhysics) -> float:
    """t: longest time from an event to the end of the drive that was put out before it."""
    controller = physics.profile.controller
    tick = float(controller.tick_s) + float(controller.late_s)
    return float(physics.joint.tolerances.dead_time_s.upper) + _TICKS * tick


def caps_pa(physics: JointPhysics) -> tuple[float, float]:
    """Most that the reliefs at (cap side, rod side) let their side have; infinite where there is none.

    `port_relief_pa` sits at the valve's ports: a counterbalance or a pilot-operated check valve at the actuator, shut
    once the spool centres, lies between it and the oil that is compressed.
    """
    return _reliefs_pa(physics, opens_at_most_pa(physics.joint.holding, float(physics.profile.supply.tank_pa)))


def opens_pa(physics: JointPhysics) -> tuple[float, float]:
    """From where on they may give way: a counterbalance opens earlier where the tank's pressure is not behind it."""
    return _reliefs_pa(physics, opens_from_pa(physics.joint.holding, float(physics.profile.supply.tank_pa)))


def _reliefs_pa(physics: JointPhysics, counterbalance_pa: float | None) -> tuple[float, float]:
    port = port_cap_pa(physics.joint.holding)
    held = held_outlets(physics.joint.holding, physics.model, physics.envelope)
    found = [math.inf, math.inf]
    for direction in (POSITIVE, NEGATIVE):
        one = counterbalance_pa if held[direction] else port
        found[outlet_side(physics.model, direction)] = math.inf if one is None else one
    return found[CAP], found[ROD]


def stop_arrays(physics: JointPhysics, direction: int, kind: str) -> StopArrays:
    """One kind of stop of a motion in a direction (0 positive, 1 negative).

    Raises:
        ValueError: no such kind; or a hydraulic joint without hoses.
    """
    if kind not in KINDS:
        raise ValueError(f"kind of stop is one of {', '.join(KINDS)}, not {kind}")
    way, time, left = _way(physics, direction, kind)
    shape = physics.envelope.inertia_most_kg_m2.shape
    if not has_oil(physics):
        zeros = (np.zeros(shape), np.zeros(shape))
        return StopArrays(
            distance_rad=way,
            time_s=np.full(shape, time),
            peak_pa=zeros,
            free_pa=zeros,
            yields=np.zeros(shape),
        )
    sudden = _sudden(physics, direction, left)
    if kind == CATEGORY_0:
        return _after(physics, sudden, way, time)
    limits, spring = physics.joint.limits, float(physics.joint.tolerances.damping_ratio)
    rate = math.radians(float(limits.stop_deceleration_deg_s2))
    free = ramp_peaks_pa(physics, direction, rate)
    from_pa = opens_pa(physics)
    opens = np.maximum.reduce([(free[side] > from_pa[side]).astype(np.float64) for side in (CAP, ROD)])
    # The load may hang back by a swing when the stop begins and be ahead by one when it ends.
    torque = ramp_torque_n_m(physics, direction, rate) * (1.0 + ahead_at_end(physics, direction, rate))
    swing = torque * (1.0 + overshoot(spring)) / _soft(physics)
    highest = free[outlet_side(physics.model, direction)]
    edge = _shutting_s(physics, direction, highest)  # of what the lag has left when the command is at zero
    swing = swing + _leak_rad(physics, direction, np.minimum(highest, np.max(from_pa)), np.zeros_like(swing))
    ramp = _Sudden(distance_rad=swing, time_s=_swing_s(physics) + edge, free_pa=free, yields=opens)
    if np.any(left > 0.0):
        ramp = _worse(ramp, sudden)
    # A ramp that a relief cannot hold counts as a sudden stop from full speed, after the ramp's whole way.
    at_once = _sudden(physics, direction, start_speed_rad_s(physics, direction))
    ramp = _Sudden(
        distance_rad=np.where(opens > 0.0, swing + at_once.distance_rad, ramp.distance_rad),
        time_s=np.where(opens > 0.0, ramp.time_s + at_once.time_s, ramp.time_s),
        free_pa=ramp.free_pa,
        yields=ramp.yields,
    )
    return _after(physics, ramp, way, time)


def tip_radius_m(physics: JointPhysics) -> Floats:
    """(k, n) of the load's centre from the joint's axis; of a grip joint, that of its own jaws' end or centre."""
    body = physics.joint.body
    radius = physics.envelope.tip_radius_most_m
    if physics.joint.axis != GRIP or body is None:
        return radius
    return np.full(radius.shape, float(max(body.centre_m, body.length_m)))


def stop_bounds(physics: JointPhysics, direction: int, kind: str) -> StopBound:
    """The worst of `stop_arrays`; errors as there."""
    found = stop_arrays(physics, direction, kind)
    envelope = physics.envelope
    tip = found.distance_rad * tip_radius_m(physics)
    at = np.unravel_index(int(np.argmax(np.where(tip > 0.0, tip, found.distance_rad * 1e-9))), tip.shape)
    return StopBound(
        distance_rad=float(found.distance_rad[at]),
        distance_tip_m=float(tip[at]),
        time_s=float(np.max(found.time_s)),
        peak_cap_pa=float(np.max(found.peak_pa[CAP])),
        peak_rod_pa=float(np.max(found.peak_pa[ROD])),
        q_rad=float(envelope.q_rad[at[1]]),
        load_name=envelope.load_names[int(at[0])],
        yields=bool(np.any(found.yields > 0.0)),
    )


def blocked_deflection_rad(energy_j: Floats, stiffness: tuple[Floats, Floats], borne_n_m: Floats) -> Floats:
    """x: how far the compressed side gives way to take up an energy, see `sudden peak` of the module.

    Args:
        stiffness: (kc, ko) of the compressed and of the other side, N m/rad.
        borne_n_m: B >= 0, what the other side bears against the motion and can give up.
    """
    kc, ko = stiffness
    both = np.sqrt(2.0 * energy_j / (kc + ko))
    given = energy_j + borne_n_m**2 / (2.0 * ko)
    single = (-borne_n_m + np.sqrt(borne_n_m**2 + 2.0 * kc * given)) / kc
    return np.asarray(np.where(ko * both <= borne_n_m, both, single))


def yield_distance_rad(energy_j: Floats, net_n_m: Floats, stiffness_n_m_rad: Floats) -> Floats:
    """Way until the energy is spent against a relief that gives `net_n_m` beyond gravity, the oil's own way included;
    infinite where that is not above 0.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        elastic = np.sqrt(2.0 * energy_j / stiffness_n_m_rad)
        given = energy_j / net_n_m + net_n_m / (2.0 * stiffness_n_m_rad)
        opened = stiffness_n_m_rad * elastic > net_n_m
        return np.asarray(np.where(net_n_m <= 0.0, np.inf, np.where(opened, given, elastic)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sudden:
    """What comes after the oil's own way: (k, n)."""

    distance_rad: Floats
    time_s: Floats
    free_pa: tuple[Floats, Floats]
    yields: Floats


def _way(physics: JointPhysics, direction: int, kind: str) -> tuple[Floats, float, Floats]:
    """Way (k, n) and time of the oil column, and the real speed that is cut off at its end."""
    limits, tolerances = physics.joint.limits, physics.joint.tolerances
    speed, lag = start_speed_rad_s(physics, direction), float(tolerances.lag_s.upper)
    late, shape = effect_s(physics), physics.envelope.inertia_most_kg_m2.shape
    way, time = np.full(shape, speed * (late + lag)), late
    if kind == CATEGORY_0:
        return way, time + lag * _lags(speed), np.full(shape, speed)
    asked = math.radians(float(limits.speed_deg_s.positive if direction == POSITIVE else limits.speed_deg_s.negative))
    rate = math.radians(float(limits.stop_deceleration_deg_s2))
    stop = physics.profile.emergency_stop
    relay = stop.delayed_off_relay_s
    deadline = float(stop.release_deadline_s if kind == RELEASE or relay is None else relay)
    whole, gain = asked / rate, physics.model.gain_spread(direction)[1]
    lasts = min(whole, deadline)
    fall = min(_GAIN_SHARE * gain * rate * lasts, speed)
    left = speed * max(0.0, 1.0 - lasts / whole)
    ramp: Floats = np.full(shape, (speed - 0.5 * fall) * lasts)
    over = (np.arange(_PIECES) + 0.5) / _PIECES * (lasts / whole)
    ahead = runs_ahead(physics, direction, rate, over)
    kept = np.mean(np.minimum(ahead * (1.0 - over[:, None, None]), 1.0), axis=0)  # of the speed, on average
    ramp = np.where(np.max(ahead, axis=0) > 1.0, np.maximum(ramp, speed * lasts * kept), ramp)
    most = np.minimum(left * runs_ahead(physics, direction, rate, lasts / whole), speed)
    lags = _lags(min(float(np.max(most)) + gain * rate * lag, speed))
    return way + ramp, time + lasts + lag * lags, most


def _lags(speed_rad_s: float) -> float:
    """Lags until the flow of that speed is one at which a joint stands."""
    return math.log(max(speed_rad_s / STANDS_RAD_S, 1.0))


def _soft(physics: JointPhysics) -> Floats:
    """Least stiffness (k, n), a little above 0 so that a joint without any has a huge way and no error."""
    return np.maximum(softest_n_m_rad(physics), 1e-6)


def _swing_s(physics: JointPhysics) -> Floats:
    """Half a swing of the slowest spring, (k, n)."""
    return np.asarray(math.pi * np.sqrt(physics.envelope.inertia_most_kg_m2 / _soft(physics)))


def _sudden(physics: JointPhysics, direction: int, speed_rad_s: npt.ArrayLike) -> _Sudden:
    """The spool shuts on a joint at that real speed."""
    speed = np.asarray(speed_rad_s, dtype=np.float64)
    envelope, model = physics.envelope, physics.model
    side = outlet_side(model, direction)
    columns, inertia = stiff_columns(physics), envelope.inertia_most_kg_m2
    stiff = columns.stiffness_n_m_rad(stiffest_modulus_pa(physics))
    kc, ko = stiff[side], stiff[1 - side]
    soft = _soft(physics)
    thrown = np.where(flutters(physics, direction), THROWN, 1.0)
    energy_stiff = _energy_j(physics, direction, thrown * speed, (kc, inertia_kg_m2(physics)))
    along = along_n_m(envelope, direction)
    running = running_outlet_pa(physics, direction, along)
    borne = np.maximum(np.maximum(-along, 0.0), columns.displacement_m3_rad[side] * running - along)
    push = kc * blocked_deflection_rad(energy_stiff, (kc, ko), borne)
    swing = overshoot(float(physics.joint.tolerances.damping_ratio))
    free = both_peaks(physics, direction, push + borne, swing * (push + borne))
    from_pa = opens_pa(physics)[side]
    opens = (free[side] > from_pa).astype(np.float64)
    tank = float(physics.profile.supply.tank_pa)
    relief = columns.displacement_m3_rad[side] * from_pa - columns.displacement_m3_rad[1 - side] * tank
    softer = np.minimum(
        soft, soft_columns(physics).stiffness_n_m_rad(float(physics.profile.supply.bulk_modulus_pa))[side]
    )
    highest = np.minimum(free[side], caps_pa(physics)[side])
    shut = _shutting_s(physics, direction, highest)
    energy = _energy_j(physics, direction, speed, (softer, inertia))
    edge_rad = np.where(shut > 0.0, speed * float(physics.joint.tolerances.lag_s.upper), 0.0)
    energy = energy + np.maximum(along, 0.0) * edge_rad
    distance = yield_distance_rad(energy, relief - along, softer)
    with np.errstate(divide="ignore", invalid="ignore"):
        slide = np.where(opens > 0.0, np.sqrt(2.0 * energy * inertia) / (relief - along), 0.0)
    hanging = ramp_torque_n_m(physics, direction, _ramp_rad_s2(physics)) * (1.0 + swing) / soft
    leak = _leak_rad(physics, direction, highest, np.where(np.isfinite(slide), slide, 0.0))
    return _Sudden(
        distance_rad=np.asarray(distance + hanging + speed * shut + leak),
        time_s=np.asarray(np.where(slide < 0.0, np.inf, slide) + 0.5 * _swing_s(physics) + shut),
        free_pa=free,
        yields=opens,
    )


def _shutting_s(physics: JointPhysics, direction: int, peak_pa: Floats) -> Floats:
    """lag ln(y0 / y*) of the module, (k, n): until the edge is so narrow that the highest pressure no longer drives
    the full speed through. 0 where a seat valve holds that port.
    """
    joint, model = physics.joint, physics.model
    if held_outlets(joint.holding, model, physics.envelope)[direction]:
        return np.zeros_like(peak_pa)
    over_edge = np.maximum(peak_pa - float(physics.profile.supply.tank_pa), 0.0) / edge_pa(physics, direction)
    return np.asarray(0.5 * float(joint.tolerances.lag_s.upper) * np.log(np.maximum(over_edge, 1.0)))


def _leak_rad(physics: JointPhysics, direction: int, peak_pa: Floats, slide_s: Floats) -> Floats:
    """Way (k, n) that a motor's leak adds at the highest pressure until its brake bites; 0 of a cylinder."""
    drive, joint = physics.joint.drive, physics.joint
    if not isinstance(drive, MotorDrive):
        return np.zeros_like(peak_pa)
    rated = float(drive.rated_pressure_pa or physics.profile.supply.relief_pa)
    volume = sides_m3_rad(physics, direction)[0]
    flow = float(joint.valve.rated_flow_m3_s)
    opening = start_speed_rad_s(physics, direction) * volume / flow
    biting = float(joint.tolerances.lag_s.upper) * np.log(np.maximum(opening / NEARLY_SHUT, 1.0))
    leak = (1.0 - float(drive.volumetric_efficiency)) * flow / rated * peak_pa / volume
    return np.asarray(leak * (biting + np.maximum(slide_s, 0.0)))


def _ramp_rad_s2(physics: JointPhysics) -> float:
    """The steepest ordinary ramp."""
    limits = physics.joint.limits
    rates = (limits.acceleration_deg_s2, limits.deceleration_deg_s2, limits.stop_deceleration_deg_s2)
    return math.radians(float(max(rates)))


def _energy_j(physics: JointPhysics, direction: int, speed_rad_s: Floats, spring: tuple[Floats, Floats]) -> Floats:
    """E of the module, (k, n); `spring`: stiffness, and inertia on it."""
    stiffness, inertia = spring
    swing = 1.0 + overshoot(float(physics.joint.tolerances.damping_ratio))
    before = ramp_torque_n_m(physics, direction, _ramp_rad_s2(physics)) * swing / np.sqrt(stiffness)
    return np.asarray(0.5 * (speed_rad_s * np.sqrt(inertia) + before) ** 2)


def _worse(first: _Sudden, second: _Sudden) -> _Sudden:
    return _Sudden(
        distance_rad=np.maximum(first.distance_rad, second.distance_rad),
        time_s=np.maximum(first.time_s, second.time_s),
        free_pa=(
            np.maximum(first.free_pa[CAP], second.free_pa[CAP]),
            np.maximum(first.free_pa[ROD], second.free_pa[ROD]),
        ),
        yields=np.maximum(first.yields, second.yields),
    )


def _after(physics: JointPhysics, swing: _Sudden, way_rad: Floats, time_s: float) -> StopArrays:
    """The oil's way and then the swing; never farther than to the hard stop (a continuous joint: once round)."""
    caps, hard, here = caps_pa(physics), physics.model.hard_stops_rad, between_soft_stops(physics)
    travel = 2.0 * math.pi if hard is None else hard[1] - hard[0]
    free = (np.where(here, swing.free_pa[CAP], 0.0), np.where(here, swing.free_pa[ROD], 0.0))
    return StopArrays(
        distance_rad=np.where(here, np.minimum(way_rad + swing.distance_rad, travel), 0.0),
        time_s=np.where(here, time_s + swing.time_s, 0.0),
        peak_pa=(np.minimum(free[CAP], caps[CAP]), np.minimum(free[ROD], caps[ROD])),
        free_pa=free,
        yields=np.where(here, swing.yields, 0.0),
    )
