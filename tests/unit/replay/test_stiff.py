"""The stiff model against closed forms: springs, energy, yield, what holds a load and what does not."""

from __future__ import annotations

import dataclasses
import math
import random
from fractions import Fraction

import numpy as np
import pytest
from replay_case import KERB, worked_profile
from stiff_case import bare, bare_side, changed, holding, physics_of, random_stop, share_of, shut, sudden, with_side

from mapper.machine.oil.holding import check_pilot_pa, counterbalance_pilot_pa
from mapper.machine.oil.metering import Lines, section_of, steady
from mapper.replay import CompiledPlant, plant_parameters
from mapper.replay._stiff_library import run_stiff_compiled
from mapper.replay.stiff import (
    HARD_STOP,
    MOTOR,
    RELIEF_OPENED,
    SEAT_OPENED,
    VOID,
    Motion,
    StiffJoint,
    StiffResult,
    StiffStart,
    Valve,
    Yield,
    geometry,
    gravity,
    outlet_m3_s,
    slopes,
)
from mapper.replay.stiff_joint import (
    CORNERS,
    natural_rad_s,
    resting_squeeze,
    sinking_rad_s,
    stiff_joint,
    valve_past,
)

HELD = {
    "boom_swing": holding("port_relief", 230),
    "boom_lift": holding("counterbalance", 220, ratio=4),
    "elbow": holding("double_counterbalance", 220, ratio=4),
    "wrist_pitch": holding("double_counterbalance", 160, ratio=4),
    "wrist_roll": holding("brake"),
    "clamp": holding("pilot_check", ratio=4),
}
HYDRAULIC = ("boom_swing", "boom_lift", "elbow", "wrist_pitch", "wrist_roll", "clamp", "lever")


def middle(name):
    q = physics_of(name).envelope.q_rad
    return 0.5 * float(q[0] + q[-1])


def nominal(name, direction=0, q=None, **changes):
    physics = changed(physics_of(name), holding=HELD[name]) if name in HELD else physics_of(name)
    q = middle(name) if q is None else q
    load = physics.envelope.load_names[-1]
    made = stiff_joint(physics, corner="nominal", load_name=load, direction=direction, q_rad=q)
    return dataclasses.replace(made, **changes)


def oil_energy(joint: StiffJoint, q: float, pressures) -> float:
    """Work stored in both sides: K (N ln(N / V) - (N - V)) with N = V + e, the integral of p = K (N / V - 1); a motor,
    whose volume stays: p2 V / 2 K.
    """
    total = 0.0
    for volume, pressure in zip(geometry(joint, q)[2:], pressures, strict=True):
        if joint.kind == MOTOR:
            total += 0.5 * pressure**2 * volume / joint.bulk_pa
            continue
        oil = volume * (1.0 + pressure / joint.bulk_pa)
        total += joint.bulk_pa * (oil * math.log(oil / volume) - (oil - volume))
    return total


def potential(joint: StiffJoint, q: float) -> float:
    """Of gravity, against the lower end; the torque is straight between the nodes, so the trapezoids are exact."""
    at = joint.gravity_at_rad + np.arange(len(joint.gravity_n_m)) / (joint.gravity_per_rad or 1.0)
    points = np.unique(np.concatenate([at[at < q], [at[0] - 0.5, q]]))
    return -float(np.trapezoid([gravity(joint, point) for point in points.tolist()], points))


def energies(joint: StiffJoint, result: StiffResult):
    return np.array(
        [
            0.5 * joint.inertia_kg_m2 * row[1] ** 2 + oil_energy(joint, row[0], row[2:4]) + potential(joint, row[0])
            for row in result.rows.tolist()
        ]
    )


@pytest.mark.parametrize("name", HYDRAULIC)
def test_shut_in_oil_swings_at_the_frequency_and_to_the_height_of_its_spring(name):
    """A quarter of a swing lasts pi / 2 omega and goes w / omega far, and the pressure rises by K a x / V."""
    joint, q = bare(nominal(name)), middle(name)
    omega, w = natural_rad_s(joint, q), 0.002 * natural_rad_s(joint, q)
    area, volume = geometry(joint, q)[1], geometry(joint, q)[3]
    before = 100e5 * geometry(joint, q)[1] / geometry(joint, q)[0], 100e5
    result = run_stiff_compiled(joint, shut(joint, q, w, before, max(4, math.ceil(2.0 / omega / joint.tick_s))))
    rise = joint.bulk_pa * area * (w / omega) / volume

    assert result.turned_s == pytest.approx(0.5 * math.pi / omega, rel=0.02, abs=joint.step_s)
    assert result.highest_rad - q == pytest.approx(w / omega, rel=0.01)
    assert result.peak_pa[1] - 100e5 == pytest.approx(rise, rel=0.02)


@pytest.mark.parametrize("name", ["boom_swing", "boom_lift", "wrist_pitch", "wrist_roll", "lever"])
def test_shut_in_oil_without_friction_keeps_its_energy(name):
    """With gravity, over a whole swing and more, one side running empty on the way."""
    joint = nominal(name)
    joint = bare(joint, gravity_n_m=joint.gravity_n_m)
    result = run_stiff_compiled(joint, shut(joint, 0.1, 0.3, (30e5, 30e5), 100))
    energy = energies(joint, result)

    assert name == "lever" or result.happened & (VOID | VOID << 8)
    assert np.ptp(energy) < 2e-4 * 0.5 * joint.inertia_kg_m2 * 0.3**2 + 1e-6


def test_no_stop_with_the_valve_shut_makes_energy():
    """Reliefs, friction and damping only take it, in every joint, at every corner, from any state. (A leak, which does
    not feel the oil's resistance, may give and take a few joules.)
    """
    source = random.Random("energy")
    for _ in range(60):
        joint, start = random_stop(source, 60)
        sides = tuple(dataclasses.replace(side, fill_edge=0.0, least_m3=0.0, leak_per_pa=0.0) for side in joint.side)
        joint = dataclasses.replace(joint, tank_pa=0.0, side=sides, cross_leak_per_pa=0.0)
        q = start.q_rad
        begin = shut(joint, q, start.w_rad_s, (source.uniform(0.0, 200e5), source.uniform(0.0, 200e5)), 60)
        first = 0.5 * joint.inertia_kg_m2 * start.w_rad_s**2 + potential(joint, q)
        squeezed = zip(begin.squeezed_m3, geometry(joint, q)[2:], strict=True)
        first += oil_energy(joint, q, [e * joint.bulk_pa / volume for e, volume in squeezed])
        energy = np.concatenate([[first], energies(joint, run_stiff_compiled(joint, begin))])
        span = max(1.0, float(np.ptp(energy)), abs(first))

        assert np.all(np.diff(energy) <= 3e-4 * span), joint.name


def test_a_relief_takes_up_the_energy_of_the_motion_as_work():
    """I w2 / 2 = elastic energy + setting x oil pushed out; the way is that of the volume pushed out."""
    w, setting = math.radians(25.0), 100e5
    joint = bare(nominal("boom_swing"), steps_per_tick=400)
    joint = with_side(joint, 1, yields=(Yield(pa=setting, per_pa=1e-7, bit=RELIEF_OPENED), joint.side[1].yields[1]))
    result = run_stiff_compiled(joint, shut(joint, 0.0, w, (0.0, 0.0), 200))
    energy = 0.5 * joint.inertia_kg_m2 * w * w
    volume0, volume1 = (geometry(joint, q)[3] for q in (0.0, result.highest_rad))
    elastic = 0.5 * setting**2 * volume1 / joint.bulk_pa
    pushed_out = volume0 - volume1 - setting * volume1 / joint.bulk_pa

    assert result.happened & (RELIEF_OPENED << 8)
    assert result.peak_pa[1] == pytest.approx(setting, rel=0.02)
    assert elastic < 0.5 * energy
    assert elastic + setting * pushed_out == pytest.approx(energy, rel=0.01)


def test_a_blocked_swing_makes_the_pressure_of_its_energy():
    """One side takes it all: I w2 / 2 = p2 V / 2 K, volume nearly constant over that way."""
    w = math.radians(5.0)
    joint = bare(nominal("boom_swing"))
    result = run_stiff_compiled(joint, shut(joint, 0.0, w, (0.0, 0.0), 100))
    volume = geometry(joint, 0.5 * result.highest_rad)[3]
    pressure = w * math.sqrt(joint.inertia_kg_m2 * joint.bulk_pa / volume)

    turned = round(result.turned_s / joint.tick_s)

    assert result.peak_pa[1] == pytest.approx(pressure, rel=0.02)
    assert np.all(result.rows[: turned - 1, 2] == 0.0)


def held_lift(held, q=0.3):
    physics = changed(physics_of("boom_lift"), holding=held)
    joint = stiff_joint(physics, corner="nominal", load_name="rated", direction=1, q_rad=q)
    start = shut(joint, q, 0.0, (0.0, 0.0), 1200)
    start = dataclasses.replace(start, squeezed_m3=resting_squeeze(joint, q, 0.0, 0.0))
    return joint, run_stiff_compiled(joint, start)


def test_a_lift_that_nothing_holds_goes_on_sinking_at_what_its_spool_leaks():
    joint, result = held_lift(dataclasses.replace(holding("none"), anti_cavitation=False))
    speed = (result.rows[-1, 0] - result.rows[400, 0]) / (joint.tick_s * (len(result.rows) - 401))

    assert sinking_rad_s(joint, 0.3) < -math.radians(0.01)
    # The other side, run empty, is below the tank's pressure, and friction helps: it sinks a little slower.
    assert sinking_rad_s(joint, 0.3) < speed < 0.9 * sinking_rad_s(joint, 0.3)


@pytest.mark.parametrize("kind", ["counterbalance", "double_counterbalance", "pilot_check"])
def test_a_lift_behind_a_seat_valve_stands(kind):
    joint, result = held_lift(holding(kind, None if kind == "pilot_check" else 220, ratio=4))

    assert sinking_rad_s(joint, 0.3) == 0.0
    assert abs(result.rows[-1, 0] - 0.3) < math.radians(0.01)
    assert result.rows[-1, 2] == pytest.approx(-gravity(joint, 0.3) / geometry(joint, 0.3)[0], rel=0.05)


def test_a_counterbalance_with_a_lower_setting_lets_the_load_run_on_farther():
    """The lift going down at 20 deg/s, its valve shut at once: energy and gravity against setting x volume."""
    went = {}
    for bar in (170, 220):
        physics = changed(physics_of("boom_lift"), holding=holding("counterbalance", bar, ratio=4))
        joint = stiff_joint(physics, corner="nominal", load_name="rated", direction=1, q_rad=0.0)
        joint = dataclasses.replace(joint, damping_s=0.0, driving=0.0, overrunning=0.0)
        area = geometry(joint, 0.0)[0]
        w = -math.radians(20.0)
        result = run_stiff_compiled(joint, shut(joint, 0.0, w, (-gravity(joint, 0.0) / area, 0.0), 200))
        went[bar] = -result.lowest_rad
        net = area * bar * 1e5 + gravity(joint, 0.0)
        stiffness = joint.bulk_pa * area**2 / geometry(joint, 0.0)[2]
        expected = 0.5 * joint.inertia_kg_m2 * w * w / net + 0.5 * net / stiffness

        assert result.happened & SEAT_OPENED
        assert went[bar] == pytest.approx(expected, rel=0.1)

    assert went[170] > 1.1 * went[220]


@pytest.mark.parametrize("name", HYDRAULIC)
@pytest.mark.parametrize("direction", [0, 1])
def test_steady_motion_goes_on_as_it_began(name, direction):
    """The pressures that a stop begins with are those of the motion: with the drive kept, the speed stays. Without
    gravity, so that no load runs ahead of the oil.
    """
    joint = nominal(name, direction=direction, gravity_n_m=(0.0, 0.0))
    w = (1 if direction == 0 else -1) * 0.15
    start = sudden(joint, middle(name), w, ticks=60)
    kept = dataclasses.replace(start, share=np.full(61, start.lag), off_tick=1000, quiet_ticks=1000)
    speeds = run_stiff_compiled(joint, kept).rows[:, 1]

    assert np.all(np.abs(speeds / w - 1.0) < 0.03)


@pytest.mark.parametrize(("name", "direction"), [("boom_lift", 1), ("elbow", 1), ("wrist_pitch", 1)])
def test_a_counterbalance_keeps_a_pulling_load_at_the_speed_of_the_oil(name, direction):
    joint = nominal(name, direction=direction)
    start = sudden(joint, middle(name), -0.15, ticks=60)
    kept = dataclasses.replace(start, share=np.full(61, start.lag), off_tick=1000, quiet_ticks=1000)
    result = run_stiff_compiled(joint, kept)

    assert gravity(joint, middle(name)) < 0.0
    assert np.all(np.abs(result.rows[:, 1] / -0.15 - 1.0) < 0.06)
    assert np.min(result.rows[:, 2:4]) > 5e5


def test_with_stiff_oil_the_joint_moves_as_the_plant_without_pressures():
    """Bulk modulus 25 times as high, a hundredth of the inertia: drive on and off, position against the quasi-static
    plant.
    """
    profile = worked_profile(KERB)
    physics = changed(physics_of("boom_swing"), holding=HELD["boom_swing"])
    joint = stiff_joint(physics, corner="nominal", load_name="rated", direction=0, q_rad=0.0)
    joint = dataclasses.replace(joint, bulk_pa=25.0 * joint.bulk_pa, gravity_n_m=(0.0, 0.0), steps_per_tick=200)
    joint = dataclasses.replace(joint, inertia_kg_m2=joint.inertia_kg_m2 / 100.0)
    lag_s = 0.055
    step = joint.step_s
    joint = dataclasses.replace(
        joint,
        alpha=1.0 - math.exp(-step / lag_s),
        alpha_half=1.0 - math.exp(-0.5 * step / lag_s),
        dead_steps=round(0.02 / step),
        damping_s=joint.damping_s / 5.0,
        side=tuple(dataclasses.replace(side, least_m3=0.0) for side in joint.side),
    )
    drives = [0] * 20 + [5500] * 160 + [0] * 100
    past = valve_past(physics.joint, joint, drives, 0)
    start = StiffStart(
        q_rad=0.0,
        w_rad_s=0.0,
        squeezed_m3=resting_squeeze(joint, 0.0, 0.0, 0.0),
        lag=past.lag,
        share=past.share[:281],
        factor=np.ones(280),
        off_tick=1000,
        quiet_ticks=1000,
    )
    rows = run_stiff_compiled(joint, start).rows
    plant = CompiledPlant(plant_parameters(profile), [0.0] * 6)
    quasi = []
    for drive in drives:
        plant.step([drive, 0, 0, 0, 0, 0])
        quasi.append(plant.position_rad()[0])
    asked = np.array(quasi)

    assert asked[-1] > math.radians(8.0)
    assert np.max(np.abs(rows[:, 0] - asked)) < 0.01 * asked[-1]


def test_the_dump_takes_the_supply_down_to_what_it_leaves():
    joint = nominal("boom_swing", dump_per_s=10.0)
    start = dataclasses.replace(sudden(joint, 0.0, 0.2, ticks=60), off_tick=10, quiet_ticks=1000)
    for left, rate, expected in ((0.0, 10.0, 0.0), (18e5, 10.0, 18e5), (0.0, 0.0, None)):
        rows = run_stiff_compiled(dataclasses.replace(joint, dump_pa=left, dump_per_s=rate), start).rows
        supplied = rows[:, 4]

        assert supplied[5] > 18e5
        if expected is None:
            assert supplied[40] > 18e5 - 1.0
        else:
            assert supplied[15] > expected
            assert supplied[31:] == pytest.approx(expected, abs=1.0)


def test_a_hard_stop_takes_the_speed_and_keeps_the_joint():
    joint = nominal("boom_swing", q=0.77)
    result = run_stiff_compiled(joint, sudden(joint, 0.77, 0.4))

    assert result.happened & HARD_STOP
    assert result.highest_rad == joint.upper_rad
    assert result.stood


def test_a_holding_brake_stops_what_the_motor_leaks():
    free = nominal("wrist_roll", brake_n_m=0.0)
    start = sudden(free, 0.0, 0.5, ticks=400, quiet=20)
    leaking = run_stiff_compiled(free, start)
    braked = run_stiff_compiled(nominal("wrist_roll"), start)

    assert not leaking.stood
    assert leaking.rows[-1, 1] == pytest.approx(sinking_rad_s(free, 0.0), rel=0.3)
    assert braked.stood
    assert braked.rows[-1, 1] == 0.0


@pytest.mark.parametrize("corner", CORNERS)
def test_the_valve_s_past_is_that_of_the_plant(corner):
    """Flow of the plant without pressures over its rated flow is the share that the stiff model's spool is open by."""
    profile = worked_profile(KERB)
    physics = physics_of("wrist_pitch")
    joint = stiff_joint(physics, corner=corner, load_name="rated", direction=0, q_rad=0.0)
    source = random.Random(corner)
    drives = [0, *(source.randint(-8000, 8000) for _ in range(12))]
    drives = [drive for drive in drives for _ in range(9)] + [0] * 9
    plant = CompiledPlant(plant_parameters(profile, corner), [0.0] * 6)
    for tick, drive in enumerate(drives):
        _, motion = plant.step([0, 0, 0, drive, 0, 0])
        flow = motion[4 + 5 * 3 + 2] / joint.full_flow_m3_s
        own = valve_past(physics.joint, joint, drives[: tick + 1], tick + 1)
        if abs(plant.position_rad()[3]) > 0.7:
            break

        assert own.lag == pytest.approx(flow, abs=2e-3)


def test_a_reversed_valve_opens_the_other_way():
    physics = physics_of("boom_swing")
    turned = changed(physics, valve=dataclasses.replace(physics.joint.valve, reversed=True))
    joint = stiff_joint(physics, corner="nominal", load_name="rated", direction=0, q_rad=0.0)
    plain = valve_past(physics.joint, joint, [6000] * 200, 200)
    other = valve_past(turned.joint, joint, [-6000] * 200, 200)

    assert plain.lag == pytest.approx(other.lag, rel=0.1)
    assert plain.lag > 0.3


def test_an_electric_joint_and_one_without_hoses_are_refused():
    physics = changed(physics_of("boom_swing"), hoses=None)

    with pytest.raises(ValueError, match="hoses"):
        stiff_joint(physics, corner="nominal", load_name="rated", direction=0, q_rad=0.0)
    with pytest.raises(ValueError, match="corner"):
        stiff_joint(physics_of("boom_swing"), corner="cold", load_name="rated", direction=0, q_rad=0.0)


def test_share_of_full_speed_is_within_the_valve():
    joint = nominal("boom_lift")

    assert 0.3 < share_of(joint, 0.0, math.radians(20.0)) < 1.0


def held_at(vented):
    physics = changed(physics_of("boom_lift"), holding=holding("counterbalance", 220, ratio=4, vented=vented))
    return stiff_joint(physics, corner="nominal", load_name="rated", direction=1, q_rad=0.1)


@pytest.mark.parametrize("vented", [False, True])
@pytest.mark.parametrize("load_pa", [20e5, 120e5, 200e5])
def test_a_counterbalance_opens_at_the_pilot_pressure_of_the_statics(load_pa, vented):
    joint = held_at(vented)
    side = joint.side[0]
    pilot = float(counterbalance_pilot_pa(220e5, 4.0, load_pa, joint.tank_pa, vented=vented))

    assert outlet_m3_s(joint, side, 1.0, load_pa, pilot - 1.0) == 0.0
    assert outlet_m3_s(joint, side, 1.0, load_pa, pilot + 1e4) > 0.0
    wide = outlet_m3_s(joint, side, 0.5, load_pa, pilot + 2.0 * side.range_pa)
    assert wide == pytest.approx(
        1.0 / math.hypot(1.0 / (0.5 * joint.edge), 1.0 / side.seat_edge) * math.sqrt(load_pa - joint.tank_pa), rel=5e-3
    )


def test_the_relief_function_opens_where_the_checks_say_that_the_setting_caps():
    """220 bar, ratio 4, 3 bar in the tank line: 220 + 5 x 3 bar; vented at the setting. Nothing below opens."""
    for vented, opens_bar in ((False, 235.0), (True, 220.0)):
        first, second = held_at(vented).side[0].yields

        assert (first.pa, first.bit, second.pa) == (opens_bar * 1e5, SEAT_OPENED, math.inf)


def test_a_brake_has_the_torque_that_the_profile_gives():
    physics = physics_of("wrist_roll")
    unsaid = changed(physics, drive=dataclasses.replace(physics.joint.drive, brake_torque_n_m=None))
    given = changed(physics, drive=dataclasses.replace(physics.joint.drive, brake_torque_n_m=Fraction(432)))
    joints = [stiff_joint(one, corner="nominal", load_name="rated", direction=0, q_rad=0.1) for one in (given, unsaid)]
    gravity_most = max(abs(value) for value in joints[1].gravity_n_m)

    assert joints[0].brake_n_m == 432.0
    assert joints[1].brake_n_m >= 1.49 * gravity_most > 0.0


def test_a_pilot_check_opens_at_the_pilot_pressure_of_the_statics():
    joint = nominal("clamp", direction=1)
    side, load_pa = joint.side[0], 80e5
    pilot = float(check_pilot_pa(side.ratio, load_pa, joint.tank_pa))

    assert outlet_m3_s(joint, side, 1.0, load_pa, pilot - 1.0) == 0.0
    assert outlet_m3_s(joint, side, 1.0, load_pa, pilot + 1e4) > 0.0


@pytest.mark.parametrize("torque", [-600.0, 0.0, 400.0])
@pytest.mark.parametrize("direction", [0, 1])
def test_a_plain_section_settles_at_the_speed_of_the_statics(torque, direction):
    """Both metering edges, a fixed pump at relief, loads against and along: as machine.oil.metering has it."""
    joint = nominal("lever", direction=direction)
    sides = tuple(bare_side(side) for side in joint.side)
    joint = dataclasses.replace(
        joint, side=sides, driving=0.0, overrunning=0.0, gravity_n_m=(torque, torque), gravity_per_rad=0.0, soft_pa2=1e8
    )
    joint = dataclasses.replace(
        joint, compensated=False, lower_rad=-9.0, upper_rad=9.0, steps_per_tick=4 * joint.steps_per_tick
    )
    q, opening = middle("lever"), 0.2 if direction == 0 else -0.2
    areas = geometry(joint, q)[:2]
    section = section_of(joint.full_flow_m3_s, 2.0 * (joint.full_flow_m3_s / joint.edge) ** 2)
    lines = Lines(supply_pa=joint.supply_pa, tank_pa=joint.tank_pa)
    sign = 1.0 if direction == 0 else -1.0
    expected = steady(
        section, areas if direction == 0 else areas[::-1], lines, -sign * torque, abs(opening), check_valve=False
    )
    speed = sign * float(expected.speed)
    start = StiffStart(
        q_rad=q - speed * 0.2,
        w_rad_s=speed,
        squeezed_m3=resting_squeeze(joint, q, speed, opening),
        lag=opening,
        share=np.full(61, opening),
        factor=np.ones(60),
        off_tick=1000,
        quiet_ticks=1000,
    )
    rows = run_stiff_compiled(joint, start).rows
    at = int(np.argmin(np.abs(rows[:, 0] - q)))

    assert speed * sign > 0.02
    assert rows[at, 1] == pytest.approx(speed, rel=0.03)


@pytest.mark.parametrize("name", ["boom_swing", "wrist_pitch"])
def test_a_swing_on_the_oil_dies_away_with_the_profile_s_damping_ratio(name):
    """Half a swing leaves exp(-pi z / sqrt(1 - z2)) of the way (decay of a damped oscillator, any textbook)."""
    made, q = nominal(name), middle(name)
    joint = bare(made, damping_s=made.damping_s)
    omega = natural_rad_s(joint, q)
    ratio = float(physics_of(name).joint.tolerances.damping_ratio)
    before = 150e5 * geometry(joint, q)[1] / geometry(joint, q)[0], 150e5
    half = math.pi / (omega * math.sqrt(1.0 - ratio**2))
    rows = run_stiff_compiled(joint, shut(joint, q, 0.002 * omega, before, math.ceil(2.2 * half / joint.tick_s))).rows
    up, down = float(rows[:, 0].max()) - q, q - float(rows[:, 0].min())

    assert down / up == pytest.approx(math.exp(-math.pi * ratio / math.sqrt(1.0 - ratio**2)), rel=0.06)


def test_the_efficiency_takes_from_a_drive_and_adds_to_a_brake():
    """Torque of the oil times the efficiency where it drives, over the efficiency where the load does."""
    physics = physics_of("boom_swing")
    efficiency = float(physics.joint.drive.efficiency)
    joint = dataclasses.replace(nominal("boom_swing"), gravity_n_m=(0.0, 0.0), damping_s=0.0)
    q, pressure = middle("boom_swing"), 80e5
    areas, volumes = geometry(joint, q)[:2], geometry(joint, q)[2:]
    squeezed = pressure * volumes[0] / joint.bulk_pa
    for w, expected in ((5.0, efficiency), (-5.0, 1.0 / efficiency)):
        oil = slopes(joint, Motion(q, w, squeezed, -1e-6), Valve(0.0, 1.0, 0.0, 0.0))

        assert oil.dw * joint.inertia_kg_m2 == pytest.approx(expected * areas[0] * pressure, rel=1e-3)


@pytest.mark.parametrize("dead_ms", [20.0, 22.0, 23.4])
def test_the_spool_opens_after_its_dead_time_and_with_its_lag(dead_ms):
    """Share after a step of drive: 1 - exp(-(t - dead) / lag), also where the dead time is no whole number of ticks."""
    made = nominal("boom_swing")
    lag_s = -made.step_s / math.log(1.0 - made.alpha)
    joint = dataclasses.replace(made, dead_steps=round(dead_ms / 1000.0 / made.step_s))
    past = valve_past(physics_of("boom_swing").joint, joint, [0] * 3 + [10_000] * 40, 0)
    start = dataclasses.replace(
        sudden(made, 0.0, 0.1, ticks=43), lag=past.lag, share=past.share[:44], off_tick=1000, quiet_ticks=1000
    )
    rows = run_stiff_compiled(joint, start).rows
    full = float(past.share[-1])
    after = (np.arange(1, 44) - 3) * joint.tick_s - joint.dead_steps * joint.step_s

    assert full > 0.9
    assert rows[:, 5] == pytest.approx(full * np.where(after > 0.0, 1.0 - np.exp(-after / lag_s), 0.0), abs=1e-9)
