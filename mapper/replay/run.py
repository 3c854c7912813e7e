"""A recording through the control law and the plant, tick by tick, and the trace that it leaves.

The law is the compiled core, the very sources that the controller runs. Time in a trace is the recording's own: 0 at
its first sample, negative in a generated beginning.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from mapper.law import load_core
from mapper.law.core import CURVES
from mapper.profile.profile import Profile
from mapper.replay._library import HEAD_DOUBLES, JOINT_DOUBLES, OUT_INTS, CompiledPlant
from mapper.replay.faults import CountFault, Fault, place_faults
from mapper.replay.inputs import Note, Prepared, prepare_inputs
from mapper.replay.loading import loading_notes, motion_notes
from mapper.replay.parameters import plant_parameters
from mapper.replay.recording import Recording
from mapper.table import decode_table, table_digest
from mapper.table.table import FULL_E4, Q16

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
PA_TO_BAR = 1e-5
_FLOW_PER_SPEED = CURVES["flow_per_speed_positive"]
_ABOUT_MAX = 200


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What happened, one row a tick. All arrays have the same number of rows and are read-only.

    `inputs` is exactly what the law read (counts after plant and faults), `law` exactly what it put out, so that
    anybody's implementation of law.h can be held against it. `motion` is the plant's, all SI but degrees: flow asked of
    the pump and given, its factor, its pressure; then for each joint position, speed, flow, inlet pressure, pressure
    factor.
    """

    recording_name: str
    recording_about: str  # the recording's first comment line; empty where it has none
    corner: str
    load_name: str  # carried all the time; empty: none
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
    asked_l_min: Floats  # what the law's target speeds need of the pump before rule L6e shares it
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

    def load_pressure_bar(self, index: int) -> Floats:
        """Pressure at the valve port that oil goes to, as steady motion needs it at the pose: load, efficiency and what
        the outlet puts against it. Where the joint stalls, what it would take to begin, above the pump's. 0 with the
        valve shut, and for an electric joint.
        """
        return self.motion[:, HEAD_DOUBLES + JOINT_DOUBLES * index + 3] * PA_TO_BAR

    def pressure_factor(self, index: int) -> Floats:
        """Speed over what the valve's opening gives at the rated drop (and the corner's gain), before the pump's flow
        is shared. Compensated: 1, less where pressure is short, more where the load runs ahead of the oil. 0: stalled.
        With the valve shut: 1.
        """
        return self.motion[:, HEAD_DOUBLES + JOINT_DOUBLES * index + 4]

    def stalled(self, index: int) -> NDArray[np.bool_]:
        """True where the law drives the valve, the valve is open, and the load is too heavy to move."""
        return np.asarray((self.pressure_factor(index) == 0.0) & (self.joint(index, "drive_e4") != 0))

    def stalled_s(self, index: int) -> float:
        """For how long the joint was `stalled`."""
        return float(np.count_nonzero(self.stalled(index)) * self.tick_s)

    def pump_pressure_bar(self) -> Floats:
        """Pressure of the pump line: load sensing, highest load plus margin, at most relief; a fixed pump, relief."""
        return self.motion[:, 3] * PA_TO_BAR

    def valves_asked_l_min(self) -> Floats:
        """What the valves together, as far as they are open, would take if the pump could give it."""
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
    load_name: str | None = None,
) -> Trace:
    """Replay a recording in this process.

    Args:
        table_bytes: the compiled table, as it is sent to the controller.
        corner: tolerance corner of the plant, see `plant_parameters`.
        mode: "full", "reduced", or None for the recording's own.
        load_name: of the profile's loads; "" for none; None for the heaviest.
    Raises:
        ValueError: an unknown corner or load.
        TableRefused: the law's own validation refuses the table.
        RecordingError, FaultError: see there.
    """
    core = load_core()
    live = core.table(table_bytes)
    ready = ready_replay(profile, recording, faults, mode)
    plant = CompiledPlant(plant_parameters(profile, corner, load_name), ready.prepared.start_rad)
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
        load_name=load_name,
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
    load_name: str | None = None,
) -> Trace:
    """Put arrays that were filled somewhere (in this process or through a controller) together into a trace.

    Args:
        corner, load_name: those that the plant was run with.
    """
    for array in (ready.inputs, law, motion):
        array.setflags(write=False)
    parameters = plant_parameters(profile, corner, load_name)
    trace = Trace(
        recording_name=recording.file_name,
        recording_about=about(recording),
        corner=corner,
        load_name=parameters.load_name,
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
        asked_l_min=flow_asked(table_bytes, law),
        notes=(*ready.prepared.notes, *loading_notes(profile, parameters, chosen=load_name is not None)),
        faults=tuple(faults),
    )
    return replace(trace, notes=(*trace.notes, *motion_notes(trace, profile, parameters)))


def flow_asked(table_bytes: bytes, law: Ints) -> Floats:
    """Flow in l/min that the limited target speeds need of the pump in each tick, before they share it (rule L6e).

    Where the pump is not shared the sum is formed as in L6e from the wanted speeds. Where it is, the wanted speeds are
    those after sharing, and the sum is supply / factor; the factor is rounded down by less than 1/65536.
    """
    table = decode_table(table_bytes)
    live = load_core().table(table_bytes)
    total = np.zeros(len(law))
    for index, joint in enumerate(table.joints):
        if joint.flow_full_ml_min == 0:
            continue
        first = len(HEAD) + len(OF_JOINT) * index
        wanted = law[:, first + OF_JOINT["wanted_mdeg_s"]].astype(np.int64)
        position = np.ascontiguousarray(law[:, first + OF_JOINT["position_mdeg"]])
        for direction, sign in ((0, 1), (1, -1)):
            rows = np.flatnonzero(np.sign(wanted) == sign)
            if rows.size:
                per_speed = live.curve(index, _FLOW_PER_SPEED + direction, position[rows]).astype(np.int64)
                need = -(-(np.abs(wanted[rows]) * per_speed) // Q16)
                total[rows] += need * (joint.flow_full_ml_min / (FULL_E4 * 1000.0))
    share = law[:, HEAD["share_q16"]]
    shared = share < Q16
    total[shared] = table.machine.pump_ml_min / 1000.0 * Q16 / np.maximum(1, share[shared])
    total.setflags(write=False)
    return total


def about(recording: Recording) -> str:
    """The recording's first comment line, empty without one; nothing in it that a terminal takes for a command."""
    text = recording.comments[0] if recording.comments else ""
    shown = "".join(character for character in text if character.isprintable())
    return shown if len(shown) <= _ABOUT_MAX else shown[:_ABOUT_MAX] + " ..."
