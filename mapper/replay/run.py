"""A recording through the control law and the plant, tick by tick, and the trace that it leaves.

The law is the compiled core, the very sources that the controller runs. Time in a trace is the recording's own: 0 at
its first sample, negative in a generated beginning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from mapper.law import load_core
from mapper.profile.profile import Profile
from mapper.replay._library import HEAD_DOUBLES, JOINT_DOUBLES, OUT_INTS, CompiledPlant
from mapper.replay.faults import CountFault, Fault, place_faults
from mapper.replay.inputs import Note, Prepared, prepare_inputs
from mapper.replay.plant import plant_parameters
from mapper.replay.recording import Recording
from mapper.table import table_digest

Ints = NDArray[np.int32]
Floats = NDArray[np.float64]

HEAD = {
    name: index
    for index, name in enumerate(
        ("state", "cause", "cause_joint", "mode", "enable", "authority_q16", "share_q16", "waits_for", "waits_joint")
    )
}
"""Columns of the law's output for the machine (bench.h)."""
OF_JOINT = {
    name: index
    for index, name in enumerate(
        ("target", "position_mdeg", "wanted_mdeg_s", "speed_mdeg_s", "flow_e4", "drive_e4", "flags")
    )
}
"""Columns of the law's output for each joint."""
M3_S_TO_L_MIN = 60_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What happened, one row a tick. All arrays have the same number of rows and are read-only.

    `inputs` is exactly what the law read (counts after plant and faults), `law` exactly what it put out, so that
    anybody's implementation of law.h can be held against it. `motion` is the plant's: SI flows, degrees.
    """

    recording_name: str
    corner: str
    profile_digest: str
    table_digest: str
    law_source: str  # where the law ran
    tick_s: float
    zero_tick: int
    end_tick: int
    joint_names: tuple[str, ...]
    input_names: tuple[tuple[str, int], ...]
    inputs: Ints
    law: Ints
    motion: Floats
    notes: tuple[Note, ...]
    faults: tuple[Fault, ...]

    @property
    def time_s(self) -> Floats:
        """Start of each tick, in s on the recording's clock."""
        return (np.arange(len(self.law), dtype=np.float64) - self.zero_tick) * self.tick_s

    def head(self, name: str) -> Ints:
        """A machine column of the law's output, by its name in HEAD."""
        return self.law[:, HEAD[name]]

    def joint(self, index: int, name: str) -> Ints:
        """A joint's column of the law's output, by its name in OF_JOINT."""
        return self.law[:, len(HEAD) + len(OF_JOINT) * index + OF_JOINT[name]]

    def position_deg(self, index: int) -> Floats:
        """True position of the joint in the plant at the end of each tick."""
        return self.motion[:, HEAD_DOUBLES + JOINT_DOUBLES * index]

    def speed_deg_s(self, index: int) -> Floats:
        """True speed of the joint in the plant over each tick."""
        return self.motion[:, HEAD_DOUBLES + JOINT_DOUBLES * index + 1]

    def flow_l_min(self, index: int) -> Floats:
        """Flow through the joint's valve over each tick, signed like the joint's motion; 0 for an electric joint."""
        return self.motion[:, HEAD_DOUBLES + JOINT_DOUBLES * index + 2] * M3_S_TO_L_MIN

    def pump_asked_l_min(self) -> Floats:
        """What the valves together would take if the pump could give it."""
        return self.motion[:, 0] * M3_S_TO_L_MIN

    def pump_given_l_min(self) -> Floats:
        """What the pump gives."""
        return self.motion[:, 1] * M3_S_TO_L_MIN


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadyReplay:
    """Everything before the first tick: the inputs with the digital faults in them, and the analog faults apart."""

    prepared: Prepared
    inputs: Ints
    count_faults: tuple[CountFault, ...]


def ready_replay(
    profile: Profile, recording: Recording, faults: Sequence[Fault] = (), mode: str | None = None
) -> ReadyReplay:
    """Prepare a replay without running it. Raises RecordingError and FaultError."""
    prepared = prepare_inputs(profile, recording, mode)
    inputs = prepared.inputs.copy()
    return ReadyReplay(
        prepared=prepared,
        inputs=inputs,
        count_faults=place_faults(faults, profile, inputs, prepared.zero_tick),
    )


def run_replay(
    profile: Profile,
    table_bytes: bytes,
    recording: Recording,
    faults: Sequence[Fault] = (),
    corner: str = "nominal",
    mode: str | None = None,
) -> Trace:
    """Replay a recording in this process.

    Args:
        table_bytes: the compiled table, as it is sent to the controller.
        corner: tolerance corner of the plant, see `plant_parameters`.
        mode: "full", "reduced", or None for the recording's own.
    Raises:
        TableRefused: the law's own validation refuses the table.
        RecordingError, FaultError: see there.
    """
    core = load_core()
    live = core.table(table_bytes)
    ready = ready_replay(profile, recording, faults, mode)
    plant = CompiledPlant(plant_parameters(profile, corner), ready.prepared.start_rad)
    ticks = len(ready.inputs)
    law = np.empty((ticks, OUT_INTS), dtype=np.int32)
    motion = np.empty((ticks, plant.motion_doubles))
    plant.replay(live, live.start(), ready.inputs, ready.count_faults, law, motion)
    return make_trace(
        profile,
        table_bytes,
        recording,
        ready,
        law=law,
        motion=motion,
        faults=faults,
        corner=corner,
        law_source=f"this process, core {core.source_digest[:16]}",
    )


def make_trace(
    profile: Profile,
    table_bytes: bytes,
    recording: Recording,
    ready: ReadyReplay,
    *,
    law: Ints,
    motion: Floats,
    faults: Sequence[Fault],
    corner: str,
    law_source: str,
) -> Trace:
    """Put arrays that were filled somewhere (in this process or through a controller) together into a trace."""
    for array in (ready.inputs, law, motion):
        array.setflags(write=False)
    return Trace(
        recording_name=recording.file_name,
        corner=corner,
        profile_digest=profile.digest.hex()[:16],
        table_digest=table_digest(table_bytes),
        law_source=law_source,
        tick_s=float(profile.controller.tick_s),
        zero_tick=ready.prepared.zero_tick,
        end_tick=ready.prepared.end_tick,
        joint_names=tuple(joint.name for joint in profile.joints),
        input_names=profile.controller.inputs,
        inputs=ready.inputs,
        law=law,
        motion=motion,
        notes=ready.prepared.notes,
        faults=tuple(faults),
    )
