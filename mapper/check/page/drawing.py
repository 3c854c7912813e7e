"""The linkage of a cylinder joint, drawn to scale: three pivots, the cylinder at both hard stops and half-way.

The profile gives two radii and the angle between them, not how they lie on the machine. Drawn: the joint's pivot in the
origin, the line to the rod pivot level and to the right at 0 deg, positive turning anticlockwise. So the drawing may be
turned or mirrored against the machine; no length or angle in it changes by that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mapper.check.page.svg import (
    Floats,
    Labels,
    Point,
    around,
    dot,
    escaped,
    fitted,
    line,
    opened,
    path,
    scale_bar,
)
from mapper.machine.actuator.cylinder import Cylinder
from mapper.machine.actuator.linkage import Linkage
from mapper.machine.model import JointModel
from mapper.profile.profile import Joint

NEAR_DEAD_CENTRE_RAD = math.radians(20.0)
"""From a hard stop. Nearer than this, a dead centre is drawn: the lever arm is below a third or so there."""

_WIDTH, _HEIGHTS, _MARGIN = 520.0, (260.0, 500.0), (70.0, 36.0)
_ARC_POINTS = 61


@dataclass(frozen=True, slots=True, kw_only=True)
class Triangle:
    """Places in m of the drawing at one joint angle; the joint's pivot is the origin."""

    base: Floats  # (2,) pivot of the cylinder on the base side; the same at every angle
    rod: Floats  # (2,) pivot on the moved side
    foot: Floats  # (2,) nearest place of the cylinder's line to the joint's pivot: its distance is the lever arm


def triangle(linkage: Linkage, q_rad: float) -> Triangle:
    """The pivots at a joint angle in rad; see the module for how they are turned."""
    base = linkage.base_radius_m * _direction(-linkage.sense * linkage.included_at_zero_rad)
    rod = linkage.rod_radius_m * _direction(q_rad)
    along = rod - base
    foot = base - along * float(base @ along) / float(along @ along)
    return Triangle(base=base, rod=rod, foot=foot)


def _direction(angle_rad: float) -> Floats:
    return np.array([math.cos(angle_rad), math.sin(angle_rad)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One joint angle that the drawing and its table name."""

    kind: str  # "lower", "upper", "soft", "middle"
    name: str
    q_rad: float


def places(joint: Joint) -> tuple[Place, ...]:
    """Hard stops, soft stops and the middle of the travel, rising. Empty for a continuous joint."""
    hard, soft = joint.limits.hard_stops_deg, joint.limits.soft_stops_deg
    if hard is None:
        return ()
    lower, upper = math.radians(float(hard.lower)), math.radians(float(hard.upper))
    found = [
        Place(kind="lower", name="lower hard stop", q_rad=lower),
        Place(kind="middle", name="middle", q_rad=(lower + upper) / 2.0),
        Place(kind="upper", name="upper hard stop", q_rad=upper),
    ]
    if soft is not None:
        found.insert(1, Place(kind="soft", name="lower soft stop", q_rad=math.radians(float(soft.lower))))
        found.insert(3, Place(kind="soft", name="upper soft stop", q_rad=math.radians(float(soft.upper))))
    return tuple(found)


def near_dead_centres_rad(linkage: Linkage, lower_rad: float, upper_rad: float) -> tuple[float, ...]:
    """Those within `NEAR_DEAD_CENTRE_RAD` of the travel, or inside it."""
    both = zip(linkage.dead_centres_rad(), linkage.dead_centre_room_rad(lower_rad, upper_rad), strict=True)
    return tuple(centre for centre, room in both if room <= NEAR_DEAD_CENTRE_RAD + 1e-9)


def linkage_drawing(joint: Joint, model: JointModel) -> str:
    """The drawing as one SVG element; empty where no cylinder, or no hard stop, is there to draw."""
    named = {place.kind: place for place in places(joint)}
    if model.linkage is None or not isinstance(model.drive, Cylinder) or not named:
        return ""
    return _LinkageDrawing(joint, model.linkage, model.drive, named).text()


class _LinkageDrawing:
    def __init__(self, joint: Joint, linkage: Linkage, cylinder: Cylinder, named: dict[str, Place]) -> None:
        self._joint, self._linkage, self._cylinder = joint, linkage, cylinder
        self._named = named
        self._ends = (named["lower"].q_rad, named["upper"].q_rad)
        self._shapes = {kind: triangle(linkage, named[kind].q_rad) for kind in ("lower", "upper", "middle")}
        self._arc = linkage.rod_radius_m * np.stack([_direction(q) for q in np.linspace(*self._ends, _ARC_POINTS)])
        self._dead = near_dead_centres_rad(linkage, *self._ends)
        reach = 1.25 * linkage.rod_radius_m
        dead = [reach * _direction(q) for q in self._dead]
        corners = [np.zeros(2), self._shapes["middle"].base, *(1.12 * self._arc), *dead]
        half = cylinder.bore_m / 2.0
        corners += [self._shapes["middle"].base + half * np.array([x, y]) for x in (-1, 1) for y in (-1, 1)]
        self._view = fitted(np.stack(corners), _WIDTH, _HEIGHTS, _MARGIN)
        self._labels = Labels(self._view)

    def text(self) -> str:
        shapes, view = self._shapes, self._view
        origin = view.at((0.0, 0.0))
        base = view.at(shapes["middle"].base)
        rods = {kind: view.at(shape.rod) for kind, shape in shapes.items()}
        parts = [path("travel", view.all(self._arc))]
        parts += [path(f"radius {kind}", (origin, rods[kind])) for kind in ("lower", "upper")]
        parts += [self._cylinder_at(kind) for kind in ("lower", "upper", "middle")]
        parts += [path("radius base", (origin, base)), path("radius middle", (origin, rods["middle"]))]
        foot = view.at(shapes["middle"].foot)
        parts += [line("lever", origin, foot)]
        parts += [self._stop(place) for place in places(self._joint) if place.kind != "middle"]
        parts += [line("dead", origin, self._out(q, 1.25)) for q in self._dead]
        parts += [dot(f"pivot {kind}", rods[kind], 3.5) for kind in ("lower", "upper", "middle")]
        parts += [dot("pivot base", base, 5.0), dot("pivot joint", origin, 6.0), dot("pivot heart", origin, 1.8)]
        for ends in (
            (origin, base),
            *((base, rod) for rod in rods.values()),
            *((origin, rod) for rod in rods.values()),
        ):
            self._labels.keep_clear(ends, 2.0)
        self._labels.keep_clear(view.all(self._arc), 2.0)
        self._labels.keep_clear((origin, foot), 2.0)
        for place in (origin, base, *rods.values()):
            self._labels.keep_clear(around(place), 5.0)
        parts += self._texts(origin, base, rods, foot)
        return opened("linkage", view, self._heard()) + "".join(parts) + scale_bar(view) + "</svg>"

    def _out(self, q_rad: float, share: float) -> Point:
        """A place on the line from the joint's pivot, as a share of the rod radius."""
        return self._view.at(share * self._linkage.rod_radius_m * _direction(q_rad))

    def _stop(self, place: Place) -> str:
        kind, inner, outer = ("soft", 0.93, 1.07) if place.kind == "soft" else ("hard", 0.88, 1.12)
        return line(f"stop {kind}", self._out(place.q_rad, inner), self._out(place.q_rad, outer))

    def _cylinder_at(self, kind: str) -> str:
        """Barrel and rod between the pivots. What the closed length has beyond the stroke is shared between both eyes,
        for the profile does not say where the barrel begins.
        """
        shape, cylinder = self._shapes[kind], self._cylinder
        along = shape.rod - shape.base
        along = along / float(np.hypot(*along))
        across = np.array([-along[1], along[0]])
        eye = max(cylinder.closed_length_m - cylinder.stroke_m, 0.0) / 3.0
        start, end = shape.base + eye * along, shape.base + (cylinder.closed_length_m - eye) * along
        barrel = _strip(start, end, across * cylinder.bore_m / 2.0)
        rod = _strip(end, shape.rod, across * cylinder.rod_m / 2.0)
        corners = self._view.all(barrel)
        self._labels.keep_clear([*corners, corners[0]], 1.0 if kind == "middle" else 0.5)
        return (
            path(f"eye {kind}", self._view.all(np.stack([shape.base, start])))
            + path(f"rod {kind}", self._view.all(rod), closed=True)
            + path(f"barrel {kind}", corners, closed=True)
        )

    def _texts(self, origin: Point, base: Point, rods: dict[str, Point], foot: Point) -> list[str]:
        linkage, named = self._linkage, self._named
        parts = []
        for kind in ("lower", "upper", "middle"):
            q = named[kind].q_rad
            length = float(linkage.length_m(q)) * 1000.0
            out = self._out(q, 1.12) if kind != "middle" else rods[kind]
            text = f"{math.degrees(q):g} deg: {length:.0f} mm"
            parts.append(self._labels.place(kind, text, out, _away(origin, out)))
        for place in places(self._joint):
            if place.kind == "soft":
                out = self._out(place.q_rad, 1.07)
                parts.append(
                    self._labels.place("soft", f"soft {math.degrees(place.q_rad):g} deg", out, _away(origin, out))
                )
        for q in self._dead:
            out = self._out(q, 1.25)
            parts.append(self._labels.place("dead", f"dead centre {math.degrees(q):.1f} deg", out, _away(origin, out)))
        parts.append(self._across(origin, base, rods["middle"], f"{linkage.base_radius_m * 1000.0:.4g} mm"))
        parts.append(self._across(origin, rods["middle"], base, f"{linkage.rod_radius_m * 1000.0:.4g} mm"))
        lever = float(linkage.lever_m(named["middle"].q_rad)) * 1000.0
        parts.append(self._across(origin, foot, base, f"lever arm {lever:.0f} mm", "lever"))
        behind = (-(base[0] + rods["middle"][0] - 2 * origin[0]), -(base[1] + rods["middle"][1] - 2 * origin[1]))
        parts.append(self._labels.place("name", "joint pivot", origin, behind))
        parts.append(self._labels.place("name", "base pivot", base, _away(origin, base)))
        parts.append(self._labels.place("name", "rod pivot", rods["middle"], _away(base, rods["middle"])))
        return parts

    def _across(self, start: Point, end: Point, other: Point, text: str, kind: str = "size") -> str:
        """A label at the middle of a line, on the side where `other` is not."""
        middle = ((start[0] + end[0]) / 2.0, (start[1] + end[1]) / 2.0)
        side = (-(end[1] - start[1]), end[0] - start[0])
        inward = side[0] * (other[0] - middle[0]) + side[1] * (other[1] - middle[1])
        return self._labels.place(kind, text, middle, side if inward < 0 else (-side[0], -side[1]))

    def _heard(self) -> str:
        linkage, named = self._linkage, self._named
        lengths = ", ".join(
            f"{float(linkage.length_m(named[kind].q_rad)) * 1000.0:.0f} mm at {math.degrees(named[kind].q_rad):g} deg"
            for kind in ("lower", "middle", "upper")
        )
        dead = "".join(f"; dead centre at {math.degrees(q):.1f} deg" for q in self._dead)
        return (
            f"Linkage of {self._joint.title} to scale: base pivot {linkage.base_radius_m * 1000.0:.4g} mm and rod "
            f"pivot {linkage.rod_radius_m * 1000.0:.4g} mm from the joint's pivot; cylinder pin to pin {lengths}{dead}"
        )


def _strip(start: Floats, end: Floats, half: Floats) -> Floats:
    """Corners (4, 2) of a bar between two places."""
    return np.stack([start + half, end + half, end - half, start - half])


def _away(start: Point, end: Point) -> Point:
    return end[0] - start[0], end[1] - start[1]


def place_rows(joint: Joint, model: JointModel) -> tuple[tuple[str, ...], ...]:
    """For the table below the drawing: name, angle (deg), between the radii (deg), pin to pin (mm), rod out (mm), lever
    arm (mm).
    """
    if model.linkage is None or not isinstance(model.drive, Cylinder):
        return ()
    rows = []
    for place in places(joint):
        length = float(model.linkage.length_m(place.q_rad))
        rows.append(
            (
                escaped(place.name),
                f"{math.degrees(place.q_rad):g}",
                f"{math.degrees(float(model.linkage.included_rad(place.q_rad))):.1f}",
                f"{length * 1000.0:.1f}",
                f"{(length - model.drive.closed_length_m) * 1000.0:.1f}",
                f"{float(model.linkage.lever_m(place.q_rad)) * 1000.0:.1f}",
            )
        )
    return tuple(rows)
