"""The controller as a process: lockstep ticks, its serial line, what is left after kill -9 and cuts in its flash."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
import tracemalloc
import tty
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from host_program import program
from make_table import random_table

from mapper.law import load_core
from mapper.link import (
    HostController,
    Inside,
    LinkError,
    StoppedError,
    TablePresence,
    check_flash_file,
    identify,
    readback,
    upload,
)
from mapper.link.frame import Frame, FrameReceiver, encode_frame
from mapper.link.port import Port
from mapper.table import encode_table

MACHINE = "bench-1"
KEY_ON = 32 | 3
OLD, NEW = (encode_table(replace(random_table(random.Random(seed), 1), machine_id=MACHINE)) for seed in (1, 2))


def start(flash: Path, machine: str = MACHINE, *options: str) -> HostController:
    controller = HostController.start(machine, flash, program=program(), options=options)
    return controller


def tick(controller: HostController, digital: int = KEY_ON) -> np.ndarray:
    return controller.tick(digital, np.zeros(64, dtype=np.int32), 5000)


@pytest.fixture
def flash(tmp_path) -> Path:
    """A flash file that holds OLD."""
    path = tmp_path / "flash"
    with start(path) as controller:
        tick(controller)
        upload(controller.port, OLD)
    return path


def test_an_upload_goes_in_is_read_back_and_survives_a_restart(tmp_path):
    path = tmp_path / "flash"
    told: list[tuple[str, int, int]] = []
    with start(path) as controller:
        tick(controller)
        assert readback(controller.port) is None
        result = upload(controller.port, NEW, progress=lambda *step: told.append(step))
        assert readback(controller.port) == NEW
    with start(path) as controller:
        assert readback(controller.port) == NEW

    assert result.outcome.inside is Inside.NEW
    assert result.seconds < 5
    assert told
    assert all(0 < done <= total for _, done, total in told)


def test_every_tick_is_the_compiled_laws_tick(flash):
    """1,000 ticks of random inputs through the process and through the library: every one of 121 values."""
    rng = np.random.default_rng(5)
    inputs = np.zeros((1000, 66), dtype=np.int32)
    inputs[:, 0] = 5000
    inputs[:, 1] = rng.integers(0, 32, 1000)
    inputs[:, 2:] = rng.integers(0, 4096, (1000, 64))
    live = load_core().table(OLD)
    expected = live.run(live.start(), inputs)
    with start(flash) as controller:
        found = np.array([controller.tick(int(row[1]), row[2:], int(row[0])) for row in inputs])

    assert found.dtype == np.int32
    np.testing.assert_array_equal(found, expected)


def test_a_second_start_on_the_same_flash_needs_no_upload(flash):
    with start(flash) as controller:
        identity = identify(controller.port).before

    assert identity.presence is TablePresence.IN_USE
    assert identity.sequence == 1


def test_the_controller_of_another_machine_is_left_alone(tmp_path):
    """That it refuses such a table by itself too is in tests/unit/link/test_link_messages.py."""
    with start(tmp_path / "flash", "bench-2") as controller:
        tick(controller)
        with pytest.raises(LinkError, match=r"belongs to machine 'bench-2', the table is for 'bench-1'") as caught:
            upload(controller.port, NEW)
        assert identify(controller.port).before.presence is TablePresence.NONE

    assert caught.value.exit_code == 3
    assert "no table" in caught.value.inside


def test_with_the_key_off_nothing_is_taken_and_the_message_says_what_to_do(flash):
    with start(flash) as controller:
        tick(controller, 3)
        with pytest.raises(LinkError, match="key is off") as caught:
            upload(controller.port, NEW)
        assert readback(controller.port) == OLD

    assert "unchanged" in caught.value.inside
    assert "key on" in caught.value.remedy


@pytest.mark.parametrize("step", range(0, 12, 2))
def test_kill_9_in_the_middle_of_an_upload_leaves_the_old_table_and_the_next_upload_works(flash, step):
    controller = start(flash)
    tick(controller)
    seen = 0

    def kill(phase: str, _done: int, _total: int) -> None:
        nonlocal seen
        if seen == step and phase != "reading back in use":
            os.kill(controller.pid, signal.SIGKILL)
        seen += 1

    try:
        upload(
            controller.port, NEW, progress=kill, confirm=lambda _data: os.kill(controller.pid, signal.SIGKILL) is None
        )
    except LinkError as error:
        told = error.inside
    controller.close()
    with start(flash) as again:
        assert readback(again.port) == OLD, told
        tick(again)
        upload(again.port, NEW)
        assert readback(again.port) == NEW
    assert "from before" in told or "old" in told


def _operations(flash: Path, tmp_path: Path) -> int:
    """Flash operations of one upload: the largest N for which --cut-after N still cuts."""
    for count in range(1, 60):
        copy = tmp_path / "trial"
        copy.write_bytes(flash.read_bytes())
        with start(copy, MACHINE, "--cut-after", str(count)) as controller:
            tick(controller)
            try:
                upload(controller.port, NEW)
            except LinkError:
                continue
            return count - 1
    raise AssertionError("no end of operations")


def test_a_cut_before_and_inside_every_flash_operation_of_the_process_leaves_old_or_new(flash, tmp_path):
    count = _operations(flash, tmp_path)
    found = set()
    rng = random.Random(1)
    scenarios = [(number, amount) for number in range(1, count + 1) for amount in (0, rng.randrange(1, 33), 40)]
    for number, amount in scenarios:
        copy = tmp_path / "cut"
        copy.write_bytes(flash.read_bytes())
        controller = start(copy, MACHINE, "--cut-after", str(number), "--cut-bytes", str(amount))
        tick(controller)
        with pytest.raises(LinkError):
            upload(controller.port, NEW)
        controller.close()
        check_flash_file(copy)
        with start(copy) as again:
            table = readback(again.port)
            assert table in (OLD, NEW), (number, amount)
            found.add(table)
            tick(again)
            upload(again.port, NEW)
            assert readback(again.port) == NEW

    assert count >= 8
    assert found == {OLD, NEW}


def test_the_process_ends_by_itself_when_its_channel_is_closed(flash):
    controller = start(flash)
    controller._process.stdin.close()

    assert controller._process.wait(timeout=2) == 0
    controller.close()


def test_no_process_is_left_when_its_parent_is_killed(flash):
    script = (
        "import sys, time, pathlib\n"
        "from mapper.link import HostController\n"
        f"flash, program = pathlib.Path({str(flash)!r}), pathlib.Path({str(program())!r})\n"
        f"c = HostController.start({MACHINE!r}, flash, program=program)\n"
        "print(c.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    child = int(parent.stdout.readline())
    parent.kill()
    parent.wait()
    parent.stdout.close()
    for _ in range(100):
        if (
            not Path(f"/proc/{child}").exists()
            or "Z" in Path(f"/proc/{child}/stat").read_text().split(")")[1].split()[0]
        ):
            break
        time.sleep(0.02)
    else:
        raise AssertionError("the controller process outlived its parent")


def test_a_process_that_is_gone_is_reported_and_not_waited_for(flash):
    controller = start(flash)
    controller.kill()
    begun = time.monotonic()
    with pytest.raises(LinkError, match="ended"):
        tick(controller)

    assert time.monotonic() - begun < 3
    with pytest.raises(LinkError, match="cannot be opened"):
        identify(controller.port)


def test_a_process_that_closes_its_channel_but_lives_is_reported_in_bounded_time(tmp_path):
    """Its standard error stays open, so that a read to the end of it would never return."""
    stand_in = tmp_path / "stand-in"
    stand_in.write_text("#!/bin/sh\necho serial /dev/null\nexec >&-\necho going on >&2\nexec sleep 60\n")
    stand_in.chmod(0o755)
    controller = HostController.start(MACHINE, tmp_path / "flash", program=stand_in)
    begun = time.monotonic()
    with pytest.raises(LinkError, match="has not ended: going on"):
        tick(controller)

    assert time.monotonic() - begun < 3
    controller.kill()


@pytest.mark.parametrize("why", [KeyboardInterrupt, EOFError, SystemExit(143)])
@pytest.mark.parametrize("phase", ["sending", "reading back", "confirm", "reading back in use"])
def test_an_upload_that_is_stopped_is_given_up_and_tells_what_is_inside(flash, phase, why):
    def progress(now: str, _done: int, _total: int) -> None:
        if now == phase:
            raise why

    def confirm(_data: bytes) -> bool:
        if phase == "confirm":
            raise why
        return True

    with start(flash) as controller:
        tick(controller)
        with pytest.raises(StoppedError) as caught:
            upload(controller.port, NEW, progress=progress, confirm=confirm)
        found = readback(controller.port)
        assert identify(controller.port).before.transfer == 0, "no transfer is left open"
        upload(controller.port, OLD)

    assert caught.value.exit_code == (143 if isinstance(why, SystemExit) else 130)
    assert found == (NEW if phase == "reading back in use" else OLD)
    assert ("the new table" if found == NEW else "from before, unchanged") in caught.value.inside


def test_an_upload_that_is_stopped_with_the_controller_gone_says_what_is_known(flash):
    controller = start(flash)
    tick(controller)

    def confirm(_data: bytes) -> bool:
        controller.kill()
        raise KeyboardInterrupt

    with pytest.raises(StoppedError, match="from before, unchanged"):
        upload(controller.port, NEW, confirm=confirm)


def test_the_last_frame_of_a_bar_comes_before_the_question_and_before_the_end(tmp_path):
    told: list[tuple[str, int, int]] = []
    with start(tmp_path / "flash") as controller:
        tick(controller)
        upload(
            controller.port,
            NEW,
            progress=lambda *step: told.append(step),
            confirm=lambda _data: told.append(("question", 0, 0)) is None,
        )
    at = told.index(("question", 0, 0))

    for phase, done, total in (told[at - 1], told[-1]):
        assert done == total, phase
    assert [told[at - 1][0], told[-1][0]] == ["reading back", "reading back in use"]


def test_in_real_time_it_ticks_by_itself_with_the_inputs_as_last_given(tmp_path):
    with start(tmp_path / "flash", MACHINE, "--realtime") as controller:
        tick(controller)
        time.sleep(0.1)
        upload(controller.port, NEW)
        first = tick(controller)
        time.sleep(0.2)

        assert readback(controller.port) == NEW
        assert first.shape == (121,)


@pytest.mark.parametrize(
    ("options", "code", "text"),
    [
        (["--flash", "x"], 64, "needed"),
        (["--machine-id", "a" * 17, "--flash", "x"], 64, "1 to 16"),
        (["--machine-id", "a", "--flash", "/no/such/folder/x"], 2, "cannot be opened"),
        (["--machine-id", "a", "--flash", "x", "--cut-after", "many"], 64, "not a number"),
        (["--speed", "9"], 64, "no such option"),
    ],
)
def test_a_wrong_command_line_ends_with_its_code_and_reason(options, code, text, tmp_path):
    found = subprocess.run(
        [str(program()), *options], capture_output=True, text=True, timeout=5, check=False, cwd=tmp_path
    )

    assert found.returncode == code
    assert text in found.stderr


def test_a_flash_file_of_another_length_is_left_alone(tmp_path):
    path = tmp_path / "precious.txt"
    path.write_text("not flash")
    with pytest.raises(LinkError, match="another length"):
        start(path)

    assert path.read_text() == "not flash"


def test_a_flash_file_is_open_for_one_controller_only_even_after_a_kill(flash):
    first = start(flash)
    with pytest.raises(LinkError, match="another controller process has it open"):
        start(flash)
    first.kill()

    with start(flash) as second:
        assert tick(second).shape == (121,)


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-"])
def test_without_one_of_its_channels_it_ends_at_once_and_leaves_the_flash_alone(closed, flash):
    """A shell that closes a channel: the flash file must not get its number."""
    with start(flash):
        pass
    before = flash.read_bytes()
    command = f'exec "{program()}" --machine-id {MACHINE} --flash "{flash}" {closed}'
    found = subprocess.run(["sh", "-c", command], input=b"", capture_output=True, timeout=5, check=False)

    assert found.returncode == 71
    assert flash.read_bytes() == before


def test_the_line_is_open_for_one_program_only(flash):
    with start(flash) as controller, Port(controller.port), pytest.raises(LinkError, match="cannot be opened"):
        identify(controller.port)


def _framed(kind: int, content: bytes, protocol: int = 1) -> bytes:
    return encode_frame(Frame(kind=kind, tag=1, content=content, protocol=protocol))


FOREIGN = {
    "silent": (b"", b""),
    "sends text": (b"T=21.5 C\r\n", b""),
    "sends zeros": (bytes(64), b""),
    "sends noise": (random.Random(8).randbytes(3000), b""),
    "sends our questions": (_framed(1, b"") + _framed(4, bytes(40)), b""),
    "sends status of its own": (_framed(130, bytes(26)) * 4, b""),
    "answers with text": (b"", b"ERR 12\r\n"),
    "answers with another kind": (b"", _framed(200, bytes(20))),
    "answers with a zero": (b"", b"\0"),
}
"""What something else on the port sends by itself, and what it says to every question."""


class _Foreign(threading.Thread):
    """Something else on a pseudo terminal. Keeps what it hears."""

    def __init__(self, how: str, answer: bytes | None = None) -> None:
        super().__init__(daemon=True)
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.name_of_port = os.ttyname(self.slave)
        self.how = how
        self.talks, self.answer = FOREIGN.get(how, (b"", b""))
        if answer is not None:
            self.answer = answer
        self.heard = b""
        self.sent = 0
        self.ending = False
        os.set_blocking(self.master, False)

    def run(self) -> None:
        while not self.ending:
            try:
                data = os.read(self.master, 4096)
            except BlockingIOError:
                data = b""
            self.heard += data
            self._write(self.talks)
            if data:
                self._write(data if self.how == "echo" else self.answer)
            time.sleep(0 if self.how == "sends noise" else 0.01)

    def _write(self, data: bytes) -> None:
        """As a device would: what nobody takes is lost."""
        with contextlib.suppress(BlockingIOError):
            self.sent += os.write(self.master, data) if data else 0


def test_a_foreign_device_is_recognised_and_hears_nothing_but_the_question_who_it_is():
    """All kinds at a time, since each is given its two seconds to answer."""
    kinds = [*FOREIGN, "echo"]
    with ThreadPoolExecutor(len(kinds)) as pool:
        assert list(pool.map(_recognised, kinds)) == [True] * len(kinds)


def _recognised(how: str) -> bool:
    foreign = _Foreign(how)
    foreign.start()
    begun = time.monotonic()
    try:
        with pytest.raises(LinkError, match="nothing on this port answers") as caught:
            upload(foreign.name_of_port, NEW)
        took_s = time.monotonic() - begun
        time.sleep(0.05)
    finally:
        foreign.ending = True
        foreign.join()
        os.close(foreign.master)
        os.close(foreign.slave)
    frames = FrameReceiver().feed(foreign.heard)

    assert took_s < 10, how
    assert 1 <= len(frames) <= 4, how
    assert {(frame.kind, frame.content) for frame in frames} == {(1, b"")}
    assert len(foreign.heard) < 200
    assert "unchanged" in caught.value.inside
    assert ("it sends" in caught.value.message) == (how in ("sends text", "sends noise", "answers with text"))
    return True


def test_a_device_that_talks_without_end_is_left_in_time_and_fills_no_memory():
    """As fast as the line takes it: what is no frame is dropped as it comes."""
    foreign = _Foreign("sends noise")
    foreign.start()
    tracemalloc.start()
    try:
        with pytest.raises(LinkError, match="nothing on this port answers"):
            identify(foreign.name_of_port)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
        foreign.ending = True
        foreign.join()
        os.close(foreign.master)
        os.close(foreign.slave)

    assert foreign.sent > 100_000
    assert most < 2_000_000


@pytest.mark.parametrize("protocol", [0, 2, 255])
def test_a_controller_of_another_protocol_is_named_and_left_alone(protocol):
    foreign = _Foreign("another protocol", _framed(129, bytes(114), protocol))
    foreign.start()
    try:
        with pytest.raises(LinkError, match=f"it speaks protocol version {protocol} of this link, not 1") as caught:
            upload(foreign.name_of_port, NEW)
        time.sleep(0.05)
    finally:
        foreign.ending = True
        foreign.join()
        os.close(foreign.master)
        os.close(foreign.slave)

    assert [(frame.kind, frame.content) for frame in FrameReceiver().feed(foreign.heard)] == [(1, b"")]
    assert "tool that belongs to its firmware" in caught.value.remedy


def test_a_port_that_is_not_there_is_named():
    with pytest.raises(LinkError, match="/dev/no-such-port"):
        identify("/dev/no-such-port")
