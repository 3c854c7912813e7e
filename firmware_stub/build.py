"""Builds the C core for the PC: the library that check and replay call, and the controller as a PC process; and, where
its compiler is, the controller for the emulated board (cortex_m/).

Run by pip through hatchling when the package is installed (class CoreHook), or by hand:
`python firmware_stub/build.py`. The compiler is $CC, cc, gcc or clang; where none is, pip brings `ziglang` for the
build only.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import runpy
import shutil
import subprocess
import sys
from pathlib import Path

_ROOT = Path(__file__).resolve().parent.parent
_FIRMWARE = _ROOT / "firmware_stub"
_LIBRARY = _ROOT / "mapper" / "law" / "_core.so"
_CONTROLLER = _ROOT / "mapper" / "link" / "_controller"
_BOARD = _ROOT / "mapper" / "link" / "_controller_m4.elf"
_BOARD_COMPILER = "arm-none-eabi-gcc"
# No contraction: the plant's doubles must be the same bits as its Python definition's.
_FLAGS = [
    "-std=c99",
    "-O2",
    "-ffp-contract=off",
    "-Wall",
    "-Wextra",
    "-Wconversion",
    "-Wmissing-prototypes",
    "-pedantic",
]


def sources_of_library() -> list[Path]:
    """C files of the library, sorted."""
    files = [
        *(_FIRMWARE / "core").glob("*.c"),
        *(_FIRMWARE / "bench").glob("*.c"),
        _ROOT / "mapper" / "replay" / "plant.c",
        _ROOT / "mapper" / "replay" / "stiff.c",
    ]
    return sorted(path for path in files if path.exists())


def sources_of_controller() -> list[Path]:
    """C files of the PC process, sorted."""
    return sorted([*(_FIRMWARE / "core").glob("*.c"), *(_FIRMWARE / "host").glob("*.c")])


def source_digest() -> str:
    """SHA-256 over every C source and header of core, bench, host and plant: name, length, bytes, in sorted order."""
    folders = [_FIRMWARE / "core", _FIRMWARE / "bench", _FIRMWARE / "host", _ROOT / "mapper" / "replay"]
    digest = hashlib.sha256()
    for path in sorted(file for folder in folders for file in folder.glob("*.[ch]")):
        data = path.read_bytes()
        digest.update(f"{path.relative_to(_ROOT).as_posix()}\n{len(data)}\n".encode() + data)
    return digest.hexdigest()


def _compiler() -> list[str]:
    found = os.environ.get("CC") or next((name for name in ("cc", "gcc", "clang") if shutil.which(name)), None)
    return found.split() if found else [sys.executable, "-m", "ziglang", "cc"]


def _compile(sources: list[Path], target: Path, extra: list[str]) -> None:
    """Into a file of its own first: a running process keeps the library that it has loaded."""
    fresh = target.with_name(f"{target.name}.{os.getpid()}.new")
    digest = f'-DCORE_SOURCE_DIGEST="{source_digest()}"'
    command = [
        *_compiler(),
        *_FLAGS,
        *os.environ.get("CFLAGS", "").split(),
        *extra,
        digest,
        f"-I{_FIRMWARE / 'core'}",
        "-o",
        str(fresh),
        *map(str, sources),
        "-lm",
    ]
    # Calls between the small files cost more than half of a step; a compiler without link-time optimisation goes
    # without it.
    fast = [*command, "-flto", "-fno-semantic-interposition"]
    if subprocess.run(fast, capture_output=True, check=False).returncode != 0:
        subprocess.run(command, check=True)
    fresh.replace(target)


def build() -> None:
    """Builds all of them. Raises CalledProcessError when a compiler refuses."""
    _build_host()
    if shutil.which(_BOARD_COMPILER):
        _build_board()
    else:
        print(f"{_BOARD_COMPILER} is not here: nothing was built for the emulated board (`--target emulator`)")


def _build_host() -> None:
    _compile(sources_of_library(), _LIBRARY, ["-shared", "-fPIC"])
    if any((_FIRMWARE / "host").glob("*.c")):
        _compile(sources_of_controller(), _CONTROLLER, [])


def _build_board() -> None:
    runpy.run_path(str(_FIRMWARE / "cortex_m" / "build.py"))["build"]()


def _build_for_package() -> list[Path]:
    """What goes into the package. The emulated board's firmware is an extra: whatever is wrong with its compiler, the
    package installs, and `--target emulator` says what is missing."""
    _build_host()
    _BOARD.unlink(missing_ok=True)
    if shutil.which(_BOARD_COMPILER):
        with contextlib.suppress(subprocess.CalledProcessError):
            _build_board()
    return [_LIBRARY, _CONTROLLER, *([_BOARD] if _BOARD.exists() else [])]


# Only when pip builds the package: a plain import stays light.
if "hatchling" in sys.modules:
    from hatchling.builders.hooks.plugin.interface import BuildHookInterface

    class CoreHook(BuildHookInterface):  # type: ignore[type-arg]
        """Hatchling build hook: compiles, and puts both files into the wheel."""

        PLUGIN_NAME = "custom"

        def dependencies(self) -> list[str]:
            return ["ziglang"] if "ziglang" in _compiler() else []

        def initialize(self, version: str, build_data: dict[str, object]) -> None:
            built = _build_for_package()
            build_data["pure_python"] = False
            build_data["infer_tag"] = True
            build_data["artifacts"] = [path.relative_to(_ROOT).as_posix() for path in built]


if __name__ == "__main__":
    build()
