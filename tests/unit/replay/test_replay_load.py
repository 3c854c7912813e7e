"""A whole replay under load: pressures in the trace, joints that stall or run ahead, and what the notes say of them."""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import numpy as np
import pytest
from plant_case import plain_valves, same_motion
from replay_case import KERB, STAND, stand_recording, still, worked_profile, worked_recording, worked_table

from mapper.law import CAUSES
from mapper.profile.profile import ElectricDrive, Holding, Load
from mapper.replay import (
    CompiledPlant,
    Plant,
    first_difference,
    plant_parameters,
    read_recording,
    run_replay,
    trace_csv,
)
from mapper.table import compile_table, encode_table

LIFT, ROLL = 1, 4
RAISING = "time_s,shoulder_elevation_deg\n" + "".join(f"{k / 10:.1f},{min(50, 15 + k)}\n" for k in range(70))


def replay(profile, recording, **options):
    return run_replay(profile, encode_table(compile_table(profile)), recording, **options)


def still_operator():
    return read_recording("time_s,shoulder_elevation_deg\n0,15\n0.1,15\n", "still.csv")


def notes(trace, kind):
    return [note.text for note in trace.notes if note.kind == kind]


def stand_with(**changes):
    profile = worked_profile(STAND)
    joint = dataclasses.replace(profile.joints[0], **changes)
    return dataclasses.replace(profile, joints=(joint,))


def weak(profile, bar):
    supply = dataclasses.replace(profile.supply, relief_pa=Fraction(bar * 100_000))
    return dataclasses.replace(profile, supply=supply)


def test_the_pressures_of_a_replay_are_in_its_trace_in_bar():
    trace = run_replay(worked_profile(KERB), worked_table(KERB), worked_recording("kerb-setting.csv"))
    lift, pump = trace.load_pressure_bar(LIFT), trace.pump_pressure_bar()
    shut = trace.flow_l_min(LIFT) == 0.0
    margin = float(worked_profile(KERB).supply.margin_pa) / 1e5

    assert 30.0 < lift.max() < 150.0
    assert not lift[shut].any()
    assert np.all(pump >= lift + margin - 1e-9)
    assert pump.max() <= float(worked_profile(KERB).supply.relief_pa) / 1e5
    assert pump.min() == pytest.approx(margin), "the margin, with every valve shut"
    assert trace.load_name == "rated"


def test_the_trace_file_has_the_pressures_and_names_the_load():
    trace = replay(worked_profile(STAND), stand_recording(*(f"{k * 0.1:.1f},{min(30, k)}" for k in range(60))))
    lines = "".join(trace_csv(trace)).splitlines()
    names = lines[2].split(",")
    rows = np.array([line.split(",") for line in lines[3:]], dtype=float)

    assert lines[0].endswith(", load weight")
    assert trace.load_pressure_bar(0).max() > 1.0
    assert rows[:, names.index("lever_inlet_bar")] == pytest.approx(trace.load_pressure_bar(0), abs=6e-3)
    assert rows[:, names.index("pump_bar")] == pytest.approx(trace.pump_pressure_bar(), abs=6e-3)


def test_a_load_that_the_pump_cannot_lift_stops_the_joint_and_the_notes_say_so():
    recording = read_recording(RAISING, "raising.csv")
    needs = []
    for name in ("empty", "rated"):
        start = replay(worked_profile(KERB), still_operator(), load_name=name)
        angles = [np.radians(start.position_deg(index)[0]) for index in range(6)]
        plant = Plant(plain_valves(plant_parameters(worked_profile(KERB), load_name=name)), angles)
        plant.step([0, 5000, 0, 0, 0, 0])
        needs.append(plant.inlet_pa[LIFT] / 1e5)
    bar = round(sum(needs) / 2)
    profile = weak(worked_profile(KERB), bar)
    stopped, empty = replay(profile, recording), replay(profile, recording, load_name="empty")

    assert stopped.stalled_s(LIFT) > 0.5
    assert empty.stalled_s(LIFT) == 0.0
    assert empty.position_deg(LIFT).max() > stopped.position_deg(LIFT).max() + 5.0
    first = int(np.argmax(stopped.stalled(LIFT)))
    assert np.ptp(stopped.position_deg(LIFT)[first:]) == 0.0, "it stands; it does not run back"
    (text,) = notes(stopped, "stalled")
    assert text.startswith(f"boom_lift stood for {stopped.stalled_s(LIFT):.2f} s, first at ")
    assert "with its drive on: with rated it would take more than" in text
    assert text.endswith(f"and the pump gives {bar} bar at most")
    assert "drive_without_motion" in {CAUSES[number] for number in stopped.head("cause")}, "the law sees it (L9d)"
    assert notes(empty, "stalled") == []


def test_an_electric_joint_that_stalls_is_named_with_its_torque():
    drive = ElectricDrive(speed_deg_s=Fraction(40), torque_n_m=Fraction(10))
    profile = stand_with(drive=drive, holding=Holding(kind="none", setting_pa=None, pilot_ratio=None))
    rows = [f"{k * 0.1:.1f},{min(40, k)}" for k in range(80)]
    trace = replay(profile, stand_recording(*rows))

    (text,) = notes(trace, "stalled")
    assert text.endswith("it would take more than the 10 N m that it has")
    assert not trace.load_pressure_bar(0).any()


def test_a_load_that_runs_ahead_of_its_oil_is_a_note():
    rows = [f"{k * 0.1:.1f},{0.0 if k < 10 else 0.8}" for k in range(60)]
    recording = read_recording("time_s,roll_lever_share\n" + "\n".join(rows) + "\n", "roll.csv")
    profile = worked_profile(KERB)
    joints = list(profile.joints)
    joints[ROLL] = dataclasses.replace(joints[ROLL], holding=Holding(kind="brake", setting_pa=None, pilot_ratio=None))
    profile = dataclasses.replace(profile, joints=tuple(joints))
    loaded, empty = (replay(profile, recording, load_name=name) for name in ("rated", "empty"))

    (text,) = notes(loaded, "ahead")
    assert text.startswith("wrist_roll ran ahead of its oil for ")
    assert f"up to {np.abs(loaded.speed_deg_s(ROLL)).max():.1f} deg/s" in text
    assert loaded.pressure_factor(ROLL).max() > 1.2
    assert notes(empty, "ahead") == []


def test_the_load_that_is_carried_is_a_note():
    profile, recording = worked_profile(STAND), still(0.5)
    stone = Load(name="stone", mass_kg=Fraction(3), centre_m=Fraction(1, 2))
    loaded = dataclasses.replace(profile, loads=(stone,))
    bare = dataclasses.replace(profile, loads=())

    (heaviest,) = notes(replay(loaded, recording), "load")
    assert heaviest.startswith("stone (3 kg), the heaviest that the profile names, is carried from the first tick")
    assert notes(replay(loaded, recording, load_name=""), "load") == ["none is carried, as asked"]
    assert "stone (3 kg), as asked, is carried" in notes(replay(loaded, recording, load_name="stone"), "load")[0]
    assert notes(replay(bare, recording), "load") == ["none is carried: the profile names none"]
    with pytest.raises(ValueError, match="load 'brick'; the profile names stone"):
        replay(loaded, recording, load_name="brick")


def test_a_joint_whose_weight_is_not_in_the_profile_is_a_note():
    trace = replay(stand_with(body=None), still(0.5))

    assert any(
        "gravity is left out of lever: the profile does not say what lever weighs; add joints.lever.body" in text
        for text in notes(trace, "load")
    )


def test_a_gravity_loaded_joint_that_nothing_holds_is_a_note():
    nothing = Holding(kind="none", setting_pa=None, pilot_ratio=None)

    assert notes(replay(worked_profile(STAND), still(0.5)), "holding") == []
    (text,) = notes(replay(stand_with(holding=nothing), still(0.5)), "holding")
    assert text.startswith("lever: nothing in the profile holds it against gravity; with its valve shut it stands here")


def test_every_load_gives_its_own_replay_and_the_same_one_twice():
    profile, table, recording = worked_profile(KERB), worked_table(KERB), worked_recording("person/row-right.csv")
    empty, rated, again, heaviest = (
        run_replay(profile, table, recording, load_name=name) for name in ("empty", "rated", "rated", None)
    )

    assert first_difference(rated, again) is None
    assert np.array_equal(rated.motion, again.motion)
    assert np.array_equal(rated.motion, heaviest.motion)
    assert not np.array_equal(rated.motion, empty.motion)


def test_the_python_plant_gives_the_replays_pressures_under_load():
    profile = worked_profile(KERB)
    trace = run_replay(profile, worked_table(KERB), worked_recording("kerb-setting.csv"))
    parameters = plant_parameters(profile)
    start = np.radians(trace.position_deg(0)[0])
    angles = [start, *(float(np.radians(trace.position_deg(index)[0])) for index in range(1, 6))]
    plant, compiled = Plant(parameters, angles), CompiledPlant(parameters, angles)
    drives = np.stack([trace.joint(index, "drive_e4") for index in range(6)], axis=1)
    moving = int(np.flatnonzero(drives.any(axis=1))[0])
    for row in drives[moving : moving + 2000].tolist():
        plant.step(row)
        _, motion = compiled.step(row)
        assert same_motion(plant, motion)

    assert max(plant.inlet_pa) > 0.0
