"""Optional keys of the machine model: ranges, units, and what is taken without them."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from mapper.profile import Profile, ProfileError, layout, read_profile
from mapper.profile.profile import CylinderDrive, ElectricDrive, Hoses, MotorDrive, Work
from mapper.table import compile_table, encode_table

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
STAND = (PROFILES / "test-stand.toml").read_text(encoding="utf-8")
ARM = (PROFILES / "kerb-arm.toml").read_text(encoding="utf-8")
CYLINDER = "joints.lever.drive"
PSI = Fraction(45_359_237, 10**8) * Fraction(980_665, 10**5) / Fraction(254, 10**4) ** 2  # NIST SP 811

TABLES = {  # header: keys that stand in the stand's table, without which it is read all the same
    "machine": ("tilt",),
    "supply": ("share_least",),
    "emergency_stop": ("dump", "dump_time"),
    "loads.weight": ("offset", "gyration", "radius"),
    CYLINDER: ("mark", "rated_pressure", "end_factor", "buckling_factor", "rod_yield"),
    "joints.lever.hoses": ("rated_pressure",),
    "joints.lever.limits": ("stop_distance",),
    "joints.lever.body": ("rise", "gyration", "radius"),
    "joints.lever.holding": ("port_relief", "anti_cavitation", "vented"),
}
OF_A_BRAKE = "brake_torque"  # the stand has none
OF_REACH = ("offset", "radius", "rise")  # how far points are from a joint: the table has it for the limit of tip speed


def with_key(text: str, header: str, key: str, value: str) -> str:
    """`text` with a key of a table set, whether it stood there or not."""
    start = text.index(f"[{header}]\n") + len(header) + 3
    end = text.find("\n[", start) + 1 or len(text)
    body = re.sub(rf"^{key} = .*\n", "", text[start:end], flags=re.MULTILINE)
    return text[:start] + f"{key} = {value}\n" + body + text[end:]


def bare(text: str, keep: tuple[str, ...] = ()) -> str:
    """`text` without any optional key of the machine model but those to keep."""
    keys = sorted(({key for keys in TABLES.values() for key in keys} | {OF_A_BRAKE}) - set(keep))
    text = re.sub(r"^\[joints\.[a-z_]+\.(hoses|work)\]\n(?:(?!\[).*\n)*", "", text, flags=re.MULTILINE)
    return re.sub(rf"^(?:{'|'.join(keys)}) = .*\n", "", text, flags=re.MULTILINE)


def read(text: str) -> Profile:
    return read_profile(text.encode("utf-8"), "stand.toml")


def complaint(text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        read(text)
    return str(caught.value)


def item(value: Any, path: str) -> Any:
    """The item at a dotted path, indices of tuples as numbers."""
    for part in path.split("."):
        value = value[int(part)] if isinstance(value, tuple) else getattr(value, part)
    return value


QUANTITIES = [  # table, key, field, unit, factor, lowest, highest; 1 step outside each end is refused
    ("machine", "tilt", "tilt_deg", "deg", 1, "0", "30"),
    ("supply", "share_least", "supply.share_least", "%", Fraction(1, 100), "1", "100"),
    ("loads.weight", "offset", "loads.1.offset_m", "mm", Fraction(1, 1000), "0", "20000"),
    ("loads.weight", "gyration", "loads.1.gyration_m", "mm", Fraction(1, 1000), "0", "20000"),
    (CYLINDER, "rated_pressure", "joints.0.drive.rated_pressure_pa", "bar", 10**5, "1", "1000"),
    (CYLINDER, "rod_yield", "joints.0.drive.rod_yield_pa", "MPa", 10**6, "100", "2000"),
    ("joints.lever.hoses", "length", "joints.0.hoses.length_m", "m", 1, "0", "100"),
    ("joints.lever.hoses", "rated_pressure", "joints.0.hoses.rated_pressure_pa", "bar", 10**5, "1", "1000"),
    ("joints.lever.limits", "stop_distance", "joints.0.limits.stop_distance_m", "mm", Fraction(1, 1000), "1", "10000"),
    ("joints.lever.body", "rise", "joints.0.body.rise_m", "m", 1, "-20", "20"),
    ("joints.lever.body", "gyration", "joints.0.body.gyration_m", "m", 1, "0", "20"),
    ("joints.lever.holding", "port_relief", "joints.0.holding.port_relief_pa", "bar", 10**5, "1", "700"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "key", "field", "unit", "factor", "lowest", "highest"), QUANTITIES)
def test_a_quantity_is_taken_at_both_ends_of_its_range_and_refused_beyond(
    table: str, key: str, field: str, unit: str, factor: Fraction, lowest: str, highest: str
) -> None:
    step = Fraction(1, 1000)
    stand = re.sub(r"^radius = .*\n", "", STAND, flags=re.MULTILINE)  # what a radius holds is limited by it

    for end, sign in ((lowest, -1), (highest, 1)):
        assert item(read(with_key(stand, table, key, f'"{end} {unit}"')), field) == Fraction(end) * factor
        beyond = f"{float(Fraction(end) + sign * step):.3f} {unit}"
        text = complaint(with_key(stand, table, key, f'"{beyond}"'))
        assert f'{table}.{key}: "{beyond}"' in text
        assert "is out of range" in text
        assert len(text.splitlines()) == 1


@pytest.mark.parametrize(
    ("table", "field"), [("loads.weight", "loads.1.radius_m"), ("joints.lever.body", "joints.0.body.radius_m")]
)
def test_a_radius_is_above_nothing_and_at_most_twenty_metres(table: str, field: str) -> None:
    assert item(read(with_key(STAND, table, "radius", '"20 m"')), field) == 20
    assert item(read(with_key(bare(STAND), table, "radius", '"0.001 mm"')), field) == Fraction(1, 10**6)
    for beyond in ("20.001 m", "0 mm", "-1 mm"):
        assert f'{table}.radius: "{beyond}"' in complaint(with_key(STAND, table, "radius", f'"{beyond}"'))
    assert "radius is above 0 mm, at most 20 m" in complaint(with_key(STAND, table, "radius", '"0 mm"'))


@pytest.mark.parametrize(
    ("key", "field", "lowest", "highest"),
    [("end_factor", "end_factor", "0.5", "2"), ("buckling_factor", "buckling_factor", "1", "10")],
)
def test_a_factor_of_buckling_is_taken_at_both_ends_of_its_range_and_refused_beyond(
    key: str, field: str, lowest: str, highest: str
) -> None:
    for end, beyond in ((lowest, Fraction(lowest) - Fraction(1, 100)), (highest, Fraction(highest) + Fraction(1, 100))):
        factor = item(read(with_key(STAND, CYLINDER, key, end)), f"joints.0.drive.{field}")
        assert factor == Fraction(end)
        assert isinstance(factor, Fraction)
        assert complaint(with_key(STAND, CYLINDER, key, str(float(beyond)))).endswith(
            f"the bare number {float(beyond)} is out of range; {key} is {lowest} to {highest}; correct the value"
        )


def test_a_dump_time_and_the_bore_of_a_hose_have_their_ranges() -> None:
    assert read(with_key(STAND, "emergency_stop", "dump_time", '"10 s"')).emergency_stop.dump_time_s == 10
    assert "dump_time is above 0 ms, at most 10 s" in complaint(
        with_key(STAND, "emergency_stop", "dump_time", '"10.001 s"')
    )
    assert "dump_time is above 0 ms" in complaint(with_key(STAND, "emergency_stop", "dump_time", '"0 ms"'))
    hoses = read(with_key(STAND, "joints.lever.hoses", "bore", '"2 mm"')).joints[0].hoses
    assert hoses is not None
    assert hoses.bore_m == Fraction(2, 1000)
    assert "bore is 2 mm to 100 mm" in complaint(with_key(STAND, "joints.lever.hoses", "bore", '"1.9 mm"'))


@pytest.mark.parametrize(
    ("value", "pascals"),
    [
        ("350 MPa", 350 * 10**6),
        ("3500 bar", 350 * 10**6),
        ("50763 psi", 50_763 * PSI),
        ("0.35 GPa", 350 * 10**6),
        ("2 GPa", 2 * 10**9),
    ],
)
def test_the_yield_of_a_rod_may_be_given_in_every_unit_of_pressure(value: str, pascals: Fraction) -> None:
    assert item(read(with_key(STAND, CYLINDER, "rod_yield", f'"{value}"')), "joints.0.drive.rod_yield_pa") == pascals


def test_a_slip_of_the_unit_of_a_yield_is_seen() -> None:
    """350 bar instead of 350 MPa: a tenth of the weakest steel."""
    assert complaint(with_key(STAND, CYLINDER, "rod_yield", '"350 bar"')).endswith(
        '"350 bar" (35 MPa) is out of range; rod_yield is 100 MPa to 2000 MPa; correct the value or its unit'
    )


WORK = '\n[joints.lever.work]\ntorque = {positive = "%s", negative = "%s"}\n'


def test_the_torque_of_the_work_is_given_for_each_direction() -> None:
    lever = read(STAND + WORK % ("0 N m", "1.4 kN m")).joints[0]

    assert lever.work is not None
    assert (lever.work.torque_n_m.positive, lever.work.torque_n_m.negative) == (0, 1400)


def test_a_torque_of_the_work_has_no_sign_and_names_both_directions() -> None:
    assert 'work.torque.negative: "-5 N m" is out of range; negative is 0 N m to 1000 kN m' in complaint(
        STAND + WORK % ("0 N m", "-5 N m")
    )
    one_way = STAND + '\n[joints.lever.work]\ntorque = {negative = "5 N m"}\n'
    assert 'joints.lever.work.torque: key "positive" is missing' in complaint(one_way)
    assert "joints.lever.work.torque: " in complaint(STAND + '\n[joints.lever.work]\ntorque = "5 N m"\n')


def test_hoses_need_length_and_bore_and_may_have_no_rating() -> None:
    rated = 'rated_pressure = "225 bar"\n'
    assert STAND.count(rated) == 1

    lever = read(STAND.replace(rated, "")).joints[0]
    text = complaint(STAND.replace('length = "1.5 m"\n', ""))

    assert lever.hoses == Hoses(length_m=Fraction(3, 2), bore_m=Fraction(63, 10_000), rated_pressure_pa=None)
    assert 'joints.lever.hoses: key "length" is missing' in text
    assert 'add for example: length = "3 m"' in text


@pytest.mark.parametrize(
    ("key", "where"), [("end_factor", CYLINDER), ("rod_yield", CYLINDER), ("dump", "emergency_stop")]
)
def test_a_key_of_the_wrong_kind_is_refused(key: str, where: str) -> None:
    assert f"{where}.{key}: " in complaint(with_key(STAND, where, key, "true"))


def test_a_dump_is_one_of_two_words() -> None:
    assert 'emergency_stop.dump: the text "pump"; here stands "pump_to_tank" or "load_sensing"; ' in complaint(
        with_key(STAND, "emergency_stop", "dump", '"pump"')
    )


@pytest.mark.parametrize("text", [STAND, ARM], ids=["test-stand", "kerb-arm"])
def test_without_the_optional_keys_a_profile_is_read_with_what_is_usual(text: str) -> None:
    """Pins at both ends, 3.5 times against buckling, plain steel, lumped masses, level ground; no more is guessed."""
    profile = read(bare(text))
    drives = [joint.drive for joint in profile.joints]
    cylinders = [drive for drive in drives if isinstance(drive, CylinderDrive)]

    assert profile.tilt_deg == 0
    assert profile.supply.share_least is None
    assert (profile.emergency_stop.dump, profile.emergency_stop.dump_time_s) == (None, None)
    assert {(load.offset_m, load.gyration_m, load.radius_m) for load in profile.loads} == {(0, 0, None)}
    assert {(drive.end_factor, drive.buckling_factor) for drive in cylinders} == {(1, Fraction(7, 2))}
    assert {drive.rod_yield_pa for drive in cylinders} == {350_000_000}
    assert {drive.mark for drive in drives} == {None}
    assert {drive.rated_pressure_pa for drive in drives if not isinstance(drive, ElectricDrive)} == {None}
    for joint in profile.joints:
        assert (joint.hoses, joint.work, joint.limits.stop_distance_m) == (None, None, None), joint.name
        assert (joint.holding.port_relief_pa, joint.holding.anti_cavitation) == (None, False), joint.name
        assert not joint.holding.vented, joint.name
        assert isinstance(joint.drive, CylinderDrive) or joint.drive.brake_torque_n_m is None, joint.name
        body = joint.body
        assert body is None or (body.rise_m, body.gyration_m, body.radius_m) == (0, 0, None), joint.name


@pytest.mark.parametrize("text", [STAND, ARM], ids=["test-stand", "kerb-arm"])
def test_the_controllers_table_depends_on_no_key_of_the_machine_model_but_reach(text: str) -> None:
    """They are for the checker and the plant: the law does not know them."""
    given, plain = read(text), read(bare(text, keep=OF_REACH))
    same_digest = replace(plain, digest=given.digest)

    assert plain != replace(given, digest=plain.digest)
    assert encode_table(compile_table(same_digest)) == encode_table(compile_table(given))


def test_without_radii_the_table_takes_bodies_and_loads_for_thin() -> None:
    given, plain = compile_table(read(ARM)), compile_table(read(bare(ARM)))

    assert all(less.reach_mm < more.reach_mm for less, more in zip(plain.joints, given.joints, strict=True))
    assert min(joint.reach_mm for joint in plain.joints[:4]) > 0


def test_every_optional_key_of_the_stands_tables_is_in_the_key_table() -> None:
    shown = {(key.table, key.name): key for key in layout.format_keys()}
    named = {"joints.lever": "joints.NAME", "loads.weight": "loads.NAME"}

    for header, keys in TABLES.items():
        table = next((header.replace(old, new) for old, new in named.items() if header.startswith(old)), header)
        for key in keys:
            assert not shown[table, key].needed
            assert "Optional" in shown[table, key].meaning, (table, key)
    assert shown["joints.NAME.hoses", "length"].needed
    assert shown["joints.NAME.work", "torque"].needed
    assert shown["joints.NAME.work.torque", "positive"].needed


def test_every_kind_of_drive_has_a_mark_and_those_with_oil_a_rating() -> None:
    rows = {(key.name, key.condition) for key in layout.format_keys() if key.table == "joints.NAME.drive"}

    assert {condition for name, condition in rows if name == "mark"} == {
        "kind = cylinder", "kind = motor", "kind = electric",
    }  # fmt: skip
    assert {condition for name, condition in rows if name == "rated_pressure"} == {"kind = cylinder", "kind = motor"}
    assert {condition for name, condition in rows if name == OF_A_BRAKE} == {"kind = motor", "kind = electric"}


def test_a_brake_s_torque_is_taken_at_both_ends_of_its_range_and_refused_beyond() -> None:
    drive = "joints.wrist_roll.drive"
    for end, newton_metres, beyond in (
        ("0.1 N m", Fraction(1, 10), "0.099 N m"),
        ("1000 kN m", 10**6, "1000.001 kN m"),
    ):
        taken = read(with_key(ARM, drive, OF_A_BRAKE, f'"{end}"')).joints[4].drive
        assert isinstance(taken, MotorDrive)
        assert taken.brake_torque_n_m == newton_metres
        text = complaint(with_key(ARM, drive, OF_A_BRAKE, f'"{beyond}"'))
        assert f'{drive}.brake_torque: "{beyond}"' in text
        assert "is out of range; brake_torque is 0.1 N m to 1000 kN m" in text


def test_the_arms_counterbalances_are_vented_and_its_brake_holds_500_newton_metres() -> None:
    arm = read_profile(ARM.encode(), "kerb-arm.toml")
    roll = arm.joints[4].drive

    assert {joint.name: joint.holding.vented for joint in arm.joints} == {
        joint.name: "counterbalance" in joint.holding.kind for joint in arm.joints
    }
    assert not read(STAND).joints[0].holding.vented
    assert isinstance(roll, MotorDrive)
    assert roll.brake_torque_n_m is not None
    assert 500 <= roll.brake_torque_n_m < Fraction(5001, 10)


def test_a_motor_has_its_mark_and_its_rating() -> None:
    roll = read_profile(ARM.encode(), "kerb-arm.toml").joints[4].drive

    assert isinstance(roll, MotorDrive)
    assert roll.mark == "M1"
    assert roll.rated_pressure_pa == 3626 * PSI


def test_the_arms_clamp_works_in_its_closing_direction() -> None:
    clamp = read_profile(ARM.encode(), "kerb-arm.toml").joints[5]

    assert isinstance(clamp.work, Work)
    assert (clamp.work.torque_n_m.positive, clamp.work.torque_n_m.negative) == (0, 1400)
