"""Runs the fuzzers side by side, says how far they are, and gathers what they did and found."""

from __future__ import annotations

import re
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import fuzz_seeds

LONGEST = {"frames": 512, "table": 3000, "law": 256, "link": 400}
"""Bytes of an input at most."""

_COUNT = re.compile(r"^#(\d+)\s")
_DONE = re.compile(r"^Done (\d+) runs")
_REACHED = re.compile(r"cov: (\d+) ft: (\d+)")
_CAUSE = re.compile(r"not so: |^SUMMARY: |runtime error: |ERROR: libFuzzer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One process: so many executions of a target from one seed."""

    target: str
    executions: int
    seed: int


@dataclass(slots=True)
class Run:
    """What became of a job. edges and features: what libFuzzer counts as reached. ended: it did all that it was to do;
    broke_off: it neither did nor found an input, and had time left.
    """

    job: Job
    executions: int = 0
    seconds: float = 0.0
    edges: int = 0
    features: int = 0
    crash: Path | None = None
    cause: list[str] = field(default_factory=list)
    ended: bool = False
    broke_off: bool = False


def _command(program: Path, job: Job, scratch: Path) -> list[str]:
    corpus = scratch / "corpus"
    corpus.mkdir(parents=True)
    return [
        str(program),
        f"-runs={job.executions}",
        f"-seed={job.seed}",
        f"-max_len={LONGEST[job.target]}",
        "-len_control=0",
        "-timeout=20",
        "-rss_limit_mb=2048",
        "-detect_leaks=0",
        f"-artifact_prefix={scratch}/",
        str(corpus),
        str(fuzz_seeds.CORPUS / job.target),
    ]


def _read(run: Run, line: str) -> None:
    counted = _COUNT.match(line)
    if counted:
        run.executions = int(counted.group(1))
        reached = _REACHED.search(line)
        if reached:
            run.edges, run.features = int(reached.group(1)), int(reached.group(2))
    done = _DONE.match(line)
    if done:
        run.executions, run.ended = int(done.group(1)), True
    if _CAUSE.search(line):
        run.cause.append(line.strip())


def _play(run: Run, program: Path, scratch: Path, found: Path, deadline: float) -> None:
    begun = time.monotonic()
    command = _command(program, run.job, scratch)
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, errors="replace"
    ) as process:
        assert process.stderr is not None
        stop = threading.Timer(max(0.0, deadline - time.monotonic()), process.kill)
        stop.start()
        for line in process.stderr:
            _read(run, line)
        process.wait()
        stop.cancel()
    run.seconds = time.monotonic() - begun
    artifacts = sorted(path for path in scratch.iterdir() if path.is_file())
    if artifacts:
        found.mkdir(parents=True, exist_ok=True)
        run.crash = found / f"{run.job.target}-{artifacts[0].name}"
        shutil.copy2(artifacts[0], run.crash)
    run.broke_off = not artifacts and not run.ended and time.monotonic() < deadline
    shutil.rmtree(scratch / "corpus")


def run_jobs(
    jobs: Sequence[Job],
    programs: dict[str, Path],
    folder: Path,
    found: Path,
    *,
    at_a_time: int,
    limit_s: float,
    tell: Callable[[list[Run], float], None],
) -> list[Run]:
    """Plays all jobs; after a crash no further one begins.

    Args:
        jobs: longest first.
        programs: by target, as fuzz_build.build gives them.
        folder: for what is only needed meanwhile.
        found: inputs that crash are copied there.
        at_a_time: processes.
        limit_s: seconds for everything; what is not done then is ended, and its `ended` is False.
        tell: called every few seconds with all runs and the seconds so far.
    """
    runs = [Run(job) for job in jobs]
    begun = time.monotonic()
    deadline = begun + limit_s

    def one(number: int) -> None:
        if time.monotonic() < deadline and not any(run.crash or run.broke_off for run in runs):
            run = runs[number]
            _play(run, programs[run.job.target], folder / str(number), found, deadline)

    with ThreadPoolExecutor(max_workers=at_a_time) as pool:
        futures = [pool.submit(one, number) for number in range(len(runs))]
        while not all(future.done() for future in futures):
            time.sleep(0.2)
            tell(runs, time.monotonic() - begun)
        for future in futures:
            future.result()
    return runs
