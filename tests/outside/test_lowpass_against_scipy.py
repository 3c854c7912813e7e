"""Rule L4a, the demand's low-pass, against scipy.signal.lfilter and the closed form of the first-order lag.

Sources: scipy.signal.lfilter (general-purpose library) run as y[n] = (1 - a) y[n-1] + a x[n]; closed form of a
first-order lag sampled with a held input, a = 1 - exp(-dt / tau): for tau = 50 ms and dt = 10 ms a = 0.181269247,
and the step response after five steps is 1 - exp(-1) = 0.632120559, after ten 0.864664717.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hand_table import Bench, follow_joint, sensor
from law_oracle import Oracle
from scipy.signal import lfilter

from mapper.law import load_core
from mapper.table import encode_table
from mapper.table.table import Curve, Table

TAU_S, TICK_S, Q16 = 0.050, 0.010, 65_536
EXACT_SHARE = 0.181269247
ONE_MDEG_A_COUNT = Curve(points=((0, 0), (65_535, 65_535)))


def table_with(filter_q16: int) -> Table:
    operator = sensor(0, ONE_MDEG_A_COUNT)
    operator = type(operator)(
        tracks=(type(operator.tracks[0])(input=0, count_min=1, count_max=65_534, curve=ONE_MDEG_A_COUNT),),
        step_max=400_000,
        disagreement=1_000,
        bad_ticks=3,
    )
    response = Curve(points=((0, 0), (360_000, 360_000)))
    return Bench(follow_joint(filter_q16=filter_q16, operator=operator, response=response)).table


def demands(table: Table, operator_counts: np.ndarray) -> np.ndarray:
    """Target of each tick, of the compiled law; the oracle must say the same."""
    inputs = np.zeros((len(operator_counts), 66), dtype=np.int32)
    inputs[:, 0], inputs[:, 1] = 10_000, 3
    inputs[:, 2], inputs[:, 3] = operator_counts, 500
    live = load_core().table(encode_table(table))
    compiled = live.run(live.start(), inputs)[:, 9]
    oracle = Oracle(table)
    plain = [oracle.step(row[0], row[1], row[2:]).joints[0].target for row in inputs.tolist()]

    assert compiled.tolist() == plain
    return compiled.astype(float)


@pytest.mark.outside
def test_step_response_is_that_of_the_first_order_lag() -> None:
    """Closed form of the first-order lag, 1 - exp(-t / tau), any textbook of control: 0.632 after tau.

    Value 1000 at start (count 1000), then 61000; the median lets a step through one tick late.
    """
    share = 1 - math.exp(-TICK_S / TAU_S)
    counts = np.array([1_000] * 3 + [61_000] * 11)
    rise = (demands(table_with(round(share * Q16)), counts) - 1_000) / 60_000

    assert share == pytest.approx(EXACT_SHARE, abs=1e-9)
    assert rise[3] == 0
    assert rise[4 + 5 - 1] == pytest.approx(0.632120559, abs=1e-4)
    assert rise[4 + 10 - 1] == pytest.approx(0.864664717, abs=1e-4)


@pytest.mark.outside
@pytest.mark.parametrize("filter_q16", [1, 700, 11_880, 40_000, 65_535, 65_536])
def test_filter_follows_lfilter_within_the_rounding_of_its_output(filter_q16: int) -> None:
    """scipy.signal.lfilter on the median-filtered counts, started at the first value; the output is truncated to whole
    mdeg, and each step of the state loses less than 2**-16, which adds up to at most 1 / filter_q16 mdeg."""
    rng = np.random.default_rng(4)
    counts = (30_000 + np.cumsum(rng.integers(-900, 901, 2_000))).clip(0, 65_535)
    padded = np.concatenate([[counts[0], counts[0]], counts])
    median = np.median(np.stack([padded[:-2], padded[1:-1], padded[2:]]), axis=0)
    share = filter_q16 / Q16
    expected, _ = lfilter([share], [1, share - 1], median, zi=[median[0] * (1 - share)])
    difference = demands(table_with(filter_q16), counts) - expected

    assert np.abs(difference).max() <= 1.0 + 1.0 / filter_q16
