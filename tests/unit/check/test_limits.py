"""Each limit: just inside holds, just outside is that limit of that joint, and the number advised holds when
written.
"""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from check_case import (
    KERB,
    STAND,
    altered,
    bad,
    check_text,
    check_with,
    context_of,
    finding,
    profile_of,
    text_of,
    tight_stand,
    with_value,
)

from mapper.check import CheckError, Evidence, Finding, Status, check_profile
from mapper.check.hydraulics.structure import load_holding
from mapper.check.law.drive import deadband_jump, drive_range
from mapper.check.law.response import deadband_zero, direction
from mapper.check.motion.soft_stop import LIMITS, soft_stop_overruns
from mapper.check.motion.speed import flow_available, ramp, speed_limit
from mapper.table import compile_table, encode_table
from mapper.table.table import Curve

STAND_PROFILE = profile_of(text_of(STAND))
ADVISED = re.compile(r'joints\.(\S+) = ("[^"]*")')

ORDER = (
    "as_written",
    "drive_range",
    "deadband_zero",
    "deadband_jump",
    "direction",
    "speed_limit",
    "flow_available",
    "ramp",
    "soft_stop_overrun_upper",
    "soft_stop_overrun_lower",
    "travel",
    "gain_spread",
    "force",
    "holding_pressure",
    "pressure_rating",
    "pressure_peak",
    "buckling",
    "natural_frequency",
    "loop_margin",
    "hunting",
    "stopping_distance",
    "sensor_window",
    "track_disagreement",
    "two_tracks",
    "stuck_sensor",
    "sensor_step",
    "matching",
    "following",
    "motion_watches",
    "load_holding",
)
MACHINE = (
    "as_written",
    "matching",
    "pump_share",
    "power",
    "standby_pressure",
    "coupled_stops",
    "tip_speed",
    "keep_out",
    "emergency_stop",
    "fault",
    "power_up",
    "restart",
    "release",
    "slowing",
    "integer_width",
)


def with_holding(text: str, lines: str) -> str:
    head, name, rest = text.partition("[joints.lever.holding]\n")
    assert name
    return head + name + lines + "".join(rest.partition("\n\n")[1:])


def follow_advice(text: str, found: Finding) -> str:
    """The profile with every value written that the advice names."""
    written = ADVISED.findall(found.advice)
    assert written, found.advice
    for path, value in written:
        text = with_value(text, f"joints.{path}", value)
    return text


@pytest.mark.parametrize("name", [STAND, KERB])
def test_worked_profiles_hold_and_every_finding_has_evidence(name):
    result = check_text(text_of(name))

    assert result.result == "holds"
    assert bad(result) == []
    for item in result.findings:
        assert item.evidence is not Evidence.NONE
        assert item.cases > 0
        assert item.advice == ""
        assert item.worst is not None
        assert item.detail


def test_findings_stand_in_one_order():
    result = check_text(text_of(KERB))
    names = [joint.name for joint in profile_of(text_of(KERB)).joints]

    joints = [item.joint for item in result.findings]
    assert list(dict.fromkeys(joints)) == [*names, None]
    for name in names:
        limits = [item.limit for item in result.findings if item.joint == name]
        assert limits == [limit for limit in ORDER if limit in limits]
    machine = list(dict.fromkeys(item.limit for item in result.findings if item.joint is None))
    assert machine == [limit for limit in MACHINE if limit in machine]
    assert set(MACHINE) - set(machine) <= {"coupled_stops", "keep_out"}  # where the profile has none


def test_every_joint_of_the_kerb_arm_is_examined_for_what_applies_to_it():
    result = check_text(text_of(KERB))

    def limits(joint: str) -> set[str]:
        return {item.limit for item in result.findings if item.joint == joint}

    assert limits("boom_lift") == set(ORDER)
    assert set(ORDER) - limits("boom_swing") == {"two_tracks", "load_holding"}
    stops = {"soft_stop_overrun_upper", "soft_stop_overrun_lower"}
    # By a lever no loop is closed, so none can be unstable or hunt; a motor has no stroke and no rod.
    lever, motor = {"matching", "loop_margin", "hunting"}, {"travel", "buckling"}
    assert set(ORDER) - limits("wrist_roll") == {"two_tracks", "load_holding"} | lever | motor | stops
    assert set(ORDER) - limits("clamp") == {"two_tracks"} | lever


# Path, a value just inside, one just outside, the limit, words of the advice.
CASES = [
    ("joints.lever.valve.positive.jump", '"18.5 %"', '"18.6 %"', "deadband_jump"),
    ("joints.lever.valve.negative.jump", '"20.5 %"', '"20.6 %"', "deadband_jump"),
    ("joints.lever.limits.speed_never_above.negative", '"44.6 deg/s"', '"44.5 deg/s"', "speed_limit"),
    ("joints.lever.limits.soft_stops.upper", '"34.4 deg"', '"34.5 deg"', "soft_stop_overrun_upper"),
    ("joints.lever.limits.soft_stops.lower", '"-34.2 deg"', '"-34.4 deg"', "soft_stop_overrun_lower"),
]


@pytest.mark.parametrize(("path", "inside", "outside", "limit"), CASES)
def test_just_inside_holds_and_just_outside_is_that_limit(path, inside, outside, limit):
    assert bad(check_text(with_value(tight_stand(), path, inside))) == []

    result = check_text(with_value(tight_stand(), path, outside))
    assert bad(result) == [(limit, "lever")]
    assert result.result == "does not hold"
    assert not result.holds


@pytest.mark.parametrize(("path", "outside", "limit"), [(case[0], case[2], case[3]) for case in CASES])
def test_the_number_in_the_advice_holds_when_it_is_written(path, outside, limit):
    text = with_value(tight_stand(), path, outside)
    found = finding(check_text(text), limit, "lever")

    assert found.status is Status.VIOLATED
    assert found.margin is not None
    assert found.margin < 0
    assert bad(check_text(follow_advice(text, found))) == []


HOLDING = [
    'kind = "counterbalance"\nsetting = "100 bar"\npilot_ratio = 4\nport_relief = "120 bar"\n',
    'kind = "double_counterbalance"\nsetting = "145 bar"\npilot_ratio = 4\n',
]


@pytest.mark.parametrize("lines", HOLDING)
def test_a_joint_that_carries_weight_is_held_by_a_valve_at_its_cylinder(lines):
    assert bad(check_text(with_holding(text_of(STAND), lines))) == []


@pytest.mark.parametrize("lines", ['kind = "none"\n', 'kind = "port_relief"\nsetting = "120 bar"\n'])
def test_a_joint_that_carries_weight_on_its_spool_alone_is_that_limit(lines):
    result = check_text(with_holding(text_of(STAND), lines))

    assert bad(result) == [("load_holding", "lever")]
    assert result.result == "does not hold"
    assert not result.holds


def test_pilot_checks_hold_the_weight_but_nothing_caps_a_sudden_stop_behind_them():
    """Shut at the cylinder they keep the hose's oil, and any relief at the valve's ports, away from what is compressed.
    A counterbalance there, as advised, gives way at its setting.
    """
    for relief in ("", 'port_relief = "120 bar"\n'):
        result = check_text(with_holding(text_of(STAND), f'kind = "pilot_check"\npilot_ratio = 4\n{relief}'))
        found = finding(result, "pressure_peak", "lever")

        assert finding(result, "load_holding", "lever").status is Status.HOLDS
        assert bad(result) == [("pressure_peak", "lever")]
        assert "no relief caps a sudden stop" in found.detail
        assert 'holding.kind = "double_counterbalance" with joints.lever.holding.setting = "145 bar"' in found.advice


def test_soft_stop_moved_to_the_hard_stop_is_violated_on_that_joint_of_the_arm():
    text = with_value(text_of(KERB), "joints.elbow.limits.soft_stops.upper", '"-0.1 deg"')
    result = check_text(text)

    assert bad(result) == [("soft_stop_overrun_upper", "elbow"), ("motion_watches", "elbow")]
    assert "joints.elbow.limits.soft_stops.upper" in finding(result, "soft_stop_overrun_upper", "elbow").advice


def test_speed_above_what_the_pump_gives_the_joint_alone():
    text = with_value(text_of(STAND), "supply.flow", '"4.8 l/min"')
    assert bad(check_text(text)) == []
    text = with_value(text_of(STAND), "supply.flow", '"4 l/min"')
    result = check_text(text)
    found = finding(result, "flow_available", "lever")

    # Its share too: all that move together is this one joint, which gets 4 of 4.74 l/min where all of it is asked for.
    short = [("flow_available", "lever"), *((limit, "lever") for limit in LIMITS)]
    assert bad(result) == [*short, ("pump_share", None)]
    assert "the pump gives this joint alone" in found.detail
    assert bad(check_text(follow_advice(text, found))) == []


def test_pump_too_small_for_two_joints_of_the_arm_names_both():
    """Alone they ask for 35.8 and 34.7 l/min, the next one for 29.0; and for all six 30 is less than half of 125."""
    result = check_text(with_value(text_of(KERB), "supply.flow", '"30 l/min"'))

    short = [(limit, joint) for joint in ("boom_lift", "elbow") for limit in ("flow_available", *LIMITS)]
    assert bad(result) == [*short, ("pump_share", None)]
    assert finding(result, "pump_share", None).worst == pytest.approx(30 / 125, abs=1e-3)


def test_speed_above_what_the_valve_passes():
    text = with_value(text_of(STAND), "joints.lever.valve.rated_flow", '"4.5 l/min"')
    result = check_text(text)
    found = finding(result, "flow_available", "lever")

    assert ("flow_available", "lever") in bad(result)
    assert "the valve passes" in found.detail


def test_hard_stop_beyond_the_stroke():
    """By the law of cosines +35 deg needs 381.7 mm pin to pin; 246 mm closed and 135 mm of stroke reach 381."""
    text = with_value(text_of(STAND), "joints.lever.drive.stroke", '"135 mm"')
    found = finding(check_text(text), "travel", "lever")

    assert bad(check_text(text)) == [("travel", "lever")]
    assert found.worst is not None
    assert -1 < found.worst < 0
    assert "at 35 deg -0.7 mm of stroke left" in found.detail
    # What each way of the advice does is in test_travel_advice; here: the whole profile holds with the first.
    first = replace(found, advice=found.advice.split(" | ")[0])
    assert bad(check_text(follow_advice(text, first))) == []


def test_single_track_on_a_joint_that_carries_weight():
    text = text_of(STAND)
    second = text.index("[[joints.lever.position.tracks]]", text.index("[[joints.lever.position.tracks]]") + 1)
    text = text[:second] + text[text.index("[joints.lever.follow]") :]
    text = text.replace('disagreement = "2 deg"\n', "", 1)
    text = re.sub(r"\nlever_b = \d+[^\n]*", "", text)
    result = check_text(text)

    assert bad(result) == [("two_tracks", "lever"), ("stuck_sensor", "lever")]
    assert "second track" in finding(result, "two_tracks", "lever").advice


def test_tracks_of_the_same_slope_count_as_one():
    text = text_of(STAND)
    points = re.findall(r"points = \[\{count = 400, angle = \"-40 deg\"\}.*\]", text)[0]
    text = re.sub(r"points = \[\{count = 400, angle = \"40 deg\"\}.*\]", points, text)

    assert bad(check_text(text)) == [("two_tracks", "lever")]


@pytest.mark.parametrize(("lower", "upper"), [(1, 4095), (200, 4095)])
def test_window_that_takes_a_shorted_wire_for_a_value(lower, upper):
    profile = STAND_PROFILE
    operator = profile.joints[0].operator
    track = replace(operator.sensor.tracks[0], count_min=lower, count_max=upper)
    joint = replace(profile.joints[0], operator=replace(operator, sensor=replace(operator.sensor, tracks=(track,))))
    profile = replace(profile, joints=(joint,))
    result = check_with(profile, compile_table(profile))

    assert bad(result) == [("sensor_window", "lever")]
    assert "joints.lever.operator.tracks[0].window" in finding(result, "sensor_window", "lever").advice


# -- altered tables: the profile says one thing, the bytes another
# -------------------------------------------------------


def test_drive_above_the_range_is_seen():
    valve = replace(STAND_PROFILE.joints[0].valve, drive_max=Fraction(3, 4))
    profile = replace(STAND_PROFILE, joints=(replace(STAND_PROFILE.joints[0], valve=valve),))
    good, wrong = context_of(profile, "lever"), context_of(profile, "lever", drive_max_e4=7501)

    assert drive_range(good).status is Status.HOLDS
    assert drive_range(wrong).status is Status.VIOLATED


def test_wrong_polarity_is_seen():
    context = context_of(STAND_PROFILE, "lever", polarity=-1)

    assert "wrong sign" in direction(context).detail


def test_response_that_turns_back_is_seen():
    context = context_of(
        STAND_PROFILE, "lever", response=Curve(points=((-60_000, -30_000), (0, 10_000), (60_000, 9_999)))
    )

    assert direction(context).status is Status.VIOLATED
    assert "response" in direction(context).advice


def test_calibration_the_other_way_round_is_seen():
    own = compile_table(STAND_PROFILE).joints[0].position
    points = own.tracks[0].curve.points
    falling = replace(own.tracks[0], curve=Curve(points=tuple((x, -y) for x, y in points)))
    context = context_of(STAND_PROFILE, "lever", position=replace(own, tracks=(falling, own.tracks[1])))

    assert "position track 1" in direction(context).detail


def test_wider_deadband_in_the_profile_than_in_the_law_would_be_seen():
    """The limit looks at the compiled deadband; a lever's share must be 0 in it."""
    profile = profile_of(text_of(KERB))
    context = context_of(profile, "wrist_roll")
    shifted = context_of(profile, "wrist_roll", response=Curve(points=((-10_000, -10_000), (0, 500), (10_000, 10_000))))

    assert deadband_zero(context).status is Status.HOLDS
    assert deadband_zero(shifted).status is Status.HOLDS  # rule L4c: at rest the share is 0 whatever the response says
    assert direction(shifted).status is Status.VIOLATED  # but the lever then moves the joint the wrong way


def test_jump_in_the_table_above_the_crack_point_is_seen():
    own = compile_table(STAND_PROFILE).joints[0].valve
    for jump, status in ((1850, Status.HOLDS), (1851, Status.VIOLATED)):
        points = ((0, jump), *own[0].points[1:])
        context = context_of(STAND_PROFILE, "lever", valve=(Curve(points=points), own[1]))
        assert deadband_jump(context).status is status


@pytest.mark.parametrize("field", ["accelerate_mdeg_s", "decelerate_mdeg_s", "stop_mdeg_s"])
def test_ramp_steeper_than_the_profile_is_seen(field):
    step = getattr(compile_table(STAND_PROFILE).joints[0], field)

    assert ramp(context_of(STAND_PROFILE, "lever", **{field: step})).status is Status.HOLDS
    assert ramp(context_of(STAND_PROFILE, "lever", **{field: step + 1})).status is Status.VIOLATED


def test_flow_table_that_asks_for_too_much_is_seen():
    own = compile_table(STAND_PROFILE).joints[0].flow_per_speed_q16
    more = tuple(Curve(points=tuple((x, y * 5 // 4) for x, y in curve.points)) for curve in own)

    assert speed_limit(context_of(STAND_PROFILE, "lever", flow_per_speed_q16=more)).status is Status.VIOLATED
    much = tuple(Curve(points=tuple((x, y * 3) for x, y in curve.points)) for curve in own)
    assert flow_available(context_of(STAND_PROFILE, "lever", flow_per_speed_q16=much)).status is Status.VIOLATED


def test_braking_curve_without_braking_is_seen():
    steep = Curve(points=((0, 0), (100, 30_000)))
    found = soft_stop_overruns(context_of(STAND_PROFILE, "lever", brake=(steep, steep)))

    assert {item.status for item in found} <= {Status.VIOLATED, Status.NOT_SHOWN}


def test_slow_sensor_fault_in_the_table_is_seen():
    own = compile_table(STAND_PROFILE).joints[0].position
    result = check_with(STAND_PROFILE, altered(STAND_PROFILE, "lever", position=replace(own, bad_ticks=40)))

    assert ("sensor_window", "lever") in bad(result)
    assert ("track_disagreement", "lever") in bad(result)


def test_slow_release_in_the_table_is_seen():
    table = compile_table(STAND_PROFILE)
    table = replace(table, machine=replace(table.machine, release_ticks=table.machine.release_ticks + 1))

    assert bad(check_with(STAND_PROFILE, table)) == [("as_written", None), ("release", None)]


# -- what is counted ---------------------------------------------------------------------------------------------------


def test_exhaustive_counts_are_the_sizes_of_their_domains():
    context = context_of(STAND_PROFILE, "lever")
    counts, errors, speeds = 4096, 2 * 600 + 1, 2 * 1000 + 1

    assert drive_range(context).cases == 2 * 10_001
    assert deadband_zero(context).cases == errors * speeds + counts
    assert speed_limit(context).cases == 2 * (70_000 + 1)
    assert flow_available(context).cases == 2 * (70_000 + 1)
    window = finding(check_text(text_of(STAND)), "sensor_window", "lever")
    assert window.cases == (4096 - (3895 - 200 + 1)) + 2 * (4096 - (3845 - 250 + 1))


# -- waivers, and what belongs together --------------------------------------------------------------------------------

WAIVER = '\n[[waivers]]\nlimit = "{limit}"\njoint = "lever"\nreason = "bumpers fitted"\n'


@pytest.mark.parametrize("limit", ["soft_stop_overrun", "soft_stop_overrun_upper"])
def test_waiver_turns_the_result_and_is_told(limit):
    text = with_value(tight_stand(), "joints.lever.limits.soft_stops.upper", '"34.55 deg"') + WAIVER.format(limit=limit)
    result = check_text(text)
    found = finding(result, "soft_stop_overrun_upper", "lever")

    assert result.result == "holds with waivers"
    assert result.holds
    assert found.status is Status.WAIVED
    assert "bumpers fitted" in found.detail
    assert result.unused_waivers == ()


def test_waiver_of_another_limit_changes_nothing_and_is_told():
    text = with_value(tight_stand(), "joints.lever.limits.soft_stops.upper", '"34.55 deg"')
    text += WAIVER.format(limit="ramp")
    result = check_text(text)

    assert result.result == "does not hold"
    assert [waiver.limit for waiver in result.unused_waivers] == ["ramp"]


def test_bytes_of_another_table_are_not_checked():
    table = compile_table(STAND_PROFILE)
    other = replace(table, revision=table.revision + 1)

    with pytest.raises(CheckError, match="do not decode"):
        check_profile(STAND_PROFILE, table, encode_table(other))


def test_table_of_another_profile_is_not_checked():
    other = profile_of(text_of(STAND) + "\n# changed\n")
    table = compile_table(other)

    with pytest.raises(CheckError, match="another profile"):
        check_profile(STAND_PROFILE, table, encode_table(table))


def test_joints_that_carry_no_weight_need_no_holding():
    context = context_of(profile_of(text_of(KERB)), "boom_swing")

    assert load_holding(context) is None


def test_every_limit_that_is_not_examined_says_why():
    result = check_text(text_of(STAND))

    names = [item.limit for item in result.not_examined]
    assert len(set(names)) == len(names)
    for wanted in (
        "keep_out",  # the stand has no keep-out space
        "steel",
        "fatigue",
        "damping_ratio",
        "overturning",
    ):
        assert wanted in names
    assert {item.limit for item in result.findings} & set(names) == set()
    assert all(len(item.why) > 20 for item in result.not_examined)
