"""The pure parts take values and return values: they import no edge, no port, no clock, no environment."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
PURE = ("profile", "machine", "table", "law", "check", "advise", "compare", "replay")
EDGES = ("mapper.cli", "mapper.page", "mapper.link", "mapper.commission")
FORBIDDEN = ("serial", "click", "socket", "subprocess", "time", "datetime", "os", "random", "logging", "threading")


def imported_modules(path: Path) -> set[str]:
    """Every module that a file imports, at the top or inside functions."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names.add(node.module)
            names.update(f"{node.module}.{alias.name}" for alias in node.names)
    return names


def pure_files() -> list[Path]:
    return sorted(path for part in PURE for path in (ROOT / "mapper" / part).rglob("*.py"))


@pytest.mark.parametrize("path", pure_files(), ids=lambda path: path.relative_to(ROOT).as_posix())
def test_pure_part_imports_no_edge(path):
    names = imported_modules(path)

    bad = [name for name in names if name.startswith(EDGES) or name.split(".")[0] in FORBIDDEN]
    assert bad == []


def test_the_walk_sees_imports_inside_functions(tmp_path):
    sample = tmp_path / "sample.py"
    sample.write_text("def f():\n    from mapper.link import upload\n    import serial\n    return upload, serial\n")

    assert {"mapper.link", "serial"} <= imported_modules(sample)


def test_every_pure_part_has_files():
    parts = {path.relative_to(ROOT / "mapper").parts[0] for path in pure_files()}

    assert parts == set(PURE)
