"""What `replay` and `rehearse` share: files in, files out, and the numbers as text. Edge: it reads and writes files."""

from __future__ import annotations

import errno
import os
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from mapper.errors import MapperError

if TYPE_CHECKING:
    from mapper.profile import Profile
    from mapper.replay import Event, JointSummary, Recording, Stops, Summary, Trace

CAUTION = (
    "A simulated result is not a measured one; nothing here is a certificate. Software is the second line of safety: "
    "a hard-wired emergency stop comes first."
)


def read_bytes(path: str) -> bytes:
    """The file's bytes. Raises MapperError (exit 2) when it cannot be read."""
    try:
        return Path(path).read_bytes()
    except OSError as error:
        raise MapperError(
            f"{path}: cannot be read: {error.strerror or error}; check the name and the rights"
        ) from error


def read_recording_file(path: str) -> Recording:
    """A recording from a file. Raises MapperError (exit 2)."""
    from mapper.replay import read_recording

    try:
        text = read_bytes(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise MapperError(
            f"{path}: byte {error.start} is not UTF-8 text; a recording is a CSV file: save it as UTF-8 text"
        ) from error
    return read_recording(text, path)


def read_load(name: str | None, profile: Profile) -> str | None:
    """What --load names, as `run_replay` takes it: None for the heaviest, "" for none. Raises MapperError (exit 64)."""
    named = [load.name for load in profile.loads]
    if name is None or name in named:
        return name
    if name == "empty":
        return ""
    allowed = ", ".join(dict.fromkeys([*named, "empty"]))
    raise MapperError(f"--load {name}: no such load in {profile.file_name}; allowed are {allowed}", exit_code=64)


def _progress(done: int, of: int) -> None:
    end = "\n" if done >= of else "\r"
    print(f"trace: {100 * done // of} %", end=end, file=sys.stderr, flush=True)


def check_writable(directory: str) -> None:
    """Notice before a long run that nothing could be written at its end; leaves nothing behind.

    Raises:
        MapperError: (exit 2) the directory, or the nearest one above it that there is, takes no files.
    """
    wanted = Path(directory)
    there = next((path for path in (wanted, *wanted.absolute().parents) if path.exists()), wanted)
    try:
        with tempfile.TemporaryFile(dir=there):
            pass
        for name in ("report.html", "trace.csv"):
            if (wanted / name).is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(wanted / name))
    except OSError as error:
        raise _unwritable(error, directory) from error


def _unwritable(error: OSError, directory: str) -> MapperError:
    return MapperError(
        f"{directory}: report and trace cannot be written there: {error.strerror or error}; "
        "choose another place with --out"
    )


def write_outputs(
    directory: str,
    trace: Trace,
    summary: Summary,
    profile: Profile,
    stops: Stops,
    facts: Sequence[tuple[str, str]] = (),
) -> tuple[Path, Path]:
    """Write report.html and trace.csv, each whole or not at all. Raises MapperError (exit 2)."""
    from mapper.replay import report_html, trace_csv

    progress: Callable[[int, int], None] | None = _progress if sys.stderr.isatty() else None
    report, table = Path(directory) / "report.html", Path(directory) / "trace.csv"
    try:
        Path(directory).mkdir(parents=True, exist_ok=True)
        for path, pieces in (
            (report, [report_html(trace, summary, profile, facts, stops)]),
            (table, trace_csv(trace, progress)),
        ):
            fresh = path.with_name(path.name + ".part")
            try:
                with fresh.open("w", encoding="utf-8", newline="\n") as file:
                    file.writelines(pieces)
                os.replace(fresh, path)
            finally:
                fresh.unlink(missing_ok=True)
    except OSError as error:
        raise _unwritable(error, directory) from error
    return report, table


def _cell(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def joint_lines(joints: Sequence[JointSummary]) -> list[str]:
    """The table of joints, one line each under a two-line head."""
    rows = [
        ("joint", "worst", "at", "rms", *joints[0].limited_s, "upper", "lower", "peak", "switches"),
        ("", "deg", "s", "deg", *["s"] * len(joints[0].limited_s), "deg", "deg", "deg/s", "1/min"),
    ]
    for joint in joints:
        rows.append(
            (
                joint.name,
                _cell(joint.tracking_worst_deg, 2),
                _cell(joint.tracking_worst_at_s, 2),
                _cell(joint.tracking_rms_deg, 2),
                *(f"{value:.2f}" for value in joint.limited_s.values()),
                _cell(joint.upper_room_deg, 2),
                _cell(joint.lower_room_deg, 2),
                f"{joint.peak_speed_deg_s:.1f}",
                _cell(joint.switches_per_min, 0),
            )
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = [
        "  ".join(
            [row[0].ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(row[1:], widths[1:], strict=True))]
        ).rstrip()
        for row in rows
    ]
    span = sum(widths[:4]) + 8
    head = "".ljust(widths[0] + 2) + "tracking error".ljust(span - widths[0] - 2)
    limited = sum(widths[4 : 4 + len(joints[0].limited_s)]) + 2 * len(joints[0].limited_s)
    return [(head + "time limited by".ljust(limited) + "least room to soft stop").rstrip(), *lines]


def finding_lines(summary: Summary) -> list[str]:
    """The pump, the room that braking takes, what the switches are, and the warnings."""
    from mapper.replay import pressure_words

    rooms = [
        f"{joint.name} {_cell(joint.upper_brake_deg, 1)} (upper), {_cell(joint.lower_brake_deg, 1)} (lower)"
        for joint in summary.joints
        if joint.upper_brake_deg is not None or joint.lower_brake_deg is not None
    ]
    lines = [
        f"pump: at most {summary.pump_asked_l_min:.1f} l/min asked for (before sharing), "
        f"{summary.pump_given_l_min:.1f} given, {summary.pump_limit_l_min:.1f} the limit; "
        f"shared for {summary.pump_shared_s:.2f} s",
        f"pressure: {pressure_words(summary)}",
    ]
    if rooms:
        lines.append("full speed needs this room before a soft stop, in deg; nearer to it the joint is braked:")
        lines += [f"    {room}" for room in rooms]
    lines.append("switches: of the drive between zero and either direction, while the operator is at rest")
    return lines + [f"warning: {text}" for text in summary.warnings]


def waiver_lines(profile: Profile) -> list[str]:
    """Every waiver of the profile; whether it is needed is the check's business."""
    return [
        f"waiver in the profile: {waiver.limit} of {waiver.joint or 'machine'}: {waiver.reason}"
        for waiver in profile.waivers
    ]


def event_lines(events: Sequence[Event]) -> list[str]:
    """One line an event, a second one for what the state then waits for, a third for joints that ran on."""
    from mapper.replay.report import run_on_text

    lines = []
    for event in events:
        state = f" -> {event.state}" if event.kind == "state" else ""
        lines.append(f"{event.time_s:9.3f} s  {event.text}{state}")
        if event.waits:
            lines.append(f"{'':13}waits for {event.waits}" if event.state != "running" else f"{'':13}{event.waits}")
        if event.run_on:
            lines.append(f"{'':13}ran on: {run_on_text(event.run_on)}")
    return lines


def stop_lines(stops: Stops) -> list[str]:
    """The stops with the oil's pressures in them: a line a joint, and the joints that could not be shown."""
    from mapper.replay.stop_page import LEFT_OUT, STOP_WORDS, head_text, more_text

    rows = [
        ("at s", "stop", "joint", "deg/s", "deg", "mm", "stood ms", "still ms", "bar", "bar", ""),
        *(
            (
                f"{stop.time_s:.3f}",
                STOP_WORDS[stop.kind],
                one.joint,
                f"{one.speed_deg_s:.1f}",
                f"{one.distance_deg:.2f}",
                f"{one.distance_mm:.0f}",
                f"{one.stood_ms:.0f}",
                f"{one.still_ms:.0f}" if one.still else "moves",
                *(
                    f"{side.removesuffix(' port')} {peak:.0f}"
                    for side, peak in zip(one.sides, one.peak_bar, strict=True)
                ),
                more_text(one),
            )
            for stop in stops.stops
            for one in stop.joints
        ),
        *(
            (f"{stop.time_s:.3f}", STOP_WORDS[stop.kind], "-", *[""] * 7, "nothing moved")
            for stop in stops.stops
            if not stop.joints
        ),
    ]
    rows[1:] = sorted(rows[1:], key=lambda row: float(row[0]))
    lines = [head_text(stops)]
    if len(rows) > 1:
        widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
        left = (1, 2, 10)
        lines += [
            "  "
            + "  ".join(
                cell.ljust(width) if column in left else cell.rjust(width)
                for column, (cell, width) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
            for row in rows
        ]
    return lines + [f"{LEFT_OUT} {joint}: {why}" for joint, why in stops.left_out]


def as_json(trace: Trace, summary: Summary, stops: Stops, report: Path, table: Path) -> dict[str, object]:
    """What --json prints."""
    from mapper.replay.stops import stops_document

    return {
        "profile": trace.profile_digest,
        "table": trace.table_digest,
        "recording": trace.recording_name,
        "corner": trace.corner,
        "load": trace.load_name or "empty",
        "law": trace.law_source,
        "simulated": True,
        "running_s": round(summary.running_s, 4),
        "final_state": summary.final_state,
        "recording_about": trace.recording_about,
        "pump_asked_l_min": round(summary.pump_asked_l_min, 3),
        "pump_given_l_min": round(summary.pump_given_l_min, 3),
        "pump_limit_l_min": round(summary.pump_limit_l_min, 3),
        "pump_pressure_bar": round(summary.pump_pressure_bar, 3),
        "relief_bar": round(summary.relief_bar, 3),
        "load_pressure_bar": {
            joint.name: round(bar, 3) for joint, bar in zip(summary.joints, summary.load_pressure_bar, strict=True)
        },
        "stalled_s": {
            joint.name: round(seconds, 3) for joint, seconds in zip(summary.joints, summary.stalled_s, strict=True)
        },
        "joints": [asdict(joint) for joint in summary.joints],
        "events": [asdict(event) for event in summary.events],
        "stops": stops_document(stops),
        "warnings": list(summary.warnings),
        "fault_outcomes": [asdict(outcome) for outcome in summary.fault_outcomes],
        "faults": [fault.text for fault in trace.faults],
        "notes": [asdict(note) for note in trace.notes],
        "report": str(report),
        "trace": str(table),
    }
