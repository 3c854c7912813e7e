"""Coupled stops: the bound of the weighted sum, its plants, and the law that brakes both joints."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
import pytest
from check_case import KERB, profile_of, text_of

from mapper.check import Status
from mapper.check.finding import Finding
from mapper.check.motion.coupled_stop import LIMIT, coupled_stops, sum_bound
from mapper.check.motion.stop_plants import real_speed
from mapper.check.result import Case, case_of
from mapper.profile.profile import CoupledStop, Profile, StopPair
from mapper.table import compile_table, encode_table
from mapper.table.table import Curve


def with_stop(**changes: object) -> Profile:
    """The kerb arm with one coupled stop of lift and elbow."""
    stop = CoupledStop(
        name="fold",
        joints=("boom_lift", "elbow"),
        weights=(Fraction(1), Fraction(1)),
        lower=StopPair(soft_deg=Fraction(-80), hard_deg=Fraction(-90)),
        upper=None,
    )
    return replace(profile_of(text_of(KERB)), coupled_stops=(replace(stop, **changes),))


def case(profile: Profile) -> Case:
    table = compile_table(profile)
    return case_of(profile, table, encode_table(table))


def found(profile: Profile) -> tuple[Finding, ...]:
    checked = case(profile)
    return coupled_stops(checked.profile, checked.table, checked.live, checked.joints)


def test_both_ends_of_a_coupled_stop_are_judged_by_name():
    both = found(with_stop(upper=StopPair(soft_deg=Fraction(20), hard_deg=Fraction(30))))

    assert [finding.limit for finding in both] == [LIMIT, LIMIT]
    assert all(finding.status is Status.HOLDS and finding.bound == 10.0 for finding in both)
    assert sorted(finding.detail.split(" (")[0] for finding in both) == ["fold, lower", "fold, upper"]


def test_a_profile_just_inside_holds_and_one_just_outside_is_violated():
    overrun = found(with_stop())[0].worst
    assert overrun is not None
    for way, status in ((overrun + 0.01, Status.HOLDS), (overrun - 0.01, Status.VIOLATED)):
        hard = Fraction(-80) - Fraction(way).limit_denominator(1000)
        (finding,) = found(with_stop(lower=StopPair(soft_deg=Fraction(-80), hard_deg=hard)))
        assert finding.status is status


def test_the_number_of_the_advice_holds():
    hard = Fraction(-805, 10)
    (finding,) = found(with_stop(lower=StopPair(soft_deg=Fraction(-80), hard_deg=hard)))
    assert finding.status is Status.VIOLATED
    soft = Fraction(finding.advice.split('lower.soft = "')[1].split(" deg")[0])

    assert found(with_stop(lower=StopPair(soft_deg=soft, hard_deg=hard)))[0].status is Status.HOLDS


@pytest.mark.parametrize(
    "weights", [(Fraction(1), Fraction(-1)), (Fraction(1, 2), Fraction(3, 2)), (Fraction(-2), Fraction(1))]
)
def test_any_weights_are_judged(weights):
    upper = StopPair(soft_deg=Fraction(200), hard_deg=Fraction(220))
    (finding,) = found(with_stop(weights=weights, lower=None, upper=upper))

    assert finding.status is Status.HOLDS
    assert finding.worst is not None
    assert finding.worst < 6.0


def test_no_coupled_stop_gives_no_finding():
    assert found(replace(profile_of(text_of(KERB)), coupled_stops=())) == ()


def test_bound_counts_what_each_joint_may_do_alone():
    """Twice the curve: F is the sum of both joints' speeds at the whole cap, and r is what that lacks in room."""
    checked = case(with_stop())
    stop = checked.table.coupled[0]
    joints = (checked.joints[1], checked.joints[2])
    base = sum_bound(stop, 0, checked.live, joints)
    steep = replace(stop, brake=Curve(points=tuple((x, 3 * y) for x, y in stop.brake.points)))
    table = replace(checked.table, coupled=(steep,))
    live = case_of_table(checked, table)
    bound = sum_bound(steep, 0, live.live, (live.joints[1], live.joints[2]))

    assert base.shift_deg == pytest.approx(0.0, abs=0.01)
    most = sum(
        real_speed(context, 1).most_deg_s[min(steep.brake.points[-1][1], context.table.speed_full_mdeg_s[1])]
        for context in joints
    )
    last_deg = steep.brake.points[-1][0] / 1000.0
    assert bound.shift_deg >= most / bound.slope_per_s - last_deg - 0.01
    assert bound.shift_deg > 10.0


def case_of_table(checked: Case, table) -> Case:
    return case_of(checked.profile, table, encode_table(table))


def test_a_law_that_lets_more_through_is_not_shown(monkeypatch):
    """A law with a defect: nothing braked at all, one joint forgotten, and motion away braked too."""
    checked = case(with_stop())
    defects = (
        lambda self, stop, position, speed: speed,
        lambda self, stop, position, speed: (real(self, stop, position, speed)[0], speed[1]),
        lambda self, stop, position, speed: tuple(value // 2 for value in real(self, stop, position, speed)),
    )
    real = type(checked.live).coupled
    for defect in defects:
        monkeypatch.setattr(type(checked.live), "coupled", defect)
        (finding,) = coupled_stops(checked.profile, checked.table, checked.live, checked.joints)
        monkeypatch.setattr(type(checked.live), "coupled", real)

        assert finding.status is Status.NOT_SHOWN
        assert "L6c" in finding.advice


# -- plants ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Attacked:
    """Largest weighted sum beyond the stop of each run, and how far the room read came above what step 3 of the proof
    allows it: rho e^(k age) times the room of the oil, age that of the older sample; and the bound.
    """

    farthest_deg: np.ndarray
    read_above_deg: float
    bound_deg: float


def attack(checked: Case, *, count: int, ticks: int, seed: int, gain: float = 1.0) -> Attacked:
    """Two joints, each with its own spring, leaking or not, and lag, dead time, gain, error and age of its own reading
    that change at will (in half of the runs both ages are the oldest or freshest for long, each by itself), driven by
    targets that go to the stop, away from it or swing in phase with their springs; the law's L6c and L7f on the
    readings, at once, and ramps.
    """
    rng = np.random.default_rng(seed)
    stop = checked.table.coupled[0]
    joints = tuple(checked.joints[index] for index in stop.joints)
    bound = sum_bound(stop, 0, checked.live, joints)
    step, rooms = joints[0].tick_s, np.arange(stop.brake.points[-1][0] + 1, dtype=np.int32)
    cap = np.where(rooms > 0, checked.live.coupled_brake(0, rooms), 0) / 1000.0
    weight = [value / 1000.0 for value in stop.weights_e3]
    side = [0 if value > 0 else 1 for value in weight]
    real = [real_speed(context, number) for context, number in zip(joints, side, strict=True)]
    limit = stop.limit_mdeg / 1000.0
    w = [
        2 * math.pi * float(c.joint.tolerances.natural_frequency_hz) * rng.choice([1.0, 1.0, 1.5], count)
        for c in joints
    ]
    z = [float(c.joint.tolerances.damping_ratio) * rng.choice([1.0, 1.0, 2.0], count) for c in joints]
    # Closing coordinates: s_i = weight_i x q_i, of which x_r, v, e, e' are kept; the sum is to stay below the limit.
    x = [np.zeros((5, count)) for _ in joints]  # and x_r behind the lag of a leak, from x_r
    leak = [np.where(rng.random(count) < 0.5, 2.0 * z_i / w_i, 0.0) for z_i, w_i in zip(z, w, strict=True)]
    first = rng.uniform(-60.0, 60.0, count)
    x[0][0], x[1][0] = first, limit - rng.choice([5.0, 40.0], count) * rng.random(count) - first
    dead = [int(float(c.joint.tolerances.dead_time_s.upper) / step + 1e-9) for c in joints]
    age = max(1, int((bound_late_s(joints) - max(dead) * step) / step + 1e-9) - 2)
    told = [np.tile(own[0], (age + 1, 1)) for own in x]
    stay = rng.random(count) < 0.5
    back = [rng.choice([0, age, age], count) for _ in joints]
    queue = [np.zeros((most + 1, count)) for most in dead]
    speed = [np.zeros(count) for _ in joints]
    mode, steady = rng.integers(0, 4, count), rng.random(count) < 0.7
    farthest, read_above = np.full(count, -np.inf), -np.inf
    everyone = np.arange(count)
    for k in range(ticks):
        seen = np.zeros(count)
        for i, own in enumerate(x):
            told[i] = np.roll(told[i], 1, axis=0)
            told[i][0] = own[0] - own[4] + own[2]
            fresh = ~stay | (rng.random(count) < 0.01)
            back[i] = np.where(fresh, rng.choice([0, age, age], count), back[i])
            seen += told[i][back[i], everyone]
        room = limit - (seen - np.where(steady, 1.0, rng.choice([1.0, -1.0], count)) * bound.error_deg)
        oldest_s = np.maximum(back[0], back[1]) * step
        oil = bound.overrun_deg + limit - sum(own[0] - own[4] for own in x)
        most_read = bound.rho * np.exp(bound.rate_per_s * oldest_s) * oil
        read_above = max(read_above, float(np.max(room + bound.shift_deg - most_read)))
        allowed = np.where(room > 0.0, cap[np.clip((room * 1000.0).astype(int), 0, cap.size - 1)], 0.0)
        closing = []
        for i, context in enumerate(joints):
            full = abs(weight[i]) * context.table.speed_full_mdeg_s[side[i]] / 1000.0
            swing = np.where(x[i][3] > 0.0, -full, full)
            other = np.where((k * step) % 3.0 < 1.0 + i, full, -full)
            wish = np.select([mode == 0, mode == 1, mode == 2], [np.full(count, full), swing, other], -swing)
            ramp = abs(weight[i]) * max(context.table.accelerate_mdeg_s, context.table.decelerate_mdeg_s) / 1000.0
            speed[i] = np.clip(wish, speed[i] - ramp, speed[i] + ramp)
            closing.append(np.maximum(speed[i], 0.0))
        total = np.maximum(closing[0] + closing[1], 1e-12)
        share = np.where(total > allowed, allowed / total, 1.0)
        for i, _ in enumerate(joints):
            speed[i] = np.where(speed[i] > 0.0, speed[i] * share, speed[i])
            queue[i] = np.roll(queue[i], 1, axis=0)
            queue[i][0] = speed[i]
            acting = queue[i][np.minimum(rng.choice([0, dead[i], dead[i]], count), dead[i]), everyone]
            number = np.clip(
                np.floor(np.maximum(acting, 0.0) / abs(weight[i]) * 1000.0).astype(int), 0, real[i].most_deg_s.size - 1
            )
            most = np.where(acting > 1e-9, real[i].most_deg_s[np.maximum(number, 1)], 0.0) * abs(weight[i]) * gain
            valve = np.where(acting > 0.0, most * rng.choice([1.0, 1.0, 0.7], count), acting)
            lag = rng.choice([0.08, 0.08, 0.03], count)
            for _ in range(4):  # short steps of the plant within a tick
                part = step / 4.0
                push = (valve - x[i][1]) / lag
                gap = (x[i][1] - x[i][4] / np.maximum(leak[i], 1e-9)) * (leak[i] > 0.0)  # (x_r - x_1)'
                push_1 = np.where(leak[i] > 0.0, gap / np.maximum(leak[i], 1e-9), push)  # x_1''
                x[i][4] += gap * part
                x[i][3] += (-push_1 - 2.0 * z[i] * w[i] * x[i][3] - w[i] ** 2 * x[i][2]) * part
                x[i][2] += x[i][3] * part
                x[i][1] += push * part
                x[i][0] += x[i][1] * part
        farthest = np.maximum(farthest, sum(own[0] - own[4] + own[2] for own in x) - limit)
    return Attacked(farthest, read_above, bound.overrun_deg)


def bound_late_s(joints) -> float:
    return max(context.late_s for context in joints)


def test_adversarial_pairs_of_plants_never_cross():
    found = attack(case(with_stop()), count=400, ticks=500, seed=1)

    assert np.max(found.farthest_deg) <= found.bound_deg
    assert found.read_above_deg <= 0.0
    assert np.max(found.farthest_deg) > 0.2 * found.bound_deg  # the attack is one


@pytest.mark.deep
def test_twenty_thousand_adversarial_pairs_of_plants_never_cross():
    checked = case(with_stop())
    for seed in range(10):
        found = attack(checked, count=2000, ticks=1200, seed=100 + seed)
        assert np.max(found.farthest_deg) <= found.bound_deg
        assert found.read_above_deg <= 0.0


def test_pairs_of_plants_far_outside_the_class_cross():
    found = attack(case(with_stop()), count=400, ticks=500, seed=1, gain=15.0)

    assert np.max(found.farthest_deg) > found.bound_deg
