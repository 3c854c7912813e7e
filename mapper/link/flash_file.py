"""Is this file the flash of a simulated controller? Looked at before anything starts. Edge: it reads a file."""

from __future__ import annotations

from pathlib import Path

from mapper.errors import MapperError

# As firmware_stub/host/flash_file.h and the store's header have them.
_SLOTS = 2
_SLOT_BYTES = 5 * 4096
FLASH_BYTES = _SLOTS * _SLOT_BYTES
_HEADER_MAGIC = b"TBHD"
_ERASED = 0xFF

_ALLOWED = (
    f"allowed is a name that is not there yet, an empty file, or the flash file of an earlier run ({FLASH_BYTES} bytes)"
)


def check_flash_file(path: Path) -> None:
    """Nothing is written. A file that a controller process left behind passes, however it ended.

    Raises:
        MapperError: exit 2: a folder, a device, a file of something else, or one that cannot be read or made.
    """
    try:
        if path.is_dir():
            raise _refused(path, "is a folder, not a file", "name a file in it")
        if not path.exists():
            if not path.parent.is_dir():
                raise _refused(path, f"cannot be made: there is no folder {path.parent}", "make that folder first")
            return
        if not path.is_file():
            raise _refused(path, "is a device or a pipe, not a file", "name a file")
        data = path.read_bytes() if path.stat().st_size == FLASH_BYTES else b""
        found = path.stat().st_size
    except OSError as error:
        raise _refused(path, f"cannot be read: {error.strerror or error}", "check the name and the rights") from error
    if found == 0:
        return
    if found != FLASH_BYTES:
        raise _refused(path, f"is no flash image: it has {found} bytes", "name another file; this one was left alone")
    if not all(_is_slot(data[at : at + len(_HEADER_MAGIC)]) for at in range(0, FLASH_BYTES, _SLOT_BYTES)):
        raise _refused(
            path,
            "is no flash image: it has the right length, but no slot of a table store begins where one must",
            "name another file; this one was left alone",
        )


def _is_slot(first: bytes) -> bool:
    """Each byte erased or that of the header's magic: a cut may leave any part of it."""
    return all(byte in (_ERASED, wanted) for byte, wanted in zip(first, _HEADER_MAGIC, strict=True))


def _refused(path: Path, what: str, remedy: str) -> MapperError:
    return MapperError(f"--flash {path}: {what}; {_ALLOWED}; {remedy}")
