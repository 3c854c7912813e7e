"""Runs Frama-C's Eva from a driver of this folder and reads its alarms."""

from __future__ import annotations

import re
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import proof_sources
from proof_wp import MACHINE

HERE = Path(__file__).resolve().parent
_LAW = (
    "angle.c", "core.c", "coupled.c", "demand.c", "law.c", "motion.c", "safety.c", "sense.c", "tip.c",
    "valve.c", "waits.c", "watch.c",
)  # fmt: skip
_ALARM = re.compile(r"^\[eva:alarm\] (?P<file>[^:\n]+):(?P<line>\d+): Warning: ?(?P<text>.*(?:\n  .*)*)", re.M)
_COVERAGE = re.compile(r"(\d+) functions analyzed \(out of (\d+)\)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """What one analysis is given. `mistakes`: a CORE_ASSERT that may fail is an alarm, and taken to hold after it."""

    name: str
    file: str
    sources: tuple[str, ...]
    mistakes: bool = False
    macros: tuple[str, ...] = ()
    options: tuple[str, ...] = ()


_STEP = ("-eva-slevel", "0", "-eva-min-loop-unroll", "17", "-eva-auto-loop-unroll", "64", "-eva-plevel", "4000")
_FIELDS = ("-eva-slevel", "100", "-eva-auto-loop-unroll", "100", "-eva-plevel", "4000")
_FRAME = ("-eva-slevel", "50", "-eva-auto-loop-unroll", "40")
_ALL, _ONE = "JOINTS=16", "JOINTS=1"
_FOLLOW, _LEVER = "CONTROL=0", "CONTROL=1"
_FIELD_SOURCES = ("table_read.c", "core.c", "crc.c", "curve.c")
DRIVERS = (
    Driver(name="frame", file="eva_frame.c", sources=("frame.c", "core.c", "crc.c"), mistakes=True, options=_FRAME),
    Driver(name="fields", file="eva_fields.c", sources=_FIELD_SOURCES, mistakes=True, options=_FIELDS),
    Driver(name="law-follow", file="eva_law.c", sources=_LAW, macros=(_FOLLOW, _ALL), options=_STEP),
    Driver(name="law-speed", file="eva_law.c", sources=_LAW, macros=(_LEVER, _ALL), options=_STEP),
    Driver(name="law-one-joint", file="eva_law.c", sources=_LAW, macros=(_FOLLOW, _ONE), options=_STEP),
    Driver(name="law-assertions", file="eva_law.c", sources=_LAW, mistakes=True, macros=(_FOLLOW, _ALL), options=_STEP),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Alarm:
    file: str
    what: str  # the assertion's own text, or what Eva says; no line number


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    alarms: tuple[Alarm, ...]
    functions: int  # analysed
    of: int  # defined in the files


def _what(text: str, line: str) -> str:
    if "our_mistake" in text:
        return line.strip().split(";")[0]
    return " ".join(text.split())


def read_alarms(output: str, folder: Path) -> tuple[Alarm, ...]:
    """Each alarm once, in order."""
    found = {}
    for match in _ALARM.finditer(output):
        path = Path(match["file"])
        lines = (path if path.is_absolute() else folder / path).read_text().splitlines()
        alarm = Alarm(file=path.name, what=_what(match["text"], lines[int(match["line"]) - 1]))
        found[alarm] = alarm
    return tuple(found.values())


def run(driver: Driver) -> Analysis:
    """Analyses one driver.

    Raises:
        RuntimeError: Eva did not get to the end, or the driver's end was not reached; its last lines are in the text.
    """
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        proof_sources.copy_bare(folder, mistakes_are_alarms=driver.mistakes)
        flags = " ".join([f"-I{folder}", f"-I{HERE}", *(f"-D{macro}" for macro in driver.macros)])
        command = [
            "frama-c", "-machdep", MACHINE, f"-cpp-extra-args={flags}", "-eva", "-eva-no-print",
            "-eva-msg-key=-final-states",
            "-eva-split-return", "full", *driver.options, str(HERE / driver.file),
            *([str(HERE / "curve_as_proved.c")] if driver.sources == _LAW else []),
            *(str(folder / source) for source in driver.sources),
        ]  # fmt: skip
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=400)
        coverage = _COVERAGE.search(done.stdout)
        if done.returncode != 0 or coverage is None or "NON TERMINATING" in done.stdout:
            raise RuntimeError(
                f"{driver.name}: Eva ended with {done.returncode}:\n" + "\n".join(done.stdout.splitlines()[-12:])
            )
        alarms = read_alarms(done.stdout, folder)
    return Analysis(alarms=alarms, functions=int(coverage.group(1)), of=int(coverage.group(2)))
