"""What `upload`, `readback` and `controller` share: choosing a port, who the controller is, progress, cautions."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from mapper.errors import MapperError

if TYPE_CHECKING:
    from mapper.link import Identity
    from mapper.profile.profile import Waiver

CAUTIONS = """Before anything moves:
- the hard-wired emergency stop that dumps pressure without this controller comes first: try it, today;
- lock out and bleed before hands go in; oil stays under pressure in accumulators and behind load-holding valves;
- dumping pressure can drop a raised arm: lower it or prop it; a jet of oil injures through the skin;
- first motion at reduced pressure and reduced speed, nobody in reach, a second person at the emergency stop;
- nothing here is a certificate or a performance level: local codes and a licensed engineer decide."""


def choose_port(port: str | None, *, may_ask: bool) -> str:
    """The port that was named. Without one: the only one there is, if a person at the terminal says that it is right.

    Args:
        may_ask: False with `--yes` or `--json`; without a terminal nobody is asked either.

    Raises:
        MapperError: exit 64, with the list of the ports: none was named and none was confirmed.
    """
    from mapper.link import list_ports

    if port:
        return port
    found = list_ports()
    if not found:
        raise MapperError(
            "no serial port on this PC; plug the controller in, or name the port with --port "
            "(`mapper controller PROFILE` runs a simulated one and prints its port)",
            exit_code=64,
        )
    lines = [f"  {name}  {about}".rstrip() for name, about in found]
    listed = "\n".join([f"serial ports of this PC: {len(found)}", *lines])
    if len(found) == 1 and may_ask and sys.stdin.isatty():
        click.echo(listed, err=True)
        if click.confirm(f"is the controller on {found[0][0]}", default=False, err=True):
            return found[0][0]
        listed = "the port was not confirmed"
    raise MapperError(f"{listed}\nno port was chosen and nothing was sent: name it with --port PORT", exit_code=64)


class ProgressLine:
    """A bar on a line of its own, on standard error, when that is a terminal. `close` before anything else is told."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._phase = ""

    def __call__(self, phase: str, done: int, total: int) -> None:
        if not self._shown:
            return
        if phase != self._phase:
            self.close()
        filled = 30 * done // max(1, total)
        print(f"\r{phase:22} {'#' * filled}{'.' * (30 - filled)} {done}/{total}", end="", file=sys.stderr, flush=True)
        self._phase = phase
        if done >= total:
            self.close()

    def close(self) -> None:
        """Ends the line, if one is open: of a transfer that was broken off it shows how far it came."""
        if self._phase:
            print(file=sys.stderr, flush=True)
        self._phase = ""


def tool_version() -> str:
    from mapper import __version__
    from mapper.link import PROTOCOL

    return f"mapper {__version__}, link protocol {PROTOCOL}"


def layout_of(data: bytes) -> int:
    """Layout version in the header of a table's bytes (firmware_stub/README.md, "The table": u16 at offset 4)."""
    return int.from_bytes(data[4:6], "little")


def waiver_lines(waivers: Sequence[Waiver], unused: Sequence[Waiver]) -> list[str]:
    """What the profile waives, and why; `unused`: those that waive nothing."""
    lines = []
    for waiver in waivers:
        about = f"{waiver.limit} of {waiver.joint or 'the machine'}: {waiver.reason}"
        if waiver in unused:
            lines.append(f"waiver not used: {about} (that limit holds, or there is none of that name)")
        else:
            lines.append(f"waived: {about}")
    return lines


def journey(state: int, waits: int, *, key: bool, joint_name: str | None = None) -> str:
    """What the state waits for, and the service key where that would stop the way to motion later."""
    from mapper.law import STATES, WAITS, waits_text

    text = waits_text(waits, joint_name)
    if not key or STATES[state] in ("powering_up", "matching", "running", "stopping"):
        return text
    off = waits_text(WAITS.index("key_off"))
    press = waits_text(WAITS.index("press"))
    return f"{off}, then {press}" if WAITS[waits] == "key_off" else f"{off}, and {text}; then {press}"


def identity_lines(identity: Identity, *, waits: bool) -> list[str]:
    """Who the controller says it is; with `waits`, also what its state waits for."""
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
        *(_waits(identity) if waits else []),
    ]


def _waits(identity: Identity) -> list[str]:
    """Only where there is a table; without one nothing can start."""
    from mapper.law import STATES, WAITS
    from mapper.link import TablePresence

    known = identity.state < len(STATES) and 0 < identity.waits_for < len(WAITS)
    if identity.presence is not TablePresence.IN_USE or not known:
        return []
    joint = f"joint {identity.waits_joint}" if identity.waits_joint < 16 else None
    return [f"waits for  {journey(identity.state, identity.waits_for, key=identity.key, joint_name=joint)}"]


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
