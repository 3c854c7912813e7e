"""Every way that a serial line can spoil an upload, numbered: bytes, frames, stale frames, the cable, pairs, the power.

The clean upload of a table of two blocks is recorded once: its frames are what is enumerated. What a fault does to a
frame that is sent again is the same as to the first one. See `link_run` for the line and for what each run is held to.
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Callable, Iterable, Sequence

import numpy as np
from family import Family, Lost, Outcome
from link_run import LATE_MS, NEW, TO_CONTROLLER, TO_PC, NotHeldError, Piece, Script, World, new_upload

Change = Callable[[bytes], list[Piece]]
_BOTH = (TO_CONTROLLER, TO_PC)
_WAYS = ("to the controller", "to the PC")


# ---- what becomes of one frame --------------------------------------------------------------------------------------


def _drop(data: bytes, at: int) -> list[Piece]:
    return [(0, data[:at] + data[at + 1 :])]


def _flip(data: bytes, at: int, bit: int) -> list[Piece]:
    return [(0, data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :])]


def _double(data: bytes, at: int) -> list[Piece]:
    return [(0, data[: at + 1] + data[at:])]


def _cut(data: bytes, at: int) -> list[Piece]:
    return [(0, data[:at])]


def _late(data: bytes, at: int) -> list[Piece]:
    return [(0, data[:at]), (LATE_MS, data[at:])]


BYTE_FAULTS = ("dropped", "doubled", "cut", "late", *(f"bit {bit} flipped" for bit in range(8)))


def _byte_fault(kind: int, at: int) -> Change:
    """The fault at byte `at`, counted round in a frame that is shorter."""
    if kind >= 4:
        return lambda data: _flip(data, at % len(data), kind - 4)
    change = (_drop, _double, _cut, _late)[kind]
    return lambda data: change(data, at % len(data))


def _lose(_data: bytes) -> list[Piece]:
    return []


def _twice(data: bytes) -> list[Piece]:
    return [(0, data), (0, data)]


def _behind(stale: bytes, at: int) -> Change:
    """A frame from before arrives inside this one: behind its first `at` bytes."""
    return lambda data: [(0, data[: at % len(data)] + stale + data[at % len(data) :])]


FRAMES_MOST = 10
FRAME_FAULTS = (
    "lost",
    "twice",
    "late",
    *(f"{count} frames later" for count in range(1, FRAMES_MOST + 1)),
    *(f"again {count} frames later" for count in range(1, FRAMES_MOST + 1)),
    "five seconds late",
)
VERY_LATE_MS = 5_000
"""Later than the last try: the PC has given the upload up by then, and asks what is in use."""


def _frame_fault(script: Script, kind: int, key: tuple[int, int]) -> None:
    if kind < 3:
        change = (_lose, _twice, functools.partial(_late, at=0))[kind]
        script.frames.setdefault(key, []).append(change)
    elif kind == len(FRAME_FAULTS) - 1:
        script.frames.setdefault(key, []).append(lambda data: [(VERY_LATE_MS, data)])
        script.must = False
    elif kind < 3 + FRAMES_MOST:
        script.hold[key] = kind - 2
    else:
        script.again[key] = kind - 2 - FRAMES_MOST


# ---- the world and how a family is run ------------------------------------------------------------------------------


@functools.cache
def world() -> World:
    return World()


Make = Callable[[int], tuple[Script, int]]
"""Number -> (what happens, how many faults have to come to pass)."""


def _key(done: Sequence[object]) -> int:
    return int.from_bytes(hashlib.blake2b(repr(done).encode(), digest_size=8).digest(), "little")


def run_numbers(here: World, make: Make, numbers: Iterable[int]) -> Outcome:
    keys, lost, empty = [], [], 0
    for number in numbers:
        script, needed = make(number)
        try:
            run = here.play(new_upload(), script)
            if len(run.done) < needed:
                empty += 1
                continue
            keys.append(_key(run.done))
            here.judge(run, script.must)
        except NotHeldError as error:
            lost.append(Lost(number=number, why=str(error)))
        except Exception as error:  # of the PC's machine: no fault of the line may raise one
            lost.append(Lost(number=number, why=f"{type(error).__name__}: {error}"))
    return Outcome(keys=np.array(keys, dtype=np.uint64), empty=empty, lost=tuple(lost))


def _trace(here: World, make: Make, number: int) -> str:
    lines: list[str] = []
    run = here.play(new_upload(), make(number)[0], lines=lines)
    assert run.outcome is not None
    said = run.outcome.error or "went through"
    return "\n".join([*lines, f"{run.now_ms:6} ms  the PC: {said}; in use: {run.outcome.inside.value}"])


def _family(
    code: str,
    about: str,
    total: int,
    make: Make,
    describe: Callable[[int], str],
    here: Callable[[], World] | None = None,
) -> Family:
    """here: the world to run in; the one with a table in use when None."""
    return Family(
        code=code,
        about=about,
        total=total,
        chunk=1500,
        run=lambda numbers: run_numbers((here or world)(), make, numbers),
        describe=describe,
        trace=lambda number: _trace((here or world)(), make, number),
    )


@functools.cache
def empty_world() -> World:
    return World(empty=True)


def _lengths(here: World) -> list[tuple[int, int, int]]:
    """(direction, number of the frame, bytes) of the clean upload."""
    frames = here.clean.frames
    return [(way, number, len(data)) for way in _BOTH for number, data in enumerate(frames[way], start=1)]


def _places(here: World) -> tuple[tuple[int, int, int], ...]:
    """(direction, number of the frame, byte) for every byte of the clean upload."""
    return tuple((way, number, at) for way, number, length in _lengths(here) for at in range(length))


@functools.cache
def places() -> tuple[tuple[int, int, int], ...]:
    return _places(world())


def _draw(number: int, salt: int, count: int) -> int:
    """A number from 0 to count - 1, the same on every machine."""
    mixed = (number * 0x9E3779B97F4A7C15 + salt * 0xBF58476D1CE4E5B9) & 0xFFFFFFFFFFFFFFFF
    mixed = (mixed ^ mixed >> 30) * 0xBF58476D1CE4E5B9 & 0xFFFFFFFFFFFFFFFF
    mixed = (mixed ^ mixed >> 27) * 0x94D049BB133111EB & 0xFFFFFFFFFFFFFFFF
    return (mixed ^ mixed >> 31) % count


def _where(way: int, number: int, at: int) -> str:
    return f"byte {at} of frame {number} {_WAYS[way]}"


# ---- bytes, frames, stale frames, the cable -------------------------------------------------------------------------


def _bytes() -> Family:
    def make(number: int) -> tuple[Script, int]:
        (way, frame, at), kind = places()[number // len(BYTE_FAULTS)], number % len(BYTE_FAULTS)
        return Script(frames={(way, frame): [_byte_fault(kind, at)]}, must=True), 1

    def describe(number: int) -> str:
        return f"{_where(*places()[number // len(BYTE_FAULTS)])}: {BYTE_FAULTS[number % len(BYTE_FAULTS)]}"

    about = "every byte of an upload, both ways: dropped, doubled, cut there, late, each bit flipped"
    return _family("lbyte", about, len(places()) * len(BYTE_FAULTS), make, describe)


def _frames() -> Family:
    frames = [(way, number) for way, number, _ in _lengths(world())]

    def make(number: int) -> tuple[Script, int]:
        script = Script(must=True)
        _frame_fault(script, number % len(FRAME_FAULTS), frames[number // len(FRAME_FAULTS)])
        return script, 1

    def describe(number: int) -> str:
        way, frame = frames[number // len(FRAME_FAULTS)]
        return f"frame {frame} {_WAYS[way]}: {FRAME_FAULTS[number % len(FRAME_FAULTS)]}"

    about = "every frame lost, twice, late, out of order, or once more, by up to ten frames"
    return _family("lframe", about, len(frames) * len(FRAME_FAULTS), make, describe)


def _stale() -> Family:
    cases = [
        (same, frame, place)
        for same in (False, True)
        for place in places()
        for frame in range(len(world().stale[same].frames[place[0]]))
    ]

    def make(number: int) -> tuple[Script, int]:
        same, frame, (way, at_frame, at) = cases[number]
        stale = world().stale[same].frames[way][frame]
        # With the tags of this upload an answer of before may pass for one of now: what is said must be true then too.
        return Script(frames={(way, at_frame): [_behind(stale, at)]}, must=not same), 1

    def describe(number: int) -> str:
        same, frame, place = cases[number]
        return f"before {_where(*place)}: frame {frame + 1} of an earlier upload, {'same' if same else 'other'} tags"

    about = "every frame of an earlier upload, before every byte, with its own tags and with the same ones"
    return _family("lstale", about, len(cases), make, describe)


_PULLS = (
    (_BOTH, True, 0, "both ways, the port is gone"),
    (_BOTH, False, 0, "both ways, for good"),
    ((TO_CONTROLLER,), False, 0, "only the way to the controller, for good"),
    ((TO_PC,), False, 0, "only the way to the PC, for good"),
    (_BOTH, False, 300, "both ways, for 0.3 s"),
    (_BOTH, False, 1_500, "both ways, for 1.5 s"),
    (_BOTH, False, 6_500, "both ways, for 6.5 s"),
)


def _pulls() -> Family:
    def make(number: int) -> tuple[Script, int]:
        ways, told, plugged_ms, _ = _PULLS[number % len(_PULLS)]
        place = places()[number // len(_PULLS)]
        # Until it has answered once, less is asked: what is there may be no controller.
        soon = 0 < plugged_ms <= (1_500 if place[1] > 1 else 300)
        return Script(pull_at=place, pull_ways=ways, told=told, plugged_ms=plugged_ms, must=soon), 1

    def describe(number: int) -> str:
        return f"before {_where(*places()[number // len(_PULLS)])} the cable goes: {_PULLS[number % len(_PULLS)][3]}"

    about = "the cable pulled before every byte, both ways: one way or both, for good or for a while"
    return _family("lpull", about, len(places()) * len(_PULLS), make, describe)


# ---- pairs, and the power with the line ------------------------------------------------------------------------------

PAIR_FAULTS = (
    "dropped",
    "flipped",
    "doubled",
    "cut",
    "late",
    "lost",
    "twice",
    "+1",
    "+3",
    "again +2",
    "again +6",
    "stale",
)
DRAWN = (True, True, True, True, True, False, False, False, False, False, False, True)
"""Which of them take a byte, a bit or a stale frame that is drawn."""
PAIR_DRAWS = (1, 6, 12)
"""Times that a pair of kinds is drawn: none, one or both of them with something to draw."""
MORE_FRAMES = 2
"""The second fault may meet a frame that is only sent because of the first one."""


@functools.cache
def _slots() -> tuple[tuple[int, int], ...]:
    frames = world().clean.frames
    return tuple((way, number) for way in _BOTH for number in range(1, len(frames[way]) + MORE_FRAMES + 1))


def _put(script: Script, kind: int, key: tuple[int, int], number: int, salt: int) -> None:
    """One of PAIR_FAULTS on that frame; byte, bit and stale frame drawn by number and salt."""
    at = _draw(number, salt, 4096)
    changes = script.frames.setdefault(key, [])
    if kind < 5:
        bit = _draw(number, salt + 1, 8)
        changes.append(_byte_fault((0, 4 + bit, 1, 2, 3)[kind], at))
    elif kind in (5, 6):
        changes.append((_lose, _twice)[kind - 5])
    elif kind in (7, 8):
        script.hold[key] = (1, 3)[kind - 7]
    elif kind in (9, 10):
        script.again[key] = (2, 6)[kind - 9]
    else:
        stale = world().stale[False].frames[key[0]]
        changes.append(_behind(stale[_draw(number, salt + 1, len(stale))], at))


def _pairs() -> Family:
    slots = _slots()
    both = [(a, b) for index, a in enumerate(slots) for b in slots[index + 1 :]]
    every = range(len(PAIR_FAULTS))
    kinds = [(a, b) for a in every for b in every for _ in range(PAIR_DRAWS[DRAWN[a] + DRAWN[b]])]
    total = len(both) * len(kinds)

    def split(number: int) -> tuple[tuple[int, int], int, tuple[int, int], int]:
        place, kind = divmod(number, len(kinds))
        return both[place][0], kinds[kind][0], both[place][1], kinds[kind][1]

    def make(number: int) -> tuple[Script, int]:
        a, first, b, second = split(number)
        script = Script()
        _put(script, first, a, number, 11)
        _put(script, second, b, number, 22)
        return script, 2

    def describe(number: int) -> str:
        a, first, b, second = split(number)
        parts = [f"frame {key[1]} {_WAYS[key[0]]} {PAIR_FAULTS[kind]}" for key, kind in ((a, first), (b, second))]
        return " and ".join(parts)

    about = "two of those faults: all pairs of frames and kinds, bytes drawn up to twelve times"
    return _family("lpair", about, total, make, describe)


_CUT_BYTES = (0, 1, 8, 31, 64, 100_000)
_RESTARTS = (0, 2, 300, 1_000, 3_000, 7_000)


def _power() -> Family:
    slots = (None, *((way, number) for way, number, _ in _lengths(world())))
    kinds, operations = len(PAIR_FAULTS), world().operations
    cases = [(slot, kind) for slot in slots for kind in range(kinds if slot else 1)]
    total = len(cases) * operations * len(_CUT_BYTES) * len(_RESTARTS)

    def split(number: int) -> tuple[tuple[int, int] | None, int, int, int, int]:
        rest, restart = divmod(number, len(_RESTARTS))
        rest, amount = divmod(rest, len(_CUT_BYTES))
        rest, operation = divmod(rest, operations)
        slot, kind = cases[rest]
        return slot, kind, operation + 1, _CUT_BYTES[amount], _RESTARTS[restart]

    def make(number: int) -> tuple[Script, int]:
        slot, kind, operation, amount, restart = split(number)
        script = Script(cut_after=operation, cut_bytes=amount, restart_ms=restart)
        if slot is not None:
            _put(script, kind, slot, number, 33)
        return script, 1

    def describe(number: int) -> str:
        slot, kind, operation, amount, restart = split(number)
        line = f"frame {slot[1]} {_WAYS[slot[0]]} {PAIR_FAULTS[kind]}, and " if slot is not None else ""
        back = f"back after {restart} ms" if restart else "not back while the PC asks"
        return f"{line}the power goes {amount} bytes into flash operation {operation}, {back}"

    about = "the power cut in every flash operation of an upload, with every frame spoilt, back early, late or not"
    return _family("lpower", about, total, make, describe)


def _first() -> Family:
    """The first table ever: the cable before every byte, the power in every operation."""
    found = _places(empty_world())
    cuts = [
        (operation, amount, restart)
        for operation in range(1, empty_world().operations + 1)
        for amount in _CUT_BYTES
        for restart in _RESTARTS
    ]
    pulled = len(found) * len(_PULLS)

    def make(number: int) -> tuple[Script, int]:
        if number < pulled:
            ways, told, plugged_ms, _ = _PULLS[number % len(_PULLS)]
            return Script(pull_at=found[number // len(_PULLS)], pull_ways=ways, told=told, plugged_ms=plugged_ms), 1
        operation, amount, restart = cuts[number - pulled]
        return Script(cut_after=operation, cut_bytes=amount, restart_ms=restart), 1

    def describe(number: int) -> str:
        if number < pulled:
            return f"before {_where(*found[number // len(_PULLS)])} the cable goes: {_PULLS[number % len(_PULLS)][3]}"
        operation, amount, restart = cuts[number - pulled]
        return f"the power goes {amount} bytes into flash operation {operation}, back after {restart} ms (0: not)"

    about = "the first table ever: the cable pulled before every byte, the power cut in every operation"
    return _family("lfirst", about, pulled + len(cuts), make, describe, empty_world)


def families() -> tuple[Family, ...]:
    assert len(NEW) > 352, "two blocks"
    return (_bytes(), _frames(), _stale(), _pulls(), _first(), _pairs(), _power())
