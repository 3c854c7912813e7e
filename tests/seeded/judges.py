"""Who may catch a mutated law: the check's own limits, the oracle of tests/oracle, and the suite's tests of the law.

Each mutated library is judged in a process of its own, which may crash, hang or be killed without harm. The oracle's
sequences are worked out once, in the parent, by the independent Python law; the mutated core then has to give the same
bits for the same inputs. What neither catches is given to the tests of the law that are worked out by hand (`suite`).
"""

from __future__ import annotations

import json
import multiprocessing
import os
import re
import signal
import subprocess
import sys
import traceback
from collections.abc import Sequence as Many
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from differential import Sequence, first_difference, play
from oracle_words import new_counter

import mapper.law.core as binding
from mapper.check import check_profile
from mapper.check.finding import Status
from mapper.law import load_core
from mapper.profile import read_profile
from mapper.profile.profile import Profile
from mapper.table import compile_table, encode_table
from mapper.table.table import Table

ROOT = Path(__file__).resolve().parents[2]
PROFILES = ROOT / "profiles"
SUITE = ("tests/unit/law", *sorted(str(path) for path in (ROOT / "tests/oracle").glob("test_oracle_by_hand*.py")))
JUDGE_SECONDS = 120
_FIRST_SEED = 20_000_000
ORACLE_STEPS = 60_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    profile: Profile
    table: Table
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """limits: those of the check that do not hold, first found first; other: what else noticed it."""

    limits: tuple[str, ...]
    oracle: bool
    other: str = ""

    @property
    def caught(self) -> bool:
        return bool(self.limits) or self.oracle or bool(self.other)


def machines() -> tuple[Machine, ...]:
    """The worked profiles, compiled."""
    found = []
    for name in ("test-stand", "kerb-arm"):
        path = PROFILES / f"{name}.toml"
        profile = read_profile(path.read_bytes(), path.name)
        table = compile_table(profile)
        found.append(Machine(profile=profile, table=table, data=encode_table(table)))
    return tuple(found)


def sequences(step_count: int = ORACLE_STEPS) -> tuple[Sequence, ...]:
    """What the independent law makes of random tables and inputs, `step_count` ticks or a little more."""
    made: list[Sequence] = []
    steps, seed = 0, _FIRST_SEED
    while steps < step_count:
        made.append(play(seed, new_counter()))
        steps += len(made[-1].inputs)
        seed += 1
    return tuple(made)


def judged(library: Path, given: Many[Machine], played: Many[Sequence]) -> Verdict:
    """In a forked process, at most JUDGE_SECONDS long."""
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=_judge, args=(library, given, played, there))
    process.start()
    there.close()
    answer: dict[str, Any] | None = None
    if here.poll(JUDGE_SECONDS):
        try:
            answer = json.loads(here.recv_bytes())
        except EOFError:
            answer = None
    process.kill() if process.is_alive() and answer is None else None
    process.join()
    if answer is None:
        ended = f"crashed (signal {-process.exitcode})" if (process.exitcode or 0) < 0 else "gave no answer"
        return Verdict(limits=(), oracle=False, other=ended)
    return Verdict(limits=tuple(answer["limits"]), oracle=bool(answer["oracle"]), other=str(answer["other"]))


def _judge(library: Path, given: Many[Machine], played: Many[Sequence], answer: Any) -> None:
    signal.alarm(JUDGE_SECONDS)
    binding._LIBRARY = library  # type: ignore[misc]
    binding._BUILD = library / "none"  # type: ignore[misc]  # no digest to compare with
    load_core.cache_clear()
    limits: list[str] = []
    oracle, other = False, ""
    try:
        core = load_core()
        oracle = any(first_difference(one, core) is not None for one in played)
        if core.assert_line():
            other = "an assertion of the core"
            core.assert_clear()
        for machine in given:  # the small one first: what it catches, the large one need not
            limits = limits or _limits(machine)
    except Exception as error:
        other = f"{type(error).__name__} at {traceback.extract_tb(error.__traceback__)[-1].name}"
    answer.send_bytes(json.dumps({"limits": limits, "oracle": oracle, "other": other}).encode())
    answer.close()


def _limits(machine: Machine) -> list[str]:
    result = check_profile(machine.profile, machine.table, machine.data)
    bad = (Status.VIOLATED, Status.NOT_SHOWN)
    return list(dict.fromkeys(finding.limit for finding in result.findings if finding.status in bad))


def suite(library: Path) -> str:
    """The first test of SUITE that fails with this library; empty: none does."""
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "mutated_law", "-p", "no:cacheprovider", *SUITE]
    environment = os.environ | {"LAW_LIBRARY": str(library), "PYTHONPATH": str(Path(__file__).parent)}
    try:
        ended = subprocess.run(
            command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=JUDGE_SECONDS
        )
    except subprocess.TimeoutExpired:
        return "a test of the law that does not end"
    if ended.returncode == 0:
        return ""
    failed = re.search(r"^(?:FAILED|ERROR) \S*?([\w]+\.py::\S+)", ended.stdout, re.MULTILINE)
    return failed.group(1) if failed else f"the tests of the law, which ended with {ended.returncode}"
