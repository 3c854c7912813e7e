"""Holds the compiled law to every example that is worked out by hand."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from differential import Sequence, first_difference, tick_row
from hand_table import made

from mapper.law import load_core
from mapper.law.core import OUT_INTS


@pytest.fixture(autouse=True)
def compiled_law_agrees() -> Iterator[None]:
    """After each test: the compiled law gives the same bits for the inputs of every bench that the test made."""
    made.clear()
    yield
    for bench in made:
        if not bench.rows:
            continue
        inputs = np.array(bench.rows, dtype=np.int32)
        expected = np.zeros((len(inputs), OUT_INTS), dtype=np.int32)
        for row, tick in zip(expected, bench.ticks, strict=True):
            tick_row(tick, row)
        sequence = Sequence(seed=0, table=bench.table, inputs=inputs, expected=expected)
        difference = first_difference(sequence, load_core())

        assert difference is None, difference
