"""The controller as a process on this PC: started, ticked in lockstep over a channel of its own, ended.

Edge: it starts a process. The operator's counts enter by the process's standard input, never by the serial line: the
core knows no message that sets a count or moves anything. The process ends by itself when this side closes the
channel or dies.
"""

from __future__ import annotations

import os
import runpy
import select
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from mapper.link.error import LinkError
from mapper.link.simulated import OUT_INTS, Ints, SimulatedController

_PROGRAM = Path(__file__).with_name("_controller")
_BUILD = Path(__file__).resolve().parent.parent.parent / "firmware_stub" / "build.py"
_DEADLINE_S = 5.0


class HostController(SimulatedController):
    """The controller's own program as a process of this PC. Use `start`."""

    @classmethod
    def start(
        cls,
        machine_id: str,
        flash: Path,
        *,
        program: Path | None = None,
        options: Sequence[str] = (),
    ) -> HostController:
        """Starts the controller and waits until its serial line is there.

        Args:
            machine_id: ASCII, 1 to 16 characters; a table for another machine is refused by the controller.
            flash: file that is its flash; made, erased, when it does not exist.
            program: the executable; the one built with the package when None.
            options: more command-line options (`--realtime`, `--cut-after N`, `--cut-bytes K`).

        Raises:
            LinkError: not built, built from other sources, or it did not come up within 5 s.
        """
        executable = program or _PROGRAM
        if program is None:
            _check_built()
        command = [str(executable), "--machine-id", machine_id, "--flash", str(flash), *options]
        try:
            process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0
            )
        except OSError as error:
            raise LinkError(
                f"the controller program {executable} could not be started: {error}",
                inside="nothing was started",
                remedy="run `python firmware_stub/build.py`, or install the package again",
            ) from error
        controller = cls(process, "", machine_id)
        try:
            line = controller._read_line()
        except BaseException:
            controller.kill()
            raise
        controller.port = line.removeprefix("serial ")
        return controller

    def exchange(self, record: bytes) -> Ints:
        """As `tick`, from the 264 bytes of a ready record."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(record)
        except (OSError, ValueError) as error:
            raise self._ended() from error
        return np.frombuffer(self._read(4 * OUT_INTS), dtype="<i4").astype(np.int32)

    def _hang_up(self) -> None:
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()

    def _read(self, byte_count: int) -> bytes:
        assert self._process.stdout is not None
        descriptor = self._process.stdout.fileno()
        data = bytearray()
        deadline = time.monotonic() + _DEADLINE_S
        while len(data) < byte_count:
            ready, _, _ = select.select([descriptor], [], [], max(0.0, deadline - time.monotonic()))
            if not ready:
                raise LinkError(
                    f"the controller process {self.pid} gave no answer within {_DEADLINE_S:g} s",
                    inside="not known",
                    remedy="end it and start it again; its flash file is kept",
                )
            part = os.read(descriptor, byte_count - len(data))
            if not part:
                raise self._ended()
            data += part
        return bytes(data)

    def _read_line(self) -> str:
        data = bytearray()
        while not data.endswith(b"\n"):
            data += self._read(1)
        return data.decode("ascii", "replace").strip()

    def _ended(self) -> LinkError:
        code, text = self._exit_code(), self._said()
        if code is None:
            return LinkError(
                f"the controller process {self.pid} has closed its channel but has not ended"
                f"{': ' + text if text else ''}",
                inside="whatever its flash file holds: the old or the new table, whole",
                remedy="end it and start it again",
            )
        return LinkError(
            f"the controller process has ended (exit code {code}{': ' + text if text else ''})",
            inside="whatever its flash file holds: the old or the new table, whole",
            remedy="start it again",
        )


def _check_built() -> None:
    """Raises LinkError when the program is missing or was built from other sources than those beside the package."""
    if not _PROGRAM.exists():
        raise LinkError(
            f"{_PROGRAM} is missing: the controller program was not built",
            inside="nothing was started",
            remedy="run `python firmware_stub/build.py` in the checkout, or install the package again",
        )
    if not _BUILD.exists():
        return
    expected = runpy.run_path(str(_BUILD))["source_digest"]()
    found = subprocess.run(
        [str(_PROGRAM), "--version"], capture_output=True, text=True, timeout=_DEADLINE_S, check=False
    )
    if found.stdout.strip() != expected:
        raise LinkError(
            f"{_PROGRAM} was built from other C sources than those in {_BUILD.parent}",
            inside="nothing was started",
            remedy="run `python firmware_stub/build.py` to build it again",
        )
