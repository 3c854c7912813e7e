"""A replay through a control law somewhere else, such as a controller in another process: its law, our plant, tick
for tick."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mapper.profile.profile import Profile
from mapper.replay._library import HEAD_DOUBLES, JOINT_DOUBLES, OUT_INTS, CompiledPlant
from mapper.replay.faults import FaultWires
from mapper.replay.plant import Plant, plant_parameters
from mapper.replay.run import HEAD, OF_JOINT, ReadyReplay, Trace

Ints = NDArray[np.int32]
Floats = NDArray[np.float64]
Tick = Callable[[int, Ints, int], Ints]
"""(digital inputs, 64 counts, elapsed_us) to the 121 outputs of bench.h."""

_PROGRESS_TICKS = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """The first place where two runs are not the same."""

    tick: int
    time_s: float
    what: str  # column
    one: int
    other: int


def run_lockstep(
    profile: Profile,
    ready: ReadyReplay,
    tick: Tick,
    corner: str = "nominal",
    progress: Callable[[int, int], None] | None = None,
    load_name: str | None = None,
) -> tuple[Ints, Floats]:
    """Run a prepared replay through `tick`; `ready.inputs` is filled with what it was given.

    Args:
        tick: called once a tick, in order; may raise.
        progress: told (ticks done, ticks in all) every thousand ticks and at the end.
        load_name: of the profile's loads; "" for none; None for the heaviest, as in `run_replay`.

    Returns:
        the law's outputs (n, 121) and the plant's motion, as in a trace.
    """
    parameters = plant_parameters(profile, corner, load_name)
    plant = CompiledPlant(parameters, ready.prepared.start_rad)
    counts = Plant(parameters, ready.prepared.start_rad).counts()
    wires = FaultWires(ready.count_faults)
    ticks = len(ready.inputs)
    law = np.empty((ticks, OUT_INTS), dtype=np.int32)
    motion = np.empty((ticks, HEAD_DOUBLES + JOINT_DOUBLES * len(profile.joints)))
    drives = [len(HEAD) + len(OF_JOINT) * joint + OF_JOINT["drive_e4"] for joint in range(len(profile.joints))]
    for number in range(ticks):
        row = ready.inputs[number]
        for index, count in counts.items():
            row[2 + index] = count
        wires.apply(number, row[2:])
        law[number] = tick(int(row[1]), row[2:], int(row[0]))
        counts, motion[number] = plant.step(law[number, drives].tolist())
        if progress is not None and ((number + 1) % _PROGRESS_TICKS == 0 or number + 1 == ticks):
            progress(number + 1, ticks)
    return law, motion


def first_difference(one: Trace, other: Trace) -> Difference | None:
    """The first tick and column in which what the law read or put out differs; None when every tick is the same.

    Raises:
        ValueError: the two have not the same number of ticks.
    """
    if len(one.law) != len(other.law):
        raise ValueError(f"{len(one.law)} and {len(other.law)} ticks cannot be compared")
    a, b = np.hstack([one.inputs, one.law]), np.hstack([other.inputs, other.law])
    differs = a != b
    rows = np.flatnonzero(differs.any(axis=1))
    if not rows.size:
        return None
    row = int(rows[0])
    column = int(np.flatnonzero(differs[row])[0])
    return Difference(
        tick=row,
        time_s=float(one.time_s[row]),
        what=_column_name(one, column),
        one=int(a[row, column]),
        other=int(b[row, column]),
    )


def _column_name(trace: Trace, column: int) -> str:
    inputs = trace.inputs.shape[1]
    if column < inputs:
        names = {2 + index: f"{name} counts" for name, index in trace.input_names}
        return {0: "elapsed_us", 1: "digital inputs", **names}.get(column, f"analog channel {column - 2}")
    column -= inputs
    if column < len(HEAD):
        return list(HEAD)[column]
    joint, part = divmod(column - len(HEAD), len(OF_JOINT))
    name = trace.joint_names[joint] if joint < len(trace.joint_names) else f"joint {joint}"
    return f"{name} {list(OF_JOINT)[part]}"
