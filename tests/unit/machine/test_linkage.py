"""Linkage: angle and length there and back, lever arm against a finite difference and virtual work, dead centres,
reach.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from mapper.machine import Linkage


def _random(seed: int) -> Linkage:
    rng = random.Random(seed)
    return Linkage(
        base_radius_m=rng.uniform(0.05, 2.0),
        rod_radius_m=rng.uniform(0.05, 2.0),
        included_at_zero_rad=rng.uniform(0.2, 2.9),
        sense=rng.choice((1, -1)),
    )


def _inside(linkage: Linkage) -> np.ndarray:
    lower, upper = linkage.dead_centres_rad()
    return np.linspace(lower + 0.02, upper - 0.02, 101)


@pytest.mark.parametrize("seed", range(30))
def test_angle_to_length_and_back(seed: int) -> None:
    linkage = _random(seed)
    q = _inside(linkage)

    back = [linkage.angle_rad(float(length)) for length in linkage.length_m(q)]

    assert np.allclose(back, q, atol=1e-9)


@pytest.mark.parametrize("seed", range(30))
def test_lever_arm_is_the_derivative_of_the_length(seed: int) -> None:
    linkage = _random(seed)
    q, h = _inside(linkage), 1e-6

    difference = (linkage.length_m(q + h) - linkage.length_m(q - h)) / (2 * h)

    assert np.allclose(linkage.sense * linkage.lever_m(q), difference, atol=1e-8)
    assert np.all(linkage.lever_m(q) > 0)
    assert np.all(linkage.lever_m(q) <= linkage.highest_lever_m() * (1 + 1e-12))


@pytest.mark.parametrize("seed", range(30))
def test_slope_of_the_lever_arm_is_its_derivative(seed: int) -> None:
    linkage = _random(seed)
    q, h = _inside(linkage), 1e-6

    difference = (linkage.lever_m(q + h) - linkage.lever_m(q - h)) / (2 * h)

    assert np.allclose(linkage.lever_slope_m_rad(q), difference, atol=1e-6)


@pytest.mark.parametrize("seed", range(30))
def test_lever_arm_vanishes_at_both_dead_centres(seed: int) -> None:
    linkage = _random(seed)

    lower, upper = linkage.dead_centres_rad()

    assert lower < upper
    assert upper - lower == pytest.approx(math.pi)
    assert np.allclose(linkage.lever_m([lower, upper]), 0.0, atol=1e-7)


def test_right_angle_is_the_general_case() -> None:
    """Special case: at an included angle of 90 degrees the length is the hypotenuse (3-4-5) and the arm is a b / l."""
    linkage = Linkage(base_radius_m=3.0, rod_radius_m=4.0, included_at_zero_rad=math.pi / 2, sense=1)

    assert linkage.length_m(0.0) == pytest.approx(5.0)
    assert linkage.lever_m(0.0) == pytest.approx(12 / 5)


def test_reach_follows_the_stroke_and_stops_at_dead_centre() -> None:
    linkage = Linkage(base_radius_m=0.4, rod_radius_m=0.3, included_at_zero_rad=math.pi / 2, sense=1)

    inside = linkage.reach_rad(0.4, 0.2)
    through = linkage.reach_rad(0.05, 2.0)

    assert inside is not None
    assert np.allclose(linkage.length_m(inside), [0.4, 0.6])
    assert through == pytest.approx(linkage.dead_centres_rad())
    assert linkage.reach_rad(0.71, 0.5) is None
    assert linkage.reach_rad(0.02, 0.05) is None


def test_closing_linkage_mirrors_the_opening_one() -> None:
    opening = Linkage(base_radius_m=0.7, rod_radius_m=0.22, included_at_zero_rad=1.2, sense=1)
    closing = Linkage(base_radius_m=0.7, rod_radius_m=0.22, included_at_zero_rad=1.2, sense=-1)
    q = np.linspace(-0.8, 0.8, 17)

    assert np.allclose(opening.length_m(q), closing.length_m(-q))
    opened, closed = opening.reach_rad(0.563, 0.31), closing.reach_rad(0.563, 0.31)
    assert opened is not None
    assert closed is not None
    assert opened == pytest.approx((-closed[1], -closed[0]))


@pytest.mark.parametrize("length", [0.09, 0.71, -1.0])
def test_length_that_closes_no_triangle_is_an_error(length: float) -> None:
    with pytest.raises(ValueError, match="outside"):
        Linkage(base_radius_m=0.4, rod_radius_m=0.3, included_at_zero_rad=1.0, sense=1).angle_rad(length)


@pytest.mark.parametrize("seed", range(30))
def test_least_and_largest_lever_arm_are_those_of_a_search(seed: int) -> None:
    linkage, rng = _random(seed), random.Random(seed + 100)
    below, above = linkage.dead_centres_rad()
    lower, upper = sorted(rng.uniform(below + 0.01, above - 0.01) for _ in range(2))
    q = np.linspace(lower, upper, 20_001)
    levers = linkage.lever_m(q)

    found = linkage.lever_range(lower, upper)

    assert found.least_m == pytest.approx(float(np.min(levers)), abs=1e-12)
    assert found.most_m == pytest.approx(float(np.max(levers)), rel=1e-7)
    assert lower <= found.most_at_rad <= upper
    assert float(linkage.lever_m(found.least_at_rad)) == found.least_m
    assert linkage.lever_m(linkage.highest_lever_at_rad()) == pytest.approx(linkage.highest_lever_m())


@pytest.mark.parametrize("sense", [1, -1])
def test_room_to_the_dead_centres(sense: int) -> None:
    linkage = Linkage(base_radius_m=0.4, rod_radius_m=0.3, included_at_zero_rad=math.radians(100), sense=sense)
    ends = math.radians(-60), math.radians(70)

    rooms = [math.degrees(room) for room in linkage.dead_centre_room_rad(*ends)]

    # Opening: 0 deg at -100 and 180 deg at 80; closing the other way round: 180 deg at -80 and 0 deg at 100.
    assert rooms == pytest.approx([40.0, 10.0] if sense > 0 else [20.0, 30.0])
    inside = linkage.dead_centre_room_rad(-math.radians(110), 0.0)[0]
    assert inside < 0
    assert linkage.lever_range(-math.radians(110), 0.0).share < 0
