"""Runs families of scenarios over processes, counts what came of them, and holds the counts against floors.

Nothing here knows what a scenario does; `family.py` says what it has to give.
"""

from __future__ import annotations

import math
import multiprocessing
import signal
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from family import Family, Lost, Outcome
from numpy.typing import NDArray

CHUNK_SECONDS_MAX = 300.0
"""A chunk that takes longer has hung: the run is broken off and says which one."""


class CampaignError(Exception):
    """The run could not be finished. Says what happened and where."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Every `of`-th number from number - 1 on, number from 1."""

    number: int = 1
    of: int = 1

    def numbers(self, family: Family) -> range:
        return range(self.number - 1, family.total, self.of)


def parse_part(text: str) -> Part:
    """`3/10`. Raises ValueError for anything else."""
    number, _, of = text.partition("/")
    if not (number.isdecimal() and of.isdecimal() and 1 <= int(number) <= int(of)):
        raise ValueError(f"part {text!r}: write K/N with K from 1 to N, for example 3/10")
    return Part(number=int(number), of=int(of))


@dataclass(slots=True, kw_only=True)
class Tally:
    """What came of one family so far. seconds: that the processors worked on it, together."""

    family: Family
    run: int = 0
    empty: int = 0
    seconds: float = 0.0
    lost: list[Lost] = field(default_factory=list)
    keys: list[NDArray[np.uint64]] = field(default_factory=list)

    def distinct_keys(self) -> NDArray[np.uint64]:
        return np.unique(np.concatenate(self.keys)) if self.keys else np.zeros(0, np.uint64)

    def add(self, outcome: Outcome, count: int, seconds: float) -> None:
        self.run += count
        self.empty += outcome.empty
        self.seconds += seconds
        self.lost.extend(outcome.lost)
        self.keys.append(np.unique(outcome.keys))


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    done: int
    total: int
    lost: int
    seconds: float


_FAMILIES: dict[str, Family] = {}


def _ignore_interrupt() -> None:
    """Ctrl-C is for the process that waits; it ends the others."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _run_chunk(code: str, numbers: range) -> tuple[Outcome, float]:
    start = time.process_time()
    outcome = _FAMILIES[code].run(numbers)
    return outcome, time.process_time() - start


def _chunks(families: Sequence[Family], part: Part) -> Iterator[tuple[str, range]]:
    for family in families:
        numbers = part.numbers(family)
        for at in range(0, len(numbers), max(1, family.chunk)):
            yield family.code, numbers[at : at + max(1, family.chunk)]


def run(
    families: Sequence[Family], part: Part, processes: int, progress: Callable[[Progress], None]
) -> dict[str, Tally]:
    """Runs that part of every family.

    Args:
        families: with different codes.
        part: which numbers.
        processes: at once; 0 runs everything in this one.
        progress: called after every chunk.

    Returns: a tally for every code.
    Raises: CampaignError when a process died or a chunk hung; KeyboardInterrupt after ending the processes.
    """
    tallies = {family.code: Tally(family=family) for family in families}
    if len(tallies) != len(families):
        raise CampaignError("two families have one code: codes are the first part of an id, give each its own")
    total = sum(len(part.numbers(family)) for family in families)
    start = time.monotonic()

    def take(code: str, numbers: range, result: tuple[Outcome, float]) -> None:
        tallies[code].add(result[0], len(numbers), result[1])
        done, lost = sum(one.run for one in tallies.values()), sum(len(one.lost) for one in tallies.values())
        progress(Progress(done=done, total=total, lost=lost, seconds=time.monotonic() - start))

    _FAMILIES.clear()
    _FAMILIES.update((family.code, family) for family in families)
    chunks = _chunks(families, part)
    if processes == 0:
        for code, numbers in chunks:
            take(code, numbers, _run_chunk(code, numbers))
    else:
        _run_in_pool(chunks, processes, take)
    return tallies


def _run_in_pool(
    chunks: Iterator[tuple[str, range]],
    processes: int,
    take: Callable[[str, range, tuple[Outcome, float]], None],
) -> None:
    # Forked, so that what a family compiled is there already and is compiled once.
    pool = ProcessPoolExecutor(processes, multiprocessing.get_context("fork"), _ignore_interrupt)
    try:
        _feed(pool, chunks, processes, take)
    except BaseException:
        for process in list((pool._processes or {}).values()):  # a chunk in C hears no other way that it is over
            process.kill()
        pool.shutdown(wait=True, cancel_futures=True)
        raise
    pool.shutdown()


def _feed(
    pool: ProcessPoolExecutor,
    chunks: Iterator[tuple[str, range]],
    processes: int,
    take: Callable[[str, range, tuple[Outcome, float]], None],
) -> None:
    """Two chunks a process on their way: enough that none waits, and few are lost when the run is broken off."""
    pending: dict[Future[tuple[Outcome, float]], tuple[str, range]] = {}
    for code, numbers in chunks:
        pending[pool.submit(_run_chunk, code, numbers)] = (code, numbers)
        if len(pending) >= 2 * processes:
            _collect(pending, take)
    while pending:
        _collect(pending, take)


def _collect(
    pending: dict[Future[tuple[Outcome, float]], tuple[str, range]],
    take: Callable[[str, range, tuple[Outcome, float]], None],
) -> None:
    finished, _ = wait(pending, timeout=CHUNK_SECONDS_MAX, return_when=FIRST_COMPLETED)
    where = ", ".join(
        f"{code} {numbers.start} to {numbers[-1]} by {numbers.step}" for code, numbers in pending.values()
    )
    if not finished:
        raise CampaignError(f"nothing came back for {CHUNK_SECONDS_MAX:.0f} s; on their way: {where}")
    for future in finished:
        try:
            result = future.result()
        except BrokenProcessPool:
            raise CampaignError(f"a process died; on their way: {where}") from None
        take(*pending.pop(future), result)


# -- floors -------------------------------------------------------------------------------------------------------


def read_floors(path: Path) -> dict[str, int]:
    """Least count of distinct scenarios of a whole run, by code; `total` for all families together.

    Raises: CampaignError for a file that is not of that form.
    """
    try:
        floors = tomllib.loads(path.read_text(encoding="utf-8")).get("distinct", {})
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise CampaignError(f"{path}: {error}") from error
    for code, floor in floors.items():
        if not isinstance(floor, int) or isinstance(floor, bool) or floor < 1:
            raise CampaignError(f"{path}: distinct.{code} is {floor!r}; a floor is a whole number from 1")
    return dict(floors)


def below_floors(counts: dict[str, int], floors: dict[str, int], part: Part, whole: bool) -> list[str]:
    """What fell below, one line each.

    Args:
        counts: distinct scenarios by code.
        floors: as read; a part of N has to reach about an N-th.
        part: which part ran.
        whole: all families ran, so that `total` counts, and a floor whose family is not there is a fall to nothing.
    """
    lines = [f"{code}: no floor; give it one in floors.toml" for code in counts if code not in floors]
    wanted = {
        code: _floor_of_part(floor, part)
        for code, floor in floors.items()
        if code != "total" and (whole or code in counts)
    }
    lines += [
        f"{code}: {counts.get(code, 0):,} distinct, at least {least:,} are wanted"
        for code, least in wanted.items()
        if counts.get(code, 0) < least
    ]
    total = sum(counts.values())
    least = _floor_of_part(floors.get("total", 0), part)
    if whole and total < least:
        lines.append(f"all: {total:,} distinct, at least {least:,} are wanted")
    return lines


def _floor_of_part(floor: int, part: Part) -> int:
    """An N-th, less what chance takes from a part: four standard deviations of a count."""
    share = floor // part.of
    return share if part.of == 1 else max(0, share - math.ceil(4.0 * math.sqrt(share)))
