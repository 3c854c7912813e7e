"""What Hypothesis draws: the bytes of one example, which C decodes (firmware_stub/bench/search.h says how).

One draw of fixed length an example: a draw for every field would cost Hypothesis more time than the C needs for
thousands of ticks. Every byte is a field of its own and 0 is its simplest value (a segment of length 0 is none), so
that Hypothesis' shrinker, which lowers byte after byte, removes segments, events and faults one by one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from mapper.check.search.library import GENOME_BYTES

if TYPE_CHECKING:
    from hypothesis.strategies import SearchStrategy


def examples() -> SearchStrategy[bytes]:
    """Every example there is."""
    from hypothesis import strategies

    return strategies.binary(min_size=GENOME_BYTES, max_size=GENOME_BYTES)
