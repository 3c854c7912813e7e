"""Where a value lies just beside a whole number the law rounds as its rules say: curves down, what a joint needs up."""

from __future__ import annotations

import ctypes

import core_table
import hand_table
import numpy as np
import pytest

from mapper.law import load_core
from mapper.law.core import OUT_HEAD, OUT_HEAD_NAMES
from mapper.table import encode_table
from mapper.table.table import Curve


@pytest.mark.parametrize(("x", "value"), [(0, 0), (1, -1), (32_768, -1), (65_535, -1), (65_536, -1), (65_537, -1)])
def test_a_falling_curve_is_rounded_down_from_its_first_step_on(x, value):
    """L2: the slope is -1 / 65536, so one step lies 1 / 65536 below 0, and floor makes -1 of it."""
    curve = core_table._Curve(count=2)
    curve.x[0], curve.x[1], curve.y[0], curve.y[1] = 0, 65_536, 0, -1
    library = core_table.core_library()

    assert library.curve_prepare(ctypes.byref(curve))
    assert library.curve_at(ctypes.byref(curve), x) == value


@pytest.mark.parametrize(("flow_per_speed_q16", "share_q16"), [(65_536, 65_536), (65_537, 32_768)])
def test_what_a_joint_needs_is_rounded_up(flow_per_speed_q16, share_q16):
    """L6e: a share of 9999 of 2 mdeg/s is 1; 1 mdeg/s at 65536 / 65536 needs 1, at 65537 / 65536 needs 2; the pump
    gives 1.
    """
    level = Curve(points=((0, flow_per_speed_q16), (100_000, flow_per_speed_q16)))
    joint = hand_table.speed_joint(
        flow_per_speed_q16=(level, level), speed_full_mdeg_s=(2, 2), speed_reduced_mdeg_s=(2, 2)
    )
    bench = hand_table.Bench(joint, pump_ml_min=1)
    bench.to_running()
    bench.tick(operator=1_000)
    bench.tick()
    live = load_core().table(encode_table(bench.table))
    out = live.run(live.start(), np.array(bench.rows, dtype=np.int32))

    assert out[-1, OUT_HEAD + 2] == 1 * (share_q16 == 65_536)
    assert out[-1, OUT_HEAD_NAMES.index("share_q16")] == share_q16
