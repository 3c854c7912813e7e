"""A failed assertion, wherever in the controller it fails, ends in zero drive with the enable output off (rule L9a),
and no button brings it back before the next start.

Each assertion here fails for a reason that a field has: a platform's fault or a configuration that is overwritten.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import hand_table
import pytest
from branch_library import Handled
from link_library import KEY, STOPS, Line
from oracle_words import ENABLING, MODE_FULL, RESET

from mapper.law import CAUSES, STATES
from mapper.link.frame import Frame, encode_frame
from mapper.link.message import Kind, begin_content
from mapper.link.transfer import upload_machine
from mapper.table import encode_table

MACHINE = "bench-1"
LEVER_FAR, LEVER_REST = [900, 500], [500, 500]
TABLE = encode_table(
    replace(
        hand_table.table(
            hand_table.speed_joint(stall_ticks=60_000, operator=hand_table.sensor(0, hand_table.LEVER, bad_ticks=100))
        ),
        machine_id=MACHINE,
    )
)
HELD = STOPS | ENABLING | MODE_FULL


@pytest.fixture
def controller() -> Iterator[Handled]:
    """With the table by hand in it; the assertion that a test leaves behind is cleared, as at a start."""
    one = Handled(MACHINE)
    assert Line(one).run(upload_machine(TABLE, 5, 5)).error is None
    yield one
    one.core.core_assert_clear()


def driving(controller: Handled) -> None:
    """By the buttons to `running`, the lever far over: a drive that is not zero."""
    for digital in (STOPS, STOPS, STOPS, STOPS | RESET, STOPS | RESET, STOPS, HELD, HELD):
        controller.drives(digital, LEVER_REST, 10_000)
    for _ in range(3):
        driven, enable = controller.drives(HELD, LEVER_FAR, 10_000)
    assert (driven, enable, STATES[controller.law_state]) == (1, 1, "running")


def nothing_moves_whatever_is_pressed(controller: Handled) -> None:
    buttons = [STOPS, STOPS | RESET, STOPS | RESET, STOPS, HELD, HELD, HELD, 0, STOPS | KEY, STOPS]
    for digital in buttons * 5:
        assert controller.drives(digital, LEVER_REST, 10_000) == (0, 0)
    assert STATES[controller.law_state] == "fault"


def test_an_assertion_in_the_link_stops_a_running_arm_in_the_next_tick(controller):
    driving(controller)
    controller.lie()
    controller.offer(encode_frame(Frame(kind=Kind.STATUS, tag=1, content=b"")))
    assert controller.assert_line != 0

    assert controller.drives(HELD, LEVER_FAR, 10_000) == (0, 0)
    state, cause, enable, moving = controller.tick(HELD, LEVER_FAR, 10_000)
    assert (STATES[state], CAUSES[cause], enable, moving) == ("fault", "assertion", 0, 0)
    nothing_moves_whatever_is_pressed(controller)


def test_an_assertion_in_the_store_keeps_a_standing_arm_standing(controller):
    for digital in (STOPS, STOPS, STOPS, STOPS | KEY):
        controller.tick(digital, LEVER_REST, 10_000)
    digest = bytes(32)
    controller.offer(encode_frame(Frame(kind=Kind.BEGIN, tag=1, content=begin_content(7, TABLE, 1, digest, 256))))
    assert controller.phase == 1
    controller.shift_slots(4)
    for now_ms in range(10):
        controller.exchange(b"", 5000 + now_ms)
    assert controller.assert_line != 0, "a header at an address that is no write unit"

    controller.drives(STOPS, LEVER_REST, 10_000)
    nothing_moves_whatever_is_pressed(controller)


def test_an_assertion_without_a_table_changes_nothing_as_nothing_moves():
    """INV-CTRL-1."""
    controller = Handled(MACHINE)
    controller.lie()
    controller.offer(encode_frame(Frame(kind=Kind.IDENTIFY, tag=1, content=b"")))
    assert controller.assert_line != 0
    try:
        for digital in (STOPS, STOPS | RESET, STOPS, HELD, HELD, HELD):
            assert controller.drives(digital, LEVER_FAR, 10_000) == (0, 0)
    finally:
        controller.core.core_assert_clear()


def test_the_line_of_the_first_failed_assertion_is_kept(controller):
    controller.lie()
    controller.offer(encode_frame(Frame(kind=Kind.STATUS, tag=1, content=b"")))
    first = controller.assert_line
    controller.core.core_assert_failed(first + 1)

    assert controller.assert_line == first
