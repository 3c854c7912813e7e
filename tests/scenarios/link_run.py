"""One upload over a line with faults: the PC's unmodified machine, the unmodified C controller, simulated time.

The line knows frames only as bytes. A fault says what becomes of one frame of one direction, or of the line from one
byte on; power and restart belong to it too. After the upload has ended, whatever is still on its way arrives, and then
the run is judged (`judge`): the words of the PC are held against the controller's flash.
"""

from __future__ import annotations

import ctypes
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from link_library import Controller, Reference
from link_tables import MACHINE, short_table

from mapper.link.ask import AskPerson, Confirmed, Lost, Received, Send, Timer, WakeAt
from mapper.link.frame import FrameReceiver, encode_frame
from mapper.link.message import Kind
from mapper.link.transfer import Finished, Inside, Machine, Outcome, upload_machine

OLD, NEW, NEXT = short_table(1), short_table(2), short_table(3)
TO_CONTROLLER, TO_PC = 0, 1
LATENCY_MS = 1
LATE_MS = 900
"""Later than any answer is waited for."""
LIMIT_MS = 60_000
"""An upload over a bad line ends in so much of its time (tests/fault/test_link_bounds.py has the bounds)."""
SENT_MAX = 400
DROPPED_MS = 6_000
CONFIRM_MS = 700_000

Piece = tuple[int, bytes]
"""(ms later than a clean line would bring it, bytes)."""


class NotHeldError(AssertionError):
    """A rule that did not hold; the text says which."""


@dataclass(slots=True)
class Script:
    """What happens in a run.

    Attributes:
        frames: for (direction, number of the frame, from 1) what becomes of its bytes.
        hold: for (direction, number) after how many further frames of that direction it arrives: 0 now.
        again: for (direction, number) after how many further frames it arrives once more.
        pull_at: (direction, number, byte): the line goes there; pull_ways: which directions with it; told: the PC's
            port is gone too; plugged_ms: after so long it is there again, 0 never.
        cut_after, cut_bytes: the power goes in that flash operation, from 1; restart_ms: it is there again so much
            later, 0 never.
        must: the upload has to go through all the same.
    """

    frames: dict[tuple[int, int], list[Callable[[bytes], list[Piece]]]] = field(default_factory=dict)
    hold: dict[tuple[int, int], int] = field(default_factory=dict)
    again: dict[tuple[int, int], int] = field(default_factory=dict)
    pull_at: tuple[int, int, int] | None = None
    pull_ways: tuple[int, ...] = (TO_CONTROLLER, TO_PC)
    told: bool = False
    plugged_ms: int = 0
    cut_after: int = 0
    cut_bytes: int = 0
    restart_ms: int = 0
    must: bool = False


@dataclass(slots=True)
class Run:
    """How it went.

    Attributes:
        cut_off: the last question could not reach anybody, or the port was gone.
        power_gone: the power was cut in it, whether it came back or not.
        done: what the faults really did, for the key.
        lines: step by step, when wanted.
    """

    outcome: Outcome | None = None
    now_ms: int = 0
    sent: int = 0
    commit_sent: bool = False
    identity_heard: bool = False
    cut_off: bool = False
    power_gone: bool = False
    done: list[object] = field(default_factory=list)
    lines: list[str] | None = None


class World:
    """A controller with OLD in use (`empty`: with none ever), put back to that before every run; a state that was
    judged once is not judged again.
    """

    def __init__(self, core: Any = None, *, empty: bool = False) -> None:
        self.controller = Controller(MACHINE, core=core)
        self.core = self.controller.core
        self.block = self.controller._block
        self._size = self.core.link_bench_bytes()
        self._out = self.core.link_bench_out(self.block)
        self._good: set[int] = set()
        self.old = None if empty else OLD
        self.fault: str | None = None
        self.references = {data: Reference(self.core, data) for data in (OLD, NEW, NEXT, None)}
        first = Transcript()
        if not empty:
            upload = self.play(upload_machine(OLD, 0x01010101, FIRST_TAG), Script(), fresh=False, record=first)
            assert upload.outcome is not None
            if upload.outcome.data != OLD:
                self.fault = f"the table before it did not go through: {upload.outcome.error}"
        for _ in range(BASE_TICKS):
            self.controller.tick()
        self.base = self.save()
        self.clean = Transcript()
        self.play(new_upload(), Script(), record=self.clean)
        self.operations = self.core.link_bench_operations(self.block)
        self.stale = {True: first, False: first.with_other_tags()}

    def save(self) -> bytes:
        return ctypes.string_at(self.block, self._size)

    def restore(self, state: bytes) -> None:
        ctypes.memmove(self.block, state, self._size)

    # -- one run ----------------------------------------------------------------------------------------------------

    def play(
        self,
        machine: Machine,
        script: Script,
        *,
        fresh: bool = True,
        record: Transcript | None = None,
        lines: list[str] | None = None,
        now_ms: int = 1000,
    ) -> Run:
        if fresh:
            self.restore(self.base)
            self.core.link_bench_cut(self.block, script.cut_after, script.cut_bytes)
        return _Line(self, script, Run(now_ms=now_ms, lines=lines), record).play(machine)

    def exchange(self, data: bytes, now_ms: int) -> tuple[bytes, int, bool]:
        """(what the controller sends, phase of the transfer, power gone)."""
        packed = self.core.link_bench_exchange(self.block, now_ms & 0xFFFFFFFF, data, len(data))
        count = packed & 0xFFFFFFFF
        out = ctypes.string_at(self._out, count) if count else b""
        return out, packed >> 32 & 0xFF, bool(packed >> 40)

    def start(self) -> None:
        """The power comes back; one tick with the key on."""
        self.core.link_bench_cut(self.block, 0, 0)
        self.controller.start()

    # -- judging ----------------------------------------------------------------------------------------------------

    def in_use(self) -> bytes | None:
        """Which of the tables the record in use is of. Raises NotHeldError for another one."""
        found = self.core.link_bench_record(self.block)
        if not found:
            return None
        digest = ctypes.string_at(found, 32)
        if digest not in _BY_DIGEST:
            raise NotHeldError("the record in use is of no table that was ever sent")
        return _BY_DIGEST[digest]

    def judge(self, run: Run, must: bool = False) -> None:
        """must: it has to have gone through. Raises NotHeldError."""
        outcome = run.outcome
        assert outcome is not None
        if self.fault is not None:
            raise NotHeldError(self.fault)
        self._flash_rules()
        if must and outcome.error is not None:
            raise NotHeldError(f"it was not got over: {outcome.error}")
        if run.sent > SENT_MAX:
            raise NotHeldError(f"{run.sent} questions were sent")
        started = run.power_gone or self.controller.dead
        if self.controller.dead:
            self.start()
        found = self.in_use()
        if found not in (self.old, NEW):
            raise NotHeldError(f"in use is neither what was before nor the new table, but {_name(found)}")
        # INV-LINK-1: no message changes a bit of the law's state, but for the start anew after a commit.
        old_ticks, new_ticks = ((1,), (0, 1)) if started else ((BASE_TICKS,), (0,))
        ticks = old_ticks if found == self.old else new_ticks
        self._live(found, ticks)
        self._words(run, outcome, found)
        self._afterwards(run, found, ticks)

    def _flash_rules(self) -> None:
        if self.controller.broken is not None:
            raise NotHeldError(f"the store broke a rule of the flash: {self.controller.broken}")

    def _live(self, found: bytes | None, ticks: tuple[int, ...]) -> None:
        """The store's record is of `found`: the table that the law runs on is that one, and the law was started on it
        so many ticks ago.
        """
        want = self.references[found]
        instead = want.difference(self.block)
        if instead is not None:
            raise NotHeldError(f"in the store is {_name(found)}, but the controller runs on {instead}")
        if ticks == (0,) and self.controller.law_state != _POWERING_UP:
            raise NotHeldError(f"with {_name(found)} the law is not in powering_up, but in {self.controller.law_state}")
        if self.core.link_bench_law_digest(self.block) not in [want.laws[count] for count in ticks]:
            raise NotHeldError("the law's state was changed by a message, or was not started anew with a new table")

    def _words(self, run: Run, outcome: Outcome, found: bytes | None) -> None:
        if outcome.error is None and (outcome.inside is not Inside.NEW or outcome.data != NEW):
            raise NotHeldError("it says that it went through, but does not have the new table's bytes")
        if outcome.inside is Inside.UNKNOWN:
            if run.identity_heard and not (run.commit_sent and run.cut_off):
                raise NotHeldError("it does not know what is in use, although it could have asked")
            if run.identity_heard and outcome.before is None:
                raise NotHeldError("the controller's identity came, but was not taken")
            return
        said = {Inside.NEW: NEW, Inside.OLD: OLD, Inside.NONE: None}[outcome.inside]
        if found != said:
            raise NotHeldError(f"it says {outcome.inside.value}, in use is {_name(found)}")

    def _afterwards(self, run: Run, found: bytes | None, ticks: tuple[int, ...]) -> None:
        """Deadlines, a start from flash, nothing that moves, the next upload: for every state of the controller that
        was not seen before.
        """
        _, phase, _ = self.exchange(b"", run.now_ms + DROPPED_MS)
        if phase not in (0, _CHECKED):
            raise NotHeldError(f"the transfer is still open in phase {phase} after {DROPPED_MS} ms")
        late_ms = run.now_ms + CONFIRM_MS
        out, phase, _ = self.exchange(b"", late_ms)
        if phase or out:
            raise NotHeldError("the transfer is still open after the person's time")
        self._live(found, ticks)
        state = self.core.link_bench_digest(self.block)
        if state not in self._good:
            here = self.save()
            self._next_upload(late_ms)
            self.restore(here)
            self._rest(63)
            self.start()
            if self.in_use() != found:
                raise NotHeldError(f"in use was {_name(found)}, started again it is {_name(self.in_use())}")
            self._live(found, (1,))
            self._rest(63)
            self._next_upload(late_ms)
            self._good.add(state)
        if self.core.core_assert_line():
            line = self.core.core_assert_line()
            self.core.core_assert_clear()
            raise NotHeldError(f"an assertion of the core failed, line {line}")

    def _rest(self, digital: int) -> None:
        """Everything pressed that there is, with the service key on and off: nothing moves."""
        for inputs in (digital, digital & ~32):
            _, _, enable, joints = self.controller.tick(inputs)
            if enable or joints:
                raise NotHeldError("an output is not zero")

    def _next_upload(self, now_ms: int) -> None:
        self.controller.tick()
        run = _Line(self, Script(), Run(now_ms=now_ms), None).play(upload_machine(NEXT, 0x04040404, 9))
        assert run.outcome is not None
        if run.outcome.error is not None or run.outcome.data != NEXT or self.in_use() != NEXT:
            raise NotHeldError(f"the next upload did not go through: {run.outcome.error}")
        self._live(NEXT, (0,))
        self._flash_rules()


FIRST_TAG = 7
BASE_TICKS = 3
_POWERING_UP = 0
_CHECKED = 3
_BY_DIGEST = {hashlib.sha256(data).digest(): data for data in (OLD, NEW, NEXT)}
_NAMES = {OLD: "the old table", NEW: "the new table", NEXT: "a later table", None: "none"}


def _name(data: bytes | None) -> str:
    return _NAMES[data]


def new_upload() -> Machine:
    return upload_machine(NEW, 0x02020202, FIRST_TAG)


@dataclass(slots=True)
class Transcript:
    """Frames of a run as they were sent, a list for each direction."""

    frames: tuple[list[bytes], list[bytes]] = field(default_factory=lambda: ([], []))

    def with_other_tags(self) -> Transcript:
        def other(data: bytes) -> bytes:
            frame = FrameReceiver().feed(data)[0]
            return encode_frame(replace(frame, tag=frame.tag + 30_000))

        return Transcript(([other(data) for data in self.frames[0]], [other(data) for data in self.frames[1]]))


class _Line:
    """Time, the two directions and the faults of one run."""

    def __init__(self, world: World, script: Script, run: Run, record: Transcript | None) -> None:
        self.world, self.script, self.run, self.record = world, script, run, record
        self.count = [0, 0]
        self.ways: tuple[list[Piece], list[Piece]] = ([], [])
        self.held: list[tuple[int, int, list[Piece]]] = []
        self.dead = [False, False]
        self.plugged_at = 0
        self.restart_at = 0
        self.lost_told = False
        self.receiver = FrameReceiver()
        self.phase = 0
        self.powerless = False

    def play(self, machine: Machine) -> Run:
        run = self.run
        end_ms = run.now_ms + LIMIT_MS
        events: list[Any] = [Timer()]
        wake_ms = run.now_ms
        while True:
            position = 0
            while position < len(events):
                for action in machine.step(run.now_ms, events[position]):
                    if type(action) is Send:
                        self._asked(action.data)
                    elif type(action) is WakeAt:
                        wake_ms = action.now_ms
                    elif type(action) is AskPerson:
                        events.append(Confirmed(True))
                    elif type(action) is Finished:
                        run.outcome = action.outcome
                        self._flush()
                        return run
                position += 1
            run.now_ms = self._next_ms(wake_ms)
            if run.now_ms > end_ms:
                raise NotHeldError(f"the upload has not ended after {LIMIT_MS} ms")
            events = self._arrivals()
            if not events and run.now_ms >= wake_ms:
                events = [Timer()]

    def _next_ms(self, wake_ms: int) -> int:
        times = [wake_ms, *(way[0][0] for way in self.ways if way)]
        if self.phase == 1:  # an erase goes on: the port's loop comes round
            times.append(self.run.now_ms + 1)
        if self.restart_at:
            times.append(self.restart_at)
        if self.plugged_at:
            times.append(self.plugged_at)
        return max(min(times), self.run.now_ms)

    def _arrivals(self) -> list[Any]:
        run, now_ms = self.run, self.run.now_ms
        if self.restart_at and now_ms >= self.restart_at:
            self.restart_at = 0
            self.powerless = False
            self.world.start()
            self._say("the controller has power again")
        if self.plugged_at and now_ms >= self.plugged_at:
            self.plugged_at = 0
            self.dead = [False, False]
            self._say("the cable is in again")
        arrived = self._take(TO_CONTROLLER)
        if arrived or self.phase == 1:
            self._serve(arrived)
        events: list[Any] = []
        data = self._take(TO_PC)
        if data:
            events = [Received(frame) for frame in self.receiver.feed(data)]
            run.identity_heard = run.identity_heard or any(event.frame.kind == 129 for event in events)
        if self.lost_told:
            self.lost_told = False
            events.append(Lost("cable pulled"))
        return events

    def _take(self, way: int) -> bytes:
        queue, now_ms = self.ways[way], self.run.now_ms
        count = 0
        while count < len(queue) and queue[count][0] <= now_ms:
            count += 1
        if not count:
            return b""
        data = b"".join(piece for _, piece in queue[:count])
        del queue[:count]
        return data

    def _serve(self, data: bytes) -> None:
        """The controller gets bytes; what it answers goes onto the line."""
        out, self.phase, dead = self.world.exchange(data, self.run.now_ms)
        if dead and not self.run.power_gone:
            self.run.power_gone = self.powerless = self.run.cut_off = True
            self.run.done.append(("cut", self.script.cut_after, self.script.cut_bytes))
            self.phase = 0
            self._say(f"the power goes in flash operation {self.script.cut_after}")
            if self.script.restart_ms:
                self.restart_at = self.run.now_ms + self.script.restart_ms
                self.run.done.append(self.script.restart_ms)
        if out:
            for piece in out.split(b"\0"):
                if piece:
                    self._transmit(TO_PC, b"\0" + piece + b"\0")

    def _asked(self, data: bytes) -> None:
        self.run.sent += 1
        # Behind zero and code byte: protocol, kind. The kind is never zero, so it stands where it was.
        self.run.commit_sent = self.run.commit_sent or data[3] == Kind.COMMIT
        self._transmit(TO_CONTROLLER, data)
        self.run.cut_off = any(self.dead) or self.powerless

    # -- what becomes of a frame --------------------------------------------------------------------------------------

    def _transmit(self, way: int, data: bytes) -> None:
        self.count[way] += 1
        number = self.count[way]
        if self.record is not None:
            self.record.frames[way].append(data)
        script, key = self.script, (way, number)
        pieces: list[Piece] = [(0, data)]
        for change in script.frames.get(key, ()):
            pieces = [(late + more, part) for late, whole in pieces for more, part in change(whole)]
        if pieces != [(0, data)]:
            self.run.done.append((way, number, tuple(pieces)))
            self._say(f"frame {number} {_WAYS[way]} of {len(data)} bytes arrives as {_told(pieces)}")
        if key in script.hold:
            self.held.append((way, number + script.hold[key], pieces))
            self.run.done.append((way, number, "hold", script.hold[key]))
            self._say(f"frame {number} {_WAYS[way]} is kept for {script.hold[key]} frames")
        elif script.pull_at is not None and script.pull_at[:2] == key:
            self._pull(way, data)
        else:
            self._put(way, pieces)
        if key in script.again:
            self.held.append((way, number + script.again[key], pieces))
            self.run.done.append((way, number, "again", script.again[key]))
            self._say(f"frame {number} {_WAYS[way]} comes again after {script.again[key]} frames")
        for waiting in [one for one in self.held if one[0] == way and number >= one[1]]:
            self.held.remove(waiting)
            self._put(way, waiting[2])

    def _put(self, way: int, pieces: list[Piece]) -> None:
        """The line keeps its order: nothing arrives before what was put in earlier."""
        if self.dead[way]:
            return
        queue = self.ways[way]
        for late_ms, data in pieces:
            at = self.run.now_ms + LATENCY_MS + late_ms
            queue.append((max(at, queue[-1][0]) if queue else at, data))

    def _pull(self, way: int, data: bytes) -> None:
        script = self.script
        assert script.pull_at is not None
        at = script.pull_at[2]
        self._put(way, [(0, data[:at])])
        for gone in script.pull_ways:
            self.dead[gone] = True
        if way not in script.pull_ways:
            self._put(way, [(0, data[at:])])
        self.lost_told = script.told
        self.run.cut_off = True
        if script.plugged_ms:
            self.plugged_at = self.run.now_ms + script.plugged_ms
        self.run.done.append((*script.pull_at, script.pull_ways, script.told, script.plugged_ms))
        self._say(f"the cable is pulled in frame {script.pull_at[1]} {_WAYS[way]} behind byte {at}")

    def _flush(self) -> None:
        """What is still on its way to the controller arrives; answers to it meet nobody."""
        for way, _, pieces in self.held:
            self._put(way, pieces)
        rest = b"".join(piece for _, piece in self.ways[TO_CONTROLLER])
        if self.restart_at:
            self.world.start()
        self.run.now_ms += LATE_MS
        self.world.exchange(rest, self.run.now_ms)

    def _say(self, text: str) -> None:
        if self.run.lines is not None:
            self.run.lines.append(f"{self.run.now_ms:6} ms  {text}")


_WAYS = ("to the controller", "to the PC")


def _told(pieces: list[Piece]) -> str:
    return ", ".join(f"{len(data)} bytes{f' {late} ms later' if late else ''}" for late, data in pieces) or "nothing"
