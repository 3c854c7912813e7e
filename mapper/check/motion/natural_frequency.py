"""Lowest natural frequency of a joint on its trapped oil, alone and swinging with the others, against the one that the
profile states and the soft-stop bound rests on.
"""

from __future__ import annotations

import math

import numpy as np

from mapper.check.context import JointContext, down, judge
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.hydraulics.loaded import given_place, place_words
from mapper.check.motion.dynamics import lacking
from mapper.machine.arm.modes import ArmModes, Mode, arm_modes
from mapper.machine.load import Node, node_of_most
from mapper.machine.oil.oil_spring import (
    CAP,
    ROD,
    bulk_modulus_pa,
    has_oil,
    highest_hz,
    lowest_hz,
    one_sided,
    soft_columns,
    softest_n_m_rad,
)
from mapper.machine.physics import JointPhysics

_LIMIT = "natural_frequency"
_HIGHEST_HZ = 200.0  # that a profile can state
_SHOWN = 0.01  # of the energy: joints with less are left out of what is shown of a mode


def natural_frequency(context: JointContext) -> Finding | None:
    """The lowest over the travel and the loads is at least tolerances.natural_frequency. None for an electric joint.

    With the other joints held: what a joint's own commands do to it, that frequency covers also where the joints swing
    together (`mapper/machine/arm/modes.py`). The modes of the whole arm are told beside it; the loop counts with them.
    """
    if not context.model.takes_pump_flow:
        return None
    missing = lacking(context, _LIMIT, "Hz")
    if missing is not None:
        return missing
    physics = context.physics
    assert physics is not None
    assert has_oil(physics)
    values = lowest_hz(physics)
    node = node_of_most(physics.envelope, -values)
    alone = float(values[node.load_index, node.q_index])
    arm = arm_modes(physics.profile)
    mode = arm.modes.get(context.joint.name)
    return judge(
        context,
        _LIMIT,
        evidence=Evidence.COMPUTED,
        cases=int(values.size),
        worst=alone,
        bound=float(context.joint.tolerances.natural_frequency_hz),
        unit="Hz",
        at_least=True,
        detail=f"{_alone_words(physics, node, alone)}; {_together_words(physics, arm, mode)}",
        advice=_advice(context, alone),
        explanation=_explained(physics, node, alone, mode),
    )


def _advice(context: JointContext, worst: float) -> str:
    fits = down(min(worst, _HIGHEST_HZ), 0.01)
    if fits <= 0:
        return "this joint has no stiffness at that pose: its load turns it over; move a pivot or enlarge the bore"
    return (
        f'write {context.key}.tolerances.natural_frequency = "{fits:g} Hz" (soft stops, loop and matching rest on it), '
        "or make the joint stiffer: larger bore, longer lever arm, shorter or thinner hoses, less air"
    )


def _alone_words(physics: JointPhysics, node: Node, alone: float) -> str:
    """The bound of the joint alone."""
    count, either = lowest_hz(physics).shape, float(lowest_hz(physics, alone=True).min())
    both = float(lowest_hz(physics, alone=False).min())
    sides = "one side's oil alone (a counterbalance lets the other pass)" if one_sided(physics) else "both sides' oil"
    return (
        f"alone, with the steel and the oil of all other joints taken as rigid: {alone:.3g} Hz, lowest at "
        f"{place_words(physics, node, None)}, of {count[1]} angles and {count[0]} loads, on {sides}; both sides' oil "
        f"would give {both:.3g} Hz, the softer one alone {either:.3g} Hz; {_highest_words(physics)}"
    )


def _together_words(physics: JointPhysics, arm: ArmModes, mode: Mode | None) -> str:
    """What the search over the arm's modes found."""
    stiff = f" ({', '.join(arm.rigid)} taken as rigid: body or hoses are missing)" if arm.rigid else ""
    if mode is None:
        return f"no other joint is known to swing with it{stiff}"
    shares = sorted(zip(mode.shares, mode.names, strict=True), reverse=True)
    energy = ", ".join(f"{name} {share * 100:.0f} %" for share, name in shares if share >= _SHOWN)
    return (
        f"swinging with the others{stiff}: {mode.hz:.3g} Hz, the lowest of {arm.poses} poses of a search on a grid and "
        f"around its worst, at {_pose_words(physics, mode)} with load {mode.load_name}; the energy of the oil there: "
        f"{energy} (a mode counts as a joint's own from a third: this project's choice, no source)"
    )


def _pose_words(physics: JointPhysics, mode: Mode) -> str:
    """The joints that swing; what jaws and rigid ones do is of little interest."""
    angles = zip(physics.profile.joints, np.degrees(mode.pose_rad), strict=True)
    words = ", ".join(f"{joint.name} {angle + 0.0:.0f} deg" for joint, angle in angles if joint.name in mode.names)
    return words + (" on the slope" if abs(mode.down[2]) < 1.0 else "")


def _highest_words(physics: JointPhysics) -> str:
    highest = float(highest_hz(physics).max())
    if not math.isfinite(highest):
        return "empty it carries nothing that could swing"
    return f"stiffest oil and least load: up to {highest:.3g} Hz"


def _explained(physics: JointPhysics, node: Node, worst: float, mode: Mode | None) -> Explanation:
    columns, at = soft_columns(physics), (node.load_index, node.q_index)
    beta = bulk_modulus_pa(physics)
    oil = columns.stiffness_n_m_rad(beta)[:, node.q_index]
    given = [
        *given_place(node),
        Given(symbol="beta", meaning="bulk modulus of the oil, as stated", value=beta / 1e9, unit="GPa"),
    ]
    for side, name in ((CAP, "cap side"), (ROD, "rod side")):
        mark = "cr"[side]
        given += [
            Given(
                symbol=f"D{mark}",
                meaning=f"{name}: area x lever arm (motor: volume for a radian)",
                value=float(columns.displacement_m3_rad[side, node.q_index]) * 1e6,
                unit="cm3/rad",
            ),
            Given(
                symbol=f"V{mark}",
                meaning=f"{name}: oil in actuator and line",
                value=float(columns.volume_m3[side, node.q_index]) * 1e3,
                unit="l",
            ),
            Given(symbol=f"k{mark}", meaning=f"{name}: stiffness", value=float(oil[side]) / 1e3, unit="kN m/rad"),
        ]
    stiffness = float(softest_n_m_rad(physics)[at])
    counted = float(min(oil)) if one_sided(physics) else float(sum(oil))
    given += [
        Given(symbol="kg", meaning="load on a turning lever arm, gravity turning away",
              value=(stiffness - counted) / 1e3, unit="kN m/rad"),
        Given(symbol="K", meaning="stiffness of the joint", value=stiffness / 1e3, unit="kN m/rad"),
        Given(symbol="I", meaning="most inertia about the joint's axis",
              value=float(physics.envelope.inertia_most_kg_m2[at]), unit="kg m2"),
        Given(symbol="f", meaning="natural frequency", value=worst, unit="Hz"),
    ]  # fmt: skip
    if mode is not None:
        given.append(
            Given(symbol="fm", meaning="for comparison: lowest mode of the arm that is this joint's", value=mode.hz,
                  unit="Hz")
        )  # fmt: skip
    total = "K = min(kc, kr) + kg" if one_sided(physics) else "K = kc + kr + kg"
    return Explanation(
        formula=("k = beta D^2 / V for each side", total, "f = sqrt(K / I) / (2 pi)"),
        given=tuple(given),
        source="Merritt, Hydraulic Control Systems, natural frequency of a valve-controlled cylinder (from memory); "
        "which sides count is derived in mapper/machine/oil/oil_spring.py; 2 % of the swept volume as dead oil is "
        "common practice, no source",
    )
