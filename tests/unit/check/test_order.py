"""Where to begin when several limits do not hold."""

from __future__ import annotations

from check_case import STAND, bad, check_text, text_of, with_value
from click.testing import CliRunner

from mapper.check.explain import WORDS
from mapper.check.order import _ORDER, mend_first, mend_order
from mapper.cli.check import command


def test_every_limit_has_its_place_and_only_limits_have_one():
    assert sorted(_ORDER) == sorted(WORDS)


def test_a_cause_comes_before_what_it_brings_about():
    """4 l/min are less than full speed takes: with that the overrun is not shown, and the pump's share is too small."""
    result = check_text(with_value(text_of(STAND), "supply.flow", '"4 l/min"'))
    limits = [finding.limit for finding in mend_order(result.findings)]

    assert limits == ["flow_available", "pump_share", "soft_stop_overrun_upper", "soft_stop_overrun_lower"]
    assert sorted(limits) == sorted(limit for limit, _ in bad(result))


def test_the_first_advice_alone_mends_what_followed_from_it():
    """So the words are true: the same profile with the first change only holds."""
    text = with_value(text_of(STAND), "supply.flow", '"4 l/min"')
    words = mend_first(check_text(text).findings)

    assert words is not None
    assert words.startswith("mend first: flow_available of lever. Write that number alone and check again")
    for direction in ("positive", "negative"):
        text = with_value(text, f"joints.lever.limits.speed.{direction}", '"25 deg/s"')
    assert bad(check_text(text)) == []


def test_both_sides_of_one_stop_are_one_thing_to_mend():
    text = with_value(text_of(STAND), "joints.lever.limits.soft_stops", '{lower = "-34.9 deg", upper = "34.9 deg"}')
    bad_ones = bad(check_text(text))
    words = mend_first(check_text(text).findings)

    assert [limit for limit, _ in bad_ones if "overrun" in limit] == [
        "soft_stop_overrun_upper",
        "soft_stop_overrun_lower",
    ]
    assert words is not None
    assert words.count("soft_stop_overrun") == 1


def test_nothing_is_said_where_nothing_or_one_thing_is_wrong():
    one = with_value(text_of(STAND), "joints.lever.follow.match_window", '"10.1 deg"')

    assert mend_first(check_text(text_of(STAND)).findings) is None
    assert mend_first(check_text(one).findings) is None


def test_a_person_reads_it_last_before_the_verdict(tmp_path):
    path = tmp_path / "stand.toml"
    path.write_text(with_value(text_of(STAND), "supply.flow", '"4 l/min"'), encoding="utf-8")
    lines = CliRunner().invoke(command, [str(path)]).output.splitlines()

    at = next(number for number, line in enumerate(lines) if line.startswith("mend first: "))
    assert len(lines) - at <= 3  # with what the search has to say
    assert "do not hold" in lines[-1]
