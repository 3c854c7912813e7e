"""The two profiles that ship: they read, their numbers fit each other, and their comments are true."""

from __future__ import annotations

import re
import tomllib
from fractions import Fraction
from math import cos, pi, radians, sin, sqrt
from pathlib import Path

import jsonschema
import pytest

from mapper.profile import Profile, layout, read_profile, schema
from mapper.profile.profile import CylinderDrive, Joint, MotorDrive

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
NAMES = ("kerb-arm", "test-stand")


def text_of(name: str) -> str:
    return (PROFILES / f"{name}.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def arm() -> Profile:
    return read_profile(text_of("kerb-arm").encode(), "kerb-arm.toml")


@pytest.fixture(scope="module")
def stand() -> Profile:
    return read_profile(text_of("test-stand").encode(), "test-stand.toml")


@pytest.fixture(params=NAMES)
def either(request: pytest.FixtureRequest) -> Profile:
    return read_profile(text_of(request.param).encode(), request.param)


def test_the_arm_has_its_six_joints_in_order(arm: Profile) -> None:
    assert [joint.name for joint in arm.joints] == [
        "boom_swing", "boom_lift", "elbow", "wrist_pitch", "wrist_roll", "clamp",
    ]  # fmt: skip
    assert [joint.control for joint in arm.joints] == ["follow"] * 4 + ["speed"] * 2
    assert [joint.name for joint in arm.joints if joint.continuous] == ["wrist_roll"]
    assert len({joint.valve.output_index for joint in arm.joints}) == 6


def test_values_arrive_in_the_unit_of_their_name(stand: Profile) -> None:
    lever = stand.joints[0]

    assert isinstance(lever.drive, CylinderDrive)
    assert lever.drive.bore_m == Fraction(4, 100)
    assert lever.drive.efficiency == Fraction(92, 100)
    assert lever.drive.extends_positive
    assert lever.valve.rated_flow_m3_s == Fraction(10, 60_000)
    assert lever.valve.rated_drop_pa == 2_000_000
    assert lever.valve.positive.points[1] == (Fraction(2, 5), Fraction(17, 100))
    assert lever.limits.speed_deg_s.negative == 30
    assert lever.tolerances.damping_ratio == Fraction(1, 10)
    assert lever.operator.sensor.tracks[0].points == ((450, Fraction(-80)), (3650, Fraction(80)))
    assert lever.operator.sensor.error_deg == 0
    assert lever.position.tracks[1].input_index == 2
    assert stand.controller.tick_s == Fraction(1, 200)
    assert stand.supply.load_sensing is False
    assert stand.supply.power_w == 2200
    assert stand.supply.share_least == 1
    assert stand.tilt_deg == 1
    assert lever.holding.port_relief_pa == 12_000_000
    assert lever.work is None
    assert len(stand.digest) == 32


def included_deg(drive: CylinderDrive, angle_deg: Fraction) -> float:
    return float(drive.included_at_zero_deg + (angle_deg if drive.extends_positive else -angle_deg))


def length_m(drive: CylinderDrive, angle_deg: Fraction) -> float:
    """Law of cosines."""
    a, b, included = float(drive.base_radius_m), float(drive.rod_radius_m), radians(included_deg(drive, angle_deg))
    return sqrt(a * a + b * b - 2 * a * b * cos(included))


def test_each_cylinder_covers_its_joints_travel_and_little_more(either: Profile) -> None:
    """Pin-to-pin length at both hard stops lies between closed and closed plus stroke, and uses at least 90 % of it."""
    for joint in either.joints:
        if not isinstance(joint.drive, CylinderDrive):
            continue
        assert joint.limits.hard_stops_deg is not None
        ends = [
            length_m(joint.drive, q) for q in (joint.limits.hard_stops_deg.lower, joint.limits.hard_stops_deg.upper)
        ]
        closed, stroke = float(joint.drive.closed_length_m), float(joint.drive.stroke_m)

        assert closed <= min(ends), joint.name
        assert max(ends) <= closed + stroke, joint.name
        assert max(ends) - min(ends) >= 0.9 * stroke, joint.name
        # The joint turns the named way when the rod comes out, and never reaches a dead centre.
        assert (ends[1] > ends[0]) == joint.drive.extends_positive, joint.name
        for q in (joint.limits.hard_stops_deg.lower, joint.limits.hard_stops_deg.upper):
            assert 15 < included_deg(joint.drive, q) < 165, joint.name


def flow_l_min(joint: Joint) -> float:
    """Largest flow at full commanded speed over the travel, either way (bore side, which asks for more)."""
    speed = radians(float(max(joint.limits.speed_deg_s.positive, joint.limits.speed_deg_s.negative)))
    drive = joint.drive
    if isinstance(drive, MotorDrive):
        per_rad = float(drive.displacement_m3_rev * drive.gear_ratio / drive.volumetric_efficiency) / (2 * pi)
        return per_rad * speed * 60_000
    assert isinstance(drive, CylinderDrive)
    assert joint.limits.hard_stops_deg is not None
    lower, upper = joint.limits.hard_stops_deg.lower, joint.limits.hard_stops_deg.upper
    area = pi / 4 * float(drive.bore_m) ** 2
    levers = []
    for step in range(201):
        q = lower + (upper - lower) * step / 200
        product = float(drive.base_radius_m * drive.rod_radius_m)
        levers.append(product * sin(radians(included_deg(drive, q))) / length_m(drive, q))
    return area * max(levers) * speed * 60_000


def test_the_arms_flows_are_what_its_comments_say(arm: Profile) -> None:
    """29.0, 35.8, 34.7, 12.3, 4.0 and 9.2 l/min; the four arm joints together 112, more than the pump's 63."""
    flows = [flow_l_min(joint) for joint in arm.joints]
    pump = float(arm.supply.flow_m3_s) * 60_000

    assert flows == pytest.approx([28.95, 35.8, 34.75, 12.3, 4.0, 9.2], abs=0.1)
    assert pump == pytest.approx(63)
    assert sum(flows[:4]) == pytest.approx(112, abs=0.5)
    assert "four joints at full speed ask for 112" in text_of("kerb-arm")
    # With roll and clamp moving too, none sinks below the share that the profile asks for.
    assert arm.supply.share_least is not None
    assert pump / sum(flows) >= arm.supply.share_least
    for joint, flow in zip(arm.joints, flows, strict=True):
        assert flow < float(joint.valve.rated_flow_m3_s) * 60_000, joint.name


def test_what_the_arms_comments_say_of_its_load_and_its_grip(arm: Profile) -> None:
    """325 N m and 23.5 kg m2 about the roll axis; 7.3 kN at 190 mm; twice the stone's weight by friction of 0.3."""
    rated = next(load for load in arm.loads if load.name == "rated")
    clamp = arm.joints[5]
    assert clamp.work is not None
    weight_n = float(rated.mass_kg) * 9.80665
    friction_n = 2 * 0.3 * 7300

    assert weight_n * float(rated.offset_m) == pytest.approx(325, abs=1)
    assert float(rated.mass_kg * (rated.offset_m**2 + rated.gyration_m**2)) == pytest.approx(23.5, abs=0.05)
    assert float(clamp.work.torque_n_m.negative) == pytest.approx(7300 * 0.19, rel=0.01)
    assert friction_n == pytest.approx(4400, abs=50)
    assert friction_n > 2 * weight_n
    text = text_of("kerb-arm")
    for said in ("325 N m", "23.5 kg m2", "7.3 kN at pads\n# 190 mm", "1.4 kN m", "carries 4.4 kN, more than twice"):
        assert said in text, said


def test_every_joint_says_what_the_machine_model_asks_for(either: Profile) -> None:
    """Else a limit of the worked machines would not be shown for want of a number."""
    marks = [joint.drive.mark for joint in either.joints]
    loads = {load.name: load for load in either.loads}

    assert None not in marks
    assert len(set(marks)) == len(marks)
    assert loads["empty"].mass_kg == 0
    assert either.supply.share_least is not None
    assert (either.emergency_stop.dump, either.emergency_stop.dump_time_s is None) == ("pump_to_tank", False)
    for joint in either.joints:
        assert isinstance(joint.drive, CylinderDrive | MotorDrive)
        assert joint.hoses is not None, joint.name
        assert joint.hoses.rated_pressure_pa is not None, joint.name
        assert joint.drive.rated_pressure_pa is not None, joint.name
        assert joint.limits.stop_distance_m is not None, joint.name
        assert joint.axis == "roll" or joint.body is not None, joint.name
        # Rated for what the machine's own relief valve and the holding valves let happen.
        highest = max(
            either.supply.relief_pa,
            joint.holding.setting_pa or Fraction(0),
            joint.holding.port_relief_pa or Fraction(0),
        )
        assert highest < min(joint.drive.rated_pressure_pa, joint.hoses.rated_pressure_pa), joint.name


def test_a_joint_that_may_run_on_is_filled_from_the_tank_line(either: Profile) -> None:
    """All but the clamp, which has a check valve alone: it must not let go."""
    for joint in either.joints:
        gives_way = joint.holding.setting_pa is not None or joint.holding.port_relief_pa is not None

        assert joint.holding.anti_cavitation == gives_way, joint.name
        assert gives_way == (joint.name != "clamp"), joint.name


def test_every_position_has_two_tracks_with_opposite_slopes(either: Profile) -> None:
    for joint in either.joints:
        first, second = joint.position.tracks
        slopes = [track.points[-1][1] - track.points[0][1] for track in (first, second)]

        assert slopes[0] * slopes[1] < 0, joint.name
        assert joint.position.disagreement is not None


def test_speed_that_must_not_be_passed_leaves_room_for_the_valve(either: Profile) -> None:
    """A compensated section gives up to 1.3 times its nominal flow, and hysteresis adds some; the check has the sum."""
    for joint in either.joints:
        for way in ("positive", "negative"):
            commanded, never = (
                getattr(joint.limits.speed_deg_s, way),
                getattr(joint.limits.speed_never_above_deg_s, way),
            )
            assert commanded * Fraction(13, 10) < never <= commanded * Fraction(8, 5), joint.name


def test_jump_is_just_short_of_the_smallest_crack(either: Profile) -> None:
    for joint in either.joints:
        for side in (joint.valve.positive, joint.valve.negative):
            assert Fraction(0) < side.crack_min - side.jump <= Fraction(1, 100), joint.name


def test_the_profiles_pass_the_schema_as_an_editor_would_apply_it() -> None:
    """With a plain validator and plain numbers, without anything of the reader."""
    for name in NAMES:
        jsonschema.Draft202012Validator(schema()).validate(tomllib.loads(text_of(name)))


def test_the_arms_file_shows_every_key_of_the_format() -> None:
    """It is what a builder learns the format from."""
    text = text_of("kerb-arm")
    names = {key.name for key in layout.format_keys()} - {"NAME"}

    assert [name for name in sorted(names) if not re.search(rf"\b{name}\b", text)] == []


@pytest.mark.parametrize("name", NAMES)
def test_a_profile_says_that_it_is_invented_and_where_its_schema_is(name: str) -> None:
    text = text_of(name)
    first_line, head = text.split("\n")[0], text[:800]

    assert first_line == "#:schema ../mapper/profile/schema.json"
    assert (PROFILES / first_line.removeprefix("#:schema ")).resolve().is_file()
    assert "INVENTED" in head
    assert "emergency stop" in head


def test_both_unit_systems_occur_and_each_joint_keeps_to_one() -> None:
    text = text_of("kerb-arm")
    metric, inches = (
        re.compile(r'[0-9] (mm|m|bar|l/min|cm3/rev|kg|mm/s)"'),
        re.compile(r'[0-9] (in|psi|gpm|in3/rev|lb|in/s)"'),
    )
    systems = {}
    for joint in tomllib.loads(text)["joints"]:
        block = "\n".join(re.findall(rf"^\[\[?joints\.{joint}[.\]].*?(?=^\[|\Z)", text, re.MULTILINE | re.DOTALL))
        systems[joint] = (bool(metric.search(block)), bool(inches.search(block)))

    assert set(systems.values()) == {(True, False), (False, True)}
    assert [joint for joint, (_, imperial) in systems.items() if imperial] == ["elbow", "wrist_roll"]
