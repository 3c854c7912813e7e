"""Values just outside of every parameter of the table, as a table for the encoder and as bytes for the controller."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

from make_profile import changed
from parameter_case import (
    COUPLED_ROWS,
    JOINT,
    JOINT_ROWS,
    MACHINE_ROWS,
    base,
    curve_bytes,
    path_of,
    place,
    sections,
    with_payload,
)

from mapper.table import Curve, Table


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrong:
    """What no table may hold. table: what the encoder has to refuse, at `path`; data: bytes that say it all the same,
    with everything else right, None where the field's bytes cannot say it; field: what the controller has to name.
    """

    kind: int
    field: int
    what: str
    path: str
    table: Table
    data: bytes | None


def wrong_numbers(kind: int, data: bytes) -> Iterator[Wrong]:
    """Kinds 1, 2 and 9: one below and one above every field. data: the bytes of `base()`."""
    rows = {1: MACHINE_ROWS, 2: JOINT_ROWS, 9: COUPLED_ROWS}[kind]
    for field, offset, size, signed, name, lowest, highest in rows:
        for value in (lowest - 1, highest + 1):
            path = path_of(kind, field)
            least, most = (-(256**size) // 2, 256**size // 2 - 1) if signed else (0, 256**size - 1)
            number, _ = place(data, kind)
            payload = sections(data)[number][3]
            said = (value % 256**size).to_bytes(size, "little")
            new = payload[:offset] + said + payload[offset + size :]
            yield Wrong(
                kind=kind,
                field=field,
                what=f"{name} = {value}",
                path=path,
                table=changed(base(), path, value),
                data=with_payload(data, kind, new) if least <= value <= most else None,
            )


_BOUNDS = {
    3: ((0, 65_535), (-360_000, 360_000), False),
    4: ((0, 65_535), (-360_000, 360_000), False),
    5: ((-360_000, 360_000), (-360_000, 360_000), False),
    6: ((0, 720_000), (0, 200_000), True),
    8: ((0, 10_000), (0, 10_000), True),
    9: ((0, 7_200_000), (0, 2_000_000), True),
}
"""(x, y, the first x is 0)."""


def _wrong_points(kind: int) -> Iterator[tuple[int, str, list[tuple[int, int]]]]:
    """(+ field, what, points)."""
    (x0, x1), (y0, y1), from_zero = _BOUNDS[kind]
    good = [(0, 0), (5_000, 50)]
    yield 0, "one point", good[:1]
    yield 0, "thirteen points", [(100 * n, n) for n in range(13)]
    yield 2, "x that does not rise", [(0, 0), (0, 50)]
    if x0 == 0:
        yield 2, "x below", [(-1, 0), (5_000, 50)]
    else:
        yield 2, "x below", [(x0 - 1, 0), (5_000, 50)]
    yield 2, "x above", [(0, 0), (x1 + 1, 50)]
    yield 3, "y below", [(0, y0 - 1), (50_000 if x1 >= 50_000 else 10_000, y1)]
    yield 3, "y above", [(0, y0), (50_000 if x1 >= 50_000 else 10_000, y1 + 1)]
    if from_zero:
        yield 2, "a first x of 1", [(1, 0), (5_000, 50)]
        yield 3, "y that falls", [(0, 50), (5_000, 0)]
    if kind in (3, 4):
        yield 3, "y that turns", [(0, 0), (2_000, 9_000), (5_000, 50)]


def wrong_curves(kind: int, data: bytes) -> Iterator[Wrong]:
    """The first curve of kinds 3 to 6, 8 and 9: too few points, too many, outside, not rising; wider than needed."""
    paths = {
        3: f"joints.{JOINT}.operator.tracks.0.curve",
        4: f"joints.{JOINT}.position.tracks.0.curve",
        5: f"joints.{JOINT}.response",
        6: f"joints.{JOINT}.brake.0",
        8: f"joints.{JOINT}.valve.0",
        9: "coupled.0.brake",
    }
    number, _ = place(data, kind)
    payload = sections(data)[number][3]
    first, at = {3: (3, 5), 4: (3, 5), 9: (5, 9)}.get(kind, (0, 0))
    size = 2 + payload[at] * (payload[at + 1] % 16 + payload[at + 1] // 16)

    def with_curve(new: bytes) -> bytes:
        return with_payload(data, kind, payload[:at] + new + payload[at + size :])

    path = paths[kind]
    for number_of, what, points in _wrong_points(kind):
        table = changed(base(), path, Curve(points=tuple(points)))
        new = with_curve(curve_bytes(points))
        yield Wrong(kind=kind, field=first + number_of, what=what, path=path, table=table, data=new)
    points = [(0, 0), (100, 50)]
    for widths in ((3, 2), (2, 3), (1, 2), (2, 5)):
        new = with_curve(curve_bytes(points, widths))
        yield Wrong(kind=kind, field=first + 1, what=f"widths {widths}", path="", table=base(), data=new)


def wrong_tracks(kind: int, data: bytes) -> Iterator[Wrong]:
    """Kinds 3 and 4: channel and window."""
    sensor = "operator" if kind == 3 else "position"
    path = f"joints.{JOINT}.{sensor}.tracks.0"
    number, _ = place(data, kind)
    payload = sections(data)[number][3]
    channel = payload[0]
    for field, name, value, head in (
        (0, "input", -1, None),
        (0, "input", 64, (64, 1_000, 60_000)),
        (1, "count_min", 0, (channel, 0, 60_000)),
        (2, "count_max", 65_535, (channel, 1_000, 65_535)),
        (2, "count_max", 1_000, (channel, 1_000, 1_000)),
    ):
        yield Wrong(
            kind=kind,
            field=field,
            what=f"{name} = {value}",
            path=f"{path}.{name}",
            table=changed(base(), f"{path}.{name}", value),
            data=with_payload(data, kind, struct.pack("<BHH", *head) + payload[5:]) if head else None,
        )


def wrong_flows(data: bytes) -> Iterator[Wrong]:
    """Kind 7."""
    path = f"joints.{JOINT}.flow_per_speed_q16"
    most = (2**31 - 1) * 65_536 // 200_000

    def both(points: list[tuple[int, int, int]]) -> tuple[tuple[Curve, Curve], bytes]:
        pair = tuple(Curve(points=tuple((point[0], point[side]) for point in points)) for side in (1, 2))
        x, y = [point[0] for point in points], [point[side] for side in (1, 2) for point in points]
        sizes = [
            next(size for size in (2, 3, 4, 5) if all(-(256**size) // 2 <= one < 256**size // 2 for one in v))
            for v in (x, y)
        ]
        said = bytes([len(points), sizes[0] | sizes[1] << 4])
        said += b"".join(one.to_bytes(sizes[0], "little", signed=True) for one in x)
        return pair, said + b"".join(one.to_bytes(sizes[1], "little", signed=True) for one in y)

    for field, what, points in (
        (0, "one point", [(0, 5, 5)]),
        (0, "thirteen points", [(n, 5, 5) for n in range(13)]),
        (2, "x below", [(-360_001, 5, 5), (0, 5, 5)]),
        (2, "x above", [(0, 5, 5), (360_001, 5, 5)]),
        (2, "x that does not rise", [(0, 5, 5), (0, 5, 5)]),
        (3, "y below, positive", [(0, 0, 5), (90, 5, 5)]),
        (4, "y below, negative", [(0, 5, 5), (90, 5, 0)]),
        (3, "y above what the full speed leaves, positive", [(0, most + 1, 5), (90_000, most, 5)]),
        (4, "y above what the full speed leaves, negative", [(0, 5, most), (90_000, 5, most + 1)]),
    ):
        pair, said = both(points)
        yield Wrong(
            kind=7,
            field=field,
            what=what,
            path=path,
            table=changed(base(), path, pair),
            data=with_payload(data, 7, said),
        )


def wrong(kind: int, data: bytes) -> list[Wrong]:
    """Everything that is just outside in one kind. data: the bytes of `base()`."""
    return [
        *(wrong_numbers(kind, data) if kind in (1, 2, 9) else ()),
        *(wrong_tracks(kind, data) if kind in (3, 4) else ()),
        *(wrong_curves(kind, data) if kind not in (1, 2, 7) else ()),
        *(wrong_flows(data) if kind == 7 else ()),
    ]
