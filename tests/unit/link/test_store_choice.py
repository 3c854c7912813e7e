"""The store's two decision tables are total and disjoint: every combination of facts fits exactly one row."""

from __future__ import annotations

import itertools

import pytest
from flash_model import Flash, Geometry
from store_library import (
    BLANK,
    DAMAGED,
    DOUBT,
    RUBBISH,
    SETTLED,
    STORE_MISUSE,
    STORE_OK,
    STORE_TOO_LONG,
    TAKE_0,
    TAKE_1,
    TAKE_DAMAGED,
    TAKE_NONE,
    UNFINISHED,
    Store,
    library,
)

PARTS = range(3)  # blank, bad, good
CLASSES = range(6)
ORDERS = range(3)  # slot 0 newer, slot 1 newer, same age


def test_every_combination_of_a_slots_facts_fits_one_row():
    core = library()
    rows = [core.store_class_rows(*facts) for facts in itertools.product(PARTS, PARTS, (False, True), PARTS)]

    assert rows == [1] * 54


def test_every_combination_of_two_slots_fits_one_row():
    core = library()
    rows = [core.store_choose_rows(*facts) for facts in itertools.product(CLASSES, CLASSES, ORDERS)]

    assert rows == [1] * 108


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
    ("facts", "expected"),
    [
        ((2, 2, True, 0), DOUBT),
        ((2, 2, True, 1), SETTLED),
        ((2, 2, True, 2), SETTLED),
        ((2, 1, True, 2), SETTLED),
        ((2, 1, True, 0), UNFINISHED),
        ((2, 0, True, 0), UNFINISHED),
        ((2, 2, False, 0), UNFINISHED),
        ((2, 2, False, 2), DAMAGED),
        ((0, 2, False, 2), DAMAGED),
        ((0, 0, False, 0), BLANK),
        ((1, 2, True, 1), RUBBISH),
    ],
)
def test_a_slot_is_what_its_facts_say(facts, expected):
    assert library().store_class(*facts) == expected


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
