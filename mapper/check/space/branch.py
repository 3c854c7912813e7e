"""Branch and bound over boxes of joint angles: the most of a quantity over all poses, proven from above, with a pose
that comes near it.

A box is a middle and half widths, an angle each. The quantity's bound over a box is never below what any pose in it
gives; a box whose bound is hardly above the best pose found is done with, any other is halved. What is given back as
`most` is at least the bound of every box that was done with, so it holds for every pose.

Poses that a coupled stop's hard limit rules out count for nothing: a box all of whose poses are ruled out is dropped.

Source: branch and bound, any textbook of global optimisation; derived here where a bound is made.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.points import Hinge
from mapper.profile.profile import Profile

Floats = npt.NDArray[np.float64]

BOXES_MOST = 150_000
"""Boxes looked at before it is given up; then `most` still holds, but is farther from the best pose than asked for."""

_BATCH = 1_000  # boxes at a time: the arrays of one batch stay in the cache
_FIRST_HALF_RAD = math.radians(30.0)  # no box is wider than twice this: the bounds are made for small angles


class Quantity(Protocol):
    """What is looked for over the poses of some hinges."""

    def bound(self, middle_rad: Floats, half_rad: Floats) -> tuple[Floats, Floats, Floats]:
        """Over boxes (n, H): no less than any pose in each gives (n,); a pose in each that may come near it (n, H);
        how much halving each angle may gain (n, H).
        """
        ...

    def value(self, q_rad: Floats) -> Floats:
        """(n,) what each pose (n, H) really gives at least."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruled:
    """weights . angles <= most, over the hinges of a part: a coupled stop's hard limit."""

    weights: Floats  # (H,)
    most_rad: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    most: float  # proven: no pose gives more
    value: float  # what `pose_rad` gives; -inf where no pose was found that is not ruled out
    pose_rad: Floats | None  # (H,)
    boxes: int
    finished: bool  # False: the cap was reached before `most` came near `value`


def ruled_out(profile: Profile, hinges: Sequence[Hinge]) -> tuple[Ruled, ...]:
    """The hard limits of the coupled stops for these hinges. A joint that is none of them is taken where it rules out
    least.
    """
    places = {hinge.index: number for number, hinge in enumerate(hinges)}
    names = [joint.name for joint in profile.joints]
    found = []
    for stop in profile.coupled_stops:
        for pair, sign in ((stop.upper, 1.0), (stop.lower, -1.0)):
            if pair is None:
                continue
            weights, most = np.zeros(len(hinges)), sign * math.radians(float(pair.hard_deg))
            for name, weight in zip(stop.joints, stop.weights, strict=True):
                index, own = names.index(name), sign * float(weight)
                if index in places:
                    weights[places[index]] = own
                    continue
                hard = profile.joints[index].limits.hard_stops_deg
                ends = (-math.inf, math.inf) if hard is None else (float(hard.lower), float(hard.upper))
                most -= min(own * math.radians(end) for end in ends)
            if np.any(weights):
                found.append(Ruled(weights=weights, most_rad=most))
    return tuple(found)


def highest(
    quantity: Quantity,
    travel_rad: tuple[Floats, Floats],
    ruled: Sequence[Ruled],
    *,
    tolerance: Callable[[float], float],
    least: float = -math.inf,
    enough: float = math.inf,
    boxes_most: int = BOXES_MOST,
) -> Found:
    """The most of a quantity over all angles between lower and upper (H,) that no rule rules out.

    Args:
        tolerance: how far `most` may be above the best value found, from that value.
        least: what is known to be reached elsewhere: boxes that give no more than it are done with.
        enough: the search ends with the first pose that gives this or more.
    """
    waiting = [_first_boxes(*travel_rad)]
    best, best_pose, most, boxes = -math.inf, None, -math.inf, 0
    while waiting:
        middle, half = waiting.pop()
        if len(middle) > _BATCH:
            waiting.append((middle[_BATCH:], half[_BATCH:]))
            middle, half = middle[:_BATCH], half[:_BATCH]
        possible = _possible(middle, half, ruled)
        middle, half = middle[possible], half[possible]
        if len(middle) == 0:
            continue
        boxes += len(middle)
        bound, pose, gain = quantity.bound(middle, half)
        pose = _within_rules(pose, middle, half, ruled)
        value = np.where(_allowed(pose, ruled), quantity.value(pose), -math.inf)
        at = int(np.argmax(value))
        if value[at] > best:
            best, best_pose = float(value[at]), pose[at]
        known = max(best, least)
        open_ = bound > known + tolerance(known) if math.isfinite(known) else np.ones(len(bound), bool)
        done = bound[~open_]
        most = max(most, float(done.max(initial=-math.inf)))
        if best >= enough or boxes > boxes_most:
            rest = [bound[open_], *(quantity.bound(*one)[0] for one in waiting)]
            most = max(most, *(float(one.max(initial=-math.inf)) for one in rest), best)
            return Found(most=most, value=best, pose_rad=best_pose, boxes=boxes, finished=best >= enough)
        if np.any(open_):
            order = np.argsort(-bound[open_])  # the most promising first
            waiting.append(_halved(middle[open_][order], half[open_][order], gain[open_][order]))
    return Found(most=max(most, best), value=best, pose_rad=best_pose, boxes=boxes, finished=True)


def _first_boxes(lower: Floats, upper: Floats) -> tuple[Floats, Floats]:
    counts = [max(1, math.ceil((b - a) / (2.0 * _FIRST_HALF_RAD) - 1e-9)) for a, b in zip(lower, upper, strict=True)]
    half = (upper - lower) / np.array(counts) / 2.0
    numbers = np.array(list(itertools.product(*(range(count) for count in counts))), dtype=np.float64)
    return lower + half * (2.0 * numbers + 1.0), np.broadcast_to(half, numbers.shape).copy()


def _halved(middle: Floats, half: Floats, gain: Floats) -> tuple[Floats, Floats]:
    useful = np.where(gain.max(axis=1, keepdims=True) > 0.0, gain, half)
    rows, column = np.arange(len(middle)), np.argmax(useful, axis=1)
    half = half.copy()
    half[rows, column] /= 2.0
    shift = np.zeros_like(middle)
    shift[rows, column] = half[rows, column]
    both = np.stack([middle - shift, middle + shift], axis=1).reshape(-1, middle.shape[1])
    return both, np.repeat(half, 2, axis=0)


def _possible(middle: Floats, half: Floats, ruled: Sequence[Ruled]) -> npt.NDArray[np.bool_]:
    kept = np.ones(len(middle), bool)
    for rule in ruled:
        kept &= middle @ rule.weights - half @ np.abs(rule.weights) <= rule.most_rad + 1e-12
    return kept


def _allowed(pose: Floats, ruled: Sequence[Ruled]) -> npt.NDArray[np.bool_]:
    kept = np.ones(len(pose), bool)
    for rule in ruled:
        kept &= pose @ rule.weights <= rule.most_rad + 1e-12
    return kept


def _within_rules(pose: Floats, middle: Floats, half: Floats, ruled: Sequence[Ruled]) -> Floats:
    """Poses that break a rule, moved within their box towards its corner that keeps it best, just so far."""
    for rule in ruled:
        over = pose @ rule.weights - rule.most_rad
        corner = middle - half * np.sign(rule.weights)
        room = (pose - corner) @ rule.weights
        part = np.clip(over / np.where(room > 0.0, room, 1.0), 0.0, 1.0)
        pose = pose + part[:, None] * np.where(rule.weights != 0.0, corner - pose, 0.0)
    return pose
