"""Every limit that says `exhaustive`: what it counts is the size of its domain, worked out here from the profile."""

from __future__ import annotations

import numpy as np
import pytest
from check_case import KERB, STAND, check_text, finding, profile_of, text_of

from mapper.check import Evidence
from mapper.check.law.exhaust import DIGITAL, VARIANTS, transitions
from mapper.check.law.pilot import running_state
from mapper.law import load_core
from mapper.table import compile_table, encode_table

PROFILE = profile_of(text_of(STAND))
TABLE = compile_table(PROFILE)
LEVER = TABLE.joints[0]
COUNTS = 4096  # 12 bits
TRAVEL = 70 * 1000 + 1  # -35 to 35 deg, every millidegree
WHOLE_TICKS = 7_896  # tried beside the domain; the detail tells how many
ERRORS = 2 * (30_000 + 40_000) + 1  # targets of 30 deg each way less readings of 40


def outside(sensor):
    return [COUNTS - (track.count_max - track.count_min + 1) for track in sensor.tracks]


def running():
    return running_state(TABLE, load_core().table(encode_table(TABLE)))


def apart() -> int:
    """Counts of each position track whose angle is more than 2 deg from the other track's, in the middle of the travel.
    Read from the calibration: 80 deg over 3295 counts, ends held.
    """
    total, row = 0, running().row
    for own, other, sign in ((0, 1, 1), (1, 0, -1)):
        counts = np.arange(250, 3846)
        angle = sign * (np.clip(counts, 400, 3695) - 400) / 3295 * 80 - sign * 40
        there = int(row[2 + LEVER.position.tracks[other].input])
        at = -sign * ((np.clip(there, 400, 3695) - 400) / 3295 * 80 - 40)
        assert own != other
        total += int(np.count_nonzero(np.abs(angle - at) > 2.0005)) + _on_the_edge(angle, at)
    return total


def _on_the_edge(angle, at) -> int:
    """None lies so near to 2 deg that the law's rounding to a millidegree decides."""
    assert not np.any(np.abs(np.abs(angle - at) - 2.0) < 0.0015)
    return 0


DOMAINS = {
    "as_written": None,  # told apart below: it counts values as well
    "drive_range": lambda: 2 * 10_001,
    "deadband_zero": lambda: (2 * 600 + 1) * (2 * 1000 + 1) + COUNTS,
    "direction": lambda: 3 * COUNTS + (160_000 + 1) + 3 * (2 * 50_000 + 1) + 2 * 10_001,
    "speed_limit": lambda: 2 * TRAVEL + WHOLE_TICKS,
    "flow_available": lambda: 2 * TRAVEL,
    "ramp": lambda: (12 + 1) * (2 * 30_000 + 1) + WHOLE_TICKS,
    "sensor_window": lambda: sum(outside(LEVER.operator)) + sum(outside(LEVER.position)),
    "track_disagreement": apart,
    "stuck_sensor": lambda: 2 * 2 * (3845 - 250 + 1),
    "following": lambda: 2 * 5 * ERRORS + 3 * COUNTS + sum(len(begin.out) for begin in running().begins),
}
MACHINE = {
    "emergency_stop": lambda: _states() + 3,
    "fault": lambda: _states(),
    "power_up": lambda: _states(),
    "restart": None,  # reported under `release`
    "release": lambda: _states() + 1,
    "slowing": lambda: 2 * (2 * 30_000 + 1) + 2 * 8 * COUNTS,
}


def _states() -> int:
    return len(transitions(0).states) * DIGITAL * len(VARIANTS)


@pytest.mark.parametrize("limit", [name for name, size in DOMAINS.items() if size is not None])
def test_a_joints_exhaustive_limit_counts_its_domain(limit):
    found = finding(check_text(text_of(STAND)), limit, "lever")

    assert found.evidence is Evidence.EXHAUSTIVE
    assert found.cases == DOMAINS[limit]()
    assert (f"none of {WHOLE_TICKS} whole ticks" in found.detail) == (limit in ("speed_limit", "ramp"))


@pytest.mark.parametrize("limit", [name for name, size in MACHINE.items() if size is not None])
def test_a_machines_exhaustive_limit_counts_its_domain(limit):
    found = finding(check_text(text_of(STAND)), limit, None)

    assert found.evidence is Evidence.EXHAUSTIVE
    assert found.cases == MACHINE[limit]()


@pytest.mark.parametrize("name", [STAND, KERB])
def test_no_limit_says_exhaustive_without_a_domain_here(name):
    exhaustive = {
        (one.limit, one.joint is None)
        for one in check_text(text_of(name)).findings
        if one.evidence is Evidence.EXHAUSTIVE
    }

    assert exhaustive <= {(limit, False) for limit in DOMAINS} | {(limit, True) for limit in MACHINE} | {
        ("as_written", True)
    }


def test_as_written_counts_every_point_of_calibration_and_response_and_every_value():
    found = finding(check_text(text_of(STAND)), "as_written", "lever")

    assert found.evidence is Evidence.EXHAUSTIVE
    assert found.cases > 3 * COUNTS
