"""What is said to the controller, as machines without clock or port: `step(now_ms, event) -> actions`.

An upload sends the table into the slot not in use, lets the controller check it, reads every byte back, has it
confirmed, and only then commits and reads the table in use back once more. Whatever goes wrong, the run ends, and it
ends knowing whether the old or the new table is in use, or saying that this could not be learned.
"""

from __future__ import annotations

import contextlib
import hashlib
import zlib
from collections.abc import Generator, Sequence
from dataclasses import dataclass, replace
from enum import Enum

from mapper.link.ask import (
    BAUD,
    Ask,
    Asker,
    AskPerson,
    Confirmed,
    Event,
    ForeignProtocolError,
    Lost,
    LostError,
    NoAnswerError,
    Progress,
    Question,
    RefusedError,
    Step,
)
from mapper.link.message import (
    BLOCK_BYTES_MAX,
    BLOCK_ECHO,
    READ_ECHO,
    Answer,
    Identity,
    Kind,
    MessageError,
    TablePresence,
    begin_content,
    block_content,
    parse_commit,
    parse_identity,
    parse_read,
    read_content,
    refusal,
    table_machine_id,
    transfer_content,
)

ROUNDS_COMMITTING = 4
"""Once a commit was sent, only the controller can tell what is in use: it is asked for longer, for 14 seconds."""


class Inside(Enum):
    """Which table is in use in the controller at the end, as far as is known."""

    NEW = "new"
    OLD = "old"
    NONE = "none"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How it ended.

    error: None when everything that was asked for was done, else a sentence part; remedy: what to do then.
    foreign: nothing on the line answers as a controller of ours, and nothing but the question who it is was sent.
    data: the table in use, as read back at the end.
    """

    error: str | None = None
    remedy: str = ""
    inside: Inside
    foreign: bool = False
    before: Identity | None = None
    after: Identity | None = None
    data: bytes | None = None


@dataclass(frozen=True, slots=True)
class Finished:
    outcome: Outcome


Action = Ask | Finished
_Steps = Generator[tuple[Ask, ...], Step, Outcome]


class _StopError(Exception):
    def __init__(self, error: str, remedy: str) -> None:
        super().__init__(error)
        self.error = error
        self.remedy = remedy


class Machine:
    """Drives one conversation. After a Finished action it takes no further step."""

    def __init__(self, steps: _Steps, asker: Asker) -> None:
        self._steps = steps
        self._asker = asker
        self._begun = False
        self.outcome: Outcome | None = None

    def step(self, now_ms: int, event: Event) -> tuple[Action, ...]:
        """Args: now_ms: any clock in milliseconds that never goes back. The first event is a Timer."""
        try:
            if not self._begun:
                self._begun = True
                next(self._steps)
            return self._steps.send((now_ms, event))
        except StopIteration as end:
            outcome: Outcome = end.value
            self.outcome = outcome
            return (*self._asker.pending(), Finished(outcome))


def _identify(asker: Asker) -> Generator[tuple[Ask, ...], Step, Identity]:
    answer = yield from asker.ask(Kind.IDENTIFY)
    return parse_identity(answer.content)


def _inside(identity: Identity) -> Inside:
    return Inside.OLD if identity.sequence else Inside.NONE


def _reads(identity: Identity, key: int, byte_count: int, *, fresh: bool, phase: str, needs: int = 0) -> list[Question]:
    """For all bytes of the table in use (key: its sequence) or of the one of the open transfer (key: the transfer)."""
    block_bytes = _block_bytes(identity)
    contents = [read_content(key, number, block_bytes, fresh=fresh) for number in range(-(-byte_count // block_bytes))]
    return [
        Question(kind=Kind.READ, content=content, phase=phase, echo=content[:READ_ECHO], needs=needs)
        for content in contents
    ]


def _joined(answers: Sequence[Answer]) -> bytes:
    return b"".join(parse_read(answer.content)[2] for answer in answers)


def _block_bytes(identity: Identity) -> int:
    if identity.block_bytes_max < 32:
        raise MessageError(f"blocks of {identity.block_bytes_max} bytes are too small")
    return min(BLOCK_BYTES_MAX, identity.block_bytes_max // 32 * 32)


def _foreign(error: Exception) -> Outcome:
    if isinstance(error, LostError):
        return Outcome(
            error=f"the port is gone ({error})",
            remedy="plug the cable in, see who uses the port",
            inside=Inside.UNKNOWN,
        )
    if isinstance(error, RefusedError):
        said, remedy = refusal(error.kind, error.answer)
        return Outcome(error=said, remedy=remedy, inside=Inside.UNKNOWN, foreign=True)
    if isinstance(error, ForeignProtocolError):
        said = f"it speaks protocol version {error.protocol} of this link, not 1"
        return Outcome(
            error=said, remedy="use the tool that belongs to its firmware", inside=Inside.UNKNOWN, foreign=True
        )
    return Outcome(
        error="nothing on this port answers as a controller of ours; only the question who it is was sent",
        remedy="check the port's name, the cable, and that the controller has power",
        inside=Inside.UNKNOWN,
        foreign=True,
    )


_FAILURES = (RefusedError, NoAnswerError, LostError, ForeignProtocolError, MessageError, _StopError)


def _explain(error: Exception) -> tuple[str, str]:
    if isinstance(error, RefusedError):
        return refusal(error.kind, error.answer)
    if isinstance(error, _StopError):
        return error.error, error.remedy
    if isinstance(error, LostError):
        return f"the port is gone ({error})", "plug the cable in and upload again"
    if isinstance(error, NoAnswerError):
        return (
            "the controller does not answer any more",
            "check cable and power, then `mapper readback` says what is in it",
        )
    return f"the controller answers something strange: {error}", "use the tool and the firmware of one version"


def read_machine(first_tag: int, baud: int = BAUD) -> Machine:
    """Asks who it is and reads the table in use; without a table the outcome's data is None and there is no error."""
    asker = Asker(first_tag, baud)
    return Machine(_read_steps(asker), asker)


def identify_machine(first_tag: int, baud: int = BAUD) -> Machine:
    """Only asks who it is: `before` of the outcome."""
    asker = Asker(first_tag, baud)
    return Machine(_identify_steps(asker), asker)


def _identify_steps(asker: Asker) -> _Steps:
    asker.now_ms, _ = yield ()
    try:
        identity = yield from _identify(asker)
    except _FAILURES as error:
        return _foreign(error)
    return Outcome(inside=_inside(identity), before=identity, after=identity)


def _read_steps(asker: Asker) -> _Steps:
    outcome = yield from _identify_steps(asker)
    identity = outcome.before
    if identity is None or not identity.sequence:
        return outcome
    try:
        questions = _reads(identity, identity.sequence, identity.table_bytes, fresh=False, phase="reading back")
        window = asker.window(identity.window, _block_bytes(identity))
        data = _joined((yield from asker.ask_all(questions, window)))
        if hashlib.sha256(data).hexdigest()[:16] != identity.digest:
            raise _StopError("the bytes read back have another digest than the controller tells", "read back again")
    except _FAILURES as error:
        said, remedy = _explain(error)
        return replace(outcome, error=said, remedy=remedy)
    return replace(outcome, data=data)


@dataclass(slots=True)
class _Upload:
    """One upload. begun: more was sent than the question who it is; committing: a commit was sent, so the new table may
    be in use; before: who it was at the start.
    """

    asker: Asker
    data: bytes
    transfer: int
    begun: bool = False
    committing: bool = False
    before: Identity | None = None

    def steps(self) -> _Steps:
        outcome = yield from _identify_steps(self.asker)
        before = self.before = outcome.before
        if before is None:
            return outcome
        try:
            after, data = yield from self._put(before)
        except _FAILURES as error:
            said, remedy = _explain(error)
            inside, now = yield from self._find_out(before, isinstance(error, LostError))
            return Outcome(error=said, remedy=remedy, inside=inside, before=before, after=now)
        return Outcome(inside=Inside.NEW, before=before, after=after, data=data)

    def _put(self, before: Identity) -> Generator[tuple[Ask, ...], Step, tuple[Identity, bytes]]:
        asker, data, transfer = self.asker, self.data, self.transfer
        self._refuse_what_cannot_be(before)
        window = asker.window(before.window, _block_bytes(before))
        digest = hashlib.sha256(data).digest()
        self.begun = True
        yield from asker.ask(Kind.BEGIN, begin_content(transfer, data, zlib.crc32(data), digest, _block_bytes(before)))
        blocks = self._blocks(_block_bytes(before))
        finish = Question(kind=Kind.FINISH, content=transfer_content(transfer), needs=len(blocks))
        reads = _reads(before, transfer, len(data), fresh=True, phase="reading back", needs=len(blocks) + 1)
        # One batch: nobody waits for a round trip between the last block, the controller's check and the reading back.
        answers = yield from asker.ask_all([*blocks, finish, *reads], window)
        staged = _joined(answers[len(blocks) + 1 :])
        if staged != data:
            raise _StopError(
                "what was read back is not what was sent; it was not put into use",
                "mistrust this line, PC or controller",
            )
        yield from self._have_it_confirmed(staged)
        self.committing = True
        committed = yield from asker.ask(Kind.COMMIT, transfer_content(transfer))
        sequence = parse_commit(committed.content)
        who = Question(kind=Kind.IDENTIFY)
        reads = _reads(before, sequence, len(data), fresh=False, phase="reading back in use")
        first, *rest = yield from asker.ask_all([who, *reads], window)
        after, live = parse_identity(first.content), _joined(rest)
        if live != data or (after.sequence, after.digest) != (sequence, digest.hex()[:16]):
            raise _StopError("the table in use is not the one that was sent", "do not run the machine; upload again")
        if after.presence is not TablePresence.IN_USE:
            raise _StopError(
                "the table is stored, but the controller has not put it into use (it could not read it back)",
                "switch the controller off and on, then `mapper readback`; if that says damaged, upload again",
            )
        return after, live

    def _have_it_confirmed(self, staged: bytes) -> Generator[tuple[Ask, ...], Step, None]:
        """What else comes in before the answer of the person (an answer of the controller that came twice) is no answer
        of the person.
        """
        asks: tuple[Ask, ...] = (*self.asker.pending(), AskPerson(staged))
        while True:
            self.asker.now_ms, event = yield asks
            asks = ()
            if isinstance(event, Lost):
                raise LostError(event.why)
            if isinstance(event, Confirmed):
                break
        if not event.yes:
            raise _StopError(
                "the values were not confirmed; the table was not put into use",
                "upload again when they are right",
            )

    def _refuse_what_cannot_be(self, before: Identity) -> None:
        """Before anything but the question who it is was sent."""
        machine_id = table_machine_id(self.data)
        if machine_id != before.machine_id:
            raise _StopError(
                f"this controller belongs to machine {before.machine_id!r}, the table is for {machine_id!r}",
                "take the profile of that machine, or the right port",
            )
        if len(self.data) > before.table_bytes_max:
            raise _StopError(
                f"the table has {len(self.data)} bytes, the controller takes {before.table_bytes_max}",
                "use fewer joints or curve points",
            )

    def _blocks(self, block_bytes: int) -> list[Question]:
        parts = [self.data[at : at + block_bytes] for at in range(0, len(self.data), block_bytes)]
        contents = [block_content(self.transfer, number, part) for number, part in enumerate(parts)]
        return [
            Question(kind=Kind.BLOCK, content=content, phase="sending", echo=content[:BLOCK_ECHO])
            for content in contents
        ]

    def _find_out(
        self, before: Identity, lost: bool
    ) -> Generator[tuple[Ask, ...], Step, tuple[Inside, Identity | None]]:
        """After a failure: gives the transfer up, and asks which table is in use."""
        if not self.begun:
            return _inside(before), before
        questions = [
            Question(kind=Kind.ABORT, content=transfer_content(self.transfer)),
            Question(kind=Kind.IDENTIFY),
        ]
        rounds = 0 if lost else ROUNDS_COMMITTING if self.committing else 1
        for number in range(rounds):
            if self.committing:  # a cable or a power supply that comes back makes the difference
                self.asker.tell(Progress("asking what is in use", number, rounds))
            try:
                _, answer = yield from self.asker.ask_all(questions, 2)
                now = parse_identity(answer.content)
            except LostError:
                break
            except _FAILURES:
                continue
            return self._judge(before, now), now
        # No commit was sent, so nothing else than before can be in use.
        return (Inside.UNKNOWN if self.committing else _inside(before)), None

    def _judge(self, before: Identity, now: Identity) -> Inside:
        if now.sequence == before.sequence:
            return _inside(now)
        ours = now.digest == hashlib.sha256(self.data).hexdigest()[:16]
        return Inside.NEW if ours else Inside.UNKNOWN

    def give_up_steps(self, asker: Asker) -> _Steps:
        """In a conversation of its own, for this one may have been interrupted anywhere."""
        outcome = yield from _identify_steps(asker)
        now, before = outcome.before, self.before
        if before is None:
            return outcome
        if now is None:
            return Outcome(inside=Inside.UNKNOWN if self.committing else _inside(before), before=before)
        if now.transfer == self.transfer:
            with contextlib.suppress(*_FAILURES):  # the controller drops it by itself, at its deadline
                yield from asker.ask(Kind.ABORT, transfer_content(self.transfer))
        return Outcome(inside=self._judge(before, now), before=before, after=now)


class UploadMachine(Machine):
    """An upload, which can be given up after it was interrupted from outside."""

    def __init__(self, upload: _Upload) -> None:
        super().__init__(upload.steps(), upload.asker)
        self._upload = upload

    def give_up(self, first_tag: int, baud: int = BAUD) -> Machine:
        """Drops the transfer, if one is open, and asks what is in use. This machine takes no further step."""
        asker = Asker(first_tag, baud)
        return Machine(self._upload.give_up_steps(asker), asker)


def upload_machine(data: bytes, transfer: int, first_tag: int, baud: int = BAUD) -> UploadMachine:
    """Puts `data` into the controller. It stops at an AskPerson action until a Confirmed event comes.

    Args:
        data: bytes of a table; only the machine that it is for is looked at here, the controller checks them by itself.
        transfer: a number from 1 to 2**32 - 1 that was not used with this controller before (random).
        first_tag: random, so that answers from an earlier run are not taken for answers to this one.
        baud: of the line, in bits a second: how much is kept on its way, and how long an answer is waited for.
    """
    return UploadMachine(_Upload(Asker(first_tag, baud), data, transfer))
