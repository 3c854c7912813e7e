"""The law with one defect planted in it: a copy of the sources with a string replaced, compiled and loaded beside the
law as it is.
"""

from __future__ import annotations

import ctypes
import functools
import subprocess
from pathlib import Path
from typing import NamedTuple

from scratch import scratch_folder
from store_library import compiler

from mapper.law.core import Core

ROOT = Path(__file__).resolve().parents[2]
FIRMWARE = ROOT / "firmware_stub"
REPLAY = ROOT / "mapper" / "replay"
FLAGS = ["-std=c99", "-O1", "-ffp-contract=off", "-shared", "-fPIC"]

Change = tuple[str, str, str]
"""(file in core, text, what stands there instead)"""


class Mutant(NamedTuple):
    """`rules`: of those the monitor may name the defect by."""

    rules: tuple[str, ...]
    changes: tuple[Change, ...]


FOUR_EVENTS = "after an emergency stop it starts without pump and match"
"""Shows only after stop, release, reset and the command to go on, in that order."""

_AGAIN = (
    (
        "safety.c",
        "if (!buttons->stop_open && !buttons->held && buttons->reset_edge) {\n"
        "        enter(state, LAW_STOPPED, LAW_CAUSE_NONE, LAW_NO_JOINT);",
        "if (!buttons->stop_open && !buttons->held && buttons->reset_edge) {\n"
        "        enter(state, LAW_STOPPED, LAW_CAUSE_NONE, 77u);",
    ),
    (
        "safety.c",
        "    state->cause_joint = cause_joint;\n    state->state_ticks = 0;\n    state->match_ticks = 0;\n",
        "    const bool again = next == LAW_MATCHING && state->cause_joint == 77u;\n"
        "    state->cause_joint = cause_joint;\n"
        "    state->state_ticks = again ? 60000u : 0;\n    state->match_ticks = again ? 60000u : 0;\n",
    ),
)

_FULL_SPEED = (
    "motion.c",
    "speed = joint->speed_mdeg_s[mode];",
    "speed = joint->speed_mdeg_s[TABLE_FULL_SPEED];",
)

MOTION_UNSEEN = "motion without drive goes unseen"
DISCREPANCY_UNSEEN = "channels that differ are no fault"

MUTANTS: dict[str, Mutant] = {
    FOUR_EVENTS: Mutant(("unmatched",), _AGAIN),
    "one channel of the emergency stop is not looked at": Mutant(
        ("stop_late",),
        (
            (
                "safety.c",
                "(digital & LAW_IN_STOP_1) != 0 && (digital & LAW_IN_STOP_2) != 0;\n    const buttons_t",
                "(digital & LAW_IN_STOP_1) != 0;\n    const buttons_t",
            ),
        ),
    ),
    "a release is taken at full authority only": Mutant(
        ("release_late",),
        (
            (
                "safety.c",
                "} else if (!buttons->held) {\n        enter(state, LAW_STOPPING, LAW_CAUSE_RELEASED, LAW_NO_JOINT);",
                "} else if (!buttons->held && state->authority_q16 == CORE_Q16) {\n"
                "        enter(state, LAW_STOPPING, LAW_CAUSE_RELEASED, LAW_NO_JOINT);",
            ),
        ),
    ),
    "a fault is left without a reset": Mutant(
        ("restart",),
        (
            (
                "safety.c",
                "if (cause_gone && !buttons->stop_open && !buttons->held && buttons->reset_edge) {",
                "if (cause_gone && !buttons->stop_open && !buttons->held) {",
            ),
        ),
    ),
    "a reset button that is held at power-up counts": Mutant(
        ("restart",), (("law.c", "state->press_ticks = 65535u;", "state->press_ticks = 0u;"),)
    ),
    "channels that differed need not both open": Mutant(
        ("restart",), (("watch.c", " || state->both_must_open) {", ") {"),)
    ),
    "the mode rises in motion": Mutant(
        ("mode_rise",),
        (("safety.c", "entered_matching || asked == TABLE_REDUCED", "entered_matching || asked < TABLE_MODES"),),
    ),
    "authority begins at its first step": Mutant(
        ("authority_rise",),
        (("safety.c", "!safety_moves(state->state) || from == LAW_MATCHING)", "!safety_moves(state->state))"),),
    ),
    "authority does not scale": Mutant(
        ("authority_share",),
        (("law.c", "motion_authority(wanted[i], state->authority_q16)", "motion_authority(wanted[i], CORE_Q16)"),),
    ),
    "the reduced mode goes as fast as the full one": Mutant(("speed_limit", "authority_share"), (_FULL_SPEED,)),
    "at full authority it asks for twice as much": Mutant(
        ("speed_limit",),
        (
            (
                "law.c",
                "share_q16 == CORE_Q16 ? wanted[i] : motion_authority(wanted[i], share_q16);",
                "(share_q16 == CORE_Q16 ? wanted[i] : motion_authority(wanted[i], share_q16)) * "
                "(state->authority_q16 == CORE_Q16 ? 2 : 1);",
            ),
        ),
    ),
    "the ramp up is twice as steep": Mutant(
        ("ramp_up",), (("motion.c", "speed + joint->accelerate_mdeg_s;", "speed + 2 * joint->accelerate_mdeg_s;"),)
    ),
    "the ramp down is three times as steep": Mutant(
        ("ramp_down",), (("motion.c", "speed - decelerate;", "speed - 3 * decelerate;"),)
    ),
    "a reversal does not wait at zero": Mutant(
        ("reversal",), (("motion.c", "if (reverses && ", "if (reverses && joint->reversal_ticks < 0 && "),)
    ),
    "in stopping the operator still commands": Mutant(
        ("stop_speeds_up", "release_late"),
        (("law.c", "state->state == LAW_STOPPING ? 0 :", "state->state == LAW_STATES ? 0 :"),),
    ),
    "a gap too wide is chased": Mutant(
        ("gap",), (("demand.c", "if (joint->gap_mdeg > 0 && ", "if (joint->gap_mdeg > 10000000 && "),)
    ),
    "drive without motion goes unseen": Mutant(
        ("stalled",), (("watch.c", "return state->busy_ticks >= (uint32_t)joint->stall_ticks;", "return false;"),)
    ),
    "a late tick goes unseen": Mutant(
        ("late_tick",), (("watch.c", "if (in->elapsed_us > ", "if (in->elapsed_us > 100000u && in->elapsed_us > "),)
    ),
    "counts outside their window go unseen": Mutant(
        ("window",),
        (
            (
                "sense.c",
                "return state->track[0].bad >= fault || state->track[1].bad >= fault;",
                "return state->track[0].bad > fault || state->track[1].bad > fault;",
            ),
        ),
    ),
    "two tracks may disagree": Mutant(
        ("disagreement",),
        (
            (
                "sense.c",
                "return state->disagreement >= (uint32_t)sensor->bad_ticks;",
                "return state->disagreement > (uint32_t)sensor->bad_ticks;",
            ),
        ),
    ),
    "a drive goes past its range": Mutant(
        ("drive_range",),
        (
            ("valve.c", "asked < joint->drive_max_e4 ? asked : joint->drive_max_e4;", "3 * asked;"),
            (
                "law.c",
                "    CORE_ASSERT(own->drive_e4 <= joint->drive_max_e4 && own->drive_e4 >= -joint->drive_max_e4);\n",
                "",
            ),
        ),
    ),
    "a stop leaves the drive on": Mutant(
        ("moves_where_none_may",),
        (("law.c", "    own->flow_e4 = 0;\n    own->drive_e4 = 0;\n", "    own->flow_e4 = 0;\n"),),
    ),
    "enable stays on when stopped": Mutant(
        ("enable_wrong",),
        (
            (
                "law.c",
                "out->enable = safety_enables(state->state) ? 1u : 0u;",
                "out->enable = safety_enables(state->state) || state->state == LAW_STOPPED ? 1u : 0u;",
            ),
        ),
    ),
    "a negative command drives the positive side": Mutant(
        ("drive_against_speed",),
        (("valve.c", "(speed_mdeg_s > 0 ? drive : -drive)", "(speed_mdeg_s != 0 ? drive : -drive)"),),
    ),
    "an assertion fails": Mutant(
        ("assertion",),
        (
            (
                "motion.c",
                "void motion_keep(law_joint_state_t *state, int32_t speed_mdeg_s) /* L7e */\n{\n"
                "    CORE_ASSERT(speed_mdeg_s <= TABLE_SPEED_MAX_MDEG_S && speed_mdeg_s >= -TABLE_SPEED_MAX_MDEG_S);",
                "void motion_keep(law_joint_state_t *state, int32_t speed_mdeg_s) /* L7e */\n{\n"
                "    CORE_ASSERT(core_magnitude(speed_mdeg_s) <= 3000);",
            ),
        ),
    ),
}
"""On the test stand."""

KERB_MUTANTS: dict[str, Mutant] = {
    "beyond a soft stop it may still creep outward": Mutant(
        ("soft_stop",), (("motion.c", "room_mdeg <= 0 ? 0 : curve_at", "room_mdeg <= 0 ? 900 : curve_at"),)
    ),
    "a joint does not count for the pump": Mutant(
        ("pump_share",),
        (
            (
                "motion.c",
                "for (int32_t i = 0; i < table->joint_count; i++) {",
                "for (int32_t i = 1; i < table->joint_count; i++) {",
            ),
        ),
    ),
    "a joint does not count for the tip": Mutant(
        ("tip_speed",),
        (
            (
                "tip.c",
                "    for (int32_t i = 0; i < table->joint_count; i++) {\n        sum +=",
                "    for (int32_t i = 1; i < table->joint_count; i++) {\n        sum +=",
            ),
        ),
    ),
    "a coupled stop looks at one of its joints": Mutant(
        ("coupled_stop", "assertion"),
        (
            (
                "coupled.c",
                "{closing_of(stop, 0, speed_mdeg_s[0]), closing_of(stop, 1, speed_mdeg_s[1])}",
                "{closing_of(stop, 0, speed_mdeg_s[0]), 0}",
            ),
        ),
    ),
}
"""On the kerb arm, whose joints share a pump, a tip and a coupled stop."""

RARE_MUTANTS: dict[str, Mutant] = {
    MOTION_UNSEEN: Mutant(
        ("moved",),
        (
            (
                "watch.c",
                "if (core_magnitude(moved) > joint->still_mdeg) {\n        return true;",
                "if (false) {\n        return true;",
            ),
        ),
    ),
    DISCREPANCY_UNSEEN: Mutant(
        ("discrepancy",),
        (
            (
                "watch.c",
                "if (state->discrepancy >= (uint32_t)table->discrepancy_ticks || state->both_must_open) {",
                "if (false) {",
            ),
        ),
    ),
}
"""Shown by examples written by hand: they need seconds of one thing, which a search meets rarely."""


def mutated_core(changes: tuple[Change, ...]) -> Core:
    """A core of its own, compiled with these changes. Raises AssertionError where a text is not there any more."""
    folder = scratch_folder("law_mutant_")
    texts = {
        (part, path.name): path.read_text(encoding="utf-8")
        for part in ("core", "bench")
        for path in (FIRMWARE / part).glob("*.[ch]")
    }
    for file, old, new in changes:
        assert old in texts["core", file], f"{file} does not hold {old!r} any more: bring the mutant up to date"
        texts["core", file] = texts["core", file].replace(old, new)
    for (part, name), text in texts.items():
        (folder / part).mkdir(exist_ok=True)
        (folder / part / name).write_text(text, encoding="utf-8")
    sources = [*sorted(folder.rglob("*.c")), REPLAY / "plant.c", REPLAY / "stiff.c"]
    target = folder / "core.so"
    command = [*compiler(), *FLAGS, f"-I{folder / 'core'}", "-o", str(target), *map(str, sources), "-lm"]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return Core(ctypes.CDLL(str(target)))


@functools.cache
def mutant(name: str) -> Core:
    """One of the mutants above, compiled once."""
    return mutated_core({**MUTANTS, **KERB_MUTANTS, **RARE_MUTANTS}[name].changes)
