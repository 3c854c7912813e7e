"""The compiled stiff model against its definition, to the last bit."""

from __future__ import annotations

import random

import pytest
from stiff_case import changed, holding, physics_of, random_stop, sudden

from mapper.replay._stiff_library import run_stiff_compiled
from mapper.replay.stiff import HARD_STOP, RELIEF_OPENED, SEAT_OPENED, VOID, run_stiff
from mapper.replay.stiff_joint import stiff_joint

CASES, TICKS = 60, 12


def test_compiled_stop_equals_its_definition_to_the_last_bit():
    source = random.Random("stiff")
    seen = 0

    for case in range(CASES):
        joint, start = random_stop(source, TICKS)
        plain, compiled = run_stiff(joint, start), run_stiff_compiled(joint, start)

        assert plain.rows.tolist() == compiled.rows.tolist(), (case, joint.name)
        for name in ("ticks", "peak_pa", "highest_rad", "lowest_rad", "turned_s", "moving_s", "happened", "stood"):
            assert getattr(plain, name) == getattr(compiled, name), (case, joint.name, name)
        seen |= plain.happened | plain.happened >> 8

    assert seen & (RELIEF_OPENED | SEAT_OPENED | VOID | HARD_STOP) == RELIEF_OPENED | SEAT_OPENED | VOID | HARD_STOP


@pytest.mark.parametrize("vented", [False, True])
def test_a_counterbalance_is_the_same_in_both_with_its_chamber_vented_and_not(vented):
    held = holding("double_counterbalance", 120, ratio=4, vented=vented)
    physics = changed(physics_of("boom_lift"), holding=held)
    joint = stiff_joint(physics, corner="nominal", load_name="rated", direction=1, q_rad=0.2)
    start = sudden(joint, 0.2, -0.35, ticks=TICKS)
    plain, compiled = run_stiff(joint, start), run_stiff_compiled(joint, start)

    assert plain.rows.tolist() == compiled.rows.tolist()
    assert joint.side[0].shut_pa == (120e5 if vented else 135e5)


def test_the_two_see_the_same_standstill():
    joint = stiff_joint(physics_of("wrist_pitch"), corner="nominal", load_name="rated", direction=0, q_rad=0.1)
    start = sudden(joint, 0.1, 0.3, ticks=120, quiet=10)
    plain, compiled = run_stiff(joint, start), run_stiff_compiled(joint, start)

    assert plain.stood
    assert compiled.stood
    assert plain.rows.tolist() == compiled.rows.tolist()
    assert (plain.turned_s, plain.moving_s, plain.ticks) == (compiled.turned_s, compiled.moving_s, compiled.ticks)
    assert plain.ticks < 120


def test_shares_that_do_not_fit_the_ticks_are_refused():
    joint, start = random_stop(random.Random(1), TICKS)
    start = type(start)(**{name: getattr(start, name) for name in start.__slots__} | {"share": start.share[:-1]})

    with pytest.raises(ValueError, match="one more than ticks"):
        run_stiff_compiled(joint, start)
