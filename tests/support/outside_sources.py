"""Every check against a source outside the project, with that source as its docstring names it."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import pytest

# What names a source: a standard, a year of publication, a page, a library of the test extra, an example, table or page
# of a book, a law or method that is named - or the words that say that there is none.
_NAMES_A_SOURCE = re.compile(
    r"\b(ISO|IEC|EN|DIN|NIST|NAMUR|FIPS|RFC|OSHA|OpenStax|IEEE|ANSI|SAE|arXiv)\b"
    r"|\b(19|20)\d\d\b"
    r"|https?://|www\.|\w\.(com|org|edu|gov|net)\b"
    r"|\b(mujoco|scipy|fluids|pint|cobs|crccheck|zlib|hashlib|tomllib)\b"
    r"|\b(Example|Problem|Exercise|Ex\.|Table|Eq\.|Appendix|Chapter|Ch\.|page|pp?\.) ?[A-Z]?\d"
    r"|\bJournal\b|\btextbook|\bhandbook\b|\bclosed form\b|\bfrom memory\b|\bcommon practice, no source\b"
    r"|\bSources?: ",
    re.IGNORECASE,
)
_MARK = "outside"


@dataclass(frozen=True, slots=True, kw_only=True)
class OutsideCheck:
    """One test function, whatever the number of its cases. `source` is None where no docstring names one."""

    file: str
    name: str
    cases: int
    source: str | None


def asks_for_outside(markers: str, keywords: str) -> bool:
    """True for `-m outside` and `-k outside` and what contains them, not for their negation."""
    return re.search(r"(?<!not )\boutside\b", f"{markers} {keywords}") is not None


def source_of(function_text: str | None, module_text: str | None) -> str | None:
    """The paragraph that names the source: the function's first one that does, else the module's first one; one line.

    A function's own first paragraph goes before a module's source, so that the list says what is compared.
    """
    own, shared = _paragraphs(function_text), _paragraphs(module_text)
    named = next((text for text in own if _NAMES_A_SOURCE.search(text)), None)
    if named is not None:
        return named
    of_module = next((text for text in shared if _NAMES_A_SOURCE.search(text)), None)
    if of_module is None:
        return None
    return f"{own[0]} {of_module}" if own else of_module


def outside_checks(items: Iterable[pytest.Item]) -> tuple[OutsideCheck, ...]:
    """The checks among collected tests, in their order, parametrised ones once."""
    found: dict[tuple[str, str], list[Any]] = {}
    for item in items:
        if item.get_closest_marker(_MARK) is None or not isinstance(item, pytest.Function):
            continue
        name = ".".join(part for part in (item.cls.__name__ if item.cls else "", item.originalname) if part)
        entry = found.setdefault((item.location[0], name), [0, item])
        entry[0] += 1
    return tuple(
        OutsideCheck(
            file=file,
            name=name,
            cases=cases,
            source=source_of(inspect.getdoc(item.function), inspect.getdoc(item.module)),
        )
        for (file, name), (cases, item) in found.items()
    )


def listing(checks: tuple[OutsideCheck, ...]) -> Iterator[str]:
    """Grouped by file, one line a check, the count at the end."""
    file = None
    for check in checks:
        if check.file != file:
            file = check.file
            yield f"{file} ({sum(other.file == file for other in checks)} checks)"
        cases = f" [{check.cases} cases]" if check.cases > 1 else ""
        yield f"  {check.name}{cases}: {check.source or 'NO SOURCE NAMED'}"
    yield f"{len(checks)} checks against outside sources, {sum(check.cases for check in checks)} cases"


def _paragraphs(text: str | None) -> list[str]:
    return [" ".join(part.split()) for part in re.split(r"\n\s*\n", text or "") if part.strip()]
