"""The core on an emulated Cortex-M4: memory, calls, and what they cost in instructions and stack.

Emulated with unicorn, which executes instructions one for one and knows no cycles. Its hooks are set once, before the
first call: code that was translated before a hook was set would pass it by.
"""

from __future__ import annotations

import ctypes
from pathlib import Path

import numpy as np
from arm_build import host_library
from elftools.elf.elffile import ELFFile
from numpy.typing import NDArray
from unicorn import (
    UC_ARCH_ARM,
    UC_HOOK_BLOCK,
    UC_HOOK_CODE,
    UC_MODE_MCLASS,
    UC_MODE_THUMB,
    UC_PROT_EXEC,
    UC_PROT_READ,
    UC_PROT_WRITE,
    Uc,
    UcError,
)
from unicorn.arm_const import (
    UC_ARM_REG_LR,
    UC_ARM_REG_PC,
    UC_ARM_REG_R0,
    UC_ARM_REG_R1,
    UC_ARM_REG_R2,
    UC_ARM_REG_R3,
    UC_ARM_REG_SP,
    UC_CPU_ARM_CORTEX_M4,
)
from unicorn.unicorn_py3.unicorn import uclib

CODE, RAM, ARENA = 0x0800_0000, 0x2000_0000, 0x6000_0000
CODE_BYTES, RAM_BYTES, ARENA_BYTES = 0x10_0000, 0x4_0000, 0x200_0000
STACK_BYTES = 0x8000
_STACK_TOP = RAM + RAM_BYTES
_RETURN = CODE + CODE_BYTES - 16
_PAINT = b"\xa5"
_MEMORY = {CODE: CODE_BYTES, RAM: RAM_BYTES, ARENA: ARENA_BYTES}
_ACCESS = {CODE: UC_PROT_READ | UC_PROT_EXEC, RAM: UC_PROT_READ | UC_PROT_WRITE, ARENA: UC_PROT_READ | UC_PROT_WRITE}
_ARGUMENTS = (UC_ARM_REG_R0, UC_ARM_REG_R1, UC_ARM_REG_R2, UC_ARM_REG_R3)

Words = NDArray[np.uint32]


class _Counter(ctypes.Structure):
    """counter_t of counter.c."""

    _fields_ = [
        ("code", ctypes.c_void_p),
        *[(name, ctypes.c_uint32) for name in ("code_address", "code_bytes", "step_address")],
        *[(name, ctypes.c_uint32) for name in ("caller_first", "caller_last")],
        ("steps", ctypes.c_void_p),
        *[(name, ctypes.c_uint32) for name in ("steps_max", "step_count", "counting", "outside")],
        *[(name, ctypes.c_uint32) for name in ("passed_first", "passed_last")],
    ]


class ArmError(RuntimeError):
    """The emulated processor stopped where it must not: says at which instruction and of which function."""


class ArmCore:
    """One processor with the core in its memory.

    Attributes:
        arena: ARENA_BYTES of its memory, at ARENA, shared with Python.
    """

    def __init__(self, program: Path, count: str = "") -> None:
        """count: "" nothing, "blocks" instructions block by block, "instructions" one by one (slow, to check)."""
        self.program = program
        self._memory = {start: np.zeros(size, dtype=np.uint8) for start, size in _MEMORY.items()}
        self.arena = self._memory[ARENA]
        self.uc = Uc(UC_ARCH_ARM, UC_MODE_THUMB | UC_MODE_MCLASS)
        self.uc.ctl_set_cpu_model(UC_CPU_ARM_CORTEX_M4)
        for start, memory in self._memory.items():
            self.uc.mem_map_ptr(start, len(memory), _ACCESS[start], memory.ctypes.data)
        self.symbols, self._functions = self._load(program)
        self._steps = np.zeros(0, dtype=np.uint32)
        self._counter = _Counter()
        if count:
            self._count_by(count)

    def _load(self, program: Path) -> tuple[dict[str, int], dict[str, tuple[int, int]]]:
        with program.open("rb") as file:
            elf = ELFFile(file)
            for segment in elf.iter_segments():
                if segment["p_type"] == "PT_LOAD" and segment["p_filesz"]:
                    self.write(segment["p_paddr"], segment.data())
            table = elf.get_section_by_name(".symtab")
            found = {symbol.name: (symbol["st_value"] & ~1, symbol["st_size"]) for symbol in table.iter_symbols()}
        return {name: place for name, (place, _) in found.items()}, found

    def _count_by(self, how: str) -> None:
        first, size = self._functions["entry_run"]
        code = self._memory[CODE]
        self._counter.code = code.ctypes.data
        self._counter.code_address, self._counter.code_bytes = CODE, len(code)
        self._counter.step_address = self.symbols["law_step"]
        self._counter.caller_first, self._counter.caller_last = first, first + size
        name, kind = {
            "blocks": ("counter_block", UC_HOOK_BLOCK),
            "instructions": ("counter_instruction", UC_HOOK_CODE),
        }[how]
        self._library = ctypes.CDLL(str(host_library()))
        function = ctypes.cast(getattr(self._library, name), ctypes.c_void_p)
        hook = ctypes.c_size_t()
        status = uclib.uc_hook_add(
            self.uc._uch,
            ctypes.byref(hook),
            kind,
            function,
            ctypes.byref(self._counter),
            ctypes.c_uint64(1),
            ctypes.c_uint64(0),
        )
        if status != 0:
            raise ArmError(f"unicorn took no hook: {status}")
        self.uc.ctl_flush_tb()

    def write(self, address: int, data: bytes) -> None:
        self.uc.mem_write(address, data)

    def read(self, address: int, count: int) -> bytes:
        return bytes(self.uc.mem_read(address, count))

    def call(self, function: str, *arguments: int) -> int:
        """Calls with up to four words; what it returns in r0. Raises ArmError when it does not come back."""
        uc = self.uc
        for register, value in zip(_ARGUMENTS, arguments, strict=False):
            uc.reg_write(register, value)
        uc.reg_write(UC_ARM_REG_SP, _STACK_TOP)
        uc.reg_write(UC_ARM_REG_LR, _RETURN | 1)
        try:
            uc.emu_start(self.symbols[function] | 1, _RETURN)
        except UcError as error:
            raise ArmError(f"{function}: {error} at {self.where(uc.reg_read(UC_ARM_REG_PC))}") from error
        return int(uc.reg_read(UC_ARM_REG_R0))

    def high_word(self) -> int:
        """Of a 64-bit result: r1 after `call`."""
        return int(self.uc.reg_read(UC_ARM_REG_R1))

    def assert_line(self) -> int:
        """Line of the first assertion of the core that has failed since it was loaded, 0 for none."""
        return self.call("entry_assert_line")

    def where(self, address: int) -> str:
        inside = [name for name, (first, size) in self._functions.items() if first <= address < first + size and size]
        return f"0x{address:x} ({', '.join(inside) or 'no function'})"

    def counted(self, function: str, *arguments: int, steps: int) -> Words:
        """`call` of entry_run; instructions of each call of law_step that it made, from its first to its return.

        Raises:
            ArmError: other code ran, or there were not so many calls.
        """
        counts = np.zeros(steps, dtype=np.uint32)
        self._counter.steps, self._counter.steps_max = counts.ctypes.data, steps
        self._counter.step_count = self._counter.counting = self._counter.outside = 0
        self.call(function, *arguments)
        if self._counter.outside or self._counter.step_count != steps:
            raise ArmError(
                f"{self._counter.outside} blocks outside the code, {self._counter.step_count} of {steps} steps"
            )
        return counts

    def paint_stack(self) -> None:
        self.write(_STACK_TOP - STACK_BYTES, _PAINT * STACK_BYTES)

    def stack_used(self) -> int:
        """Bytes below the stack's top that were written since `paint_stack`."""
        left = self.read(_STACK_TOP - STACK_BYTES, STACK_BYTES)
        return STACK_BYTES - (len(left) - len(left.lstrip(_PAINT)))
