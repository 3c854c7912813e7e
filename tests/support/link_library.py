"""The unmodified controller in this process, a line with faults between it and the PC's machines, and time that only
passes in it.
"""

from __future__ import annotations

import ctypes
import functools
import hashlib
import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scratch import scratch_folder
from store_library import CORE, FLAGS, compiler

from mapper.link.ask import AskPerson, Confirmed, Received, Send, Timer, WakeAt
from mapper.link.frame import FrameReceiver
from mapper.link.transfer import Finished, Machine, Outcome
from mapper.table import decode_table

KEY = 32
STOPS = 3
NONE, IN_USE, DAMAGED_TABLE, NOT_TAKEN = range(4)


@functools.cache
def library() -> ctypes.CDLL:
    return compile_link(sorted(CORE.glob("*.c")), scratch_folder("link_library_"))


def compile_link(core_files: list[Path], folder: Path) -> ctypes.CDLL:
    """The core's files with the bench: a library of its own in `folder`."""
    sources = [*core_files, Path(__file__).with_name("link_bench.c")]
    digest = hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()[:12]
    target = folder / f"link_{digest}.so"
    subprocess.run(
        [*compiler(), *FLAGS, "-O2", "-shared", "-fPIC", "-o", str(target), *map(str, sources), f"-I{CORE}"], check=True
    )
    return declare_link(ctypes.CDLL(str(target)))


def declare_link(core: ctypes.CDLL) -> ctypes.CDLL:
    """With the types of the bench's functions."""
    for name in ("bytes", "receive", "take", "law_size", "table_bytes"):
        getattr(core, f"link_bench_{name}").restype = ctypes.c_size_t
    for name in ("digest", "law_digest", "exchange", "reference"):
        getattr(core, f"link_bench_{name}").restype = ctypes.c_uint64
    for name in ("dropped", "sequence", "operations", "revision"):
        getattr(core, f"link_bench_{name}").restype = ctypes.c_uint32
    core.link_bench_out.restype = ctypes.c_void_p
    core.link_bench_record.restype = ctypes.c_void_p
    core.link_bench_broken.restype = ctypes.c_char_p
    core.link_bench_reference.argtypes = [
        ctypes.c_void_p,
        ctypes.c_char_p,
        ctypes.c_size_t,
        ctypes.c_void_p,
        ctypes.c_uint32,
    ]
    core.link_bench_receive.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_size_t]
    core.link_bench_exchange.argtypes = [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_char_p, ctypes.c_size_t]
    core.link_bench_geometry.argtypes = [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_size_t, ctypes.c_uint32]
    core.core_assert_line.restype = ctypes.c_uint32
    return core


class Controller:
    """A controller with flash that outlives `start`. key: the service key input of every tick."""

    def __init__(self, machine_id: str = "bench-1", sectors: int = 2, core: ctypes.CDLL | None = None) -> None:
        self.core = core or library()
        self._block = ctypes.create_string_buffer(self.core.link_bench_bytes())
        self._out = ctypes.create_string_buffer(8192)
        self.core.link_bench_erase_all(self._block)
        self._sectors = sectors
        self.core.link_bench_geometry(self._block, sectors, 8192, 0)
        self.key = True
        self.start(machine_id)

    def start(self, machine_id: str | None = None, cut_at: int = 0) -> int:
        self.machine_id = machine_id or self.machine_id
        self.presence = self.core.link_bench_start(self._block, self.machine_id.encode().ljust(16, b"\0"), cut_at)
        self.tick()
        return self.presence

    def set_line(self, room: int = 8192, busy: int = 0) -> None:
        """room: bytes that one transmit takes; busy: times that an erase answers busy."""
        self.core.link_bench_set(self._block, ctypes.c_size_t(room), busy)

    def set_sender(self, room: int) -> None:
        """So many bytes go into the sender's buffer until they are taken out of it."""
        self.core.link_bench_geometry(self._block, self._sectors, room, 0)

    def serve(self, data: bytes, now_ms: int) -> tuple[bytes, bytes]:
        """One round of the loop: (what the controller has not taken yet, what it put into the sender's buffer)."""
        self.core.link_bench_poll(self._block, now_ms & 0xFFFFFFFF)
        taken = self.core.link_bench_receive(self._block, data, len(data))
        return data[taken:], self._take()

    def tick(self, digital: int | None = None, counts=(), elapsed_us: int = 5000) -> tuple[int, int, int, int]:
        """(state, cause, enable, joints with anything but zero on them)."""
        record = _record((KEY if self.key else 0) | STOPS if digital is None else digital, counts, elapsed_us)
        head = (ctypes.c_int32 * 4)()
        self.core.link_bench_tick(self._block, record.ctypes.data_as(ctypes.c_void_p), head)
        return tuple(head)

    def ticks(self, digital: int, counts, elapsed_us: int, most: int, until: int = -1) -> tuple[int, int, int, int]:
        """The same input for up to `most` ticks, until that state. (state, cause, enable, ticks with an output that is
        not zero).
        """
        record = _record(digital, counts, elapsed_us)
        head = (ctypes.c_int32 * 4)()
        self.core.link_bench_ticks(self._block, record.ctypes.data_as(ctypes.c_void_p), head, most, until)
        return tuple(head)

    def exchange(self, data: bytes, now_ms: int) -> bytes:
        """Bytes from the line in, what the controller sends out."""
        self.core.link_bench_poll(self._block, now_ms & 0xFFFFFFFF)
        answer = bytearray(self._take())
        for _ in range(10_000):
            taken = self.core.link_bench_receive(self._block, data, len(data))
            data = data[taken:]
            got = self._take()
            answer += got
            if not data and not got:
                break
        self.core.link_bench_poll(self._block, now_ms & 0xFFFFFFFF)
        return bytes(answer + self._take())

    def _take(self) -> bytes:
        count = self.core.link_bench_take(self._block, self._out, 8192)
        return self._out.raw[:count]

    @property
    def dead(self) -> bool:
        return bool(self.core.link_bench_dead(self._block))

    @property
    def operations(self) -> int:
        return self.core.link_bench_operations(self._block)

    @property
    def phase(self) -> int:
        return self.core.link_bench_phase(self._block)

    @property
    def law_state(self) -> int:
        return self.core.link_bench_law_state(self._block)

    def force_state(self, state: int) -> None:
        self.core.link_bench_force_state(self._block, state)

    def law_bytes(self) -> bytes:
        target = ctypes.create_string_buffer(self.core.link_bench_law_size())
        self.core.link_bench_law_bytes(self._block, target)
        return target.raw

    def flip(self, at: int, bits: int) -> None:
        self.core.link_bench_flash(self._block, at, bits)

    def check(self) -> None:
        assert self.core.core_assert_line() == 0, f"assertion at line {self.core.core_assert_line()}"
        assert self.broken is None, f"the flash: {self.broken}"

    @property
    def broken(self) -> str | None:
        """The first rule of the flash that was broken."""
        rule = self.core.link_bench_broken(self._block)
        return None if rule is None else rule.decode()


def _record(digital: int, counts=(), elapsed_us: int = 5000) -> np.ndarray:
    record = np.zeros(66, dtype=np.int32)
    record[0], record[1], record[2 : 2 + len(counts)] = elapsed_us, digital, counts
    return record


class Reference:
    """What a controller has to be like with that table in use (None: with none), found without any controller.

    Attributes:
        revision: of the table, as the PC reads it.
        laws: digests of the law's state so many ticks (0, 1, ...) after its start, the key on and nothing pressed.
    """

    def __init__(self, core: ctypes.CDLL, data: bytes | None, ticks_most: int = 3) -> None:
        self._core = core
        self._table = ctypes.create_string_buffer(core.link_bench_table_bytes())
        self.revision = None if data is None else decode_table(data).revision
        record, found = _record(KEY | STOPS), data or b""
        self.laws = tuple(
            core.link_bench_reference(self._table, found, len(found), record.ctypes.data_as(ctypes.c_void_p), ticks)
            for ticks in range(ticks_most + 1)
        )

    def difference(self, block: ctypes.Array[ctypes.c_char]) -> str | None:
        """What the controller of that link_bench_t has instead of this table; None when it has it."""
        presence = self._core.link_bench_presence(block)
        if self.revision is None:
            return None if presence == NONE else "one"
        if presence != IN_USE:
            return "none"
        if self._core.link_bench_revision(block) != self.revision:
            return "one of another revision"
        return None if self._core.link_bench_is_live(block, self._table) else "one with other values"


Pass = Callable[[int, bytes], list[bytes]]
"""(number of the frame in its direction, its bytes) -> what arrives."""


def clean(_number: int, data: bytes) -> list[bytes]:
    return [data]


@dataclass(slots=True)
class Line:
    """Between a machine of the PC and a controller, frame by frame. latency_ms each way; to_controller and to_pc do
    the faults.
    """

    controller: Controller
    to_controller: Pass = clean
    to_pc: Pass = clean
    latency_ms: int = 1
    each_ms: Callable[[int], None] | None = None  # called once for every step of time
    now_ms: int = 1000
    sent: int = 0
    answered: int = 0
    progress: list[tuple[str, int, int]] = field(default_factory=list)

    def run(self, machine: Machine, confirm: bool = True, limit_ms: int = 300_000) -> Outcome:
        """Plays until the machine has finished; more than limit_ms of its time is a failure."""
        events: list[object] = [Timer()]
        towards: list[tuple[int, bytes]] = []
        back: list[tuple[int, bytes]] = []
        receiver = FrameReceiver()
        wake_ms = self.now_ms
        end_ms = self.now_ms + limit_ms
        while self.now_ms < end_ms:
            for event in events or ([Timer()] if self.now_ms >= wake_ms else []):
                for action in machine.step(self.now_ms, event):
                    if isinstance(action, Finished):
                        return action.outcome
                    if isinstance(action, Send):
                        self.sent += 1
                        towards += [
                            (self.now_ms + self.latency_ms, part) for part in self.to_controller(self.sent, action.data)
                        ]
                    elif isinstance(action, WakeAt):
                        wake_ms = action.now_ms
                    elif isinstance(action, AskPerson):
                        events = [Confirmed(confirm)]
                        break
                    else:
                        self.progress.append((action.phase, action.done, action.total))
                else:
                    continue
                break
            else:
                events = []
            if events:
                continue
            self.now_ms += 1
            if self.each_ms is not None:
                self.each_ms(self.now_ms)
            arrived = b"".join(data for at, data in towards if at <= self.now_ms)
            towards = [item for item in towards if item[0] > self.now_ms]
            for data in _frames(self.controller.exchange(arrived, self.now_ms)):
                self.answered += 1
                back += [(self.now_ms + self.latency_ms, part) for part in self.to_pc(self.answered, data)]
            ready = b"".join(data for at, data in back if at <= self.now_ms)
            back = [item for item in back if item[0] > self.now_ms]
            events = [Received(frame) for frame in receiver.feed(ready)]
        raise AssertionError(f"the machine has not finished after {limit_ms} ms of its time")


def _frames(data: bytes) -> list[bytes]:
    """The answers of a controller, one by one, each with both its zeros."""
    return [b"\0" + piece + b"\0" for piece in data.split(b"\0") if piece]
