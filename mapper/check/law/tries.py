"""Single ticks of the compiled law from states that are made up: every speed, every count (firmware_stub/bench)."""

from __future__ import annotations

import ctypes
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.context import Ints
from mapper.law import LiveTable, load_core
from mapper.law.core import IN_INTS

_OUT, _SENSE_OUT = 4, 6
_ENABLED = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class Tries:
    """What one tick made of each try. Arrays (tries, joints), but `states` and `enables` (tries,)."""

    wanted: Ints  # target speed after rule L6, mdeg/s
    speed: Ints  # after rule L7
    flow_e4: Ints
    drive_e4: Ints
    states: Ints
    enables: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensed:
    """What the law makes of two counts. Arrays (n,)."""

    value: Ints
    larger: Ints
    smaller: Ints
    faulty: npt.NDArray[np.bool_]
    cap_up: Ints  # what the soft stops leave of full speed, mdeg/s
    cap_down: Ints


class _Job(ctypes.Structure):
    _fields_ = (
        ("table", ctypes.c_void_p),
        ("state", ctypes.c_void_p),
        ("rows", ctypes.c_void_p),
        ("speeds", ctypes.c_void_p),
        ("row_count", ctypes.c_int64),
        ("speed_count", ctypes.c_int64),
        ("count", ctypes.c_int64),
        ("fresh", ctypes.c_int64),
        ("after", ctypes.c_void_p),
        ("state_at", ctypes.c_void_p),
    )


def try_ticks(live: LiveTable, state: bytes, rows: Ints, speeds: Ints, *, fresh: bool = False) -> Tries:
    """One tick from `state` for every row of input or line of speeds, whichever are more; the fewer are gone through
    again and again.

    Args:
        live: the table.
        state: of the law.
        rows: (n, 66), ticks of input.
        speeds: (m, joints), mdeg/s, of the tick before.
        fresh: the sensors have no past, so every count inside its window is a value at once, and the demand too.
    """
    library = load_core().library
    library.bench_tries_bytes.restype = ctypes.c_size_t
    assert library.bench_tries_bytes() == ctypes.sizeof(_Job), "bench_tries_t has another layout"
    rows = np.ascontiguousarray(rows, dtype=np.int32)
    speeds = np.ascontiguousarray(speeds, dtype=np.int32)
    assert rows.shape[1] == IN_INTS
    count, joints = max(rows.shape[0], speeds.shape[0]), speeds.shape[1]
    after, states = np.empty((count, joints, _OUT), dtype=np.int32), np.empty(count, dtype=np.int32)
    buffer = ctypes.create_string_buffer(state, len(state))
    job = _Job(
        ctypes.addressof(live.buffer), ctypes.addressof(buffer), rows.ctypes.data, speeds.ctypes.data, rows.shape[0],
        speeds.shape[0], count, int(fresh), after.ctypes.data, states.ctypes.data,
    )  # fmt: skip
    library.bench_tries(ctypes.byref(job))
    return Tries(
        wanted=after[:, :, 0],
        speed=after[:, :, 1],
        flow_e4=after[:, :, 2],
        drive_e4=after[:, :, 3],
        states=states % _ENABLED,
        enables=states >= _ENABLED,
    )


def sense(live: LiveTable, joint: int, first: Ints, then: Ints, ticks: int) -> Sensed:
    """Rule L3 for the position sensor of `joint`, and rule L6b on what it reads: both tracks at `first` for three
    ticks, then at `then` for `ticks` ticks.

    Args:
        live: the table.
        joint: index.
        first: (n, 2), counts of both tracks; a single track's in column 0.
        then: the same.
        ticks: at least 1.
    """
    first = np.ascontiguousarray(first, dtype=np.int32)
    then = np.ascontiguousarray(then, dtype=np.int32)
    assert first.shape == then.shape
    assert first.shape[1] == 2
    out = np.empty((first.shape[0], _SENSE_OUT), dtype=np.int32)
    pointer = ctypes.c_void_p
    load_core().library.bench_sense(
        live.buffer,
        joint,
        ticks,
        first.ctypes.data_as(pointer),
        then.ctypes.data_as(pointer),
        out.ctypes.data_as(pointer),
        ctypes.c_int64(first.shape[0]),
    )
    return Sensed(
        value=out[:, 0],
        larger=out[:, 1],
        smaller=out[:, 2],
        faulty=out[:, 3] != 0,
        cap_up=out[:, 4],
        cap_down=out[:, 5],
    )
