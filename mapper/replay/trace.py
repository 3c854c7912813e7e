"""The trace as CSV: one line a tick, everything the law read and put out, and what the plant did.

The integers are the law's own (millidegrees, 1/10000 of full scale, raw counts), so that the file can be fed to any
other implementation of law.h and compared line by line; each name in the header ends in its unit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from mapper.replay.run import HEAD, OF_JOINT, Trace

_ROWS_A_PIECE = 4096


def trace_columns(trace: Trace) -> tuple[str, ...]:
    """Names of the CSV's columns."""
    law = {"target": "target_mdeg_or_e4", "flags": "flags_bits"}
    return (
        "time_s",
        "elapsed_us",
        "digital_bits",
        *(f"{name}_counts" for name, _ in trace.input_names),
        *HEAD,
        *(f"{joint}_{law.get(name, name)}" for joint in trace.joint_names for name in OF_JOINT),
        *(
            f"{joint}_{name}"
            for joint in trace.joint_names
            for name in ("true_deg", "true_deg_s", "true_l_min", "inlet_bar")
        ),
        "law_asked_l_min",
        "valves_asked_l_min",
        "pump_given_l_min",
        "pump_bar",
    )


def trace_csv(trace: Trace, progress: Callable[[int, int], None] | None = None) -> Iterator[str]:
    """The file in pieces, to be written one after the other.

    Args:
        progress: told (rows done, rows in all) after each piece.
    """
    joints = range(len(trace.joint_names))
    used = [2 + index for _, index in trace.input_names]
    law_ints = len(HEAD) + len(OF_JOINT) * len(joints)
    integers = 2 + len(used) + law_ints
    of_joint = ["%.4f", "%.4f", "%.3f", "%.2f"]
    line = ",".join(["%.4f", *["%d"] * integers, *of_joint * len(joints), "%.3f", "%.3f", "%.3f", "%.2f"])
    yield (
        f"# simulated, not measured: {trace.recording_name}, law in {trace.law_source}, plant corner {trace.corner}, "
        f"load {trace.load_name or 'none'}\n"
        f"# profile {trace.profile_digest}, table {trace.table_digest}; states, causes, flags numbered as in law.h\n"
        + ",".join(trace_columns(trace))
        + "\n"
    )
    time_s = trace.time_s
    pump = (trace.asked_l_min, trace.valves_asked_l_min(), trace.pump_given_l_min(), trace.pump_pressure_bar())
    motion = [
        column
        for j in joints
        for column in (trace.position_deg(j), trace.speed_deg_s(j), trace.flow_l_min(j), trace.load_pressure_bar(j))
    ]
    for start in range(0, len(time_s), _ROWS_A_PIECE):
        rows = slice(start, start + _ROWS_A_PIECE)
        # Side by side as doubles: every integer of the law is exact in one.
        block = np.column_stack(
            [
                time_s[rows],
                trace.inputs[rows, :2],
                trace.inputs[rows][:, used],
                trace.law[rows, :law_ints],
                *(column[rows] for column in motion),
                *(column[rows] for column in pump),
            ]
        )
        yield "\n".join(line % tuple(row) for row in block.tolist()) + "\n"
        if progress is not None:
            progress(min(start + _ROWS_A_PIECE, len(time_s)), len(time_s))
