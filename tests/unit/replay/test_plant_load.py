"""The plant under load: gravity against the arm in space, flow and pressures against metering and holding, stalls."""

from __future__ import annotations

import dataclasses
import functools
import math
import random
from fractions import Fraction

import numpy as np
import pytest
from plant_case import plain_valves, random_profile
from replay_case import KERB, STAND, worked_profile

from mapper.machine import joint_model
from mapper.machine.arm.arm import Arm
from mapper.machine.arm.chain import chain_of
from mapper.machine.oil.holding import inlet_through_counterbalance_pa
from mapper.machine.oil.metering import AS_ASKED, HELD, METERED, OVERRUNNING, Lines, compensated, section_of, steady
from mapper.machine.oil.spread import gains
from mapper.machine.physics import joint_physics
from mapper.profile.profile import ElectricDrive, Holding, Load
from mapper.replay import CORNERS, Plant, plant_parameters
from mapper.replay.plant import ELECTRIC, MOTOR, NEGATIVE, POSITIVE, heaviest_load

LIFT, ELBOW, PITCH, ROLL = 1, 2, 3, 4
UNHELD = Holding(kind="none", setting_pa=None, pilot_ratio=None)
RATED_LIFT = [0.0, 0.3, -0.6, 0.1, 0.7, 0.2]


def with_joint(profile, index, **changes):
    joints = list(profile.joints)
    joints[index] = dataclasses.replace(joints[index], **changes)
    return dataclasses.replace(profile, joints=tuple(joints))


def with_valve(profile, index, **changes):
    return with_joint(profile, index, valve=dataclasses.replace(profile.joints[index].valve, **changes))


def with_supply(profile, **changes):
    return dataclasses.replace(profile, supply=dataclasses.replace(profile.supply, **changes))


def one_drive(index, drive, joints=6):
    return [drive if joint == index else 0 for joint in range(joints)]


def started(profile, angles, corner="nominal", load_name=None):
    return Plant(plain_valves(plant_parameters(profile, corner, load_name)), angles)


# --- gravity ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(60))
def test_gravity_is_the_arms_in_any_chain_and_pose_with_any_load(seed):
    source = random.Random(seed)
    profile = random_profile(source)
    for index in range(6):
        profile = with_joint(profile, index, holding=UNHELD)
    chain = chain_of(profile)
    known = [chain.is_known(index) for index in range(6)]
    for name in ("", "one", "two"):
        angles = [source.uniform(-3.0, 3.0) for _ in range(6)]
        plant = Plant(plant_parameters(profile, load_name=name), angles)
        wanted = Arm(chain=chain).gravity_torque_n_m(plant.position_rad, name or None)[0]

        assert plant.gravity_n_m() == pytest.approx(np.where(known, wanted, 0.0), abs=1e-9)
        assert plant.gravity_n_m() == plant.gravity_n_m(), "the saved cosines change nothing"


def test_gravity_of_the_worked_arm_stretched_out_is_the_sum_by_hand():
    plant = Plant(plant_parameters(worked_profile(KERB)), [0.0] * 6)
    elbow_kg, elbow_m = 165 * 0.45359237, 19.7 * 0.0254
    wrist = 45 * 0.10 + 40 * (0.150 + 0.100) + 200 * 0.38
    elbow = elbow_kg * elbow_m + (45 + 40 + 200) * 45.3 * 0.0254 + wrist
    lift = 110 * 0.75 + (elbow_kg + 45 + 40 + 200) * 1.6 + elbow

    assert plant.gravity_n_m()[LIFT : PITCH + 1] == pytest.approx([-9.80665 * m for m in (lift, elbow, wrist)])
    assert plant.gravity_n_m()[0] == plant.gravity_n_m()[5] == 0.0


def test_the_load_beside_the_roll_axis_turns_the_roll_joint_with_its_sine():
    profile = worked_profile(KERB)
    rated = next(load for load in profile.loads if load.name == "rated")
    most = 9.80665 * float(rated.mass_kg) * float(rated.offset_m)
    for roll in (-2.0, 0.0, 0.4, math.pi / 2):
        plant = Plant(plant_parameters(profile), [0.0, 0.0, 0.0, 0.0, roll, 0.0])
        assert plant.gravity_n_m()[ROLL] == pytest.approx(most * math.sin(roll), abs=1e-9)


def test_nothing_is_weighed_before_a_pitch_joint_without_a_body():
    profile = with_joint(worked_profile(KERB), ELBOW, body=None)
    plant = Plant(plant_parameters(profile), [0.2] * 6)

    torques = plant.gravity_n_m()
    assert torques[LIFT] == torques[ELBOW] == 0.0
    assert torques[PITCH] < -500.0


# --- flow and pressures ----------------------------------------------------------------------------------------------


@functools.cache
def random_cases():
    """(profile, index, drive, plant's parameters, angles) of random machines, one joint to be opened."""
    found = []
    for seed in range(200):
        source = random.Random(seed)
        profile = random_profile(source, axes=False)
        profile = with_supply(profile, flow_m3_s=Fraction(1))
        limits = [joint.limits.hard_stops_deg for joint in profile.joints]
        angles = [
            math.radians(source.uniform(float(stops.lower) + 3, float(stops.upper) - 3)) if stops else 0.8
            for stops in limits
        ]
        index, drive = source.randrange(6), source.choice([-1, 1]) * source.randint(500, 10000)
        parameters = plain_valves(plant_parameters(profile, source.choice(CORNERS)))
        found.append((profile, index, drive, parameters, angles))
    return found


def settled_cases():
    """(profile, index, drive, plant), fresh."""
    for profile, index, drive, parameters, angles in random_cases():
        yield profile, index, drive, Plant(parameters, angles)


def sides(profile, index, direction, plant):
    """Displacements, and the load against the motion with friction."""
    joint, q = profile.joints[index], plant.position_rad[index]
    model = joint_model(profile, joint)
    inlet, outlet = (float(side) for side in model.displacement_m3_rad(q, direction))
    torque = plant.gravity_n_m()[index] * (-1.0 if direction == POSITIVE else 1.0)
    load = torque / model.efficiency if torque > 0.0 else torque * model.efficiency
    return (inlet, outlet), load


def test_speed_and_inlet_pressure_are_those_of_the_two_metering_edges():
    """All regimes of metering.py: both edges, the compensator, the outlet alone, too heavy."""
    seen = {METERED: 0, OVERRUNNING: 0, HELD: 0, AS_ASKED: 0}
    for profile, index, drive, plant in settled_cases():
        joint, own = profile.joints[index], plant.parameters.joints[index]
        direction = POSITIVE if drive > 0 else NEGATIVE
        if own.kind == ELECTRIC or own.way[direction].holds:
            continue
        displacement, load = sides(profile, index, direction, plant)
        plant.step(one_drive(index, drive))
        section = section_of(float(joint.valve.rated_flow_m3_s), float(joint.valve.rated_drop_pa))
        opening = abs(drive) / 10000
        lines = Lines(supply_pa=plant.pump_pa, tank_pa=float(profile.supply.tank_pa), inlet_least_pa=0.0)
        if joint.valve.compensated:
            asked = opening * own.gain[direction] * own.full_flow_m3_s
            found = compensated(section, displacement, lines, load, asked, opening)
        else:
            found = steady(section, displacement, lines, load, opening)
        speed = float(found.speed) * math.copysign(1.0, drive)
        if own.kind == MOTOR and plant.parameters.corner != "fast":
            speed = speed * float(joint.drive.volumetric_efficiency)
        seen[int(found.regime)] += 1
        most = opening * float(joint.valve.rated_flow_m3_s)
        most = most * math.sqrt(2 * plant.pump_pa / float(joint.valve.rated_drop_pa))

        assert abs(plant.flow_m3_s[index]) <= most * (1 + 1e-12), "nothing sucks oil through the inlet edge"
        assert plant.inlet_pa[index] == pytest.approx(float(found.inlet_pa), rel=1e-9, abs=1.0)
        if plant.position_rad[index] not in (own.lower_rad, own.upper_rad):
            assert plant.speed_rad_s[index] == pytest.approx(speed, rel=1e-9, abs=1e-12)

    assert min(seen.values()) >= 5, seen


def test_a_counterbalance_sets_the_inlet_pressure_and_the_flow_that_it_leaves():
    throttling = wide_open = vented = 0
    for profile, index, drive, plant in settled_cases():
        joint, own = profile.joints[index], plant.parameters.joints[index]
        direction = POSITIVE if drive > 0 else NEGATIVE
        if own.kind == ELECTRIC or not own.way[direction].holds:
            continue
        (inlet, outlet), load = sides(profile, index, direction, plant)
        plant.step(one_drive(index, drive))
        half, tank = float(joint.valve.rated_drop_pa) / 2, float(profile.supply.tank_pa)
        edge = half * (plant.flow_m3_s[index] / (drive / 10000 * own.full_flow_m3_s)) ** 2
        back = tank + edge * (outlet / inlet) ** 2
        wanted = (load + outlet * back) / inlet
        counter = float(
            inlet_through_counterbalance_pa(
                float(joint.holding.setting_pa),
                float(joint.holding.pilot_ratio),
                (np.array(inlet), np.array(outlet)),
                np.array(load),
                back,
                vented=joint.holding.vented,
            )
        )
        throttling += counter > wanted
        vented += counter > wanted and joint.holding.vented
        wide_open += counter < wanted

        assert plant.inlet_pa[index] == pytest.approx(max(wanted, counter, 0.0), rel=1e-9, abs=1.0)
        if plant.factor[index] > 0.0:
            assert plant.pump_pa - max(wanted, counter) >= edge - 1.0
        if not joint.valve.compensated and plant.factor[index] > 0.0:
            assert plant.pump_pa - max(wanted, counter) == pytest.approx(edge, abs=1.0)

    assert throttling > vented + 5
    assert vented > 5
    assert wide_open > 4


def test_every_speed_lies_in_the_spread_that_the_checks_reckon_with():
    """The largest and smallest factor over the promised flow that the checks derive (spread.py) hold the plant's."""
    checked = 0
    for profile, index, drive, plant in settled_cases():
        joint = profile.joints[index]
        physics = joint_physics(profile).get(joint.name)
        own = plant.parameters.joints[index]
        if physics is None or own.kind == ELECTRIC:
            continue
        direction = POSITIVE if drive > 0 else NEGATIVE
        low, high = gains(profile, joint, physics.model, physics.envelope, direction)
        promised = own.full_flow_m3_s * abs(drive) / 10000
        promised = promised * float(physics.model.speed_per_flow_rad_m3(plant.position_rad[index], direction))
        plant.step(one_drive(index, drive))
        if plant.position_rad[index] in (own.lower_rad, own.upper_rad):
            continue
        checked += 1

        assert low.min() - 1e-9 <= abs(plant.speed_rad_s[index]) / promised <= high.max() * (1 + 1e-9)

    assert checked > 80


def test_a_load_sensing_pump_gives_the_highest_need_and_its_margin():
    profile = worked_profile(KERB)
    plant = started(profile, RATED_LIFT)
    margin = float(profile.supply.margin_pa)
    plant.step([0] * 6)

    assert plant.pump_pa == margin
    assert plant.inlet_pa == [0.0] * 6
    plant.step([0, 5000, 3000, 0, 0, 0])
    assert plant.pump_pa == pytest.approx(max(plant.inlet_pa) + margin)
    assert plant.inlet_pa[LIFT] == max(plant.inlet_pa) > 30e5


def test_a_fixed_pump_is_at_relief():
    profile = with_supply(worked_profile(KERB), load_sensing=False)
    plant = started(profile, RATED_LIFT)
    plant.step([0, 5000, 0, 0, 0, 0])

    assert plant.pump_pa == float(profile.supply.relief_pa)
    assert plant.factor == [1.0] * 6


def test_lifting_takes_the_pressure_that_force_over_area_says():
    """By hand: torque over lever arm, over cap area and efficiency; back pressure of tank line and outlet edge."""
    profile = worked_profile(KERB)
    drive = dataclasses.replace(
        profile.joints[LIFT].drive, bore_m=Fraction(63, 1000), rod_m=Fraction(45, 1000), efficiency=Fraction(92, 100)
    )
    plant = started(with_joint(profile, LIFT, drive=drive), RATED_LIFT)
    torque = -plant.gravity_n_m()[LIFT]
    angle = math.radians(66) + 0.3
    length = math.sqrt(1.0 + 0.34**2 - 2 * 0.34 * math.cos(angle))
    force = torque / (0.34 * math.sin(angle) / length)
    cap, ring = math.pi / 4 * 0.063**2, math.pi / 4 * (0.063**2 - 0.045**2)
    back = 3e5 + 10e5 * (ring / cap) ** 2
    plant.step(one_drive(LIFT, 5000))

    assert (float(drive.base_radius_m), float(drive.rod_radius_m)) == (1.0, 0.34)
    assert plant.inlet_pa[LIFT] == pytest.approx((force / 0.92 + back * ring) / cap, rel=1e-9)


def test_sharing_the_pump_takes_from_the_outlets_back_pressure_as_the_square():
    profile = worked_profile(KERB)
    rich, poor = started(with_supply(profile, flow_m3_s=Fraction(1)), RATED_LIFT), started(profile, RATED_LIFT)
    for plant in (rich, poor):
        plant.step([10000, 10000, 10000, 10000, 0, 0])
    out_pa = rich.parameters.joints[LIFT].way[POSITIVE].out_pa

    assert poor.pump_factor < 0.7
    assert rich.inlet_pa[LIFT] - poor.inlet_pa[LIFT] == pytest.approx(out_pa * (1 - poor.pump_factor**2), rel=1e-6)
    assert poor.factor == rich.factor
    assert poor.pump_pa == rich.pump_pa


def test_lowering_under_load_is_not_faster_than_its_command():
    """The worked arm's pitch joints have counterbalance valves; loaded and empty lower at the same speed."""
    profile = worked_profile(KERB)
    for index in (LIFT, ELBOW, PITCH):
        speeds = []
        for load in ("", "rated"):
            plant = started(profile, RATED_LIFT, load_name=load)
            plant.step(one_drive(index, -6000))
            speeds.append(plant.speed_rad_s[index])
            assert plant.factor[index] == 1.0
        assert speeds[0] == speeds[1] < 0.0


def test_a_pulling_load_that_nothing_meters_runs_ahead_of_its_oil():
    profile = worked_profile(KERB)
    loose = with_joint(profile, LIFT, holding=UNHELD)
    held, free = started(profile, RATED_LIFT), started(loose, RATED_LIFT)
    for plant in (held, free):
        plant.step(one_drive(LIFT, -6000))

    assert free.inlet_pa[LIFT] == 0.0 < held.inlet_pa[LIFT]
    assert free.factor[LIFT] > 1.4
    assert free.speed_rad_s[LIFT] == pytest.approx(held.speed_rad_s[LIFT] * free.factor[LIFT])
    assert free.flow_m3_s[LIFT] == held.flow_m3_s[LIFT], "the pump cannot fill it"


# --- stalls and corners ----------------------------------------------------------------------------------------------


def test_a_joint_that_cannot_lift_its_load_stalls_and_does_not_run_back():
    strong = started(worked_profile(KERB), RATED_LIFT)
    strong.step(one_drive(LIFT, 8000))
    relief_pa = round(0.8 * strong.inlet_pa[LIFT])
    weak = with_supply(worked_profile(KERB), relief_pa=Fraction(relief_pa))
    plant, empty = started(weak, RATED_LIFT), started(weak, RATED_LIFT, load_name="empty")
    for _ in range(50):
        for one in (plant, empty):
            one.step(one_drive(LIFT, 8000))

    assert plant.position_rad[LIFT] == 0.3
    assert plant.factor[LIFT] == plant.flow_m3_s[LIFT] == plant.speed_rad_s[LIFT] == 0.0
    assert plant.inlet_pa[LIFT] > plant.pump_pa == relief_pa
    assert empty.position_rad[LIFT] > 0.31
    plant.step(one_drive(LIFT, -8000))
    assert plant.position_rad[LIFT] < 0.3, "lowering still goes"


def test_flow_falls_with_the_root_of_what_the_load_leaves():
    """Compensated: full flow until the pump has less left than the edges take, then by the root, then nothing."""
    profile = with_supply(worked_profile(KERB), load_sensing=False)
    at = started(profile, RATED_LIFT)
    at.step(one_drive(LIFT, 10000))
    way = at.parameters.joints[LIFT].way[POSITIVE]
    no_flow_pa, edges_pa = at.inlet_pa[LIFT] - way.out_pa, 1.0 / way.both_per_pa
    factors = []
    for left in (2.0, 1.0, 0.49, 0.04, 0.0, -1.0):
        weak = with_supply(profile, relief_pa=Fraction(no_flow_pa + left * edges_pa))
        plant = started(weak, RATED_LIFT)
        plant.step(one_drive(LIFT, 10000))
        factors.append(plant.factor[LIFT])

    assert factors == pytest.approx([1.0, 1.0, 0.7, 0.2, 0.0, 0.0], abs=1e-6)


def test_an_electric_joint_stalls_above_its_torque_and_only_against_the_load():
    torque = -started(worked_profile(KERB), RATED_LIFT).gravity_n_m()[PITCH]
    for share, moves in ((1.001, True), (0.999, False)):
        drive = ElectricDrive(speed_deg_s=Fraction(40), torque_n_m=Fraction(torque * share))
        profile = with_joint(worked_profile(KERB), PITCH, drive=drive)
        up, down = started(profile, RATED_LIFT), started(profile, RATED_LIFT)
        up.step(one_drive(PITCH, 5000))
        down.step(one_drive(PITCH, -5000))

        assert (up.position_rad[PITCH] > RATED_LIFT[PITCH]) is moves
        assert up.factor[PITCH] == float(moves)
        assert math.degrees(down.speed_rad_s[PITCH]) == pytest.approx(-20.0)


def test_a_motor_needs_the_pressure_that_its_displacement_says():
    """By hand: 200 kg at 166 mm, 80 cm3 a turn, geared 6, mechanical efficiency 0.88: some 48 bar over it."""
    profile = with_joint(worked_profile(KERB), ROLL, holding=UNHELD)
    load = dataclasses.replace(profile.loads[-1], mass_kg=Fraction(200), offset_m=Fraction(166, 1000))
    profile = dataclasses.replace(profile, loads=(load,))
    plant = started(profile, [0.0, 0.0, 0.0, 0.0, -math.pi / 2, 0.0])
    drop = 9.80665 * 200 * 0.166 * 2 * math.pi / (4.882 * 0.0254**3 * 6 * 0.88)
    plant.step(one_drive(ROLL, 8000))

    assert plant.inlet_pa[ROLL] == pytest.approx(drop + 3e5 + 145 * 6894.757293, rel=1e-9)


def test_the_gain_corner_moves_compensated_sections_and_no_others():
    profile = with_supply(with_valve(worked_profile(KERB), ELBOW, compensated=False), flow_m3_s=Fraction(1))
    speeds = {}
    for corner in CORNERS:
        plant = started(profile, RATED_LIFT, corner)
        plant.step([0, 4000, 0, 0, 0, 0])
        lift = plant.speed_rad_s[LIFT]
        plant.step([0, 0, 4000, 0, 0, 0])
        speeds[corner] = (lift, plant.speed_rad_s[ELBOW])

    lifts = [speeds[corner][0] / speeds["nominal"][0] for corner in CORNERS]
    assert lifts == pytest.approx([1.0, 1.3, 0.85])
    elbows = [speeds[corner][1] / speeds["nominal"][1] for corner in CORNERS]
    assert elbows == pytest.approx([1.0, 1.0, 1.0], rel=1e-3), "but for the pose, which the lift has moved a little"


def test_a_section_cannot_take_more_than_the_pumps_margin_over_its_edge():
    """Load sensing, 4 bar of margin, edges that take 10 bar at rated flow: root of 0.4 of it."""
    profile = with_supply(worked_profile(KERB), margin_pa=Fraction(400_000))
    plant = started(profile, RATED_LIFT)
    plant.step(one_drive(LIFT, 10000))

    assert plant.factor[LIFT] == pytest.approx(math.sqrt(0.4))
    assert plant.pump_pa == pytest.approx(plant.inlet_pa[LIFT] + 4e5)


def test_a_joint_with_its_valve_shut_stands_whatever_holds_it():
    profile = worked_profile(KERB)
    loose = with_joint(profile, LIFT, holding=UNHELD)
    plant = Plant(plant_parameters(loose), RATED_LIFT)
    for _ in range(200):
        plant.step([0] * 6)

    assert plant.position_rad == tuple(RATED_LIFT)


def test_the_heaviest_load_is_carried_unless_another_is_asked_for():
    profile = worked_profile(KERB)
    light = Load(name="light", mass_kg=Fraction(1), centre_m=Fraction(9))
    more = dataclasses.replace(profile, loads=(*profile.loads, light))

    assert heaviest_load(more) == plant_parameters(more).load_name == "rated"
    assert plant_parameters(more, load_name="light").load_name == "light"
    assert heaviest_load(dataclasses.replace(profile, loads=())) == ""
    with pytest.raises(ValueError, match="'stone'; the profile names empty, rated"):
        plant_parameters(profile, load_name="stone")


def test_a_stand_without_loads_still_weighs_its_lever():
    plant = Plant(plant_parameters(worked_profile(STAND), load_name=""), [0.0])

    assert plant.gravity_n_m() == pytest.approx([-9.80665 * 8 * 0.3])
