"""What the pages say that a test shows is shown by a test that is there: file, function, scenario family; and links."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
PAGES = sorted(
    path
    for path in (*ROOT.glob("*.md"), *(ROOT / "firmware_stub").rglob("*.md"), *(ROOT / "tests").rglob("*.md"))
    if ".hypothesis" not in path.parts
)
HEAD = "| fault | outcome | the test that shows it |"
_TEST = re.compile(r"`(tests/[\w/.-]+\.py)(?:::(\w+))?`")
_FAMILIES = re.compile(r"scenario famil(?:y|ies) (`\w+`(?:, `\w+`)*)")
_LINK = re.compile(r"\]\((?!https?:|#)([^)#]+)(?:#[^)]*)?\)")


def rows(page: str) -> list[list[str]]:
    """The cells of every row of every table with that head."""
    found = []
    for part in page.split(HEAD)[1:]:
        for line in part.splitlines()[2:]:
            if not line.startswith("|"):
                break
            found.append([cell.strip() for cell in line.strip().strip("|").split("|")])
    return found


def unknown(cell: str, functions: dict[str, set[str]], families: set[str]) -> list[str]:
    """What is named in a cell and is not there; the cell itself where it names nothing."""
    tests = _TEST.findall(cell)
    named = [code for group in _FAMILIES.findall(cell) for code in re.findall(r"\w+", group)]
    missing = [
        f"{file}::{name}" for file, name in tests if file not in functions or (name and name not in functions[file])
    ]
    missing += [f"family {code}" for code in named if code not in families]
    return missing if tests or named else [f"nothing named: {cell}"]


def functions_of(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return {node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")}


def all_functions() -> dict[str, set[str]]:
    return {path.relative_to(ROOT).as_posix(): functions_of(path) for path in (ROOT / "tests").rglob("*.py")}


def all_families() -> set[str]:
    """Codes, where the modules of tests/scenarios make a family of them, and those whose count CI holds them to."""
    folder = ROOT / "tests" / "scenarios"
    made = {
        code
        for pattern, form in (
            ("*.py", r'_family\(\s*"(\w+)"'),
            ("*.py", r'code="(\w+)"'),
            ("*.c", r'^\s+\{?"(\w+)", "'),
        )
        for path in folder.glob(pattern)
        for code in re.findall(form, path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    return made | set(tomllib.loads((folder / "floors.toml").read_text(encoding="utf-8"))["distinct"])


def test_every_test_that_the_fault_table_names_exists():
    functions, families = all_functions(), all_families()
    table = [(page.name, row) for page in PAGES for row in rows(page.read_text(encoding="utf-8"))]

    assert len(table) > 40
    assert [(page, row) for page, row in table if len(row) != 3 or not all(row)] == []
    assert [(page, lost) for page, row in table for lost in unknown(row[2], functions, families)] == []


def test_no_fault_is_in_the_table_twice():
    faults = [row[0] for page in PAGES for row in rows(page.read_text(encoding="utf-8"))]

    assert [fault for fault in faults if faults.count(fault) > 1] == []


def test_every_test_that_a_page_names_anywhere_exists():
    functions = all_functions()
    named = [(page.name, test) for page in PAGES for test in _TEST.findall(page.read_text(encoding="utf-8"))]

    assert len(named) > 60
    assert [(page, test) for page, test in named if test[0] not in functions] == []
    assert [(page, test) for page, test in named if test[1] and test[1] not in functions.get(test[0], set())] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_every_link_to_a_file_leads_to_one(page):
    links = _LINK.findall(page.read_text(encoding="utf-8"))

    assert [link for link in links if not (page.parent / link).exists()] == []


@pytest.mark.parametrize(
    ("cell", "lost"),
    [
        ("`tests/a.py`", []),
        ("`tests/a.py::test_x`, scenario families `one`, `two`", []),
        ("`tests/a.py::test_y`", ["tests/a.py::test_y"]),
        ("`tests/b.py`", ["tests/b.py::"]),
        ("scenario family `three`; `tests/a.py`", ["family three"]),
        ("seen by eye", ["nothing named: seen by eye"]),
    ],
)
def test_what_is_named_and_missing_is_noticed(cell, lost):
    assert unknown(cell, {"tests/a.py": {"test_x"}}, {"one", "two"}) == lost


def test_rows_end_with_their_table():
    page = f"text\n\n{HEAD}\n|---|---|---|\n| a | b | c |\n| d | e | f |\n\n| g | h | i |\n"

    assert rows(page) == [["a", "b", "c"], ["d", "e", "f"]]
