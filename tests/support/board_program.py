"""The firmware of the emulated board, from the sources as they are now, and whether it can be built and run."""

from __future__ import annotations

import contextlib
import functools
import random
import runpy
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
from make_table import random_table
from scratch import scratch_folder

from mapper.link import EmulatedController
from mapper.table import encode_table

BUILD = Path(__file__).resolve().parent.parent.parent / "firmware_stub" / "cortex_m" / "build.py"
TOOLS = ("arm-none-eabi-gcc", "qemu-system-arm")
MISSING = [name for name in TOOLS if shutil.which(name) is None]
REASON = f"{' and '.join(MISSING)} not on this PC: apt-get install gcc-arm-none-eabi qemu-system-arm"


@functools.cache
def board_program() -> Path:
    """A copy of the one that was built last where that is of these sources, else a fresh one."""
    target = scratch_folder("board_program_") / "controller.elf"
    script = runpy.run_path(str(BUILD))
    with contextlib.suppress(FileNotFoundError):
        shutil.copyfile(script["TARGET"], target)
        if script["built_from"]().encode() in target.read_bytes():
            return target
    script["build"](target)
    return target


MACHINE = "bench-1"
KEY_ON = 32 | 3
OLD, NEW = (encode_table(replace(random_table(random.Random(seed), 1), machine_id=MACHINE)) for seed in (1, 2))


def start(flash: Path, machine: str = MACHINE, **options) -> EmulatedController:
    return EmulatedController.start(machine, flash, program=board_program(), **options)


def tick(controller, digital: int = KEY_ON) -> np.ndarray:
    return controller.tick(digital, np.zeros(64, dtype=np.int32), 5000)
