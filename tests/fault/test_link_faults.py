"""Uploads over a line that loses, corrupts, repeats, cuts and delays: the unmodified controller, the PC's own
machine, time passed in.

Whatever happens, the upload ends, what it says about the controller is true, and the controller has the old or the
new table, whole.
"""

from __future__ import annotations

import hashlib
import random
from dataclasses import replace

import pytest
from link_library import IN_USE, NONE, Controller, Line, clean
from make_table import random_table

from mapper.link.frame import FrameReceiver, encode_frame
from mapper.link.message import ANSWER, Kind, TablePresence, parse_answer, parse_identity
from mapper.link.transfer import Inside, Machine, read_machine, upload_machine
from mapper.table import encode_table

MACHINE = "bench-1"


def _table(seed: int) -> bytes:
    """Two joints: some five blocks."""
    return encode_table(replace(random_table(random.Random(seed), 2), machine_id=MACHINE))


OLD, NEW = _table(1), _table(2)
_transfers = random.Random(99)


def _upload(data: bytes) -> Machine:
    return upload_machine(data, _transfers.randrange(1, 2**32), _transfers.randrange(65536))


def _with_old(seed: int = 0) -> Controller:
    controller = Controller(MACHINE)
    assert Line(controller).run(_upload(OLD)).error is None
    return controller


def _in_use(controller: Controller) -> bytes | None:
    return Line(controller).run(read_machine(_transfers.randrange(65536))).data


@pytest.fixture(scope="module")
def frames() -> tuple[int, int]:
    """Frames of one clean upload: questions, answers."""
    line = Line(_with_old())
    outcome = line.run(_upload(NEW))
    assert outcome.error is None
    return line.sent, line.answered


def _lose(_data: bytes, _rng: random.Random) -> list[bytes]:
    return []


def _flip(data: bytes, rng: random.Random) -> list[bytes]:
    at = rng.randrange(1, len(data) - 1)
    return [data[:at] + bytes([data[at] ^ (1 << rng.randrange(8))]) + data[at + 1 :]]


def _twice(data: bytes, _rng: random.Random) -> list[bytes]:
    return [data, data]


def _shorten(data: bytes, rng: random.Random) -> list[bytes]:
    return [data[: rng.randrange(1, len(data))]]


def _drop_byte(data: bytes, rng: random.Random) -> list[bytes]:
    at = rng.randrange(len(data))
    return [data[:at] + data[at + 1 :]]


def _noise(data: bytes, rng: random.Random) -> list[bytes]:
    return [rng.randbytes(rng.randrange(1, 700)) + b"\0" + data]


FAULTS = {
    "lost": _lose,
    "flipped": _flip,
    "twice": _twice,
    "cut short": _shorten,
    "byte lost": _drop_byte,
    "noise": _noise,
}


def _at(number: int, fault, rng: random.Random, lasting: bool = False):
    def apply(index: int, data: bytes) -> list[bytes]:
        return fault(data, rng) if index == number or (lasting and index > number) else [data]

    return apply


def test_a_clean_upload_ends_with_the_new_table_read_back_and_told(frames):
    controller = Controller(MACHINE)
    line = Line(controller)
    outcome = line.run(_upload(NEW))

    assert (outcome.error, outcome.inside, outcome.data) == (None, Inside.NEW, NEW)
    assert outcome.before.digest == ""
    assert outcome.after.digest == hashlib.sha256(NEW).hexdigest()[:16]
    assert outcome.after.sequence == 1
    assert line.progress[-1][1:] == (line.progress[-1][2],) * 2 or line.progress[-1][1] + 1 == line.progress[-1][2]
    assert controller.start() == IN_USE
    assert min(frames) > 10


@pytest.mark.parametrize("direction", ["to_controller", "to_pc"])
@pytest.mark.parametrize("fault", FAULTS)
def test_one_fault_in_any_frame_is_got_over(fault, direction, frames):
    count = frames[0 if direction == "to_controller" else 1]
    for number in range(1, count + 1):
        controller = _with_old()
        line = Line(controller, **{direction: _at(number, FAULTS[fault], random.Random(number))})
        outcome = line.run(_upload(NEW))

        assert (outcome.error, outcome.data) == (None, NEW), (fault, direction, number)
        assert outcome.after.sequence == 2
        controller.start()
        assert _in_use(controller) == NEW
        controller.check()


def test_pairs_of_faults_in_both_directions_are_got_over(frames):
    rng = random.Random(5)
    for index in range(150):
        first, second = rng.choice(list(FAULTS)), rng.choice(list(FAULTS))
        controller = _with_old()
        line = Line(
            controller,
            to_controller=_at(rng.randint(1, frames[0]), FAULTS[first], rng),
            to_pc=_at(rng.randint(1, frames[1]), FAULTS[second], rng),
            latency_ms=rng.choice([1, 16]),
        )
        outcome = line.run(_upload(NEW))

        assert (outcome.error, outcome.data) == (None, NEW), (index, first, second)


@pytest.mark.parametrize("seed", range(6))
def test_a_bad_line_ends_in_time_and_tells_the_truth(seed):
    """Every third frame suffers; the upload may go through or be given up, but what it says is so."""
    rng = random.Random(seed)

    def bad(_index: int, data: bytes) -> list[bytes]:
        return FAULTS[rng.choice(list(FAULTS))](data, rng) if rng.random() < 0.33 else [data]

    controller = _with_old()
    outcome = Line(controller, to_controller=bad, to_pc=bad).run(_upload(NEW))
    controller.start()
    found = _in_use(controller)

    assert found == (NEW if outcome.error is None else found)
    _assert_true(outcome.inside, found, OLD)


def _assert_true(inside: Inside, found: bytes | None, old: bytes | None) -> None:
    assert found in (old, NEW)
    if inside is Inside.NEW:
        assert found == NEW
    elif inside in (Inside.OLD, Inside.NONE):
        assert found == old


@pytest.mark.deep
@pytest.mark.parametrize("direction", ["to_controller", "to_pc"])
def test_a_cable_pulled_at_any_frame_leaves_a_whole_table_and_a_true_word(direction, frames):
    count = frames[0 if direction == "to_controller" else 1]
    unknown = 0
    for number in range(1, count + 1):
        controller = _with_old()
        line = Line(controller, **{direction: _at(number, _lose, random.Random(0), lasting=True)})
        outcome = line.run(_upload(NEW))

        assert outcome.error is not None
        assert (outcome.foreign, outcome.before is None) == (number == 1, number == 1)
        unknown += outcome.inside is Inside.UNKNOWN
        controller.start()
        _assert_true(outcome.inside, _in_use(controller), OLD)
        assert Line(controller).run(_upload(NEW)).data == NEW
    assert unknown <= 8, "only from the commit on, and where nothing ever answered"


@pytest.mark.deep
def test_the_power_cut_before_any_flash_operation_of_an_upload(frames):
    controller = _with_old()
    controller.start()
    assert Line(controller).run(_upload(NEW)).error is None
    operations = controller.operations
    assert operations > 5
    for cut in range(1, operations + 1):
        for old in (OLD, None):
            controller = _with_old() if old else Controller(MACHINE)
            controller.start(cut_at=cut)
            outcome = Line(controller).run(_upload(NEW))
            assert controller.dead
            assert outcome.error is not None
            controller.start()
            found = _in_use(controller)
            _assert_true(outcome.inside, found, old)
            assert Line(controller).run(_upload(NEW)).data == NEW, cut
            controller.check()


def test_the_key_turned_off_at_any_moment_stops_the_upload_and_keeps_the_old_table():
    line = Line(_with_old())
    line.run(_upload(NEW))
    length_ms = line.now_ms - 1000
    ended = set()
    for moment in range(1, length_ms + 1):
        controller = _with_old()

        def turn(now_ms: int, controller: Controller = controller, moment: int = moment) -> None:
            controller.key = now_ms < 1000 + moment
            controller.tick()

        outcome = Line(controller, each_ms=turn).run(_upload(NEW))
        controller.start()
        found = _in_use(controller)

        assert found == (NEW if outcome.inside is Inside.NEW else OLD)
        assert (outcome.error is None) == (found == NEW)
        ended.add(found)
    assert ended == {OLD, NEW}


def test_frames_of_an_earlier_transfer_do_nothing_to_a_later_one():
    controller = _with_old()
    kept: list[bytes] = []

    def keep(_index: int, data: bytes) -> list[bytes]:
        kept.append(data)
        return [data]

    assert Line(controller, to_controller=keep).run(_upload(OLD)).error is None
    stale = b"".join(kept)

    def with_stale(index: int, data: bytes) -> list[bytes]:
        return [stale + data] if index == 6 else [data]

    outcome = Line(controller, to_controller=with_stale).run(_upload(NEW))
    controller.start()

    _assert_true(outcome.inside, _in_use(controller), OLD)


def test_a_slow_sender_and_a_slow_erase_are_waited_for():
    controller = Controller(MACHINE)
    controller.set_line(room=1, busy=40)
    outcome = Line(controller).run(_upload(NEW))

    assert (outcome.error, outcome.data) == (None, NEW)


def test_an_erase_that_never_ends_is_given_up():
    controller = _with_old()
    controller.set_line(busy=10_000_000)
    line = Line(controller)
    outcome = line.run(_upload(NEW), limit_ms=60_000)

    assert outcome.error is not None
    assert outcome.inside is Inside.OLD
    assert line.now_ms < 60_000


def test_values_that_nobody_confirms_never_go_into_use():
    controller = _with_old()
    outcome = Line(controller).run(_upload(NEW), confirm=False)

    assert "not confirmed" in outcome.error
    assert outcome.inside is Inside.OLD
    assert controller.start() == IN_USE
    assert _in_use(controller) == OLD


def test_the_first_table_ever_that_is_given_up_leaves_none():
    controller = Controller(MACHINE)
    outcome = Line(controller).run(_upload(NEW), confirm=False)

    assert outcome.inside is Inside.NONE
    assert controller.start() == NONE


def test_a_table_that_is_stored_but_was_not_put_into_use_is_no_success():
    """One failed flash read after the commit: store and read-back are right, the live table is none."""

    def not_in_use(_index: int, data: bytes) -> list[bytes]:
        frame, *rest = FrameReceiver().feed(data)
        content = frame.content
        committed = frame.kind == Kind.IDENTIFY + ANSWER and parse_identity(parse_answer(content).content).sequence == 2
        if rest or not committed:
            return [data]
        presence_at = 6 + 16 + 16 + 7
        changed = content[:presence_at] + bytes([TablePresence.DAMAGED]) + content[presence_at + 1 :]
        return [encode_frame(replace(frame, content=changed))]

    outcome = Line(_with_old(), to_pc=not_in_use).run(_upload(NEW))

    assert outcome.error is not None
    assert "has not put it into use" in outcome.error
    assert outcome.after.presence is TablePresence.DAMAGED


def test_the_line_without_faults_changes_nothing_on_the_way():
    assert clean(1, b"x") == [b"x"]
