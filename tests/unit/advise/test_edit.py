"""Values put into a file: every other byte stays."""

from __future__ import annotations

import tomllib

import pytest
from check_case import KERB, STAND, text_of
from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.advise.edit import EditError, changed_lines, edited
from mapper.profile import read_profile

LIMITS = ("joints", "lever", "limits")
SPEED = (*LIMITS, "speed", "positive")
RAMP = (*LIMITS, "acceleration")
STOP = (*LIMITS, "soft_stops", "lower")

_TEXT = text_of(STAND)
PART = _TEXT[_TEXT.index("[joints.lever.limits]") : _TEXT.index("[joints.lever.watch]")]
"""Enough of a file for its places and its layout; tomlkit takes its time with a whole one."""

# The same file as other editors and other hands leave it.
SPELLINGS = {
    "as it is": lambda text: text,
    "line ends of another system": lambda text: text.replace("\n", "\r\n"),
    "a mark in front": lambda text: "\ufeff" + text,
    "no line end at the end": lambda text: text.rstrip("\n"),
    "single quotes": lambda text: text.replace('"60 deg/s2"', "'60 deg/s2'"),
    "dotted keys": lambda text: text.replace(
        'speed = {positive = "30 deg/s", negative = "30 deg/s"}',
        'speed.positive = "30 deg/s"   # not straight after it\nspeed . negative = "30 deg/s"',
    ),
    "blanks": lambda text: text.replace('acceleration = "', '  acceleration   =\t"'),
}


@pytest.mark.parametrize("spelling", SPELLINGS)
@settings(max_examples=40)
@given(st.data())
def test_only_the_values_change(spelling, data):
    before = SPELLINGS[spelling](PART).encode()
    amounts = st.integers(1, 9999).map(lambda tenths: f"{tenths / 10:g}")
    texts = data.draw(st.fixed_dictionaries({}, optional=dict.fromkeys((SPEED, RAMP, STOP), amounts)))
    units = {SPEED: "deg/s", RAMP: "deg/s2", STOP: "deg"}
    texts = {path: f"{number} {units[path]}" for path, number in texts.items()}

    after = edited(before, texts)

    assert before != after or all(_value(before, path) == text for path, text in texts.items())
    # Put back by hand what was there: the bytes are the old ones again.
    for path, text in texts.items():
        old = _value(before, path)
        assert _value(after, path) == text
        after = edited(after, {path: old})
    assert after == before


def _value(data, path):
    found = tomllib.loads(data.decode().removeprefix("\ufeff"))
    for part in path:
        found = found[part]
    return found


def test_one_value_is_one_line_with_its_comment():
    before = text_of(KERB).encode()
    path = ("joints", "boom_swing", "limits", "acceleration")

    after = edited(before, {path: "31.5 deg/s2"})

    (change,) = changed_lines(before, after)
    assert change.after == change.before.replace('"25 deg/s2"', '"31.5 deg/s2"')
    assert "#" in change.after
    assert len(after) == len(before) + 2


def test_every_spelling_is_another_text():
    assert len({spell(PART) for spell in SPELLINGS.values()}) == len(SPELLINGS)


def test_nothing_to_change_is_the_same_file():
    before = text_of(KERB).encode()

    assert edited(before, {}) == before


def test_a_value_over_three_quotes_is_refused():
    text = text_of(STAND).replace('acceleration = "60 deg/s2"', 'acceleration = """60 deg/s2"""')
    read_profile(text.encode(), "stand.toml")

    with pytest.raises(EditError, match=r"lever\.limits\.acceleration|by hand"):
        edited(text.encode(), {RAMP: "61 deg/s2"})
