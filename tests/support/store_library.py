"""The unmodified C store, frames and digest, compiled for the tests, with a flash model underneath."""

from __future__ import annotations

import ctypes
import functools
import hashlib
import shutil
import subprocess
import sys
import zlib
from pathlib import Path

from flash_model import BUSY, FAILED, OK, Cut, Flash
from scratch import scratch_folder

ROOT = Path(__file__).resolve().parent.parent.parent
CORE = ROOT / "firmware_stub" / "core"
FLAGS = ["-std=c99", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Wmissing-prototypes", "-pedantic", "-Werror"]
SOURCES = ["core", "crc", "digest", "frame", "store", "store_choice", "store_look"]

_READ = ctypes.CFUNCTYPE(
    ctypes.c_int, ctypes.c_void_p, ctypes.c_uint32, ctypes.POINTER(ctypes.c_uint8), ctypes.c_uint32
)
_ERASE = ctypes.CFUNCTYPE(ctypes.c_int, ctypes.c_void_p, ctypes.c_uint32)

TAKE_0, TAKE_1, TAKE_NONE, TAKE_DAMAGED = range(4)
BLANK, RUBBISH, UNFINISHED, OPEN, DOUBT, SETTLED, DAMAGED = range(7)
PART_BLANK, PART_BAD, PART_GOOD = range(3)
VERDICT_BLANK, VERDICT_BAD, VERDICT_CONFIRMED, VERDICT_CANCELLED = range(4)
STORE_OK, STORE_BUSY, STORE_FAILED, STORE_NONE, STORE_DAMAGED, STORE_TOO_LONG, STORE_MISUSE = range(7)


class Facts(ctypes.Structure):
    """store_facts_t: header, commit and settled are PART_..., verdict VERDICT_...."""

    _fields_ = [
        ("header", ctypes.c_int),
        ("commit", ctypes.c_int),
        ("settled", ctypes.c_int),
        ("verdict", ctypes.c_int),
        ("whole", ctypes.c_bool),
    ]


class _Geometry(ctypes.Structure):
    _fields_ = [
        (name, ctypes.c_uint32) for name in ("slot_0", "slot_1", "sector_bytes", "sectors", "unit", "erased", "twice")
    ]


def compiler() -> list[str]:
    found = next((name for name in ("cc", "gcc", "clang") if shutil.which(name)), None)
    return [found] if found else [sys.executable, "-m", "ziglang", "cc"]


def compile_store(sources: list[Path], folder: Path) -> ctypes.CDLL:
    target = folder / f"store_{hashlib.sha256(b''.join(path.read_bytes() for path in sources)).hexdigest()[:12]}.so"
    subprocess.run(
        [*compiler(), *FLAGS, "-shared", "-fPIC", "-o", str(target), *map(str, sources), f"-I{CORE}"], check=True
    )
    library = ctypes.CDLL(str(target))
    for name in ("bytes", "encode", "receiver_bytes"):
        getattr(library, f"store_bench_{name}").restype = ctypes.c_size_t
    for name in ("sequence", "length", "capacity"):
        getattr(library, f"store_bench_{name}").restype = ctypes.c_uint32
    library.store_class_rows.restype = ctypes.c_uint32
    library.store_choose_rows.restype = ctypes.c_uint32
    library.core_assert_line.restype = ctypes.c_uint32
    library.store_class.argtypes = library.store_class_rows.argtypes = [ctypes.POINTER(Facts)]
    return library


@functools.cache
def library() -> ctypes.CDLL:
    sources = [CORE / f"{name}.c" for name in SOURCES] + [Path(__file__).with_name("store_bench.c")]
    return compile_store(sources, scratch_folder("store_library_"))


class Store:
    """One store on one flash. A rule that it breaks is kept in `broken` and raised by `check`: an exception cannot
    pass through C.
    """

    def __init__(self, flash: Flash, core: ctypes.CDLL | None = None) -> None:
        self.flash = flash
        self.core = core or library()
        self.broken: BaseException | None = None
        self._block = ctypes.create_string_buffer(self.core.store_bench_bytes())
        geometry = flash.geometry
        self._read, self._program, self._erase = _READ(self._on_read), _READ(self._on_program), _ERASE(self._on_erase)
        slots = geometry.slots
        numbers = _Geometry(
            slots[0],
            slots[1],
            geometry.sector_bytes,
            geometry.sectors,
            geometry.unit,
            geometry.erased,
            geometry.program_twice,
        )
        self.core.store_bench_memory(self._block, ctypes.byref(numbers), self._read, self._program, self._erase)

    def _on_read(self, _context, address, target, count) -> int:
        try:
            data = self.flash.read(address, count)
        except AssertionError as error:
            self.broken = error
            return FAILED
        if data is None:
            return FAILED
        ctypes.memmove(target, data, count)
        return OK

    def _on_program(self, _context, address, data, count) -> int:
        try:
            return self.flash.program(address, ctypes.string_at(data, count))
        except AssertionError as error:
            self.broken = error
            return FAILED

    def _on_erase(self, _context, address) -> int:
        try:
            return self.flash.erase(address)
        except AssertionError as error:
            self.broken = error
            return FAILED

    def check(self) -> None:
        if self.broken is not None:
            raise self.broken
        assert self.core.core_assert_line() == 0, f"assertion at line {self.core.core_assert_line()}"

    def start(self, cut: Cut | None = None) -> int:
        self.flash.power_on(cut)
        result = self.core.store_bench_start(self._block)
        self.check()
        return result

    @property
    def sequence(self) -> int:
        """Of the table in use, 0 without one."""
        return self.core.store_bench_sequence(self._block)

    @property
    def capacity(self) -> int:
        return self.core.store_bench_capacity(self._block)

    def slot_class(self, slot: int) -> int:
        return self.core.store_bench_slot_class(self._block, slot)

    def table(self) -> bytes | None:
        if self.sequence == 0:
            return None
        length = self.core.store_bench_length(self._block)
        target = (ctypes.c_uint8 * max(1, length))()
        result = self.core.store_bench_read(self._block, 0, 0, target, length)
        assert result == STORE_OK
        return bytes(target)[:length]

    def begin(self, data: bytes) -> int:
        return self.core.store_bench_begin(self._block, len(data), zlib.crc32(data), hashlib.sha256(data).digest())

    def write(self, offset: int, part: bytes) -> int:
        return self.core.store_bench_write(self._block, offset, part, len(part))

    def erase_step(self) -> int:
        return self.core.store_bench_erase_step(self._block)

    def commit(self) -> int:
        return self.core.store_bench_commit(self._block)

    def upload(self, data: bytes, block_bytes: int = 256) -> int:
        """The whole way from begin to commit; ends at the first step that does not do it."""
        result = self.begin(data)
        for _ in range(self.flash.geometry.sectors + 2):
            if result not in (STORE_OK, STORE_BUSY):
                break
            result = self.erase_step()
            if result != BUSY:
                break
        for offset in range(0, len(data), block_bytes):
            if result == STORE_OK:
                result = self.write(offset, data[offset : offset + block_bytes])
        if result == STORE_OK:
            result = self.commit()
        self.check()
        return result
