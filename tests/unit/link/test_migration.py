"""A table of an older layout in the store: named, never half-read, never obeyed, and replaced by the next upload.

Layout 1 and the store's records are written here from the words of firmware_stub/README.md alone.
"""

from __future__ import annotations

import hashlib
import json
import random
import shutil
import struct
import zlib
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import core_table
import numpy as np
import pytest
from click.testing import CliRunner
from host_program import program
from make_table import random_table

import mapper.check
import mapper.law
from mapper.cli import readback as readback_command
from mapper.cli import upload as upload_command
from mapper.cli._linking import READS_LAYOUT, NotTaken
from mapper.errors import MapperError
from mapper.link import HostController, LinkError, TablePresence, identify, journal, readback_outcome, upload
from mapper.table import DecodeError, decode_table, encode_table, table_digest

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
MACHINE = "test-stand-1"
SLOT_BYTES = 5 * 4096
OTHER_LAYOUTS = (0, 1, 3, 4, 5, 65_535)


def u24(*values: int) -> bytes:
    """Signed or unsigned, three bytes each."""
    return b"".join((value % 2**24).to_bytes(3, "little") for value in values)


def sealed(body: bytes, layout: int) -> bytes:
    """Layout, length and CRC put right."""
    whole = body[:4] + struct.pack("<HHI", layout, 80, len(body) + 4) + body[12:]
    return whole + struct.pack("<I", zlib.crc32(whole))


def layout_1() -> bytes:
    """One joint: no field 14 in kind 1, no field 37 in kind 2, no kind 9."""

    def curve(points: list[tuple[int, int]]) -> bytes:
        """Of values that fit two bytes, but for angles of 45,000 mdeg and more, which take three."""
        wide = [
            max(3 if not -(2**15) <= value < 2**15 else 2 for value in values) for values in zip(*points, strict=True)
        ]
        lists = zip(zip(*points, strict=True), wide, strict=True)
        return bytes([len(points), wide[0] | wide[1] << 4]) + b"".join(
            (value % 256**size).to_bytes(size, "little") for values, size in lists for value in values
        )

    machine = struct.pack("<HHH", 5000, 200, 2000) + u24(20_000) + struct.pack("<6H", 40, 41, 30, 600, 200, 100)
    machine += u24(655) + struct.pack("<BHH", 1, 100, 240)
    joint = struct.pack("<BBb", 0, 0, 1)
    joint += (u24(3000, 2000) + struct.pack("<H", 10)) * 2
    joint += u24(20_000, 9_000, 500, 800, 65_536, 50_000, 3_000, 20_000)
    joint += u24(5_000, 5_000, 20_000, 20_000, 200, 300, 400, 30_000, -30_000)
    joint += struct.pack("<HH", 10_000, 9_000) + u24(20_000) + struct.pack("<4H", 8_000, 20, 100, 200)
    joint += u24(1_500) + struct.pack("<HH", 800, 300) + u24(1_200)
    track = [(7_000, -60_000), (50_000, 60_000)]
    line = curve([(0, 0), (10_000, 9_000)])
    brake = curve([(0, 0), (12_000, 12_000)])
    flow = bytes([2, 2 | 3 << 4]) + struct.pack("<hh", -30_000, 30_000) + u24(40_000, 40_000, 41_000, 41_000)
    sections = [
        (1, 255, machine),
        (2, 0, joint),
        (3, 0, struct.pack("<BHH", 0, 5_000, 60_000) + curve(track)),
        (4, 0, struct.pack("<BHH", 9, 5_000, 60_000) + curve(track)),
        (5, 0, curve([(-60_000, -60_000), (60_000, 60_000)])),
        (6, 0, brake + brake),
        (7, 0, flow),
        (8, 0, line + line),
    ]
    assert (len(machine), len(joint)) == (29, 95)
    head = b"HJT1".ljust(12, b"\0") + MACHINE.encode().ljust(16, b"\0") + struct.pack("<HH", 7, len(sections))
    head += bytes([1, 0, 1, 0]) + hashlib.sha256(b"an older profile").digest() + bytes(12)
    body = b"".join(struct.pack("<BBH", kind, index, len(payload)) + payload for kind, index, payload in sections)
    return sealed(head + body, 1)


OLD = layout_1()
NEW = encode_table(replace(random_table(random.Random(1), 2), machine_id=MACHINE))


def stored(table: bytes, sequence: int = 3) -> bytes:
    """A flash image with the table whole, committed and settled in the first slot."""
    head = struct.pack("<IHHIII", 0x44484254, 1, 0, sequence, len(table), zlib.crc32(table))
    head += hashlib.sha256(table).digest() + bytes(8)
    head += struct.pack("<I", zlib.crc32(head))
    ends = b""
    for magic in (0x4D434254, 0x54534254):
        record = struct.pack("<IHHI", magic, 1, 0, sequence) + head[60:64] + bytes(12)
        ends += record + struct.pack("<I", zlib.crc32(record))
    slot = (head + table).ljust(SLOT_BYTES - 64, b"\xff") + ends
    return slot + b"\xff" * SLOT_BYTES


def held(flash: Path, table: bytes) -> HostController:
    """A controller that starts with this table in its store, service key on."""
    flash.write_bytes(stored(table))
    controller = HostController.start(MACHINE, flash, program=program())
    controller.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
    return controller


@pytest.fixture
def controller(tmp_path):
    with held(tmp_path / "flash", OLD) as one:
        yield one


def run(command, *arguments: object):
    return CliRunner().invoke(command, [str(one) for one in arguments], standalone_mode=False)


def test_the_table_of_layout_1_is_what_the_last_version_with_that_layout_took_and_wrote():
    """That version's decoder read these bytes, and its encoder gave them back: the digest was taken then."""
    assert table_digest(OLD) == "c4314fac134b5715"


def test_parser_and_decoder_refuse_it_by_name_and_leave_nothing():
    result, section, field, live = core_table.parse(OLD)

    assert (result, section, field) == ("other_layout", 65_535, 1)
    assert core_table.is_zeroed(live)
    with pytest.raises(DecodeError, match="layout 1; this version reads layout 2"):
        decode_table(OLD)


@pytest.mark.parametrize("data", [OLD, NEW], ids=["of layout 1", "of layout 2"])
def test_no_truncation_is_taken_neither_cut_short_nor_made_to_look_whole(data):
    """Every length: as it is, and with length and CRC put right. The live table holds nothing after it."""
    layout = data[4]
    for length in range(len(data)):
        cut = data[:length]
        whole = sealed(cut, layout) if length >= 80 else cut
        for one in {cut, whole} - {data}:
            result, _, _, live = core_table.parse(one)
            allowed = (
                ("too_short",)
                if len(one) < 84
                else ("other_layout",)
                if layout == 1
                else ("bad_length", "bad_structure", "bad_value")
            )

            assert result in allowed
            assert core_table.is_zeroed(live)
            with pytest.raises(DecodeError):
                decode_table(one)


@pytest.mark.parametrize("layout", OTHER_LAYOUTS)
@pytest.mark.parametrize("data", [OLD, NEW], ids=["of layout 1", "of layout 2"])
def test_every_other_number_of_a_layout_is_refused_by_name(data, layout):
    other = sealed(data[:-4], layout)
    result, section, field, live = core_table.parse(other)

    assert (result, section, field) == ("other_layout", 65_535, 1)
    assert core_table.is_zeroed(live)
    with pytest.raises(DecodeError, match=f"layout {layout};"):
        decode_table(other)


def test_bytes_of_layout_1_that_call_themselves_2_are_refused_for_their_structure():
    """Its machine section ends where field 14 would begin: it is not filled up with anything."""
    lying = sealed(OLD[:-4], READS_LAYOUT)
    result, section, field, live = core_table.parse(lying)

    assert (result, section, field) == ("bad_structure", 0, 14)
    assert core_table.is_zeroed(live)
    with pytest.raises(DecodeError):
        decode_table(lying)
    assert sealed(NEW[:-4], READS_LAYOUT) == NEW, "with its own number it is the table that is taken"
    assert core_table.parse(NEW)[0] == "ok"


def test_with_it_in_the_store_the_controller_stands_with_zero_outputs_and_says_so(controller):
    identity = identify(controller.port).before
    outputs = [
        controller.tick(digital, np.full(64, counts, dtype=np.int32), 5000)
        for digital in range(64)
        for counts in (0, 20_000, 65_535)
    ]

    assert identity.presence is TablePresence.NOT_TAKEN
    assert (identity.digest, identity.sequence, identity.revision) == (table_digest(OLD), 3, 0)
    nothing = np.zeros_like(outputs[0][9:])
    assert all((one[9:] == nothing).all() and one[4] == 0 and one[0] == 0 for one in outputs), (
        "powering_up, not enabled"
    )


def test_readback_names_the_layout_and_what_to_do_and_shows_no_value_of_it(controller):
    result = run(readback_command.command, "--port", controller.port)
    document = json.loads(run(readback_command.command, "--port", controller.port, "--json").stdout)

    assert result.return_value == 1
    assert (
        f"table      {table_digest(OLD)}, stored but not taken (it is a table of layout 1, this tool writes and reads "
        "layout 2): nothing moves\n             what to do: upload the checked profile of this machine"
    ) in result.stdout
    assert "table layout 1" in result.stdout
    assert "soft stops" not in result.stdout
    assert document["controller"]["table"] == "not_taken"
    assert document["controller"]["not_taken"].startswith("it is a table of layout 1")
    assert (document["table"], document["layout"], document["digest"]) == (None, 1, table_digest(OLD))
    assert readback_outcome(controller.port).data == OLD, "byte for byte as it lies there"


@pytest.mark.parametrize("layout", [0, 3, 65_535])
def test_whatever_the_layout_it_is_named(tmp_path, layout):
    with held(tmp_path / "flash", sealed(NEW[:-4], layout)) as controller:
        result = run(readback_command.command, "--port", controller.port)

    assert result.return_value == 1
    assert f"it is a table of layout {layout}, this tool writes and reads layout 2" in result.stdout


@pytest.fixture
def profile(tmp_path, monkeypatch) -> Path:
    """One that is taken as checked."""
    nothing = SimpleNamespace(findings=(), not_examined=(), unused_waivers=(), result="holds")
    monkeypatch.setattr(mapper.check, "check_profile", lambda *_: nothing)
    monkeypatch.setattr(mapper.law, "load_core", lambda: SimpleNamespace(source_digest="test"))
    path = tmp_path / "test-stand.toml"
    shutil.copy(PROFILES / "test-stand.toml", path)
    return path


def test_an_upload_says_what_is_stored_and_puts_the_new_layout_in_its_place(controller, profile):
    again = run(readback_command.command, "--port", controller.port, "--profile", profile)
    result = run(upload_command.command, profile, "--port", controller.port, "--yes")
    same = run(readback_command.command, "--port", controller.port, "--profile", profile)
    (entry,) = journal.read(journal.journal_path(profile))

    assert again.return_value == 1
    assert "does not use the table that is stored in it, so not that of" in again.stdout
    assert result.exception is None
    assert "stored but not taken (it is a table of layout 1" in result.output
    assert "WARNING" not in result.output
    assert same.return_value == 0
    assert (entry["layout"], entry["sequence"]) == (READS_LAYOUT, 4)
    assert entry["controller"]["digest"] == table_digest(OLD)
    assert entry["controller"]["not_taken"].startswith("it is a table of layout 1")
    assert identify(controller.port).before.presence is TablePresence.IN_USE


@pytest.mark.parametrize("data", [OLD, sealed(NEW[:-4], 3)], ids=["1", "3"])
def test_a_table_of_another_layout_is_refused_over_the_line_and_what_is_there_stays(controller, data):
    with pytest.raises(LinkError, match=r"another layout of the table \(header, field 1\)") as refused:
        upload(controller.port, data)

    assert "the table from before, unchanged" in refused.value.inside
    assert identify(controller.port).before.digest == table_digest(OLD)
    upload(controller.port, NEW)
    with pytest.raises(LinkError):
        upload(controller.port, data)
    assert readback_outcome(controller.port).data == NEW


def test_power_cuts_in_the_upload_that_replaces_it_leave_the_old_or_the_new_one(tmp_path):
    """At every operation. The old one is still not taken then, and the next upload goes through."""
    ended = set()
    for cut in range(1, 200):
        flash = tmp_path / f"flash-{cut}"
        flash.write_bytes(stored(OLD))
        controller = HostController.start(MACHINE, flash, program=program(), options=("--cut-after", str(cut)))
        with controller:
            controller.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
            try:
                upload(controller.port, NEW)
                whole = True
            except LinkError:
                whole = False
        with HostController.start(MACHINE, flash, program=program()) as after:
            after.tick(32 | 3, np.zeros(64, dtype=np.int32), 5000)
            found = readback_outcome(after.port)
            assert (found.data, found.before.presence) in (
                (OLD, TablePresence.NOT_TAKEN),
                (NEW, TablePresence.IN_USE),
            )
            ended.add(found.before.presence)
            if whole:
                assert found.data == NEW
                break
    assert ended == {TablePresence.NOT_TAKEN, TablePresence.IN_USE}
    assert cut > 10


def test_why_a_table_is_not_taken_is_told_from_its_own_bytes(controller):
    identity = identify(controller.port).before
    other = encode_table(replace(random_table(random.Random(2), 1), machine_id="other-arm"))

    def reason(data: bytes | None) -> str:
        return NotTaken.of(identity, data).reason

    assert reason(other) == "it is for machine 'other-arm', this controller belongs to 'test-stand-1'"
    assert NotTaken.of(identity, other).table == decode_table(other)
    assert "firmware is of another version" in reason(NEW)
    assert "cannot read it either (CRC: does not match" in reason(NEW[:-1] + bytes([NEW[-1] ^ 1]))
    assert "cannot read it either" in reason(b"HJT1")
    assert reason(None) == "it could not be read back"
    assert NotTaken.of(replace(identity, presence=TablePresence.IN_USE), NEW) is None


def test_a_table_of_another_machine_is_shown_as_stored_and_not_in_use(tmp_path):
    other = encode_table(replace(random_table(random.Random(2), 1), machine_id="other-arm"))
    with held(tmp_path / "flash", other) as controller:
        result = run(readback_command.command, "--port", controller.port)

    assert result.return_value == 1
    assert "it is for machine 'other-arm', this controller belongs to 'test-stand-1'" in result.stdout
    assert result.stdout.index("stored, NOT in use:") < result.stdout.index("machine other-arm")


def test_a_layout_of_later_firmware_in_use_is_named_and_none_of_its_values_is_shown(monkeypatch):
    """The controller uses it, this tool does not know it: read as if by firmware that is newer than the tool."""
    identity = SimpleNamespace(presence=TablePresence.IN_USE)
    later = sealed(NEW[:-4], 3)
    monkeypatch.setattr("mapper.link.readback_outcome", lambda *_, **__: SimpleNamespace(before=identity, data=later))
    result = run(readback_command.command, "--port", "somewhere")

    assert isinstance(result.exception, MapperError)
    assert result.exception.exit_code == 2
    assert "uses a table of layout 3, this tool reads layout 2" in result.exception.message
    assert result.stdout == ""


def test_the_tool_writes_the_layout_that_it_says_it_reads():
    assert struct.unpack_from("<H", NEW, 4) == (READS_LAYOUT,)
    assert decode_table(NEW).machine_id == MACHINE
