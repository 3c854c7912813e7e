"""The search for one number, over a made-up limit instead of the check."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mapper.advise.bench import Breach, Measured
from mapper.advise.number import Number
from mapper.advise.search import climb
from mapper.check.finding import Evidence, Finding, Status

SPEED = Number(
    joint="lever",
    path=("joints", "lever", "limits", "speed", "positive"),
    stage="speeds",
    unit="deg/s",
    step=Fraction(1, 10),
    outward=1,
    now=Fraction(20),
    most=Fraction(200),
    factor=Fraction(1),
)


def finding(limit: str, margin: float) -> Finding:
    return Finding(
        limit=limit,
        joint="lever",
        status=Status.HOLDS if margin >= 0 else Status.VIOLATED,
        evidence=Evidence.COMPUTED,
        cases=1,
        worst=-margin,
        bound=0.0,
        unit="deg/s",
        margin=margin,
        detail="",
        advice="",
    )


class Limits:
    """One or more margins as functions of the value; remembers what was tried."""

    def __init__(self, *margins):
        self.margins = margins
        self.tried = []

    def __call__(self, value, first, skip):
        self.tried.append((value, skip))
        outputs = {
            place: (finding(f"limit_{place}", float(margin(value))),)
            for place, margin in enumerate(self.margins)
            if place not in skip
        }
        broken = [(place, found[0]) for place, found in outputs.items() if found[0].margin < 0]
        breach = Breach(finding=broken[0][1], place=broken[0][0]) if broken else None
        return Measured(breach=breach, outputs=outputs)


@given(st.integers(201, 1999), st.sampled_from([1, 2, 3]))
def test_finds_the_last_step_that_holds(tenths, power):
    edge = Fraction(tenths, 10)
    limits = Limits(lambda value: float(edge) ** power - float(value) ** power)

    found = climb(SPEED, Fraction(20), limits, set())

    assert found.value == edge
    assert found.breach.limit == "limit_0"
    assert (edge + SPEED.step, frozenset()) in [(value, frozenset()) for value, _ in limits.tried]


def test_rounds_down_to_what_one_writes():
    found = climb(SPEED, Fraction("20.03"), Limits(lambda value: 27.38 - float(value)), set())

    assert found.value == Fraction("27.3")


def test_a_value_between_two_steps_stays_where_no_step_more_holds():
    found = climb(SPEED, Fraction("20.03"), Limits(lambda value: 20.05 - float(value)), set())

    assert found.value == Fraction("20.03")
    assert found.breach.limit == "limit_0"


def test_goes_down_for_a_number_whose_way_out_is_down():
    lower = replace(SPEED, stage="travel", outward=-1, now=Fraction(-24), most=Fraction(-360))

    found = climb(lower, Fraction(-24), Limits(lambda value: float(value) + 31.55), set())

    assert found.value == Fraction("-31.5")


def test_a_limit_that_the_first_leap_does_not_move_is_still_held():
    """Limit 1 is flat at first: it is skipped on the way, and found at the end."""
    limits = Limits(lambda value: 90 - float(value), lambda value: min(5.0, 60.0 - float(value)))

    found = climb(SPEED, Fraction(20), limits, set())

    assert found.value == Fraction(60)
    assert found.breach.limit == "limit_1"
    assert any(1 in skip for _, skip in limits.tried)


def test_an_island_beyond_a_broken_value_is_not_entered():
    """Nothing holds from 30 to 40; whatever holds beyond, the way there does not."""
    limits = Limits(lambda value: -1 if 30 < value < 40 else 90 - float(value))

    found = climb(SPEED, Fraction(20), limits, set())

    assert limits(found.value, None, frozenset()).breach is None
    assert limits(found.value + SPEED.step, None, frozenset()).breach is not None


def test_ends_where_the_format_does():
    found = climb(SPEED, Fraction(20), Limits(lambda value: 1.0), set())

    assert found.value == SPEED.most
    assert found.breach is None


@pytest.mark.parametrize("edge", ["20.1", "20.2", "150", "199.9"])
def test_needs_few_tries(edge):
    limits = Limits(lambda value: float(Fraction(edge)) - float(value), lambda value: 300.0 - float(value))

    found = climb(SPEED, Fraction(20), limits, set())

    assert found.value == Fraction(edge)
    assert len(limits.tried) <= 18
