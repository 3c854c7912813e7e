"""Machines that hurt people, made from the worked ones by one change each: the limit that must see it does."""

from __future__ import annotations

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from check_case import context_of
from make_profile import changed, joint_named, worked

from mapper.check.finding import Status
from mapper.check.hydraulics.buckling import buckling
from mapper.check.hydraulics.holding_pressure import holding_pressure
from mapper.check.hydraulics.ratings import pressure_rating
from mapper.check.hydraulics.structure import load_holding
from mapper.check.hydraulics.supply import standby_pressure
from mapper.check.motion.natural_frequency import natural_frequency
from mapper.check.motion.pressure_peak import pressure_peak
from mapper.check.motion.stopping_distance import stopping_distance
from mapper.machine.model import NEGATIVE
from mapper.machine.oil.supply import moves_at_pa
from mapper.machine.physics import joint_physics
from mapper.profile.profile import Holding, Profile

RATIO = Fraction(4)


def held(name: str, **holding: object) -> Profile:
    """The kerb arm with another load holding of one joint."""
    profile = worked("kerb-arm")
    joints = tuple(
        replace(joint, holding=Holding(**{"setting_pa": None, "pilot_ratio": None, **holding}))  # type: ignore[arg-type]
        if joint.name == name
        else joint
        for joint in profile.joints
    )
    return replace(profile, joints=joints)


def test_check_valve_with_a_relief_behind_it_makes_the_whole_peak_of_a_sudden_stop():
    """Swing: 200 bar at the valve, and more than 1000 bar shut in between check valve and piston."""
    spoiled = context_of(
        held("boom_swing", kind="pilot_check", pilot_ratio=RATIO, port_relief_pa=Fraction(20_000_000)), "boom_swing"
    )
    found = pressure_peak(spoiled)

    assert found.status is Status.VIOLATED
    assert found.worst is not None
    assert found.worst > 1000
    assert "port_relief =" not in found.advice


def test_rod_is_loaded_by_the_peak_of_a_sudden_stop_not_by_the_pump_alone():
    spoiled = context_of(held("boom_swing", kind="pilot_check", pilot_ratio=RATIO), "boom_swing")
    found = buckling(spoiled)

    assert found is not None
    assert found.status is Status.VIOLATED
    assert "sudden stop" in found.detail
    assert "pressure_peak" in found.advice


def test_rod_that_a_sudden_stop_loads_no_more_than_the_pump_keeps_its_factor():
    as_built = context_of(worked("kerb-arm"), "boom_swing")
    found = buckling(as_built)

    assert found is not None
    assert "longest" in found.detail


def test_grip_whose_counterbalance_gives_way_below_what_it_grips_with():
    """The jaws press with 1.4 kN m: 89.6 bar on the rod side at 40 deg, lever arm 119 mm or more."""
    clamp = {"kind": "double_counterbalance", "pilot_ratio": RATIO}
    weak = holding_pressure(context_of(held("clamp", **clamp, setting_pa=Fraction(6_000_000)), "clamp"))
    firm = holding_pressure(context_of(held("clamp", **clamp, setting_pa=Fraction(13_000_000)), "clamp"))

    assert weak is not None
    assert firm is not None
    assert (weak.status, firm.status) == (Status.VIOLATED, Status.HOLDS)
    assert weak.bound == pytest.approx(1.3 * 89.6, rel=0.02)


def test_clamp_that_was_shut_until_it_stalled_must_open_again():
    """200 bar shut in on the rod side; cap over rod side 1.457; back pressure about 8 bar. Ratio 2.2: 282 bar to open,
    more than there is.
    """
    need = (200 + 1.2 * 7.71) / (2.2 - 1 / (1 - 0.56**2))
    low = holding_pressure(context_of(held("clamp", kind="pilot_check", pilot_ratio=Fraction(11, 5)), "clamp"))
    as_built = holding_pressure(context_of(worked("kerb-arm"), "clamp"))

    assert low is not None
    assert as_built is not None
    assert (low.status, as_built.status) == (Status.VIOLATED, Status.HOLDS)
    assert low.worst == pytest.approx(need, rel=1e-3)
    ratio = Fraction(re.findall(r"pilot_ratio = ([0-9.]+)", low.advice)[0])
    mended = holding_pressure(context_of(held("clamp", kind="pilot_check", pilot_ratio=ratio), "clamp"))
    assert mended is not None
    assert mended.status is Status.HOLDS


@pytest.mark.parametrize(("kind", "status"), [("none", Status.VIOLATED), ("port_relief", Status.VIOLATED)])
def test_grip_that_nothing_keeps_shut(kind, status):
    setting = Fraction(20_000_000) if kind == "port_relief" else None
    found = load_holding(context_of(held("clamp", kind=kind, setting_pa=setting), "clamp"))
    as_built = load_holding(context_of(worked("kerb-arm"), "clamp"))

    assert found is not None
    assert as_built is not None
    assert (found.status, as_built.status) == (status, Status.HOLDS)
    assert "pilot_check" in found.advice


def test_check_valve_opens_by_less_where_less_is_trapped():
    """A check valve on the lift: no more than what opens it in the pose that traps least, and what then moves it."""
    profile = held("boom_lift", kind="pilot_check", pilot_ratio=RATIO)
    physics = joint_physics(profile)["boom_lift"]
    inlet, outlet = physics.model.displacement_m3_rad(physics.envelope.q_rad, NEGATIVE)
    tank = float(profile.supply.tank_pa)
    least_pull = -physics.envelope.torque_most_n_m
    opens = (least_pull / outlet + 3.0 * tank) / (4.0 - inlet / outlet)
    real = opens.clip(min=0.0)  # the arm pulls: nothing else is needed

    assert (moves_at_pa(physics, NEGATIVE) <= real + 1.0).all()


def test_a_joint_that_gravity_moves_is_not_said_to_need_pressure():
    profile = held("boom_lift", kind="none")
    context = context_of(profile, "boom_lift")
    found = standby_pressure(profile, [context])

    assert "by gravity alone" in found.detail


def test_what_is_not_shown_is_said():
    swing = context_of(worked("kerb-arm"), "boom_swing")
    words = {limit: limit(swing) for limit in (pressure_peak, stopping_distance, natural_frequency, pressure_rating)}
    details = {limit: found.detail for limit, found in words.items() if found is not None}

    late = pressure_peak(context_of(changed(swing.profile, "joints.0.holding.vented", False), "boom_swing"))
    assert late is not None
    assert ". 15 bar of a counterbalance's peak come from the tank line" in late.detail  # (1 + 4) x 3 bar
    assert "drains both valve ports" in late.detail
    assert "come from the tank line" not in details[pressure_peak]  # vented
    assert "drains both valve ports" in details[pressure_peak]
    assert "joints that move at the same time add theirs" in details[stopping_distance]
    assert "all other joints taken as rigid" in details[natural_frequency]
    assert "no relief at the valve's ports reaches it" in details[pressure_rating]
    assert joint_named(swing.profile, "boom_swing").holding.kind == "double_counterbalance"
