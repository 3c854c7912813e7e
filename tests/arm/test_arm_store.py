"""The store on the emulated Cortex-M4: its flash by itself, the judge by itself, and a part of the cuts."""

from __future__ import annotations

import random

import pytest
from arm_build import arm_compilers, arm_program, missing
from flash_model import Cut as ModelCut
from flash_model import Flash, FlashRuleError
from flash_model import Geometry as ModelGeometry

if missing() is None:
    import arm_families
    from arm_core import ArmCore
    from arm_store import BEFORE, BEFORES, GEOMETRIES, NEW, OLD, PREFIX, ArmFlash, Cut, bench_of, judge, play

from family import parse_id, scenario_id

pytestmark = pytest.mark.skipif(missing() is not None, reason=str(missing()))


@pytest.fixture(scope="module")
def core():
    return ArmCore(arm_program(arm_compilers()[0]))


def model_of(geometry) -> Flash:
    own = ModelGeometry(
        name=geometry.name,
        sector_bytes=geometry.sector_bytes,
        sectors=geometry.sectors,
        unit=geometry.unit,
        erased=geometry.erased,
        program_twice=geometry.program_twice,
    )
    return Flash(own)


def asked(rng: random.Random, geometry, operations: list[tuple[int, bytes]]) -> tuple[int, bytes | None]:
    """An erase (None), a program, the same program once more, or what no flash takes."""
    size = 2 * geometry.slot_bytes
    kind = rng.random()
    if kind < 0.15:
        return rng.randrange(0, size, geometry.sector_bytes), None
    if kind < 0.3 and operations:
        return rng.choice(operations)
    if kind < 0.4:
        return rng.randrange(size), rng.randbytes(rng.randint(0, 40))
    count = geometry.unit * rng.randint(1, 4)
    return rng.randrange(0, size - count, geometry.unit), rng.randbytes(count)


@pytest.mark.parametrize("geometry", GEOMETRIES if missing() is None else [], ids=lambda geometry: geometry.name)
def test_flash_in_the_emulator_keeps_the_rules_of_the_flash_model(core, geometry):
    """Random operations, right and wrong ones, cut or not: the same refusals and cells as flash_model.py."""
    rng, refused, done = random.Random(geometry.unit), 0, 0
    for _ in range(60):
        flash, model = ArmFlash(core, geometry), model_of(geometry)
        flash.blank()
        flash.power_on()
        operations: list[tuple[int, bytes]] = []
        for number in range(1, 13):
            address, data = asked(rng, geometry, operations)
            cut = rng.randrange(64) if number == 12 else None
            if cut is not None:
                flash.power_on(Cut(operation=1, how=PREFIX, amount=cut))
                model.power_on(ModelCut(1, "prefix", cut))
            try:
                expected = model.erase(address) if data is None else model.program(address, data)
            except FlashRuleError:
                expected = None
            result = flash.erase(address) if data is None else flash.program(address, data)

            assert (flash.broken != 0) == (expected is None)
            assert flash.cells() == bytes(model.cells)
            if expected is None:
                refused += 1
                flash.power_on()
                continue
            assert (result == 0) == (expected == 0)
            done += 1
            if data is not None:
                operations.append((address, data))
    assert refused > 10  # with a unit of one byte no program is out of place
    assert done > 300


def test_judge_notices_a_lost_table_and_a_version_that_goes_back(core):
    """Goal: no scenario can pass by looking away."""
    bench = bench_of(core, GEOMETRIES[0], BEFORES[1])
    flash = ArmFlash(core, GEOMETRIES[0])
    flash.put_back(bench.kept)
    whole = judge(flash, OLD, 1)
    flash.put_back(bench.kept)
    back = judge(flash, OLD, 2)
    flash.put_back(bench.kept)
    other = judge(flash, NEW, 1)
    flash.blank()
    lost = judge(flash, OLD, 1)

    assert whole is None
    assert back == "start 1: version 1 after 2"
    assert other == "start 1: version 1 of 41 bytes is neither table"
    assert lost == "start 1: no table"


def test_upload_without_a_cut_takes_the_operations_that_are_cut(core):
    bench = bench_of(core, GEOMETRIES[2], BEFORES[2])
    flash = ArmFlash(core, GEOMETRIES[2])
    flash.put_back(bench.kept)
    seen = flash.session(NEW)

    assert seen.operations == len(bench.operations)
    assert (seen.upload, seen.sequence, seen.table[: len(NEW)]) == (0, 3, NEW)


def test_cut_before_the_first_operation_leaves_everything_as_it_was(core):
    bench = bench_of(core, GEOMETRIES[1], BEFORES[1])
    cells, wrong = play(core, bench, Cut(operation=1, how=BEFORE, amount=0))

    assert wrong is None
    assert cells == bench.kept[0]


def test_part_of_the_cuts_of_three_geometries_loses_nothing():
    """Every 40th; `python tests/scenarios/main.py --family arm` takes all of them."""
    family = arm_families.families()[0]
    numbers = range(7, family.total, 40)
    outcome = family.run(numbers)

    assert outcome.lost == ()
    assert outcome.empty == 0
    assert len(set(outcome.keys.tolist())) > 0.9 * len(numbers)
    assert family.total > 10_000


def test_id_of_a_cut_replays_it():
    family = arm_families.families()[0]
    _, number = parse_id(scenario_id(family, family.total - 1))
    bench, cut = arm_families.scenario(number)

    assert number == family.total - 1
    assert (bench.geometry, bench.before) == (GEOMETRIES[-1], BEFORES[-1])
    assert cut.operation == len(bench.operations)
    assert "the power goes in operation" in family.describe(number)
    assert family.run(range(number, number + 1)).keys.tolist() == family.run(range(number, number + 1)).keys.tolist()
