"""SIGTERM and SIGHUP end a command the way Ctrl-C does: what it holds is tidied up. Edge: it sets signal handlers."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import NoReturn

_SIGNALS = (signal.SIGTERM, signal.SIGHUP)


@contextmanager
def tidy_on_signals() -> Iterator[None]:
    """Within the block either signal raises SystemExit(128 + its number), the exit code that a shell gives it.

    A second signal does not interrupt the tidying. One that is ignored (nohup) stays ignored. In a thread other than
    the main one, where no handler can be set, nothing is changed.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, _frame: FrameType | None) -> NoReturn:
        for one in before:
            signal.signal(one, signal.SIG_IGN)
        raise SystemExit(128 + number)

    before = {one: signal.getsignal(one) for one in _SIGNALS if signal.getsignal(one) is not signal.SIG_IGN}
    for one in before:
        signal.signal(one, end)
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler if handler is not None else signal.SIG_DFL)
