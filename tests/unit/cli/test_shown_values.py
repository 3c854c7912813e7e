"""What a person signs: every value that safety rests on is on the screen, in the units of the drawing."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path

import pytest

from mapper.cli._values import value_lines
from mapper.profile import read_profile
from mapper.table import Table, compile_table

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
MACHINE_ELSEWHERE = {"tick_hz"}  # 1 / tick, which is shown
JOINT_NOT_SHOWN = {"filter_q16", "speed_filter_q16", "gain_q16", "feed_q16", "flow_max_e4", "flow_full_ml_min"}
ELSEWHERE = {"polarity", "response", "brake", "flow_per_speed_q16", "valve", "operator", "position"}


def _table(name: str) -> tuple[Table, tuple[str, ...]]:
    path = PROFILES / name
    profile = read_profile(path.read_bytes(), str(path))
    return compile_table(profile), tuple(joint.name for joint in profile.joints)


def _words(lines: list[str], first: str, second: str) -> str:
    return next(" ".join(line.split()) for line in lines if line.split()[1:3] == [first, second])


def test_operator_and_position_each_have_their_own_fault_time():
    lines = value_lines(*_table("test-stand.toml"))

    assert _words(lines, "lever", "operator").endswith("50 ms")
    assert _words(lines, "lever", "position").endswith("20 ms")
    assert "2.00 deg" in _words(lines, "lever", "position"), "how far the tracks may be apart"
    assert "one track only" in _words(lines, "lever", "operator")


@pytest.mark.parametrize(
    "text",
    [
        "pressed for 150 ms to 3000 ms",
        "pump loaded for 500 ms",
        "matched for 500 ms",
        "sensors good for 200 ms",
        "authority from 0 to all in 1005 ms",  # 201 ticks: the step is rounded down, so never quicker than the profile
        "within 4.00 deg (match window)",
        "50.00 deg (gap)",
        "0 lever 1500 ms 2.00 deg in 1000 ms",  # the watches: settling and still,
        "% for 1000 ms 0.50 deg",  # and stalled
    ],
)
def test_the_values_of_the_test_stand_are_there_as_its_profile_has_them(text):
    shown = " ".join(" ".join(value_lines(*_table("test-stand.toml"))).split())

    assert text in shown


def test_a_speed_joint_shows_its_lever_in_percent():
    table, names = _table("test-stand.toml")
    joint = replace(table.joints[0], control=1, deadband=500)
    shown = value_lines(replace(table, joints=(joint,)), names)

    assert any("lever at rest" in line and "5 % of the lever" in line for line in shown)


def test_half_milliseconds_and_thousandths_of_a_degree_are_not_rounded_away():
    table, names = _table("test-stand.toml")
    machine = replace(table.machine, tick_us=2500, tick_hz=400)
    position = replace(table.joints[0].position, bad_ticks=5)
    joint = replace(table.joints[0], match_window_mdeg=4001, position=position)
    shown = "\n".join(value_lines(replace(table, machine=machine, joints=(joint,)), names))

    assert "within 4.001 deg" in shown
    assert "12.5 ms" in shown


def _other(value: object) -> object:
    if isinstance(value, bool):
        return not value
    if isinstance(value, tuple):
        return tuple(_other(item) for item in value)
    assert isinstance(value, int)
    return {1: 0, 0: 1}.get(value, 2 * value)


def test_another_value_anywhere_is_another_text_but_for_what_is_named_as_not_shown():
    """Every field of machine, joint and sensor, one at a time."""
    table, names = _table("kerb-arm.toml")
    table = replace(table, machine=replace(table.machine, stop_category=1, stop_ticks=100))
    usual = value_lines(table, names)
    unseen = set()
    for field in fields(table.machine):
        machine = replace(table.machine, **{field.name: _other(getattr(table.machine, field.name))})
        if value_lines(replace(table, machine=machine), names) == usual:
            unseen.add(field.name)
    joint = next(one for one in table.joints if not one.control and len(one.position.tracks) == 2 and one.gap_mdeg)
    index = table.joints.index(joint)

    def same(changed: object) -> bool:
        joints = (*table.joints[:index], changed, *table.joints[index + 1 :])
        return value_lines(replace(table, joints=joints), names) == usual

    assert not same(replace(joint, polarity=-joint.polarity))
    for field in fields(joint):
        if field.name not in ELSEWHERE and same(replace(joint, **{field.name: _other(getattr(joint, field.name))})):
            unseen.add(field.name)
    for side in ("operator", "position"):
        sensor = getattr(joint, side)
        for name in ("step_max", "bad_ticks") + (("disagreement",) if len(sensor.tracks) == 2 else ()):
            if same(replace(joint, **{side: replace(sensor, **{name: 2 * getattr(sensor, name)})})):
                unseen.add(f"{side}.{name}")

    assert unseen - MACHINE_ELSEWHERE == JOINT_NOT_SHOWN


def test_coupled_stops_are_shown_as_sums_of_joints_with_their_limit():
    table, names = _table("kerb-arm.toml")
    lines = value_lines(table, names)
    unnamed = value_lines(table, ())

    assert "  0             -1 x boom_lift -1 x elbow  117.00 deg" in lines
    assert any("-1 x joint 1 -1 x joint 2" in line for line in unnamed)
    changed = replace(table, coupled=(replace(table.coupled[0], weights_e3=(-1000, 125), limit_mdeg=80_001),))
    assert any("-1 x boom_lift +0.125 x elbow  80.001 deg" in line for line in value_lines(changed, names))


def test_a_table_without_coupled_stops_says_nothing_of_them():
    assert not any("coupled" in line for line in value_lines(*_table("test-stand.toml")))


def test_the_limit_of_tip_speed_is_shown_in_the_tables_unit_and_in_millimetres_a_second():
    table, names = _table("kerb-arm.toml")
    free = replace(table, machine=replace(table.machine, tip_mdeg_mm_s=0))

    assert any("at most 14323944 mdeg/s mm (250.0 mm/s)" in line for line in value_lines(table, names))
    assert any("no limit of tip speed" in line for line in value_lines(free, names))
