"""The drawings of keep-out spaces and reach: to scale, in the pose that the limit names."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_profile import changed, worked
from page_case import centre, mm_per_unit, points, shapes

from mapper.check.page.space_view import scene_of, space_section, space_views
from mapper.machine.arm.points import arm_shape
from mapper.profile.profile import KeepOut

LANE = KeepOut(
    name="left <lane>",
    lower_m=(Fraction(1), Fraction(2), Fraction(-1)),
    upper_m=(Fraction(3), Fraction(3), Fraction(13, 10)),
)


@pytest.fixture(scope="module")
def scene():
    return scene_of(replace(worked("kerb-arm"), keep_out=(LANE,)))


@pytest.fixture(scope="module")
def drawn(scene):
    return [ElementTree.fromstring(svg) for svg in space_views(scene)]


def places_mm(svg: ElementTree.Element, kind: str, number: int = 0) -> np.ndarray:
    """From the first joint's pivot, y up."""
    found = points([item for item in shapes(svg, kind) if item.tag.endswith("polygon")][number])
    return (found - centre(svg, "pivot")) * mm_per_unit(svg) * [1.0, -1.0]


@pytest.mark.parametrize(("number", "sides"), [(0, (1000, 3000, 2000, 3000)), (1, (1000, 3000, -1000, 1300))])
def test_the_space_lies_where_the_profile_says(drawn, number, sides):
    box = places_mm(drawn[number], "keep")

    assert [*box[:, 0][[0, 1]], *box[:, 1][[0, 2]]] == pytest.approx(sides, abs=6.0)


def test_the_part_that_enters_is_drawn_in_its_pose(scene, drawn):
    """The load that gets deepest: a circle of its radius about its place, from above and from the side."""
    worst = scene.worst
    place = worst.part.places_m(worst.pose_rad[None])[0, 0] * 1000.0
    for svg, shown in zip(drawn, ([0, 1], [0, 2]), strict=True):
        solid = [item for item in shapes(svg, "part") if "far" not in item.get("class").split()]
        ring = (points(solid[0]) - centre(svg, "pivot")) * mm_per_unit(svg) * [1.0, -1.0]

        assert worst.part.name == "load rated"
        assert np.hypot(*(ring - place[shown]).T) == pytest.approx(600.0, abs=8.0)
        assert len(solid) == len(arm_shape(worked("kerb-arm")).parts) - 1  # all bodies, one load


def test_the_farthest_reach_and_its_sector(scene, drawn):
    above, side = drawn
    sector = places_mm(above, "reach")
    farthest = max(places_mm(above, "part far", number)[:, 0].max() for number in range(len(shapes(above, "part far"))))

    assert np.hypot(*sector.T).max() == pytest.approx(scene.far.most_m * 1000.0, abs=8.0)
    assert np.degrees(np.arctan2(sector[-1, 1], sector[-1, 0])) == pytest.approx(45.0, abs=0.2)
    assert farthest == pytest.approx(scene.far.found_m * 1000.0, rel=0.005)
    assert [item for item in shapes(side, "reach") if item.tag.endswith("polygon")] == []


def test_words_name_space_and_depth_and_are_escaped():
    section = space_section(replace(worked("kerb-arm"), keep_out=(LANE,)))

    assert "left &lt;lane&gt;" in section
    assert "mm into &quot;left &lt;lane&gt;&quot;" in section


def test_without_spaces_the_reach_is_drawn_and_that_is_said():
    section = space_section(worked("test-stand"))

    assert "nothing was looked at" in section
    assert section.count("<svg") == 2
    assert f"{(0.6 + 0.12) * 1000:.0f} mm" in section
    assert "Shaded from above" not in section


def test_without_a_radius_nothing_is_drawn_and_the_key_is_named():
    section = space_section(changed(worked("kerb-arm"), "loads.1.radius_m", None))

    assert "<svg" not in section
    assert "loads.rated.radius" in section


def test_a_body_is_drawn_as_thick_as_its_radius(scene, drawn):
    """The boom, 250 mm either side of the line between its pivots."""
    boom = next(part for part in scene.shape.parts if part.joint_name == "boom_lift")
    pose = {hinge.index: angle for hinge, angle in zip(scene.worst.part.hinges, scene.worst.pose_rad, strict=True)}
    start, end = boom.places_m(np.array([[pose[hinge.index] for hinge in boom.hinges]]))[0][:, [0, 1]] * 1000.0
    along = (end - start) / np.hypot(*(end - start))
    aside = [
        np.abs(places_mm(drawn[0], "part", number) @ np.array([-along[1], along[0]])).max()
        for number, item in enumerate(shapes(drawn[0], "part"))
        if "far" not in item.get("class").split()
    ]

    assert any(math.isclose(one, 250.0, abs_tol=6.0) for one in aside)
