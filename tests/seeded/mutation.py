"""Single mutations of the law's C: one operator, one constant, one condition or one statement at a time.

A mutation's id names file, function, what is changed into what and which one of those within the function, so that it
stays the same when lines above it move. Comments, strings, preprocessor lines and assertions are left alone: an
assertion that is dropped or weakened changes nothing that the law puts out, it only takes away a second look.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

CORE = Path(__file__).resolve().parents[2] / "firmware_stub" / "core"
LAW_FILES = (
    "angle.c", "coupled.c", "curve.c", "demand.c", "law.c", "motion.c", "safety.c", "sense.c", "tip.c", "valve.c",
    "watch.c",
)  # fmt: skip

_SWAPS = {
    " < ": (" <= ", " > "),
    " <= ": (" < ",),
    " > ": (" >= ", " < "),
    " >= ": (" > ",),
    " == ": (" != ",),
    " != ": (" == ",),
    " && ": (" || ",),
    " || ": (" && ",),
    " + ": (" - ",),
    " - ": (" + ",),
    " * ": (" + ",),
    " / ": (" * ",),
    "true": ("false",),
    "false": ("true",),
    "TABLE_POSITIVE": ("TABLE_NEGATIVE",),
    "TABLE_NEGATIVE": ("TABLE_POSITIVE",),
    "larger": ("smaller",),
    "smaller": ("larger",),
}
_TOKENS = re.compile(
    "|".join(
        re.escape(token) if token.startswith(" ") else rf"\b{token}\b"
        for token in sorted(_SWAPS, key=len, reverse=True)
    )
)
_NUMBER = re.compile(r"(?<![\w.\[])(\d+)(u?)(?![\w.\]])")
_IF = re.compile(r"^(\s*(?:\} else )?if \()(.*)(\) \{)$")
_HEAD = re.compile(r"^[a-z][\w \*]*?\b(\w+)\(")
_STATEMENT = re.compile(
    r"^\s+(?!return\b|const\b|static\b|u?int\d+_t\b|bool\b|law_\w+_t\b|table_\w+_t\b|curve_t\b|for\b)[a-z(].*;$"
)
_ENDS_BEFORE = re.compile(r"(?:[;{}]|\) \{|:)\s*(?:/\*.*\*/)?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutation:
    id: str
    file: str
    line: int  # 1-based
    before: str  # the whole line
    after: str

    def applied(self, text: str) -> str:
        """The file's text with this mutation in it."""
        lines = text.split("\n")
        if lines[self.line - 1] != self.before:
            raise ValueError(f"{self.id}: line {self.line} is not what it was")
        lines[self.line - 1] = self.after
        return "\n".join(lines)


def mutations(folder: Path = CORE, files: tuple[str, ...] = LAW_FILES) -> tuple[Mutation, ...]:
    """All of them, in the order of files and lines.

    Raises:
        FileNotFoundError: a file of the law is gone; bring LAW_FILES up to date.
    """
    return tuple(found for file in files for found in _of_file(file, (folder / file).read_text()))


def _of_file(file: str, text: str) -> Iterator[Mutation]:
    function, inside, previous, seen = "", False, "", Counter[str]()
    in_comment = False
    for number, line in enumerate(text.split("\n"), start=1):
        head = _HEAD.match(line)
        if head and not line.endswith(";"):
            function, seen = head.group(1), Counter()
        if (line.endswith("{") and not line.startswith(" ")) or line == "{":
            inside = True
        elif line == "}":
            inside = False
        code, in_comment = _without_comment(line, in_comment)
        if inside and code.strip() and not code.lstrip().startswith("#") and "CORE_ASSERT" not in code:
            for what, after in _of_line(code, previous):
                changed = after + line[len(code) :]
                if changed == line:
                    continue
                key = f"{file}/{function}/{what}"
                seen[key] += 1
                yield Mutation(id=f"{key}/{seen[key]}", file=file, line=number, before=line, after=changed)
        if code.strip():
            previous = code.rstrip()


def _without_comment(line: str, in_comment: bool) -> tuple[str, bool]:
    """The code before a comment; whether a comment goes on into the next line."""
    if in_comment:
        return "", "*/" not in line
    at = line.find("/*")
    if at < 0:
        return line, False
    return line[:at], "*/" not in line[at:]


def _of_line(code: str, previous: str) -> Iterator[tuple[str, str]]:
    """(what, changed code)."""
    for found in _TOKENS.finditer(code):
        token = found.group(0)
        if token == " * " and re.search(r"(?:_t|void)$", code[: found.start()]):
            continue  # a pointer's declaration
        for other in _SWAPS[token]:
            yield f"{token.strip()} to {other.strip()}", code[: found.start()] + other + code[found.end() :]
    for found in _NUMBER.finditer(code):
        value = int(found.group(1))
        other = f"{value + 1}{found.group(2)}"
        yield f"{found.group(0)} to {other}", code[: found.start()] + other + code[found.end() :]
        if value == 1:
            yield (
                f"{found.group(0)} to 0{found.group(2)}",
                code[: found.start()] + f"0{found.group(2)}" + code[found.end() :],
            )
    condition = _IF.match(code)
    if condition:
        yield "if to if not", f"{condition.group(1)}!({condition.group(2)}){condition.group(3)}"
    if _STATEMENT.match(code) and _ENDS_BEFORE.search(previous) and "(void)" not in code:
        yield "statement dropped", re.sub(r"\S.*$", ";", code)
