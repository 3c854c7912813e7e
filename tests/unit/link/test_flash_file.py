"""Which files are taken as the flash of a simulated controller; the others are told what they are and left alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from mapper.errors import MapperError
from mapper.link.flash_file import FLASH_BYTES, check_flash_file

FIRMWARE = Path(__file__).resolve().parents[3] / "firmware_stub"
SLOT = FLASH_BYTES // 2


def _number(text: str, name: str) -> int:
    found = re.search(rf"#define {name} (0x[0-9A-F]+|[0-9]+)u", text)
    assert found
    return int(found[1], 0)


def test_the_numbers_are_those_of_the_c_sources():
    header = (FIRMWARE / "host" / "flash_file.h").read_text()
    magic = _number((FIRMWARE / "core" / "store_look.c").read_text(), "HEADER_MAGIC")

    assert 2 * _number(header, "FLASH_SLOT_SECTORS") * _number(header, "FLASH_SECTOR_BYTES") == FLASH_BYTES
    assert magic.to_bytes(4, "little") == b"TBHD"


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\xff" * FLASH_BYTES,
        b"TBHD" + bytes(SLOT - 4) + b"\xff\xffHD" + bytes(SLOT - 4),  # a cut left half of an erase
    ],
)
def test_new_erased_used_and_cut_flash_is_taken(tmp_path, content):
    path = tmp_path / "flash"
    check_flash_file(path)
    path.write_bytes(content)
    check_flash_file(path)

    assert path.read_bytes() == content


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"my notes", "8 bytes"),
        (bytes(FLASH_BYTES), "no slot"),
        (b"TBHD" + bytes(FLASH_BYTES - 4), "no slot"),
        (b"a letter. " * (FLASH_BYTES // 10), "no slot"),
    ],
)
def test_a_file_of_something_else_is_named_and_left_alone(tmp_path, content, what):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    with pytest.raises(MapperError, match=what) as caught:
        check_flash_file(path)

    assert path.read_bytes() == content
    assert caught.value.exit_code == 2
    for text in (str(path), "is no flash image", "allowed is", "left alone"):
        assert text in caught.value.message


def test_a_folder_a_device_and_a_missing_folder_are_told_as_what_they_are(tmp_path):
    for path, what in (
        (tmp_path, "is a folder"),
        (Path("/dev/null"), "is a device"),
        (tmp_path / "no" / "flash", "no folder"),
    ):
        with pytest.raises(MapperError, match=what) as caught:
            check_flash_file(path)

        assert "allowed is" in caught.value.message
