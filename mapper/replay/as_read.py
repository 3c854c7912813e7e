"""Recordings of what the controller itself read, tick by tick: the law over exactly that, without a model of the arm.

    time_s,elapsed_us,power_up,stop_1,stop_2,enabling,reset,mode_full,key,hand_angle_read,lever_a_read,lever_true_deg
    0.000000,5000,1,1,1,0,0,1,0,2050,2047,0.000

- `NAME_read` is the count of the input NAME in this tick; every input of the profile has one, position sensors too;
- `stop_1`, `stop_2`, `enabling`, `reset`, `mode_full` and `key` are all there;
- `elapsed_us` is the time since the tick before (the controller's tick where the column is missing), `power_up` is 1
  where the controller starts anew before this tick (it does so before the first in any case);
- `JOINT_true_deg` is where the joint really was when the counts were read; it is for people and for the monitor, the
  law does not see it. An empty cell: not known.

One row a tick; nothing is resampled, held, added or left out. `mapper check --effort` writes what its search finds so.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from mapper.law import INPUT_BITS, load_core
from mapper.profile.profile import Profile
from mapper.replay._library import HEAD_DOUBLES, JOINT_DOUBLES, JOINTS_MAX, OUT_INTS
from mapper.replay.inputs import IN_INTS, Note
from mapper.replay.recording import DIGITAL_NAMES, ELAPSED, POWER_UP, Column, Recording, RecordingError
from mapper.replay.run import HEAD, OF_JOINT, Trace, about, flow_asked
from mapper.table import table_digest

Ints = NDArray[np.int32]
Floats = NDArray[np.float64]

TRUE = "_true"
"""Ending of the name of a column that says where a joint was, before its unit."""
_LATE_S = 1e-6
_MDEG = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AsRead:
    """A recording of what the controller read, on its ticks."""

    inputs: Ints  # (n, 66): elapsed_us, digital inputs, counts
    power_up: NDArray[np.uint8]  # (n,)
    true_mdeg: Ints  # (n, 16); 0 where not known
    known: NDArray[np.bool_]  # (n, 16): the position is known


def is_as_read(recording: Recording) -> bool:
    """Whether this is a recording of what the controller read."""
    return any(column.unit == "read" for column in recording.columns)


def as_read(profile: Profile, recording: Recording) -> AsRead:
    """The recording on its ticks.

    Raises:
        RecordingError: an input or digital column is missing or unknown, a cell is empty, or rows are no tick apart.
    """
    _check_ticks(profile, recording)
    count = len(recording.time_s)
    columns = {column.header: column for column in recording.columns}
    inputs = np.zeros((count, IN_INTS), dtype=np.int32)
    inputs[:, 0] = round(float(profile.controller.tick_s) * 1e6)
    if ELAPSED in columns:
        inputs[:, 0] = _whole(recording, columns.pop(ELAPSED))
    for name in DIGITAL_NAMES:
        inputs[:, 1] |= np.where(_whole(recording, _take(recording, columns, name)) != 0, INPUT_BITS[name], 0)
    power_up = np.zeros(count, dtype=np.uint8)
    if POWER_UP in columns:
        power_up = _whole(recording, columns.pop(POWER_UP)).astype(np.uint8)
    for name, index in profile.controller.inputs:
        inputs[:, 2 + index] = _whole(recording, _take(recording, columns, f"{name}_read"))
    true_mdeg = np.zeros((count, JOINTS_MAX), dtype=np.int32)
    known = np.zeros((count, JOINTS_MAX), dtype=np.bool_)
    for number, joint in enumerate(profile.joints):
        column = columns.pop(f"{joint.name}{TRUE}_deg", None)
        if column is not None:
            known[:, number] = ~np.isnan(column.values)
            true_mdeg[:, number] = np.rint(np.nan_to_num(column.values) * _MDEG)
    for column in columns.values():
        raise _fail(
            recording,
            column.column,
            f"column {column.header!r} has no place in a recording of what the controller read",
            "allowed are NAME_read for every input, the digital inputs, elapsed_us, power_up and JOINT_true_deg; "
            "delete the column",
        )
    return AsRead(inputs=inputs, power_up=power_up, true_mdeg=true_mdeg, known=known)


def run_as_read(profile: Profile, table_bytes: bytes, recording: Recording) -> Trace:
    """The law over what the controller read.

    Args:
        table_bytes: the compiled table, as it is sent to the controller.

    Raises:
        TableRefused: the law's own validation refuses the table.
        RecordingError: see `as_read`.
    """
    core = load_core()
    live = core.table(table_bytes)
    rows = as_read(profile, recording)
    law = np.empty((len(rows.inputs), OUT_INTS), dtype=np.int32)
    starts = [0, *(np.flatnonzero(rows.power_up[1:]) + 1).tolist(), len(law)]
    core.assert_clear()
    for first, end in pairwise(starts):
        law[first:end] = live.run(live.start(), rows.inputs[first:end])
    core.assert_clear()
    for array in (rows.inputs, law):
        array.setflags(write=False)
    motion = _motion(profile, rows, law)
    motion.setflags(write=False)
    return Trace(
        recording_name=recording.file_name,
        recording_about=about(recording),
        corner="nominal",
        load_name="",
        profile_digest=profile.digest.hex()[:16],
        table_digest=table_digest(table_bytes),
        law_source=f"this process, core {core.source_digest[:16]}",
        tick_s=float(profile.controller.tick_s),
        zero_tick=0,
        end_tick=len(law),
        joint_names=tuple(joint.name for joint in profile.joints),
        input_names=profile.controller.inputs,
        inputs=rows.inputs,
        law=law,
        motion=motion,
        asked_l_min=flow_asked(table_bytes, law),
        notes=(_note(profile, rows),),
        faults=(),
    )


def _place(number: int) -> int:
    return HEAD_DOUBLES + JOINT_DOUBLES * number


def _motion(profile: Profile, rows: AsRead, law: Ints) -> Floats:
    """Places and speeds as recorded, or as the law read them; flows and pressures are not known and stay 0."""
    tick_s = float(profile.controller.tick_s)
    motion = np.zeros((len(law), _place(len(profile.joints))))
    motion[:, 2] = 1.0
    for number, joint in enumerate(profile.joints):
        read = law[:, len(HEAD) + len(OF_JOINT) * number + OF_JOINT["position_mdeg"]]
        place = np.where(rows.known[:, number], rows.true_mdeg[:, number], read) / _MDEG
        step = np.diff(place, append=place[-1])
        if joint.continuous:
            step = (step + 180.0) % 360.0 - 180.0
        motion[:, _place(number)] = place
        motion[:, _place(number) + 1] = step / tick_s
        motion[:, _place(number) + 4] = 1.0
    return motion


def _note(profile: Profile, rows: AsRead) -> Note:
    named = [joint.name for number, joint in enumerate(profile.joints) if rows.known[:, number].any()]
    places = f"the places of {', '.join(named)} are the recording's" if named else "places are what the law read"
    return Note(
        kind="rule",
        text="a recording of what the controller read: the law runs over exactly that, no model of the arm runs beside "
        f"it; {places}; flows, pressures and stops are not worked out",
    )


def _fail(recording: Recording, column: int, found: str, remedy: str, line: int | None = None) -> RecordingError:
    return RecordingError(f"{recording.file_name}:{line or recording.header_line}:{column}: {found}; {remedy}")


def _take(recording: Recording, columns: dict[str, Column], header: str) -> Column:
    if header not in columns:
        raise _fail(
            recording,
            1,
            f"column {header!r} is missing",
            "a recording of what the controller read has every input of the profile and every digital input",
        )
    return columns.pop(header)


def _whole(recording: Recording, column: Column) -> Ints:
    """Whole numbers, none missing."""
    empty = np.flatnonzero(np.isnan(column.values))
    if empty.size:
        raise _fail(
            recording,
            column.column,
            f"{column.header} is empty",
            "what the controller reads is there in every tick: write a number",
            int(recording.lines[int(empty[0])]),
        )
    return column.values.astype(np.int32)


def _check_ticks(profile: Profile, recording: Recording) -> None:
    tick_s = float(profile.controller.tick_s)
    wrong = np.flatnonzero(np.abs(np.diff(recording.time_s) - tick_s) > _LATE_S)
    if wrong.size:
        row = int(wrong[0]) + 1
        raise _fail(
            recording,
            1,
            f"time_s is {recording.time_s[row]:g} after {recording.time_s[row - 1]:g}",
            f"one row a tick: {tick_s:g} s apart, the tick of {profile.file_name}",
            int(recording.lines[row]),
        )
