"""The link broken on purpose, on both sides of the line: each has to be caught by the scenarios or by a conversation.

A mutant that nothing catches would mean that the scenarios cannot see such a fault.
"""

from __future__ import annotations

import ctypes
import hashlib
import inspect
import shutil
import subprocess
import sys
import textwrap
import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from link_library import KEY, STOPS, Controller, Line, declare_link
from link_tables import MACHINE, short_table
from store_library import CORE, FLAGS, compiler

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "scenarios"))
import link_families
import link_run
from link_run import NotHeldError, World

from mapper.link import ask, transfer
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.message import (
    ANSWER,
    Answer,
    Kind,
    Result,
    begin_content,
    block_content,
    parse_answer,
    transfer_content,
)
from mapper.table import decode_table, encode_table

BENCH = Path(link_run.__file__).resolve().parents[1] / "support" / "link_bench.c"
TABLE = short_table(2)
TWIN = encode_table(replace(decode_table(TABLE), revision=decode_table(TABLE).revision ^ 1))
ID = 55


# ---- conversations ---------------------------------------------------------------------------------------------------


class Talk:
    """A controller with an older table in use, and questions to it."""

    def __init__(self, core: ctypes.CDLL) -> None:
        self.controller = Controller(MACHINE, core=core)
        self.now_ms = 1000
        self.put(short_table(1), 1)
        assert self.ask(Kind.COMMIT, transfer_content(1)).result == Result.OK

    def ask(self, kind: Kind, content: bytes) -> Answer:
        self.now_ms += 1
        data = encode_frame(Frame(kind=kind, tag=9, content=content))
        frames = FrameReceiver().feed(self.controller.exchange(data, self.now_ms))
        assert len(frames) == 1
        return parse_answer(frames[0].content)

    def send(self, data: bytes, transfer_id: int = ID, digest_of: bytes | None = None) -> None:
        """Begin and blocks."""
        digest = hashlib.sha256(digest_of or data).digest()
        begin = begin_content(transfer_id, data, zlib.crc32(data), digest, 352)
        while self.ask(Kind.BEGIN, begin).result == Result.WAIT:
            assert self.now_ms < 2000
        for number, at in enumerate(range(0, len(data), 352)):
            self.ask(Kind.BLOCK, block_content(transfer_id, number, data[at : at + 352]))

    def put(self, data: bytes, transfer_id: int = ID, digest_of: bytes | None = None) -> int:
        self.send(data, transfer_id, digest_of)
        return self.ask(Kind.FINISH, transfer_content(transfer_id)).result


def _digest_is_compared(talk: Talk) -> None:
    assert talk.put(TWIN, digest_of=TABLE) == Result.WRONG_DIGEST


def _commit_needs_the_check(talk: Talk) -> None:
    talk.send(TABLE)
    assert talk.ask(Kind.COMMIT, transfer_content(ID)).result == Result.INCOMPLETE
    assert talk.controller.core.link_bench_sequence(talk.controller._block) == 1


def _key_off_drops(talk: Talk) -> None:
    talk.send(TABLE)
    talk.controller.tick(STOPS)
    talk.controller.exchange(b"", talk.now_ms + 1)
    talk.controller.tick(STOPS | KEY)
    assert talk.ask(Kind.FINISH, transfer_content(ID)).result == Result.NO_TRANSFER


def _motion_refuses(talk: Talk) -> None:
    talk.controller.force_state(3)
    assert talk.put(TABLE) in (Result.MOVING, Result.NO_TRANSFER)


def _the_table_is_checked(talk: Talk) -> None:
    broken = TABLE[:12] + b"other".ljust(16, b"\0") + TABLE[28:-4]
    broken += zlib.crc32(broken).to_bytes(4, "little")
    assert talk.put(broken) == Result.TABLE_REFUSED


def _a_check_leaves_the_live_table(talk: Talk) -> None:
    talk.put(TWIN)
    identity = talk.ask(Kind.IDENTIFY, b"").content
    assert int.from_bytes(identity[56:58], "little") == decode_table(short_table(1)).revision


CONVERSATIONS: tuple[Callable[[Talk], None], ...] = (
    _digest_is_compared,
    _commit_needs_the_check,
    _key_off_drops,
    _motion_refuses,
    _the_table_is_checked,
    _a_check_leaves_the_live_table,
)


# ---- the controller, broken ------------------------------------------------------------------------------------------

Scenarios = tuple[str, int, int]
"""Family, first number, step."""

C_MUTANTS: dict[str, tuple[str, str, str, Callable[[Talk], None] | Scenarios]] = {
    "the digest is not compared": (
        "link_transfer.c",
        "if (found[i] != fresh->digest[i])",
        "if (found[i] != found[i])",
        _digest_is_compared,
    ),
    "a commit without the check": (
        "link_transfer.c",
        "if (transfer->phase != LINK_TRANSFER_CHECKED) {\n            answer->result = LINK_INCOMPLETE;\n         ",
        "if (transfer->phase == LINK_TRANSFER_NONE) {\n            answer->result = LINK_INCOMPLETE;\n         ",
        _commit_needs_the_check,
    ),
    "the key off does not drop": (
        "link_transfer.c",
        "if (!facts.standstill || !facts.key) {",
        "if (!facts.standstill) {",
        _key_off_drops,
    ),
    "motion does not refuse": (
        "link_transfer.c",
        "if (facts.standstill && facts.key) {\n        return true;",
        "if (facts.key) {\n        return true;",
        _motion_refuses,
    ),
    "structure and machine are not checked": (
        "link_transfer.c",
        "if (fault.result != TABLE_OK) {",
        "if (fault.result > TABLE_OTHER_MACHINE) {",
        _the_table_is_checked,
    ),
    "a checked table is live before its commit": (
        "controller.c",
        "    load(controller, stored_now(controller));\n    return fault;",
        "    return fault;",
        _a_check_leaves_the_live_table,
    ),
    "another transfer passes for the open one": (
        "link_transfer.c",
        "link->transfer.phase != LINK_TRANSFER_NONE && link->transfer.id == id) {\n        link",
        "link->transfer.phase != LINK_TRANSFER_NONE) {\n        link",
        ("lstale", 1551, 12),
    ),
    "a begin of a committed transfer opens it again": (
        "link_transfer.c",
        "if (id != 0 && id == link->transfer.committed_id) {",
        "if (id == 0 && id == link->transfer.committed_id) {",
        ("lstale", 0, 97),
    ),
    "a begin that is asked again erases again": (
        "link_transfer.c",
        "bool same = link->transfer.phase != LINK_TRANSFER_NONE &&",
        "bool same = link->transfer.phase == LINK_TRANSFER_CHECKED &&",
        ("lframe", 0, 1),
    ),
    "a commit that is asked again is refused": (
        "link_transfer.c",
        "const bool repeated = id != 0 &&",
        "const bool repeated = id == 0 &&",
        ("lframe", 0, 1),
    ),
    "one block stands for all": (
        "link_transfer.c",
        "transfer->have[number / 8u] |= bit;",
        "transfer->have[number / 8u] = 0xFFu;",
        ("lframe", 0, 1),
    ),
    "no checksum of frames": (
        "frame.c",
        "if (crc32_update(0, receiver->bytes, summed) != core_read_u32(receiver->bytes + summed)) {",
        "if (summed > FRAME_BYTES_MAX) {",
        ("lbyte", 4, 12 * 7),
    ),
    "a new table leaves the law as it was": (
        "controller.c",
        "    law_start(&controller->law);\n    no_output(&out);\n    remember(controller, controller->facts.key",
        "    no_output(&out);\n    remember(controller, controller->facts.key",
        ("lframe", 0, 1),
    ),
    "a committed table is not taken before the next start": (
        "link_transfer.c",
        "        link->owner.take_table(link->owner.owner);\n",
        "",
        ("lbyte", 0, 97),
    ),
    "a block that comes again is programmed again": (
        "link_transfer.c",
        "if ((transfer->have[number / 8u] & bit) != 0) {",
        "if (bit == 0) {",
        ("lframe", 0, 1),
    ),
    "a transfer that nobody goes on with stays open": (
        "link_transfer.c",
        "return idle_ms > LINK_IDLE_MS || now_ms - transfer->started_ms > LINK_TOTAL_MS;",
        "return idle_ms > LINK_CONFIRM_MS;",
        ("lpull", 1, 7),
    ),
    "a message changes a count of the law": (
        "controller.c",
        "    facts->standstill = !live ||",
        "    ((controller_t *)owner)->law.state_ticks++;\n    facts->standstill = !live ||",
        ("lframe", 0, 1),
    ),
}


@pytest.fixture(scope="module")
def objects(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The unbroken files, compiled once."""
    folder = tmp_path_factory.mktemp("objects")
    sources = [*sorted(CORE.glob("*.c")), BENCH]
    command = [*compiler(), *FLAGS, "-fPIC", "-c", f"-I{CORE}", f"-I{CORE.parents[1]}", *map(str, sources)]
    subprocess.run(command, check=True, cwd=folder)
    return folder


def _broken(objects: Path, folder: Path, file: str, old: str, new: str) -> ctypes.CDLL:
    text = (CORE / file).read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{file} has changed: {old!r} is there {text.count(old)} times"
    shutil.copytree(objects, folder / "all")
    source = folder / file
    source.write_text(text.replace(old, new), encoding="utf-8")
    flags = [flag for flag in FLAGS if flag != "-Werror"]
    subprocess.run([*compiler(), *flags, "-w", "-fPIC", "-c", f"-I{CORE}", str(source)], check=True, cwd=folder / "all")
    target = folder / "broken.so"
    files = sorted(str(path) for path in (folder / "all").glob("*.o"))
    subprocess.run([*compiler(), "-shared", "-o", str(target), *files], check=True)
    return declare_link(ctypes.CDLL(str(target)))


def _numbers(scenarios: Scenarios) -> Iterator[range]:
    """In pieces, so that the first lost one ends it."""
    code, first, step = scenarios
    total = next(family.total for family in link_families.families() if family.code == code)
    for at in range(first, total, 50 * step):
        yield range(at, min(at + 50 * step, total), step)


def _lost(monkeypatch: pytest.MonkeyPatch, here: World, scenarios: Scenarios) -> str | None:
    """Why the first lost scenario is lost; None when none is."""
    pieces = list(_numbers(scenarios))
    family = next(family for family in link_families.families() if family.code == scenarios[0])
    monkeypatch.setattr(link_families, "world", lambda: here)
    for numbers in pieces:
        lost = family.run(numbers).lost
        if lost:
            return lost[0].why
    return None


@pytest.mark.parametrize("name", C_MUTANTS)
def test_a_controller_that_is_broken_on_purpose_is_caught(name, objects, tmp_path, monkeypatch):
    file, old, new, by = C_MUTANTS[name]
    core = _broken(objects, tmp_path, file, old, new)
    caught: str | None = None
    try:
        if callable(by):
            by(Talk(core))
        else:
            caught = _lost(monkeypatch, World(core), by)
    except (AssertionError, NotHeldError) as error:
        caught = str(error) or "assertion"

    assert caught is not None


@pytest.mark.parametrize("conversation", CONVERSATIONS)
def test_the_unbroken_controller_passes_every_conversation(conversation):
    conversation(Talk(link_run.World().core))


# ---- the PC, broken ------------------------------------------------------------------------------------------------


def _only_its_own_answer_is_taken() -> None:
    """Right tag, right checksum, but another kind, another block, or another transfer."""
    content = block_content(ID, 1, b"x" * 32)
    steps = ask.Asker(7).ask_all([ask.Question(kind=Kind.BLOCK, content=content, echo=content[:6])], 1)
    next(steps)
    ok = bytes(6)
    others = [(Kind.READ, content[:6]), (Kind.BLOCK, block_content(ID, 2, b"")), (Kind.BLOCK, block_content(9, 1, b""))]
    for kind, said in others:
        steps.send((1, ask.Received(Frame(kind=kind + ANSWER, tag=8, content=ok + said))))
    with pytest.raises(StopIteration):
        steps.send((1, ask.Received(Frame(kind=Kind.BLOCK + ANSWER, tag=8, content=ok + content[:6]))))


def _what_was_read_back_is_compared(fresh: bool) -> None:
    """A controller that checked the right bytes and gives others back, in a frame whose checksum is right."""

    def changed(_number: int, data: bytes) -> list[bytes]:
        frame = FrameReceiver().feed(data)[0]
        if frame.kind == Kind.READ + ANSWER and (int.from_bytes(frame.content[6:10], "little") == ID) == fresh:
            content = frame.content[:-9] + bytes([frame.content[-9] ^ 4]) + frame.content[-8:]
            return [encode_frame(replace(frame, content=content))]
        return [data]

    controller = Controller(MACHINE)
    outcome = Line(controller, to_pc=changed).run(transfer.upload_machine(TABLE, ID, 3))
    assert outcome.error is not None
    assert ("read back is not what was sent" if fresh else "in use is not the one that was sent") in outcome.error
    assert outcome.inside is (transfer.Inside.NONE if fresh else transfer.Inside.NEW)
    assert controller.core.link_bench_sequence(controller._block) == (0 if fresh else 1)


def _staged_is_compared() -> None:
    _what_was_read_back_is_compared(True)


def _live_is_compared() -> None:
    _what_was_read_back_is_compared(False)


@pytest.mark.parametrize("right", [_only_its_own_answer_is_taken, _staged_is_compared, _live_is_compared])
def test_the_unbroken_pc_does_it_right(right):
    right()


PC_MUTANTS: dict[str, tuple[type, str, str, str, Callable[[], None] | Scenarios]] = {
    "an answer with a wrong tag is taken": (
        ask._Batch,
        "take",
        "item = self._opened.get(frame.tag)",
        "frame = __import__('dataclasses').replace(frame, tag=min(self._opened)); item = self._opened.get(frame.tag)",
        ("lstale", 0, 97),
    ),
    "an answer of another kind is taken": (
        ask._Batch,
        "take",
        "or frame.kind != self._questions[item.index].kind + ANSWER",
        "",
        _only_its_own_answer_is_taken,
    ),
    "another block is taken for the one that was asked for": (
        ask._Batch,
        "take",
        "and not answer.content.startswith(question.echo)",
        "and False",
        _only_its_own_answer_is_taken,
    ),
    "what comes too early counts as refused": (
        ask._Batch,
        "take",
        "answer.result == Result.INCOMPLETE and item.early",
        "False",
        ("lframe", 0, 1),
    ),
    "what was read back before the commit is not compared": (
        transfer._Upload,
        "_put",
        "if staged != data:",
        "if False:",
        _staged_is_compared,
    ),
    "what was read back in use is not compared": (
        transfer._Upload,
        "_put",
        "if live != data or",
        "if",
        _live_is_compared,
    ),
    "no end of tries": (ask._Batch, "due", "if item.tries >= asker.tries:", "if False:", ("lpull", 1, 7)),
    "a lost commit is forgotten": (
        transfer._Upload,
        "_put",
        "self.committing = True",
        "self.committing = False",
        ("lpull", 4949, 1),
    ),
    "what is in use is not compared with what was": (
        transfer._Upload,
        "_judge",
        "if now.sequence == before.sequence:",
        "if True:",
        ("lpower", 0, 11),
    ),
    "anything that comes before the person's answer is a no": (
        transfer._Upload,
        "_have_it_confirmed",
        "if isinstance(event, Confirmed):",
        "event = event if isinstance(event, Confirmed) else Confirmed(False)\n        if True:",
        ("lframe", 0, 1),
    ),
}


def _break(monkeypatch: pytest.MonkeyPatch, owner: type, method: str, old: str, new: str) -> None:
    text = textwrap.dedent(inspect.getsource(getattr(owner, method)))
    assert text.count(old) == 1, f"{method} has changed: {old!r} is there {text.count(old)} times"
    names: dict[str, object] = {}
    exec(text.replace(old, new), vars(sys.modules[owner.__module__]) | {}, names)
    monkeypatch.setattr(owner, method, names[method])


@pytest.mark.parametrize("name", PC_MUTANTS)
def test_a_pc_that_is_broken_on_purpose_is_caught(name, monkeypatch):
    owner, method, old, new, by = PC_MUTANTS[name]
    here = World()
    link_families.families()
    _break(monkeypatch, owner, method, old, new)
    if not callable(by):
        assert _lost(monkeypatch, here, by) is not None
        return
    with pytest.raises((StopIteration, AssertionError)):
        by()


@pytest.mark.parametrize("code", ["lbyte", "lframe", "lstale", "lpull", "lfirst", "lpair", "lpower"])
def test_a_sample_of_every_family_is_not_lost(code):
    family = next(family for family in link_families.families() if family.code == code)
    outcome = family.run(range(0, family.total, max(1, family.total // 150)))

    assert outcome.lost == ()
    assert len(set(outcome.keys.tolist())) > 75
    assert family.describe(0)
    assert "the PC: " in family.trace(0)
