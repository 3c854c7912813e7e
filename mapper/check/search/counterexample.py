"""What the search found, as a recording that `mapper replay` runs (mapper/replay/as_read.py has the columns)."""

from __future__ import annotations

import numpy as np

from mapper.check.search.library import Bench, SearchTrace
from mapper.check.search.rules import Breach
from mapper.check.search.search import SearchResult
from mapper.law import INPUT_BITS
from mapper.profile.profile import Profile
from mapper.replay.as_read import TRUE, as_read
from mapper.replay.recording import DIGITAL_NAMES, ELAPSED, POWER_UP, Recording

_MDEG = 1000.0


def recording_text(bench: Bench, profile: Profile, result: SearchResult) -> str:
    """The smallest example found, tick by tick, to the tick in which it shows.

    Raises:
        ValueError: nothing was found.
    """
    if result.found is None:
        raise ValueError("nothing was found")
    names = tuple(joint.name for joint in profile.joints)
    words = result.found.breach.in_words(names, float(profile.controller.tick_s))
    head = (
        f"# Found by search, seed {result.seed}, example {result.cases}: {words}",
        f"# Made by mapper check of {profile.machine_id}, profile {profile.digest.hex()[:16]}: no person, no arm.",
        f"# The example: {result.found.genome.hex()}",
    )
    return "\n".join((*head, *recording_rows(bench.trace(result.found.genome), profile))) + "\n"


def judge(bench: Bench, profile: Profile, recording: Recording) -> Breach | None:
    """The monitor over a recording of what the controller read: the first thing that it finds.

    Raises:
        RecordingError: the recording is not a whole one of that kind.
    """
    rows = as_read(profile, recording)
    return bench.again(rows.inputs, rows.power_up, rows.true_mdeg, (~rows.known).astype(np.uint8))


def recording_rows(trace: SearchTrace, profile: Profile) -> list[str]:
    """The lines of the recording, header first, one row a tick."""
    tick_s = float(profile.controller.tick_s)
    inputs = profile.controller.inputs
    names = [joint.name for joint in profile.joints]
    header = ["time_s", ELAPSED, POWER_UP, *DIGITAL_NAMES, *(f"{name}_read" for name, _ in inputs)]
    lines = [",".join([*header, *(f"{name}{TRUE}_deg" for name in names)])]
    for tick, row in enumerate(trace.inputs.tolist()):
        bits = [1 if row[1] & INPUT_BITS[name] else 0 for name in DIGITAL_NAMES]
        counts = [row[2 + index] for _, index in inputs]
        places = [
            "" if trace.doubtful[tick, number] else f"{trace.true_mdeg[tick, number] / _MDEG:.3f}"
            for number in range(len(names))
        ]
        cells = [f"{tick * tick_s:.6f}", row[0], int(trace.power_up[tick]), *bits, *counts, *places]
        lines.append(",".join(map(str, cells)))
    return lines
