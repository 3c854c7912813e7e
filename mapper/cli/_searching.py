"""The search of `mapper check --effort`: what was asked for, two processes of their own, a progress bar. Edge."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import re
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkProcess
from typing import TYPE_CHECKING, Any

import click

from mapper.errors import MapperError

if TYPE_CHECKING:
    from mapper.check import CheckResult
    from mapper.check.search.library import Bench
    from mapper.check.search.search import Budget, SearchResult
    from mapper.profile.profile import Profile
    from mapper.table.table import Table

PROCESSES = 2
"""Always two, so that a seed with a number of examples finds the same on every machine."""
WORDS = {"quick": 10.0, "thorough": 300.0}
_LONGEST_S = 86_400.0
_EXAMPLES_MOST = 10**9
_SILENT_S = 120.0  # a process that says nothing for so long is given up
_BAR = 30
_EFFORT = re.compile(r"([0-9]{1,9}(?:\.[0-9]{1,3})?) ?(s|examples)?", re.ASCII)


def read_effort(text: str) -> Budget:
    """What --effort says. Raises click.UsageError (exit 64)."""
    from mapper.check.search.search import Budget

    if text in WORDS:
        return Budget(seconds=WORDS[text])
    match = _EFFORT.fullmatch(text.strip())
    if match is not None and match[2] == "examples" and "." not in match[1] and 1 <= int(match[1]) <= _EXAMPLES_MOST:
        return Budget(examples=int(match[1]))
    if match is not None and match[2] != "examples" and 0.0 < float(match[1]) <= _LONGEST_S:
        return Budget(seconds=float(match[1]))
    raise click.UsageError(
        f"--effort {text}: allowed are quick, thorough, seconds such as 30 (above 0, at most {_LONGEST_S:.0f}), or a "
        "number of examples such as '20000 examples'"
    )


def search_for(
    profile: Profile, table: Table, result: CheckResult, job: tuple[int, Budget, str]
) -> tuple[CheckResult, SearchResult, str | None]:
    """Search one checked profile.

    Args:
        result: of its check; bounds the positions.
        job: seed, budget, where what is found will be written.

    Returns:
        the result with the finding, what was searched, and the text of the recording of what was found.
    """
    from mapper.check.search.counterexample import recording_text
    from mapper.check.search.finding import search_finding, with_search
    from mapper.check.search.plants import search_bench
    from mapper.law import load_core
    from mapper.table import encode_table

    seed, budget, found_file = job
    core = load_core()
    bench = search_bench(core, core.table(encode_table(table)), profile, table, result.findings)
    searched = run_search(bench, seed, budget)
    text = None if searched.found is None else recording_text(bench, profile, searched)
    return with_search(result, search_finding(profile, searched, found_file)), searched, text


def search_document(searched: SearchResult | None, found_file: str) -> dict[str, object] | None:
    """For --json; null: nothing was searched."""
    if searched is None:
        return None
    found = searched.found
    return {
        "seed": searched.seed,
        "examples": searched.cases,
        "ticks": searched.ticks,
        "seconds": round(searched.seconds, 3),
        "found": None
        if found is None
        else {
            "rule": found.breach.rule.name,
            "ticks": found.ticks,
            "example": found.genome.hex(),
            "recording": found_file,
        },
    }


def run_search(bench: Bench, seed: int, budget: Budget) -> SearchResult:
    """The search in two processes; in this one where the system cannot fork.

    Raises:
        MapperError: a process ended or fell silent before it was done.
    """
    with _quiet_home(), _bar(budget) as progress:
        if "fork" not in multiprocessing.get_all_start_methods():
            from mapper.check.search.search import search

            return search(bench, seed=seed, budget=budget, clock=time.monotonic, progress=progress)
        return _run_both(bench, seed, budget, progress)


@contextlib.contextmanager
def _quiet_home() -> Iterator[None]:
    """Hypothesis keeps notes of its own in a directory: not in the user's."""
    key = "HYPOTHESIS_STORAGE_DIRECTORY"
    before = os.environ.get(key)
    with tempfile.TemporaryDirectory(prefix="mapper-search-") as directory:
        os.environ[key] = directory
        try:
            yield
        finally:
            if before is None:
                del os.environ[key]
            else:
                os.environ[key] = before


@contextlib.contextmanager
def _bar(budget: Budget) -> Iterator[Callable[[int, float], None]]:
    """A progress bar on standard error, where that is a terminal."""
    if not sys.stderr.isatty():
        yield lambda cases, seconds: None
        return

    def draw(cases: int, seconds: float) -> None:
        whole = cases / budget.examples if budget.examples is not None else seconds / (budget.seconds or 1.0)
        done = round(_BAR * min(1.0, whole))
        bar = "#" * done + "." * (_BAR - done)
        click.echo(f"\rsearching [{bar}] {cases} examples, {seconds:.0f} s", err=True, nl=False)

    try:
        yield draw
    finally:
        click.echo(f"\r{'':<{_BAR + 48}}\r", err=True, nl=False)


def _parts(budget: Budget) -> list[Budget]:
    if budget.examples is None:
        return [budget] * PROCESSES
    half = budget.examples // PROCESSES
    return [replace(budget, examples=count) for count in (budget.examples - half, half) if count > 0]


def _run_both(bench: Bench, seed: int, budget: Budget, progress: Callable[[int, float], None]) -> SearchResult:
    import hypothesis  # noqa: F401 -- once, before there are two

    context = multiprocessing.get_context("fork")
    parts = _parts(budget)
    stop = context.Event()
    pipes: list[Connection] = []
    processes: list[ForkProcess] = []
    try:
        for number, part in enumerate(parts):
            here, there = context.Pipe(duplex=False)
            process = context.Process(
                target=_work, args=(there, bench, (seed * PROCESSES + number, part), stop.is_set), daemon=True
            )
            process.start()
            there.close()
            pipes.append(here)
            processes.append(process)
        return _gathered(pipes, seed, budget, progress, stop.set)
    finally:
        stop.set()
        for process in processes:
            if process.is_alive():
                process.terminate()
            process.join(timeout=5.0)


def _work(pipe: Connection, bench: Bench, job: tuple[int, Budget], stopped: Callable[[], bool]) -> None:
    """What one process does: (seed, budget) of `job`; tells (cases, seconds) now and then, the result at the end."""
    from mapper.check.search.search import search

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent hears it
    with contextlib.suppress(BrokenPipeError):
        result = search(
            bench,
            seed=job[0],
            budget=job[1],
            clock=time.monotonic,
            progress=lambda cases, seconds: pipe.send((cases, seconds)),
            stopped=stopped,
        )
        pipe.send(result)
        pipe.close()


def _gathered(
    pipes: list[Connection],
    seed: int,
    budget: Budget,
    progress: Callable[[int, float], None],
    stop: Callable[[], None],
) -> SearchResult:
    """One result of all: the first process' find, by number, where several have one."""
    results: dict[int, SearchResult] = {}
    cases = [0] * len(pipes)
    seconds = [0.0] * len(pipes)
    while len(results) < len(pipes):
        waiting = [pipe for number, pipe in enumerate(pipes) if number not in results]
        heard = wait(waiting, timeout=_SILENT_S)
        if not heard:
            raise _broken("fell silent")
        for number, pipe in enumerate(pipes):
            if pipe not in heard:
                continue
            told = _received(pipe)
            if isinstance(told, tuple):
                cases[number], seconds[number] = told
            else:
                results[number] = told
                if told.found is not None and budget.examples is None:
                    stop()  # by time there is nothing to wait for; by number all go on, so that the seed decides alone
        progress(sum(cases), max(seconds))
    return _joined([results[number] for number in range(len(pipes))], seed)


def _received(pipe: Connection) -> Any:  # noqa: ANN401 -- (cases, seconds), or a SearchResult
    try:
        return pipe.recv()
    except EOFError as error:
        raise _broken("ended") from error


def _broken(what: str) -> MapperError:
    return MapperError(
        f"a process of the search {what} before it was done; is there memory enough? Check again with less --effort",
        exit_code=2,
    )


def _joined(results: list[SearchResult], seed: int) -> SearchResult:
    first = next((result for result in results if result.found is not None), results[0])
    return replace(
        first,
        seed=seed,
        cases=sum(result.cases for result in results),
        ticks=sum(result.ticks for result in results),
        seconds=max(result.seconds for result in results),
    )
