"""Runs Frama-C's WP over one function of the core and reads what became of each goal."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import proof_sources

FILES = (
    "core.c", "crc.c", "curve.c", "angle.c", "valve.c", "frame.c", "digest.c", "table_read.c", "table_coupled.c",
    "table.c", "safety.c", "motion.c", "tip.c", "coupled.c", "sense.c", "law.c",
)  # fmt: skip
MACHINE = "gcc_x86_32"
"""Widths and byte order of a Cortex-M4: int, long and pointers of 32 bits, little endian."""
UNIT_SECONDS = 240
"""A function whose proof takes longer than this has no result; on a quiet machine the longest takes a minute or two."""

_GOAL = re.compile(
    r"^\[wp\] \[(?P<by>[^\]]+)\] Goal (?P<name>\w+)(?: \([^)]*\))?(?: : (?P<verdict>\w+)(?P<times>.*))?$"
)
_TIME = re.compile(r"([\d.]+)(ms|s)\b")


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    name: str  # without the memory model's name: core_clamp_ensures_nearest
    proved: bool
    seconds: float


def read_goals(output: str) -> tuple[Goal, ...]:
    """The goals of one run, in the order in which they ended."""
    goals = {}
    for line in output.splitlines():
        found = _GOAL.match(line)
        if found is None:
            continue
        name = re.sub(r"^typed_(?:cast_)?", "", found["name"])
        seconds = sum(float(n) / (1000 if unit == "ms" else 1) for n, unit in _TIME.findall(found["times"] or ""))
        proved = found["verdict"] == "Valid"
        goals[name] = Goal(name=name, proved=proved, seconds=seconds)
    return tuple(goals.values())


def environment(folder: Path) -> dict[str, str]:
    """With a why3 configuration of its own, so that none of the user's is read or written."""
    config = folder / "why3.conf"
    if not config.exists():
        subprocess.run(["why3", "-C", str(config), "config", "detect"], check=True, capture_output=True, timeout=120)
    return {**os.environ, "WHY3CONFIG": str(config)}


def end_in_time(command: list[str], *, folder: Path, env: dict[str, str], seconds: int) -> tuple[int, str]:
    """Exit status and output; a run that takes longer is ended with the provers that it started."""
    process = subprocess.Popen(
        command,
        cwd=folder,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        output, _ = process.communicate(timeout=seconds)
    except subprocess.TimeoutExpired as late:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        raise RuntimeError(f"no result within {seconds} s") from late
    return process.returncode, output


def run(
    file: str, function: str, *, timeout: int, processes: int, seconds: int = UNIT_SECONDS, core: Path | None = None
) -> tuple[Goal, ...]:
    """Proves one function of a file, or its lemmas.

    Args:
        file: name in the core's folder.
        function: its name, or `lemmas`.
        timeout: seconds that one prover may take for one goal.
        processes: provers at a time.
        seconds: after which the whole run is given up.
        core: folder of the sources, the project's when None.

    Raises:
        RuntimeError: Frama-C did not get to the end; its last lines are in the text.
    """
    folder = core or proof_sources.CORE
    chosen = ["-wp-prop=@lemma"] if function == "lemmas" else ["-wp-fct", function]
    with tempfile.TemporaryDirectory() as scratch:
        command = [
            "frama-c", "-machdep", MACHINE, "-wp", "-wp-rte", "-wp-prover", "z3,cvc4", "-wp-timeout", str(timeout),
            "-wp-par", str(processes), "-wp-cache", "none", "-wp-session", f"{scratch}/session",
            "-wp-out", f"{scratch}/out", *chosen, str(folder / file),
        ]  # fmt: skip
        env = environment(Path(scratch))
        try:
            status, output = end_in_time(command, folder=folder, env=env, seconds=seconds)
        except RuntimeError as failure:
            raise RuntimeError(f"{file}:{function}: {failure}") from failure
    if status != 0 or "Proved goals:" not in output:
        raise RuntimeError(f"{file}:{function}: Frama-C ended with {status}:\n" + "\n".join(output.splitlines()[-12:]))
    return read_goals(output)
