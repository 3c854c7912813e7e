"""The NOR model in C before it judges the store: its rules bite, its cuts leave what they say, and it is held against
the model in Python, operation by operation: two models, written apart, that must agree on every cell.
"""

from __future__ import annotations

import ctypes
import random
import sys
from pathlib import Path

import pytest
from flash_model import FAILED, OK, Cut, Fault, Flash, FlashRuleError, Geometry

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "scenarios"))

from store_families import campaign_library

BEFORE, PREFIX, SUFFIX, AFTER, BITS, HALF, UNSTABLE, FRONT, MARGINAL, FAINT = range(1, 11)
FAILS, FAILS_DONE, FAILS_PARTLY, SILENT, STUCK = range(1, 6)
READ_OUTSIDE, PROGRAM_OUTSIDE, NOT_UNITS, TWICE, NOT_SECTOR, ERASE_OUTSIDE, ERASE_IN_USE, PROGRAM_IN_USE = range(1, 9)
BUSY, NOBODY = 1, 2
_U32, _U64 = ctypes.c_uint32, ctypes.c_uint64


class _Geometry(ctypes.Structure):
    _fields_ = [
        ("slot", _U32 * 2),
        *(
            (name, _U32)
            for name in ("sector_bytes", "sectors", "unit", "byte_count", "erased", "program_twice", "reports")
        ),
    ]


class _Cut(ctypes.Structure):
    _fields_ = [("operation", _U32), ("how", _U32), ("amount", _U32), ("per_start", _U32), ("seed", _U64)]


class _Fault(ctypes.Structure):
    _fields_ = [("operation", _U32), ("how", _U32), ("lasting", _U32), ("seed", _U64)]


class Nor:
    """The model in C behind the words of the one in Python."""

    def __init__(self, geometry: Geometry, reports: bool = False) -> None:
        self.geometry = geometry
        self.core = campaign_library()
        self.core.nor_bytes.restype = ctypes.c_size_t
        self._block = ctypes.create_string_buffer(self.core.nor_bytes())
        numbers = _Geometry(
            (_U32 * 2)(*geometry.slots),
            geometry.sector_bytes,
            geometry.sectors,
            geometry.unit,
            geometry.byte_count,
            geometry.erased,
            geometry.program_twice,
            reports,
        )
        self.core.nor_blank(self._block, ctypes.byref(numbers))
        self.core.nor_seed(self._block, _U64(7))
        self.power_on()

    def power_on(self, how: int = 0, operation: int = 1, amount: int = 0, per_start: int = 0, seed: int = 1) -> None:
        cut = _Cut(operation, how, amount, per_start, seed)
        self.core.nor_power_on(self._block, ctypes.byref(cut) if how else None)

    def fault(self, how: int, operation: int = 1, lasting: bool = False, seed: int = 1) -> None:
        self.core.nor_set_fault(self._block, ctypes.byref(_Fault(operation, how, lasting, seed)))

    def program(self, address: int, data: bytes) -> int:
        return self.core.nor_program(self._block, _U32(address), data, _U32(len(data)))

    def erase(self, address: int) -> int:
        return self.core.nor_erase(self._block, _U32(address))

    def read(self, address: int, count: int) -> bytes | None:
        target = (ctypes.c_uint8 * max(1, count))()
        done = self.core.nor_read(self._block, _U32(address), target, _U32(count)) == OK
        return bytes(target)[:count] if done else None

    def _peek(self, what: int, count: int) -> bytes:
        target = (ctypes.c_uint8 * count)()
        self.core.nor_peek(self._block, what, target)
        return bytes(target)

    @property
    def cells(self) -> bytes:
        return self._peek(0, self.geometry.byte_count)

    @property
    def weak(self) -> bytes:
        return self._peek(1, self.geometry.byte_count)

    @property
    def broken(self) -> int:
        return self.core.nor_state(self._block, 1)

    @property
    def dead(self) -> bool:
        return bool(self.core.nor_state(self._block, 3))


SMALL = Geometry(name="small", sector_bytes=128, sectors=2, unit=8)
ZERO = Geometry(name="zero", sector_bytes=128, sectors=1, unit=4, erased=0)
ONCE = Geometry(name="once", sector_bytes=128, sectors=1, unit=8, program_twice=False)


def test_a_program_only_sets_cells_away_from_erased_and_an_erase_brings_all_back():
    for geometry, data, erased in ((SMALL, b"\x0f" * 8, 0xFF), (ZERO, b"\x81\x00\x00\x01", 0)):
        nor = Nor(geometry)
        assert nor.program(0, data) == OK
        assert nor.read(0, len(data) + 1) == data + bytes([erased])
        assert nor.erase(0) == OK
        assert nor.cells == bytes([erased]) * geometry.byte_count
        assert nor.broken == 0


@pytest.mark.parametrize(
    ("address", "data", "rule"),
    [
        (4, b"x" * 8, NOT_UNITS),
        (0, b"x" * 7, NOT_UNITS),
        (0, b"", NOT_UNITS),
        (508, b"x" * 8, PROGRAM_OUTSIDE),
        (1024, b"x" * 8, PROGRAM_OUTSIDE),
        (2**32 - 8, b"x" * 16, PROGRAM_OUTSIDE),
    ],
)
def test_a_program_that_no_flash_does_breaks_its_rule_and_changes_nothing(address, data, rule):
    nor = Nor(SMALL)

    assert nor.program(address, data) == FAILED
    assert nor.broken == rule
    assert nor.cells == b"\xff" * 512


@pytest.mark.parametrize(
    ("geometry", "address", "rule"),
    [
        (SMALL, 64, NOT_SECTOR),
        (SMALL, 512, ERASE_OUTSIDE),
        (Geometry(name="gap", sector_bytes=128, sectors=1, unit=8, gap=128), 0, ERASE_OUTSIDE),
    ],
)
def test_only_sectors_of_the_slots_are_erased(geometry, address, rule):
    nor = Nor(geometry)

    assert nor.erase(address) == FAILED
    assert nor.broken == rule


@pytest.mark.parametrize(("address", "count"), [(512, 1), (505, 8), (2**32 - 1, 2)])
def test_nothing_is_read_outside(address, count):
    nor = Nor(SMALL)

    assert nor.read(address, count) is None
    assert nor.broken == READ_OUTSIDE


def test_a_unit_takes_the_same_bytes_again_but_no_cell_back_and_none_at_all_where_that_is_forbidden():
    nor = Nor(SMALL)
    nor.program(0, b"\x0f" * 8)
    assert nor.program(0, b"\x0f" * 8) == OK
    assert nor.broken == 0
    assert nor.program(0, b"\x1f" * 8) == FAILED
    assert nor.broken == TWICE

    nor = Nor(ONCE)
    nor.program(0, b"\xff" * 8)
    assert nor.program(0, b"\xff" * 8) == FAILED, "even bytes that are the erased ones"
    assert nor.broken == TWICE


@pytest.mark.parametrize("amount", range(0, 17))
def test_prefix_and_suffix_leave_exactly_so_many_of_the_bytes_that_change(amount):
    for how in (PREFIX, SUFFIX):
        nor = Nor(SMALL)
        nor.power_on(how, 1, amount)
        assert nor.program(0, b"\0" * 16) == FAILED
        assert nor.read(0, 16) is None, "the power is gone"
        assert nor.program(16, b"\0" * 8) == FAILED
        nor.power_on()
        done, left = b"\0" * amount, b"\xff" * (16 - amount)

        assert nor.read(0, 24) == (done + left if how == PREFIX else left + done) + b"\xff" * 8


def test_a_cut_before_does_nothing_and_one_after_everything():
    for how, expected in ((BEFORE, b"\xff" * 8), (AFTER, b"\0" * 8)):
        nor = Nor(SMALL)
        nor.power_on(how)
        assert nor.program(0, b"\0" * 8) == FAILED
        assert nor.dead
        nor.power_on()
        assert nor.read(0, 8) == expected


@pytest.mark.parametrize("how", [BITS, HALF, UNSTABLE, FRONT, MARGINAL, FAINT])
@pytest.mark.parametrize("erases", [False, True])
def test_a_torn_operation_moves_cells_its_own_way_only(how, erases):
    """Every cell is as before or as it was to be, those that read at random too; and the draws differ."""
    seen = set()
    for seed in range(40):
        nor = Nor(SMALL)
        nor.program(0, b"\x5a" * 16)
        before = nor.cells
        nor.power_on(how, 1, seed, seed=seed)
        wanted = b"\xff" * 128 if erases else b"\x0a" * 16
        assert (nor.erase(0) if erases else nor.program(0, wanted)) == FAILED
        moving = bytes(old ^ new for old, new in zip(before, wanted.ljust(512, b"\xff"), strict=False))[: len(wanted)]
        for at, may_move in enumerate(moving):
            assert ((nor.cells[at] ^ before[at]) | nor.weak[at]) & ~may_move == 0, (seed, at)
        assert nor.cells[len(wanted) :] == before[len(wanted) :]
        seen.add((nor.cells, nor.weak))
    assert len(seen) >= (1 if how == UNSTABLE else 10)


def test_marginal_and_faint_leave_one_to_three_cells_that_read_at_random():
    for how, rest in ((MARGINAL, 0), (FAINT, 0xFF)):
        for amount in range(30):
            nor = Nor(SMALL)
            nor.power_on(how, 1, amount, seed=amount)
            nor.program(0, b"\0" * 16)
            weak = nor.weak

            assert 1 <= sum(bits.bit_count() for bits in weak) <= 1 + amount % 3
            assert all((cell ^ rest) & ~bits & 0xFF == 0 for cell, bits in zip(nor.cells[:16], weak[:16], strict=True))


def test_cells_read_at_random_on_each_read_or_on_each_start_until_they_are_completed_or_erased():
    for per_start in (0, 1):
        for ends in ("program", "erase"):
            nor = Nor(SMALL)
            nor.power_on(UNSTABLE, per_start=per_start)
            nor.program(0, b"\0" * 8)
            nor.power_on()
            one_start = {nor.read(0, 8) for _ in range(20)}
            starts = set()
            for _ in range(20):
                nor.power_on()
                starts.add(nor.read(0, 8))

            assert len(one_start) == 1 if per_start else len(one_start) > 10
            assert len(starts) > 10
            assert (nor.program(0, b"\0" * 8) if ends == "program" else nor.erase(0)) == OK
            assert {nor.read(0, 8) for _ in range(20)} == {b"\0" * 8 if ends == "program" else b"\xff" * 8}


TOGETHER, LEVEL = 2, 3


def test_cells_that_move_together_are_all_done_or_all_as_before_one_way_at_each_start():
    for geometry, left, done in ((SMALL, b"\xff" * 8, b"\x0a" * 8), (ZERO, bytes(8), b"\x0a" * 8)):
        nor = Nor(geometry)
        nor.power_on(UNSTABLE, per_start=TOGETHER)
        nor.program(0, done)
        starts = set()
        for _ in range(40):
            nor.power_on()
            one_start = {nor.read(0, 8) for _ in range(5)}
            assert len(one_start) == 1
            starts |= one_start

        assert starts == {left, done}


def test_cells_read_against_a_level_are_done_in_one_order_however_far_it_comes():
    """The cells that are done at two starts: one set always holds the other."""
    nor = Nor(SMALL)
    nor.power_on(UNSTABLE, per_start=LEVEL)
    nor.program(0, bytes(32))
    seen = set()
    for _ in range(60):
        nor.power_on()
        done = ~int.from_bytes(nor.read(0, 32), "little") & (2**256 - 1)
        assert done == ~int.from_bytes(nor.read(0, 32), "little") & (2**256 - 1)
        assert all(done & other in (done, other) for other in seen)
        seen.add(done)
    assert len(seen) > 20


def test_an_error_code_reports_a_torn_unit_and_only_that_until_it_is_erased():
    nor = Nor(ONCE, reports=True)
    nor.power_on(PREFIX, 1, 11)
    nor.program(0, b"\0" * 32)
    nor.power_on()

    assert nor.read(0, 8) == b"\0" * 8
    assert nor.read(8, 8) is None
    assert nor.read(15, 2) is None
    assert nor.read(16, 8) == b"\xff" * 8
    assert nor.broken == 0
    nor.erase(0)
    assert nor.read(0, 32) == b"\xff" * 32


@pytest.mark.parametrize(
    ("how", "result", "cells"),
    [
        (FAILS, FAILED, b"\xff" * 16),
        (FAILS_DONE, FAILED, b"\0" * 16),
        (FAILS_PARTLY, FAILED, b"\0" * 8 + b"\xff" * 8),
        (SILENT, OK, b"\xff" * 16),
    ],
)
def test_a_faulty_operation_does_and_says_what_it_is_called(how, result, cells):
    nor = Nor(SMALL)
    nor.fault(how, 2)

    assert nor.program(32, b"\0" * 16) == OK
    assert nor.program(0, b"\0" * 16) == result
    assert nor.read(0, 16) == cells
    assert nor.program(64, b"\0" * 16) == OK
    assert nor.read(64, 16) == b"\0" * 16


def test_a_stuck_cell_is_one_cell_and_a_lasting_fault_lasts():
    nor = Nor(SMALL)
    nor.fault(STUCK, 1, lasting=True)
    for at in (0, 16):
        assert nor.program(at, b"\0" * 16) == OK
        assert sum(byte.bit_count() for byte in nor.read(at, 16)) == 1


def test_the_slot_in_use_is_guarded():
    """INV-STORE-3: only its end records take a program, and nothing erases it."""
    nor = Nor(SMALL)
    guard = next(at for at in range(0, 400, 4) if _word(nor, at) == NOBODY)
    ctypes.memmove(ctypes.addressof(nor._block) + guard, (1).to_bytes(4, "little"), 4)

    assert nor.program(512 - 96, b"\0" * 8) == OK
    assert nor.broken == 0
    assert nor.program(256, b"\0" * 8) == FAILED
    assert nor.broken == PROGRAM_IN_USE
    nor = Nor(SMALL)
    ctypes.memmove(ctypes.addressof(nor._block) + guard, (1).to_bytes(4, "little"), 4)
    assert nor.erase(0) == OK
    assert nor.erase(384) == FAILED
    assert nor.broken == ERASE_IN_USE


def _word(nor: Nor, at: int) -> int:
    """The model's own number there; `guard` alone begins as NOBODY in one of sectors of 128 with gap-less slots."""
    value = int.from_bytes(nor._block.raw[at : at + 4], "little")
    return value if at > ctypes.sizeof(_Geometry) else -1


# -- against the model in Python ----------------------------------------------------------------------------------

GEOMETRIES = [
    Geometry(
        name=f"{unit} {erased} {twice}", sector_bytes=128, sectors=2, unit=unit, erased=erased, program_twice=twice
    )
    for unit in (1, 2, 4, 8, 16, 32)
    for erased in (0x00, 0xFF)
    for twice in (False, True)
]


class _Both:
    """One sequence on both models; every step compares what they say and every cell."""

    def __init__(self, geometry: Geometry, rng: random.Random) -> None:
        self.geometry, self.rng = geometry, rng
        self.flash, self.nor = Flash(geometry), Nor(geometry)
        self.rules = self.dead = self.weak = 0

    def step(self) -> None:
        rng, unit = self.rng, self.geometry.unit
        address = rng.randrange(0, self.geometry.byte_count // unit) * unit
        if rng.random() < 0.3:
            address = rng.randrange(4) * 128 + (rng.random() < 0.05) * 64
            self._same("erase", (address,))
        else:
            data = bytes(rng.choice((0, 0xFF, rng.randrange(256))) for _ in range(unit * rng.randrange(1, 4)))
            self._same("program", (address, data[: len(data) - (rng.random() < 0.03)]))

    def _same(self, name: str, arguments: tuple) -> None:
        broke = False
        try:
            result = getattr(self.flash, name)(*arguments)
        except FlashRuleError:
            broke, result = True, FAILED
        assert getattr(self.nor, name)(*arguments) == result
        assert bool(self.nor.broken) == broke
        assert self.nor.cells == bytes(self.flash.cells)
        assert self.nor.weak == bytes(self.flash.unstable.get(at, 0) for at in range(self.geometry.byte_count))
        self.rules += broke
        self.weak += any(self.nor.weak)
        self.dead += self.flash.dead

    def session(self) -> None:
        """Power on, with a cut or a fault or none, until a rule breaks or the power has gone."""
        rng = self.rng
        operation, how = rng.randrange(1, 9), rng.choice(("before", "prefix", "unstable", "none", "fail", "silent"))
        self.flash.power_on(Cut(operation, how, 1000) if how in ("before", "prefix", "unstable") else None)
        self.nor.power_on({"before": BEFORE, "prefix": AFTER, "unstable": UNSTABLE}.get(how, 0), operation)
        self.flash.fault = Fault(operation, how) if how == "fail" else None
        self.nor.fault({"fail": FAILS}.get(how, 0), operation)
        for _ in range(8):
            self.step()
            if self.rules or self.flash.dead:
                return


@pytest.mark.parametrize("geometry", GEOMETRIES, ids=lambda geometry: geometry.name)
def test_two_models_written_apart_agree_on_every_operation(geometry):
    rules = dead = weak = 0
    for seed in range(25):
        both = _Both(geometry, random.Random(seed))
        for _ in range(6):
            both.session()
            if both.rules:
                break
        rules, dead, weak = rules + both.rules, dead + both.dead, weak + both.weak

    assert rules > 5
    assert dead > 5
    assert weak > 5
