"""A cylinder that would come to a dead centre, or that extends the other way, is refused with its place and remedy."""

from __future__ import annotations

import math
import random
import re
from pathlib import Path

import pytest

from mapper.machine.actuator.linkage import Linkage
from mapper.profile import ProfileError, read_profile

PROFILES = Path(__file__).resolve().parents[3] / "profiles"
ARM = (PROFILES / "kerb-arm.toml").read_text(encoding="utf-8")
STAND = (PROFILES / "test-stand.toml").read_text(encoding="utf-8")


def with_drive(joint: str, key: str, value: str) -> tuple[str, str]:
    """The arm's profile with one key of a joint's drive changed, and the place of the value."""
    start = ARM.index(f"{key} = ", ARM.index(f"[joints.{joint}.drive]"))
    end = ARM.index('"', ARM.index('"', start) + 1) + 1
    place = f"arm.toml:{ARM[:start].count(chr(10)) + 1}:{len(key) + 4}: joints.{joint}.drive.{key}: "
    return ARM[:start] + f'{key} = "{value}"' + ARM[end:], place


def complaint(text: str) -> str:
    with pytest.raises(ProfileError) as caught:
        read_profile(text.encode("utf-8"), "arm.toml")
    return str(caught.value)


def test_the_wrong_way_round_is_named_when_swapping_avoids_the_dead_centre() -> None:
    text, place = with_drive("elbow", "extends", "negative")

    assert complaint(text) == (
        place + 'with extends = "negative" the angle between base_radius and rod_radius would be 138 to 256 deg '
        'over the hard stops ("-118 deg", "0 deg"); it stays between 0 and 180 deg, ends excluded: there the cylinder '
        "points at the joint's pivot and has no lever arm; "
        'write extends = "positive" if the cylinder gets longer that way: then it is 20 to 138 deg'
    )


def test_the_wrong_way_round_is_named_when_only_the_other_way_fits_the_cylinder() -> None:
    text, place = with_drive("boom_lift", "extends", "negative")

    assert complaint(text) == (
        place + 'with extends = "negative" the cylinder would be 663 to 1089 mm long over the hard stops; '
        "its closed length and stroke make it 746 to 1236 mm long; "
        'write extends = "positive" if the cylinder gets longer that way: then it is 752 to 1231 mm'
    )


def test_a_dead_centre_that_no_swap_avoids_says_where_the_hard_stops_may_lie() -> None:
    text, place = with_drive("elbow", "included_at_zero", "100 deg")

    assert complaint(text) == (
        place + "the angle between base_radius and rod_radius would be -18 to 100 deg "
        'over the hard stops ("-118 deg", "0 deg"); it stays between 0 and 180 deg, ends excluded: there the cylinder '
        "points at the joint's pivot and has no lever arm; correct included_at_zero, or the hard stops: with this "
        "angle they lie between -100 and 80 deg, ends excluded"
    )


@pytest.mark.parametrize(("included", "refused"), [("118 deg", True), ("118.001 deg", False), ("180 deg", True)])
def test_the_ends_themselves_are_dead_centres(included: str, refused: bool) -> None:
    text, _ = with_drive("elbow", "included_at_zero", included)
    said = ""
    try:
        read_profile(text.encode(), "arm.toml")
    except ProfileError as error:
        said = str(error)

    assert ("has no lever arm" in said) == refused


def test_a_cylinder_too_short_either_way_is_left_to_the_checker() -> None:
    text, _ = with_drive("boom_lift", "stroke", "300 mm")

    assert read_profile(text.encode(), "arm.toml").joints


def test_a_dead_centre_is_refused_exactly_where_the_machine_model_has_no_lever_arm() -> None:
    """Against mapper.machine, which the reader may not use: an end of the travel without a lever arm is refused."""
    dice = random.Random(7)
    seen = {True: 0, False: 0}
    for _ in range(60):
        included, extends = dice.randrange(-20, 220), dice.choice(("positive", "negative"))
        text = STAND.replace('extends = "positive"', f'extends = "{extends}"')
        text = re.sub(r'included_at_zero = "[^"]*"', f'included_at_zero = "{included} deg"', text)
        linkage = Linkage(
            base_radius_m=0.3,
            rod_radius_m=0.12,
            included_at_zero_rad=math.radians(included),
            sense=1 if extends == "positive" else -1,
        )
        wanted = min(float(linkage.lever_m(math.radians(q))) for q in (-35, 35)) < 1e-9
        said = ""
        try:
            read_profile(text.encode(), "stand.toml")
        except ProfileError as error:
            said = str(error)

        assert ("has no lever arm" in said) == wanted, (included, extends)
        seen[wanted] += 1

    assert min(seen.values()) >= 15
