"""Builds the law with one mutation in it: everything is compiled once, then only the mutated file again.

The library for the suite has traps in the mutated file: undefined behaviour (an index outside its array, an overflow)
ends the process, as it does under the sanitizers of .ci/run.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from mutation import CORE, Mutation

_ROOT = CORE.parents[1]
_REPLAY = _ROOT / "mapper" / "replay"
_FLAGS = ["-std=c99", "-O2", "-fPIC", "-ffp-contract=off"]
_STRICT = [
    "-Wall",
    "-Wextra",
    "-Wconversion",
    "-Wmissing-prototypes",
    "-Wshadow",
    "-pedantic",
    "-Werror",
    "-ffreestanding",
]
_TRAPS = ["-fsanitize=undefined", "-fsanitize-undefined-trap-on-error"]
_STRICTER = "-fsanitize=bounds-strict"  # gcc's: the last array of a structure too


class Nursery:
    """A folder with the objects of every source file; `library` gives the path of a mutated library.

    Args:
        folder: empty, for this process alone.

    Raises:
        FileNotFoundError: no C compiler on the path ($CC, cc, gcc, clang).
        subprocess.CalledProcessError: the sources themselves do not compile.
    """

    def __init__(self, folder: Path) -> None:
        found = os.environ.get("CC") or next((name for name in ("cc", "gcc", "clang") if shutil.which(name)), None)
        if found is None:
            raise FileNotFoundError("no C compiler (cc, gcc or clang): install one, or name it in $CC")
        self._compiler = found.split()
        self._traps = [*_TRAPS, _STRICTER] if self._knows(_STRICTER) else _TRAPS
        self._folder = folder
        self._sources = folder / "core"
        shutil.copytree(CORE, self._sources)
        bench = shutil.copytree(CORE.parent / "bench", folder / "bench")
        files = [*self._sources.glob("*.c"), *bench.glob("*.c"), _REPLAY / "plant.c", _REPLAY / "stiff.c"]
        self._objects = {}
        for path in files:
            self._objects[path.name] = folder / f"{path.stem}.o"
            self._compile(path, self._objects[path.name], ["-w"])

    def _knows(self, flag: str) -> bool:
        command = [*self._compiler, flag, "-x", "c", "-fsyntax-only", os.devnull]
        return subprocess.run(command, capture_output=True, timeout=120).returncode == 0

    def _compile(self, source: Path, target: Path, extra: list[str]) -> None:
        digest = '-DCORE_SOURCE_DIGEST="mutant"'
        include = [f"-I{self._sources}", f"-I{source.parent}"]
        subprocess.run(
            [*self._compiler, *_FLAGS, *extra, digest, *include, "-c", str(source), "-o", str(target)],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip

    def sound(self) -> Path:
        """The library without any mutation, by the same flags."""
        return self._link({}, "sound.so")

    def library(self, mutation: Mutation, *, traps: bool = False) -> Path | None:
        """None: the compiler refuses it (it is caught before it could run)."""
        target = self._mutated(mutation, ["-w", *(self._traps if traps else [])])
        return None if target is None else self._link({mutation.file: target}, "mutant.so")

    def warned(self, mutation: Mutation) -> bool:
        """The compiler warns of it with the flags of .ci/run, where a warning is an error."""
        return self._mutated(mutation, _STRICT) is None

    def _mutated(self, mutation: Mutation, extra: list[str]) -> Path | None:
        path = self._sources / mutation.file
        mutated = self._sources / f"{path.stem}.mutant.c"
        mutated.write_text(mutation.applied(path.read_text()))
        target = self._folder / f"{path.stem}.mutant.o"
        try:
            self._compile(mutated, target, extra)
        except subprocess.CalledProcessError:
            return None
        finally:
            mutated.unlink()
        return target

    def _link(self, instead: dict[str, Path], name: str) -> Path:
        library = self._folder / name
        objects = [str(instead.get(file, path)) for file, path in self._objects.items()]
        subprocess.run(
            [*self._compiler, "-shared", "-o", str(library), *objects, "-lm"],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        return library
