"""What every simulated controller is to those who use one, whether a process of this PC or an emulated board."""

from __future__ import annotations

import os
import select
import subprocess
import time
from abc import ABC, abstractmethod
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
import numpy.typing as npt

IN_INTS = 66
OUT_INTS = 121
COUNTS = 64

Ints = npt.NDArray[np.int32]


_END_S = 1.0
_SAID_S = 0.5
_SAID_BYTES = 2000


class SimulatedController(ABC):
    """A running controller without a machine, in a process that this one started. Close it, or use it as a context
    manager.

    Attributes:
        port: path of its serial line, for `mapper.link.upload` and for any other program.
        machine_id: what its "hardware" calls itself.
    """

    def __init__(self, process: subprocess.Popen[bytes], port: str, machine_id: str) -> None:
        self._process = process
        self.port = port
        self.machine_id = machine_id

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def running(self) -> bool:
        return self._process.poll() is None

    def tick(self, digital: int, counts: npt.NDArray[np.integer], elapsed_us: int) -> Ints:
        """One tick of the controller.

        Args:
            digital: digital inputs, bits of LAW_IN_ in law.h.
            counts: raw counts of the analog channels, at most 64, 0..65535; missing ones are 0.
            elapsed_us: time since the tick before.

        Returns:
            121 int32 as bench.h has them: state, cause, cause_joint, mode, enable, authority, share, waits_for,
            waits_joint, then seven of each of 16 joints.

        Raises:
            LinkError: the process has ended, or gave no answer within 5 s.
        """
        return self.exchange(input_record(digital, counts, elapsed_us))

    @abstractmethod
    def exchange(self, record: bytes) -> Ints:
        """As `tick`, from the 264 bytes of a ready record."""

    def close(self) -> None:
        """Hangs up; the process ends by itself, and is ended after a second if it does not. Never raises."""
        self._hang_up()
        try:
            self._process.wait(timeout=_END_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stderr is not None:
            self._process.stderr.close()

    def kill(self) -> None:
        """Ends the process at once, as a power cut would (SIGKILL)."""
        self._process.kill()
        self._process.wait()
        self.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @abstractmethod
    def _hang_up(self) -> None:
        """Closes this side of all channels; never raises."""

    def _exit_code(self) -> int | None:
        """None: it does not end by itself either."""
        try:
            return self._process.wait(timeout=_END_S)
        except subprocess.TimeoutExpired:
            return None

    def _said(self) -> str:
        """What it wrote on standard error, as far as it is there: one that lives keeps its end open, so no waiting for
        the end.
        """
        pipe = self._process.stderr
        said = b""
        if pipe is None or pipe.closed:
            return ""
        deadline = time.monotonic() + _SAID_S
        while len(said) < _SAID_BYTES:
            ready, _, _ = select.select([pipe], [], [], max(0.0, deadline - time.monotonic()))
            part = os.read(pipe.fileno(), _SAID_BYTES - len(said)) if ready else b""
            if not part:
                break
            said += part
        return said.decode("utf-8", "replace").strip()


TARGETS = ("host", "emulator")
"""What the controller's code runs on: as a process of this PC, or on an emulated Cortex-M4 board."""


def check_target(target: str) -> None:
    """Before minutes of work: raises LinkError when what an emulated board needs is not there."""
    from mapper.link.emulator import check_emulator

    if target == "emulator":
        check_emulator()


def start_controller(target: str, machine_id: str, flash: Path) -> SimulatedController:
    """Starts one of TARGETS in lockstep.

    Raises:
        LinkError: as HostController.start and EmulatedController.start.
    """
    from mapper.link.emulator import EmulatedController
    from mapper.link.host import HostController

    if target == "emulator":
        return EmulatedController.start(machine_id, flash)
    return HostController.start(machine_id, flash)


def describe(target: str, controller: SimulatedController) -> str:
    """Who runs it and where its line is, for the person who started it."""
    what = "process" if target == "host" else "emulated Cortex-M4 board, process"
    return f"{what} {controller.pid}, serial line {controller.port}"


def input_record(digital: int, counts: npt.NDArray[np.integer], elapsed_us: int) -> bytes:
    """The 264 bytes of one tick's inputs, as bench.h has them.

    Args:
        digital: digital inputs, bits of LAW_IN_ in law.h.
        counts: raw counts of the analog channels, at most 64, 0..65535; missing ones are 0.
        elapsed_us: time since the tick before.

    Raises:
        ValueError: counts are not one row of at most 64.
    """
    if counts.ndim != 1 or counts.shape[0] > COUNTS:
        raise ValueError(f"counts must be one row of at most {COUNTS}, not {counts.shape}")
    record = np.zeros(IN_INTS, dtype="<i4")
    record[0] = elapsed_us
    record[1] = digital
    record[2 : 2 + counts.shape[0]] = counts
    return record.tobytes()
