"""Builds the unmodified core for a Cortex-M4, and the same files for the PC to compare with.

The compiler for ARM is arm-none-eabi-gcc where it is on the path, else the one that pip brings with `ziglang`. Linked
as one, as the PC's library is: the calls between the small files cost as much as the rest of a step.
"""

from __future__ import annotations

import functools
import importlib.util
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CORE = ROOT / "firmware_stub" / "core"
HERE = Path(__file__).resolve().parent
GCC, ZIG = "arm-none-eabi-gcc", "ziglang"

_WARNINGS = ["-Wall", "-Wextra", "-Wconversion", "-Wmissing-prototypes", "-Wshadow", "-pedantic", "-Werror"]
_COMMON = ["-std=c99", "-O2", "-ffreestanding", f"-I{CORE}", f"-I{HERE}"]
_ONE = ["-flto", "-flto-partition=one"]
_HEADS = {
    GCC: [GCC, "-mcpu=cortex-m4", "-mthumb"],
    ZIG: [sys.executable, "-m", "ziglang", "cc", "-target", "thumb-freestanding-eabi", "-mcpu=cortex_m4"],
}
_TAILS = {GCC: ["-lgcc"], ZIG: ["-rtlib=compiler-rt"]}
_NAMES = (
    *("angle", "core", "coupled", "crc", "curve", "demand", "digest", "frame", "law", "motion", "safety", "sense"),
    *("store", "store_choice", "store_look", "table", "table_coupled", "table_read", "tip", "valve", "waits", "watch"),
)
_LINK = f"-Wl,-T,{HERE / 'link.ld'},--entry=entry_run,--no-gc-sections"


def arm_compilers() -> tuple[str, ...]:
    """Those that can be used here, the preferred one first."""
    found = (GCC,) if shutil.which(GCC) else ()
    return (*found, ZIG) if importlib.util.find_spec("ziglang") else found


def missing() -> str | None:
    """What the emulated core needs and is not here, and where it comes from; None when all is."""
    lacking = [name for name in ("unicorn", "elftools") if importlib.util.find_spec(name) is None]
    if lacking:
        return f"{' and '.join(lacking)} cannot be imported: pip install -e '.[test]'"
    if not arm_compilers():
        return "no compiler for a Cortex-M4: pip install ziglang, or put arm-none-eabi-gcc on the path"
    return None


def _own(*names: str) -> list[str]:
    return [str(HERE / name) for name in names]


def _core() -> list[str]:
    return [str(CORE / f"{name}.c") for name in _NAMES]


@functools.cache
def _kept() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="arm_core_")  # removed when the process ends


def _folder() -> Path:
    return Path(_kept().name)


def _run(command: list[str]) -> None:
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False)
    if done.returncode != 0:
        raise RuntimeError(f"{' '.join(command)}\n{done.stderr}")


@functools.cache
def arm_program(compiler: str) -> Path:
    """The core, entry.c, flash.c and memory.c as an ELF file for a Cortex-M4; every warning is an error.

    Raises:
        RuntimeError: the compiler refuses; carries its output.
    """
    target, memory = _folder() / f"core_{compiler}.elf", _folder() / f"memory_{compiler}.o"
    _run([*_HEADS[compiler], *_COMMON, *_WARNINGS, "-c", *_own("memory.c"), "-o", str(memory)])
    whole = [*_HEADS[compiler], *_COMMON, *_WARNINGS, *(_ONE if compiler == GCC else _ONE[:1]), "-nostdlib"]
    files = [*_core(), *_own("entry.c", "flash.c"), str(memory)]
    _run([*whole, *files, _LINK, "-o", str(target), *_TAILS[compiler]])
    return target


def host_compiler() -> list[str]:
    found = next((name for name in ("cc", "gcc", "clang") if shutil.which(name)), None)
    return [found] if found else [sys.executable, "-m", "ziglang", "cc"]


@functools.cache
def host_library() -> Path:
    """The same files (less memory.c) for the PC, and the counter that unicorn calls."""
    target = _folder() / "core_host.so"
    files = [*_core(), *_own("entry.c", "flash.c", "counter.c")]
    _run([*host_compiler(), *_COMMON, *_WARNINGS, "-fPIC", "-shared", *files, "-o", str(target)])
    return target
