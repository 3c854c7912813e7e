"""Joints of the worked machines with an envelope written by hand, so that a test owns every number of load and drive.

The joints are those of the kerb-setting arm as it was first worked out on paper; what its profile says now does not
matter here.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
from make_profile import changed, joint_named, worked

from mapper.machine import joint_model
from mapper.machine.arm.envelope import JointEnvelope
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import Body, CylinderDrive, Holding, Hoses, Joint, Profile, Range, TwoWay

# base, rod radius (mm), included angle at 0, bore, rod, stroke, closed (mm), hard stops (deg)
_DRIVES = {
    "boom_swing": (700, 220, 90, 63, 40, 310, 563, -45, 45),
    "boom_lift": (1000, 340, 66, 63, 45, 490, 746, -30, 60),
    "elbow": (820, 220, 138, 63, 40, 390, 612, -118, 0),
    "wrist_pitch": (400, 120, 90, 50, 28, 175, 322, -45, 45),
}
# speed, never above (deg/s), all ramps (deg/s2), soft stops (deg)
_LIMITS = {"boom_swing": (25, 37, 25, -39, 39), "boom_lift": (20, 31, 20, -24, 54)}
_HOLDING = {
    "boom_swing": Holding(kind="port_relief", setting_pa=Fraction(23_000_000), pilot_ratio=None),
    "boom_lift": Holding(kind="counterbalance", setting_pa=Fraction(22_000_000), pilot_ratio=Fraction(4)),
}


def flat(joint: Joint, inertia: float, torque: tuple[float, float] = (0.0, 0.0), radius: float = 1.0) -> JointEnvelope:
    """One load, the same at every angle of the travel: inertia in kg m2, least and most torque in N m."""
    hard = joint.limits.hard_stops_deg
    ends = (-180.0, 180.0) if hard is None else (float(hard.lower), float(hard.upper))
    q = np.radians(np.linspace(*ends, 91))
    one = np.ones((1, q.size))
    return JointEnvelope(
        joint_name=joint.name,
        q_rad=q,
        load_names=("block",),
        torque_least_n_m=torque[0] * one,
        torque_most_n_m=torque[1] * one,
        inertia_least_kg_m2=inertia * one,
        inertia_most_kg_m2=inertia * one,
        tip_radius_most_m=radius * one,
        pose_of_least_rad=np.zeros((1, q.size, 1)),
        pose_of_most_rad=np.zeros((1, q.size, 1)),
    )


def weightless(profile: Profile) -> Profile:
    """Without bodies and loads, level: gravity adds nothing to a stiffness."""
    joints = tuple(replace(joint, body=None) for joint in profile.joints)
    return replace(profile, joints=joints, loads=(), tilt_deg=Fraction(0))


def physics_of(
    profile: Profile, name: str, inertia: float, torque: tuple[float, float] = (0.0, 0.0), radius: float = 1.0
) -> JointPhysics:
    """A joint of the profile (without its own bodies and loads) with that envelope; spread as compiled."""
    profile = weightless(profile)
    joint = joint_named(profile, name)
    return JointPhysics(
        profile=profile,
        joint=joint,
        model=joint_model(profile, joint),
        envelope=flat(joint, inertia, torque, radius),
    )


def kerb(
    name: str,
    inertia: float,
    torque: tuple[float, float] = (0.0, 0.0),
    *,
    radius: float = 1.0,
    **more: object,
) -> JointPhysics:
    """A joint of the arm: hoses of 3 m and 9.5 mm, oil of 0.8 GPa, 3 bar in the tank line, ticks of 5 and at most 7 ms,
    lag 30 to 80 ms, dead time 10 to 30 ms, damping 0.2; `more` by path within the joint, with __ for the dots.
    """
    profile = _machine(worked("kerb-arm"))
    index = [joint.name for joint in profile.joints].index(name)
    joint = _pinned(profile.joints[index])
    for path, value in more.items():
        joint = changed(joint, path.replace("__", "."), value)
    return physics_of(changed(profile, f"joints.{index}", joint), name, inertia, torque, radius)


def lump(mass: str, centre: str) -> Body:
    return Body(mass_kg=Fraction(mass), centre_m=Fraction(centre), length_m=Fraction(centre))


def _machine(profile: Profile) -> Profile:
    stop = replace(profile.emergency_stop, category=0, release_deadline_s=Fraction(17, 10), delayed_off_relay_s=None)
    supply = replace(profile.supply, tank_pa=Fraction(300_000), bulk_modulus_pa=Fraction(800_000_000))
    controller = replace(profile.controller, tick_s=Fraction(5, 1000), late_s=Fraction(2, 1000))
    return replace(profile, emergency_stop=stop, supply=supply, controller=controller)


def _pinned(joint: Joint) -> Joint:
    tolerances = replace(
        joint.tolerances,
        lag_s=Range(lower=Fraction(30, 1000), upper=Fraction(80, 1000)),
        dead_time_s=Range(lower=Fraction(10, 1000), upper=Fraction(30, 1000)),
        damping_ratio=Fraction(2, 10),
    )
    hoses = Hoses(length_m=Fraction(3), bore_m=Fraction(95, 10_000), rated_pressure_pa=Fraction(28_000_000))
    valve = replace(joint.valve, compensated=True)
    joint = replace(joint, tolerances=tolerances, hoses=hoses, valve=valve)
    if joint.name in _DRIVES:
        base, rod_radius, included, bore, rod, stroke, closed, lower, upper = _DRIVES[joint.name]
        drive = CylinderDrive(
            base_radius_m=Fraction(base, 1000),
            rod_radius_m=Fraction(rod_radius, 1000),
            included_at_zero_deg=Fraction(included),
            extends_positive=True,
            bore_m=Fraction(bore, 1000),
            rod_m=Fraction(rod, 1000),
            stroke_m=Fraction(stroke, 1000),
            closed_length_m=Fraction(closed, 1000),
            cushion_m=Fraction(0),
            efficiency=Fraction(92, 100),
            rated_pressure_pa=Fraction(25_000_000),
        )
        hard = Range(lower=Fraction(lower), upper=Fraction(upper))
        joint = replace(joint, drive=drive, limits=replace(joint.limits, hard_stops_deg=hard))
    if joint.name in _LIMITS:
        speed, never, ramp, lower, upper = (Fraction(value) for value in _LIMITS[joint.name])
        limits = replace(
            joint.limits,
            speed_deg_s=TwoWay(positive=speed, negative=speed),
            speed_never_above_deg_s=TwoWay(positive=never, negative=never),
            acceleration_deg_s2=ramp,
            deceleration_deg_s2=ramp,
            stop_deceleration_deg_s2=ramp,
            soft_stops_deg=Range(lower=lower, upper=upper),
        )
        joint = replace(joint, limits=limits, holding=_HOLDING[joint.name])
    return joint
