"""The store on the emulated processor: the flash of flash.c in its memory, one power cut each, judged here.

What is judged: after the cut it starts, has the old table or the new one whole, its version never goes back over three
starts, the next upload works and is there after another start; no rule of flash and no assertion was broken.
"""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from arm_core import ARENA, ArmCore

CELLS_MAX = 16_384
_HEAD = struct.Struct("<16I")
_TABLE_MAX = 128
_SEEN = struct.Struct(f"<7I{_TABLE_MAX}s")
_FLASH, _TABLES, _SEEN_AT = ARENA, ARENA + 0x2_0000, ARENA + 0x2_8000
STORE_OK, STORE_NONE = 0, 3
BEFORE, PREFIX, BITS = range(3)
HOWS = ("nothing of it done", "its first {} bytes done", "a random part of its cells done, seed {}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Geometry:
    """Two slots, one after the other. Sizes in bytes; erased: what an erased byte reads as."""

    name: str
    sector_bytes: int
    sectors: int
    unit: int
    erased: int = 0xFF
    program_twice: bool = True

    @property
    def slot_bytes(self) -> int:
        return self.sector_bytes * self.sectors


GEOMETRIES = (
    Geometry(name="128 B sectors, unit 1", sector_bytes=128, sectors=4, unit=1),
    Geometry(name="4 KiB sectors, unit 8, no unit twice", sector_bytes=4_096, sectors=1, unit=8, program_twice=False),
    Geometry(name="2 KiB sectors, unit 4, erased 0x00", sector_bytes=2_048, sectors=1, unit=4, erased=0x00),
)
BEFORES = ("no table", "a table in slot 0", "a table in slot 1", "a table in slot 0, foreign bytes in slot 1")


def _table(seed: int, length: int) -> bytes:
    return random.Random(seed).randbytes(length)


OLDER, OLD, NEW, NEXT = _table(1, 43), _table(2, 41), _table(3, 53), _table(4, 32)
"""Short, for the emulator takes a millisecond for a longer one: the digest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """operation: from 1, of the session in which NEW is uploaded; how and amount as in flash.h."""

    operation: int
    how: int
    amount: int


class Seen(NamedTuple):
    """What one session told, flash_seen_t."""

    start: int
    upload: int
    table_bytes: int
    sequence: int
    broken: int
    assert_line: int
    operations: int
    table: bytes


class ArmFlash:
    """The flash in the emulated memory; sessions of the store on it, and its whole content to keep and put back."""

    def __init__(self, core: ArmCore, geometry: Geometry) -> None:
        self._core, self.geometry = core, geometry
        first = _FLASH - ARENA
        self._head = core.arena[first : first + _HEAD.size].view("<u4")
        cells = first + _HEAD.size
        byte_count = 2 * geometry.slot_bytes
        self._cells = core.arena[cells : cells + byte_count]
        units = cells + CELLS_MAX
        self._programmed = core.arena[units : units + byte_count // geometry.unit]
        own = geometry
        self._numbers = (0, own.slot_bytes, byte_count, own.sector_bytes, own.sectors, own.unit, own.erased)
        self._at = _TABLES
        self._tables: dict[bytes, int] = {}

    def blank(self) -> None:
        self._cells[:] = self.geometry.erased
        self._programmed[:] = 0

    def keep(self) -> tuple[bytes, bytes]:
        return self._cells.tobytes(), self._programmed.tobytes()

    def put_back(self, kept: tuple[bytes, bytes]) -> None:
        self._cells[:] = np.frombuffer(kept[0], dtype=np.uint8)
        self._programmed[:] = np.frombuffer(kept[1], dtype=np.uint8)

    def cells(self) -> bytes:
        return self._cells.tobytes()

    def _place_of(self, table: bytes) -> int:
        if table not in self._tables:
            self._core.write(self._at, table)
            self._tables[table] = self._at
            self._at += -(-len(table) // 64) * 64
        return self._tables[table]

    def session(self, table: bytes | None = None, cut: Cut | None = None) -> Seen:
        """Power on, start and, where there is a table, its upload; the power goes in the operation that `cut` names."""
        self.power_on(cut)
        place = self._place_of(table) if table is not None else 0
        self._core.call("flash_session", _FLASH, place, len(table or b""), _SEEN_AT)
        first = _SEEN_AT - ARENA
        return Seen(*_SEEN.unpack(self._core.arena[first : first + _SEEN.size].tobytes()))

    def power_on(self, cut: Cut | None = None) -> None:
        """For single operations; a session does it itself."""
        asked = (cut.operation, cut.how, cut.amount) if cut else (0, 0, 0)
        self._head[:] = (*self._numbers, int(self.geometry.program_twice), *asked, 0, 0, 0, 0, 0)

    def program(self, address: int, data: bytes) -> int:
        return self._core.call("flash_try_program", _FLASH, address, self._place_of(data), len(data))

    def erase(self, address: int) -> int:
        return self._core.call("flash_try_erase", _FLASH, address)

    @property
    def broken(self) -> int:
        """Line of flash.c whose rule was broken since power came on, 0 for none."""
        return int(self._head[13])

    def foreign(self, slot: int) -> None:
        """Bytes that no store has written, in all of a slot."""
        size, geometry = self.geometry.slot_bytes, self.geometry
        self._cells[slot * size : (slot + 1) * size] = np.frombuffer(_table(5, size), dtype=np.uint8)
        self._programmed[slot * size // geometry.unit : (slot + 1) * size // geometry.unit] = 1

    def last_operation(self) -> tuple[int, int]:
        """Address and bytes of the operation that was cut, else of the last one."""
        return int(self._head[14]), int(self._head[15])


def _names(seen: Seen, tables: tuple[bytes | None, ...]) -> str | None:
    """None where the table in use is one of `tables` (None: no table), byte for byte; else what it is."""
    if seen.broken or seen.assert_line:
        return f"rule of flash.c line {seen.broken}, assertion at line {seen.assert_line}"
    if seen.sequence == 0:
        return None if None in tables else "no table"
    return (
        None
        if any(_is(seen, table) for table in tables)
        else f"version {seen.sequence} of {seen.table_bytes} bytes is neither table"
    )


def judge(flash: ArmFlash, old: bytes | None, given_out: int) -> str | None:
    """None where all is as it must be after the cut; else what is not."""
    allowed: tuple[bytes | None, ...] = (old, NEW)
    for start in range(1, 4):
        seen = flash.session()
        wrong = _names(seen, allowed)
        if wrong:
            return f"start {start}: {wrong}"
        if seen.sequence < given_out:
            return f"start {start}: version {seen.sequence} after {given_out}"
        given_out = seen.sequence
        allowed = tuple(table for table in allowed if _is(seen, table))
    seen = flash.session(NEXT)
    if seen.upload != STORE_OK or _names(seen, (NEXT,)) or seen.sequence <= given_out:
        return (
            f"the next upload: result {seen.upload}, version {seen.sequence} after {given_out}, {_names(seen, (NEXT,))}"
        )
    last = flash.session()
    return f"the start after the next upload: {_names(last, (NEXT,))}" if _names(last, (NEXT,)) else None


def _is(seen: Seen, table: bytes | None) -> bool:
    if table is None or seen.sequence == 0:
        return table is None and seen.sequence == 0
    return seen.table_bytes == len(table) and seen.table[: len(table)] == table


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """Its bytes, and the numbers of bytes after which a cut leaves something else behind than a byte earlier does."""

    byte_count: int
    prefixes: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """One geometry with one history.

    Attributes:
        kept: the flash before the upload of NEW.
        old: the table in use then, with its version.
        operations: of the session in which NEW is uploaded.
    """

    geometry: Geometry
    before: str
    kept: tuple[bytes, bytes]
    old: bytes | None
    version: int
    operations: tuple[Operation, ...]


def bench_of(core: ArmCore, geometry: Geometry, before: str) -> Bench:
    """Raises AssertionError where an upload without a cut does not do it."""
    flash = ArmFlash(core, geometry)
    flash.blank()
    tables = {BEFORES[0]: (), BEFORES[2]: (OLDER, OLD)}.get(before, (OLD,))
    for table in tables:
        assert flash.session(table).upload == STORE_OK
    if before == BEFORES[3]:
        flash.foreign(1)
    kept = flash.keep()
    seen = flash.session(NEW)
    assert seen.upload == STORE_OK
    assert _names(seen, (NEW,)) is None
    return Bench(
        geometry=geometry,
        before=before,
        kept=kept,
        old=tables[-1] if tables else None,
        version=len(tables),
        operations=tuple(_operation(flash, kept, number + 1) for number in range(seen.operations)),
    )


def _operation(flash: ArmFlash, kept: tuple[bytes, bytes], number: int) -> Operation:
    ends = []
    for how, amount in ((BEFORE, 0), (PREFIX, 2**31)):
        flash.put_back(kept)
        flash.session(NEW, Cut(operation=number, how=how, amount=amount))
        ends.append(flash.cells())
    address, byte_count = flash.last_operation()
    changed = (at + 1 for at in range(byte_count) if ends[0][address + at] != ends[1][address + at])
    return Operation(byte_count=byte_count, prefixes=tuple(changed))


def play(core: ArmCore, bench: Bench, cut: Cut) -> tuple[bytes, str | None]:
    """One cut: the flash's cells right after it, and what is wrong with what became of them."""
    flash = ArmFlash(core, bench.geometry)
    flash.put_back(bench.kept)
    seen = flash.session(NEW, cut)
    cells = flash.cells()
    if seen.broken or seen.assert_line:
        return cells, f"rule of flash.c line {seen.broken}, assertion at line {seen.assert_line}"
    last = cut.operation == len(bench.operations)  # the settled record: the commit stands by then
    if seen.upload == STORE_OK and not last:
        return (
            cells,
            f"cut in operation {cut.operation} of {len(bench.operations)}, and the upload says that it is done",
        )
    return cells, judge(flash, bench.old, bench.version)
