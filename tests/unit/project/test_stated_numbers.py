"""Numbers of the C headers that firmware_stub/README.md and the board guide state are those of the headers."""

from __future__ import annotations

import itertools
import re
from pathlib import Path

import pytest

STUB = Path(__file__).resolve().parents[3] / "firmware_stub"
PAGE = (STUB / "README.md").read_text(encoding="utf-8")
GUIDE = (STUB / "board_guide.md").read_text(encoding="utf-8")
LONGEST_TABLE = 15_297


def defined(header: str, name: str) -> int:
    """The value of a `#define`, decimal or hexadecimal."""
    text = (STUB / "core" / header).read_text(encoding="utf-8")
    found = re.search(rf"^#define {name} (0x[0-9A-Fa-f]+|\d+)u?\b", text, re.MULTILINE)
    assert found, f"{name} is not defined in {header}"
    return int(found[1], 0)


def store_bytes() -> int:
    """What a slot needs besides its table."""
    names = re.findall(r"^#define (STORE_\w+_BYTES) \d+u", (STUB / "core" / "store.h").read_text("utf-8"), re.MULTILINE)
    return sum(defined("store.h", name) for name in names)


@pytest.mark.parametrize(
    ("words", "header", "name"),
    [
        (r"content \(at most ([\d,]+) bytes\)", "frame.h", "FRAME_CONTENT_MAX"),
        (r"block bytes u16 \(a multiple of 32, at most ([\d,]+)\)", "link.h", "LINK_BLOCK_BYTES_MAX"),
        (r"after (\d+) s without a message", "link.h", "LINK_IDLE_MS"),
        (r"after (\d+) s in all", "link.h", "LINK_TOTAL_MS"),
        (r"after (\d+) s\s+between finish and commit", "link.h", "LINK_CONFIRM_MS"),
    ],
)
def test_the_page_states_the_link_as_it_is(words, header, name):
    found = re.search(words, PAGE)
    value = defined(header, name)

    assert found, words
    assert int(found[1].replace(",", "")) * (1000 if name.endswith("_MS") else 1) == value


def test_page_and_guide_state_how_much_of_a_slot_the_store_needs():
    stated = re.search(r"A slot needs (\d+) bytes more than its table", PAGE)
    in_guide = re.search(r"the longest table \(([\d,]+) bytes and (\d+) of the store\)", GUIDE)

    assert stated
    assert int(stated[1]) == store_bytes()
    assert in_guide
    assert int(in_guide[2]) == store_bytes()
    assert int(in_guide[1].replace(",", "")) == LONGEST_TABLE
    assert f"{LONGEST_TABLE:,} bytes for 16 joints" in PAGE
    assert LONGEST_TABLE + store_bytes() <= 16_384, "the guide puts it into a sector of 16 KiB"


def test_the_records_of_a_slot_are_laid_out_as_the_page_says():
    """From its end on: the last record of the page's table ends with the slot, each other one where the next begins."""
    places = [(int(place), int(size)) for place, size in re.findall(r"^\| end - (\d+) \| (\d+) \|", PAGE, re.MULTILINE)]

    assert places[-1][0] == places[-1][1] == defined("store.h", "STORE_SETTLED_BYTES")
    assert all(place - size == after for (place, size), (after, _) in itertools.pairwise(places))
    assert places[0][0] + defined("store.h", "STORE_HEADER_BYTES") == store_bytes()
