"""Stiff joints of the worked profiles, and stops of them, for the tests."""

from __future__ import annotations

import dataclasses
import math
import random
from fractions import Fraction

import numpy as np
from replay_case import KERB, STAND, worked_profile

from mapper.machine.physics import JointPhysics, joint_physics
from mapper.profile.profile import Holding, Profile
from mapper.replay.stiff import NO_SEAT, Side, StiffJoint, StiffStart, Yield, geometry
from mapper.replay.stiff_joint import CORNERS, resting_squeeze, stiff_joint

NONE = Yield(pa=math.inf)


def physics_of(joint: str, profile: Profile | None = None) -> JointPhysics:
    return joint_physics(profile or worked_profile(STAND if joint == "lever" else KERB))[joint]


def changed(physics: JointPhysics, **changes: object) -> JointPhysics:
    """With fields of the joint replaced; nothing of it may move the envelope."""
    return dataclasses.replace(physics, joint=dataclasses.replace(physics.joint, **changes))


def holding(
    kind: str,
    bar: int | None = None,
    *,
    ratio: int | None = None,
    relief_bar: int | None = None,
    vented: bool = False,
) -> Holding:
    """What holds a joint, with anti-cavitation checks."""
    return Holding(
        kind=kind,
        setting_pa=None if bar is None else Fraction(bar * 100_000),
        pilot_ratio=None if ratio is None else Fraction(ratio),
        port_relief_pa=None if relief_bar is None else Fraction(relief_bar * 100_000),
        anti_cavitation=True,
        vented=vented,
    )


def with_side(joint: StiffJoint, index: int, **changes: object) -> StiffJoint:
    sides = [dataclasses.replace(side, **changes) if at == index else side for at, side in enumerate(joint.side)]
    return dataclasses.replace(joint, side=(sides[0], sides[1]))


def bare_side(side: Side) -> Side:
    """Nothing on it but the spool, which does not leak."""
    return dataclasses.replace(
        side, seat=NO_SEAT, shut_pa=math.inf, yields=(NONE, NONE), fill_edge=0.0, leak_per_pa=0.0
    )


def bare(joint: StiffJoint, **changes: object) -> StiffJoint:
    """No valves at the actuator, no friction, no damping, no gravity: an oscillator on its oil."""
    fields = {
        "driving": 0.0,
        "overrunning": 0.0,
        "damping_s": 0.0,
        "gravity_n_m": (0.0, 0.0),
        "cross_leak_per_pa": 0.0,
        "brake_n_m": 0.0,
        "side": (bare_side(joint.side[0]), bare_side(joint.side[1])),
        **changes,
    }
    return dataclasses.replace(joint, **fields)


def shut(joint: StiffJoint, q: float, w: float, pressures: tuple[float, float], ticks: int) -> StiffStart:
    """The valve is shut from the start, and the pump gone."""
    volumes = geometry(joint, q)[2:]
    return StiffStart(
        q_rad=q,
        w_rad_s=w,
        squeezed_m3=(pressures[0] * volumes[0] / joint.bulk_pa, pressures[1] * volumes[1] / joint.bulk_pa),
        lag=0.0,
        share=np.zeros(ticks + 1),
        factor=np.ones(ticks),
        off_tick=0,
        quiet_ticks=ticks + 1,
    )


def share_of(joint: StiffJoint, q: float, w: float) -> float:
    """The opening that moves the joint at this speed while there is pressure for it."""
    area = geometry(joint, q)[0 if w > 0.0 else 1]
    return w * area / joint.full_flow_m3_s


def sudden(joint: StiffJoint, q: float, w: float, ticks: int = 800, quiet: int = 100) -> StiffStart:
    """Steady motion whose drive goes to zero in the first tick, and the enable output with it."""
    share = share_of(joint, q, w)
    asked = np.zeros(ticks + 1)
    asked[: joint.dead_steps // joint.steps_per_tick + 1] = share
    return StiffStart(
        q_rad=q,
        w_rad_s=w,
        squeezed_m3=resting_squeeze(joint, q, w, share),
        lag=share,
        share=asked,
        factor=np.ones(ticks),
        off_tick=0,
        quiet_ticks=quiet,
    )


def random_stop(source: random.Random, ticks: int) -> tuple[StiffJoint, StiffStart]:
    """Any joint of the worked profiles at any corner, with any load, motion, drives and state of its oil."""
    name = source.choice(["boom_swing", "boom_lift", "elbow", "wrist_pitch", "wrist_roll", "clamp", "lever"])
    held = source.choice(
        [
            holding("port_relief", source.randint(80, 240)),
            holding("counterbalance", source.randint(100, 240), ratio=source.randint(2, 8)),
            holding("double_counterbalance", source.randint(100, 240), ratio=4, relief_bar=source.randint(90, 260)),
            holding("pilot_check", ratio=4, relief_bar=200),
            holding("none"),
        ]
    )
    physics = changed(physics_of(name), holding=held)
    q = source.uniform(*physics.envelope.q_rad[[0, -1]].tolist())
    joint = stiff_joint(
        physics,
        corner=source.choice(CORNERS),
        load_name=source.choice(physics.envelope.load_names),
        direction=source.choice([0, 1]),
        q_rad=q,
    )
    if source.random() < 0.3:
        joint = dataclasses.replace(joint, compensated=not joint.compensated)
    if source.random() < 0.3:
        joint = dataclasses.replace(joint, load_sensing=not joint.load_sensing)
    if source.random() < 0.2:
        joint = bare(joint)
    dead = joint.dead_steps // joint.steps_per_tick + 1
    share, now = np.zeros(ticks + 1), source.uniform(-1.0, 1.0)
    for tick in range(ticks + 1):
        if source.random() < 0.1:
            now = source.choice([0.0, 0.0, source.uniform(-1.3, 1.3)])
        share[tick] = now
    if source.random() < 0.5:
        share[dead:] = 0.0
    volumes = geometry(joint, q)[2:]
    squeezed = [source.uniform(-0.2, 1.0) * 250e5 * volume / joint.bulk_pa for volume in volumes]
    start = StiffStart(
        q_rad=q,
        w_rad_s=source.choice([0.0, source.uniform(-1.0, 1.0)]),
        squeezed_m3=(squeezed[0], squeezed[1]),
        lag=source.choice([0.0, source.uniform(-1.0, 1.0)]),
        share=share,
        factor=np.array([source.uniform(0.3, 1.0) for _ in range(ticks)]),
        off_tick=source.randint(0, ticks),
        quiet_ticks=source.randint(1, ticks),
    )
    return joint, start
