"""Questions and answers over a line that loses, repeats and corrupts: pure, time is passed in.

Every question may be asked again with the same tag (the controller does no second thing), so a lost question and a
lost answer are the same case. Every question has a bounded number of tries, so every batch ends.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass

from mapper.link.frame import PROTOCOL, Frame, encode_frame
from mapper.link.message import ANSWER, Answer, Kind, MessageError, Result, parse_answer

BAUD = 115_200
ANSWER_MS = 400
"""What is open is asked again when nothing was answered for so long, besides the time that question and answer take
on the line."""
TRIES = 8
TRIES_FIRST = 4
"""Until the other end has answered once: a device that is not ours is bothered no longer than that."""
WAIT_MS = 5
"""After `wait` the controller is asked again so much later."""
WAIT_TOTAL_MS = 30_000
"""`wait` is taken for so long at most, from the first one of a batch: the longest erase."""
WAITING = frozenset({Kind.BEGIN, Kind.BLOCK, Kind.FINISH})
"""What our controller may answer with `wait`."""
ANSWER_BYTES = 160
"""The longest answer but that to a read, as encoded."""
ANSWER_BYTES_READ = 380
ROUND_TRIP_MS = 100
"""So much of the line's time is kept filled with questions: more than a slow converter takes there and back."""


@dataclass(frozen=True, slots=True)
class Received:
    frame: Frame


@dataclass(frozen=True, slots=True)
class Timer:
    """Time goes on; also the first event."""


@dataclass(frozen=True, slots=True)
class Confirmed:
    yes: bool


@dataclass(frozen=True, slots=True)
class Lost:
    """The port is gone."""

    why: str


Event = Received | Timer | Confirmed | Lost


@dataclass(frozen=True, slots=True)
class Send:
    data: bytes


@dataclass(frozen=True, slots=True)
class WakeAt:
    """A Timer event is wanted at this time at the latest."""

    now_ms: int


@dataclass(frozen=True, slots=True)
class Progress:
    phase: str
    done: int
    total: int


@dataclass(frozen=True, slots=True)
class AskPerson:
    """The bytes as read back from the controller, not in use yet: a Confirmed event must follow."""

    data: bytes


Ask = Send | WakeAt | Progress | AskPerson
Step = tuple[int, Event]
"""(now_ms, event)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One question of a batch.

    Attributes:
        phase: what its answer counts for in the progress; "" for nothing.
        echo: what the content of an ok answer begins with; another one is no answer to this question.
        needs: how many questions at the batch's beginning must be answered before this one can be. It is sent behind
            them without waiting; `incomplete` then means only that one of them was lost.
    """

    kind: Kind
    content: bytes = b""
    phase: str = ""
    echo: bytes = b""
    needs: int = 0


class NoAnswerError(Exception):
    """A question was asked TRIES times in vain."""


class LostError(Exception):
    """The port is gone."""


class RefusedError(Exception):
    """The controller answered something else than ok."""

    def __init__(self, kind: Kind, answer: Answer) -> None:
        super().__init__(kind.name)
        self.kind = kind
        self.answer = answer


class ForeignProtocolError(Exception):
    """A whole frame of another protocol version came in."""

    def __init__(self, protocol: int) -> None:
        super().__init__(str(protocol))
        self.protocol = protocol


@dataclass(slots=True)
class _Open:
    """A question without an answer. due_ms: when it is sent (again); order: of its last sending, over all questions.

    early: when it was last sent, something that it needs had no answer yet; held: it was answered `incomplete` then.
    """

    index: int
    due_ms: int
    order: int = 0
    tries: int = 0
    waits: bool = False
    early: bool = False
    held: bool = False


class Asker:
    """Keeps the tags and the time over all batches of one run. baud: bits a second of the line."""

    def __init__(self, first_tag: int, baud: int = BAUD) -> None:
        self._tag = first_tag & 0xFFFF
        self._baud = baud
        self._order = 0
        self._tries = TRIES_FIRST
        self.now_ms = 0
        self._told: tuple[Ask, ...] = ()

    def pending(self) -> tuple[Ask, ...]:
        """Progress that was not given out yet: the last frame of a batch, to be shown before anything else is."""
        told, self._told = self._told, ()
        return told

    def tell(self, progress: Progress) -> None:
        """To be given out with what is asked next."""
        self._told = (progress,)

    def window(self, most: int, block_bytes: int) -> int:
        """Questions on their way at a time: enough to fill the line, no more than the controller takes."""
        return max(1, min(most, 2 - (-self._baud * ROUND_TRIP_MS // 10_000 // block_bytes)))

    def ask(self, kind: Kind, content: bytes = b"") -> Generator[tuple[Ask, ...], Step, Answer]:
        """One question. Raises as `ask_all`."""
        answers = yield from self.ask_all([Question(kind=kind, content=content)], 1)
        return answers[0]

    def ask_all(self, questions: Sequence[Question], window: int) -> Generator[tuple[Ask, ...], Step, list[Answer]]:
        """All questions, sent in their order, at most `window` of them without an answer at a time; the answers in
        the order of the questions.

        Raises:
            RefusedError: at the first answer that is neither ok nor to be asked again.
            NoAnswerError, LostError, ForeignProtocolError.
        """
        batch = _Batch(self, questions)
        while len(batch.answers) < len(questions):
            batch.fill(window)
            sends = batch.due()
            self.now_ms, event = yield (*self.pending(), *sends, WakeAt(batch.wake_ms()))
            if isinstance(event, Lost):
                raise LostError(event.why)
            if isinstance(event, Received):
                question = batch.take(event.frame)
                if question is not None and question.phase:
                    self._told = (batch.progress(question.phase),)
        return [batch.answers[index] for index in range(len(questions))]

    def next_tag(self) -> int:
        self._tag = (self._tag + 1) & 0xFFFF
        return self._tag

    def next_order(self) -> int:
        self._order += 1
        return self._order

    @property
    def tries(self) -> int:
        return self._tries

    def heard(self) -> None:
        """The other end is ours: it has answered."""
        self._tries = TRIES

    def line_ms(self, byte_count: int) -> int:
        """Time on the line, 10 bits a byte, rounded up."""
        return -(-10_000 * byte_count // self._baud)


class _Batch:
    """The questions of one `ask_all`, those that are open and the answers."""

    def __init__(self, asker: Asker, questions: Sequence[Question]) -> None:
        self._asker = asker
        self._questions = questions
        self._opened: dict[int, _Open] = {}
        self._next = 0
        self._wait_from_ms: int | None = None
        self.answers: dict[int, Answer] = {}

    def fill(self, window: int) -> None:
        while self._next < len(self._questions) and len(self._opened) < max(1, window):
            self._opened[self._asker.next_tag()] = _Open(self._next, self._asker.now_ms)
            self._next += 1

    def due(self) -> list[Send]:
        """Raises NoAnswerError."""
        asker = self._asker
        waited_ms = 0 if self._wait_from_ms is None else asker.now_ms - self._wait_from_ms
        if waited_ms > WAIT_TOTAL_MS and any(item.waits for item in self._opened.values()):
            raise NoAnswerError
        sends = []
        for tag, item in self._opened.items():
            question = self._questions[item.index]
            early = question.needs > 0 and self._is_early(question)
            if item.due_ms > asker.now_ms or (item.held and early):
                continue
            if item.tries >= asker.tries:
                raise NoAnswerError
            data = encode_frame(Frame(kind=question.kind, tag=tag, content=question.content))
            item.tries += 1
            item.order = asker.next_order()
            item.waits, item.held, item.early = False, False, early
            item.due_ms = asker.now_ms + self._answer_ms(question)
            sends.append(Send(data))
        return sends

    def wake_ms(self) -> int:
        return min(
            item.due_ms
            for item in self._opened.values()
            if not (item.held and self._is_early(self._questions[item.index]))
        )

    def take(self, frame: Frame) -> Question | None:
        """The open question that `frame` answers ok. Everything else on the line is left alone.

        Raises:
            RefusedError, ForeignProtocolError.
        """
        if frame.protocol != PROTOCOL:
            raise ForeignProtocolError(frame.protocol)
        item = self._opened.get(frame.tag)
        if item is None or frame.kind != self._questions[item.index].kind + ANSWER:
            return None
        question = self._questions[item.index]
        try:
            answer = parse_answer(frame.content)
        except MessageError:
            return None
        if answer.result == Result.OK and not answer.content.startswith(question.echo):
            return None
        self._line_moves(item)
        if answer.result == Result.WAIT and question.kind in WAITING:
            if self._wait_from_ms is None:
                self._wait_from_ms = self._asker.now_ms
            item.tries = 0
            item.waits = True
            item.due_ms = self._asker.now_ms + WAIT_MS
            return None
        if answer.result == Result.INCOMPLETE and item.early:
            item.held = True
            item.due_ms = self._asker.now_ms
            return None
        if answer.result != Result.OK:
            raise RefusedError(question.kind, answer)
        self._asker.heard()
        del self._opened[frame.tag]
        self.answers[item.index] = answer
        return question

    def progress(self, phase: str) -> Progress:
        own = [index for index, question in enumerate(self._questions) if question.phase == phase]
        return Progress(phase, sum(index in self.answers for index in own), len(own))

    def _is_early(self, question: Question) -> bool:
        return any(item.index < question.needs for item in self._opened.values())

    def _answer_ms(self, question: Question) -> int:
        answer_bytes = ANSWER_BYTES_READ if question.kind is Kind.READ else ANSWER_BYTES
        return ANSWER_MS + self._asker.line_ms(len(question.content) + 16 + answer_bytes)

    def _line_moves(self, answered: _Open) -> None:
        """The line keeps its order: what was sent before the answered question and has no answer by now was lost."""
        now_ms = self._asker.now_ms
        for other in self._opened.values():
            if other.waits or other.held:
                continue
            if other.order < answered.order:
                other.due_ms = now_ms
            else:
                other.due_ms = max(other.due_ms, now_ms + self._answer_ms(self._questions[other.index]))
