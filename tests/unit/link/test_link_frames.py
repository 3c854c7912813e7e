"""Frames in C and in Python: the same bytes, whole frames only, nothing outside a buffer."""

from __future__ import annotations

import ctypes
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from store_library import library

from mapper.link.frame import CONTENT_MAX, CobsError, Frame, FrameReceiver, cobs_decode, cobs_encode, encode_frame


def c_encode(frame: Frame) -> bytes:
    target = (ctypes.c_uint8 * 400)()
    count = library().store_bench_encode(frame.kind, frame.tag, frame.content, len(frame.content), target, 400)
    return bytes(target)[:count]


class CReceiver:
    def __init__(self) -> None:
        self._block = ctypes.create_string_buffer(b"\xa5" * library().store_bench_receiver_bytes())
        library().frame_start(self._block)

    def feed(self, data: bytes) -> tuple[int, Frame | None]:
        content, head = (ctypes.c_uint8 * 400)(), (ctypes.c_int32 * 4)()
        count = library().store_bench_receive(self._block, data, len(data), content, head)
        if not count:
            return 0, None
        return count, Frame(protocol=head[0], kind=head[1], tag=head[2], content=bytes(content)[: head[3]])


frames = st.builds(
    Frame,
    kind=st.integers(1, 255),
    tag=st.integers(0, 65535),
    content=st.binary(max_size=CONTENT_MAX)
    | st.lists(st.sampled_from([0, 1, 255]), max_size=CONTENT_MAX).map(bytes)
    | st.binary(min_size=240, max_size=CONTENT_MAX).map(lambda data: data.replace(b"\0", b"\1")),
)


@given(frames)
@settings(max_examples=300, deadline=None)
def test_both_sides_write_the_same_bytes_and_read_each_other(frame):
    data = encode_frame(frame)

    assert data == c_encode(frame)
    assert data[0] == data[-1] == 0
    assert 0 not in data[1:-1]
    assert FrameReceiver().feed(data) == [frame]
    assert CReceiver().feed(data) == (1, frame)


@given(st.binary(max_size=900))
@settings(max_examples=300, deadline=None)
def test_cobs_gives_back_what_went_in_within_its_bound(data):
    encoded = cobs_encode(data)

    assert cobs_decode(encoded) == data
    assert len(encoded) <= len(data) + 1 + len(data) // 254
    assert 0 not in encoded


@given(st.lists(st.binary(max_size=400), max_size=6), frames)
@settings(max_examples=200, deadline=None)
def test_whatever_came_before_a_frame_after_a_zero_is_received_by_both(noise, frame):
    data = b"".join(noise) + encode_frame(frame)
    receiver = CReceiver()
    count, last = receiver.feed(data)

    assert FrameReceiver().feed(data)[-1] == frame
    assert count >= 1
    assert last == frame


def test_no_change_of_up_to_three_bits_is_taken_for_a_frame():
    """Koopman's tables give CRC-32 Hamming distance 5 to 2,974 bits; tried here on one of the longest frames."""
    rng = random.Random(3)
    data = encode_frame(Frame(kind=4, tag=77, content=rng.randbytes(CONTENT_MAX)))
    for _ in range(3000):
        broken = bytearray(data)
        for _ in range(rng.randint(1, 3)):
            broken[rng.randrange(1, len(data) - 1)] ^= 1 << rng.randrange(8)
        broken_bytes = bytes(broken)
        if broken_bytes == data:
            continue

        assert FrameReceiver().feed(broken_bytes) == []
        assert CReceiver().feed(broken_bytes)[0] == 0


def test_a_frame_that_never_ends_is_bounded_and_the_next_one_comes_through():
    frame = Frame(kind=1, tag=2, content=b"abc")
    endless = b"\xff" * 100_000
    receiver = FrameReceiver()

    assert receiver.feed(endless) == []
    assert receiver.feed(encode_frame(frame)) == [frame]
    assert receiver.bad == 1
    assert CReceiver().feed(endless + encode_frame(frame)) == (1, frame)


def test_content_that_is_too_long_is_refused_by_both():
    frame = Frame(kind=1, tag=2, content=b"x" * (CONTENT_MAX + 1))
    with pytest.raises(ValueError, match="366"):
        encode_frame(frame)

    assert c_encode(frame) == b""


@pytest.mark.parametrize("room", range(0, 24))
def test_the_c_encoder_writes_nothing_outside_its_buffer(room):
    target = (ctypes.c_uint8 * 64)(*[0xA5] * 64)
    count = library().store_bench_encode(1, 2, b"\1\2\3\4\5\6\7\0", 8, target, room)

    assert bytes(target)[room:] == b"\xa5" * (64 - room)
    assert count in (0, 19)
    assert count <= room


@pytest.mark.parametrize("encoded", [b"\0", b"\x05123", b"\x051234\0", b"\x0512\x004"])
def test_what_is_no_cobs_is_refused(encoded):
    with pytest.raises(CobsError):
        cobs_decode(encoded)
