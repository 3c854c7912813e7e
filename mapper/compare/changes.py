"""Two profiles key by key: what is different, as each file writes it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from mapper.profile.messages import item_text
from mapper.profile.positions import Path, Positions, scan
from mapper.profile.readings import decimal_text
from mapper.profile.syntax import parse_toml
from mapper.profile.values import BadNumber

_NAMED = {"coupled_stops": "name", "keep_out": "name"}
"""Arrays of tables whose items have a name: they are compared by it, whatever their place."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeyChange:
    """`before` or `after` is empty where the key is in one file only; a line is then None. Whole tables that only one
    file has are one change, and `before` or `after` says how many keys they have.
    """

    key: str  # joints.elbow.limits.speed.positive
    before: str
    after: str
    before_line: int | None
    after_line: int | None

    @property
    def kind(self) -> str:
        return "added" if self.before_line is None else "removed" if self.after_line is None else "changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    data: Mapping[str, Any]
    positions: Positions


def key_changes(before: bytes, after: bytes, names: tuple[str, str]) -> tuple[KeyChange, ...]:
    """Every key whose value is written differently, added or removed; comments, layout and order do not count.

    Args:
        before, after: files that the reader takes.
        names: of the two, for messages.
    """
    old, new = (_file(data, name) for data, name in zip((before, after), names, strict=True))
    found = list(_compared(old, new, ((), ()), (old.data, new.data)))
    return tuple(sorted(found, key=lambda one: one.after_line or one.before_line or 0))


def _file(data: bytes, name: str) -> _File:
    source, loaded = parse_toml(data, name)
    return _File(data=loaded, positions=scan(source))


def _compared(old: _File, new: _File, paths: tuple[Path, Path], values: tuple[Any, Any]) -> Iterator[KeyChange]:
    """paths, values: in the old and in the new file."""
    left, right = (_children(path, value) for path, value in zip(paths, values, strict=True))
    if left is None or right is None:
        if _written(values[0]) != _written(values[1]):
            yield _change(old, new, paths, values)
        return
    for key in dict.fromkeys((*left, *right)):
        if key not in left or key not in right:
            file, where = (old, left) if key in left else (new, right)
            yield _one_sided(file, where[key], key in left)
        else:
            (one, a), (two, b) = left[key], right[key]
            yield from _compared(old, new, (one, two), (a, b))


def _children(path: Path, value: Any) -> dict[object, tuple[Path, Any]] | None:  # noqa: ANN401
    """What is inside a table or an array, by what it is compared by; None for a simple value."""
    if isinstance(value, dict):
        return {key: ((*path, key), item) for key, item in value.items()}
    if isinstance(value, list):
        name = _NAMED.get(str(path[0])) if len(path) == 1 else None
        return {
            (item.get(name, index) if name and isinstance(item, dict) else index): ((*path, index), item)
            for index, item in enumerate(value)
        }
    return None


def _change(old: _File, new: _File, paths: tuple[Path, Path], values: tuple[Any, Any]) -> KeyChange:
    return KeyChange(
        key=item_text(paths[1]),
        before=_written(values[0]),
        after=_written(values[1]),
        before_line=old.positions.of_value(paths[0])[0],
        after_line=new.positions.of_value(paths[1])[0],
    )


def _one_sided(file: _File, item: tuple[Path, Any], is_old: bool) -> KeyChange:
    path, value = item
    written, line = _written(value), file.positions.of_value(path)[0]
    return KeyChange(
        key=item_text(path),
        before=written if is_old else "",
        after="" if is_old else written,
        before_line=line if is_old else None,
        after_line=None if is_old else line,
    )


def _written(value: Any) -> str:  # noqa: ANN401
    """As the file has it, shortened where it is a table or an array."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, Fraction)):
        return decimal_text(value)
    if isinstance(value, dict):
        return f"a table of {_count(value)} values"
    if isinstance(value, list):
        return f"an array of {_count(value)} values"
    return value.text if isinstance(value, BadNumber) else str(value)


def _count(value: Any) -> int:  # noqa: ANN401
    if isinstance(value, dict):
        return sum(_count(item) for item in value.values())
    return sum(_count(item) for item in value) if isinstance(value, list) else 1
