"""Whatever the text: parser and pattern (which editors see) say the same, and nothing but QuantityError comes out."""

from __future__ import annotations

import re
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from mapper.profile.quantity import DIMENSIONS, TEXT_MAX, QuantityError, parse, pattern, remedy_for

dimensions = st.sampled_from(sorted(DIMENSIONS)).map(DIMENSIONS.__getitem__)
units = st.sampled_from(sorted({unit for dimension in DIMENSIONS.values() for unit in dimension.units}))
near_misses = st.builds(
    "{}{}{}{}".format,
    st.one_of(st.integers(-999, 999).map(str), st.from_regex(r"[+-]?[0-9]{0,3}[.,]?[0-9]{0,3}", fullmatch=True)),
    st.sampled_from([" ", " ", " ", "", "  ", "\t", "e3 "]),
    units,
    st.sampled_from(["", "", "", " ", "\n", "s", "2"]),
)


@given(st.one_of(near_misses, st.text(max_size=40)), dimensions)
@settings(max_examples=600, deadline=None)
def test_pattern_and_parser_take_the_same_texts(text: str, dimension) -> None:
    # Python's `$` also matches before a final newline; ECMA's, which the schema means, does not.
    by_pattern = len(text) <= TEXT_MAX and not text.endswith("\n") and re.search(pattern(dimension), text) is not None
    refusal = None
    try:
        parse(text, dimension)
    except QuantityError as error:
        refusal = error

    assert (refusal is None) == by_pattern
    assert refusal is None or (refusal.found and refusal.allowed and refusal.remedy)


sloppy = st.builds(
    "{}{}{}{}{}".format,
    st.sampled_from(["", "", "“", "'", " "]),
    st.from_regex(r"[+−-]?[0-9.,]{0,6}([eE][+-]?[0-9]{1,2})?", fullmatch=True),
    st.sampled_from(["", " ", "  ", "\u00a0"]),
    st.one_of(units, units.map(str.upper), st.sampled_from(["°", "", "rpm", "pct", "Nm", "lpm", "°/s", "x", "1/s"])),
    st.sampled_from(["", "", "”", "s"]),
)


@given(st.one_of(sloppy, near_misses), dimensions)
@settings(max_examples=600, deadline=None)
def test_whatever_a_refusal_offers_would_be_taken(text: str, dimension) -> None:
    remedy = remedy_for(text, dimension, dimension.example)
    offers = re.findall('"([^"]*)"', remedy)

    assert 1 <= len(offers) <= 2, remedy
    for offer in offers:
        parse(offer, dimension)


@given(st.integers(-(10**9), 10**9), st.integers(0, 6), dimensions, st.data())
@settings(max_examples=300, deadline=None)
def test_every_decimal_number_is_read_exactly(number: int, places: int, dimension, data) -> None:
    unit = data.draw(st.sampled_from(sorted(dimension.units)))
    exact = Fraction(number, 10**places)
    whole, rest = divmod(abs(number), 10**places)
    text = f"{'-' if number < 0 else ''}{whole}{f'.{rest:0{places}}' if places else ''} {unit}"

    assert parse(text, dimension) == exact * dimension.units[unit]
