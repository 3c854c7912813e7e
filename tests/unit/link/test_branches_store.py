"""The store where memory, geometry or bytes are what no ordinary upload meets: each says what becomes of the table."""

from __future__ import annotations

import hashlib
import random
import struct
import zlib
from dataclasses import dataclass, replace

import pytest
from branch_library import Handled
from flash_model import FAILED, OK, Flash, Geometry
from link_library import DAMAGED_TABLE, IN_USE, NONE, Line
from make_table import random_table
from store_library import (
    BLANK,
    DAMAGED,
    OPEN,
    RUBBISH,
    SETTLED,
    STORE_BUSY,
    STORE_DAMAGED,
    STORE_FAILED,
    STORE_MISUSE,
    STORE_NONE,
    STORE_OK,
    STORE_TOO_LONG,
    Store,
)

from mapper.link.transfer import upload_machine
from mapper.table import encode_table

GEOMETRY = Geometry(name="plain", sector_bytes=512, sectors=1, unit=8)
OLD, NEW = random.Random(1).randbytes(200), random.Random(2).randbytes(213)
MACHINE = "bench-1"
TABLE = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE))


class Blind(Flash):
    """Does not give some of its bytes back: an error code that cannot correct them."""

    blind: range | None = None

    def read(self, address: int, count: int) -> bytes | None:
        if self.blind is not None and address in self.blind:
            return None
        return super().read(address, count)


@dataclass(frozen=True)
class Odd:
    """A geometry that flash_model.Geometry would not make."""

    sector_bytes: int = 512
    sectors: int = 1
    unit: int = 8
    erased: int = 0xFF
    program_twice: bool = True
    byte_count: int = 1024
    slots: tuple[int, int] = (0, 512)


def stored(*tables: bytes, flash: Flash | None = None) -> Store:
    """A store that took these tables one after the other, started anew."""
    store = Store(flash or Flash(GEOMETRY))
    store.start()
    for table in tables:
        assert store.upload(table) == STORE_OK
    store.start()
    return store


def header(table: bytes, **changes: int) -> bytes:
    """A header with a right CRC, whatever it says."""
    values = {"magic": 0x44484254, "layout": 1, "sequence": 1, "table_bytes": len(table), "crc": zlib.crc32(table)}
    values |= changes
    body = struct.pack(
        "<IHHIII32sQ",
        values["magic"],
        values["layout"],
        0,
        values["sequence"],
        values["table_bytes"],
        values["crc"],
        hashlib.sha256(table).digest(),
        0,
    )
    return body + struct.pack("<I", zlib.crc32(body))


def mark(magic: int, sequence: int, header_bytes: bytes) -> bytes:
    """A commit or settled record with a right CRC."""
    body = struct.pack("<IHHI4s12x", magic, 1, 0, sequence, header_bytes[-4:])
    return body + struct.pack("<I", zlib.crc32(body))


COMMIT, SETTLED_MAGIC = 0x4D434254, 0x54534254


def slot_of(table: bytes, head: bytes, sequence: int = 1, marks: bytes | None = None, sector: int = 512) -> bytes:
    """A whole slot of one sector; marks: the last 64 bytes where they are not to be right."""
    tail = mark(COMMIT, sequence, head) + mark(SETTLED_MAGIC, sequence, head) if marks is None else marks
    return (head + table).ljust(sector - 64, b"\xff") + tail


def started_on(slot: bytes) -> tuple[Store, int]:
    flash = Flash(GEOMETRY)
    flash.cells[: len(slot)] = slot
    store = Store(flash)
    return store, store.start()


def test_a_slot_made_by_hand_is_the_one_that_the_store_writes():
    """So that the spoiled ones below are spoiled in nothing else."""
    store, result = started_on(slot_of(OLD, header(OLD)))

    assert (result, store.sequence, store.table()) == (STORE_OK, 1, OLD)
    assert bytes(stored(OLD).flash.cells[:512]) == slot_of(OLD, header(OLD))


@pytest.mark.parametrize(
    "changes",
    [{"magic": 1}, {"layout": 2}, {"sequence": 0}, {"table_bytes": 512 - 159}, {"table_bytes": 0xFFFFFFFF}],
)
def test_a_header_that_cannot_be_is_none_whatever_its_crc(changes):
    """INV-STORE-6: without marks it is rubbish, with marks of its own a record that has rotted."""
    head = header(OLD, **changes)
    store, result = started_on(slot_of(OLD, head, marks=b"\xff" * 64))
    assert (result, store.sequence) == (STORE_NONE, 0)

    store, result = started_on(slot_of(OLD, head))
    assert (result, store.sequence, store.slot_class(0)) == (STORE_DAMAGED, 0, DAMAGED)


@pytest.mark.parametrize("foreign", ["sequence", "header"])
def test_marks_of_another_record_do_not_commit_this_one(foreign):
    head = header(OLD)
    sequence, of = (2, head) if foreign == "sequence" else (1, header(NEW))
    marks = mark(COMMIT, sequence, of) + mark(SETTLED_MAGIC, sequence, of)
    store, result = started_on(slot_of(OLD, head, marks=marks))

    assert (result, store.slot_class(0)) == (STORE_NONE, OPEN)


def test_another_table_of_the_same_crc_is_not_taken_for_the_recorded_one():
    """Tables end in their own CRC, so the CRC over all of one is the same for every table: the digest tells."""
    other = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE, revision=77))
    assert zlib.crc32(other) == zlib.crc32(TABLE)
    controller = Handled(MACHINE)
    head = header(TABLE)
    controller.write_flash(0, slot_of(other, head, sector=8192))

    assert controller.start_again() == DAMAGED_TABLE


@pytest.mark.parametrize(
    ("blind", "expected"),
    [
        (range(64), (STORE_DAMAGED, DAMAGED)),  # header
        (range(64, 448), (STORE_DAMAGED, DAMAGED)),  # table
        (range(448, 480), (STORE_OK, SETTLED)),  # commit record: its twin stands
        (range(480, 512), (STORE_OK, SETTLED)),  # settled record: a trace of it is enough
    ],
)
def test_bytes_that_the_memory_does_not_give_back_are_not_valid(blind, expected):
    flash = Blind(GEOMETRY)
    stored(OLD, flash=flash)
    flash.blind = blind
    store = Store(flash)

    assert (store.start(), store.slot_class(0)) == expected
    assert store.sequence == (1 if expected[0] == STORE_OK else 0)


@pytest.mark.parametrize(
    ("changes", "result"),
    [
        ({"unit": 0}, STORE_MISUSE),
        ({"unit": 64}, STORE_MISUSE),
        ({"unit": 12}, STORE_MISUSE),
        ({"sectors": 0}, STORE_MISUSE),
        ({"sector_bytes": 64}, STORE_MISUSE),
        ({"sector_bytes": 520}, STORE_MISUSE),
        ({"sector_bytes": 128}, STORE_MISUSE),  # a slot of 256 bytes at least
        ({"sectors": 0x400000}, STORE_MISUSE),  # 2^31 bytes: sums would wrap
        ({}, STORE_NONE),
    ],
)
def test_a_geometry_that_cannot_be_is_refused_before_any_operation(changes, result):
    flash = Flash(GEOMETRY)
    flash.geometry = Odd(**changes)
    store = Store(flash)

    assert store.start() == result
    assert store.begin(OLD) == (STORE_MISUSE if changes else STORE_OK)
    assert flash.operations == 0


@pytest.mark.parametrize(
    ("slots", "result"), [((512, 0), STORE_NONE), ((256, 0), STORE_MISUSE), ((0, 256), STORE_MISUSE)]
)
def test_slots_may_lie_either_way_round_but_share_nothing(slots, result):
    flash = Flash(GEOMETRY)
    flash.geometry = Odd(slots=slots)
    store = Store(flash)

    assert store.start() == result
    if result == STORE_NONE:
        assert store.upload(OLD) == STORE_OK
        assert bytes(flash.cells[512 + 64 : 512 + 64 + len(OLD)]) == OLD, "in slot 0, which is the upper one"


def test_the_capacity_is_what_fits_slot_and_working_room():
    controller = Handled(MACHINE)
    slot = 8192 - 160
    assert controller.capacity == slot
    controller.work(1000)
    assert controller.capacity == 1000
    controller.work(100_000)
    assert controller.capacity == slot
    controller.read_in_place()
    assert controller.capacity == slot, "no copy is made, so that its room does not count"


def test_a_table_is_checked_and_used_where_it_lies():
    """`map`: memory that is read in place, without working room."""
    controller = Handled(MACHINE)
    controller.read_in_place()
    assert controller.start_again() == NONE

    assert Line(controller).run(upload_machine(TABLE, 5, 5)).error is None
    assert controller.view(fresh=False) == STORE_OK
    assert controller.start_again() == IN_USE
    controller.check()


def test_without_a_table_there_is_nothing_to_read_or_view():
    controller = Handled(MACHINE)

    assert controller.view(fresh=False) == STORE_NONE
    assert controller.view(fresh=True) == STORE_NONE
    assert controller.view(fresh=False, byte_count=1) == STORE_NONE
    assert controller.view(fresh=True, byte_count=1) == STORE_NONE


@pytest.mark.parametrize(
    ("offset", "byte_count", "result"),
    [
        (0, 8, STORE_OK),
        (len(TABLE) - 8, 8, STORE_OK),
        (len(TABLE) - 8, 9, STORE_MISUSE),
        (len(TABLE), 1, STORE_MISUSE),
        (len(TABLE) + 1, 1, STORE_MISUSE),
        (0xFFFFFFFF, 8, STORE_MISUSE),
    ],
)
def test_a_read_ends_at_the_table_s_end(offset, byte_count, result):
    """INV-STORE-6: nothing is read outside the table."""
    controller = Handled(MACHINE)
    assert Line(controller).run(upload_machine(TABLE, 5, 5)).error is None

    assert controller.view(fresh=False, offset=offset, byte_count=byte_count) == result


def test_a_stored_table_that_cannot_be_read_back_is_damaged_and_nothing_moves():
    controller = Handled(MACHINE)
    assert Line(controller).run(upload_machine(TABLE, 5, 5)).error is None
    controller.fail_reads(True)

    assert controller.start_again() != IN_USE
    assert controller.tick()[2:] == (0, 0)


def test_the_last_sequence_number_takes_no_table_after_it():
    """INV-STORE-2: numbers never go back to 1, so that a store which has used up all of them keeps what it has."""
    last = 0xFFFFFFFF
    store, result = started_on(slot_of(OLD, header(OLD, sequence=last), sequence=last))
    assert (result, store.sequence) == (STORE_OK, last)

    assert store.begin(NEW) == STORE_MISUSE
    assert store.table() == OLD


@pytest.mark.parametrize(
    ("table", "result"), [(b"", STORE_TOO_LONG), (bytes(353), STORE_TOO_LONG), (bytes(352), STORE_OK)]
)
def test_a_table_of_no_bytes_or_of_more_than_fit_is_not_begun(table, result):
    assert stored().begin(table) == result


def test_steps_in_a_wrong_order_do_nothing():
    store = stored(OLD)
    operations = store.flash.operations

    assert store.erase_step() == STORE_MISUSE
    assert store.write(0, b"x" * 8) == STORE_MISUSE
    assert store.commit() == STORE_MISUSE
    assert store.begin(NEW) == STORE_OK
    assert store.commit() == STORE_MISUSE, "not erased, no header"
    assert store.write(0, b"x" * 8) == STORE_MISUSE
    assert store.flash.operations == operations
    assert store.table() == OLD


def test_an_erase_step_after_the_last_one_does_nothing():
    store = stored(OLD)
    store.begin(NEW)
    assert [store.erase_step(), store.erase_step()] == [STORE_BUSY, STORE_OK]
    operations = store.flash.operations

    assert store.erase_step() == STORE_OK
    assert store.flash.operations == operations


@pytest.mark.parametrize("spoil", ["changed", "unreadable"])
def test_a_header_that_no_longer_reads_right_is_not_committed(spoil):
    """INV-STORE-4: header and table are read back before the commit record; the old table stays."""
    flash = Blind(GEOMETRY)
    store = stored(OLD, flash=flash)
    store.begin(NEW)
    while store.erase_step() == STORE_BUSY:
        pass
    assert store.write(0, NEW) == STORE_OK
    second = flash.geometry.slots[1]
    if spoil == "changed":
        flash.cells[second + 20] ^= 1
    else:
        flash.blind = range(second, second + 64)
    operations = flash.operations

    assert store.commit() == STORE_FAILED
    assert flash.operations == operations
    assert (store.sequence, store.table()) == (1, OLD)


def test_a_memory_that_is_busy_for_ever_holds_no_start_up():
    """A start erases nothing, so that it never waits, and what is in the slots is untouched."""
    controller = Handled(MACHINE)
    controller.write_flash(0, b"rubbish")
    controller.set_line(busy=3_000_000)

    assert controller.start_again() == NONE
    assert controller.operations == 0


def test_rubbish_is_told_from_blank():
    store, _ = started_on(b"rubbish")
    assert store.slot_class(0) == RUBBISH
    assert store.slot_class(1) == BLANK
    assert (OK, FAILED) == (STORE_OK, STORE_FAILED), "the flash model's words are the store's"
