"""Builds the fuzz targets: with libFuzzer and the sanitizers, or as a plain program that runs over files."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import fuzz_seeds

HERE = Path(__file__).resolve().parent
CORE = HERE.parent.parent / "firmware_stub" / "core"
TARGETS = ("frames", "table", "law", "link")
_SHARED = ("fuzz_support", "fuzz_encode", "fuzz_check", "fuzz_fill")
_WARNINGS = "-std=c99 -Wall -Wextra -Wconversion -Wmissing-prototypes -Wshadow -pedantic -Werror"
_SANITIZERS = ("-fno-sanitize-recover=all", "-fsanitize=address,undefined")
_TRACED = ("-fsanitize=fuzzer-no-link",)  # what the fuzzer is to explore: the core, and the scripts of law and link
_UNCOMPARED = ("crc.c", "digest.c")  # their loops compare nothing that an input decides, and cost half of a run
_OWN_FILL = ("-Dcore_fill=core_fill_slow", "-Dcore_copy=core_copy_slow")  # fuzz_fill.c has the two instead


class FuzzBuildError(Exception):
    """No clang with libFuzzer, or the compiler refuses."""


def fuzzing_compiler() -> str | None:
    """A clang that can link libFuzzer, None where there is none."""
    for name in ("clang", "clang-14", "clang-19"):
        if shutil.which(name) is not None:
            asked = [name, "-print-file-name=libclang_rt.fuzzer-x86_64.a"]
            found = subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()
            if Path(found).is_file():
                return name
    return None


def any_compiler() -> str | None:
    """Of the system, None where there is none."""
    return next((name for name in ("cc", "gcc", "clang") if shutil.which(name)), None)


def _run(commands: Iterable[Sequence[str]]) -> None:
    def one(command: Sequence[str]) -> str:
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
        return "" if done.returncode == 0 else f"{' '.join(command)}\n{done.stderr}"

    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        failed = [text for text in pool.map(one, commands) if text]
    if failed:
        raise FuzzBuildError(failed[0])


def _objects(
    compiler: str, flags: Sequence[str], core: Path, folder: Path, fuzzer: bool, sound: Path | None
) -> list[str]:
    """The core and what the targets share, compiled; their names."""
    commands, objects = [], []
    for source in [*sorted(core.glob("*.c")), *(HERE / f"{name}.c" for name in _SHARED)]:
        unchanged = source.parent == HERE or source.read_bytes() == (CORE / source.name).read_bytes()
        if sound is not None and unchanged:
            objects.append(str(sound / f"{source.stem}.o"))
            continue
        objects.append(str(folder / f"{source.stem}.o"))
        own = list(_OWN_FILL) if source.name == "core.c" else []
        if fuzzer and source.parent == core:
            own += _TRACED
            own += ["-fno-sanitize-coverage=trace-cmp"] if source.name in _UNCOMPARED else []
        commands.append([compiler, *flags, *own, "-c", "-o", objects[-1], str(source)])
    _run(commands)
    return objects


def build(
    targets: Sequence[str], folder: Path, *, fuzzer: bool, core: Path = CORE, sound: Path | None = None
) -> dict[str, Path]:
    """Compiles targets.

    Args:
        targets: of TARGETS.
        folder: for what is built; exists.
        fuzzer: True: libFuzzer with sanitizers; False: a program that takes names of files.
        core: the core's sources, as they are or changed on purpose.
        sound: folder of an earlier build of the core as it is; its objects are taken for the files that are unchanged.

    Returns:
        The programs, by target.

    Raises:
        FuzzBuildError: there is no compiler for it, or it refuses.
    """
    compiler = fuzzing_compiler() if fuzzer else any_compiler()
    if compiler is None:
        wanted = "clang with libFuzzer (Debian: apt-get install clang)" if fuzzer else "a C compiler"
        raise FuzzBuildError(f"{wanted} is not here")
    (folder / "fuzz_tables.h").write_text(fuzz_seeds.tables_header(), encoding="ascii")
    flags = [*_WARNINGS.split(), "-g", "-O2" if fuzzer else "-O1", f"-I{core}", f"-I{HERE}", f"-I{folder}"]
    if fuzzer:
        flags += _SANITIZERS
    objects = _objects(compiler, flags, core, folder, fuzzer, sound)
    objects += [] if fuzzer else [str(HERE / "fuzz_replay.c")]
    programs = {target: folder / f"fuzz_{target}" for target in targets}
    commands = []
    for target, program in programs.items():
        own = [f"-DFUZZ_WITH_{target.upper()}", "-o", str(program), str(HERE / f"fuzz_{target}.c")]
        if fuzzer:
            coverage = ["-fno-sanitize-coverage=trace-cmp,trace-pc-guard,inline-8bit-counters,pc-table"]
            own += ["-DFUZZ_MUTATOR", "-fsanitize=fuzzer", *(coverage if target == "frames" else [])]
        commands.append([compiler, *flags, *own, *objects])
    _run(commands)
    return programs
