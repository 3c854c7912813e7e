"""Bytes -> table, layout 2 (`firmware_stub/README.md`, "The table").

What comes back from a controller is read here. The module shares no code and no constant with `encode`: it was written
from the byte layout alone, walks the bytes with a cursor, and checks what it reads by its own rules. It accepts
exactly the tables that the controller accepts.
"""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256

from mapper.errors import MapperError
from mapper.table.table import CoupledStop, Curve, JointTable, MachineTable, Pair, Sensor, Table, Track


class DecodeError(MapperError):
    """The bytes are no table of layout 2.

    Attributes:
        place: offset of the byte where reading stopped.
        part: what was being read there.
        found: what is wrong.
    """

    def __init__(self, place: int, part: str, found: str) -> None:
        super().__init__(f"table bytes, offset {place}: {part}: {found}")
        self.place = place
        self.part = part
        self.found = found


class _Cursor:
    def __init__(self, data: bytes, start: int, end: int, part: str) -> None:
        self._data = data
        self._end = end
        self.place = start
        self.part = part

    def fail(self, found: str) -> DecodeError:
        return DecodeError(self.place, self.part, found)

    def take(self, size: int) -> bytes:
        if self.place + size > self._end:
            raise self.fail(f"ends {self.place + size - self._end} bytes too early")
        self.place += size
        return self._data[self.place - size : self.place]

    def whole(self, size: int, lowest: int, highest: int, name: str) -> int:
        """One unsigned number of `size` bytes, or a signed one where `lowest` is negative."""
        raw = self.take(size)
        number = 0
        for byte in reversed(raw):
            number = number * 256 + byte
        if lowest < 0 and raw[-1] > 127:
            number -= 256**size
        if number < lowest or number > highest:
            raise self.fail(f"{name} is {number}, outside {lowest} to {highest}")
        return number

    def at_end(self) -> bool:
        return self.place == self._end

    def finish(self) -> None:
        if not self.at_end():
            raise self.fail(f"{self._end - self.place} bytes too many")


def table_digest(data: bytes) -> str:
    """The first 16 hexadecimal digits of the SHA-256 over the bytes of an encoded table."""
    return sha256(data).hexdigest()[:16]


def decode_table(data: bytes) -> Table:
    """Reads the bytes of a table.

    Args:
        data: what a controller sent back, or `encode_table` made.

    Returns:
        The table; encoding it again gives the same bytes.

    Raises:
        DecodeError: the bytes are damaged, of another layout, not in the one order and width that the layout has, or a
        value
            is outside its range.
    """
    if len(data) < 84:
        raise DecodeError(len(data), "header", f"{len(data)} bytes are too few for a table")
    if data[:4] != bytes((0x48, 0x4A, 0x54, 0x31)):
        raise DecodeError(0, "header", "does not start with HJT1, so this is no table")
    layout = data[4] + 256 * data[5]
    if layout != 2:
        raise DecodeError(
            4, "header", f"layout {layout}; this version reads layout 2: use the mapper that wrote the table"
        )
    if data[6:8] != b"\x50\x00":
        raise DecodeError(6, "header", "header length is not 80")
    stated = int.from_bytes(data[8:12], "little")
    if stated != len(data):
        raise DecodeError(8, "header", f"says {stated} bytes, there are {len(data)}")
    if int.from_bytes(data[-4:], "little") != _checksum(data[:-4]):
        raise DecodeError(len(data) - 4, "CRC", "does not match the bytes: they were damaged on the way")
    return _contents(data)


def _checksum(data: bytes) -> int:
    """CRC-32/ISO-HDLC, bit by bit: the encoder takes zlib's, the controller its own."""
    remainder = 0xFFFFFFFF
    for byte in data:
        remainder ^= byte
        for _ in range(8):
            carry = remainder & 1
            remainder >>= 1
            if carry:
                remainder ^= 0xEDB88320
    return remainder ^ 0xFFFFFFFF


def _contents(data: bytes) -> Table:
    name, _, rest = data[12:28].partition(b"\0")
    if not name or rest.strip(b"\0") or any(byte < 33 or byte > 126 for byte in name):
        raise DecodeError(12, "header", "machine id is not 1 to 16 visible ASCII characters with zeros after them")
    section_count = int.from_bytes(data[30:32], "little")
    joint_count = data[32]
    if joint_count == 0 or joint_count > 16:
        raise DecodeError(32, "header", f"{joint_count} joints, outside 1 to 16")
    if any(data[68:80]):
        raise DecodeError(68, "header", "reserved bytes are not zero")
    walk = _Sections(data, len(data) - 4)
    machine = _machine(walk.open(1, 255, "machine"))
    joints = tuple(_joint(walk, index, machine.tick_us) for index in range(joint_count))
    coupled = _coupled_stops(walk, joints)
    walk.finish(section_count)
    return Table(
        machine_id=name.decode("ascii"),
        revision=int.from_bytes(data[28:30], "little"),
        tool_version=(data[33], data[34], data[35]),
        profile_digest=data[36:68],
        machine=machine,
        joints=joints,
        coupled=coupled,
    )


class _Sections:
    """The sections one after the other; each is opened by the kind and joint that must come next."""

    def __init__(self, data: bytes, end: int) -> None:
        self._data = data
        self._end = end
        self._next = 80
        self._opened = 0
        self._current: _Cursor | None = None
        self._wired: set[int] = set()

    def comes(self, kind: int, joint: int) -> bool:
        return self._end - self._next >= 4 and self._data[self._next] == kind and self._data[self._next + 1] == joint

    def open(self, kind: int, joint: int, part: str) -> _Cursor:
        self._close()
        if not self.comes(kind, joint):
            found = self._data[self._next] if self._next < self._end else "the end"
            raise DecodeError(self._next, f"section {self._opened}", f"section kind {found} where {part} must come")
        start = self._next + 4
        stop = start + self._data[self._next + 2] + 256 * self._data[self._next + 3]
        if stop > self._end:
            raise DecodeError(self._next, part, "section reaches past the end of the table")
        self._next = stop
        self._opened += 1
        self._current = _Cursor(self._data, start, stop, part)
        return self._current

    def fail(self, found: str) -> DecodeError:
        """An error in the section opened last."""
        if self._current is None:
            return DecodeError(self._next, f"section {self._opened}", found)
        return self._current.fail(found)

    def wire(self, channel: int) -> None:
        """One more track is on this input; each has one at most."""
        if channel in self._wired:
            raise self.fail(f"input {channel} is used a second time")
        self._wired.add(channel)

    def _close(self) -> None:
        if self._current is not None:
            self._current.finish()
        self._current = None

    def finish(self, section_count: int) -> None:
        self._close()
        if self._next != self._end:
            raise DecodeError(self._next, f"section {self._opened}", "a section too many, or one of an unknown kind")
        if self._opened != section_count:
            raise DecodeError(30, "header", f"says {section_count} sections, there are {self._opened}")


def _machine(cursor: _Cursor) -> MachineTable:
    tick_us = cursor.whole(2, 1000, 20000, "tick_us")
    tick_hz = cursor.whole(2, 50, 1000, "tick_hz")
    machine = MachineTable(
        tick_us=tick_us,
        tick_hz=tick_hz,
        late_us=cursor.whole(2, 0, 20000, "late_us"),
        pump_ml_min=cursor.whole(3, 1, 10000000, "pump_ml_min"),
        power_up_ticks=cursor.whole(2, 3, 60000, "power_up_ticks"),
        discrepancy_ticks=cursor.whole(2, 1, 60000, "discrepancy_ticks"),
        reset_min_ticks=cursor.whole(2, 1, 60000, "reset_min_ticks"),
        reset_max_ticks=cursor.whole(2, 1, 60000, "reset_max_ticks"),
        load_ticks=cursor.whole(2, 0, 60000, "load_ticks"),
        match_ticks=cursor.whole(2, 1, 60000, "match_ticks"),
        authority_step_q16=cursor.whole(3, 1, 65536, "authority_step_q16"),
        stop_category=cursor.whole(1, 0, 1, "stop_category"),
        stop_ticks=cursor.whole(2, 0, 10000, "stop_ticks"),
        release_ticks=cursor.whole(2, 0, 10000, "release_ticks"),
        tip_mdeg_mm_s=cursor.whole(4, 0, 2000000000, "tip_mdeg_mm_s"),
    )
    if tick_us * tick_hz != 10**6:
        raise cursor.fail(f"tick_hz {tick_hz} does not belong to tick_us {tick_us}")
    if tick_us < machine.late_us:
        raise cursor.fail(f"late_us {machine.late_us} is more than a tick")
    if machine.discrepancy_ticks * tick_us > 5 * 10**6:
        raise cursor.fail("discrepancy_ticks is more than 5 s")
    if not machine.reset_min_ticks < machine.reset_max_ticks:
        raise cursor.fail("reset_max_ticks is not above reset_min_ticks")
    if max(machine.stop_ticks, machine.release_ticks) * tick_us > 10**7:
        raise cursor.fail("stop_ticks or release_ticks is more than 10 s")
    return machine


def _joint(walk: _Sections, index: int, tick_us: int) -> JointTable:
    name = f"joint {index}"
    head = walk.open(2, index, f"{name} settings")
    control = head.whole(1, 0, 1, "control")
    continuous = head.whole(1, 0, 1, "continuous")
    polarity = head.whole(1, -1, 1, "polarity")
    operator_limits = _sensor_limits(head, "operator", tick_us)
    position_limits = _sensor_limits(head, "position", tick_us)
    filter_q16 = head.whole(3, 1, 65536, "filter_q16")
    speed_filter_q16 = head.whole(3, 1, 65536, "speed_filter_q16")
    deadband = head.whole(3, 0, 5000 if control else 360000, "deadband")
    speed_deadband = head.whole(3, 0, 200000, "speed_deadband_mdeg_s")
    gain_q16 = head.whole(3, 0, 3276800, "gain_q16")
    feed_q16 = head.whole(3, 0, 65536, "feed_q16")
    match_window = head.whole(3, 0, 360000, "match_window_mdeg")
    gap = head.whole(3, 0, 720000, "gap_mdeg")
    reduced = _two(head, 3, 1, 200000, "speed_reduced_mdeg_s")
    full = _two(head, 3, 1, 200000, "speed_full_mdeg_s")
    steps = [head.whole(3, 1, 200000, step) for step in ("accelerate", "decelerate", "stop")]
    soft_stops = _two(head, 3, -360000, 360000, "soft_stop_mdeg")
    flow_max = _two(head, 2, 1, 10000, "flow_max_e4")
    flow_full = head.whole(3, 1, 1000000, "flow_full_ml_min")
    drive_max = head.whole(2, 1, 10000, "drive_max_e4")
    reversal = head.whole(2, 1, 1000, "reversal_ticks")
    settle = head.whole(2, 1, 30000, "settle_ticks")
    still = head.whole(2, 1, 30000, "still_ticks"), head.whole(3, 0, 360000, "still_mdeg")
    stall = (
        head.whole(2, 1, 10000, "stall_flow_e4"),
        head.whole(2, 1, 60000, "stall_ticks"),
        head.whole(3, 1, 360000, "stall_mdeg"),
    )
    reach_mm = head.whole(2, 0, 65535, "reach_mm")
    if polarity == 0:
        raise head.fail("polarity is 0; it is 1 or -1")
    if reduced[0] > full[0] or reduced[1] > full[1]:
        raise head.fail("a reduced speed is above the full speed")
    if soft_stops[0] <= soft_stops[1]:
        raise head.fail("the upper soft stop is not above the lower one")
    lever = control == 1
    reach = 10000 if lever else 360000
    operator = _sensor(walk, 3, index, f"{name} operator track", reach, operator_limits)
    position = _sensor(walk, 4, index, f"{name} position track", 360000, position_limits)
    if continuous == 0:
        _reaches(walk, position, soft_stops)
    cursor = walk.open(5, index, f"{name} response")
    response = _curve(cursor, (-reach, reach), (-reach, reach))
    cursor = walk.open(6, index, f"{name} brake")
    brake = _rising(cursor, 720000, 200000), _rising(cursor, 720000, 200000)
    flow = _flow_per_speed(walk.open(7, index, f"{name} flow per speed"), full)
    cursor = walk.open(8, index, f"{name} valve")
    valve = _rising(cursor, 10000, 10000), _rising(cursor, 10000, 10000)
    return JointTable(
        control=control,
        continuous=continuous == 1,
        polarity=polarity,
        operator=operator,
        position=position,
        filter_q16=filter_q16,
        speed_filter_q16=speed_filter_q16,
        deadband=deadband,
        speed_deadband_mdeg_s=speed_deadband,
        response=response,
        gain_q16=gain_q16,
        feed_q16=feed_q16,
        match_window_mdeg=match_window,
        gap_mdeg=gap,
        speed_reduced_mdeg_s=reduced,
        speed_full_mdeg_s=full,
        accelerate_mdeg_s=steps[0],
        decelerate_mdeg_s=steps[1],
        stop_mdeg_s=steps[2],
        soft_stop_mdeg=soft_stops,
        brake=brake,
        flow_per_speed_q16=flow,
        flow_max_e4=flow_max,
        flow_full_ml_min=flow_full,
        valve=valve,
        drive_max_e4=drive_max,
        reversal_ticks=reversal,
        settle_ticks=settle,
        still_ticks=still[0],
        still_mdeg=still[1],
        stall_flow_e4=stall[0],
        stall_ticks=stall[1],
        stall_mdeg=stall[2],
        reach_mm=reach_mm,
    )


def _coupled_stops(walk: _Sections, joints: Sequence[JointTable]) -> tuple[CoupledStop, ...]:
    found: list[CoupledStop] = []
    while walk.comes(9, 255):
        cursor = walk.open(9, 255, f"coupled stop {len(found)}")
        if len(found) == 8:
            raise cursor.fail("a table has at most 8 coupled stops")
        found.append(_coupled_stop(cursor, joints, found[-1] if found else None))
    return tuple(found)


def _coupled_stop(cursor: _Cursor, joints: Sequence[JointTable], before: CoupledStop | None) -> CoupledStop:
    pair = (_limited_joint(cursor, joints, "joint A"), _limited_joint(cursor, joints, "joint B"))
    if pair[1] <= pair[0]:
        raise cursor.fail(f"joint B is {pair[1]}, not above joint A, which is {pair[0]}")
    weights = cursor.whole(2, -10000, 10000, "weight A"), cursor.whole(2, -10000, 10000, "weight B")
    if 0 in weights:
        raise cursor.fail("a weight is 0")
    limit = cursor.whole(3, -7200000, 7200000, "limit_mdeg")
    # Order is what makes the encoding the only one: a list, compared item by item from the front.
    if before is not None and [*before.joints, *before.weights_e3, before.limit_mdeg] >= [*pair, *weights, limit]:
        raise cursor.fail("not above the coupled stop before it (joints, then weights, then limit)")
    brake = _rising(cursor, 7200000, 2000000)
    return CoupledStop(joints=pair, weights_e3=weights, limit_mdeg=limit, brake=brake)


def _limited_joint(cursor: _Cursor, joints: Sequence[JointTable], name: str) -> int:
    number = cursor.whole(1, 0, len(joints) - 1, name)
    if joints[number].continuous:
        raise cursor.fail(f"{name} is {number}, which turns for ever and has no stop")
    return number


def _two(cursor: _Cursor, size: int, lowest: int, highest: int, name: str) -> Pair:
    positive = cursor.whole(size, lowest, highest, f"{name}[0]")
    return positive, cursor.whole(size, lowest, highest, f"{name}[1]")


def _sensor_limits(cursor: _Cursor, name: str, tick_us: int) -> tuple[int, int, int]:
    step_max = cursor.whole(3, 1, 720000, f"{name}.step_max")
    disagreement = cursor.whole(3, 1, 720000, f"{name}.disagreement")
    bad_ticks = cursor.whole(2, 1, 1000, f"{name}.bad_ticks")
    if bad_ticks * tick_us > 10**6:
        raise cursor.fail(f"{name}.bad_ticks {bad_ticks} is more than 1 s")
    return step_max, disagreement, bad_ticks


def _sensor(walk: _Sections, kind: int, index: int, part: str, reach: int, limits: tuple[int, int, int]) -> Sensor:
    tracks = [_track(walk.open(kind, index, part), reach)]
    walk.wire(tracks[0].input)
    if walk.comes(kind, index):
        tracks.append(_track(walk.open(kind, index, f"second {part}"), reach))
        walk.wire(tracks[1].input)
    return Sensor(tracks=tuple(tracks), step_max=limits[0], disagreement=limits[1], bad_ticks=limits[2])


def _reaches(walk: _Sections, position: Sensor, soft_stops: Pair) -> None:
    """A joint with soft stops is seen at both of them by every track."""
    for track in position.tracks:
        ends = sorted((track.curve.points[0][1], track.curve.points[-1][1]))
        if ends[0] > soft_stops[1] or ends[1] < soft_stops[0]:
            raise walk.fail(f"calibration on input {track.input} ends at {ends[0]} and {ends[1]}, inside a soft stop")


def _track(cursor: _Cursor, reach: int) -> Track:
    channel = cursor.whole(1, 0, 63, "input")
    lowest = cursor.whole(2, 1, 65534, "count_min")
    highest = cursor.whole(2, 1, 65534, "count_max")
    if lowest >= highest:
        raise cursor.fail(f"count_min {lowest} is not below count_max {highest}")
    curve = _curve(cursor, (0, 65535), (-reach, reach))
    ys = [y for _, y in curve.points]
    if ys[0] == ys[-1] or ys not in (sorted(ys), sorted(ys, reverse=True)):
        raise cursor.fail("calibration turns back or is flat")
    return Track(input=channel, count_min=lowest, count_max=highest, curve=curve)


def _rising(cursor: _Cursor, x_highest: int, y_highest: int) -> Curve:
    curve = _curve(cursor, (0, x_highest), (0, y_highest))
    ys = [y for _, y in curve.points]
    if curve.points[0][0] != 0:
        raise cursor.fail("the first x is not 0")
    if ys != sorted(ys):
        raise cursor.fail("the curve falls")
    return curve


def _flow_per_speed(cursor: _Cursor, full: Pair) -> tuple[Curve, Curve]:
    points, x_size, y_size = _curve_head(cursor)
    xs = _numbers(cursor, points, x_size)
    both = [_numbers(cursor, points, y_size) for _ in full]
    _narrowest(cursor, x_size, xs)
    _narrowest(cursor, y_size, both[0] + both[1])
    curves = [_assembled(cursor, xs, ys, (-360000, 360000), (1, 2147483647)) for ys in both]
    for ys, speed in zip(both, full, strict=True):
        if max(ys) * speed > 2147483647 * 65536:
            raise cursor.fail(f"flow per speed {max(ys)} is too much for {speed} mdeg/s")
    return curves[0], curves[1]


def _curve(cursor: _Cursor, x_range: tuple[int, int], y_range: tuple[int, int]) -> Curve:
    points, x_size, y_size = _curve_head(cursor)
    xs = _numbers(cursor, points, x_size)
    ys = _numbers(cursor, points, y_size)
    _narrowest(cursor, x_size, xs)
    _narrowest(cursor, y_size, ys)
    return _assembled(cursor, xs, ys, x_range, y_range)


def _curve_head(cursor: _Cursor) -> tuple[int, int, int]:
    points = cursor.whole(1, 2, 12, "number of points")
    sizes = cursor.take(1)[0]
    if sizes % 16 not in (2, 3, 4) or sizes // 16 not in (2, 3, 4):
        raise cursor.fail(f"widths {sizes:#04x}: each half is 2, 3 or 4")
    return points, sizes % 16, sizes // 16


def _numbers(cursor: _Cursor, points: int, size: int) -> list[int]:
    return [int.from_bytes(cursor.take(size), "little", signed=True) for _ in range(points)]


def _narrowest(cursor: _Cursor, size: int, numbers: Sequence[int]) -> None:
    half = 256 ** (size - 1) // 2
    if size > 2 and all(-half <= number < half for number in numbers):
        raise cursor.fail(f"numbers of {size} bytes would fit in {size - 1}")


def _assembled(
    cursor: _Cursor, xs: list[int], ys: list[int], x_range: tuple[int, int], y_range: tuple[int, int]
) -> Curve:
    if min(xs) < x_range[0] or max(xs) > x_range[1]:
        raise cursor.fail(f"x outside {x_range[0]} to {x_range[1]}")
    if min(ys) < y_range[0] or max(ys) > y_range[1]:
        raise cursor.fail(f"y outside {y_range[0]} to {y_range[1]}")
    for here in range(1, len(xs)):
        run, rise = xs[here] - xs[here - 1], ys[here] - ys[here - 1]
        if run <= 0:
            raise cursor.fail("x does not rise from point to point")
        if rise * 65536 // run not in range(-2147483648, 2147483648):
            raise cursor.fail("a slope does not fit 32 bits")
    return Curve(points=tuple(zip(xs, ys, strict=True)))
