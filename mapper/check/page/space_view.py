"""The arm among its keep-out spaces: from above and from the right-hand side, to scale, in the pose that comes nearest.

Both are plain projections of the base frame: from above x points right and y up; from the side x points right and z up.
Parts are drawn as thick as the profile's radii make them. Dashed: the pose in which a point of the arm is farthest from
the first joint's axis, that joint at 0. From above, where the first joint is upright, the room that no point leaves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.check.page.svg import Floats, Labels, View, dot, escaped, fitted, line, opened, path, scale_bar
from mapper.check.space.keep_out import Nearest, nearest_to
from mapper.check.space.reach import Farthest, farthest
from mapper.check.space.words import pose_words, quoted
from mapper.machine.arm.chain import VERTICAL
from mapper.machine.arm.points import ArmShape, Part, arm_shape
from mapper.profile.profile import KeepOut, Profile

_WIDTH, _HEIGHTS, _MARGIN = 520.0, (300.0, 520.0), (44.0, 40.0)
_ROUND = 13  # places on half a circle
_ABOVE, _SIDE = (0, 1), (0, 2)  # coordinates that a view shows


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What both views show."""

    profile: Profile
    shape: ArmShape
    spaces: tuple[tuple[KeepOut, Nearest | None], ...]
    worst: Nearest | None  # the nearest of all
    far: Farthest


def scene_of(profile: Profile) -> Scene | None:
    """None where the profile does not say how much room arm and load take, or has nothing that moves."""
    shape = arm_shape(profile)
    far = None if shape.missing else farthest(profile, shape)
    if far is None:
        return None
    spaces = tuple((space, nearest_to(profile, shape, space)) for space in profile.keep_out)
    found = [one for _, one in spaces if one is not None]
    return Scene(
        profile=profile,
        shape=shape,
        spaces=spaces,
        worst=min(found, key=lambda one: one.found_m, default=None),
        far=far,
    )


def space_views(scene: Scene) -> tuple[str, str]:
    """From above, from the right-hand side: an SVG element each."""
    return _view(scene, _ABOVE), _view(scene, _SIDE)


def scene_words(scene: Scene) -> str:
    """What the two drawings show."""
    far = scene.far
    words = [
        f"No point of arm or load gets farther than {far.most_m * 1000.0:.0f} mm from the axis of the first joint; "
        f"dashed: {far.part.name} {far.found_m * 1000.0:.0f} mm away, at "
        f"{pose_words(scene.profile, far.part, far.pose_rad)}"
    ]
    for space, nearest in scene.spaces:
        if nearest is not None:
            gap = nearest.found_m * 1000.0
            how = f"{gap:.0f} mm from" if gap >= 0.0 else f"{-gap:.0f} mm into"
            pose = pose_words(scene.profile, nearest.part, nearest.pose_rad)
            words.append(f"{nearest.part.name} gets {how} {quoted(space)} at {pose}")
    if scene.worst is not None:
        words.append(f"solid: the pose that comes nearest of all, to {quoted(scene.worst.space)}")
    return "; ".join(words) + "."


def _view(scene: Scene, shown: tuple[int, int]) -> str:
    far_pose = _pose_of(scene, scene.far.part, scene.far.pose_rad, first_rad=0.0)
    near_pose = None if scene.worst is None else _pose_of(scene, scene.worst.part, scene.worst.pose_rad)
    outlines = [] if scene.worst is None or near_pose is None else _outlines(scene, near_pose, scene.worst.part, shown)
    far_outlines = _outlines(scene, far_pose, scene.far.part, shown)
    boxes = [(space.name, _box(space, shown)) for space, _ in scene.spaces]
    room = _room(scene) if shown == _ABOVE else np.zeros((0, 2))
    places = [np.zeros((1, 2)), *outlines, *far_outlines, *(box for _, box in boxes), room]
    view = fitted(np.concatenate(places), _WIDTH, _HEIGHTS, _MARGIN)
    labels = Labels(view)
    parts = [path("reach", view.all(room), closed=True)] if len(room) else []
    parts += [path("keep", view.all(box), closed=True) for _, box in boxes]
    parts += [path("part far", view.all(outline), closed=True) for outline in far_outlines]
    parts += [path("part", view.all(outline), closed=True) for outline in outlines]
    parts += _level(view, shown)
    parts.append(dot("pivot", view.at((0.0, 0.0)), 4.0))
    for outline in (*outlines, *far_outlines):
        labels.keep_clear(view.all(outline), 0.4)
    for name, box in boxes:
        labels.keep_clear(view.all(box), 0.4)
        parts.append(labels.place("keep", name, view.at(box.mean(axis=0)), (0.0, 1.0)))
    end = far_outlines[0][int(np.argmax(far_outlines[0][:, 0]))]
    parts.append(labels.place("reach", f"{scene.far.found_m * 1000.0:.0f} mm", view.at(end), (-0.3, -1.0)))
    return opened("arm space", view, _heard(scene, shown)) + "".join(parts) + scale_bar(view) + "</svg>"


def _heard(scene: Scene, shown: tuple[int, int]) -> str:
    side = "above" if shown == _ABOVE else "its right-hand side"
    return f"The arm and its keep-out spaces from {side}, to scale. {scene_words(scene)}"


def _pose_of(scene: Scene, part: Part, pose_rad: Floats, first_rad: float | None = None) -> dict[int | None, float]:
    """Angles by joint; joints that do not move the part lie where 0 is, or as near as their stops let them."""
    found: dict[int | None, float] = {}
    for other in scene.shape.parts:
        for hinge in other.hinges:
            found.setdefault(hinge.index, min(max(0.0, hinge.lower_rad), hinge.upper_rad))
    found |= {hinge.index: float(angle) for hinge, angle in zip(part.hinges, pose_rad, strict=True)}
    first = part.hinges[0]
    if first_rad is not None:
        found[first.index] = min(max(first_rad, first.lower_rad), first.upper_rad)
    return found


def _ends(part: Part, pose: dict[int | None, float]) -> Floats:
    """(E, 3)."""
    return np.asarray(part.places_m(np.array([[pose[hinge.index] for hinge in part.hinges]]))[0])


def _drawn(scene: Scene, chosen: Part) -> list[Part]:
    """The part that matters, all other bodies, and one load: the largest, where the part is none."""
    loads = [part for part in scene.shape.parts if part.joint_name is None]
    bodies = [part for part in scene.shape.parts if part.joint_name is not None and part is not chosen]
    largest = max(loads, key=lambda part: part.radius_m, default=None)
    return [chosen, *bodies, *([largest] if largest is not None and chosen.joint_name is not None else [])]


def _outlines(scene: Scene, pose: dict[int | None, float], chosen: Part, shown: tuple[int, int]) -> list[Floats]:
    return [_outline(_ends(part, pose)[:, shown], part.radius_m) for part in _drawn(scene, chosen)]


def _outline(ends_m: Floats, radius_m: float) -> Floats:
    """(n, 2): around a line with round ends, or a circle around one place."""
    first, last = ends_m[0], ends_m[-1]
    along = last - first
    angle = math.atan2(along[1], along[0]) if np.hypot(*along) > 0.0 else 0.0
    half = np.linspace(-math.pi / 2.0, math.pi / 2.0, _ROUND)
    radius = max(radius_m, 1e-3)
    caps = [
        place + radius * np.stack([np.cos(angle + turn), np.sin(angle + turn)], axis=1)
        for place, turn in ((last, half), (first, half + math.pi))
    ]
    return np.concatenate(caps)


def _box(space: KeepOut, shown: tuple[int, int]) -> Floats:
    """(4, 2)."""
    low, high = (np.array([float(value) for value in corner])[list(shown)] for corner in (space.lower_m, space.upper_m))
    return np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]])


def _room(scene: Scene) -> Floats:
    """(n, 2): the circle sector that the first joint sweeps with the farthest reach; empty where it is not upright."""
    first = scene.far.part.hinges[0]
    if first.axis != VERTICAL:
        return np.zeros((0, 2))
    angles = np.linspace(first.lower_rad, first.upper_rad, 73)
    arc = scene.far.most_m * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    return arc if first.upper_rad - first.lower_rad >= 2.0 * math.pi else np.concatenate([np.zeros((1, 2)), arc])


def _level(view: View, shown: tuple[int, int]) -> list[str]:
    x, y = view.at((0.0, 0.0))
    lines = [line("level", (0.0, y), (view.width, y))]
    return lines if shown == _SIDE else [*lines, line("level", (x, 0.0), (x, view.height))]


def space_section(profile: Profile) -> str:
    """Heading apart, what the page shows of the arm in space."""
    scene = scene_of(profile)
    if scene is None:
        missing = ", ".join(arm_shape(profile).missing)
        why = f"Not drawn: the profile does not say {missing}." if missing else "Nothing of this machine moves."
        return f'<div class="missing"><p>{escaped(why)}</p></div>'
    above, side = space_views(scene)
    upright = scene.far.part.hinges[0].axis == VERTICAL
    shaded = " Shaded from above: the sector that the first joint sweeps with that reach." if upright else ""
    none = "" if profile.keep_out else " The profile has no keep-out space: nothing was looked at."
    return (
        '<div class="spaces">'
        f"<figure><figcaption>From above, to scale: forward is to the right, left is up</figcaption>{above}</figure>"
        f"<figure><figcaption>From its right-hand side, to scale: forward is to the right</figcaption>{side}</figure>"
        f'</div><p class="about">{escaped(scene_words(scene) + none)} Between the hard stops; a part is everything '
        f"within its radius of its line.{shaded}</p>"
    )
