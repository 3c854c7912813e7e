"""Limits whose edge no profile can reach, since the compiler and the law keep it: the compiled table moved over it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from check_case import KERB, STAND, bad, check_with, context_of, profile_of, text_of, with_value

from mapper.check import Status
from mapper.check.law.pilot import running_state
from mapper.check.law.response import deadband_zero
from mapper.check.law.sensors import track_disagreement
from mapper.law import load_core
from mapper.table import compile_table, encode_table

PROFILE = profile_of(text_of(STAND))


def running():
    table = compile_table(PROFILE)
    return running_state(table, load_core().table(encode_table(table)))


# The law's error deadband is 600 mdeg; told one more, the limit sees what the law does there.
@pytest.mark.parametrize(("deadband", "status"), [(600, Status.HOLDS), (601, Status.VIOLATED)])
def test_something_asked_for_inside_the_deadband_is_seen(deadband, status):
    context = context_of(PROFILE, "lever")
    told = replace(context, table=replace(context.table, deadband=deadband))

    assert deadband_zero(told).status is status


# 8 % of the lever, in 1/10000.
@pytest.mark.parametrize(("deadband", "status"), [(800, Status.HOLDS), (801, Status.VIOLATED), (799, Status.VIOLATED)])
def test_a_levers_deadband_is_exactly_the_tables(deadband, status):
    context = context_of(profile_of(text_of(KERB)), "clamp")
    told = replace(context, table=replace(context.table, deadband=deadband))

    assert context.table.deadband == 800
    assert deadband_zero(told).status is status


# 20 ms of fault_time are 4 ticks of 5 ms.
@pytest.mark.parametrize(("ticks", "status"), [(4, Status.HOLDS), (5, Status.VIOLATED)])
def test_tracks_that_disagree_for_a_tick_too_long_are_that_limit(ticks, status):
    own = compile_table(PROFILE).joints[0].position
    found = track_disagreement(context_of(PROFILE, "lever", position=replace(own, bad_ticks=ticks)), running())

    assert found is not None
    assert found.status is status


def test_a_stop_deadline_a_tick_too_late_is_that_limit():
    """Category 1, relay of 800 ms: 111 ticks of 7 ms; one more and the relay drops first."""
    text = with_value(text_of(STAND), "emergency_stop.category", "1")
    profile = profile_of(text.replace("[emergency_stop]\n", '[emergency_stop]\ndelayed_off_relay = "800 ms"\n'))
    table = compile_table(profile)

    assert bad(check_with(profile, table)) == []
    later = replace(table, machine=replace(table.machine, stop_ticks=table.machine.stop_ticks + 1))
    assert bad(check_with(profile, later)) == [("as_written", None), ("emergency_stop", None)]
