"""Arms for tests: chains by hand, random chains for Hypothesis, and profiles whose joints stand in another order."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np
from hypothesis import strategies as st
from make_profile import worked

from mapper.machine.arm.arm import Arm, down_on_tilt
from mapper.machine.arm.chain import GRIP, PITCH, ROLL, VERTICAL, Chain, ChainJoint, ChainLoad
from mapper.profile.profile import Body, Load, Profile, Range


def joint(name: str, axis: str, travel_deg: tuple[float, float] = (-60.0, 60.0), **body: float) -> ChainJoint:
    """A joint; `body` has mass_kg, centre_m, gyration_m, length_m, rise_m, all 0 where not named."""
    zeros = dict.fromkeys(("mass_kg", "centre_m", "gyration_m", "length_m", "rise_m"), 0.0)
    lower, upper = travel_deg
    return ChainJoint(
        name=name,
        axis=axis,
        lower_rad=math.radians(lower),
        upper_rad=math.radians(upper),
        has_body=bool(body),
        **{**zeros, **body},
    )


def load(mass_kg: float, centre_m: float, offset_m: float = 0.0, gyration_m: float = 0.0) -> ChainLoad:
    return ChainLoad(name="stone", mass_kg=mass_kg, centre_m=centre_m, offset_m=offset_m, gyration_m=gyration_m)


def chain(*joints: ChainJoint, stone: ChainLoad | None = None, tilt_deg: float = 0.0) -> Chain:
    """One load, named "stone"; without it a load of no mass at the last pitch joint's pivot."""
    return Chain(joints=joints, loads=(stone or load(0.0, 0.0),), tilt_rad=math.radians(tilt_deg))


def _number(upper: float, lower: float = 0.0) -> st.SearchStrategy[float]:
    return st.integers(round(100 * lower), round(100 * upper)).map(lambda hundredths: hundredths / 100.0)


@st.composite
def _joints(draw: st.DrawFn, name: str, axis: str) -> ChainJoint:
    travel = sorted((draw(_number(180.0, -180.0)), draw(_number(180.0, -180.0))))
    if not draw(st.booleans()):
        return joint(name, axis, (travel[0], travel[1]))
    return joint(
        name,
        axis,
        (travel[0], travel[1]),
        mass_kg=draw(_number(100.0)),
        centre_m=draw(_number(1.0)),
        gyration_m=draw(_number(0.3)),
        length_m=draw(_number(1.5)),
        rise_m=draw(st.sampled_from([0.0, 0.2, 0.5])),
    )


@st.composite
def chains(draw: st.DrawFn, order: st.SearchStrategy[tuple[str, ...]]) -> Chain:
    """Chains with joints in the order drawn, pitch joints without a body included (massless pivots)."""
    joints = [replace(draw(_joints(f"j{n}", axis)), has_body=True) for n, axis in enumerate(draw(order))]
    stone = load(draw(_number(200.0)), draw(_number(1.0)), draw(st.sampled_from([0.0, 0.05, 0.4])), draw(_number(0.3)))
    return chain(*joints, stone=stone, tilt_deg=draw(st.sampled_from([0.0, 5.0, 20.0])))


def random_poses(arm_chain: Chain, count: int, *, roll_anyhow: bool, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Poses (n, J) within the travel, often at its ends, and gravity (n, 3) on ground within the tilt.

    Downhill often lies along or across the plane of an arm with one vertical joint. With `roll_anyhow` roll joints are
    at any angle, for then a load's offset points any way.
    """
    rng = np.random.default_rng(seed)
    lower = np.array([item.lower_rad for item in arm_chain.joints])
    upper = np.array([item.upper_rad for item in arm_chain.joints])
    part = rng.random((count, len(lower)))
    q = lower + (upper - lower) * np.where(rng.random(part.shape) < 0.3, np.round(part), part)
    for index, item in enumerate(arm_chain.joints):
        if item.axis == ROLL and roll_anyhow:
            q[:, index] = rng.choice([0.0, math.pi / 2, math.pi, -math.pi / 2], count)
            q[::2, index] = rng.uniform(-math.pi, math.pi, len(q[::2]))
    swing = sum((q[:, index] for index, item in enumerate(arm_chain.joints) if item.axis == VERTICAL), np.zeros(count))
    azimuth = np.where(
        rng.random(count) < 0.5, swing + rng.integers(0, 4, count) * math.pi / 2, rng.uniform(-4, 4, count)
    )
    tilt = arm_chain.tilt_rad * np.where(rng.random(count) < 0.5, 1.0, rng.random(count))
    return q, down_on_tilt(tilt, azimuth)


def around(arm_chain: Chain, q_rad: np.ndarray, count: int = 24) -> tuple[np.ndarray, np.ndarray]:
    """One pose (J,) on all kinds of ground and with the last roll joint, where there is one, at all angles."""
    angles = np.arange(count) * 2.0 * math.pi / count
    tilts = arm_chain.tilt_rad * np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    swing = sum(q_rad[index] for index, item in enumerate(arm_chain.joints) if item.axis == VERTICAL)
    tilt, azimuth, roll = (grid.ravel() for grid in np.meshgrid(tilts, swing + angles, angles, indexing="ij"))
    q = np.tile(q_rad, (len(tilt), 1))
    rolls = [index for index, item in enumerate(arm_chain.joints) if item.axis == ROLL]
    if rolls:
        q[:, rolls[-1]] = roll
    return q, down_on_tilt(tilt, azimuth)


def arm_of(arm_chain: Chain) -> Arm:
    return Arm(chain=arm_chain)


def reordered(order: tuple[str, ...], seed: int) -> Profile:
    """The kerb arm with its joints' axes in this order, every one with a body of random figures; one random load."""
    rng = np.random.default_rng(seed)

    def figure(upper: float) -> Fraction:
        return Fraction(float(rng.uniform(0.05, upper))).limit_denominator(1000)

    profile = worked("kerb-arm")
    joints = []
    for axis, item in zip(order, profile.joints, strict=False):
        body = Body(
            mass_kg=figure(100),
            centre_m=figure(1),
            length_m=figure(1.5),
            rise_m=figure(0.4),
            gyration_m=figure(0.4),
        )
        limits = replace(item.limits, hard_stops_deg=Range(lower=Fraction(-70), upper=Fraction(100)))
        joints.append(replace(item, axis=axis, body=body, limits=limits))
    stone = Load(name="stone", mass_kg=figure(200), centre_m=figure(1), offset_m=figure(0.3), gyration_m=figure(0.3))
    return replace(profile, joints=tuple(joints), loads=(stone,))


AXES = (VERTICAL, PITCH, ROLL, GRIP)
