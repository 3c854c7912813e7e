"""Text of small drawings: a view from metres to drawing units, lines, and labels that keep out of each other's way.

Drawings are SVG of our own: y points up in metres and down in the drawing. Nothing here knows what is drawn.
"""

from __future__ import annotations

import html
import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Point = tuple[float, float]

FONT = 12.0
"""Height of a label in drawing units; the style sheet has the same."""

_LETTER = 0.56 * FONT  # mean width of a letter, rounded up, of the fonts that the style sheet names
_STEP = 7.0  # between the places of a line that labels keep clear of
_DISTANCES = (6.0, 14.0, 24.0, 36.0, 52.0)
_TURNS_DEG = (0, 25, -25, 50, -50, 80, -80, 115, -115, 150, -150, 180)
_LEADER_FROM = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """Where metres go in a drawing of `width` by `height` units; one scale both ways."""

    width: float
    height: float
    units_per_m: float
    left: float  # place of x = 0
    bottom: float  # place of y = 0

    def at(self, place_m: Sequence[float] | Floats) -> Point:
        return self.left + self.units_per_m * float(place_m[0]), self.bottom - self.units_per_m * float(place_m[1])

    def all(self, places_m: Floats) -> list[Point]:
        """places (n, 2)."""
        return [self.at(place) for place in places_m]


def fitted(places_m: Floats, width: float, heights: tuple[float, float], margin: tuple[float, float]) -> View:
    """The largest view that shows all places (n, 2), centred, between two heights; margin: left and right, top and
    bottom.
    """
    low, high = places_m.min(axis=0), places_m.max(axis=0)
    span = np.maximum(high - low, 1e-6)
    scale = min((width - 2.0 * margin[0]) / span[0], (heights[1] - 2.0 * margin[1]) / span[1])
    height = max(heights[0], scale * float(span[1]) + 2.0 * margin[1])
    middle = (low + high) / 2.0
    return View(
        width=width,
        height=round(height, 1),
        units_per_m=float(scale),
        left=width / 2.0 - float(scale * middle[0]),
        bottom=height / 2.0 + float(scale * middle[1]),
    )


def escaped(text: str) -> str:
    """For text and for attributes, in HTML and in XML; without the control characters that XML has no room for."""
    return html.escape("".join(letter for letter in text if letter >= " " or letter in "\t\n"))


def opened(kind: str, view: View, label: str) -> str:
    """The start tag; `label` is what a reader hears in place of the drawing."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{kind}" viewBox="0 0 {view.width:g} {view.height:g}" '
        f'role="img" aria-label="{escaped(label)}">'
    )


def line(kind: str, start: Point, end: Point) -> str:
    return f'<line class="{kind}" x1="{start[0]:.2f}" y1="{start[1]:.2f}" x2="{end[0]:.2f}" y2="{end[1]:.2f}"/>'


def dot(kind: str, place: Point, radius: float) -> str:
    return f'<circle class="{kind}" cx="{place[0]:.2f}" cy="{place[1]:.2f}" r="{radius:g}"/>'


def path(kind: str, points: Iterable[Point], *, closed: bool = False) -> str:
    name = "polygon" if closed else "polyline"
    text = " ".join(f"{x:.2f},{y:.2f}" for x, y in points)
    return f'<{name} class="{kind}" points="{text}"/>'


def text_at(kind: str, place: Point, text: str, anchor: str = "middle") -> str:
    return f'<text class="{kind}" x="{place[0]:.1f}" y="{place[1]:.1f}" text-anchor="{anchor}">{escaped(text)}</text>'


def around(place: Point, half: float = 5.0) -> list[Point]:
    """A square about a place, for labels to keep clear of."""
    return [(place[0] + half * x, place[1] + half * y) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))]


def scale_bar(view: View) -> str:
    """A length of 1, 2 or 5 times a power of ten, in mm, in the lower left corner, no longer than a quarter."""
    most_mm = 0.25 * view.width / view.units_per_m * 1000.0
    power = 10.0 ** math.floor(math.log10(most_mm))
    length = max(step * power for step in (1.0, 2.0, 5.0) if step * power <= most_mm)
    y, start = view.height - 12.0, 12.0
    end = start + length / 1000.0 * view.units_per_m
    ends = "".join(line("scale", (x, y - 4.0), (x, y + 4.0)) for x in (start, end))
    return (
        line("scale bar", (start, y), (end, y))
        + ends
        + text_at("scale", (end + 8.0, y + 4.0), f"{length:g} mm", "start")
    )


class Labels:
    """Places labels one after another where they cover least of what is drawn and of each other."""

    def __init__(self, view: View) -> None:
        self._view = view
        # The scale bar's corner is taken.
        corner = (0.225 * view.width, view.height - 13.0)
        self._taken = [_box(corner, (0.225 * view.width, 13.0))]
        self._weights = [10.0]

    def keep_clear(self, points: Sequence[Point], weight: float = 1.0) -> None:
        """Of a line through these points."""
        for (x0, y0), (x1, y1) in itertools.pairwise(points):
            count = max(1, math.ceil(math.hypot(x1 - x0, y1 - y0) / _STEP))
            for part in range(count + 1):
                self._take((x0 + (x1 - x0) * part / count, y0 + (y1 - y0) * part / count), (2.0, 2.0), weight)

    def _take(self, centre: Point, half: Point, weight: float) -> None:
        self._taken.append(_box(centre, half))
        self._weights.append(weight)

    def place(self, kind: str, text: str, at: Point, away: Point) -> str:
        """A label near a place, best in the direction `away` (drawing units); with a line to it where it is far."""
        half = (len(text) * _LETTER / 2.0 + 3.0, FONT / 2.0 + 1.0)
        turns, distances = np.meshgrid(np.radians(_TURNS_DEG), np.array(_DISTANCES), indexing="ij")
        angles = math.atan2(away[1], away[0]) + turns.ravel()
        x, y, distance = np.cos(angles), np.sin(angles), distances.ravel()
        # From the box's middle to its edge in that direction.
        inside = np.minimum(half[0] / np.maximum(np.abs(x), 1e-9), half[1] / np.maximum(np.abs(y), 1e-9))
        centres = np.stack([at[0] + x * (distance + inside), at[1] + y * (distance + inside)], axis=1)
        liked = 0.8 * distance + 3.0 * np.repeat(np.arange(len(_TURNS_DEG)), len(_DISTANCES))
        best = int(np.argmin(liked + self._covered(centres, half) + self._outside(centres, half)))
        centre = (float(centres[best, 0]), float(centres[best, 1]))
        self._take(centre, half, 10.0)
        leader = ""
        if distance[best] >= _LEADER_FROM:
            way = float(distance[best])
            leader = line("leader", at, (at[0] + float(x[best]) * way, at[1] + float(y[best]) * way))
        return leader + text_at(f"label {kind}", (centre[0], centre[1] + 0.35 * FONT), text)

    def _covered(self, centres: Floats, half: Point) -> Floats:
        """Area that a box around each centre (n, 2) shares with what is taken, weighed."""
        taken = np.array(self._taken)
        low, high = centres - np.array(half), centres + np.array(half)
        shared = np.minimum(high[:, None], taken[None, :, 2:]) - np.maximum(low[:, None], taken[None, :, :2])
        return np.asarray(np.maximum(shared, 0.0).prod(axis=2) @ np.array(self._weights))

    def _outside(self, centres: Floats, half: Point) -> Floats:
        """What is cut off at the drawing's edges, which counts for far more."""
        room = np.array([self._view.width, self._view.height]) / 2.0 - 2.0
        beyond = np.abs(centres - room - 2.0) + np.array(half) - room
        return np.asarray(1000.0 * np.maximum(beyond, 0.0).sum(axis=1))


def _box(centre: Point, half: Point) -> tuple[float, float, float, float]:
    """Left, top, right, bottom."""
    return centre[0] - half[0], centre[1] - half[1], centre[0] + half[0], centre[1] + half[1]
