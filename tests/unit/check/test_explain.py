"""Every limit can be explained: words for all that the checker finds, none for what it does not; numbers add up."""

from __future__ import annotations

import ast
import math
from pathlib import Path

import pytest
from check_case import KERB, STAND, check_text, finding, text_of, with_value

from mapper.check import Evidence, Finding, Status
from mapper.check.coverage import not_examined
from mapper.check.demand import Demand, judge_demands
from mapper.check.explain import (
    EVIDENCE_WORDS,
    WORDS,
    asked_for,
    base_limit,
    explanation_of,
    nearest_name,
    result_words,
)

CHECK = Path(__file__).resolve().parents[3] / "mapper" / "check"
NOT_LIMITS = ("explain.py", "coverage.py")


def given_of(found: Finding) -> dict[str, float]:
    return {one.symbol: float(one.value) for one in explanation_of(found).given if not isinstance(one.value, str)}


@pytest.mark.parametrize("name", [STAND, KERB])
def test_every_finding_of_the_worked_profiles_can_be_explained(name):
    for found in check_text(text_of(name)).findings:
        assert base_limit(found.limit) in WORDS, found.limit
        explanation = explanation_of(found)
        assert explanation.formula
        assert all(explanation.formula)
        assert explanation.source
        assert explanation.given or found.worst is None, found.limit
        for one in explanation.given:
            assert one.symbol
            assert one.meaning
            assert isinstance(one.value, str) or math.isfinite(one.value), (found.limit, one)


def test_no_words_for_a_limit_that_no_module_of_the_checker_makes():
    """Names of limits are strings in the modules; a word whose limit has gone is stale."""
    strings = {
        node.value
        for path in CHECK.rglob("*.py")
        if path.name not in NOT_LIMITS
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }

    assert {limit for limit in WORDS if not {limit, f"{limit}_upper"} & strings} == set()


def test_words_and_limits_not_examined_are_different_names():
    assert {item.limit for item in not_examined()} & set(WORDS) == set()


def test_every_kind_of_evidence_has_its_words():
    assert set(EVIDENCE_WORDS) == set(Evidence)


@pytest.mark.parametrize("words", WORDS.values(), ids=WORDS)
def test_words_are_whole(words):
    assert words.asks.endswith(".")
    assert words.formula
    assert words.shown
    assert words.source


def test_a_side_stands_for_itself_and_no_side_for_both():
    findings = check_text(text_of(STAND)).findings

    assert [one.limit for one in asked_for(findings, "soft_stop_overrun")] == [
        "soft_stop_overrun_upper",
        "soft_stop_overrun_lower",
    ]
    assert [one.limit for one in asked_for(findings, "soft_stop_overrun_lower")] == ["soft_stop_overrun_lower"]
    assert [one.limit for one in asked_for(findings, "travel")] == ["travel"]
    assert asked_for(findings, "overrun") == ()


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("trvl", "travel"), ("Speed-Limit", "speed_limit"), ("softstop_overrun", "soft_stop_overrun"), ("zzz", None)],
)
def test_the_nearest_name(typed, meant):
    assert nearest_name(typed, WORDS) == meant


# -- the numbers are those of the finding


@pytest.mark.parametrize("name", [STAND, KERB])
def test_speed_is_flow_times_geometry_times_gain(name):
    for found in asked_for(check_text(text_of(name)).findings, "speed_limit"):
        given = given_of(found)

        assert given["v"] == pytest.approx(found.worst, rel=1e-5)
        assert given["u + rise"] / 100 * given["t"] * given["g"] == pytest.approx(given["v"])
        assert given["u + rise"] / 100 * given["t"] > given["w"]  # hysteresis and a late reading only add


@pytest.mark.parametrize("name", [STAND, KERB])
def test_flow_follows_from_the_compiled_numbers(name):
    for found in asked_for(check_text(text_of(name)).findings, "flow_available"):
        given = given_of(found)
        parts = math.ceil(given["w"] * 1000 * given["k"] / 65536)

        assert given["u"] == parts
        assert given["Qr"] * parts / 10_000 == pytest.approx(given["Q"])
        assert given["Q"] == pytest.approx(found.worst, rel=1e-4)
        assert given["Qa"] == pytest.approx(found.bound, rel=1e-4)


@pytest.mark.parametrize("name", [STAND, KERB])
def test_overrun_is_the_sum_of_its_parts(name):
    for found in asked_for(check_text(text_of(name)).findings, "soft_stop_overrun"):
        if found.status is Status.NOT_SHOWN:
            continue
        given = given_of(found)

        assert given["r"] >= 0
        assert given["err"] + given["r"] == pytest.approx(found.worst, rel=1e-4)
        assert given["k"] * (1 - given["k"] * given["lag"] / 1000) * math.exp(-given["k"] * given["late"] / 1000) == (
            pytest.approx(given["d"], rel=1e-4)
        )


def test_demands_are_listed_value_beside_bound():
    demands = (
        Demand(what="a", value=1.0, bound=2.0, unit="s", why="one", advice="x"),
        Demand(what="b", value=5.0, bound=4.0, unit="deg", why="two", advice="y", at_least=True),
    )
    explanation = explanation_of(judge_demands(None, "matching", demands, cases=2))

    assert explanation.formula == ("v1 <= b1", "v2 >= b2")
    assert [(one.symbol, one.meaning, one.value, one.unit) for one in explanation.given] == [
        ("v1", "a", 1.0, "s"),
        ("b1", "one", 2.0, "s"),
        ("v2", "b", 5.0, "deg"),
        ("b2", "two", 4.0, "deg"),
    ]


def test_a_finding_without_an_explanation_of_its_own_shows_worst_and_bound():
    found = finding(check_text(text_of(STAND)), "deadband_jump", "lever")
    explanation = explanation_of(found)

    assert found.explanation is None
    assert [(one.symbol, one.value, one.unit) for one in explanation.given] == [
        ("worst", 18.0, "%"),
        ("bound", 18.5, "%"),
    ]
    assert explanation.source == WORDS["deadband_jump"].source


def test_the_result_in_words():
    holds = finding(check_text(text_of(STAND)), "deadband_jump", "lever")
    text = with_value(text_of(STAND), "joints.lever.valve.positive.jump", '"19 %"')
    violated = finding(check_text(text), "deadband_jump", "lever")
    least = finding(check_text(text_of(STAND)), "sensor_window", "lever")

    assert result_words(holds) == "18 %, at most 18.5 %: 0.5 % to spare: holds"
    assert result_words(violated) == "19 %, at most 18.5 %: 0.5 % missing: does not hold"
    assert result_words(least).startswith("200 counts, at least 82 counts: 118 counts to spare")


def test_a_joint_short_of_flow_is_not_explained_with_a_bound_that_does_not_speak_of_it():
    text = with_value(text_of(STAND), "supply.flow", '"4 l/min"')
    found = finding(check_text(text), "soft_stop_overrun_upper", "lever")

    assert found.status is Status.NOT_SHOWN
    assert found.explanation is None
    assert explanation_of(found).given == ()
    assert result_words(found) == "not shown: nothing to compare"
