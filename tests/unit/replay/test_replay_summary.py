"""Flow asked for before sharing, room that braking takes, valves that chatter at rest."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from replay_case import KERB, ROOT, STAND, worked_profile, worked_recording, worked_table

from mapper.law import load_core
from mapper.profile import read_profile
from mapper.replay import run_replay, summarise
from mapper.replay.summary import SWITCHES_MAX_PER_MIN, _spread, brake_room_deg
from mapper.table import Curve, compile_table, encode_table


@pytest.fixture(scope="module")
def kerb():
    return run_replay(worked_profile(KERB), worked_table(KERB), worked_recording("kerb-setting.csv"))


def test_flow_asked_is_above_the_limit_exactly_while_the_pump_is_shared(kerb):
    limit = float(worked_profile(KERB).supply.flow_m3_s) * 60_000.0
    shared = kerb.head("share_q16") < 65_536

    assert 0 < np.count_nonzero(shared) < len(shared)
    assert kerb.asked_l_min[shared].min() > limit * (1 - 1e-9)
    assert kerb.asked_l_min[~shared].max() <= limit * (1 + 1e-9)


def test_flow_asked_is_what_the_same_arm_asks_of_a_pump_that_has_enough(kerb):
    """Up to the first tick that is shared both arms do the same, so there the sums must agree: one formed from the
    speeds, the other from the factor, which is rounded down by less than 1/65536."""
    profile = worked_profile(KERB)
    rich = dataclasses.replace(
        profile, supply=dataclasses.replace(profile.supply, flow_m3_s=profile.supply.flow_m3_s * 4)
    )
    other = run_replay(rich, encode_table(compile_table(rich)), worked_recording("kerb-setting.csv"))
    first = int(np.flatnonzero(kerb.head("share_q16") < 65_536)[0])

    assert np.array_equal(kerb.asked_l_min[:first], other.asked_l_min[:first])
    assert kerb.asked_l_min[first] == pytest.approx(other.asked_l_min[first], rel=1.0 / 40_000)
    assert other.asked_l_min.max() > 50.0


def test_flow_asked_of_one_joint_is_speed_times_area_and_lever():
    """The test stand's drive, from the machine model: flow = speed / speed per flow."""
    from mapper.machine import joint_model

    profile = worked_profile(STAND)
    trace = run_replay(profile, worked_table(STAND), worked_recording("test-stand-practice.csv"))
    model = joint_model(profile, profile.joints[0])
    rows = np.flatnonzero(trace.joint(0, "wanted_mdeg_s") > 2000)[::200]
    for row in rows:
        speed = np.radians(trace.joint(0, "wanted_mdeg_s")[row] / 1000)
        position = np.radians(trace.joint(0, "position_mdeg")[row] / 1000)
        exact = speed / model.speed_per_flow(position, 0) * 60_000.0

        # The table's curve has chords for arcs, and need is in 1/10000 of the valve's flow.
        assert trace.asked_l_min[row] == pytest.approx(exact, rel=0.02, abs=0.02)


@pytest.mark.parametrize("name", [KERB, STAND])
def test_the_room_named_is_where_the_law_begins_to_brake_full_speed(name):
    profile, table = worked_profile(name), compile_table(worked_profile(name))
    live = load_core().table(worked_table(name))
    for index, joint in enumerate(table.joints):
        if joint.continuous:
            continue
        full = joint.speed_full_mdeg_s[0]
        room = round(brake_room_deg(joint.brake[0], full) * 1000)
        stop = joint.soft_stop_mdeg[0]
        limited = live.limit(index, 1, [full] * 2, [stop - room - 20, stop - room + 20])

        assert limited[0] == full, profile.joints[index].name
        assert limited[1] < full, profile.joints[index].name


def test_brake_room_between_points_at_a_point_and_beyond_the_curve():
    curve = Curve(points=((0, 0), (1000, 5000), (3000, 9000)))

    assert brake_room_deg(curve, 5000) == 1.0
    assert brake_room_deg(curve, 7000) == 2.0
    assert brake_room_deg(curve, 0) == 0.0
    assert brake_room_deg(curve, 9001) is None


def test_spread_is_greatest_less_least_of_the_window():
    values = np.random.default_rng(5).integers(-50, 50, 200).astype(float)
    for ticks in (1, 2, 7, 40):
        padded = np.pad(values, (ticks // 2, ticks - 1 - ticks // 2), mode="edge")
        plain = [np.ptp(padded[row : row + ticks]) for row in range(len(values))]

        assert _spread(values, ticks).tolist() == plain


def test_no_joint_of_the_worked_arm_chatters_while_its_operator_rests(kerb):
    for trace in (
        kerb,
        *(
            run_replay(worked_profile(KERB), worked_table(KERB), worked_recording("kerb-setting.csv"), corner=corner)
            for corner in ("fast", "slow")
        ),
    ):
        summary = summarise(trace, worked_profile(KERB))
        for joint in summary.joints:
            assert joint.rest_s > 60.0, joint.name
            assert joint.switches_per_min < SWITCHES_MAX_PER_MIN, (trace.corner, joint.name)
        assert summary.warnings == ()


def test_a_deadband_in_which_the_joint_halts_at_the_edge_is_warned_of():
    """A joint that creeps to the edge of a narrow deadband halts there, and what the filter leaves of the tremor
    crosses the edge again and again."""
    text = (ROOT / "profiles" / "kerb-arm.toml").read_text(encoding="utf-8")
    narrow = text.replace('error_deadband = "1 deg"', 'error_deadband = "0.6 deg"')
    narrow = narrow.replace('error_deadband = "1.2 deg"', 'error_deadband = "0.6 deg"')
    narrow = narrow.replace('\nfilter = "2 Hz"', '\nfilter = "4 Hz"')
    profile = read_profile(narrow.encode(), "narrow.toml")
    trace = run_replay(profile, encode_table(compile_table(profile)), worked_recording("kerb-setting.csv"))
    summary = summarise(trace, profile)
    drive = np.sign(trace.joint(1, "drive_e4"))

    assert np.count_nonzero(np.diff(drive)) > 250
    assert [text.split(" switches")[0] for text in summary.warnings] == [
        "the valve of boom_swing",
        "the valve of boom_lift",
    ]
    assert "joints.boom_lift.follow.error_deadband" in summary.warnings[1]
    assert "speed_deadband" in summary.warnings[1]
