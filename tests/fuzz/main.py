"""Fuzzing of the C core: frames, tables, the law and the whole controller, under sanitizers for addresses and undefined
behaviour.

    python tests/fuzz/main.py                              ten million executions over all targets, on 2 cores
    python tests/fuzz/main.py --part 3/10                  a tenth of them (CI takes another one every day)
    python tests/fuzz/main.py --target table --executions 1000000
    python tests/fuzz/main.py --replay tests/fuzz/found/table-crash-...
    python tests/fuzz/main.py --seeds                      writes tables and corpus anew from the encoders

Exit 0: nothing was found; 1: an input was found, and is named with what it breaks; 2: no clang, a
fuzzer broke off, or the time ran out.
What was found is kept in tests/fuzz/found; when it is mended, move the file to
tests/fuzz/corpus/<target>/found_<what it was>.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import fuzz_build
import fuzz_seeds
from fuzz_run import Job, Run, run_jobs

EXECUTIONS = 10_000_000
SHARES = {"frames": 64, "table": 34, "link": 1.5, "law": 0.5}
"""Of a hundred executions. One of `link` is a hundred steps of a controller, one of `law` two hundred ticks."""

FOUND = HERE / "found"


def _part(text: str) -> tuple[int, int]:
    number, _, count = text.partition("/")
    if not (number.isdigit() and count.isdigit() and 1 <= int(number) <= int(count)):
        raise argparse.ArgumentTypeError(f"{text}: a part is K/N, for example 3/10")
    return int(number), int(count)


def plan(executions: int, targets: Sequence[str], part: tuple[int, int], at_a_time: int) -> list[Job]:
    """The processes to run: each target's share in as many as run at a time, rounded up, so that no sum falls short."""
    number, count = part
    whole = sum(SHARES[target] for target in targets)
    jobs = []
    for target in targets:
        each = -(-executions * SHARES[target] // (whole * count * at_a_time))
        jobs += [Job(target=target, executions=int(each), seed=1 + 1000 * number + index) for index in range(at_a_time)]
    return sorted(jobs, key=lambda job: ("law", "link", "table", "frames").index(job.target))


class _Progress:
    """A line every few seconds, on a screen over the one before."""

    def __init__(self) -> None:
        self._screen = sys.stderr.isatty()
        self._told = 0.0

    def __call__(self, runs: list[Run], seconds: float) -> None:
        if seconds - self._told < (1.0 if self._screen else 15.0):
            return
        self._told = seconds
        done, whole = sum(run.executions for run in runs), sum(run.job.executions for run in runs)
        line = f"{seconds:5.0f} s  {done:,} of {whole:,} executions"
        print(f"\r{line}" if self._screen else line, end="" if self._screen else "\n", file=sys.stderr, flush=True)

    def close(self) -> None:
        if self._screen:
            print(file=sys.stderr)


def summary(runs: Sequence[Run]) -> list[str]:
    """One line a target, and the sum."""
    lines = [f"{'target':8} {'executions':>12} {'process s':>10} {'a second':>9} {'edges':>6} {'features':>8}"]
    for target in dict.fromkeys(run.job.target for run in runs):
        of = [run for run in runs if run.job.target == target]
        done, seconds = sum(run.executions for run in of), sum(run.seconds for run in of)
        reached = f"{max(run.edges for run in of):6} {max(run.features for run in of):8}"
        lines.append(f"{target:8} {done:12,} {seconds:10.1f} {done / seconds if seconds else 0:9,.0f} {reached}")
    lines.append(f"{'all':8} {sum(run.executions for run in runs):12,} {sum(run.seconds for run in runs):10.1f}")
    return lines


def replay(path: Path, target: str | None) -> int:
    """Runs one input under the sanitizers; its exit code is the fuzzer's."""
    named = target or next((one for one in fuzz_build.TARGETS if path.name.startswith(f"{one}-")), path.parent.name)
    if named not in fuzz_build.TARGETS:
        print(f"fuzz: {path.name} does not say of which target it is; add --target", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory(prefix="fuzz_") as folder:
        program = fuzz_build.build([named], Path(folder), fuzzer=True)[named]
        return 1 if subprocess.run([str(program), str(path)], check=False, timeout=120).returncode else 0


def fuzz(
    jobs: Sequence[Job],
    at_a_time: int,
    minutes: float,
    core: Path = fuzz_build.CORE,
    found: Path = FOUND,
    sound: Path | None = None,
) -> int:
    """Builds, runs and prints; returns the exit code. core, sound: as of fuzz_build.build."""
    with tempfile.TemporaryDirectory(prefix="fuzz_") as folder:
        targets = list(dict.fromkeys(job.target for job in jobs))
        programs = fuzz_build.build(targets, Path(folder), fuzzer=True, core=core, sound=sound)
        progress = _Progress()
        runs = run_jobs(jobs, programs, Path(folder), found, at_a_time=at_a_time, limit_s=60 * minutes, tell=progress)
        progress.close()
    print("\n".join(summary(runs)))
    crashed = [run for run in runs if run.crash is not None]
    for run in crashed:
        print(f"found: {run.crash}")
        for line in run.cause[:4]:
            print(f"    {line}")
        print(f"    again: python tests/fuzz/main.py --replay {run.crash}")
    if crashed:
        return 1
    broken = [run for run in runs if run.broke_off]
    for run in broken:
        print(
            f"{run.job.target} broke off without an input: {' | '.join(run.cause) or 'no reason given'}",
            file=sys.stderr,
        )
    if broken:
        return 2
    if not all(run.ended for run in runs):
        print(f"not done within {minutes:g} minutes; give it more with --minutes", file=sys.stderr)
        return 2
    return 0


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Fuzzing of the C core.")
    parser.add_argument("--executions", type=int, default=EXECUTIONS, help=f"over all targets (default {EXECUTIONS:,})")
    parser.add_argument("--target", choices=fuzz_build.TARGETS, help="this one alone")
    parser.add_argument("--part", type=_part, default=(1, 1), metavar="K/N", help="the K-th of N parts")
    parser.add_argument("--jobs", type=int, default=2, help="processes at a time (default 2)")
    parser.add_argument("--minutes", type=float, default=60, help="after so many it is ended (default 60)")
    parser.add_argument("--replay", type=Path, metavar="FILE", help="runs this one input")
    parser.add_argument("--seeds", action="store_true", help="writes tables and corpus anew")
    given = parser.parse_args(arguments)
    try:
        if given.seeds:
            written = fuzz_seeds.write()
            print(f"{len(written)} files, {sum(path.stat().st_size for path in written):,} bytes")
            return 0
        if given.replay is not None:
            return replay(given.replay, given.target)
        targets = [given.target] if given.target else list(fuzz_build.TARGETS)
        return fuzz(plan(given.executions, targets, given.part, given.jobs), given.jobs, given.minutes)
    except fuzz_build.FuzzBuildError as error:
        print(f"fuzz: {error}", file=sys.stderr)
        return 2


if __name__ == "__main__":
    raise SystemExit(main())
