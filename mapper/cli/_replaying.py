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
    from mapper.replay import Event, JointSummary, Recording, Summary, Trace

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
    directory: str, trace: Trace, summary: Summary, profile: Profile, facts: Sequence[tuple[str, str]] = ()
) -> tuple[Path, Path]:
    """Write report.html and trace.csv, each whole or not at all. Raises MapperError (exit 2)."""
    from mapper.replay import report_html, trace_csv

    progress: Callable[[int, int], None] | None = _progress if sys.stderr.isatty() else None
    report, table = Path(directory) / "report.html", Path(directory) / "trace.csv"
    try:
        Path(directory).mkdir(parents=True, exist_ok=True)
        for path, pieces in (
            (report, [report_html(trace, summary, profile, facts)]),
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
    rooms = [
        f"{joint.name} {_cell(joint.upper_brake_deg, 1)} (upper), {_cell(joint.lower_brake_deg, 1)} (lower)"
        for joint in summary.joints
        if joint.upper_brake_deg is not None or joint.lower_brake_deg is not None
    ]
    lines = [
        f"pump: at most {summary.pump_asked_l_min:.1f} l/min asked for (before sharing), "
        f"{summary.pump_given_l_min:.1f} given, {summary.pump_limit_l_min:.1f} the limit; "
        f"shared for {summary.pump_shared_s:.2f} s"
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


def as_json(trace: Trace, summary: Summary, report: Path, table: Path) -> dict[str, object]:
    """What --json prints."""
    return {
        "profile": trace.profile_digest,
        "table": trace.table_digest,
        "recording": trace.recording_name,
        "corner": trace.corner,
        "law": trace.law_source,
        "simulated": True,
        "running_s": round(summary.running_s, 4),
        "final_state": summary.final_state,
        "recording_about": trace.recording_about,
        "pump_asked_l_min": round(summary.pump_asked_l_min, 3),
        "pump_given_l_min": round(summary.pump_given_l_min, 3),
        "pump_limit_l_min": round(summary.pump_limit_l_min, 3),
        "joints": [asdict(joint) for joint in summary.joints],
        "events": [asdict(event) for event in summary.events],
        "warnings": list(summary.warnings),
        "fault_outcomes": [asdict(outcome) for outcome in summary.fault_outcomes],
        "faults": [fault.text for fault in trace.faults],
        "notes": [asdict(note) for note in trace.notes],
        "report": str(report),
        "trace": str(table),
    }
