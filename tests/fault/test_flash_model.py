"""The flash model before it judges the store: its rules bite, its cuts cut where they say, its faults do what they
are called.
"""

from __future__ import annotations

import pytest
from flash_model import FAILED, OK, Cut, Fault, Flash, FlashRuleError, Geometry

SMALL = Geometry(name="small", sector_bytes=128, sectors=2, unit=8)


def test_programming_clears_bits_and_erasing_sets_them():
    flash = Flash(SMALL)

    assert flash.program(0, b"\x0f" * 8) == OK
    assert flash.read(0, 9) == b"\x0f" * 8 + b"\xff"
    assert flash.erase(0) == OK
    assert flash.read(0, 8) == b"\xff" * 8


def test_erased_may_be_zero_and_programming_sets_bits_then():
    flash = Flash(Geometry(name="zero", sector_bytes=128, sectors=1, unit=4, erased=0))
    flash.program(0, b"\x81\x00\x00\x01")

    assert flash.read(0, 5) == b"\x81\x00\x00\x01\x00"


@pytest.mark.parametrize(
    ("address", "data"), [(4, b"x" * 8), (0, b"x" * 7), (0, b""), (508, b"x" * 8), (1024, b"x" * 8)]
)
def test_anything_but_whole_aligned_units_inside_is_refused(address, data):
    with pytest.raises(FlashRuleError):
        Flash(SMALL).program(address, data)


@pytest.mark.parametrize("address", [64, 512, -128])
def test_only_sectors_are_erased(address):
    with pytest.raises(FlashRuleError):
        Flash(SMALL).erase(address)


def test_a_sector_outside_both_slots_is_never_erased():
    with pytest.raises(FlashRuleError):
        Flash(Geometry(name="gap", sector_bytes=128, sectors=1, unit=8, gap=128)).erase(0)


def test_a_unit_takes_other_bytes_only_after_an_erase_but_the_same_again():
    flash = Flash(SMALL)
    flash.program(0, b"\x0f" * 8)

    assert flash.program(0, b"\x0f" * 8) == OK
    with pytest.raises(FlashRuleError):
        flash.program(0, b"\x1f" * 8)


def test_memory_that_forbids_it_takes_no_unit_twice():
    flash = Flash(Geometry(name="once", sector_bytes=128, sectors=1, unit=8, program_twice=False))
    flash.program(0, b"\x0f" * 8)
    with pytest.raises(FlashRuleError):
        flash.program(0, b"\x0f" * 8)


@pytest.mark.parametrize(
    ("cut", "expected"), [(Cut(2, "before"), 0), (Cut(2, "prefix", 3), 3), (Cut(2, "prefix", 99), 8)]
)
def test_a_cut_leaves_exactly_its_prefix_and_nothing_works_after_it(cut, expected):
    flash = Flash(SMALL)
    flash.power_on(cut)

    assert flash.program(0, b"\0" * 8) == OK
    assert flash.program(8, b"\0" * 8) == FAILED
    assert flash.read(0, 1) is None
    assert flash.program(16, b"\0" * 8) == FAILED
    flash.power_on()
    assert flash.read(0, 24) == b"\0" * (8 + expected) + b"\xff" * (16 - expected)


def test_a_torn_program_only_clears_bits_that_were_to_be_cleared():
    for seed in range(50):
        flash = Flash(SMALL, seed)
        flash.power_on(Cut(1, "bits"))
        flash.program(0, b"\xf0" * 8)
        flash.power_on()

        assert all(value | 0xF0 == 0xF0 or value & 0xF0 == 0xF0 for value in flash.read(0, 8))


def test_unstable_cells_read_differently_until_they_are_programmed_again():
    flash = Flash(SMALL)
    flash.power_on(Cut(1, "unstable"))
    flash.program(0, b"\0" * 8)
    flash.power_on()

    assert len({flash.read(0, 8) for _ in range(20)}) > 10
    flash.program(0, b"\0" * 8)
    assert {flash.read(0, 8) for _ in range(20)} == {b"\0" * 8}


def test_a_marginal_cut_leaves_all_done_but_for_one_cell_that_reads_at_random():
    flash = Flash(SMALL)
    flash.power_on(Cut(1, "marginal", 0))
    flash.program(0, b"\0" * 8)
    flash.power_on()
    read = {flash.read(0, 8) for _ in range(30)}

    assert len(read) == 2
    assert b"\0" * 8 in read
    flash.program(0, b"\0" * 8)
    assert {flash.read(0, 8) for _ in range(20)} == {b"\0" * 8}


def test_a_half_erased_sector_reads_differently_until_it_is_erased():
    flash = Flash(SMALL)
    flash.program(0, b"\0" * 8)
    flash.power_on(Cut(1, "unstable"))
    flash.erase(0)
    flash.power_on()

    assert len({flash.read(0, 8) for _ in range(20)}) > 10
    flash.erase(0)
    assert {flash.read(0, 8) for _ in range(20)} == {b"\xff" * 8}


@pytest.mark.parametrize(("how", "result", "cells"), [("fail", FAILED, b"\xff"), ("silent", OK, b"\xff")])
def test_a_faulty_operation_does_nothing_and_the_next_one_works(how, result, cells):
    flash = Flash(SMALL)
    flash.fault = Fault(1, how)

    assert flash.program(0, b"\0" * 8) == result
    assert flash.read(0, 8) == cells * 8
    assert flash.program(8, b"\0" * 8) == OK
    assert flash.read(8, 8) == b"\0" * 8


def test_a_stuck_byte_is_not_programmed():
    flash = Flash(SMALL)
    flash.fault = Fault(1, "stuck")
    flash.program(0, b"\0" * 8)

    assert sorted(flash.read(0, 8)) == [0] * 7 + [0xFF]
