"""What a step of the law costs on a Cortex-M4, in instructions: the count itself, and the gate on it."""

from __future__ import annotations

import random

import numpy as np
import pytest
from arm_build import arm_compilers, arm_program, missing

if missing() is None:
    from arm_core import ArmCore, ArmError
    from arm_cost import (
        MOST_INSTRUCTIONS,
        MOST_STACK_BYTES,
        RECORDED,
        Costs,
        all_in_motion,
        brisk,
        counting_law,
        kerb_costs,
        longest_table,
        measure,
        random_drives,
        rows,
    )
    from arm_law import ArmLaw, fresh_state

from replay_case import KERB, worked_table

from mapper.table import decode_table, encode_table
from mapper.table.table import CURVE_POINTS_MAX

pytestmark = pytest.mark.skipif(missing() is not None, reason=str(missing()))
GATED = "arm-none-eabi-gcc"
"""The gate is for the compiler that builds the board; the other one stands in where that is missing."""


def gates() -> dict[str, int]:
    quarters = 4 if arm_compilers()[0] == GATED else 5  # clang takes about a sixth more
    return {kind: gate * quarters // 4 for kind, gate in MOST_INSTRUCTIONS.items()}


@pytest.fixture(scope="module")
def arm():
    return counting_law(arm_compilers()[0])


@pytest.fixture(scope="module")
def moving():
    table = decode_table(worked_table(KERB))
    return table, *all_in_motion(table)


def test_counting_by_blocks_is_counting_one_by_one(arm, moving):
    """The count by blocks rests on a rule for the length of an instruction; the emulator's own steps need none."""
    table, state, inputs = moving
    single = ArmLaw(ArmCore(arm_program(arm_compilers()[0]), count="instructions"))
    counts = []
    for law in (arm, single):
        law.parse(encode_table(table))
        counts.append(law.cost(state, inputs[:60])[0])

    assert np.array_equal(*counts)
    assert len(set(counts[0].tolist())) > 5


def test_count_is_the_same_every_time(arm, moving):
    table, state, inputs = moving
    arm.parse(encode_table(table))

    assert np.array_equal(arm.cost(state, inputs)[0], arm.cost(state, inputs)[0])


def test_core_that_does_not_count_says_so(moving):
    table, state, inputs = moving
    plain = ArmLaw(ArmCore(arm_program(arm_compilers()[0])))
    plain.parse(encode_table(table))

    with pytest.raises(ArmError, match="0 of 150 steps"):
        plain.cost(state, inputs)


def test_step_for_six_joints_stays_below_its_gate(arm):
    """The kerb arm at rest, following, with all joints in motion and turning round at once, braked by soft and coupled
    stops, limited in tip speed, and under random drives; main.py and the deep test drive it for longer.
    """
    costs = kerb_costs(arm, drives=12, recordings=RECORDED[1:2])

    assert all(costs.kinds[kind].ticks > 0 for kind in costs.kinds), {k: c.ticks for k, c in costs.kinds.items()}
    assert costs.above(gates()) == [], rows(costs)
    assert costs.stack_bytes < MOST_STACK_BYTES


@pytest.mark.deep
@pytest.mark.timeout(1_800)
def test_step_for_six_joints_stays_below_its_gate_however_long_it_is_driven(arm):
    costs = kerb_costs(arm, drives=400, recordings=RECORDED)
    print(rows(costs))

    assert costs.kinds["all of them"].ticks > 200_000
    assert costs.above(gates()) == [], rows(costs)


def test_cost_above_a_gate_is_told():
    costs = Costs()
    costs.add("all of them", np.array([10, 30, 20], dtype=np.uint32))

    assert costs.above({"all of them": 31}) == []
    assert costs.above({"all of them": 30}) == ["all of them: 30, the gate is 30"]
    assert (costs.kinds["all of them"].least, costs.kinds["all of them"].total) == (10, 60)


def test_longest_curves_are_as_long_as_they_may_be_and_the_same_line():
    rng = random.Random(3)
    table = longest_table(rng, 6)
    lengths = [len(track.curve.points) for joint in table.joints for track in joint.position.tracks]

    assert max(lengths) == CURVE_POINTS_MAX
    assert len(table.joints) == 6


def test_cost_of_a_law_that_gives_other_outputs_is_refused(arm, monkeypatch):
    """Goal: no figure is quoted for a core that is not the PC's."""
    table = brisk(decode_table(worked_table(KERB)))
    inputs = next(random_drives(table, 1, 1))
    real = arm.cost

    def wrong(state, part):
        counts, outputs, last = real(state, part)
        outputs[3, 0] ^= 1
        return counts, outputs, last

    monkeypatch.setattr(arm, "cost", wrong)
    with pytest.raises(AssertionError, match="other outputs"):
        measure(arm, table, inputs, Costs(), fresh_state(arm))
