"""The arm and the cylinder's triangle against MuJoCo (Python package mujoco, general-purpose rigid-body dynamics), and
against published examples of statics.

The MuJoCo model is built here from the profile alone, joint by joint, without the project's own chain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import mujoco
import numpy as np
import pytest
from make_chain import chain, joint, load, reordered
from make_profile import changed, worked

from mapper.machine import Linkage, joint_model
from mapper.machine.arm.arm import Arm, arm_model, down_on_tilt
from mapper.machine.arm.chain import GRAVITY_M_S2, PITCH
from mapper.machine.arm.points import arm_shape
from mapper.profile.profile import CylinderDrive, Load, Profile

pytestmark = pytest.mark.outside

POSES = 1000
_AXES = {"vertical": "0 0 1", "pitch": "0 -1 0", "roll": "1 0 0"}
_ALMOST_NOTHING = 1e-13  # MuJoCo refuses a moving body without mass or inertia


def _inertial(mass: float, place: str, gyration: float) -> str:
    mass = max(mass, _ALMOST_NOTHING)
    inertia = max(mass * gyration**2, _ALMOST_NOTHING)
    return f'<inertial pos="{place}" mass="{mass!r}" diaginertia="{inertia!r} {inertia!r} {inertia!r}"/>'


def _load_place(profile: Profile, stone: Load) -> tuple[float, float]:
    """Of the load in the last joint's frame: from the last pitch joint's pivot, back by what lies between."""
    joints = profile.joints
    last = max((index for index, item in enumerate(joints) if item.axis == "pitch"), default=0)
    between = [item.body for item in joints[last:-1] if item.body is not None]
    return float(stone.centre_m) - sum(float(body.length_m) for body in between), float(stone.offset_m)


def _model(profile: Profile, stone: Load | None) -> mujoco.MjModel:
    """One body a joint, each at its own pivot; the load as a body fixed to the last, a site at its centre."""
    inner = ""
    if stone is not None:
        x, z = _load_place(profile, stone)
        inertial = _inertial(float(stone.mass_kg), "0 0 0", float(stone.gyration_m)) if stone.mass_kg else ""
        inner = f'<body pos="{x!r} 0 {z!r}">{inertial}<site name="tip"/></body>'
    for index in reversed(range(len(profile.joints))):
        item, before = profile.joints[index], profile.joints[index - 1].body if index else None
        pivot = "0 0 0" if before is None else f"{float(before.length_m)!r} 0 {float(before.rise_m)!r}"
        hinge = "" if item.axis == "grip" else f'<joint name="{item.name}" type="hinge" axis="{_AXES[item.axis]}"/>'
        body = item.body
        mass, centre, gyration = (0.0, 0.0, 0.0) if body is None else (body.mass_kg, body.centre_m, body.gyration_m)
        inertial = _inertial(float(mass), f"{float(centre)!r} 0 0", float(gyration))
        inner = f'<body pos="{pivot}">{hinge}{inertial}{inner}</body>'
    return mujoco.MjModel.from_xml_string(
        f'<mujoco><compiler angle="radian"/><option gravity="0 0 -1"/><worldbody>{inner}</worldbody></mujoco>'
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Theirs:
    """What MuJoCo says for each pose: (n, joints that move ...)."""

    torque: np.ndarray
    mass_matrix: np.ndarray
    tip: np.ndarray
    jacobian: np.ndarray


def _theirs(profile: Profile, stone: Load, q: np.ndarray, down: np.ndarray) -> Theirs:
    model = _model(profile, stone)
    data = mujoco.MjData(model)
    moving = [index for index, item in enumerate(profile.joints) if item.axis != "grip"]
    torque, tip = np.zeros((len(q), len(moving))), np.zeros((len(q), 3))
    matrices, jacobians = np.zeros((len(q), len(moving), len(moving))), np.zeros((len(q), 3, len(moving)))
    site = model.site("tip").id
    for number, pose in enumerate(q):
        model.opt.gravity[:] = GRAVITY_M_S2 * down[number]
        data.qpos[:], data.qvel[:] = pose[moving], 0.0
        mujoco.mj_forward(model, data)
        torque[number] = -data.qfrc_bias  # at rest: what the joint must give to hold the arm, so gravity's with a minus
        mujoco.mj_fullM(model, data, matrices[number])
        mujoco.mj_jacSite(model, data, jacobians[number], None, site)
        tip[number] = data.site_xpos[site]
    return Theirs(torque=torque, mass_matrix=matrices, tip=tip, jacobian=jacobians)


def _poses(profile: Profile, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Poses within travel and gravity on ground tilted by up to 20 degrees any way."""
    rng = np.random.default_rng(seed)
    hard = [item.limits.hard_stops_deg for item in profile.joints]
    lower = np.radians([-180.0 if ends is None else float(ends.lower) for ends in hard])
    upper = np.radians([180.0 if ends is None else float(ends.upper) for ends in hard])
    down = down_on_tilt(rng.uniform(0.0, math.radians(20.0), count), rng.uniform(-math.pi, math.pi, count))
    return rng.uniform(lower, upper, (count, len(lower))), down


def _worst(ours: np.ndarray, theirs: np.ndarray) -> float:
    """Largest difference over the largest value."""
    return float(np.abs(ours - theirs).max() / np.abs(theirs).max())


def _loads() -> list[tuple[Profile, Load]]:
    """The kerb arm with each of its loads, and with the rated one gripped far off its middle."""
    kerb = worked("kerb-arm")
    off = changed(changed(kerb, "loads.1.offset_m", Fraction(3, 10)), "loads.1.gyration_m", Fraction(1, 4))
    return [*((kerb, stone) for stone in kerb.loads), (off, off.loads[1])]


@pytest.mark.parametrize("case", range(3), ids=["empty", "rated", "off its middle"])
def test_gravity_torques_of_the_kerb_arm_in_a_thousand_poses(case: int) -> None:
    """MuJoCo (mujoco package), qfrc_bias at rest, 1,000 random poses of all six joints on tilted ground: 1e-9 of the
    largest torque.
    """
    profile, stone = _loads()[case]
    q, down = _poses(profile, POSES, seed=case)
    moving = [index for index, item in enumerate(profile.joints) if item.axis != "grip"]

    ours = arm_model(profile).gravity_torque_n_m(q, stone.name, down)[:, moving]

    assert len(q) == 1000
    assert _worst(ours, _theirs(profile, stone, q, down).torque) < 1e-9


@pytest.mark.parametrize("case", range(3), ids=["empty", "rated", "off its middle"])
def test_mass_matrix_tip_and_jacobian_of_the_kerb_arm(case: int) -> None:
    """MuJoCo (mujoco package): mj_fullM, the site's place and mj_jacSite in 200 random poses, 1e-9 of the largest."""
    profile, stone = _loads()[case]
    q, down = _poses(profile, 200, seed=10 + case)
    moving = [index for index, item in enumerate(profile.joints) if item.axis != "grip"]
    arm, theirs = arm_model(profile), _theirs(profile, stone, q, down)

    ours = arm.mass_matrix_kg_m2(q, stone.name)[:, moving][:, :, moving]

    assert _worst(ours, theirs.mass_matrix) < 1e-9
    assert _worst(arm.tip_m(q, stone.name), theirs.tip) < 1e-9
    assert _worst(arm.tip_jacobian_m(q, stone.name)[:, :, moving], theirs.jacobian) < 1e-9


@pytest.mark.parametrize(
    "order",
    [
        ("vertical", "pitch", "pitch", "roll", "pitch", "grip"),
        ("roll", "pitch", "vertical", "pitch", "grip", "roll"),
        ("vertical", "vertical", "pitch", "pitch", "pitch", "roll"),
    ],
    ids=["rolling forearm", "anyhow", "two verticals"],
)
def test_arms_in_other_orders(order: tuple[str, ...]) -> None:
    """MuJoCo (mujoco package): invented arms, every joint with a body, a rise and gyration, in 200 poses: torques, mass
    matrix, place of the load; 1e-9 of the largest.
    """
    profile = reordered(order, seed=3)
    stone = profile.loads[0]
    q, down = _poses(profile, 200, seed=20)
    moving = [index for index, item in enumerate(profile.joints) if item.axis != "grip"]
    arm, theirs = arm_model(profile), _theirs(profile, stone, q, down)

    ours = arm.mass_matrix_kg_m2(q, "stone")[:, moving][:, :, moving]

    assert _worst(arm.tip_m(q, "stone"), theirs.tip) < 1e-9
    assert _worst(arm.gravity_torque_n_m(q, "stone", down)[:, moving], theirs.torque) < 1e-9
    assert _worst(ours, theirs.mass_matrix) < 1e-9


@pytest.mark.parametrize("case", range(3), ids=["kerb arm", "rolling forearm", "anyhow"])
def test_speeds_of_points_of_parts(case: int) -> None:
    """MuJoCo (mujoco package): mj_jac of points beside every capsule's ends and every load's centre, fixed
    to the body that carries them, in 50 random poses: place and speed for 1 rad/s of each joint, 1e-9 of the largest.
    """
    orders = (
        ("vertical", "pitch", "pitch", "roll", "pitch", "grip"),
        ("roll", "pitch", "vertical", "pitch", "grip", "roll"),
    )
    profile = worked("kerb-arm") if case == 0 else reordered(orders[case - 1], seed=7)
    q, _ = _poses(profile, 50, seed=30 + case)
    moving = [index for index, item in enumerate(profile.joints) if item.axis != "grip"]
    model, rng = _model(profile, None), np.random.default_rng(case)
    data, compared = mujoco.MjData(model), 0
    for part in arm_shape(profile).parts:
        indices = [hinge.index for hinge in part.hinges]
        if None in indices:
            continue
        places, (speeds, axes) = part.places_m(q[:, indices]), part.speeds_m(q[:, indices])
        beside = rng.uniform(-0.3, 0.3, places.shape)
        ours = speeds + np.cross(axes[:, None, :, :], beside[:, :, None, :])
        for number, pose in enumerate(q):
            data.qpos[:] = pose[moving]
            mujoco.mj_forward(model, data)
            for end, place in enumerate(places[number]):
                theirs = np.zeros((3, model.nv))
                body = model.joint(profile.joints[indices[-1]].name).bodyid[0]
                mujoco.mj_jac(model, data, theirs, None, place + beside[number, end], body)
                assert pytest.approx(theirs[:, [moving.index(one) for one in indices]], abs=1e-9) == ours[number, end].T
                compared += 1
    assert compared >= 50 * 6


def _cylinders() -> list[tuple[Profile, int]]:
    return [
        (profile, index)
        for profile in (worked("kerb-arm"), worked("test-stand"))
        for index, item in enumerate(profile.joints)
        if isinstance(item.drive, CylinderDrive)
    ]


@pytest.mark.parametrize("case", range(len(_cylinders())))
def test_cylinder_length_and_lever_arm_against_a_tendon(case: int) -> None:
    """MuJoCo (mujoco package): length and Jacobian of a spatial tendon between the two pins over the whole travel, to
    1e-9 m; every cylinder of the worked machines.
    """
    profile, index = _cylinders()[case]
    item = profile.joints[index]
    drive, model = item.drive, joint_model(profile, item)
    assert isinstance(drive, CylinderDrive)
    base, rod = float(drive.base_radius_m), float(drive.rod_radius_m)
    # The rod's pin lies on the moved part's x axis, the base pin so that it is at the included angle when q is 0.
    sense = 1.0 if drive.extends_positive else -1.0
    angle = -sense * math.radians(float(drive.included_at_zero_deg))
    theirs = mujoco.MjModel.from_xml_string(
        f"""<mujoco><worldbody><site name="base" pos="{base * math.cos(angle)!r} 0 {base * math.sin(angle)!r}"/>
        <body><joint type="hinge" axis="0 -1 0"/><inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/>
        <site name="rod" pos="{rod!r} 0 0"/></body></worldbody>
        <tendon><spatial><site site="base"/><site site="rod"/></spatial></tendon></mujoco>"""
    )
    data = mujoco.MjData(theirs)
    hard = item.limits.hard_stops_deg
    assert hard is not None
    lengths, levers = [], []
    travel = np.radians(np.linspace(float(hard.lower), float(hard.upper), 301))
    for q in travel:
        data.qpos[0] = q
        mujoco.mj_forward(theirs, data)
        lengths.append(float(data.ten_length[0]))
        levers.append(float(np.asarray(data.ten_J).ravel()[0]))

    assert model.length_m(travel) == pytest.approx(np.array(lengths), abs=1e-9)
    assert sense * model.lever_m(travel) == pytest.approx(np.array(levers), abs=1e-9)


def _level(arm: Arm, load_name: str | None, g: float) -> np.ndarray:
    """Torque of gravity at all joints with every angle 0, for a source that uses another gravity."""
    return arm.gravity_torque_n_m(np.zeros(len(arm.joint_names)), load_name)[0] * g / GRAVITY_M_S2


def test_two_level_links() -> None:
    """Two links of 10 kg and 1 m, centres at 0.5 m, level, g 9.81: 196.2 N m at the base, 49.05 N m at the second.

    Source: closed form, m g (0.5 + 1.5) and m g 0.5; the same as a public recursive Newton-Euler library gave.
    """
    link = {"mass_kg": 10.0, "centre_m": 0.5, "length_m": 1.0}
    arm = Arm(chain=chain(joint("first", PITCH, **link), joint("second", PITCH, **link)))

    assert _level(arm, None, 9.81) == pytest.approx([-196.2, -49.05], rel=1e-9)


def test_forearm_that_holds_a_load() -> None:
    """OpenStax, College Physics, module m42175 (forces and torques in muscles and joints): forearm 2.50 kg at 16.0 cm,
    load 4.00 kg at 38.0 cm, muscle at 4.0 cm, g 9.80: 470 N in the muscle, 407 N in the elbow (three digits).
    """
    forearm = joint("elbow", PITCH, mass_kg=2.5, centre_m=0.16, length_m=0.38)
    arm = Arm(chain=chain(forearm, stone=load(4.0, 0.38)))

    muscle_n = -_level(arm, "stone", 9.80)[0] / 0.04

    assert muscle_n == pytest.approx(470, rel=2e-3)
    assert muscle_n - 6.5 * 9.80 == pytest.approx(407, rel=2e-3)


def test_excavator_arm_held_by_its_cylinder() -> None:
    """Excavator arm, worked on a public answer page (askfilo.com, "excavator arm statics: the figure below shows the
    arm of an ..."): 432 kg with its centre 2.760 m from pivot C, cylinder from A (0, 1.200) to B (0.720, 0.960) m; its
    length 0.758 m (page), moment 11 711.6 N m (page; 432 x 9.81 x 2.760 is 11 696.7, the page slips by 0.13 %).
    """
    arm = Arm(chain=chain(joint("arm", PITCH, mass_kg=432.0, centre_m=2.760)))
    included = math.pi / 2 - math.atan2(0.960, 0.720)  # between CA and CB
    linkage = Linkage(
        base_radius_m=1.200, rod_radius_m=math.hypot(0.720, 0.960), included_at_zero_rad=included, sense=1
    )

    moment = -_level(arm, None, 9.81)[0]

    assert float(linkage.length_m(0.0)) == pytest.approx(0.758, rel=2e-3)
    assert moment == pytest.approx(11_711.6, rel=3e-3)
    assert moment / float(linkage.lever_m(0.0)) == pytest.approx(10_274, rel=3e-3)


def test_uniform_rod_about_its_end_and_a_ball_on_it() -> None:
    """A textbook's parallel axis theorem: a uniform rod of mass m and length l about its end is m l^2 / 3, with a
    radius of gyration of l / sqrt(12) about its centre; a point mass M at the end adds M l^2.
    """
    mass, length = 12.0, 1.8
    rod = joint("rod", PITCH, mass_kg=mass, centre_m=length / 2, gyration_m=length / math.sqrt(12.0), length_m=length)
    arm = Arm(chain=chain(rod, stone=load(5.0, length)))

    inertia = arm.inertia_kg_m2([[0.4]], "stone")[0, 0]

    assert inertia == pytest.approx(mass * length**2 / 3 + 5 * length**2, rel=1e-12)
