"""Which numbers are searched, in which units and steps."""

from __future__ import annotations

from fractions import Fraction

import pytest
from check_case import KERB, STAND, text_of, with_value

from mapper.advise.draft import Draft
from mapper.advise.number import amounts_of, between, numbers_of, texts_of


def draft(text: str) -> Draft:
    return Draft(text.encode(), "profile.toml")


def keys(text: str, joint: str, never_above: bool = False) -> list[str]:
    return [number.key for number in numbers_of(draft(text), joint, never_above)]


def number_named(text: str, joint: str, key: str):
    return next(number for number in numbers_of(draft(text), joint, True) if number.key == key)


def test_speeds_come_before_ramps_before_travel():
    assert keys(text_of(STAND), "lever") == [
        "speed.positive",
        "speed.negative",
        "reduced_speed.positive",
        "reduced_speed.negative",
        "deceleration",
        "stop_deceleration",
        "acceleration",
        "soft_stops.upper",
        "soft_stops.lower",
    ]


def test_speed_never_above_only_where_it_is_allowed():
    assert "speed_never_above.positive" not in keys(text_of(STAND), "lever")
    assert "speed_never_above.positive" in keys(text_of(STAND), "lever", never_above=True)


def test_a_joint_that_turns_for_ever_has_no_travel():
    assert not any("soft_stops" in key for key in keys(text_of(KERB), "wrist_roll"))


def test_the_unit_of_the_file_stays():
    text = with_value(text_of(STAND), "joints.lever.limits.speed.positive", '"5 rev/min"')
    speed = number_named(text, "lever", "speed.positive")

    assert speed.text(speed.beyond(speed.now, 1)) == "5.1 rev/min"
    assert speed.most == Fraction(200, 6)


@pytest.mark.parametrize(
    ("key", "written", "beyond"),
    [
        ("speed.positive", "30 deg/s", "30.1 deg/s"),
        ("speed.positive", "30.04 deg/s", "30.1 deg/s"),
        ("reduced_speed.positive", "0.5 deg/s", "0.51 deg/s"),
        ("speed.positive", "120 deg/s", "121 deg/s"),
    ],
)
def test_steps_are_what_one_writes(key, written, beyond):
    text = with_value(text_of(STAND), f"joints.lever.limits.{key}", f'"{written}"')
    number = number_named(text, "lever", key)

    assert number.text(number.beyond(number.now, 1)) == beyond


def test_a_lower_stop_is_rounded_upwards():
    stop = number_named(text_of(STAND), "lever", "soft_stops.lower")

    assert stop.inward(Fraction("-30.04")) == Fraction("-30")
    assert stop.inward(Fraction("-30.1")) == Fraction("-30.1")
    assert stop.out_of(Fraction(-31), Fraction(-30))


def test_between_never_leaves_the_two_ends():
    numbers = numbers_of(draft(text_of(STAND)), "lever", False)
    inner = amounts_of(numbers)
    outer = {number.path: inner[number.path] + number.outward * Fraction("1.23") for number in numbers}

    for share in (Fraction(0), Fraction(1, 100), Fraction(1, 3), Fraction(1)):
        found = between(numbers, inner, outer, share)
        for number in numbers:
            assert not number.out_of(inner[number.path], found[number.path])
            assert not number.out_of(found[number.path], outer[number.path])


def test_a_draft_is_the_profile_that_the_reader_makes_of_the_changed_text():
    numbers = numbers_of(draft(text_of(STAND)), "lever", False)
    amounts = {**amounts_of(numbers), numbers[0].path: Fraction("22.5")}
    text = with_value(text_of(STAND), "joints.lever.limits.speed.positive", '"22.5 deg/s"')

    found = draft(text_of(STAND)).profile(texts_of(numbers, amounts))

    expected = draft(text).profile_now
    assert found.joints == expected.joints
    assert found.supply == expected.supply


def test_a_draft_says_what_the_reader_refuses():
    path = ("joints", "lever", "limits", "reduced_speed", "positive")

    assert "reduced mode is not faster than full mode" in draft(text_of(STAND)).profile({path: "99 deg/s"})
    assert "out of range" in draft(text_of(STAND)).profile({path: "999 deg/s"})
