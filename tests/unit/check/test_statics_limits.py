"""Limits of force, pressure, rod and supply: just inside holds, just outside not, and the number advised holds."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from check_case import KERB, STAND, profile_of, text_of, with_value

from mapper.check import Finding, Status
from mapper.check.context import JointContext, contexts
from mapper.check.hydraulics.buckling import RODS_MM, buckling
from mapper.check.hydraulics.force import BORES_MM, force
from mapper.check.hydraulics.gain import gain_spread
from mapper.check.hydraulics.holding_pressure import holding_pressure
from mapper.check.hydraulics.ratings import NOMINAL_BAR, pressure_rating
from mapper.check.hydraulics.supply import power, pump_share, standby_pressure
from mapper.law import load_core
from mapper.machine import joint_model
from mapper.profile.profile import ElectricDrive
from mapper.table import compile_table, encode_table

ADVISED = re.compile(r'((?:joints|supply|emergency_stop|loads)\.[a-z_.]+) = ("[^"]*"|[\d.]+)')
JOINT_LIMITS = {
    "force": force,
    "holding_pressure": holding_pressure,
    "buckling": buckling,
    "pressure_rating": pressure_rating,
    "gain_spread": gain_spread,
}
MACHINE_LIMITS = {"pump_share": pump_share, "power": power, "standby_pressure": standby_pressure}
LEVER = "joints.lever"
STAND_NUMBERS = {
    "supply.relief_pressure": '"80 bar"',
    "joints.lever.valve.rated_drop": '"20 bar"',
    "joints.lever.drive.bore": '"40 mm"',
    "joints.lever.drive.rod": '"22 mm"',
    "joints.lever.drive.rated_pressure": '"160 bar"',
    "joints.lever.hoses.rated_pressure": '"225 bar"',
}
"""What the numbers below rest on, whatever the worked profile says now."""


def joints_of(text: str) -> tuple[JointContext, ...]:
    profile = profile_of(text)
    table = compile_table(profile)
    live = load_core().table(encode_table(table))
    return contexts(profile, table, live, tuple(joint_model(profile, joint) for joint in profile.joints))


def found(text: str, limit: str, joint: str | None = "lever") -> Finding | None:
    joints = joints_of(text)
    if limit in MACHINE_LIMITS:
        return MACHINE_LIMITS[limit](joints[0].profile, joints)
    return JOINT_LIMITS[limit](next(context for context in joints if context.joint.name == joint))


def stand(**values: str) -> str:
    """The test stand with a counterbalance of 100 bar and nothing else, and with values of dotted paths (`__` for the
    dot) replaced or, where a key is missing, added.
    """
    text = held_by(text_of(STAND), "lever", 'kind = "counterbalance"\nsetting = "100 bar"\npilot_ratio = 4')
    for path, value in STAND_NUMBERS.items():
        text = put(text, path, value)
    for name, value in values.items():
        text = put(text, name.replace("__", "."), value)
    return text


def put(text: str, path: str, value: str) -> str:
    try:
        return with_value(text, path, value)
    except AssertionError:
        table, _, key = path.rpartition(".")
        header = f"[{table}]\n"
        assert header in text, path
        return text.replace(header, f"{header}{key} = {value}\n", 1)


def held_by(text: str, joint: str, lines: str) -> str:
    """The joint with another holding section."""
    head = f"[joints.{joint}.holding]\n"
    before, name, after = text.partition(head)
    assert name
    rest = re.sub(r"\A(?:(?!^\[).*\n)*", "", after, count=1, flags=re.M)
    return f"{before}{head}{lines}\n\n{rest}"


def without(text: str, path: str) -> str:
    table, _, key = path.rpartition(".")
    changed, count = re.subn(
        rf"(^\[{re.escape(table)}\]\n(?:(?!^\[).*\n)*?){re.escape(key)} = .*\n", r"\1", text, count=1, flags=re.M
    )
    assert count == 1, path
    return changed


def without_table(text: str, table: str) -> str:
    changed, count = re.subn(rf"^\[{re.escape(table)}\]\n(?:(?!^\[).*\n)*", "", text, count=1, flags=re.M)
    assert count == 1, table
    return changed


def advised(finding: Finding) -> list[tuple[str, str]]:
    pairs = ADVISED.findall(finding.advice)
    assert pairs, finding.advice
    return pairs


HEAVY = stand(loads__weight__mass='"200 kg"')


# -- force ------------------------------------------------------------------------------------------------------------


def test_worked_stand_is_strong_enough_and_says_where_it_is_worst():
    finding = found(stand(), "force")

    assert finding.status is Status.HOLDS
    assert finding.unit == "bar"
    assert finding.bound == 70.0
    assert "deg with load" in finding.detail
    assert finding.cases > 100


def test_too_heavy_a_load_is_force_and_each_number_advised_holds():
    finding = found(HEAVY, "force")

    assert finding.status is Status.VIOLATED
    assert "with load weight" in finding.detail
    names = dict(advised(finding))
    assert set(names) == {f"{LEVER}.drive.bore", "loads.weight.mass"}
    for path, value in names.items():
        assert found(put(HEAVY, path, value), "force").status is Status.HOLDS


def test_advised_bore_is_the_smallest_that_does():
    value = dict(advised(found(HEAVY, "force")))[f"{LEVER}.drive.bore"]
    size = int(value.strip('"').split()[0])
    present = 40
    smaller = [bore for bore in BORES_MM if present < bore < size]

    for bore in smaller:
        assert found(put(HEAVY, f"{LEVER}.drive.bore", f'"{bore} mm"'), "force").status is Status.VIOLATED


def test_advised_mass_is_near_the_most_that_holds():
    """The straight line between none and all is on the safe side, by little."""
    mass = float(dict(advised(found(HEAVY, "force")))["loads.weight.mass"].strip('"').split()[0])

    worst = found(put(HEAVY, "loads.weight.mass", f'"{mass:g} kg"'), "force").worst
    assert 0.95 * 70.0 < worst <= 70.0
    assert found(put(HEAVY, "loads.weight.mass", f'"{1.1 * mass:.1f} kg"'), "force").status is Status.VIOLATED


def test_undersized_bore_on_the_kerb_arm_names_the_next_size():
    text = put(put(text_of(KERB), "joints.boom_lift.drive.bore", '"40 mm"'), "joints.boom_lift.drive.rod", '"28 mm"')

    finding = found(text, "force", "boom_lift")

    assert finding.status is Status.VIOLATED
    path, value = next(pair for pair in advised(finding) if pair[0].endswith("drive.bore"))
    assert found(put(text, path, value), "force", "boom_lift").status is Status.HOLDS
    assert "positive" in finding.detail
    assert "elbow" in finding.detail  # the pose of the others


def test_torque_of_the_work_is_part_of_the_need():
    plain = found(stand(), "force").worst
    finding = found(stand() + '\n[joints.lever.work]\ntorque = {positive = "600 N m", negative = "0 N m"}\n', "force")

    assert finding.worst > plain + 10


def test_weak_motor_is_told_a_displacement_that_does():
    text = put(text_of(KERB), "joints.wrist_roll.drive.displacement", '"20 cm3/rev"')
    finding = found(text, "force", "wrist_roll")

    assert finding.status is Status.VIOLATED
    path, value = next(pair for pair in advised(finding) if "displacement" in pair[0])
    assert found(put(text, path, value), "force", "wrist_roll").status is Status.HOLDS


def test_electric_joint_is_compared_in_newton_metres():
    context = joints_of(stand())[0]
    assert context.physics is not None
    drives = [ElectricDrive(speed_deg_s=40, torque_n_m=torque) for torque in (100, 300)]
    findings = []
    for drive in drives:
        joint = replace(context.joint, drive=drive)
        physics = replace(context.physics, joint=joint, model=joint_model(context.profile, joint))
        findings.append(force(replace(context, joint=joint, physics=physics)))

    assert [item.status for item in findings] == [Status.VIOLATED, Status.HOLDS]
    assert findings[0].unit == "N m"
    assert float(dict(re.findall(r'(torque) = "(\S+) N m"', findings[0].advice))["torque"]) >= findings[0].worst


@pytest.mark.parametrize("limit", ["force", "holding_pressure", "pressure_rating", "gain_spread"])
def test_joint_without_a_body_is_not_shown_with_the_key_to_add(limit):
    finding = found(without_table(stand(), "joints.lever.body"), limit)

    assert finding.status is Status.NOT_SHOWN
    assert "[joints.lever.body]" in finding.advice


# -- holding ----------------------------------------------------------------------------------------------------------


def test_counterbalance_setting_is_thirteen_tenths_of_the_load():
    load = re.search(r"the cap side ([\d.]+) bar at", found(stand(), "holding_pressure").detail)
    assert load is not None
    least = 1.3 * float(load[1])
    inside, outside = (f'"{least + change:.2f} bar"' for change in (0.05, -0.05))

    assert found(stand(joints__lever__holding__setting=inside), "holding_pressure").status is Status.HOLDS
    finding = found(stand(joints__lever__holding__setting=outside), "holding_pressure")
    assert finding.status is Status.VIOLATED
    assert finding.bound == pytest.approx(least, rel=1e-3)
    path, value = advised(finding)[0]
    assert path == f"{LEVER}.holding.setting"
    assert found(put(stand(), path, value), "holding_pressure").status is Status.HOLDS


def test_pilot_pressure_must_be_there_and_the_ratio_advised_opens_it():
    text = stand(joints__lever__holding__setting='"250 bar"', joints__lever__holding__pilot_ratio="2")
    finding = found(text, "holding_pressure")

    assert finding.status is Status.VIOLATED
    assert finding.bound == 70.0
    path, value = advised(finding)[0]
    assert path == f"{LEVER}.holding.pilot_ratio"
    assert found(put(text, path, value), "holding_pressure").status is Status.HOLDS
    assert found(put(text, path, f"{float(value) - 0.2:g}"), "holding_pressure").status is Status.VIOLATED


def test_load_past_the_vertical_needs_both_sides_held():
    text = put(text_of(KERB), "joints.wrist_pitch.holding.kind", '"counterbalance"')
    finding = found(text, "holding_pressure", "wrist_pitch")

    assert finding.status is Status.VIOLATED
    path, value = advised(finding)[0]
    assert (path, value) == ("joints.wrist_pitch.holding.kind", '"double_counterbalance"')
    assert found(put(text, path, value), "holding_pressure", "wrist_pitch").status is Status.HOLDS


def test_check_valve_with_too_small_a_ratio_never_opens():
    text = put(text_of(KERB), "joints.clamp.holding.pilot_ratio", "1.3")
    finding = found(text, "holding_pressure", "clamp")

    assert finding.status is Status.VIOLATED
    path, value = advised(finding)[0]
    assert path == "joints.clamp.holding.pilot_ratio"
    assert found(put(text, path, value), "holding_pressure", "clamp").status is Status.HOLDS


def test_low_port_relief_creeps_open_under_the_load():
    text = put(_loose(text_of(KERB), "boom_swing"), "joints.boom_swing.holding.setting", '"10 bar"')
    finding = found(text, "holding_pressure", "boom_swing")

    assert finding.status is Status.VIOLATED
    path, value = advised(finding)[0]
    assert found(put(text, path, value), "holding_pressure", "boom_swing").status is Status.HOLDS


def test_nothing_to_hold_is_no_finding():
    assert found(held_by(stand(), "lever", 'kind = "none"'), "holding_pressure") is None


# -- buckling ---------------------------------------------------------------------------------------------------------


def test_thin_rod_is_told_the_next_size_that_does():
    text = stand(joints__lever__drive__rod='"12 mm"')
    finding = found(text, "buckling")

    assert finding.status is Status.VIOLATED
    assert finding.at_least
    (path, value) = advised(finding)[0]
    assert found(put(text, path, value), "buckling").status is Status.HOLDS
    size = int(value.strip('"').split()[0])
    for rod in (one for one in RODS_MM if 12 < one < size):
        assert found(put(text, path, f'"{rod} mm"'), "buckling").status is Status.VIOLATED


def test_buckling_factor_is_that_of_the_profile():
    worst = found(stand(), "buckling").worst

    inside, outside = (stand(joints__lever__drive__buckling_factor=f"{worst + change:.3f}") for change in (-0.01, 0.01))
    assert found(inside, "buckling").status is Status.HOLDS
    assert found(outside, "buckling").status is Status.VIOLATED


def test_end_factor_and_yield_count():
    plain = found(stand(), "buckling").worst
    worse = found(stand(joints__lever__drive__end_factor="2"), "buckling").worst
    weaker = found(stand(joints__lever__drive__rod_yield='"250 MPa"'), "buckling").worst

    assert worse < 0.5 * plain
    assert weaker < plain


def test_highest_pressure_on_the_cap_side_pushes():
    low = found(stand(joints__lever__holding__setting='"20 bar"'), "buckling")
    high = found(stand(), "buckling")

    assert "relief pressure of 80 bar" in low.detail
    assert "setting, raised by the tank line's pressure of 110 bar" in high.detail  # 100 bar + (1 + 4) x 2 bar
    assert low.worst / high.worst == pytest.approx(110 / 80, rel=1e-6)


def test_rods_that_do_not_fit_the_bore_are_not_advised():
    text = stand(joints__lever__drive__buckling_factor="10", joints__lever__holding__setting='"350 bar"')
    finding = found(text, "buckling")

    assert finding.status is Status.VIOLATED
    assert not ADVISED.findall(finding.advice)


# -- ratings ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("part", ["drive", "hoses"])
@pytest.mark.parametrize(("rated", "status"), [('"110 bar"', Status.HOLDS), ('"109 bar"', Status.VIOLATED)])
def test_rating_of_each_part_stands_the_highest_static_pressure(part, rated, status):
    """The counterbalance's 100 bar on the stand, and (1 + 4) x 2 bar of its tank line."""
    text = put(stand(), f"{LEVER}.{part}.rated_pressure", rated)
    finding = found(text, "pressure_rating")

    assert finding.status is status
    if status is Status.VIOLATED:
        path, value = advised(finding)[0]
        assert path == f"{LEVER}.{part}.rated_pressure"
        assert float(value.strip('"').split()[0]) in NOMINAL_BAR
        assert found(put(text, path, value), "pressure_rating").status is Status.HOLDS


def test_without_ratings_it_is_not_shown_and_names_both_keys():
    bare = without(without(stand(), f"{LEVER}.drive.rated_pressure"), f"{LEVER}.hoses.rated_pressure")
    finding = found(bare, "pressure_rating")

    assert finding.status is Status.NOT_SHOWN
    assert f"{LEVER}.drive.rated_pressure" in finding.advice
    assert f"{LEVER}.hoses.rated_pressure" in finding.advice


def test_a_rating_that_is_known_and_too_low_counts_even_where_the_other_is_missing():
    text = without(put(stand(), f"{LEVER}.drive.rated_pressure", '"60 bar"'), f"{LEVER}.hoses.rated_pressure")

    assert found(text, "pressure_rating").status is Status.VIOLATED


def test_blocked_rod_side_is_told_and_not_counted():
    finding = found(stand(), "pressure_rating")

    assert "114.7 bar" in finding.detail  # 80 bar x 40^2 / (40^2 - 22^2)
    assert finding.worst == 110.0


# -- gain spread ------------------------------------------------------------------------------------------------------


def _held(text: str, joint: str) -> str:
    """The joint with what the finding advises."""
    finding = found(text, "gain_spread", joint)
    for path, value in advised(finding):
        text = put(text, path, value)
    return re.sub(rf"(\[joints\.{joint}\.holding\]\n(?:(?!^\[).*\n)*?)port_relief = .*\n", r"\1", text, flags=re.M)


def _loose(text: str, joint: str) -> str:
    """Nothing at the actuator but port reliefs."""
    return held_by(text, joint, 'kind = "port_relief"\nsetting = "230 bar"')


@pytest.mark.parametrize("joint", ["boom_swing", "wrist_roll"])
def test_load_that_runs_ahead_of_a_compensated_valve_is_found_and_the_advice_holds(joint):
    text = _loose(text_of(KERB), joint)
    finding = found(text, "gain_spread", joint)

    assert finding.status is Status.VIOLATED
    assert "runs ahead of the oil" in finding.detail
    held = _held(text, joint)
    assert found(held, "gain_spread", joint).status is Status.HOLDS
    assert found(held, "holding_pressure", joint).status is Status.HOLDS


def test_level_ground_does_not_pull_a_swing():
    text = put(_loose(text_of(KERB), "boom_swing"), "machine.tilt", '"0 deg"')

    assert found(text, "gain_spread", "boom_swing").status is Status.HOLDS


def test_context_works_with_the_derived_spread():
    """Uncompensated, so that it differs from the one for any load."""
    text = stand(joints__lever__valve__compensated="false")
    context = joints_of(text)[0]
    any_load = joint_model(context.profile, context.joint)

    for side in (0, 1):
        assert context.model.gain_spread(side)[0] >= any_load.gain_spread(side)[0]
        assert context.model.gain_spread(side)[1] < any_load.gain_spread(side)[1]
    assert found(text, "gain_spread").status is Status.HOLDS


# -- supply -----------------------------------------------------------------------------------------------------------


def test_share_of_all_joints_is_compared_with_what_the_work_needs():
    kept = found(text_of(KERB), "pump_share", None).worst
    asked = re.search(r"asks for ([\d.]+) l/min", found(text_of(KERB), "pump_share", None).detail)
    assert asked is not None
    pump = float(joints_of(text_of(KERB))[0].profile.supply.flow_m3_s) * 60_000
    assert 0 < kept < 1
    assert kept == pytest.approx(pump / float(asked[1]), rel=1e-3)

    inside = put(text_of(KERB), "supply.share_least", f'"{int(100 * kept)} %"')
    outside = put(text_of(KERB), "supply.share_least", f'"{int(100 * kept) + 1} %"')
    assert found(inside, "pump_share", None).status is Status.HOLDS
    finding = found(outside, "pump_share", None)
    assert finding.status is Status.VIOLATED
    for path, value in advised(finding):
        assert found(put(outside, path, value), "pump_share", None).status is Status.HOLDS


def test_share_without_a_demand_is_not_shown_with_a_number_that_holds():
    text = without(text_of(KERB), "supply.share_least")
    finding = found(text, "pump_share", None)

    assert finding.status is Status.NOT_SHOWN
    path, value = advised(finding)[0]
    assert found(put(text, path, value), "pump_share", None).status is Status.HOLDS


@pytest.mark.parametrize(("engine", "status"), [('"20.6 kW"', Status.HOLDS), ('"20.5 kW"', Status.VIOLATED)])
def test_engine_gives_what_the_pump_takes_at_relief(engine, status):
    """210 bar x 50 l/min / 600 / 0.85 = 20.59 kW."""
    text = put(put(text_of(KERB), "supply.flow", '"50 l/min"'), "supply.relief_pressure", '"210 bar"')
    text = put(text, "supply.power", engine)
    finding = found(text, "power", None)

    assert finding.status is status
    if status is Status.VIOLATED:
        for path, value in advised(finding):
            assert found(put(text, path, value), "power", None).status is Status.HOLDS


def test_power_that_is_not_in_the_profile_is_not_shown():
    finding = found(without(text_of(KERB), "supply.power"), "power", None)

    assert finding.status is Status.NOT_SHOWN
    assert "supply.power" in finding.advice


def test_full_unloading_leaves_nothing_and_load_sensing_moves_the_swing():
    unloaded = found(put(text_of(KERB), "emergency_stop.dump", '"pump_to_tank"'), "standby_pressure", None)
    text = put(text_of(KERB), "emergency_stop.dump", '"load_sensing"')
    standby = found(text, "standby_pressure", None)

    assert unloaded.status is Status.HOLDS
    assert unloaded.worst == 0.0
    assert standby.status is Status.VIOLATED
    assert standby.worst == 18.0
    path, value = advised(standby)[0]
    assert found(put(text, path, value), "standby_pressure", None).status is Status.HOLDS


def test_dump_that_is_not_in_the_profile_is_not_shown():
    text = without(without(stand(), "emergency_stop.dump"), "emergency_stop.dump_time")
    finding = found(text, "standby_pressure", None)

    assert finding.status is Status.NOT_SHOWN
    assert "emergency_stop.dump" in finding.advice


def test_standby_pressure_below_every_load_holds():
    """A load-sensing pump with 2 bar of margin on the stand, whose empty lever needs 2.7 bar to be lifted."""
    text = put(stand(supply__pump='"load_sensing"', supply__margin='"2 bar"'), "emergency_stop.dump", '"load_sensing"')

    finding = found(text, "standby_pressure", None)
    assert finding.status is Status.HOLDS
    assert finding.worst == 2.0
    assert found(put(text, "supply.margin", '"3 bar"'), "standby_pressure", None).status is Status.VIOLATED


# -- all of them ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [STAND, KERB])
def test_every_finding_explains_itself(name):
    text = text_of(name)
    joints = joints_of(text)
    findings = [limit(context) for context in joints for limit in JOINT_LIMITS.values()]
    findings += [limit(joints[0].profile, joints) for limit in MACHINE_LIMITS.values()]

    shown = [item for item in findings if item is not None and item.status is not Status.NOT_SHOWN]
    assert len(shown) > 5
    for item in shown:
        assert item.explanation is not None, item.limit
        assert item.explanation.formula
        assert item.explanation.source
        assert len(item.explanation.given) >= 3
        for given in item.explanation.given:
            assert given.meaning
            assert given.value == given.value  # no NaN


def test_worst_of_the_explanation_is_that_of_the_finding():
    for context in joints_of(text_of(KERB)):
        finding = force(context)
        given = {item.symbol: item.value for item in finding.explanation.given}

        assert given["pi"] == pytest.approx(finding.worst, abs=1e-3)
        by_hand = given["Tg"] + given["Tw"] + given["J"] * given["a"] * 3.14159265 / 180
        loaded = by_hand / given["e"] if by_hand > 0 else by_hand
        plain = (loaded * 10 + given["Vo"] * given["po"]) / given["Vi"]  # N m over cm3 is MPa
        assert max(plain, given["ph"]) == pytest.approx(given["pi"], rel=2e-3)
