"""The C core keeps its own rules: freestanding headers only, no heap, goto or float, functions of at most 60 lines."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

CORE = Path(__file__).resolve().parents[3] / "firmware_stub" / "core"
FILES = sorted(CORE.glob("*.[ch]"))
_COMMENT = re.compile(r"/\*.*?\*/", re.S)


def code_of(path: Path) -> str:
    """The file without comments, line breaks kept."""
    return _COMMENT.sub(lambda match: "\n" * match.group().count("\n"), path.read_text(encoding="utf-8"))


def functions_of(text: str) -> list[tuple[str, int]]:
    """(first line, line count) of every block that opens in the first column."""
    found: list[tuple[str, int]] = []
    lines = text.split("\n")
    start = None
    for number, line in enumerate(lines):
        if line == "{":
            start = number
        elif line == "}" and start is not None:
            found.append((lines[start - 1], number - start + 1))
            start = None
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_core_includes_only_its_own_and_freestanding_headers(path):
    includes = re.findall(r"#include\s+[<\"]([^>\"]+)", code_of(path))

    own = {file.name for file in CORE.glob("*.h")}
    assert set(includes) <= own | {"stdint.h", "stddef.h", "stdbool.h", "limits.h"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_core_uses_no_heap_no_jump_no_float(path):
    words = set(re.findall(r"[A-Za-z_]\w*", code_of(path)))

    assert words & {"malloc", "free", "calloc", "realloc", "goto", "setjmp", "longjmp", "float", "double"} == set()


@pytest.mark.parametrize("path", [file for file in FILES if file.suffix == ".c"], ids=lambda path: path.name)
def test_core_functions_are_at_most_sixty_lines(path):
    long = [(name, lines) for name, lines in functions_of(code_of(path)) if lines > 60]

    assert long == []


def test_the_function_finder_finds_them():
    text = "static int f(void)\n{\n    return 1;\n}\n"

    assert functions_of(text) == [("static int f(void)", 3)]


def test_core_asserts_at_least_once_in_two_functions():
    code = "".join(code_of(path) for path in FILES if path.suffix == ".c")
    functions = len(functions_of(code))
    assertions = len(re.findall(r"\bCORE_ASSERT\(", code))

    assert functions > 60
    assert assertions * 2 >= functions
