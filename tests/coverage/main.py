"""Coverage of the C core: every side of every condition, and MC/DC, by the tests that drive it.

    python tests/coverage/main.py                 about a minute on 2 cores; needs clang-19, llvm-19, libclang-rt-19-dev
    python tests/coverage/main.py --all           also lists what exceptions.toml excepts
    python tests/coverage/main.py --keep FOLDER   leaves the profiles and the library there, for llvm-cov-19 show

Exit 0: every side is taken or excepted with a reason; 1: some are not, or an exception is about nothing any more; 2: a
tool is missing or a test fails.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

from branch_report import FileCoverage, read_export
from core_coverage import CoverageError, measure
from coverage_exceptions import FILE, judge, read_exceptions


def _share(done: int, total: int) -> str:
    return f"{done}/{total}" + (f" {100 * done / total:6.2f} %" if total else "        -")


def table(files: Sequence[FileCoverage]) -> list[str]:
    """One line a file, and the sum."""
    rows = [("file", "lines", "branches", "MC/DC conditions", "assertions made to fail")]
    for one in files:
        taken = one.branches - sum(gap.side != "held" for gap in one.branch_gaps)
        shown = one.conditions - len(one.condition_gaps)
        rows.append(
            (
                one.file,
                _share(one.lines_covered, one.lines),
                _share(taken, one.branches),
                _share(shown, one.conditions),
                f"{one.assertions_failed}/{one.assertions}",
            )
        )
    branches, conditions = sum(one.branches for one in files), sum(one.conditions for one in files)
    rows.append(
        (
            "all",
            _share(sum(one.lines_covered for one in files), sum(one.lines for one in files)),
            _share(branches - sum(gap.side != "held" for one in files for gap in one.branch_gaps), branches),
            _share(conditions - sum(len(one.condition_gaps) for one in files), conditions),
            f"{sum(one.assertions_failed for one in files)}/{sum(one.assertions for one in files)}",
        )
    )
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def report(files: Sequence[FileCoverage], *, everything: bool) -> int:
    """Prints what was found and returns the exit code."""
    exempt = read_exceptions(FILE.read_text(encoding="utf-8"))
    gaps = [gap for one in files for gap in (*one.branch_gaps, *one.condition_gaps)]
    open_gaps, stale = judge(gaps, exempt)
    print("\n".join(table(files)))
    if everything:
        print("\nexcepted:")
        for one in exempt:
            print(f"  {one}\n      {one.reason}")
    print(f"\n{len(gaps)} gaps, {len(gaps) - len(open_gaps)} of them excepted with a reason ({FILE.name})")
    for gap in open_gaps:
        print(f"not covered: {gap}")
    for one in stale:
        print(f"excepted, but covered or gone: {one}: take it out of {FILE.name}")
    return 1 if open_gaps or stale else 0


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description="Branch coverage and MC/DC of the C core.")
    parser.add_argument("--all", action="store_true", help="also list what is excepted, with the reasons")
    parser.add_argument("--jobs", type=int, default=2, help="test processes at a time (default 2)")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="a folder that does not exist yet, and is left")
    given = parser.parse_args(arguments)
    try:
        if given.keep is not None:
            given.keep.mkdir(parents=True)
            exported, sources = measure(given.keep, jobs=given.jobs)
        else:
            with tempfile.TemporaryDirectory(prefix="core_coverage_") as folder:
                exported, sources = measure(Path(folder), jobs=given.jobs)
    except (CoverageError, FileExistsError) as error:
        print(f"coverage: {error}", file=sys.stderr)
        return 2
    return report(read_export(exported, sources), everything=given.all)


if __name__ == "__main__":
    raise SystemExit(main())
