"""What the controller answers, question by question, on the unmodified core (INV-LINK and INV-CTRL)."""

from __future__ import annotations

import hashlib
import random
import struct
import zlib
from dataclasses import replace

import pytest
from link_library import IN_USE, KEY, NONE, NOT_TAKEN, STOPS, Controller, Line
from make_table import random_table

from mapper.law import STATES
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.message import (
    ANSWER,
    Answer,
    Kind,
    Result,
    TablePresence,
    begin_content,
    block_content,
    parse_answer,
    parse_identity,
    parse_read,
    read_content,
    refusal,
    transfer_content,
)
from mapper.link.transfer import upload_machine
from mapper.table import encode_table

MACHINE = "bench-1"
TABLE = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE))
OTHER = encode_table(replace(random_table(random.Random(2), 2), machine_id="bench-2"))
ID = 77


class Talk:
    """One controller and the time; asks and gets the one answer."""

    def __init__(self, table: bytes | None = None) -> None:
        self.controller = Controller(MACHINE)
        self.now_ms = 1000
        self._receiver = FrameReceiver()
        if table is not None:
            line = Line(self.controller)
            assert line.run(upload_machine(table, 5, 5)).error is None
            self.now_ms = line.now_ms

    def send(self, data: bytes) -> list[Frame]:
        self.now_ms += 1
        return self._receiver.feed(self.controller.exchange(data, self.now_ms))

    def ask(self, kind: int, content: bytes = b"", protocol: int = 1) -> Answer:
        frames = self.send(encode_frame(Frame(kind=kind, tag=9, content=content, protocol=protocol)))
        assert [(frame.kind, frame.tag, frame.protocol) for frame in frames] == [(kind + ANSWER, 9, 1)]
        self.controller.check()
        return parse_answer(frames[0].content)

    def begin(self, data: bytes = TABLE, transfer: int = ID, block_bytes: int = 256, **changed: object) -> Answer:
        values = {"crc": zlib.crc32(data), "digest": hashlib.sha256(data).digest()} | changed
        content = begin_content(transfer, data, values["crc"], values["digest"], block_bytes)
        for _ in range(20):
            answer = self.ask(Kind.BEGIN, content)
            if answer.result != Result.WAIT:
                break
        return answer

    def blocks(self, data: bytes = TABLE, transfer: int = ID, block_bytes: int = 256) -> list[int]:
        return [
            self.ask(Kind.BLOCK, block_content(transfer, number, data[at : at + block_bytes])).result
            for number, at in enumerate(range(0, len(data), block_bytes))
        ]

    def put(self, data: bytes, **changed: object) -> Answer:
        """Begin, all blocks, finish."""
        assert self.begin(data, **changed).result == Result.OK
        assert set(self.blocks(data)) == {Result.OK}
        return self.ask(Kind.FINISH, transfer_content(ID))


def test_who_it_is_without_a_table():
    identity = parse_identity(Talk().ask(Kind.IDENTIFY).content)

    assert (identity.machine_id, identity.firmware, identity.digest) == (MACHINE, "test", "")
    assert (identity.presence, identity.sequence, identity.key) == (TablePresence.NONE, 0, True)
    assert identity.table_bytes_max >= 8000
    assert (identity.block_bytes_max, identity.window) == (352, 16)
    assert STATES[identity.state] == "powering_up"
    assert identity.standstill
    assert not identity.enable


def test_who_it_is_with_a_table():
    identity = parse_identity(Talk(TABLE).ask(Kind.IDENTIFY).content)

    assert identity.presence is TablePresence.IN_USE
    assert identity.digest == hashlib.sha256(TABLE).hexdigest()[:16]
    assert (identity.table_bytes, identity.table_crc, identity.sequence) == (len(TABLE), zlib.crc32(TABLE), 1)


@pytest.mark.parametrize("kind", [9, 60, 127])
def test_an_unknown_question_is_answered_by_name(kind):
    assert Talk().ask(kind, b"abc").result == Result.UNKNOWN_KIND


@pytest.mark.parametrize("kind", [0, 128, 129, 255])
def test_what_is_no_question_gets_no_answer(kind):
    assert Talk().send(encode_frame(Frame(kind=kind, tag=1, content=b""))) == []


@pytest.mark.parametrize("protocol", [0, 2, 255])
def test_another_protocol_is_refused_and_told_ours(protocol):
    assert Talk().ask(Kind.IDENTIFY, protocol=protocol).result == Result.OTHER_PROTOCOL


@pytest.mark.parametrize("kind", list(Kind))
def test_a_question_of_a_wrong_length_is_refused(kind):
    talk = Talk()
    right = {Kind.BEGIN: 48, Kind.FINISH: 4, Kind.COMMIT: 4, Kind.READ: 8, Kind.ABORT: 4, Kind.BLOCK: 9}.get(kind, 0)

    assert talk.ask(kind, bytes(366)).result == Result.BAD_LENGTH
    if right:
        assert talk.ask(kind, bytes(right - 1)).result == Result.BAD_LENGTH


def test_the_whole_way_step_by_step():
    talk = Talk()

    assert talk.put(TABLE).result == Result.OK
    read = talk.ask(Kind.READ, read_content(ID, 1, 256, fresh=True))
    assert parse_read(read.content) == (ID, 1, TABLE[256:512])
    assert parse_identity(talk.ask(Kind.IDENTIFY).content).presence is TablePresence.NONE, (
        "not in use before the commit"
    )
    assert talk.ask(Kind.COMMIT, transfer_content(ID)).content == struct.pack("<I", 1)
    assert parse_identity(talk.ask(Kind.IDENTIFY).content).presence is TablePresence.IN_USE
    read = talk.ask(Kind.READ, read_content(1, 0, 64, fresh=False))
    assert parse_read(read.content) == (1, 0, TABLE[:64])


def test_every_step_asked_twice_does_no_second_thing():
    """INV-LINK-5."""
    talk = Talk()
    talk.begin()
    before = talk.controller.operations

    assert talk.begin().result == Result.OK
    assert talk.controller.operations == before, "no second erase"
    assert talk.blocks() == [Result.OK] * len(talk.blocks())
    written = talk.controller.operations
    assert set(talk.blocks()) == {Result.OK}
    assert talk.controller.operations == written, "no unit is programmed twice"
    assert talk.ask(Kind.FINISH, transfer_content(ID)).result == Result.OK
    assert talk.ask(Kind.FINISH, transfer_content(ID)).result == Result.OK
    first = talk.ask(Kind.COMMIT, transfer_content(ID))
    committed = talk.controller.operations
    assert talk.ask(Kind.COMMIT, transfer_content(ID)) == first
    assert talk.controller.operations == committed


def test_begin_with_another_table_of_the_same_length_is_no_repeat():
    """Same transfer, length and CRC (over a table that ends in its own CRC it is one number): the digest tells."""
    talk = Talk()
    other = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE, revision=4711))
    assert (len(other), zlib.crc32(other)) == (len(TABLE), zlib.crc32(TABLE))
    talk.begin(TABLE)
    assert set(talk.blocks(TABLE)) == {Result.OK}

    assert talk.put(other).result == Result.OK
    assert talk.ask(Kind.COMMIT, transfer_content(ID)).result == Result.OK
    read = talk.ask(Kind.READ, read_content(1, 0, 64, fresh=False))
    assert parse_read(read.content) == (1, 0, other[:64])


def test_blocks_may_come_in_any_order():
    talk = Talk()
    talk.begin(block_bytes=64)
    numbers = list(range(-(-len(TABLE) // 64)))
    random.Random(1).shuffle(numbers)
    for number in numbers:
        part = TABLE[64 * number : 64 * number + 64]
        assert talk.ask(Kind.BLOCK, block_content(ID, number, part)).result == Result.OK

    assert talk.ask(Kind.FINISH, transfer_content(ID)).result == Result.OK


def test_finish_names_the_first_block_that_is_missing():
    talk = Talk()
    talk.begin(block_bytes=64)
    for number in (0, 1, 3):
        talk.ask(Kind.BLOCK, block_content(ID, number, TABLE[64 * number : 64 * number + 64]))
    answer = talk.ask(Kind.FINISH, transfer_content(ID))

    assert (answer.result, answer.field) == (Result.INCOMPLETE, 2)
    assert talk.ask(Kind.COMMIT, transfer_content(ID)).result == Result.INCOMPLETE


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"block_bytes": 0}, Result.BAD_BLOCK),
        ({"block_bytes": 48}, Result.BAD_BLOCK),
        ({"block_bytes": 384}, Result.BAD_BLOCK),
        ({"transfer": 0}, Result.BAD_BLOCK),
        ({"data": b""}, Result.TOO_LONG),
        ({"data": b"x" * 9000}, Result.TOO_LONG),
        ({"data": b"x" * 8193, "block_bytes": 32}, Result.TOO_LONG),
    ],
)
def test_begin_refuses_what_cannot_work_and_opens_nothing(changed, expected):
    talk = Talk()

    assert talk.begin(**changed).result == expected
    assert talk.controller.phase == 0
    assert talk.controller.operations == 0


@pytest.mark.parametrize(
    "content",
    [
        block_content(ID, 99, b"x" * 256),
        block_content(ID, 0, b"x" * 255),
        struct.pack("<IHH", ID, 0, 256) + b"x" * 255,
        struct.pack("<IHH", ID, 0, 0) + b"x",
        struct.pack("<IHH", ID, 65535, 65535) + b"x" * 256,
    ],
)
def test_a_block_with_a_wrong_number_or_length_is_refused_and_not_written(content):
    talk = Talk()
    talk.begin()
    before = talk.controller.operations

    assert talk.ask(Kind.BLOCK, content).result == Result.BAD_BLOCK
    assert talk.controller.operations == before


@pytest.mark.parametrize("kind", [Kind.FINISH, Kind.COMMIT])
def test_another_transfer_than_the_open_one_is_refused(kind):
    talk = Talk()
    talk.begin()

    assert talk.ask(kind, transfer_content(ID + 1)).result == Result.NO_TRANSFER
    assert talk.ask(Kind.BLOCK, block_content(ID + 1, 0, TABLE[:256])).result == Result.NO_TRANSFER


@pytest.mark.parametrize("at", [0, 100, 300, len(TABLE) - 1])
def test_data_that_was_changed_on_the_way_is_found_by_the_controller(at):
    talk = Talk(TABLE)
    broken = TABLE[:at] + bytes([TABLE[at] ^ 1]) + TABLE[at + 1 :]
    answer = talk.put(broken, crc=zlib.crc32(TABLE), digest=hashlib.sha256(TABLE).digest())

    assert answer.result == Result.WRONG_CRC
    assert talk.ask(Kind.COMMIT, transfer_content(ID)).result == Result.NO_TRANSFER


def test_another_table_with_its_own_right_crc_is_found_by_its_digest():
    """A table ends in its own CRC, so the CRC over all of it is the same for every table: the digest tells."""
    talk = Talk()
    twin = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE, revision=4242))
    assert zlib.crc32(twin) == zlib.crc32(TABLE)

    assert talk.put(twin, digest=hashlib.sha256(TABLE).digest()).result == Result.WRONG_DIGEST


def test_a_table_for_another_machine_is_refused_by_the_controller_itself():
    talk = Talk(TABLE)
    answer = talk.put(OTHER)

    assert (answer.result, answer.detail, answer.section) == (Result.TABLE_REFUSED, 8, 0xFFFF)
    identity = parse_identity(talk.ask(Kind.IDENTIFY).content)
    assert identity.digest == hashlib.sha256(TABLE).hexdigest()[:16]
    assert identity.presence is TablePresence.IN_USE


def test_a_value_out_of_its_range_is_refused_with_section_and_field():
    """Right CRC, right digest, wrong value: the controller looks by itself. Header field 2: the header's length."""
    talk = Talk(TABLE)
    broken = bytearray(TABLE)
    broken[6] ^= 1
    broken[-4:] = zlib.crc32(broken[:-4]).to_bytes(4, "little")
    answer = talk.put(bytes(broken))

    assert answer.result == Result.TABLE_REFUSED
    assert (answer.section, answer.field) == (0xFFFF, 2)


def test_a_refused_table_leaves_the_law_and_its_table_as_they_were():
    """INV-CTRL-4."""
    talk = Talk(TABLE)
    for _ in range(5):
        talk.controller.tick()
    law = talk.controller.law_bytes()
    talk.put(OTHER)

    assert talk.controller.law_bytes() == law
    assert talk.controller.start() == IN_USE


@pytest.mark.parametrize("state", ["matching", "running", "stopping"])
def test_nothing_is_taken_unless_at_standstill(state):
    talk = Talk(TABLE)
    talk.begin()
    talk.controller.force_state(STATES.index(state))
    steps = [
        talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256])).result,
        talk.begin().result,
        talk.ask(Kind.FINISH, transfer_content(ID)).result,
        talk.ask(Kind.COMMIT, transfer_content(ID)).result,
    ]

    assert set(steps) <= {Result.MOVING, Result.NO_TRANSFER}
    assert talk.controller.phase == 0


@pytest.mark.parametrize("state", ["powering_up", "stopped", "emergency_stop", "fault"])
def test_a_table_is_taken_in_every_state_in_which_nothing_may_move(state):
    talk = Talk(TABLE)
    talk.controller.force_state(STATES.index(state))

    assert talk.begin().result == Result.OK


def test_nothing_is_taken_with_the_key_off_and_what_was_open_is_dropped():
    talk = Talk()
    talk.begin()
    talk.controller.tick(digital=STOPS)

    assert talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256])).result in (Result.KEY_OFF, Result.NO_TRANSFER)
    assert talk.begin().result == Result.KEY_OFF
    talk.controller.tick(digital=STOPS | KEY)
    answer = talk.ask(Kind.FINISH, transfer_content(ID))
    assert (answer.result, answer.field) == (Result.NO_TRANSFER, 1)


def test_before_the_first_tick_the_key_counts_as_off():
    talk = Talk()
    talk.controller.core.link_bench_start(talk.controller._block, MACHINE.encode().ljust(16, b"\0"), 0)

    assert talk.begin().result == Result.KEY_OFF


@pytest.mark.parametrize(("wait_ms", "kept"), [(4900, True), (5200, False)])
def test_a_transfer_that_nobody_goes_on_with_is_dropped_at_its_deadline(wait_ms, kept):
    """INV-LINK-6."""
    talk = Talk()
    talk.begin()
    talk.now_ms += wait_ms
    talk.send(b"")

    assert (talk.controller.phase != 0) == kept
    assert talk.ask(Kind.FINISH, transfer_content(ID)).field == (0 if kept else 3)


def test_a_transfer_kept_alive_for_ever_is_dropped_too():
    talk = Talk()
    talk.begin()
    for _ in range(60):
        talk.now_ms += 2500
        talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256]))

    assert talk.controller.phase == 0


@pytest.mark.parametrize(("wait_ms", "expected"), [(590_000, Result.OK), (610_000, Result.NO_TRANSFER)])
def test_a_person_has_ten_minutes_to_confirm(wait_ms, expected):
    talk = Talk()
    talk.put(TABLE)
    talk.now_ms += wait_ms
    talk.send(b"")

    assert talk.ask(Kind.COMMIT, transfer_content(ID)).result == expected


def test_deadlines_hold_while_the_clock_wraps():
    talk = Talk()
    talk.now_ms = 2**32 - 2000
    talk.begin()
    talk.now_ms += 4000

    assert talk.blocks() == [Result.OK] * len(talk.blocks())


def test_abort_ends_the_transfer_and_changes_nothing():
    talk = Talk(TABLE)
    talk.put(TABLE)

    assert talk.ask(Kind.ABORT, transfer_content(ID + 1)).result == Result.OK
    assert talk.controller.phase != 0
    assert talk.ask(Kind.ABORT, transfer_content(ID)).result == Result.OK
    assert talk.ask(Kind.COMMIT, transfer_content(ID)).result == Result.NO_TRANSFER
    assert parse_identity(talk.ask(Kind.IDENTIFY).content).sequence == 1


def test_a_commit_before_finish_is_refused():
    talk = Talk()
    talk.begin()
    talk.blocks()

    assert talk.ask(Kind.COMMIT, transfer_content(ID)).result == Result.INCOMPLETE
    assert talk.controller.start() == NONE


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (read_content(1, 9999, 256, fresh=False), Result.BAD_BLOCK),
        (read_content(2, 0, 256, fresh=False), Result.OTHER_RECORD),
        (struct.pack("<IHBB", 1, 0, 0, 0), Result.BAD_BLOCK),
        (struct.pack("<IHBB", 1, 0, 12, 0), Result.BAD_BLOCK),
        (struct.pack("<IHBB", 1, 0, 8, 2), Result.BAD_BLOCK),
        (read_content(ID, 0, 256, fresh=True), Result.NO_TRANSFER),
    ],
)
def test_a_read_of_what_is_not_there_is_refused(content, expected):
    assert Talk(TABLE).ask(Kind.READ, content).result == expected


def test_a_read_without_a_table_is_refused():
    assert Talk().ask(Kind.READ, read_content(0, 0, 256, fresh=False)).result == Result.NO_TABLE


def test_the_table_of_another_machine_in_flash_is_not_taken_at_start_and_nothing_moves():
    """The flash board moved into another machine."""
    talk = Talk(TABLE)

    assert talk.controller.start("bench-9") == NOT_TAKEN
    identity = parse_identity(talk.ask(Kind.IDENTIFY).content)
    assert identity.presence is TablePresence.NOT_TAKEN
    for digital in (3, 7, 15, 63):
        assert talk.controller.tick(digital) == (0, 0, 0, 0)


def test_without_a_table_every_output_is_zero_whatever_comes_in():
    """INV-CTRL-1."""
    controller = Controller(MACHINE)
    rng = random.Random(1)
    outputs = {controller.tick(rng.randrange(64), [rng.randrange(65536) for _ in range(64)]) for _ in range(500)}

    assert outputs == {(0, 0, 0, 0)}


def test_no_message_changes_the_law_or_a_count_but_a_commit():
    """INV-LINK-1: 4,000 questions of every kind, at random; the law's whole state stays bit for bit."""
    talk = Talk(TABLE)
    for _ in range(3):
        talk.controller.tick()
    law = talk.controller.law_bytes()
    rng = random.Random(6)
    for _ in range(4000):
        kind = rng.choice([*(int(kind) for kind in Kind if kind is not Kind.COMMIT), rng.randrange(256)])
        if kind == Kind.COMMIT:
            continue
        length = rng.choice([0, 4, 8, 9, 48, rng.randrange(367)])
        talk.send(encode_frame(Frame(kind=kind, tag=rng.randrange(65536), content=rng.randbytes(length))))

    assert talk.controller.law_bytes() == law
    talk.controller.check()


def test_random_bytes_on_the_line_change_nothing_and_every_question_after_them_is_answered():
    talk = Talk(TABLE)
    law = talk.controller.law_bytes()
    rng = random.Random(7)
    for _ in range(300):
        talk.send(rng.randbytes(rng.randrange(1, 900)))
        assert talk.send(b"\0" + encode_frame(Frame(kind=1, tag=3, content=b""))) != []

    assert talk.controller.law_bytes() == law
    talk.controller.check()


def test_after_a_commit_the_law_starts_anew_and_nothing_moves():
    talk = Talk(TABLE)
    talk.controller.force_state(STATES.index("stopped"))
    talk.put(TABLE)
    talk.ask(Kind.COMMIT, transfer_content(ID))

    assert STATES[talk.controller.law_state] == "powering_up"
    assert talk.controller.tick()[2:] == (0, 0)


def test_answers_wait_for_the_line_and_no_question_is_lost_meanwhile():
    """INV-LINK-4: a sender that takes three bytes at a time."""
    talk = Talk(TABLE)
    talk.controller.set_line(room=3)
    asked = b"".join(encode_frame(Frame(kind=1, tag=tag, content=b"")) for tag in range(40))

    assert [frame.tag for frame in talk.send(asked)] == list(range(40))


def test_rot_of_the_table_in_use_is_told_and_nothing_moves():
    talk = Talk(TABLE)
    talk.controller.flip(64 + 100, 0x04)
    talk.controller.start()
    identity = parse_identity(talk.ask(Kind.IDENTIFY).content)

    assert identity.presence is TablePresence.DAMAGED
    assert talk.controller.tick(63) == (0, 0, 0, 0)
    assert talk.put(TABLE).result == Result.OK


@pytest.mark.parametrize(
    ("why", "remedy"),
    [
        (0, "lost its power"),
        (1, "service key on"),
        (2, "standstill"),
        (3, "cable"),
        (4, "replace the controller"),
        (5, "why it refuses"),
        (99, "upload again"),
    ],
)
def test_a_dropped_transfer_is_told_with_what_helps_against_its_cause(why, remedy):
    answer = Answer(result=Result.NO_TRANSFER, detail=0, section=0, field=why, content=b"")

    assert remedy in refusal(Kind.BLOCK, answer)[1]


def test_a_begin_of_a_transfer_that_was_committed_opens_nothing():
    """INV-LINK-5: one that comes late erases nothing and drops no other transfer."""
    talk = Talk()
    talk.put(TABLE)
    talk.ask(Kind.COMMIT, transfer_content(ID))
    operations = talk.controller.operations
    answer = talk.begin()

    assert (answer.result, answer.field) == (Result.NO_TRANSFER, 7)
    assert talk.controller.operations == operations
    assert talk.controller.phase == 0
    assert talk.begin(transfer=ID + 1).result == Result.OK
    assert talk.begin().result == Result.NO_TRANSFER
    assert set(talk.blocks(transfer=ID + 1)) == {Result.OK}
