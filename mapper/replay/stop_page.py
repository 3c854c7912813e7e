"""The stops of a replay in words, as a table and, for the worst of them, as a drawing. Pure text and SVG of our own."""

from __future__ import annotations

import html
import math

import numpy as np

from mapper.replay.stiff import Floats
from mapper.replay.stops import JointStop, Stop, Stops

STOP_WORDS = {
    "released": "let go",
    "emergency_stop": "emergency stop",
    "fault": "fault",
    "category_1": "category 1 stop",
    "stopped": "stopped",
}
LEFT_OUT = "not in the model of stops:"
STOP_STYLE = """
th.more{min-width:240px}
svg.stop{display:block;width:100%;max-width:860px;background:var(--card);border:1px solid var(--line);margin:12px 0}
svg.stop text{font:12px system-ui,"Segoe UI","Liberation Sans",sans-serif;fill:var(--soft)}
svg.stop .grid{stroke:var(--grid)}svg.stop polyline{fill:none;stroke-width:1.8}
svg.stop .one{stroke:var(--demand)}svg.stop text.one{fill:var(--demand);stroke:none}
svg.stop .two{stroke:var(--drive);stroke-dasharray:7 3}svg.stop text.two{fill:var(--drive);stroke:none}
svg.stop .angle{stroke:var(--joint)}svg.stop text.angle{fill:var(--joint);stroke:none}
"""

_WIDTH, _LEFT, _RIGHT = 860, 64, 12
_PLOTS = ((30, 180), (220, 300))  # top and bottom of pressures and of the angle
_FOOT = 334


def head_text(stops: Stops) -> str:
    """One line above the table."""
    if not stops.stops:
        return "stops: there was none"
    return (
        "stops, run on with the oil's pressures as states (simulated, not measured); "
        f"load {stops.load_name}, plant corner {stops.corner}"
    )


def more_text(one: JointStop) -> str:
    """What else there is to say of a joint's stop."""
    parts = [f"{name} opened" for name in one.opened] + list(one.happened)
    if one.allowed_mm is not None and one.distance_mm > one.allowed_mm:
        parts.insert(0, f"MORE THAN THE {one.allowed_mm:.0f} mm ALLOWED")
    if abs(one.sinks_deg_s) >= 0.001:
        parts.append(f"then gives way at {abs(one.sinks_deg_s):.3f} deg/s: only the spool holds it")
    if not one.still:
        parts.append("still moving when it was last seen")
    return ", ".join(parts)


def stop_section(stops: Stops) -> str:
    """Heading, words, table, and the drawing of the worst stop."""
    head = (
        "<tr><th class=n>time, s</th><th>stop</th><th>joint</th><th class=n>from, deg/s</th>"
        "<th class=n>went on, deg</th><th class=n>load's centre, mm</th>"
        "<th class=n>stood after, ms</th><th class=n>still after, ms</th>"
        "<th class=n>highest, bar</th><th class=n>highest, bar</th><th class=more></th></tr>"
    )
    rows = "".join(
        "".join(_row(stop, one) for one in stop.joints)
        or f"<tr><td class=n>{stop.time_s:.3f}</td><td>{STOP_WORDS[stop.kind]}</td>"
        "<td colspan=9>nothing moved</td></tr>"
        for stop in stops.stops
    )
    table = f'<div class="scroll"><table>{head}{rows}</table></div>' if rows else ""
    words = (
        '<p class="lead">Each joint that moved goes on from its place in the replay, with the law\'s own drives and '
        "the dump, in a model that has the pressures of both sides, load holding and reliefs. Gravity pulls as hard "
        "along the motion as it can in any pose of the other joints. Stood: its speed first was zero; still: it no "
        "longer swings.</p>"
    )
    left = "".join(f"<li>{html.escape(f'{LEFT_OUT} {joint}: {why}')}</li>" for joint, why in stops.left_out)
    worst = stops.worst()
    return (
        f"<h2>Stops</h2><p>{html.escape(head_text(stops)).capitalize()}.</p>"
        + (words + table if stops.stops else "")
        + ("" if worst is None else _drawing(stops, *worst))
        + (f'<ul class="notes">{left}</ul>' if left else "")
    )


def _row(stop: Stop, one: JointStop) -> str:
    cells = [
        f"{one.speed_deg_s:.1f}",
        f"{one.distance_deg:.2f}",
        f"{one.distance_mm:.0f}",
        f"{one.stood_ms:.0f}",
        f"{one.still_ms:.0f}" if one.still else "–",
        *(f"{html.escape(side)} {peak:.0f}" for side, peak in zip(one.sides, one.peak_bar, strict=True)),
    ]
    return (
        f"<tr><td class=n>{stop.time_s:.3f}</td><td>{STOP_WORDS[stop.kind]}</td><td>{html.escape(one.joint)}</td>"
        + "".join(f"<td class=n>{cell}</td>" for cell in cells)
        + f"<td>{html.escape(more_text(one))}</td></tr>"
    )


def _drawing(stops: Stops, stop: Stop, one: JointStop) -> str:
    """Both pressures and the angle over time, from the stop's tick on."""
    shown = min(len(one.rows), max(20, math.ceil(1.15 * one.still_ms / 1000.0 / stops.tick_s)))
    rows = one.rows[:shown]
    time: Floats = np.arange(1, shown + 1, dtype=np.float64) * stops.tick_s
    bars, angle = rows[:, 2:4] / 1e5, np.degrees(rows[:, 0])
    title = (
        f"{one.joint}, {STOP_WORDS[stop.kind]} at {stop.time_s:.3f} s: the stop that went farthest. "
        "Simulated, not measured."
    )
    most = _round_up(max(1.0, float(bars.max())))
    low, high = _span(angle)
    pressures, angles = _PLOTS
    parts = [
        f'<svg class="stop" viewBox="0 0 {_WIDTH} {_FOOT}" role="img" aria-label="{html.escape(title)}">',
        *_axis(pressures, 0.0, most, "bar"),
        *_axis(angles, low, high, "deg"),
        _line("one", time, bars[:, 0], pressures, (0.0, most)),
        _line("two", time, bars[:, 1], pressures, (0.0, most)),
        _line("angle", time, angle, angles, (low, high)),
        f'<text class="one" x="{_LEFT + 12}" y="{pressures[0] - 12}">{html.escape(one.sides[0])}, bar</text>',
        f'<text class="two" x="{_LEFT + 130}" y="{pressures[0] - 12}">{html.escape(one.sides[1])}, bar (dashed)</text>',
        f'<text class="angle" x="{_LEFT + 12}" y="{angles[0] - 6}">angle, deg</text>',
    ]
    for part in range(5):
        at = float(time[-1]) * part / 4.0
        x = _LEFT + (_WIDTH - _LEFT - _RIGHT) * part / 4.0
        anchor = ("start", "middle", "middle", "middle", "end")[part]
        parts.append(f'<text x="{x:.1f}" y="{_FOOT - 14}" text-anchor="{anchor}">{at * 1000.0:.0f} ms</text>')
    return f'<p class="lead">{html.escape(title)}</p>' + "".join(parts) + "</svg>"


def _axis(plot: tuple[int, int], low: float, high: float, unit: str) -> list[str]:
    parts = []
    for part in range(3):
        value = low + (high - low) * part / 2.0
        y = plot[1] + (plot[0] - plot[1]) * part / 2.0
        digits = 0 if high - low >= 10.0 else 1 if high - low >= 1.0 else 2
        parts.append(f'<line class="grid" x1="{_LEFT}" x2="{_WIDTH - _RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        parts.append(f'<text x="{_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{value:.{digits}f} {unit}</text>')
    return parts


def _line(name: str, time: Floats, values: Floats, plot: tuple[int, int], span: tuple[float, float]) -> str:
    x = _LEFT + (_WIDTH - _LEFT - _RIGHT) * time / float(time[-1])
    y = plot[1] + (plot[0] - plot[1]) * (values - span[0]) / (span[1] - span[0])
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    return f'<polyline class="{name}" points="{points}"/>'


def _round_up(value: float) -> float:
    """To the next 1, 2 or 5 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return next(step * power for step in (1.0, 2.0, 2.5, 3.0, 4.0, 5.0, 10.0) if step * power >= value)


def _span(values: Floats) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    room = max(0.05, 0.06 * (high - low))
    return low - room, high + room
