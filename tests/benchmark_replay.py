"""How fast a replay under load runs: `python tests/benchmark_replay.py [HOURS]`. Figure to reach: an hour of six joints
in under 0.72 s, 5,000 times real time, on a PC that does nothing else."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "support"))
from replay_case import KERB, worked_profile, worked_recording, worked_table

from mapper.law import load_core
from mapper.replay import CompiledPlant, plant_parameters, ready_replay
from mapper.replay._library import OUT_INTS


def measure(hours: float, keep: bool) -> tuple[float, float]:
    """(seconds of wall clock, seconds of machine time); the recording is played again and again, state going on."""
    profile = worked_profile(KERB)
    ready = ready_replay(profile, worked_recording("kerb-setting.csv"))
    live = load_core().table(worked_table(KERB))
    plant = CompiledPlant(plant_parameters(profile), ready.prepared.start_rad)
    law = live.start()
    window = np.ascontiguousarray(ready.inputs[: ready.prepared.end_tick])
    out = np.empty((len(window), OUT_INTS), dtype=np.int32) if keep else None
    motion = np.empty((len(window), plant.motion_doubles)) if keep else None
    plant.replay(live, law, window, (), out, motion)
    rounds = max(1, round(hours * 3600 / (len(window) * 0.005)))
    started = time.perf_counter()
    for _ in range(rounds):
        plant.replay(live, law, window, (), out, motion)
    return time.perf_counter() - started, rounds * len(window) * 0.005


def main() -> None:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    for keep in (False, True):
        wall_s, machine_s = min(measure(hours, keep) for _ in range(3))
        what = "law, plant and trace in memory" if keep else "law and plant"
        print(
            f"{what}: {machine_s / 3600:.2f} h of six joints at 200 Hz in {wall_s:.3f} s, "
            f"{machine_s / wall_s:.0f} x real time, {wall_s / machine_s * 5e6:.0f} ns a tick"
        )


if __name__ == "__main__":
    main()
