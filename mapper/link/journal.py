"""The journal of uploads: JSON lines beside the profile, only ever appended to. Edge: it reads and writes files.

A line is written by one call, so that two uploads at once never share one. A line that a power cut left torn stays as
it is: the next entry begins on a line of its own, and the torn one is told with its place.
"""

from __future__ import annotations

import contextlib
import errno
import json
import math
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from mapper.errors import MapperError

_SUFFIX = ".journal.jsonl"
_KEEP = "leave the file as it is; what the line held can only come from a copy of the file"
_ADD = os.O_RDWR | os.O_CREAT | os.O_APPEND


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One upload. line: its number in the file, from 1, which is also what people call it by; values: what it holds."""

    line: int
    values: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class DamagedLine:
    """A line that is no entry. column: of the character where reading stopped, from 1; raw: its bytes."""

    line: int
    column: int
    why: str
    raw: bytes

    def text(self, path: Path) -> str:
        """Place, what is there, what to do."""
        return f"{path}:{self.line}:{self.column}: {self.why}; {_KEEP}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Journal:
    """Everything in the file, oldest first. exists: False when there is no file yet."""

    path: Path
    exists: bool
    entries: tuple[Entry, ...]
    damaged: tuple[DamagedLine, ...]


def journal_path(profile: Path) -> Path:
    """`kerb-arm.toml` -> `kerb-arm.journal.jsonl`, in the same folder."""
    return profile.with_name(profile.stem + _SUFFIX)


def is_journal(path: Path) -> bool:
    """By its name."""
    return path.name.endswith(_SUFFIX)


def append(path: Path, entry: dict[str, Any]) -> None:
    """Adds one line and waits until the disk has it.

    Raises:
        MapperError: it cannot be written, or not to its end; what was there before stays as it was.
    """
    line = (json.dumps(entry, ensure_ascii=False, sort_keys=True, allow_nan=False) + "\n").encode("utf-8", "replace")
    try:
        descriptor = _open(path, _ADD)
        try:
            size = os.fstat(descriptor).st_size
            data = line if _ends_a_line(descriptor, size) else b"\n" + line
            written = os.write(descriptor, data)
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
        if size == 0:
            _settle_folder(path.parent)
    except OSError as error:
        raise _not_written(path, error.strerror or str(error)) from error
    if written != len(data):
        raise _not_written(path, f"only {written} of {len(data)} bytes: is the disk full?")


def _open(path: Path, flags: int) -> int:
    """Without waiting: a pipe in the file's place would keep whoever opens it until its other end is opened too.

    Raises OSError, also for whatever is no regular file.
    """
    never_wait = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)
    descriptor = os.open(path, flags | never_wait | getattr(os, "O_BINARY", 0), 0o644)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise OSError(errno.EINVAL, "it is no regular file but a folder, pipe or device: move it out of the way")
    return descriptor


def _ends_a_line(descriptor: int, size: int) -> bool:
    """False after a line that was torn. Where another upload is writing just now, one line feed too many may come of
    it: a blank line, which nobody minds.
    """
    if size == 0:
        return True
    os.lseek(descriptor, size - 1, os.SEEK_SET)
    return os.read(descriptor, 1) == b"\n"


def _settle_folder(folder: Path) -> None:
    """A file that was just made is found again after a power cut; where a folder cannot be opened, as on Windows, the
    system sees to it.
    """
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _not_written(path: Path, why: str) -> MapperError:
    return MapperError(
        f"{path}: the journal cannot be written ({why}); every upload is put on record: make room for it and the "
        "folder writable. The table may be in use already: see with `mapper readback --port PORT --profile PROFILE` "
        "or `mapper journal PROFILE --port PORT` before you upload again"
    )


def check_writable(path: Path) -> None:
    """Raises MapperError when `append` would fail; called before anything is sent. Leaves an empty file at most."""
    try:
        os.close(_open(path, _ADD))
    except OSError as error:
        raise MapperError(
            f"{path}: the journal cannot be written ({error.strerror or error}); every upload is put on record, "
            "so nothing was sent: make the folder writable"
        ) from error


def look(path: Path) -> Journal:
    """All that can be read, and the place of every line that cannot.

    Raises:
        MapperError: the file is there but cannot be read at all.
    """
    try:
        with open(_open(path, os.O_RDONLY), "rb") as file:
            data = file.read()
    except FileNotFoundError:
        return Journal(path=path, exists=False, entries=(), damaged=())
    except OSError as error:
        raise MapperError(
            f"{path}: the journal cannot be read ({error.strerror or error}); it is a file of JSON lines beside the "
            "profile: see to its rights"
        ) from error
    lines = [_line(number, raw) for number, raw in enumerate(data.split(b"\n"), start=1) if raw.strip()]
    return Journal(
        path=path,
        exists=True,
        entries=tuple(line for line in lines if isinstance(line, Entry)),
        damaged=tuple(line for line in lines if isinstance(line, DamagedLine)),
    )


def beside(path: Path) -> tuple[Journal, ...]:
    """The other journals of the same folder, by name; one that cannot be read at all is left out."""
    found = []
    for other in sorted(path.parent.glob(f"*{_SUFFIX}")):
        if other.name != path.name:
            with contextlib.suppress(MapperError):
                found.append(look(other))
    return tuple(found)


def read(path: Path) -> list[dict[str, Any]]:
    """All entries, oldest first; none when there is no file. Raises MapperError naming the line that is no entry."""
    journal = look(path)
    if journal.damaged:
        raise MapperError(journal.damaged[0].text(path))
    return [entry.values for entry in journal.entries]


def _line(number: int, raw: bytes) -> Entry | DamagedLine:
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        column = len(raw[: error.start].decode("utf-8")) + 1
        return DamagedLine(line=number, column=column, why="bytes that are no text (UTF-8)", raw=raw)
    try:
        values = json.loads(text, parse_constant=_no_number, parse_float=_finite)
    except json.JSONDecodeError as error:
        why = f"not a line of JSON ({error.msg}), perhaps cut short while it was written"
        return DamagedLine(line=number, column=error.colno, why=why, raw=raw)
    except (ValueError, RecursionError) as error:
        return DamagedLine(line=number, column=1, why=f"not a line of JSON ({error})", raw=raw)
    if not isinstance(values, dict):
        return DamagedLine(line=number, column=1, why="a line of the journal is an object in braces", raw=raw)
    return Entry(line=number, values=values)


def _no_number(word: str) -> float:
    """NaN and Infinity, which Python reads and writes though JSON has no such numbers."""
    raise ValueError(f"{word} is no number of JSON")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]} is beyond what a number can hold")
    return value
