"""A joint's part of the check is worked out once for what it can depend on, and never taken for another's."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from check_case import KERB, profile_of, text_of, with_value

from mapper.check.result import PARTS, case_of, check_profile, joint_part
from mapper.check.reuse import Kept, reuse_key
from mapper.law import load_core
from mapper.law.core import Core
from mapper.profile.profile import Joint, TwoWay
from mapper.table import compile_table, encode_table

PROFILE = profile_of(text_of(KERB))
TABLE = compile_table(PROFILE)
NAMES = [joint.name for joint in PROFILE.joints]
WRIST, ELBOW, LIFT = NAMES.index("wrist_pitch"), NAMES.index("elbow"), NAMES.index("boom_lift")


def key_of(profile, index):
    return reuse_key(profile, compile_table(profile), index)


def with_joint(index, change):
    joints = list(PROFILE.joints)
    joints[index] = change(joints[index])
    return replace(PROFILE, joints=tuple(joints))


def slower(joint: Joint) -> Joint:
    speed = TwoWay(positive=Fraction(20), negative=Fraction(20))
    return replace(joint, limits=replace(joint.limits, speed_deg_s=speed, acceleration_deg_s2=Fraction(20)))


def narrower(joint: Joint) -> Joint:
    return replace(joint, follow=replace(joint.follow, match_window_deg=Fraction(3)))


def noisier(joint: Joint) -> Joint:
    return replace(joint, position=replace(joint.position, error_deg=Fraction(3, 10)))


def softer(joint: Joint) -> Joint:
    return replace(joint, tolerances=replace(joint.tolerances, hysteresis=Fraction(3, 100)))


def duller(joint: Joint) -> Joint:
    return replace(joint, watch=replace(joint.watch, still_deg=Fraction(1)))


def heavier(joint: Joint) -> Joint:
    return replace(joint, body=replace(joint.body, mass_kg=joint.body.mass_kg + 10))


# How it is asked to move, what reads it and what watches it: no part of another joint looks at that.
MOTION = {"speeds": slower, "follow": narrower, "sensors": noisier, "tolerances": softer, "watches": duller}


@pytest.mark.parametrize("name", MOTION)
def test_a_change_of_one_joints_motion_is_that_joints_alone(name):
    """The keys of the others stay; and worked out anew, without what is kept, the others' parts are the same."""
    changed = with_joint(WRIST, MOTION[name])
    case, fresh = (case_of(one, table, encode_table(table)) for one, table in
                   ((PROFILE, TABLE), (changed, compile_table(changed))))  # fmt: skip
    machine = replace(fresh.table.machine, tip_mdeg_mm_s=TABLE.machine.tip_mdeg_mm_s)
    same_tip = replace(fresh.table, machine=machine)

    for index in range(len(PROFILE.joints)):
        kept = reuse_key(PROFILE, TABLE, index) == reuse_key(changed, same_tip, index)
        assert kept == (index != WRIST), NAMES[index]
    other = NAMES.index("wrist_roll")
    before = joint_part(case, other)
    PARTS.clear()
    assert joint_part(fresh, other) == before


def test_a_joint_of_a_common_coupled_stop_counts_whole():
    """Its stop brakes both, so what one is asked to do is the other's too."""
    stops = PROFILE.coupled_stops
    assert any({NAMES[LIFT], NAMES[ELBOW]} == set(stop.joints) for stop in stops)
    changed = with_joint(ELBOW, slower)
    table = compile_table(changed)

    assert reuse_key(PROFILE, TABLE, LIFT) != reuse_key(changed, table, LIFT)


def test_a_change_of_one_joints_steel_is_everybodys():
    changed = with_joint(ELBOW, heavier)

    assert all(key_of(PROFILE, index) != key_of(changed, index) for index in range(len(PROFILE.joints)))


def test_a_changed_number_works_one_joint_out_again():
    check_profile(PROFILE, TABLE, encode_table(TABLE))
    changed = profile_of(with_value(text_of(KERB), "joints.clamp.watch.still_angle", '"1.9 deg"'))
    table = compile_table(changed)
    before = PARTS.found
    result = check_profile(changed, table, encode_table(table))

    assert PARTS.found - before == len(PROFILE.joints) - 1
    PARTS.clear()
    assert check_profile(changed, table, encode_table(table)) == result


def test_parts_of_two_laws_are_never_mixed(monkeypatch):
    """Laws that say they are from the same sources: a part that one law gave is not taken for the other's."""
    case = case_of(PROFILE, TABLE, encode_table(TABLE))
    joint_part(case, WRIST)
    before = PARTS.found
    joint_part(case, WRIST)
    assert PARTS.found == before + 1
    other = Core(load_core().library)
    assert other.source_digest == load_core().source_digest
    monkeypatch.setattr("mapper.check.result.load_core", lambda: other)

    assert joint_part(case, WRIST) == joint_part(case, WRIST)
    assert PARTS.found == before + 2  # the second one alone
    PARTS.clear()


def test_waivers_and_names_do_not_count_but_the_result_has_them():
    waived = profile_of(
        text_of(KERB) + '\n[[waivers]]\nlimit = "ramp"\njoint = "elbow"\nreason = "tried on the machine"\n'
    )

    assert key_of(PROFILE, ELBOW) == key_of(waived, ELBOW)
    table = compile_table(waived)
    assert [one.limit for one in check_profile(waived, table, encode_table(table)).unused_waivers] == ["ramp"]


def test_no_more_is_kept_than_there_is_room_for():
    kept: Kept[int] = Kept(most=2)

    assert [kept.get(key, lambda key=key: key * 10) for key in (1, 2, 1, 3, 2)] == [10, 20, 10, 30, 20]
    assert kept.found == 1  # the 1; the 2 had gone for the 3
