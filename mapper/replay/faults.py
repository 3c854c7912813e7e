"""Faults for a replay, from one line of text each: what breaks, when, where, for how long.

    TIME:KIND[:INPUT][:LENGTH]        12.5s:wire-cut:shoulder_yaw_1       8s:stop-press       20s:release:0.5s

Times are seconds on the recording's own clock: 0 is its first sample, negative lies in the generated beginning.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mapper.errors import MapperError
from mapper.law import INPUT_BITS
from mapper.profile.profile import Profile

KINDS = {
    "wire-cut": "an analog input reads 0 counts",
    "short": "an analog input reads the most counts there are",
    "stuck": "an analog input keeps the count it had",
    "stop-press": "the emergency stop is pressed: both channels open (1 s unless a length is given)",
    "stop-wire": "one emergency-stop channel opens: stop_1 or stop_2",
    "release": "the enabling device is let go (1 s unless a length is given)",
    "late-tick": "one tick comes 1 ms later than the controller allows",
}
_ANALOG = ("wire-cut", "short", "stuck")
_STOP_CHANNELS = ("stop_1", "stop_2")
_DEFAULT_LENGTH_S = {"stop-press": 1.0, "release": 1.0}
_TIME = re.compile(r"(-?[0-9]{1,5}(?:\.[0-9]{1,6})?) ?s", re.ASCII)
_EVER = 2**31 - 1


class FaultError(MapperError):
    """A fault that cannot be understood or placed; the message has the allowed kinds or names."""

    def __init__(self, message: str) -> None:
        super().__init__(message, exit_code=64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One fault; `length_s` None: to the end."""

    text: str  # as given
    time_s: float
    kind: str
    input_name: str | None
    length_s: float | None

    def in_words(self) -> str:
        """For the report: what happens, to what, for how long."""
        where = f" ({self.input_name})" if self.input_name else ""
        if self.kind == "late-tick":
            return f"{self.kind}: {KINDS[self.kind]}"
        span = "to the end" if self.length_s is None else f"for {self.length_s:g} s"
        return f"{self.kind}{where}: {KINDS[self.kind].split(' (')[0].split(': stop_1')[0]}, {span}"


@dataclass(frozen=True, slots=True, kw_only=True)
class CountFault:
    """A fault on an analog input in ticks: from first_tick, before end_tick, the input reads `count` or is stuck."""

    first_tick: int
    end_tick: int
    input_index: int
    stuck: bool
    count: int


def read_fault(text: str, profile: Profile) -> Fault:
    """One fault of the command line.

    Raises:
        FaultError: the text is not TIME:KIND[:INPUT][:LENGTH], or names a kind or input that there is not.
    """
    parts = [part.strip() for part in text.split(":")]
    if len(parts) < 2:
        raise FaultError(f"fault {text!r}: allowed is TIME:KIND[:INPUT][:LENGTH], for example 12.5s:stop-press")
    time_s = _seconds(parts[0], text)
    kind = parts[1]
    if kind not in KINDS:
        raise FaultError(f"fault {text!r}: kind {kind!r} is not known; allowed are {', '.join(KINDS)}")
    rest = parts[2:]
    name: str | None = None
    if kind in _ANALOG or kind == "stop-wire":
        names = [known for known, _ in profile.controller.inputs] if kind in _ANALOG else list(_STOP_CHANNELS)
        if not rest:
            raise FaultError(f"fault {text!r}: {kind} needs an input; allowed are {', '.join(names)}")
        name = rest.pop(0)
        if name not in names:
            raise FaultError(f"fault {text!r}: input {name!r} is not known; allowed are {', '.join(names)}")
    length_s = _DEFAULT_LENGTH_S.get(kind)
    if rest and kind != "late-tick":
        length_s = _seconds(rest.pop(0), text)
        if length_s <= 0.0:
            raise FaultError(f"fault {text!r}: the length must be above 0 s; leave it out for the usual one")
    if rest:
        raise FaultError(f"fault {text!r}: {rest[0]!r} is too much for {kind}; allowed is TIME:KIND[:INPUT][:LENGTH]")
    return Fault(text=text, time_s=time_s, kind=kind, input_name=name, length_s=length_s)


def place_faults(
    faults: Sequence[Fault], profile: Profile, inputs: NDArray[np.int32], zero_tick: int
) -> tuple[CountFault, ...]:
    """Put the digital and timing faults into `inputs` (in place) and return those on analog inputs, in ticks.

    Args:
        inputs: (n, 66) int32 as the law reads them.
        zero_tick: the tick of the recording's first sample.
    Raises:
        FaultError: a time outside the replay.
    """
    tick_s = float(profile.controller.tick_s)
    indices = dict(profile.controller.inputs)
    found: list[CountFault] = []
    for fault in faults:
        first = zero_tick + round(fault.time_s / tick_s)
        if not 0 <= first < len(inputs):
            start, end = -zero_tick * tick_s, (len(inputs) - 1 - zero_tick) * tick_s
            raise FaultError(
                f"fault {fault.text!r}: the replay goes from {start:g} s to {end:g} s; choose a time within"
            )
        end_tick = _EVER if fault.length_s is None else first + max(1, round(fault.length_s / tick_s))
        rows = slice(first, min(end_tick, len(inputs)))
        if fault.kind == "stop-press":
            inputs[rows, 1] &= ~(INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"])
        elif fault.kind == "release":
            inputs[rows, 1] &= ~INPUT_BITS["enabling"]
        elif fault.kind == "late-tick":
            inputs[first, 0] += round(float(profile.controller.late_s) * 1e6) + 1000
        elif fault.kind == "stop-wire":
            inputs[rows, 1] &= ~INPUT_BITS[fault.input_name or ""]
        else:
            found.append(
                CountFault(
                    first_tick=first,
                    end_tick=end_tick,
                    input_index=indices[fault.input_name or ""],
                    stuck=fault.kind == "stuck",
                    count=profile.controller.count_max if fault.kind == "short" else 0,
                )
            )
    return tuple(found)


class FaultWires:
    """The analog faults, applied tick by tick: what plant.c does inside its loop, for a controller outside this
    process."""

    def __init__(self, faults: Sequence[CountFault]) -> None:
        self._faults = tuple(faults)
        self._held = [fault.count for fault in faults]

    def apply(self, tick: int, counts: NDArray[np.int32]) -> None:
        """Change the 64 counts of this tick in place. Call once a tick, from tick 0 on."""
        for index, fault in enumerate(self._faults):
            if fault.first_tick <= tick < fault.end_tick:
                counts[fault.input_index] = self._held[index]
            elif fault.stuck and tick < fault.first_tick:
                self._held[index] = int(counts[fault.input_index])


def _seconds(part: str, text: str) -> float:
    match = _TIME.fullmatch(part)
    if match is None:
        raise FaultError(f"fault {text!r}: {part!r} is not a time; allowed are seconds with their unit, such as 12.5s")
    return float(match[1])
