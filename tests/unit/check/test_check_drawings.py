"""Drawings and plots of a check's page: every place lies where geometry and values say, to scale."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import numpy as np
import pytest
from check_case import KERB, STAND, check_text, profile_of, text_of
from make_profile import joint_named, worked
from page_case import angle_deg, centre, line_ends, mm_per_unit, points, shapes, svgs

from mapper.check.page.drawing import linkage_drawing, near_dead_centres_rad, triangle
from mapper.check.page.page import check_page
from mapper.check.page.plot import Curve, Level, Plot, figure, runs, ticks
from mapper.check.page.side_view import arm_drawing, lift_case, reach_of
from mapper.check.page.svg import FONT, Labels, View
from mapper.machine import joint_model
from mapper.machine.actuator.linkage import Linkage
from mapper.machine.arm.arm import arm_model, down_on_tilt
from mapper.machine.physics import joint_physics

CYLINDERS = ("boom_swing", "boom_lift", "elbow", "wrist_pitch", "clamp")


@pytest.fixture(scope="module")
def kerb_page():
    return check_page(profile_of(text_of(KERB)), check_text(text_of(KERB)))


@pytest.fixture(scope="module")
def kerb():
    return worked(KERB)


# -- linkage ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("q_deg", [-40.0, 0.0, 25.0])
def test_pivots_lie_where_the_linkage_says(sense, q_deg):
    linkage = Linkage(base_radius_m=0.82, rod_radius_m=0.22, included_at_zero_rad=math.radians(80.0), sense=sense)
    q = math.radians(q_deg)
    shape = triangle(linkage, q)
    included = math.acos(float(shape.base @ shape.rod) / (0.82 * 0.22))

    assert np.hypot(*shape.base) == pytest.approx(0.82)
    assert np.hypot(*shape.rod) == pytest.approx(0.22)
    assert included == pytest.approx(float(linkage.included_rad(q)))
    assert np.hypot(*(shape.rod - shape.base)) == pytest.approx(float(linkage.length_m(q)))
    assert np.hypot(*shape.foot) == pytest.approx(float(linkage.lever_m(q)))
    assert shape.foot @ (shape.rod - shape.base) == pytest.approx(0.0, abs=1e-12)
    # Positive turns anticlockwise, and the base stays where it is.
    assert math.degrees(math.atan2(shape.rod[1], shape.rod[0])) == pytest.approx(q_deg)
    assert triangle(linkage, 0.3).base == pytest.approx(shape.base)


@pytest.mark.parametrize("name", CYLINDERS)
def test_linkage_is_drawn_to_scale(kerb, name):
    joint = joint_named(kerb, name)
    model = joint_model(kerb, joint)
    svg = ElementTree.fromstring(linkage_drawing(joint, model))
    scale = mm_per_unit(svg)
    origin, base = centre(svg, "pivot joint"), centre(svg, "pivot base")
    lower, upper = model.hard_stops_rad
    size = pytest.approx

    assert np.hypot(*(base - origin)) * scale == size(model.linkage.base_radius_m * 1000, abs=0.2)
    for kind, q in (("lower", lower), ("middle", (lower + upper) / 2), ("upper", upper)):
        rod = centre(svg, f"pivot {kind}")
        assert np.hypot(*(rod - base)) * scale == size(float(model.length_m(q)) * 1000, abs=0.2)
        assert angle_deg(rod, origin) == size(math.degrees(q), abs=0.1)
        corners = points(shapes(svg, f"barrel {kind}")[0])
        bore = np.hypot(*(corners[0] - corners[3])) * scale
        thick = points(shapes(svg, f"rod {kind}")[0])
        assert bore == size(model.drive.bore_m * 1000, abs=0.2)
        assert np.hypot(*(thick[0] - thick[3])) * scale == size(model.drive.rod_m * 1000, abs=0.2)
    start, end = line_ends(next(item for item in shapes(svg, "lever") if item.tag.endswith("line")))
    assert np.hypot(*(end - start)) * scale == size(float(model.lever_m((lower + upper) / 2)) * 1000, abs=0.2)


def test_stops_and_arc_of_the_travel(kerb):
    joint = joint_named(kerb, "boom_lift")
    model = joint_model(kerb, joint)
    svg = ElementTree.fromstring(linkage_drawing(joint, model))
    origin, scale = centre(svg, "pivot joint"), mm_per_unit(svg)
    arc = points(shapes(svg, "travel")[0])

    def angles(kind: str) -> list[float]:
        return [angle_deg(line_ends(item)[1], origin) for item in shapes(svg, f"stop {kind}")]

    hard, soft = joint.limits.hard_stops_deg, joint.limits.soft_stops_deg
    assert angles("hard") == pytest.approx([float(hard.lower), float(hard.upper)], abs=0.1)
    assert angles("soft") == pytest.approx([float(soft.lower), float(soft.upper)], abs=0.1)
    assert np.hypot(*(arc - origin).T) * scale == pytest.approx(model.linkage.rod_radius_m * 1000, abs=0.2)
    assert [angle_deg(arc[0], origin), angle_deg(arc[-1], origin)] == pytest.approx(angles("hard"), abs=0.1)


def test_a_dead_centre_is_drawn_where_it_is_near_and_only_there(kerb):
    elbow = ElementTree.fromstring(
        linkage_drawing(joint_named(kerb, "elbow"), joint_model(kerb, joint_named(kerb, "elbow")))
    )
    swing = ElementTree.fromstring(
        linkage_drawing(joint_named(kerb, "boom_swing"), joint_model(kerb, joint_named(kerb, "boom_swing")))
    )
    (drawn,) = [item for item in shapes(elbow, "dead") if item.tag.endswith("line")]
    start, end = line_ends(drawn)

    # Rod and base pivot in line: where the joint would have to be for the cylinder to point at the pivot.
    assert angle_deg(end, start) == pytest.approx(-138.0, abs=0.1)
    assert shapes(swing, "dead") == []


@pytest.mark.parametrize(("upper_deg", "count"), [(79.9, 0), (80.0, 1), (99.0, 1), (105.0, 1)])
def test_near_is_within_20_deg_of_the_travel_or_inside_it(upper_deg, count):
    linkage = Linkage(base_radius_m=1.0, rod_radius_m=0.3, included_at_zero_rad=math.radians(80.0), sense=1)
    near = near_dead_centres_rad(linkage, math.radians(-30.0), math.radians(upper_deg))

    assert len(near) == count
    assert [math.degrees(q) for q in near] == pytest.approx([100.0] * count)


# -- plots ------------------------------------------------------------------------------------------------------------


def test_a_curve_lies_where_its_axes_say():
    q = np.linspace(-30.0, 60.0, 10)
    curve = Curve(name="one", kind="plain", values=100.0 + q)
    level = Level(name="most", value=180.0)
    svg = svgs(figure(Plot(title="x", unit="bar", q_deg=q, curves=(curve,), levels=(level,)), "joint"))[0]
    numbers = [item for item in shapes(svg, "tick") if item.text != "deg"]
    left = {float(item.text): float(item.get("y")) for item in numbers if item.get("text-anchor") == "end"}
    below = {float(item.text): float(item.get("x")) for item in numbers if item.get("text-anchor") == "middle"}
    drawn = points(shapes(svg, "curve")[0])
    per_bar, per_deg = (left[150.0] - left[0.0]) / 150.0, (below[40.0] - below[0.0]) / 40.0

    assert (drawn[:, 0] - below[0.0]) / per_deg == pytest.approx(q, abs=0.1)
    assert (drawn[:, 1] - left[0.0] + 4.0) / per_bar == pytest.approx(100.0 + q, abs=0.5)
    assert (line_ends(shapes(svg, "limit")[0])[0, 1] - left[0.0] + 4.0) / per_bar == pytest.approx(180.0, abs=0.5)
    assert svg.get("aria-label").startswith("joint: x over the travel in bar; most 160 bar at 60.0 deg (one)")


def test_a_curve_is_cut_at_the_top_and_broken_where_it_has_no_end():
    q = np.arange(6.0)

    assert runs(q, np.array([0.0, 2.0, 4.0, 4.0, 2.0, 0.0]), 3.0) == [
        [(0.0, 0.0), (1.0, 2.0), (1.5, 3.0)],
        [(3.5, 3.0), (4.0, 2.0), (5.0, 0.0)],
    ]
    assert runs(q, np.array([1.0, 1.0, np.inf, 1.0, 1.0, np.nan]), 3.0) == [
        [(0.0, 1.0), (1.0, 1.0)],
        [(3.0, 1.0), (4.0, 1.0)],
    ]


def test_what_goes_beyond_the_plot_is_said():
    q = np.linspace(0.0, 10.0, 5)
    curves = (
        Curve(name="low", kind="plain", values=np.full(5, 3.0)),
        Curve(name="high", kind="plain", values=np.array([1.0, 2.0, np.inf, 500.0, 2.0])),
    )
    text = figure(Plot(title="x", unit="Hz", q_deg=q, curves=curves, worst_is_least=True, cut_at=10.0), "j")

    assert "not shown: high" in text
    assert "least 1 Hz at 0.0 deg" in text
    with pytest.raises(ValueError, match="no value is finite"):
        Plot(title="x", unit="Hz", q_deg=q, curves=(replace(curves[0], values=np.full(5, np.inf)),)).worst()


def test_curves_of_a_plot_can_be_told_apart_without_colour(kerb_page):
    for svg in svgs(kerb_page):
        if svg.get("class") == "plot":
            kinds = {item.get("class").split()[-1] for item in shapes(svg, "curve")}
            names = {item.get("class") for item in shapes(svg, "curve")}
            assert len(kinds) == len(names)


@pytest.mark.parametrize(("low", "high", "count"), [(-118.0, 0.0, 5), (0.0, 0.013, 4), (-180.0, 180.0, 5)])
def test_ticks_are_round_and_inside(low, high, count):
    found = ticks(low, high, count)

    assert 2 <= len(found) <= count + 3
    assert low <= found[0] <= found[-1] <= high
    step = found[1] - found[0]
    assert min(abs(step / 10.0 ** round(math.log10(step / part)) - part) for part in (1, 2, 5)) < 1e-9
    assert np.diff(found) == pytest.approx(step)


def test_plotted_pressure_has_the_findings_worst_value(kerb_page):
    for finding in check_text(text_of(KERB)).findings:
        if finding.limit == "force":
            part = kerb_page[kerb_page.index(f'id="joint-{finding.joint}"') :]
            label = re.search(r"Pressure needed, accelerating over the travel in bar; most (\S+) bar", part)
            assert float(label[1]) == pytest.approx(finding.worst, rel=5e-4)
        if finding.limit == "natural_frequency":
            part = kerb_page[kerb_page.index(f'id="joint-{finding.joint}"') :]
            label = re.search(r"Lowest natural frequency over the travel in Hz; least (\S+) Hz", part)
            assert float(label[1]) == pytest.approx(finding.worst, rel=5e-4)


# -- the arm ----------------------------------------------------------------------------------------------------------


def test_the_pose_that_is_drawn_has_the_worst_lift_torque(kerb):
    physics = joint_physics(kerb)
    case = lift_case(kerb, physics)
    arm = arm_model(kerb)
    tilt = math.radians(float(kerb.tilt_deg))
    downs = down_on_tilt(tilt, np.linspace(0.0, 2.0 * math.pi, 13))
    rolls = [joint.axis == "roll" for joint in kerb.joints]
    poses = [np.where(rolls, roll, case.pose_rad) for roll in np.radians([0, 90, 180, 270])]
    most = max(
        -arm.gravity_torque_n_m(pose, case.load_name, down)[0, case.joint_index] for pose in poses for down in downs
    )

    assert case.load_name == "rated"
    assert kerb.joints[case.joint_index].name == "boom_lift"
    assert 0.98 * case.torque_n_m < most <= case.torque_n_m


def test_the_arm_is_drawn_to_scale(kerb):
    case = lift_case(kerb, joint_physics(kerb))
    svg = ElementTree.fromstring(arm_drawing(kerb, case, reach_of(kerb, case.load_name)))
    scale = mm_per_unit(svg)
    line = points(next(item for item in shapes(svg, "arm") if item.get("class") == "arm" and item is not svg)) * scale
    lengths = np.hypot(*np.diff(line, axis=0).T)
    spans = [
        0.0 if joint.body is None else 1000 * math.hypot(float(joint.body.length_m), float(joint.body.rise_m))
        for joint in kerb.joints
    ]
    turning = [span for span, joint in zip(spans, kerb.joints, strict=True) if joint.axis != "grip"]
    grip = sum(spans) - sum(turning)
    load = centre(svg, "load") * scale
    wrist = line[1 + [joint.name for joint in kerb.joints].index("wrist_pitch")]

    # The first length, from the origin to the first pivot, is none; jaws lengthen the last body.
    assert lengths == pytest.approx([0.0, *turning[:-1], turning[-1] + grip], abs=0.5)
    assert np.hypot(*(load - wrist)) == pytest.approx(380.0, abs=0.5)


def test_every_pose_stays_within_the_drawn_reach_and_its_ends_are_reached(kerb):
    reach = reach_of(kerb, "rated")
    arm = arm_model(kerb)
    random = np.random.default_rng(7)
    low, high = (np.array([getattr(joint, end) for joint in arm.chain.joints]) for end in ("lower_rad", "upper_rad"))
    poses = low + random.random((4000, len(low))) * (high - low)
    for number, joint in enumerate(kerb.joints):
        if joint.axis in ("vertical", "roll"):
            poses[:, number] = 0.0
    load = next(load for load in arm.chain.loads if load.name == "rated")
    places = arm.tip_m(poses, "rated") - load.offset_m * arm.pose(poses, "rated").end_turns[:, :, 2]
    outside = [place for place in places[:, [0, 2]] if _away(place, reach.outline_m) > 0.02]
    ends = np.array([reach.farthest_m, reach.highest_m, -reach.lowest_m])
    found = np.array([places[:, 0].max(), places[:, 2].max(), -places[:, 2].min()])

    assert outside == []
    assert np.all(ends >= found - 0.01)
    assert np.all(ends <= found + 0.25)


def _away(place: np.ndarray, outline: np.ndarray) -> float:
    """How far outside of a closed outline a place lies; 0 inside (crossings of a ray)."""
    start, end = outline, np.roll(outline, -1, axis=0)
    spans = (start[:, 1] > place[1]) != (end[:, 1] > place[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        x = start[:, 0] + (place[1] - start[:, 1]) * (end[:, 0] - start[:, 0]) / (end[:, 1] - start[:, 1])
    if np.count_nonzero(spans & (x > place[0])) % 2:
        return 0.0
    return float(np.hypot(*(outline - place).T).min())


def test_reach_of_a_single_lever_is_an_arc():
    profile = worked(STAND)
    reach = reach_of(profile, "weight")
    hard = profile.joints[0].limits.hard_stops_deg

    assert np.hypot(*reach.outline_m.T) == pytest.approx(0.6)
    assert reach.farthest_m == pytest.approx(0.6, abs=1e-3)
    assert reach.highest_m == pytest.approx(0.6 * math.sin(math.radians(float(hard.upper))), abs=1e-6)
    assert reach.lowest_m == pytest.approx(0.6 * math.sin(math.radians(float(hard.lower))), abs=1e-6)


def test_an_arm_that_does_not_stay_in_one_plane_has_no_outline(kerb):
    turned = replace(kerb, joints=(*kerb.joints[1:2], *kerb.joints[:1], *kerb.joints[2:]))
    case = lift_case(turned, joint_physics(turned))

    assert reach_of(turned, "rated") is None
    ElementTree.fromstring(arm_drawing(turned, case, None))


def test_a_machine_that_lifts_nothing_says_so(kerb):
    swing = replace(kerb, joints=tuple(joint for joint in kerb.joints if joint.axis != "pitch"))

    assert lift_case(swing, joint_physics(swing)) is None
    assert reach_of(swing, "rated") is None


# -- labels -----------------------------------------------------------------------------------------------------------


def test_labels_keep_off_lines_and_inside_the_drawing():
    view = View(width=200.0, height=100.0, units_per_m=1.0, left=0.0, bottom=100.0)
    labels = Labels(view)
    labels.keep_clear([(0.0, 30.0), (200.0, 30.0)], 2.0)
    text = ElementTree.fromstring(f"<g>{labels.place('name', 'a pivot', (197.0, 30.0), (1.0, 0.0))}</g>")[-1]
    x, y, half = float(text.get("x")), float(text.get("y")) - 0.35 * FONT, len("a pivot") * 0.28 * FONT

    assert x + half <= 200.0
    assert abs(y - 30.0) >= 0.5 * FONT
