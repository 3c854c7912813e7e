"""A replay through a law somewhere else: in lockstep, with faults, compared tick for tick."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from replay_case import KERB, STAND, still, worked_profile, worked_recording, worked_table

from mapper.law import INPUT_BITS, STATES, load_core
from mapper.replay import first_difference, make_trace, read_fault, ready_replay, run_lockstep, run_replay

PERSON = "person/row-right.csv"
FAULTS = ("3s:stuck:boom_lift_b:0.03s", "6s:release:0.5s", "12s:wire-cut:elbow_a")


class InProcess:
    """The compiled law, one tick a call."""

    def __init__(self, table_bytes):
        self.live = load_core().table(table_bytes)
        self.state = self.live.start()

    def tick(self, digital, counts, elapsed_us):
        row = np.concatenate([[elapsed_us, digital], counts]).astype(np.int32).reshape(1, 66)
        return self.live.run(self.state, row)[0]


def traces(tick, name=KERB, recording=PERSON, faults=FAULTS, corner="fast", load_name=None):
    profile = worked_profile(name)
    recording = worked_recording(recording) if isinstance(recording, str) else recording
    wanted = [read_fault(text, profile) for text in faults]
    told = []
    ready = ready_replay(profile, recording, wanted)
    law, motion = run_lockstep(profile, ready, tick, corner, lambda done, of: told.append((done, of)), load_name)
    through = make_trace(
        profile,
        worked_table(name),
        recording,
        ready,
        law=law,
        motion=motion,
        faults=wanted,
        corner=corner,
        law_source="test",
        load_name=load_name,
    )
    here = run_replay(profile, worked_table(name), recording, wanted, corner=corner, load_name=load_name)
    return through, here, told


@pytest.mark.parametrize("load_name", [None, "", "empty"])
def test_lockstep_gives_the_compiled_loops_bits_with_faults(load_name):
    through, here, told = traces(InProcess(worked_table(KERB)).tick, load_name=load_name)

    assert STATES[int(here.head("state")[-1])] == "fault"
    assert first_difference(through, here) is None
    assert np.array_equal(through.motion, here.motion)
    assert through.load_name == here.load_name == ("rated" if load_name is None else load_name)
    assert through.notes == here.notes
    assert told[-1] == (len(here.law), len(here.law))


def test_the_first_difference_is_found_and_named():
    law = InProcess(worked_table(STAND))
    calls = []

    def off_once(digital, counts, elapsed_us):
        out = law.tick(digital, counts, elapsed_us).copy()
        calls.append(digital)
        if len(calls) == 1000:
            out[9 + 5] += 1
        return out

    through, here, _ = traces(off_once, STAND, still(3.0, 10.0), ())
    found = first_difference(through, here)

    assert found is not None
    assert (found.tick, found.what, found.one - found.other) == (999, "lever drive_e4", 1)
    assert found.time_s == pytest.approx((999 - here.zero_tick) * 0.005)


def test_a_difference_in_what_was_read_is_named_by_its_input():
    _, here, _ = traces(InProcess(worked_table(STAND)).tick, STAND, still(1.0), ())
    inputs = here.inputs.copy()
    inputs[7, 3] += 1

    found = first_difference(dataclasses.replace(here, inputs=inputs), here)
    assert (found.tick, found.what) == (7, "lever_a counts")


def test_runs_of_different_length_are_not_compared():
    _, here, _ = traces(InProcess(worked_table(STAND)).tick, STAND, still(1.0), ())

    with pytest.raises(ValueError, match="cannot be compared"):
        first_difference(here, dataclasses.replace(here, law=here.law[:-1]))


@pytest.mark.skipif(
    not hasattr(__import__("os"), "openpty"), reason="the controller's serial line needs a POSIX system"
)
def test_the_controllers_own_program_gives_the_same_bits(tmp_path):
    from mapper.link import HostController, upload

    data = worked_table(STAND)
    with HostController.start(worked_profile(STAND).machine_id, tmp_path / "flash") as controller:
        resting = INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"] | INPUT_BITS["key"]
        controller.tick(resting, np.zeros(64, dtype=np.int32), 5000)
        upload(controller.port, data)
        faults = ("1s:release:0.3s", "4s:stop-press")
        through, here, _ = traces(controller.tick, STAND, still(5.0, 25.0), faults)

    assert first_difference(through, here) is None
    assert "emergency_stop" in {STATES[number] for number in here.head("state")}
    assert here.joint(0, "drive_e4").any()
