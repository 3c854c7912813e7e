"""The plant: compiled twin against definition to the last bit, and both against the machine model and plain
arithmetic."""

from __future__ import annotations

import dataclasses
import math
import random
from fractions import Fraction

import numpy as np
import pytest
from plant_case import random_drives, same_motion
from replay_case import KERB, STAND, worked_profile

from mapper.machine import joint_model
from mapper.profile.profile import ElectricDrive, Range
from mapper.replay import CORNERS, CompiledPlant, Plant, plant_parameters
from mapper.replay.plant import NEGATIVE, POSITIVE, count_at


def with_electric_first(profile):
    """The kerb arm with an electric actuator and a reversed output in the swing: the kind that the profiles do not
    use."""
    joint = profile.joints[0]
    drive = ElectricDrive(speed_deg_s=Fraction(40), torque_n_m=Fraction(500))
    valve = dataclasses.replace(joint.valve, reversed=True)
    first = dataclasses.replace(joint, drive=drive, valve=valve)
    return dataclasses.replace(profile, joints=(first, *profile.joints[1:]))


@pytest.mark.parametrize("corner", CORNERS)
@pytest.mark.parametrize("electric", [False, True])
def test_compiled_plant_equals_its_definition_to_the_last_bit(corner, electric):
    profile = worked_profile(KERB)
    parameters = plant_parameters(with_electric_first(profile) if electric else profile, corner)
    source = random.Random(f"{corner}{electric}")
    start = [source.uniform(-0.5, 0.5) for _ in profile.joints]
    plant, compiled = Plant(parameters, start), CompiledPlant(parameters, start)
    saturated = stopped = 0

    for drives in random_drives(source, len(start), 4000):
        counts = plant.step(drives)
        compiled_counts, motion = compiled.step(drives)
        assert counts == compiled_counts
        assert plant.position_rad == compiled.position_rad()
        assert same_motion(plant, motion)
        saturated += plant.pump_factor < 1.0
        stopped += sum(
            abs(q - joint.upper_rad) < 1e-12 for q, joint in zip(plant.position_rad, parameters.joints, strict=True)
        )

    assert saturated > 50
    assert stopped > 50


@pytest.mark.parametrize("direction", [POSITIVE, NEGATIVE])
def test_joint_speed_is_that_of_the_machine_model_at_every_pose(direction):
    """Settled at a drive on the curve's last point, gain 1: rated flow times the model's speed per flow."""
    profile = worked_profile(KERB)
    parameters = plant_parameters(profile)
    for index, joint in enumerate(profile.joints):
        alone = dataclasses.replace(parameters, joints=(parameters.joints[index],), links=(), pump_flow_m3_s=1.0)
        model = joint_model(profile, joint)
        hard = joint.limits.hard_stops_deg
        poses = [0.0] if hard is None else np.linspace(float(hard.lower) + 5, float(hard.upper) - 5, 7)
        for pose in poses:
            plant = Plant(alone, [math.radians(pose)])
            state = plant._states[0]
            full = 1.0 if direction == POSITIVE else -1.0
            state.lag, state.spool = full, full
            state.delay = [full] * len(state.delay)
            drive = round(full * 10000) * alone.joints[0].polarity
            before = plant.position_rad[0]
            plant.step([drive])

            wanted = full * model.full_flow_m3_s * float(model.speed_per_flow(before, direction))
            assert plant.speed_rad_s[0] == pytest.approx(wanted, rel=1e-9), (joint.name, pose)


def test_nothing_moves_below_the_crack_point_and_something_above():
    profile = worked_profile(STAND)
    parameters = plant_parameters(profile)
    side = profile.joints[0].valve.positive
    play = float(profile.joints[0].tolerances.hysteresis) / 2
    crack_e4 = round((float(side.crack) + play) * 10000)

    still, moving = Plant(parameters, [0.0]), Plant(parameters, [0.0])
    for _ in range(400):
        still.step([crack_e4])
        moving.step([crack_e4 + 20])

    assert still.position_rad == (0.0,)
    assert moving.position_rad[0] > 0.0


def test_the_first_motion_comes_after_the_dead_time():
    parameters = plant_parameters(worked_profile(STAND), "slow")
    plant = Plant(parameters, [0.0])
    moved = []
    for _ in range(12):
        plant.step([8000])
        moved.append(plant.position_rad[0] > 0.0)

    assert parameters.joints[0].dead_ticks == 6  # 30 ms at 5 ms
    assert moved.index(True) == 6


def test_a_hard_stop_holds_and_a_joint_leaves_it_again():
    profile = worked_profile(STAND)
    parameters = plant_parameters(profile)
    upper = math.radians(float(profile.joints[0].limits.hard_stops_deg.upper))
    plant = Plant(parameters, [0.0])
    for _ in range(1000):
        plant.step([10000])

    assert plant.position_rad[0] == upper
    assert plant.speed_rad_s[0] == 0.0
    for _ in range(100):
        plant.step([-10000])
    assert plant.position_rad[0] < upper


def test_more_flow_than_the_pump_gives_is_scaled_for_all_alike():
    profile = worked_profile(KERB)
    plant = Plant(plant_parameters(profile, load_name="empty"), [0.0] * 6)
    for _ in range(200):
        plant.step([10000] * 6)

    total = sum(abs(flow) for flow in plant.flow_m3_s)
    assert total == pytest.approx(float(profile.supply.flow_m3_s), rel=1e-12)
    rated = [float(joint.valve.rated_flow_m3_s) for joint in profile.joints]
    # The drive behind half the hysteresis, on the last segment of the flow curve (80 %: 75 %, 100 %: 100 %).
    behind = np.array([1.0 - float(joint.tolerances.hysteresis) / 2.0 for joint in profile.joints])
    passes = 1.0 - 1.25 * (1.0 - behind)
    assert np.array(plant.flow_m3_s) / np.array(rated) == pytest.approx(passes * plant.pump_factor, rel=1e-3)
    assert plant.factor == [1.0] * 6


def test_a_reversed_output_turns_the_motion_round():
    profile = worked_profile(STAND)
    joint = profile.joints[0]
    turned = dataclasses.replace(joint, valve=dataclasses.replace(joint.valve, reversed=True))
    plant = Plant(plant_parameters(dataclasses.replace(profile, joints=(turned,))), [0.0])
    for _ in range(50):
        plant.step([8000])

    assert plant.position_rad[0] < 0.0


def test_a_turning_joint_wraps_and_its_tracks_stay_in_range():
    profile = worked_profile(KERB)
    parameters = plant_parameters(profile, "fast")
    roll = [joint.name for joint in profile.joints].index("wrist_roll")
    drives = [0] * 6
    drives[roll] = 10000
    plant = Plant(parameters, [0.0] * 6)
    wraps, before = 0, 0.0
    for _ in range(4000):
        counts = plant.step(drives)
        position = plant.position_rad[roll]
        wraps += position < before
        before = position
        assert -math.pi <= position < math.pi
        for track in profile.joints[roll].position.tracks:
            assert track.count_min <= counts[track.input_index] <= track.count_max

    assert wraps >= 1


def test_counts_are_the_calibration_read_backwards_within_half_a_count():
    profile = worked_profile(KERB)
    for joint, parameters in zip(profile.joints, plant_parameters(profile).joints, strict=True):
        for track, curve in zip(joint.position.tracks, parameters.tracks, strict=True):
            values = [float(value) for _, value in track.points]
            counts = [count for count, _ in track.points]
            order = np.argsort(values)
            for degrees in np.linspace(min(values), max(values), 101):
                exact = np.interp(degrees, np.array(values)[order], np.array(counts)[order])
                assert abs(count_at(curve, math.radians(degrees)) - exact) <= 0.5 + 1e-9


def test_corners_are_ordered_as_their_names_say():
    profile = worked_profile(KERB)
    nominal, fast, slow = (plant_parameters(profile, corner) for corner in CORNERS)
    for a, b, c in zip(fast.joints, nominal.joints, slow.joints, strict=True):
        assert a.dead_ticks <= b.dead_ticks <= c.dead_ticks
        assert a.alpha > b.alpha > c.alpha
        assert a.gain[0] > b.gain[0] == 1.0 > c.gain[0]


def test_the_dead_time_is_rounded_to_the_far_side_of_its_corner():
    profile = worked_profile(STAND)
    joint = profile.joints[0]
    times = Range(lower=Fraction(8, 1000), upper=Fraction(31, 1000))
    odd = dataclasses.replace(joint, tolerances=dataclasses.replace(joint.tolerances, dead_time_s=times))
    profile = dataclasses.replace(profile, joints=(odd,))

    ticks = [plant_parameters(profile, corner).joints[0].dead_ticks for corner in CORNERS]
    assert ticks == [4, 1, 7]


def test_an_unknown_corner_is_refused():
    with pytest.raises(ValueError, match="nominal, fast, slow"):
        plant_parameters(worked_profile(STAND), "worst")
