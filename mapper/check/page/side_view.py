"""The whole arm seen from its right-hand side: the pose of the worst lift torque, and how far the load gets.

The swing is left out (a joint about the vertical before any other turns the picture, not the arm in it), and so are
roll joints: the load is drawn on the roll axis, its offset as a bar across it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from mapper.check.page.svg import Floats, Labels, View, around, dot, fitted, line, opened, path, scale_bar
from mapper.machine.arm.arm import Arm
from mapper.machine.arm.chain import GRIP, PITCH, ROLL, VERTICAL, chain_of
from mapper.machine.arm.planar import is_planar
from mapper.machine.load import Node, against_n_m, node_of_most
from mapper.machine.model import POSITIVE
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import Profile

_WIDTH, _HEIGHTS, _MARGIN = 760.0, (340.0, 620.0), (60.0, 40.0)
_SAMPLES = 40_000  # poses of the joints beyond the first that lifts
_RINGS = 90  # distances at which the outline of the reach is worked out


@dataclass(frozen=True, slots=True, kw_only=True)
class LiftCase:
    """Where gravity sets most against lifting, of the first joint that lifts."""

    joint_index: int
    load_name: str
    torque_n_m: float
    pose_rad: Floats  # (J,) with swing and roll at 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Outline in the upright plane, (n, 2) m from the pivot of the first joint that turns; ends in m from there."""

    outline_m: Floats
    farthest_m: float  # forward
    highest_m: float
    lowest_m: float


def lift_case(profile: Profile, physics: dict[str, JointPhysics]) -> LiftCase | None:
    """None where no joint lifts, or where it is not known what the first one carries."""
    index = next((number for number, joint in enumerate(profile.joints) if joint.axis == PITCH), None)
    if index is None or profile.joints[index].name not in physics:
        return None
    envelope = physics[profile.joints[index].name].envelope
    torque = against_n_m(envelope, POSITIVE)
    node: Node = node_of_most(envelope, torque)
    pose = envelope.pose_of_least_rad[node.load_index, node.q_index].copy()
    for number, joint in enumerate(profile.joints):
        if joint.axis in (VERTICAL, ROLL):
            pose[number] = 0.0
    return LiftCase(
        joint_index=index,
        load_name=node.load_name,
        torque_n_m=float(torque[node.load_index, node.q_index]),
        pose_rad=pose,
    )


def reach_of(profile: Profile, load_name: str) -> Reach | None:
    """How far the load's centre on the roll axis gets, all pitch joints between their hard stops. None for an arm that
    does not move in one upright plane.

    About the first joint that lifts, the place of the load is a distance and an angle that the joints beyond set, and
    the first joint adds its travel to the angle. So at every distance the outline has the least and the largest angle,
    widened by that travel. Angles in between that no pose reaches count as reached: the outline is never too small,
    but for the steps of the grid.
    """
    arm = _on_the_axis(profile)
    if not is_planar(arm.chain.moving()):
        return None
    pitches = [number for number, joint in enumerate(arm.chain.joints) if joint.axis == PITCH]
    if not pitches:
        return None
    first, beyond = pitches[0], pitches[1:]
    count = max(2, min(400, int(_SAMPLES ** (1.0 / max(1, len(beyond))))))
    grids = [np.linspace(arm.chain.joints[n].lower_rad, arm.chain.joints[n].upper_rad, count) for n in beyond]
    shape = [len(grid) for grid in grids]
    poses = np.zeros((math.prod(shape), len(arm.chain.joints)))
    if beyond:
        for number, angles in zip(beyond, np.meshgrid(*grids, indexing="ij"), strict=True):
            poses[:, number] = angles.ravel()
    pivot = arm.pose(poses[:1], load_name).pivots_m[0, first][[0, 2]]
    away = arm.tip_m(poses, load_name)[:, [0, 2]] - pivot
    distance, angle = np.hypot(*away.T), np.arctan2(away[:, 1], away[:, 0])
    own = arm.chain.joints[first]
    outline = pivot + _outline(distance, angle, (own.lower_rad, own.upper_rad))
    return Reach(
        outline_m=outline,
        farthest_m=float(outline[:, 0].max()),
        highest_m=float(outline[:, 1].max()),
        lowest_m=float(outline[:, 1].min()),
    )


def _outline(distance_m: Floats, angle_rad: Floats, travel_rad: tuple[float, float]) -> Floats:
    """(n, 2) m from the pivot: out along the largest angles, back along the least ones."""
    middle = math.atan2(float(np.sin(angle_rad).mean()), float(np.cos(angle_rad).mean()))
    turned = (angle_rad - middle + math.pi) % (2.0 * math.pi) - math.pi  # no jump in the midst of the angles
    near, far = float(distance_m.min()), float(distance_m.max())
    rings = np.linspace(near, far, _RINGS)
    step = max((far - near) / (_RINGS - 1), 1e-12)
    number = np.rint((distance_m - near) / step).astype(np.intp)
    least, most = np.full(_RINGS, np.inf), np.full(_RINGS, -np.inf)
    np.minimum.at(least, number, turned)
    np.maximum.at(most, number, turned)
    known = np.isfinite(least)
    rings, least, most = rings[known], least[known] + middle + travel_rad[0], most[known] + middle + travel_rad[1]
    most = np.minimum(most, least + 2.0 * math.pi)
    outer = np.linspace(most[-1], least[-1], _RINGS)
    inner = np.linspace(least[0], most[0], _RINGS)
    radius = np.concatenate([rings, np.full(_RINGS, rings[-1]), rings[::-1], np.full(_RINGS, rings[0])])
    angles = np.concatenate([most, outer, least[::-1], inner])
    return np.stack([radius * np.cos(angles), radius * np.sin(angles)], axis=1)


def _on_the_axis(profile: Profile) -> Arm:
    chain = chain_of(profile)
    return Arm(chain=replace(chain, loads=tuple(replace(load, offset_m=0.0) for load in chain.loads)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ArmPlaces:
    """In the upright plane, (x, z) in m from the pivot of the first joint that turns."""

    pivots: dict[str, Floats]  # by joint name, base first, grip joints left out
    end: Floats  # of the last body
    masses: tuple[tuple[float, Floats], ...]  # kg and centre of every body
    load: Floats
    load_mass_kg: float
    load_across: Floats  # half of the bar: how far the load may lie off the roll axis


def arm_places(profile: Profile, case: LiftCase) -> ArmPlaces:
    """Where everything is in the pose of the case."""
    arm, plane = _on_the_axis(profile), [0, 2]
    pose = arm.pose(case.pose_rad, case.load_name)
    mass, _, _ = arm.bodies(case.load_name)
    offset = next((load.offset_m for load in chain_of(profile).loads if load.name == case.load_name), 0.0)
    return ArmPlaces(
        pivots={
            joint.name: pose.pivots_m[0, number][plane]
            for number, joint in enumerate(arm.chain.joints)
            if joint.axis != GRIP
        },
        end=arm.tip_m(case.pose_rad, None)[0][plane],
        masses=tuple((float(one), place[plane]) for one, place in zip(mass[:-1], pose.places_m[0, :-1], strict=True)),
        load=pose.tip_m[0][plane],
        load_mass_kg=float(mass[-1]),
        load_across=offset * pose.end_turns[0, :, 2][plane],
    )


def arm_drawing(profile: Profile, case: LiftCase, reach: Reach | None) -> str:
    """The drawing as one SVG element."""
    where = arm_places(profile, case)
    line_m = np.stack([np.zeros(2), *where.pivots.values(), where.end])
    corners = np.concatenate([line_m, where.load[None], *([] if reach is None else [reach.outline_m])])
    view = fitted(corners, _WIDTH, _HEIGHTS, _MARGIN)
    labels = Labels(view)
    parts = [] if reach is None else [path("reach", view.all(reach.outline_m), closed=True)]
    parts += [_level(view), path("arm", view.all(line_m)), path("arm thin", [view.at(where.end), view.at(where.load)])]
    labels.keep_clear([*view.all(line_m), view.at(where.load)])
    for place in (*where.pivots.values(), where.load):
        labels.keep_clear(around(view.at(place)), 5.0)
    if reach is not None:
        labels.keep_clear(view.all(reach.outline_m), 0.3)
    parts += _load(view, where)
    parts += [dot("pivot", view.at(place), 5.0) for place in where.pivots.values()]
    parts += [_centre(view, place) for _, place in where.masses]
    parts += _texts(view, labels, profile, where, case)
    if reach is not None:
        parts += _reach_texts(view, labels, reach)
    return opened("arm", view, _heard(profile, case, reach)) + "".join(parts) + scale_bar(view) + "</svg>"


def _level(view: View) -> str:
    y = view.at((0.0, 0.0))[1]
    return line("level", (0.0, y), (view.width, y))


def _load(view: View, where: ArmPlaces) -> list[str]:
    shown = [dot("load", view.at(where.load), 8.0)]
    if np.any(where.load_across):
        ends = view.at(where.load - where.load_across), view.at(where.load + where.load_across)
        shown.insert(0, line("offset", *ends))
    return shown


def _centre(view: View, place: Floats) -> str:
    x, y = view.at(place)
    return line("centre", (x - 5, y), (x + 5, y)) + line("centre", (x, y - 5), (x, y + 5))


def _texts(view: View, labels: Labels, profile: Profile, where: ArmPlaces, case: LiftCase) -> list[str]:
    titles = {joint.name: joint.title or joint.name for joint in profile.joints}
    names: dict[tuple[float, float], list[str]] = {}
    for name, place in where.pivots.items():
        names.setdefault(view.at(place), []).append(titles[name])
    parts = [labels.place("name", ", ".join(one), place, (-0.4, -1.0)) for place, one in names.items()]
    parts += [labels.place("size", f"{mass:.4g} kg", view.at(place), (0.0, 1.0)) for mass, place in where.masses]
    across, height = where.load
    text = f"{case.load_name}, {where.load_mass_kg:.4g} kg: {across * 1000.0:.0f} mm out, {_height_words(height)}"
    parts.append(labels.place("load", text, view.at(where.load), (0.3, 1.0)))
    return parts


def _reach_texts(view: View, labels: Labels, reach: Reach) -> list[str]:
    outline = reach.outline_m
    parts = []
    for index, text, away in (
        (int(outline[:, 0].argmax()), f"{reach.farthest_m * 1000.0:.0f} mm out", (-1.0, -0.3)),
        (int(outline[:, 1].argmax()), _height_words(reach.highest_m), (0.2, -1.0)),
        (int(outline[:, 1].argmin()), _height_words(reach.lowest_m), (0.2, 1.0)),
    ):
        place = view.at(outline[index])
        parts.append(dot("reach end", place, 3.0) + labels.place("reach", text, place, away))
    return parts


def _height_words(height_m: float) -> str:
    return f"{abs(height_m) * 1000.0:.0f} mm {'up' if height_m >= 0 else 'down'}"


def _heard(profile: Profile, case: LiftCase, reach: Reach | None) -> str:
    words = pose_words(profile, case)
    far = (
        ""
        if reach is None
        else f"; the load's centre reaches {reach.farthest_m * 1000.0:.0f} mm out, from "
        f"{_height_words(reach.lowest_m)} to {_height_words(reach.highest_m)}"
    )
    return f"The arm from its right-hand side, to scale, with load {case.load_name}: {words}{far}"


def pose_words(profile: Profile, case: LiftCase) -> str:
    """The angles of the joints that lift."""
    return ", ".join(
        f"{joint.title or joint.name} {math.degrees(angle):.1f} deg"
        for joint, angle in zip(profile.joints, case.pose_rad, strict=True)
        if joint.axis == PITCH
    )
