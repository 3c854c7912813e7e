"""No part of arm or load gets into a keep-out space, in any pose between the hard stops, those of coupled stops too."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from mapper.check.context import judge, not_shown
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.space.branch import BOXES_MOST, Found, highest, ruled_out
from mapper.check.space.clearance import depth_in
from mapper.check.space.words import NO_POSE, NO_POSE_ADVICE, missing_advice, pose_words, quoted
from mapper.machine.arm.points import ArmShape, Part, arm_shape
from mapper.profile.profile import KeepOut, Profile

Floats = npt.NDArray[np.float64]

_MM = 1000.0
_TOLERANCE = 0.05  # of the distance: how near the bound comes to that of a pose
_TOLERANCE_LEAST_M = 1e-4
_TRIAL_BOXES = 40_000
_DEEP_BOXES = 3_000  # that are looked at for a deeper pose where one enters
_TRIALS = 7  # halvings of a stop's way
_MOST_LOST = 0.75  # of a joint's travel that a stop is moved by, at most
_WAYS = 3  # that are told


@dataclass(frozen=True, slots=True, kw_only=True)
class Nearest:
    """How near all parts come to one space; a negative clearance is how deep one is in it."""

    space: KeepOut
    clear_m: float  # proven: no pose is nearer
    found_m: float  # in the pose
    part: Part
    pose_rad: Floats
    boxes: int


def keep_out(profile: Profile) -> Finding | None:
    """The machine's keep-out spaces together: worst is the least clearance in mm. None where the profile has none."""
    if not profile.keep_out:
        return None
    shape = arm_shape(profile)
    if shape.missing:
        return not_shown(
            None,
            "keep_out",
            unit="mm",
            detail=f"how much room arm and load take is not in the profile: {', '.join(shape.missing)}",
            advice=missing_advice(shape),
        )
    nearest = [one for space in profile.keep_out if (one := nearest_to(profile, shape, space)) is not None]
    if len(nearest) < len(profile.keep_out):
        return not_shown(None, "keep_out", unit="mm", detail=NO_POSE, advice=NO_POSE_ADVICE)
    boxes = sum(one.boxes for one in nearest)
    entered = [one for one in nearest if one.found_m < 0.0]
    open_ = [one for one in nearest if one.found_m >= 0.0 > one.clear_m]
    advice = " | ".join(_advice(profile, shape, one) for one in (*entered, *open_))
    detail = "; ".join(_detail(profile, one) for one in nearest)
    if open_ and not entered:
        return not_shown(None, "keep_out", unit="mm", detail=detail, advice=advice)
    worst = min(nearest, key=lambda one: one.found_m if one.found_m < 0.0 else one.clear_m)
    return judge(
        None,
        "keep_out",
        evidence=Evidence.INTERVAL,
        cases=boxes,
        worst=(worst.found_m if worst.found_m < 0.0 else worst.clear_m) * _MM,
        bound=0.0,
        unit="mm",
        at_least=True,
        detail=f"{detail}; every pose between the hard stops: that no joint passes them is soft_stop_overrun"
        + (" and coupled_stops" if profile.coupled_stops else ""),
        advice=advice,
        explanation=_explanation(profile, worst),
    )


def nearest_to(profile: Profile, shape: ArmShape, space: KeepOut) -> Nearest | None:
    """The part that comes nearest, over all poses; where one enters, a deep one, not proven to be the deepest. None
    where no pose was found that the coupled stops leave.
    """
    # What hangs on few joints first: it takes little work, and what stays farther away is done with at once.
    parts = sorted(shape.parts, key=lambda one: (len(one.hinges), -one.radius_m))
    best: tuple[Found, Part] | None = None
    most, boxes = -math.inf, 0
    for part in parts:
        known = -math.inf if best is None else best[0].value
        found = _search(profile, part, space, known, BOXES_MOST if known < 0.0 else _DEEP_BOXES)
        most, boxes = max(most, found.most), boxes + found.boxes
        if found.pose_rad is None:
            return None
        if found.value > known:
            best = found, part
    if best is None or best[0].pose_rad is None:
        return None
    return Nearest(
        space=space,
        clear_m=-most,
        found_m=-best[0].value,
        part=best[1],
        pose_rad=best[0].pose_rad,
        boxes=boxes,
    )


def _search(profile: Profile, part: Part, space: KeepOut, known_m: float, boxes_most: int) -> Found:
    """One part. The first pose that enters decides; then some more boxes are looked at for a deeper one."""
    look = functools.partial(
        highest,
        depth_in(part, space),
        part.travel_rad(),
        ruled_out(profile, part.hinges),
        tolerance=lambda depth: max(_TOLERANCE * abs(depth), _TOLERANCE_LEAST_M),
        least=known_m,
    )
    found = look(enough=0.0 if known_m < 0.0 else math.inf, boxes_most=boxes_most)
    return found if found.value < 0.0 or known_m >= 0.0 else look(boxes_most=_DEEP_BOXES)


def _detail(profile: Profile, one: Nearest) -> str:
    pose = pose_words(profile, one.part, one.pose_rad)
    if one.found_m < 0.0:
        return f"{one.part.name} gets {-one.found_m * _MM:.0f} mm into {quoted(one.space)}: at {pose}"
    if one.clear_m < 0.0:
        return (
            f"no pose was found in {quoted(one.space)}, the nearest is {one.found_m * _MM:.1f} mm away "
            f"({one.part.name} at {pose}), but after {one.boxes} boxes of poses {-one.clear_m * _MM:.1f} mm inside is "
            "not ruled out"
        )
    return (
        f"{quoted(one.space)} stays clear by {one.clear_m * _MM:.0f} mm; nearest found, {one.found_m * _MM:.0f} mm: "
        f"{one.part.name} at {pose}"
    )


def _explanation(profile: Profile, one: Nearest) -> Explanation:
    space = one.space
    sides = zip("xyz", space.lower_m, space.upper_m, strict=True)
    given = [
        Given(
            symbol=axis,
            meaning=f"of {quoted(space)}",
            value=f"{float(low) * _MM:g} to {float(high) * _MM:g}",
            unit="mm",
        )
        for axis, low, high in sides
    ]
    end = one.part.places_m(one.pose_rad[None])[0]
    given += [
        Given(
            symbol="p",
            meaning=f"{place} of {one.part.name}, x y z",
            value=" ".join(f"{value * _MM:.0f}" for value in row),
            unit="mm",
        )
        for place, row in zip(("start", "end") if len(end) > 1 else ("middle",), end, strict=True)
    ]
    given += [
        Given(symbol="r", meaning="its radius", value=one.part.radius_m * _MM, unit="mm"),
        Given(
            symbol="a",
            meaning=pose_words(profile, one.part, one.pose_rad),
            value=round(one.found_m * _MM, 2),
            unit="mm",
        ),
        Given(symbol="a bound", meaning="no pose is nearer", value=round(one.clear_m * _MM, 2), unit="mm"),
    ]
    return Explanation(
        formula=(
            "a = distance of the line of each part from the box - r, the least over all parts and poses",
            "over a box of angles a >= d . p - sum |d . dp/dq| h - remainder of second order - the box's edge along d",
        ),
        given=tuple(given),
        source="Taylor's theorem with the remainder of Lagrange, any textbook of analysis; branch and bound; derived "
        "in mapper/check/space/clearance.py",
    )


# -- advice -----------------------------------------------------------------------------------------------------------


def _advice(profile: Profile, shape: ArmShape, one: Nearest) -> str:
    """Which joint's stop keeps all parts out of the space, moved no farther than it takes; each was tried alone."""
    ways = [way for number in range(len(one.part.hinges)) for way in _moved_stops(profile, shape, one, number)]
    ways.sort(key=lambda way: way[0])
    if not ways:
        return (
            f"no joint's stop alone keeps the arm out of {quoted(one.space)}: move the space or the machine, or write "
            "a coupled stop"
        )
    told = " | ".join(text for _, text in ways[:_WAYS])
    return f"{told} (steel stops, moved so far; each tried alone)"


def _moved_stops(profile: Profile, shape: ArmShape, one: Nearest, number: int) -> list[tuple[float, str]]:
    """(degrees of travel lost, what to write) for both stops of one hinge, where moving one helps."""
    index = one.part.hinges[number].index
    hard = None if index is None else profile.joints[index].limits.hard_stops_deg
    if index is None or hard is None or profile.joints[index].continuous:
        return []
    joint, ways = profile.joints[index], []
    lower, upper = float(hard.lower), float(hard.upper)
    for side, start, end in (("lower", lower, upper), ("upper", upper, lower)):
        near, far = start, start + _MOST_LOST * (end - start)
        if not _stays_out(profile, shape, one.space, (index, side, far)):
            continue
        for _ in range(_TRIALS):
            middle = (near + far) / 2.0
            if _stays_out(profile, shape, one.space, (index, side, middle)):
                far = middle
            else:
                near = middle
        stop = math.ceil(far) if side == "lower" else math.floor(far)
        soft = joint.limits.soft_stops_deg
        room = 0.0 if soft is None else float(soft.lower - hard.lower if side == "lower" else soft.upper - hard.upper)
        key = f"joints.{joint.name}.limits"
        text = f'{key}.hard_stops.{side} = "{stop:g} deg" and {key}.soft_stops.{side} = "{round(stop + room, 3):g} deg"'
        ways.append((abs(stop - start), text))
    return ways


def _stays_out(profile: Profile, shape: ArmShape, space: KeepOut, stop: tuple[int, str, float]) -> bool:
    """True where it is shown for all parts with one hard stop (joint, side, deg) moved."""
    index, side, angle_deg = stop
    angle = math.radians(angle_deg)
    for part in reversed(shape.parts):
        hinges = tuple(
            one
            if one.index != index
            else (replace(one, lower_rad=angle) if side == "lower" else replace(one, upper_rad=angle))
            for one in part.hinges
        )
        moved = replace(part, hinges=hinges)
        found = highest(
            depth_in(moved, space),
            moved.travel_rad(),
            ruled_out(profile, hinges),
            tolerance=lambda depth: 0.0,
            least=0.0,
            enough=0.0,
            boxes_most=_TRIAL_BOXES,
        )
        if found.value >= 0.0 or not found.finished or found.most > 0.0:
            return False
    return True
