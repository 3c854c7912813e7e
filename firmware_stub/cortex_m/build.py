"""Builds the controller for the emulated Cortex-M4 board: mapper/link/_controller_m4.elf.

`python firmware_stub/cortex_m/build.py` by hand; firmware_stub/build.py calls `build` when the compiler is there
(Debian and Ubuntu: `apt-get install gcc-arm-none-eabi`). Needs nothing else: no library, no headers but the compiler's.
"""

from __future__ import annotations

import hashlib
import os
import runpy
import shutil
import subprocess
import sys
from pathlib import Path

_HERE = Path(__file__).resolve().parent
_FIRMWARE = _HERE.parent
_ROOT = _FIRMWARE.parent
TARGET = _ROOT / "mapper" / "link" / "_controller_m4.elf"
COMPILER = "arm-none-eabi-gcc"
FLAGS = [
    "-std=c99",
    "-O2",
    "-mcpu=cortex-m4",
    "-mthumb",
    "-ffreestanding",
    "-fno-tree-loop-distribute-patterns",
    "-Wall",
    "-Wextra",
    "-Wconversion",
    "-Wmissing-prototypes",
    "-Wshadow",
    "-pedantic",
    "-Werror",
]

WHOLE_PROGRAM = ["-flto", "-flto-partition=one"]
"""Calls between the core's small files cost a fifth of a step; tests/arm counts its instructions with these flags."""


def port_digest() -> str:
    """SHA-256 over the board's own sources: name, length, bytes, in sorted order."""
    digest = hashlib.sha256()
    for path in sorted(file for file in _HERE.iterdir() if file.suffix in (".c", ".h", ".ld")):
        data = path.read_bytes()
        digest.update(f"{path.name}\n{len(data)}\n".encode() + data)
    return digest.hexdigest()


def core_digest() -> str:
    """The digest that the PC's controller and library carry too."""
    return str(runpy.run_path(str(_FIRMWARE / "build.py"))["source_digest"]())


def built_from() -> str:
    """What the file has to hold to be built from the sources as they are now (main.c)."""
    return f"core {core_digest()} port {port_digest()}"


def build(target: Path = TARGET) -> None:
    """Builds the file and prints what it takes. Raises CalledProcessError when the compiler refuses."""
    fresh = target.with_name(f"{target.name}.{os.getpid()}.new")
    memory, apart = _HERE / "memory.c", fresh.with_suffix(".o")
    sources = [*sorted({*_HERE.glob("*.c")} - {memory}), *sorted((_FIRMWARE / "core").glob("*.c"))]
    # What the compiler itself may call (memcpy, memset) must not be part of what it sees whole: it would throw it away.
    subprocess.run([COMPILER, *FLAGS, "-c", "-o", str(apart), str(memory)], check=True)
    subprocess.run(
        [
            COMPILER,
            *FLAGS,
            *WHOLE_PROGRAM,
            f'-DCORE_SOURCE_DIGEST="{core_digest()}"',
            f'-DPORT_SOURCE_DIGEST="{port_digest()}"',
            "-nostdlib",
            "-Wl,--fatal-warnings,--print-memory-usage",
            f"-Wl,-T,{_HERE / 'link.ld'}",
            "-o",
            str(fresh),
            *map(str, sources),
            str(apart),
            "-lgcc",
        ],
        check=True,
    )
    apart.unlink()
    fresh.replace(target)


if __name__ == "__main__":
    if shutil.which(COMPILER) is None:
        sys.exit(f"{COMPILER} is missing: apt-get install gcc-arm-none-eabi")
    build()
