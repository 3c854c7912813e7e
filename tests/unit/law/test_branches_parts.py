"""Small parts of the core at ends that no whole tick and no encoder reaches, called directly."""

from __future__ import annotations

import ctypes
import random
import struct
import zlib
from collections.abc import Iterator
from dataclasses import replace

import core_table
import hand_table
import pytest
from branch_library import Handled, library
from link_library import Line
from make_table import random_table

from mapper.link.transfer import upload_machine
from mapper.table import encode_table
from mapper.table.table import Curve

INT32_MAX, INT32_MIN = 2**31 - 1, -(2**31)
FLOW = 7
BASE = random_table(random.Random(4), joint_count=1)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (2**62, INT32_MAX),
        (INT32_MAX + 1, INT32_MAX),
        (INT32_MAX, INT32_MAX),
        (0, 0),
        (-INT32_MAX, -INT32_MAX),
        (INT32_MIN, -INT32_MAX),
        (-(2**62), -INT32_MAX),
    ],
)
def test_a_wide_number_is_limited_to_what_has_a_magnitude(value, expected):
    assert library().core_narrow(value) == expected


WIDE = [0, 1, 65_535, 65_536, 65_537, 2**47 - 1, 2**47, 2**47 + 65_535, 2**62, INT32_MAX * 65_536]


@pytest.mark.parametrize("value", [*WIDE, *(-one for one in WIDE)])
def test_a_q16_number_is_cut_toward_zero_and_limited_or_rounded_down(value):
    """core.h: core_whole_q16 is value / 65536 toward zero, limited; core_floor_q16 is floor(value / 65536)."""
    toward_zero = abs(value) // 65_536 * (1 if value > 0 else -1)

    assert library().core_whole_q16(value) == max(-INT32_MAX, min(INT32_MAX, toward_zero))
    assert library().core_floor_q16(value) == value // 65_536


@pytest.mark.parametrize(
    ("flow_per_speed_q16", "speed", "need"),
    [
        (INT32_MAX, 65_536, INT32_MAX),  # the most that a table allows: exactly 32 bits
        (INT32_MAX, -65_536, INT32_MAX),
        (INT32_MAX, 65_535, INT32_MAX - (INT32_MAX // 65_536)),
        (INT32_MAX, 200_000, INT32_MAX),  # no table holds it (INV-TABLE-2); limited all the same
        (1, 1, 1),
        (1, 65_536, 1),
        (1, 65_537, 2),
        (65_536, 0, 0),
    ],
)
def test_the_flow_that_a_speed_needs_is_rounded_up_and_fits_32_bits(flow_per_speed_q16, speed, need):
    """L6e: -floor(-(|v| * k) / 65536)."""
    assert library().branch_bench_need(flow_per_speed_q16, speed) == need
    assert need == min(INT32_MAX, -(-abs(speed) * flow_per_speed_q16 // 65_536))


@pytest.mark.parametrize("value", [0, 1, 0x7FFF, 0x7FFE, -1, -2, -0x8000, -0x7FFF])
def test_a_signed_number_of_two_bytes_is_read_little_endian(value):
    assert library().core_read_i16(struct.pack("<h", value)) == value


@pytest.mark.parametrize("value", [0, 1, INT32_MAX, -1, INT32_MIN, INT32_MIN + 1, 0x12345678])
def test_a_signed_number_of_four_bytes_is_read_little_endian(value):
    assert library().core_read_i32(struct.pack("<i", value)) == value


@pytest.fixture
def by_hand() -> Iterator[Handled]:
    controller = Handled("by-hand")
    assert (
        Line(controller).run(upload_machine(encode_table(hand_table.table(hand_table.follow_joint())), 5, 5)).error
        is None
    )
    yield controller
    controller.check()


@pytest.mark.parametrize(
    ("speed", "flow", "drive"), [(0, 5_000, 0), (5_000, 0, 0), (0, 0, 0), (1, 5_000, 5_000), (-1, 5_000, -5_000)]
)
def test_a_flow_without_a_direction_drives_nothing(by_hand, speed, flow, drive):
    """L8; the law gives no flow without a speed, and the valve does not rely on that."""
    assert by_hand.valve(speed, flow) == drive


def test_of_two_refusals_the_first_one_is_told():
    """table_read.h: the first fault is kept, with its own section and field."""
    found = (ctypes.c_int32 * 3)()
    library().branch_bench_refuse_twice(found)

    assert tuple(found) == (core_table.RESULTS.index("bad_value"), 7, 3)


def sections(data: bytes) -> list[bytes]:
    at, found = 80, []
    while at < len(data) - 4:
        length = struct.unpack_from("<H", data, at + 2)[0] + 4
        found.append(data[at : at + length])
        at += length
    return found


def with_section(data: bytes, kind: int, payload: bytes) -> tuple[bytes, int]:
    """The table with another payload in the one section of this kind, lengths and CRC right; the section's index."""
    parts = sections(data)
    index = next(i for i, part in enumerate(parts) if part[0] == kind)
    parts[index] = parts[index][:2] + struct.pack("<H", len(payload)) + payload
    body = b"".join(parts)
    whole = data[:8] + struct.pack("<I", 80 + len(body) + 4) + data[12:80] + body
    return whole + struct.pack("<I", zlib.crc32(whole)), index


def flow_payload(curve: Curve, second: Curve, x_bytes: int = 3, y_bytes: int = 4) -> bytes:
    numbers = [(x, x_bytes) for x, _ in curve.points]
    numbers += [(y, y_bytes) for _, y in curve.points] + [(y, y_bytes) for _, y in second.points]
    packed = b"".join(value.to_bytes(size, "little", signed=True) for value, size in numbers)
    return bytes([len(curve.points), x_bytes | y_bytes << 4]) + packed


def verdict(first: Curve, second: Curve, full_mdeg_s: tuple[int, int], **widths: int) -> tuple[str, int]:
    joint = replace(BASE.joints[0], speed_full_mdeg_s=full_mdeg_s, speed_reduced_mdeg_s=(1, 1))
    flat = Curve(points=((-100_000, 1), (100_000, 1)))
    data = encode_table(replace(BASE, joints=(replace(joint, flow_per_speed_q16=(flat, flat)),)))
    changed, index = with_section(data, FLOW, flow_payload(first, second, **widths))
    result, section, field, table = core_table.parse(changed)
    assert result == "ok" or (section == index and core_table.is_zeroed(table))
    return result, field


def flow(*values: int) -> Curve:
    return Curve(points=tuple((-100_000 + 50_000 * index, value) for index, value in enumerate(values)))


MOST = INT32_MAX * 65_536 // 200_000  # of flow for speed at 200000 mdeg/s, so that the flow asked for fits 32 bits


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (flow(MOST, MOST, MOST), flow(MOST, MOST, MOST), ("ok", 0xFFFF)),
        (flow(MOST + 1, 1, 1), flow(1, 1, 1), ("bad_value", 3)),
        (flow(1, MOST + 1, 1), flow(1, 1, 1), ("bad_value", 3)),
        (flow(1, 1, MOST + 1), flow(1, 1, 1), ("bad_value", 3)),
        (flow(1, 1, 1), flow(MOST + 1, 1, 1), ("bad_value", 4)),
        (flow(1, 1, 1), flow(1, 1, MOST + 1), ("bad_value", 4)),
    ],
)
def test_a_flow_that_would_leave_32_bits_at_any_one_point_is_refused(first, second, expected):
    """INV-TABLE-2, whichever of the points it is, and whatever the points after it say."""
    assert verdict(first, second, (200_000, 200_000)) == expected


@pytest.mark.parametrize(
    ("widths", "expected"),
    [
        ({"x_bytes": 3, "y_bytes": 4}, ("ok", 0xFFFF)),
        ({"x_bytes": 4, "y_bytes": 4}, ("bad_structure", 1)),
    ],
)
def test_positions_in_more_bytes_than_they_need_are_another_encoding_and_refused(widths, expected):
    """INV-PARSE-2: one table, one encoding."""
    wide = flow(MOST, MOST)

    assert verdict(wide, wide, (200_000, 200_000), **widths) == expected


@pytest.mark.parametrize("reached", ["first", "second"])
def test_the_shared_width_is_the_smallest_for_both_curves_together(reached):
    """One of the two needs the four bytes: that is enough, whichever it is; where neither does, they are refused."""
    wide, narrow = flow(MOST, 1), flow(5, 6)

    assert verdict(*((wide, narrow) if reached == "first" else (narrow, wide)), (200_000, 200_000))[0] == "ok"
    assert verdict(narrow, narrow, (200_000, 200_000)) == ("bad_structure", 1)
