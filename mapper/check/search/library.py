"""Binding of firmware_stub/bench/search.h: examples through the compiled law and a plant, watched by the monitor."""

from __future__ import annotations

import ctypes
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.search.rules import NO_JOINT, RULES, Breach
from mapper.law.core import IN_INTS, OUT_INTS, Core, CoreError, Ints, LiveTable

SEGMENTS = 8
SEGMENT_BYTES = 16
HEAD_BYTES = 4
GENOME_BYTES = HEAD_BYTES + SEGMENTS * SEGMENT_BYTES
DEAD_TICKS_MAX = 64
JOINTS_MAX = 16
NO_BOUND = 2**31 - 1
_CORNERS = 3

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchJoint:
    """A joint's plant (lowest, middle, highest corner) and how far it may come, in mdeg. Bound None: not known."""

    gain: tuple[float, float, float]
    alpha: tuple[float, float, float]  # share of the way to a new speed that lag leaves in one tick
    dead_ticks: tuple[int, int, int]
    hard_mdeg: tuple[int, int]  # upper, lower
    bound_mdeg: tuple[int | None, int | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchTrace:
    """One example kept whole, a row a tick."""

    inputs: Ints  # (n, 66) as the law read them
    out: Ints  # (n, 121)
    true_mdeg: Ints  # (n, 16)
    power_up: Bytes  # (n,)
    doubtful: Bytes  # (n, 16): a fault has taken this joint's position out of its bound


class _Joint(ctypes.Structure):
    _fields_ = (
        ("gain", ctypes.c_double * _CORNERS),
        ("alpha", ctypes.c_double * _CORNERS),
        ("dead_ticks", ctypes.c_int32 * _CORNERS),
        ("hard", ctypes.c_int32 * 2),
        ("bound", ctypes.c_int32 * 2),
        ("spare", ctypes.c_int32),
    )


class _Trace(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_void_p) for name in ("inputs", "out", "true_mdeg", "power_up", "doubtful")),
        ("capacity", ctypes.c_int64),
    )


class _Record(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_void_p) for name in ("inputs", "true_mdeg", "power_up", "doubtful")),
        ("ticks", ctypes.c_int64),
    )


class _Found(ctypes.Structure):
    _fields_ = tuple((name, ctypes.c_int32) for name in ("rule", "joint", "tick", "value", "bound"))


def _bind(library: ctypes.CDLL) -> int:
    """Declares the functions; returns the bytes of a prepared block. Raises CoreError where the layouts differ."""
    pointer = ctypes.c_void_p
    library.search_bytes.restype = ctypes.c_size_t
    library.search_bytes.argtypes = [ctypes.c_int32]
    library.search_prepare.argtypes = [pointer, pointer, pointer, ctypes.c_int32]
    library.search_prepare.restype = None
    library.search_run.argtypes = [pointer, ctypes.c_char_p, pointer, pointer]
    library.search_run.restype = ctypes.c_int64
    library.search_again.argtypes = [pointer] * 3
    library.search_again.restype = None
    for what, layout in enumerate((_Joint, _Trace, _Record, _Found), start=1):
        if library.search_bytes(what) != ctypes.sizeof(layout):
            raise CoreError("the compiled search has another layout; run `python firmware_stub/build.py`")
    return int(library.search_bytes(0))


class Bench:
    """The law on one table with a plant and the monitor. Not for two threads at once."""

    def __init__(self, core: Core, live: LiveTable, joints: Sequence[SearchJoint], count_max: int) -> None:
        """count_max: what an analog input reads when it is shorted."""
        self._library = core.library
        self._live = live  # the block points into it
        self._block = (ctypes.c_uint8 * _bind(core.library))()
        block = (_Joint * JOINTS_MAX)()
        for target, joint in zip(block, joints, strict=False):
            target.gain, target.alpha = joint.gain, joint.alpha
            target.dead_ticks = tuple(min(ticks, DEAD_TICKS_MAX) for ticks in joint.dead_ticks)
            target.hard = joint.hard_mdeg
            target.bound = tuple(NO_BOUND if bound is None else bound for bound in joint.bound_mdeg)
        self._library.search_prepare(self._block, live.buffer, block, count_max)
        self._found = _Found()
        self._found_at = ctypes.addressof(self._found)

    def run(self, genome: bytes) -> tuple[int, Breach | None]:
        """One example of GENOME_BYTES bytes: ticks run, and the first thing found."""
        if len(genome) != GENOME_BYTES:
            raise ValueError(f"an example has {GENOME_BYTES} bytes, not {len(genome)}")
        ticks = int(self._library.search_run(self._block, genome, None, self._found_at))
        return ticks, self._breach()

    def trace(self, genome: bytes) -> SearchTrace:
        """The same example, every tick kept; it ends with the tick in which something is found."""
        ticks, _ = self.run(genome)
        kept = SearchTrace(
            inputs=np.zeros((ticks, IN_INTS), dtype=np.int32),
            out=np.zeros((ticks, OUT_INTS), dtype=np.int32),
            true_mdeg=np.zeros((ticks, JOINTS_MAX), dtype=np.int32),
            power_up=np.zeros(ticks, dtype=np.uint8),
            doubtful=np.zeros((ticks, JOINTS_MAX), dtype=np.uint8),
        )
        trace = _Trace(
            kept.inputs.ctypes.data,
            kept.out.ctypes.data,
            kept.true_mdeg.ctypes.data,
            kept.power_up.ctypes.data,
            kept.doubtful.ctypes.data,
            ticks,
        )
        self._library.search_run(self._block, genome, ctypes.addressof(trace), self._found_at)
        return kept

    def again(
        self, inputs: Ints, power_up: Bytes, true_mdeg: Ints | None = None, doubtful: Bytes | None = None
    ) -> Breach | None:
        """Law and monitor over recorded inputs: the first thing found.

        Args:
            inputs: (n, 66): elapsed_us, digital inputs, counts.
            power_up: (n,): 1 where the controller starts anew before the tick.
            true_mdeg: (n, 16): where the joints were, or None where nobody knows.
            doubtful: (n, 16): 1 where that is not to be held against the bound.
        """
        rows = np.ascontiguousarray(inputs, dtype=np.int32)
        starts = np.ascontiguousarray(power_up, dtype=np.uint8)
        places = None if true_mdeg is None else np.ascontiguousarray(true_mdeg, dtype=np.int32)
        doubts = None if doubtful is None else np.ascontiguousarray(doubtful, dtype=np.uint8)
        if rows.shape != (len(starts), IN_INTS):
            raise ValueError(f"inputs must have the shape ({len(starts)}, {IN_INTS}), not {rows.shape}")
        if any(part is not None and part.shape != (len(starts), JOINTS_MAX) for part in (places, doubts)):
            raise ValueError(f"positions must have the shape ({len(starts)}, {JOINTS_MAX})")
        record = _Record(
            rows.ctypes.data,
            None if places is None else places.ctypes.data,
            starts.ctypes.data,
            None if doubts is None else doubts.ctypes.data,
            len(starts),
        )
        self._library.search_again(self._block, ctypes.addressof(record), self._found_at)
        return self._breach()

    def _breach(self) -> Breach | None:
        found = self._found
        if found.rule == 0:
            return None
        rule = RULES[found.rule]
        return Breach(
            rule=rule,
            joint=None if found.joint == NO_JOINT else found.joint,
            tick=found.tick,
            value=found.value / rule.scale,
            bound=found.bound / rule.scale,
        )
