"""Proves the C core: contracts by Frama-C's WP, whole runs by Frama-C's Eva. README.md says what each of them shows.

    python tests/proof/main.py                      everything but what expected.toml does not claim
    python tests/proof/main.py --only curve.c       one file of the core; curve.c:curve_at is one function of it
    python tests/proof/main.py --only law-follow    one driver of Eva
    python tests/proof/main.py --only mutants       the mistakes of mutants.toml: each has to be noticed
    python tests/proof/main.py --part 3/40          a fortieth of it (CI takes another one every day)

Exit 0: every goal is proved and no alarm is left, but for what expected.toml and alarms.toml name with a reason. 1:
something else is open, fewer goals are proved than were, a function has no contract, a reason is out of date, or there
was no result in time. 2: Frama-C or a prover is missing.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import proof_eva
import proof_lemmas
import proof_mutants
import proof_sources
import proof_wp

TOOLS = ("frama-c", "why3", "z3", "cvc4", "gcc")
DRIVERS = {driver.name: driver for driver in proof_eva.DRIVERS}
SECOND_TRY = 4
"""Times the time of a goal; a prover's seconds pass on a busy machine too."""
Table = dict[str, dict]
Row = tuple[str, str, float]  # unit, what came of it, seconds


def missing_tools() -> list[str]:
    """Programs that a run needs and this machine lacks."""
    return [tool for tool in TOOLS if shutil.which(tool) is None]


def units_of(file: str, expected: Table) -> list[str]:
    """FILE:FUNCTION for every function of a file that is claimed to be proved."""
    unclaimed = expected.get(file, {}).get("not_claimed", {})
    return [f"{file}:{name}" for name in proof_sources.provable(file) if name not in unclaimed]


def all_units(expected: Table) -> list[str]:
    """Everything that can be run, in order."""
    wp = [unit for file in proof_wp.FILES for unit in units_of(file, expected)]
    return [*wp, *DRIVERS, "lemmas", *(f"mutant:{name}" for name in proof_mutants.MUTANTS)]


def chosen(only: Sequence[str], expected: Table) -> list[str]:
    """The units that --only names."""
    known, found = all_units(expected), []
    for name in only:
        prefix = "mutant:" if name == "mutants" else f"{name}:"
        mine = [unit for unit in known if unit == name or unit.startswith(prefix)]
        if not mine:
            raise SystemExit(f"--only {name}: no such unit; a file of the core, or what --list names")
        found += mine
    return found


def part_of(units: Sequence[str], part: str, seconds: dict[str, float]) -> list[str]:
    """`K/N`, K from 1: one of N parts that take about the same time, by the seconds that expected.toml has."""
    number, _, count = part.partition("/")
    if not (number.isdigit() and count.isdigit() and 1 <= int(number) <= int(count)):
        raise SystemExit(f"--part {part}: a part is K/N, for example 3/8")
    parts: list[list[str]] = [[] for _ in range(int(count))]
    full = [0.0] * len(parts)
    for unit in sorted(units, key=lambda one: -seconds.get(one, 10.0)):
        least = full.index(min(full))
        parts[least].append(unit)
        full[least] += seconds.get(unit, 10.0)
    return parts[int(number) - 1]


def load(name: str) -> Table:
    """One of the folder's lists of what is expected."""
    with (HERE / name).open("rb") as file:
        return tomllib.load(file)


def judge_goals(file: str, function: str, goals: Sequence[proof_wp.Goal], expected: Table) -> list[str]:
    """What is wrong with one function's goals, in words; nothing when all is as expected."""
    entry = expected.get(file, {})
    reasons = entry.get("not_proved", {}).get(function, {})
    floor = entry.get("proved", {}).get(function)
    unit, names = f"{file}:{function}", {goal.name for goal in goals}
    if floor is None:
        return [f"{unit}: expected.toml has no number of proved goals for it"]
    wrong = [f"{unit}: {goal.name} is not proved" for goal in goals if not goal.proved and goal.name not in reasons]
    wrong += [f"{unit}: expected.toml speaks of {name}, which is no goal" for name in reasons if name not in names]
    proved = sum(goal.proved for goal in goals)
    return [*wrong, f"{unit}: {proved} goals are proved, {floor} were"] if proved < floor else wrong


def judge_functions(file: str, missing: Sequence[str], expected: Table) -> list[str]:
    """What is wrong with which functions of a file have a contract."""
    reasons = expected.get(file, {}).get("without_contract", {})
    wrong = [f"{file}: {name} has no contract" for name in missing if name not in reasons]
    return wrong + [
        f"{file}: expected.toml says that {name} has no contract" for name in reasons if name not in missing
    ]


def judge_alarms(driver: proof_eva.Driver, analysis: proof_eva.Analysis, listed: Sequence[dict]) -> list[str]:
    """What is wrong with one driver's alarms."""
    mine = {(one["file"], one["what"]) for one in listed if driver.name in one["drivers"]}
    found = {(alarm.file, alarm.what) for alarm in analysis.alarms}
    wrong = [f"{driver.name}: {file}: {what}" for file, what in sorted(found - mine)]
    return wrong + [
        f"{driver.name}: alarms.toml lists what is no alarm: {file}: {what}" for file, what in sorted(mine - found)
    ]


def prove(unit: str, options: argparse.Namespace, expected: Table) -> tuple[str, list[str]]:
    """Runs WP over one function, once more with longer time if a goal is newly open; what came of it, what is wrong."""
    file, _, function = unit.partition(":")
    said, wrong = "", [""]
    for timeout in (options.timeout, SECOND_TRY * options.timeout):
        goals = proof_wp.run(file, function, timeout=timeout, processes=options.processes)
        proved = sum(goal.proved for goal in goals)
        said = f"{len(goals):4} goals {proved:4} proved {len(goals) - proved:3} open"
        wrong = judge_goals(file, function, goals, expected)
        if not wrong:
            break
        print(f"  {said} with {timeout} s a goal", flush=True)
    return said, wrong


def plant(unit: str, options: argparse.Namespace, expected: Table) -> tuple[str, list[str]]:
    """Plants one mistake; which goals notice it, and what is wrong when none does."""
    mutant = proof_mutants.MUTANTS[unit.partition(":")[2]]
    excused = expected[mutant["file"]].get("not_proved", {}).get(mutant["function"], {})
    with tempfile.TemporaryDirectory() as folder:
        found = proof_mutants.noticed(
            mutant, Path(folder), timeout=options.timeout, processes=options.processes, excused=excused
        )
    return f"{len(found):4} goals notice it", [] if found else [f"{unit}: no goal notices that {mutant['name']}"]


def analyse(driver: proof_eva.Driver, alarms: Sequence[dict]) -> tuple[str, list[str]]:
    """Runs Eva from one driver; what it found, and what is wrong."""
    analysis = proof_eva.run(driver)
    doubtful = sum("CORE_ASSERT" in alarm.what for alarm in analysis.alarms)
    total = sum(proof_sources.assertions((proof_sources.CORE / file).read_text()) for file in driver.sources)
    said = f"{total - doubtful} of {total} assertions never fail, " if driver.mistakes else ""
    others = len(analysis.alarms) - doubtful
    reached = f"{analysis.functions} of {analysis.of} functions reached"
    return f"{said}{others} other alarms, {reached}", judge_alarms(driver, analysis, alarms)


def run(unit: str, options: argparse.Namespace, expected: Table, alarms: Sequence[dict]) -> tuple[str, list[str]]:
    """One unit; what came of it, and what is wrong with it."""
    if unit == "lemmas":
        wrong = proof_lemmas.run()
        return f"{len(proof_lemmas.LEMMAS)} admitted lemmas as bit vectors, {len(wrong)} not shown", wrong
    if unit.startswith("mutant:"):
        return plant(unit, options, expected)
    return analyse(DRIVERS[unit], alarms) if unit in DRIVERS else prove(unit, options, expected)


def run_all(units: Sequence[str], options: argparse.Namespace, expected: Table) -> tuple[list[Row], list[str]]:
    """Runs units one after the other, with a line before and after each; the table's rows, and what is wrong."""
    alarms = load("alarms.toml").get("alarm", [])
    rows: list[Row] = []
    wrong: list[str] = []
    for number, unit in enumerate(units, start=1):
        begun = time.monotonic()
        print(f"[{number}/{len(units)}] {unit}", flush=True)
        try:
            said, found = run(unit, options, expected, alarms)
        except (RuntimeError, subprocess.TimeoutExpired) as failure:
            said, found = "no result", [str(failure)]
        rows.append((unit, said, time.monotonic() - begun))
        print(f"  {said}, {rows[-1][2]:.0f} s", flush=True)
        wrong += found
    return rows, wrong


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", action="append", metavar="UNIT", help="a file, FILE:FUNCTION, a driver, mutants")
    parser.add_argument("--part", default="1/1", metavar="K/N")
    parser.add_argument("--timeout", type=int, default=8, metavar="SECONDS", help="for one prover on one goal (8)")
    parser.add_argument("--processes", type=int, default=2, help="provers at a time (2)")
    parser.add_argument("--list", action="store_true", help="name the units and run none")
    options = parser.parse_args(arguments)
    expected = load("expected.toml")
    units = chosen(options.only, expected) if options.only else all_units(expected)
    units = part_of(units, options.part, expected["seconds"])
    if options.list:
        print("\n".join(units))
        return 0
    if missing := missing_tools():
        print(f"not installed: {', '.join(missing)}; apt-get install frama-c-base why3 z3 cvc4 gcc", file=sys.stderr)
        return 2
    start = time.monotonic()
    rows, wrong = run_all(units, options, expected)
    for file in proof_wp.FILES if not options.only else ():
        wrong += judge_functions(file, proof_sources.without_contract(file), expected)
    for unit, said, seconds in rows:
        print(f"{unit:44} {said:40} {seconds:6.1f} s")
    for line in wrong:
        print(f"WRONG  {line}")
    print(f"{len(units)} units in {time.monotonic() - start:.0f} s, {len(wrong) or 'nothing'} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
