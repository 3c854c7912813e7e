"""NOR flash with a power cord: strict rules, an operation counter, cuts and faults. Tested by its own suite before it
may judge.

An operation is one call of program or erase. `cut` names the operation in which the power goes (from 1) and how far
it got; from then on nothing works until `power_on`. Cells that were cut half way may read differently on each read,
until they are programmed to the same value again or erased.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

OK, BUSY, FAILED = 0, 1, 2


class FlashRuleError(AssertionError):
    """The code under test asked for what no flash does. Carries the number of the operation."""


@dataclass(frozen=True, slots=True)
class Geometry:
    name: str
    sector_bytes: int
    sectors: int  # in a slot
    unit: int
    erased: int = 0xFF
    program_twice: bool = True
    gap: int = 0  # bytes of other flash before and between the slots, whole sectors

    @property
    def slots(self) -> tuple[int, int]:
        return self.gap, self.gap + self.sector_bytes * self.sectors + self.gap

    @property
    def byte_count(self) -> int:
        return self.slots[1] + self.sector_bytes * self.sectors


@dataclass(frozen=True, slots=True)
class Cut:
    """operation: from 1. how: before, prefix (so many bytes), bits (a random part of the cells), unstable (all that
    would change read at random), marginal (all is done, but one to three cells read at random)."""

    operation: int
    how: str
    amount: int = 0


@dataclass(frozen=True, slots=True)
class Fault:
    """operation: from 1. how: fail (returns failed, does nothing), silent (returns ok, does nothing), stuck (one bit
    stays).
    """

    operation: int
    how: str
    lasting: bool = False


class Flash:
    def __init__(self, geometry: Geometry, seed: int = 0) -> None:
        self.geometry = geometry
        self.cells = bytearray([geometry.erased]) * geometry.byte_count
        self.programmed = bytearray(geometry.byte_count // geometry.unit)  # units since their erase
        self.unstable: dict[int, int] = {}
        self.operations = 0
        self.cut: Cut | None = None
        self.fault: Fault | None = None
        self.dead = False
        self.random = random.Random(seed)

    def power_on(self, cut: Cut | None = None) -> None:
        """Operations count from here."""
        self.dead = False
        self.operations = 0
        self.cut = cut

    def read(self, address: int, count: int) -> bytes | None:
        self._inside(address, count)
        if self.dead:
            return None
        data = bytearray(self.cells[address : address + count])
        if self.unstable:
            for at in range(address, address + count):
                mask = self.unstable.get(at, 0)
                if mask:
                    data[at - address] ^= self.random.randrange(256) & mask
        return bytes(data)

    def program(self, address: int, data: bytes) -> int:
        unit = self.geometry.unit
        self._inside(address, len(data))
        if self.dead:
            return FAILED
        self.operations += 1
        if not data or address % unit or len(data) % unit:
            raise FlashRuleError(f"operation {self.operations}: program of {len(data)} bytes at {address}, unit {unit}")
        for at in range(address, address + len(data), unit):
            wanted = data[at - address : at - address + unit]
            if self.programmed[at // unit] and not self._again(at, wanted):
                raise FlashRuleError(f"operation {self.operations}: unit at {at} programmed twice")
        return self._operate(address, data, self._program_cells)

    def erase(self, address: int) -> int:
        size = self.geometry.sector_bytes
        if self.dead:
            return FAILED
        self.operations += 1
        if address % size or not 0 <= address < self.geometry.byte_count:
            raise FlashRuleError(f"operation {self.operations}: erase at {address}, sectors of {size}")
        slots = self.geometry.slots
        if not any(slot <= address < slot + size * self.geometry.sectors for slot in slots):
            raise FlashRuleError(f"operation {self.operations}: erase at {address} outside both slots")
        return self._operate(address, bytes([self.geometry.erased]) * size, self._erase_cells)

    def _inside(self, address: int, count: int) -> None:
        if address < 0 or count < 0 or address + count > self.geometry.byte_count:
            raise FlashRuleError(f"operation {self.operations}: {count} bytes at {address} are outside the flash")

    def _again(self, at: int, wanted: bytes) -> bool:
        """Same bytes again: every cell that is set apart from erased must be so in `wanted` too."""
        if not self.geometry.program_twice:
            return False
        erased = self.geometry.erased
        for offset, value in enumerate(wanted):
            set_now = (self.cells[at + offset] ^ erased) & ~self.unstable.get(at + offset, 0)
            if set_now & ~(value ^ erased) & 0xFF:
                return False
        return True

    def _operate(self, address: int, data: bytes, apply) -> int:
        fault = self.fault
        if fault is not None and (
            self.operations == fault.operation or (fault.lasting and self.operations > fault.operation)
        ):
            if fault.how == "stuck":
                at = self.random.randrange(len(data))
                kept = self.cells[address + at]
                apply(address, data)
                self.cells[address + at] = kept
                return OK
            return FAILED if fault.how == "fail" else OK
        cut = self.cut
        if cut is None or cut.operation != self.operations:
            apply(address, data)
            return OK
        self.dead = True
        if cut.how == "prefix":
            apply(address, data[: min(cut.amount, len(data))])
        elif cut.how in ("bits", "unstable"):
            self._tear(address, data, cut.how == "unstable")
        elif cut.how == "marginal":
            before = bytes(self.cells[address : address + len(data)])
            apply(address, data)
            after = self.cells[address : address + len(data)]
            changed = [at for at, (old, new) in enumerate(zip(before, after, strict=True), start=address) if old != new]
            for at in self.random.sample(changed, min(len(changed), 1 + cut.amount % 3)):
                bits = before[at - address] ^ self.cells[at]
                self.unstable[at] = bits & -bits
        return FAILED

    def _program_cells(self, address: int, data: bytes) -> None:
        erased, unit = self.geometry.erased, self.geometry.unit
        for at, value in enumerate(data, start=address):
            change = value ^ erased  # cells to be set
            self.cells[at] = (self.cells[at] & ~change & 0xFF) | (value & change)
            if at in self.unstable:
                self.unstable[at] &= ~change
            if value != erased or self.geometry.program_twice is False:
                self.programmed[at // unit] = 1

    def _erase_cells(self, address: int, data: bytes) -> None:
        for at in range(address, address + len(data)):
            self.cells[at] = self.geometry.erased
            self.unstable.pop(at, None)
            self.programmed[at // self.geometry.unit] = 0

    def _tear(self, address: int, data: bytes, unstable: bool) -> None:
        """Of the cells that would change, a random part does; or all that would change read at random from now on."""
        for at, value in enumerate(data, start=address):
            if value != self.geometry.erased:
                self.programmed[at // self.geometry.unit] = 1
            erasing = len(data) == self.geometry.sector_bytes and value == self.geometry.erased
            target = value if erasing else self._programmed_value(at, value)
            change = self.cells[at] ^ target
            if unstable:
                if change:
                    self.unstable[at] = self.unstable.get(at, 0) | change
            else:
                self.cells[at] ^= change & self.random.randrange(256)

    def _programmed_value(self, at: int, value: int) -> int:
        change = value ^ self.geometry.erased
        return (self.cells[at] & ~change & 0xFF) | (value & change)
