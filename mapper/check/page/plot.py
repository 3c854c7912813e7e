"""Small plots over a joint's travel: curves, the level that they may not pass, soft stops, the worst place.

Every curve has a dash pattern of its own, so that print and eyes without colour can tell them apart.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mapper.check.page.svg import Floats, Point, View, dot, escaped, line, opened, path, text_at

DASHES = 6
"""Patterns in the style sheet, d0 to d5."""

_WIDTH, _HEIGHT = 340.0, 200.0
_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 10.0, 10.0, 26.0
_ABOVE = 1.06  # of the highest value that is shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """values (n,) over the plot's angles; those that are not finite leave a gap."""

    name: str
    kind: str  # style: "positive", "negative", "plain"
    values: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """A bound that is the same at every angle."""

    name: str
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    title: str
    unit: str
    q_deg: Floats  # (n,) rising
    curves: tuple[Curve, ...]
    levels: tuple[Level, ...] = ()
    soft_deg: tuple[float, ...] = ()
    worst_is_least: bool = False
    cut_at: float | None = None  # higher values are left out where there are any

    def worst(self) -> tuple[Curve, int]:
        """The curve and the place of its worst finite value.

        Raises:
            ValueError: no value is finite.
        """
        found = []
        for number, curve in enumerate(self.curves):
            values = np.where(np.isfinite(curve.values), curve.values, np.inf if self.worst_is_least else -np.inf)
            at = int(values.argmin() if self.worst_is_least else values.argmax())
            if np.isfinite(values[at]):
                found.append((values[at] if self.worst_is_least else -values[at], number, at))
        if not found:
            raise ValueError(f"{self.title}: no value is finite")
        _, number, at = min(found)
        return self.curves[number], at

    def top(self) -> float:
        """Highest value that the plot has room for."""
        values = np.concatenate([curve.values for curve in self.curves])
        values = values[np.isfinite(values)]
        most = max([float(values.max()) if values.size else 0.0, *(level.value for level in self.levels)])
        if self.cut_at is not None:
            most = min(most, self.cut_at)
        return max(most, 1e-9) * _ABOVE


def ticks(low: float, high: float, count: int) -> list[float]:
    """Round values between two ends, some `count` of them."""
    rough = (high - low) / max(1, count)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(part * power for part in (1.0, 2.0, 5.0, 10.0) if part * power >= rough * (1 - 1e-9))
    return [
        round(number * step, 9) for number in range(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1)
    ]


def runs(q: Floats, values: Floats, top: float) -> list[list[tuple[float, float]]]:
    """Stretches of (angle, value) up to `top`: cut where the curve passes it, with a gap where it is not finite."""
    found: list[list[tuple[float, float]]] = [[]]
    before: tuple[float, float] | None = None
    for here in zip(q.tolist(), values.tolist(), strict=True):
        known = before is not None and math.isfinite(before[1]) and math.isfinite(here[1])
        if before is not None and known and (before[1] > top) != (here[1] > top):
            share = (top - before[1]) / (here[1] - before[1])
            found[-1].append((before[0] + share * (here[0] - before[0]), top))
        if math.isfinite(here[1]) and here[1] <= top:
            found[-1].append(here)
        elif found[-1]:
            found.append([])
        before = here
    return [run for run in found if len(run) > 1]


def figure(plot: Plot, about: str) -> str:
    """The plot with its title and a key below; `about` names the joint for a reader who hears it."""
    curve, at = plot.worst()
    word = "least" if plot.worst_is_least else "most"
    worst = f"{word} {_number(float(curve.values[at]))} {plot.unit} at {plot.q_deg[at]:.1f} deg"
    heard = f"{about}: {plot.title} over the travel in {plot.unit}; {worst} ({curve.name})" + "".join(
        f"; {level.name} {_number(level.value)} {plot.unit}" for level in plot.levels
    )
    keys = [
        f"<span>{_sample(f'curve {curve.kind} d{number % DASHES}')}{escaped(curve.name)}</span>"
        for number, curve in enumerate(plot.curves)
    ]
    keys += [
        f"<span>{_sample(f'limit n{number}')}{escaped(f'{level.name} {_number(level.value)} {plot.unit}')}</span>"
        for number, level in enumerate(plot.levels)
    ]
    keys.append(f"<span>{_sample('', dotted=True)}{escaped(worst)}</span>")
    beyond = [one.name for one in plot.curves if not np.all(one.values <= plot.top())]
    if beyond:
        text = f"above {_number(plot.top())} {plot.unit}, not shown: {'; '.join(beyond)}"
        keys.append(f"<span>{escaped(text)}</span>")
    return (
        f'<figure class="plot"><figcaption>{escaped(plot.title)}, {escaped(plot.unit)}</figcaption>'
        f'{_drawing(plot, heard)}<p class="keys">{"".join(keys)}</p></figure>'
    )


def _sample(kind: str, *, dotted: bool = False) -> str:
    shown = dot("worst", (15.0, 5.0), 3.5) if dotted else line(kind, (0.0, 5.0), (30.0, 5.0))
    return f'<svg class="sample" viewBox="0 0 30 10" aria-hidden="true">{shown}</svg>'


def _drawing(plot: Plot, heard: str) -> str:
    top, low, high = plot.top(), float(plot.q_deg[0]), float(plot.q_deg[-1])

    def place(q: float, value: float) -> Point:
        x = _LEFT + (q - low) / (high - low) * (_WIDTH - _LEFT - _RIGHT)
        return x, _HEIGHT - _BOTTOM - value / top * (_HEIGHT - _TOP - _BOTTOM)

    parts = []
    for value in ticks(0.0, top, 4):
        y = place(low, value)[1]
        parts.append(line("grid", (_LEFT, y), (_WIDTH - _RIGHT, y)))
        parts.append(text_at("tick", (_LEFT - 5.0, y + 4.0), f"{value:g}", "end"))
    for q in ticks(low, high, 5):
        x = place(q, 0.0)[0]
        parts.append(line("grid", (x, _TOP), (x, _HEIGHT - _BOTTOM)))
        parts.append(text_at("tick", (min(x, _WIDTH - 16.0), _HEIGHT - 10.0), f"{q:g}"))
    parts.append(text_at("tick", (_LEFT - 8.0, _HEIGHT - 10.0), "deg", "end"))
    for q in plot.soft_deg:
        parts.append(line("soft", place(q, 0.0), place(q, top)))
    for number, level in enumerate(plot.levels):
        if level.value <= top:
            parts.append(line(f"limit n{number}", place(low, level.value), place(high, level.value)))
    for number, curve in enumerate(plot.curves):
        for run in runs(plot.q_deg, curve.values, top):
            parts.append(path(f"curve {curve.kind} d{number % DASHES}", itertools.starmap(place, run)))
    curve, at = plot.worst()
    if float(curve.values[at]) <= top:
        parts.append(dot("worst", place(float(plot.q_deg[at]), float(curve.values[at])), 3.5))
    view = View(width=_WIDTH, height=_HEIGHT, units_per_m=1.0, left=0.0, bottom=0.0)
    return opened("plot", view, heard) + "".join(parts) + "</svg>"


def _number(value: float) -> str:
    """With four figures that count, and no more digits than the eye can use."""
    return f"{value:.4g}" if abs(value) < 10000 else f"{value:.0f}"


def over_loads(names: Sequence[str], values: Floats, kind: str, words: str, most: int) -> tuple[Curve, ...]:
    """One curve a load of values (k, n); one of the largest where there are more than `most` loads."""
    if len(names) > most:
        return (Curve(name=f"{words}, worst load", kind=kind, values=values.max(axis=0)),)
    return tuple(
        Curve(name=f"{words}, {name}" if words else name, kind=kind, values=row)
        for name, row in zip(names, values, strict=True)
    )
