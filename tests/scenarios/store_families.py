"""The store's scenarios: power cuts, faulty memory and rot, played in C on the unmodified store (store_campaign.h)."""

from __future__ import annotations

import ctypes
import functools
import random
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from family import Family, Lost, Outcome
from make_table import random_table
from store_library import CORE, ROOT, compiler

sys.path.insert(0, str(ROOT))  # a checkout that is not installed

from mapper.table import encode_table

HERE = Path(__file__).resolve().parent
FLAGS = ["-std=c99", "-O2", "-Wall", "-Wextra", "-Wconversion", "-Wmissing-prototypes", "-pedantic", "-Werror"]
STORE_SOURCES = ("store", "store_choice", "store_look")
CAMPAIGN_SOURCES = (
    *("nor", "nor_operation", "store_session", "store_context"),
    *("store_cuts", "store_faults", "store_drives", "store_campaign"),
)
EMPTY, KEPT, LOST = range(3)
_TEXT_BYTES, _WHY_BYTES = 65536, 200
_BUILD_SECONDS_MAX = 120


def compile_objects(folder: Path, sources: Sequence[Path]) -> list[Path]:
    """Each source as an object in `folder`, so that one that changes is compiled alone.

    Raises: FileNotFoundError without a C compiler; subprocess.CalledProcessError for sources that do not compile.
    """
    objects = [folder / f"{source.stem}.o" for source in sources]
    for source, target in zip(sources, objects, strict=True):
        command = [
            *compiler(),
            *FLAGS,
            "-fPIC",
            f"-I{source.parent}",
            f"-I{CORE}",
            "-c",
            "-o",
            str(target),
            str(source),
        ]
        subprocess.run(command, check=True, timeout=_BUILD_SECONDS_MAX)
    return objects


def link_campaign(target: Path, objects: Sequence[Path]) -> ctypes.CDLL:
    """The campaign as a library."""
    command = [*compiler(), "-shared", "-o", str(target), *map(str, objects)]
    subprocess.run(command, check=True, timeout=_BUILD_SECONDS_MAX)
    library = ctypes.CDLL(str(target))
    u32, text = ctypes.c_uint32, ctypes.c_char_p
    for name in ("families", "total", "chunk"):
        getattr(library, f"campaign_{name}").restype = u32
    for name in ("code", "about"):
        getattr(library, f"campaign_{name}").restype = text
    library.campaign_run.argtypes = [u32, u32, u32, u32, ctypes.c_void_p, ctypes.c_void_p]
    library.campaign_run.restype = None
    library.campaign_tell.argtypes = [u32, u32, text, ctypes.c_size_t, text]
    library.campaign_tell.restype = None
    library.session_give_tables.argtypes = [text, u32, text, u32]
    library.session_give_tables.restype = None
    old, new = machine_tables()
    library.session_give_tables(old, len(old), new, len(new))
    return library


@functools.cache
def machine_tables() -> tuple[bytes, bytes]:
    """Two tables that the same machine takes; kept, as the library does not copy them."""
    machine = random_table(random.Random(1), 2)
    first, second = (replace(machine, machine_id="scenario", revision=revision) for revision in (1, 2))
    return encode_table(first), encode_table(second)


def campaign_sources() -> list[Path]:
    """All but the store itself."""
    core = sorted(path for path in CORE.glob("*.c") if path.stem not in STORE_SOURCES)
    return core + [HERE / f"{name}.c" for name in CAMPAIGN_SOURCES]


def store_sources(core: Path = CORE) -> list[Path]:
    return [core / f"{name}.c" for name in STORE_SOURCES]


@functools.cache
def campaign_library() -> ctypes.CDLL:
    with tempfile.TemporaryDirectory(prefix="store_campaign_") as folder:  # a loaded library outlives its file
        objects = compile_objects(Path(folder), campaign_sources() + store_sources())
        return link_campaign(Path(folder) / "store_campaign.so", objects)


def tell(library: ctypes.CDLL, index: int, number: int) -> tuple[str, str]:
    """(what happens in that scenario, step by step; why it is lost, empty if it is not)."""
    text, why = ctypes.create_string_buffer(_TEXT_BYTES), ctypes.create_string_buffer(_WHY_BYTES)
    library.campaign_tell(index, number, text, _TEXT_BYTES, why)
    return text.value.decode(), why.value.decode()


def play(library: ctypes.CDLL, index: int, numbers: range) -> Outcome:
    """Those scenarios of that family."""
    keys, ends = np.zeros(len(numbers), np.uint64), np.zeros(len(numbers), np.uint8)
    library.campaign_run(index, numbers.start, numbers.step, len(numbers), keys.ctypes.data, ends.ctypes.data)
    lost = tuple(
        Lost(number=numbers[int(at)], why=tell(library, index, numbers[int(at)])[1] or "lost only within its chunk")
        for at in np.flatnonzero(ends == LOST)
    )
    return Outcome(keys=keys[ends != EMPTY], empty=int(np.count_nonzero(ends == EMPTY)), lost=lost)


def families_of(library: ctypes.CDLL) -> tuple[Family, ...]:
    """The campaign's families on that library."""
    return tuple(_family(library, index) for index in range(library.campaign_families()))


def _family(library: ctypes.CDLL, index: int) -> Family:
    def describe(number: int) -> str:
        return ", ".join(_first_lines(tell(library, index, number)[0]))

    return Family(
        code=library.campaign_code(index).decode(),
        about=library.campaign_about(index).decode(),
        total=library.campaign_total(index),
        chunk=library.campaign_chunk(index),
        run=lambda numbers: play(library, index, numbers),
        describe=describe,
        trace=lambda number: tell(library, index, number)[0].rstrip(),
    )


def _first_lines(text: str) -> Sequence[str]:
    """What the scenario is, before anything happens."""
    lines = text.splitlines()
    return lines[: next((at for at, line in enumerate(lines) if line.startswith(" ")), len(lines))]


def families() -> tuple[Family, ...]:
    return families_of(campaign_library())
