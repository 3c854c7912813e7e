"""The joints and hydraulics behind the valves: the readable definition.

`plant.c` beside this file does the same operations in the same order and agrees with it to the last bit; it is what
long replays run. The order of one tick, for every joint:

1. drive (1/10000, with the valve's polarity) to spool position: play of half the hysteresis each way; a drive of
   exactly zero switches the output off and the springs centre the spool;
2. spool to share of rated flow by the measured curve, nothing below the crack point, ends held;
3. dead time, in whole ticks; 4. first-order lag, exact for a drive that stands still over the tick;
   a valve whose remaining opening is below a billionth is shut;
5. gain of the direction, times the rated flow;
6. where the flows together exceed the pump's, all are scaled by one factor;
7. joint speed from the flow: cylinder area of the direction and the lever arm at the pose (law of cosines), motor or
   electric actuator by a constant; 8. position, held by the hard stops, or turning for ever.

What this model leaves out: load and pressure (gravity, relief, oil spring, load holding), the pump's own delay, and
what the dump of a stop does to a load: when the enable output drops, a valve still closes over its own lag here. A
`gain` of the direction stands where the load dependence will come in (step 5).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from mapper.machine import joint_model
from mapper.profile.profile import CylinderDrive, Joint, MotorDrive, Profile, Sensor, ValveSide

CORNERS = ("nominal", "fast", "slow")
CYLINDER, MOTOR, ELECTRIC = 0, 1, 2
POSITIVE, NEGATIVE = 0, 1
DELAY_MAX = 256
POINTS_MAX = 12
LEVER_LEAST_M = 0.001
CLOSED = 1e-9  # share of rated flow below which a valve on its way to zero is shut
DEG = 180.0 / math.pi


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackCurve:
    """Inverse calibration of one position track: joint angle (rad, rising) to counts, linear between, ends held."""

    input_index: int
    value: tuple[float, ...]
    count: tuple[float, ...]
    slope: tuple[float, ...]  # counts per rad of each segment; one fewer than points


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareCurve:
    """Spool position to share of rated flow, both 0..1, x rising."""

    x: tuple[float, ...]
    y: tuple[float, ...]
    slope: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantJoint:
    """One joint in SI units and radians. Pairs are (positive, negative) direction."""

    name: str
    kind: int
    continuous: bool
    polarity: int
    dead_ticks: int
    side: tuple[ShareCurve, ShareCurve]
    play: float  # half the hysteresis, share of drive
    alpha: float  # 1 - exp(-tick / lag)
    gain: tuple[float, float]
    full_flow_m3_s: float  # 0 for an electric joint
    pivot_product_m2: float  # a b of the cylinder's two radii
    pivot_squares_m2: float  # a^2 + b^2
    included_rad: float
    sense: float  # +1 where the included angle opens with the joint angle, else -1
    area_m2: tuple[float, float]  # cylinder area that the flow fills
    speed_scale: float  # motor: rad of joint per m3; electric: rad/s at full drive
    lower_rad: float
    upper_rad: float
    tracks: tuple[TrackCurve, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantParameters:
    """The whole machine at one corner of its tolerances."""

    corner: str
    tick_s: float
    pump_flow_m3_s: float
    joints: tuple[PlantJoint, ...]


@dataclass(slots=True)
class _JointState:
    position: float
    delay: list[float]
    spool: float = 0.0
    lag: float = 0.0
    delay_at: int = 0


def plant_parameters(profile: Profile, corner: str = "nominal") -> PlantParameters:
    """The plant of a profile at a corner of its tolerances.

    Args:
        corner: "nominal": lag and dead time in the middle of their ranges, gain 1; "fast": shortest lag and dead time
            (rounded down to ticks), highest gain; "slow": longest (rounded up), lowest gain.
    Raises:
        ValueError: an unknown corner, or a dead time of more than 256 ticks.
    """
    if corner not in CORNERS:
        raise ValueError(f"corner {corner!r}; allowed are {', '.join(CORNERS)}")
    return PlantParameters(
        corner=corner,
        tick_s=float(profile.controller.tick_s),
        pump_flow_m3_s=float(profile.supply.flow_m3_s),
        joints=tuple(_plant_joint(profile, joint, corner) for joint in profile.joints),
    )


class Plant:
    """The plant in motion. Not thread-safe; one object a run.

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
        self.flow_asked_m3_s = 0.0
        self.pump_factor = 1.0

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

    def step(self, drives_e4: Sequence[int]) -> dict[int, int]:
        """One tick with these valve drives, one a joint in the profile's order; returns the counts after it."""
        joints = self.parameters.joints
        flows: list[float] = []
        asked = 0.0
        for joint, state, drive in zip(joints, self._states, drives_e4, strict=True):
            flow = _valve_share(joint, state, int(drive))
            if joint.kind != ELECTRIC:
                flow = flow * joint.full_flow_m3_s
                asked = asked + abs(flow)
            flows.append(flow)
        factor = 1.0
        if asked > self.parameters.pump_flow_m3_s:
            factor = self.parameters.pump_flow_m3_s / asked
        self.flow_asked_m3_s, self.pump_factor = asked, factor
        for index, (joint, state) in enumerate(zip(joints, self._states, strict=True)):
            flow = flows[index]
            if joint.kind != ELECTRIC:
                flow = flow * factor
            before = state.position
            speed = _joint_speed(joint, before, flow)
            state.position = _moved(joint, before + self.parameters.tick_s * speed)
            if not joint.continuous and state.position == before:
                speed = 0.0  # against a hard stop, or standing
            self.speed_rad_s[index] = speed
            self.flow_m3_s[index] = flow if joint.kind != ELECTRIC else 0.0
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


def _joint_speed(joint: PlantJoint, position: float, flow: float) -> float:
    """Joint speed in rad/s for a signed flow in m3/s (electric: a signed share of full speed).

    Source: law of cosines, L^2 = a^2 + b^2 - 2 a b cos(angle); lever arm dL/dq = a b sin(angle) / L;
    speed = flow / (area x lever arm).
    """
    if flow == 0.0 or joint.kind != CYLINDER:
        return flow * joint.speed_scale
    cosine = math.cos(joint.included_rad + joint.sense * position)
    length = math.sqrt(joint.pivot_squares_m2 - 2.0 * joint.pivot_product_m2 * cosine)
    # The included angle lies between 0 and 180 deg, so its sine is not negative.
    product = joint.pivot_product_m2 * math.sqrt(1.0 - cosine * cosine)
    if product < LEVER_LEAST_M * length:
        product = LEVER_LEAST_M * length  # at dead centre; the profile's travel keeps away from it
    return flow * length / (joint.area_m2[POSITIVE if flow > 0.0 else NEGATIVE] * product)


def _moved(joint: PlantJoint, position: float) -> float:
    if joint.continuous:
        if position >= math.pi:
            position = position - 2.0 * math.pi
        elif position < -math.pi:
            position = position + 2.0 * math.pi
        return position
    return min(max(position, joint.lower_rad), joint.upper_rad)


def _plant_joint(profile: Profile, joint: Joint, corner: str) -> PlantJoint:
    drive, tolerances, model = joint.drive, joint.tolerances, joint_model(profile, joint)
    tick_s = float(profile.controller.tick_s)
    lag_s = _corner_value(float(tolerances.lag_s.lower), float(tolerances.lag_s.upper), corner)
    dead = _corner_value(float(tolerances.dead_time_s.lower), float(tolerances.dead_time_s.upper), corner) / tick_s
    dead_ticks = {"fast": math.floor(dead + 1e-9), "slow": math.ceil(dead - 1e-9)}.get(corner, math.floor(dead + 0.5))
    if dead_ticks > DELAY_MAX:
        raise ValueError(f"{joint.name}: a dead time of {dead_ticks} ticks; at most {DELAY_MAX}")
    spreads = (model.gain_spread(POSITIVE), model.gain_spread(NEGATIVE))
    gain = {
        "nominal": (1.0, 1.0),
        "fast": (float(spreads[0][1]), float(spreads[1][1])),
        "slow": (float(spreads[0][0]), float(spreads[1][0])),
    }[corner]
    kind, product, squares, included, sense, area, scale = ELECTRIC, 0.0, 0.0, 0.0, 1.0, (1.0, 1.0), 0.0
    if isinstance(drive, CylinderDrive):
        kind, base, rod = CYLINDER, float(drive.base_radius_m), float(drive.rod_radius_m)
        product, squares = base * rod, base * base + rod * rod
        included = math.radians(float(drive.included_at_zero_deg))
        sense = 1.0 if drive.extends_positive else -1.0
        cap = math.pi / 4.0 * float(drive.bore_m) ** 2
        ring = math.pi / 4.0 * (float(drive.bore_m) ** 2 - float(drive.rod_m) ** 2)
        area = (cap, ring) if drive.extends_positive else (ring, cap)
    elif isinstance(drive, MotorDrive):
        kind = MOTOR
        per_turn = float(drive.displacement_m3_rev) * float(drive.gear_ratio)
        scale = 2.0 * math.pi * float(drive.volumetric_efficiency) / per_turn
    else:
        scale = math.radians(float(drive.speed_deg_s))
    hard = joint.limits.hard_stops_deg
    return PlantJoint(
        name=joint.name,
        kind=kind,
        continuous=joint.continuous,
        polarity=-1 if joint.valve.reversed else 1,
        dead_ticks=dead_ticks,
        side=(_share_curve(joint.valve.positive), _share_curve(joint.valve.negative)),
        play=float(tolerances.hysteresis) / 2.0,
        alpha=1.0 - math.exp(-tick_s / lag_s) if lag_s > 0.0 else 1.0,
        gain=gain,
        full_flow_m3_s=0.0 if kind == ELECTRIC else float(joint.valve.rated_flow_m3_s),
        pivot_product_m2=product,
        pivot_squares_m2=squares,
        included_rad=included,
        sense=sense,
        area_m2=area,
        speed_scale=scale,
        lower_rad=math.radians(float(hard.lower)) if hard is not None else -math.pi,
        upper_rad=math.radians(float(hard.upper)) if hard is not None else math.pi,
        tracks=_track_curves(joint.position),
    )


def _corner_value(lower: float, upper: float, corner: str) -> float:
    return {"fast": lower, "slow": upper}.get(corner, 0.5 * (lower + upper))


def _share_curve(side: ValveSide) -> ShareCurve:
    x = tuple(float(at) for at, _ in side.points)
    y = tuple(float(share) for _, share in side.points)
    if len(x) > POINTS_MAX:
        raise ValueError(f"a valve curve of {len(x)} points; at most {POINTS_MAX}")
    return ShareCurve(x=x, y=y, slope=_slopes(x, y))


def _track_curves(sensor: Sensor) -> tuple[TrackCurve, ...]:
    curves = []
    for track in sensor.tracks:
        points = sorted((math.radians(float(value)), float(count)) for count, value in track.points)
        if len(points) > POINTS_MAX:
            raise ValueError(f"a calibration of {len(points)} points; at most {POINTS_MAX}")
        value, count = tuple(at for at, _ in points), tuple(at for _, at in points)
        curves.append(TrackCurve(input_index=track.input_index, value=value, count=count, slope=_slopes(value, count)))
    return tuple(curves)


def _slopes(x: tuple[float, ...], y: tuple[float, ...]) -> tuple[float, ...]:
    return tuple((y[i + 1] - y[i]) / (x[i + 1] - x[i]) for i in range(len(x) - 1))
