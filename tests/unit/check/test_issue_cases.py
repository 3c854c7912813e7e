"""Five ways to spoil a machine: each is found under its own name before anything that follows from it, and the number
that the finding names, written into the profile, mends it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import pi

import pytest
from check_case import KERB, STAND, bad, check_text, context_of, finding, profile_of, text_of, with_value

from mapper.check import Finding, Status
from mapper.check.explain import explanation_of
from mapper.check.motion.loop_margin import loop_margin
from mapper.check.motion.pressure_peak import pressure_peak

ADVISED = re.compile(r'((?:joints|supply)\.[\w.]+) = ("[^"]*")')
RAMPS = ("deceleration", "stop_deceleration")
MM = 25.4


@dataclass(frozen=True, kw_only=True)
class Case:
    """Values written by path; the limit that has to find it; the paths of the values that mend it."""

    spoilt: dict[str, str]
    limit: str
    joint: str | None
    mend: tuple[str, ...]
    follows: tuple[tuple[str, str | None], ...] = ()  # what else is found, and rightly
    profile: str = KERB


CASES = {
    # 50 mm too near to the joint's pivot: the cylinder is not short enough for the full curl any more.
    "base pivot in the wrong place": Case(
        spoilt={"joints.elbow.drive.base_radius": '"30.3 in"'},
        limit="travel",
        joint="elbow",
        mend=("joints.elbow.drive.base_radius",),
    ),
    # A little less area is a softer spring of oil, too.
    "undersized bore": Case(
        spoilt={"joints.elbow.drive.bore": '"3 in"'},
        limit="force",
        joint="elbow",
        mend=("joints.elbow.drive.bore",),
        follows=(("natural_frequency", "elbow"), ("motion_watches", "elbow")),
    ),
    "pump too small": Case(
        spoilt={"supply.flow": '"45 l/min"'},
        limit="pump_share",
        joint=None,
        mend=("supply.flow",),
    ),
    # What it asks for at the deadband's edge grows with the gain, and is too fast to stop inside.
    "gain too high": Case(
        spoilt={"joints.lever.follow.gain": '"5.0 1/s"'},
        limit="loop_margin",
        joint="lever",
        mend=("joints.lever.follow.gain",),
        follows=(("hunting", "lever"),),
        profile=STAND,
    ),
    # A joint that turns for ever has no stop to overrun: what is left of a steep ramp is the pressure of the load that
    # it slows, which the counterbalances would let go.
    "ramp too steep": Case(
        spoilt={f"joints.wrist_roll.limits.{name}": '"2000 deg/s2"' for name in RAMPS},
        limit="pressure_peak",
        joint="wrist_roll",
        mend=tuple(f"joints.wrist_roll.limits.{name}" for name in RAMPS),
    ),
}


def with_values(text: str, values: dict[str, str]) -> str:
    for path, value in values.items():
        text = with_value(text, path, value)
    return text


def spoilt(name: str) -> str:
    return with_values(text_of(CASES[name].profile), CASES[name].spoilt)


def found_in(name: str) -> Finding:
    case = CASES[name]
    return finding(check_text(spoilt(name)), case.limit, case.joint)


def advised(found: Finding) -> dict[str, str]:
    return dict(ADVISED.findall(found.advice))


@pytest.mark.deep
@pytest.mark.parametrize("name", CASES)
def test_a_spoilt_profile_is_found_by_its_own_limit_first_and_the_number_named_mends_it(name):
    case, text = CASES[name], spoilt(name)
    found = found_in(name)
    numbers = {path: advised(found)[path] for path in case.mend}

    assert bad(check_text(text)) == [(case.limit, case.joint), *case.follows]
    assert found.status is Status.VIOLATED
    assert found.margin is not None
    assert found.margin < 0
    assert bad(check_text(with_values(text, numbers))) == []


@pytest.mark.parametrize(
    ("name", "meaning", "value"),
    [
        ("base pivot in the wrong place", "base_radius", 30.3 * MM),
        ("pump too small", "flow of the pump", 45.0),
        ("gain too high", "gain", 5.0),
        ("ramp too steep", "steepest ramp of the command", 2000.0),
    ],
)
def test_the_explanation_shows_the_value_that_spoils_it(name, meaning, value):
    """As --explain prints it: bare numbers, in the unit that stands beside them."""
    words = explanation_of(found_in(name))

    assert words.formula
    assert words.source
    assert [one.value for one in words.given if one.meaning == meaning] == [pytest.approx(value)]


def test_the_explanation_of_the_force_has_the_small_bore_in_its_oil():
    """Oil for 1 rad is area times lever arm: of a 3 in bore on one side, less the 1.772 in rod on the other."""
    shown = {one.symbol: float(one.value) for one in explanation_of(found_in("undersized bore")).given
             if not isinstance(one.value, str)}  # fmt: skip
    bore_mm2, rod_mm2 = (pi / 4 * (inches * MM) ** 2 for inches in (3.0, 1.772))
    areas_mm2 = sorted(shown[symbol] * 1000 / shown["L"] for symbol in ("Vi", "Vo"))

    assert areas_mm2 == pytest.approx([bore_mm2 - rod_mm2, bore_mm2], rel=1e-3)


def test_the_pivot_is_told_with_how_far_the_joint_is_short_and_which_way_to_move_it():
    """32.28 in of the worked profile are 819.9 mm, 30.3 in are 769.6; a little of the travel there is to spare."""
    found = found_in("base pivot in the wrong place")
    way = re.search(r"pivot on the base side ([\d.]+) mm away from the joint's pivot", found.advice)

    assert "hard stops -118 to 0 deg, 118 deg asked for" in found.detail
    assert "worst at -118 deg" in found.detail
    assert found.unit == "deg"
    assert way is not None
    assert 0 < float(way[1]) <= 819.9 - 769.6


def test_the_pump_advised_is_the_smallest_of_its_step():
    """0.1 l/min is the step; the profile asks for half of what all joints take."""
    found = found_in("pump too small")
    asked = re.search(r"asks for ([\d.]+) l/min in all", found.detail)

    assert asked is not None
    pump = float(advised(found)["supply.flow"].strip('"').removesuffix(" l/min"))
    assert pump - 0.1 < float(asked[1]) / 2 + 0.05 <= pump + 0.05  # asked for is printed to 0.1


def test_the_gain_advised_is_the_highest_of_its_step():
    path = "joints.lever.follow.gain"
    gain = float(advised(found_in("gain too high"))[path].strip('"').removesuffix(" 1/s"))

    for tried, status in ((gain, Status.HOLDS), (round(gain + 0.01, 2), Status.VIOLATED)):
        found = loop_margin(context_of(profile_of(with_value(text_of(STAND), path, f'"{tried} 1/s"')), "lever"))
        assert found is not None
        assert found.status is status


def test_the_ramp_advised_is_the_steepest_of_its_step():
    path = "joints.wrist_roll.limits.deceleration"
    rate = float(advised(found_in("ramp too steep"))[path].strip('"').removesuffix(" deg/s2"))

    for tried, status in ((rate, Status.HOLDS), (round(rate + 0.1, 1), Status.VIOLATED)):
        text = with_value(text_of(KERB), path, f'"{tried} deg/s2"')
        found = pressure_peak(context_of(profile_of(text), "wrist_roll"))
        assert found is not None
        assert found.status is status


def test_a_steep_ramp_is_found_by_its_pressure_and_not_by_the_stops():
    """The boom's swing: the braking curve allows for the larger swing on the oil spring, so that its stops still hold;
    the pressure that slows arm and stone opens the valves that hold them.
    """
    text = with_values(text_of(KERB), {f"joints.boom_swing.limits.{name}": '"105 deg/s2"' for name in RAMPS})
    result = check_text(text)

    assert ("pressure_peak", "boom_swing") in bad(result)
    assert not any(limit.startswith("soft_stop_overrun") for limit, _ in bad(result))
    found = finding(result, "pressure_peak", "boom_swing")
    assert "nearest: ramp, rod side" in found.detail
    assert set(advised(found)) == {f"joints.boom_swing.limits.{name}" for name in RAMPS}
    assert ("pressure_peak", "boom_swing") not in bad(check_text(with_values(text, advised(found))))
