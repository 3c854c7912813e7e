"""`mapper compare`: what changed between two profiles, and what it did to every margin."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mapper.cli._profile_file import bytes_of

if TYPE_CHECKING:
    from mapper.check import CheckResult, Finding
    from mapper.compare import KeyChange, MarginChange
    from mapper.table import Table

_MACHINE = "machine"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    name: str
    data: bytes
    table: Table
    result: CheckResult


@click.command(name="compare", short_help="Show what changed between two profiles, and what it did to every margin.")
@click.argument("before_file", metavar="A", type=click.Path(path_type=Path))
@click.argument("after_file", metavar="B", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document to standard output and nothing else there.")
def command(before_file: Path, after_file: Path, as_json: bool) -> int:
    """Show what is different in profile B, seen from A: keys, findings that changed their status, margins.

    Both are checked in full. Margins: how far the worst case is from its bound; negative: beyond it.

    Exit code: 0 both files can be read and B holds, 1 B does not hold, 2 a file cannot be read.
    """
    from mapper.compare import key_changes, margin_changes

    before, after = (_checked(path) for path in (before_file, after_file))
    keys = key_changes(before.data, after.data, (before.name, after.name))
    margins = margin_changes(before.result.findings, after.result.findings)
    if as_json:
        click.echo(json.dumps(_document(before, after, keys, margins), indent=2))
    else:
        for line in _report(before, after, keys, margins):
            click.echo(line)
    return 0 if after.result.holds else 1


def _checked(path: Path) -> _Side:
    from mapper.check import check_profile
    from mapper.profile import read_profile
    from mapper.table import compile_table, encode_table

    data = bytes_of(path)
    profile = read_profile(data, str(path))
    table = compile_table(profile)
    return _Side(name=str(path), data=data, table=table, result=check_profile(profile, table, encode_table(table)))


def _report(
    before: _Side, after: _Side, keys: tuple[KeyChange, ...], margins: tuple[MarginChange, ...]
) -> Iterator[str]:
    for letter, side in (("A", before), ("B", after)):
        yield f"{letter}  {side.name}: table {side.result.digest}, {side.result.result}"
    yield _bytes_line(before, after)
    yield ""
    yield from _key_lines(keys)
    yield from _margin_lines(margins)
    yield _last_line(before, after, margins)


def _bytes_line(before: _Side, after: _Side) -> str:
    if before.result.digest == after.result.digest:
        return "Both compile to the same bytes."
    if _same_values(before, after):
        return "The tables differ only in the file that they name as their source; every value is the same."
    return "The tables differ: a controller that holds the one does not hold the other."


def _key_lines(keys: tuple[KeyChange, ...]) -> Iterator[str]:
    if not keys:
        yield "No key differs (comments and layout do not count)."
        yield ""
        return
    yield f"{len(keys)} key{'s' if len(keys) != 1 else ''} changed (lines of A and B):"
    width = max(len(one.key) for one in keys)
    for one in keys:
        lines = f"{one.before_line or '-'} / {one.after_line or '-'}"
        if one.kind == "changed":
            yield f"  {one.key:<{width}}  {lines:>11}  {one.before}  ->  {one.after}"
        else:
            yield f"  {one.key:<{width}}  {lines:>11}  {one.kind}: {one.before or one.after}"
    yield ""


def _same_values(before: _Side, after: _Side) -> bool:
    """A table names the file that it was made from by a digest, which another comment changes."""
    return replace(before.table, profile_digest=b"") == replace(after.table, profile_digest=b"")


_HEADINGS = {
    "status": "Status changed:",
    "shrank": "Margins that shrank, the most of their bound first:",
    "grew": "Margins that grew:",
    "added": "Only in B:",
    "removed": "Only in A:",
}


def _margin_lines(margins: tuple[MarginChange, ...]) -> Iterator[str]:
    for kind, heading in _HEADINGS.items():
        chosen = [one for one in margins if one.kind == kind]
        if not chosen:
            continue
        yield f"{heading:<58}{'margin A':>12}{'margin B':>12}  bound B"
        for one in chosen:
            yield _margin_line(one)
        yield ""
    same = sum(one.kind == "unchanged" for one in margins)
    yield f"{same} of {len(margins)} findings unchanged."


def _margin_line(one: MarginChange) -> str:
    name = f"  {one.joint or _MACHINE:<16}{one.limit}"
    margins = f"{_number(one.before):>12}{_number(one.after):>12}"
    shown = one.after or one.before
    bound = "" if shown is None or shown.bound is None else f"  {shown.bound:.5g} {shown.unit}"
    states = f"  {_status(one.before)} -> {_status(one.after)}" if one.kind in ("status", "added", "removed") else ""
    return f"{name:<58}{margins}{bound}{states}"


def _number(finding: Finding | None) -> str:
    return "-" if finding is None or finding.margin is None else f"{finding.margin:.5g}"


def _status(finding: Finding | None) -> str:
    return "-" if finding is None else finding.status.value


def _last_line(before: _Side, after: _Side, margins: tuple[MarginChange, ...]) -> str:
    worse = sum(one.worse for one in margins)
    if after.result.holds:
        return f"B holds ({after.result.result})." + ("" if before.result.holds else " A did not.")
    broken = f"{worse} limit{'s' if worse != 1 else ''} that held in A {'do' if worse != 1 else 'does'} not hold in B"
    return f"B does not hold: {broken}. What to do about it: mapper check {after.name}"


def _document(
    before: _Side, after: _Side, keys: tuple[KeyChange, ...], margins: tuple[MarginChange, ...]
) -> dict[str, object]:
    return {
        "before": {"profile": before.name, "digest": before.result.digest, "result": before.result.result},
        "after": {"profile": after.name, "digest": after.result.digest, "result": after.result.result},
        "same_table": before.result.digest == after.result.digest,
        "same_values": _same_values(before, after),
        "keys": [
            {
                "key": one.key,
                "kind": one.kind,
                "before": one.before if one.before_line is not None else None,
                "after": one.after if one.after_line is not None else None,
                "before_line": one.before_line,
                "after_line": one.after_line,
            }
            for one in keys
        ],
        "findings": [
            {
                "limit": one.limit,
                "joint": one.joint,
                "kind": one.kind,
                "worse": one.worse,
                "before": _finding_document(one.before),
                "after": _finding_document(one.after),
            }
            for one in margins
        ],
        "unchanged": sum(one.kind == "unchanged" for one in margins),
    }


def _finding_document(finding: Finding | None) -> dict[str, object] | None:
    if finding is None:
        return None
    return {
        "status": finding.status.value,
        "worst": finding.worst,
        "bound": finding.bound,
        "margin": finding.margin,
        "unit": finding.unit,
        "bound_is": "least" if finding.at_least else "most",
    }
