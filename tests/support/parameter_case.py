"""Every parameter of the table (kinds 1 to 9, every field number of firmware_stub/README.md) at its smallest and at its
largest value. `parameter_wrong` has what is just outside of both.

Numbers and ranges of kinds 1, 2 and 9 are read from the page. Where a rule between two fields keeps a field away from
its own end, the end that the rule leaves is taken (`_CROSS`), with the other field moved out of the way.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, replace

from make_profile import changed
from table_page import Row, documented

from mapper.table import CoupledStop, Curve, JointTable, MachineTable, Sensor, Table, Track

MACHINE_ID = "bench-1"
JOINT = 2
"""The joint whose parameters are tried: it is in no coupled stop."""

MACHINE_ROWS = documented("### Kind 1")
JOINT_ROWS = documented("### Kind 2")
COUPLED_ROWS = documented("### Kind 9")
CURVE_FIELDS = {3: range(7), 4: range(7), 5: range(4), 6: range(8), 7: range(5), 8: range(8), 9: range(5, 9)}
"""As the table under "Curves" numbers them."""

_JOINT_PATHS = (
    *("control", "continuous", "polarity"),
    *(f"{sensor}.{name}" for sensor in ("operator", "position") for name in ("step_max", "disagreement", "bad_ticks")),
    *("filter_q16", "speed_filter_q16", "deadband", "speed_deadband_mdeg_s", "gain_q16", "feed_q16"),
    *("match_window_mdeg", "gap_mdeg"),
    *("speed_reduced_mdeg_s.0", "speed_reduced_mdeg_s.1", "speed_full_mdeg_s.0", "speed_full_mdeg_s.1"),
    *("accelerate_mdeg_s", "decelerate_mdeg_s", "stop_mdeg_s", "soft_stop_mdeg.0", "soft_stop_mdeg.1"),
    *("flow_max_e4.0", "flow_max_e4.1", "flow_full_ml_min", "drive_max_e4", "reversal_ticks", "settle_ticks"),
    *("still_ticks", "still_mdeg", "stall_flow_e4", "stall_ticks", "stall_mdeg", "reach_mm"),
)
_COUPLED_PATHS = ("joints.0", "joints.1", "weights_e3.0", "weights_e3.1", "limit_mdeg")

_CROSS = {
    (1, 5): (1, 5_000),  # 5 s, in ticks of 1 ms
    (1, 6): (1, 59_999),  # below the longest press
    (1, 7): (2, 60_000),
    (2, 24): (-359_999, 360_000),  # above the lower soft stop
    (2, 25): (-360_000, 359_999),
    (9, 0): (0, 14),  # below the other joint
    (9, 1): (1, 15),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """A valid table with one parameter at one end. raw: its value in the bytes, where that is one number."""

    kind: int
    field: int
    end: str
    table: Table
    raw: int | None = None


def line(count: int, x: tuple[int, int], y: tuple[int, int]) -> Curve:
    """So many points, evenly spread from the first to the last x and y."""
    return Curve(
        points=tuple(
            (x[0] + (x[1] - x[0]) * n // (count - 1), y[0] + (y[1] - y[0]) * n // (count - 1)) for n in range(count)
        )
    )


def _joint(number: int) -> JointTable:
    def sensor(channel: int) -> Sensor:
        track = Track(
            input=channel, count_min=1_000, count_max=60_000, curve=line(2, (1_000, 60_000), (-360_000, 360_000))
        )
        return Sensor(tracks=(track,), step_max=3_000, disagreement=2_000, bad_ticks=5)

    valve, brake = line(2, (0, 10_000), (1_000, 9_000)), line(2, (0, 30_000), (0, 20_000))
    flow = line(2, (-90_000, 90_000), (1_000, 1_000))
    return JointTable(
        control=0,
        continuous=False,
        polarity=1,
        operator=sensor(2 * number + 1),
        position=sensor(2 * number + 2),
        filter_q16=20_000,
        speed_filter_q16=10_000,
        deadband=400,
        speed_deadband_mdeg_s=500,
        response=line(2, (-60_000, 60_000), (-30_000, 30_000)),
        gain_q16=65_536,
        feed_q16=50_000,
        match_window_mdeg=3_000,
        gap_mdeg=20_000,
        speed_reduced_mdeg_s=(100, 100),
        speed_full_mdeg_s=(200_000, 200_000),
        accelerate_mdeg_s=200,
        decelerate_mdeg_s=300,
        stop_mdeg_s=400,
        soft_stop_mdeg=(30_000, -30_000),
        brake=(brake, brake),
        flow_per_speed_q16=(flow, flow),
        flow_max_e4=(9_000, 8_000),
        flow_full_ml_min=20_000,
        valve=(valve, valve),
        drive_max_e4=9_500,
        reversal_ticks=20,
        settle_ticks=100,
        still_ticks=200,
        still_mdeg=1_000,
        stall_flow_e4=2_000,
        stall_ticks=300,
        stall_mdeg=500,
        reach_mm=3_000,
    )


def base(joint_count: int = 3) -> Table:
    """A valid table, its coupled stop between the first two joints."""
    machine = MachineTable(
        tick_us=5_000,
        tick_hz=200,
        late_us=500,
        pump_ml_min=50_000,
        power_up_ticks=40,
        discrepancy_ticks=41,
        reset_min_ticks=30,
        reset_max_ticks=600,
        load_ticks=200,
        match_ticks=100,
        authority_step_q16=655,
        stop_category=1,
        stop_ticks=99,
        release_ticks=240,
        tip_mdeg_mm_s=14_323_944,
    )
    coupled = CoupledStop(
        joints=(0, 1), weights_e3=(1_000, -500), limit_mdeg=90_000, brake=line(2, (0, 40_000), (0, 20_000))
    )
    return Table(
        machine_id=MACHINE_ID,
        revision=3,
        tool_version=(1, 2, 3),
        profile_digest=bytes(range(32)),
        machine=machine,
        joints=tuple(_joint(number) for number in range(joint_count)),
        coupled=(coupled,),
    )


def path_of(kind: int, field: int) -> str:
    """Where a field of kinds 1, 2 and 9 is in the table's dataclass."""
    if kind == 1:
        return f"machine.{MACHINE_ROWS[field][4]}"
    return f"joints.{JOINT}.{_JOINT_PATHS[field]}" if kind == 2 else f"coupled.0.{_COUPLED_PATHS[field]}"


def _room_for(table: Table, kind: int, field: int, value: int) -> Table:
    """The other fields moved so that no rule between two fields speaks before the range does."""
    own = f"joints.{JOINT}"
    moves: list[tuple[str, object]] = []
    if (kind, field) == (1, 0):
        moves = [("machine.tick_hz", 1_000_000 // value), ("machine.late_us", 0)]
    elif (kind, field) == (1, 1):
        moves = [("machine.tick_us", 1_000_000 // value), ("machine.late_us", 0)]
    elif (kind, field) == (1, 2):
        moves = [("machine.tick_us", 20_000), ("machine.tick_hz", 50)]
    elif (kind, field) in ((1, 5), (1, 12), (1, 13), (2, 5), (2, 8)):
        moves = [("machine.tick_us", 1_000), ("machine.tick_hz", 1_000)]
    elif (kind, field) in ((1, 6), (1, 7)):
        moves = [("machine.reset_min_ticks", 1), ("machine.reset_max_ticks", 60_000)]
    elif (kind, field, value) == (2, 0, 1):
        track = table.joints[JOINT].operator.tracks[0]
        lever = line(2, (1_000, 60_000), (-10_000, 10_000))
        moves = [
            (f"{own}.operator.tracks.0", replace(track, curve=lever)),
            (f"{own}.response", line(2, (-10_000, 10_000), (-10_000, 10_000))),
        ]
    elif kind == 2 and field in (17, 18, 19, 20):
        moves = [(f"{own}.speed_reduced_mdeg_s", (1, 1))]
    elif kind == 2 and field in (24, 25):
        moves = [(f"{own}.soft_stop_mdeg", (360_000, -360_000))]
    elif (kind, field) == (9, 0):
        moves = [("coupled.0.joints", (0, 15))]
    for path, new in moves:
        table = changed(table, path, new)
    return table


def ends(kind: int, row: Row) -> tuple[int, int]:
    """Smallest and largest value that a table may have there."""
    return _CROSS.get((kind, row[0]), (row[5], row[6]))


def numbers(kind: int) -> Iterator[Tried]:
    """Kinds 1, 2 and 9: both ends of every field."""
    rows = {1: MACHINE_ROWS, 2: JOINT_ROWS, 9: COUPLED_ROWS}[kind]
    start = base(16) if kind == 9 else base()
    for row in rows:
        for end, value in zip(("smallest", "largest"), ends(kind, row), strict=True):
            room = _room_for(start, kind, row[0], value)
            typed = bool(value) if path_of(kind, row[0]).endswith("continuous") else value
            table = changed(room, path_of(kind, row[0]), typed)
            yield Tried(kind=kind, field=row[0], end=end, table=table, raw=value)


def _curve_ends(
    kind: int, first: int, path: str, smallest: dict[int, Curve], largest: dict[int, Curve]
) -> Iterator[Tried]:
    """Fields + 0 to + 3 of the curve at `path`, from the curve to be put there."""
    for end, curves in (("smallest", smallest), ("largest", largest)):
        for number, curve in curves.items():
            table = changed(base(), path, curve)
            if kind == 4:
                values = [y for _, y in curve.points]
                table = changed(table, f"joints.{JOINT}.soft_stop_mdeg", (max(values), min(values)))
            yield Tried(kind=kind, field=first + number, end=end, table=table)


def tracks(kind: int) -> Iterator[Tried]:
    """Kinds 3 and 4: channel, window and curve of a track."""
    sensor = "operator" if kind == 3 else "position"
    path = f"joints.{JOINT}.{sensor}.tracks.0"
    track = getattr(base().joints[JOINT], sensor).tracks[0]
    for field, end, value, new in (
        (0, "smallest", 0, replace(track, input=0)),
        (0, "largest", 63, replace(track, input=63)),
        (1, "smallest", 1, replace(track, count_min=1)),
        (1, "largest", 65_533, replace(track, count_min=65_533, count_max=65_534)),
        (2, "smallest", 2, replace(track, count_min=1, count_max=2)),
        (2, "largest", 65_534, replace(track, count_max=65_534)),
    ):
        yield Tried(kind=kind, field=field, end=end, table=changed(base(), path, new), raw=value)
    smallest = {
        0: line(2, (500, 30_000), (-9_000, 9_000)),
        1: line(3, (0, 32_767), (-32_768, 32_767)),
        2: line(2, (0, 1), (-100, 100)),
        3: line(2, (500, 30_000), (-360_000, -359_999)),
    }
    largest = {
        0: line(12, (500, 65_000), (9_000, -9_000)),
        1: line(12, (0, 65_535), (360_000, -360_000)),
        2: line(2, (65_534, 65_535), (-100, 100)),
        3: line(2, (500, 30_000), (359_999, 360_000)),
    }
    yield from _curve_ends(kind, 3, f"{path}.curve", smallest, largest)


def curves(kind: int) -> Iterator[Tried]:
    """Kinds 5, 6, 8 and the curve of kind 9."""
    smallest = {
        0: line(2, (0, 10_000), (0, 10_000)),
        1: line(2, (0, 10_000), (0, 9_999)),
        2: line(2, (0, 1), (0, 0)),
        3: line(2, (0, 10_000), (0, 0)),
    }
    if kind == 5:
        low, high = line(2, (-360_000, -359_999), (5, 5)), line(2, (359_999, 360_000), (5, 5))
        least = smallest | {2: low, 3: line(2, (0, 1_000), (-360_000, -360_000))}
        most = {
            0: line(12, (-9_000, 9_000), (0, 100)),
            1: line(3, (-360_000, 360_000), (-360_000, 360_000)),
            2: high,
            3: line(2, (0, 1_000), (360_000, 360_000)),
        }
        yield from _curve_ends(5, 0, f"joints.{JOINT}.response", least, most)
        return
    x, y = {6: (720_000, 200_000), 8: (10_000, 10_000), 9: (7_200_000, 2_000_000)}[kind]
    largest = {
        0: line(12, (0, x), (0, y)),
        1: line(2, (0, x), (y, y)),
        2: line(2, (0, x), (1, 1)),
        3: line(2, (0, 9_000), (y, y)),
    }
    if kind == 9:
        yield from _curve_ends(9, 5, "coupled.0.brake", smallest, largest)
        return
    for direction in (0, 1):
        name = "brake" if kind == 6 else "valve"
        yield from _curve_ends(kind, 4 * direction, f"joints.{JOINT}.{name}.{direction}", smallest, largest)


def flows() -> Iterator[Tried]:
    """Kind 7: both directions over the same positions."""
    most, slow = 2**31 - 1, (65_536, 65_536)

    def with_both(field: int, end: str, positive: Curve, negative: Curve) -> Tried:
        table = changed(base(), f"joints.{JOINT}.speed_full_mdeg_s", slow)
        return Tried(
            kind=7,
            field=field,
            end=end,
            table=changed(table, f"joints.{JOINT}.flow_per_speed_q16", (positive, negative)),
        )

    x = (-1_000, 1_000)
    yield with_both(0, "smallest", line(2, x, (5, 6)), line(2, x, (7, 8)))
    yield with_both(0, "largest", line(12, x, (50, 60)), line(12, x, (70, 80)))
    yield with_both(1, "smallest", line(2, x, (1, 32_767)), line(2, x, (1, 1)))
    yield with_both(1, "largest", line(2, (-40_000, 40_000), (most, most)), line(2, (-40_000, 40_000), (1, 1)))
    yield with_both(2, "smallest", line(2, (-360_000, -359_999), (5, 6)), line(2, (-360_000, -359_999), (7, 8)))
    yield with_both(2, "largest", line(2, (359_999, 360_000), (5, 6)), line(2, (359_999, 360_000), (7, 8)))
    for field in (3, 4):
        for end, value in (("smallest", 1), ("largest", most)):
            pair = [line(2, x, (900, 900)), line(2, x, (900, 900))]
            pair[field - 3] = line(2, x, (value, value))
            yield with_both(field, end, *pair)


def tried(kind: int) -> list[Tried]:
    """Both ends of every field of one kind."""
    if kind in (3, 4):
        return list(tracks(kind))
    if kind == 7:
        return list(flows())
    fields = numbers(kind) if kind in (1, 2, 9) else ()
    return [*fields, *(curves(kind) if kind in (5, 6, 8, 9) else ())]


# ---- the bytes, by the page's words alone ----


def sections(data: bytes) -> list[tuple[int, int, int, bytes]]:
    """(kind, joint, offset of the payload, payload) of every section."""
    found, at = [], 80
    while at < len(data) - 4:
        kind, joint, length = struct.unpack_from("<BBH", data, at)
        found.append((kind, joint, at + 4, data[at + 4 : at + 4 + length]))
        at += 4 + length
    return found


def place(data: bytes, kind: int) -> tuple[int, int]:
    """(number of the section, offset of its payload) of the first section of that kind that belongs to JOINT, or to the
    machine.
    """
    for number, (found, joint, at, _) in enumerate(sections(data)):
        if found == kind and joint in (JOINT, 255):
            return number, at
    raise AssertionError(f"no section of kind {kind}")


def raw_value(data: bytes, kind: int, field: int) -> int:
    """The number at the field's offset; of kinds 3 and 4 fields 0 to 2."""
    _, at = place(data, kind)
    rows = {1: MACHINE_ROWS, 2: JOINT_ROWS, 9: COUPLED_ROWS}.get(kind)
    offset, size, signed = (rows[field][1:4]) if rows else ((0, 1, False), (1, 2, False), (3, 2, False))[field]
    return int.from_bytes(data[at + offset : at + offset + size], "little", signed=signed)


def with_payload(data: bytes, kind: int, payload: bytes) -> bytes:
    """Another payload for that section; lengths and CRC put right."""
    number, at = place(data, kind)
    old = sections(data)[number][3]
    body = data[: at - 2] + struct.pack("<H", len(payload)) + payload + data[at + len(old) : -4]
    whole = body[:8] + struct.pack("<I", len(body) + 4) + body[12:]
    return whole + struct.pack("<I", zlib.crc32(whole))


def curve_bytes(points: list[tuple[int, int]], widths: tuple[int, int] | None = None) -> bytes:
    """One curve, in the widths that are given, else in the smallest that hold it."""
    lists = list(zip(*points, strict=True))
    sizes = widths or tuple(
        next(size for size in (2, 3, 4) if all(-(256**size) // 2 <= value < 256**size // 2 for value in values))
        for values in lists
    )
    numbers_of = b"".join(
        value.to_bytes(size, "little", signed=True)
        for values, size in zip(lists, sizes, strict=True)
        for value in values
    )
    return bytes([len(points), sizes[0] | sizes[1] << 4]) + numbers_of
