"""The report: one HTML file with everything in it, no network, that shows what a replay did.

Traces are thinned to at most `BUCKETS_MAX` buckets of equal width, each with its least and greatest value, so that no
peak is lost however long the recording; short recordings are not thinned at all. Values are stored as 16-bit steps.
"""

from __future__ import annotations

import base64
import html
import itertools
import json
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from mapper.law import FLAGS, STATES
from mapper.profile.profile import Profile
from mapper.replay._page import SCRIPT, STYLE
from mapper.replay.events import Event, RunOn
from mapper.replay.run import Trace
from mapper.replay.stop_page import STOP_STYLE, stop_section
from mapper.replay.stops import Stops
from mapper.replay.summary import LIMITS, JointSummary, Summary, pressure_words

BUCKETS_MAX = 6000
_STRONGEST = ("brake", "gap", "tip", "share", "flow", "speed")
"""Where several limits act in one bucket the strip shows the first of these."""
_STRIP_TEXT = {
    "speed": "speed limit",
    "brake": "braking before a soft stop, of a joint or of two together",
    "share": "sharing the pump's flow",
    "flow": "valve's flow limit",
    "gap": "held: operator too far away",
    "tip": "speed at the tip, reduced mode",
}
_CAUTIONS = (
    "This is a simulated result, not a measured one. The model behind the plots moves the arm without the oil's spring "
    "and without pressure peaks; only the table of stops has them. Both leave out everything that the profile does not "
    "say. No finding here is a certificate.",
    "The machine can crush. Software is the second line of safety, never the first: a hard-wired emergency stop that "
    "dumps pressure without the controller comes first. Lock out and bleed before hands go in; dumping pressure can "
    "drop a raised arm. First motion is at reduced pressure and speed with nobody in reach. Local codes and a licensed "
    "engineer decide.",
)

Floats = NDArray[np.float64]


def report_html(
    trace: Trace,
    summary: Summary,
    profile: Profile,
    extra_facts: Sequence[tuple[str, str]] = (),
    stops: Stops | None = None,
) -> str:
    """The whole report as text.

    Args:
        extra_facts: further (name, value) lines for the table at the top, for example what a rehearsal compared.
        stops: what `find_stops` made of the trace; None leaves its section out.
    """
    title = f"Replay of {_base_name(trace.recording_name)} on {profile.machine_name}"
    text = html.escape
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="color-scheme" content="light dark">',
        f"<title>{text(title)}</title><style>{STYLE}{STOP_STYLE}</style></head><body><main>",
        f"<h1>{text(title)}</h1>",
        f'<p class="lead">{text(_lead(summary, trace))}</p>',
        '<div class="caution">' + "".join(f"<p>{text(line)}</p>" for line in _CAUTIONS) + "</div>",
        _facts(trace, profile, [*_found(summary, profile), *extra_facts]),
        "<h2>Joints</h2>",
        _joint_table(summary.joints),
        _joint_words(),
        "<h2>What happened when</h2>",
        '<div class="bar"><button data-act="in">closer</button><button data-act="out">wider</button>'
        '<button data-act="left">earlier</button><button data-act="right">later</button>'
        '<button data-act="own">recording only</button><button data-act="all">everything</button>'
        "<span>drag over a plot to look closer, double click for everything</span>"
        '<span class="at" id="at"></span></div>',
        '<noscript><p class="caution">The plots need JavaScript; the tables do not. '
        "The trace CSV has every tick.</p></noscript>",
        '<div class="plots" id="plots"></div>',
        _strip_key(),
        "<h2>Events</h2>",
        _event_table(summary.events),
        *([] if stops is None else [stop_section(stops)]),
        "<h2>What the recording did not say</h2>",
        _notes(trace),
        "<footer>Time 0 is the recording's first sample; what lies before it (shaded) was generated. "
        f"Law: {text(trace.law_source)}. Tracking error and limited times count while running only.</footer>",
        f'</main><script type="application/json" id="data">{_json(_data(trace, summary, profile))}</script>',
        f"<script>{SCRIPT}</script></body></html>\n",
    ]
    return "\n".join(parts)


def thin(values: Floats, width: int) -> tuple[Floats, Floats]:
    """Least and greatest value of each bucket of `width` ticks; the last bucket may be short."""
    buckets = -(-len(values) // width)
    padded = np.concatenate([values, np.full(buckets * width - len(values), values[-1])]).reshape(buckets, width)
    return padded.min(axis=1), padded.max(axis=1)


def bucket_width(ticks: int) -> int:
    """Ticks in a bucket, so that there are at most BUCKETS_MAX."""
    return max(1, -(-ticks // BUCKETS_MAX))


def _base_name(path: str) -> str:
    return path.replace("\\", "/").rsplit("/", 1)[-1]


def _lead(summary: Summary, trace: Trace) -> str:
    worst = max(
        (joint for joint in summary.joints if joint.tracking_worst_deg is not None),
        key=lambda joint: joint.tracking_worst_deg or 0.0,
        default=None,
    )
    length = (trace.end_tick - trace.zero_tick) * trace.tick_s
    text = f"{length:.1f} s of recorded motion; the arm was running for {summary.running_s:.1f} s"
    if worst is not None:
        text += f"; the worst tracking error was {worst.tracking_worst_deg:.1f} deg ({worst.name})"
    return text + f"; it ended in {summary.final_state}."


def _facts(trace: Trace, profile: Profile, extra: Sequence[tuple[str, str]]) -> str:
    about = trace.recording_about
    facts = [
        ("Machine", f"{profile.machine_name} ({profile.machine_id}, revision {profile.revision})"),
        ("Profile", f"{_base_name(profile.file_name)}, digest {trace.profile_digest}"),
        ("Table", f"digest {trace.table_digest}"),
        ("Recording", _base_name(trace.recording_name) + (f": {about}" if about else "")),
        ("Plant", f"{trace.corner} corner of the profile's tolerances, load {trace.load_name or 'empty'}"),
        ("Tick", f"{trace.tick_s * 1000:g} ms, {len(trace.law)} ticks"),
        *extra,
    ]
    return (
        '<dl class="facts">'
        + "".join(f"<dt>{html.escape(name)}</dt><dd>{html.escape(value)}</dd>" for name, value in facts)
        + "</dl>"
    )


def _found(summary: Summary, profile: Profile) -> list[tuple[str, str]]:
    """Faults and what became of them, the pump, warnings, and the waivers that the profile carries."""
    pump = (
        f"at most {summary.pump_asked_l_min:.1f} l/min asked for (before sharing), "
        f"{summary.pump_given_l_min:.1f} given, {summary.pump_limit_l_min:.1f} the pump's limit; "
        f"shared for {summary.pump_shared_s:.2f} s"
    )
    faults = [
        ("Fault injected" if outcome.after_s is not None else "Fault NOT noticed", outcome.text)
        for outcome in summary.fault_outcomes
    ]
    waivers = [
        ("Waiver in the profile", f"{waiver.limit} of {waiver.joint or 'machine'}: {waiver.reason}")
        for waiver in profile.waivers
    ]
    return [
        *(faults or [("Faults injected", "none")]),
        ("Pump", pump),
        ("Pressure", pressure_words(summary)),
        *(("Warning", text) for text in summary.warnings),
        *(waivers or [("Waivers in the profile", "none")]),
    ]


def _number(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _joint_table(joints: Sequence[JointSummary]) -> str:
    head = (
        f"<tr><th></th><th colspan=3>tracking error</th><th colspan={len(LIMITS)}>time limited by, s</th>"
        "<th colspan=2>least room to soft stop, deg</th><th colspan=2>room full speed needs, deg</th>"
        "<th></th><th></th></tr>"
        "<tr><th>joint</th><th class=n>worst, deg</th><th class=n>at, s</th><th class=n>rms, deg</th>"
        + "".join(f"<th class=n>{name}</th>" for name, _ in LIMITS)
        + "<th class=n>upper</th><th class=n>lower</th>" * 2
        + "<th class=n>peak, deg/s</th><th class=n>switches, 1/min</th></tr>"
    )
    rows = []
    for joint in joints:
        cells = [
            _number(joint.tracking_worst_deg, 2),
            _number(joint.tracking_worst_at_s, 2),
            _number(joint.tracking_rms_deg, 2),
            *(f"{joint.limited_s[name]:.2f}" for name, _ in LIMITS),
            _number(joint.upper_room_deg, 2),
            _number(joint.lower_room_deg, 2),
            _number(joint.upper_brake_deg, 1),
            _number(joint.lower_brake_deg, 1),
            f"{joint.peak_speed_deg_s:.1f}",
            _number(joint.switches_per_min, 0),
        ]
        rows.append(
            f"<tr><td>{html.escape(joint.name)}</td>" + "".join(f"<td class=n>{cell}</td>" for cell in cells) + "</tr>"
        )
    return f'<div class="scroll"><table>{head}{"".join(rows)}</table></div>'


def _joint_words() -> str:
    return (
        '<p class="lead">Room full speed needs: so far before a soft stop the brake curve begins to lower full '
        "speed, so braking in mid-travel is meant. Switches: how often the drive goes between zero and either "
        "direction in a minute while the operator is at rest.</p>"
    )


def run_on_text(run_on: Sequence[RunOn]) -> str:
    """How far the joints ran on after a stop began, in one line; empty where none moved."""
    return "; ".join(
        f"{one.joint} {one.angle_deg:.2f} deg from {abs(one.speed_deg_s):.1f} deg/s, "
        + (f"stood after {one.time_s:.2f} s" if one.stood else f"still moving after {one.time_s:.2f} s")
        for one in run_on
    )


def _event_table(events: Sequence[Event]) -> str:
    rows = []
    for number, event in enumerate(events, start=1):
        colour = "var(--stop)" if event.kind == "fault" else f"var(--s{STATES.index(event.state)})"
        what = html.escape(event.text)
        state = html.escape(event.state.replace("_", " ")) if event.kind == "state" else ""
        rows.append(
            f'<tr><td><span class="chip" style="background:{colour}">{number}</span></td>'
            f"<td class=n>{event.time_s:.3f}</td><td>{what}</td><td>{state}</td>"
            f"<td>{html.escape(event.waits)}</td><td>{html.escape(run_on_text(event.run_on))}</td></tr>"
        )
    head = "<tr><th></th><th class=n>time, s</th><th>what</th><th>state entered</th><th>waits for</th>"
    head += "<th>ran on until it stood</th></tr>"
    return f'<div class="scroll"><table>{head}{"".join(rows)}</table></div>'


def _notes(trace: Trace) -> str:
    items = "".join(f"<li>{html.escape(note.kind)}: {html.escape(note.text)}</li>" for note in trace.notes)
    rule = (
        "<li>rule: samples were brought onto the controller's tick: linear between two samples, held over a gap "
        "longer than 0.25 s; buttons keep their last value</li>"
    )
    return f'<ul class="notes">{items}{rule}</ul>'


def _strip_key() -> str:
    keys = "".join(
        f'<span style="background:var(--l{index})"></span>{_STRIP_TEXT[name]}' for index, (name, _) in enumerate(LIMITS)
    )
    return f'<p class="strip">Strip below a joint, what limited it:{keys}</p>'


def _json(data: dict[str, object]) -> str:
    """JSON that cannot end the script element it stands in."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _series(values: Floats, width: int) -> dict[str, object]:
    low, high = thin(values, width)
    most = max(1e-9, float(np.abs(low).max()), float(np.abs(high).max()))
    step = 10.0 ** max(-3, math.ceil(math.log10(most / 32767.0)))
    packed: dict[str, object] = {"step": step, "low": _pack(low, step)}
    if width > 1:
        packed["high"] = _pack(high, step)
    return packed


def _pack(values: Floats, step: float) -> str:
    return base64.b64encode(np.rint(values / step).astype("<i2").tobytes()).decode("ascii")


def _limited(trace: Trace, index: int, width: int) -> list[list[float]]:
    """Stretches of (from s, to s, number in LIMITS) in which something limited the joint."""
    flags = trace.joint(index, "flags")
    active = np.isin(trace.head("state"), [STATES.index("running"), STATES.index("stopping")])
    numbers = {name: number for number, (name, _) in enumerate(LIMITS)}
    bits = dict(LIMITS)
    what = np.full(-(-len(flags) // width), -1)
    for name in reversed(_STRONGEST):
        on = ((flags & FLAGS[bits[name]]) != 0) & active
        what[thin(on.astype(np.float64), width)[1] > 0.5] = numbers[name]
    edges = [0, *(np.flatnonzero(np.diff(what)) + 1).tolist(), len(what)]
    start, seconds = -trace.zero_tick * trace.tick_s, width * trace.tick_s
    return [
        [round(start + a * seconds, 4), round(start + b * seconds, 4), int(what[a])]
        for a, b in itertools.pairwise(edges)
        if what[a] >= 0
    ]


def _data(trace: Trace, summary: Summary, profile: Profile) -> dict[str, object]:
    width = bucket_width(len(trace.law))
    joints: list[dict[str, object]] = []
    for index, joint in enumerate(profile.joints):
        follows = joint.control == "follow"
        target = trace.joint(index, "target").astype(np.float64)
        soft = joint.limits.soft_stops_deg
        joints.append(
            {
                "title": joint.title or joint.name,
                "follows": follows,
                "turns": joint.continuous,
                "soft": [] if soft is None else [float(soft.lower), float(soft.upper)],
                "demand": _series(target / (1000.0 if follows else 100.0), width),
                "position": _series(trace.position_deg(index), width),
                "drive": _series(trace.joint(index, "drive_e4") / 100.0, width),
                "limited": _limited(trace, index, width),
            }
        )
    state = trace.head("state")
    changes = [0, *(np.flatnonzero(np.diff(state)) + 1).tolist()]
    return {
        "start": -trace.zero_tick * trace.tick_s,
        "own": [0.0, (trace.end_tick - trace.zero_tick) * trace.tick_s],
        "tick": trace.tick_s,
        "ticks": len(state),
        "width": width,
        "buckets": -(-len(state) // width),
        "stateNames": list(STATES),
        "states": [[float(trace.time_s[row]), int(state[row])] for row in changes],
        "events": [
            {"time": event.time_s, "kind": event.kind, "state": STATES.index(event.state)} for event in summary.events
        ],
        "joints": joints,
        "pump": {
            "asked": _series(trace.asked_l_min, width),
            "given": _series(trace.pump_given_l_min(), width),
            "limit": summary.pump_limit_l_min,
        },
    }
