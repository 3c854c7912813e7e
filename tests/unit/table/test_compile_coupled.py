"""Coupled stops of a profile in the table: a row for each side, limits inward, signs turned for lower stops."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction

import pytest
from make_profile import worked

from mapper.profile.profile import CoupledStop, Profile, StopPair
from mapper.table import compile_table, decode_table, encode_table
from mapper.table.compile_brake import coupled_brake

KERB_ARM = worked("kerb-arm")
NAMES = [joint.name for joint in KERB_ARM.joints]


def pair(soft: str, hard: str) -> StopPair:
    return StopPair(soft_deg=Fraction(soft), hard_deg=Fraction(hard))


def stop(
    weights: tuple[str, str],
    lower: StopPair | None,
    upper: StopPair | None,
    joints: tuple[str, str] = ("boom_lift", "elbow"),
) -> CoupledStop:
    return CoupledStop(
        name="fold", joints=joints, weights=(Fraction(weights[0]), Fraction(weights[1])), lower=lower, upper=upper
    )


def with_stops(*stops: CoupledStop) -> Profile:
    return replace(KERB_ARM, coupled_stops=stops)


def test_the_arms_fold_is_an_upper_stop_of_the_negative_sum() -> None:
    (row,) = compile_table(KERB_ARM).coupled

    assert (row.joints, row.weights_e3, row.limit_mdeg) == ((1, 2), (-1000, -1000), 117_000)
    assert row.brake == coupled_brake(KERB_ARM, KERB_ARM.coupled_stops[0], upper=False)


def test_both_sides_make_two_rows_in_the_tables_order() -> None:
    both = stop(("1", "-0.125"), pair("-20", "-30"), pair("60", "70"))

    rows = compile_table(with_stops(both)).coupled

    assert [(row.weights_e3, row.limit_mdeg) for row in rows] == [((-1000, 125), 20_000), ((1000, -125), 60_000)]


@pytest.mark.parametrize(
    ("lower", "upper", "limits"),
    [
        ("-80", "40", (80_000, 40_000)),
        ("-80.0009", "40.0009", (80_000, 40_000)),
        ("-79.9991", "39.9991", (79_999, 39_999)),
        ("-0.0001", "0.0001", (0, 0)),
        ("0.0001", "40", (-1, 40_000)),
        ("-80", "-0.0001", (80_000, -1)),
    ],
)
def test_a_limit_is_rounded_inward_on_both_sides(lower: str, upper: str, limits: tuple[int, int]) -> None:
    """Soft stops as the table has them are never beyond those of the profile, and less than a mdeg inside."""
    rows = compile_table(with_stops(stop(("1", "1"), pair(lower, "-90"), pair(upper, "50")))).coupled

    assert tuple(row.limit_mdeg for row in rows) == limits
    assert 0 <= -Fraction(lower) * 1000 - rows[0].limit_mdeg < 1
    assert 0 <= Fraction(upper) * 1000 - rows[1].limit_mdeg < 1


def test_the_brake_of_a_side_is_that_of_its_direction() -> None:
    both = stop(("1", "-0.5"), pair("-20", "-30"), pair("60", "70"))
    profile = with_stops(both)

    rows = {row.weights_e3: row.brake for row in compile_table(profile).coupled}

    assert rows[1000, -500] == coupled_brake(profile, both, upper=True)
    assert rows[-1000, 500] == coupled_brake(profile, both, upper=False)


def test_the_order_in_the_profile_does_not_change_the_table() -> None:
    stops = [
        stop(("1", "1"), pair("-80", "-90"), pair("40", "50")),
        stop(("0.5", "-3"), pair("-80", "-90"), None),
        stop(("-2", "1"), None, pair("40", "50"), ("boom_swing", "elbow")),
        stop(("1", "0.3"), pair("-30", "-50"), pair("30", "40"), ("boom_swing", "boom_lift")),
    ]
    tables = set()
    for seed in range(4):
        random.Random(seed).shuffle(stops)
        table = compile_table(with_stops(*stops))
        tables.add(encode_table(table))
        keys = [(row.joints, row.weights_e3, row.limit_mdeg) for row in table.coupled]
        assert keys == sorted(keys)
        assert len(keys) == 6

    assert len(tables) == 1
    assert decode_table(tables.pop()) == table


def test_a_sum_that_is_slow_to_brake_ends_at_the_largest_room_there_is() -> None:
    """A thousandth of the lift: of the sum's speed it can take next to nothing away in a second. The soft stops of the
    joints leave 1200 - 60 deg and 24 thousandths of the sum, less than its full speed would need.
    """
    (row,) = compile_table(with_stops(stop(("0.001", "-10"), None, pair("1200", "1300")))).coupled

    assert row.brake.points[-1][0] <= 1_200_000 - 60_000 + 24
    assert 0 < row.brake.points[-1][1] < 300_000


@pytest.mark.parametrize("seed", range(10))
def test_a_pose_inside_the_rows_is_inside_the_soft_stops_and_the_other_way_round(seed: int) -> None:
    """Random sums and poses of whole mdeg: the law's room is 0 or more exactly where the profile's sum is allowed, up
    to the rounding of the limit.
    """
    rng = random.Random(seed)
    weights = [Fraction(rng.choice([n for n in range(-3000, 3000) if n]), 1000) for _ in range(2)]
    soft = sorted(rng.sample(range(-150_000, 150_000), 2))
    own = CoupledStop(
        name="any",
        joints=("boom_lift", "elbow"),
        weights=(weights[0], weights[1]),
        lower=StopPair(soft_deg=Fraction(soft[0], 1000), hard_deg=Fraction(soft[0] - 1000, 1000)),
        upper=StopPair(soft_deg=Fraction(soft[1], 1000), hard_deg=Fraction(soft[1] + 1000, 1000)),
    )
    rows = compile_table(with_stops(own)).coupled
    for _ in range(500):
        q = [rng.randint(-120_000, 120_000) for _ in range(2)]
        total = sum(weight * at for weight, at in zip(weights, q, strict=True))
        inside = all(row.weights_e3[0] * q[0] + row.weights_e3[1] * q[1] <= 1000 * row.limit_mdeg for row in rows)
        assert inside == (soft[0] <= total <= soft[1])
