"""Machines for the plant's tests: random ones made from the worked kerb arm, and drives."""

from __future__ import annotations

import dataclasses
import random
from fractions import Fraction

import numpy as np
from replay_case import KERB, worked_profile

from mapper.profile.profile import Body, ElectricDrive, Holding, Joint, Load, MotorDrive, Profile
from mapper.replay import Plant, PlantParameters
from mapper.replay._library import HEAD_DOUBLES, JOINT_DOUBLES
from mapper.replay.plant import ShareCurve

HOLDINGS = ("none", "counterbalance", "double_counterbalance", "pilot_check", "port_relief", "brake")


def same_motion(plant: Plant, motion: np.ndarray) -> bool:
    """To the last bit, but for the speed, which the trace has in degrees."""
    joints = motion[HEAD_DOUBLES:].reshape(-1, JOINT_DOUBLES)
    speed = np.degrees(plant.speed_rad_s)
    return (
        [plant.flow_asked_m3_s, plant.pump_factor, plant.pump_pa] == motion[[0, 2, 3]].tolist()
        and bool(np.allclose(speed, joints[:, 1], rtol=1e-12, atol=0.0))
        and plant.flow_m3_s == joints[:, 2].tolist()
        and plant.inlet_pa == joints[:, 3].tolist()
        and plant.factor == joints[:, 4].tolist()
    )


def random_drives(source: random.Random, joints: int, ticks: int) -> list[list[int]]:
    """Held, ramping, reversing and jittering drives, so that play, reversal, crack points and both ends are passed."""
    rows, now = [], [0] * joints
    for _ in range(ticks):
        for index in range(joints):
            choice = source.random()
            if choice < 0.01:
                now[index] = source.choice([0, 10000, -10000, 1800, -1900, 2000, source.randint(-10000, 10000)])
            elif choice < 0.3:
                now[index] = max(-10000, min(10000, now[index] + source.randint(-300, 300)))
        rows.append(list(now))
    return rows


def random_profile(source: random.Random, *, axes: bool = True) -> Profile:
    """The kerb arm with everything changed that the plant's load, pressures and drives depend on.

    Args:
        axes: also the joints' axes, so that the chain is not a plane one any more.
    """
    profile = worked_profile(KERB)
    joints = tuple(_random_joint(joint, source, axes) for joint in profile.joints)
    supply = dataclasses.replace(
        profile.supply,
        load_sensing=source.random() < 0.6,
        relief_pa=Fraction(source.randint(40, 260) * 100_000),
        margin_pa=Fraction(source.choice([4, 18, 30]) * 100_000),
        tank_pa=Fraction(source.choice([0, 3, 12]) * 100_000),
        flow_m3_s=Fraction(source.randint(20, 150), 60_000),
    )
    loads = tuple(
        Load(
            name=name,
            mass_kg=Fraction(source.randint(0, 400)),
            centre_m=Fraction(source.randint(-200, 900), 1000),
            offset_m=Fraction(source.choice([0, source.randint(0, 400)]), 1000),
        )
        for name in ("one", "two")
    )
    return dataclasses.replace(profile, joints=joints, supply=supply, loads=loads)


def _random_joint(joint: Joint, source: random.Random, axes: bool) -> Joint:
    drive = joint.drive
    choice = source.random()
    if choice < 0.2:
        drive = ElectricDrive(speed_deg_s=Fraction(40), torque_n_m=Fraction(source.randint(50, 9000)))
    elif choice < 0.4 or isinstance(drive, MotorDrive):
        drive = MotorDrive(
            displacement_m3_rev=Fraction(source.randint(50, 400), 1_000_000),
            gear_ratio=Fraction(source.randint(1, 60)),
            volumetric_efficiency=Fraction(9, 10),
            mechanical_efficiency=Fraction(88, 100),
            holding_brake=False,
        )
    elif choice < 0.7:
        drive = dataclasses.replace(drive, extends_positive=source.random() < 0.5)
        if not drive.extends_positive:
            drive = dataclasses.replace(drive, included_at_zero_deg=180 - drive.included_at_zero_deg)
    kind = source.choice(HOLDINGS)
    ratio = kind in ("counterbalance", "double_counterbalance", "pilot_check")
    body = None
    if source.random() < 0.9:
        body = Body(
            mass_kg=Fraction(source.randint(0, 150)),
            centre_m=Fraction(source.randint(-100, 800), 1000),
            length_m=Fraction(source.randint(0, 1600), 1000),
            rise_m=Fraction(source.choice([0, 0, source.randint(-300, 300)]), 1000),
        )
    return dataclasses.replace(
        joint,
        drive=drive,
        axis=source.choice(["vertical", "pitch", "pitch", "roll", "grip"]) if axes else joint.axis,
        body=body,
        valve=dataclasses.replace(
            joint.valve,
            reversed=source.random() < 0.3,
            compensated=source.random() < 0.5,
            rated_drop_pa=Fraction(source.randint(5, 60) * 100_000),
        ),
        holding=vented_or_not(
            Holding(
                kind=kind,
                setting_pa=Fraction(source.randint(60, 260) * 100_000) if ratio and kind != "pilot_check" else None,
                pilot_ratio=Fraction(source.choice([2, 4, 8])) if ratio else None,
                anti_cavitation=source.random() < 0.5,
            )
        ),
    )


def vented_or_not(holding: Holding) -> Holding:
    """Two of five settings of a counterbalance with a vented spring chamber."""
    if holding.setting_pa is None:
        return holding
    return dataclasses.replace(holding, vented=holding.setting_pa % 500_000 < 200_000)


def plain_valves(parameters: PlantParameters) -> PlantParameters:
    """Valves without play, dead time, lag, crack point: a drive is an opening at once."""
    straight = ShareCurve(x=(0.0, 1.0), y=(0.0, 1.0), slope=(1.0,))
    joints = tuple(
        dataclasses.replace(joint, side=(straight, straight), play=0.0, dead_ticks=0, alpha=1.0, polarity=1)
        for joint in parameters.joints
    )
    return dataclasses.replace(parameters, joints=joints)
