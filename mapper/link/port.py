"""The serial port: found by listing, opened for us alone, and driven through one conversation. Edge: ports and
clock.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType

import serial

from mapper.link.ask import BAUD, AskPerson, Confirmed, Event, Lost, Progress, Received, Send, Timer, WakeAt
from mapper.link.error import LinkError, StoppedError
from mapper.link.frame import FrameReceiver
from mapper.link.transfer import (
    Action,
    Finished,
    Inside,
    Machine,
    Outcome,
    UploadMachine,
    identify_machine,
    read_machine,
    upload_machine,
)

_POLL_S = 0.05
_WRITE_S = 2.0

ProgressCall = Callable[[str, int, int], None]
"""(what is being done, blocks done, blocks in all)."""
ConfirmCall = Callable[[bytes], bool]
"""Gets the bytes as read back from the controller before they go into use; False stops the upload."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UploadResult:
    """An upload that went through: the table is in use, every byte was read back.

    outcome: both identities and the bytes; seconds: without the time that the person took to confirm.
    """

    outcome: Outcome
    seconds: float


def list_ports() -> list[tuple[str, str]]:
    """(name, description) of the serial ports of this PC, sorted. Pseudo terminals are not listed: give them by
    name.
    """
    from serial.tools import list_ports as tools

    return sorted((port.device, port.description or "") for port in tools.comports())


class Port:
    """One serial port, opened exclusively. Raises LinkError when it cannot be opened."""

    def __init__(self, name: str, baud: int = BAUD) -> None:
        self.name = name
        self.baud = baud
        try:
            self._serial = serial.serial_for_url(
                name, baudrate=baud, timeout=_POLL_S, write_timeout=_WRITE_S, exclusive=True, do_not_open=False
            )
            self._serial.reset_input_buffer()
        except (serial.SerialException, OSError, ValueError) as error:
            raise LinkError(
                f"{name}: the port cannot be opened ({error})",
                inside="unchanged: nothing was sent",
                remedy="check its name and the cable, and that no other program has it open",
            ) from error
        self._receiver = FrameReceiver()
        self.person_s = 0.0

    def close(self) -> None:
        with contextlib.suppress(OSError):  # the other end may be gone already
            self._serial.close()

    def __enter__(self) -> Port:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def run(
        self, machine: Machine, progress: ProgressCall | None = None, confirm: ConfirmCall | None = None
    ) -> Outcome:
        """Drives `machine` to its end. Returns in bounded time: the machine's tries and deadlines see to it."""
        events: list[Event] = [Timer()]
        wake_ms = 0
        while True:
            event = events.pop(0) if events else Timer()
            for action in machine.step(_now_ms(), event):
                if isinstance(action, Finished):
                    return action.outcome
                if isinstance(action, WakeAt):
                    wake_ms = action.now_ms
                else:
                    events.extend(self._do(action, progress, confirm))
            if not events:
                events.extend(self._listen(wake_ms))

    @property
    def foreign_bytes(self) -> bytes:
        return self._receiver.foreign_bytes

    def _do(self, action: Action, progress: ProgressCall | None, confirm: ConfirmCall | None) -> list[Event]:
        if isinstance(action, Send):
            try:
                self._serial.write(action.data)
            except (serial.SerialException, OSError) as error:
                return [Lost(str(error))]
        elif isinstance(action, Progress):
            if progress is not None:
                progress(action.phase, action.done, action.total)
        elif isinstance(action, AskPerson):
            asked = time.monotonic()
            answer = confirm is None or confirm(action.data)
            self.person_s += time.monotonic() - asked
            return [Confirmed(answer)]
        return []

    def _listen(self, wake_ms: int) -> list[Event]:
        """What comes in until then; a Timer when nothing does."""
        try:
            self._serial.timeout = min(_POLL_S, max(0.0, (wake_ms - _now_ms()) / 1000))
            data = self._serial.read(1)
            if data:
                data += self._serial.read(self._serial.in_waiting)
        except (serial.SerialException, OSError, TypeError) as error:  # TypeError: pyserial on a port closed under it
            return [Lost(str(error))]
        frames = self._receiver.feed(data)
        return [Received(frame) for frame in frames] or [Timer()]


def _now_ms() -> int:
    return int(time.monotonic() * 1000)


def _tag() -> int:
    return int.from_bytes(os.urandom(2), "little")


def _inside_text(outcome: Outcome) -> str:
    identity = outcome.after or outcome.before
    if outcome.inside is Inside.NEW:
        return "the new table, whole"
    if outcome.inside is Inside.OLD:
        return (
            f"the table from before, unchanged ({identity.digest})" if identity else "the table from before, unchanged"
        )
    if outcome.inside is Inside.NONE:
        return "no table: nothing moves"
    if outcome.foreign or outcome.before is None:
        return "not known, and unchanged"
    return "the table from before or the new one, whole; which one could not be learned"


def _failed(port: Port, outcome: Outcome) -> LinkError:
    heard = f"; it sends {port.foreign_bytes.hex(' ')}" if outcome.foreign and port.foreign_bytes else ""
    return LinkError(f"{port.name}: {outcome.error}{heard}", inside=_inside_text(outcome), remedy=outcome.remedy)


def upload(
    port: str,
    data: bytes,
    *,
    progress: ProgressCall | None = None,
    confirm: ConfirmCall | None = None,
    baud: int = BAUD,
) -> UploadResult:
    """Puts a table into the controller on `port`, reads it back before and after it goes into use.

    Args:
        data: bytes of the table, from `mapper.table.encode_table`.
        confirm: shows the bytes that were read back to a person, before the commit; without it nobody is asked.

    Raises:
        LinkError: it did not go through; says what is in the controller now.
        StoppedError: Ctrl-C, the end of the input or a signal came in between, also out of `progress` or `confirm`.
            The transfer was given up; says what is in the controller now. Any other error of those two is raised as
            it is, after the transfer was given up.
    """
    with Port(port, baud) as line:
        begun = time.monotonic()
        transfer = int.from_bytes(os.urandom(4), "little") or 1
        machine = upload_machine(data, transfer, _tag(), baud)
        try:
            outcome = line.run(machine, progress, confirm)
        except (KeyboardInterrupt, EOFError, SystemExit) as why:
            raise StoppedError(why, inside=_given_up(line, machine)) from why
        except Exception:
            _given_up(line, machine)
            raise
        if outcome.error is not None:
            raise _failed(line, outcome)
        return UploadResult(outcome=outcome, seconds=time.monotonic() - begun - line.person_s)


def _given_up(line: Port, machine: UploadMachine) -> str:
    """Drops the transfer and says what is in the controller. Never raises: somebody wants this to end."""
    try:
        return _inside_text(line.run(machine.give_up(_tag(), line.baud)))
    except (KeyboardInterrupt, SystemExit, Exception):
        return "the table from before or the new one, whole; which one was not asked: `mapper readback` tells"


def identify(port: str, *, baud: int = BAUD) -> Outcome:
    """Who the controller is (`before`). Raises LinkError."""
    with Port(port, baud) as line:
        outcome = line.run(identify_machine(_tag(), baud))
        if outcome.error is not None:
            raise _failed(line, outcome)
        return outcome


def readback_outcome(port: str, *, progress: ProgressCall | None = None, baud: int = BAUD) -> Outcome:
    """Identity and bytes of the table in use. Raises LinkError."""
    with Port(port, baud) as line:
        outcome = line.run(read_machine(_tag(), baud), progress)
        if outcome.error is not None:
            raise _failed(line, outcome)
        return outcome


def readback(port: str, *, baud: int = BAUD) -> bytes | None:
    """Bytes of the table in use, None when there is none. Raises LinkError."""
    return readback_outcome(port, baud=baud).data
