"""End records of the store where bytes stick, are torn or are not given back: what becomes of both tables."""

from __future__ import annotations

import random
import struct
import zlib
from dataclasses import replace

import pytest
from branch_library import Handled
from flash_model import Fault, Flash, Geometry
from link_library import DAMAGED_TABLE, IN_USE, Line
from make_table import random_table
from store_library import DAMAGED, RUBBISH, STORE_BUSY, STORE_DAMAGED, STORE_FAILED, STORE_NONE, STORE_OK, Store

from mapper.link.transfer import upload_machine
from mapper.table import encode_table

GEOMETRY = Geometry(name="plain", sector_bytes=512, sectors=1, unit=8)
ONCE = Geometry(name="once", sector_bytes=512, sectors=1, unit=8, program_twice=False)
OLD, NEW = random.Random(1).randbytes(200), random.Random(2).randbytes(213)
MACHINE = "bench-1"
TABLE = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE))
SETTLED_AT = 512 - 32  # in a slot
SETTLED_MAGIC = 0x54534254


class Worn(Flash):
    """Some cells stay erased whatever is programmed, some bytes are not given back."""

    stuck: dict[int, int]
    blind: range = range(0)

    def __init__(self, geometry: Geometry) -> None:
        super().__init__(geometry)
        self.stuck = {}

    def read(self, address: int, count: int) -> bytes | None:
        if address in self.blind:
            return None
        data = bytearray(super().read(address, count))
        for at, mask in self.stuck.items():
            if address <= at < address + count:
                data[at - address] |= mask
        return bytes(data)


def with_old(flash: Flash) -> Store:
    store = Store(flash)
    store.start()
    assert store.upload(OLD) == STORE_OK
    return store


@pytest.mark.parametrize(("stuck", "committed"), [(0, True), (1, True), (2, True), (3, False)])
def test_a_cell_or_two_that_stick_in_the_settled_record_do_not_undo_a_commit(stuck, committed):
    """Its bytes are known, so that up to two wrong ones are told from another record; the old table stays else."""
    flash = Worn(GEOMETRY)
    store = with_old(flash)
    second = flash.geometry.slots[1] + SETTLED_AT
    flash.stuck = {second + 16 + index: 0x80 for index in range(stuck)}

    assert store.upload(NEW) == (STORE_OK if committed else STORE_FAILED)
    assert store.table() == (NEW if committed else OLD)
    again = Store(flash)
    assert again.start() == STORE_OK
    assert again.table() == (NEW if committed else OLD)


def test_a_sector_that_is_not_given_back_after_its_erase_takes_no_upload():
    flash = Worn(GEOMETRY)
    store = with_old(flash)
    second = flash.geometry.slots[1]
    flash.blind = range(second + 64, second + 512)

    assert store.begin(NEW) == STORE_OK
    assert store.erase_step() == STORE_FAILED
    assert store.table() == OLD


def test_an_erase_that_leaves_a_byte_takes_no_upload():
    flash = Worn(replace(GEOMETRY, erased=0x00))
    store = with_old(flash)
    flash.stuck = {flash.geometry.slots[1] + 511: 1}

    assert store.begin(NEW) == STORE_OK
    assert store.erase_step() == STORE_FAILED
    assert store.table() == OLD


def test_a_sector_whose_bytes_are_no_multiple_of_what_is_read_at_once_is_looked_at_to_its_end():
    geometry = Geometry(name="odd", sector_bytes=160, sectors=4, unit=8)
    flash = Worn(geometry)
    store = with_old(flash)
    assert store.upload(NEW) == STORE_OK
    flash.stuck = {159: 1}
    flash.cells[159] = 0xFE

    assert store.begin(OLD) == STORE_OK
    assert store.erase_step() == STORE_BUSY, "the stuck cell is erased"
    assert store.table() == NEW


@pytest.mark.parametrize("changes", [{"layout": 2}, {"crc": 1}, {"magic": 1}, {}], ids=str)
def test_without_a_header_a_settled_record_counts_by_its_own_words_alone(changes):
    """INV-STORE-6: of another layout or with a wrong CRC it is rubbish; a right one says that a table has rotted."""
    values = {"magic": SETTLED_MAGIC, "layout": 1, "crc": 0} | changes
    body = struct.pack("<IHHI4s12x", values["magic"], values["layout"], 0, 7, b"abcd")
    flash = Flash(GEOMETRY)
    flash.cells[:7] = b"rubbish"
    flash.cells[SETTLED_AT:512] = body + struct.pack("<I", zlib.crc32(body) ^ values["crc"])
    store = Store(flash)

    assert store.start() == (STORE_NONE if changes else STORE_DAMAGED)
    assert store.slot_class(0) == (RUBBISH if changes else DAMAGED)


@pytest.mark.parametrize("geometry", [GEOMETRY, ONCE], ids=lambda one: one.name)
def test_a_table_in_doubt_that_cannot_be_settled_is_not_given_out_until_it_can(geometry):
    """INV-STORE-2: given out now, it could be gone at the next start."""
    flash = Flash(geometry)
    with_old(flash)
    flash.cells[SETTLED_AT + 16 : 512] = b"\xff" * 16
    flash.programmed[(SETTLED_AT + 16) // 8 : 512 // 8] = bytes(2)
    flash.fault = Fault(1, "fail", lasting=True)
    store = Store(flash)
    assert store.start() == STORE_DAMAGED
    assert store.sequence == 0

    flash.fault = None
    assert store.start() == STORE_OK
    assert store.table() == OLD
    assert store.start() == STORE_OK


def test_a_table_that_fails_to_be_read_once_more_after_it_was_found_is_damaged():
    """The last read of a start is the one that the law's table is made of."""
    controller = Handled(MACHINE)
    assert Line(controller).run(upload_machine(TABLE, 5, 5)).error is None
    controller.fail_read_number(0)
    assert controller.start_again() == IN_USE
    controller.fail_read_number(controller.reads)

    assert controller.start_again() == DAMAGED_TABLE
    assert controller.tick()[2:] == (0, 0)
