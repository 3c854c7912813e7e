"""The random tables hold what the layout allows of coupled stops and tip speed, often enough to try it."""

from __future__ import annotations

import random
from collections import Counter
from itertools import pairwise

import pytest
from random_tables import (
    COUPLED_LIMIT_MAX,
    COUPLED_ROOM_MAX,
    COUPLED_SPEED_MAX,
    TIP_MAX,
    WEIGHT_MAX_E3,
    random_table,
)

from mapper.table.table import COUPLED_MAX, Table


@pytest.fixture(scope="module")
def tables() -> list[Table]:
    return [random_table(random.Random(seed)) for seed in range(1_000)]


def test_every_number_of_coupled_stops_comes_up(tables: list[Table]) -> None:
    counts = Counter(len(table.coupled) for table in tables)

    assert set(counts) == set(range(COUPLED_MAX + 1))
    assert sum(counts.values()) - counts[0] > 400


def test_coupled_stops_share_joints_and_pairs(tables: list[Table]) -> None:
    sharing = same_pair = three_joints = 0
    for table in tables:
        uses = Counter(index for stop in table.coupled for index in stop.joints)
        pairs = {stop.joints for stop in table.coupled}
        sharing += max(uses.values(), default=0) > 1
        same_pair += len(pairs) < len(table.coupled)
        three_joints += len(pairs) > 1 and max(uses.values()) > 1

    assert sharing > 200
    assert same_pair > 200
    assert three_joints > 30


def test_coupled_stops_are_what_the_layout_allows(tables: list[Table]) -> None:
    """Among them the ends of every range."""
    found: Counter[str] = Counter()
    for table in tables:
        stops = table.coupled
        assert all(a < b for a, b in pairwise((*s.joints, *s.weights_e3, s.limit_mdeg) for s in stops))
        for stop in stops:
            (room_first, speed_first), (room, speed) = stop.brake.points[0], stop.brake.points[-1]
            assert stop.joints[0] < stop.joints[1] < len(table.joints)
            assert not any(table.joints[index].continuous for index in stop.joints)
            assert all(0 < abs(weight) <= WEIGHT_MAX_E3 for weight in stop.weights_e3)
            assert abs(stop.limit_mdeg) <= COUPLED_LIMIT_MAX
            assert room_first == 0 <= speed_first <= speed <= COUPLED_SPEED_MAX
            assert room <= COUPLED_ROOM_MAX
            found["heaviest"] += WEIGHT_MAX_E3 in map(abs, stop.weights_e3)
            found["lightest"] += 1 in map(abs, stop.weights_e3)
            found["negative"] += min(stop.weights_e3) < 0
            found["unequal"] += abs(stop.weights_e3[0]) != abs(stop.weights_e3[1])
            found["farthest"] += abs(stop.limit_mdeg) == COUPLED_LIMIT_MAX
            found["longest"] += room == COUPLED_ROOM_MAX
            found["fastest"] += speed == COUPLED_SPEED_MAX

    assert found["negative"] > 300
    assert found["unequal"] > 300
    assert all(found[end] > 3 for end in ("heaviest", "lightest", "farthest", "longest", "fastest")), found


def test_tip_limits_and_reaches_from_none_to_the_largest(tables: list[Table]) -> None:
    tips = Counter(
        "none" if tip == 0 else "least" if tip == 1 else "most" if tip == TIP_MAX else "between"
        for tip in (table.machine.tip_mdeg_mm_s for table in tables)
    )
    mixed = sum(len({joint.reach_mm == 0 for joint in table.joints}) == 2 for table in tables)

    assert min(tips["none"], tips["between"]) > 100
    assert min(tips["least"], tips["most"]) > 10
    assert mixed > 200
