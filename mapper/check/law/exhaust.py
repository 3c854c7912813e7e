"""Every state of the safety machine and every input, on the compiled law: the enumeration itself (what must hold is in
`safety`).

A table of two lever-controlled joints with timers of 2 or 3 ticks stands for every table of the same stop category:
timers enter the rules only by comparison of a counter with the table's value (tests try them from 1 to 5 ticks), and
joints only by "every" and "any", which two that differ tell apart. The joints' part of the state is put to one of the
VARIANTS before every tick, so whatever joints can tell the machine may come in any state.
"""

from __future__ import annotations

import ctypes
import functools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.context import Ints
from mapper.check.law.pilot import HEALTHY, HELD
from mapper.law import INPUT_BITS, STATES, LawState, LiveTable, load_core
from mapper.law.core import IN_INTS, Core
from mapper.table import encode_table
from mapper.table.table import Q16, SPEED, Curve, JointTable, MachineTable, Sensor, Table, Track

FIELDS = (
    "state",
    "cause",
    "cause_joint",
    "mode",
    "permit",
    "seen_released",
    "both_must_open",
    "discrepancy",
    "press_ticks",
    "state_ticks",
    "match_ticks",
    "authority_q16",
)
DIGITAL = 64
DRIVES, ENABLES, MOVES = 1, 2, 4
_CAPACITY = 1 << 14

_REST, _PUSHED, _POSE, _CUT = 500, 800, 500, 0
_OPERATOR, _POSITION = 2, 3  # columns of a row of input
_TICK_US, _LATE_US = 5000, 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """What the joints tell the safety machine in a tick."""

    name: str
    ready: bool
    matched: bool
    moving: bool  # the speed of the tick before is not 0, which no state but running and stopping leaves behind
    faulty: bool


ONE_JOINT = (
    Variant(name="standing, lever at rest", ready=True, matched=True, moving=False, faulty=False),
    Variant(name="standing, lever pushed", ready=True, matched=False, moving=False, faulty=False),
    Variant(name="moving, lever pushed", ready=True, matched=False, moving=True, faulty=False),
    Variant(name="moving, lever at rest", ready=True, matched=True, moving=True, faulty=False),
    Variant(name="sensors not ready", ready=False, matched=True, moving=False, faulty=False),
    Variant(name="position wire cut, standing", ready=False, matched=True, moving=False, faulty=True),
    Variant(name="operator wire cut, moving", ready=False, matched=False, moving=True, faulty=True),
    Variant(name="tick too late, moving", ready=True, matched=False, moving=True, faulty=True),
)


_CALM = ONE_JOINT[0]


def _both(first: Variant, second: Variant) -> Variant:
    """What two joints tell together."""
    return Variant(
        name=f"first joint {first.name}, second {second.name}",
        ready=first.ready and second.ready,
        matched=first.matched and second.matched,
        moving=first.moving or second.moving,
        faulty=first.faulty or second.faulty,
    )


_PAIRS = (*((one, _CALM) for one in ONE_JOINT), *((_CALM, one) for one in ONE_JOINT[1:]))
VARIANTS = tuple(_both(first, second) for first, second in _PAIRS)
"""Two joints, one of which stands with its lever at rest: what tells "every" from "any" and from "the first"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timers:
    """Ticks of the machine's timers, and how many ticks authority takes to the full."""

    power_up: int = 3
    discrepancy: int = 2
    reset_min: int = 2
    reset_max: int = 3
    load: int = 2
    match: int = 2
    authority: int = 2
    stop: int = 2
    release: int = 2


_USUAL = Timers()


@dataclass(frozen=True, slots=True, kw_only=True)
class Transitions:
    """All of them. Arrays over (state, digital inputs, variant)."""

    machine: MachineTable
    states: Ints  # (n, 12), columns FIELDS; state 0 is power-up
    next: Ints  # index of the state after the tick
    flags: npt.NDArray[np.uint8]  # DRIVES, ENABLES, MOVES after the tick
    parents: Ints  # (n, 2): the state that led here first, and digital * variants + variant

    def column(self, name: str) -> Ints:
        return self.states[:, FIELDS.index(name)]

    def way_to(self, state: int) -> str:
        """How to get there from power-up, tick by tick, in words: the shortest, since the search is breadth first."""
        steps = []
        while self.parents[state, 0] >= 0:
            steps.append(input_words(int(self.parents[state, 1])))
            state = int(self.parents[state, 0])
        return "; ".join(reversed(steps)) or "power-up"


def input_words(code: int) -> str:
    digital, variant = divmod(code, len(VARIANTS))
    on = [name for name, bit in INPUT_BITS.items() if digital & bit]
    return f"[{' '.join(on) or 'all off'}, {VARIANTS[variant].name}]"


def short_table(stop_category: int, timers: Timers = _USUAL, joint_count: int = 2) -> Table:
    """The table that is enumerated. Ramps of several ticks, so that a deadline of two ticks comes before standstill."""
    return Table(
        machine_id="exhaust",
        revision=0,
        tool_version=(0, 0, 0),
        profile_digest=bytes(32),
        machine=_machine(stop_category, timers),
        joints=tuple(_joint(2 * index) for index in range(joint_count)),
    )


def _joint(channel: int) -> JointTable:
    """A lever on one analog channel, its position on the next."""
    lever = Curve(points=((100, -10_000), (900, 10_000)))
    angle = Curve(points=((100, -40_000), (900, 40_000)))
    operator = Track(input=channel, count_min=100, count_max=900, curve=lever)
    position = Track(input=channel + 1, count_min=100, count_max=900, curve=angle)
    return JointTable(
        control=SPEED,
        continuous=False,
        polarity=1,
        operator=Sensor(tracks=(operator,), step_max=720_000, disagreement=1, bad_ticks=1),
        position=Sensor(tracks=(position,), step_max=720_000, disagreement=1, bad_ticks=1),
        filter_q16=65_536,
        speed_filter_q16=65_536,
        deadband=500,
        speed_deadband_mdeg_s=0,
        response=Curve(points=((-10_000, -10_000), (10_000, 10_000))),
        gain_q16=0,
        feed_q16=0,
        match_window_mdeg=0,
        gap_mdeg=0,
        speed_reduced_mdeg_s=(10_000, 10_000),
        speed_full_mdeg_s=(20_000, 20_000),
        accelerate_mdeg_s=20_000,
        decelerate_mdeg_s=2_000,
        stop_mdeg_s=2_000,
        soft_stop_mdeg=(30_000, -30_000),
        brake=(Curve(points=((0, 0), (1000, 20_000))), Curve(points=((0, 0), (1000, 20_000)))),
        flow_per_speed_q16=(Curve(points=((-40_000, 16_384), (40_000, 16_384))),) * 2,
        flow_max_e4=(10_000, 10_000),
        flow_full_ml_min=10_000,
        valve=(Curve(points=((0, 1800), (10_000, 10_000))),) * 2,
        drive_max_e4=10_000,
        reversal_ticks=1,
        settle_ticks=30_000,
        still_ticks=30_000,
        still_mdeg=360_000,
        stall_flow_e4=10_000,
        stall_ticks=60_000,
        stall_mdeg=1,
        reach_mm=0,
    )


def _machine(stop_category: int, timers: Timers) -> MachineTable:
    return MachineTable(
        tick_us=_TICK_US,
        tick_hz=200,
        late_us=_LATE_US,
        pump_ml_min=1_000_000,
        power_up_ticks=timers.power_up,
        discrepancy_ticks=timers.discrepancy,
        reset_min_ticks=timers.reset_min,
        reset_max_ticks=timers.reset_max,
        load_ticks=timers.load,
        match_ticks=timers.match,
        authority_step_q16=-(-Q16 // timers.authority),
        stop_category=stop_category,
        stop_ticks=timers.stop,
        release_ticks=timers.release,
        tip_mdeg_mm_s=0,
    )


def transitions(stop_category: int, timers: Timers = _USUAL) -> Transitions:
    """Breadth first from power-up: every state that any inputs can reach, every digital input and variant in each.

    Raises:
        RuntimeError: more states than there is room for, which means that a counter no longer saturates.
    """
    return enumerations(stop_category, timers, load_core())


@functools.lru_cache(maxsize=2)
def enumerations(stop_category: int, timers: Timers, core: Core) -> Transitions:
    """`transitions` of one loaded law, kept: another law never gets them."""
    return enumerated(short_table(stop_category, timers), core)


def enumerated(table: Table, core: Core | None = None) -> Transitions:
    """`transitions` of a table of two joints like those of `short_table`; None: on the law that is loaded now."""
    core = core or load_core()
    live = core.table(encode_table(table))
    blobs, rows = _prepared(core)
    variants = len(VARIANTS)
    states = np.zeros((_CAPACITY, len(FIELDS)), dtype=np.int32)
    parents = np.zeros((_CAPACITY, 2), dtype=np.int32)
    following = np.empty((_CAPACITY, DIGITAL, variants), dtype=np.int32)
    flags = np.empty((_CAPACITY, DIGITAL, variants), dtype=np.uint8)
    scratch = np.empty(4 * _CAPACITY, dtype=np.int32)
    buffer = ctypes.create_string_buffer(b"".join(blobs), sum(map(len, blobs)))
    job = _Job(
        ctypes.addressof(live.buffer), ctypes.addressof(buffer), rows.ctypes.data, variants, _CAPACITY, scratch.size,
        states.ctypes.data, parents.ctypes.data, following.ctypes.data, flags.ctypes.data, scratch.ctypes.data,
    )  # fmt: skip
    library = core.library
    library.bench_safety_bytes.restype = ctypes.c_size_t
    library.bench_safety.restype = ctypes.c_int64
    assert library.bench_safety_bytes() == ctypes.sizeof(_Job), "bench_safety_t has another layout"
    count = int(library.bench_safety(ctypes.byref(job)))
    if count < 0:
        raise RuntimeError(f"the safety machine has more than {_CAPACITY} states: a counter does not saturate")
    return Transitions(
        machine=table.machine,
        states=states[:count].copy(),
        next=following[:count].copy(),
        flags=flags[:count].copy(),
        parents=parents[:count].copy(),
    )


class _Job(ctypes.Structure):
    _fields_ = (
        ("table", ctypes.c_void_p),
        ("variants", ctypes.c_void_p),
        ("rows", ctypes.c_void_p),
        ("variant_count", ctypes.c_int64),
        ("state_capacity", ctypes.c_int64),
        ("hash_capacity", ctypes.c_int64),
        ("states", ctypes.c_void_p),
        ("parents", ctypes.c_void_p),
        ("next", ctypes.c_void_p),
        ("flags", ctypes.c_void_p),
        ("hash", ctypes.c_void_p),
    )


def _row(digital: int, operator: int = _REST, position: int = _POSE, elapsed_us: int = _TICK_US) -> Ints:
    row = np.zeros(IN_INTS, dtype=np.int32)
    row[0], row[1], row[_OPERATOR], row[_POSITION] = elapsed_us, digital, operator, position
    return row


def _prepared(core: Core) -> tuple[list[bytes], Ints]:
    """A state of two joints and its input for every variant, put together from those of one joint."""
    blobs, rows = _prepared_joint(core.table(encode_table(short_table(0, _USUAL, joint_count=1))))
    library = core.library
    library.bench_joint_offset.restype = library.bench_joint_bytes.restype = ctypes.c_size_t
    start, size = int(library.bench_joint_offset()), int(library.bench_joint_bytes())
    pair_blobs, pair_rows = [], []
    for first, second in _PAIRS:
        one, other = ONE_JOINT.index(first), ONE_JOINT.index(second)
        second_part = blobs[other][start : start + size]
        pair_blobs.append(blobs[one][: start + size] + second_part + blobs[one][start + 2 * size :])
        row = rows[one].copy()
        row[0] = max(rows[one][0], rows[other][0])
        row[[_OPERATOR + 2, _POSITION + 2]] = rows[other][[_OPERATOR, _POSITION]]
        pair_rows.append(row)
    return pair_blobs, np.ascontiguousarray(np.stack(pair_rows))


def _prepared_joint(live: LiveTable) -> tuple[list[bytes], Ints]:
    """States of a law of one joint, reached by running it, and the next tick's input: one of each a variant."""
    reset = HEALTHY | INPUT_BITS["reset"]
    state = live.start()
    fresh = bytes(state)
    _run(live, state, _row(HEALTHY), 6)
    resting = bytes(state)
    pushed_state = LawState(len(resting))
    pushed_state.load(resting)
    _run(live, pushed_state, _row(HEALTHY, _PUSHED), 4)
    _run(live, state, _row(reset), 2)
    _run(live, state, _row(HEALTHY), 2)
    _run(live, state, _row(HELD), 12)
    _run(live, state, _row(HELD, _PUSHED), 4)
    moving = bytes(state)
    _run(live, state, _row(HELD), 3)
    slowing = bytes(state)
    blobs = [resting, bytes(pushed_state), moving, slowing, fresh, resting, moving, moving]
    rows = [
        _row(0),
        _row(0, _PUSHED),
        _row(0, _PUSHED),
        _row(0),
        _row(0),
        _row(0, position=_CUT),
        _row(0, operator=_CUT),
        _row(0, _PUSHED, elapsed_us=_TICK_US + _LATE_US + 1),
    ]
    return blobs, np.ascontiguousarray(np.stack(rows))


def _run(live: LiveTable, state: LawState, row: Ints, ticks: int) -> None:
    live.run(state, np.tile(row, (ticks, 1)))


def state_number(name: str) -> int:
    return STATES.index(name)
