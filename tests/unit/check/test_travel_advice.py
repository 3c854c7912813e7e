"""The travel limit: what is left at both ends, and advice of which every single way makes it hold when written."""

from __future__ import annotations

import re

import pytest
from check_case import KERB, STAND, context_of, profile_of, text_of, with_value

from mapper.check import Status
from mapper.check.hydraulics.structure import travel
from mapper.check.notes import lever_notes

WRITTEN = re.compile(r'(joints\.\S+) = ("[^"]*")')


def travel_of(text: str, joint: str):
    found = travel(context_of(profile_of(text), joint))
    assert found is not None
    return found


def ways(advice: str) -> list[list[tuple[str, str]]]:
    """Keys and values of each way."""
    return [WRITTEN.findall(way) for way in advice.split(" | ")]


# Joint, what is spoilt, the value, and the keys (below the joint) that must be among the ways.
SPOILT = [
    ("boom_swing", "drive.rod_radius", '"260 mm"', {"drive.rod_radius"}),
    ("boom_swing", "drive.stroke", '"305 mm"', {"drive.stroke", "limits.hard_stops.upper"}),
    ("boom_lift", "drive.base_radius", '"900 mm"', {"drive.base_radius", "drive.closed_length"}),
    ("boom_lift", "drive.base_radius", '"1040 mm"', {"drive.base_radius", "drive.closed_length"}),
    ("elbow", "drive.closed_length", '"700 mm"', {"drive.closed_length", "drive.base_radius"}),
    ("elbow", "drive.included_at_zero", '"125 deg"', {"drive.included_at_zero"}),
    ("elbow", "drive.stroke", '"250 mm"', {"drive.stroke"}),
    ("elbow", "drive.closed_length", '"1300 mm"', {"drive.closed_length", "drive.stroke"}),
    ("wrist_pitch", "drive.included_at_zero", '"60 deg"', {"drive.included_at_zero", "drive.base_radius"}),
    ("clamp", "drive.rod_radius", '"170 mm"', {"drive.rod_radius"}),
]


@pytest.mark.parametrize(("joint", "key", "value", "expected"), SPOILT)
def test_each_way_of_the_advice_makes_travel_hold_when_it_is_written(joint, key, value, expected):
    text = with_value(text_of(KERB), f"joints.{joint}.{key}", value)
    found = travel_of(text, joint)

    assert found.status is Status.VIOLATED
    assert found.worst is not None
    assert found.worst < 0
    advised = ways(found.advice)
    assert expected <= {path.removeprefix(f"joints.{joint}.") for way in advised for path, _ in way}
    for way in advised:
        mended = text
        assert way, found.advice
        for path, number in way:
            mended = with_value(mended, path, number)
        assert travel_of(mended, joint).status is Status.HOLDS, way


def test_a_joint_that_cannot_go_from_full_curl_to_straight_is_told_the_pivot_and_the_way():
    """The elbow's rod pivot 15 mm too far out: the stroke is too short for 118 deg, whatever the other lengths."""
    text = with_value(text_of(KERB), "joints.elbow.drive.rod_radius", '"235 mm"')
    found = travel_of(text, "elbow")

    assert found.status is Status.VIOLATED
    assert "118 deg asked for" in found.detail
    assert re.search(r"cylinder reaches -?\d+\.\d\d to -?\d+\.\d\d deg", found.detail)
    assert re.search(r"worst at (-118|0) deg", found.detail)
    assert re.search(r"pivot on the moved side \d+(\.\d+)? mm towards the joint's pivot", found.advice)
    assert re.search(r"least lever arm \d+\.\d -> \d+\.\d mm", found.advice)


def test_the_bracket_is_turned_the_way_that_opens_the_angle():
    """The elbow at 125 deg wants about 134 deg, 9 deg wider. It opens with positive motion (extends positive): the
    moved side's bracket goes that way. The stand's lever, made to close, is too wide and wants less: the same way.
    """
    text = with_value(text_of(KERB), "joints.elbow.drive.included_at_zero", '"125 deg"')
    opening = travel_of(text, "elbow").advice
    text = with_value(text_of(STAND), "joints.lever.drive.extends", '"negative"')
    text = with_value(text, "joints.lever.drive.included_at_zero", '"96 deg"')
    closing = travel_of(text, "lever").advice

    assert "that of the moved side the joint's positive way, or that of the base side the negative way" in opening
    # 96 deg is too wide here; narrower is the joint's positive way when the cylinder shortens that way.
    assert re.search(r'included_at_zero = "9[0-5]', closing)
    assert "that of the moved side the joint's positive way, or that of the base side the negative way" in closing


@pytest.mark.parametrize("joint", ["boom_swing", "boom_lift", "elbow", "wrist_pitch", "clamp"])
def test_what_is_left_is_told_at_both_ends_and_the_explanation_adds_up(joint):
    found = travel_of(text_of(KERB), joint)

    assert found.status is Status.HOLDS
    assert (found.at_least, found.margin, found.unit) == (True, found.worst, "deg")
    assert len(re.findall(r"-?\d+\.\d mm of stroke left, -?\d+\.\d\d deg", found.detail)) == 2
    assert found.explanation is not None
    given = {one.symbol: float(one.value) for one in found.explanation.given}
    last = found.explanation.formula[2]
    assert last in ("left = L - c", "left = c + h - L")
    by_formula = given["L"] - given["c"] if last == "left = L - c" else given["c"] + given["h"] - given["L"]
    assert by_formula == pytest.approx(given["left"])
    assert given["f0"] + given["s"] * given["q"] == pytest.approx(given["f"])


def test_pins_that_never_meet_are_measured_in_stroke():
    text = with_value(text_of(KERB), "joints.elbow.drive.closed_length", '"1300 mm"')
    found = travel_of(text, "elbow")

    assert found.unit == "mm"
    assert "never come within" in found.detail
    assert "another cylinder" in found.advice


def test_less_travel_is_not_advised_where_the_soft_stops_would_not_fit():
    near = travel_of(with_value(text_of(STAND), "joints.lever.drive.stroke", '"133 mm"'), "lever")
    far = travel_of(with_value(text_of(STAND), "joints.lever.drive.stroke", '"127 mm"'), "lever")

    assert "hard_stops.upper" in near.advice
    assert "hard_stops" not in far.advice


# -- lever arm near dead centre


def test_a_lever_arm_below_a_third_is_a_note_with_a_way_out():
    text = with_value(text_of(STAND), "joints.lever.drive.included_at_zero", '"136 deg"')
    tight = with_value(text, "joints.lever.drive.closed_length", '"330 mm"')
    (stuck,) = lever_notes(context_of(profile_of(tight), "lever"))
    text = with_value(text, "joints.lever.drive.closed_length", '"300 mm"')
    (note,) = lever_notes(context_of(profile_of(text), "lever"))

    assert "common practice, no source" in note.text
    assert "near dead centre: the lever arm is" in note.text
    assert "at 35.0 deg" in note.text
    assert "no single value of the drive" in stuck.text
    mended = text
    for path, number in WRITTEN.findall(note.text):
        mended = with_value(mended, path, number)
    assert mended != text
    assert lever_notes(context_of(profile_of(mended), "lever")) == ()
    assert travel_of(mended, "lever").status is Status.HOLDS


@pytest.mark.parametrize("joint", ["boom_swing", "elbow", "wrist_roll"])
def test_a_good_lever_arm_is_no_note(joint):
    assert lever_notes(context_of(profile_of(text_of(KERB)), joint)) == ()
