"""Frames, CRC and digest of the core on the emulated processor and on the PC."""

from __future__ import annotations

import ctypes
import functools

from arm_build import host_library
from arm_core import ARENA, ArmCore

BYTES_MAX = 4_096
_WORDS_MAX, _ENCODED_MAX = 1_024, 400
_IN, _OUT = ARENA + 0x80_0000, ARENA + 0x90_0000


class ArmBytes:
    def __init__(self, core: ArmCore) -> None:
        self._core = core

    def _put(self, data: bytes) -> int:
        self._core.write(_IN, data)
        return len(data)

    def frames(self, stream: bytes) -> list[int]:
        """What entry_frames says of every frame that the bytes give."""
        count = self._core.call("entry_frames", _IN, self._put(stream), _OUT, _WORDS_MAX)
        data = self._core.read(_OUT, 4 * count)
        return [int.from_bytes(data[at : at + 4], "little") for at in range(0, len(data), 4)]

    def encode(self, content: bytes, kind_and_tag: int) -> bytes:
        count = self._core.call("entry_encode", _IN, self._put(content), kind_and_tag, _OUT)
        return self._core.read(_OUT, count)

    def crc(self, data: bytes) -> int:
        return self.crc_at(_IN, self._put(data))

    def crc_at(self, address: int, count: int) -> int:
        return self._core.call("entry_crc", address, count)

    def digest(self, data: bytes) -> bytes:
        self._core.call("entry_digest", _IN, self._put(data), _OUT)
        return self._core.read(_OUT, 32)


class HostBytes:
    def __init__(self) -> None:
        self._library = ctypes.CDLL(str(host_library()))

    def frames(self, stream: bytes) -> list[int]:
        words = (ctypes.c_uint32 * _WORDS_MAX)()
        return list(words[: self._library.entry_frames(stream, len(stream), words, _WORDS_MAX)])

    def encode(self, content: bytes, kind_and_tag: int) -> bytes:
        target = (ctypes.c_uint8 * _ENCODED_MAX)()
        count = self._library.entry_encode(content, len(content), kind_and_tag, target)
        return bytes(target[:count])


@functools.cache
def host_bytes() -> HostBytes:
    return HostBytes()
