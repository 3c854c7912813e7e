"""Room that arm and load take, and room that is kept clear of them."""

from __future__ import annotations

from fractions import Fraction

from mapper.profile.messages import Report
from mapper.profile.positions import Path
from mapper.profile.view import View


def check_keep_out(view: View, report: Report) -> None:
    """Reports boxes with the same name and corners that are not opposite."""
    names: dict[str, int] = {}
    for index in range(view.count("keep_out")):
        path: Path = ("keep_out", index)
        name = view.value(*path, "name")
        if isinstance(name, str):
            if name in names:
                report.at(
                    (*path, "name"),
                    found=f"keep_out[{names[name]}] already has the name {view.text(*path, 'name')}",
                    allowed="each box has a name of its own, by which findings speak of it",
                    remedy="choose another name",
                )
            names.setdefault(name, index)
        for axis in ("x", "y", "z"):
            low, high = view.value(*path, "from", axis), view.value(*path, "to", axis)
            if low is not None and high is not None and low >= high:
                report.at(
                    (*path, "to", axis),
                    found=f"{view.text(*path, 'to', axis)} is not above that of from, {view.text(*path, 'from', axis)}",
                    allowed="x, y and z of to are each above those of from",
                    remedy=f"swap the two values of {axis}" if low > high else "give the box a size",
                )


def check_radii(view: View, report: Report) -> None:
    """Reports a radius that leaves out the centre of what it should hold all of."""
    for name in view.names("loads"):
        path: Path = ("loads", name)
        gyration, radius = view.value(*path, "gyration"), view.value(*path, "radius")
        if gyration is not None and radius is not None and gyration > radius:
            report.at(
                (*path, "radius"),
                found=f"{view.text(*path, 'radius')} is less than gyration {view.text(*path, 'gyration')}",
                allowed="the ball holds all of the load, so no radius of gyration is larger",
                remedy="correct one of the two",
            )
    for joint in view.names("joints"):
        path = ("joints", joint, "body")
        centre, length, radius = (view.value(*path, key) for key in ("centre", "length", "radius"))
        if centre is None or length is None or radius is None:
            continue
        rise = view.value(*path, "rise") or Fraction(0)
        if _square_from_line(centre, length, rise) > radius**2:
            report.at(
                (*path, "radius"),
                found=f"{view.text(*path, 'radius')} leaves out its own centre, {view.text(*path, 'centre')} from the "
                "pivot",
                allowed="everything of the body lies within its radius of the line to the next pivot",
                remedy="correct radius, centre or length",
            )


def _square_from_line(centre: Fraction, length: Fraction, rise: Fraction) -> Fraction:
    """Square of the distance of (centre, 0) from the straight line between (0, 0) and (length, rise)."""
    square = length**2 + rise**2
    along = min(Fraction(1), centre * length / square) if square else Fraction(0)
    return (centre - along * length) ** 2 + (along * rise) ** 2
