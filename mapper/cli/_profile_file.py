"""Reads a profile's file for the commands that take one."""

from __future__ import annotations

from pathlib import Path

from mapper.errors import MapperError


def bytes_of(path: Path) -> bytes:
    """The file's bytes.

    Raises:
        MapperError: it cannot be read; exit code 2.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise MapperError(
            f"{path}: cannot be read: {error.strerror}; give the path of a profile file (.toml)", exit_code=2
        ) from error
