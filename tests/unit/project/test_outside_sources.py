"""Every check against the outside names its source, and `pytest -m outside` lists them all."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from outside_sources import OutsideCheck, asks_for_outside, listing, source_of

ROOT = Path(__file__).resolve().parents[3]
COUNT = re.compile(r"^(\d+) checks against outside sources, (\d+) cases$", re.MULTILINE)


def collected(*arguments: str) -> str:
    """What a fresh pytest prints when it only collects the outside tests: nothing is run."""
    command = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider", *arguments]
    done = subprocess.run(
        [*command, "tests/outside"],
        cwd=ROOT,
        env=os.environ | {"COLUMNS": "200"},
        capture_output=True,
        text=True,
        timeout=120,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.deep
def test_every_outside_check_is_listed_with_its_source_and_counted():
    said = collected("-m", "outside")
    lines = said.split("checks against outside sources ====")[1].split("\n")
    checks = [line for line in lines if line.startswith("  test_") or line.startswith("  Test")]
    functions = [
        name
        for path in (ROOT / "tests" / "outside").glob("test_*.py")
        for name in re.findall(r"^(?:    )?def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    counted = COUNT.search(said)

    assert [line for line in checks if "NO SOURCE NAMED" in line] == []
    assert counted is not None
    assert int(counted[1]) == len(checks) == len(functions)
    assert int(counted[2]) >= len(checks)
    collected_cases = [line for line in said.split("\n") if line.startswith("tests/outside/") and "::" in line]
    assert int(counted[2]) == len(collected_cases)


@pytest.mark.deep
def test_an_ordinary_run_lists_nothing():
    assert "checks against outside sources" not in collected()


@pytest.mark.parametrize(
    ("markers", "keywords", "asked"),
    [
        ("outside", "", True),
        ("outside and not deep", "", True),
        ("not deep", "outside", True),
        ("not deep", "", False),
        ("not outside", "", False),
        ("not deep", "outsider", False),
    ],
)
def test_only_who_asks_for_the_outside_gets_the_list(markers, keywords, asked):
    assert asks_for_outside(markers, keywords) is asked


@pytest.mark.parametrize(
    ("function", "module", "found"),
    [
        ("Esposito, Example 6-1: 20 gpm.\n\nMore.", "Module.", "Esposito, Example 6-1: 20 gpm."),
        ("What is done.\n\nA book,\n1998.", None, "A book, 1998."),
        ("What is done.", "Title.\n\nSources: scipy.", "What is done. Sources: scipy."),
        (None, "Against scipy.", "Against scipy."),
        ("A thumb rule: common practice, no source.", None, "A thumb rule: common practice, no source."),
        ("It agrees.", "The machine against the outside.", None),
        ("The valve opens at 20 % and passes 10 l/min.", None, None),
        (None, None, None),
    ],
)
def test_the_paragraph_that_names_the_source_is_taken(function, module, found):
    assert source_of(function, module) == found


def test_a_check_with_cases_counts_once():
    one = OutsideCheck(file="a.py", name="test_x", cases=3, source="ISO 1")
    other = OutsideCheck(file="b.py", name="test_y", cases=1, source=None)

    assert list(listing((one, other))) == [
        "a.py (1 checks)",
        "  test_x [3 cases]: ISO 1",
        "b.py (1 checks)",
        "  test_y: NO SOURCE NAMED",
        "2 checks against outside sources, 4 cases",
    ]


def test_every_check_that_is_marked_lies_in_the_folder_that_is_walked_here():
    marked = [
        path.relative_to(ROOT).as_posix()
        for path in sorted((ROOT / "tests").rglob("test_*.py"))
        if re.search(r"^(pytestmark = .*|@)pytest\.mark\.outside", path.read_text(encoding="utf-8"), re.MULTILINE)
    ]

    assert marked
    assert [path for path in marked if not path.startswith("tests/outside/")] == []
