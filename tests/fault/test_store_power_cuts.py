"""INV-STORE-1 and 2: the power goes in every flash operation of an upload, and again in the recovery; the store
starts, has the old or the new table, whole, never goes back once it gave a table out, and takes the next upload.

A scenario has a short name, geometry/before/first cut/second cut; `scenario(name)` of a failing test plays exactly
that one.
"""

from __future__ import annotations

import random

import pytest
from flash_model import Cut, Fault, Flash, Geometry
from store_library import SETTLED, STORE_FAILED, STORE_NONE, STORE_OK, Store

GEOMETRIES = (
    Geometry(name="host", sector_bytes=1024, sectors=1, unit=8),
    Geometry(name="bytes", sector_bytes=128, sectors=6, unit=1),
    Geometry(name="wide", sector_bytes=512, sectors=2, unit=32, gap=512),
    Geometry(name="zero", sector_bytes=256, sectors=3, unit=4, erased=0x00),
)
BEFORE = ("none", "slot 0", "slot 1")


def _table(seed: int, length: int) -> bytes:
    return random.Random(seed).randbytes(length)


OLDER, OLD, NEW, NEXT = _table(1, 301), _table(2, 299), _table(3, 317), _table(4, 256)


def _flash(geometry: Geometry, before: str, seed: int) -> tuple[Flash, bytes | None]:
    """Flash with the table from before an upload: none, in slot 0 (first upload ever), in slot 1 (after a second
    one).
    """
    flash = Flash(geometry, seed)
    tables = {"none": [], "slot 0": [OLD], "slot 1": [OLDER, OLD]}[before]
    store = Store(flash)
    store.start()
    for table in tables:
        assert store.upload(table, 64) == STORE_OK
    return flash, tables[-1] if tables else None


def _cuts(operations: int, sizes: list[int], rng: random.Random) -> list[Cut]:
    """Before, inside (prefixes, random cells, unstable cells) and at the end of every operation."""
    cuts = []
    for operation, size in zip(range(1, operations + 1), sizes, strict=True):
        cuts.append(Cut(operation, "before"))
        prefixes = {1, size // 2, size - 1, size, rng.randrange(size), rng.randrange(size)}
        cuts += [Cut(operation, "prefix", amount) for amount in sorted(prefixes)]
        cuts += [Cut(operation, "bits", index) for index in range(2)] + [Cut(operation, "unstable", 0)]
        cuts += [Cut(operation, "marginal", index) for index in range(3)]
    return cuts


class _Sizes(Flash):
    """Notes how many bytes every operation has."""

    def __init__(self, like: Flash) -> None:
        super().__init__(like.geometry)
        self.cells, self.programmed = bytearray(like.cells), bytearray(like.programmed)
        self.unstable = dict(like.unstable)
        self.sizes: list[int] = []

    def _operate(self, address, data, apply):
        self.sizes.append(len(data))
        return super()._operate(address, data, apply)


def _copy(flash: Flash, seed: int) -> Flash:
    copy = Flash(flash.geometry, seed)
    copy.cells, copy.programmed, copy.unstable = (
        bytearray(flash.cells),
        bytearray(flash.programmed),
        dict(flash.unstable),
    )
    return copy


def _judge(flash: Flash, old: bytes | None, given_out: int, name: str) -> None:
    """Three starts in a row, then the next upload."""
    allowed = {old, NEW}
    store = Store(flash)
    for _ in range(3):
        store.start()
        table = store.table()

        assert table in allowed, f"{name}: neither the old nor the new table"
        assert store.sequence >= given_out, f"{name}: version {store.sequence} after {given_out}"
        given_out = store.sequence
        allowed = {table} if table is not None else allowed
    assert store.upload(NEXT, 64) == STORE_OK, name
    store.start()
    assert store.table() == NEXT, name
    assert store.sequence > given_out, name


def _uploads_cut_everywhere(geometry: Geometry, before: str):
    """(name, flash after the cut, old table, version in use before)."""
    prepared, old = _flash(geometry, before, 0)
    trial = _Sizes(prepared)
    store = Store(trial)
    store.start()
    assert trial.operations == 0, "a start on whole tables needs no operation"
    version = store.sequence
    assert store.upload(NEW, 64) == STORE_OK
    for index, cut in enumerate(_cuts(trial.operations, trial.sizes, random.Random(7))):
        flash = _copy(prepared, index)
        store = Store(flash)
        store.start(cut)
        result = store.upload(NEW, 64)
        assert result != STORE_OK, "nothing is called done before it stands for ever"
        yield f"{geometry.name}/{before}/{cut.operation}.{cut.how}.{cut.amount}", flash, old, version


@pytest.mark.parametrize("before", BEFORE)
@pytest.mark.parametrize("geometry", GEOMETRIES, ids=lambda geometry: geometry.name)
def test_every_single_cut_of_an_upload_leaves_the_old_or_the_new_table(geometry, before):
    names = []
    for name, flash, old, version in _uploads_cut_everywhere(geometry, before):
        _judge(flash, old, version, name)
        names.append(name)

    assert len(names) == len(set(names)) >= 100


def _pairs(geometry: Geometry, before: str, every: int) -> int:
    """Judges pairs of cuts, of the first cuts every so many; returns how many pairs. Only a cut in one of the end
    records leaves the next start anything to do.
    """
    names = set()
    for number, (name, flash, old, version) in enumerate(_uploads_cut_everywhere(geometry, before)):
        if number % every:
            continue
        trial = _Sizes(flash)
        Store(trial).start()
        for index, cut in enumerate(_cuts(len(trial.sizes), trial.sizes, random.Random(11))):
            again = _copy(flash, index)
            Store(again).start(cut)
            pair = f"{name}/{cut.operation}.{cut.how}.{cut.amount}"
            _judge(again, old, version, pair)
            names.add(pair)
    return len(names)


@pytest.mark.parametrize("before", BEFORE)
@pytest.mark.parametrize("geometry", GEOMETRIES, ids=lambda geometry: geometry.name)
def test_a_second_cut_during_recovery_changes_nothing_of_that(geometry, before):
    pairs = _pairs(geometry, before, 2)

    assert pairs >= 60


@pytest.mark.deep
@pytest.mark.parametrize("before", BEFORE)
@pytest.mark.parametrize("geometry", GEOMETRIES, ids=lambda geometry: geometry.name)
def test_every_pair_of_cuts_changes_nothing_of_that(geometry, before):
    pairs = _pairs(geometry, before, 1)

    assert pairs >= 200


@pytest.mark.parametrize("record", ["commit", "settled"])
@pytest.mark.parametrize("how", ["prefix", "bits", "unstable", "marginal"])
def test_a_cut_commit_record_is_completed_or_given_up_but_never_swings(how, record):
    """The one place where the new table comes into being: 200 torn records, each started five times."""
    geometry = GEOMETRIES[1]
    prepared, old = _flash(geometry, "slot 0", 0)
    trial = _Sizes(prepared)
    store = Store(trial)
    store.start()
    store.upload(NEW, 64)
    torn = trial.operations - (record == "commit")
    seen = set()
    for seed in range(200):
        flash = _copy(prepared, seed)
        store = Store(flash)
        store.start(Cut(torn, how, seed % 33))
        store.upload(NEW, 64)
        tables = []
        for _ in range(5):
            store.start()
            tables.append(store.table())

        assert len(set(tables)) == 1
        seen.add(tables[0])
    if record == "commit":
        assert old in seen, "a torn one is cancelled, and only one that reads whole is taken"
        assert seen <= {old, NEW}
    else:
        assert NEW in seen
        assert seen <= {old, NEW}


@pytest.mark.parametrize("how", ["fail", "silent", "stuck"])
def test_an_operation_that_does_not_do_it_leaves_the_old_table_and_says_so(how):
    geometry = GEOMETRIES[1]
    prepared, old = _flash(geometry, "slot 1", 0)
    trial = _Sizes(prepared)
    Store(trial).start()
    Store(trial)
    store = Store(trial)
    store.start()
    store.upload(NEW, 64)
    for operation in range(1, trial.operations + 1):
        for lasting in (False, True):
            flash = _copy(prepared, operation)
            store = Store(flash)
            store.start()
            flash.fault = Fault(operation, how, lasting)
            try:
                result = store.upload(NEW, 64)
            except AssertionError:  # an erase that was not done makes the next program break a rule of flash
                assert how != "fail"
                result = STORE_FAILED
                store.broken = None
            flash.fault = None
            in_use = store.table()
            store.start()

            assert in_use == (NEW if result == STORE_OK else old), (how, operation, lasting)
            if store.table() != in_use:
                # Neither the settled record nor its cancelling was taken: the commit record stands.
                assert (operation, lasting, in_use, store.table()) == (trial.operations, True, old, NEW), how
                store.start()
                assert store.table() == NEW, "and stays"


def test_memory_that_takes_no_unit_twice_falls_back_to_the_older_table_when_in_doubt():
    geometry = Geometry(name="once", sector_bytes=1024, sectors=1, unit=8, program_twice=False)
    prepared, old = _flash(geometry, "slot 0", 0)
    trial = _Sizes(prepared)
    store = Store(trial)
    store.start()
    store.upload(NEW, 64)
    for operation, size in zip(range(1, trial.operations + 1), trial.sizes, strict=True):
        for amount in range(0, size + 1, max(1, size // 16)):
            flash = _copy(prepared, amount)
            store = Store(flash)
            store.start(Cut(operation, "prefix", amount))
            store.upload(NEW, 64)
            _judge(flash, old, 1, f"once/{operation}/{amount}")


def test_bit_rot_of_the_table_in_use_leaves_no_table_rather_than_an_older_one():
    """INV-STORE-5: an older table may allow what the newer one forbids."""
    flash, old = _flash(GEOMETRIES[0], "slot 1", 0)
    slot = flash.geometry.slots[1]
    lost = kept = 0
    for at in range(0, flash.geometry.sector_bytes):
        rotten = _copy(flash, 0)
        rotten.cells[slot + at] ^= 0x10
        store = Store(rotten)
        store.start()
        assert store.table() in (old, None)
        lost += store.table() is None
        kept += store.table() == old
        assert store.upload(NEW, 64) == STORE_OK
        store.start()
        assert store.table() == NEW

    assert lost == 64 + len(OLD), "header and table"
    assert kept == flash.geometry.sector_bytes - lost, "unused bytes, and one of commit and settled record, do no harm"


def test_bit_rot_in_the_slot_not_in_use_is_not_even_noticed():
    flash, old = _flash(GEOMETRIES[0], "slot 1", 0)
    for at in range(0, flash.geometry.sector_bytes, 3):
        rotten = _copy(flash, 0)
        rotten.cells[at] ^= 0x40
        store = Store(rotten)
        store.start()

        assert store.table() == old


def test_blank_and_foreign_flash_have_no_table_and_take_one():
    for fill in (None, 0x00, 0x5A):
        flash = Flash(GEOMETRIES[1])
        if fill is not None:
            flash.cells = bytearray([fill]) * len(flash.cells)
            flash.programmed = bytearray(b"\1") * len(flash.programmed)
        store = Store(flash)

        assert store.start() == STORE_NONE
        assert store.upload(NEW, 64) == STORE_OK
        assert store.table() == NEW


def test_a_thousand_uploads_count_up_and_use_both_slots():
    flash = Flash(GEOMETRIES[0])
    store = Store(flash)
    store.start()
    for number in range(1, 1001):
        table = _table(number, 100 + number % 50)
        assert store.upload(table, 64) == STORE_OK
        if number % 100 == 0:
            store.start()

        assert store.sequence == number
        assert store.table() == table
    assert store.slot_class(0) == store.slot_class(1) == SETTLED
