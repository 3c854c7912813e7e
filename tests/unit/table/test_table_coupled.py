"""Coupled stops in the layout (section kind 9): ranges, rules between fields, order and place, by encoder, decoder and
the controller's parser.
"""

from __future__ import annotations

import itertools
import random
import struct
from dataclasses import replace

import core_table
import pytest
from make_profile import changed
from make_table import random_table
from table_page import Case, Row, cases, check_bytes, documented, refused_everywhere, sealed, with_bytes

from mapper.table import Curve, DecodeError, EncodeError, Sensor, Table, Track, decode_table, encode_table
from mapper.table.table import COUPLED_MAX, JOINTS_MAX, CoupledStop

COUPLED = documented("### Kind 9")
_BRAKE = Curve(points=((0, 0), (9_000, 9_000)))
_STOP = CoupledStop(joints=(0, 15), weights_e3=(1000, -1000), limit_mdeg=90_000, brake=_BRAKE)
_WIDEST = CoupledStop(
    joints=(0, 1),
    weights_e3=(-10_000, -10_000),
    limit_mdeg=-7_200_000,
    brake=Curve(points=tuple((index * 7_200_000 // 11, index * 2_000_000 // 11) for index in range(12))),
)


def _table(joint_count: int, *stops: CoupledStop) -> Table:
    """Joints that see the whole turn, of which none is continuous."""
    table = random_table(random.Random(6), joint_count=1)

    def sensor(analog: int, reach: int) -> Sensor:
        curve = Curve(points=((0, -reach), (60_000, reach)))
        track = Track(input=analog, count_min=1, count_max=65_534, curve=curve)
        return Sensor(tracks=(track,), step_max=5, disagreement=5, bad_ticks=5)

    one = replace(table.joints[0], control=0, continuous=False, response=_BRAKE, soft_stop_mdeg=(90_000, -90_000))
    joints = tuple(
        replace(one, operator=sensor(2 * index, 10_000), position=sensor(2 * index + 1, 360_000))
        for index in range(joint_count)
    )
    machine = replace(table.machine, tick_us=5000, tick_hz=200, late_us=0, discrepancy_ticks=9)
    return replace(table, machine=replace(machine, stop_ticks=0, release_ticks=0), joints=joints, coupled=stops)


def _section_at(data: bytes, number: int) -> tuple[int, int]:
    """Where the payload of the `number`th kind-9 section begins, and the section's index."""
    at, section = 80, 0
    while True:
        if data[at] == 9:
            if number == 0:
                return at + 4, section
            number -= 1
        at += 4 + struct.unpack_from("<H", data, at + 2)[0]
        section += 1


BASE = _table(JOINTS_MAX, _STOP)
DATA = encode_table(BASE)
_AT, _SECTION = _section_at(DATA, 0)
_CROSS = {(0, 15): 1, (1, 0): 1}  # the second joint is not above the first


def _raw(row: Row, value: int) -> bytes:
    return (value % 256 ** row[2]).to_bytes(row[2], "little")


@pytest.mark.parametrize("case", cases(COUPLED), ids=str)
def test_field_at_its_limits(case: Case) -> None:
    field, offset, _, value, in_range = case
    allowed = in_range and (field, value) not in _CROSS
    data = with_bytes(DATA, _AT + offset, _raw(COUPLED[field], value))
    check_bytes(data, allowed, _SECTION, _CROSS.get((field, value), field))


def test_the_page_lists_every_field_without_a_gap() -> None:
    assert [row[0] for row in COUPLED] == list(range(5))
    assert [row[1] for row in COUPLED] == [sum(row[2] for row in COUPLED[:index]) for index in range(5)]
    assert DATA[_AT + 9 : _AT + 11] == b"\x02\x22"  # the curve begins where the page says


_PATHS = ("joints.0", "joints.1", "weights_e3.0", "weights_e3.1", "limit_mdeg")


@pytest.mark.parametrize("row", COUPLED, ids=lambda row: f"{row[0]}-{row[4]}")
def test_encoder_refuses_a_field_just_outside_and_names_it(row: Row) -> None:
    for value in (row[5] - 1, row[6] + 1):
        with pytest.raises(EncodeError) as refused:
            encode_table(changed(BASE, f"coupled.0.{_PATHS[row[0]]}", value))

        assert refused.value.path.replace("[", ".").replace("]", "") == f"coupled.0.{_PATHS[row[0]]}"


@pytest.mark.parametrize("side", [0, 1])
def test_a_weight_is_not_zero(side: int) -> None:
    bad = changed(BASE, f"coupled.0.weights_e3.{side}", 0)
    for near in (-1, 1):
        assert core_table.parse(encode_table(changed(BASE, f"coupled.0.weights_e3.{side}", near)))[0] == "ok"
    refused_everywhere(bad, BASE, _AT + 2 + 2 * side, b"\0\0", _SECTION, 2 + side)


@pytest.mark.parametrize(("joints", "field"), [((2, 2), 1), ((3, 2), 1), ((2, 4), 1), ((4, 5), 0), ((0, 4), 1)])
def test_two_joints_of_the_table_the_first_below_the_second(joints: tuple[int, int], field: int) -> None:
    good = _table(4, replace(_STOP, joints=(2, 3)))
    at, section = _section_at(encode_table(good), 0)
    refused_everywhere(changed(good, "coupled.0.joints", joints), good, at, bytes(joints), section, field)


@pytest.mark.parametrize("side", [0, 1])
def test_neither_joint_turns_for_ever(side: int) -> None:
    good = _table(3, replace(_STOP, joints=(0, 1)))
    good = changed(good, "joints.2.continuous", True)
    joints = ((0, 2), (1, 2))[side]
    at, section = _section_at(encode_table(good), 0)
    refused_everywhere(changed(good, "coupled.0.joints", joints), good, at, bytes(joints), section, 1)
    first = changed(changed(good, "joints.0.continuous", True), "joints.2.continuous", False)
    data = encode_table(changed(first, "coupled.0.joints", (1, 2)))
    at, section = _section_at(data, 0)
    assert core_table.parse(with_bytes(data, at, bytes((0, 2))))[:3] == ("bad_value", section, 0)


_TWO = _table(3, replace(_STOP, joints=(0, 1)), replace(_STOP, joints=(0, 1), limit_mdeg=90_001))
_STEPS = [
    ((0, 1), (-1, 5), -7), ((0, 1), (-1, 5), 3), ((0, 1), (-1, 6), -9), ((0, 1), (2, -9), 0), ((0, 2), (-9, -9), -9),
    ((1, 2), (-10_000, -10_000), -7_200_000),
]  # fmt: skip


@pytest.mark.parametrize(("first", "second"), list(itertools.product(range(len(_STEPS)), repeat=2)))
def test_stops_rise_strictly_as_signed_numbers(first: int, second: int) -> None:
    """Negative numbers are below positive ones, though their bytes are above."""

    def stop(index: int) -> CoupledStop:
        joints, weights, limit = _STEPS[index]
        return replace(_STOP, joints=joints, weights_e3=weights, limit_mdeg=limit)

    table = replace(_TWO, coupled=(stop(first), stop(second)))
    if first < second:
        data = encode_table(table)
        assert core_table.as_table(core_table.parse(data)[3]) == decode_table(data) == table
        return
    good = replace(_TWO, coupled=(stop(0), stop(5))) if (first, second) != (5, 5) else _TWO
    with pytest.raises(EncodeError):
        encode_table(table)
    data = encode_table(good)
    for number, index in enumerate((first, second)):
        at, section = _section_at(data, number)
        joints, weights, limit = _STEPS[index]
        data = with_bytes(data, at, struct.pack("<BBhh", *joints, *weights) + struct.pack("<i", limit)[:3])
    assert core_table.parse(data)[:3] == ("bad_value", section, 4)
    with pytest.raises(DecodeError):
        decode_table(data)


@pytest.mark.parametrize(
    ("points", "field"),
    [
        (((0, 0), (7_200_000, 2_000_000)), None),
        (((0, 7), (1, 7)), None),
        (((0, 0), (7_200_001, 9)), 7),
        (((1, 0), (9, 9)), 7),
        (((0, -1), (9, 9)), 8),
        (((0, 0), (7_000_000, 2_000_001)), 8),
        (((0, 9), (9, 8)), 8),
        (((0, 0), (61, 2_000_000)), 8),  # 65536 x 2,000,000 / 61 leaves 32 bits
        (((0, 0), (62, 2_000_000)), None),
    ],
)
def test_braking_curve_of_a_stop(points: tuple[tuple[int, int], ...], field: int | None) -> None:
    good = replace(_STOP, joints=(0, 1))
    table = _table(2, replace(good, brake=Curve(points=points)))
    if field is None:
        data = encode_table(table)
        assert core_table.as_table(core_table.parse(data)[3]) == decode_table(data) == table
        return
    with pytest.raises(EncodeError):
        encode_table(table)
    data = encode_table(_table(2, good))
    at, section = _section_at(data, 0)
    xs, ys = ([point[axis] for point in points] for axis in (0, 1))
    widths = [next(n for n in (2, 3, 4) if all(abs(2 * v + 1) < 256**n for v in values)) for values in (xs, ys)]
    curve = bytes([2, widths[0] | widths[1] << 4])
    for values, width in zip((xs, ys), widths, strict=True):
        curve += b"".join(struct.pack("<i", value)[:width] for value in values)
    payload = data[at : at + 9] + curve
    whole = sealed(data[: at - 2] + struct.pack("<H", len(payload)) + payload)
    assert core_table.parse(whole)[:3] == ("bad_value", section, field)
    with pytest.raises(DecodeError):
        decode_table(whole)


def _moved(data: bytes, target: int) -> bytes:
    """The last section taken out and put in at the byte `target`."""
    at = _section_at(data, 0)[0] - 4
    return sealed(data[:target] + data[at:-4] + data[target:at])


def test_stops_come_after_the_last_joint_only() -> None:
    table = _table(2, replace(_STOP, joints=(0, 1)))
    data = encode_table(table)
    machine_end = 84 + struct.unpack_from("<H", data, 82)[0]
    second_joint = next(at for at in range(machine_end + 4, len(data)) if data[at : at + 4] == b"\x02\x01\x61\x00")

    assert core_table.parse(data)[0] == "ok"
    for target in (80, machine_end, second_joint):
        assert core_table.parse(_moved(data, target))[0] == "bad_structure"
        with pytest.raises(DecodeError):
            decode_table(_moved(data, target))


@pytest.mark.parametrize("change", [-1, 1])
def test_a_section_that_is_too_short_or_too_long_is_refused(change: int) -> None:
    data = encode_table(_table(2, replace(_STOP, joints=(0, 1))))
    at, section = _section_at(data, 0)
    length = struct.unpack_from("<H", data, at - 2)[0] + change
    whole = sealed(data[: at - 2] + struct.pack("<H", length) + (data[at:-4] + b"\0")[:length])

    assert core_table.parse(whole)[:2] == ("bad_structure", section)
    with pytest.raises(DecodeError):
        decode_table(whole)


def test_a_table_has_eight_stops_at_most() -> None:
    stops = tuple(replace(_STOP, joints=(0, 1), limit_mdeg=index) for index in range(COUPLED_MAX + 1))
    most = _table(2, *stops[:-1])
    data = encode_table(most)
    at = _section_at(data, COUPLED_MAX - 1)[0] - 4
    ninth = data[at : at + 10] + b"\x08\0\0" + data[at + 13 : -4]  # limit 8
    sections = struct.unpack_from("<H", data, 30)[0] + 1
    whole = sealed(data[:30] + struct.pack("<H", sections) + data[32:-4] + ninth)

    assert core_table.as_table(core_table.parse(data)[3]) == decode_table(data) == most
    with pytest.raises(EncodeError):
        encode_table(_table(2, *stops))
    assert core_table.parse(whole)[:2] == ("bad_structure", sections - 1)
    with pytest.raises(DecodeError):
        decode_table(whole)


def test_slopes_of_the_brake_are_made_when_the_table_is_read() -> None:
    """Rule L2: slope = floor(65536 x rise / run), of the widest curve too."""
    live = core_table.parse(encode_table(_table(2, _WIDEST)))[3].coupled[0].brake
    points = _WIDEST.brake.points

    for index in range(11):
        (x0, y0), (x1, y1) = points[index], points[index + 1]
        assert live.slope_q16[index] == 65_536 * (y1 - y0) // (x1 - x0)


def test_the_longest_table_is_what_the_page_says() -> None:
    """Every curve of twelve points in its widest form: the length that README.md gives for `work`."""

    def wide(x0: int, x1: int, y0: int, y1: int) -> Curve:
        return Curve(points=tuple((x0 + (x1 - x0) * i // 11, y0 + (y1 - y0) * i // 11) for i in range(12)))

    angle, flow = wide(0, 65_535, -360_000, 360_000), wide(-360_000, 360_000, 1, 2**24)
    table = _table(JOINTS_MAX, *(replace(_WIDEST, limit_mdeg=limit) for limit in range(COUPLED_MAX)))
    joints = []
    for index, joint in enumerate(table.joints):
        tracks = [Track(input=4 * index + n, count_min=1, count_max=65_534, curve=angle) for n in range(4)]
        joints.append(
            replace(
                joint,
                operator=replace(joint.operator, tracks=tuple(tracks[:2])),
                position=replace(joint.position, tracks=tuple(tracks[2:])),
                response=wide(-360_000, 360_000, -360_000, 360_000),
                brake=(wide(0, 720_000, 0, 200_000),) * 2,
                flow_per_speed_q16=(flow, flow),
                speed_reduced_mdeg_s=(1, 1),
                speed_full_mdeg_s=(100, 100),
                valve=(wide(0, 10_000, 0, 10_000),) * 2,
            )
        )
    data = encode_table(replace(table, joints=tuple(joints)))

    assert core_table.parse(data)[0] == "ok"
    assert len(data) == 15_297


@pytest.mark.parametrize("layout", [1, 3])
def test_another_layout_is_refused_by_name(layout: int) -> None:
    data = with_bytes(DATA, 4, struct.pack("<H", layout))

    assert core_table.parse(data)[0] == "other_layout"
    with pytest.raises(DecodeError, match="layout"):
        decode_table(data)
