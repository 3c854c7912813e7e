"""Every rule that a curve of the layout must keep, just kept and just broken, by encoder, decoder and the
controller's parser.
"""

from __future__ import annotations

import random
import struct
import zlib
from dataclasses import replace

import core_table
import pytest
from make_profile import changed
from make_table import random_table

from mapper.table import Curve, DecodeError, EncodeError, Table, decode_table, encode_table

Points = tuple[tuple[int, int], ...]

_KINDS = {
    "operator.tracks.0.curve": 3,
    "position.tracks.0.curve": 4,
    "response": 5,
    "brake.0": 6,
    "brake.1": 6,
    "valve.0": 8,
    "valve.1": 8,
}


def _table(control: int) -> Table:
    table = random_table(random.Random(11), joint_count=1)
    joint = table.joints[0]
    line = Curve(points=((0, 0), (9_000, 9_000)))
    operator = replace(joint.operator, tracks=joint.operator.tracks[:1])
    position = replace(joint.position, tracks=joint.position.tracks[:1])
    joint = replace(joint, control=control, operator=operator, position=position, response=line)
    joint = replace(
        joint, brake=(line, line), valve=(line, line), deadband=10, continuous=True
    )  # no soft stops to reach
    joint = changed(joint, "operator.tracks.0.curve", line)
    joint = changed(joint, "position.tracks.0.curve", line)
    flow = Curve(points=((-1000, 1000), (1000, 1000)))
    return replace(table, joints=(replace(joint, flow_per_speed_q16=(flow, flow)),))


FOLLOWS, SPEEDS = _table(0), _table(1)


def _width(values: list[int]) -> int:
    return next(n for n in (2, 3, 4) if all(-(256**n) // 2 <= value < 256**n // 2 for value in values))


def _curve_bytes(points: Points) -> bytes:
    xs, ys = [x for x, _ in points], [y for _, y in points]
    data = bytes([len(points), _width(xs) | _width(ys) << 4])
    for values in (xs, ys):
        data += b"".join(struct.pack("<q", value)[: _width(values)] for value in values)
    return data


def _with_curve(table: Table, path: str, curve: bytes) -> bytes:
    """The bytes of a table with the bytes of one curve put in place of its own, lengths and CRC repaired."""
    data = encode_table(table)
    old = _curve_bytes(((0, 0), (9_000, 9_000)))
    at = 80
    while data[at] != _KINDS[path]:
        at += 4 + struct.unpack_from("<H", data, at + 2)[0]
    length = struct.unpack_from("<H", data, at + 2)[0]
    payload = data[at + 4 : at + 4 + length]
    start = payload.rindex(old) if path.endswith(".1") else payload.index(old)
    payload = payload[:start] + curve + payload[start + len(old) :]
    section = data[at : at + 2] + struct.pack("<H", len(payload)) + payload
    body = data[80:at] + section + data[at + 4 + length : -4]
    whole = data[:8] + struct.pack("<I", 84 + len(body)) + data[12:80] + body
    return whole + struct.pack("<I", zlib.crc32(whole))


def _taken(table: Table, path: str, points: Points) -> bool:
    """Do encoder, decoder and parser take the curve there? Fails where they differ."""
    data = _with_curve(table, path, _curve_bytes(points))
    live = core_table.parse(data)
    try:
        encoded = encode_table(changed(table, f"joints.0.{path}", Curve(points=points)))
    except EncodeError:
        assert live[0] == "bad_value"
        assert core_table.is_zeroed(live[3])
        with pytest.raises(DecodeError):
            decode_table(data)
        return False
    assert encoded == data
    assert core_table.as_table(live[3]) == decode_table(data)
    return True


@pytest.mark.parametrize("path", _KINDS)
@pytest.mark.parametrize(("count", "fits"), [(1, False), (2, True), (12, True), (13, False)])
def test_a_curve_has_two_to_twelve_points(path: str, count: int, fits: bool) -> None:
    points = tuple((700 * index, 700 * index) for index in range(count))

    assert _taken(FOLLOWS, path, points) == fits


@pytest.mark.parametrize("path", _KINDS)
@pytest.mark.parametrize(("middle", "fits"), [(0, False), (1, True), (8_999, True), (9_000, False), (9_001, False)])
def test_x_rises_strictly(path: str, middle: int, fits: bool) -> None:
    assert _taken(FOLLOWS, path, ((0, 0), (middle, 100), (9_000, 9_000))) == fits


_X_LIMITS = [
    (FOLLOWS, "operator.tracks.0.curve", 0, 65_535),
    (FOLLOWS, "position.tracks.0.curve", 0, 65_535),
    (FOLLOWS, "response", -360_000, 360_000),
    (SPEEDS, "response", -10_000, 10_000),
    (FOLLOWS, "brake.0", None, 720_000),
    (FOLLOWS, "brake.1", None, 720_000),
    (FOLLOWS, "valve.0", None, 10_000),
    (FOLLOWS, "valve.1", None, 10_000),
]


@pytest.mark.parametrize(("table", "path", "lowest", "highest"), _X_LIMITS)
def test_x_at_its_limits(table: Table, path: str, lowest: int | None, highest: int) -> None:
    first = 0 if lowest is None else lowest

    assert _taken(table, path, ((first, 0), (highest, 9_000)))
    assert not _taken(table, path, ((first, 0), (highest + 1, 9_000)))
    assert not _taken(table, path, ((first - 1, 0), (highest, 9_000)))


@pytest.mark.parametrize("path", ["brake.0", "brake.1", "valve.0", "valve.1"])
def test_first_x_of_brake_and_valve_is_zero(path: str) -> None:
    assert _taken(FOLLOWS, path, ((0, 0), (100, 100)))
    assert not _taken(FOLLOWS, path, ((1, 0), (100, 100)))


_Y_LIMITS = [
    (FOLLOWS, "operator.tracks.0.curve", -360_000, 360_000),
    (SPEEDS, "operator.tracks.0.curve", -10_000, 10_000),
    (SPEEDS, "position.tracks.0.curve", -360_000, 360_000),
    (FOLLOWS, "response", -360_000, 360_000),
    (SPEEDS, "response", -10_000, 10_000),
    (FOLLOWS, "brake.0", 0, 200_000),
    (FOLLOWS, "brake.1", 0, 200_000),
    (FOLLOWS, "valve.0", 0, 10_000),
    (FOLLOWS, "valve.1", 0, 10_000),
]


@pytest.mark.parametrize(("table", "path", "lowest", "highest"), _Y_LIMITS)
def test_y_at_its_limits(table: Table, path: str, lowest: int, highest: int) -> None:
    assert _taken(table, path, ((0, lowest), (9_000, highest)))
    assert not _taken(table, path, ((0, lowest - 1), (9_000, highest)))
    assert not _taken(table, path, ((0, lowest), (9_000, highest + 1)))


@pytest.mark.parametrize("path", ["operator.tracks.0.curve", "position.tracks.0.curve"])
def test_calibration_goes_one_way(path: str) -> None:
    assert _taken(FOLLOWS, path, ((0, 5), (100, 5), (200, 6)))
    assert _taken(FOLLOWS, path, ((0, 6), (100, 5), (200, 5)))
    assert not _taken(FOLLOWS, path, ((0, 5), (100, 6), (200, 5)))
    assert not _taken(FOLLOWS, path, ((0, 5), (100, 4), (200, 6)))
    assert not _taken(FOLLOWS, path, ((0, 5), (100, 5), (200, 5)))


@pytest.mark.parametrize("path", ["brake.0", "brake.1", "valve.0", "valve.1"])
def test_brake_and_valve_never_fall(path: str) -> None:
    assert _taken(FOLLOWS, path, ((0, 5), (100, 5), (200, 5)))
    assert not _taken(FOLLOWS, path, ((0, 5), (100, 6), (200, 5)))


def test_a_response_may_turn() -> None:
    assert _taken(FOLLOWS, "response", ((0, 5), (100, -6), (200, 5)))


@pytest.mark.parametrize("path", ["position.tracks.0.curve", "brake.0", "brake.1"])
def test_a_slope_must_fit_32_bits(path: str) -> None:
    """32768 x 65536 is 2**31, one too many; a hair less fits."""
    assert _taken(FOLLOWS, path, ((0, 0), (2, 65_535)))
    assert not _taken(FOLLOWS, path, ((0, 0), (2, 65_536)))


def test_a_falling_slope_must_fit_32_bits() -> None:
    assert _taken(FOLLOWS, "position.tracks.0.curve", ((0, 65_536), (2, 0)))
    assert not _taken(FOLLOWS, "position.tracks.0.curve", ((0, 65_537), (2, 0)))


@pytest.mark.parametrize("path", _KINDS)
@pytest.mark.parametrize(("x_bytes", "y_bytes"), [(2, 3), (3, 2), (3, 3), (2, 4), (4, 2)])
def test_a_width_that_is_not_the_smallest_is_refused(path: str, x_bytes: int, y_bytes: int) -> None:
    data = bytes([2, x_bytes | y_bytes << 4])
    for value, size in ((0, x_bytes), (9_000, x_bytes), (0, y_bytes), (9_000, y_bytes)):
        data += value.to_bytes(size, "little")
    damaged = _with_curve(FOLLOWS, path, data)

    assert core_table.parse(damaged)[0] == "bad_structure"
    with pytest.raises(DecodeError, match="would fit"):
        decode_table(damaged)


@pytest.mark.parametrize("widths", [0x00, 0x12, 0x21, 0x25, 0x52, 0xFF])
def test_other_widths_than_two_to_four_are_refused(widths: int) -> None:
    damaged = _with_curve(FOLLOWS, "response", bytes([2, widths]) + bytes(32))

    assert core_table.parse(damaged)[:3] == ("bad_structure", 4, 1)
    with pytest.raises(DecodeError, match="2, 3 or 4"):
        decode_table(damaged)


@pytest.mark.parametrize("value", [32_767, 32_768, -32_768, -32_769, 8_388_607, 8_388_608])
def test_width_changes_exactly_where_a_value_no_longer_fits(value: int) -> None:
    ys = ((-1000, 1000), (1000, abs(value)))
    table = changed(FOLLOWS, "joints.0.flow_per_speed_q16", (Curve(points=ys),) * 2)
    table = changed(table, "joints.0.speed_full_mdeg_s", (1, 1))
    table = changed(table, "joints.0.speed_reduced_mdeg_s", (1, 1))
    if abs(value) < 360_000:
        table = changed(table, "joints.0.response.points.0", (min(value, -1), value))

    data = encode_table(table)

    assert decode_table(data) == table
    assert core_table.as_table(core_table.parse(data)[3]) == table


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("value", [0, -1, -2147483648])
def test_flow_for_speed_below_one_is_refused(side: int, value: int) -> None:
    curves = [Curve(points=((-360_000, 70_000), (360_000, 70_000)))] * 2
    curves[side] = Curve(points=((-360_000, 7_654_321), (360_000, 16_777_215)))
    table = changed(FOLLOWS, "joints.0.flow_per_speed_q16", tuple(curves))
    table = changed(table, "joints.0.speed_full_mdeg_s", (1, 1))
    table = changed(table, "joints.0.speed_reduced_mdeg_s", (1, 1))
    data = encode_table(table)
    at = data.index(struct.pack("<i", 7_654_321))
    damaged = data[:at] + struct.pack("<i", value) + data[at + 4 : -4]
    damaged += struct.pack("<I", zlib.crc32(damaged))

    assert core_table.parse(data)[0] == "ok"
    assert core_table.parse(damaged)[:3] == ("bad_value", 6, 3 + side)
    with pytest.raises(DecodeError, match="outside 1 to"):
        decode_table(damaged)
    with pytest.raises(EncodeError):
        encode_table(changed(table, f"joints.0.flow_per_speed_q16.{side}.points.0", (-360_000, value)))
