"""The law in a replay's trace is the oracle's, tick for tick: what the report shows is what the rules say."""

from __future__ import annotations

import numpy as np
import pytest
from differential import column_name, oracle_rows
from replay_case import KERB, STAND, worked_profile, worked_recording, worked_table

from mapper.replay import read_fault, run_replay
from mapper.table import decode_table

WAITS = [7, 8]  # for people; no part of the rules
KERB_FAULTS = ("20s:stop-press:0.5s", "40s:wire-cut:elbow_a")


def differences(name: str, inputs, law) -> list[str]:
    """Names of the columns in which the trace's law and the oracle differ anywhere."""
    law = law.copy()
    expected = oracle_rows(decode_table(worked_table(name)), inputs)
    law[:, WAITS] = expected[:, WAITS] = 0
    return sorted({column_name(int(column)) for column in np.nonzero((law != expected).any(axis=0))[0]})


def test_trace_of_the_test_stand_is_the_oracles():
    trace = run_replay(worked_profile(STAND), worked_table(STAND), worked_recording("test-stand-practice.csv"))

    assert differences(STAND, trace.inputs, trace.law) == []
    assert (trace.law[:, 9 + 5] != 0).mean() > 0.3


@pytest.mark.parametrize("faults", [(), KERB_FAULTS], ids=["undisturbed", "with faults"])
def test_trace_of_the_kerb_arm_is_the_oracles(faults):
    profile = worked_profile(KERB)
    recording = worked_recording("person/forward-elevation-right.csv")
    trace = run_replay(profile, worked_table(KERB), recording, [read_fault(text, profile) for text in faults])

    assert differences(KERB, trace.inputs, trace.law) == []


def test_a_changed_trace_is_noticed():
    trace = run_replay(worked_profile(STAND), worked_table(STAND), worked_recording("test-stand-practice.csv"))
    law = trace.law.copy()
    law[1234, 9 + 5] += 1

    assert differences(STAND, trace.inputs, law) == [column_name(9 + 5)]
