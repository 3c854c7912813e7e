"""Recordings: what an operator's sensors and buttons did, read from CSV text.

    # any number of comment lines
    time_s,shoulder_yaw_deg,thumb_share,enabling,reset
    0.00,12.31,0.00,0,0

A column's ending says what is in it: `NAME_counts` raw counts of one input; `NAME_deg` or `NAME_share` the operator's
own unit (degrees, or the share of full lever from -1 to 1); `stop_1`, `stop_2`, `enabling`, `reset`, `mode_full`,
`key` are digital and hold 0 or 1. An empty cell means that there was no sample then. Time rises from row to row.

A recording with columns `NAME_read` is one of what the controller itself read, tick by tick, position sensors too
(`mapper/replay/as_read.py`): one row a tick, nothing resampled, no model of the arm. It may also have `elapsed_us`
(since the tick before), `power_up` (1: the controller starts anew before this tick) and `JOINT_true_deg` (where the
joint was).

The rule by which a recording of any rate is brought onto the controller's tick (`resample`): an analog input is linear
between two samples; over a gap longer than `GAP_S` it keeps the value before the gap, which is reported; a digital
input keeps its last value; before the first and after the last sample the nearest one holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mapper.errors import MapperError

DIGITAL_NAMES = ("stop_1", "stop_2", "enabling", "reset", "mode_full", "key")
"""In the order of the bits of law_digital_t (law.h)."""
UNITS = ("counts", "deg", "share", "read")
ELAPSED, POWER_UP = "elapsed_us", "power_up"
"""Columns of a recording as read (above); the first in us, the second 0 or 1."""
GAP_S = 0.25
LONGEST_S = 3600.0
COLUMNS_MAX = 200

Floats = NDArray[np.float64]


class RecordingError(MapperError):
    """A recording that cannot be used; the message has file, line and column, what is allowed and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One input over time; NaN where the recording has no sample."""

    name: str  # without the ending
    unit: str  # one of UNITS, "digital" or "us"
    header: str  # as written
    column: int  # 1-based character column of the header, for messages
    values: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """A well-formed recording: times rise strictly, every column is as long as the times."""

    file_name: str
    comments: tuple[str, ...]
    header_line: int
    time_s: Floats
    lines: NDArray[np.int64]  # line number of each row
    columns: tuple[Column, ...]

    @property
    def length_s(self) -> float:
        """From the first to the last sample."""
        return float(self.time_s[-1] - self.time_s[0])

    def digital(self, name: str) -> Column | None:
        """The digital column of that name, if the recording has it."""
        return next((column for column in self.columns if column.unit == "digital" and column.name == name), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A stretch without samples, longer than `GAP_S`; times from the start of the recording."""

    start_s: float
    end_s: float


def read_recording(text: str, file_name: str) -> Recording:
    """Read a recording.

    Args:
        text: the whole CSV file.
        file_name: for messages.
    Raises:
        RecordingError: at the first thing that is wrong, with its place and a remedy.
    """
    lines = text.removeprefix("\ufeff").splitlines()
    comments: list[str] = []
    header_index = -1
    for index, line in enumerate(lines):
        bare = line.strip()
        if bare.startswith("#"):
            comments.append(bare[1:].strip())
        elif bare:
            header_index = index
            break
    if header_index < 0:
        raise _error(file_name, 1, 1, "the file has no header line", "a line time_s,NAME_deg,... before the samples")
    names = _read_header(lines[header_index], file_name, header_index + 1)
    body = [(index + 1, line) for index, line in enumerate(lines) if index > header_index and _is_sample(line)]
    if len(body) < 2:
        raise _error(
            file_name,
            header_index + 1,
            1,
            f"{len(body)} sample line(s) after the header",
            "at least two samples; record for longer",
        )
    table = _read_body(body, names, file_name)
    line_numbers = np.array([number for number, _ in body], dtype=np.int64)
    time_s = table[:, 0]
    _check_time(time_s, line_numbers, file_name)
    columns = []
    for position, (name, unit, header, place) in enumerate(names):
        if position == 0:
            continue
        values = np.ascontiguousarray(table[:, position])
        _check_values(values, unit, header, line_numbers, file_name, body, position)
        values.setflags(write=False)
        columns.append(Column(name=name, unit=unit, header=header, column=place, values=values))
    time_s = np.ascontiguousarray(time_s)
    time_s.setflags(write=False)
    return Recording(
        file_name=file_name,
        comments=tuple(comments),
        header_line=header_index + 1,
        time_s=time_s,
        lines=line_numbers,
        columns=tuple(columns),
    )


def resample(recording: Recording, column: Column, ticks: NDArray[np.float64]) -> tuple[Floats, tuple[Gap, ...]]:
    """Bring one column onto the controller's ticks by the rule at the top of this module.

    Args:
        ticks: times in s from the start of the recording, rising.
    Returns:
        the values at the ticks, and the gaps over which a value was held.
    """
    there = ~np.isnan(column.values)
    times = recording.time_s[there] - recording.time_s[0]
    values = column.values[there]
    before = np.clip(np.searchsorted(times, ticks + 1e-9, side="right") - 1, 0, len(times) - 1)
    if column.unit == "digital":
        return values[before], ()
    result = np.interp(ticks, times, values)
    wide = np.append(np.diff(times) > GAP_S + 1e-9, False)
    held = wide[before] & (ticks >= times[0])
    result[held] = values[before[held]]
    gaps = tuple(Gap(start_s=float(times[index]), end_s=float(times[index + 1])) for index in np.flatnonzero(wide[:-1]))
    return result, gaps


def _is_sample(line: str) -> bool:
    bare = line.strip()
    return bool(bare) and not bare.startswith("#")


def _error(file_name: str, line: int, column: int, found: str, remedy: str) -> RecordingError:
    return RecordingError(f"{file_name}:{line}:{column}: {found}; {remedy}")


def _read_header(line: str, file_name: str, number: int) -> list[tuple[str, str, str, int]]:
    """(name, unit, as written, 1-based column) of each column; the first is the time."""
    if ";" in line or "\t" in line:
        raise _error(
            file_name,
            number,
            1,
            "the header has ';' or tab between the names",
            "write commas, and points in the numbers",
        )
    names: list[tuple[str, str, str, int]] = []
    place = 1
    seen: dict[str, int] = {}
    for cell in line.split(","):
        header = cell.strip()
        column = place + len(cell) - len(cell.lstrip())
        place += len(cell) + 1
        if header in seen:
            raise _error(
                file_name,
                number,
                column,
                f"column {header!r} is there a second time (first at column {seen[header]})",
                "every column once; delete one of them",
            )
        seen[header] = column
        if not names:
            if header != "time_s":
                raise _error(
                    file_name,
                    number,
                    column,
                    f"the first column is {header!r}",
                    "the first column is time_s, in seconds",
                )
            names.append(("time", "s", header, column))
            continue
        if header in (*DIGITAL_NAMES, POWER_UP):
            names.append((header, "digital", header, column))
            continue
        if header == ELAPSED:
            names.append((header, "us", header, column))
            continue
        name, _, unit = header.rpartition("_")
        if unit not in UNITS or not name:
            raise _error(
                file_name,
                number,
                column,
                f"column {header!r} does not say what is in it",
                "allowed are NAME_counts, NAME_deg, NAME_share and " + ", ".join(DIGITAL_NAMES) + "; add the ending",
            )
        names.append((name, unit, header, column))
    if len(names) > COLUMNS_MAX:
        raise _error(
            file_name, number, 1, f"{len(names)} columns", f"at most {COLUMNS_MAX}; leave out what is not an input"
        )
    return names


def _read_body(body: list[tuple[int, str]], names: list[tuple[str, str, str, int]], file_name: str) -> Floats:
    """All samples as numbers: numpy reads a tidy file at once, anything else goes cell by cell to find its place."""
    commas = len(names) - 1
    if all(line.count(",") == commas for _, line in body):
        try:
            table = np.loadtxt([line for _, line in body], delimiter=",", dtype=np.float64, ndmin=2)
        except ValueError:
            pass
        else:
            if np.all(np.isfinite(table)):
                return table
    return np.array([_read_row(line, number, names, file_name) for number, line in body], dtype=np.float64)


def _read_row(line: str, number: int, names: list[tuple[str, str, str, int]], file_name: str) -> list[float]:
    cells = line.split(",")
    if len(cells) != len(names):
        raise _error(
            file_name,
            number,
            1,
            f"{len(cells)} values",
            f"the header names {len(names)} columns; a decimal comma or a cut-off line does this: mend the line",
        )
    row: list[float] = []
    place = 1
    for cell, (_, _, header, _) in zip(cells, names, strict=True):
        bare = cell.strip()
        column = place + len(cell) - len(cell.lstrip())
        place += len(cell) + 1
        if not bare and header != "time_s":
            row.append(math.nan)
            continue
        try:
            value = float(bare) if bare.isascii() and "_" not in bare else math.nan
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            raise _error(
                file_name,
                number,
                column,
                f"{header} is {bare!r}",
                "a finite decimal number is allowed, or nothing where there was no sample",
            )
        row.append(value)
    return row


def _check_time(time_s: Floats, lines: NDArray[np.int64], file_name: str) -> None:
    back = np.flatnonzero(np.diff(time_s) <= 0.0)
    if back.size:
        index = int(back[0]) + 1
        raise _error(
            file_name,
            int(lines[index]),
            1,
            f"time_s is {time_s[index]:g} after {time_s[index - 1]:g}",
            "time must rise from line to line; sort the lines or delete the doubled one",
        )
    length = float(time_s[-1] - time_s[0])
    if length > LONGEST_S:
        raise _error(
            file_name,
            int(lines[-1]),
            1,
            f"the recording lasts {length:.0f} s",
            f"at most {LONGEST_S:.0f} s; cut it in parts",
        )


def _check_values(
    values: Floats,
    unit: str,
    header: str,
    lines: NDArray[np.int64],
    file_name: str,
    body: list[tuple[int, str]],
    position: int,
) -> None:
    there = ~np.isnan(values)
    if not there.any():
        raise _error(
            file_name,
            int(lines[0]),
            1,
            f"column {header!r} has no sample at all",
            "delete the column: it is then held at rest",
        )
    if unit == "digital":
        wrong = there & (values != 0.0) & (values != 1.0)
        allowed = "0 or 1 is allowed"
    elif unit == "us":
        wrong = there & ((values < 1.0) | (values > 1e6) | (values != np.floor(values)))
        allowed = "a whole number of microseconds from 1 to 1000000 is allowed"
    elif unit in ("counts", "read"):
        wrong = there & ((values < 0.0) | (values > 65535.0) | (values != np.floor(values)))
        allowed = "a whole number from 0 to 65535 is allowed; raw counts have no unit and no decimals"
    elif unit == "share":
        wrong = there & (np.abs(values) > 1.0)
        allowed = "-1 to 1 is allowed (the share of full lever); divide percent by 100"
    else:
        wrong = there & (np.abs(values) > 360.0)
        allowed = "-360 to 360 degrees is allowed; are these counts or radians?"
    if wrong.any():
        index = int(np.flatnonzero(wrong)[0])
        cells = body[index][1].split(",")
        column = sum(len(cell) + 1 for cell in cells[:position]) + 1
        raise _error(file_name, int(lines[index]), column, f"{header} is {values[index]:g}", allowed)
