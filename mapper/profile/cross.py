"""Checks between the items of a profile: names that must resolve, wires used twice, and order of values.

Machine-wide checks are here, those within one joint in `cross_joint`. Every check looks only at what could be read, so
that one wrong value does not hide the next problem. What needs geometry, hydraulics or the control law is for the
checker.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from mapper.profile.cross_coupled import check_coupled_stops
from mapper.profile.cross_joint import check_joint
from mapper.profile.cross_room import check_keep_out, check_radii
from mapper.profile.messages import Report, item_text, listing, nearest
from mapper.profile.order import in_order
from mapper.profile.positions import Path
from mapper.profile.view import View

_DEADLINE_TICKS_MIN = 4


def check_between_items(data: Mapping[str, Any], values: object, report: Report) -> None:
    """Reports everything that does not go together.

    Args:
        data: as tomllib read it.
        values: of `values.convert`: same shape, None where something could not be read.
    """
    view = View(data, values)
    _check_controller(view, report)
    _check_stop(view, report)
    _check_dump(view, report)
    _check_supply(view, report)
    _check_inputs(view, report)
    _check_outputs(view, report)
    _check_marks(view, report)
    for name in view.names("joints"):
        check_joint(view, ("joints", name), report)
    check_coupled_stops(view, report)
    check_keep_out(view, report)
    check_radii(view, report)
    _check_waivers(view, report)


def _check_controller(view: View, report: Report) -> None:
    tick = view.value("controller", "tick")
    if tick is not None and ((1 / tick).denominator != 1 or (tick * 1_000_000).denominator != 1):
        report.at(
            ("controller", "tick"),
            found=f"{view.text('controller', 'tick')} does not divide a second evenly",
            allowed="a whole number of ticks makes one second, and a tick is a whole number of microseconds",
            remedy='write for example "5 ms" (200 ticks a second)',
        )
    late = view.value("controller", "late_allowance")
    if tick is not None and late is not None and late > tick:
        report.at(
            ("controller", "late_allowance"),
            found=f"{view.text('controller', 'late_allowance')} is more than one tick",
            allowed=f"at most one tick ({view.text('controller', 'tick')}): a tick that is later was lost",
            remedy="give the time by which a tick of your controller may really be late, or lengthen the tick",
        )
    for group, kind in (("inputs", "analog channel"), ("outputs", "valve output")):
        taken: dict[int, str] = {}
        for name in view.names("controller", group):
            channel = view.value("controller", group, name)
            if channel is None:
                continue
            if channel in taken:
                report.at(
                    ("controller", group, name),
                    found=f"{kind} {channel} already has the name {taken[channel]}",
                    allowed=f"each {kind} has one name",
                    remedy="give the channel that this wire is really on, or use the other name",
                )
            taken.setdefault(channel, name)


def _check_stop(view: View, report: Report) -> None:
    category = view.value("emergency_stop", "category")
    if category == 1 and view.lacks("emergency_stop", "delayed_off_relay"):
        report.at(
            ("emergency_stop", "category"),
            found="category 1 without delayed_off_relay",
            allowed="category 1 needs a hard-wired off-delay relay that drops pump and dump valve after the slowing "
            "down, since no joint can slow down once pressure is gone",
            remedy='add for example delayed_off_relay = "800 ms" if such a relay is fitted, else write category = 0',
        )
    if category == 0 and view.has("emergency_stop", "delayed_off_relay"):
        report.at(
            ("emergency_stop", "delayed_off_relay"), key=True,
            found="a delayed-off relay with category 0",
            allowed="category 0 takes pressure away at once, the relay belongs to category 1",
            remedy="remove it, or write category = 1",
        )  # fmt: skip
    if category == 1:
        _check_deadline(view, "delayed_off_relay", "fit a relay with a longer delay", report)
    _check_deadline(view, "release_deadline", "give a later deadline", report)
    in_order(view, report, ("emergency_stop", "reset_press"), ("shortest", "longest"))
    tick, gap = view.value("controller", "tick"), view.value("emergency_stop", "discrepancy_time")
    if tick is not None and gap is not None and gap < tick:
        report.at(
            ("emergency_stop", "discrepancy_time"),
            found=f"{view.text('emergency_stop', 'discrepancy_time')} is less than one tick",
            allowed=f"at least one tick ({view.text('controller', 'tick')})",
            remedy="give the time in which both contacts of your stop button have surely opened",
        )


def _check_deadline(view: View, key: str, remedy: str, report: Report) -> None:
    """A slowing down that ends in time takes four ticks at least, each of which may be late."""
    tick, late = view.value("controller", "tick"), view.value("controller", "late_allowance")
    time = view.value("emergency_stop", key)
    if tick is None or late is None or time is None:
        return
    least = _DEADLINE_TICKS_MIN * (tick + late)
    if time < least:
        least_ms, short_ms = float(least * 1000), float((least - time) * 1000)
        report.at(
            ("emergency_stop", key),
            found=f"{view.text('emergency_stop', key)} is too quick by {short_ms:g} ms",
            allowed=f"at least {least_ms:g} ms: one tick to read the contact, one to see it, one to slow down, one to "
            "the output, each late by late_allowance",
            remedy=f"{remedy}, or shorten tick and late_allowance",
        )


def _check_dump(view: View, report: Report) -> None:
    for key, other, example, why in (
        ("dump", "dump_time", '"300 ms"', "how far a joint runs on depends on how long the pressure takes to go"),
        ("dump_time", "dump", '"pump_to_tank"', "what is left after that time depends on which line is dumped"),
    ):
        if view.has("emergency_stop", key) and view.lacks("emergency_stop", other):
            report.at(
                ("emergency_stop", key), key=True, found=f"a {key} without {other}",
                allowed=f"dump and dump_time come together: {why}",
                remedy=f"add for example {other} = {example}, or remove {key}",
            )  # fmt: skip
    if view.value("emergency_stop", "dump") == "load_sensing" and view.value("supply", "pump") == "fixed":
        report.at(
            ("emergency_stop", "dump"),
            found='"load_sensing" with pump = "fixed"',
            allowed="a fixed pump has no load-sensing line: its full flow goes on at relief pressure until its own "
            "line is opened to the tank",
            remedy='write dump = "pump_to_tank" where such a valve is fitted, or correct supply.pump',
        )


def _check_supply(view: View, report: Report) -> None:
    for key in ("margin", "tank_pressure"):
        low, relief = view.value("supply", key), view.value("supply", "relief_pressure")
        relief_text = view.text("supply", "relief_pressure")
        if low is not None and relief is not None and low >= relief:
            report.at(
                ("supply", key),
                found=f"{view.text('supply', key)} is not below relief_pressure {relief_text}",
                allowed=f"{key} is well below the relief pressure",
                remedy="correct the value or its unit",
            )


def _check_inputs(view: View, report: Report) -> None:
    known = view.names("controller", "inputs")
    used: dict[str, Path] = {}
    for joint in view.names("joints"):
        for group in ("operator", "position"):
            for index in range(view.count("joints", joint, group, "tracks")):
                path: Path = ("joints", joint, group, "tracks", index, "input")
                name = view.value(*path)
                if not isinstance(name, str) or not known:
                    continue
                if name not in known:
                    _unknown_name(path, name, known, "[controller.inputs]", report)
                elif name in used:
                    _input_twice(path, name, used[name], report)
                used.setdefault(name, path)


def _unknown_name(path: Path, name: str, known: list[str], table: str, report: Report) -> None:
    near = nearest(name, known)
    other = "use one of these" if table == "[joints]" else f"add it to {table} or use one of these"
    report.at(
        path,
        found=f'the name "{name}" is not in {table}',
        allowed=f"one of {listing(known)}",
        remedy=f'did you mean "{near}"?' if near else other,
    )


def _input_twice(path: Path, name: str, first: Path, report: Report) -> None:
    same_sensor = path[:3] == first[:3]
    if same_sensor:
        allowed = "the second track is a sensor of its own, else a fault moves both alike and is never noticed"
    else:
        allowed = "one input drives or measures one joint"
    report.at(
        path,
        found=f'input "{name}" is already used by {item_text(first[:-1])} (line {report.line_of(first)})',
        allowed=allowed,
        remedy="give each track the input that it is wired to",
    )


def _check_outputs(view: View, report: Report) -> None:
    known = view.names("controller", "outputs")
    used: dict[str, str] = {}
    for joint in view.names("joints"):
        path: Path = ("joints", joint, "valve", "output")
        name = view.value(*path)
        if not isinstance(name, str) or not known:
            continue
        if name not in known:
            _unknown_name(path, name, known, "[controller.outputs]", report)
        elif name in used:
            line = report.line_of(("joints", used[name], "valve", "output"))
            report.at(
                path,
                found=f'output "{name}" already moves joint {used[name]} (line {line})',
                allowed="each joint has a valve and an actuator of its own: one cylinder cannot move two joints "
                "independently, whatever the linkage, since its one length sets both",
                remedy="give this joint an output of its own, or describe the two motions as one joint",
            )
        used.setdefault(name, joint)


def _check_marks(view: View, report: Report) -> None:
    """One actuator at two joints. Case does not tell two marks apart: nobody would paint C1 and c1 on one machine."""
    used: dict[str, str] = {}
    for joint in view.names("joints"):
        path: Path = ("joints", joint, "drive", "mark")
        mark = view.value(*path)
        if not isinstance(mark, str):
            continue
        first = used.setdefault(mark.lower(), joint)
        if first != joint:
            line = report.line_of(("joints", first, "drive", "mark"))
            report.at(
                path,
                found=f"{view.text(*path)} is already the actuator of joint {first} (line {line})",
                allowed="one actuator cannot move two joints independently: it has one length or one angle of its "
                "shaft, and that sets both joints at once",
                remedy="give each joint an actuator and a mark of its own, or describe the two motions as one joint "
                "with a linkage",
            )


def _check_waivers(view: View, report: Report) -> None:
    joints = view.names("joints")
    seen: dict[tuple[str, str | None], int] = {}
    for index in range(view.count("waivers")):
        limit, joint = view.value("waivers", index, "limit"), view.value("waivers", index, "joint")
        if isinstance(joint, str) and joints and joint not in joints:
            _unknown_name(("waivers", index, "joint"), joint, joints, "[joints]", report)
        if isinstance(limit, str):
            if (limit, joint) in seen:
                report.at(
                    ("waivers", index), key=True,
                    found=f"the same limit and joint as in waivers[{seen[limit, joint]}]",
                    allowed="a limit is waived once for a joint",
                    remedy="keep one of the two, with the full reason",
                )  # fmt: skip
            seen.setdefault((limit, joint), index)
