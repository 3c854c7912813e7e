"""Travel: what is left at each hard stop, and the smallest change of one value against a search that knows no triangle
formula but the length.
"""

from __future__ import annotations

import dataclasses
import math
import random

import numpy as np
import pytest

from mapper.machine.actuator import travel as travel_module
from mapper.machine.actuator.travel import LEVER_SHARE_LEAST, Build, fitting_cylinder, smallest_changes

STAND = Build(
    base_radius_m=0.3,
    rod_radius_m=0.12,
    included_at_zero_deg=90.0,
    sense=1,
    closed_length_m=0.246,
    stroke_m=0.140,
    lower_deg=-35.0,
    upper_deg=35.0,
)
FIELDS = {
    "base_radius": "base_radius_m",
    "rod_radius": "rod_radius_m",
    "included_at_zero": "included_at_zero_deg",
    "closed_length": "closed_length_m",
    "stroke": "stroke_m",
}


def swings_freely(build: Build, share: float) -> bool:
    """Walked over the whole travel: pins placed in the plane, their distance measured, the lever arm by difference."""
    q = np.radians(np.linspace(build.lower_deg, build.upper_deg, 1401))
    step = 1e-6

    def distance(angle):
        included = math.radians(build.included_at_zero_deg) + build.sense * angle
        rod = build.rod_radius_m * np.exp(1j * included)
        return np.abs(rod - build.base_radius_m)

    lengths = distance(q)
    levers = build.sense * (distance(q + step) - distance(q - step)) / (2 * step)
    within = np.all(lengths >= build.closed_length_m - 1e-9) and np.all(
        lengths <= build.closed_length_m + build.stroke_m + 1e-9
    )
    rising = np.min(levers) > 0 and np.min(levers) >= share * np.max(levers) - 1e-5
    return bool(within and rising and build.closed_length_m > build.stroke_m)


def spoilt(seed: int) -> Build:
    """A build that fits with little to spare, then one value of it off; either sense."""
    rng = random.Random(seed)
    while True:
        rod = rng.uniform(0.1, 0.4)
        base, included = rod * rng.uniform(2.2, 3.5), rng.uniform(70, 110)
        half = rng.uniform(20, 45)
        raw = Build(
            base_radius_m=round(base, 3),
            rod_radius_m=round(rod, 3),
            included_at_zero_deg=round(included, 1),
            sense=rng.choice((1, -1)),
            closed_length_m=1.0,
            stroke_m=0.5,
            lower_deg=-half,
            upper_deg=half,
        )
        good = fitting_cylinder(raw)
        if good is None:
            continue
        field = rng.choice(list(FIELDS.values()))
        value = getattr(good, field)
        off = value + rng.uniform(-12, 12) if field == "included_at_zero_deg" else value * rng.uniform(0.9, 1.1)
        wrong = dataclasses.replace(good, **{field: off})
        if not wrong.fits():
            return wrong


def test_what_is_left_at_each_end_by_hand():
    """The law of cosines at included angles of 55 and 125 deg, written out."""
    lower, upper = STAND.spares()

    shortest = math.sqrt(0.09 + 0.0144 - 0.072 * math.cos(math.radians(55)))
    longest = math.sqrt(0.09 + 0.0144 - 0.072 * math.cos(math.radians(125)))
    assert lower.spare_m == pytest.approx(shortest - 0.246)
    assert upper.spare_m == pytest.approx(0.386 - longest)
    assert lower.spare_deg == pytest.approx(2.5533585, abs=1e-6)
    assert STAND.fits()


def test_a_closing_cylinder_has_its_long_end_at_the_lower_stop():
    mirrored = dataclasses.replace(STAND, sense=-1)
    lower, upper = mirrored.spares()

    assert lower.spare_m == pytest.approx(STAND.spares()[1].spare_m)
    assert upper.spare_m == pytest.approx(STAND.spares()[0].spare_m)


@pytest.mark.parametrize("seed", range(25))
def test_every_change_makes_it_swing_freely_and_none_smaller_does(seed):
    build = spoilt(seed)
    assert not swings_freely(build, 0.0)
    changes = smallest_changes(build)

    assert [change.way_m for change in changes] == sorted(change.way_m for change in changes)
    for change in changes:
        share = LEVER_SHARE_LEAST if changes[0].after.levers().share >= LEVER_SHARE_LEAST else 0.0
        assert swings_freely(change.after, share)
        field = FIELDS[change.key]
        per, step = (100, 0.1) if change.key == "included_at_zero" else (10_000, 0.001)
        present, new = getattr(build, field), getattr(change.after, field)
        assert new * per == pytest.approx(round(new * per), abs=1e-6)
        # A whole millimetre (0.1 deg) may be taken instead of tenths: up to that much nearer something may fit.
        nearer = np.linspace(-1, 1, 301) * max(0.0, abs(new - present) - 1.001 * step)
        for by in nearer[:: max(1, len(nearer) // 60)]:
            assert not swings_freely(dataclasses.replace(build, **{field: present + by}), share)


@pytest.mark.parametrize("seed", range(25))
def test_a_value_without_a_change_has_none_that_a_search_finds(seed):
    build = spoilt(seed)
    changes = smallest_changes(build)
    share = LEVER_SHARE_LEAST if changes and changes[0].after.levers().share >= LEVER_SHARE_LEAST else 0.0

    for key, field in FIELDS.items():
        if key in {change.key for change in changes}:
            continue
        present = getattr(build, field)
        most = 45.0 if key == "included_at_zero" else present / 2
        for by in np.linspace(-most, most, 161):
            other = dataclasses.replace(build, **{field: present + by})
            near_dead_centre = min(
                other.linkage.dead_centre_room_rad(math.radians(other.lower_deg), math.radians(other.upper_deg))
            )
            assert not swings_freely(other, share) or near_dead_centre < math.radians(1.0), (key, by)


def test_the_grid_is_the_scalar_condition():
    """The vectorised condition and `fits` agree on random builds, dead centre kept clear of."""
    rng = random.Random(3)
    fitted = 0
    for _ in range(400):
        build = dataclasses.replace(
            STAND,
            sense=rng.choice((1, -1)),
            included_at_zero_deg=rng.uniform(20, 160),
            closed_length_m=rng.uniform(0.15, 0.3),
            stroke_m=rng.uniform(0.1, 0.2),
            lower_deg=rng.uniform(-30, -5),
            upper_deg=rng.uniform(5, 30),
        )
        ends = [build.included_at_zero_deg + build.sense * q for q in (build.lower_deg, build.upper_deg)]
        if min(ends) < 1.01 or max(ends) > 178.99:
            continue
        quick = travel_module._fitting(build, "stroke", np.array([build.stroke_m]), 1 / 3)
        fitted += build.fits(1 / 3)

        assert bool(quick[0]) == build.fits(1 / 3)
    assert fitted > 5


def test_a_travel_that_needs_more_than_double_the_closed_length_has_no_cylinder():
    wide = dataclasses.replace(STAND, included_at_zero_deg=90.0, rod_radius_m=0.25, lower_deg=-75.0, upper_deg=75.0)

    assert fitting_cylinder(wide) is None
    assert smallest_changes(wide) == () or all(change.key == "rod_radius" for change in smallest_changes(wide))


def test_a_change_for_the_lever_arm_only_keeps_the_travel():
    poor = dataclasses.replace(STAND, included_at_zero_deg=138.0, closed_length_m=0.30, stroke_m=0.135)
    assert poor.fits()
    assert poor.levers().share < LEVER_SHARE_LEAST

    changes = smallest_changes(poor, (LEVER_SHARE_LEAST,))
    assert changes
    for change in changes:
        assert swings_freely(change.after, LEVER_SHARE_LEAST)
        assert change.way_m > 0
