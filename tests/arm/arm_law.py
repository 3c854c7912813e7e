"""Runs of the law on the emulated processor and, through the same entry, on the PC; their comparison bit for bit."""

from __future__ import annotations

import ctypes
import functools
import struct
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from arm_build import host_library
from arm_core import ARENA, ArmCore
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int32]

IN = np.dtype([("elapsed_us", "<u4"), ("digital", "<u4"), ("counts", "<u2", (64,))])
"""law_in_t."""
JOINTS_MAX = 16
RUN_TICKS_MAX = 1_000

SIZES = (
    "table_t",
    "law_state_t",
    "law_joint_state_t",
    "law_in_t",
    "law_out_t",
    "table_fault_t",
    "frame_receiver_t",
    "digest_t",
)
SAME_SIZES = SIZES[:5]
"""Of the structures that are compared byte for byte; the others hold pointers or enumerations."""
PLACES = 27

_TABLE, _STATE, _RUN, _BYTES = ARENA, ARENA + 0x1_0000, ARENA + 0x1_8000, ARENA + 0x2_0000
_INPUTS, _OUTPUTS, _KEPT = ARENA + 0x10_0000, ARENA + 0x20_0000, ARENA + 0x40_0000


@dataclass(frozen=True, slots=True, kw_only=True)
class Ran:
    """What one run gave: law_out_t of each tick (ticks, bytes), the state after each tick as far as the table has
    joints (ticks, bytes), and all of it in the end.
    """

    outputs: Bytes
    states: Bytes
    last: Bytes


class Side(Protocol):
    """The law on one of the two."""

    sizes: dict[str, int]
    places: tuple[int, ...]

    def parse(self, data: bytes) -> tuple[int, int, bytes]: ...
    def run(self, state: bytes, inputs: Bytes) -> Ran: ...
    def assert_line(self) -> int: ...


def inputs_of(rows: Ints) -> Bytes:
    """Rows of mapper.law.core (elapsed_us, digital, counts) as law_in_t: (ticks, bytes)."""
    records = np.zeros(len(rows), dtype=IN)
    records["elapsed_us"], records["digital"], records["counts"] = rows[:, 0], rows[:, 1], rows[:, 2:]
    return records.view(np.uint8).reshape(len(rows), IN.itemsize)


def fresh_state(side: Side) -> bytes:
    """As law_start makes it: everything 0 but cause_joint 255 and press_ticks 65535 (rule L10c)."""
    state = bytearray(side.sizes["law_state_t"])
    struct.pack_into("<I", state, 8, 255)
    struct.pack_into("<I", state, 24, 65_535)
    return bytes(state)


def kept_bytes(side: Side, table: bytes) -> int:
    """Bytes of law_state_t that a table's joints fill: its head and as many joints."""
    joint_count = int.from_bytes(table[side.places[0] : side.places[0] + 4], "little")
    return side.places[13] + joint_count * side.sizes["law_joint_state_t"]


class ArmLaw:
    """The law on the emulated processor; the table that was parsed last is the one that it runs."""

    def __init__(self, core: ArmCore) -> None:
        self.core = core
        self.sizes = dict(zip(SIZES, self._words("entry_sizes", len(SIZES)), strict=True))
        self.places = self._words("entry_places", PLACES)
        self._kept = 0
        self.table_address = _TABLE

    def _words(self, name: str, count: int) -> tuple[int, ...]:
        return struct.unpack(f"<{count}I", self.core.read(self.core.symbols[name], 4 * count))

    def parse(self, data: bytes) -> tuple[int, int, bytes]:
        """table_parse: result, section and field in one word, and the bytes of table_t."""
        size = self.sizes["table_t"]
        self.core.write(_TABLE, b"\xa5" * size)
        self.core.write(_BYTES, data)
        result = self.core.call("entry_parse", _BYTES, len(data), _TABLE, _RUN)
        table = self.core.read(_TABLE, size)
        self._kept = kept_bytes(self, table)
        return result, int.from_bytes(self.core.read(_RUN, 4), "little"), table

    def _put(self, state: bytes, inputs: Bytes, kept: int) -> None:
        assert len(inputs) <= RUN_TICKS_MAX
        self.core.write(_STATE, state)
        self.core.write(_INPUTS, inputs.tobytes())
        numbers = (_TABLE, _STATE, _INPUTS, _OUTPUTS, _KEPT if kept else 0, kept, len(inputs))
        self.core.write(_RUN, struct.pack("<7I", *numbers))

    def _array(self, address: int, ticks: int, size: int) -> Bytes:
        start = address - ARENA
        return self.core.arena[start : start + ticks * size].reshape(ticks, size).copy()

    def run(self, state: bytes, inputs: Bytes) -> Ran:
        """At most RUN_TICKS_MAX ticks from `state`, which has the bytes of law_state_t."""
        self._put(state, inputs, self._kept)
        self.core.call("entry_run", _RUN)
        outputs = self._array(_OUTPUTS, len(inputs), self.sizes["law_out_t"])
        states = self._array(_KEPT, len(inputs), self._kept)
        return Ran(outputs=outputs, states=states, last=self._array(_STATE, 1, self.sizes["law_state_t"]))

    def cost(self, state: bytes, inputs: Bytes) -> tuple[NDArray[np.uint32], Bytes, bytes]:
        """Instructions of every tick, law_out_t of every tick and the state in the end; the core has to count."""
        self._put(state, inputs, 0)
        counts = self.core.counted("entry_run", _RUN, steps=len(inputs))
        outputs = self._array(_OUTPUTS, len(inputs), self.sizes["law_out_t"])
        return counts, outputs, self.core.read(_STATE, self.sizes["law_state_t"])

    def assert_line(self) -> int:
        return self.core.assert_line()


class _Run(ctypes.Structure):
    """entry_run_t on the PC."""

    _fields_ = [
        *[(name, ctypes.c_void_p) for name in ("table", "state", "inputs", "outputs", "kept")],
        *[(name, ctypes.c_uint32) for name in ("kept_bytes", "ticks")],
    ]


class HostLaw:
    """The same C on the PC."""

    def __init__(self) -> None:
        self._library = ctypes.CDLL(str(host_library()))
        self.sizes = dict(zip(SIZES, (ctypes.c_uint32 * len(SIZES)).in_dll(self._library, "entry_sizes"), strict=True))
        self.places = tuple((ctypes.c_uint32 * PLACES).in_dll(self._library, "entry_places"))
        self._table = np.zeros(self.sizes["table_t"], dtype=np.uint8)
        self._kept = 0

    def parse(self, data: bytes) -> tuple[int, int, bytes]:
        self._table[:] = 0xA5
        place = ctypes.c_uint32()
        table = ctypes.c_void_p(self._table.ctypes.data)
        result = self._library.entry_parse(data, len(data), table, ctypes.byref(place))
        self._kept = kept_bytes(self, self._table.tobytes())
        return result, place.value, self._table.tobytes()

    def run(self, state: bytes, inputs: Bytes) -> Ran:
        inputs = np.ascontiguousarray(inputs)
        block = np.frombuffer(bytearray(state), dtype=np.uint8)
        outputs = np.zeros((len(inputs), self.sizes["law_out_t"]), dtype=np.uint8)
        states = np.zeros((len(inputs), self._kept), dtype=np.uint8)
        addresses = [array.ctypes.data for array in (self._table, block, inputs, outputs, states)]
        self._library.entry_run(ctypes.byref(_Run(*addresses, self._kept, len(inputs))))
        return Ran(outputs=outputs, states=states, last=block.reshape(1, len(state)))

    def assert_line(self) -> int:
        return int(self._library.entry_assert_line())


@functools.cache
def host_law() -> HostLaw:
    return HostLaw()


def difference(arm: Ran, host: Ran) -> str | None:
    """None where all bytes are the same; else the first tick and the first byte that differ."""
    pairs = (
        ("output", arm.outputs, host.outputs),
        ("state", arm.states, host.states),
        ("last state", arm.last, host.last),
    )
    for name, one, other in pairs:
        places = np.argwhere(one != other) if one.shape == other.shape else np.zeros((1, 2), dtype=np.int64)
        if len(places):
            tick, byte = (int(number) for number in places[0])
            return f"tick {tick}, byte {byte} of the {name}: ARM {one[tick, byte]}, PC {other[tick, byte]}"
    return None
