"""Limits of dynamics: just inside holds, just outside is violated, the number advised holds when written, and what is
missing is not shown.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from check_case import context_of
from dynamics_case import weightless
from make_profile import changed, with_electric_joint, worked

from mapper.check.context import JointContext
from mapper.check.finding import Evidence, Finding, Status
from mapper.check.motion.hunting import hunting
from mapper.check.motion.loop_margin import loop_margin
from mapper.check.motion.natural_frequency import natural_frequency
from mapper.check.motion.pressure_peak import pressure_peak
from mapper.check.motion.stopping_distance import stopping_distance
from mapper.machine.arm.modes import ArmModes, arm_modes, natural_modes
from mapper.profile.profile import Body, Holding, Hoses, Profile

LEVER = "joints.0"
ADVISED = re.compile(r'joints\.lever\.([a-z_.]+) = "([0-9.]+) ([^"]+)"')
FIELDS = {
    "tolerances.natural_frequency": ("tolerances.natural_frequency_hz", 1),
    "follow.gain": ("follow.gain_per_s", 1),
    "follow.error_deadband": ("follow.error_deadband_deg", 1),
    "holding.port_relief": ("holding.port_relief_pa", 100_000),
    "holding.setting": ("holding.setting_pa", 100_000),
    "limits.deceleration": ("limits.deceleration_deg_s2", 1),
    "limits.stop_deceleration": ("limits.stop_deceleration_deg_s2", 1),
}


def stand(**changes: object) -> Profile:
    """The test stand, loaded, with every key that these limits need; changes by path with __ for the dots."""
    profile = worked("test-stand")
    joint = profile.joints[0]
    drive = replace(joint.drive, rated_pressure_pa=Fraction(25_000_000))
    limits = replace(joint.limits, stop_distance_m=Fraction(2))
    joint = replace(
        joint,
        drive=drive,
        limits=limits,
        hoses=Hoses(length_m=Fraction(2), bore_m=Fraction(95, 10_000), rated_pressure_pa=Fraction(28_000_000)),
        holding=Holding(
            kind="counterbalance",
            setting_pa=Fraction(20_000_000),
            pilot_ratio=Fraction(4),
            port_relief_pa=Fraction(22_000_000),
        ),
        body=Body(mass_kg=Fraction(30), centre_m=Fraction(3, 10), length_m=Fraction(6, 10)),
    )
    profile = replace(profile, joints=(joint,))
    for path, value in changes.items():
        profile = changed(profile, f"{LEVER}.{path.replace('__', '.')}", value)
    return profile


def context(profile: Profile) -> JointContext:
    return context_of(profile, "lever")


def written(profile: Profile, finding: Finding) -> Profile:
    """The profile with every number that the advice names."""
    found = ADVISED.findall(finding.advice)
    assert found, finding.advice
    for key, value, _ in found:
        way = re.fullmatch(r"limits\.(\w+)\.(positive|negative)", key)
        path, scale = (f"limits.{way[1]}_deg_s.{way[2]}", 1) if way else FIELDS[key]
        profile = changed(profile, f"{LEVER}.{path}", Fraction(value) * scale)
    return profile


def must_be_mended(limit, profile: Profile) -> Finding:
    """Violated, and what is advised makes it hold."""
    bad = limit(context(profile))
    good = limit(context(written(profile, bad)))

    assert bad.status is Status.VIOLATED
    assert good.status is Status.HOLDS, (bad.advice, good.worst, good.bound)
    assert good.advice == ""
    return good


ALL = (natural_frequency, loop_margin, hunting, pressure_peak, stopping_distance)


@pytest.mark.parametrize("limit", ALL)
def test_a_sound_joint_holds_with_worst_case_and_explanation(limit):
    found = limit(context(stand()))

    assert found.status is Status.HOLDS
    assert found.limit == limit.__name__
    assert found.evidence is (Evidence.SEARCH if limit is loop_margin else Evidence.COMPUTED)
    assert found.cases > 0
    assert found.margin >= 0
    assert found.explanation is not None
    assert found.explanation.source
    assert all(isinstance(one.value, str) or math.isfinite(one.value) for one in found.explanation.given)
    if limit in (natural_frequency, pressure_peak, stopping_distance):
        assert re.search(r"at -?[0-9.]+ deg with load \w+", found.detail)


def number(finding: Finding, symbol: str) -> float:
    return next(float(one.value) for one in finding.explanation.given if one.symbol == symbol)


# -- natural frequency --------------------------------------------------------------------------------------------


def test_stated_frequency_may_be_no_higher_than_computed():
    worst = natural_frequency(context(stand())).worst
    for share, status in ((0.999, Status.HOLDS), (1.001, Status.VIOLATED)):
        stated = Fraction(round(worst * share * 1000), 1000)
        found = natural_frequency(context(stand(tolerances__natural_frequency_hz=stated)))

        assert found.status is status
    must_be_mended(natural_frequency, stand(tolerances__natural_frequency_hz=Fraction(40)))


def test_frequency_follows_from_the_numbers_explained():
    found = natural_frequency(context(stand()))
    stiff = [
        number(found, "beta") * 1e9 * (number(found, f"D{s}") * 1e-6) ** 2 / (number(found, f"V{s}") * 1e-3)
        for s in "cr"
    ]
    total = min(stiff) + number(found, "kg") * 1e3

    assert total == pytest.approx(number(found, "K") * 1e3, rel=1e-6)
    assert math.sqrt(total / number(found, "I")) / (2 * math.pi) == pytest.approx(found.worst, rel=1e-5)


def test_smaller_bore_or_longer_hose_lowers_the_frequency():
    base = natural_frequency(context(stand())).worst

    assert natural_frequency(context(stand(hoses__length_m=Fraction(8)))).worst < base
    thin = stand(drive__bore_m=Fraction(30, 1000), drive__rod_m=Fraction(16, 1000))
    assert natural_frequency(context(thin)).worst < base


# -- loop ---------------------------------------------------------------------------------------------------------


def test_gain_too_high_names_the_gain_that_holds():
    good = must_be_mended(loop_margin, stand(follow__gain_per_s=Fraction(12)))

    assert "the highest gain that keeps both" in good.detail
    kept = float(re.search(r"keeps both is ([0-9.]+) 1/s", good.detail)[1])
    over = loop_margin(context(stand(follow__gain_per_s=Fraction(round(kept * 1.05 * 1000), 1000))))
    assert over.status is Status.VIOLATED


def test_loop_takes_the_lower_of_stated_and_computed_frequency():
    computed = natural_frequency(context(stand())).worst
    above = loop_margin(context(stand(tolerances__natural_frequency_hz=Fraction(60))))
    below = loop_margin(context(stand(tolerances__natural_frequency_hz=Fraction(1))))

    assert f"from {computed:.3g} Hz" in above.detail
    assert "from 1 Hz" in below.detail
    assert below.worst < above.worst or below.unit != above.unit


def test_loop_says_when_its_frequency_is_only_stated():
    found = loop_margin(context(stand(hoses=None)))

    assert "stated, not computed" in found.detail


# -- hunting ------------------------------------------------------------------------------------------------------


def test_deadband_too_narrow_to_stop_in_names_one_that_is_wide_enough():
    narrow = stand(follow__error_deadband_deg=Fraction(3, 100), follow__gain_per_s=Fraction(3))
    good = must_be_mended(hunting, narrow)

    assert good.bound > good.worst > 0


def test_a_slow_valve_hunts_sooner():
    base = hunting(context(stand()))
    slow = hunting(context(stand(tolerances__lag_s__upper=Fraction(3, 10))))
    loose = hunting(context(stand(tolerances__hysteresis=Fraction(12, 100))))

    assert slow.worst > 1.5 * base.worst
    assert loose.worst > 1.2 * base.worst


def test_run_on_follows_from_the_numbers_explained():
    found = hunting(context(stand()))
    way = number(found, "v") * (number(found, "t") + number(found, "r") / 2) * 1e-3

    assert way + number(found, "v max|h|") + number(found, "c") == pytest.approx(found.worst, rel=1e-6)
    assert found.bound == pytest.approx(2 * number(found, "d") - number(found, "c"), rel=1e-6)


# -- pressure peak ------------------------------------------------------------------------------------------------


def test_sudden_stop_without_relief_names_the_relief_to_fit():
    bare = stand(holding__port_relief_pa=None)
    found = pressure_peak(context(bare))

    assert "holding.port_relief" in found.advice
    must_be_mended(pressure_peak, bare)


def test_setting_above_the_rating_names_a_lower_one():
    must_be_mended(pressure_peak, stand(holding__setting_pa=Fraction(40_000_000), holding__port_relief_pa=None))
    high = stand(
        holding=Holding(kind="port_relief", setting_pa=Fraction(20_000_000), pilot_ratio=None),
        drive__rated_pressure_pa=Fraction(8_000_000),
    )
    assert "holding.setting" in pressure_peak(context(high)).advice
    must_be_mended(pressure_peak, high)


def test_ramp_too_steep_for_the_relief_names_one_that_is_not():
    steep = stand(
        limits__stop_deceleration_deg_s2=Fraction(4000),
        limits__deceleration_deg_s2=Fraction(3000),
        holding__setting_pa=Fraction(8_000_000),
        holding__port_relief_pa=Fraction(8_000_000),
    )
    found = pressure_peak(context(steep))

    assert found.detail.startswith("nearest: ramp")
    must_be_mended(pressure_peak, steep)


def test_a_check_valve_without_relief_caps_nothing():
    shut = stand(holding=Holding(kind="pilot_check", setting_pa=None, pilot_ratio=Fraction(4)))
    found = pressure_peak(context(shut))

    assert found.status is Status.VIOLATED
    assert "no relief caps" in found.detail
    assert 'kind = "double_counterbalance" with joints.lever.holding.setting = "230 bar"' in found.advice
    mended = Holding(kind="double_counterbalance", setting_pa=Fraction(23_000_000), pilot_ratio=Fraction(4))
    assert pressure_peak(context(stand(holding=mended))).status is Status.HOLDS


def test_peak_is_capped_by_the_relief_and_not_by_it_without_need():
    peaks = [
        float(re.search(r"sudden stop, rod side ([0-9.]+) bar", pressure_peak(context(profile)).detail)[1])
        for profile in (
            stand(),
            stand(holding__port_relief_pa=Fraction(18_000_000)),
            stand(holding__port_relief_pa=None),
        )
    ]

    assert peaks[0] == pytest.approx(220)
    assert peaks[1] == pytest.approx(180)
    assert peaks[2] > 220


@pytest.mark.parametrize("path", ["drive__rated_pressure_pa", "hoses__rated_pressure_pa"])
def test_peak_is_not_shown_without_ratings(path):
    found = pressure_peak(context(stand(**{path: None})))

    assert found.status is Status.NOT_SHOWN
    assert path.removesuffix("_pa").replace("__", ".") in found.advice


# -- stopping distance --------------------------------------------------------------------------------------------


def test_distance_is_compared_with_the_room_that_is_kept():
    worst = stopping_distance(context(stand())).worst
    for share, status in ((1.001, Status.HOLDS), (0.999, Status.VIOLATED)):
        room = Fraction(round(worst * share * 1000), 1_000_000)

        assert stopping_distance(context(stand(limits__stop_distance_m=room))).status is status


def test_too_little_room_names_the_speeds_that_keep_it():
    worst = stopping_distance(context(stand())).worst
    good = must_be_mended(stopping_distance, stand(limits__stop_distance_m=Fraction(round(worst / 2), 1000)))

    assert good.worst > 0.8 * good.bound


def test_room_for_nothing_says_so():
    found = stopping_distance(context(stand(limits__stop_distance_m=Fraction(1, 10_000))))

    assert "no lower speed" in found.advice


def test_every_kind_of_stop_of_the_machine_is_told():
    profile = stand()
    plain = stopping_distance(context(profile)).detail
    stop = replace(profile.emergency_stop, category=1, delayed_off_relay_s=Fraction(8, 10))
    ramped = stopping_distance(context(replace(profile, emergency_stop=stop))).detail

    assert "letting go" in plain
    assert "category 0 or fault" in plain
    assert "category 1" not in plain
    assert "category 1" in ramped
    assert re.search(r"in [0-9]+ ms", plain)


def test_without_the_key_the_distance_is_told_and_not_shown():
    found = stopping_distance(context(stand(limits__stop_distance_m=None)))
    room = float(re.search(r'at least "([0-9.]+) mm"', found.advice)[1])

    assert found.status is Status.NOT_SHOWN
    assert "limits.stop_distance" in found.advice
    held = stopping_distance(context(stand(limits__stop_distance_m=Fraction(str(room)) / 1000)))
    assert held.status is Status.HOLDS
    assert held.worst > room - 10


# -- what is missing or does not apply ----------------------------------------------------------------------------


@pytest.mark.parametrize("limit", [natural_frequency, pressure_peak, stopping_distance])
def test_without_hoses_or_body_nothing_is_shown(limit):
    for profile, key in ((stand(hoses=None), "joints.lever.hoses"), (weightless(stand()), "joints.lever.body")):
        found = limit(context(profile))

        assert found.status is Status.NOT_SHOWN
        assert key in found.advice
        assert found.worst is None


def test_a_lever_that_sets_speed_has_no_loop_to_hunt():
    profile = worked("kerb-arm")
    clamp = context_of(profile, "clamp")

    assert loop_margin(clamp) is None
    assert hunting(clamp) is None


def test_an_electric_joint_has_no_oil_and_still_stops():
    profile = with_electric_joint()
    profile = changed(profile, f"{LEVER}.limits.stop_distance_m", Fraction(2))
    profile = changed(profile, f"{LEVER}.holding", Holding(kind="brake", setting_pa=None, pilot_ratio=None))
    profile = changed(profile, f"{LEVER}.hoses", None)
    profile = changed(profile, f"{LEVER}.body", stand().joints[0].body)
    electric = context(profile)

    assert natural_frequency(electric) is None
    assert pressure_peak(electric) is None
    assert loop_margin(electric).status is Status.HOLDS
    assert stopping_distance(electric).status is Status.HOLDS
    assert "bar" not in stopping_distance(electric).detail


# -- joints that swing together -----------------------------------------------------------------------------------


def stated(name: str, hertz: Fraction) -> JointContext:
    profile = worked("kerb-arm")
    index = [joint.name for joint in profile.joints].index(name)
    return context_of(changed(profile, f"joints.{index}.tolerances.natural_frequency_hz", hertz), name)


def test_joints_together_swing_slower_than_alone_and_that_is_told_beside_it():
    mode = arm_modes(worked("kerb-arm")).modes["boom_lift"]
    found = natural_frequency(stated("boom_lift", Fraction(19, 10)))
    told = float(re.search(r"swinging with the others: ([0-9.]+) Hz", found.detail)[1])
    numbers = {one.symbol: one.value for one in found.explanation.given}

    assert found.evidence is Evidence.COMPUTED
    assert mode.hz < found.worst - 0.1
    assert told == pytest.approx(mode.hz, rel=5e-3)
    assert numbers["fm"] == pytest.approx(mode.hz)
    assert numbers["f"] == pytest.approx(found.worst, abs=1e-6)
    assert f"with load {mode.load_name}" in found.detail
    assert "search on a grid" in found.detail
    assert "no source" in found.detail
    assert re.search(r"boom_lift -?[0-9]+ deg, elbow -?[0-9]+ deg", found.detail)


def test_own_commands_are_covered_by_the_frequency_of_the_joint_alone():
    """Without gravity: over the modes, the shares weigh 1 / w^2 to that of the joint alone, and 1 / w to no more."""
    rng = np.random.default_rng(5)
    root = rng.normal(size=(200, 4, 4))
    mass, oil = root @ np.swapaxes(root, 1, 2) + 0.1 * np.eye(4), rng.uniform(10.0, 1000.0, (200, 4))
    hertz, shares = natural_modes(mass, oil, np.zeros((200, 4, 4)))
    turn = 2.0 * math.pi * hertz
    alone = np.sqrt(oil / np.diagonal(mass, axis1=1, axis2=2))

    assert np.sum(shares / turn[:, :, None] ** 2, axis=1) == pytest.approx(1.0 / alone**2, rel=1e-6)
    assert np.all(np.sum(shares / turn[:, :, None], axis=1) <= 1.0 / alone * (1.0 + 1e-9))


@pytest.mark.parametrize("name", ["boom_swing", "boom_lift", "elbow", "wrist_pitch", "wrist_roll"])
def test_frequency_advised_holds_and_is_near(name):
    bad = natural_frequency(stated(name, Fraction(30)))
    advised = Fraction(re.search(r'natural_frequency = "([0-9.]+) Hz"', bad.advice)[1])

    assert natural_frequency(stated(name, advised)).status is Status.HOLDS
    assert natural_frequency(stated(name, advised + Fraction(2, 100))).status is Status.VIOLATED


def test_a_joint_that_is_softer_alone_keeps_its_bound_and_its_evidence(monkeypatch):
    mode = arm_modes(worked("kerb-arm")).modes["boom_lift"]
    high = ArmModes(modes={"boom_lift": replace(mode, hz=50.0)}, rigid=(), poses=7)
    monkeypatch.setattr("mapper.check.motion.natural_frequency.arm_modes", lambda profile: high)
    found = natural_frequency(stated("boom_lift", Fraction(1)))

    assert found.evidence is Evidence.COMPUTED
    assert 1.7 < found.worst < 50.0
    assert "50 Hz" in found.detail
    assert found.cases != 7


def test_what_is_taken_as_rigid_for_want_of_hoses_is_said():
    profile = changed(worked("kerb-arm"), "joints.2.hoses", None)
    found = natural_frequency(context_of(profile, "boom_lift"))

    assert "elbow taken as rigid" in found.detail


def test_loop_takes_the_frequency_of_the_joints_together():
    mode = arm_modes(worked("kerb-arm")).modes["boom_lift"]
    found = loop_margin(stated("boom_lift", Fraction(30)))

    assert f"from {mode.hz:.3g} Hz" in found.detail
