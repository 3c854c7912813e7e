"""Every field of the layout just inside, at and just outside its range: encoder, decoder and the controller's parser
alike.

The ranges are read from the tables in firmware_stub/README.md, so that the page is held to the three of them as well.
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
from table_page import Case, Row, cases, check_bytes, documented, refused_everywhere, with_bytes

from mapper.table import (
    Curve,
    EncodeError,
    JointTable,
    Sensor,
    Table,
    Track,
    decode_table,
    encode_table,
)

MACHINE = documented("### Kind 1")
JOINT = documented("### Kind 2")


def _base() -> Table:
    """A one-joint table in which every single field can go to both ends of its range, unless a cross rule says
    otherwise.
    """
    table = random_table(random.Random(4), joint_count=1)
    reach = Curve(points=((0, 0), (60_000, 10_000)))
    turn = Curve(points=((0, -360_000), (60_000, 360_000)))
    track = Track(input=1, count_min=1, count_max=65_534, curve=reach)
    sensor = Sensor(tracks=(track,), step_max=5, disagreement=5, bad_ticks=5)
    position = replace(sensor, tracks=(replace(track, input=9, curve=turn),))
    line = Curve(points=((0, 0), (10_000, 10_000)))
    flow = Curve(points=((-1000, 1000), (1000, 1000)))
    joint = replace(
        table.joints[0],
        control=0,
        continuous=False,
        polarity=1,
        operator=sensor,
        position=position,
        response=line,
        brake=(line, line),
        flow_per_speed_q16=(flow, flow),
        valve=(line, line),
        speed_reduced_mdeg_s=(1, 1),
        speed_full_mdeg_s=(200_000, 200_000),
        soft_stop_mdeg=(360_000, -360_000),
        deadband=100,
    )
    machine = replace(
        table.machine,
        tick_us=5000,
        tick_hz=200,
        late_us=500,
        discrepancy_ticks=100,
        reset_min_ticks=1,
        reset_max_ticks=60_000,
        stop_ticks=0,
        release_ticks=0,
    )
    return replace(table, machine=machine, joints=(joint,))


BASE = _base()
DATA = encode_table(BASE)
_MACHINE_AT = 84
_JOINT_AT = 84 + struct.unpack_from("<H", DATA, 82)[0] + 4


# What a cross rule forbids inside the range of the field alone, with the field that is named for it.
_MACHINE_CROSS = {(0, value): 1 for value in (1000, 1001, 19_999, 20_000)}  # tick_us x tick_hz
_MACHINE_CROSS |= {(1, value): 1 for value in (50, 51, 999, 1000)}
_MACHINE_CROSS |= {(6, 60_000): 7, (7, 1): 7}
_MACHINE_CROSS |= {(field, value): field for field in (12, 13) for value in (9999, 10_000)}  # more than 10 s
_MACHINE_CROSS |= {(2, value): 2 for value in (19_999, 20_000)}  # later than a tick
_MACHINE_CROSS |= {(5, value): 5 for value in (59_999, 60_000)}  # more than 5 s
_JOINT_CROSS = {(2, 0): 2, (24, -360_000): 25, (25, 360_000): 25}
_JOINT_CROSS |= {(field, value): field for field in (5, 8) for value in (999, 1000)}  # more than 1 s


def _check(section: int, start: int, cross: dict[tuple[int, int], int], case: Case) -> None:
    field, offset, byte_count, value, in_range = case
    raw = (value % 256**byte_count).to_bytes(byte_count, "little")
    allowed = in_range and (field, value) not in cross
    check_bytes(with_bytes(DATA, start + offset, raw), allowed, section, cross.get((field, value), field))


@pytest.mark.parametrize("case", cases(MACHINE), ids=str)
def test_machine_field_at_its_limits(case: Case) -> None:
    _check(0, _MACHINE_AT, _MACHINE_CROSS, case)


@pytest.mark.parametrize("case", cases(JOINT), ids=str)
def test_joint_field_at_its_limits(case: Case) -> None:
    _check(1, _JOINT_AT, _JOINT_CROSS, case)


def test_the_page_lists_every_field_without_a_gap() -> None:
    for rows in (MACHINE, JOINT):
        assert [row[0] for row in rows] == list(range(len(rows)))
        assert [row[1] for row in rows] == [sum(row[2] for row in rows[:index]) for index in range(len(rows))]
    assert len(MACHINE) == 15
    assert len(JOINT) == 38
    assert _JOINT_AT + sum(row[2] for row in JOINT) < len(DATA)


_PATHS = {
    "control": "control",
    "speed_reduced_mdeg_s": "speed_reduced_mdeg_s.0",
    "speed_full_mdeg_s": "speed_full_mdeg_s.0",
    "soft_stop_mdeg": "soft_stop_mdeg.0",
    "flow_max_e4": "flow_max_e4.0",
}


def _path(field: int, name: str, what: str) -> str:
    for sensor in ("operator", "position"):
        if name == f"{sensor} sensor":
            return f"joints.0.{sensor}.{('step_max', 'disagreement', 'bad_ticks')[(field - 3) % 3]}"
    path = _PATHS.get(name, name)
    second = field in (18, 20, 25, 27)
    return f"joints.0.{path[:-1]}1" if second else f"joints.0.{path}"


@pytest.mark.parametrize("row", JOINT, ids=lambda row: f"{row[0]}-{row[4]}")
def test_encoder_refuses_a_joint_field_just_outside_and_names_it(
    row: Row,
) -> None:
    field, _, _, _, name, lowest, highest = row
    path = _path(field, name, name)
    for value in (lowest - 1, highest + 1):
        with pytest.raises(EncodeError) as refused:
            encode_table(changed(BASE, path, value))

        assert refused.value.value == value
        assert refused.value.path.replace("[", ".").replace("]", "") == path


@pytest.mark.parametrize("row", MACHINE, ids=lambda row: f"{row[0]}-{row[4]}")
def test_encoder_refuses_a_machine_field_just_outside_and_names_it(
    row: Row,
) -> None:
    for value in (row[5] - 1, row[6] + 1):
        with pytest.raises(EncodeError) as refused:
            encode_table(changed(BASE, f"machine.{row[4]}", value))

        assert refused.value.path == f"machine.{row[4]}"


@pytest.mark.parametrize("tick_us", [1000, 1250, 2000, 8000, 20_000])
def test_ticks_that_divide_a_second_are_taken(tick_us: int) -> None:
    table = replace(BASE, machine=replace(BASE.machine, tick_us=tick_us, tick_hz=1_000_000 // tick_us))

    assert core_table.parse(encode_table(table))[0] == "ok"


def test_lever_deadband_above_half_is_refused_in_speed_control_only() -> None:
    speed = replace(BASE, joints=(replace(BASE.joints[0], control=1, deadband=5000),))

    assert core_table.parse(encode_table(speed))[0] == "ok"
    assert core_table.parse(encode_table(changed(BASE, "joints.0.deadband", 5001)))[0] == "ok"
    refused_everywhere(changed(speed, "joints.0.deadband", 5001), speed, _JOINT_AT + 25, b"\x89\x13\x00", 1, 11)


def test_deadband_scale_is_that_of_the_rules() -> None:
    """table.h: floor(10000 * 65536 / (10000 - deadband)) in speed control, else 65536."""
    for deadband in (0, 1, 600, 5000):
        speed = replace(BASE, joints=(replace(BASE.joints[0], control=1, deadband=deadband),))
        live = core_table.parse(encode_table(speed))[3]

        assert live.joint[0].deadband_scale_q16 == 10_000 * 65_536 // (10_000 - deadband)
    assert core_table.parse(DATA)[3].joint[0].deadband_scale_q16 == 65_536


@pytest.mark.parametrize("side", [0, 1])
def test_reduced_speed_may_equal_the_full_speed_but_not_pass_it(side: int) -> None:
    good = changed(
        changed(BASE, f"joints.0.speed_full_mdeg_s.{side}", 500), f"joints.0.speed_reduced_mdeg_s.{side}", 500
    )
    bad = changed(good, f"joints.0.speed_reduced_mdeg_s.{side}", 501)

    assert core_table.parse(encode_table(good))[0] == "ok"
    refused_everywhere(bad, good, _JOINT_AT + 43 + 3 * side, b"\xf5\x01\x00", 1, 19 + side)


def test_soft_stops_must_be_apart() -> None:
    good = changed(BASE, "joints.0.soft_stop_mdeg", (101, 100))

    assert core_table.parse(encode_table(good))[0] == "ok"
    refused_everywhere(changed(good, "joints.0.soft_stop_mdeg.0", 100), good, _JOINT_AT + 64, b"\x64\x00\x00", 1, 25)


@pytest.mark.parametrize("side", [0, 1])
def test_flow_for_the_highest_speed_must_fit_32_bits(side: int) -> None:
    """INV-TABLE-2: speed x flow per speed / 65536 is at most 2147483647."""
    most = (2**31 - 1) * 65_536 // 200_000
    curves = [Curve(points=((-300_000, 1000), (300_000, 1000)))] * 2
    curves[side] = Curve(points=((-300_000, most), (300_000, most)))
    good = changed(BASE, "joints.0.flow_per_speed_q16", tuple(curves))
    bad = changed(good, f"joints.0.flow_per_speed_q16.{side}.points.1", (300_000, most + 1))

    data = encode_table(good)
    at = data.index(struct.pack("<ii", most, most)) + 4

    assert core_table.parse(data)[0] == "ok"
    refused_everywhere(bad, good, at, struct.pack("<i", most + 1), 6, 3 + side)


@pytest.mark.parametrize(("name", "field"), [("stop_ticks", 12), ("release_ticks", 13)])
def test_a_stop_lasts_ten_seconds_at_most(name: str, field: int) -> None:
    """At 5 ms a tick 2000 ticks are 10 s, one more is refused by all three; at 1 ms the field's own end is 10 s."""
    offset = next(offset for number, offset, *_ in MACHINE if number == field)
    most = changed(BASE, f"machine.{name}", 2000)
    bad = changed(BASE, f"machine.{name}", 2001)
    fast = changed(changed(changed(BASE, "machine.tick_us", 1000), "machine.tick_hz", 1000), f"machine.{name}", 10_000)

    assert core_table.parse(encode_table(most))[0] == "ok"
    assert core_table.parse(encode_table(fast))[0] == "ok"
    refused_everywhere(bad, most, _MACHINE_AT + offset, struct.pack("<H", 2001), 0, field)


def test_flow_that_fits_32_bits_to_the_last_bit_is_taken() -> None:
    """65536 mdeg/s times 2147483647 / 65536 is exactly 2147483647."""
    most = Curve(points=((-300_000, 2**31 - 1 - 2**20), (300_000, 2**31 - 1)))
    table = changed(BASE, "joints.0.flow_per_speed_q16", (most, most))
    table = changed(table, "joints.0.speed_full_mdeg_s", (65_536, 65_536))

    data = encode_table(table)

    assert core_table.parse(data)[0] == "ok"
    assert decode_table(data) == table


@pytest.mark.parametrize(("count_min", "fits"), [(199, True), (200, False), (201, False)])
def test_plausible_window_has_a_width(count_min: int, fits: bool) -> None:
    good = changed(BASE, "joints.0.position.tracks.0.count_max", 200)
    table = changed(good, "joints.0.position.tracks.0.count_min", count_min)
    if fits:
        assert core_table.parse(encode_table(table))[0] == "ok"
    else:
        at = encode_table(good).index(b"\x09\x01\x00\xc8\x00") + 1
        refused_everywhere(table, good, at, struct.pack("<H", count_min), 3, 2)


def test_flow_curves_of_both_directions_share_their_positions() -> None:
    other = Curve(points=((-1000, 1000), (1001, 1000)))

    with pytest.raises(EncodeError, match="same positions"):
        encode_table(changed(BASE, "joints.0.flow_per_speed_q16.1", other))


def test_two_tracks_must_be_on_two_inputs() -> None:
    track = BASE.joints[0].operator.tracks[0]
    good = changed(BASE, "joints.0.operator.tracks", (track, replace(track, input=2)))
    bad = changed(good, "joints.0.operator.tracks.1.input", 1)
    data = encode_table(good)
    heads = (at for at in range(len(data)) if data[at : at + 2] == b"\x03\x00")
    second = next(at for at in heads if data[at + 4] == 2)

    assert core_table.parse(data)[0] == "ok"
    refused_everywhere(bad, good, second + 4, b"\x01", 3, 0)


@pytest.mark.parametrize("count", [0, 3])
def test_a_sensor_has_one_or_two_tracks(count: int) -> None:
    track = BASE.joints[0].operator.tracks[0]
    tracks = tuple(replace(track, input=number) for number in range(count))

    with pytest.raises(EncodeError, match="one or two"):
        encode_table(changed(BASE, "joints.0.operator.tracks", tracks))


@pytest.mark.parametrize("count", [0, 17])
def test_a_table_has_one_to_sixteen_joints(count: int) -> None:
    with pytest.raises(EncodeError, match="1 to 16"):
        encode_table(replace(BASE, joints=BASE.joints * count))


@pytest.mark.parametrize("lower", [True, False])
@pytest.mark.parametrize("falling", [True, False])
@pytest.mark.parametrize("track", [0, 1])
def test_every_position_track_reaches_both_soft_stops(track: int, falling: bool, lower: bool) -> None:
    """At the soft stop itself the held value still shows it; a millidegree inside it, the soft stop would never act.
    A continuous joint has none.
    """
    ends = (20_000, -30_000) if falling else (-30_000, 20_000)
    curve = Curve(points=((100, ends[0]), (200, ends[1])))
    tracks = (Track(input=9, count_min=1, count_max=65_534, curve=curve),) * 2
    tracks = (tracks[0], replace(tracks[1], input=10))
    good = changed(BASE, "joints.0.position.tracks", tracks)
    good = changed(good, "joints.0.soft_stop_mdeg", (20_000, -30_000))
    index = 1 if lower == falling else 0
    x, value = curve.points[index][0], -29_999 if lower else 19_999
    bad = changed(good, f"joints.0.position.tracks.{track}.curve.points.{index}", (x, value))
    data = encode_table(good)
    heads = [at for at in range(len(data)) if data[at : at + 2] == b"\x04\x00" and data[at + 4] in (9, 10)]
    at = heads[track] + 4 + 5 + 2 + 4 + 2 * index

    assert core_table.parse(data)[0] == "ok"
    refused_everywhere(bad, good, at, struct.pack("<h", value), 3 + track, 6)
    endless = changed(bad, "joints.0.continuous", True)
    assert (
        core_table.as_table(core_table.parse(encode_table(endless))[3])
        == decode_table(encode_table(endless))
        == endless
    )


def _three_joints() -> Table:
    """Four tracks a joint, on inputs 0 to 3, 20 to 23 and 40 to 43."""

    def joint(first: int) -> JointTable:
        own = BASE.joints[0]
        for name, shift in (("operator", 0), ("position", 2)):
            track = getattr(own, name).tracks[0]
            tracks = tuple(replace(track, input=first + shift + number) for number in (0, 1))
            own = changed(own, f"{name}.tracks", tracks)
        return own

    return replace(BASE, joints=(joint(0), joint(20), joint(40)))


_TRACKS = [(joint, name, number) for joint in range(3) for name in ("operator", "position") for number in (0, 1)]


@pytest.mark.parametrize(("first", "second"), list(itertools.combinations(range(len(_TRACKS)), 2)))
def test_no_two_tracks_of_a_table_share_an_input(first: int, second: int) -> None:
    """Every pair of the twelve tracks of three joints: of one sensor, of one joint, of two joints."""
    good = _three_joints()
    taken_joint, taken_name, taken_number = _TRACKS[first]
    taken = getattr(good.joints[taken_joint], taken_name).tracks[taken_number].input
    joint, name, number = _TRACKS[second]
    bad = changed(good, f"joints.{joint}.{name}.tracks.{number}.input", taken)
    data = encode_table(good)
    at, section, seen = 80, 0, -1
    while True:
        seen += data[at] in (3, 4)
        if seen == second:
            break
        at += 4 + struct.unpack_from("<H", data, at + 2)[0]
        section += 1

    assert core_table.parse(data)[0] == "ok"
    refused_everywhere(bad, good, at + 4, bytes([taken]), section, 0)


@pytest.mark.parametrize(
    ("tick_us", "path", "most", "field"),
    [
        (1000, "machine.late_us", 1000, 2),
        (5000, "machine.late_us", 5000, 2),
        (5000, "machine.discrepancy_ticks", 1000, 5),
        (20_000, "machine.discrepancy_ticks", 250, 5),
        (5000, "joints.0.operator.bad_ticks", 200, 5),
        (20_000, "joints.0.operator.bad_ticks", 50, 5),
        (5000, "joints.0.position.bad_ticks", 200, 8),
        (20_000, "joints.0.position.bad_ticks", 50, 8),
    ],
)
def test_times_in_ticks_end_at_their_seconds(tick_us: int, path: str, most: int, field: int) -> None:
    """Lateness one tick, discrepancy 5 s, a sensor's fault time 1 s."""
    base = changed(changed(BASE, "machine.tick_us", tick_us), "machine.tick_hz", 1_000_000 // tick_us)
    good, bad = changed(base, path, most), changed(base, path, most + 1)
    rows, start, section = (MACHINE, _MACHINE_AT, 0) if path.startswith("machine") else (JOINT, _JOINT_AT, 1)
    offset = next(offset for number, offset, *_ in rows if number == field)

    assert core_table.parse(encode_table(good))[0] == "ok"
    assert decode_table(encode_table(good)) == good
    refused_everywhere(bad, good, start + offset, struct.pack("<H", most + 1), section, field)


@pytest.mark.parametrize(
    ("name", "inside", "outside", "field"), [("count_min", 1, 0, 1), ("count_max", 65_534, 65_535, 2)]
)
@pytest.mark.parametrize("sensor", ["operator", "position"])
def test_a_window_leaves_out_what_a_cut_or_shorted_wire_reads(
    sensor: str, name: str, inside: int, outside: int, field: int
) -> None:
    path = f"joints.0.{sensor}.tracks.0.{name}"
    good = changed(BASE, path, inside)
    data = encode_table(good)
    track = BASE.joints[0].operator.tracks[0] if sensor == "operator" else BASE.joints[0].position.tracks[0]
    at = data.index(struct.pack("<BHH", track.input, 1, 65_534)) + (1 if name == "count_min" else 3)

    assert core_table.parse(data)[0] == "ok"
    section = 2 if sensor == "operator" else 3
    refused_everywhere(changed(good, path, outside), good, at, struct.pack("<H", outside), section, field)
