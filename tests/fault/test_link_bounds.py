"""Every conversation ends, in a time and after a number of questions that can be told beforehand: against the other
ends that make it longest, in simulated time, where only waiting takes time.
"""

from __future__ import annotations

import functools
import random
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from link_library import Controller, Line
from link_tables import MACHINE, short_table

from mapper.link.ask import (
    ANSWER_BYTES_READ,
    ANSWER_MS,
    BAUD,
    TRIES,
    TRIES_FIRST,
    WAIT_MS,
    WAIT_TOTAL_MS,
    AskPerson,
    Confirmed,
    Progress,
    Received,
    Send,
    Timer,
    WakeAt,
)
from mapper.link.frame import Frame, FrameReceiver
from mapper.link.message import ANSWER, Kind, Result
from mapper.link.transfer import (
    ROUNDS_COMMITTING,
    Finished,
    Inside,
    Machine,
    Outcome,
    identify_machine,
    read_machine,
    upload_machine,
)

TABLE = short_table(2)
BLOCKS = 2
QUESTIONS = 1 + 1 + BLOCKS + 1 + BLOCKS + 1 + 1 + BLOCKS
"""Identify, begin, blocks, finish, reads, commit, identify, reads."""
QUESTION_MS = ANSWER_MS + 10_000 * (ANSWER_BYTES_READ + ANSWER_BYTES_READ) // BAUD + 1
"""At most so long an answer is waited for."""
LAST_WORDS = 2 * ROUNDS_COMMITTING
"""After a failure: abort and identify, together; more than once when a commit was sent."""
IDENTIFY_S = TRIES_FIRST * QUESTION_MS / 1000
READBACK_S = (TRIES_FIRST + TRIES * BLOCKS) * QUESTION_MS / 1000
UPLOAD_S = (TRIES * (QUESTIONS + LAST_WORDS) * QUESTION_MS + 2 * WAIT_TOTAL_MS) / 1000

Other = Callable[[Frame, int], list[Frame]]
"""What the other end says to a question at that time."""


@dataclass(frozen=True, slots=True)
class Ended:
    outcome: Outcome
    seconds: float
    sent: list[Frame]


def drive(machine: Machine, other: Other, babble_ms: int = 0) -> Ended:
    """To its end; with `babble_ms` something comes in every so many milliseconds besides."""
    now_ms, wake_ms, heard_ms = 5_000, 0, 0
    begun_ms = now_ms
    events: list[object] = [Timer()]
    sent: list[Frame] = []
    receiver = FrameReceiver()
    rng = random.Random(1)
    while True:
        for event in events:
            for action in machine.step(now_ms, event):
                if isinstance(action, Finished):
                    return Ended(action.outcome, (now_ms - begun_ms) / 1000, sent)
                if isinstance(action, Send):
                    frame = receiver.feed(action.data)[0]
                    sent.append(frame)
                    events += [Received(answer) for answer in other(frame, now_ms)]
                elif isinstance(action, AskPerson):
                    events.append(Confirmed(True))
                elif isinstance(action, WakeAt):
                    wake_ms = action.now_ms
                else:
                    assert isinstance(action, Progress)
        assert now_ms - begun_ms < 1_000_000, "no end"
        now_ms = max(now_ms + 1, wake_ms if not babble_ms else min(wake_ms, heard_ms + babble_ms))
        heard_ms = now_ms
        events = [Timer()]
        if babble_ms:
            kind, tag = rng.randrange(128, 256), rng.randrange(65_536)
            events.append(Received(Frame(kind=kind, tag=tag, content=rng.randbytes(rng.randrange(40)))))


def silent(_question: Frame, _now_ms: int) -> list[Frame]:
    return []


def saying(result: int, content: bytes = b"") -> Other:
    """The same result to every question."""

    def other(question: Frame, _now_ms: int) -> list[Frame]:
        head = bytes([result, 0, 0, 0, 0, 0])
        return [Frame(kind=question.kind + ANSWER, tag=question.tag, content=head + content)]

    return other


MACHINES = {
    "identify": (lambda: identify_machine(3), IDENTIFY_S),
    "readback": (lambda: read_machine(3), READBACK_S),
    "upload": (lambda: upload_machine(TABLE, 9, 3), UPLOAD_S),
}


@pytest.mark.parametrize("babble_ms", [0, 1, 30])
@pytest.mark.parametrize("name", MACHINES)
def test_a_silent_or_babbling_end_hears_four_questions_and_is_left_in_two_seconds(name, babble_ms):
    """Frames with right checksums but strange kinds and tags, every millisecond, do not prolong it."""
    ended = drive(MACHINES[name][0](), silent, babble_ms)

    assert ended.outcome.foreign
    assert [(frame.kind, frame.content) for frame in ended.sent] == [(Kind.IDENTIFY, b"")] * TRIES_FIRST
    assert ended.seconds <= min(IDENTIFY_S, 2.0)


@pytest.mark.parametrize("name", MACHINES)
@pytest.mark.parametrize("result", [*range(17), 99, 255])
def test_an_end_that_answers_who_it_is_with_anything_else_is_left_at_once(name, result):
    """`wait` too: a controller of ours never lets wait for that."""
    ended = drive(MACHINES[name][0](), saying(result))

    assert ended.outcome.foreign
    assert len(ended.sent) == 1
    assert ended.seconds < 0.1


@functools.cache
def _recorded() -> dict[tuple[int, bytes], bytes]:
    """Answers of the real controller to a clean upload, by kind and content of the question."""
    answers: dict[tuple[int, bytes], bytes] = {}
    asked: dict[int, tuple[int, bytes]] = {}

    def question(_number: int, data: bytes) -> list[bytes]:
        frame = FrameReceiver().feed(data)[0]
        asked[frame.tag] = (frame.kind, frame.content)
        return [data]

    def answer(_number: int, data: bytes) -> list[bytes]:
        frame = FrameReceiver().feed(data)[0]
        answers[asked[frame.tag]] = frame.content
        return [data]

    outcome = Line(Controller(MACHINE), to_controller=question, to_pc=answer).run(upload_machine(TABLE, 9, 3))
    assert outcome.error is None
    return answers


def _right(question: Frame) -> list[Frame]:
    content = _recorded().get((question.kind, question.content), bytes([Result.OK, 0, 0, 0, 0, 0]))
    return [Frame(kind=question.kind + ANSWER, tag=question.tag, content=content)]


@pytest.mark.parametrize("last", range(QUESTIONS))
def test_an_end_that_falls_silent_after_any_answer_is_given_up(last):
    """One question tried in vain, then abort and identify: seven seconds, once a commit was sent seventeen."""
    answered: set[int] = set()

    def other(question: Frame, _now_ms: int) -> list[Frame]:
        if len(answered) >= last and question.tag not in answered:
            return []
        answered.add(question.tag)
        return _right(question)

    ended = drive(upload_machine(TABLE, 9, 3), other)

    assert ended.outcome.error is not None
    committing = any(frame.kind == Kind.COMMIT for frame in ended.sent)
    rounds = 1 + (ROUNDS_COMMITTING if committing else 1)
    assert ended.seconds <= rounds * TRIES * QUESTION_MS / 1000
    assert ended.seconds < (18 if committing else 8)
    assert len(ended.sent) <= QUESTIONS + TRIES * (QUESTIONS + LAST_WORDS)


@pytest.mark.parametrize("kind", [Kind.BEGIN, Kind.BLOCK, Kind.FINISH])
def test_wait_for_ever_is_given_up_after_half_a_minute(kind):
    def other(question: Frame, _now_ms: int) -> list[Frame]:
        return saying(Result.WAIT)(question, 0) if question.kind == kind else _right(question)

    ended = drive(upload_machine(TABLE, 9, 3), other)

    assert ended.outcome.error is not None
    assert ended.outcome.inside is not Inside.UNKNOWN
    assert WAIT_TOTAL_MS / 1000 <= ended.seconds <= WAIT_TOTAL_MS / 1000 + 1
    assert len(ended.sent) <= QUESTIONS + (BLOCKS + 1) * (WAIT_TOTAL_MS // WAIT_MS + 2)


@pytest.mark.parametrize("kind", [Kind.COMMIT, Kind.READ, Kind.ABORT])
def test_wait_where_nothing_has_to_be_waited_for_is_no_answer_to_go_on_with(kind):
    def other(question: Frame, _now_ms: int) -> list[Frame]:
        if question.kind == kind or (kind is Kind.ABORT and question.kind == Kind.FINISH):
            return saying(Result.WAIT if question.kind == kind else Result.WRONG_CRC)(question, 0)
        return _right(question)

    ended = drive(upload_machine(TABLE, 9, 3), other)

    assert ended.outcome.error is not None
    assert ended.seconds < 1


@pytest.mark.parametrize("seed", range(60))
def test_whatever_the_other_end_says_the_upload_ends_within_its_bound(seed):
    """An end that was seen to be ours and then answers at random: late, never, twice, `wait`, `incomplete`, refusals,
    other content.
    """
    rng = random.Random(seed)
    unkind = rng.choice([0.2, 0.6, 0.95])

    def other(question: Frame, _now_ms: int) -> list[Frame]:
        right = _right(question)
        if question.kind == Kind.IDENTIFY or rng.random() > unkind:
            return right
        choice = rng.randrange(6)
        if choice == 0:
            return []
        if choice == 1:
            return right * 2
        if choice == 2:
            return saying(rng.choice([Result.WAIT, Result.INCOMPLETE]))(question, 0)
        if choice == 3:
            return saying(rng.choice([Result.WAIT] * 9 + [Result.NO_TRANSFER]))(question, 0)
        if choice == 4:
            return [Frame(kind=question.kind + ANSWER, tag=question.tag, content=rng.randbytes(3))]
        return [Frame(kind=question.kind + ANSWER, tag=question.tag, content=right[0].content[:6] + rng.randbytes(9))]

    ended = drive(upload_machine(TABLE, 9, 3), other)

    assert ended.seconds <= UPLOAD_S
    assert len(ended.sent) <= 2 * WAIT_TOTAL_MS // WAIT_MS * (BLOCKS + 1) + TRIES * (QUESTIONS + LAST_WORDS)


def test_the_slowest_end_that_answers_every_question_at_the_last_moment_is_within_the_bound():
    """Each answer comes to the eighth asking."""
    tries: dict[int, int] = {}

    def other(question: Frame, _now_ms: int) -> list[Frame]:
        tries[question.tag] = tries.get(question.tag, 0) + 1
        last = TRIES_FIRST if len(tries) == 1 else TRIES
        return _right(question) if tries[question.tag] >= last else []

    ended = drive(upload_machine(TABLE, 9, 3), other)

    assert ended.seconds <= UPLOAD_S
    assert ended.seconds > 10
    assert max(tries.values()) <= TRIES


def test_the_controller_of_another_machine_hears_one_question():
    line = Line(Controller("bench-2"))
    outcome = line.run(upload_machine(TABLE, 9, 3))

    assert "belongs to machine 'bench-2', the table is for 'bench-1'" in outcome.error
    assert outcome.inside is Inside.NONE
    assert line.sent == 1


def test_the_bounds_in_seconds():
    """At 115,200 baud: who it is; reading two blocks back; an upload of two blocks at the very worst."""
    assert round(IDENTIFY_S, 1) == 1.9
    assert READBACK_S < 10
    assert UPLOAD_S < 140
