"""A serial line in simulated time: each direction sends one bit after the other and every bit arrives later by the
latency. It carries the PC's unmodified machines and the unmodified C controller.

The use of the line is what the issue asks for: of the time from the first bit to the last bit of a phase, in the
direction in which the table goes, the part that carries bytes of the table (10 bits a byte: start, 8, stop). Frames,
heads, checksums and every pause count as lost.
"""

from __future__ import annotations

import struct
from collections import deque
from dataclasses import dataclass, field

from link_library import Controller

from mapper.link.ask import AskPerson, Confirmed, Event, Progress, Received, Send, Timer, WakeAt
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.message import ANSWER, Kind
from mapper.link.transfer import Finished, Machine, Outcome

NS = 1_000_000_000
BITS_A_BYTE = 10


@dataclass(slots=True)
class Direction:
    """One way. baud: bits a second; latency_ns: from the end of a byte's last bit to its arrival.

    Attributes:
        ends_ns: when the last bit of every byte that ever went in was through.
        waiting: (arrival, byte) of what is on its way.
    """

    baud: int
    latency_ns: int
    ends_ns: list[int] = field(default_factory=list)
    waiting: deque[tuple[int, int]] = field(default_factory=deque)

    @property
    def byte_ns(self) -> float:
        return BITS_A_BYTE * NS / self.baud

    def put(self, data: bytes, now_ns: int) -> None:
        """The sender gives bytes at this time; each goes out when the one before it is through."""
        free_ns = max(now_ns, self.ends_ns[-1] if self.ends_ns else 0)
        for number, byte in enumerate(data, start=1):
            end_ns = free_ns + round(number * self.byte_ns)
            self.ends_ns.append(end_ns)
            self.waiting.append((end_ns + self.latency_ns, byte))

    def arrived(self, now_ns: int) -> bytes:
        data = bytearray()
        while self.waiting and self.waiting[0][0] <= now_ns:
            data.append(self.waiting.popleft()[1])
        return bytes(data)

    def unsent(self, now_ns: int) -> int:
        """Bytes whose last bit is not through yet."""
        count = 0
        for end_ns in reversed(self.ends_ns):
            if end_ns <= now_ns:
                break
            count += 1
        return count


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A phase of one direction: first and last bit, bytes of the table that its frames carry."""

    first_ns: int
    last_ns: int
    table_bytes: int

    def use(self, baud: int) -> float:
        return self.table_bytes * BITS_A_BYTE * NS / baud / (self.last_ns - self.first_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """What came of an upload.

    Attributes:
        sending, reading_back, reading_in_use: the phases.
        seconds: from the first question to the last answer; whole: the part of them that carries the table, which goes
            over three times.
        receive_bytes: the most that the controller's receive buffer had to hold.
        asked_again: questions sent more than once, but for begin, which is while the slot is erased.
    """

    outcome: Outcome
    sending: Span
    reading_back: Span
    reading_in_use: Span
    seconds: float
    whole: float
    receive_bytes: int
    asked_again: int


@dataclass(slots=True)
class PacedLine:
    """baud, latency_ms: each way; loop_us: how often the controller's loop comes round; sender_bytes: its send
    buffer.
    """

    controller: Controller
    baud: int
    latency_ms: int
    loop_us: int = 100
    sender_bytes: int = 256
    now_ns: int = NS

    def upload(self, machine: Machine, table_bytes: int, limit_s: float = 300.0) -> Use:
        """Plays the upload to its end."""
        towards = Direction(self.baud, self.latency_ms * 1_000_000)
        back = Direction(self.baud, self.latency_ms * 1_000_000)
        began_ns, held, most = self.now_ns, b"", 0
        receiver, sent, answered = FrameReceiver(), bytearray(), bytearray()
        events: deque[Event] = deque([Timer()])
        wake_ms = 0
        while self.now_ns < began_ns + limit_s * NS:
            while events or self.now_ns // 1_000_000 >= wake_ms:
                event = events.popleft() if events else Timer()
                for action in machine.step(self.now_ns // 1_000_000, event):
                    if isinstance(action, Finished):
                        return self._use(
                            action.outcome, (bytes(sent), towards), (bytes(answered), back), began_ns, table_bytes, most
                        )
                    if isinstance(action, Send):
                        towards.put(action.data, self.now_ns)
                        sent += action.data
                    elif isinstance(action, WakeAt):
                        wake_ms = action.now_ms
                    elif isinstance(action, AskPerson):
                        events.append(Confirmed(True))
                    else:
                        assert isinstance(action, Progress)
            self.now_ns += self.loop_us * 1000
            held += towards.arrived(self.now_ns)
            most = max(most, len(held))
            self.controller.set_sender(max(0, self.sender_bytes - back.unsent(self.now_ns)))
            held, data = self.controller.serve(held, self.now_ns // 1_000_000)
            back.put(data, self.now_ns)
            answered += data
            events.extend(Received(frame) for frame in receiver.feed(back.arrived(self.now_ns)))
        raise AssertionError(f"the upload has not ended within {limit_s} s of its time")

    def _use(
        self,
        outcome: Outcome,
        asked: tuple[bytes, Direction],
        answered: tuple[bytes, Direction],
        began_ns: int,
        table_bytes: int,
        most: int,
    ) -> Use:
        assert outcome.error is None, outcome.error
        assert outcome.after is not None
        sending, reading_back, reading_in_use = spans(asked, answered, table_bytes, outcome.after.sequence)
        tags = [part[0].tag for part in _frames(asked) if part[0].kind != Kind.BEGIN]
        seconds = (self.now_ns - began_ns) / NS
        return Use(
            outcome=outcome,
            sending=sending,
            reading_back=reading_back,
            reading_in_use=reading_in_use,
            seconds=seconds,
            whole=3 * table_bytes * BITS_A_BYTE / self.baud / seconds,
            receive_bytes=most,
            asked_again=len(tags) - len(set(tags)),
        )


Part = tuple[Frame, int, int]
"""A frame, its first and its last bit."""


def _frames(line: Way) -> list[Part]:
    """Every frame that went over, from the bytes and their times."""
    data, direction = line
    found, at = [], 0
    for piece in data.split(b"\0"):
        if piece:
            frames = FrameReceiver().feed(b"\0" + piece + b"\0")
            assert len(frames) == 1
            length = len(encode_frame(frames[0]))
            last_ns = direction.ends_ns[at + len(piece)]
            first_ns = direction.ends_ns[at - 1] - round(direction.byte_ns)
            assert length == len(piece) + 2
            found.append((frames[0], first_ns, last_ns))
        at += len(piece) + 1
    return found


Way = tuple[bytes, Direction]
"""All bytes that went one way, and their times."""


def spans(asked: Way, answered: Way, table_bytes: int, sequence: int) -> tuple[Span, Span, Span]:
    """Sending, reading back, reading in use (the reads whose key is the sequence of the new table)."""
    blocks = [part for part in _frames(asked) if part[0].kind == Kind.BLOCK]
    reads = [part for part in _frames(answered) if part[0].kind == Kind.READ + ANSWER]
    live = [part for part in reads if struct.unpack_from("<I", part[0].content, 6)[0] == sequence]
    fresh = [part for part in reads if part not in live]
    return _span(blocks, table_bytes), _span(fresh, table_bytes), _span(live, table_bytes)


def _span(parts: list[Part], table_bytes: int) -> Span:
    return Span(
        first_ns=min(part[1] for part in parts), last_ns=max(part[2] for part in parts), table_bytes=table_bytes
    )
