"""Brings the law to `running` with every joint moving, the way an operator does, so that faults can be tried from
there.
"""

from __future__ import annotations

import ctypes
from dataclasses import dataclass, replace

import numpy as np

from mapper.check.context import Ints
from mapper.law import INPUT_BITS, STATES, LawState, LiveTable, load_core
from mapper.law.core import IN_INTS, OUT_HEAD, OUT_INTS, OUT_JOINT
from mapper.table.table import FOLLOW, Q16, JointTable, Table, Track

HEALTHY = INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"] | INPUT_BITS["mode_full"]
HELD = HEALTHY | INPUT_BITS["enabling"]
RUNNING = STATES.index("running")
_DRIVE_AT = 5  # within a joint's block of outputs
_MOVE_TICKS_MOST = 400
_SPARE_TICKS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """A state of the law with every drive on, and the tick of input that led to it."""

    state: bytes
    row: Ints  # 66 ints
    moving: bool  # every joint has a drive other than 0
    rest_state: bytes  # running as well, full authority, before any operator input was moved
    rest_row: Ints
    goal_row: Ints  # the row with every operator input where it goes to
    begins: tuple[Begin, ...]  # how motion begins with the operator at the edge of what counts as matched


@dataclass(frozen=True, slots=True, kw_only=True)
class Begin:
    """From the press of the enabling device until full authority, the arm standing still and every follow joint's
    operator as far from it as still counts as matched. Rows of the law's output.
    """

    mode: int
    out: Ints  # (n, 121)


def drives(out: Ints, joint_count: int) -> Ints:
    """Drives of the joints from rows of output: shape (n, joints)."""
    first = OUT_HEAD + _DRIVE_AT
    return out[:, first : first + OUT_JOINT * joint_count : OUT_JOINT]


def run_each(live: LiveTable, state: bytes, rows: Ints, ticks: int) -> Ints:
    """From a copy of `state` for each row: that row of input held for `ticks` ticks; the last tick's output of each."""
    library = load_core().library
    job_type = _each_type()
    library.bench_each_bytes.restype = ctypes.c_size_t
    assert library.bench_each_bytes() == ctypes.sizeof(job_type), "bench_each_t has another layout"
    rows = np.ascontiguousarray(rows, dtype=np.int32)
    out = np.empty((rows.shape[0], OUT_INTS), dtype=np.int32)
    buffer = ctypes.create_string_buffer(state, len(state))
    job = job_type(
        ctypes.addressof(live.buffer), ctypes.addressof(buffer), rows.ctypes.data, rows.shape[0], ticks, out.ctypes.data
    )
    library.bench_each(ctypes.byref(job))
    return out


def _each_type() -> type[ctypes.Structure]:
    class EachJob(ctypes.Structure):
        _fields_ = (
            ("table", ctypes.c_void_p),
            ("state", ctypes.c_void_p),
            ("rows", ctypes.c_void_p),
            ("scenarios", ctypes.c_int64),
            ("ticks", ctypes.c_int64),
            ("out", ctypes.c_void_p),
        )

    return EachJob


class Pilot:
    """The operator and a standing arm. Every step is bounded in ticks."""

    def __init__(self, table: Table, live: LiveTable) -> None:
        self._table = table
        self._live = live
        self._row = np.zeros(IN_INTS, dtype=np.int32)
        self._row[0] = table.machine.tick_us
        self._operator_at: list[int] = []
        for index, joint in enumerate(table.joints):
            pose = 0 if joint.continuous else (joint.soft_stop_mdeg[0] + joint.soft_stop_mdeg[1]) // 2
            self._put(index, 2, joint.position.tracks, pose)
            self._operator_at.append(self._operator_value(index, joint, pose))
            self._put(index, 0, joint.operator.tracks, self._operator_at[-1])

    def running(self) -> Running:
        """Power-up, reset, enabling device, matching, full authority, then every operator input moved until all joints
        move.
        """
        state = self._live.start()
        out = self._press(state, HELD)
        rest_state, rest_row = bytes(state), self._row.copy()
        goals = [self._goal(index, joint) for index, joint in enumerate(self._table.joints)]
        moving = out[-1, 0] == RUNNING and self._set_off(state, goals)
        moving_row = self._row.copy()
        for index, (joint, goal) in enumerate(zip(self._table.joints, goals, strict=True)):
            self._put(index, 0, joint.operator.tracks, goal)
        return Running(
            state=bytes(state),
            row=moving_row,
            moving=moving,
            rest_state=rest_state,
            rest_row=rest_row,
            goal_row=self._row.copy(),
            begins=(),
        )

    def begin(self, edge: int, mode: int) -> Begin:
        """edge: +1 or -1, to which side of the joints the operator is off. mode: 0 reduced, 1 full."""
        for index, joint in enumerate(self._table.joints):
            if joint.control == FOLLOW:
                self._put_at_edge(index, joint, edge)
        held = HELD if mode else HELD & ~INPUT_BITS["mode_full"]
        return Begin(mode=mode, out=self._press(self._live.start(), held))

    def _press(self, state: LawState, held: int) -> Ints:
        """From power-up to full authority, inputs as they are; the outputs since the device was pressed."""
        machine = self._table.machine
        out = np.empty((0, OUT_INTS), dtype=np.int32)
        for digital, ticks in (
            (HEALTHY, machine.power_up_ticks + _SPARE_TICKS),
            (HEALTHY | INPUT_BITS["reset"], machine.reset_min_ticks),
            (HEALTHY, _SPARE_TICKS),
            (held, machine.load_ticks + machine.match_ticks + Q16 // machine.authority_step_q16 + 2 * _SPARE_TICKS),
        ):
            self._row[1] = digital
            out = self._live.run(state, np.tile(self._row, (ticks, 1)))
        return out

    def _put_at_edge(self, index: int, joint: JointTable, edge: int) -> None:
        """The operator's count whose target is farthest to one side of the reading and still inside the window."""
        track = joint.operator.tracks[0]
        counts = np.arange(track.count_min, track.count_max + 1, dtype=np.int32)
        target = self._live.curve(index, 4, self._live.curve(index, 0, counts)).astype(np.int64)
        at = self._row[2 + joint.position.tracks[0].input]
        error = target - int(self._live.curve(index, 2, np.array([at], dtype=np.int32))[0])
        inside = np.flatnonzero(np.abs(error) <= joint.match_window_mdeg)
        if inside.size:
            best = inside[int(np.argmax(edge * error[inside]))]
            self._put(index, 0, joint.operator.tracks, int(self._live.curve(index, 0, counts[best : best + 1])[0]))

    def _set_off(self, state: LawState, goals: list[int]) -> bool:
        """Moves the operator's inputs until every joint has drive; False where that does not come about."""
        for _ in range(_MOVE_TICKS_MOST):
            self._move(goals)
            out = self._live.run(state, self._row[None, :])
            if out[0, 0] != RUNNING:
                break
            if np.all(drives(out, len(goals))[0] != 0):
                return True
        return False

    def _put(self, index: int, first_curve: int, tracks: tuple[Track, ...], value: int) -> None:
        for number, track in enumerate(tracks):
            counts = np.arange(track.count_min, track.count_max + 1, dtype=np.int32)
            values = self._live.curve(index, first_curve + number, counts).astype(np.int64)
            self._row[2 + track.input] = counts[int(np.argmin(np.abs(values - value)))]

    def _operator_value(self, index: int, joint: JointTable, target: int) -> int:
        """Operator's value (mdeg, or share e4) whose response is nearest to the target."""
        if joint.control != FOLLOW:
            return 0
        ends = [y for _, y in joint.operator.tracks[0].curve.points]
        values = np.arange(min(ends), max(ends) + 1, dtype=np.int32)
        response = self._live.curve(index, 4, values).astype(np.int64)
        return int(values[int(np.argmin(np.abs(response - target)))])

    def _goal(self, index: int, joint: JointTable) -> int:
        """Where the operator's input goes: a lever to its end; a follow joint some way off, short of the gap at which
        it is held.
        """
        ends = [y for _, y in joint.operator.tracks[0].curve.points]
        if joint.control != FOLLOW:
            return max(ends)
        pose = 0 if joint.continuous else (joint.soft_stop_mdeg[0] + joint.soft_stop_mdeg[1]) // 2
        way = 30_000 if joint.continuous else (joint.soft_stop_mdeg[0] - joint.soft_stop_mdeg[1]) // 2
        if joint.gap_mdeg > 0:
            way = min(way, joint.gap_mdeg // 2)
        return self._operator_value(index, joint, pose + way)

    def _move(self, goals: list[int]) -> None:
        for index, (joint, goal) in enumerate(zip(self._table.joints, goals, strict=True)):
            step = max(1, joint.operator.step_max // 3)
            at = self._operator_at[index]
            self._operator_at[index] = at + max(-step, min(step, goal - at))
            self._put(index, 0, joint.operator.tracks, self._operator_at[index])


def running_state(table: Table, live: LiveTable) -> Running:
    """The law as it runs on this table; `begins` for both sides and both modes."""
    begins = tuple(Pilot(table, live).begin(edge, mode) for mode in (0, 1) for edge in (1, -1))
    return replace(Pilot(table, live).running(), begins=begins)
