"""Every single power cut of an upload, again on the ARM build of the unmodified store.

Three geometries, four histories. The cut lies before an operation, after each of its bytes that changes a cell (the
last: it is done, then the power goes), or leaves a random part of its cells. The processor is emulated;
tests/arm/arm_store.py says what is judged.
"""

from __future__ import annotations

import functools
import hashlib
import sys
from bisect import bisect_right
from itertools import accumulate
from pathlib import Path

import numpy as np
from family import Family, Lost, Outcome

ROOT = Path(__file__).resolve().parents[2]
if str(ROOT / "tests" / "arm") not in sys.path:
    sys.path.append(str(ROOT / "tests" / "arm"))
from arm_build import arm_compilers, arm_program, missing

TORN = 24
"""Torn operations with a random part of their cells, of each operation."""


@functools.cache
def _core():
    from arm_core import ArmCore

    return ArmCore(arm_program(arm_compilers()[0]))


@functools.cache
def _benches():
    """(benches, the number at which each operation of each begins, (bench, operation) of each)."""
    from arm_store import BEFORES, GEOMETRIES, bench_of

    benches = [bench_of(_core(), geometry, before) for geometry in GEOMETRIES for before in BEFORES]
    places = [(bench, index + 1) for bench in benches for index in range(len(bench.operations))]
    counts = [1 + len(bench.operations[operation - 1].prefixes) + TORN for bench, operation in places]
    return benches, [0, *accumulate(counts)], places


def scenario(number: int):
    """(bench, cut) of a number."""
    from arm_store import BEFORE, BITS, PREFIX, Cut

    _, firsts, places = _benches()
    at = bisect_right(firsts, number) - 1
    bench, operation = places[at]
    within, prefixes = number - firsts[at], bench.operations[operation - 1].prefixes
    if within == 0:
        return bench, Cut(operation=operation, how=BEFORE, amount=0)
    if within <= len(prefixes):
        return bench, Cut(operation=operation, how=PREFIX, amount=prefixes[within - 1])
    return bench, Cut(operation=operation, how=BITS, amount=number)


def _key(bench, cells: bytes) -> int:
    """Two cuts that leave the same cells behind in the same place are one scenario."""
    name = f"{bench.geometry.name}/{bench.before}/".encode()
    return int.from_bytes(hashlib.blake2b(name + cells, digest_size=8).digest(), "little")


def _run(numbers: range) -> Outcome:
    from arm_store import play

    keys, lost = [], []
    for number in numbers:
        bench, cut = scenario(number)
        cells, wrong = play(_core(), bench, cut)
        keys.append(_key(bench, cells))
        if wrong is not None:
            lost.append(Lost(number=number, why=wrong))
    return Outcome(keys=np.array(keys, dtype=np.uint64), empty=0, lost=tuple(lost))


def _describe(number: int) -> str:
    from arm_store import HOWS

    bench, cut = scenario(number)
    size = bench.operations[cut.operation - 1].byte_count
    where = f"operation {cut.operation} of {len(bench.operations)}, {size} bytes"
    return (
        f"{bench.geometry.name}, {bench.before}: the power goes in {where}, {HOWS[cut.how].format(cut.amount)}; "
        "then three starts, the next upload and a start"
    )


def families() -> tuple[Family, ...]:
    """Raises FileNotFoundError when the emulator or a compiler for it is missing."""
    lacking = missing()
    if lacking is not None:
        raise FileNotFoundError(lacking)
    _, firsts, _ = _benches()
    about = "every single power cut of an upload, on the ARM build in an emulated Cortex-M4"
    return (Family(code="arm", about=about, total=firsts[-1], chunk=2_000, run=_run, describe=_describe),)
