"""Questions to the controller and its answers, as `firmware_stub/core/link.h` has them. Pure: bytes to values and
back.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum

ANSWER = 128
BLOCK_BYTES_MAX = 352
"""The answer to a read with so many fills a frame."""
BLOCK_ECHO = 6
READ_ECHO = 6
"""So many first bytes of the question begin the content of its answer: transfer or key, and number."""


class Kind(IntEnum):
    IDENTIFY = 1
    STATUS = 2
    BEGIN = 3
    BLOCK = 4
    FINISH = 5
    COMMIT = 6
    READ = 7
    ABORT = 8


class Result(IntEnum):
    OK = 0
    WAIT = 1
    UNKNOWN_KIND = 2
    OTHER_PROTOCOL = 3
    BAD_LENGTH = 4
    KEY_OFF = 5
    MOVING = 6
    TOO_LONG = 7
    BAD_BLOCK = 8
    NO_TRANSFER = 9
    INCOMPLETE = 10
    WRONG_CRC = 11
    WRONG_DIGEST = 12
    TABLE_REFUSED = 13
    STORE_FAILED = 14
    NO_TABLE = 15
    OTHER_RECORD = 16


class TablePresence(IntEnum):
    NONE = 0
    IN_USE = 1
    DAMAGED = 2
    NOT_TAKEN = 3


DROPPED = ("none was open", "key off", "not at standstill", "deadline", "flash", "refused", "aborted", "committed")
TABLE_FAULTS = (
    "ok",
    "too short",
    "not a table",
    "another layout of the table",
    "wrong length",
    "wrong CRC",
    "wrong structure",
    "a value outside its range",
    "a table for another machine",
)

_HEAD = struct.Struct("<BBHH")
_IDENTITY = struct.Struct("<16s16s8BIBBHIHHHHIIII32s")
_BEGIN = struct.Struct("<IIIHH32s")
_BLOCK = struct.Struct("<IHH")
_READ = struct.Struct("<IHBB")
_READ_ANSWER = struct.Struct("<IHH")


class MessageError(ValueError):
    """An answer that is too short for what it should hold."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One answer. detail, section, field: see link_result_t; content: what belongs to the question."""

    result: int
    detail: int
    section: int
    field: int
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who the controller is and what is in it.

    digest: first 16 hex digits of SHA-256 over the table's bytes, "" without a table. sequence: 1 with the first
    upload, one more with each. state, cause, waits_for, waits_joint: numbers of law.h.
    """

    machine_id: str
    firmware: str
    state: int
    cause: int
    cause_joint: int
    waits_for: int
    waits_joint: int
    enable: bool
    standstill: bool
    key: bool
    presence: TablePresence
    transfer: int
    table_bytes_max: int
    block_bytes_max: int
    window: int
    revision: int
    sequence: int
    table_bytes: int
    table_crc: int
    digest: str


def parse_answer(content: bytes) -> Answer:
    """Raises MessageError."""
    if len(content) < _HEAD.size:
        raise MessageError(f"an answer has at least {_HEAD.size} bytes, not {len(content)}")
    result, detail, section, field = _HEAD.unpack_from(content)
    return Answer(result=result, detail=detail, section=section, field=field, content=content[_HEAD.size :])


def parse_identity(content: bytes) -> Identity:
    """Raises MessageError. Fields that a later protocol adds at the end are not looked at."""
    if len(content) < _IDENTITY.size:
        raise MessageError(f"an identity has at least {_IDENTITY.size} bytes, not {len(content)}")
    values = _IDENTITY.unpack_from(content)
    state, cause, cause_joint, waits_for, waits_joint, enable, flags, presence = values[2:10]
    transfer, _phase, _dropped, _, capacity, block_max, window, revision, _ = values[10:19]
    sequence, table_bytes, table_crc, _, digest = values[19:24]
    try:
        named = TablePresence(presence)
    except ValueError:
        raise MessageError(f"table presence {presence} is not known") from None
    return Identity(
        machine_id=values[0].rstrip(b"\0").decode("ascii", "replace"),
        firmware=values[1].rstrip(b"\0").decode("ascii", "replace"),
        state=state,
        cause=cause,
        cause_joint=cause_joint,
        waits_for=waits_for,
        waits_joint=waits_joint,
        enable=bool(enable),
        standstill=bool(flags & 1),
        key=bool(flags & 2),
        presence=named,
        transfer=transfer,
        table_bytes_max=capacity,
        block_bytes_max=block_max,
        window=window,
        revision=revision,
        sequence=sequence,
        table_bytes=table_bytes,
        table_crc=table_crc,
        digest=digest.hex()[:16] if sequence else "",
    )


def begin_content(transfer: int, data: bytes, crc: int, digest: bytes, block_bytes: int) -> bytes:
    return _BEGIN.pack(transfer, len(data), crc, block_bytes, 0, digest)


def block_content(transfer: int, number: int, block: bytes) -> bytes:
    return _BLOCK.pack(transfer, number, len(block)) + block


def transfer_content(transfer: int) -> bytes:
    """Of finish, commit and abort."""
    return struct.pack("<I", transfer)


def read_content(key: int, number: int, block_bytes: int, *, fresh: bool) -> bytes:
    """key: the sequence of the record in use, or the transfer when `fresh`; block_bytes: a multiple of 32, at most
    352.
    """
    return _READ.pack(key, number, block_bytes // 32, int(fresh))


def parse_commit(content: bytes) -> int:
    """Sequence of the record that is in use now. Raises MessageError."""
    if len(content) < 4:
        raise MessageError(f"the answer to a commit has at least 4 bytes, not {len(content)}")
    return int.from_bytes(content[:4], "little")


def table_machine_id(data: bytes) -> str:
    """The machine that a table is for (firmware_stub/README.md, "The table": header, field 4)."""
    return data[12:28].rstrip(b"\0").decode("ascii", "replace")


def parse_read(content: bytes) -> tuple[int, int, bytes]:
    """(key, number, bytes). Raises MessageError."""
    if len(content) < _READ_ANSWER.size:
        raise MessageError(f"the answer to a read has at least {_READ_ANSWER.size} bytes, not {len(content)}")
    key, number, length = _READ_ANSWER.unpack_from(content)
    data = content[_READ_ANSWER.size :]
    if len(data) != length:
        raise MessageError(f"a read announces {length} bytes and brings {len(data)}")
    return key, number, data


def refusal(kind: Kind, answer: Answer) -> tuple[str, str]:
    """What the controller says, and what to do: sentence parts for a person."""
    if answer.result == Result.NO_TRANSFER:
        why = DROPPED[answer.field] if answer.field < len(DROPPED) else str(answer.field)
        return f"the controller has dropped the transfer ({why})", _DROPPED_REMEDY.get(why, "upload again")
    if answer.result == Result.TABLE_REFUSED:
        fault = TABLE_FAULTS[answer.detail] if answer.detail < len(TABLE_FAULTS) else f"fault {answer.detail}"
        where = "header" if answer.section == 0xFFFF else f"section {answer.section}"
        return (
            f"the controller refuses the table by its own check: {fault} ({where}, field {answer.field})",
            "compile the table again from a checked profile for this machine; firmware_stub/README.md has the numbers",
        )
    if answer.result in _REFUSALS:
        return _REFUSALS[Result(answer.result)]
    return (
        f"the controller answers {kind.name.lower()} with result {answer.result}, "
        f"detail {answer.detail}, field {answer.field}",
        "use the tool and the firmware of one version",
    )


_DROPPED_REMEDY = {
    "none was open": "see whether the controller lost its power, or who else is on this line, then upload again",
    "key off": "keep the service key on and the machine at standstill, then upload again",
    "not at standstill": "keep the service key on and the machine at standstill, then upload again",
    "deadline": "see to the cable, or give a faster --baud where the controller has one, then upload again",
    "flash": "upload again; if it happens twice, replace the controller",
    "refused": "upload again: why it refuses got lost on the line",
}

_REFUSALS: dict[Result, tuple[str, str]] = {
    Result.OTHER_PROTOCOL: (
        "the controller speaks another version of the protocol",
        "use the tool that belongs to its firmware",
    ),
    Result.KEY_OFF: (
        "the controller refuses: its service key is off",
        "bring the machine to a safe stop, lock it out, turn the service key on, upload again",
    ),
    Result.MOVING: (
        "the controller refuses: the machine is not at standstill",
        "let go of the enabling device, wait for `stopped`, turn the service key on, upload again",
    ),
    Result.TOO_LONG: (
        "the controller refuses: the table is longer than its memory",
        "use fewer joints or curve points",
    ),
    Result.WRONG_CRC: (
        "the controller found another CRC than was sent",
        "upload again; if it happens twice, mistrust its flash",
    ),
    Result.WRONG_DIGEST: (
        "the controller found another digest than was sent",
        "upload again; if it happens twice, mistrust this PC or the controller's flash",
    ),
    Result.STORE_FAILED: (
        "the controller could not write its flash, or reads it back differently",
        "upload again; if it happens twice, replace the controller",
    ),
    Result.NO_TABLE: ("the controller has no table", "upload one"),
    Result.OTHER_RECORD: (
        "the table in the controller was changed meanwhile",
        "see who else is on this line, then start again",
    ),
}
