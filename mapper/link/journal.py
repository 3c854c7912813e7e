"""The journal of uploads: JSON lines beside the profile, only ever appended to. Edge: it reads and writes files."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from mapper.errors import MapperError


def journal_path(profile: Path) -> Path:
    """`kerb-arm.toml` -> `kerb-arm.journal.jsonl`, in the same folder."""
    return profile.with_name(profile.stem + ".journal.jsonl")


def append(path: Path, entry: dict[str, Any]) -> None:
    """Adds one line and waits until the disk has it. Raises MapperError when it cannot be written."""
    line = json.dumps(entry, ensure_ascii=False, sort_keys=True, allow_nan=False) + "\n"
    try:
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            os.write(descriptor, line.encode())
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
    except OSError as error:
        raise MapperError(
            f"{path}: the journal cannot be written ({error.strerror}); every upload is put on record: "
            "make the folder writable, then run the command again"
        ) from error


def check_writable(path: Path) -> None:
    """Raises MapperError when `append` would fail; called before anything is sent. Leaves an empty file at most."""
    try:
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644))
    except OSError as error:
        raise MapperError(
            f"{path}: the journal cannot be written ({error.strerror}); every upload is put on record, "
            "so nothing was sent: make the folder writable"
        ) from error


def read(path: Path) -> list[dict[str, Any]]:
    """All entries, oldest first; none when there is no file. Raises MapperError naming the line that is no entry."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return []
    except (OSError, UnicodeDecodeError) as error:
        raise MapperError(f"{path}: the journal cannot be read: {error}") from error
    entries = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
        except json.JSONDecodeError as error:
            raise MapperError(
                f"{path}:{number}:{error.colno}: not a line of JSON ({error.msg}); set the file aside"
            ) from error
        if not isinstance(entry, dict):
            raise MapperError(f"{path}:{number}:1: a line of the journal is an object in braces; set the file aside")
        entries.append(entry)
    return entries
