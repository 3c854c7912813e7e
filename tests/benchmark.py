"""Prints the figures of the README: `python tests/benchmark.py` (best of three, on an idle machine).

The table is printed as Markdown rows, so that it can be put into the README as it is.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "support"))
sys.path.insert(0, str(ROOT / "tests"))
from benchmark_replay import measure
from replay_case import KERB, worked_profile, worked_recording, worked_table

from mapper.check import check_profile
from mapper.check.law.exhaust import enumerations
from mapper.check.law.pilot import running_state
from mapper.check.result import PARTS, case_of, joint_part
from mapper.law import STATES, load_core
from mapper.replay import ready_replay
from mapper.table import decode_table

_MOVING_TICKS = 60  # standing joints under drive are a fault soon after


def best_of(count: int, run: Callable[[], object]) -> float:
    """Shortest wall time of `count` runs, in seconds."""
    times = []
    for _ in range(count):
        started = time.perf_counter()
        run()
        times.append(time.perf_counter() - started)
    return min(times)


def step_ns(moving: bool) -> float:
    """One step of the whole law for six joints, copying in and out included: at rest (not yet started, all sensors read
    and watched), or running with every joint in motion.

    Raises:
        RuntimeError: the law left the state that was to be measured.
    """
    live = load_core().table(worked_table(KERB))
    if not moving:
        ready = ready_replay(worked_profile(KERB), worked_recording("kerb-setting.csv"))
        state, inputs = live.start(), np.ascontiguousarray(ready.inputs)
        return best_of(5, lambda: live.run(state, inputs)) / len(inputs) * 1e9
    running = running_state(decode_table(worked_table(KERB)), live)
    state, inputs = live.start(), np.ascontiguousarray(np.tile(running.row, (_MOVING_TICKS, 1)))

    def burst() -> None:
        state.load(running.state)
        if live.run(state, inputs)[-1, 0] != STATES.index("running"):
            raise RuntimeError("the law stopped before the measurement was over; take fewer ticks")

    return best_of(500, burst) / _MOVING_TICKS * 1e9


def anew(run: Callable[[], object]) -> None:
    """Without anything that an earlier run has left."""
    PARTS.clear()
    enumerations.cache_clear()
    run()


def main() -> None:
    profile, data = worked_profile(KERB), worked_table(KERB)
    table = decode_table(data)
    cli = [sys.executable, "-m", "mapper", "--help"]
    check_s = best_of(3, lambda: anew(lambda: check_profile(profile, table, data)))
    case = case_of(profile, table, data)
    joint_s = max(best_of(3, lambda at=at: anew(lambda: joint_part(case, at))) for at in range(len(case.joints)))
    whole = [sys.executable, "-m", "mapper", "check", str(ROOT / "profiles" / "kerb-arm.toml")]
    whole_s = best_of(3, lambda: subprocess.run(whole, check=True, capture_output=True))
    cases = sum(finding.cases for finding in check_profile(profile, table, data).findings)
    wall_s, machine_s = min(measure(1.0, False) for _ in range(3))
    help_s = best_of(5, lambda: subprocess.run(cli, check=True, capture_output=True))
    searched = subprocess.run([*whole, "--effort", "10", "--json"], check=True, capture_output=True)
    search = json.loads(searched.stdout)["search"]
    print(f"| full check, 6 joints, {cases:,} cases | {check_s:.2f} s |")
    print(f"| the same as `mapper check`, start-up included | {whole_s:.2f} s |")
    print(f"| one joint of it worked out again | {joint_s:.2f} s |")
    mean, rate = search["ticks"] / search["examples"], search["examples"] / search["seconds"]
    print(f"| search, 6 joints, {mean:,.0f} ticks an example | {rate:,.0f} examples/s |")
    print(f"| replay with plant, 6 joints, 200 Hz | {machine_s / wall_s:,.0f} x real time |")
    print(f"| one control step, 6 joints in motion, PC | {step_ns(True):.0f} ns |")
    print(f"| the same at rest | {step_ns(False):.0f} ns |")
    print(f"| table, 6 joints | {len(data):,} bytes |")
    print(f"| core RAM, 16 joints, table and link apart | {load_core().state_byte_count:,} bytes |")
    print(f"| `mapper --help` | {help_s * 1e3:.0f} ms |")


if __name__ == "__main__":
    main()
