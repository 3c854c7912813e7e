"""Questions and answers over a line that loses, repeats and corrupts: pure, time is passed in.

Every question may be asked again with the same tag (the controller does no second thing), so a lost question and a
lost answer are the same case. Every question has a bounded number of tries, so every batch ends.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass

from mapper.link.frame import PROTOCOL, Frame, encode_frame
from mapper.link.message import ANSWER, Answer, Kind, MessageError, Result, parse_answer

ANSWER_MS = 400
"""What is open is asked again when nothing was answered for so long."""
TRIES = 8
TRIES_FIRST = 4
"""Until the other end has answered once: a device that is not ours is bothered no longer than that."""
WAIT_MS = 20
"""After `wait` the controller is asked again so much later."""
WAIT_TOTAL_MS = 30_000
"""`wait` is taken for so long at most: the longest erase."""


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
Question = tuple[Kind, bytes]


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
    """A question without an answer. due_ms: when it is sent (again); order: of its last sending, over all questions."""

    index: int
    due_ms: int
    order: int = 0
    tries: int = 0
    waits: bool = False


class Asker:
    """Keeps the tags and the time over all batches of one run."""

    def __init__(self, first_tag: int) -> None:
        self._tag = first_tag & 0xFFFF
        self._order = 0
        self._tries = TRIES_FIRST
        self.now_ms = 0
        self._told: tuple[Ask, ...] = ()

    def pending(self) -> tuple[Ask, ...]:
        """Progress that was not given out yet: the last frame of a batch, to be shown before anything else is."""
        told, self._told = self._told, ()
        return told

    def ask(self, kind: Kind, content: bytes = b"") -> Generator[tuple[Ask, ...], Step, Answer]:
        """One question. Raises as `ask_all`."""
        answers = yield from self.ask_all([(kind, content)], 1, None)
        return answers[0]

    def ask_all(
        self, questions: Sequence[Question], window: int, phase: str | None
    ) -> Generator[tuple[Ask, ...], Step, list[Answer]]:
        """All questions, at most `window` of them without an answer at a time; the answers in the order of the
        questions.

        Raises:
            RefusedError: at the first answer that is neither ok nor wait.
            NoAnswerError, LostError, ForeignProtocolError.
        """
        answers: dict[int, Answer] = {}
        opened: dict[int, _Open] = {}
        first_ms = self.now_ms
        next_index = 0
        while len(answers) < len(questions):
            while next_index < len(questions) and len(opened) < max(1, window):
                self._tag = (self._tag + 1) & 0xFFFF
                opened[self._tag] = _Open(next_index, self.now_ms)
                next_index += 1
            if self.now_ms - first_ms > WAIT_TOTAL_MS and any(item.waits for item in opened.values()):
                raise NoAnswerError
            sends = self._due(questions, opened)
            wake = WakeAt(min(item.due_ms for item in opened.values()))
            self.now_ms, event = yield (*self.pending(), *sends, wake)
            if isinstance(event, Lost):
                raise LostError(event.why)
            if (
                isinstance(event, Received)
                and self._take(event.frame, questions, opened, answers)
                and phase is not None
            ):
                self._told = (Progress(phase, len(answers), len(questions)),)
        return [answers[index] for index in range(len(questions))]

    def _due(self, questions: Sequence[Question], opened: dict[int, _Open]) -> list[Send]:
        sends = []
        for tag, item in opened.items():
            if item.due_ms > self.now_ms:
                continue
            if item.tries >= self._tries:
                raise NoAnswerError
            item.tries += 1
            self._order += 1
            item.order = self._order
            item.waits = False
            item.due_ms = self.now_ms + ANSWER_MS
            kind, content = questions[item.index]
            sends.append(Send(encode_frame(Frame(kind=kind, tag=tag, content=content))))
        return sends

    def _take(
        self, frame: Frame, questions: Sequence[Question], opened: dict[int, _Open], answers: dict[int, Answer]
    ) -> bool:
        """True when `frame` is the answer to an open question. Everything else on the line is left alone."""
        if frame.protocol != PROTOCOL:
            raise ForeignProtocolError(frame.protocol)
        item = opened.get(frame.tag)
        if item is None or frame.kind != questions[item.index][0] + ANSWER:
            return False
        try:
            answer = parse_answer(frame.content)
        except MessageError:
            return False
        for other in opened.values():
            # The line keeps its order: what was sent before the answered question and has no answer by now was lost.
            lost = other.order < item.order and not other.waits
            other.due_ms = (
                self.now_ms if lost else max(other.due_ms, self.now_ms + ANSWER_MS) if not other.waits else other.due_ms
            )
        if answer.result == Result.WAIT:
            item.tries = 0
            item.waits = True
            item.due_ms = self.now_ms + WAIT_MS
            return False
        if answer.result != Result.OK:
            raise RefusedError(questions[item.index][0], answer)
        self._tries = TRIES
        del opened[frame.tag]
        answers[item.index] = answer
        return True
