"""Quantities: what is taken, what is refused, and what the refusal says."""

from __future__ import annotations

from fractions import Fraction

import pytest

from mapper.profile.quantity import DIMENSIONS, TEXT_MAX, QuantityError, parse


def reads(text: str, name: str) -> Fraction:
    return parse(text, DIMENSIONS[name])


@pytest.mark.parametrize(
    ("text", "name", "value"),
    [
        ("50 mm", "length", Fraction(1, 20)),
        ("2 in", "length", Fraction(508, 10_000)),
        ("180 bar", "pressure", Fraction(18_000_000)),
        ("38 l/min", "flow", Fraction(38, 60_000)),
        ("10 gpm", "flow", Fraction(3_785_411_784, 10**9) / 100 / 60),
        ("40 deg/s", "angular_speed", Fraction(40)),
        ("2 rev/min", "angular_speed", Fraction(12)),
        ("12 ms", "time", Fraction(12, 1000)),
        ("1.5 Hz", "frequency", Fraction(3, 2)),
        ("1.0 1/s", "gain", Fraction(1)),
        ("20 %", "share", Fraction(1, 5)),
        ("-12.5 %", "share", Fraction(-1, 8)),
        ("+60 deg", "angle", Fraction(60)),
        ("200 kg", "mass", Fraction(200)),
        ("1 lb", "mass", Fraction(45_359_237, 10**8)),
        ("870 kg/m3", "density", Fraction(870)),
        ("0.8 GPa", "pressure", Fraction(8 * 10**8)),
        ("80 cm3/rev", "displacement", Fraction(80, 10**6)),
        ("1 in3/rev", "displacement", Fraction(254, 10_000) ** 3),
        ("22 kW", "power", Fraction(22_000)),
        ("325 N m", "torque", Fraction(325)),
        ("30 deg/s2", "angular_acceleration", Fraction(30)),
        ("0 mm", "length", Fraction(0)),
    ],
)
def test_a_quantity_is_exact_in_the_canonical_unit(text: str, name: str, value: Fraction) -> None:
    assert reads(text, name) == value


@pytest.mark.parametrize(
    ("text", "name", "complaint"),
    [
        (
            "50",
            "length",
            '"50" has no unit; a length has one number, one space and one of mm, cm, m, in or ft; '
            'write it with its unit, for example "50 mm"',
        ),
        (
            "50mm",
            "length",
            '"50mm" has no space before the unit; a length has one number, one space and one of mm, cm, m, in or ft; '
            'write "50 mm"',
        ),
        (
            "1,5 mm",
            "length",
            '"1,5 mm" has a comma in its number; the decimal mark is a point and digits are not grouped; '
            'write "1.5 mm"',
        ),
        (
            "50 MM",
            "length",
            'unit "MM" is not known; a length is given in mm, cm, m, in or ft, spelled just so; write "50 mm"',
        ),
        (
            "50 bar",
            "length",
            '"bar" is a unit of pressure; a length is given in mm, cm, m, in or ft; write for example "50 mm"',
        ),
        (
            "50 furlong",
            "length",
            'unit "furlong" is not known; a length is given in mm, cm, m, in or ft; write for example "50 mm"',
        ),
        (
            "1e3 mm",
            "length",
            '"1e3 mm" has an exponent; a number is written out in full; write "1000 mm"',
        ),
        (
            "40 °",
            "angle",
            'unit "°" is not known; an angle is given in deg; write "40 deg"',
        ),
        (
            "1 rad",
            "angle",
            'unit "rad" is not known; an angle is given in deg; convert the value to degrees',
        ),
        (
            "٥ mm",
            "length",
            '"٥ mm" has a character that is not ASCII in its number; '
            'a length has one number, one space and one of mm, cm, m, in or ft; write for example "50 mm"',
        ),
        (
            "5  mm",
            "length",
            '"5  mm" has blanks in the wrong place; '
            'a length has one number, one space and one of mm, cm, m, in or ft; write "5 mm"',
        ),
        (
            "",
            "length",
            "nothing between the quotes; a length has one number, one space and one of mm, cm, m, in or ft; "
            'write for example "50 mm"',
        ),
        (
            ".5 mm",
            "length",
            '".5 mm" has a number that starts or ends with a point, or starts with a needless zero; '
            "a number has digits on both sides of its point and no zero in front of other digits; "
            'write "0.5 mm"',
        ),
        (
            "fast",
            "angular_speed",
            '"fast" is not a quantity; a turning speed has one number, one space and one of deg/s or rev/min; '
            'write for example "40 deg/s"',
        ),
    ],
)
def test_a_refusal_says_what_was_found_what_is_allowed_and_what_to_do(text: str, name: str, complaint: str) -> None:
    with pytest.raises(QuantityError) as caught:
        reads(text, name)

    assert str(caught.value) == complaint


@pytest.mark.parametrize(
    "text",
    ["010 mm", "5. mm", "- 5 mm", "--5 mm", "nan mm", "inf mm", "0x10 mm", "5 mm mm", "5 mm\n", " 5 mm", "5\tmm",
     "5 m m", "1_000 mm", "5\u00a0mm", "\uff15 mm", "5 ㎜", "²5 mm"],
)  # fmt: skip
def test_other_spellings_of_a_length_are_refused(text: str) -> None:
    with pytest.raises(QuantityError):
        reads(text, "length")


def test_length_of_the_text_is_bounded_at_its_limit() -> None:
    longest = "1." + "0" * (TEXT_MAX - 5) + " mm"

    assert len(longest) == TEXT_MAX
    assert reads(longest, "length") == Fraction(1, 1000)
    with pytest.raises(QuantityError, match="has 33 characters; a quantity has at most 32"):
        reads("1." + "0" * (TEXT_MAX - 4) + " mm", "length")


def test_what_is_shown_of_a_bad_text_cannot_upset_a_terminal() -> None:
    with pytest.raises(QuantityError) as caught:
        reads("5 \x1b[31m\x07", "length")

    assert str(caught.value).isprintable()
