"""The joints and hydraulics behind the valves, under load: the readable definition.

`plant.c` beside this file does the same operations in the same order and agrees with it to the last bit; it is what
long replays run. `parameters.py` derives the numbers and names the sources. The order of one tick, for every joint:

1. drive (1/10000, with the valve's polarity) to spool position: play of half the hysteresis each way; a drive of
   exactly zero switches the output off and the springs centre the spool;
2. spool to share of rated flow by the measured curve, nothing below the crack point, ends held;
3. dead time, in whole ticks; 4. first-order lag, exact for a drive that stands still over the tick;
   a valve whose remaining opening is below a billionth is shut; times the gain of the direction and corner;
5. torque of gravity about every joint at the present pose of all of them, level ground;
6. inlet pressure that steady motion needs: torque over lever arm (law of cosines), area and efficiency, plus what tank
   line, outlet edge and counterbalance valve put against it;
7. pump pressure: load sensing, the highest need of the open valves plus the margin, at most the relief pressure; a
   fixed pump, the relief pressure;
8. flow: both metering edges in series, by the root of the pressure that load and counterbalance valve leave; a
   compensated section gives no more than its curve says. Nothing left: the joint stalls, and does not run back;
9. where the flows together exceed the pump's, all are scaled by one factor;
10. a load that pulls, with no counterbalance valve at the port that oil leaves by, goes as fast as the outlet edge lets
    it where that is faster: the inlet then stands empty, whether a compensator meters into it or not;
11. joint speed from the flow; position, held by the hard stops, or turning for ever.
An electric joint moves as its amplifier says while its torque suffices, and stalls above.

What this model leaves out. Time: masses and the oil spring do not swing, nothing accelerates against inertia, pump and
compensators answer at once, and when the enable output drops a valve still closes over its own lag. Loads: the work's
own torque (`joint.work`), ground contact, tilt (a swing weighs nothing), the jaws' own weight; the load is carried from
the first tick to the last. Leakage: a joint with its valve shut stands, whatever holds it, also where the profile names
nothing that does, and where its load is above the setting of what holds it. Losses: hoses; the efficiency is the same
at every pressure and speed. A pilot check and a brake do not meter: what they hold runs free while it moves with
gravity, and neither the pilot pressure nor the chatter of a pilot check is here. A motor's leakage does not grow with
its pressure. An overrunning electric joint is braked whatever its torque. A joint on its hard stop asks for flow as if
it moved. A pump that runs short of flow keeps its pressure here. An anti-cavitation valve fills an empty inlet, which
stays at 0 bar: its own drop takes what the tank line has.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from mapper.replay.parameters import (
    CORNERS,
    CYLINDER,
    DELAY_MAX,
    ELECTRIC,
    MOTOR,
    NEGATIVE,
    NO_LOAD,
    PITCHES,
    POINTS_MAX,
    POSITIVE,
    ROLLS,
    YAWS,
    PlantJoint,
    PlantLink,
    PlantParameters,
    ShareCurve,
    TrackCurve,
    Way,
    heaviest_load,
    plant_parameters,
)

__all__ = [
    "CORNERS",
    "CYLINDER",
    "DELAY_MAX",
    "ELECTRIC",
    "MOTOR",
    "NEGATIVE",
    "NO_LOAD",
    "PITCHES",
    "POINTS_MAX",
    "POSITIVE",
    "ROLLS",
    "YAWS",
    "Plant",
    "PlantJoint",
    "PlantLink",
    "PlantParameters",
    "ShareCurve",
    "TrackCurve",
    "Way",
    "count_at",
    "heaviest_load",
    "plant_parameters",
    "share_at",
]

LEVER_LEAST_M = 0.001
CLOSED = 1e-9  # share of rated flow below which a valve on its way to zero is shut
DEG = 180.0 / math.pi


@dataclass(slots=True)
class _JointState:
    position: float
    delay: list[float]
    spool: float = 0.0
    lag: float = 0.0
    delay_at: int = 0
    # of the position at which they were last worked out: a joint that stands needs no new ones
    angle: float = 0.0
    cosine: float = 1.0
    sine: float = 0.0


@dataclass(slots=True)
class _Demand:
    """What one joint wants of the pump in this tick."""

    share: float = 0.0  # signed flow asked for over the rated flow; 0: shut
    way: Way | None = None  # None: shut
    inverse_lever: float = 1.0  # 1/m; 1 for a rotary drive
    base_pa: float = 0.0  # inlet pressure at no flow
    counter_pa: float = 0.0  # inlet pressure that opens the counterbalance valve
    need_pa: float = 0.0  # inlet pressure at the flow asked for
    left: float = 1.0  # drop of the inlet edge over its drop at the flow asked for
    flow: float = 0.0
    free_flow: float = 0.0  # inlet flow that would match an outlet emptied by the load itself
    factor: float = 1.0  # speed over what the opening gives at the rated drop
    inlet_pa: float = 0.0


class Plant:
    """The plant in motion. Not thread-safe; one object a run.

    After a step: `inlet_pa` is the pressure at the inlet of each open valve (at 0 flow, above the pump's, where the
    joint stalls; 0 where the valve is shut or the joint electric), `factor` the speed of each joint, before the pump's
    flow is shared, over what its opening gives at the rated drop: 1 as the curve says, 0 stalled.

    Args:
        start_rad: position of each joint at the start; beyond the hard stops it is put onto them.
    """

    def __init__(self, parameters: PlantParameters, start_rad: Sequence[float]) -> None:
        if len(start_rad) != len(parameters.joints):
            raise ValueError(f"{len(start_rad)} start positions for {len(parameters.joints)} joints")
        self.parameters = parameters
        self._states = [
            _JointState(position=_moved(joint, float(start)), delay=[0.0] * joint.dead_ticks)
            for joint, start in zip(parameters.joints, start_rad, strict=True)
        ]
        self.speed_rad_s = [0.0] * len(start_rad)
        self.flow_m3_s = [0.0] * len(start_rad)
        self.inlet_pa = [0.0] * len(start_rad)
        self.factor = [1.0] * len(start_rad)
        self.flow_asked_m3_s = 0.0
        self.pump_factor = 1.0
        self.pump_pa = 0.0

    @property
    def position_rad(self) -> tuple[float, ...]:
        """Where each joint really is (the sensors round it to counts)."""
        return tuple(state.position for state in self._states)

    def counts(self) -> dict[int, int]:
        """What the position sensors read now: analog input index to raw counts, every track of every joint."""
        return {
            track.input_index: count_at(track, state.position)
            for joint, state in zip(self.parameters.joints, self._states, strict=True)
            for track in joint.tracks
        }

    def gravity_n_m(self) -> list[float]:
        """Torque that gravity exerts about each joint in its positive direction, at the present pose."""
        joints, states, links = self.parameters.joints, self._states, self.parameters.links
        x, y, z = 0.0, 0.0, -1.0  # gravity's direction in the frame of the link at hand
        down: list[tuple[float, float, float]] = []
        for link in links:
            state = states[link.joint_index]
            _turn(state)
            cosine, sine = state.cosine, state.sine
            if link.axis == PITCHES:
                x, z = cosine * x + sine * z, cosine * z - sine * x
            elif link.axis == ROLLS:
                y, z = cosine * y + sine * z, cosine * z - sine * y
            else:
                x, y = cosine * x + sine * y, cosine * y - sine * x
            down.append((x, y, z))
        torques = [0.0] * len(joints)
        along = left = up = 0.0  # what the link at hand carries, in the frame of the link before
        for number in range(len(links) - 1, -1, -1):
            link, (x, y, z) = links[number], down[number]
            state = states[link.joint_index]
            cosine, sine = state.cosine, state.sine
            along, up = link.along_n_m + along, link.up_n_m + up
            if link.axis == PITCHES:
                torque = along * z - up * x
                along, up = cosine * along - sine * up, sine * along + cosine * up
            elif link.axis == ROLLS:
                torque = left * z - up * y
                left, up = cosine * left - sine * up, sine * left + cosine * up
            else:
                torque = along * y - left * x
                along, left = cosine * along - sine * left, sine * along + cosine * left
            torques[link.joint_index] = torque if joints[link.joint_index].weighed else 0.0
        return torques

    def step(self, drives_e4: Sequence[int]) -> dict[int, int]:
        """One tick with these valve drives, one a joint in the profile's order; returns the counts after it."""
        parameters, joints = self.parameters, self.parameters.joints
        torques = self.gravity_n_m()
        demands: list[_Demand] = []
        highest = 0.0
        for joint, state, drive, torque in zip(joints, self._states, drives_e4, torques, strict=True):
            demand = _demand(joint, state, int(drive), torque)
            if demand.need_pa > highest:
                highest = demand.need_pa
            demands.append(demand)
        pump = parameters.relief_pa
        if parameters.load_sensing and highest + parameters.margin_pa < parameters.relief_pa:
            pump = highest + parameters.margin_pa
        asked = 0.0
        for joint, demand in zip(joints, demands, strict=True):
            if joint.kind != ELECTRIC and demand.way is not None:
                _meter(joint, demand, demand.way, pump)
                asked = asked + abs(demand.flow)
        factor = 1.0
        if asked > parameters.pump_flow_m3_s:
            factor = parameters.pump_flow_m3_s / asked
        self.flow_asked_m3_s, self.pump_factor, self.pump_pa = asked, factor, pump
        for index, (joint, state, demand) in enumerate(zip(joints, self._states, demands, strict=True)):
            before, speed = state.position, 0.0
            if demand.way is not None:
                speed = _shared_speed(joint, demand, demand.way, factor)
                state.position = _moved(joint, before + parameters.tick_s * speed)
            if not joint.continuous and state.position == before:
                speed = 0.0  # against a hard stop, or standing
            self.speed_rad_s[index], self.flow_m3_s[index] = speed, demand.flow
            self.inlet_pa[index], self.factor[index] = demand.inlet_pa, demand.factor
        return self.counts()


def count_at(track: TrackCurve, value: float) -> int:
    """Counts that a track reads at a joint angle in rad, rounded to the nearest."""
    last = len(track.value) - 1
    count = track.count[0]
    if value >= track.value[last]:
        count = track.count[last]
    elif value > track.value[0]:
        index = 0
        while value >= track.value[index + 1]:
            index += 1
        count = track.count[index] + (value - track.value[index]) * track.slope[index]
    return int(count + 0.5)


def share_at(curve: ShareCurve, x: float) -> float:
    """Share of rated flow at a spool position (share of full drive, >= 0)."""
    if x <= curve.x[0]:
        return curve.y[0]
    if x >= curve.x[-1]:
        return curve.y[-1]
    index = 0
    while x >= curve.x[index + 1]:
        index += 1
    return curve.y[index] + (x - curve.x[index]) * curve.slope[index]


def _valve_share(joint: PlantJoint, state: _JointState, drive_e4: int) -> float:
    drive = float(drive_e4 * joint.polarity) / 10000.0
    if drive_e4 == 0:
        state.spool = 0.0
    elif drive - joint.play > state.spool:
        state.spool = drive - joint.play
    elif drive + joint.play < state.spool:
        state.spool = drive + joint.play
    share = 0.0
    if state.spool > 0.0:
        share = share_at(joint.side[POSITIVE], state.spool)
    elif state.spool < 0.0:
        share = -share_at(joint.side[NEGATIVE], -state.spool)
    if joint.dead_ticks > 0:
        now = share
        share = state.delay[state.delay_at]
        state.delay[state.delay_at] = now
        state.delay_at = 0 if state.delay_at + 1 == joint.dead_ticks else state.delay_at + 1
    state.lag = state.lag + joint.alpha * (share - state.lag)
    if share == 0.0 and -CLOSED < state.lag < CLOSED:
        state.lag = 0.0
    return state.lag * (joint.gain[POSITIVE] if state.lag > 0.0 else joint.gain[NEGATIVE])


def _demand(joint: PlantJoint, state: _JointState, drive_e4: int, torque: float) -> _Demand:
    """`torque`: of gravity in the joint's positive direction, N m."""
    share = _valve_share(joint, state, drive_e4)
    demand = _Demand(share=share)
    if share == 0.0:
        return demand
    way = joint.way[POSITIVE] if share > 0.0 else joint.way[NEGATIVE]
    against = -torque if share > 0.0 else torque
    demand.way = way
    if joint.kind == ELECTRIC:
        demand.factor = 0.0 if against > joint.torque_n_m else 1.0
        return demand
    if joint.kind == CYLINDER:
        demand.inverse_lever = _inverse_lever(joint, state)
    load = against * demand.inverse_lever * (way.driving if against > 0.0 else way.overrunning)
    demand.base_pa = load + way.back_pa
    demand.need_pa = demand.base_pa + way.need_pa
    if way.holds:
        demand.counter_pa = way.counter_pa + load * way.counter_share
        if demand.counter_pa + way.counter_need_pa > demand.need_pa:
            demand.need_pa = demand.counter_pa + way.counter_need_pa
    return demand


def _turn(state: _JointState) -> None:
    if state.position != state.angle:
        state.angle, state.cosine, state.sine = state.position, math.cos(state.position), math.sin(state.position)


def _inverse_lever(joint: PlantJoint, state: _JointState) -> float:
    """1 / lever arm of the cylinder, in 1/m.

    Source: law of cosines, L^2 = a^2 + b^2 - 2 a b cos(angle); lever arm dL/dq = a b sin(angle) / L; the angle is the
    included one at 0 plus or minus the joint's, by the sums' theorem.
    """
    _turn(state)
    turned = joint.sense * state.sine
    cosine = joint.included_cosine * state.cosine - joint.included_sine * turned
    length = math.sqrt(joint.pivot_squares_m2 - 2.0 * joint.pivot_product_m2 * cosine)
    # The included angle lies between 0 and 180 deg, so its sine is not negative.
    product = joint.pivot_product_m2 * (joint.included_sine * state.cosine + joint.included_cosine * turned)
    if product < LEVER_LEAST_M * length:
        product = LEVER_LEAST_M * length  # at dead centre; the profile's travel keeps away from it
    return length / product


def _meter(joint: PlantJoint, demand: _Demand, way: Way, pump_pa: float) -> None:
    """Flow of an open hydraulic section at this pump pressure; the equations are in parameters.py."""
    left = (pump_pa - demand.base_pa) * way.both_per_pa
    if way.holds and (pump_pa - demand.counter_pa) * way.counter_per_pa < left:
        left = (pump_pa - demand.counter_pa) * way.counter_per_pa
    if pump_pa * way.edge_per_pa < left:
        left = pump_pa * way.edge_per_pa
    root = 1.0
    if left <= 0.0:
        left, root = 0.0, 0.0
    elif joint.compensated and left >= 1.0:
        left = 1.0
    else:
        root = math.sqrt(left)
    demand.left, demand.factor = left, root
    demand.flow = demand.share * joint.full_flow_m3_s * root
    if demand.base_pa < 0.0 and not way.holds:
        demand.free_flow = demand.share * joint.full_flow_m3_s * math.sqrt(-demand.base_pa * way.ahead_per_pa)


def _shared_speed(joint: PlantJoint, demand: _Demand, way: Way, factor: float) -> float:
    """Joint speed in rad/s once the pump's flow is shared; leaves flow, inlet pressure and pressure factor behind."""
    moving = demand.share * demand.factor
    if joint.kind != ELECTRIC:
        part = factor * factor * demand.left
        demand.flow = demand.flow * factor
        demand.inlet_pa = demand.base_pa + way.out_pa * part
        if way.holds and demand.counter_pa + way.counter_out_pa * part > demand.inlet_pa:
            demand.inlet_pa = demand.counter_pa + way.counter_out_pa * part
        if demand.inlet_pa < 0.0:
            demand.inlet_pa = 0.0
        moving = demand.flow
        if abs(demand.free_flow) > abs(moving):
            moving = demand.free_flow
            demand.factor = moving / (demand.share * joint.full_flow_m3_s * factor)
    return moving * way.speed_scale * demand.inverse_lever


def _moved(joint: PlantJoint, position: float) -> float:
    if joint.continuous:
        if position >= math.pi:
            position = position - 2.0 * math.pi
        elif position < -math.pi:
            position = position + 2.0 * math.pi
        return position
    return min(max(position, joint.lower_rad), joint.upper_rad)
