"""A pseudo terminal in front of another one that paces and delays every byte in real time, as a serial line would.

Pseudo terminals carry bytes at once; here each direction is a `Direction` of the paced line with the clock of this
machine: a byte is handed on when it would have arrived, never earlier.
"""

from __future__ import annotations

import os
import select
import threading
import time
import tty
from types import TracebackType

from paced_line import Direction, Span, spans

_IDLE_S = 0.0005


class PacedProxy(threading.Thread):
    """Use as a context manager. port: for the PC; the controller's own port stays open here."""

    def __init__(self, controller_port: str, baud: int, latency_ms: int) -> None:
        super().__init__(daemon=True)
        self.baud = baud
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._far = os.open(controller_port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        os.set_blocking(self._master, False)
        self._ways = (Direction(baud, latency_ms * 1_000_000), Direction(baud, latency_ms * 1_000_000))
        self._seen = (bytearray(), bytearray())
        self._ending = False

    def __enter__(self) -> PacedProxy:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending = True
        self.join()
        for descriptor in (self._master, self._slave, self._far):
            os.close(descriptor)

    def run(self) -> None:
        ends = (self._master, self._far)
        while not self._ending:
            ready, _, _ = select.select(ends, [], [], _IDLE_S)
            for source in ready:
                way = ends.index(source)
                data = os.read(source, 4096)
                self._ways[way].put(data, time.monotonic_ns())
                self._seen[way].extend(data)
            for way, target in enumerate((self._far, self._master)):
                data = self._ways[way].arrived(time.monotonic_ns())
                while data:
                    data = data[os.write(target, data) :]

    def spans(self, table_bytes: int, sequence: int) -> tuple[Span, Span, Span]:
        """Sending, reading back, reading in use, of the upload that went through it."""
        asked, answered = ((bytes(seen), way) for seen, way in zip(self._seen, self._ways, strict=True))
        return spans(asked, answered, table_bytes, sequence)
