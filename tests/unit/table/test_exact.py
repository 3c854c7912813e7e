"""The few irrational functions that a table needs, against Python's floats and against identities in exact
arithmetic.
"""

from __future__ import annotations

import math
import random
from fractions import Fraction

import pytest

from mapper.table.exact import ERROR, exponential, nearest, pi, root, sine_cosine, toward_zero


def test_pi_is_that_of_the_library() -> None:
    assert float(pi()) == math.pi


@pytest.mark.parametrize("seed", range(200))
def test_sine_and_cosine_keep_their_identities_to_thirty_digits(seed: int) -> None:
    rng = random.Random(seed)
    angle = Fraction(rng.randint(-(10**9), 10**9), 10**6)
    sine, cosine = sine_cosine(angle)
    double_sine, double_cosine = sine_cosine(2 * angle)

    assert abs(sine * sine + cosine * cosine - 1) < ERROR
    assert abs(2 * sine * cosine - double_sine) < ERROR
    assert abs(1 - 2 * sine * sine - double_cosine) < ERROR
    assert float(sine) == pytest.approx(math.sin(math.radians(float(angle))), abs=1e-12)


@pytest.mark.parametrize(
    ("angle", "sine", "cosine"),
    [
        (0, 0, 1),
        (30, Fraction(1, 2), None),
        (60, None, Fraction(1, 2)),
        (90, 1, 0),
        (180, 0, -1),
        (270, -1, 0),
        (-90, -1, 0),
    ],
)
def test_known_angles(angle: int, sine: Fraction | None, cosine: Fraction | None) -> None:
    found = sine_cosine(Fraction(angle))
    for value, expected in zip(found, (sine, cosine), strict=True):
        if expected is not None:
            assert abs(value - expected) < ERROR


@pytest.mark.parametrize("seed", range(50))
def test_root_squares_back(seed: int) -> None:
    value = Fraction(random.Random(seed).randint(0, 10**12), 10**6)

    assert abs(root(value) ** 2 - value) < ERROR * 10**6


@pytest.mark.parametrize("value", [0, -1, -Fraction(1, 3), -40])
def test_exponential_is_that_of_the_library(value: Fraction) -> None:
    assert float(exponential(Fraction(value))) == pytest.approx(math.exp(value), rel=1e-15)
    assert abs(exponential(Fraction(value)) ** 2 - exponential(2 * Fraction(value))) < ERROR


def test_roundings() -> None:
    assert [nearest(Fraction(n, 2)) for n in (-3, -2, -1, 0, 1, 2, 3)] == [-1, -1, 0, 0, 1, 1, 2]
    assert [toward_zero(Fraction(n, 3)) for n in (-4, -3, -2, 0, 2, 3, 4)] == [-1, -1, 0, 0, 0, 1, 1]
