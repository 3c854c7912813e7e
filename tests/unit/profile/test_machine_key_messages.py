"""Keys of the machine model that do not go together: the whole message of each, and what lies just inside.

Each case changes the text of one worked profile, as a builder would who gets it wrong.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from mapper.profile import ProfileError, read_profile

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
STAND = (PROFILES / "test-stand.toml").read_text(encoding="utf-8")
ARM = (PROFILES / "kerb-arm.toml").read_text(encoding="utf-8")
ELECTRIC = 'kind = "electric"\nspeed = "30 deg/s"\ntorque = "325 N m"\nmark = "A1"\n'


def complaint(text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        read_profile(text.encode("utf-8"), "arm.toml")
    return str(caught.value)


def table_of(text: str, header: str) -> str:
    """The lines of one table of the file, without its header."""
    start = text.index(f"[{header}]\n") + len(header) + 3
    end = text.find("\n\n", start)
    return text[start : end + 1] if end >= 0 else text[start:]


def in_table(text: str, header: str, old: str, new: str) -> str:
    """`text` with `old` replaced by `new` in one table."""
    table = table_of(text, header)
    assert table.count(old) == 1, (header, old)
    start = text.index(f"[{header}]\n") + len(header) + 3
    return text[:start] + table.replace(old, new) + text[start + len(table) :]


def with_electric_roll(holding: str, *, hoses: bool = False) -> str:
    """The arm with an electric actuator in place of its roll motor, and with this holding."""
    text = ARM.replace(table_of(ARM, "joints.wrist_roll.drive"), ELECTRIC, 1)
    text = text.replace(table_of(text, "joints.wrist_roll.holding"), holding, 1)
    return (
        text if hoses else text.replace("[joints.wrist_roll.hoses]\n" + table_of(text, "joints.wrist_roll.hoses"), "")
    )


def line_of(text: str, header: str, key: str = "") -> int:
    """Line of a table's header, or of a key in it."""
    start = text.index(f"[{header}]\n")
    return text[: text.index(f"\n{key} = ", start) + 1 if key else start].count("\n") + 1


def test_one_actuator_at_two_joints_is_refused_with_the_reason() -> None:
    text = ARM.replace('mark = "C3"', 'mark = "C2"')
    line, first = line_of(text, "joints.elbow.drive", "mark"), line_of(text, "joints.boom_lift.drive", "mark")

    assert complaint(text) == (
        f'arm.toml:{line}:8: joints.elbow.drive.mark: "C2" is already the actuator of joint boom_lift (line {first}); '
        "one actuator cannot move two joints independently: it has one length or one angle of its shaft, and that "
        "sets both joints at once; "
        "give each joint an actuator and a mark of its own, or describe the two motions as one joint with a linkage"
    )


def test_one_mark_is_refused_across_kinds_of_drive_and_in_letters_of_either_case() -> None:
    shared = complaint(ARM.replace('mark = "M1"', 'mark = "C1"'))
    small = complaint(ARM.replace('mark = "C5"', 'mark = "m1"'))

    assert 'joints.wrist_roll.drive.mark: "C1" is already the actuator of joint boom_swing' in shared
    assert 'joints.clamp.drive.mark: "m1" is already the actuator of joint wrist_roll' in small


def test_every_further_joint_on_one_actuator_is_named_with_the_first() -> None:
    lines = complaint(ARM.replace('mark = "C3"', 'mark = "C2"').replace('mark = "C4"', 'mark = "C2"')).splitlines()

    assert [line.split(": ")[1] for line in lines] == ["joints.elbow.drive.mark", "joints.wrist_pitch.drive.mark"]
    assert all("joint boom_lift" in line for line in lines)


def test_joints_without_marks_are_taken() -> None:
    text = "\n".join(line for line in ARM.split("\n") if not line.startswith("mark ="))

    assert [joint.drive.mark for joint in read_profile(text.encode(), "arm.toml").joints] == [None] * 6


def test_two_joints_on_one_output_and_one_actuator_are_told_both() -> None:
    text = ARM.replace('mark = "C3"', 'mark = "C2"').replace('output = "elbow"', 'output = "boom_lift"')

    assert [line.split(": ")[1] for line in complaint(text).splitlines()] == [
        "joints.elbow.drive.mark",
        "joints.elbow.valve.output",
    ]


@pytest.mark.parametrize("mark", ["C", "7", "boom.lift-2_left", "-", "1234567890123456"])
def test_a_mark_of_the_letters_that_are_allowed_is_taken(mark: str) -> None:
    profile = read_profile(STAND.replace('mark = "C1"', f'mark = "{mark}"').encode(), "stand.toml")

    assert profile.joints[0].drive.mark == mark


@pytest.mark.parametrize("mark", ["", "C 1", "C/1", "12345678901234567", "Zylinder-Ä"])
def test_a_mark_of_other_letters_is_refused_with_those_that_are_allowed(mark: str) -> None:
    text = STAND.replace('mark = "C1"', f'mark = "{mark}"')
    line = line_of(text, "joints.lever.drive", "mark")

    assert complaint(text) == (
        f'arm.toml:{line}:8: joints.lever.drive.mark: the text "{mark}"; 1 to 16 letters, digits, points, hyphens or '
        'underscores, as painted on the cylinder and drawn in the circuit; write for example "C1"'
    )


def test_a_port_relief_besides_port_reliefs_is_refused() -> None:
    held = 'kind = "port_relief"\nsetting = "230 bar"\n'
    text = ARM.replace(table_of(ARM, "joints.boom_swing.holding"), f'{held}port_relief = "230 bar"\n', 1)
    single = ARM.replace(table_of(ARM, "joints.boom_swing.holding"), held, 1)
    line = line_of(text, "joints.boom_swing.holding", "port_relief")

    assert complaint(text) == (
        f'arm.toml:{line}:1: joints.boom_swing.holding.port_relief: a port_relief with kind = "port_relief"; a joint '
        "has one pair of port reliefs, and with this kind setting is what they are set to; "
        "remove it and give the pressure as setting"
    )
    assert read_profile(single.encode(), "arm.toml").joints[0].holding.setting_pa == 23_000_000


@pytest.mark.parametrize("joint", ["boom_lift", "elbow", "wrist_pitch", "wrist_roll", "clamp"])
def test_a_port_relief_besides_another_kind_of_holding_is_taken(joint: str) -> None:
    text = "\n".join(line for line in ARM.split("\n") if not line.startswith("port_relief ="))
    text = text.replace(f"[joints.{joint}.holding]\n", f'[joints.{joint}.holding]\nport_relief = "230 bar"\n')
    found = {item.name: item.holding.port_relief_pa for item in read_profile(text.encode(), "arm.toml").joints}

    assert {name for name, pressure in found.items() if pressure is not None} == {joint}
    assert found[joint] == 23_000_000


NO_OIL = "an electric actuator has no oil: nothing flows through such a valve or hose"


@pytest.mark.parametrize(
    ("holding", "hoses", "item", "column", "found", "remedy"),
    [
        ('kind = "brake"\nport_relief = "230 bar"\n', False, "holding.port_relief", 1,
         "a port_relief with an electric actuator", "remove it, or correct drive.kind"),
        ('kind = "brake"\nanti_cavitation = true\n', False, "holding.anti_cavitation", 1,
         "anti_cavitation with an electric actuator", "remove it, or correct drive.kind"),
        ('kind = "brake"\n', True, "hoses", 20,
         "hoses with an electric actuator", "remove the table, or correct drive.kind"),
        ('kind = "pilot_check"\npilot_ratio = 4\n', False, "holding.kind", 8,
         '"pilot_check" with an electric actuator',
         'write "brake" where a brake holds the joint, else "none", or correct drive.kind'),
    ],
)  # fmt: skip
def test_what_only_oil_needs_is_refused_with_an_electric_actuator(
    holding: str, hoses: bool, item: str, column: int, found: str, remedy: str
) -> None:
    text = with_electric_roll(holding, hoses=hoses)
    table, _, key = f"joints.wrist_roll.{item}".rpartition(".")
    line = line_of(text, "joints.wrist_roll.hoses") if item == "hoses" else line_of(text, table, key)

    place = f"arm.toml:{line}:{column}: joints.wrist_roll.{item}: "
    assert complaint(text) == f"{place}{found}; {NO_OIL}; {remedy}"


@pytest.mark.parametrize("kind", ["counterbalance", "double_counterbalance", "port_relief"])
def test_a_holding_of_valves_is_refused_with_an_electric_actuator(kind: str) -> None:
    ratio = "" if kind == "port_relief" else "pilot_ratio = 4\n"

    assert complaint(with_electric_roll(f'kind = "{kind}"\nsetting = "220 bar"\n{ratio}')).endswith(
        f'holding.kind: "{kind}" with an electric actuator; {NO_OIL}; '
        'write "brake" where a brake holds the joint, else "none", or correct drive.kind'
    )


@pytest.mark.parametrize("holding", ['kind = "brake"\n', 'kind = "none"\nanti_cavitation = false\n'])
def test_an_electric_actuator_without_oil_is_taken(holding: str) -> None:
    roll = read_profile(with_electric_roll(holding).encode(), "arm.toml").joints[4]

    assert roll.hoses is None
    assert roll.drive.mark == "A1"
    assert not roll.holding.anti_cavitation


@pytest.mark.parametrize(
    ("kind", "rest"),
    [("pilot_check", "pilot_ratio = 4\n"), ("port_relief", 'setting = "230 bar"\n'), ("none", ""), ("brake", "")],
)
def test_only_a_counterbalance_has_a_spring_chamber_to_vent(kind: str, rest: str) -> None:
    plain = ARM.replace(table_of(ARM, "joints.wrist_roll.holding"), f'kind = "{kind}"\n{rest}', 1)
    vented = plain.replace(f'kind = "{kind}"\n{rest}', f'kind = "{kind}"\n{rest}vented = true\n', 1)
    line = line_of(vented, "joints.wrist_roll.holding", "vented")

    assert read_profile(plain.encode(), "arm.toml").joints[4].holding.vented is False
    assert complaint(vented) == (
        f'arm.toml:{line}:1: joints.wrist_roll.holding.vented: vented with kind = "{kind}"; only counterbalance and '
        "double_counterbalance have a spring chamber to vent; remove it, or correct kind"
    )


@pytest.mark.parametrize("kind", ["counterbalance", "double_counterbalance"])
@pytest.mark.parametrize("vented", [True, False])
def test_a_counterbalance_may_be_vented_or_not(kind: str, vented: bool) -> None:
    held = f'kind = "{kind}"\nsetting = "230 bar"\npilot_ratio = 4\nvented = {str(vented).lower()}\n'
    text = ARM.replace(table_of(ARM, "joints.wrist_roll.holding"), held, 1)

    assert read_profile(text.encode(), "arm.toml").joints[4].holding.vented is vented


def test_a_torque_of_a_brake_that_the_motor_has_not_is_refused() -> None:
    old = next(line for line in ARM.split("\n") if line.startswith("holding_brake = "))
    text = ARM.replace(old, "holding_brake = false")
    line = line_of(text, "joints.wrist_roll.drive", "brake_torque")

    assert complaint(text) == (
        f"arm.toml:{line}:1: joints.wrist_roll.drive.brake_torque: a brake_torque with holding_brake = false; "
        "only a brake has one; remove it, or write holding_brake = true"
    )


def test_a_torque_of_a_brake_that_holds_no_electric_actuator_is_refused() -> None:
    told = ELECTRIC + 'brake_torque = "500 N m"\n'
    held, free = (with_electric_roll(f'kind = "{kind}"\n').replace(ELECTRIC, told) for kind in ("brake", "none"))
    line = line_of(free, "joints.wrist_roll.drive", "brake_torque")

    assert read_profile(held.encode(), "arm.toml").joints[4].drive.brake_torque_n_m == 500
    assert complaint(free) == (
        f'arm.toml:{line}:1: joints.wrist_roll.drive.brake_torque: a brake_torque with holding.kind = "none"; of an '
        'electric actuator, only one that a brake holds has one; remove it, or write holding.kind = "brake"'
    )


def test_a_hose_wider_than_the_barrel_is_refused() -> None:
    text = in_table(STAND, "joints.lever.hoses", 'bore = "6.3 mm"', 'bore = "40.1 mm"')

    assert complaint(text).endswith(
        'joints.lever.hoses.bore: "40.1 mm" is above drive.bore "40 mm"; a hose is thinner than the barrel it feeds; '
        "correct one of the two"
    )


def test_a_dumped_sensing_line_of_a_fixed_pump_is_refused_with_the_reason() -> None:
    text = STAND.replace('dump = "pump_to_tank"', 'dump = "load_sensing"')
    line = line_of(text, "emergency_stop", "dump")

    assert complaint(text) == (
        f'arm.toml:{line}:8: emergency_stop.dump: "load_sensing" with pump = "fixed"; a fixed pump has no load-sensing '
        "line: its full flow goes on at relief pressure until its own line is opened to the tank; "
        'write dump = "pump_to_tank" where such a valve is fitted, or correct supply.pump'
    )


@pytest.mark.parametrize("dump", ["pump_to_tank", "load_sensing"])
def test_a_load_sensing_pump_may_have_either_line_dumped(dump: str) -> None:
    text = in_table(ARM, "emergency_stop", 'dump = "pump_to_tank"', f'dump = "{dump}"')

    assert read_profile(text.encode(), "arm.toml").emergency_stop.dump == dump


@pytest.mark.parametrize(
    ("gone", "left", "why", "example"),
    [
        ("dump_time", "dump", "how far a joint runs on depends on how long the pressure takes to go", '"300 ms"'),
        ("dump", "dump_time", "what is left after that time depends on which line is dumped", '"pump_to_tank"'),
    ],
)
def test_a_dump_and_its_time_come_together(gone: str, left: str, why: str, example: str) -> None:
    text = "\n".join(line for line in STAND.split("\n") if not line.startswith(f"{gone} ="))
    line = line_of(text, "emergency_stop", left)

    assert complaint(text) == (
        f"arm.toml:{line}:1: emergency_stop.{left}: a {left} without {gone}; dump and dump_time come together: {why}; "
        f"add for example {gone} = {example}, or remove {left}"
    )


def test_a_machine_of_which_no_dump_is_known_is_taken() -> None:
    text = "\n".join(line for line in STAND.split("\n") if not line.startswith("dump"))
    stop = read_profile(text.encode(), "stand.toml").emergency_stop

    assert (stop.dump, stop.dump_time_s) == (None, None)


@pytest.mark.parametrize(("key", "value"), [("length", "1 mm"), ("rise", "-1 mm")])
def test_a_grip_that_would_carry_a_joint_is_refused(key: str, value: str) -> None:
    old = 'length = "0 mm"'
    text = in_table(
        ARM, "joints.clamp.body", old, f'{key} = "{value}"' if key == "length" else f'{old}\nrise = "{value}"'
    )
    line = line_of(text, "joints.clamp.body", key)

    assert complaint(text) == (
        f'arm.toml:{line}:{len(key) + 4}: joints.clamp.body.{key}: "{value}" in a grip; a grip moves its own jaws '
        f'only, no other joint hangs on it; write {key} = "0 mm" (where the jaws are is what body.centre says), or '
        "correct axis"
    )


def test_jaws_of_a_grip_may_have_a_centre_and_a_radius_of_gyration() -> None:
    text = in_table(ARM, "joints.clamp.body", 'length = "0 mm"', 'length = "0 mm"\nrise = "0 mm"\ngyration = "60 mm"')
    clamp = read_profile(text.encode(), "arm.toml").joints[5]

    assert clamp.body is not None
    assert (float(clamp.body.centre_m), float(clamp.body.gyration_m)) == (0.1, 0.06)


def test_a_rating_below_the_relief_valve_is_left_to_the_checker() -> None:
    text = STAND.replace('rated_pressure = "160 bar"', 'rated_pressure = "79 bar"')
    text = text.replace('rated_pressure = "225 bar"', 'rated_pressure = "79 bar"')
    lever = read_profile(text.encode(), "stand.toml").joints[0]

    assert lever.drive.rated_pressure_pa == 7_900_000
    assert lever.hoses is not None
    assert lever.hoses.rated_pressure_pa == 7_900_000
