"""What `upload`, `readback` and `controller` share: choosing a port, the values for a person to read, progress,
cautions."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from mapper.errors import MapperError

if TYPE_CHECKING:
    from mapper.link import Identity
    from mapper.table.table import JointTable, Sensor, Table

CAUTIONS = """Before anything moves:
- the hard-wired emergency stop that dumps pressure without this controller comes first: try it, today;
- lock out and bleed before hands go in; oil stays under pressure in accumulators and behind load-holding valves;
- dumping pressure can drop a raised arm: lower it or prop it; a jet of oil injures through the skin;
- first motion at reduced pressure and reduced speed, nobody in reach, a second person at the emergency stop;
- nothing here is a certificate or a performance level: local codes and a licensed engineer decide."""


def choose_port(port: str | None) -> str:
    """The port that was named, the only one there is, or the one that is picked.

    Raises:
        MapperError: exit 64: none, or several and nobody to ask.
    """
    from mapper.link import list_ports

    if port:
        return port
    found = list_ports()
    if len(found) == 1:
        click.echo(f"port {found[0][0]} ({found[0][1]}): the only one on this PC", err=True)
        return found[0][0]
    if not found:
        raise MapperError(
            "no serial port on this PC; plug the controller in, or name the port with --port "
            "(`mapper controller PROFILE` runs a simulated one and prints its port)",
            exit_code=64,
        )
    lines = [f"  {number}  {name}  {about}" for number, (name, about) in enumerate(found, start=1)]
    if not sys.stdin.isatty():
        raise MapperError(
            "\n".join(["several serial ports: which one is the controller on? Name it with --port:", *lines]),
            exit_code=64,
        )
    click.echo("\n".join(["several serial ports:", *lines]), err=True)
    picked = click.prompt("which one is the controller on", type=click.IntRange(1, len(found)), err=True)
    return found[int(picked) - 1][0]


def progress_on_terminal() -> Callable[[str, int, int], None] | None:
    """Tells how far it is, on standard error, when that is a terminal."""
    if not sys.stderr.isatty():
        return None

    def show(phase: str, done: int, total: int) -> None:
        filled = 30 * done // max(1, total)
        bar = "#" * filled + "." * (30 - filled)
        print(f"\r{phase:22} {bar} {done}/{total}", end="\n" if done >= total else "", file=sys.stderr, flush=True)

    return show


def identity_lines(identity: Identity) -> list[str]:
    """Who the controller says it is."""
    from mapper.law import CAUSES, STATES
    from mapper.link import TablePresence

    state = STATES[identity.state] if identity.state < len(STATES) else str(identity.state)
    cause = CAUSES[identity.cause] if identity.cause < len(CAUSES) else str(identity.cause)
    table = {
        TablePresence.NONE: "none: nothing moves",
        TablePresence.DAMAGED: "damaged in flash: nothing moves until a table is uploaded",
        TablePresence.NOT_TAKEN: f"{identity.digest}, stored but not taken (another machine or layout): nothing moves",
        TablePresence.IN_USE: f"{identity.digest}, revision {identity.revision}, upload number {identity.sequence}",
    }[identity.presence]
    return [
        f"machine    {identity.machine_id}",
        f"firmware   {identity.firmware}",
        f"table      {table}",
        f"state      {state}{f' ({cause})' if identity.cause else ''}{', service key on' if identity.key else ''}",
    ]


def identity_json(identity: Identity) -> dict[str, object]:
    from mapper.law import STATES

    return {
        "machine_id": identity.machine_id,
        "firmware": identity.firmware,
        "table": identity.presence.name.lower(),
        "digest": identity.digest,
        "revision": identity.revision,
        "sequence": identity.sequence,
        "state": STATES[identity.state] if identity.state < len(STATES) else str(identity.state),
        "key": identity.key,
        "standstill": identity.standstill,
    }


def _degrees(mdeg: int) -> str:
    return f"{mdeg / 1000:.2f}"


def _window(sensor: Sensor) -> str:
    return " / ".join(f"in{track.input}: {track.count_min}-{track.count_max}" for track in sensor.tracks)


def _joint_row(number: int, name: str, joint: JointTable, tick_hz: int) -> tuple[str, ...]:
    stops = (
        "turns for ever"
        if joint.continuous
        else f"{_degrees(joint.soft_stop_mdeg[1])} .. {_degrees(joint.soft_stop_mdeg[0])}"
    )
    full, reduced = joint.speed_full_mdeg_s, joint.speed_reduced_mdeg_s
    jumps = "/".join(f"{curve.points[0][1] / 100:.1f}" for curve in joint.valve)
    return (
        str(number),
        name,
        "speed" if joint.control else "follow",
        stops,
        f"+{_degrees(full[0])} -{_degrees(full[1])}",
        f"+{_degrees(reduced[0])} -{_degrees(reduced[1])}",
        f"{joint.accelerate_mdeg_s * tick_hz / 1000:.0f}/{joint.decelerate_mdeg_s * tick_hz / 1000:.0f}/"
        f"{joint.stop_mdeg_s * tick_hz / 1000:.0f}",
        f"{jumps} to {joint.drive_max_e4 / 100:.1f}" + (" reversed" if joint.polarity < 0 else ""),
    )


def value_lines(table: Table, names: tuple[str, ...]) -> list[str]:
    """The values that safety rests on, in the words and units of the drawing, from a decoded table."""
    machine = table.machine
    tick_ms = machine.tick_us / 1000
    head = (
        "",
        "joint",
        "control",
        "soft stops deg",
        "full deg/s",
        "reduced deg/s",
        "acc/dec/stop deg/s2",
        "valve % drive",
    )
    rows = [head] + [
        _joint_row(number, names[number] if number < len(names) else "", joint, machine.tick_hz)
        for number, joint in enumerate(table.joints)
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(len(head))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    sensors = [
        f"  {number} {names[number] if number < len(names) else ''}: operator {_window(joint.operator)}; "
        f"position {_window(joint.position)}; bad for {joint.position.bad_ticks * tick_ms:.0f} ms is a fault"
        for number, joint in enumerate(table.joints)
    ]
    stop = (
        "category 0: zero at once"
        if machine.stop_category == 0
        else f"category 1: slowed for at most {machine.stop_ticks * tick_ms:.0f} ms, needs the delayed-off stop relay"
    )
    return [
        f"machine {table.machine_id}, revision {table.revision}, made by version "
        f"{'.'.join(map(str, table.tool_version))}",
        f"emergency stop {stop}; channels may differ for {machine.discrepancy_ticks * tick_ms:.0f} ms",
        f"enabling device let go: slowed for at most {machine.release_ticks * tick_ms:.0f} ms",
        f"tick {tick_ms:g} ms, late by more than {machine.late_us / 1000:g} ms is a fault; "
        f"pump {machine.pump_ml_min / 1000:.1f} l/min",
        *lines,
        "sensor windows in counts:",
        *sensors,
    ]
