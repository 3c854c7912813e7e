"""What must hold in every state of the safety machine, rule by rule, over the enumeration of `exhaust`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mapper.check.law.exhaust import (
    DIGITAL,
    DRIVES,
    ENABLES,
    FIELDS,
    MOVES,
    VARIANTS,
    Transitions,
    input_words,
    state_number,
)
from mapper.law import CAUSES, INPUT_BITS, STATES
from mapper.table.table import MachineTable

Bools = npt.NDArray[np.bool_]

_STOP_CAUSE = CAUSES.index("emergency_stop")
(_POWERING_UP, _STOPPED, _MATCHING, _RUNNING, _STOPPING, _EMERGENCY, _FAULT) = map(state_number, STATES)
_ENABLED = (_MATCHING, _RUNNING, _STOPPING)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticks:
    """One entry a (state, digital inputs, variant): what was before, what was put in, what came out."""

    all: Transitions
    machine: MachineTable
    before: dict[str, npt.NDArray[np.int32]]  # columns, shape (n, 1, 1)
    after: dict[str, npt.NDArray[np.int32]]  # columns, shape (n, 64, variants)
    drives: Bools
    enables: Bools
    moves: Bools
    stop_open: Bools  # shape (1, 64, 1), like the next ones
    both_open: Bools
    held: Bools
    key: Bools
    full: Bools
    pressed: Bools
    reset_edge: Bools  # worked out here from press counter and button, not by the law
    discrepant: Bools  # the channels differ for too long, or have differed and were not both open since
    faulty: Bools  # a fault cause is present in this tick: a variant's, or the channels'


def ticks_of(found: Transitions) -> Ticks:
    """The transitions, laid out for the rules."""
    machine = found.machine
    digital = np.arange(DIGITAL, dtype=np.int32)[None, :, None]

    def on(name: str) -> Bools:
        return np.asarray((digital & INPUT_BITS[name]) != 0)

    names = tuple(name for name in FIELDS if name != "cause_joint")
    before = {name: found.column(name)[:, None, None] for name in names}
    after = {name: found.column(name)[found.next] for name in names}
    first, second = on("stop_1"), on("stop_2")
    ticks = before["press_ticks"]
    edge = ~on("reset") & (ticks >= machine.reset_min_ticks) & (ticks <= machine.reset_max_ticks)
    both = (before["both_must_open"] != 0) & (first | second)
    discrepant = both | ((first != second) & (before["discrepancy"] + 1 >= machine.discrepancy_ticks))
    return Ticks(
        all=found,
        machine=machine,
        before=before,
        after=after,
        drives=(found.flags & DRIVES) != 0,
        enables=(found.flags & ENABLES) != 0,
        moves=(found.flags & MOVES) != 0,
        stop_open=~(first & second),
        both_open=~first & ~second,
        pressed=on("reset"),
        held=on("enabling"),
        key=on("key"),
        full=on("mode_full"),
        reset_edge=edge,
        discrepant=discrepant,
        faulty=discrepant | _column_of("faulty"),
    )


def _column_of(name: str) -> Bools:
    """One attribute of the variants, along the last axis."""
    return np.array([getattr(variant, name) for variant in VARIANTS], dtype=np.bool_)[None, None, :]


def _is(values: npt.NDArray[np.int32], *numbers: int) -> Bools:
    return np.isin(values, numbers)


Rule = tuple[str, Callable[[Ticks], Bools]]
"""What must hold, in words, and where it does not."""


def _entered(t: Ticks, *numbers: int) -> Bools:
    return _is(t.after["state"], *numbers) & ~_is(t.before["state"], *numbers)


def _left(t: Ticks, number: int) -> Bools:
    return np.asarray((t.before["state"] == number) & (t.after["state"] != number))


def _bad_exit(t: Ticks, number: int) -> Bools:
    """Left for anything but stopped, or for stopped without: stop closed, device released, reset edge."""
    allowed = (t.after["state"] == _STOPPED) & ~t.stop_open & ~t.held & t.reset_edge
    to_fault = (t.after["state"] == _FAULT) & t.faulty
    return np.asarray(_left(t, number) & ~allowed & ~to_fault)


def _stop_zero(t: Ticks) -> Bools:
    safe = _is(t.after["state"], _POWERING_UP, _EMERGENCY, _FAULT) & ~t.drives & ~t.enables
    if t.machine.stop_category == 1:
        safe = safe | ((t.after["state"] == _STOPPING) & (t.after["cause"] == _STOP_CAUSE))
    return np.asarray(t.stop_open & ~safe)


def _stop_deadline(t: Ticks) -> Bools:
    """Category 1: a stop once taken only counts on to its deadline, whatever the inputs do."""
    stopping = (t.before["state"] == _STOPPING) & (t.before["cause"] == _STOP_CAUSE)
    goes_on = (
        (t.after["state"] == _STOPPING)
        & (t.after["cause"] == _STOP_CAUSE)
        & (t.after["state_ticks"] == t.before["state_ticks"] + 1)
    )
    late = t.before["state_ticks"] >= t.machine.stop_ticks
    return np.asarray(stopping & ~(goes_on & ~late) & ~_is(t.after["state"], _EMERGENCY, _FAULT))


def _release_deadline(t: Ticks) -> Bools:
    """A release once taken only counts on to its deadline, or becomes an emergency stop or a fault."""
    stopping = (t.before["state"] == _STOPPING) & (t.before["cause"] != _STOP_CAUSE)
    goes_on = (t.after["state"] == _STOPPING) & (t.after["cause"] == t.before["cause"])
    goes_on = goes_on & (t.after["state_ticks"] == t.before["state_ticks"] + 1)
    late = t.before["state_ticks"] >= t.machine.release_ticks
    to_stop = t.stop_open & (t.after["state"] == _STOPPING) & (t.after["cause"] == _STOP_CAUSE)
    return np.asarray(stopping & ~(goes_on & ~late) & ~to_stop & ~_is(t.after["state"], _STOPPED, _EMERGENCY, _FAULT))


_EMERGENCY_RULES: tuple[Rule, ...] = (
    ("an open stop channel gives zero drive and enable off in that tick (category 1: or the timed stop)", _stop_zero),
    ("a timed stop ends at its deadline", _stop_deadline),
    (
        "emergency_stop is left only with the stop closed, the device released and a reset edge",
        lambda t: _bad_exit(t, _EMERGENCY),
    ),
    ("emergency_stop drives nothing", lambda t: (t.after["state"] == _EMERGENCY) & (t.drives | t.enables)),
)
_FAULT_RULES: tuple[Rule, ...] = (
    (
        "a fault gives zero drive and enable off in that tick",
        lambda t: (
            t.faulty & (t.before["state"] != _POWERING_UP) & ~((t.after["state"] == _FAULT) & ~t.drives & ~t.enables)
        ),
    ),
    ("fault is left only with the stop closed, the device released and a reset edge", lambda t: _bad_exit(t, _FAULT)),
    ("fault is not left while a fault is present", lambda t: _left(t, _FAULT) & t.faulty),
    (
        "channels that differ for the discrepancy time, or have and were not both open since, are remembered",
        lambda t: t.discrepant & (t.after["both_must_open"] == 0),
    ),
    (
        "that is forgotten only in a tick in which both channels are open",
        lambda t: (t.before["both_must_open"] != 0) & (t.after["both_must_open"] == 0) & ~t.both_open,
    ),
    (
        "the cause of a fault is kept as long as the fault",
        lambda t: (
            (t.before["state"] == _FAULT) & (t.after["state"] == _FAULT) & (t.after["cause"] != t.before["cause"])
        ),
    ),
    ("fault drives nothing", lambda t: (t.after["state"] == _FAULT) & (t.drives | t.enables)),
)
_POWER_UP_RULES: tuple[Rule, ...] = (
    (
        "nothing is driven or enabled while powering up",
        lambda t: (t.after["state"] == _POWERING_UP) & (t.drives | t.enables),
    ),
    (
        "powering up ends in stopped without permit, or in emergency_stop",
        lambda t: (
            _left(t, _POWERING_UP)
            & ~((t.after["state"] == _EMERGENCY) & t.stop_open)
            & ~(
                (t.after["state"] == _STOPPED)
                & ~t.stop_open
                & (t.after["permit"] == 0)
                & (t.after["seen_released"] == 0)
            )
        ),
    ),
    (
        "powering up does not end before the sensors are good",
        lambda t: _left(t, _POWERING_UP) & ~_column_of("ready"),
    ),
    (
        "a reset button held at power-up does not count as pressed then",
        lambda t: (
            (np.arange(len(t.all.states)) == 0)[:, None, None] & (t.before["press_ticks"] <= t.machine.reset_max_ticks)
        ),
    ),
    ("powering up is never entered again", lambda t: _entered(t, _POWERING_UP)),
)
_RESTART_RULES: tuple[Rule, ...] = (
    ("drives only in running and stopping", lambda t: t.drives & ~_is(t.after["state"], _RUNNING, _STOPPING)),
    (
        "no permit is kept in emergency_stop and fault",
        lambda t: _is(t.after["state"], _EMERGENCY, _FAULT) & ((t.after["permit"] | t.after["seen_released"]) != 0),
    ),
    (
        "a permit is given only by a reset edge with the device released",
        lambda t: (t.after["permit"] > t.before["permit"]) & ~(t.reset_edge & ~t.held),
    ),
    (
        "the device counts as released only in a tick in which it is",
        lambda t: (t.after["seen_released"] > t.before["seen_released"]) & t.held,
    ),
    (
        "after a stop by release, and after matching, the device must be seen released again",
        lambda t: (
            _entered(t, _STOPPED)
            & _is(t.before["state"], _MATCHING, _RUNNING, _STOPPING)
            & (t.after["seen_released"] != 0)
        ),
    ),
    (
        "one tick that is not matched starts the match time anew",
        lambda t: (t.after["state"] == _MATCHING) & ~_column_of("matched") & (t.after["match_ticks"] != 0),
    ),
    (
        "a state begins with its counters at zero",
        lambda t: (
            (t.after["state"] != t.before["state"]) & ((t.after["state_ticks"] != 0) | (t.after["match_ticks"] != 0))
        ),
    ),
    (
        "the match time counts a tick at a time, with the pump loaded",
        lambda t: (
            (t.after["match_ticks"] > t.before["match_ticks"])
            & ~(
                (t.after["match_ticks"] == t.before["match_ticks"] + 1)
                & (t.before["state"] == _MATCHING)
                & (t.before["state_ticks"] >= t.machine.load_ticks)
            )
        ),
    ),
    (
        "a press of the reset button is counted from when it begins, and done with when it ends",
        lambda t: (
            t.after["press_ticks"]
            != np.where(t.pressed, np.minimum(t.before["press_ticks"] + 1, t.machine.reset_max_ticks + 1), 0)
        ),
    ),
    ("no speed is kept outside running and stopping", lambda t: t.moves & ~_is(t.after["state"], _RUNNING, _STOPPING)),
    ("enable on exactly in matching, running and stopping", lambda t: t.enables != _is(t.after["state"], *_ENABLED)),
    (
        "matching is entered only from stopped, with permit, device seen released and now held, stop closed, key off",
        lambda t: (
            _entered(t, _MATCHING)
            & ~(
                (t.before["state"] == _STOPPED)
                & (t.before["permit"] != 0)
                & (t.before["seen_released"] != 0)
                & t.held
                & ~t.stop_open
                & ~t.key
            )
        ),
    ),
    (
        "running is entered only from matching, device held, pump loaded, everything matched, with no authority yet",
        lambda t: (
            _entered(t, _RUNNING)
            & ~(
                (t.before["state"] == _MATCHING)
                & t.held
                & ~t.stop_open
                & (t.before["state_ticks"] >= t.machine.load_ticks)
                & (t.before["match_ticks"] + 1 >= t.machine.match_ticks)
                & _column_of("matched")
                & (t.after["authority_q16"] == 0)
                & ~(t.drives & ~_column_of("moving"))
            )
        ),
    ),
    (
        "releasing the device ends matching and running",
        lambda t: ~t.held & _is(t.after["state"], _MATCHING, _RUNNING),
    ),
    ("stopping after a release ends at its deadline", _release_deadline),
    (
        "stopping never goes back to motion",
        lambda t: (t.before["state"] == _STOPPING) & _is(t.after["state"], _MATCHING, _RUNNING),
    ),
    (
        "the mode does not rise while enabled, and reduced takes effect at once",
        lambda t: (
            _is(t.after["state"], *_ENABLED)
            & (
                (_is(t.before["state"], *_ENABLED) & (t.after["mode"] > t.before["mode"]))
                | ((t.after["mode"] == 1) & ~t.full)
            )
        ),
    ),
    (
        "authority rises by at most its step a tick",
        lambda t: t.after["authority_q16"] > t.before["authority_q16"] + t.machine.authority_step_q16,
    ),
)

WALKS: dict[str, tuple[tuple[str, tuple[int, ...], Callable[[Ticks], Bools]], ...]] = {
    "emergency_stop": (
        ("no way from emergency_stop to an enabled state without a reset edge", (_EMERGENCY,), lambda t: ~t.reset_edge),
    ),
    "fault": (("no way from fault to an enabled state without a reset edge", (_FAULT,), lambda t: ~t.reset_edge),),
    "power_up": (
        ("no way from power-up to an enabled state without a reset edge", (_POWERING_UP,), lambda t: ~t.reset_edge),
        (
            "no way from power-up to an enabled state with the device held all the time",
            (_POWERING_UP,),
            lambda t: t.held,
        ),
        ("no way from power-up to an enabled state with the service key on", (_POWERING_UP,), lambda t: t.key),
    ),
    "restart": (),
}


def _reached(t: Ticks, start: tuple[int, ...], allowed: Bools) -> Bools:
    """States reachable from the states of these names by allowed ticks."""
    usable = np.broadcast_to(allowed, t.all.next.shape)
    reached = np.isin(t.all.column("state"), start)
    fresh: npt.NDArray[np.int64] = np.flatnonzero(reached)
    while fresh.size:
        targets = np.unique(t.all.next[fresh][usable[fresh]]).astype(np.int64)
        fresh = targets[~reached[targets]]
        reached[fresh] = True
    return np.asarray(reached)


GROUPS = (
    ("emergency_stop", _EMERGENCY_RULES),
    ("fault", _FAULT_RULES),
    ("power_up", _POWER_UP_RULES),
    ("restart", _RESTART_RULES),
)


def broken_rules(t: Ticks, limit: str, rules: tuple[Rule, ...]) -> list[str]:
    broken = []
    for words, where in rules:
        bad = np.broadcast_to(where(t), t.all.next.shape)
        if np.any(bad):
            state, digital, variant = (int(axis[0]) for axis in np.nonzero(bad))
            step = input_words(digital * len(VARIANTS) + variant)
            broken.append(f"broken: {words}; from power-up {t.all.way_to(state)}, then {step}")
    for words, start, allowed in WALKS[limit]:
        enabled = np.isin(t.all.column("state"), _ENABLED)
        if np.any(_reached(t, start, allowed(t)) & enabled):
            broken.append(f"broken: {words}")
    return broken
