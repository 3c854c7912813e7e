"""Seeded faults: breaks the law, the table or the profile in one place after the other and says who notices.

    python tests/seeded/main.py law                     every second mutation of the law's C: twenty minutes on 2 cores
    python tests/seeded/main.py law --all               every one; CI takes its parts of every second
    python tests/seeded/main.py law --part 3/20         a twentieth of them (CI takes another one every day)
    python tests/seeded/main.py law --only 'motion.c/motion_ramp/< to <=/1'
    python tests/seeded/main.py table --part 1/20       single faults in the bytes of the kerb arm's table
    python tests/seeded/main.py profile --part 1/20     slips in the kerb arm's profile

Exit 0: every fault is caught or explained in survivors.toml; 1: some are neither, or an explanation is out of date.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from fnmatch import fnmatchcase
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "oracle"), str(HERE.parent / "support")]

import breeding
import judges
import mutation
import profile_faults
import table_faults

Result = tuple[str, str]
"""(id, who caught it; empty: nobody)."""


def explained(kind: str) -> dict[str, str]:
    """Patterns of ids and why nobody has to catch them."""
    with (HERE / "survivors.toml").open("rb") as file:
        return dict(tomllib.load(file).get(kind, {}))


def part_of(items: Sequence[str], part: str) -> list[str]:
    """`K/N`: every N-th item from the K-th on, K from 1."""
    number, _, count = part.partition("/")
    if not (number.isdigit() and count.isdigit() and 1 <= int(number) <= int(count)):
        raise SystemExit(f"--part {part}: a part is K/N, for example 3/20")
    return list(items[int(number) - 1 :: int(count)])


# -- the three kinds ----------------------------------------------------------------------------------------------


def _law_worker(ids: list[str]) -> Iterator[Result]:
    found = {one.id: one for one in mutation.mutations()}
    machines, played = judges.machines(), judges.sequences()
    with tempfile.TemporaryDirectory() as folder:
        nursery = breeding.Nursery(Path(folder) / "sources")
        sound = judges.judged(nursery.sound(), machines, played)
        failed = judges.suite(nursery.sound())
        if sound.caught or failed:
            raise SystemExit(f"the law without any fault is caught: {sound} {failed}; mend that first")
        for one in ids:
            library = nursery.library(found[one])
            if library is None:
                yield one, "the compiler"
                continue
            verdict = judges.judged(library, machines, played)
            caught = [*verdict.limits, *(["the oracle"] if verdict.oracle else []), *filter(None, [verdict.other])]
            yield one, ", ".join(caught) if caught else _by_suite(nursery, found[one])


def _by_suite(nursery: breeding.Nursery, one: mutation.Mutation) -> str:
    """What the other two let pass: a warning, or a test of the law."""
    if nursery.warned(one):
        return "a warning of the compiler"
    library = nursery.library(one, traps=True)
    failed = judges.suite(library) if library else "the traps"
    return f"a test, {failed}" if failed else ""


def _table_worker(ids: list[str]) -> Iterator[Result]:
    machine = judges.machines()[1]
    for one in ids:
        caught = table_faults.judged(machine, one)
        yield caught.id, caught.by


def _profile_worker(ids: list[str]) -> Iterator[Result]:
    text = profile_faults.kerb_arm()
    found = {slip.id: slip for slip in profile_faults.slips(text)}
    for one in ids:
        yield one, profile_faults.judged(text, found[one])


WORKERS: dict[str, Callable[[list[str]], Iterator[Result]]] = {
    "law": _law_worker,
    "table": _table_worker,
    "profile": _profile_worker,
}


def ids_of(kind: str, *, everything: bool = False) -> list[str]:
    """Of the law every second one, in the order of files and lines, if not `everything`."""
    if kind == "law":
        ids = [one.id for one in mutation.mutations()]
        return ids if everything else ids[::2]
    if kind == "table":
        return list(table_faults.places(judges.machines()[1].data))
    return [slip.id for slip in profile_faults.slips(profile_faults.kerb_arm())]


def _run(kind: str, ids: list[str], number: int, directory: str) -> list[Result]:
    """One process's share; each result goes into a file of its own at once, a line a fault."""
    results = []
    with (Path(directory) / f"progress-{number}").open("w") as file:
        for result in WORKERS[kind](ids):
            results.append(result)
            file.write(f"{result[0]}: {result[1]}\n")
            file.flush()
    return results


def run(kind: str, ids: list[str], processes: int) -> list[Result]:
    """All of them, in as many processes; a bar on standard error where that is a terminal."""
    with tempfile.TemporaryDirectory() as directory, ProcessPoolExecutor(max_workers=processes) as pool:
        shares = [ids[at::processes] for at in range(processes)]
        shares = [share for share in shares if share]
        jobs = [pool.submit(_run, kind, share, at, directory) for at, share in enumerate(shares)]
        while not all(job.done() for job in jobs):
            time.sleep(0.5)
            if sys.stderr.isatty():
                done = sum(path.read_text().count("\n") for path in Path(directory).glob("progress-*"))
                print(f"\r{done} of {len(ids)}", end="", file=sys.stderr)
        found = {
            one: result
            for share, job in zip(shares, jobs, strict=True)
            for one, result in zip(share, job.result(), strict=True)
        }
    return [found[one] for one in ids]


def report(kind: str, results: Sequence[Result], *, whole: bool) -> int:
    """Prints the counts and every fault that is neither caught nor explained; the exit code."""
    reasons = explained(kind)

    def reason(one: str) -> str | None:
        return next((text for pattern, text in reasons.items() if fnmatchcase(one, pattern)), None)

    first = Counter(by.split(",")[0] for _, by in results if by)
    others = ("the oracle", "the compiler", "a warning of the compiler", "a test")
    by_limit = sum(1 for _, by in results if by and by.split(",")[0] not in others)
    survivors = [one for one, by in results if not by]
    unexplained = [one for one in survivors if reason(one) is None]
    print(f"{kind}: {len(results)} faults, {len(results) - len(survivors)} caught", end="")
    print(f" ({by_limit} by a limit of the check or what stands before it)", end="")
    print(f", {len(survivors) - len(unexplained)} explained, {len(unexplained)} neither")
    for name, count in first.most_common():
        print(f"  {count:5}  first caught by {name}")
    for one in unexplained:
        print(f"  NEITHER  {one}")
    stale = _out_of_date(kind, list(reasons), [one for one, _ in results], survivors) if whole else []
    for pattern in stale:
        print(f"  OUT OF DATE  survivors.toml explains {pattern}, which is caught or gone")
    return 1 if unexplained or stale else 0


def _out_of_date(kind: str, reasons: Sequence[str], judged: Sequence[str], survivors: Sequence[str]) -> list[str]:
    """Patterns of judged faults that match no survivor; those of the half that was not judged are left alone."""
    elsewhere = set(ids_of(kind, everything=True)) - set(judged)

    def matches(pattern: str, ids: Iterable[str]) -> bool:
        return any(fnmatchcase(one, pattern) for one in ids)

    return [
        one for one in reasons if not matches(one, survivors) and (matches(one, judged) or not matches(one, elsewhere))
    ]


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("kind", choices=tuple(WORKERS))
    parser.add_argument("--part", default="1/1", help="K/N: a share of the faults")
    parser.add_argument("--all", action="store_true", help="law: every mutation, not every second")
    parser.add_argument("--only", help="the fault with this id; prints who catches it")
    parser.add_argument("--list", action="store_true", help="print the ids, and stop")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    given = parser.parse_args(arguments)
    ids = [given.only] if given.only else part_of(ids_of(given.kind, everything=given.all), given.part)
    if given.list:
        print("\n".join(ids))
        return 0
    results = run(given.kind, ids, max(1, given.processes))
    if given.only:
        print(f"{given.only}: {results[0][1] or 'caught by nobody'}")
    return report(given.kind, results, whole=given.part == "1/1" and not given.only)


if __name__ == "__main__":
    sys.exit(main())
