"""The profile: what the file says, as exact rational numbers with their unit in the name.

Every quantity is a `fractions.Fraction` in the unit that ends its name (angles in degrees, all else SI), so that two
PCs compile the same table from the same file. The machine model turns them into floats and radians, the compiler into
integers.
A `Profile` object is well-formed: the reader has checked the schema, the ranges and the cross references.
Angles and speeds of a joint are in the joint's own frame; "positive" is the direction in which the joint angle grows.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoWay:
    """One value for the positive and one for the negative direction of a joint."""

    positive: Fraction
    negative: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Range:
    lower: Fraction
    upper: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One sensor track: counts against value (deg, or share of full lever -1..1 for the operator of a speed joint)."""

    input_name: str
    input_index: int
    points: tuple[tuple[int, Fraction], ...]
    count_min: int
    count_max: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    tracks: tuple[Track, ...]  # one or two
    disagreement: Fraction | None  # deg or share; None with one track
    fault_time_s: Fraction
    rate_max: Fraction  # deg/s or share/s: faster is not believed
    error_deg: Fraction  # position sensors: largest error of the reading; 0 for operators


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatorInput:
    sensor: Sensor
    filter_hz: Fraction
    speed_filter_hz: Fraction
    deadband_share: Fraction  # speed control only, else 0
    response: tuple[tuple[Fraction, Fraction], ...]  # operator deg -> joint deg, or share -> share


@dataclass(frozen=True, slots=True, kw_only=True)
class Follow:
    gain_per_s: Fraction
    feed_forward: Fraction
    error_deadband_deg: Fraction
    speed_deadband_deg_s: Fraction
    match_window_deg: Fraction
    gap_deg: Fraction | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderDrive:
    """A cylinder across the joint: base pivot at `base_radius`, rod pivot at `rod_radius` from the joint's pivot.

    The included angle between the two radii is `included_at_zero_deg` at joint angle 0; it opens with the joint angle
    when `extends_positive`, else it closes, so that extending the cylinder moves the joint in the named direction.
    """

    base_radius_m: Fraction
    rod_radius_m: Fraction
    included_at_zero_deg: Fraction
    extends_positive: bool
    bore_m: Fraction
    rod_m: Fraction
    stroke_m: Fraction
    closed_length_m: Fraction
    cushion_m: Fraction
    efficiency: Fraction
    mark: str | None = None  # as painted on it and drawn in the circuit; no two joints have the same
    rated_pressure_pa: Fraction | None = None  # of the barrel, gauge
    end_factor: Fraction = Fraction(1)  # effective column length over pin-to-pin length; 1: pinned at both ends
    buckling_factor: Fraction = Fraction(7, 2)  # buckling load over largest push, at least
    rod_yield_pa: Fraction = Fraction(350_000_000)  # yield strength of the rod's steel


@dataclass(frozen=True, slots=True, kw_only=True)
class MotorDrive:
    displacement_m3_rev: Fraction
    gear_ratio: Fraction  # motor turns for one turn of the joint
    volumetric_efficiency: Fraction
    mechanical_efficiency: Fraction
    holding_brake: bool
    mark: str | None = None
    rated_pressure_pa: Fraction | None = None
    brake_torque_n_m: Fraction | None = None  # that the holding brake holds for certain, at the joint


@dataclass(frozen=True, slots=True, kw_only=True)
class ElectricDrive:
    """An electric actuator behind a proportional amplifier: full drive is full speed; it asks the pump for nothing."""

    speed_deg_s: Fraction
    torque_n_m: Fraction
    mark: str | None = None
    brake_torque_n_m: Fraction | None = None  # as of a motor


Drive = CylinderDrive | MotorDrive | ElectricDrive


@dataclass(frozen=True, slots=True, kw_only=True)
class ValveSide:
    crack: Fraction  # share of full drive at which flow begins, as measured
    crack_min: Fraction  # smallest ever measured
    jump: Fraction  # drive at the smallest flow that is asked for
    points: tuple[tuple[Fraction, Fraction], ...]  # share of drive -> share of rated flow; first point (crack, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Valve:
    output_name: str
    output_index: int
    reversed: bool  # positive drive moves the joint in the negative direction
    rated_flow_m3_s: Fraction
    rated_drop_pa: Fraction  # over both metering edges together
    compensated: bool
    positive: ValveSide
    negative: ValveSide
    drive_max: Fraction
    reversal_hold_s: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    speed_deg_s: TwoWay  # commanded, full mode
    reduced_speed_deg_s: TwoWay  # commanded, reduced mode
    speed_never_above_deg_s: TwoWay  # real speed that must not be passed at the worst pose and gain
    acceleration_deg_s2: Fraction
    deceleration_deg_s2: Fraction
    stop_deceleration_deg_s2: Fraction
    soft_stops_deg: Range | None  # None: continuous
    hard_stops_deg: Range | None
    tip_speed_m_s: Fraction | None
    stop_distance_m: Fraction | None = None  # most that the load's centre may still move in any stop of this joint


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    lag_s: Range
    dead_time_s: Range
    hysteresis: Fraction  # share of full drive
    natural_frequency_hz: Fraction  # lowest
    damping_ratio: Fraction  # lowest


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    settle_s: Fraction
    still_s: Fraction
    still_deg: Fraction
    stall_flow: Fraction  # share of rated flow
    stall_s: Fraction
    stall_deg: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """The steel that this joint carries up to the next one: lumped mass, its centre and the next pivot from here."""

    mass_kg: Fraction
    centre_m: Fraction
    length_m: Fraction
    rise_m: Fraction = Fraction(0)  # the next pivot lies so far above the line of `length_m`, at joint angle 0
    gyration_m: Fraction = Fraction(0)  # radius of gyration about its own centre; 0: a lumped mass
    radius_m: Fraction | None = None  # everything of it lies within this of the straight line to the next pivot


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """What holds the joint when its valve is centred. A counterbalance on one side holds the side that gravity loads.

    `setting_pa` caps the pressure of the held side (counterbalance) or of both ports (port_relief); `port_relief_pa` is
    a relief valve at both ports besides a counterbalance or a check.
    """

    kind: str  # none, counterbalance, double_counterbalance, pilot_check, port_relief, brake
    setting_pa: Fraction | None
    pilot_ratio: Fraction | None
    port_relief_pa: Fraction | None = None
    anti_cavitation: bool = False  # a check valve fills the port from the tank line
    vented: bool = False  # counterbalance: the spring chamber has a line of its own, back pressure does not act there


@dataclass(frozen=True, slots=True, kw_only=True)
class Hoses:
    """The line of each of the two ports between valve and actuator: its oil is part of the spring."""

    length_m: Fraction
    bore_m: Fraction
    rated_pressure_pa: Fraction | None  # working pressure, gauge


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Torque that the work asks of the joint in each direction, besides gravity and acceleration."""

    torque_n_m: TwoWay


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    name: str
    title: str
    control: str  # follow or speed
    continuous: bool
    operator: OperatorInput
    position: Sensor
    follow: Follow | None  # None in speed control
    drive: Drive
    valve: Valve
    limits: Limits
    tolerances: Tolerances
    watch: Watch
    axis: str  # vertical, pitch, roll, grip
    body: Body | None
    holding: Holding
    hoses: Hoses | None = None
    work: Work | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Supply:
    load_sensing: bool
    flow_m3_s: Fraction
    relief_pa: Fraction
    margin_pa: Fraction
    tank_pa: Fraction
    fluid_density_kg_m3: Fraction
    bulk_modulus_pa: Fraction
    power_w: Fraction | None
    share_least: Fraction | None = None  # joints that all move together keep at least this share of their speed


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    tick_s: Fraction
    late_s: Fraction
    count_max: int  # of the analog inputs
    inputs: tuple[tuple[str, int], ...]  # name, analog channel
    outputs: tuple[tuple[str, int], ...]  # name, valve output


@dataclass(frozen=True, slots=True, kw_only=True)
class EmergencyStop:
    category: int
    discrepancy_s: Fraction
    reset_min_s: Fraction
    reset_max_s: Fraction
    delayed_off_relay_s: Fraction | None  # required for category 1
    release_deadline_s: Fraction  # of the controlled stop after the enabling device was let go
    dump: str | None = None  # pump_to_tank: pressure is gone; load_sensing: the pump keeps its margin
    dump_time_s: Fraction | None = None  # from the stop to the pressure being down, longest


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    sensors_good_s: Fraction
    pump_load_s: Fraction
    match_hold_s: Fraction
    authority_ramp_s: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    name: str
    mass_kg: Fraction
    centre_m: Fraction  # from the pivot of the last pitch joint
    offset_m: Fraction = Fraction(0)  # of its centre from the roll axis
    gyration_m: Fraction = Fraction(0)  # radius of gyration about its own centre
    radius_m: Fraction | None = None  # of a ball about its centre that holds all of it, the gripper too


@dataclass(frozen=True, slots=True, kw_only=True)
class StopPair:
    """Where the law stops and where steel does, of a weighted sum of two joint angles."""

    soft_deg: Fraction
    hard_deg: Fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class CoupledStop:
    """weights[0] * joint 0 + weights[1] * joint 1 stays between lower and upper; None: no stop on that side."""

    name: str
    joints: tuple[str, str]  # names, in the profile's order of joints
    weights: tuple[Fraction, Fraction]  # thousandths are kept, none is 0, magnitude at most 10
    lower: StopPair | None
    upper: StopPair | None


@dataclass(frozen=True, slots=True, kw_only=True)
class KeepOut:
    """A box, fixed to the base, that no part of arm or load may enter: x forward at swing angle 0, y to the left, z up;
    the origin is the pivot of the first joint.
    """

    name: str
    lower_m: tuple[Fraction, Fraction, Fraction]
    upper_m: tuple[Fraction, Fraction, Fraction]


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiver:
    limit: str
    joint: str | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    file_name: str  # as given; for messages
    digest: bytes  # SHA-256 of the file's bytes
    machine_id: str
    machine_name: str
    revision: int
    supply: Supply
    controller: Controller
    emergency_stop: EmergencyStop
    start: Start
    loads: tuple[Load, ...]
    joints: tuple[Joint, ...]
    waivers: tuple[Waiver, ...]
    tilt_deg: Fraction = Fraction(0)  # steepest ground that the machine works on, any direction
    coupled_stops: tuple[CoupledStop, ...] = ()
    keep_out: tuple[KeepOut, ...] = ()
