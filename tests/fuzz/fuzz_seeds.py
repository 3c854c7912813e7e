"""Makes the tables that the targets carry and the inputs that they begin with, from the project's own encoders.

Every byte is decided by seeds: run twice, it makes the same files.
"""

from __future__ import annotations

import hashlib
import random
import struct
import sys
import zlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

HERE = Path(__file__).resolve().parent
CORPUS, TABLES = HERE / "corpus", HERE / "tables"
sys.path[:0] = [str(HERE.parent / "support"), str(HERE.parent / "oracle")]

import hand_table
import make_table
import random_tables

from mapper.link.frame import Frame, encode_frame
from mapper.link.message import Kind, begin_content, block_content, read_content, transfer_content
from mapper.table import encode_table
from mapper.table.table import Table

MACHINE = "bench-1"
LAW_SEEDS = (2, 3, 5, 8, 13, 21, 34, 55)


def law_tables() -> dict[str, bytes]:
    """One table by hand and some of the oracle's random ones, of up to three joints, most with something shared."""
    made = {
        "law_0": encode_table(hand_table.table(hand_table.follow_joint(), hand_table.second(hand_table.speed_joint())))
    }
    chosen: list[Table] = []
    rng = random.Random(1)
    while len(chosen) < 7:
        table = random_tables.random_table(random.Random(rng.randrange(10**6)))
        wanted = (
            table.machine.tip_mdeg_mm_s > 0,
            bool(table.coupled),
            any(joint.continuous for joint in table.joints),
            table.machine.stop_category == 1,
        )
        if len(table.joints) <= 3 and sum(wanted) >= (2 if len(chosen) < 4 else 0):
            chosen.append(table)
    made |= {f"law_{index}": encode_table(table) for index, table in enumerate(chosen, 1)}
    return made


def link_tables() -> dict[str, bytes]:
    """Two for the bench's machine, which differ, and one for another machine."""
    quick = hand_table.speed_joint(stall_ticks=60_000)
    follow = hand_table.follow_joint(stall_ticks=60_000)
    return {
        "link_0": encode_table(replace(hand_table.table(quick), machine_id=MACHINE)),
        "link_1": encode_table(replace(hand_table.table(follow), machine_id=MACHINE, revision=2)),
        "link_2": encode_table(replace(hand_table.table(quick), machine_id="bench-2")),
    }


def _frames() -> Iterator[bytes]:
    rng = random.Random(1)
    data = encode_table(hand_table.table(hand_table.speed_joint()))
    digest = hashlib.sha256(data).digest()
    contents = [
        (Kind.IDENTIFY, b""),
        (Kind.BEGIN, begin_content(7, data, zlib.crc32(data), digest, 256)),
        (Kind.BLOCK, block_content(7, 0, data[:256])),
        (Kind.COMMIT, transfer_content(7)),
        (Kind.READ, read_content(1, 0, 64, fresh=False)),
        (Kind.STATUS + 128, bytes(20)),
    ]
    line = b"".join(encode_frame(Frame(kind=kind, tag=tag, content=part)) for tag, (kind, part) in enumerate(contents))
    yield b"\0" + line[:600]
    for kind, part in contents:
        yield b"\2" + struct.pack("<BBH", 1, kind, 9) + part
    for length in (0, 3, 4, 249, 250, 251, 288, 289, 300):
        yield b"\2" + bytes(length)
        yield b"\2" + rng.randbytes(length)
        yield b"\2" + b"\xaa" * length
    yield b"\3\x10\0\x40" + struct.pack("<BBH", 1, 1, 9) + b"hello"
    yield b"\0" + bytes([0, 255]) + b"\x11" * 254 + bytes([1, 1, 0, 5, 1, 0])


def _tables() -> Iterator[bytes]:
    for data in (law_tables()["law_0"], law_tables()["law_2"]):
        yield b"\1" + data
    yield b"\1" + encode_table(make_table.random_table(random.Random(3), 1))
    two = next(
        table
        for table in (make_table.random_table(random.Random(seed), 2) for seed in range(100))
        if len(table.coupled) >= 2
    )
    yield b"\1" + encode_table(two)
    yield b"\0" + link_tables()["link_0"]
    yield b"\0" + link_tables()["link_0"][:83]
    yield b"\1" + b"HJT1" + bytes(90)


LEAD, TICKS, HAND, WIRE, LATE, SLIP, GAIN, BUTTONS = 2, 1, 3, 4, 5, 6, 7, 0


def _ticks(op: int, count: int) -> int:
    """The byte of an operation that takes so many of its steps."""
    return op | min(count, 31) << 3


def _law() -> Iterator[bytes]:
    lead = bytes([_ticks(LEAD, 31)])
    hands = b"".join(bytes([HAND, joint, place]) for joint, place in ((0, 255), (1, 255), (2, 0)))
    back = b"".join(bytes([HAND, joint, place]) for joint, place in ((0, 0), (1, 0), (2, 255)))
    for table in range(8):
        yield bytes([table, 0]) + lead + hands + lead + back + lead + bytes([BUTTONS | 0x50, 3]) + lead
    running = lead + hands + bytes([_ticks(LEAD, 8)])
    ends = [
        bytes([BUTTONS | 0x50, 3 | 4 | 16]) + bytes([BUTTONS | 0x50, 1]),
        bytes([BUTTONS | 0x50, 0]) + lead,
        bytes([LATE, 255, 255]) + lead + lead,
        bytes([WIRE, 0, 0]) + lead + bytes([WIRE | 16, 0, 0]) + lead,
        bytes([SLIP, 0, 255, 127]) + lead,
        bytes([GAIN, 0]) + lead + lead + bytes([GAIN, 100]) + lead,
        bytes([GAIN, 200]) + lead + bytes([BUTTONS | 0x30, 3 | 32]) + lead,
    ]
    for index, end in enumerate(ends):
        yield bytes([index % 8, 0]) + running + end
    yield bytes([1, 2, 20, 0, 1, 60, 0, 7]) + running


def _link() -> Iterator[bytes]:
    """Operations of fuzz_link.c: 0 ticks, 1 poll, 2 bytes, 3 message, 4 begin, 5 block, 6 finish, 7 commit, 8 read,
    9 abort, 10 upload, 11 start, 12 room of the line, 13 failing flash, 14 a bit of flash, 15 damaged message.
    """
    key, stops = 32, 3
    ready = bytes([0, key | stops, 4])
    blocks = b"".join(bytes([5, number, 0]) for number in range(6))
    for start in range(4):
        yield bytes([start]) + ready + bytes([10, 3, 0]) + bytes([11, 0]) + ready + bytes([8, 1, 0, 2, 0])
    upload = bytes([4, 0, 0, 7]) + bytes([1, 1]) * 8 + blocks + bytes([6, 7, 7, 7])
    yield bytes([0]) + ready + upload
    yield (
        bytes([1]) + ready + bytes([4, 1, 1, 9]) + bytes([1, 1]) * 8 + blocks * 2 + bytes([6, 9, 7, 9]) + bytes([9, 9])
    )
    yield bytes([1]) + ready + bytes([10, 2, 1]) + bytes([0, stops, 2]) + bytes([1, 1])
    buttons = b"".join(bytes([0, digital, 1]) for digital in (3, 3, 3, 11, 11, 3, 7, 23, 23))
    yield bytes([1]) + buttons + bytes([3, 2, 0]) + bytes([10, 1, 1]) + bytes([0, 23, 6])
    for fail in range(4):
        yield bytes([1]) + ready + bytes([13, fail + 1]) + bytes([10, 3, 1]) + bytes([11, 0])
    yield (
        bytes([1])
        + ready
        + bytes([14, 70, 0, 1])
        + bytes([11, 0])
        + bytes([3, 1, 0])
        + bytes([12, 3])
        + bytes([3, 1, 0]) * 3
    )
    yield bytes([0]) + ready + bytes([2, 8]) + b"\0\3\1\1\1\1\0" + bytes([15, 4, 20]) + bytes([1, 255]) * 30
    yield bytes([0]) + ready + bytes([10, 1, 2]) + bytes([10, 3, 2]) + bytes([10, 3, 0])


def seeds() -> dict[str, list[bytes]]:
    """Inputs by target."""
    return {"frames": list(_frames()), "table": list(_tables()), "law": list(_law()), "link": list(_link())}


def write() -> list[Path]:
    """Writes tables and corpus anew; what a fuzzer found (found_*) stays. Returns what was written."""
    written = []
    for folder in [TABLES, *(CORPUS / target for target in seeds())]:
        folder.mkdir(parents=True, exist_ok=True)
        for path in folder.iterdir():
            if not path.name.startswith("found_"):
                path.unlink()
    for name, data in (law_tables() | link_tables()).items():
        written.append(TABLES / f"{name}.bin")
        written[-1].write_bytes(data)
    for target, inputs in seeds().items():
        for number, data in enumerate(inputs):
            written.append(CORPUS / target / f"seed_{number:02d}")
            written[-1].write_bytes(data)
    return written


def tables_header() -> str:
    """fuzz_tables.h: the files of tests/fuzz/tables as C."""
    lines = ["/* Made from tests/fuzz/tables by fuzz_build.py. */", "#ifndef FUZZ_TABLES_H", "#define FUZZ_TABLES_H"]
    lines += ['#include "fuzz.h"', "typedef struct {\n    const uint8_t *bytes;\n    size_t n;\n} fuzz_table_t;"]
    for kind in ("law", "link"):
        files = sorted(TABLES.glob(f"{kind}_*.bin"))
        lines.append(f"#ifdef FUZZ_WITH_{kind.upper()}")
        for path in files:
            numbers = ",".join(map(str, path.read_bytes()))
            lines.append(f"static const uint8_t bytes_of_{path.stem}[] = {{{numbers}}};")
        entries = ", ".join(f"{{bytes_of_{path.stem}, sizeof bytes_of_{path.stem}}}" for path in files)
        lines.append(f"#define FUZZ_{kind.upper()}_TABLES {len(files)}u")
        lines.append(f"static const fuzz_table_t fuzz_{kind}_tables[] = {{{entries}}};")
        lines.append("#endif")
    return "\n".join([*lines, "#endif", ""])
