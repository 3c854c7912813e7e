"""Faults from the command line: read, refused, placed, and the same in Python and in the compiled loop."""

from __future__ import annotations

import numpy as np
import pytest
from replay_case import STAND, still, worked_profile, worked_table

from mapper.law import INPUT_BITS, STATES
from mapper.replay import FaultError, FaultWires, read_fault, ready_replay, run_replay, summarise


def faults(*texts):
    return [read_fault(text, worked_profile(STAND)) for text in texts]


def states_after(trace, time_s):
    state = trace.head("state")
    return [STATES[number] for number in state[trace.time_s >= time_s]]


def run(*texts, seconds=5.0):
    return run_replay(worked_profile(STAND), worked_table(STAND), still(seconds), faults(*texts))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "TIME:KIND"),
        ("5s", "TIME:KIND"),
        ("5:stop-press", "'5' is not a time"),
        ("5e3s:stop-press", "is not a time"),
        ("٥s:stop-press", "is not a time"),
        ("5s:wire_cut:lever_a", "allowed are wire-cut"),
        ("5s:wire-cut", "needs an input"),
        ("5s:wire-cut:lever", "allowed are hand_angle, lever_a, lever_b"),
        ("5s:stop-wire:lever_a", "allowed are stop_1, stop_2"),
        ("5s:release:0s", "above 0 s"),
        ("5s:late-tick:1s", "too much"),
        ("5s:stop-press:1s:2s", "too much"),
    ],
)
def test_a_fault_that_cannot_be_read_is_refused_with_the_allowed(text, words):
    with pytest.raises(FaultError) as caught:
        read_fault(text, worked_profile(STAND))

    assert words in caught.value.message
    assert caught.value.exit_code == 64


def test_a_time_outside_the_replay_is_refused_with_its_span():
    with pytest.raises(FaultError, match=r"from -4\.15 s to"):
        run("500s:stop-press")


def test_what_is_given_is_what_is_placed():
    profile = worked_profile(STAND)
    ready = ready_replay(profile, still(3.0), faults("1s:stop-press:0.5s", "2s:stop-wire:stop_2", "0.5s:release:0.1s"))
    word = ready.inputs[ready.prepared.zero_tick :, 1]

    assert np.flatnonzero(word[:601] & INPUT_BITS["stop_1"] == 0).tolist() == list(range(200, 300))
    assert np.flatnonzero(word[:601] & INPUT_BITS["stop_2"] == 0).tolist() == [*range(200, 300), *range(400, 601)]
    assert np.flatnonzero(word[:601] & INPUT_BITS["enabling"] == 0).tolist() == list(range(100, 120))


def test_a_late_tick_is_later_than_allowed_once():
    ready = ready_replay(worked_profile(STAND), still(1.0), faults("0.5s:late-tick"))

    late = np.flatnonzero(ready.inputs[:, 0] != 5000)
    assert late.tolist() == [ready.prepared.zero_tick + 100]
    assert ready.inputs[late[0], 0] == 5000 + 2000 + 1000


@pytest.mark.parametrize("kind", ["wire-cut", "short"])
@pytest.mark.parametrize("name", ["hand_angle", "lever_a", "lever_b"])
def test_a_broken_wire_is_a_fault_within_its_time_and_drives_are_zero(kind, name):
    trace = run(f"2s:{kind}:{name}")
    profile = worked_profile(STAND)
    sensor = profile.joints[0].operator.sensor if name == "hand_angle" else profile.joints[0].position
    latest = 2.0 + float(sensor.fault_time_s) + 0.0051

    assert set(states_after(trace, latest)) == {"fault"}
    assert not trace.joint(0, "drive_e4")[trace.time_s >= latest].any()
    assert states_after(trace, 1.995)[0] == "running"


def test_an_emergency_stop_acts_in_the_very_tick():
    trace = run("2s:stop-press")

    assert set(states_after(trace, 1.9999)) == {"emergency_stop"}
    assert not trace.head("enable")[trace.time_s >= 1.9999].any()


def test_one_stop_wire_stops_and_later_is_a_discrepancy():
    trace = run("2s:stop-wire:stop_1")
    events = summarise(trace, worked_profile(STAND)).events

    assert states_after(trace, 1.9999)[0] == "emergency_stop"
    assert states_after(trace, 2.3)[0] == "fault"
    assert any("two emergency-stop channels" in event.text for event in events)


def test_a_release_does_not_latch():
    found = states_after(run("2s:release:0.5s", seconds=8.0), 2.0)

    assert found[0] in ("stopping", "stopped")
    assert "running" in found


def test_python_wires_do_what_the_compiled_loop_does():
    profile, recording = worked_profile(STAND), still(3.0, 20.0)
    wanted = faults("1s:wire-cut:hand_angle:0.02s", "1.5s:stuck:lever_a:0.1s", "0.5s:stuck:lever_b", "2s:short:lever_b")
    trace = run_replay(profile, worked_table(STAND), recording, wanted)
    ready = ready_replay(profile, recording, wanted)
    wires = FaultWires(ready.count_faults)
    clean = run_replay(profile, worked_table(STAND), recording)

    # Up to the first effect on the drive the plant moves alike, so the clean counts are what the wires start from.
    alike = np.flatnonzero(np.any(clean.law != trace.law, axis=1))[0]
    for tick in range(alike + 1):
        counts = clean.inputs[tick, 2:].copy()
        wires.apply(tick, counts)
        assert np.array_equal(counts, trace.inputs[tick, 2:]), tick
    assert alike > ready.prepared.zero_tick + 100
