"""What the plant is made of: a profile's numbers in SI units and radians at one corner of its tolerances.

Gravity. The arm is the chain of mapper/machine/arm/chain.py (INV-CHAIN-1 to 4), on level ground. The first moment S
of all that a link carries, about its joint's pivot and in its own frame, is a constant, for its lumps and for all
beyond the next pivot as if it sat in that pivot, plus the next link's S turned by that joint. Gravity's direction d is
turned the other way, from the base outwards. The torque about the joint's axis is then axis . (S x d), all weights
in N. Source: statics of rigid bodies; held against mapper/machine/arm/arm.py in the tests.

Pressures of one direction of a hydraulic joint are worked out in `Way`, with outlet over inlet area r, pilot ratio n of
a counterbalance valve, tank pressure pt, and the drop h of one metering edge at the flow asked for: half the section's
rated drop times the corner's gain squared (a compensator set high or low; the edges stay what they are). x is the real
drop of the inlet edge over h, so that flow = flow asked for x root of x. Force balance, orifice law at both edges:

    inlet pressure = base + x r3 h,     base = load + r pt            load: force / inlet area, friction included
    or, if higher  = counter + x c h,   counter = (load + r (setting + b pt)) / (1 + n r)            counterbalance
                                        c = r3 b / (1 + n r),   b = 1 + n, or 0 with a vented spring chamber
    pump pressure  = inlet pressure + x h,  inlet pressure at least 0
    The load runs ahead of the oil where -base / (r3 h) is above x; then it goes as the root of that.

Source: mapper/machine/oil/metering.py and holding.py, which name theirs; held against them in the tests.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from mapper.machine.actuator.electric import GAIN_HIGHEST, GAIN_LOWEST
from mapper.machine.arm.chain import GRAVITY_M_S2, PITCH, ROLL, VERTICAL, Chain, Lump, chain_of
from mapper.machine.arm.envelope import joint_envelopes
from mapper.machine.model import joint_model
from mapper.machine.oil.holding import COUNTERBALANCES, back_factor, metered_outlets
from mapper.machine.oil.valve import COMPENSATED_HIGHEST, COMPENSATED_LOWEST
from mapper.profile.profile import CylinderDrive, ElectricDrive, Joint, MotorDrive, Profile, Sensor, ValveSide

CORNERS = ("nominal", "fast", "slow")
CYLINDER, MOTOR, ELECTRIC = 0, 1, 2
AXES = (VERTICAL, PITCH, ROLL)
YAWS, PITCHES, ROLLS = 0, 1, 2
POSITIVE, NEGATIVE = 0, 1
DELAY_MAX = 256
POINTS_MAX = 12
NO_LOAD = ""


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
class Way:
    """One direction of a joint; the letters are those of the module's text."""

    speed_scale: float  # cylinder: 1 / inlet area; motor: rad of joint per m3; electric: rad/s at full drive
    driving: float  # Pa of inlet for 1 N (motor: 1 N m) against the motion: 1 / (inlet area x efficiency)
    overrunning: float  # Pa of inlet for 1 N with the motion: efficiency / inlet area, friction helping to hold
    back_pa: float  # r pt
    need_pa: float  # r3 h, or with the margin in place of h where a load-sensing pump gives no more
    out_pa: float  # r3 h
    edge_per_pa: float  # 1 / h
    both_per_pa: float  # 1 / (h + r3 h)
    ahead_per_pa: float  # 1 / r3 h
    holds: bool  # a counterbalance valve is at the port that oil leaves by
    counter_pa: float  # `counter` without a load
    counter_share: float  # 1 / (1 + n r)
    counter_need_pa: float  # c h, or with the margin in place of h
    counter_out_pa: float  # c h
    counter_per_pa: float  # 1 / (h + c h)


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
    compensated: bool
    full_flow_m3_s: float  # 0 for an electric joint
    torque_n_m: float  # most of an electric joint; else 0
    way: tuple[Way, Way]
    pivot_product_m2: float  # a b of the cylinder's two radii
    pivot_squares_m2: float  # a^2 + b^2
    included_cosine: float  # of the included angle at joint angle 0
    included_sine: float
    sense: float  # +1 where the included angle opens with the joint angle, else -1
    lower_rad: float
    upper_rad: float
    weighed: bool  # False: the profile does not say what it carries, gravity does nothing to it
    tracks: tuple[TrackCurve, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantLink:
    """A joint that turns the rest of the arm, and the constant part of the moment S that it carries."""

    joint_index: int
    axis: int  # YAWS, PITCHES, ROLLS
    along_n_m: float  # x of S
    up_n_m: float  # z of S


@dataclass(frozen=True, slots=True, kw_only=True)
class PlantParameters:
    """The whole machine at one corner of its tolerances."""

    corner: str
    load_name: str  # of profile.loads; empty: none
    tick_s: float
    pump_flow_m3_s: float
    load_sensing: bool
    relief_pa: float
    margin_pa: float
    joints: tuple[PlantJoint, ...]
    links: tuple[PlantLink, ...]  # from the base to the tool; none where nothing weighs anything


def heaviest_load(profile: Profile) -> str:
    """Name of the heaviest of the profile's loads (of equals the one that reaches farthest); empty without any."""
    if not profile.loads:
        return NO_LOAD
    return max(profile.loads, key=lambda load: (load.mass_kg, load.centre_m, load.offset_m)).name


def plant_parameters(profile: Profile, corner: str = "nominal", load_name: str | None = None) -> PlantParameters:
    """The plant of a profile at a corner of its tolerances, with one load.

    Args:
        corner: "nominal": lag and dead time in the middle of their ranges, gain 1; "fast": shortest lag and dead time
            (rounded down to ticks), highest gain, no leakage of motors; "slow": longest (rounded up), lowest gain. The
            gain is that of a compensated section or of an electric joint's amplifier; on an uncompensated section the
            pressures make the flow in every corner, and its gain stays 1.
        load_name: of `profile.loads`, carried all the time; "" for none; None for the heaviest.
    Raises:
        ValueError: an unknown corner or load, or a dead time of more than 256 ticks.
    """
    if corner not in CORNERS:
        raise ValueError(f"corner {corner!r}; allowed are {', '.join(CORNERS)}")
    name = heaviest_load(profile) if load_name is None else load_name
    named = {load.name: load for load in profile.loads}
    if name != NO_LOAD and name not in named:
        raise ValueError(f"load {name!r}; the profile names {', '.join(named) or 'none'}")
    chain = chain_of(profile)
    return PlantParameters(
        corner=corner,
        load_name=name,
        tick_s=float(profile.controller.tick_s),
        pump_flow_m3_s=float(profile.supply.flow_m3_s),
        load_sensing=profile.supply.load_sensing,
        relief_pa=float(profile.supply.relief_pa),
        margin_pa=float(profile.supply.margin_pa),
        joints=tuple(
            _plant_joint(profile, joint, corner, chain.is_known(index)) for index, joint in enumerate(profile.joints)
        ),
        links=_links(chain, name),
    )


def _links(chain: Chain, load_name: str) -> tuple[PlantLink, ...]:
    moving = chain.moving()
    if not moving:
        return ()
    lumps = [list(link.lumps) for link in moving]
    for load in chain.loads:
        if load.name == load_name:
            x, z = chain.load_place_m(load)
            lumps[-1].append(Lump(mass_kg=load.mass_kg, x_m=x, z_m=z + load.offset_m, gyration_m=load.gyration_m))
    found: list[PlantLink] = []
    beyond_kg = 0.0
    for link, own in zip(reversed(moving), reversed(lumps), strict=True):
        along = sum(lump.mass_kg * lump.x_m for lump in own) + beyond_kg * link.next_x_m
        up = sum(lump.mass_kg * lump.z_m for lump in own) + beyond_kg * link.next_z_m
        beyond_kg += sum(lump.mass_kg for lump in own)
        found.append(
            PlantLink(
                joint_index=link.index,
                axis=AXES.index(link.axis),
                along_n_m=GRAVITY_M_S2 * along,
                up_n_m=GRAVITY_M_S2 * up,
            )
        )
    if found[-1].axis == YAWS:
        found.pop()  # on level ground it turns gravity nowhere
    return tuple(reversed(found)) if beyond_kg > 0.0 else ()


def _plant_joint(profile: Profile, joint: Joint, corner: str, weighed: bool) -> PlantJoint:
    drive, tolerances = joint.drive, joint.tolerances
    tick_s = float(profile.controller.tick_s)
    lag_s = _corner_value(float(tolerances.lag_s.lower), float(tolerances.lag_s.upper), corner)
    dead = _corner_value(float(tolerances.dead_time_s.lower), float(tolerances.dead_time_s.upper), corner) / tick_s
    dead_ticks = {"fast": math.floor(dead + 1e-9), "slow": math.ceil(dead - 1e-9)}.get(corner, math.floor(dead + 0.5))
    if dead_ticks > DELAY_MAX:
        raise ValueError(f"{joint.name}: a dead time of {dead_ticks} ticks; at most {DELAY_MAX}")
    kind, product, squares, included, sense = ELECTRIC, 0.0, 0.0, 0.0, 1.0
    if isinstance(drive, CylinderDrive):
        kind, base, rod = CYLINDER, float(drive.base_radius_m), float(drive.rod_radius_m)
        product, squares = base * rod, base * base + rod * rod
        included = math.radians(float(drive.included_at_zero_deg))
        sense = 1.0 if drive.extends_positive else -1.0
    elif isinstance(drive, MotorDrive):
        kind = MOTOR
    hard, gain, holds = joint.limits.hard_stops_deg, _gain(joint, corner), _holds(profile, joint)
    return PlantJoint(
        name=joint.name,
        kind=kind,
        continuous=joint.continuous,
        polarity=-1 if joint.valve.reversed else 1,
        dead_ticks=dead_ticks,
        side=(_share_curve(joint.valve.positive), _share_curve(joint.valve.negative)),
        play=float(tolerances.hysteresis) / 2.0,
        alpha=1.0 - math.exp(-tick_s / lag_s) if lag_s > 0.0 else 1.0,
        gain=(gain, gain),
        compensated=joint.valve.compensated,
        full_flow_m3_s=0.0 if kind == ELECTRIC else float(joint.valve.rated_flow_m3_s),
        torque_n_m=float(drive.torque_n_m) if isinstance(drive, ElectricDrive) else 0.0,
        way=(
            _way(profile, joint, POSITIVE, corner, holds[POSITIVE]),
            _way(profile, joint, NEGATIVE, corner, holds[NEGATIVE]),
        ),
        pivot_product_m2=product,
        pivot_squares_m2=squares,
        included_cosine=math.cos(included),
        included_sine=math.sin(included),
        sense=sense,
        lower_rad=math.radians(float(hard.lower)) if hard is not None else -math.pi,
        upper_rad=math.radians(float(hard.upper)) if hard is not None else math.pi,
        weighed=weighed,
        tracks=_track_curves(joint.position),
    )


def _gain(joint: Joint, corner: str) -> float:
    """Flow asked for over the rated curve's. A motor's leakage is in its speed for a flow (`_way`), and the spread of
    an uncompensated section is made by the pressures: neither is here.
    """
    if isinstance(joint.drive, ElectricDrive):
        low, high = float(GAIN_LOWEST), float(GAIN_HIGHEST)
    elif joint.valve.compensated:
        low, high = float(COMPENSATED_LOWEST), float(COMPENSATED_HIGHEST)
    else:
        return 1.0
    return {"fast": high, "slow": low}.get(corner, 1.0)


def _holds(profile: Profile, joint: Joint) -> tuple[bool, bool]:
    """For each direction, a counterbalance valve is at the port that oil leaves by. Where nobody knows what a joint
    carries, a single one counts as being at either, as in `joint_gain_spread`.
    """
    if joint.holding.kind not in COUNTERBALANCES or isinstance(joint.drive, ElectricDrive):
        return False, False
    if joint.holding.kind == "double_counterbalance":
        return True, True
    # Only the envelope of all poses and loads, which takes its time, knows which side gravity loads most.
    envelope = joint_envelopes(profile).get(joint.name)
    return (True, True) if envelope is None else metered_outlets(joint.holding, joint_model(profile, joint), envelope)


def _way(profile: Profile, joint: Joint, direction: int, corner: str, holds: bool) -> Way:
    drive, holding, supply = joint.drive, joint.holding, profile.supply
    if isinstance(drive, CylinderDrive):
        cap = math.pi / 4.0 * float(drive.bore_m) ** 2
        ring = math.pi / 4.0 * (float(drive.bore_m) ** 2 - float(drive.rod_m) ** 2)
        inlet, outlet = (cap, ring) if drive.extends_positive == (direction == POSITIVE) else (ring, cap)
        efficiency, speed_scale = float(drive.efficiency), 1.0 / inlet
    elif isinstance(drive, MotorDrive):
        inlet = outlet = float(drive.displacement_m3_rev) * float(drive.gear_ratio) / (2.0 * math.pi)
        efficiency = float(drive.mechanical_efficiency)
        speed_scale = (1.0 if corner == "fast" else float(drive.volumetric_efficiency)) / inlet
    else:
        inlet = outlet = efficiency = 1.0
        speed_scale = math.radians(float(drive.speed_deg_s))
    ratio, tank = outlet / inlet, float(supply.tank_pa)
    edge = float(joint.valve.rated_drop_pa) / 2.0 * _gain(joint, corner) ** 2
    asked = edge
    if supply.load_sensing:
        asked = min(edge, float(supply.margin_pa)) if joint.valve.compensated else float(supply.margin_pa)
    setting = float(holding.setting_pa) if holding.setting_pa is not None else 0.0
    pilot = float(holding.pilot_ratio) if holding.pilot_ratio is not None else 0.0
    behind = back_factor(pilot, vented=holding.vented)
    counter = ratio**3 * behind / (1.0 + pilot * ratio)
    return Way(
        speed_scale=speed_scale,
        driving=1.0 / (inlet * efficiency),
        overrunning=efficiency / inlet,
        back_pa=ratio * tank,
        need_pa=ratio**3 * asked,
        out_pa=ratio**3 * edge,
        edge_per_pa=1.0 / edge,
        both_per_pa=1.0 / ((1.0 + ratio**3) * edge),
        ahead_per_pa=1.0 / (ratio**3 * edge),
        holds=holds,
        counter_pa=ratio * (setting + behind * tank) / (1.0 + pilot * ratio),
        counter_share=1.0 / (1.0 + pilot * ratio),
        counter_need_pa=counter * asked,
        counter_out_pa=counter * edge,
        counter_per_pa=1.0 / ((1.0 + counter) * edge),
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
