"""The law built from sources that were changed on purpose, and the check's modules made to run it."""

from __future__ import annotations

import ctypes
import functools
import importlib
import pkgutil
import subprocess
from collections.abc import Iterable
from pathlib import Path

from scratch import scratch_folder

import mapper.check
from mapper.check.reuse import Kept
from mapper.law.core import Core

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware_stub"
BENCH = ("bench.c", "bench_safety.c", "bench_tries.c")
_FLAGS = ["-std=c99", "-O1", "-fPIC", "-w"]

Change = tuple[str, str, str]
"""(file in core, text that it holds exactly once, what stands there instead)"""


def _compile(source: Path, target: Path, include: Path) -> None:
    command = ["cc", *_FLAGS, '-DCORE_SOURCE_DIGEST="changed"', f"-I{include}", "-c", "-o", str(target), str(source)]
    subprocess.run(command, check=True, timeout=120)


@functools.cache
def _objects() -> dict[str, Path]:
    """The law's sources as they are, compiled once: name to object file."""
    folder = scratch_folder("law-objects-")
    sources = [*sorted((FIRMWARE / "core").glob("*.c")), *(FIRMWARE / "bench" / name for name in BENCH)]
    objects = {}
    for source in sources:
        objects[source.name] = folder / f"{source.stem}.o"
        _compile(source, objects[source.name], FIRMWARE / "core")
    return objects


def changed_law(folder: Path, file: str, old: str, new: str) -> Core:
    """The law with one text of one of its files replaced.

    Args:
        folder: for what is built.
        file: name in firmware_stub/core.
        old: what it holds exactly once.
        new: what it holds instead.
    """
    return law_with(folder, ((file, old, new),))


def law_with(folder: Path, changes: Iterable[Change]) -> Core:
    """The law with several texts replaced. Arguments as of `changed_law`."""
    texts: dict[str, str] = {}
    for file, old, new in changes:
        text = texts.get(file) or (FIRMWARE / "core" / file).read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{file} holds {old!r} {text.count(old)} times: bring the defect up to date"
        texts[file] = text.replace(old, new)
    objects = dict(_objects())
    for file, text in texts.items():
        source = folder / file
        source.write_text(text, encoding="utf-8")
        objects[file] = folder / f"{source.stem}.o"
        _compile(source, objects[file], FIRMWARE / "core")
    library = folder / "law.so"
    subprocess.run(["cc", "-shared", "-o", str(library), *map(str, objects.values())], check=True, timeout=120)
    return Core(ctypes.CDLL(str(library)))


def run_by_the_check(monkeypatch, core: Core) -> None:
    """Makes every module of the check that loads the law take this one, with stores of its own for what the check
    keeps from one call to the next, so that nothing of one law is ever taken for another's. All of it ends with the
    test.
    """
    found = pkgutil.walk_packages(mapper.check.__path__, "mapper.check.")
    modules = [importlib.import_module(one.name) for one in found]
    asking = [module for module in modules if hasattr(module, "load_core")]
    assert {"result", "exhaust", "pilot", "tries"} <= {module.__name__.rpartition(".")[2] for module in asking}
    for module in asking:
        monkeypatch.setattr(module, "load_core", lambda: core)
    monkeypatch.setattr("mapper.check.result.PARTS", Kept(most=64))
