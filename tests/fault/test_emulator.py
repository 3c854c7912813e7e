"""The controller as the firmware of an emulated Cortex-M4 board: the same job, the same flash, and what must not go on.

What a sudden end leaves is tried at every operation on the PC build (test_host_controller.py, tests/scenarios); here a
handful shows that the ARM build on a board of its own does the same.
"""

from __future__ import annotations

import contextlib
import os
import random
import select
import signal
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from board_program import MACHINE, MISSING, NEW, OLD, REASON, start, tick
from host_program import program as host_program
from replay_case import RECORDINGS, ROOT

from mapper.law import STATES, WAITS, load_core
from mapper.law.core import OUT_HEAD, OUT_JOINT
from mapper.link import (
    EmulatedController,
    HostController,
    LinkError,
    TablePresence,
    check_flash_file,
    identify,
    readback,
    upload,
)
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.message import Kind, block_content, read_content
from mapper.profile import read_profile
from mapper.replay import read_recording, ready_replay, run_lockstep
from mapper.table import compile_table, encode_table

pytestmark = pytest.mark.skipif(bool(MISSING), reason=REASON)

STAND = ROOT / "profiles" / "test-stand.toml"
WATCHDOG_S = 0.5  # watchdog.h
STOP_FAULT, STOP_WATCHDOG, STOP_STACK = 1, 2, 3  # start.h
EXIT_MISUSE, EXIT_CUT = 70, 86  # host/flash_file.h


@pytest.fixture(scope="module")
def old_image(tmp_path_factory) -> bytes:
    """A flash that holds OLD, uploaded on the board itself."""
    path = tmp_path_factory.mktemp("old") / "flash"
    with start(path) as controller:
        tick(controller)
        upload(controller.port, OLD)
    return path.read_bytes()


@pytest.fixture
def flash(tmp_path, old_image) -> Path:
    path = tmp_path / "flash"
    path.write_bytes(old_image)
    return path


# ---- the job ----


def test_an_upload_goes_in_is_read_back_and_survives_a_restart(tmp_path):
    path = tmp_path / "flash"
    with start(path) as controller:
        pins = controller.outputs()
        tick(controller)
        before = identify(controller.port).before
        upload(controller.port, NEW)
        here = readback(controller.port)
        report = controller.report()
    with start(path) as controller:
        after = identify(controller.port).before
        again = readback(controller.port)

    assert not pins.any()
    assert before.presence is TablePresence.NONE
    assert before.machine_id == MACHINE
    assert here == again == NEW
    assert (after.presence, after.sequence) == (TablePresence.IN_USE, 1)
    assert (report.lost, report.assertion, report.starts) == (0, 0, 1)
    assert 0 < report.stack_used_bytes < report.stack_bytes // 2


def test_every_tick_is_the_compiled_laws_tick(flash):
    """1,000 ticks of random inputs through the board and through the library: every one of 121 values."""
    rng = np.random.default_rng(5)
    inputs = np.zeros((1000, 66), dtype=np.int32)
    inputs[:, 0] = 5000
    inputs[:, 1] = rng.integers(0, 32, 1000)
    inputs[:, 2:] = rng.integers(0, 4096, (1000, 64))
    live = load_core().table(OLD)
    expected = live.run(live.start(), inputs)
    with start(flash) as controller:
        time.sleep(0.1)  # in which the board's own clock must not have ticked the law
        found = np.array([controller.tick(int(row[1]), row[2:], int(row[0])) for row in inputs])

    assert found.dtype == np.int32
    np.testing.assert_array_equal(found, expected)


def test_what_it_says_of_itself_is_what_the_process_says(flash, tmp_path):
    copy = tmp_path / "copy"
    copy.write_bytes(flash.read_bytes())
    with start(flash) as board, HostController.start(MACHINE, copy, program=host_program()) as process:
        on_board, on_pc = (identify(one.port).before for one in (board, process))

    assert replace(on_board, firmware="") == replace(on_pc, firmware="")


def test_noise_on_the_line_loses_no_byte_and_the_next_question_is_answered(flash):
    """The emulator takes some 10,000 bytes a second, so the noise has to be over before an answer can come in time."""
    noise = bytes(random.Random(3).randrange(256) for _ in range(3000))
    with start(flash) as controller:
        line = os.open(controller.port, os.O_WRONLY | os.O_NOCTTY)
        assert os.write(line, noise) == len(noise)
        os.close(line)
        deadline = time.monotonic() + 20
        found = None
        while found is None and time.monotonic() < deadline:
            with contextlib.suppress(LinkError):
                found = readback(controller.port)
        assert controller.report().lost == 0

    assert found == OLD


_STALLS = 130
"""Answers of 378 bytes: more than a pseudo terminal (some 40 kB were seen) and the board's ring for sending hold. Their
questions that are left over have room beside the window in the ring for receiving, whatever from 16 kB on it holds."""


@pytest.mark.deep
def test_questions_that_come_while_nobody_takes_the_answers_are_kept_as_many_as_the_window_has(flash):
    """The controller takes no question while an answer waits, so all of them, at their longest, stand in the ring."""
    before = b"".join(
        encode_frame(Frame(kind=Kind.READ, tag=tag, content=read_content(1, 0, 352, fresh=False)))
        for tag in range(_STALLS)
    )
    window = [
        encode_frame(Frame(kind=Kind.BLOCK, tag=1000 + tag, content=block_content(7, 0, bytes(352))))
        for tag in range(16)
    ]
    with start(flash) as controller:
        line = os.open(controller.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        os.write(line, before)
        time.sleep(1.0)  # until they stall
        for one in window:
            os.write(line, one)
            time.sleep(0.06)  # of which the emulator takes half for its bytes
        receiver = FrameReceiver()
        tags: list[int] = []
        deadline = time.monotonic() + 20
        while len(tags) < _STALLS + 16 and time.monotonic() < deadline:
            if select.select([line], [], [], 0.1)[0]:
                tags += [frame.tag for frame in receiver.feed(os.read(line, 4096))]
        os.close(line)
        lost = controller.report().lost

    assert lost == 0
    assert tags == [*range(_STALLS), *range(1000, 1016)]


def test_with_its_own_clock_it_ticks_every_tick_time_and_the_timer_measures_the_same(flash):
    """A PC that is busy makes ticks late, so only a wide range can be asked for."""
    with start(flash, own_ticks=True) as controller:
        tick(controller)
        begun, before = time.monotonic(), controller.report().ticks
        time.sleep(0.5)
        report = controller.report()
        seconds = time.monotonic() - begun
        out = tick(controller)
    tick_us = _tick_us(OLD)

    assert WAITS[out[7]] == "sensors", "the law ran, and has seen counts of zero"
    assert 0.5 * seconds < (report.ticks - before) * tick_us / 1e6 < 1.2 * seconds
    assert report.longest_us >= tick_us


def test_a_tick_that_was_held_up_is_one_late_tick_as_the_timer_measured_it(flash):
    """The whole emulator is stopped for a fifth of a second: SysTick does not count what went by, the timer does."""
    with start(flash, own_ticks=True) as controller:
        tick(controller)
        before = controller.report().ticks
        os.kill(controller.pid, signal.SIGSTOP)
        time.sleep(0.2)
        os.kill(controller.pid, signal.SIGCONT)
        report = controller.report()

    assert report.longest_us > 150_000
    assert report.ticks - before < 0.1e6 / _tick_us(OLD)


def _tick_us(data: bytes) -> int:
    """Field 0 of the machine's section: after the header of 80 bytes and the section's own 4."""
    return int.from_bytes(data[84:86], "little")


# ---- one flash file for both ----


def test_the_same_flash_file_serves_process_and_board_in_turn(tmp_path):
    path = tmp_path / "flash"
    with HostController.start(MACHINE, path, program=host_program()) as process:
        tick(process)
        upload(process.port, OLD)
    with start(path) as board:
        assert readback(board.port) == OLD
        tick(board)
        upload(board.port, NEW)
    check_flash_file(path)
    with HostController.start(MACHINE, path, program=host_program()) as process:
        assert readback(process.port) == NEW
        assert identify(process.port).before.sequence == 2


def test_the_same_upload_leaves_the_same_bytes_in_the_flash_of_both(tmp_path):
    for name, begin in (("board", start), ("process", _start_process)):
        with begin(tmp_path / name) as controller:
            tick(controller)
            upload(controller.port, NEW)

    assert (tmp_path / "board").read_bytes() == (tmp_path / "process").read_bytes()


def _start_process(path: Path) -> HostController:
    return HostController.start(MACHINE, path, program=host_program())


def test_a_flash_file_is_open_for_one_controller_only_of_either_kind_even_after_a_kill(flash):
    first = start(flash)
    for begin in (start, _start_process):
        with pytest.raises(LinkError, match="another controller process has it open"):
            begin(flash)
    first.kill()
    with _start_process(flash), pytest.raises(LinkError, match="another controller process has it open"):
        start(flash)
    with start(flash) as again:
        assert readback(again.port) == OLD


def test_a_flash_file_of_another_length_is_left_alone(tmp_path):
    path = tmp_path / "precious.txt"
    path.write_text("not flash")
    with pytest.raises(LinkError, match="another length"):
        start(path)

    assert path.read_text() == "not flash"


# ---- sudden ends ----


def _after_cut(flash: Path, old: bytes, number: int, amount: int) -> bytes:
    """Cuts an upload of NEW in that operation; the table that the next start finds, after one more upload went in."""
    flash.write_bytes(old)
    with start(flash, cut_after=number, cut_bytes=amount) as controller:
        tick(controller)
        with pytest.raises(LinkError):
            upload(controller.port, NEW)
        assert controller._process.wait(timeout=5) == EXIT_CUT, (number, amount)
    check_flash_file(flash)
    with start(flash) as again:
        found = readback(again.port)
        tick(again)
        upload(again.port, NEW)
        assert readback(again.port) == NEW
    return found


def _operations(flash: Path, old: bytes) -> int:
    flash.write_bytes(old)
    with start(flash) as controller:
        tick(controller)
        upload(controller.port, NEW)
        return controller.report().operations


def test_a_cut_in_a_flash_operation_of_the_board_leaves_old_or_new(tmp_path, old_image):
    """The first erase, the header, a block, the commit record and the settled record: before, inside, after."""
    flash = tmp_path / "flash"
    count = _operations(flash, old_image)
    surely_old = [(1, 700), (6, 10), (8, 0), (count - 1, 0)]
    either = [(count - 1, 20), (count, 5)]
    found = {one: _after_cut(flash, old_image, *one) for one in [*surely_old, *either, (count, 4096)]}

    assert count >= 9
    assert {found[one] for one in surely_old} == {OLD}
    assert {found[one] for one in either} <= {OLD, NEW}
    assert found[count, 4096] == NEW


@pytest.mark.deep
def test_a_cut_before_inside_and_after_every_flash_operation_of_the_board_leaves_old_or_new(tmp_path, old_image):
    flash = tmp_path / "flash"
    count = _operations(flash, old_image)
    rng = random.Random(1)
    amounts = [(number, amount) for number in range(1, count + 1) for amount in (0, rng.randrange(1, 33), 4096)]
    found = {_after_cut(flash, old_image, *one) for one in amounts}

    assert found == {OLD, NEW}


@pytest.mark.parametrize("step", [0, 3, 6])
def test_kill_9_in_the_middle_of_an_upload_leaves_the_old_table_and_the_next_upload_works(flash, step):
    controller = start(flash)
    tick(controller)
    seen = 0

    def kill(_phase: str, _done: int, _total: int) -> None:
        nonlocal seen
        if seen == step:
            os.kill(controller.pid, signal.SIGKILL)
        seen += 1

    with pytest.raises(LinkError):
        upload(controller.port, NEW, progress=kill, confirm=lambda _data: not os.kill(controller.pid, signal.SIGKILL))
    controller.close()
    with start(flash) as again:
        assert readback(again.port) == OLD
        tick(again)
        upload(again.port, NEW)
        assert readback(again.port) == NEW


def test_a_rule_of_the_flash_that_is_broken_ends_the_board_with_a_message(flash):
    before = flash.read_bytes()
    with (
        start(flash) as controller,
        pytest.raises(LinkError, match=r"exit code 70.*flash rule broken after operation 0: .*write units"),
    ):
        controller.provoke("flash")

    assert flash.read_bytes() == before


# ---- the watchdog ----


class _MovingError(Exception):
    pass


def _run_until_it_moves(controller: EmulatedController) -> None:
    """The test stand's recording until a drive is not zero, with the model of its arm."""
    profile = read_profile(STAND.read_bytes(), STAND.name)
    recording = read_recording((RECORDINGS / "test-stand-practice.csv").read_text(encoding="ascii"), "practice")

    def one(digital: int, counts: np.ndarray, elapsed_us: int) -> np.ndarray:
        out = controller.tick(digital, counts, elapsed_us)
        if out[OUT_HEAD + 5] != 0:
            raise _MovingError
        return out

    with pytest.raises(_MovingError):
        run_lockstep(profile, ready_replay(profile, recording), one)


@pytest.fixture
def moving(tmp_path):
    """The test stand's controller with a joint under way."""
    profile = read_profile(STAND.read_bytes(), STAND.name)
    with start(tmp_path / "flash", profile.machine_id) as controller:
        tick(controller)
        upload(controller.port, encode_table(compile_table(profile)))
        _run_until_it_moves(controller)
        yield controller


@pytest.mark.parametrize(("fault", "stop"), [("hang", STOP_WATCHDOG), ("no memory", STOP_FAULT)])
def test_firmware_that_hangs_or_faults_gives_zero_is_reset_and_starts_with_the_drives_at_zero(moving, fault, stop):
    before, table = moving.outputs(), readback(moving.port)
    stopped_s, at_stop = moving.provoke(fault)
    after = moving.outputs()
    report = moving.report()
    outs = [tick(moving, 3 | 4) for _ in range(50)]  # both stop channels closed, enabling device held

    assert before[0] == 1
    assert before[1] != 0
    assert not at_stop.any()
    assert not after.any()
    assert stopped_s < (2 * WATCHDOG_S if fault == "hang" else WATCHDOG_S / 2)
    assert (report.starts, report.stop) == (2, stop)
    assert {STATES[out[0]] for out in outs} <= {"powering_up", "stopped", "fault"}
    assert not any(out[4] or out[OUT_HEAD + 5 :: OUT_JOINT].any() for out in outs)
    assert not moving.outputs().any()
    assert readback(moving.port) == table


@pytest.mark.deep
def test_a_stack_that_is_too_deep_is_noticed_before_the_watchdog_is_fed(flash):
    with start(flash) as controller:
        tick(controller)
        stopped_s, _ = controller.provoke("stack")
        report = controller.report()

    assert stopped_s < WATCHDOG_S / 2
    assert (report.starts, report.stop) == (2, STOP_STACK)


@pytest.mark.deep
def test_a_reset_that_nobody_asked_for_is_told(flash):
    with start(flash) as controller:
        tick(controller)
        controller._bench.tell(b"H")
        with pytest.raises(LinkError, match="was reset by its watchdog"):
            tick(controller)


def test_the_watchdog_is_served_and_ticks_go_on_during_a_long_erase(flash):
    """Each of five sectors takes longer than the watchdog's time; one that waited for the flash would be reset."""
    with start(flash, own_ticks=True, erase_ms=600) as controller:
        tick(controller)
        while (before := controller.report().ticks) < 2:  # until the inputs have been seen
            time.sleep(0.005)
        begun = time.monotonic()
        upload(controller.port, NEW)
        seconds = time.monotonic() - begun
        report = controller.report()
        assert readback(controller.port) == NEW

    assert seconds > 5 * 0.6
    assert (report.starts, report.stop) == (1, 0)
    assert report.ticks - before > 0.5 * seconds / 0.02
