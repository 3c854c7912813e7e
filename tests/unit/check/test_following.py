"""`following`: how motion begins, how far a joint trails, that a gap holds it; a lever begins at rest."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from check_case import KERB, STAND, bad, check_text, context_of, finding, profile_of, text_of, with_value

from mapper.check import Evidence, Status
from mapper.check.law.following import following
from mapper.check.law.pilot import running_state
from mapper.law import load_core
from mapper.table import compile_table, encode_table

ADVISED = re.compile(r'joints\.(\S+) = ("[^"]*")')


def running_of(name: str):
    table = compile_table(profile_of(text_of(name)))
    return running_state(table, load_core().table(encode_table(table)))


def test_the_steady_error_is_that_of_a_loop_with_feed_forward():
    """w (1 - f g) / K with 30 deg/s, 85 %, a gain of 0.85 and 2 1/s; (1 - f) w / K where the joint does as asked.

    Source of the second: steady state of a proportional loop with feed-forward, any textbook of control.
    """
    found = finding(check_text(text_of(STAND)), "following", "lever")

    assert (found.status, found.evidence) == (Status.HOLDS, Evidence.EXHAUSTIVE)
    assert found.worst == pytest.approx(30 * (1 - 0.85 * 0.85) / 2, rel=1e-3)
    assert "(2.25 deg at 1)" in found.detail
    assert found.bound == 50


def test_an_arm_whose_pump_is_shared_trails_more():
    """Swing of the kerb arm: 25 (1 - 0.85 x 0.85 x 0.5) / 1 deg where every joint keeps half of its speed."""
    found = finding(check_text(text_of(KERB)), "following", "boom_swing")

    assert found.worst == pytest.approx(25 * (1 - 0.85 * 0.85 * 0.5), rel=1e-3)


@pytest.mark.parametrize(("gap", "wrong"), [("4.2 deg", []), ("4.1 deg", [("following", "lever")])])
def test_a_gap_inside_the_steady_error_holds_the_joint_in_mid_motion(gap, wrong):
    """The match window is half the gap at most, so it is made smaller too."""
    text = with_value(text_of(STAND), "joints.lever.follow.match_window", '"2 deg"')
    text = with_value(text, "joints.lever.follow.gap", f'"{gap}"')
    result = check_text(text)

    assert bad(result) == wrong
    if wrong:
        found = finding(result, "following", "lever")
        path, value = ADVISED.findall(found.advice)[0]
        assert bad(check_text(with_value(text, f"joints.{path}", value))) == []


def test_counts_are_the_sizes_of_their_domains():
    """Targets -30..30 deg less readings -40..40 deg, two modes, five operator's speeds; counts at three poses."""
    context, running = context_of(profile_of(text_of(STAND)), "lever"), running_of(STAND)
    errors = 2 * (30_000 + 40_000) + 1

    begun = sum(len(begin.out) for begin in running.begins)
    assert following(context, running).cases == 2 * 5 * errors + 3 * 4096 + begun


def test_a_lever_counts_as_matched_only_at_rest():
    context, running = context_of(profile_of(text_of(KERB)), "clamp"), running_of(KERB)
    found = following(context, running)

    assert (found.status, found.unit, found.worst) == (Status.HOLDS, "stages", 0)
    # Told the law with a wider deadband than the table says: counts that it takes for rest are seen.
    wrong = replace(context, live=context_of(profile_of(text_of(KERB)), "clamp", deadband=3000).live)
    assert following(wrong, running).status is Status.HOLDS  # the law is asked for its own rest
    window = context_of(profile_of(text_of(STAND)), "lever", match_window_mdeg=5000)
    told = replace(window, table=replace(window.table, match_window_mdeg=4000))
    assert "counts as matched" in following(told, running_of(STAND)).detail


def test_a_gap_that_is_chased_is_seen():
    context, running = context_of(profile_of(text_of(STAND)), "lever"), running_of(STAND)
    told = replace(context, table=replace(context.table, gap_mdeg=40_000))
    found = following(told, running)

    assert (found.status, found.unit) == (Status.VIOLATED, "stages")
    assert "an error beyond the gap is chased" in found.detail


@pytest.mark.parametrize(
    ("column", "words"),
    [("drive", "drive while matching"), ("authority", "authority does not rise"), ("speed", "a jump")],
)
def test_a_beginning_that_is_not_gentle_is_seen(column, words):
    """The recorded beginnings with one number changed."""
    context, running = context_of(profile_of(text_of(STAND)), "lever"), running_of(STAND)
    out = running.begins[0].out.copy()
    first = int(np.flatnonzero(out[:, 0] == 3)[0])
    row, at, value = {
        "drive": (first - 1, 9 + 5, 2000),
        "authority": (first, 5, 65_536),
        "speed": (first + 1, 9 + 3, 5_000),
    }[column]
    out[row, at] = value
    changed = replace(running, begins=(replace(running.begins[0], out=out), *running.begins[1:]))

    assert words in following(context, changed).detail
    assert following(context, running).status is Status.HOLDS


def test_operators_stand_at_the_edge_of_the_window_when_motion_begins():
    """Both sides, both modes: within a count of 4 deg, which is 0.025 deg of the joint on the stand."""
    running = running_of(STAND)
    errors = [begin.out[-1, 9] - begin.out[-1, 10] for begin in running.begins]

    assert [begin.mode for begin in running.begins] == [0, 0, 1, 1]
    for error, sign in zip(errors, (1, -1, 1, -1), strict=True):
        assert 3_970 <= sign * error <= 4_000
