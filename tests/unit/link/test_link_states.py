"""What the law's real states allow the link, and what an upload does to them: the worked arm's table on the unmodified
controller, ticked from power-up to running by the inputs that an operator gives.
"""

from __future__ import annotations

import functools
import hashlib
import zlib

import numpy as np
import pytest
from link_library import Controller
from link_tables import kerb_table

from mapper.check.law.pilot import HEALTHY, HELD, Pilot, Running
from mapper.law import INPUT_BITS, STATES, load_core
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.message import (
    ANSWER,
    Answer,
    Kind,
    Result,
    begin_content,
    block_content,
    parse_answer,
    table_machine_id,
    transfer_content,
)
from mapper.table import decode_table
from mapper.table.table import MachineTable

KEY = INPUT_BITS["key"]
RESET = INPUT_BITS["reset"]
ID = 321


@functools.cache
def _machine() -> MachineTable:
    return decode_table(kerb_table()).machine


@functools.cache
def _running() -> Running:
    return Pilot(decode_table(kerb_table()), load_core().table(kerb_table())).running()


class Arm:
    """A controller with the worked arm's table in use, its operator, and the PC on its line."""

    def __init__(self) -> None:
        self.controller = Controller(table_machine_id(kerb_table()))
        self.counts = np.array(_running().rest_row[2:66])
        self.now_ms = 1000
        self.state = STATES[0]
        self.drives = 0
        self.tick(HEALTHY | KEY)
        assert self.put(kerb_table()) is Result.OK
        assert self.ask(Kind.COMMIT, transfer_content(ID)).result == Result.OK

    def tick(self, digital: int, ticks: int = 1, until: int = -1) -> str:
        state, _, enable, driven = self.controller.ticks(digital, self.counts, _machine().tick_us, ticks, until)
        self.state = STATES[state]
        self.drives += driven
        assert enable == (self.state in ("matching", "running", "stopping"))
        return self.state

    def until(self, digital: int, state: str, most: int = 5000) -> None:
        assert self.tick(digital, most, STATES.index(state)) == state

    def ready(self) -> None:
        """Stopped, reset pressed and let go: the enabling device would start it."""
        self.until(HEALTHY, "stopped")
        self.tick(HEALTHY | RESET, _machine().reset_min_ticks)
        self.tick(HEALTHY, 3)

    def bring_to(self, state: str) -> None:
        if state == "powering_up":
            return
        if state == "emergency_stop":
            self.until(HEALTHY, "stopped")
            self.until(0, state)
            return
        self.ready()
        if state == "fault":
            self.controller.tick(HEALTHY, self.counts, 2 * _machine().tick_us + _machine().late_us + 1)
            self.state = STATES[self.controller.law_state]
            return
        if state == "stopped":
            return
        self.until(HELD, "matching")
        if state != "matching":
            self.until(HELD, "running")
        if state == "stopping":
            self.until(HEALTHY | KEY, "stopping", 1)

    def move_operator(self, goal: np.ndarray) -> None:
        """To those counts, slowly enough for the sensors to be believed; nothing is pressed."""
        begin = self.counts
        for step in range(1, 401):
            self.counts = begin + (goal - begin) * step // 400
            self.tick(HEALTHY)

    def ask(self, kind: Kind, content: bytes) -> Answer:
        self.now_ms += 1
        data = encode_frame(Frame(kind=kind, tag=9, content=content))
        frames = FrameReceiver().feed(self.controller.exchange(data, self.now_ms))
        assert [(frame.kind, frame.tag) for frame in frames] == [(kind + ANSWER, 9)]
        self.controller.check()
        return parse_answer(frames[0].content)

    def begin(self, transfer: int = ID) -> Result:
        content = begin_content(
            transfer, kerb_table(), zlib.crc32(kerb_table()), hashlib.sha256(kerb_table()).digest(), 352
        )
        answers = (self.ask(Kind.BEGIN, content).result for _ in range(20))
        return Result(next((result for result in answers if result != Result.WAIT), Result.WAIT))

    def put(self, data: bytes, transfer: int = ID) -> Result:
        begun = self.begin(transfer)
        if begun is not Result.OK:
            return begun
        for number, at in enumerate(range(0, len(data), 352)):
            self.ask(Kind.BLOCK, block_content(transfer, number, data[at : at + 352]))
        return Result(self.ask(Kind.FINISH, transfer_content(transfer)).result)


def test_the_operator_of_these_tests_gets_the_arm_running():
    arm = Arm()
    arm.bring_to("running")

    assert arm.state == "running"


@pytest.mark.parametrize("state", ["matching", "running", "stopping"])
def test_an_upload_is_refused_while_anything_may_move_also_with_the_key_on(state):
    """The states are reached by the operator's inputs, not forced; the key is turned on in the last tick."""
    arm = Arm()
    arm.bring_to(state)
    operations = arm.controller.operations
    if state != "stopping":  # with no joint in motion it lasts a tick: the key was on in it
        arm.tick(HELD | KEY)
    assert arm.state == state
    law = arm.controller.law_bytes()

    assert arm.begin(ID + 1) is Result.MOVING
    assert arm.controller.law_bytes() == law
    assert arm.controller.operations == operations
    assert arm.controller.phase == 0


@pytest.mark.parametrize("state", ["powering_up", "stopped", "emergency_stop", "fault"])
def test_at_standstill_the_key_decides(state):
    arm = Arm()
    arm.bring_to(state)
    stops = 0 if state == "emergency_stop" else HEALTHY
    assert arm.state == state
    arm.tick(stops)

    assert arm.state == state
    assert arm.begin(ID + 1) is Result.KEY_OFF
    arm.tick(stops | KEY)
    assert arm.state == state
    assert arm.put(kerb_table(), ID + 1) is Result.OK


def test_motion_that_begins_during_a_transfer_drops_it():
    """The key is turned off, then the device pressed: both end it, so that it cannot go on unseen."""
    arm = Arm()
    arm.ready()
    arm.tick(HEALTHY | KEY)
    assert arm.begin(ID + 1) is Result.OK
    arm.until(HELD, "matching")
    arm.controller.exchange(b"", arm.now_ms + 1)

    assert arm.controller.phase == 0
    arm.until(HEALTHY, "stopped")
    arm.tick(HEALTHY | KEY)
    assert arm.ask(Kind.COMMIT, transfer_content(ID + 1)).result == Result.NO_TRANSFER


@pytest.mark.parametrize("before", ["stopped", "emergency_stop", "fault"])
def test_after_an_upload_it_runs_only_after_key_off_reset_enabling_device_and_matching(before):
    """Each of the four is left out in turn, in this order, and it does not run."""
    arm = Arm()
    arm.bring_to(before)
    stops = 0 if before == "emergency_stop" else HEALTHY
    arm.tick(stops | KEY)
    assert arm.put(kerb_table(), ID + 1) is Result.OK
    arm.drives = 0
    assert arm.ask(Kind.COMMIT, transfer_content(ID + 1)).result == Result.OK
    assert STATES[arm.controller.law_state] == "powering_up"
    assert arm.tick(HELD | KEY) == "powering_up"

    ticks = _machine().power_up_ticks + _machine().load_ticks + _machine().match_ticks + 200
    assert arm.tick(HELD | KEY, ticks) == "stopped", "a device that was held all along, the key on"
    assert arm.tick(HELD, ticks) == "stopped", "the key off alone"
    arm.tick(HEALTHY, 3)
    assert arm.tick(HELD, ticks) == "stopped", "pressed anew, without a reset"
    arm.tick(HEALTHY | RESET, _machine().reset_min_ticks)
    arm.tick(HEALTHY, 3)
    assert arm.tick(HELD | KEY, ticks) == "stopped", "reset and pressed anew, the key on"
    arm.tick(HEALTHY, 3)
    assert arm.tick(HEALTHY, ticks) == "stopped", "the enabling device not pressed"
    here = arm.counts
    arm.move_operator(np.array(_running().goal_row[2:66]))
    assert arm.tick(HELD, ticks) == "matching", "the operator is not at the arm's pose"
    assert arm.tick(HEALTHY, 3) == "stopped"
    arm.move_operator(here)
    assert arm.drives == 0, "until here nothing was driven"
    arm.until(HELD, "running")
