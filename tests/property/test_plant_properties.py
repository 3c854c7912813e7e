"""The compiled plant is its definition to the last bit, whatever machine, load, corner and drives."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plant_case import random_drives, random_profile, same_motion

from mapper.replay import CORNERS, CompiledPlant, Plant, plant_parameters

WHAT = ("stalled", "ahead", "shared", "metered", "shut")


def run_both(seed, ticks):
    """How often what was seen; asserts that counts, positions and motion are the same bits in every tick."""
    source = random.Random(seed)
    parameters = plant_parameters(
        random_profile(source), source.choice(CORNERS), source.choice(["", "one", "two", None])
    )
    start = [source.uniform(-2.0, 2.0) for _ in parameters.joints]
    plant, compiled = Plant(parameters, start), CompiledPlant(parameters, start)
    seen = dict.fromkeys(WHAT, 0)
    for drives in random_drives(source, len(start), ticks):
        counts = plant.step(drives)
        compiled_counts, motion = compiled.step(drives)
        assert counts == compiled_counts
        assert plant.position_rad == compiled.position_rad()
        assert same_motion(plant, motion)
        seen["shared"] += plant.pump_factor < 1.0
        for factor, inlet in zip(plant.factor, plant.inlet_pa, strict=True):
            seen["stalled"] += factor == 0.0
            seen["ahead"] += factor > 1.0
            seen["metered"] += 0.0 < factor < 1.0
            seen["shut"] += inlet == 0.0
    return seen


@given(st.integers(0, 2**32))
@settings(max_examples=30, deadline=None)
def test_compiled_plant_is_the_definition_on_random_machines(seed):
    run_both(seed, 150)


def test_the_random_machines_reach_everything_that_the_plant_does():
    seen = [run_both(seed, 150) for seed in range(30)]

    for what in WHAT:
        assert sum(one[what] > 0 for one in seen) >= 3, what


@pytest.mark.deep
@pytest.mark.parametrize("seed", range(100))
def test_compiled_plant_is_the_definition_for_longer(seed):
    run_both(1000 + seed, 3000)
