"""The byte layout as firmware_stub/README.md documents it, and the bytes of a table with some of them changed.

The tests read the ranges from the page, so that the page is held to encoder, decoder and controller as well.
"""

from __future__ import annotations

import re
import struct
import zlib
from pathlib import Path

import core_table
import pytest

from mapper.table import DecodeError, EncodeError, Table, decode_table, encode_table

_PAGE = Path(__file__).resolve().parents[2] / "firmware_stub" / "README.md"
_ROW = re.compile(r"^\| (\d+) \| (\d+) \| ([ui])(\d+) \| ([^|]+) \| ([^|]+) \|$", re.M)

Row = tuple[int, int, int, bool, str, int, int]
"""(field, offset, bytes, signed, name, lowest, highest)."""
Case = tuple[int, int, int, int, bool]
"""(field, offset, bytes, value, inside the field's range)."""


def documented(heading: str) -> list[Row]:
    """Every row of the table under a heading of the page."""
    page = _PAGE.read_text(encoding="utf-8")
    part = page[page.index(heading) :].split("\n### ", 1)[0]
    rows = []
    for number, offset, sign, bits, what, allowed in _ROW.findall(part):
        numbers = [int(text.replace(",", "")) for text in re.findall(r"-?\d[\d,]*", allowed)]
        lowest, highest = (-1, 1) if allowed.strip() == "1 or -1" else (numbers[0], numbers[1])
        name = re.split(r"[:,]", what)[0].strip()
        rows.append((int(number), int(offset), int(bits) // 8, sign == "i", name, lowest, highest))
    return rows


def cases(rows: list[Row]) -> list[Case]:
    """For every field the values at, just inside and just outside both ends, and the ends of its bytes."""
    found = []
    for field, offset, byte_count, signed, _, lowest, highest in rows:
        bottom = -(256**byte_count) // 2 if signed else 0
        top = 256**byte_count // (2 if signed else 1) - 1
        for value in sorted({lowest - 1, lowest, lowest + 1, highest - 1, highest, highest + 1, bottom, top}):
            if bottom <= value <= top:
                found.append((field, offset, byte_count, value, lowest <= value <= highest))
    return found


def with_bytes(data: bytes, at: int, new: bytes) -> bytes:
    """The table with `new` in place of as many bytes, CRC repaired."""
    patched = data[:at] + new + data[at + len(new) : -4]
    return patched + struct.pack("<I", zlib.crc32(patched))


def sealed(body: bytes) -> bytes:
    """A table from its bytes without the CRC: length repaired, CRC added."""
    whole = body[:8] + struct.pack("<I", len(body) + 4) + body[12:]
    return whole + struct.pack("<I", zlib.crc32(whole))


def check_bytes(data: bytes, allowed: bool, section: int, named: int) -> None:
    """Parser and decoder take or refuse the same bytes; the parser names section and field, and leaves nothing."""
    result = core_table.parse(data)

    assert result[:3] == (("ok", 65_535, 65_535) if allowed else ("bad_value", section, named))
    if allowed:
        table = decode_table(data)
        assert core_table.as_table(result[3]) == table
        assert encode_table(table) == data
    else:
        assert core_table.is_zeroed(result[3])
        with pytest.raises(DecodeError):
            decode_table(data)


def refused_everywhere(table: Table, good: Table, at: int, new: bytes, section: int, field: int) -> None:
    """The encoder refuses the table; the bytes that would say it are refused by parser and decoder."""
    with pytest.raises(EncodeError):
        encode_table(table)
    data = with_bytes(encode_table(good), at, new)
    assert core_table.parse(data)[:3] == ("bad_value", section, field)
    with pytest.raises(DecodeError):
        decode_table(data)
