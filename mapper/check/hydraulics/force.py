"""Limit of force: what the joint needs to move its worst load from its worst pose, against what the pump leaves."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

import numpy as np

from mapper.check.context import SIDE_NAMES, SIDES, JointContext, down, judge, up
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.hydraulics.loaded import DERIVED, bar, given_bar, given_place, load_unknown, place_words
from mapper.machine.actuator.cylinder import Cylinder
from mapper.machine.arm.envelope import Floats
from mapper.machine.load import node_of_most
from mapper.machine.model import joint_model
from mapper.machine.oil.pressure import Motion, available_pa, needed, torque_against_n_m
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import CylinderDrive, ElectricDrive, MotorDrive

BORES_MM = (
    8, 10, 12, 16, 20, 25, 32, 40, 50, 63, 80, 100, 125, 140, 160, 180, 200, 220, 250, 280, 320, 360, 400, 450, 500,
)  # fmt: skip
"""Cylinder bores of ISO 3320, the second row of preference included; from memory."""

_ROUNDS = 60


def force(context: JointContext) -> Finding:
    """Inlet pressure to set the worst load in motion, both ways; an electric joint: its torque."""
    if context.physics is None:
        return load_unknown(context, "force", "N m" if isinstance(context.joint.drive, ElectricDrive) else "bar")
    if isinstance(context.joint.drive, ElectricDrive):
        return _electric(context, context.physics, float(context.joint.drive.torque_n_m))
    return _hydraulic(context, context.physics)


def _needs_pa(physics: JointPhysics) -> tuple[Floats, Floats]:
    return (
        needed(physics, SIDES[0], Motion.ACCELERATING).inlet_pa,
        needed(physics, SIDES[1], Motion.ACCELERATING).inlet_pa,
    )


def _hydraulic(context: JointContext, physics: JointPhysics) -> Finding:
    most = available_pa(physics)
    needs = _needs_pa(physics)
    side = SIDES[int(np.argmax([np.max(need) for need in needs]))]
    node = node_of_most(physics.envelope, needs[side])
    worst = float(needs[side][node.load_index, node.q_index])
    other = SIDES[1 - side]
    back = node_of_most(physics.envelope, needs[other])
    motions = [
        f"{bar(float(np.max(needed(physics, side, motion).inlet_pa))):.4g} bar {motion.value}" for motion in Motion
    ]
    return judge(
        context,
        "force",
        evidence=Evidence.COMPUTED,
        cases=len(SIDES) * len(Motion) * needs[0].size,
        worst=bar(worst),
        bound=bar(most),
        unit="bar",
        detail=f"{SIDE_NAMES[side]}: {', '.join(motions)}, worst at {place_words(physics, node, side)}; "
        f"{SIDE_NAMES[other]}: {bar(float(np.max(needs[other]))):.4g} bar at "
        f"{math.degrees(back.q_rad):.1f} deg with load {back.load_name}; every load, every pose of the other joints, "
        f"tilt {float(context.profile.tilt_deg):g} deg; the pump leaves {bar(most):.4g} bar",
        advice=_advice(context, physics, needs, most),
        explanation=_explained(physics, side, (node.load_index, node.q_index), most),
    )


def _explained(physics: JointPhysics, side: int, at: tuple[int, int], most_pa: float) -> Explanation:
    need = needed(physics, side, Motion.ACCELERATING)
    node = node_of_most(physics.envelope, need.inlet_pa)
    gravity = float(torque_against_n_m(physics, side, Motion.HOLD)[at])
    work = float(torque_against_n_m(physics, side, Motion.STEADY)[at]) - gravity
    inlet, outlet = (float(volume[at[1]]) for volume in physics.model.displacement_m3_rad(physics.envelope.q_rad, side))
    lever = float(physics.model.lever_m(node.q_rad))
    supply = physics.profile.supply
    given = [
        *given_place(node),
        Given(symbol="Tg", meaning=f"gravity against moving {SIDE_NAMES[side]}", value=round(gravity, 1), unit="N m"),
        Given(symbol="Tw", meaning="torque of the work", value=round(work, 1), unit="N m"),
        Given(
            symbol="J",
            meaning="inertia about the joint",
            value=round(float(physics.envelope.inertia_most_kg_m2[at]), 2),
            unit="kg m2",
        ),
        Given(
            symbol="a",
            meaning="acceleration that is commanded",
            value=float(physics.joint.limits.acceleration_deg_s2),
            unit="deg/s2",
        ),
        Given(symbol="e", meaning="efficiency (1 where the load pulls)", value=physics.model.efficiency, unit="ratio"),
        Given(symbol="Vi", meaning="oil of the inlet side for 1 rad", value=round(inlet * 1e6, 2), unit="cm3"),
        Given(symbol="Vo", meaning="oil of the outlet side for 1 rad", value=round(outlet * 1e6, 2), unit="cm3"),
        given_bar("po", "back pressure: tank line and outlet edge", need.outlet_pa),
        given_bar("ph", "inlet pressure that opens what holds the outlet", float(need.opens_pa[at])),
        given_bar("pi", "needed", float(need.inlet_pa[at])),
        given_bar("pr", "relief", float(supply.relief_pa)),
        given_bar("pa", "what the pump leaves at the inlet", most_pa),
    ]
    if isinstance(physics.model.drive, Cylinder):
        given.insert(2, Given(symbol="L", meaning="lever arm", value=round(lever * 1000, 2), unit="mm"))
    return Explanation(
        formula=(
            "T = Tg + Tw + J a",
            "pi = the larger of (T / e + Vo po) / Vi and ph",
            "Vi, Vo = area x L; motor: displacement x gear ratio / 2 pi",
            "pa = pr less the larger of half the rated drop and a load-sensing pump's margin; at most a port relief's "
            "setting",
        ),
        given=tuple(given),
        source=DERIVED,
    )


def _advice(context: JointContext, physics: JointPhysics, needs: tuple[Floats, Floats], most_pa: float) -> str:
    ways = []
    drive = context.joint.drive
    if isinstance(drive, CylinderDrive):
        bore = _bore_mm(physics, drive, most_pa)
        if bore is not None:
            ways.append(
                f'{context.key}.drive.bore = "{bore} mm" (the next size that does, more flow for the same speed)'
            )
    elif isinstance(drive, MotorDrive):
        size = _displacement_cm3(physics, drive, most_pa)
        if size is not None:
            ways.append(f'{context.key}.drive.displacement = "{size:g} cm3/rev"')
    ways += _lighter(physics, needs, most_pa)
    if not ways:
        return (
            f"pivots of {context.key}.drive with a longer lever arm, or a lighter arm: no bore of ISO 3320 and no "
            "lighter load is enough"
        )
    return f"write {'; or '.join(ways)}; or move a pivot of {context.key}.drive for a longer lever arm there"


def _fits(physics: JointPhysics, drive: CylinderDrive | MotorDrive, most_pa: float) -> bool:
    joint = replace(physics.joint, drive=drive)
    changed = replace(physics, joint=joint, model=joint_model(physics.profile, joint))
    return max(float(np.max(need)) for need in _needs_pa(changed)) <= most_pa


def _bore_mm(physics: JointPhysics, drive: CylinderDrive, most_pa: float) -> int | None:
    """The smallest preferred bore above the present one with which both ways hold."""
    for bore in BORES_MM:
        bore_m = Fraction(bore, 1000)
        if bore_m > drive.bore_m and _fits(physics, replace(drive, bore_m=bore_m), most_pa):
            return bore
    return None


def _displacement_cm3(physics: JointPhysics, drive: MotorDrive, most_pa: float) -> float | None:
    size = float(drive.displacement_m3_rev) * 1e6
    for _ in range(_ROUNDS):
        size = up(size * 1.02)
        if _fits(physics, replace(drive, displacement_m3_rev=Fraction(str(size)) / 10**6), most_pa):
            return size
    return None


def _lighter(physics: JointPhysics, needs: tuple[Floats, Floats], most_pa: float) -> list[str]:
    """The mass of each load that is too much. The need is convex in the mass (a maximum of straight lines), so the
    straight line between none and the present mass is above it.
    """
    loads = physics.profile.loads
    if len(loads) != len(physics.envelope.load_names):
        return []
    empty = next((index for index, load in enumerate(loads) if load.mass_kg == 0), None)
    if empty is None:
        return []
    ways = []
    for index, load in enumerate(loads):
        heavy = np.stack([need[index] for need in needs])
        if float(np.max(heavy)) <= most_pa:
            continue
        bare = np.stack([need[empty] for need in needs])
        if float(np.max(bare)) > most_pa:
            return []
        over = heavy > most_pa
        share = float(np.min((most_pa - bare[over]) / (heavy[over] - bare[over])))
        mass = down(share * float(load.mass_kg))
        if mass > 0:
            ways.append(f'loads.{load.name}.mass = "{mass:g} kg"')
    return [" and ".join(ways)] if ways else []


def _electric(context: JointContext, physics: JointPhysics, most_n_m: float) -> Finding:
    torques = [torque_against_n_m(physics, side, Motion.ACCELERATING) for side in SIDES]
    side = SIDES[int(np.argmax([np.max(torque) for torque in torques]))]
    node = node_of_most(physics.envelope, torques[side])
    worst = max(float(np.max(torques[side])), 0.0)
    return judge(
        context,
        "force",
        evidence=Evidence.COMPUTED,
        cases=len(SIDES) * torques[0].size,
        worst=worst,
        bound=most_n_m,
        unit="N m",
        detail=f"{SIDE_NAMES[side]}, accelerating, worst at {place_words(physics, node, side)}",
        advice=f'{context.key}.drive.torque = "{up(worst):g} N m": a stronger actuator',
        explanation=Explanation(
            formula=("T = Tg + Tw + J a",),
            given=(
                *given_place(node),
                Given(symbol="T", meaning="torque that is needed", value=round(worst, 1), unit="N m"),
                Given(symbol="Tmax", meaning="torque of the actuator", value=most_n_m, unit="N m"),
            ),
            source="balance of torques; any textbook of dynamics",
        ),
    )
