"""Faults by the million on the unmodified core: each is run, judged and counted, and none may be lost.

    python tests/scenarios/main.py                     every family: minutes on 2 cores
    python tests/scenarios/main.py --part 3/10         every tenth number, from the third on (CI takes one such part)
    python tests/scenarios/main.py --family cut        one family; may be given more than once
    python tests/scenarios/main.py --replay cut-1a3    that one scenario, step by step
    python tests/scenarios/main.py --list              the families and what each does

Exit 0: none lost, no count below its floor (floors.toml). 1: some lost, or a count fell. 2: called wrongly, or the run
could not be finished. 130: interrupted.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support")]

from campaign import CampaignError, Part, Progress, Tally, below_floors, parse_part, read_floors, run
from family import Family, parse_id, scenario_id

MODULES = ("store_families", "link_families", "arm_families")
SHOWN_LOST = 10
"""Lost scenarios of a family that are written out; all are counted."""


def collect(modules: Sequence[str]) -> tuple[tuple[Family, ...], tuple[str, ...]]:
    """(families, why a module was left out).

    A module says that its tools are missing by ImportError or FileNotFoundError, when imported or from `families()`.
    """
    found: list[Family] = []
    missing: list[str] = []
    for name in modules:
        try:
            found.extend(importlib.import_module(name).families())
        except (ImportError, FileNotFoundError) as error:
            missing.append(f"{name}: left out: {error}")
    return tuple(found), tuple(missing)


# -- what is shown ------------------------------------------------------------------------------------------------


def _progress_line() -> Callable[[Progress], None]:
    """On a terminal a line that is written over; elsewhere a line now and then."""
    terminal = sys.stderr.isatty()
    shown = 0.0

    def show(progress: Progress) -> None:
        nonlocal shown
        now = time.monotonic()
        if now - shown < (0.2 if terminal else 10.0) and progress.done < progress.total:
            return
        shown = now
        rate = progress.done / max(progress.seconds, 1e-9)
        left = (progress.total - progress.done) / max(rate, 1e-9)
        text = (
            f"{progress.done:,} of {progress.total:,} ({100 * progress.done // max(1, progress.total)} %), "
            f"{progress.lost:,} lost, {rate:,.0f} a second, about {left:.0f} s left"
        )
        print(f"\r{text:<100}" if terminal else text, end="" if terminal else "\n", file=sys.stderr, flush=True)
        if terminal and progress.done >= progress.total:
            print(file=sys.stderr)

    return show


def _table(tallies: Sequence[Tally], counts: dict[str, int], seconds: float) -> str:
    rows = [f"{'family':<8}{'scenarios':>12}{'distinct':>12}{'empty':>10}{'lost':>7}{'CPU s':>9}  what"]
    rows += [
        f"{one.family.code:<8}{one.run:>12,}{counts[one.family.code]:>12,}{one.empty:>10,}{len(one.lost):>7,}"
        f"{one.seconds:>9.1f}  {one.family.about}"
        for one in tallies
    ]
    scenarios, distinct = sum(one.run for one in tallies), sum(counts.values())
    empty, lost = sum(one.empty for one in tallies), sum(len(one.lost) for one in tallies)
    worked = sum(one.seconds for one in tallies)
    rows.append(f"{'all':<8}{scenarios:>12,}{distinct:>12,}{empty:>10,}{lost:>7,}{worked:>9.1f}")
    rows.append(
        f"{distinct:,} distinct scenarios in {seconds:.1f} s ({scenarios / max(seconds, 1e-9):,.0f} run a second)"
    )
    return "\n".join(rows)


def _lost_lines(tally: Tally) -> list[str]:
    lost = sorted(tally.lost, key=lambda one: one.number)
    lines = [f"LOST {scenario_id(tally.family, one.number)}: {one.why}" for one in lost[:SHOWN_LOST]]
    if len(lost) > SHOWN_LOST:
        lines.append(f"LOST {tally.family.code}: and {len(lost) - SHOWN_LOST:,} more")
    if lost:
        lines.append(f"     again: python tests/scenarios/main.py --replay {scenario_id(tally.family, lost[0].number)}")
    return lines


# -- the two ways of running --------------------------------------------------------------------------------------


def replay(families: Sequence[Family], text: str) -> int:
    """One scenario by its id. Returns the exit code."""
    code, number = parse_id(text)
    family = next((one for one in families if one.code == code), None)
    if family is None:
        raise ValueError(f"no family {code!r}; there are {', '.join(one.code for one in families)}")
    if not 0 <= number < family.total:
        raise ValueError(f"{text}: family {code} ends at {scenario_id(family, family.total - 1)}")
    print(f"{scenario_id(family, number)}: {family.describe(number)}")
    if family.trace is not None:
        print(family.trace(number))
    outcome = family.run(range(number, number + 1))
    for one in outcome.lost:
        print(f"LOST {scenario_id(family, one.number)}: {one.why}")
    if not outcome.lost:
        print("empty: the fault did not come to pass" if outcome.empty else "not lost")
    return 1 if outcome.lost else 0


def campaign(families: Sequence[Family], part: Part, processes: int, floors: dict[str, int], whole: bool) -> int:
    """All of them, or a part. Returns the exit code."""
    start = time.monotonic()
    tallies = list(run(families, part, processes, _progress_line()).values())
    counts = {one.family.code: len(one.distinct_keys()) for one in tallies}
    print(_table(tallies, counts, time.monotonic() - start))
    lines = [line for one in tallies for line in _lost_lines(one)]
    fallen = below_floors(counts, floors, part, whole)
    lines += [f"BELOW ITS FLOOR {line}" for line in fallen]
    for line in lines:
        print(line)
    return 1 if lines else 0


def _arguments(arguments: Sequence[str]) -> argparse.Namespace:
    about, _, usage = (__doc__ or "").partition("\n\n")
    parser = argparse.ArgumentParser(description=about, epilog=usage, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--part", default="1/1", metavar="K/N", help="every N-th number from the K-th on")
    parser.add_argument("--family", action="append", metavar="CODE", help="only this one; may be given more than once")
    parser.add_argument("--replay", metavar="ID", help="run one scenario and say what it does")
    parser.add_argument("--list", action="store_true", help="name the families")
    parser.add_argument("--processes", type=int, default=2, metavar="N", help="at once; 0: in this one; usually 2")
    return parser.parse_args(arguments)


def _chosen(families: Sequence[Family], codes: Sequence[str] | None) -> tuple[Family, ...]:
    known = [one.code for one in families]
    for code in codes or ():
        if code not in known:
            raise ValueError(f"no family {code!r}; there are {', '.join(known)}")
    return tuple(one for one in families if not codes or one.code in codes)


def main(arguments: Sequence[str]) -> int:
    asked = _arguments(arguments)
    try:
        part = parse_part(asked.part)
        families, missing = collect(MODULES)
        for line in missing:
            print(line, file=sys.stderr)
        if missing and os.environ.get("CI") == "true":
            raise CampaignError("in CI no family may be left out")
        if asked.replay is not None:
            return replay(families, asked.replay)
        chosen = _chosen(families, asked.family)
        if asked.list:
            for one in chosen:
                print(f"{one.code:<8}{one.total:>12,}  {one.about}")
            return 0
        whole = not asked.family and not missing
        return campaign(chosen, part, max(0, asked.processes), read_floors(HERE / "floors.toml"), whole)
    except (ValueError, CampaignError) as error:
        print(f"scenarios: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nscenarios: interrupted; nothing was kept", file=sys.stderr)
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
