"""Emergency stop, fault, power-up, restart and release: the rules of `safety_rules` over every state of the safety
machine, and the stop's time on the real table.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from mapper.check.context import judge, not_shown
from mapper.check.finding import Evidence, Finding, Status
from mapper.check.law.exhaust import DIGITAL, VARIANTS, transitions
from mapper.check.law.pilot import HEALTHY, HELD, Running, drives
from mapper.check.law.safety_rules import GROUPS, WALKS, Rule, Ticks, broken_rules, ticks_of
from mapper.law import LawState, LiveTable
from mapper.profile.profile import Profile
from mapper.table.table import MachineTable, Table

_RECONNECT = (
    "; a reconnected or busy line is no input of the law (INV-LINK-1 of firmware_stub/core/link.h: no message changes "
    "its state), and a table that was uploaded begins with power-up (rule L10s)"
)


def safety_findings(profile: Profile, table: Table, live: LiveTable, running: Running) -> tuple[Finding, ...]:
    """emergency_stop, fault, power_up, restart, release: in this order."""
    t = ticks_of(transitions(table.machine.stop_category))
    assert t.all.next.shape[1:] == (DIGITAL, len(VARIANTS)), "every digital input and variant in every state"
    assert t.all.next.min() >= 0, "every transition was tried"
    assert t.all.next.max() == len(t.all.states) - 1, "no transition leaves the states that were tried"
    groups = {limit: _group(t, limit, rules) for limit, rules in GROUPS}
    stop = _with_time(groups["emergency_stop"], _stop_time(profile, table, live, running))
    release = _with_time(groups["restart"], _release_time(profile, table, live, running))
    return (stop, groups["fault"], groups["power_up"], groups["restart"], release)


def _group(t: Ticks, limit: str, rules: tuple[Rule, ...]) -> Finding:
    broken = broken_rules(t, limit, rules)
    count = len(rules) + len(WALKS[limit])
    return judge(
        None,
        limit,
        evidence=Evidence.EXHAUSTIVE,
        cases=int(t.all.next.size),
        worst=len(broken),
        bound=0,
        unit="rules",
        margin=False,
        detail=f"{count} rules in every one of {len(t.all.states)} reachable states of the safety machine, each with "
        f"all {DIGITAL} digital inputs and {len(VARIANTS)} joint conditions, on the compiled law with stop category "
        f"{t.machine.stop_category}; timers shortened to 2 or 3 ticks, since they enter only by comparison, and two "
        "joints that differ for all, since joints enter only by every and any"
        + (_RECONNECT if limit == "power_up" else "")
        + ("" if not broken else "; " + " | ".join(broken)),
        advice="do not use this build of the law: report the sequence above",
    )


def _with_time(exhausted: Finding, timed: Finding) -> Finding:
    """The time is a finding of its own limit; it holds only where the enumeration that it leans on holds too."""
    if exhausted.status is not Status.HOLDS:
        return replace(exhausted, limit=timed.limit)
    if timed.status is not Status.HOLDS:
        return timed
    return replace(timed, cases=exhausted.cases + timed.cases, detail=f"{timed.detail}; {exhausted.detail}")


def _ticks_to_zero(table: Table, live: LiveTable, running: Running, digital: int, most: int) -> int:
    """Ticks from the first with these digital inputs until every drive is 0 and enable off; most + 1 when never."""
    state = LawState(len(running.state))
    state.load(running.state)
    row = running.row.copy()
    row[1] = digital
    out = live.run(state, np.tile(row, (most, 1)))
    still = np.any(drives(out, len(table.joints)) != 0, axis=1) | (out[:, 4] != 0)
    last = np.flatnonzero(still)
    return most + 1 if last.size == most else int(last[-1]) + 2 if last.size else 1


def _stop_time(profile: Profile, table: Table, live: LiveTable, running: Running) -> Finding:
    machine, relay_s = table.machine, profile.emergency_stop.delayed_off_relay_s
    if not running.moving:
        return _not_moving("emergency_stop")
    tick_ms = machine.tick_us / 1000
    latest = 1 if machine.stop_category == 0 else machine.stop_ticks + 1
    opened = [HELD & ~bits for bits in (1, 2, 3)]
    seen = max(_ticks_to_zero(table, live, running, digital, latest + 2) for digital in opened)
    bound_ms = None if machine.stop_category == 0 or relay_s is None else float(relay_s) * 1000
    late_ms = _latest_ms(machine, latest)
    relay = (
        ""
        if bound_ms is None
        else f", {late_ms:g} ms with every tick late, sampling and output counted, before the relay drops"
    )
    return judge(
        None,
        "emergency_stop",
        evidence=Evidence.EXHAUSTIVE,
        cases=len(opened),
        worst=max(seen, latest) * tick_ms if bound_ms is None else late_ms,
        bound=tick_ms if bound_ms is None else bound_ms,
        unit="ms",
        margin=False,
        holds=seen <= latest and (bound_ms is None or late_ms <= bound_ms),
        detail=f"category {machine.stop_category}: drives zero and enable off at most {latest} tick(s) after either "
        f"channel is read open{relay}; "
        f"on this table with every joint moving it took {seen}. The controller's part only: sampling, valve, dump and "
        "load come on top",
        advice="compile the table again: its stop deadline is not the profile's",
    )


def _latest_ms(machine: MachineTable, ticks: int) -> float:
    """So many ticks from the one that reads a contact, every one late; one more until it is read, one to the output."""
    return (ticks + 2) * (machine.tick_us + machine.late_us) / 1000


def _release_time(profile: Profile, table: Table, live: LiveTable, running: Running) -> Finding:
    machine = table.machine
    if not running.moving:
        return _not_moving("release")
    latest = machine.release_ticks + 1
    late_ms, bound_ms = _latest_ms(machine, latest), float(profile.emergency_stop.release_deadline_s) * 1000
    seen = _ticks_to_zero(table, live, running, HEALTHY, latest + 2)
    return judge(
        None,
        "release",
        evidence=Evidence.EXHAUSTIVE,
        cases=1,
        worst=late_ms,
        bound=bound_ms,
        unit="ms",
        margin=False,
        holds=seen <= latest and late_ms <= bound_ms,
        detail=f"enabling device let go: drives zero and enable off by the deadline of {machine.release_ticks} ticks "
        "and the tick in which "
        "it is seen, every tick late, sampling and output counted; on this table with every joint moving it took "
        f"{seen}",
        advice="compile the table again: its release deadline is not the profile's",
    )


def _not_moving(limit: str) -> Finding:
    return not_shown(
        None,
        limit,
        unit="ms",
        detail="the law could not be brought to running with every joint moving, so the time to zero could not be "
        "measured",
        advice="see whether every operator input reaches poses inside the soft stops and every speed limit asks for "
        "some flow",
    )
