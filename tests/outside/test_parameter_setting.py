"""What ISO 13849-1:2015, 4.6.4 (software-based parameterization) asks of a tool that sets safety parameters: P3 to
P10.

The clause's first half, as quoted at https://robotics.stackexchange.com/questions/24390. Own wording; the numbers are
our own. That a test passes claims no conformity. The second half is in test_parameter_verification.py.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import click
import parameter_case
import pytest
from host_program import program
from make_profile import changed
from make_table import random_table
from setting_case import KEY, STOPS, Bench, put, run, stand_table, tick

import mapper
from mapper.cli import mapper as group
from mapper.errors import MapperError
from mapper.law import load_core
from mapper.link import HostController, LinkError, TablePresence, journal, readback
from mapper.link.frame import FrameReceiver
from mapper.link.message import Kind
from mapper.link.message import Result as Answered
from mapper.link.transfer import Inside
from mapper.table import (
    Table,
    decode_table,
    encode_table,
    table_digest,
)

pytestmark = pytest.mark.outside

CHECKED = 3
"""Phase of a transfer."""
SECOND_SLOT, HEADER = 16_384, 64
"""Of the flash of tests/support/link_bench.c."""
PROFILES = Path(__file__).resolve().parents[2] / "profiles"
STAND = "test-stand-1"
OLD = encode_table(replace(random_table(random.Random(1), 1), machine_id=parameter_case.MACHINE_ID))
NEW = encode_table(parameter_case.base())


@pytest.fixture
def stand(tmp_path) -> Path:
    path = tmp_path / "test-stand.toml"
    shutil.copy(PROFILES / "test-stand.toml", path)
    return path


@pytest.fixture
def controller(tmp_path):
    """A process with the service key on."""
    with HostController.start(STAND, tmp_path / "flash", program=program()) as one:
        tick(one, KEY | STOPS)
        yield one


def test_p3_the_tool_and_its_versions_identify_themselves(stand, controller):
    """P3, ISO 13849-1:2015, 4.6.4: the tool is identified by name and version. Here: in the tool, in the table that the
    controller keeps, on the screen of the upload, and on record.
    """
    shown = put(stand, controller.port).output
    (entry,) = journal.read(journal.journal_path(stand))
    kept = decode_table(readback(controller.port))

    assert run("--version").output == f"mapper, version {mapper.__version__}\n"
    assert ".".join(map(str, kept.tool_version)) == mapper.__version__
    assert f"mapper {mapper.__version__}, link protocol 1, table layout 2" in shown
    assert (entry["tool"], entry["protocol"], entry["layout"]) == (f"mapper {mapper.__version__}", 1, 2)
    assert entry["law"] == load_core().source_digest[:16]
    assert f"mapper {mapper.__version__}" in run("readback", "--port", controller.port).output


def test_p4_an_unauthorized_change_is_prevented(stand, controller):
    """P4, ISO 13849-1:2015, 4.6.4: unauthorized change is prevented (a password is the standard's example; here a key
    switch at the machine). Without the key nothing is taken, nor when it is turned off at any step on the way.
    """
    put(stand, controller.port)
    before = readback(controller.port)
    tick(controller, STOPS)
    stand.write_text(stand.read_text().replace("revision = 1", "revision = 2"))
    refused = put(stand, controller.port)

    assert isinstance(refused.exception, LinkError)
    assert "its service key is off" in str(refused.exception)
    assert readback(controller.port) == before
    bench = Bench(parameter_case.MACHINE_ID, OLD)
    steps = bench.steps(NEW)
    for off_before in range(len(steps)):
        bench.controller.tick(KEY | STOPS)
        results = []
        for number, step in enumerate(steps):
            if number == off_before:
                bench.controller.tick(STOPS)
            results.append(bench.put(*step))
        assert set(results[:off_before]) <= {Answered.OK}
        assert set(results[off_before:]) <= {Answered.KEY_OFF, Answered.NO_TRANSFER}
        assert bench.stored().data == OLD


@pytest.mark.parametrize(
    ("right", "wrong", "place"),
    [
        ('flow = "12 l/min"', 'flow = "12 bar"', "supply.flow"),
        ('flow = "12 l/min"', 'flow = "-12 l/min"', "supply.flow"),
        ("revision = 1\n", "revision = 65536\n", "machine.revision"),
        ('tick = "5 ms"', 'tick = "50 ms"', "controller.tick"),
        ("category = 0", "category = 2", "emergency_stop.category"),
        (
            '{shortest = "150 ms", longest = "3 s"}',
            '{shortest = "3 s", longest = "150 ms"}',
            "emergency_stop.reset_press",
        ),
        ('release_deadline = "1 s"', 'release_deadline = "60 s"', "emergency_stop.release_deadline"),
        ("window = {lower = 200, upper = 3895}", "window = {lower = 0, upper = 3895}", "joints.lever.operator.tracks"),
        (
            "window = {lower = 200, upper = 3895}",
            "window = {lower = 3895, upper = 200}",
            "joints.lever.operator.tracks",
        ),
        ('fault_time = "50 ms"', 'fault_time = "2 s"', "joints.lever.operator.fault_time"),
        ('rate_max = "200 deg/s"', 'rate_max = "0 deg/s"', "joints.lever.position.rate_max"),
    ],
)
def test_p5_only_values_in_their_range_are_taken(stand, controller, right, wrong, place):
    """P5, ISO 13849-1:2015, 4.6.4: the range of valid inputs is controlled. A value that is out of its range, of
    another unit or at odds with its neighbour is named with its place, and nothing is sent.
    """
    text = stand.read_text()
    assert text.count(right) == 1
    stand.write_text(text.replace(right, wrong))
    refused = put(stand, controller.port)

    assert isinstance(refused.exception, MapperError)
    assert not isinstance(refused.exception, LinkError)
    assert place in str(refused.exception)
    assert readback(controller.port) is None
    assert journal.read(journal.journal_path(stand)) == []


def test_p6_data_that_is_corrupted_before_it_is_sent_does_not_go_into_use(stand, controller, monkeypatch):
    """P6, ISO 13849-1:2015, 4.6.4: corruption of data before it is sent is controlled. One bit of every third byte of
    a table wrong: the controller finds each. A wrong value under a right CRC: the values that come back are not the
    profile's.
    """
    bench = Bench(parameter_case.MACHINE_ID, OLD)
    rng = random.Random(6)
    for at in range(0, len(NEW), 3):
        bad = NEW[:at] + bytes([NEW[at] ^ 1 << rng.randrange(8)]) + NEW[at + 1 :]
        outcome = bench.upload(bad)
        assert outcome.error is not None
        assert outcome.inside is Inside.OLD
        assert outcome.after.digest == table_digest(OLD)
    assert bench.stored().data == OLD

    right, sent = encode_table, mapper.link.upload

    def with_another_value(table: Table) -> bytes:
        return right(changed(table, "joints.0.still_mdeg", table.joints[0].still_mdeg + 1))

    with monkeypatch.context() as before_the_check:
        before_the_check.setattr("mapper.table.encode_table", with_another_value)
        refused = put(stand, controller.port)
    assert "do not decode to the table that is to be checked" in str(refused.exception)
    bad = with_another_value(decode_table(stand_table()))
    monkeypatch.setattr("mapper.link.upload", lambda port, _data, **others: sent(port, bad, **others))
    refused = put(stand, controller.port)
    assert isinstance(refused.exception, LinkError)
    assert "do not decode to the profile's values; they are not put into use" in refused.output
    assert readback(controller.port) is None
    assert [entry["in_use"] for entry in journal.read(journal.journal_path(stand))] == [False, False]


Fault = Callable[[bytes, random.Random], list[bytes]]
FAULTS: dict[str, Fault] = {
    "a flipped bit": lambda data, rng: [_flipped(data, rng)],
    "a lost frame": lambda _data, _rng: [],
    "a repeated frame": lambda data, _rng: [data, data],
    "a frame cut short": lambda data, rng: [data[: rng.randrange(1, len(data))]],
    "a frame between foreign bytes": lambda data, rng: [rng.randbytes(9), data, rng.randbytes(9)],
}


def _flipped(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data))
    return data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1 :]


@pytest.mark.parametrize("fault", FAULTS)
@pytest.mark.parametrize("way", ["to_controller", "to_pc"])
def test_p7_errors_in_the_transmission_change_nothing_that_goes_into_use(way, fault):
    """P7, ISO 13849-1:2015, 4.6.4: the effects of errors in the transmission are controlled. Each frame of an upload in
    turn: it goes through, and what is in use is what was meant, byte for byte.
    """
    rng, number, hit = random.Random(7), 0, True
    while hit:
        number, hit = number + 1, False
        bench = Bench(parameter_case.MACHINE_ID, OLD)

        def spoil(count: int, data: bytes, wanted: int = number) -> list[bytes]:
            nonlocal hit
            if count != wanted:
                return [data]
            hit = True
            return FAULTS[fault](data, rng)

        bench.line.sent = bench.line.answered = 0
        setattr(bench.line, way, spoil)
        outcome = bench.upload(NEW)
        assert (outcome.error, outcome.inside) == (None, Inside.NEW)
        assert bench.stored().data == NEW
    assert number > 15


def test_p8_an_incomplete_transmission_is_noticed_and_the_old_table_stays():
    """P8, ISO 13849-1:2015, 4.6.4: the effects of an incomplete transmission are controlled. The line goes dead after
    each frame in turn, then the power goes: the old table or the new one is in use, whole, and the PC was not told
    the wrong one.
    """
    seen = set()
    for last in range(1, 200):
        bench = Bench(parameter_case.MACHINE_ID, OLD)
        bench.line.sent = 0
        bench.line.to_controller = lambda count, data, last=last: [data] if count <= last else []
        outcome = bench.upload(NEW)
        bench.controller.start()
        inside = bench.stored()
        assert inside.before.presence is TablePresence.IN_USE
        assert inside.data in (OLD, NEW)
        assert outcome.inside is not Inside.OLD or inside.data == OLD
        assert outcome.inside is not Inside.NEW or inside.data == NEW
        seen.add((outcome.inside, inside.data == NEW))
        if outcome.error is None:
            break
        assert bench.upload(NEW).error is not None, "the line is still dead"
        bench.line.to_controller = lambda _count, data: [data]
        assert bench.upload(NEW).error is None
    assert {(Inside.OLD, False), (Inside.UNKNOWN, True), (Inside.NEW, True)} <= seen


_KILLED = """
import os, signal, sys
from pathlib import Path
from mapper.link import upload
phase, least = sys.argv[3], int(sys.argv[4])
def progress(name, done, total):
    if name == phase and done >= least:
        os.kill(os.getpid(), signal.SIGKILL)
def confirm(data):
    if phase == "confirm":
        os.kill(os.getpid(), signal.SIGKILL)
    return True
upload(sys.argv[1], Path(sys.argv[2]).read_bytes(), progress=progress, confirm=confirm)
"""


@pytest.mark.parametrize(
    ("phase", "least", "in_use"),
    [
        ("sending", 1, False),
        ("sending", 2, False),
        ("reading back", 1, False),
        ("confirm", 0, False),
        ("reading back in use", 1, True),
    ],
)
def test_p9_a_failure_of_the_tool_itself_leaves_a_whole_table(stand, controller, tmp_path, phase, least, in_use):
    """P9, ISO 13849-1:2015, 4.6.4: faults and failures of the tool's own hardware and software are controlled. The
    process that uploads is killed on the way: before the commit the old table stays, after it the new one is there,
    and the next upload goes through.
    """
    put(stand, controller.port)
    before = readback(controller.port)
    data = tmp_path / "table"
    data.write_bytes(encode_table(replace(decode_table(before), revision=9)))
    arguments = [sys.executable, "-c", _KILLED, controller.port, str(data), phase, str(least)]
    ended = subprocess.run(arguments, timeout=30, check=False)
    inside = readback(controller.port)
    stand.write_text(stand.read_text().replace("revision = 1\n", "revision = 10\n"))
    put(stand, controller.port)

    assert ended.returncode == -signal.SIGKILL
    assert inside == (data.read_bytes() if in_use else before)
    assert decode_table(readback(controller.port)).revision == 10


def test_p10_what_is_in_the_controller_is_sent_back_compared_and_confirmed_by_a_person(
    stand, controller, monkeypatch, capsys
):
    """P10, ISO 13849-1:2015, 4.6.4: the parameters are sent back to the tool, confirmed by a skilled person, and
    compared by the tool, above all where it runs on a PC. One bit that changed in the controller's memory is found;
    the person sees what was read back before it is in use, and only their yes puts it into use.
    """
    bench, rotten = Bench(parameter_case.MACHINE_ID, OLD), False

    def rot_after_the_check(_count: int, data: bytes) -> list[bytes]:
        """A question that reads back is lost as long as the controller has not looked at the whole by itself."""
        nonlocal rotten
        (frame,) = FrameReceiver().feed(data)
        if frame.kind != Kind.READ:
            return [data]
        if bench.controller.phase == CHECKED and not rotten:
            rotten = True
            bench.controller.flip(SECOND_SLOT + HEADER + 200, 0x10)
        return [data] if rotten else []

    bench.line.to_controller = rot_after_the_check
    outcome = bench.upload(NEW)
    assert "what was read back is not what was sent" in outcome.error
    assert bench.stored().data == OLD

    shown = []
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    answers = [False, True]

    def person(*_: object, **__: object) -> bool:
        shown.append(capsys.readouterr().out)
        return answers.pop(0)

    monkeypatch.setattr(click, "confirm", person)
    command = ["upload", str(stand), "--port", controller.port]
    with pytest.raises(LinkError, match="the values were not confirmed; the table was not put into use"):
        group.main(command, standalone_mode=False)
    assert readback(controller.port) is None
    group.main(command, standalone_mode=False)
    assert readback(controller.port) == stand_table()
    for screen in shown:
        assert "read back from the controller, not in use yet:" in screen
        assert "-30.00 .. 30.00" in screen, "the soft stops of the lever"
        assert "in use now" not in screen
    confirmed = [(entry["confirmed"], entry["in_use"]) for entry in journal.read(journal.journal_path(stand))]
    assert confirmed == [("declined", False), ("asked", True)]
