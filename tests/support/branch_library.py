"""The controller of link_library.py with more handles on it (branch_bench.c): memory and assertions that fail."""

from __future__ import annotations

import ctypes
import functools
import subprocess
from pathlib import Path

import numpy as np
from link_library import Controller, declare_link
from scratch import scratch_folder
from store_library import CORE, FLAGS, compiler


@functools.cache
def library() -> ctypes.CDLL:
    """The core with both benches."""
    target = scratch_folder("branch_library_") / "branch.so"
    sources = [*sorted(CORE.glob("*.c")), Path(__file__).with_name("branch_bench.c")]
    subprocess.run(
        [*compiler(), *FLAGS, "-shared", "-fPIC", "-o", str(target), *map(str, sources), f"-I{CORE}"],
        check=True,
        timeout=120,
    )
    core = declare_link(ctypes.CDLL(str(target)))
    core.branch_bench_start_again.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    core.branch_bench_write_flash.argtypes = [ctypes.c_void_p, ctypes.c_uint32, ctypes.c_char_p, ctypes.c_uint32]
    for name in ("branch_bench_capacity", "branch_bench_reads"):
        getattr(core, name).restype = ctypes.c_uint32
    core.core_read_i16.restype = ctypes.c_int16
    core.core_read_i32.restype = ctypes.c_int32
    for name in ("core_narrow", "core_whole_q16"):
        getattr(core, name).argtypes = [ctypes.c_int64]
        getattr(core, name).restype = ctypes.c_int32
    core.core_floor_q16.argtypes = [ctypes.c_int64]
    core.core_floor_q16.restype = ctypes.c_int64
    return core


class Handled(Controller):
    """A controller whose memory and assertions the test has in its hand."""

    def __init__(self, machine_id: str) -> None:
        self.core = library()
        self.core.core_assert_clear()
        self._block = ctypes.create_string_buffer(self.core.link_bench_bytes())
        self._out = ctypes.create_string_buffer(8192)
        self.core.link_bench_erase_all(self._block)
        self.key = True
        self.start(machine_id)

    def fail_reads(self, fail: bool) -> None:
        """From now on every read of the memory fails, or none does."""
        self.core.branch_bench_fail_reads(self._block, int(fail))

    def fail_programs(self, fail: bool) -> None:
        """From now on the memory does no program and says so, or does every one."""
        self.core.branch_bench_fail_programs(self._block, int(fail))

    def fail_read_number(self, number: int) -> None:
        """Of the reads of the memory from now on this one fails, counted from 1; 0: none."""
        self.core.branch_bench_fail_read_number(self._block, number)

    @property
    def reads(self) -> int:
        """Since fail_read_number."""
        return self.core.branch_bench_reads()

    def read_in_place(self) -> None:
        """From now on the memory is looked at where it lies, and there is no room to copy it to."""
        self.core.branch_bench_map(self._block)

    def work(self, byte_count: int) -> None:
        """Room for a copy of the table."""
        self.core.branch_bench_work(self._block, byte_count)

    @property
    def capacity(self) -> int:
        return self.core.branch_bench_capacity(self._block)

    def start_again(self, firmware: str = "test") -> int:
        """Starts on what is in flash; all that was set stays set."""
        self._firmware = ctypes.create_string_buffer(firmware.encode())
        presence = self.core.branch_bench_start_again(self._block, self._firmware)
        self.tick()
        return presence

    def write_flash(self, at: int, data: bytes) -> None:
        """Behind the store's back."""
        self.core.branch_bench_write_flash(self._block, at, data, len(data))

    def lie(self) -> None:
        """The platform's transmit says from now on that it took more than it was given."""
        self.core.branch_bench_lie(self._block)

    def shift_slots(self, byte_count: int) -> None:
        """The store's configuration is overwritten while it is in use."""
        self.core.branch_bench_shift_slot(self._block, byte_count)

    @property
    def assert_line(self) -> int:
        """Of the first assertion that failed, 0 without one."""
        return self.core.core_assert_line()

    def drives(self, digital: int, counts: list[int], elapsed_us: int) -> tuple[int, int]:
        """One tick: (joints with a drive that is not zero, enable output)."""
        record = np.zeros(66, dtype=np.int32)
        record[:2] = elapsed_us, digital
        record[2 : 2 + len(counts)] = counts
        enable = ctypes.c_int32()
        driven = self.core.branch_bench_drives(
            self._block, record.ctypes.data_as(ctypes.c_void_p), ctypes.byref(enable)
        )
        return driven, enable.value

    def valve(self, speed_mdeg_s: int, flow_e4: int) -> int:
        """Drive (e4) of joint 0 of the table in use: rule L8 alone."""
        return self.core.branch_bench_valve(self._block, speed_mdeg_s, flow_e4)

    def view(self, *, fresh: bool, offset: int = 0, byte_count: int = 0) -> int:
        """Result of store_view, or of store_read of byte_count bytes."""
        return self.core.branch_bench_view(self._block, int(fresh), offset, byte_count)

    def offer(self, data: bytes) -> bytes:
        """Bytes from the line in and out, with no poll before: what came between two polls."""
        self.core.link_bench_receive(self._block, data, len(data))
        return self._take()
