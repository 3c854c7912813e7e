"""The store's two decision tables are total and disjoint: every combination of facts fits exactly one row, and a start
finds in the flash what the row is about.
"""

from __future__ import annotations

import ctypes
import hashlib
import itertools
import struct
import zlib

import pytest
from flash_model import Fault, Flash, Geometry
from store_library import (
    BLANK,
    DAMAGED,
    DOUBT,
    OPEN,
    PART_BAD,
    PART_BLANK,
    PART_GOOD,
    RUBBISH,
    SETTLED,
    STORE_FAILED,
    STORE_MISUSE,
    STORE_OK,
    STORE_TOO_LONG,
    TAKE_0,
    TAKE_1,
    TAKE_DAMAGED,
    TAKE_NONE,
    UNFINISHED,
    VERDICT_BAD,
    VERDICT_BLANK,
    VERDICT_CANCELLED,
    VERDICT_CONFIRMED,
    Facts,
    Store,
    library,
)

PARTS = (PART_BLANK, PART_BAD, PART_GOOD)
VERDICTS = (VERDICT_BLANK, VERDICT_BAD, VERDICT_CONFIRMED, VERDICT_CANCELLED)
CLASSES = range(7)
ORDERS = range(3)  # slot 0 newer, slot 1 newer, same age
EVERY = [
    Facts(header=header, verdict=verdict, commit=commit, whole=whole, settled=settled)
    for header, verdict, commit, whole, settled in itertools.product(PARTS, VERDICTS, PARTS, (False, True), PARTS)
]


def in_words(facts: Facts) -> int:
    """What a slot is, worked out here by itself."""
    if facts.settled == PART_GOOD or facts.verdict == VERDICT_CONFIRMED:
        return SETTLED if facts.header == PART_GOOD and facts.whole else DAMAGED
    if facts.header != PART_GOOD:
        return BLANK if facts.header == PART_BLANK else RUBBISH
    if facts.verdict != VERDICT_BLANK:
        return OPEN if facts.verdict == VERDICT_BAD else UNFINISHED
    if not facts.whole:
        return UNFINISHED
    return DOUBT if facts.commit == PART_GOOD else OPEN


def as_text(facts: Facts) -> str:
    return ", ".join(f"{name} {getattr(facts, name)}" for name, _ in Facts._fields_)


def test_every_combination_of_a_slots_facts_fits_one_row_and_is_what_the_words_say():
    core = library()
    assert len(EVERY) == 3 * 4 * 3 * 2 * 3
    for facts in EVERY:
        assert core.store_class_rows(ctypes.byref(facts)) == 1, as_text(facts)
        assert core.store_class(ctypes.byref(facts)) == in_words(facts), as_text(facts)
    assert {in_words(facts) for facts in EVERY} == set(CLASSES)


def test_every_combination_of_two_slots_fits_one_row():
    core = library()
    rows = [core.store_choose_rows(*facts) for facts in itertools.product(CLASSES, CLASSES, ORDERS)]

    assert rows == [1] * 147


GEOMETRY = Geometry(name="plain", sector_bytes=512, sectors=1, unit=8)
TABLE = bytes(index * 7 % 251 for index in range(200))


def _mark(magic: int, header: bytes) -> bytes:
    body = struct.pack("<IHHI4s12x", magic, 1, 0, 1, header[-4:])
    return body + struct.pack("<I", zlib.crc32(body))


def _slot(facts: Facts) -> bytes:
    """A slot in which exactly those facts can be read."""
    body = struct.pack(
        "<IHHIII32s8x", 0x44484254, 1, 0, 1, len(TABLE), zlib.crc32(TABLE), hashlib.sha256(TABLE).digest()
    )
    header = body + struct.pack("<I", zlib.crc32(body))
    bad, blank = b"\x55" * 32, b"\xff" * 32

    def part(what: int, magic: int) -> bytes:
        return {PART_BLANK: blank, PART_BAD: bad, PART_GOOD: _mark(magic, header)}[what]

    heads = {PART_BLANK: blank * 2, PART_BAD: b"\0" + header[1:], PART_GOOD: header}
    verdicts = {
        VERDICT_BLANK: blank,
        VERDICT_BAD: bad,
        VERDICT_CONFIRMED: _mark(0x46434254, header),
        VERDICT_CANCELLED: _mark(0x58584254, header),
    }
    table = TABLE if facts.whole else TABLE[:-1] + b"?"
    marks = verdicts[facts.verdict] + part(facts.commit, 0x4D434254) + part(facts.settled, 0x54534254)
    return (heads[facts.header] + table).ljust(GEOMETRY.sector_bytes - len(marks), b"\xff") + marks


def _in_flash() -> list[Facts]:
    """Without a good header nobody can say whether the table is whole, so it is not."""
    return [facts for facts in EVERY if facts.header == PART_GOOD or not facts.whole]


@pytest.mark.parametrize("slot", [0, 1])
def test_a_start_reads_every_combination_of_facts_from_the_flash(slot):
    """The memory takes nothing, so that the classes stay as they were read."""
    for facts in _in_flash():
        flash = Flash(GEOMETRY)
        at = flash.geometry.slots[slot]
        flash.cells[at : at + GEOMETRY.sector_bytes] = _slot(facts)
        flash.fault = Fault(1, "fail", lasting=True)
        store = Store(flash)
        store.start()

        assert store.slot_class(slot) == in_words(facts), as_text(facts)
        assert store.slot_class(1 - slot) == BLANK
    assert len(_in_flash()) == 144


@pytest.mark.parametrize("rotten", [(0,), (5, 9), (27, 31)])
@pytest.mark.parametrize("mark", [416, 448, 480])
def test_a_mark_whose_bytes_are_known_still_says_it_with_two_of_them_wrong(mark, rotten):
    """INV-STORE-5: a rotted settled record beside another rotted place does not bring the older table back."""
    facts = Facts(header=PART_GOOD, verdict=VERDICT_CANCELLED, commit=PART_GOOD, whole=True, settled=PART_GOOD)
    if mark == 416:
        facts.settled = PART_BLANK
    flash = Flash(GEOMETRY)
    flash.cells[: GEOMETRY.sector_bytes] = _slot(facts)
    for byte in rotten:
        flash.cells[mark + byte] ^= 0x11
    flash.fault = Fault(1, "fail", lasting=True)
    store = Store(flash)
    store.start()

    assert store.slot_class(0) == in_words(facts)


def test_the_choice_is_the_newest_table_that_is_certain_and_never_an_older_one_than_a_damaged_one():
    """The rule in words, worked out here by itself, against the rows."""
    core = library()
    for first, second, order in itertools.product(CLASSES, CLASSES, ORDERS):
        usable = {0: first in (DOUBT, SETTLED), 1: second in (DOUBT, SETTLED)}
        damaged = {0: first == DAMAGED, 1: second == DAMAGED}
        there = [slot for slot in (0, 1) if usable[slot] or damaged[slot]]
        if not there:
            expected = TAKE_NONE
        elif len(there) == 2 and order == 2:
            expected = TAKE_DAMAGED
        else:
            newest = there[0] if len(there) == 1 else order
            expected = (TAKE_0, TAKE_1)[newest] if usable[newest] else TAKE_DAMAGED

        assert core.store_choose(first, second, order) == expected, (first, second, order)


def test_the_choice_is_the_same_with_the_slots_exchanged():
    core = library()
    mirror = {TAKE_0: TAKE_1, TAKE_1: TAKE_0, TAKE_NONE: TAKE_NONE, TAKE_DAMAGED: TAKE_DAMAGED}
    for first, second, order in itertools.product(CLASSES, CLASSES, ORDERS):
        exchanged = core.store_choose(second, first, (1, 0, 2)[order])

        assert exchanged == mirror[core.store_choose(first, second, order)]


@pytest.mark.parametrize(
    "geometry",
    [
        Geometry(name="unit 3", sector_bytes=1024, sectors=1, unit=3),
        Geometry(name="unit 64", sector_bytes=1024, sectors=1, unit=64),
        Geometry(name="sector too small", sector_bytes=96, sectors=4, unit=8),
        Geometry(name="slot too small", sector_bytes=128, sectors=1, unit=8),
        Geometry(name="odd sector", sector_bytes=1000, sectors=1, unit=8),
    ],
    ids=lambda geometry: geometry.name,
)
def test_a_geometry_that_cannot_work_is_refused_and_nothing_is_touched(geometry):
    flash = Flash(geometry)
    store = Store(flash)

    assert store.start() == STORE_MISUSE
    assert store.begin(b"x" * 50) == STORE_MISUSE
    assert flash.operations == 0


@pytest.mark.parametrize(("extra", "expected"), [(0, STORE_OK), (1, STORE_TOO_LONG)])
def test_the_longest_table_fits_to_the_last_byte(extra, expected):
    store = Store(Flash(Geometry(name="host", sector_bytes=1024, sectors=1, unit=8)))
    store.start()
    data = bytes(index % 251 for index in range(store.capacity + extra))

    assert store.upload(data) == expected
    assert store.table() == (data if expected == STORE_OK else None)


def test_nothing_is_written_before_begin_after_the_end_or_between_the_units():
    store = Store(Flash(Geometry(name="host", sector_bytes=1024, sectors=1, unit=8)))
    store.start()

    assert store.write(0, b"x" * 32) == STORE_MISUSE
    assert store.commit() == STORE_MISUSE
    store.begin(b"y" * 100)
    assert store.write(0, b"y" * 32) == STORE_MISUSE, "before the erase"
    store.erase_step()
    store.erase_step()
    assert store.write(16, b"y" * 16) == STORE_MISUSE
    assert store.write(96, b"y" * 5) == STORE_MISUSE
    assert store.write(2**32 - 32, b"y" * 64) == STORE_MISUSE
    assert store.write(96, b"y" * 4) == STORE_OK


def test_an_erase_that_was_not_done_is_noticed_before_anything_is_programmed():
    flash = Flash(GEOMETRY)
    store = Store(flash)
    store.start()
    for table in (TABLE, TABLE[:100]):
        assert store.upload(table) == STORE_OK
    operations = flash.operations
    flash.fault = Fault(operations + 1, "silent")
    store.begin(TABLE)

    assert store.erase_step() == STORE_FAILED
    assert flash.operations == operations + 1
    assert store.table() == TABLE[:100]
