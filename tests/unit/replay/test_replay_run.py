"""Whole replays: the trace is the law's own, the summary and the files say what the trace holds."""

from __future__ import annotations

import csv
import io
import json
import re

import numpy as np
import pytest
from replay_case import KERB, STAND, stand_recording, still, worked_profile, worked_recording, worked_table

from mapper.law import STATES, TableRefused, load_core
from mapper.replay import (
    Plant,
    plant_parameters,
    read_fault,
    ready_replay,
    report_html,
    run_replay,
    summarise,
    trace_csv,
)
from mapper.replay.report import BUCKETS_MAX, bucket_width, thin
from mapper.replay.run import HEAD, OF_JOINT

PERSON = "person/forward-elevation-right.csv"


def replay(name, recording, *faults, **options):
    profile = worked_profile(name)
    return run_replay(profile, worked_table(name), recording, [read_fault(text, profile) for text in faults], **options)


@pytest.fixture(scope="module")
def kerb():
    trace = replay(KERB, worked_recording("kerb-setting.csv"))
    return trace, summarise(trace, worked_profile(KERB))


def test_the_laws_rows_are_what_the_law_makes_of_the_inputs_rows(kerb):
    trace, _ = kerb
    live = load_core().table(worked_table(KERB))

    assert np.array_equal(live.run(live.start(), trace.inputs), trace.law)


def test_law_and_python_plant_tick_by_tick_give_the_compiled_loops_trace():
    profile, recording = worked_profile(KERB), worked_recording(PERSON)
    trace = replay(KERB, recording)
    ready = ready_replay(profile, recording)
    live = load_core().table(worked_table(KERB))
    state, plant = live.start(), Plant(plant_parameters(profile), ready.prepared.start_rad)
    for tick in range(2500):
        row = ready.inputs[tick : tick + 1]
        for index, count in plant.counts().items():
            row[0, 2 + index] = count
        out = live.run(state, row)[0]
        assert np.array_equal(out, trace.law[tick]), tick
        plant.step([int(out[9 + 7 * joint + 5]) for joint in range(6)])
        assert [np.degrees(q) for q in plant.position_rad] == pytest.approx(trace.motion[tick, 4::5], abs=1e-9)


def test_a_replay_gives_the_same_bits_twice():
    one, two = (replay(KERB, worked_recording(PERSON)) for _ in range(2))

    assert np.array_equal(one.law, two.law)
    assert np.array_equal(one.motion, two.motion)


def test_the_worked_recordings_run_to_their_end_without_a_fault(kerb):
    for trace in (
        kerb[0],
        replay(STAND, worked_recording("test-stand-practice.csv")),
        *(replay(KERB, worked_recording(PERSON), corner=corner) for corner in ("nominal", "fast", "slow")),
    ):
        states = {STATES[number] for number in trace.head("state")}
        assert "running" in states
        assert not states & {"fault", "emergency_stop"}
        assert STATES[int(trace.head("state")[-1])] == "stopped"


def test_the_kerb_cycle_uses_what_it_is_there_to_show(kerb):
    _, summary = kerb
    limited = {name: max(joint.limited_s[name] for joint in summary.joints) for name in ("speed", "brake", "share")}

    assert all(value > 0.0 for value in limited.values())
    assert summary.running_s > 180.0
    assert summary.pump_asked_l_min > summary.pump_limit_l_min >= summary.pump_given_l_min > 40.0
    assert summary.pump_shared_s > 0.0


def test_drives_are_zero_in_every_state_but_running_and_stopping(kerb):
    trace, _ = kerb
    quiet = ~np.isin(trace.head("state"), [STATES.index("running"), STATES.index("stopping")])

    assert quiet.any()
    for joint in range(6):
        assert not trace.joint(joint, "drive_e4")[quiet].any()


def test_summary_numbers_follow_from_the_trace(kerb):
    trace, summary = kerb
    profile = worked_profile(KERB)
    running = trace.head("state") == STATES.index("running")
    for index, joint in enumerate(summary.joints):
        assert joint.peak_speed_deg_s == np.abs(trace.speed_deg_s(index)).max()
        soft = profile.joints[index].limits.soft_stops_deg
        if soft is not None:
            assert joint.upper_room_deg == pytest.approx(float(soft.upper) - trace.position_deg(index).max())
            assert joint.lower_room_deg == pytest.approx(trace.position_deg(index).min() - float(soft.lower))
        if joint.follows:
            error = trace.joint(index, "target")[running] - trace.joint(index, "position_mdeg")[running]
            assert joint.tracking_worst_deg == pytest.approx(np.abs(error).max() / 1000)
        else:
            assert joint.tracking_worst_deg is None


def test_events_name_cause_joint_and_what_is_waited_for():
    trace = replay(KERB, worked_recording(PERSON), "5s:wire-cut:elbow_b", "2s:release:0.5s")
    summary = summarise(trace, worked_profile(KERB))
    text = [f"{event.kind}: {event.text} | {event.state} | {event.waits}" for event in summary.events]

    assert summary.events[0].time_s == -trace.zero_tick * trace.tick_s
    assert any("enabling device was let go | stopping" in line for line in text)
    assert any("fault: injected: wire-cut (elbow_b)" in line for line in text)
    assert any(
        "position sensor of elbow" in line and "| fault | good sensor values" in line and "elbow is the first" in line
        for line in text
    )
    assert [event.time_s for event in summary.events] == sorted(event.time_s for event in summary.events)


def test_a_mode_that_drops_while_running_is_an_event():
    rows = [f"{k / 10:.1f},0,{int(k < 20)}" for k in range(40)]
    trace = replay(STAND, stand_recording(*rows, header="time_s,hand_angle_deg,mode_full"))

    events = summarise(trace, worked_profile(STAND)).events
    assert [(event.kind, round(event.time_s, 3)) for event in events if event.kind == "mode"] == [("mode", 2.0)]


def test_the_trace_file_holds_every_tick_and_the_laws_own_integers():
    trace = replay(KERB, still_person())
    text = "".join(trace_csv(trace))
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    rows = list(csv.reader(io.StringIO("\n".join(lines))))
    names, body = rows[0], rows[1:]

    assert "simulated, not measured" in text.splitlines()[0]
    assert len(set(names)) == len(names)
    assert len(body) == len(trace.law)
    assert {len(row) for row in body} == {len(names)}
    table = np.array(body, dtype=float)
    for name in HEAD:
        assert np.array_equal(table[:, names.index(name)], trace.head(name))
    for index, joint in enumerate(trace.joint_names):
        for name in OF_JOINT:
            column = {"target": "target_mdeg_or_e4", "flags": "flags_bits"}.get(name, name)
            assert np.array_equal(table[:, names.index(f"{joint}_{column}")], trace.joint(index, name))
        assert table[:, names.index(f"{joint}_true_deg")] == pytest.approx(trace.position_deg(index), abs=6e-5)
    for name, index in trace.input_names:
        assert np.array_equal(table[:, names.index(f"{name}_counts")], trace.inputs[:, 2 + index])


def still_person():
    from mapper.replay import read_recording

    return read_recording("time_s,shoulder_elevation_deg\n0,20\n1.5,40\n", "short.csv")


def test_trace_progress_counts_to_the_end():
    told = []
    trace = replay(STAND, worked_recording("test-stand-practice.csv"))
    for _ in trace_csv(trace, lambda done, of: told.append((done, of))):
        pass

    assert told[-1] == (len(trace.law), len(trace.law))
    assert told == sorted(told)


def report(trace, name):
    profile = worked_profile(name)
    return report_html(trace, summarise(trace, profile), profile, [("Compared", "every tick <b>")])


def test_the_report_is_self_contained_and_says_what_it_must(kerb):
    trace, _ = kerb
    text = report(trace, KERB)

    assert not re.search(r"(?:src|href)\s*=|https?://|url\(|@import|fetch\(|XMLHttp", text)
    for words in (
        "simulated result, not a measured one",
        "hard-wired emergency stop",
        "kerb-setting.csv",
        trace.profile_digest,
        trace.table_digest,
        "generated: enabling, reset",
        "held: key",
        "boom_swing",
        "Events",
        "every tick &lt;b&gt;",
    ):
        assert words in text, words
    assert len(text) < 3_000_000


def test_five_minutes_of_six_joints_stay_under_three_megabytes():
    rows = [f"{k / 10:.1f},{20 + 15 * np.sin(k / 7):.2f}" for k in range(3001)]
    from mapper.replay import read_recording

    trace = replay(KERB, read_recording("time_s,shoulder_elevation_deg\n" + "\n".join(rows) + "\n", "long.csv"))

    assert len(trace.law) > 60_000
    assert len(report(trace, KERB)) < 3_000_000


def test_text_from_files_cannot_become_markup():
    recording = still(1.0)
    import dataclasses

    recording = dataclasses.replace(recording, file_name="</script><script>alert(1)</script>.csv")
    text = report(replay(STAND, recording), STAND)

    assert "<script>alert" not in text
    assert text.count("</script>") == 2


def test_the_reports_data_is_json_with_one_value_a_bucket(kerb):
    trace, _ = kerb
    text = report(trace, KERB)
    raw = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    assert raw is not None
    data = json.loads(raw[1])

    import base64

    assert data["buckets"] <= BUCKETS_MAX
    assert data["width"] == bucket_width(len(trace.law))
    for index, joint in enumerate(data["joints"]):
        low = np.frombuffer(base64.b64decode(joint["position"]["low"]), "<i2") * joint["position"]["step"]
        high = np.frombuffer(base64.b64decode(joint["position"]["high"]), "<i2") * joint["position"]["step"]
        assert len(low) == len(high) == data["buckets"]
        assert low.min() == pytest.approx(trace.position_deg(index).min(), abs=joint["position"]["step"])
        assert high.max() == pytest.approx(trace.position_deg(index).max(), abs=joint["position"]["step"])


def test_thinning_keeps_every_extreme():
    values = np.zeros(1003)
    values[[0, 500, 1002]] = [3.0, -7.0, 9.0]

    low, high = thin(values, 10)
    assert len(low) == 101
    assert (low.min(), high.max(), high[0], high[-1]) == (-7.0, 9.0, 3.0, 9.0)


def test_a_table_that_the_law_refuses_is_not_replayed():
    data = bytearray(worked_table(STAND))
    data[40] ^= 1

    with pytest.raises(TableRefused):
        run_replay(worked_profile(STAND), bytes(data), still(1.0))
