"""Coupled stops, keep-out space and radii: what is read, and the message for everything that can be written wrong.

Each case changes the text of the kerb arm, as a builder would who gets it wrong.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from mapper.profile import ProfileError, layout, read_profile
from mapper.profile.profile import CoupledStop, KeepOut, StopPair

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
ARM = (PROFILES / "kerb-arm.toml").read_text(encoding="utf-8")
SUM = "sum = {boom_lift = 1, elbow = 1}"
LOWER = 'lower = {soft = "-117 deg", hard = "-120 deg"}'
FROM = 'from = {x = "-3 m", y = "-1 m", z = "-1.2 m"}'
TO = 'to = {x = "-1 m", y = "1 m", z = "1.3 m"}'
SECOND = f'\n[[coupled_stops]]\nname = "spread"\nsum = {{boom_swing = 1, boom_lift = -0.5}}\n{LOWER}\n'
BOX = f'\n[[keep_out]]\nname = "second stand"\n{FROM}\n{TO}\n'


def with_line(old: str, new: str) -> str:
    """The arm with one line of its coupled stop or its box changed; each of them begins a line once."""
    assert ARM.count(f"\n{old}") == 1, old
    return ARM.replace(f"\n{old}", f"\n{new}")


def complaint(text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        read_profile(text.encode("utf-8"), "arm.toml")
    return str(caught.value)


def place(text: str, line: str, inside: str) -> str:
    """`LINE:COLUMN` of `inside` in the last line of the text that begins with `line`."""
    at = text.rindex(f"\n{line}") + 1
    column = text[at:].index(inside) + 1
    return f"{text[:at].count(chr(10)) + 1}:{column}"


def test_a_coupled_stop_and_a_box_are_read_in_exact_numbers() -> None:
    arm = read_profile(ARM.encode(), "arm.toml")

    assert arm.coupled_stops == (
        CoupledStop(
            name="fold",
            joints=("boom_lift", "elbow"),
            weights=(Fraction(1), Fraction(1)),
            lower=StopPair(soft_deg=Fraction(-117), hard_deg=Fraction(-120)),
            upper=None,
        ),
    )
    assert arm.keep_out == (
        KeepOut(
            name="operator's stand",
            lower_m=(Fraction(-3), Fraction(-1), Fraction(-6, 5)),
            upper_m=(Fraction(-1), Fraction(1), Fraction(13, 10)),
        ),
    )


def test_the_two_joints_stand_in_the_profiles_order_with_their_own_weights() -> None:
    text = with_line(SUM, "sum = {elbow = -0.125, boom_lift = 2.5}")
    text = text.replace(LOWER, 'upper = {soft = "60 deg", hard = "3 deg"}'.replace("3 deg", "65 deg"))
    stop = read_profile(text.encode(), "arm.toml").coupled_stops[0]

    assert stop.joints == ("boom_lift", "elbow")
    assert stop.weights == (Fraction(5, 2), Fraction(-1, 8))
    assert (stop.lower, stop.upper) == (None, StopPair(soft_deg=Fraction(60), hard_deg=Fraction(65)))


def test_both_sides_several_stops_and_boxes_are_read() -> None:
    text = ARM.replace(LOWER, LOWER + '\nupper = {soft = "40 deg", hard = "45 deg"}') + SECOND + BOX
    arm = read_profile(text.encode(), "arm.toml")

    assert [stop.name for stop in arm.coupled_stops] == ["fold", "spread"]
    assert arm.coupled_stops[0].upper == StopPair(soft_deg=Fraction(40), hard_deg=Fraction(45))
    assert [box.name for box in arm.keep_out] == ["operator's stand", "second stand"]


def test_a_profile_without_them_has_none() -> None:
    text = ARM[: ARM.index("[[coupled_stops]]")]
    arm = read_profile(text.encode(), "arm.toml")

    assert (arm.coupled_stops, arm.keep_out) == ((), ())


WRONG = {
    "an unknown joint": (
        SUM, "sum = {boom_lift = 1, elbo = 1}", "elbo",
        'coupled_stops[0].sum.elbo: the name "elbo" is not in [joints]; one of boom_swing, boom_lift, elbow, '
        'wrist_pitch, wrist_roll or clamp; did you mean "elbow"?',
    ),
    "a joint that turns for ever": (
        SUM, "sum = {boom_lift = 1, wrist_roll = 1}", "wrist_roll",
        "coupled_stops[0].sum.wrist_roll: wrist_roll turns for ever; both joints of a coupled stop have limited "
        "travel: a sum with an angle that starts anew after each turn has no stop; use other joints, or write travel = "
        '"limited" and stops for wrist_roll',
    ),
    "one joint": (
        SUM, "sum = {elbow = 1}", "sum",
        "coupled_stops[0].sum: 1 item; sum has 2 of them; add what is missing",
    ),
    "three joints": (
        SUM, "sum = {boom_lift = 1, elbow = 1, wrist_pitch = 1}", "sum",
        "coupled_stops[0].sum: 3 items; sum has 2 of them; remove what is too many",
    ),
    "a weight of nothing": (
        SUM, "sum = {boom_lift = 1, elbow = 0}", "0}",
        "coupled_stops[0].sum.elbow: the weight 0; both joints count in the sum: a weight is not 0; give the weight, "
        "or use soft_stops where one joint alone decides",
    ),
    "a weight finer than a thousandth": (
        SUM, "sum = {boom_lift = 0.3333, elbow = 1}", "0.3333",
        "coupled_stops[0].sum.boom_lift: 0.3333 has more than three decimals; the controller takes weights in "
        "thousandths; write 0.333 if the stops allow for the difference",
    ),
    "a weight that is too large": (
        SUM, "sum = {boom_lift = 10.001, elbow = 1}", "10.001",
        "coupled_stops[0].sum.boom_lift: the bare number 10.001 is out of range; boom_lift is -10 to 10; correct the "
        "value",
    ),
    "a weight with a unit": (
        SUM, 'sum = {boom_lift = "1 deg", elbow = 1}', '"1 deg"',
        'coupled_stops[0].sum.boom_lift: the text "1 deg"; here stands a number without a unit and without quotes; '
        "write for example boom_lift = 1",
    ),
    "a name that is no name": (
        SUM, 'sum = {"Boom lift" = 1, elbow = 1}', '"Boom lift"',
        'coupled_stops[0].sum."Boom lift": the name "Boom lift"; a name is 1 to 32 small letters, digits or _, and '
        'begins with a letter; write for example "boom_lift"',
    ),
    "a sum that is no table": (
        SUM, "sum = 1", "1",
        "coupled_stops[0].sum: the bare number 1; here stands a table; write for example sum = {boom_lift = 1, elbow "
        "= 1}",
    ),
    "no sum": (
        SUM, "# none", "[[",
        'coupled_stops[0]: key "sum" is missing; [[coupled_stops]] needs it (Two joints and the weight of each one\'s '
        "angle in the sum); add for example: sum = {boom_lift = 1, elbow = 1}",
    ),
    "no stop at all": (
        LOWER, "# none", "[[",
        "coupled_stops[0]: neither lower nor upper; a coupled stop has a lower stop, an upper one, or both; add for "
        'example: lower = {soft = "-80 deg", hard = "-90 deg"}',
    ),
    "hard inside soft": (
        LOWER, 'lower = {soft = "-90 deg", hard = "-88 deg"}', "{",
        'coupled_stops[0].lower: hard "-88 deg" is above soft "-90 deg"; hard is below soft; swap the two',
    ),
    "hard at soft": (
        LOWER, 'lower = {soft = "-90 deg", hard = "-90 deg"}', "{",
        'coupled_stops[0].lower: hard "-90 deg" is equal to soft "-90 deg"; hard is below soft; give the two ends of '
        "the range",
    ),
    "hard inside soft above": (
        LOWER, 'upper = {soft = "40 deg", hard = "35 deg"}', "{",
        'coupled_stops[0].upper: soft "40 deg" is above hard "35 deg"; soft is below hard; swap the two',
    ),
    "soft stops that cross": (
        LOWER, LOWER + '\nupper = {soft = "-118 deg", hard = "-70 deg"}', '"-118',
        'coupled_stops[0].upper.soft: "-118 deg" is not above that of lower, "-117 deg"; between its two soft stops '
        "the sum has room to move; correct one of the two, or its sign",
    ),
    "a soft stop without its hard one": (
        LOWER, 'lower = {soft = "-88 deg"}', "lower",
        'coupled_stops[0].lower: key "hard" is missing; [coupled_stops.lower] needs it (Where steel meets steel); add '
        'for example: hard = "-90 deg"',
    ),
    "an angle in another unit": (
        LOWER, 'lower = {soft = "-80 mm", hard = "-90 deg"}', '"-80',
        'coupled_stops[0].lower.soft: "mm" is a unit of length; an angle is given in deg; write for example "-80 deg"',
    ),
    "an angle beyond every range": (
        LOWER, 'lower = {soft = "-88 deg", hard = "-7201 deg"}', '"-7201',
        'coupled_stops[0].lower.hard: "-7201 deg" is out of range; hard is -7200 deg to 7200 deg; correct the value or '
        "its unit",
    ),
    "a stop that leaves no pose": (
        LOWER, 'lower = {soft = "80 deg", hard = "70 deg"}', '"80',
        'coupled_stops[0].lower.soft: "80 deg" leaves no pose: between their own soft stops the joints make -135 to 48 '
        "deg; some of those are inside the lower soft stop; correct the angle, or the signs of the weights",
    ),
    "a name in capitals": (
        'name = "fold"', 'name = "Fold"', '"Fold"',
        'coupled_stops[0].name: the text "Fold"; a name is 1 to 32 small letters, digits or _, and begins with a '
        'letter; write for example "fold"',
    ),
    "a key that is none": (
        LOWER, LOWER + "\nhard = 1", "hard",
        "coupled_stops[0].hard: not a key of this format; [[coupled_stops]] has name, sum, lower and upper; remove it, "
        "or put # before it",
    ),
    "corners swapped": (
        TO, 'to = {x = "-4 m", y = "1 m", z = "1.3 m"}', '"-4',
        'keep_out[0].to.x: "-4 m" is not above that of from, "-3 m"; x, y and z of to are each above those of from; '
        "swap the two values of x",
    ),
    "a box without a size": (
        TO, 'to = {x = "-1 m", y = "-1 m", z = "1.3 m"}', '"-1 m", z',
        'keep_out[0].to.y: "-1 m" is not above that of from, "-1 m"; x, y and z of to are each above those of from; '
        "give the box a size",
    ),
    "a corner with two values": (
        FROM, 'from = {x = "-3 m", y = "-1 m"}', "from",
        'keep_out[0].from: key "z" is missing; [keep_out.from] needs it (Up); add for example: z = "-1 m"',
    ),
    "a corner without a unit": (
        FROM, 'from = {x = "-3 m", y = -1, z = "-1.2 m"}', "-1,",
        'keep_out[0].from.y: the bare number -1 without a unit; a length is text with a unit: mm, cm, m, in or ft; '
        'write it with its unit, for example "-1 mm"',
    ),
    "a corner of an unknown unit": (
        FROM, 'from = {x = "-3 yd", y = "-1 m", z = "-1.2 m"}', '"-3',
        'keep_out[0].from.x: unit "yd" is not known; a length is given in mm, cm, m, in or ft; write for example '
        '"-3 m"',
    ),
    "a corner too far away": (
        FROM, 'from = {x = "-100.1 m", y = "-1 m", z = "-1.2 m"}', '"-100',
        'keep_out[0].from.x: "-100.1 m" is out of range; x is -100 m to 100 m; correct the value or its unit',
    ),
    "a box without a name": (
        'name = "operator\'s stand"', "# none", "[[",
        'keep_out[0]: key "name" is missing; [[keep_out]] needs it (What it keeps clear); add for example: name = '
        '"operator\'s stand"',
    ),
    "a box with an empty name": (
        'name = "operator\'s stand"', 'name = ""', '""',
        "keep_out[0].name: a text of 0 characters; name has 1 to 40 characters; correct the text",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", WRONG)
def test_a_mistake_is_named_with_its_place_what_is_allowed_and_what_to_do(case: str) -> None:
    old, new, inside, message = WRONG[case]
    text = with_line(old, new)
    line = new.rsplit("\n", maxsplit=1)[-1]
    if inside == "[[":  # a table that lacks something is meant as a whole
        line = "[[coupled_stops]]" if message.startswith("coupled") else "[[keep_out]]"

    assert complaint(text) == f"arm.toml:{place(text, line, inside)}: {message}"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            ARM + SECOND.replace("spread", "fold"),
            "coupled_stops[1].name: coupled_stops[0] already has the name fold; each coupled stop has a name of its "
            "own, by which findings speak of it; choose another name, or write lower and upper of one sum into one "
            "table",
        ),
        (
            ARM + SECOND.replace("boom_swing = 1, boom_lift = -0.5", "elbow = -2, boom_lift = -2"),
            "coupled_stops[1].sum: the same sum as in coupled_stops[0], or a multiple of it; each sum has one lower "
            "and one upper stop; keep the narrower stops, in one table",
        ),
        (
            ARM + BOX.replace("second stand", "operator's stand"),
            'keep_out[1].name: keep_out[0] already has the name "operator\'s stand"; each box has a name of its own, '
            "by which findings speak of it; choose another name",
        ),
        (
            ARM.replace('radius = "600 mm"', 'radius = "299 mm"'),
            'loads.rated.radius: "299 mm" is less than gyration "300 mm"; the ball holds all of the load, so no radius '
            "of gyration is larger; correct one of the two",
        ),
        (
            ARM.replace('length = "0 mm"\nradius = "300 mm"', 'length = "0 mm"\nradius = "99 mm"'),
            'joints.clamp.body.radius: "99 mm" leaves out its own centre, "100 mm" from the pivot; everything of the '
            "body lies within its radius of the line to the next pivot; correct radius, centre or length",
        ),
        (
            ARM.replace('radius = "8 in"', 'radius = "8 yards"'),
            'joints.elbow.body.radius: unit "yards" is not known; a length is given in mm, cm, m, in or ft; write for '
            'example "150 mm"',
        ),
    ],
)
def test_what_does_not_go_together_is_told(text: str, message: str) -> None:
    (line,) = complaint(text).splitlines()

    assert line.split(": ", 1)[1] == message


def test_a_radius_that_just_holds_the_centre_is_taken() -> None:
    text = ARM.replace('length = "0 mm"\nradius = "300 mm"', 'length = "0 mm"\nradius = "100 mm"')
    text = text.replace('radius = "600 mm"', 'radius = "300 mm"')

    assert read_profile(text.encode(), "arm.toml").joints[-1].body is not None


def test_a_body_whose_next_pivot_is_above_has_a_line_that_slopes() -> None:
    """Length 300, rise 400: a centre at 250 on x is 200 from that line."""
    body = 'mass = "45 kg"\ncentre = "100 mm"\nlength = "150 mm"\nradius = "150 mm"\n'
    sloping = 'mass = "45 kg"\ncentre = "250 mm"\nlength = "300 mm"\nrise = "400 mm"\nradius = "{}"\n'
    assert ARM.count(body) == 1

    assert read_profile(ARM.replace(body, sloping.format("200 mm")).encode(), "arm.toml").joints
    assert "leaves out its own centre" in complaint(ARM.replace(body, sloping.format("199.999 mm")))


def test_more_stops_than_the_controller_has_room_for_are_refused() -> None:
    pairs = [("boom_swing", "boom_lift"), ("boom_swing", "elbow"), ("boom_swing", "wrist_pitch"), ("elbow", "clamp")]
    stop = (
        '\n[[coupled_stops]]\nname = "stop{}"\nsum = {{{} = 1, {} = 1}}\n'
        'lower = {{soft = "-30 deg", hard = "-40 deg"}}\nupper = {{soft = "10 deg", hard = "20 deg"}}\n'
    )
    eight = ARM[: ARM.index("[[coupled_stops]]")] + "".join(
        stop.format(number, *pair) for number, pair in enumerate(pairs)
    )

    assert len(read_profile(eight.encode(), "arm.toml").coupled_stops) == 4
    text = eight + f'\n[[coupled_stops]]\nname = "fold"\n{SUM}\n{LOWER}\n'
    (line,) = complaint(text).splitlines()
    assert line.split(": ", 1)[1] == (
        "coupled_stops: 9 lower and upper stops in all; the controller has room for 8; leave out those that the "
        "joints' own stops or other sums keep anyway"
    )


def test_the_new_keys_are_in_the_key_table_with_their_units() -> None:
    shown = {(key.table, key.name): key for key in layout.format_keys()}

    assert shown["coupled_stops[]", "sum"].needed
    assert shown["coupled_stops[].sum", "NAME"].takes == "number"
    assert shown["coupled_stops[].sum", "NAME"].bounds == "-10 to 10"
    assert shown["coupled_stops[].lower", "soft"].takes == "deg"
    assert not shown["coupled_stops[]", "upper"].needed
    assert shown["keep_out[].from", "x"].takes == "mm, cm, m, in, ft"
    assert shown["keep_out[].to", "z"].needed
    for table in ("loads.NAME", "joints.NAME.body"):
        assert "Optional" in shown[table, "radius"].meaning
