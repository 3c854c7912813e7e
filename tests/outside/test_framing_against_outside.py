"""Framing, CRC and digest against sources outside the project.

Sources: the `cobs` package 1.2 (MIT) and the vectors of its unit tests; Python's zlib; the catalogue check values that
`crccheck` 1.3 (MIT) carries; FIPS 180-4 and Python's hashlib for SHA-256.
"""

from __future__ import annotations

import ctypes
import hashlib
import random
import zlib

import pytest
from store_library import library

from mapper.link.frame import CobsError, Frame, cobs_decode, cobs_encode, encode_frame

cobs = pytest.importorskip("cobs.cobs")
crccheck = pytest.importorskip("crccheck.crc")

pytestmark = pytest.mark.outside

# From the unit tests of the `cobs` package (cobs/cobs/test.py): COBS-1 to COBS-4.
VECTORS = [
    (b"", b"\x01"),
    (b"\0", b"\x01\x01"),
    (b"\0\0", b"\x01\x01\x01"),
    (b"12345\x006789", b"\x0612345\x056789"),
    (b"12345\x006789\0", b"\x0612345\x056789\x01"),
    (b"\x0012345\x006789", b"\x01\x0612345\x056789"),
    (bytes(range(1, 254)), b"\xfe" + bytes(range(1, 254))),
    (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255))),
    (bytes(range(1, 256)), b"\xff" + bytes(range(1, 255)) + b"\x02\xff"),
    (bytes(range(256)), b"\x01\xff" + bytes(range(1, 255)) + b"\x02\xff"),
]


@pytest.mark.parametrize(("data", "encoded"), VECTORS)
def test_cobs_vectors(data, encoded):
    assert cobs_encode(data) == encoded
    assert cobs_decode(encoded) == data


@pytest.mark.parametrize("encoded", [b"\0", b"\x05123", b"\x051234\0", b"\x0512\x004"])
def test_cobs_5_what_both_must_refuse(encoded):
    with pytest.raises(cobs.DecodeError):
        cobs.decode(encoded)
    with pytest.raises(CobsError):
        cobs_decode(encoded)


def test_cobs_agrees_with_the_package_on_random_data():
    rng = random.Random(8)
    for _ in range(3000):
        length = rng.choice([0, 1, 253, 254, 255, 507, 508, 509, 762, rng.randrange(800)])
        data = bytes(rng.choice((0, 1, 255)) if rng.random() < 0.2 else rng.randrange(1, 256) for _ in range(length))

        assert cobs_encode(data) == cobs.encode(data)


def test_a_frame_is_what_package_and_zlib_make_of_it():
    frame = Frame(kind=7, tag=0x1234, content=bytes(range(100)))
    body = bytes([1, 7, 0x34, 0x12]) + bytes(range(100))
    expected = b"\0" + cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0"

    assert encode_frame(frame) == expected


def c_crc(data: bytes, start: int = 0) -> int:
    function = library().crc32_update
    function.restype = ctypes.c_uint32
    function.argtypes = [ctypes.c_uint32, ctypes.c_char_p, ctypes.c_size_t]
    return function(start, data, len(data))


def test_the_crc_of_the_core_has_the_catalogues_check_value():
    assert c_crc(b"123456789") == 0xCBF43926 == crccheck.Crc32.calc(b"123456789")


def test_the_crc_of_the_core_agrees_with_zlib_in_one_go_and_in_parts():
    rng = random.Random(2)
    for length in (0, 1, 2, 31, 32, 255, 2287):
        data = rng.randbytes(length)
        cut = rng.randint(0, length)

        assert c_crc(data) == zlib.crc32(data) == crccheck.Crc32.calc(data)
        assert c_crc(data[cut:], c_crc(data[:cut])) == zlib.crc32(data)


def c_digest(data: bytes) -> str:
    result = ctypes.create_string_buffer(32)
    library().store_bench_digest(data, ctypes.c_size_t(len(data)), result)
    return result.raw.hex()


def test_the_digest_of_the_core_has_the_value_of_fips_180():
    """FIPS 180-4's example "abc" (from memory; hashlib agrees)."""
    assert c_digest(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_the_digest_of_the_core_agrees_with_hashlib_around_every_block_edge():
    rng = random.Random(4)
    for length in [*range(130), 183, 184, 2287, 14_565]:
        data = rng.randbytes(length)

        assert c_digest(data) == hashlib.sha256(data).hexdigest()
