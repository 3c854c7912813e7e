"""What the events say is what happened; every injected fault is answered for; how far joints run on after a stop."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import numpy as np
import pytest
from replay_case import KERB, STAND, stand_recording, worked_profile, worked_recording, worked_table

from mapper.law import INPUT_BITS, STATES, WAITS, waits_text
from mapper.replay import read_fault, run_replay, summarise
from mapper.table import compile_table, encode_table

PERSON = "person/forward-elevation-right.csv"
MOVING = [f"{k / 10:.1f},{40 * np.sin(k / 10):.2f}" for k in range(80)]


def replay(name, recording, *faults, profile=None):
    profile = profile or worked_profile(name)
    table = worked_table(name) if profile is worked_profile(name) else encode_table(compile_table(profile))
    trace = run_replay(profile, table, recording, [read_fault(text, profile) for text in faults])
    return trace, summarise(trace, profile)


def entered(summary, state):
    return [event for event in summary.events if event.kind == "state" and event.state == state]


def test_reset_is_only_named_where_it_was_given():
    _, summary = replay(STAND, stand_recording(*MOVING), "3s:release:0.5s")
    first, second = entered(summary, "matching")

    assert first.text == "reset was given and the enabling device was pressed"
    assert second.text == "the enabling device was pressed"


def test_the_service_key_is_named_where_it_held_things_up():
    rows = []
    for k in range(60):
        time = k / 20
        rows.append(f"{time:.2f},0,{int(time >= 1.5)},{int(0.5 <= time < 0.9)},{int(time < 2)}")
    _, summary = replay(STAND, stand_recording(*rows, header="time_s,hand_angle_deg,enabling,reset,key"))

    assert [event.text for event in entered(summary, "matching")] == [
        "reset was given and the service key was turned off"
    ]


def test_the_end_of_stopping_says_standstill_or_deadline():
    profile = worked_profile(STAND)
    short = dataclasses.replace(profile.emergency_stop, release_deadline_s=Fraction(1, 20))
    recording = stand_recording(*MOVING)
    _, stood = replay(STAND, recording, "3s:release:0.5s")
    hurried = dataclasses.replace(profile, emergency_stop=short)
    _, late = replay(STAND, recording, "3s:release:0.5s", profile=hurried)

    assert entered(stood, "stopped")[1].text == "every joint's commanded speed is zero"
    assert entered(late, "stopped")[1].text.startswith(
        "the deadline of 0.05 s has passed with speed still commanded: lever at"
    )


@pytest.mark.parametrize(
    ("fault", "words"), [("3s:stop-press", "both channels"), ("3s:stop-wire:stop_2", "stop_2 only")]
)
def test_an_emergency_stop_says_which_channels_opened(fault, words):
    _, summary = replay(STAND, stand_recording(*MOVING), fault)

    assert entered(summary, "emergency_stop")[0].text == f"the emergency stop was open ({words})"


@pytest.mark.parametrize("fault", ["2.4s:stop-press", "2.4s:release", "2.4s:wire-cut:lever_a"])
def test_a_joint_that_moves_runs_on_as_far_as_its_position_says(fault):
    trace, summary = replay(STAND, stand_recording(*MOVING), fault)
    stop = next(event for event in summary.events if event.kind == "state" and event.time_s >= 2.4)
    (ran,) = stop.run_on
    row = trace.zero_tick + round(stop.time_s / trace.tick_s)
    end = row + round(ran.time_s / trace.tick_s)
    position, speed = trace.position_deg(0), trace.speed_deg_s(0)

    assert ran.stood
    assert abs(ran.speed_deg_s) > 3.0
    assert ran.speed_deg_s == speed[row - 1]
    assert ran.angle_deg == pytest.approx(abs(position[end - 1] - position[row - 1]), abs=1e-6)
    assert np.abs(speed[end : end + 20]).max() < 0.1 <= abs(speed[end - 1])


def test_a_stop_at_standstill_has_no_joint_that_ran_on():
    _, summary = replay(STAND, stand_recording(*(f"{k / 10:.1f},0" for k in range(60))), "4s:stop-press")

    assert entered(summary, "emergency_stop")[0].run_on == ()


def test_every_fault_is_answered_for():
    trace, summary = replay(
        KERB,
        worked_recording(PERSON),
        "9s:late-tick",
        "2s:stuck:elbow_flexion:1s",
        "5s:release:0.5s",
        "20s:stop-press",
    )
    found = {outcome.fault: outcome for outcome in summary.fault_outcomes}

    assert list(found) == ["2s:stuck:elbow_flexion:1s", "5s:release:0.5s", "9s:late-tick", "20s:stop-press"]
    stuck = found["2s:stuck:elbow_flexion:1s"]
    assert stuck.after_s is None
    assert stuck.text.startswith("this fault was never noticed by the controller: 2 s stuck (elbow_flexion)")
    assert found["5s:release:0.5s"].after_s == 0.0
    assert found["9s:late-tick"].text.endswith("the controller reacted in the same tick: fault")
    # The fault of the late tick is still latched: an emergency stop on top of it changes no state.
    assert found["20s:stop-press"].after_s is None
    assert "its state then: fault" in found["20s:stop-press"].text
    assert STATES[int(trace.head("state")[-1])] == "fault"


def test_a_wire_is_noticed_after_the_profiles_fault_time():
    _, summary = replay(KERB, worked_recording(PERSON), "5s:wire-cut:elbow_b")
    (outcome,) = summary.fault_outcomes
    allowed = float(worked_profile(KERB).joints[2].position.fault_time_s)

    assert 0.0 < outcome.after_s <= allowed + 0.005


def test_another_joints_fault_does_not_answer_for_this_one():
    _, summary = replay(KERB, worked_recording(PERSON), "5s:stuck:wrist_flexion", "5.5s:wire-cut:elbow_b")
    stuck, cut = summary.fault_outcomes

    assert stuck.after_s is None
    assert cut.after_s is not None


@pytest.mark.parametrize("name", WAITS)
def test_what_is_waited_for_reads_as_a_sentence_part_with_and_without_a_joint(name):
    number = WAITS.index(name)
    for joint in (None, "wrist_roll"):
        text = waits_text(number, joint)
        assert text[0].islower()
        assert "{" not in text
        assert text.count("wrist_roll") == (1 if joint and name in ("sensors", "operator", "standstill") else 0)


def test_the_digital_inputs_in_a_trace_are_what_the_texts_rest_on():
    trace, _ = replay(STAND, stand_recording(*MOVING), "3s:release:0.5s")
    row = trace.zero_tick + round(3.0 / trace.tick_s)

    assert trace.inputs[row - 1, 1] & INPUT_BITS["enabling"]
    assert not trace.inputs[row, 1] & INPUT_BITS["enabling"]
