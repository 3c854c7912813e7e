"""The link where question and moment meet rarely: each says what the controller answers and what stays as it was."""

from __future__ import annotations

import hashlib
import random
import struct
import zlib
from dataclasses import replace

import hand_table
import pytest
from branch_library import Handled
from link_library import KEY, NOT_TAKEN, STOPS, Line
from make_table import random_table
from oracle_words import ENABLING, RESET

from mapper.law import STATES
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.message import (
    Answer,
    Kind,
    Result,
    begin_content,
    block_content,
    parse_answer,
    parse_identity,
    parse_read,
    read_content,
    transfer_content,
)
from mapper.link.transfer import upload_machine
from mapper.table import encode_table

MACHINE = "bench-1"
TABLE = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE))
BY_HAND = encode_table(replace(hand_table.table(hand_table.follow_joint(stall_ticks=60_000)), machine_id=MACHINE))
ID = 77
MIDDLE = [500] * 64


class Talk:
    """Questions with no poll and no tick between them, unless the test makes one."""

    def __init__(self, table: bytes | None = None) -> None:
        self.controller = Handled(MACHINE)
        self.now_ms = 1000
        self._receiver = FrameReceiver()
        if table is not None:
            line = Line(self.controller)
            assert line.run(upload_machine(table, 5, 5)).error is None
            self.now_ms = line.now_ms

    def poll(self) -> None:
        self.now_ms += 1
        self.controller.exchange(b"", self.now_ms)

    def ask(self, kind: int, content: bytes = b"") -> Answer:
        data = self.controller.offer(encode_frame(Frame(kind=kind, tag=9, content=content)))
        frames = self._receiver.feed(data)
        assert len(frames) == 1
        self.controller.check()
        return parse_answer(frames[0].content)

    def begin(self, data: bytes = TABLE, block_bytes: int = 256, crc: int | None = None, length: int = 0) -> Answer:
        sum_of = zlib.crc32(data) if crc is None else crc
        content = begin_content(ID, data[: length or len(data)], sum_of, hashlib.sha256(data).digest(), block_bytes)
        return self.ask(Kind.BEGIN, content)

    def erased(self, data: bytes = TABLE, block_bytes: int = 256) -> None:
        """Up to the first block."""
        assert self.begin(data, block_bytes).result == Result.WAIT
        for _ in range(5):
            self.poll()
        assert self.begin(data, block_bytes).result == Result.OK

    def put(self, data: bytes = TABLE) -> None:
        """Up to finish."""
        self.erased(data)
        for number, at in enumerate(range(0, len(data), 256)):
            assert self.ask(Kind.BLOCK, block_content(ID, number, data[at : at + 256])).result == Result.OK

    def to_matching(self) -> None:
        """By the buttons alone, as an operator does it; ticks of the table by hand."""
        for digital in (STOPS, STOPS, STOPS, STOPS | RESET, STOPS | RESET, STOPS, STOPS | ENABLING):
            self.controller.tick(digital, MIDDLE, 10_000)
        assert STATES[self.controller.law_state] == "matching"


def test_a_status_in_motion_says_so():
    talk = Talk(BY_HAND)
    talk.to_matching()
    identity = parse_identity(talk.ask(Kind.IDENTIFY).content)

    assert (identity.enable, identity.standstill, identity.key) == (True, False, False)


def test_a_block_that_comes_after_the_start_of_motion_ends_the_transfer():
    """INV-LINK-2, with no poll between the ticks and the message: the message itself looks."""
    talk = Talk(BY_HAND)
    talk.erased()
    talk.to_matching()
    answer = talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256]))

    assert answer.result == Result.MOVING
    assert talk.controller.phase == 0
    again = talk.ask(Kind.READ, read_content(ID, 0, 64, fresh=True))
    assert (again.result, again.field) == (Result.NO_TRANSFER, 2), "dropped: not at standstill"


def test_a_block_that_comes_after_the_key_was_turned_off_ends_the_transfer():
    talk = Talk()
    talk.erased()
    talk.controller.tick(STOPS)
    operations = talk.controller.operations
    answer = talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256]))

    assert answer.result == Result.KEY_OFF
    assert (talk.controller.phase, talk.controller.operations) == (0, operations)
    talk.controller.tick(STOPS | KEY)
    again = talk.ask(Kind.FINISH, transfer_content(ID))
    assert (again.result, again.field) == (Result.NO_TRANSFER, 1), "dropped: key off"


@pytest.mark.parametrize(
    "changed",
    [{"block_bytes": 128}, {"length": len(TABLE) - 1}, {"crc": 1}],
    ids=["block size", "length", "CRC"],
)
def test_a_begin_that_announces_something_else_is_no_repeat(changed):
    """INV-LINK-5 is for the same question: another one starts from the first erase, whatever its number."""
    talk = Talk()
    talk.erased()
    assert talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256])).result == Result.OK

    assert talk.begin(**changed).result == Result.WAIT
    assert talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256])).result == Result.WAIT, "erasing anew"


def test_a_block_before_the_erase_is_done_is_to_wait_and_is_not_written():
    talk = Talk()
    assert talk.begin().result == Result.WAIT

    assert talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256])).result == Result.WAIT
    assert talk.controller.operations == 0


def test_a_finish_before_the_erase_is_done_is_to_wait():
    talk = Talk()
    assert talk.begin().result == Result.WAIT

    assert talk.ask(Kind.FINISH, transfer_content(ID)).result == Result.WAIT
    assert talk.controller.phase == 1


def test_a_block_that_comes_again_after_finish_is_answered_and_not_written():
    talk = Talk()
    talk.put()
    assert talk.ask(Kind.FINISH, transfer_content(ID)).result == Result.OK
    operations = talk.controller.operations

    assert talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256])).result == Result.OK
    assert talk.controller.operations == operations


def test_a_table_that_flash_does_not_give_back_is_not_taken():
    """INV-LINK-3: what counts is what the controller reads back."""
    talk = Talk()
    talk.put()
    talk.controller.fail_reads(True)
    answer = talk.ask(Kind.FINISH, transfer_content(ID))

    assert (answer.result, answer.detail) == (Result.STORE_FAILED, 2)
    talk.controller.fail_reads(False)
    refused = talk.ask(Kind.COMMIT, transfer_content(ID))
    assert (refused.result, refused.field) == (Result.NO_TRANSFER, 5), "dropped: refused by finish"


def test_a_block_that_flash_does_not_take_ends_the_transfer():
    talk = Talk()
    talk.erased()
    talk.controller.fail_programs(True)
    answer = talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256]))

    assert (answer.result, answer.detail) == (Result.STORE_FAILED, 2)
    talk.controller.fail_programs(False)
    refused = talk.ask(Kind.BLOCK, block_content(ID, 0, TABLE[:256]))
    assert (refused.result, refused.field) == (Result.NO_TRANSFER, 4), "dropped: flash"


def test_a_commit_that_flash_does_not_take_leaves_the_table_from_before():
    talk = Talk(BY_HAND)
    talk.put()
    assert talk.ask(Kind.FINISH, transfer_content(ID)).result == Result.OK
    talk.controller.fail_programs(True)
    answer = talk.ask(Kind.COMMIT, transfer_content(ID))

    assert (answer.result, answer.detail) == (Result.STORE_FAILED, 2)
    talk.controller.fail_programs(False)
    talk.controller.start(MACHINE)
    assert parse_read(talk.ask(Kind.READ, read_content(1, 0, 64, fresh=False)).content) == (1, 0, BY_HAND[:64])


def test_a_read_that_flash_fails_brings_no_bytes():
    talk = Talk(TABLE)
    talk.controller.fail_reads(True)
    answer = talk.ask(Kind.READ, read_content(1, 0, 64, fresh=False))

    assert (answer.result, answer.detail, answer.content) == (Result.STORE_FAILED, 2, b"")
    talk.controller.fail_reads(False)
    assert parse_read(talk.ask(Kind.READ, read_content(1, 0, 64, fresh=False)).content) == (1, 0, TABLE[:64])


def test_transfer_number_0_commits_nothing_even_where_none_was_committed():
    """0 stands for `none` in the controller: it must not match itself."""
    assert Talk().ask(Kind.COMMIT, transfer_content(0)).result == Result.NO_TRANSFER
    assert Talk(TABLE).ask(Kind.COMMIT, transfer_content(0)).result == Result.NO_TRANSFER


def test_a_store_whose_numbers_are_used_up_refuses_a_begin_by_name():
    """The last sequence number there is, in flash with right CRCs (header and marks as the store writes them)."""
    talk = Talk()
    last = 0xFFFFFFFF
    head = struct.pack(
        "<IHHIII32sQ", 0x44484254, 1, 0, last, len(TABLE), zlib.crc32(TABLE), hashlib.sha256(TABLE).digest(), 0
    )
    head += struct.pack("<I", zlib.crc32(head))
    marks = b""
    for magic in (0x4D434254, 0x54534254):
        body = struct.pack("<IHHI4s12x", magic, 1, 0, last, head[-4:])
        marks += body + struct.pack("<I", zlib.crc32(body))
    talk.controller.write_flash(0, (head + TABLE).ljust(8192 - 64, b"\xff") + marks)
    talk.controller.start_again()
    identity = parse_identity(talk.ask(Kind.IDENTIFY).content)
    assert identity.sequence == last

    answer = talk.begin()
    assert (answer.result, answer.detail) == (Result.STORE_FAILED, 6)
    assert talk.controller.phase == 0


@pytest.mark.parametrize(
    ("firmware", "told"), [("", ""), ("1.2", "1.2"), ("0123456789abcdef", "0123456789abcdef"), ("x" * 300, "x" * 16)]
)
def test_of_a_long_firmware_name_the_first_sixteen_signs_are_told(firmware, told):
    talk = Talk()
    talk.controller.start_again(firmware)

    assert parse_identity(talk.ask(Kind.IDENTIFY).content).firmware == told


def test_a_table_for_another_machine_in_the_store_is_not_taken_at_start():
    talk = Talk(TABLE)

    assert talk.controller.start("bench-2") == NOT_TAKEN
    assert talk.controller.tick()[2:] == (0, 0)
