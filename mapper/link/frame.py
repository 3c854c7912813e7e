"""Frames on the serial line, as `firmware_stub/core/frame.h` has them: COBS between zero bytes, CRC-32, little endian.

COBS: S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing". CRC-32: ISO 3309, as in zlib.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

PROTOCOL = 1
CONTENT_MAX = 288
_HEAD = struct.Struct("<BBH")
_CRC = struct.Struct("<I")
_FRAME_MAX = _HEAD.size + CONTENT_MAX + _CRC.size
_ENCODED_MAX = _FRAME_MAX + 1 + _FRAME_MAX // 254


class CobsError(ValueError):
    """Bytes that no COBS encoder gives out: a zero inside, or a block that ends early."""


def cobs_encode(data: bytes) -> bytes:
    """`data` without zero bytes: at most len + 1 + len // 254 bytes, no zeros at the ends added."""
    encoded = bytearray(1)
    code_at = 0
    for byte in data:
        if len(encoded) - code_at == 255:  # 254 bytes since the code: a full block, after which no zero is meant
            encoded[code_at] = 0xFF
            code_at = len(encoded)
            encoded.append(0)
        if byte == 0:
            encoded[code_at] = len(encoded) - code_at
            code_at = len(encoded)
        encoded.append(byte)
    encoded[code_at] = len(encoded) - code_at
    return bytes(encoded)


def cobs_decode(encoded: bytes) -> bytes:
    """The data of one COBS block sequence. Raises CobsError."""
    data = bytearray()
    at = 0
    while at < len(encoded):
        code = encoded[at]
        block = encoded[at + 1 : at + code]
        if code == 0 or 0 in block:
            raise CobsError("a zero byte inside")
        if len(block) != code - 1:
            raise CobsError("the last block ends early")
        data += block
        at += code
        if code != 0xFF and at < len(encoded):
            data.append(0)
    return bytes(data)


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One frame. kind: 1..127 a question, the same + 128 its answer; tag: 0..65535, given back in the answer."""

    kind: int
    tag: int
    content: bytes
    protocol: int = PROTOCOL


def encode_frame(frame: Frame) -> bytes:
    """The bytes for the line, a zero at both ends. Raises ValueError for content of more than 288 bytes."""
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
        for byte in data:
            if byte != 0:
                if len(self._piece) < _ENCODED_MAX:
                    self._piece.append(byte)
                else:
                    self._too_long = True
                continue
            if self._piece:
                frame = None if self._too_long else _decode(bytes(self._piece))
                if frame is None:
                    self.bad += 1
                    self.heard = bytes(self._piece[:16])
                else:
                    frames.append(frame)
            self._piece.clear()
            self._too_long = False
        if self._too_long and not self.heard:
            self.heard = bytes(self._piece[:16])
        return frames

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
