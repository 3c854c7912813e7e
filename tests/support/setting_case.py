"""The setting of a controller from outside: a bench with the unmodified core, asked message by message or by a whole
upload, and the worked test stand driven into `running`.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from click.testing import CliRunner, Result
from link_library import Controller, Line
from make_profile import worked

from mapper.cli import mapper as group
from mapper.law import INPUT_BITS, STATES
from mapper.link import HostController
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.message import (
    Answer,
    Identity,
    Kind,
    begin_content,
    block_content,
    parse_answer,
    parse_identity,
    transfer_content,
)
from mapper.link.message import Result as Answered
from mapper.link.transfer import Outcome, read_machine, upload_machine
from mapper.table import compile_table, encode_table

TRANSFER = 77
STOPS = INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"]
KEY = INPUT_BITS["key"]


def stand_table() -> bytes:
    """Of profiles/test-stand.toml."""
    return encode_table(compile_table(worked("test-stand")))


class Bench:
    """One controller and the time; ask it, or let a machine of the PC talk to it."""

    def __init__(self, machine_id: str, table: bytes | None = None) -> None:
        self.controller = Controller(machine_id)
        self.line = Line(self.controller)
        self._transfer = 100
        if table is not None:
            assert self.upload(table).error is None

    def upload(self, table: bytes, confirm: bool = True) -> Outcome:
        """A transfer of its own, as every upload is."""
        self._transfer += 1
        return self.line.run(upload_machine(table, self._transfer, self._transfer), confirm)

    def stored(self) -> Outcome:
        """Who it is and the table in its store, over a line without faults."""
        return Line(self.controller, now_ms=self.line.now_ms).run(read_machine(9))

    def send(self, data: bytes) -> list[Frame]:
        self.line.now_ms += 1
        return FrameReceiver().feed(self.controller.exchange(data, self.line.now_ms))

    def ask(self, kind: int, content: bytes = b"") -> Answer:
        (frame,) = self.send(encode_frame(Frame(kind=kind, tag=9, content=content)))
        return parse_answer(frame.content)

    def identity(self) -> Identity:
        return parse_identity(self.ask(Kind.IDENTIFY).content)

    def steps(self, table: bytes) -> list[tuple[Kind, bytes]]:
        """Every question of an upload, in order."""
        begin = begin_content(TRANSFER, table, zlib.crc32(table), hashlib.sha256(table).digest(), 256)
        blocks = [
            (Kind.BLOCK, block_content(TRANSFER, number, table[at : at + 256]))
            for number, at in enumerate(range(0, len(table), 256))
        ]
        end = transfer_content(TRANSFER)
        return [(Kind.BEGIN, begin), *blocks, (Kind.FINISH, end), (Kind.COMMIT, end)]

    def put(self, kind: Kind, content: bytes) -> int:
        """The result; asked again while the controller says `wait`."""
        for _ in range(50):
            result = self.ask(kind, content).result
            if result != Answered.WAIT:
                return result
        raise AssertionError("it waits for ever")


Between = Callable[[int], None]


def drive_the_stand(bench: Bench, between: Between, ticks: int = 1200) -> list[tuple[int, int, int, int]]:
    """The test stand from power-up into `running` with a hand that moves, then an emergency stop at the end; what each
    tick gave out. between: called before each tick with its number.
    """
    enable, reset, full = INPUT_BITS["enabling"], INPUT_BITS["reset"], INPUT_BITS["mode_full"]
    out = []
    for tick in range(ticks):
        between(tick)
        digital = STOPS | full
        if 60 <= tick < 100:
            digital |= reset
        if tick >= 120:
            digital |= enable
        if tick >= ticks - 20:
            digital &= ~INPUT_BITS["stop_1"] & ~INPUT_BITS["stop_2"]
        hand = 2050 + (round(150 * np.sin((tick - 500) / 60)) if tick > 500 else 0)
        out.append(bench.controller.tick(digital, (hand, 2048, 2048), 5000))
    return out


def states_of(out: list[tuple[int, int, int, int]]) -> list[str]:
    """In the order in which they came, each once in a row."""
    names = [STATES[one[0]] for one in out]
    return [name for at, name in enumerate(names) if at == 0 or names[at - 1] != name]


def tick(controller: HostController, digital: int) -> np.ndarray:
    """One tick of a controller process, every count zero."""
    return controller.tick(digital, np.zeros(64, dtype=np.int32), 5000)


def run(*arguments: object) -> Result:
    """The tool as a user calls it, but for the exit code, which is in the exception."""
    return CliRunner().invoke(group, [str(one) for one in arguments], standalone_mode=False)


def put(profile: Path, port: str) -> Result:
    """Checks and uploads, with everything taken as confirmed."""
    return run("upload", profile, "--port", port, "--yes", "--by", "a person")
