"""Slips that newcomers make with numbers, units and quotes: the whole message, whose remedy can be copied as it is."""

from __future__ import annotations

from pathlib import Path

import pytest

from mapper.profile import ProfileError, read_profile

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
STAND = (PROFILES / "test-stand.toml").read_text(encoding="utf-8")
BORE = 'bore = "40 mm"'
EFFICIENCY = 'efficiency = "92 %"'
LOWER = 'soft_stops = {lower = "-30 deg"'
RELIEF = 'relief_pressure = "80 bar"'
_LENGTH = "a length has one number, one space and one of mm, cm, m, in or ft"
_MARK = "the decimal mark is a point and digits are not grouped"
_STRAIGHT = "a text stands between two straight quotes, not curly ones"


def complaint(old: str, new: str) -> str:
    assert STAND.count(old) >= 1
    with pytest.raises(ProfileError) as caught:
        read_profile(STAND.replace(old, new, 1).encode("utf-8"), "stand.toml")
    return str(caught.value)


COMMAS = [
    (
        RELIEF,
        'relief_pressure = "1,000 psi"',
        f'18:19: supply.relief_pressure: "1,000 psi" has a comma in its number; {_MARK}; '
        'write "1000 psi" if the comma groups digits, "1.000 psi" if it is the decimal mark',
    ),
    (
        BORE,
        'bore = "0,040 m"',
        f'111:8: joints.lever.drive.bore: "0,040 m" has a comma in its number; {_MARK}; write "0.040 m"',
    ),
    (
        BORE,
        'bore = "1.000,5 mm"',
        f'111:8: joints.lever.drive.bore: "1.000,5 mm" has a comma in its number; {_MARK}; write "1000.5 mm"',
    ),
    (
        BORE,
        'bore = "1,000,000 mm"',
        f'111:8: joints.lever.drive.bore: "1,000,000 mm" has a comma in its number; {_MARK}; write "1000000 mm"',
    ),
    (
        BORE,
        'bore = "1,2,3 mm"',
        f'111:8: joints.lever.drive.bore: "1,2,3 mm" has a comma in its number; {_MARK}; write for example "63 mm"',
    ),
    (
        BORE,
        'bore = "1 000 mm"',
        '111:8: joints.lever.drive.bore: "1 000 mm" has its digits grouped; the digits of a number stand together; '
        'write "1000 mm"',
    ),
    (
        "pilot_ratio = 4",
        "pilot_ratio = 4,5",
        f"193:15: joints.lever.holding.pilot_ratio: 4,5 has a comma in its number; {_MARK}; write pilot_ratio = 4.5",
    ),
    (
        "pilot_ratio = 4",
        "pilot_ratio = 4,5 # as stamped",
        f"193:15: joints.lever.holding.pilot_ratio: 4,5 has a comma in its number; {_MARK}; write pilot_ratio = 4.5",
    ),
    (
        "count_max = 4095",
        "count_max = 4,095",
        f"29:13: controller.count_max: 4,095 has a comma in its number; {_MARK}; "
        "write count_max = 4095 if the comma groups digits, count_max = 4.095 if it is the decimal mark",
    ),
    (
        BORE,
        "bore = 4,5 mm",
        "111:8: joints.lever.drive.bore: 4,5 mm without quotes; a value with a unit is text in double quotes; "
        'write bore = "4.5 mm"',
    ),
]

QUOTES = [
    (BORE, "bore = “40 mm”", f'111:8: joints.lever.drive.bore: the wrong quotes around "40 mm"; {_STRAIGHT}; '
     'write bore = "40 mm"'),
    (BORE, 'bore = "40 mm”', f'111:8: joints.lever.drive.bore: the wrong quotes around "40 mm"; {_STRAIGHT}; '
     'write bore = "40 mm"'),
    (BORE, "bore = ‘40 mm’", f'111:8: joints.lever.drive.bore: the wrong quotes around "40 mm"; {_STRAIGHT}; '
     'write bore = "40 mm"'),
    (LOWER, "soft_stops = {lower = “-30 deg”", '163:23: joints.lever.limits.soft_stops: the wrong quotes around '
     f'"-30 deg"; {_STRAIGHT}; write lower = "-30 deg"'),
    (BORE, "bore = “40 mm", f"111:8: joints.lever.drive.bore: a quote of the wrong kind; {_STRAIGHT}; "
     "write the quotes again with a plain text editor"),
    (BORE, 'bore = "“40 mm”"', '111:8: joints.lever.drive.bore: "“40 mm”" has quotes inside its quotes; '
     f'{_LENGTH}; write "40 mm"'),
]  # fmt: skip

UNITS = [
    (
        EFFICIENCY,
        'efficiency = "0.92"',
        '116:14: joints.lever.drive.efficiency: "0.92" has no unit; a share has one number, one space and one of %; '
        'write "92 %"',
    ),
    (
        EFFICIENCY,
        "efficiency = 0.925",
        "116:14: joints.lever.drive.efficiency: the bare number 0.925 without a unit; a share is text with a unit: %; "
        'write "92.5 %"',
    ),
    (
        EFFICIENCY,
        'efficiency = "1"',
        '116:14: joints.lever.drive.efficiency: "1" has no unit; a share has one number, one space and one of %; '
        'write "100 %" if full scale is meant, else "1 %"',
    ),
    (
        EFFICIENCY,
        'efficiency = "92"',
        '116:14: joints.lever.drive.efficiency: "92" has no unit; a share has one number, one space and one of %; '
        'write "92 %"',
    ),
    (
        LOWER,
        'soft_stops = {lower = "-30°"',
        '163:23: joints.lever.limits.soft_stops.lower: "-30°" has no space before the unit; '
        'an angle has one number, one space and one of deg; write "-30 deg"',
    ),
    (
        LOWER,
        "soft_stops = {lower = -30°",
        "163:23: joints.lever.limits.soft_stops: -30 ° without quotes; a value with a unit is text in double quotes; "
        'write lower = "-30 deg"',
    ),
    (
        LOWER,
        'soft_stops = {lower = "−30 deg"',
        '163:23: joints.lever.limits.soft_stops.lower: "−30 deg" has a character that is not ASCII in its number; '
        'an angle has one number, one space and one of deg; write "-30 deg"',
    ),
    (
        LOWER,
        'soft_stops = {lower = "-30 deg/s"',
        '163:23: joints.lever.limits.soft_stops.lower: "deg/s" is a unit of turning speed; an angle is given in deg; '
        'write "-30 deg" if that is what is meant',
    ),
    (
        'rated_flow = "10 l/min"',
        'rated_flow = "10lpm"',
        '128:14: joints.lever.valve.rated_flow: "10lpm" has no space before the unit; '
        'a flow has one number, one space and one of l/min, gpm, l/s, cm3/s or m3/s; write "10 l/min"',
    ),
    (
        BORE,
        'bore = "40 furlong"',
        '111:8: joints.lever.drive.bore: unit "furlong" is not known; a length is given in mm, cm, m, in or ft; '
        'write for example "63 mm"',
    ),
]

BOUNDS = [
    (
        BORE,
        'bore = "50 cm"',
        '111:8: joints.lever.drive.bore: "50 cm" (500 mm) is out of range; bore is 10 mm to 400 mm; '
        "correct the value or its unit",
    ),
    (
        'rod = "22 mm"',
        'rod = "0.022 mm"',
        '112:7: joints.lever.drive.rod: "0.022 mm" is out of range; rod is 4 mm to 300 mm; '
        "correct the value or its unit",
    ),
    (
        'stroke = "140 mm"',
        'stroke = "140 m"',
        '113:10: joints.lever.drive.stroke: "140 m" is out of range; stroke is 5 mm to 10 m; '
        "correct the value or its unit",
    ),
    (
        'closed_length = "246 mm"',
        'closed_length = "246 ft"',
        '114:17: joints.lever.drive.closed_length: "246 ft" (74.9808 m) is out of range; '
        "closed_length is 50 mm to 10 m; correct the value or its unit",
    ),
    (
        RELIEF,
        'relief_pressure = "80 MPa"',
        '18:19: supply.relief_pressure: "80 MPa" (800 bar) is out of range; relief_pressure is 1 bar to 700 bar; '
        "correct the value or its unit",
    ),
    (
        'rated_flow = "10 l/min"',
        'rated_flow = "10 cm3/s"',
        None,  # 0.6 l/min: small, but there are such valves
    ),
    (
        'rated_flow = "10 l/min"',
        'rated_flow = "1 cm3/s"',
        '128:14: joints.lever.valve.rated_flow: "1 cm3/s" (0.06 l/min) is out of range; '
        "rated_flow is 0.1 l/min to 1000 l/min; correct the value or its unit",
    ),
    (
        'tick = "5 ms"',
        'tick = "5 us"',
        '27:8: controller.tick: "5 us" (0.005 ms) is out of range; tick is 1 ms to 20 ms; '
        "correct the value or its unit",
    ),
    (
        'speed = {positive = "30 deg/s"',
        'speed = {positive = "40 rev/min"',
        '157:21: joints.lever.limits.speed.positive: "40 rev/min" (240 deg/s) is out of range; '
        "positive is above 0 deg/s, at most 200 deg/s; correct the value or its unit",
    ),
]


@pytest.mark.parametrize(("old", "new", "message"), COMMAS + QUOTES + UNITS + [case for case in BOUNDS if case[2]])
def test_a_slip_is_answered_with_what_was_probably_meant(old: str, new: str, message: str) -> None:
    assert complaint(old, new) == f"stand.toml:{message}"


@pytest.mark.parametrize(("old", "new"), [case[:2] for case in BOUNDS if case[2] is None])
def test_a_small_but_possible_value_is_read(old: str, new: str) -> None:
    assert read_profile(STAND.replace(old, new, 1).encode(), "stand.toml").joints


@pytest.mark.parametrize("radius", ["base_radius", "rod_radius"])
@pytest.mark.parametrize("value", ["9 mm", "5001 mm"])
def test_a_radius_is_10_mm_to_5_m(radius: str, value: str) -> None:
    start = STAND.index(f'{radius} = "')
    line = STAND[start : STAND.index("\n", start)].split("  ")[0]

    assert f"is out of range; {radius} is 10 mm to 5 m; correct the value or its unit" in complaint(
        line, f'{radius} = "{value}"'
    )


def test_tabs_and_wide_characters_count_as_one_column_each() -> None:
    """The wide text is 4 columns on a terminal and 6 bytes in the file, the tab up to 8 columns: 1 each here."""
    text = STAND.replace(LOWER, 'soft_stops = {"漢字"\t=\t"é",\tlower = "-30"', 1)
    with pytest.raises(ProfileError) as caught:
        read_profile(text.encode("utf-8"), "stand.toml")
    line = next(line for line in text.split("\n") if "漢字" in line)
    places = [(message.line, message.column) for message in caught.value.messages]

    assert places == [(163, line.index('"漢字"') + 1), (163, line.index('"-30"') + 1)] == [(163, 15), (163, 35)]
