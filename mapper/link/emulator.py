"""The controller as the firmware of a Cortex-M4 board that qemu-system-arm emulates: started, ticked, ended.

Edge: it starts a process. The board, its memory map, and what an emulator does not show: the README of
firmware_stub/cortex_m. The bench's memory is shared with the board; its second serial port is a pseudo terminal whose
other end this process holds and which is the emulator's controlling terminal: when this process goes, however it
goes, the terminal hangs up and the emulator ends by itself.
"""

from __future__ import annotations

import runpy
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

from mapper.link.error import LinkError
from mapper.link.simulated import Ints, SimulatedController

if TYPE_CHECKING:
    from mapper.link.bench import Bench

_PROGRAM = Path(__file__).with_name("_controller_m4.elf")
_BUILD = Path(__file__).resolve().parent.parent.parent / "firmware_stub" / "cortex_m" / "build.py"
_EMULATOR = "qemu-system-arm"
_DEADLINE_S = 5.0
_START_S = 15.0
_GLANCE_S = 0.1
_ERASE_MS = 4.0
_MACHINE_ID_BYTES = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardReport:
    """What the board knows of itself; counters since its last start, but for `starts`."""

    starts: int  # since the emulator was started; more than 1 after a reset
    stop: int  # why it stopped the last time, STOP_ of start.h; 0 it did not
    ticks: int
    lost: int  # bytes of the serial line that found no room
    stack_used_bytes: int  # the deepest so far
    stack_bytes: int
    operations: int  # of the flash
    longest_us: int  # elapsed_us of the latest tick of the board's own clock so far
    assertion: int  # line of the first assertion that failed; 0 none


class EmulatedController(SimulatedController):
    """The firmware on an emulated board; its process is the emulator's. Use `start`."""

    def __init__(self, process: subprocess.Popen[bytes], bench: Bench, machine_id: str, *, own_ticks: bool) -> None:
        super().__init__(process, bench.port, machine_id)
        self._bench = bench
        self._question = b"S" if own_ticks else b"T"

    @classmethod
    def start(
        cls,
        machine_id: str,
        flash: Path,
        *,
        own_ticks: bool = False,
        cut_after: int = 0,
        cut_bytes: int = 0,
        erase_ms: float = _ERASE_MS,
        program: Path | None = None,
    ) -> EmulatedController:
        """Starts the emulated board and waits until its firmware runs.

        Args:
            machine_id: visible ASCII, 1 to 16 characters; a table for another machine is refused by the controller.
            flash: file that is its flash; made, erased, when it does not exist. The same file serves HostController.
            own_ticks: False: a tick is what `tick` hands in. True: the board's SysTick asks for ticks, its timer
                measures them, and `tick` sets the inputs and returns the last outputs. They begin with the first
                call. A PC that is busy makes late ticks then, which the law takes as the faults that they are.
            cut_after: the board ends in so many-th flash operation; 0 never.
            cut_bytes: ... after so many of that operation's bytes.
            erase_ms: how long the erase of a sector of 4,096 bytes takes.
            program: the firmware; the one built with the package when None.

        Raises:
            LinkError: emulator or firmware are missing, the firmware was built from other sources, the flash file is
                in use or no flash, or the board did not come up within 15 s.
            ValueError: machine_id is none.
        """
        if not (1 <= len(machine_id) <= _MACHINE_ID_BYTES and all("!" <= one <= "~" for one in machine_id)):
            raise ValueError(f"a machine id has 1 to {_MACHINE_ID_BYTES} visible ASCII characters, not {machine_id!r}")
        emulator = check_emulator(built=program is None)
        from mapper.link.bench import Bench, open_flash

        with open_flash(flash) as file:
            bench = Bench(machine_id, file.fileno(), (round(1000 * erase_ms), cut_after, cut_bytes))
            try:
                process = bench.run(emulator, program or _PROGRAM, file.fileno())
            except BaseException:
                bench.close()
                raise
        controller = cls(process, bench, machine_id, own_ticks=own_ticks)
        try:
            controller._wait_for_start()
        except BaseException:
            controller.kill()
            raise
        return controller

    def exchange(self, record: bytes) -> Ints:
        """As `tick`, from the 264 bytes of a ready record."""
        if self._bench.closed:
            raise self._ended()
        self._bench.give_inputs(record)
        self._ask(self._question)
        return self._bench.answer()

    def outputs(self) -> Ints:
        """What is at the output pins at this moment, asked of nobody: enable (0 or 1), then the drives of 16 joints."""
        return self._bench.outputs()

    def report(self) -> BoardReport:
        """Asks the board for its counters. Raises LinkError as `tick` does."""
        if self._bench.closed:
            raise self._ended()
        self._ask(b"R")
        names = [one.name for one in fields(BoardReport)]
        return BoardReport(**dict(zip(names, self._bench.report(len(names)).tolist(), strict=True)))

    def provoke(self, fault: str) -> tuple[float, Ints]:
        """Makes the firmware go wrong, and waits until its watchdog has reset the board.

        Args:
            fault: "hang", a loop without an end; "no memory", a read where none is; "stack", the guard at
                the stack's end overwritten; "flash", a rule of the flash broken, after which the emulator ends.

        Returns:
            seconds until the firmware said that it stops, and what was at the output pins at that moment.

        Raises:
            LinkError: the board was not reset within 5 s, or the emulator has ended.
        """
        self._bench.tell({"hang": b"H", "no memory": b"X", "stack": b"O", "flash": b"F"}[fault])
        begun = time.monotonic()
        self._expect(b"Z", _DEADLINE_S)
        stopped = time.monotonic() - begun, self.outputs()
        self._expect(b"B", _DEADLINE_S)
        return stopped

    def _hang_up(self) -> None:
        self._bench.close()

    def _wait_for_start(self) -> None:
        self._expect(b"B", _START_S)
        self._bench.let_go()

    def _ask(self, question: bytes) -> None:
        """Whatever the board said unasked is heard first: an answer belongs to its question."""
        if b"B" in self._bench.heard():
            raise self._was_reset()
        self._bench.tell(question)
        self._expect(b"A", _DEADLINE_S)

    def _expect(self, wanted: bytes, within_s: float) -> None:
        deadline = time.monotonic() + within_s
        while (left_s := deadline - time.monotonic()) > 0:
            said = self._bench.listen(min(left_s, _GLANCE_S))
            if said == wanted:
                return
            if said is None or not self.running:
                raise self._ended()
            if said == b"B":
                raise self._was_reset()
        raise LinkError(
            f"the emulated board (process {self.pid}) gave no answer within {within_s:g} s",
            inside="not known",
            remedy="end it and start it again; its flash file is kept",
        )

    def _was_reset(self) -> LinkError:
        return LinkError(
            "the emulated board was reset by its watchdog: its firmware hung, or this PC let it stand for too long",
            inside="whatever its flash file holds: the old or the new table, whole",
            remedy="start it again; if that happens with nothing else running on this PC, report it",
        )

    def _ended(self) -> LinkError:
        code, text = self._exit_code(), self._said()
        how = "does not answer and does not end" if code is None else f"has ended (exit code {code}"
        return LinkError(
            f"the emulated board {how}{': ' + text if text else ''}{')' if code is not None else ''}",
            inside="whatever its flash file holds: the old or the new table, whole",
            remedy="start it again",
        )


def check_emulator(*, built: bool = True) -> str:
    """Where the emulator is. Raises LinkError when it, or with `built` the firmware, is missing or not of today."""
    found = shutil.which(_EMULATOR)
    if sys.platform != "linux":
        raise LinkError(
            "the emulated board needs Linux",
            inside="nothing was started",
            remedy="leave `--target emulator` out: the controller as a process of this PC runs the same code",
        )
    if found is None:
        raise LinkError(
            f"{_EMULATOR} is not on this PC: the emulator of the controller's processor",
            inside="nothing was started",
            remedy="`apt-get install qemu-system-arm gcc-arm-none-eabi` and `python firmware_stub/build.py`, or leave "
            "`--target emulator` out",
        )
    if built:
        _check_built()
    return found


def _check_built() -> None:
    """Raises LinkError when the firmware is missing or was built from other sources than those beside the package."""
    if not _PROGRAM.exists():
        raise LinkError(
            f"{_PROGRAM} is missing: the firmware for the emulated board was not built",
            inside="nothing was started",
            remedy="`apt-get install gcc-arm-none-eabi` and `python firmware_stub/build.py` in the checkout, or leave "
            "`--target emulator` out",
        )
    if not _BUILD.exists():
        return
    expected = str(runpy.run_path(str(_BUILD))["built_from"]())
    if expected.encode() not in _PROGRAM.read_bytes():
        raise LinkError(
            f"{_PROGRAM} was built from other C sources than those in {_BUILD.parent.parent}",
            inside="nothing was started",
            remedy="run `python firmware_stub/build.py` to build it again (it needs gcc-arm-none-eabi)",
        )
