"""The values that safety rests on, from a decoded table, in the words and units of the drawing: a person signs them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from mapper.table.table import JointTable, MachineTable, Sensor, Table

Row = tuple[str, ...]

_FULL_Q16 = 65_536


def value_lines(table: Table, names: tuple[str, ...]) -> list[str]:
    """Machine, joints, sensors, following, watches: one block each.

    Args:
        table: as decoded from the bytes that were read back.
        names: of the joints, in their order, where they are known; the table has none.
    """
    machine = table.machine
    heads = [
        (f"{number}", names[number] if number < len(names) else "", joint) for number, joint in enumerate(table.joints)
    ]
    lines = _machine_lines(table)
    lines += ["", "motion:", *_columns([_MOTION, *(_motion(*head, machine) for head in heads)])]
    lines += _coupled_lines(table, names)
    sensors = [row for head in heads for row in _sensor_rows(*head, machine)]
    lines += [
        "",
        "sensors (a track is bad outside its window of counts or after a step above the largest; bad, or apart by more",
        "than allowed, for the fault time is a fault):",
        *_columns([_SENSORS, *sensors]),
    ]
    lines += ["", "following and levers:", *_columns([_FOLLOWING, *(_following(*head, machine) for head in heads)])]
    lines += [
        "",
        "watches (still: once the drive was zero for the settling time, more than the angle in the time is a fault;",
        "stalled: with at least the flow for the time and not the angle that way is a fault):",
        *_columns([_WATCHES, *(_watches(*head, machine) for head in heads)]),
    ]
    return lines


def _machine_lines(table: Table) -> list[str]:
    machine = table.machine
    stop = (
        "category 0: zero at once"
        if machine.stop_category == 0
        else f"category 1: slowed for at most {_ms(machine.stop_ticks, machine)}, needs the delayed-off stop relay"
    )
    ramp = -(-_FULL_Q16 // machine.authority_step_q16)
    return [
        f"machine {table.machine_id}, revision {table.revision}, made by version "
        f"{'.'.join(map(str, table.tool_version))} of the tool",
        f"emergency stop {stop}; its two channels may differ for {_ms(machine.discrepancy_ticks, machine)}",
        f"reset: the button pressed for {_ms(machine.reset_min_ticks, machine)} to "
        f"{_ms(machine.reset_max_ticks, machine)}, taken when let go",
        f"enabling device let go: slowed for at most {_ms(machine.release_ticks, machine)}",
        f"start: sensors good for {_ms(machine.power_up_ticks, machine)}; pump loaded for "
        f"{_ms(machine.load_ticks, machine)}; matched for {_ms(machine.match_ticks, machine)}; authority from 0 to all "
        f"in {_ms(ramp, machine)}",
        _tip_line(table),
        f"tick {machine.tick_us / 1000:g} ms, late by more than {machine.late_us / 1000:g} ms is a fault; "
        f"pump {machine.pump_ml_min / 1000:g} l/min",
    ]


def _tip_line(table: Table) -> str:
    limit = table.machine.tip_mdeg_mm_s
    if limit == 0:
        return "reduced mode: no limit of tip speed, since the table knows no reach"
    mm_s = limit * math.pi / 180_000
    return f"reduced mode: every joint's speed times its reach, added up, at most {limit} mdeg/s mm ({mm_s:.1f} mm/s)"


_COUPLED: Row = ("coupled stop", "of the sum", "stays at or below")


def _coupled_lines(table: Table, names: tuple[str, ...]) -> list[str]:
    """Nothing where there is none. The table has every one as an upper stop: lower ones with their signs turned."""
    if not table.coupled:
        return []
    rows = [
        (
            f"{number}",
            " ".join(
                f"{weight / 1000:+g} x {names[joint] if joint < len(names) else f'joint {joint}'}"
                for weight, joint in zip(stop.weights_e3, stop.joints, strict=True)
            ),
            f"{_degrees(stop.limit_mdeg)} deg",
        )
        for number, stop in enumerate(table.coupled)
    ]
    return [
        "",
        "coupled stops (a lower stop is an upper one of the sum with its signs turned):",
        *_columns([_COUPLED, *rows]),
    ]


_MOTION: Row = (
    "",
    "joint",
    "control",
    "soft stops deg",
    "full deg/s",
    "reduced deg/s",
    "reach mm",
    "acc/dec/stop deg/s2",
    "valve % drive",
    "zero at reversal",
)


def _motion(number: str, name: str, joint: JointTable, machine: MachineTable) -> Row:
    stops = (
        "turns for ever"
        if joint.continuous
        else f"{_degrees(joint.soft_stop_mdeg[1])} .. {_degrees(joint.soft_stop_mdeg[0])}"
    )
    full, reduced, hz = joint.speed_full_mdeg_s, joint.speed_reduced_mdeg_s, machine.tick_hz
    jumps = "/".join(f"{curve.points[0][1] / 100:g}" for curve in joint.valve)
    return (
        number,
        name,
        "speed" if joint.control else "follow",
        stops,
        f"+{_degrees(full[0])} -{_degrees(full[1])}",
        f"+{_degrees(reduced[0])} -{_degrees(reduced[1])}",
        f"{joint.reach_mm}",
        f"{joint.accelerate_mdeg_s * hz / 1000:g}/{joint.decelerate_mdeg_s * hz / 1000:g}/"
        f"{joint.stop_mdeg_s * hz / 1000:g}",
        f"{jumps} to {joint.drive_max_e4 / 100:g}" + (" reversed" if joint.polarity < 0 else ""),
        _ms(joint.reversal_ticks, machine),
    )


_SENSORS: Row = ("", "joint", "sensor", "windows in counts", "largest step a tick", "tracks apart", "fault time")


def _sensor_rows(number: str, name: str, joint: JointTable, machine: MachineTable) -> list[Row]:
    return [
        (number, name, "operator", *_sensor(joint.operator, machine, lever=bool(joint.control))),
        (number, name, "position", *_sensor(joint.position, machine, lever=False)),
    ]


def _sensor(sensor: Sensor, machine: MachineTable, *, lever: bool) -> Row:
    windows = " / ".join(f"in{track.input}: {track.count_min}-{track.count_max}" for track in sensor.tracks)
    apart = _amount(sensor.disagreement, lever=lever) if len(sensor.tracks) > 1 else "one track only"
    return windows, _amount(sensor.step_max, lever=lever), apart, _ms(sensor.bad_ticks, machine)


_FOLLOWING: Row = ("", "joint", "may start when", "stands when the error is above", "deadband", "speed deadband")


def _following(number: str, name: str, joint: JointTable, _machine: MachineTable) -> Row:
    if joint.control:
        return number, name, "lever at rest", "-", _amount(joint.deadband, lever=True), "-"
    return (
        number,
        name,
        f"within {_degrees(joint.match_window_mdeg)} deg (match window)",
        f"{_degrees(joint.gap_mdeg)} deg (gap)" if joint.gap_mdeg else "no gap limit",
        f"{_degrees(joint.deadband)} deg",
        f"{_degrees(joint.speed_deadband_mdeg_s)} deg/s",
    )


_WATCHES: Row = ("", "joint", "settling", "still: angle in time", "stalled: flow for time", "and less than")


def _watches(number: str, name: str, joint: JointTable, machine: MachineTable) -> Row:
    return (
        number,
        name,
        _ms(joint.settle_ticks, machine),
        f"{_degrees(joint.still_mdeg)} deg in {_ms(joint.still_ticks, machine)}",
        f"{joint.stall_flow_e4 / 100:g} % for {_ms(joint.stall_ticks, machine)}",
        f"{_degrees(joint.stall_mdeg)} deg",
    )


def _columns(rows: Sequence[Row]) -> list[str]:
    """The first row is the head."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def _degrees(mdeg: int) -> str:
    """Nothing of the table's value is rounded away."""
    return f"{mdeg / 1000:.3f}" if mdeg % 10 else f"{mdeg / 1000:.2f}"


def _amount(value: int, *, lever: bool) -> str:
    return f"{value / 100:g} % of the lever" if lever else f"{_degrees(value)} deg"


def _ms(ticks: int, machine: MachineTable) -> str:
    return f"{ticks * machine.tick_us / 1000:g} ms"
