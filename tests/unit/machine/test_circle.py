"""Running maxima on a circle: against the maximum of many shifts, at windows that fall between nodes and round it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from mapper.machine.arm.circle import CIRCLE_NODES, CIRCLE_STEP_RAD, cosine_most, on_circle, running_most

RNG = np.random.default_rng(5)
NODES = RNG.uniform(-1.0, 1.0, (2, CIRCLE_NODES)).cumsum(axis=1) % 7.0
ANGLES = np.arange(CIRCLE_NODES) * CIRCLE_STEP_RAD


@pytest.mark.parametrize(
    ("lower", "upper"),
    [
        (0.0, 0.0),
        (0.001, 0.002),
        (0.3, 0.3),
        (-1.0, 0.5),
        (2.0, 3.3),
        (-4.0, 4.0),
        (-0.1, CIRCLE_STEP_RAD * 8),
        (5.0, 40.0),
    ],
)
def test_running_most_is_the_most_of_all_shifts(lower: float, upper: float) -> None:
    """Straight between nodes, so the most over a window is at a node in it or at one of its ends."""
    steps = np.arange(math.ceil(lower / CIRCLE_STEP_RAD), math.floor(upper / CIRCLE_STEP_RAD) + 1) * CIRCLE_STEP_RAD
    shifts = np.concatenate([[lower, upper], steps])
    tried = np.max([on_circle(NODES, (ANGLES - shift)[None]) for shift in shifts], axis=0)

    assert running_most(NODES, lower, upper) == pytest.approx(tried, abs=1e-9)


def test_values_between_nodes_lie_on_the_straight_line_and_go_round() -> None:
    nodes = np.zeros((1, CIRCLE_NODES))
    nodes[0, 0], nodes[0, -1] = 8.0, 4.0

    found = on_circle(nodes, np.array([[0.0, 0.25, -0.25, -1.0, CIRCLE_NODES, -2.5]]) * CIRCLE_STEP_RAD)

    assert found[0] == pytest.approx([8.0, 6.0, 7.0, 4.0, 8.0, 0.0])


@pytest.mark.parametrize(
    ("lower_deg", "upper_deg", "most"),
    [
        (0, 0, 1.0),
        (-10, 10, 1.0),
        (20, 60, math.cos(math.radians(20))),
        (100, 120, 0.5),
        (170, 200, 1.0),
        (-80, -60, 0.5),
    ],
)
def test_most_of_a_cosine_over_an_interval(lower_deg: float, upper_deg: float, most: float) -> None:
    assert cosine_most(math.radians(lower_deg), math.radians(upper_deg)) == pytest.approx(most)
