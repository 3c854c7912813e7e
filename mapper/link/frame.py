"""Frames on the serial line, as `firmware_stub/core/frame.h` has them: COBS between zero bytes, CRC-32, little endian.

COBS: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing". CRC-32: ISO 3309, as in zlib.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

PROTOCOL = 1
CONTENT_MAX = 366
_HEAD = struct.Struct("<BBH")
_CRC = struct.Struct("<I")
_FRAME_MAX = _HEAD.size + CONTENT_MAX + _CRC.size
_ENCODED_MAX = _FRAME_MAX + 1 + _FRAME_MAX // 254


class CobsError(ValueError):
    """Bytes that no COBS encoder gives out: a zero inside, or a block that ends early."""


def cobs_encode(data: bytes) -> bytes:
    """`data` without zero bytes: at most len + 1 + len // 254 bytes, no zeros at the ends added."""
    encoded = bytearray()
    runs = data.split(b"\0")
    for index, run in enumerate(runs):
        while len(run) > 254:  # a full block, after which no zero is meant
            encoded += b"\xff" + run[:254]
            run = run[254:]
        encoded.append(len(run) + 1)
        encoded += run
        if len(run) == 254 and index + 1 < len(runs):
            encoded.append(1)  # the zero that a full block does not mean
    return bytes(encoded)


def cobs_decode(encoded: bytes) -> bytes:
    """The data of one COBS block sequence. Raises CobsError."""
    if 0 in encoded:
        raise CobsError("a zero byte inside")
    parts = []
    at, end = 0, len(encoded)
    while at < end:
        code = encoded[at]
        after = at + code
        if after > end:
            raise CobsError("the last block ends early")
        parts.append(encoded[at + 1 : after])
        if code != 0xFF and after < end:
            parts.append(b"\0")
        at = after
    return b"".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One frame. kind: 1..127 a question, the same + 128 its answer; tag: 0..65535, given back in the answer."""

    kind: int
    tag: int
    content: bytes
    protocol: int = PROTOCOL


def encode_frame(frame: Frame) -> bytes:
    """The bytes for the line, a zero at both ends. Raises ValueError for content of more than 366 bytes."""
    if len(frame.content) > CONTENT_MAX:
        raise ValueError(f"a frame carries at most {CONTENT_MAX} bytes, not {len(frame.content)}")
    body = _HEAD.pack(frame.protocol, frame.kind, frame.tag) + frame.content
    return b"\0" + cobs_encode(body + _CRC.pack(zlib.crc32(body))) + b"\0"


class FrameReceiver:
    """Bytes in, whole frames out; everything else is dropped and counted. Keeps at most one frame's bytes.

    Attributes:
        bad: pieces between zeros that were no frame.
        heard: first bytes of the last of them, for a message.
    """

    def __init__(self) -> None:
        self._piece = bytearray()
        self._too_long = False
        self.bad = 0
        self.heard = b""

    def feed(self, data: bytes) -> list[Frame]:
        frames = []
        first, *others = data.split(b"\0")
        self._collect(first)
        for piece in others:
            frame = self._end()
            if frame is not None:
                frames.append(frame)
            self._collect(piece)
        if self._too_long and not self.heard:
            self.heard = bytes(self._piece[:16])
        return frames

    def _collect(self, part: bytes) -> None:
        room = _ENCODED_MAX - len(self._piece)
        self._piece += part[:room]
        self._too_long = self._too_long or len(part) > room

    def _end(self) -> Frame | None:
        """What stands between two zeros: a frame, or nothing."""
        frame = None
        if self._piece:
            frame = None if self._too_long else _decode(bytes(self._piece))
            if frame is None:
                self.bad += 1
                self.heard = bytes(self._piece[:16])
        self._piece.clear()
        self._too_long = False
        return frame

    @property
    def foreign_bytes(self) -> bytes:
        """First bytes of something that is no frame, empty when nothing of the kind was heard."""
        return self.heard or bytes(self._piece[:16])


def _decode(piece: bytes) -> Frame | None:
    try:
        body = cobs_decode(piece)
    except CobsError:
        return None
    if len(body) < _HEAD.size + _CRC.size or len(body) > _FRAME_MAX:
        return None
    if zlib.crc32(body[: -_CRC.size]) != _CRC.unpack(body[-_CRC.size :])[0]:
        return None
    protocol, kind, tag = _HEAD.unpack_from(body)
    return Frame(protocol=protocol, kind=kind, tag=tag, content=body[_HEAD.size : -_CRC.size])
