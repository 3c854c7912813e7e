"""Golden: a table put together byte by byte from firmware_stub/README.md alone, and Python and C on it and on each
other.
"""

from __future__ import annotations

import random
import struct
import zlib
from dataclasses import replace

import core_table
import pytest
from make_profile import worked
from make_table import random_table

from mapper.table import (
    CoupledStop,
    Curve,
    DecodeError,
    EncodeError,
    JointTable,
    MachineTable,
    Sensor,
    Table,
    Track,
    compile_table,
    decode_table,
    encode_table,
)

SMALL = Table(
    machine_id="bench-7",
    revision=513,
    tool_version=(1, 2, 3),
    profile_digest=bytes(range(32)),
    machine=MachineTable(
        tick_us=5000,
        tick_hz=200,
        late_us=2000,
        pump_ml_min=50_000,
        power_up_ticks=40,
        discrepancy_ticks=41,
        reset_min_ticks=30,
        reset_max_ticks=600,
        load_ticks=201,
        match_ticks=100,
        authority_step_q16=65_536,
        stop_category=1,
        stop_ticks=99,
        release_ticks=240,
        tip_mdeg_mm_s=14_323_944,
    ),
    joints=(
        JointTable(
            control=0,
            continuous=False,
            polarity=-1,
            operator=Sensor(
                tracks=(
                    Track(input=5, count_min=200, count_max=3895, curve=Curve(points=((450, -80_000), (3650, 80_000)))),
                ),
                step_max=7550,
                disagreement=1,
                bad_ticks=10,
            ),
            position=Sensor(
                tracks=(
                    Track(input=6, count_min=250, count_max=3845, curve=Curve(points=((400, -4000), (3695, 4000)))),
                    Track(
                        input=7, count_min=251, count_max=40_000, curve=Curve(points=((400, 40_000), (36_950, -4000)))
                    ),
                ),
                step_max=1281,
                disagreement=2000,
                bad_ticks=5,
            ),
            filter_q16=7739,
            speed_filter_q16=3991,
            deadband=600,
            speed_deadband_mdeg_s=1000,
            response=Curve(points=((-60_000, -39_000), (0, 0), (60_000, 39_000))),
            gain_q16=131_072,
            feed_q16=55_706,
            match_window_mdeg=4000,
            gap_mdeg=0,
            speed_reduced_mdeg_s=(4500, 4600),
            speed_full_mdeg_s=(25_000, 26_000),
            accelerate_mdeg_s=150,
            decelerate_mdeg_s=151,
            stop_mdeg_s=152,
            soft_stop_mdeg=(3900, -3900),
            brake=(Curve(points=((0, 0), (1166, 4166))), Curve(points=((0, 10), (40_000, 25_000)))),
            flow_per_speed_q16=(
                Curve(points=((-45_000, 16_456), (45_000, 10_715))),
                Curve(points=((-45_000, 9822), (45_000, 70_000))),
            ),
            flow_max_e4=(10_000, 9000),
            flow_full_ml_min=25_000,
            valve=(Curve(points=((0, 1800), (10_000, 10_000))), Curve(points=((0, 1900), (1700, 4000), (9999, 9000)))),
            drive_max_e4=9500,
            reversal_ticks=4,
            settle_ticks=300,
            still_ticks=200,
            still_mdeg=2000,
            stall_flow_e4=1500,
            stall_ticks=201,
            stall_mdeg=500,
            reach_mm=5524,
        ),
    ),
)


def _on_other_inputs(joint: JointTable, first: int) -> JointTable:
    """The same with its tracks on inputs from `first` on."""
    wires = iter(range(first, 64))
    return replace(
        joint,
        **{
            name: replace(sensor, tracks=tuple(replace(track, input=next(wires)) for track in sensor.tracks))
            for name, sensor in (("operator", joint.operator), ("position", joint.position))
        },
    )


COUPLED = (
    CoupledStop(
        joints=(0, 1),
        weights_e3=(-1000, -750),
        limit_mdeg=-80_000,
        brake=Curve(points=((0, 0), (11_000, 8_000), (125_000, 50_000))),
    ),
    CoupledStop(joints=(0, 1), weights_e3=(500, -10_000), limit_mdeg=7_200_000, brake=Curve(points=((0, 5), (100, 6)))),
)
PAIR = replace(SMALL, joints=(SMALL.joints[0], _on_other_inputs(SMALL.joints[0], 20)), coupled=COUPLED)


def u24(value: int) -> bytes:
    return struct.pack("<i", value)[:3]


def section(kind: int, joint: int, payload: bytes) -> bytes:
    return struct.pack("<BBH", kind, joint, len(payload)) + payload


def test_bytes_are_those_of_the_documented_layout() -> None:
    """Every byte of a one-joint table, written down from the page and not from the encoder."""
    machine = struct.pack("<HHH", 5000, 200, 2000) + u24(50_000)
    machine += (
        struct.pack("<HHHHHH", 40, 41, 30, 600, 201, 100) + u24(65_536) + struct.pack("<BHHI", 1, 99, 240, 14_323_944)
    )
    settings = struct.pack("<BBb", 0, 0, -1) + u24(7550) + u24(1) + struct.pack("<H", 10)
    settings += u24(1281) + u24(2000) + struct.pack("<H", 5) + u24(7739) + u24(3991) + u24(600) + u24(1000)
    settings += u24(131_072) + u24(55_706) + u24(4000) + u24(0) + u24(4500) + u24(4600) + u24(25_000) + u24(26_000)
    settings += u24(150) + u24(151) + u24(152) + u24(3900) + u24(-3900) + struct.pack("<HH", 10_000, 9000)
    settings += u24(25_000) + struct.pack("<HHHH", 9500, 4, 300, 200) + u24(2000)
    settings += struct.pack("<HH", 1500, 201) + u24(500) + struct.pack("<H", 5524)
    operator = struct.pack("<BHHBB", 5, 200, 3895, 2, 0x32) + struct.pack("<hh", 450, 3650) + u24(-80_000) + u24(80_000)
    first = struct.pack("<BHHBBhhhh", 6, 250, 3845, 2, 0x22, 400, 3695, -4000, 4000)
    second = struct.pack("<BHHBB", 7, 251, 40_000, 2, 0x33) + u24(400) + u24(36_950) + u24(40_000) + u24(-4000)
    response = bytes([3, 0x33]) + u24(-60_000) + u24(0) + u24(60_000) + u24(-39_000) + u24(0) + u24(39_000)
    brake = struct.pack("<BBhhhh", 2, 0x22, 0, 1166, 0, 4166)
    brake += bytes([2, 0x23]) + u24(0) + u24(40_000) + struct.pack("<hh", 10, 25_000)
    flow = bytes([2, 0x33]) + b"".join(map(u24, (-45_000, 45_000, 16_456, 10_715, 9822, 70_000)))
    valve = struct.pack("<BBhhhh", 2, 0x22, 0, 10_000, 1800, 10_000)
    valve += struct.pack("<BBhhhhhh", 3, 0x22, 0, 1700, 9999, 1900, 4000, 9000)
    sections = [section(1, 255, machine), section(2, 0, settings), section(3, 0, operator), section(4, 0, first)]
    sections += [section(4, 0, second), section(5, 0, response), section(6, 0, brake), section(7, 0, flow)]
    sections += [section(8, 0, valve)]
    body = b"".join(sections)
    head = b"HJT1" + struct.pack("<HHI", 2, 80, 80 + len(body) + 4) + b"bench-7".ljust(16, b"\0")
    head += struct.pack("<HHBBBB", 513, 9, 1, 1, 2, 3) + bytes(range(32)) + bytes(12)
    expected = head + body + struct.pack("<I", zlib.crc32(head + body))

    assert encode_table(SMALL) == expected
    assert decode_table(expected) == SMALL
    result, _, _, live = core_table.parse(expected)
    assert result == "ok"
    assert core_table.as_table(live) == SMALL


def test_bytes_of_a_coupled_stop_are_those_of_the_documented_layout() -> None:
    """Two of them after the last joint's sections, in the order of their numbers, under the joint number 255."""
    first = struct.pack("<BBhh", 0, 1, -1000, -750) + u24(-80_000)
    first += bytes([3, 0x33]) + b"".join(map(u24, (0, 11_000, 125_000, 0, 8_000, 50_000)))
    second = struct.pack("<BBhh", 0, 1, 500, -10_000) + u24(7_200_000)
    second += struct.pack("<BBhhhh", 2, 0x22, 0, 100, 5, 6)
    end = section(9, 255, first) + section(9, 255, second)

    data = encode_table(PAIR)

    assert data[-4 - len(end) : -4] == end
    assert struct.unpack_from("<H", data, 30) == (1 + 8 + 8 + 2,)
    assert decode_table(data) == PAIR
    assert core_table.as_table(core_table.parse(data)[3]) == PAIR


@pytest.mark.parametrize("seed", range(120))
def test_random_tables_survive_python_and_c(seed: int) -> None:
    """What Python writes, the controller and the reader both take as the same table, field by field."""
    table = random_table(random.Random(seed), joint_count=1 + seed % 6)

    data = encode_table(table)

    assert decode_table(data) == table
    result, section_index, field, live = core_table.parse(data)
    assert (result, section_index, field) == ("ok", 65_535, 65_535)
    assert core_table.as_table(live) == table
    assert core_table.core_library().core_assert_line() == 0


@pytest.mark.parametrize("name", ["kerb-arm", "test-stand"])
def test_worked_machines_survive_python_and_c(name: str) -> None:
    table = compile_table(worked(name))

    data = encode_table(table)

    assert decode_table(data) == table
    assert core_table.as_table(core_table.parse(data)[3]) == table


def test_six_joints_take_less_than_three_kibibytes() -> None:
    assert len(encode_table(compile_table(worked("kerb-arm")))) <= 3 * 1024


def test_controller_takes_a_table_only_for_its_own_machine_id() -> None:
    library = core_table.core_library()
    live = core_table.parse(encode_table(SMALL))[3]

    assert library.table_is_for(live, b"bench-7".ljust(16, b"\0"))
    assert not library.table_is_for(live, b"bench-8".ljust(16, b"\0"))
    assert not library.table_is_for(live, b"bench-7x".ljust(16, b"\0"))
    assert not library.table_is_for(live, bytes(16))


def repaired(data: bytes) -> bytes:
    """The same bytes with the CRC that belongs to them."""
    return data[:-4] + struct.pack("<I", zlib.crc32(data[:-4]))


def verdicts(data: bytes) -> Table | None:
    """What Python and C make of the bytes: the one table both read, or None where both refuse. Fails where they
    differ.
    """
    result, _, _, live = core_table.parse(data)
    if result != "ok":
        assert core_table.is_zeroed(live)
        with pytest.raises(DecodeError):
            decode_table(data)
        return None
    table = decode_table(data)
    assert core_table.as_table(live) == table
    return table


def test_every_flipped_bit_is_refused() -> None:
    data = encode_table(SMALL)
    for bit in range(8 * len(data)):
        damaged = bytearray(data)
        damaged[bit // 8] ^= 1 << bit % 8

        assert core_table.parse(bytes(damaged))[0] != "ok", bit
        with pytest.raises(DecodeError):
            decode_table(bytes(damaged))


@pytest.mark.parametrize(("whole", "start"), [(SMALL, 0), (PAIR, -100)])
def test_a_flipped_bit_with_the_crc_repaired_is_refused_or_another_valid_table(whole: Table, start: int) -> None:
    """Python and C agree on each of them, and no flip leads to the same table: there is one encoding only. Of the
    second table its last bytes, in which the coupled stops are.
    """
    data = encode_table(whole)
    taken = 0
    for bit in range(8 * (start % len(data)), 8 * (len(data) - 4)):
        damaged = bytearray(data)
        damaged[bit // 8] ^= 1 << bit % 8
        table = verdicts(repaired(bytes(damaged)))
        if table is None:
            continue
        taken += 1
        assert table != whole, bit
        assert encode_table(table) == repaired(bytes(damaged)), bit

    assert taken > (8 * 32 if start == 0 else 100)  # the digest alone takes any bit


@pytest.mark.parametrize("seed", range(20))
def test_random_damage_with_the_crc_repaired_is_judged_alike(seed: int) -> None:
    """Bytes overwritten, cut out, doubled; lengths of sections changed: Python and C agree."""
    rng = random.Random(seed)
    data = encode_table(random_table(rng, joint_count=2) if seed % 2 else PAIR)
    for _ in range(60):
        damaged = bytearray(data)
        for _ in range(rng.randint(1, 3)):
            at = rng.randrange(80, len(damaged) - 4)
            kind = rng.random()
            if kind < 0.6:
                damaged[at] = rng.choice((0, 1, 2, 0x22, 0x33, 0x7F, 0x80, 0xFF, rng.randrange(256)))
            elif kind < 0.8:
                del damaged[at : at + rng.randint(1, 40)]
            else:
                damaged[at:at] = damaged[at : at + rng.randint(1, 40)]
        damaged[8:12] = struct.pack("<I", len(damaged))
        verdicts(repaired(bytes(damaged)))


def test_every_shortened_table_is_refused() -> None:
    data = encode_table(SMALL)
    for length in range(len(data)):
        cut = data[:length]
        assert verdicts(cut) is None, length
        if length >= 84:
            stated = cut[:8] + struct.pack("<I", length) + cut[12:]
            assert verdicts(repaired(stated)) is None, length


def sections_of(data: bytes) -> list[bytes]:
    sections, at = [], 80
    while at < len(data) - 4:
        length = 4 + struct.unpack_from("<H", data, at + 2)[0]
        sections.append(data[at : at + length])
        at += length
    return sections


def with_sections(data: bytes, parts: list[bytes]) -> bytes:
    """The table with other sections and all that says how many and how long."""
    head = data[:8] + struct.pack("<I", 84 + sum(map(len, parts))) + data[12:30] + struct.pack("<H", len(parts))
    return repaired(head + data[32:80] + b"".join(parts) + bytes(4))


def test_sections_out_of_order_missing_or_doubled_are_refused() -> None:
    data = encode_table(SMALL)
    sections = sections_of(data)

    def joined(parts: list[bytes]) -> bytes:
        return with_sections(data, parts)

    assert verdicts(joined(sections)) == SMALL
    for index in range(len(sections)):
        if sections[index][0] != 4:  # one of two position tracks may go
            assert verdicts(joined(sections[:index] + sections[index + 1 :])) is None, index
        assert verdicts(joined(sections[: index + 1] + sections[index:])) is None, index
    for index in range(len(sections) - 1):
        swapped = [*sections[:index], sections[index + 1], sections[index], *sections[index + 2 :]]
        verdict = verdicts(joined(swapped))
        assert (verdict is None) == (index != 3), index  # the two position tracks may change places
    for kind in (0, 9, 10, 200, 255):  # 9 belongs to no joint
        result, place, field, _ = core_table.parse(joined([*sections, section(kind, 0, b"\1\2")]))
        assert (result, field) == ("bad_structure", 65_535), kind
        assert place == len(sections), kind
        assert verdicts(joined([*sections, section(kind, 0, b"")])) is None, kind


def test_coupled_stops_stand_last_each_once_in_the_order_of_their_numbers() -> None:
    data = encode_table(PAIR)
    *others, first, second = sections_of(data)

    assert verdicts(with_sections(data, [*others, first, second])) == PAIR
    assert verdicts(with_sections(data, [*others, first])) == replace(PAIR, coupled=COUPLED[:1])
    assert verdicts(with_sections(data, [*others, second])) == replace(PAIR, coupled=COUPLED[1:])
    for parts in (
        [*others, second, first],
        [*others, first, first],
        [first, *others, second],
        [others[0], first, *others[1:], second],
        [*others[:9], first, *others[9:], second],
        [*others, b"\x09\x00" + first[2:], second],
        [*others, b"\x0a" + first[1:], second],
    ):
        assert verdicts(with_sections(data, parts)) is None


@pytest.mark.parametrize(
    "change",
    [
        {"joints": (1, 0)},
        {"joints": (0, 0)},
        {"joints": (0, 2)},
        {"joints": (0, 255)},
        {"weights_e3": (0, 1000)},
        {"weights_e3": (1000, 0)},
        {"weights_e3": (10_001, 1000)},
        {"weights_e3": (1000, -10_001)},
        {"limit_mdeg": 7_200_001},
        {"limit_mdeg": -7_200_001},
        {"brake": Curve(points=((1, 0), (100, 50)))},
        {"brake": Curve(points=((0, 10), (100, 9)))},
        {"brake": Curve(points=((0, 0), (7_200_001, 50)))},
        {"brake": Curve(points=((0, 0), (1000, 2_000_001)))},
        {"brake": Curve(points=((0, -1), (1000, 1)))},
    ],
)  # fmt: skip
def test_a_coupled_stop_outside_its_range_is_refused_by_all_three(change: dict) -> None:
    """By the encoder by name; its bytes, put together here, by decoder and controller."""
    stop = replace(COUPLED[0], **change)
    *others, _, second = sections_of(encode_table(PAIR))
    values = struct.pack("<BBhh", *stop.joints, *stop.weights_e3) + u24(stop.limit_mdeg)
    xs, ys = zip(*stop.brake.points, strict=True)
    sizes = [2 if all(-32_768 <= value < 32_768 for value in column) else 3 for column in (xs, ys)]
    values += bytes([len(xs), sizes[0] | sizes[1] << 4])
    values += b"".join(u24(value)[:size] for column, size in zip((xs, ys), sizes, strict=True) for value in column)

    with pytest.raises(EncodeError, match=r"coupled\[0\]"):
        encode_table(replace(PAIR, coupled=(stop, COUPLED[1])))
    assert verdicts(with_sections(encode_table(PAIR), [*others, section(9, 255, values), second])) is None


def test_a_coupled_stop_of_a_continuous_joint_is_refused_by_all_three() -> None:
    turning = replace(PAIR.joints[1], continuous=True)
    with pytest.raises(EncodeError, match=r"coupled\[0\]\.joints\[1\]"):
        encode_table(replace(PAIR, joints=(PAIR.joints[0], turning)))

    data = encode_table(replace(PAIR, joints=(PAIR.joints[0], turning), coupled=()))
    assert verdicts(data) is not None
    stops = sections_of(encode_table(PAIR))[-2:]
    assert verdicts(with_sections(data, [*sections_of(data), *stops])) is None


def test_eight_coupled_stops_fit_and_nine_do_not() -> None:
    many = [replace(COUPLED[0], limit_mdeg=limit) for limit in range(9)]
    data = encode_table(replace(PAIR, coupled=tuple(many[:8])))
    assert verdicts(data) == replace(PAIR, coupled=tuple(many[:8]))

    with pytest.raises(EncodeError, match="at most 8"):
        encode_table(replace(PAIR, coupled=tuple(many)))
    ninth = sections_of(encode_table(replace(PAIR, coupled=(many[8],))))[-1]
    assert verdicts(with_sections(data, [*sections_of(data), ninth])) is None


def test_the_table_of_the_layout_before_is_refused_by_name() -> None:
    data = encode_table(SMALL)
    before = repaired(data[:4] + b"\1\0" + data[6:])

    assert core_table.parse(before)[:3] == ("other_layout", 65_535, 1)
    with pytest.raises(DecodeError, match="layout 1; this version reads layout 2"):
        decode_table(before)


def test_a_wrong_number_of_sections_is_refused() -> None:
    data = encode_table(SMALL)
    for count in (0, 8, 10, 65_535):
        assert verdicts(repaired(data[:30] + struct.pack("<H", count) + data[32:])) is None
        assert core_table.parse(repaired(data[:30] + struct.pack("<H", count) + data[32:]))[:3] == (
            "bad_structure",
            65_535,
            6,
        )


@pytest.mark.parametrize(
    ("start", "new", "result", "field"),
    [
        (0, b"HJT2", "bad_magic", 0),
        (4, b"\0\0", "other_layout", 1),
        (4, b"\3\0", "other_layout", 1),
        (6, b"\x51\0", "bad_length", 2),
        (8, b"\0\0\0\0", "bad_length", 3),
        (12, b"\0", "bad_value", 4),
        (12, b"be nch", "bad_value", 4),
        (12, b"\x7f", "bad_value", 4),
        (12, b"\x80", "bad_value", 4),
        (26, b"x", "bad_value", 4),
        (32, b"\0", "bad_value", 7),
        (32, b"\x11", "bad_value", 7),
        (68, b"\1", "bad_structure", 10),
        (79, b"\1", "bad_structure", 10),
    ],
)
def test_each_header_field_outside_its_range_is_named(start: int, new: bytes, result: str, field: int) -> None:
    data = encode_table(SMALL)

    damaged = repaired(data[:start] + new + data[start + len(new) :])

    assert core_table.parse(damaged)[:3] == (result, 65_535, field)
    assert verdicts(damaged) is None


def test_longest_table_has_the_length_that_the_page_states() -> None:
    """16 joints, two tracks a sensor, 8 coupled stops, 12 points a curve, each in its widest form."""
    xs = [-360_000 + 60_000 * index for index in range(12)]
    wide = Curve(points=tuple((x, x) for x in xs))
    brake = Curve(points=tuple((60_000 * index, 18_000 * index) for index in range(12)))
    flow = Curve(points=tuple((x, 9_000_000) for x in xs))
    valve = Curve(points=tuple((900 * index, 900 * index) for index in range(12)))
    counts = tuple((5_000 * (index + 1), 30_000 * index - 30_000) for index in range(12))
    base = SMALL.joints[0]

    def sensor(first: int) -> Sensor:
        tracks = tuple(
            Track(input=first + number, count_min=1, count_max=65_534, curve=Curve(points=counts)) for number in (0, 1)
        )
        return Sensor(tracks=tracks, step_max=1, disagreement=1, bad_ticks=1)

    joint = replace(base, response=wide, brake=(brake, brake), flow_per_speed_q16=(flow, flow), valve=(valve, valve))
    joints = tuple(replace(joint, operator=sensor(4 * n), position=sensor(4 * n + 2)) for n in range(16))

    room = Curve(points=tuple((600_000 * index, 180_000 * index) for index in range(12)))
    coupled = tuple(replace(COUPLED[0], limit_mdeg=1_000_000 + number, brake=room) for number in range(8))

    data = encode_table(replace(SMALL, joints=joints, coupled=coupled))

    assert verdicts(data) is not None
    assert len(data) == 15_297


@pytest.mark.parametrize(
    ("machine_id", "revision"), [("", 0), ("a" * 17, 0), ("a b", 0), ("\u00fc", 0), ("ok", -1), ("ok", 65_536)]
)
def test_encoder_refuses_a_header_that_does_not_fit(machine_id: str, revision: int) -> None:
    with pytest.raises(EncodeError):
        encode_table(replace(SMALL, machine_id=machine_id, revision=revision))
