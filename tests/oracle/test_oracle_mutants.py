"""The random runs can tell each new rule from its absence and from the slips that are near at hand.

Each mutant is the oracle with one rule left out or bent. It gets the recorded inputs of random runs; a run in which
some output other than a flag differs has noticed it. A mutant that no run noticed would be a rule that the comparison
with the compiled law does not try.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pytest
from differential import Sequence, played, tick_row
from law_oracle import Oracle
from oracle_words import Q16, CoupledLimit, SensorState, sign

from mapper.law.core import OUT_HEAD, OUT_INTS, OUT_JOINT

FAST = range(9_000_000, 9_000_080)
DEEP = range(9_000_000, 9_000_500)
FLAGS = list(range(OUT_HEAD + OUT_JOINT - 1, OUT_INTS, OUT_JOINT))


class WithoutBrake(Oracle):
    """L6c or L7f left out."""

    left_out = ""

    def brake_coupled(self, speeds: list[int], rule: str) -> list[int]:
        return speeds if rule == self.left_out else super().brake_coupled(speeds, rule)


class WithoutL6c(WithoutBrake):
    left_out = "L6c"


class WithoutL7f(WithoutBrake):
    left_out = "L7f"


class WithoutL6f(Oracle):
    def limit_tip(self, v: list[int]) -> list[int]:
        return v


class WithoutL7g(Oracle):
    def hold_tip(self, w: list[int]) -> list[int]:
        return w


class DisagreementForgets(Oracle):
    """L3e as it was: agreement sets the counter to 0."""

    def _compare(self, sensor: SensorState, value_0: int, value_1: int) -> None:
        before = sensor.apart
        super()._compare(sensor, value_0, value_1)
        if sensor.apart < before:
            sensor.apart = 0


class DisagreementWaits(Oracle):
    """The counter keeps its value while a track is not primed."""

    def _compare(self, sensor: SensorState, value_0: int, value_1: int) -> None:
        if all(track.primed for track in sensor.tracks):
            super()._compare(sensor, value_0, value_1)


class FirstTrackOnly(Oracle):
    """Coupled room from the sensor's value, not from its worse end."""

    def coupled_room(self, stop: CoupledLimit) -> int:
        pairs = zip(stop.table.joints, stop.table.weights_e3, strict=True)
        used_e3 = sum(weight * self.joints[index].position.value for index, weight in pairs)
        return (stop.table.limit_mdeg * 1_000 - used_e3) // 1_000


class LargerAlways(Oracle):
    """The larger position for every weight."""

    def coupled_room(self, stop: CoupledLimit) -> int:
        pairs = zip(stop.table.joints, stop.table.weights_e3, strict=True)
        used_e3 = sum(weight * self.joints[index].position.larger for index, weight in pairs)
        return (stop.table.limit_mdeg * 1_000 - used_e3) // 1_000


class RoomRoundedUp(Oracle):
    def coupled_room(self, stop: CoupledLimit) -> int:
        return super().coupled_room(stop) + 1


class AwayCounts(Oracle):
    """Motion away is set against motion towards."""

    def _brake_stop(self, stop: CoupledLimit, speeds: list[int], rule: str, braked: set[int]) -> list[int]:
        pairs = zip(stop.table.joints, stop.table.weights_e3, strict=True)
        net = sum(weight * speeds[index] for index, weight in pairs)
        room = self.coupled_room(stop)
        cap = 0 if room <= 0 else stop.brake.at(room)
        return speeds if net <= cap * 1_000 else super()._brake_stop(stop, speeds, rule, braked)


class StopsBackwards(Oracle):
    """The last coupled stop first."""

    def brake_coupled(self, speeds: list[int], rule: str) -> list[int]:
        for stop in reversed(self.coupled):
            speeds = self._brake_stop(stop, speeds, rule, set())
        return speeds


class StopsAtOnce(Oracle):
    """Every coupled stop sees the speeds before any of them acted, and the slowest wins."""

    def brake_coupled(self, speeds: list[int], rule: str) -> list[int]:
        each = [self._brake_stop(stop, speeds, rule, set()) for stop in self.coupled]
        return [min((braked[i] for braked in [speeds, *each]), key=abs) for i in range(len(speeds))]


class TipScalesAll(Oracle):
    """A joint without reach is scaled too."""

    def limit_tip(self, v: list[int]) -> list[int]:
        limit, total = self._tip_limit("L6f"), self._tip_speed(v)
        if limit == 0 or total <= limit:
            return v
        return [sign(each) * (abs(each) * (limit * Q16 // total) // Q16) for each in v]


class TipInFullMode(Oracle):
    def _tip_limit(self, rule: str) -> int:
        return self.machine.tip_mdeg_mm_s


class TipScalesRamp(Oracle):
    """L7g scales instead of holding."""

    def hold_tip(self, w: list[int]) -> list[int]:
        return self.limit_tip(w)


class TipBeforeStops(Oracle):
    """L7g before L7f."""

    def brake_coupled(self, speeds: list[int], rule: str) -> list[int]:
        return super().brake_coupled(super().hold_tip(speeds) if rule == "L7f" else speeds, rule)

    def hold_tip(self, w: list[int]) -> list[int]:
        return w


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """`branches`: where none of them was reached nothing can differ, so that such a run need not be played again."""

    law: type[Oracle]
    branches: tuple[str, ...]
    fast: int  # runs of FAST that must differ
    deep: int  # runs of DEEP that must differ


BRAKED_V = ("L6c-scaled", "L6c-beyond")
BRAKED_W = ("L7f-scaled", "L7f-beyond")
HELD = ("L7g-held", "L7g-held-at-zero")
MUTANTS = (
    Mutant(law=WithoutL6c, branches=BRAKED_V, fast=10, deep=100),
    Mutant(law=WithoutL7f, branches=BRAKED_W, fast=3, deep=30),
    Mutant(law=WithoutL6f, branches=("L6f-scaled", "L6f-to-zero"), fast=10, deep=100),
    Mutant(law=WithoutL7g, branches=HELD, fast=3, deep=30),
    Mutant(law=DisagreementForgets, branches=("L3e-falls",), fast=3, deep=30),
    Mutant(law=DisagreementWaits, branches=("L3e-unprimed-falls",), fast=0, deep=2),
    Mutant(law=FirstTrackOnly, branches=(*BRAKED_V, "L6c-left"), fast=3, deep=30),
    Mutant(law=LargerAlways, branches=(*BRAKED_V, "L6c-left"), fast=1, deep=20),
    Mutant(law=RoomRoundedUp, branches=BRAKED_V, fast=3, deep=30),
    Mutant(law=AwayCounts, branches=("L6c-away", "L7f-away"), fast=3, deep=30),
    Mutant(law=StopsBackwards, branches=("L6c-again", "L7f-again"), fast=1, deep=30),
    Mutant(law=StopsAtOnce, branches=("L6c-again", "L7f-again"), fast=1, deep=20),
    Mutant(law=TipScalesAll, branches=("L6f-reachless",), fast=3, deep=30),
    Mutant(law=TipInFullMode, branches=("L6f-full", "L7g-full"), fast=3, deep=30),
    Mutant(law=TipScalesRamp, branches=HELD, fast=3, deep=30),
    Mutant(law=TipBeforeStops, branches=BRAKED_W, fast=0, deep=1),
)


def differs(mutant: Mutant, sequence: Sequence, reached: dict[str, int]) -> bool:
    """True where some output that is no flag differs in some tick."""
    if not any(reached[branch] for branch in mutant.branches):
        return False
    oracle = mutant.law(sequence.table)
    got = np.zeros(OUT_INTS, dtype=np.int32)
    for expected, values in zip(sequence.expected, sequence.inputs.tolist(), strict=True):
        tick_row(oracle.step(values[0], values[1], values[2:]), got)
        different = got != expected
        different[FLAGS] = False
        if different.any():
            return True
    return False


def noticed(mutant: Mutant, seeds: Iterable[int], enough: int) -> int:
    """How many runs notice the mutant; stops at `enough`."""
    count = 0
    for seed in seeds:
        if count == enough:
            break
        count += differs(mutant, *played(seed))
    return count


@pytest.mark.parametrize("mutant", [each for each in MUTANTS if each.fast], ids=lambda each: each.law.__name__)
def test_random_runs_notice_each_bent_rule(mutant: Mutant) -> None:
    assert noticed(mutant, FAST, mutant.fast) == mutant.fast


@pytest.mark.deep
@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda each: each.law.__name__)
def test_random_runs_notice_each_bent_rule_often(mutant: Mutant) -> None:
    assert noticed(mutant, DEEP, mutant.deep) == mutant.deep
