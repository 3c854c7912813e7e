"""Checks between the items of one joint."""

from __future__ import annotations

from fractions import Fraction

from mapper.profile.cross_holding import check_holding
from mapper.profile.cross_linkage import check_linkage
from mapper.profile.messages import Report
from mapper.profile.order import at_most, at_zero, in_order, one_way, rising
from mapper.profile.positions import Path
from mapper.profile.view import View

_FULL_TURN_DEG = 360
_FAULT_TICKS_MAX = 1000
_WINDOW_UPPER_MAX = 65534


def check_joint(view: View, joint: Path, report: Report) -> None:
    """Reports what does not go together within the joint at `joint`."""
    _check_kind(view, joint, report)
    for group in ("operator", "position"):
        _check_sensor(view, (*joint, group), report)
    _check_response(view, joint, report)
    _check_drive(view, (*joint, "drive"), report)
    check_linkage(view, joint, report)
    _check_valve(view, (*joint, "valve"), report)
    _check_speeds(view, (*joint, "limits"), report)
    _check_stops(view, joint, report)
    for key in ("lag", "dead_time"):
        in_order(view, report, (*joint, "tolerances", key), ("shortest", "longest"), equal=True)
    check_holding(view, joint, report)
    _check_grip(view, joint, report)


def _check_kind(view: View, joint: Path, report: Report) -> None:
    """What follow and speed control, limited and continuous travel need and exclude."""
    control, travel = view.value(*joint, "control"), view.value(*joint, "travel")
    name = ".".join(str(part) for part in joint)
    if control == "follow" and view.lacks(*joint, "follow"):
        report.at(
            joint, key=True, found=f"a joint in follow control without [{name}.follow]",
            allowed="follow control needs a gain, a feed_forward and its deadbands",
            remedy=f"add the table [{name}.follow], or write control = \"speed\"",
        )  # fmt: skip
    if control == "speed" and view.has(*joint, "follow"):
        report.at(
            (*joint, "follow"), key=True, found="a follow table in a joint in speed control",
            allowed="only a joint in follow control has one",
            remedy='remove the table, or write control = "follow"',
        )  # fmt: skip
    for stops in ("soft_stops", "hard_stops"):
        if travel == "limited" and view.lacks(*joint, "limits", stops):
            report.at(
                (*joint, "limits"), key=True, found=f'key "{stops}" is missing',
                allowed="a joint with limited travel has soft_stops and hard_stops",
                remedy=f'add for example: {stops} = {{lower = "-40 deg", upper = "40 deg"}}',
            )  # fmt: skip
        if travel == "continuous" and view.has(*joint, "limits", stops):
            report.at(
                (*joint, "limits", stops), key=True, found=f"{stops} in a continuous joint",
                allowed="a joint that turns for ever has no stops",
                remedy='remove them, or write travel = "limited"',
            )  # fmt: skip
    if travel == "continuous" and view.value(*joint, "drive", "kind") == "cylinder":
        report.at(
            (*joint, "travel"), found='"continuous" with a cylinder',
            allowed="a cylinder moves a joint between two ends, only a motor can turn it for ever",
            remedy='write travel = "limited"',
        )  # fmt: skip


def _check_sensor(view: View, sensor: Path, report: Report) -> None:
    tracks = view.count(*sensor, "tracks")
    if tracks == 2 and view.lacks(*sensor, "disagreement"):
        report.at(
            sensor, key=True, found='key "disagreement" is missing',
            allowed="a sensor with two tracks needs it (the largest believable difference of the two)",
            remedy='add for example: disagreement = "2 deg"',
        )  # fmt: skip
    if tracks == 1 and view.has(*sensor, "disagreement"):
        report.at(
            (*sensor, "disagreement"), key=True, found="a disagreement with one track",
            allowed="it compares two tracks", remedy="remove it, or add the second track",
        )  # fmt: skip
    tick, fault_time = view.value("controller", "tick"), view.value(*sensor, "fault_time")
    if tick is not None and fault_time is not None and not tick <= fault_time <= _FAULT_TICKS_MAX * tick:
        report.at(
            (*sensor, "fault_time"), found=f"{view.text(*sensor, 'fault_time')} is not 1 to {_FAULT_TICKS_MAX} ticks",
            allowed=f"one tick is {view.text('controller', 'tick')}", remedy="correct the time",
        )  # fmt: skip
    for index in range(tracks):
        _check_track(view, sensor, index, report)


def _check_track(view: View, sensor: Path, index: int, report: Report) -> None:
    track: Path = (*sensor, "tracks", index)
    points = (*track, "points")
    key = "angle" if any(value is not None for value in view.column(points, "angle")) else "share"
    rising(view, report, points, "count")
    one_way(view, report, points, key, strict=True)
    _check_window(view, track, report)
    values = [value for value in view.column(points, key) if value is not None]
    if len(values) < view.count(*points) or len(values) < 2:
        return
    if key == "share" and not min(values) <= 0 <= max(values):
        report.at(
            points, key=True, found="no count means rest (0 %)",
            allowed="a lever has a rest position, and nothing starts before it has been there",
            remedy='add the point with share = "0 %"',
        )  # fmt: skip
    if sensor[-1] == "position" and view.value(*sensor[:-1], "travel") == "continuous":
        turn = abs(values[-1] - values[0])
        if turn != _FULL_TURN_DEG:
            report.at(
                points, key=True, found=f"the points cover {float(turn):g} deg",
                allowed="the sensor of a continuous joint covers exactly 360 deg from its first to its last count",
                remedy="correct the end points",
            )  # fmt: skip


def _check_window(view: View, track: Path, report: Report) -> None:
    points = (*track, "points")
    counts_max = view.value("controller", "count_max")
    window_ok = in_order(view, report, (*track, "window"), ("lower", "upper"))
    upper, lower = view.value(*track, "window", "upper"), view.value(*track, "window", "lower")
    if window_ok and counts_max is not None and upper > counts_max:
        report.at(
            (*track, "window", "upper"), found=f"{upper} is above count_max {counts_max}",
            allowed=f"the window lies within 0 to {counts_max}, with room at both ends for a cut wire and a short",
            remedy="correct the window, or controller.count_max",
        )  # fmt: skip
    elif window_ok and lower == 0 and upper == counts_max:
        report.at(
            (*track, "window"), found="the window takes every count",
            allowed="a cut wire or a short must fall outside it",
            remedy="leave room at 0 and at count_max",
        )  # fmt: skip
    elif window_ok and lower < 1:
        report.at(
            (*track, "window", "lower"), found=f"{lower} takes a cut wire for a value",
            allowed="at least 1, better well above: a wire that is cut reads 0",
            remedy="leave room at 0 for a cut wire",
        )  # fmt: skip
    elif window_ok and upper > _WINDOW_UPPER_MAX:
        report.at(
            (*track, "window", "upper"), found=f"{upper} takes a short for a value",
            allowed=f"at most {_WINDOW_UPPER_MAX}, better well below: a wire shorted to the supply reads 65535",
            remedy="leave room at the upper end for a short",
        )  # fmt: skip
    if window_ok:
        for number, count in enumerate(view.column(points, "count")):
            if count is not None and not lower <= count <= upper:
                report.at(
                    (*points, number, "count"), found=f"{count} is outside the window {lower} to {upper}",
                    allowed="calibration points lie inside the plausible window",
                    remedy="widen the window, or correct the point",
                )  # fmt: skip


def _check_response(view: View, joint: Path, report: Report) -> None:
    response = (*joint, "operator", "response")
    rising(view, report, response, "operator")
    one_way(view, report, response, "joint", strict=False)
    if view.value(*joint, "control") == "speed":
        pairs = zip(view.column(response, "operator"), view.column(response, "joint"), strict=True)
        points = [(x, y) for x, y in pairs if x is not None and y is not None]
        if len(points) == view.count(*response) and points and at_zero(points) != 0:
            report.at(
                response, key=True, found="the curve does not pass through 0 % at 0 %",
                allowed="a lever just outside its deadband asks for a speed near zero",
                remedy='add the point {operator = "0 %", joint = "0 %"}',
            )  # fmt: skip
        return
    hard = (*joint, "limits", "hard_stops")
    lower, upper = view.value(*hard, "lower"), view.value(*hard, "upper")
    for index, angle in enumerate(view.column(response, "joint")):
        if None not in (angle, lower, upper) and lower < upper and not lower <= angle <= upper:
            report.at(
                (*response, index, "joint"), found=f"{view.text(*response, index, 'joint')} is beyond the hard stops",
                allowed=f"a target lies between {view.text(*hard, 'lower')} and {view.text(*hard, 'upper')}",
                remedy="correct the point (ends are held, so the last point may ask for the soft stop)",
            )  # fmt: skip


def _check_drive(view: View, drive: Path, report: Report) -> None:
    bore, rod = view.value(*drive, "bore"), view.value(*drive, "rod")
    if bore is not None and rod is not None and rod >= bore:
        report.at(
            (*drive, "rod"),
            found=f"rod {view.text(*drive, 'rod')} is not thinner than bore {view.text(*drive, 'bore')}",
            allowed="the rod fits through the barrel", remedy="swap the two" if rod > bore else "correct one of them",
        )  # fmt: skip
    stroke, closed = view.value(*drive, "stroke"), view.value(*drive, "closed_length")
    if stroke is not None and closed is not None and closed <= stroke:
        report.at(
            (*drive, "closed_length"),
            found=f"{view.text(*drive, 'closed_length')} is not longer than stroke {view.text(*drive, 'stroke')}",
            allowed="pin to pin, rod fully in, a cylinder is longer than its stroke", remedy="correct one of the two",
        )  # fmt: skip
    at_most(view, report, (*drive, "cushion"), (*drive, "stroke"), "a cushion is a part of the stroke")


def _check_valve(view: View, valve: Path, report: Report) -> None:
    for side_name in ("positive", "negative"):
        side: Path = (*valve, side_name)
        points = (*side, "points")
        at_most(view, report, (*side, "crack_min"), (*side, "crack"), "crack_min is the smallest crack ever measured")
        rising(view, report, points, "drive")
        rising(view, report, points, "flow")
        crack, drive, flow = view.value(*side, "crack"), view.value(*points, 0, "drive"), view.value(*points, 0, "flow")
        if None not in (crack, drive, flow) and (drive != crack or flow != 0):
            report.at(
                (*points, 0),
                found=f"the first point is ({view.text(*points, 0, 'drive')}, {view.text(*points, 0, 'flow')})",
                allowed="flow begins at the crack point",
                remedy=f'write {{drive = {view.text(*side, "crack")}, flow = "0 %"}}',
            )  # fmt: skip
        drive_max = view.value(*valve, "drive_max")
        if crack is not None and drive_max is not None and drive_max <= crack:
            report.at(
                (*valve, "drive_max"),
                found=f"{view.text(*valve, 'drive_max')} is not above {side_name}.crack {view.text(*side, 'crack')}",
                allowed="the largest drive opens the valve", remedy="correct one of the two",
            )  # fmt: skip


def _check_speeds(view: View, limits: Path, report: Report) -> None:
    for way in ("positive", "negative"):
        at_most(
            view, report, (*limits, "reduced_speed", way), (*limits, "speed", way),
            "reduced mode is not faster than full mode",
        )  # fmt: skip


def _check_stops(view: View, joint: Path, report: Report) -> None:
    limits: Path = (*joint, "limits")
    soft_ok = in_order(view, report, (*limits, "soft_stops"), ("lower", "upper"))
    hard_ok = in_order(view, report, (*limits, "hard_stops"), ("lower", "upper"))
    for end, sign in (("lower", 1), ("upper", -1)):
        soft, hard = view.value(*limits, "soft_stops", end), view.value(*limits, "hard_stops", end)
        # At the hard stop itself is for the checker to judge: it knows by how much to move it.
        if soft_ok and hard_ok and (soft - hard) * sign < 0:
            report.at(
                (*limits, "soft_stops", end),
                found=f"{view.text(*limits, 'soft_stops', end)} is beyond the hard stop "
                f"{view.text(*limits, 'hard_stops', end)}",
                allowed="soft stops lie inside the hard stops, by enough for the overrun",
                remedy="move the soft stop inwards",
            )
    if soft_ok:
        _check_reach_of_sensor(view, joint, report)


def _check_reach_of_sensor(view: View, joint: Path, report: Report) -> None:
    """Outside its calibration points a sensor's value is held, so the joint could pass a soft stop unseen."""
    soft: Path = (*joint, "limits", "soft_stops")
    lower, upper = view.value(*soft, "lower"), view.value(*soft, "upper")
    for index in range(view.count(*joint, "position", "tracks")):
        points = (*joint, "position", "tracks", index, "points")
        angles: list[Fraction] = view.column(points, "angle")
        if len(angles) < 2 or any(angle is None for angle in angles):
            continue
        if min(angles) >= lower or max(angles) <= upper:
            report.at(
                points, key=True,
                found=f"the points reach from {float(min(angles)):g} deg to {float(max(angles)):g} deg",
                allowed=f"a position sensor sees beyond both soft stops ({view.text(*soft, 'lower')}, "
                f"{view.text(*soft, 'upper')}), since outside its points its value is held",
                remedy="calibrate over the whole travel",
            )  # fmt: skip


def _check_grip(view: View, joint: Path, report: Report) -> None:
    """A grip's body is its jaws: nothing hangs on them, so a way to a next pivot would be left out of account."""
    if view.value(*joint, "axis") != "grip":
        return
    for key in ("length", "rise"):
        if view.value(*joint, "body", key) not in (None, 0):
            report.at(
                (*joint, "body", key), found=f"{view.text(*joint, 'body', key)} in a grip",
                allowed="a grip moves its own jaws only, no other joint hangs on it",
                remedy=f'write {key} = "0 mm" (where the jaws are is what body.centre says), or correct axis',
            )  # fmt: skip
