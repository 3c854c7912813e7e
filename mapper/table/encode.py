"""Table -> bytes, layout 2 (`firmware_stub/README.md`, "The table").

The encoder writes only what the controller will take: every range and cross rule of the layout is checked here, before
a byte leaves the PC. `decode` shares no code and no constant with this module, so that a mistake here is noticed
there.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

from mapper.errors import MapperError
from mapper.table.table import FOLLOW, SPEED, CoupledStop, Curve, JointTable, MachineTable, Sensor, Table, Track

_MAGIC = b"HJT1"
_LAYOUT = 2
_HEADER_BYTES = 80
_NO_JOINT = 255
_MACHINE, _JOINT, _OPERATOR_TRACK, _POSITION_TRACK, _RESPONSE, _BRAKE, _FLOW, _VALVE, _COUPLED = range(1, 10)

_ANGLE_MAX = 360_000
_ROOM_MAX = 2 * _ANGLE_MAX
_SPEED_MAX = 200_000
_FULL = 10_000
_Q16 = 65_536
_TICKS_MAX = 60_000
_DEADLINE_TICKS_MAX = 10_000
_DEADLINE_MAX_US = 10_000_000
_DISCREPANCY_MAX_US = 5_000_000
_FAULT_TIME_MAX_US = 1_000_000
_WATCH_TICKS_MAX = 30_000
_INT32_MAX = 2**31 - 1
_TIP_MAX = 2_000_000_000
_COUPLED_MAX = 8
_WEIGHT_MAX = 10_000
_SUM_MAX = 2 * _ANGLE_MAX * _WEIGHT_MAX // 1000
_SUM_SPEED_MAX = _SPEED_MAX * _WEIGHT_MAX // 1000

_Source = TypeVar("_Source")


class EncodeError(MapperError):
    """A value of the table does not fit the layout.

    Attributes:
        path: which value, as the table names it (`joints[2].soft_stop_mdeg[1]`).
        value: what it is.
        allowed: what it may be.
    """

    def __init__(self, path: str, value: object, allowed: str) -> None:
        super().__init__(f"table: {path} is {value}; allowed: {allowed}")
        self.path = path
        self.value = value
        self.allowed = allowed


@dataclass(frozen=True, slots=True)
class _Field(Generic[_Source]):
    name: str
    read: Callable[[_Source], int]
    byte_count: int
    minimum: int
    maximum: int


_MACHINE_FIELDS: tuple[_Field[MachineTable], ...] = (
    _Field("tick_us", lambda m: m.tick_us, 2, 1_000, 20_000),
    _Field("tick_hz", lambda m: m.tick_hz, 2, 50, 1_000),
    _Field("late_us", lambda m: m.late_us, 2, 0, 20_000),
    _Field("pump_ml_min", lambda m: m.pump_ml_min, 3, 1, 10_000_000),
    _Field("power_up_ticks", lambda m: m.power_up_ticks, 2, 3, _TICKS_MAX),
    _Field("discrepancy_ticks", lambda m: m.discrepancy_ticks, 2, 1, _TICKS_MAX),
    _Field("reset_min_ticks", lambda m: m.reset_min_ticks, 2, 1, _TICKS_MAX),
    _Field("reset_max_ticks", lambda m: m.reset_max_ticks, 2, 1, _TICKS_MAX),
    _Field("load_ticks", lambda m: m.load_ticks, 2, 0, _TICKS_MAX),
    _Field("match_ticks", lambda m: m.match_ticks, 2, 1, _TICKS_MAX),
    _Field("authority_step_q16", lambda m: m.authority_step_q16, 3, 1, _Q16),
    _Field("stop_category", lambda m: m.stop_category, 1, 0, 1),
    _Field("stop_ticks", lambda m: m.stop_ticks, 2, 0, _DEADLINE_TICKS_MAX),
    _Field("release_ticks", lambda m: m.release_ticks, 2, 0, _DEADLINE_TICKS_MAX),
    _Field("tip_mdeg_mm_s", lambda m: m.tip_mdeg_mm_s, 4, 0, _TIP_MAX),
)

_JOINT_FIELDS: tuple[_Field[JointTable], ...] = (
    _Field("control", lambda j: j.control, 1, FOLLOW, SPEED),
    _Field("continuous", lambda j: int(j.continuous), 1, 0, 1),
    _Field("polarity", lambda j: j.polarity, 1, -1, 1),
    _Field("operator.step_max", lambda j: j.operator.step_max, 3, 1, _ROOM_MAX),
    _Field("operator.disagreement", lambda j: j.operator.disagreement, 3, 1, _ROOM_MAX),
    _Field("operator.bad_ticks", lambda j: j.operator.bad_ticks, 2, 1, 1_000),
    _Field("position.step_max", lambda j: j.position.step_max, 3, 1, _ROOM_MAX),
    _Field("position.disagreement", lambda j: j.position.disagreement, 3, 1, _ROOM_MAX),
    _Field("position.bad_ticks", lambda j: j.position.bad_ticks, 2, 1, 1_000),
    _Field("filter_q16", lambda j: j.filter_q16, 3, 1, _Q16),
    _Field("speed_filter_q16", lambda j: j.speed_filter_q16, 3, 1, _Q16),
    _Field("deadband", lambda j: j.deadband, 3, 0, _ANGLE_MAX),
    _Field("speed_deadband_mdeg_s", lambda j: j.speed_deadband_mdeg_s, 3, 0, _SPEED_MAX),
    _Field("gain_q16", lambda j: j.gain_q16, 3, 0, 50 * _Q16),
    _Field("feed_q16", lambda j: j.feed_q16, 3, 0, _Q16),
    _Field("match_window_mdeg", lambda j: j.match_window_mdeg, 3, 0, _ANGLE_MAX),
    _Field("gap_mdeg", lambda j: j.gap_mdeg, 3, 0, _ROOM_MAX),
    _Field("speed_reduced_mdeg_s[0]", lambda j: j.speed_reduced_mdeg_s[0], 3, 1, _SPEED_MAX),
    _Field("speed_reduced_mdeg_s[1]", lambda j: j.speed_reduced_mdeg_s[1], 3, 1, _SPEED_MAX),
    _Field("speed_full_mdeg_s[0]", lambda j: j.speed_full_mdeg_s[0], 3, 1, _SPEED_MAX),
    _Field("speed_full_mdeg_s[1]", lambda j: j.speed_full_mdeg_s[1], 3, 1, _SPEED_MAX),
    _Field("accelerate_mdeg_s", lambda j: j.accelerate_mdeg_s, 3, 1, _SPEED_MAX),
    _Field("decelerate_mdeg_s", lambda j: j.decelerate_mdeg_s, 3, 1, _SPEED_MAX),
    _Field("stop_mdeg_s", lambda j: j.stop_mdeg_s, 3, 1, _SPEED_MAX),
    _Field("soft_stop_mdeg[0]", lambda j: j.soft_stop_mdeg[0], 3, -_ANGLE_MAX, _ANGLE_MAX),
    _Field("soft_stop_mdeg[1]", lambda j: j.soft_stop_mdeg[1], 3, -_ANGLE_MAX, _ANGLE_MAX),
    _Field("flow_max_e4[0]", lambda j: j.flow_max_e4[0], 2, 1, _FULL),
    _Field("flow_max_e4[1]", lambda j: j.flow_max_e4[1], 2, 1, _FULL),
    _Field("flow_full_ml_min", lambda j: j.flow_full_ml_min, 3, 1, 1_000_000),
    _Field("drive_max_e4", lambda j: j.drive_max_e4, 2, 1, _FULL),
    _Field("reversal_ticks", lambda j: j.reversal_ticks, 2, 1, 1_000),
    _Field("settle_ticks", lambda j: j.settle_ticks, 2, 1, _WATCH_TICKS_MAX),
    _Field("still_ticks", lambda j: j.still_ticks, 2, 1, _WATCH_TICKS_MAX),
    _Field("still_mdeg", lambda j: j.still_mdeg, 3, 0, _ANGLE_MAX),
    _Field("stall_flow_e4", lambda j: j.stall_flow_e4, 2, 1, _FULL),
    _Field("stall_ticks", lambda j: j.stall_ticks, 2, 1, _TICKS_MAX),
    _Field("stall_mdeg", lambda j: j.stall_mdeg, 3, 1, _ANGLE_MAX),
    _Field("reach_mm", lambda j: j.reach_mm, 2, 0, 65_535),
)

_COUPLED_FIELDS: tuple[_Field[CoupledStop], ...] = (
    _Field("joints[0]", lambda c: c.joints[0], 1, 0, 15),
    _Field("joints[1]", lambda c: c.joints[1], 1, 0, 15),
    _Field("weights_e3[0]", lambda c: c.weights_e3[0], 2, -_WEIGHT_MAX, _WEIGHT_MAX),
    _Field("weights_e3[1]", lambda c: c.weights_e3[1], 2, -_WEIGHT_MAX, _WEIGHT_MAX),
    _Field("limit_mdeg", lambda c: c.limit_mdeg, 3, -_SUM_MAX, _SUM_MAX),
)


@dataclass(frozen=True, slots=True)
class _Shape:
    x_minimum: int
    x_maximum: int
    y_minimum: int
    y_maximum: int
    monotone: bool = False  # one way only, and not the same everywhere
    rising: bool = False  # never falling
    first_x_is_zero: bool = False


_ANGLE_TRACK = _Shape(0, 65_535, -_ANGLE_MAX, _ANGLE_MAX, monotone=True)
_LEVER_TRACK = _Shape(0, 65_535, -_FULL, _FULL, monotone=True)
_RESPONSE_FOLLOW = _Shape(-_ANGLE_MAX, _ANGLE_MAX, -_ANGLE_MAX, _ANGLE_MAX)
_RESPONSE_SPEED = _Shape(-_FULL, _FULL, -_FULL, _FULL)
_BRAKE_SHAPE = _Shape(0, _ROOM_MAX, 0, _SPEED_MAX, rising=True, first_x_is_zero=True)
_COUPLED_SHAPE = _Shape(0, _SUM_MAX, 0, _SUM_SPEED_MAX, rising=True, first_x_is_zero=True)
_FLOW_SHAPE = _Shape(-_ANGLE_MAX, _ANGLE_MAX, 1, _INT32_MAX)
_VALVE_SHAPE = _Shape(0, _FULL, 0, _FULL, rising=True, first_x_is_zero=True)


def encode_table(table: Table) -> bytes:
    """The one encoding of a table.

    Args:
        table: 1 to 16 joints, at most 8 coupled stops.

    Returns:
        The bytes of layout 2, CRC included.

    Raises:
        EncodeError: a value is outside what the layout allows.
    """
    if not 1 <= len(table.joints) <= 16:
        raise EncodeError("joints", f"{len(table.joints)} joints", "1 to 16")
    sections = [_section(_MACHINE, _NO_JOINT, _machine(table.machine))]
    for index, joint in enumerate(table.joints):
        sections += _joint(index, joint, table.machine.tick_us)
    _check_inputs(table.joints)
    sections += [_section(_COUPLED, _NO_JOINT, payload) for payload in _coupled_stops(table)]
    body = b"".join(sections)
    covered = _header(table, len(sections), _HEADER_BYTES + len(body) + 4) + body
    return covered + zlib.crc32(covered).to_bytes(4, "little")


def _coupled_stops(table: Table) -> list[bytes]:
    stops = table.coupled
    if len(stops) > _COUPLED_MAX:
        raise EncodeError("coupled", f"{len(stops)} coupled stops", f"at most {_COUPLED_MAX}")
    payloads = [_coupled(f"coupled[{index}]", stop, table.joints) for index, stop in enumerate(stops)]
    orders = [(*stop.joints, *stop.weights_e3, stop.limit_mdeg) for stop in stops]
    for index in range(1, len(orders)):
        if orders[index] <= orders[index - 1]:
            raise EncodeError(f"coupled[{index}]", orders[index], f"above {orders[index - 1]}, the one before it")
    return payloads


def _coupled(path: str, stop: CoupledStop, joints: tuple[JointTable, ...]) -> bytes:
    data = _fields(path, _COUPLED_FIELDS, stop)
    for side in (0, 1):
        index = stop.joints[side]
        if index >= len(joints):
            raise EncodeError(f"{path}.joints[{side}]", index, f"below {len(joints)}, the number of joints")
        if joints[index].continuous:
            raise EncodeError(f"{path}.joints[{side}]", index, "a joint with soft stops, not a continuous one")
        if stop.weights_e3[side] == 0:
            raise EncodeError(f"{path}.weights_e3[{side}]", 0, "a weight other than 0")
    if stop.joints[0] >= stop.joints[1]:
        raise EncodeError(f"{path}.joints[1]", stop.joints[1], f"above {stop.joints[0]}, that of the other joint")
    return data + _curve(f"{path}.brake", stop.brake, _COUPLED_SHAPE)


def _check_inputs(joints: tuple[JointTable, ...]) -> None:
    used: dict[int, str] = {}
    for index, joint in enumerate(joints):
        for name, sensor in (("operator", joint.operator), ("position", joint.position)):
            for number, track in enumerate(sensor.tracks):
                path = f"joints[{index}].{name}.tracks[{number}].input"
                if track.input in used:
                    raise EncodeError(path, track.input, f"an input of its own: {used[track.input]} is on this one")
                used[track.input] = path


def _header(table: Table, section_count: int, total_bytes: int) -> bytes:
    machine_id = table.machine_id
    if not 1 <= len(machine_id) <= 16 or not all("!" <= character <= "~" for character in machine_id):
        raise EncodeError("machine_id", repr(machine_id), "1 to 16 visible ASCII characters, no blanks")
    if not 0 <= table.revision <= 65_535:
        raise EncodeError("revision", table.revision, "0 to 65535")
    if len(table.tool_version) != 3 or not all(0 <= part <= 255 for part in table.tool_version):
        raise EncodeError("tool_version", table.tool_version, "three numbers, 0 to 255")
    if len(table.profile_digest) != 32:
        raise EncodeError("profile_digest", f"{len(table.profile_digest)} bytes", "32 bytes (SHA-256)")
    head = b"".join(
        (
            _MAGIC,
            _LAYOUT.to_bytes(2, "little"),
            _HEADER_BYTES.to_bytes(2, "little"),
            total_bytes.to_bytes(4, "little"),
            machine_id.encode("ascii").ljust(16, b"\0"),
            table.revision.to_bytes(2, "little"),
            section_count.to_bytes(2, "little"),
            bytes([len(table.joints), *table.tool_version]),
            table.profile_digest,
        )
    )
    return head.ljust(_HEADER_BYTES, b"\0")


def _section(kind: int, joint_index: int, payload: bytes) -> bytes:
    return bytes([kind, joint_index]) + len(payload).to_bytes(2, "little") + payload


def _fields(path: str, fields: tuple[_Field[_Source], ...], source: _Source) -> bytes:
    parts = []
    for field in fields:
        value = field.read(source)
        if not field.minimum <= value <= field.maximum:
            raise EncodeError(f"{path}.{field.name}", value, f"{field.minimum} to {field.maximum}")
        parts.append(value.to_bytes(field.byte_count, "little", signed=field.minimum < 0))
    return b"".join(parts)


def _machine(machine: MachineTable) -> bytes:
    data = _fields("machine", _MACHINE_FIELDS, machine)
    if machine.tick_us * machine.tick_hz != 1_000_000:
        raise EncodeError("machine.tick_hz", machine.tick_hz, f"1000000 / tick_us (tick_us is {machine.tick_us})")
    if machine.late_us > machine.tick_us:
        raise EncodeError("machine.late_us", machine.late_us, f"at most tick_us {machine.tick_us}")
    if machine.discrepancy_ticks * machine.tick_us > _DISCREPANCY_MAX_US:
        most = _DISCREPANCY_MAX_US // machine.tick_us
        raise EncodeError("machine.discrepancy_ticks", machine.discrepancy_ticks, f"at most {most} (5 s)")
    if machine.reset_min_ticks >= machine.reset_max_ticks:
        raise EncodeError("machine.reset_max_ticks", machine.reset_max_ticks, f"above {machine.reset_min_ticks}")
    most = _DEADLINE_MAX_US // machine.tick_us
    for name, ticks in (("stop_ticks", machine.stop_ticks), ("release_ticks", machine.release_ticks)):
        if ticks > most:
            raise EncodeError(f"machine.{name}", ticks, f"at most {most} (10 s)")
    return data


def _joint(index: int, joint: JointTable, tick_us: int) -> list[bytes]:
    path = f"joints[{index}]"
    follow = joint.control == FOLLOW
    settings = _settings(path, joint, tick_us)
    operator = _tracks(f"{path}.operator", joint.operator, _ANGLE_TRACK if follow else _LEVER_TRACK)
    position = _tracks(f"{path}.position", joint.position, _ANGLE_TRACK)
    if not joint.continuous:
        _check_reach(f"{path}.position", joint)
    response = _curve(f"{path}.response", joint.response, _RESPONSE_FOLLOW if follow else _RESPONSE_SPEED)
    return [
        _section(_JOINT, index, settings),
        *(_section(_OPERATOR_TRACK, index, track) for track in operator),
        *(_section(_POSITION_TRACK, index, track) for track in position),
        _section(_RESPONSE, index, response),
        _section(_BRAKE, index, _pair(f"{path}.brake", joint.brake, _BRAKE_SHAPE)),
        _section(_FLOW, index, _flow(f"{path}.flow_per_speed_q16", joint)),
        _section(_VALVE, index, _pair(f"{path}.valve", joint.valve, _VALVE_SHAPE)),
    ]


def _settings(path: str, joint: JointTable, tick_us: int) -> bytes:
    data = _fields(path, _JOINT_FIELDS, joint)
    if joint.polarity == 0:
        raise EncodeError(f"{path}.polarity", 0, "1 or -1")
    for name, sensor in (("operator", joint.operator), ("position", joint.position)):
        if sensor.bad_ticks * tick_us > _FAULT_TIME_MAX_US:
            most = _FAULT_TIME_MAX_US // tick_us
            raise EncodeError(f"{path}.{name}.bad_ticks", sensor.bad_ticks, f"at most {most} (1 s)")
    if joint.control == SPEED and joint.deadband > _FULL // 2:
        raise EncodeError(f"{path}.deadband", joint.deadband, "0 to 5000 in speed control")
    for side in (0, 1):
        reduced, full = joint.speed_reduced_mdeg_s[side], joint.speed_full_mdeg_s[side]
        if reduced > full:
            raise EncodeError(f"{path}.speed_full_mdeg_s[{side}]", full, f"at least the reduced speed {reduced}")
    upper, lower = joint.soft_stop_mdeg
    if upper <= lower:
        raise EncodeError(f"{path}.soft_stop_mdeg[1]", lower, f"below the upper soft stop {upper}")
    return data


def _tracks(path: str, sensor: Sensor, shape: _Shape) -> list[bytes]:
    if not 1 <= len(sensor.tracks) <= 2:
        raise EncodeError(f"{path}.tracks", f"{len(sensor.tracks)} tracks", "one or two")
    return [_track(f"{path}.tracks[{index}]", track, shape) for index, track in enumerate(sensor.tracks)]


def _check_reach(path: str, joint: JointTable) -> None:
    """Outside its points a track's value is held: a soft stop beyond them would never act."""
    upper, lower = joint.soft_stop_mdeg
    for index, track in enumerate(joint.position.tracks):
        values = [y for _, y in track.curve.points]
        if not min(values) <= lower < upper <= max(values):
            raise EncodeError(
                f"{path}.tracks[{index}].curve",
                f"a curve from {min(values)} to {max(values)}",
                f"values that reach both soft stops, {lower} and {upper}",
            )


def _track(path: str, track: Track, shape: _Shape) -> bytes:
    fields: tuple[_Field[Track], ...] = (
        _Field("input", lambda t: t.input, 1, 0, 63),
        _Field("count_min", lambda t: t.count_min, 2, 1, 65_534),
        _Field("count_max", lambda t: t.count_max, 2, 1, 65_534),
    )
    data = _fields(path, fields, track)
    if track.count_min >= track.count_max:
        raise EncodeError(f"{path}.count_max", track.count_max, f"above count_min {track.count_min}")
    return data + _curve(f"{path}.curve", track.curve, shape)


def _flow(path: str, joint: JointTable) -> bytes:
    positive, negative = joint.flow_per_speed_q16
    for side, curve in enumerate((positive, negative)):
        _check_curve(f"{path}[{side}]", curve, _FLOW_SHAPE)
        speed = joint.speed_full_mdeg_s[side]
        for point, (_, y) in enumerate(curve.points):
            if speed * y > _INT32_MAX * _Q16:
                raise EncodeError(
                    f"{path}[{side}].points[{point}]", y, f"at most {_INT32_MAX * _Q16 // speed} at {speed} mdeg/s"
                )
    xs = [x for x, _ in positive.points]
    if xs != [x for x, _ in negative.points]:
        raise EncodeError(f"{path}[1]", "a curve with positions of its own", "the same positions in both directions")
    ys = [y for curve in (positive, negative) for _, y in curve.points]
    return _curve_head(len(xs), xs, ys) + _values(xs, xs) + _values(ys, ys)


def _pair(path: str, curves: tuple[Curve, Curve], shape: _Shape) -> bytes:
    return b"".join(_curve(f"{path}[{side}]", curve, shape) for side, curve in enumerate(curves))


def _curve(path: str, curve: Curve, shape: _Shape) -> bytes:
    _check_curve(path, curve, shape)
    xs = [x for x, _ in curve.points]
    ys = [y for _, y in curve.points]
    return _curve_head(len(xs), xs, ys) + _values(xs, xs) + _values(ys, ys)


def _curve_head(point_count: int, xs: list[int], ys: list[int]) -> bytes:
    return bytes([point_count, _byte_count(xs) | _byte_count(ys) << 4])


def _values(values: list[int], all_values: list[int]) -> bytes:
    byte_count = _byte_count(all_values)
    return b"".join(value.to_bytes(byte_count, "little", signed=True) for value in values)


def _byte_count(values: list[int]) -> int:
    """The smallest of 2, 3 and 4 bytes that holds every value with its sign."""
    bits = max((value if value >= 0 else ~value).bit_length() for value in values) + 1
    return max(2, -(-bits // 8))


def _check_curve(path: str, curve: Curve, shape: _Shape) -> None:
    points = curve.points
    if not 2 <= len(points) <= 12:
        raise EncodeError(path, f"a curve of {len(points)} points", "2 to 12 points")
    for index, (x, y) in enumerate(points):
        place = f"{path}.points[{index}]"
        if not shape.x_minimum <= x <= shape.x_maximum:
            raise EncodeError(place, f"x {x}", f"x {shape.x_minimum} to {shape.x_maximum}")
        if not shape.y_minimum <= y <= shape.y_maximum:
            raise EncodeError(place, f"y {y}", f"y {shape.y_minimum} to {shape.y_maximum}")
    if shape.first_x_is_zero and points[0][0] != 0:
        raise EncodeError(f"{path}.points[0]", f"x {points[0][0]}", "x 0 in the first point")
    rises = falls = False
    for index in range(len(points) - 1):
        (x0, y0), (x1, y1) = points[index], points[index + 1]
        place = f"{path}.points[{index + 1}]"
        if x1 <= x0:
            raise EncodeError(place, f"x {x1}", f"x above {x0}, that of the point before")
        if not -(2**31) <= (y1 - y0) * _Q16 // (x1 - x0) < 2**31:
            raise EncodeError(place, f"y {y1} after {y0}, {x1 - x0} further", "a slope of less than 32768")
        rises, falls = rises or y1 > y0, falls or y1 < y0
    if shape.rising and falls:
        raise EncodeError(path, "a curve that falls", "values that never fall")
    if shape.monotone and rises == falls:
        raise EncodeError(path, "a curve that turns or is flat", "values that only rise or only fall")
