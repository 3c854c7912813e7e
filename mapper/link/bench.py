"""The bench that an emulated board is connected to: its memory's second port, its two serial ports, its flash's file.

Edge: Linux only (imported when an emulator is started, not before). The board's side of it:
firmware_stub/cortex_m/bench.h.
"""

from __future__ import annotations

import contextlib
import fcntl
import io
import mmap
import os
import select
import struct
import subprocess
import tty
from pathlib import Path

import numpy as np

from mapper.link.error import LinkError
from mapper.link.flash_file import FLASH_BYTES
from mapper.link.simulated import IN_INTS, OUT_INTS, Ints

# As firmware_stub/cortex_m/bench.h has them: places in the memory, in bytes.
_AT_INPUTS = 4 * 64
_AT_ANSWER = 4 * 256
_AT_OUTPUTS = 4 * 512
_AT_REPORT = 4 * 640
_OUTPUTS = 17
MACHINE_ID_BYTES = 16
_MAGIC = b"HJB1"
_PATH_BYTES = 64
_MEMORY_BYTES = 16 << 20
_SEEN_BYTES = 4096
_HEARD_BYTES = 2000


class Bench:
    """What the board is connected to: its memory's second port, its two serial ports."""

    def __init__(self, machine_id: str, flash: int, options: tuple[int, int, int]) -> None:
        self._descriptors: set[int] = set()
        self._memory_file = self._keep(os.memfd_create("bench"))
        os.ftruncate(self._memory_file, _MEMORY_BYTES)
        self._memory = mmap.mmap(self._memory_file, _SEEN_BYTES)
        self._write(_AT_OUTPUTS, b"\xa5" * 4 * _OUTPUTS)  # as pins may be before the board's reset
        text = f"/dev/fd/{flash}".encode().ljust(_PATH_BYTES, b"\0")
        self._write(
            0, _MAGIC + struct.pack("<3I", *options) + machine_id.encode().ljust(MACHINE_ID_BYTES, b"\0") + text
        )
        self._bell, self._bell_end = (self._keep(one) for one in os.openpty())
        self._line, self._line_end = (self._keep(one) for one in os.openpty())
        for end in (self._bell_end, self._line_end):
            tty.setraw(end)
        os.set_blocking(self._bell, False)
        self.port = os.ttyname(self._line_end)

    def run(self, emulator: str, program: Path, flash: int) -> subprocess.Popen[bytes]:
        """A session of its own has no terminal yet: the bell, the first that it opens, becomes its controlling one."""
        command = [emulator, "-M", "mps2-an386,memory-backend=bench", "-display", "none", "-monitor", "none"]
        command += ["-object", f"memory-backend-file,id=bench,size=16M,share=on,mem-path=/dev/fd/{self._memory_file}"]
        command += ["-add-fd", f"fd={self._line},set=1", "-chardev", "serial,id=line,path=/dev/fdset/1"]
        command += ["-chardev", f"serial,id=bell,path={os.ttyname(self._bell_end)}"]
        command += ["-serial", "chardev:line", "-serial", "chardev:bell"]
        command += ["-semihosting-config", "enable=on,target=native", "-kernel", str(program)]
        try:
            return subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                bufsize=0,
                pass_fds=(self._memory_file, self._line, flash),
                start_new_session=True,
            )
        except OSError as error:
            raise LinkError(
                f"{emulator} could not be started: {error}",
                inside="nothing was started",
                remedy="run it by hand to see why",
            ) from error

    def let_go(self) -> None:
        """Of what is the emulator's only from now on. The far end of the line stays open here, so that it keeps its raw
        setting and does not hang up when a program lets go of it.
        """
        for one in (self._bell_end, self._line, self._memory_file):
            self._close(one)

    def give_inputs(self, record: bytes) -> None:
        """Raises ValueError when the record has another length than 264 bytes."""
        if len(record) != 4 * IN_INTS:
            raise ValueError(f"a record has {4 * IN_INTS} bytes, not {len(record)}")
        self._write(_AT_INPUTS, record)

    def answer(self) -> Ints:
        return self._read(_AT_ANSWER, OUT_INTS)

    def outputs(self) -> Ints:
        return self._read(_AT_OUTPUTS, _OUTPUTS)

    def report(self, words: int) -> Ints:
        return self._read(_AT_REPORT, words)

    def tell(self, byte: bytes) -> None:
        with contextlib.suppress(OSError):  # gone: the answer will be missing, and is asked why
            os.write(self._bell, byte)

    def listen(self, within_s: float) -> bytes | None:
        """One byte; b"" when none came in time; None when the board has hung up."""
        try:
            ready, _, _ = select.select([self._bell], [], [], within_s)
            return os.read(self._bell, 1) if ready else b""
        except BlockingIOError:
            return b""
        except (OSError, ValueError):
            return None

    def heard(self) -> bytes:
        """Everything that is there now."""
        try:
            return os.read(self._bell, _HEARD_BYTES)
        except OSError:
            return b""

    @property
    def closed(self) -> bool:
        return bool(self._memory.closed)

    def close(self) -> None:
        for one in tuple(self._descriptors):
            self._close(one)
        self._memory.close()

    def _write(self, at: int, data: bytes) -> None:
        self._memory[at : at + len(data)] = data

    def _read(self, at: int, ints: int) -> Ints:
        return np.frombuffer(self._memory[at : at + 4 * ints], dtype="<i4").astype(np.int32)

    def _keep(self, descriptor: int) -> int:
        self._descriptors.add(descriptor)
        return descriptor

    def _close(self, descriptor: int) -> None:
        if descriptor in self._descriptors:
            self._descriptors.remove(descriptor)
            os.close(descriptor)


def open_flash(path: Path) -> io.FileIO:
    """Opens or makes it, erased, and locks it for one controller, as host/flash_file.c does.

    The lock belongs to the open file, which the emulator inherits: it goes when the emulator goes, however it ends.
    """
    try:
        file = io.FileIO(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644), "r+")
    except OSError as error:
        raise _flash_error(
            path, f"cannot be opened: {error.strerror}", "name a file in a folder that you may write to"
        ) from error
    try:
        fcntl.fcntl(file, fcntl.F_OFD_SETLK, struct.pack("hhqqi", fcntl.F_WRLCK, os.SEEK_SET, 0, 0, 0))
        length = os.fstat(file.fileno()).st_size
        if length == 0:
            file.write(b"\xff" * FLASH_BYTES)
    except OSError as error:
        file.close()
        raise _flash_error(
            path,
            "another controller process has it open (or it cannot be locked there)",
            "end that one, or name another file",
        ) from error
    if length not in (0, FLASH_BYTES):
        file.close()
        raise _flash_error(path, "it has another length than this flash", "name a new file, or delete this one")
    return file


def _flash_error(path: Path, what: str, remedy: str) -> LinkError:
    return LinkError(f"flash file {path}: {what}", inside="nothing was started", remedy=remedy)
