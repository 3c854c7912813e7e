"""The core's C as a proof sees it: its functions, which of them have a contract, and a copy without contracts."""

from __future__ import annotations

import re
from pathlib import Path

CORE = Path(__file__).resolve().parents[2] / "firmware_stub" / "core"
MISTAKE = "requires our_mistake"
"""The one contract that Eva is given: it makes a CORE_ASSERT that may fail an alarm."""

_COMMENT = re.compile(r"/\*.*?\*/", re.S)
_DEFINITION = re.compile(r"^[a-z][^\n;{}=]*?\b(\w+)\([^;{}]*?\)\s*(?:/\*[^\n]*\*/)?\s*\n\{", re.M)
_CONTRACT = re.compile(r"/\*@((?:(?!\*/).)*)\*/", re.S)
_NAME = re.compile(r"\b(\w+)\(")


def functions(text: str) -> list[str]:
    """Names of the functions that a C file defines, in its order."""
    return _DEFINITION.findall(_COMMENT.sub("", text))


def with_contract(text: str) -> set[str]:
    """Names of the functions, declared or defined in a text, right behind a contract."""
    found = set()
    for match in _CONTRACT.finditer(text):
        clauses = match.group(1)
        if re.match(r"\s*(?:loop|assert|lemma|admit|predicate|logic|ghost)\b", clauses) or not re.search(
            r"\bassigns\b", clauses
        ):
            continue
        behind = _COMMENT.sub("", text[match.end() : match.end() + 1000])
        name = _NAME.search(re.split(r"[;{]", behind, maxsplit=1)[0])
        if name:
            found.add(name.group(1))
    return found


def without_contract(file: str, folder: Path = CORE) -> list[str]:
    """Functions of one C file that no contract speaks of."""
    text = (folder / file).read_text()
    known = with_contract(text).union(*(with_contract(path.read_text()) for path in folder.glob("*.h")))
    return [name for name in functions(text) if name not in known]


def ghosts(text: str) -> list[str]:
    """Names of the functions that stand in a ghost comment: steps of a proof, with a contract of their own."""
    return re.findall(r"/\*@ ghost\n(?:(?!\*/).)*?\bstatic void (\w+)\(", text, re.S)


def provable(file: str, folder: Path = CORE) -> list[str]:
    """Functions of one C file that have a contract, ghosts among them; `lemmas` where the file states any."""
    text = (folder / file).read_text()
    bare = without_contract(file, folder)
    lemmas = ["lemmas"] if re.search(r"(?<!admit )\blemma\b", text) else []
    return [*lemmas, *ghosts(text), *(name for name in functions(text) if name not in bare)]


def assertions(text: str) -> int:
    """Number of CORE_ASSERTs in a C file."""
    return len(re.findall(r"^\s+CORE_ASSERT\(", _COMMENT.sub("", text), re.M))


def copy_bare(target: Path, *, mistakes_are_alarms: bool, folder: Path = CORE) -> None:
    """The core without contracts, line for line; with the contract of core_assert_failed or without."""
    keep = rf"(?! {MISTAKE})" if mistakes_are_alarms else ""
    for path in sorted(folder.glob("*.[ch]")):
        (target / path.name).write_text(re.sub(rf"/\*@{keep}", "/* ", path.read_text()))
