"""What `upload`, `readback` and `controller` share: choosing a port, who the controller is, progress, cautions."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from mapper.errors import MapperError

if TYPE_CHECKING:
    from mapper.link import Identity
    from mapper.profile.profile import Waiver
    from mapper.table.table import Table

CAUTIONS = """Before anything moves:
- the hard-wired emergency stop that dumps pressure without this controller comes first: try it, today;
- lock out and bleed before hands go in; oil stays under pressure in accumulators and behind load-holding valves;
- dumping pressure can drop a raised arm: lower it or prop it; a jet of oil injures through the skin;
- first motion at reduced pressure and reduced speed, nobody in reach, a second person at the emergency stop;
- nothing here is a certificate or a performance level: local codes and a licensed engineer decide."""


READS_LAYOUT = 2
"""Layout of the tables that this tool writes and reads."""


def choose_port(port: str | None, *, may_ask: bool) -> str:
    """The port that was named. Without one a person at the terminal chooses: the only one by yes or no, one of several
    by its number. Nobody chooses for them.

    Args:
        may_ask: False with `--yes` or `--json`; without a terminal nobody is asked either.

    Raises:
        MapperError: exit 64, with the list of the ports: none was named and none was chosen.
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
    width = max(len(name) for name, _ in found)
    lines = [f"  {number}  {name:{width}}  {about}".rstrip() for number, (name, about) in enumerate(found, start=1)]
    listed = "\n".join([f"serial ports of this PC: {len(found)}", *lines])
    if may_ask and sys.stdin.isatty():
        click.echo(listed, err=True)
        discard_type_ahead()
        chosen = _ask_for_port([name for name, _ in found])
        if chosen is not None:
            return chosen
        listed = "the port was not confirmed"
    raise MapperError(f"{listed}\nno port was chosen and nothing was sent: name it with --port PORT", exit_code=64)


def _ask_for_port(names: Sequence[str]) -> str | None:
    """None when no port was chosen."""
    if len(names) == 1:
        return names[0] if click.confirm(f"is the controller on {names[0]}", default=False, err=True) else None

    def taken(answer: str) -> str:
        """One of the numbers or names, or nothing; anything else is asked again."""
        text = answer.strip()
        if text.isascii() and text.isdecimal() and len(text) < 4 and 1 <= int(text) <= len(names):
            return names[int(text) - 1]
        if text in names or not text:
            return text
        raise click.UsageError(f"{text!r} is none of them: a number from 1 to {len(names)}, or nothing to stop")

    question = f"the controller is on which port, 1 to {len(names)} (nothing to stop)"
    return click.prompt(question, default="", show_default=False, value_proc=taken, err=True) or None


def discard_type_ahead() -> None:
    """Called just before a question: what was typed before it was there is no answer to it. Without a terminal, and
    where the system has no such call (Windows), nothing happens.
    """
    try:
        import termios
    except ImportError:
        return
    with contextlib.suppress(termios.error, OSError, ValueError):
        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)


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


@dataclass(frozen=True, slots=True, kw_only=True)
class NotTaken:
    """A table that a controller has in its store and does not use, and why, as far as the table's own bytes tell.

    table: None where this tool cannot read it; nothing of it is told then but its layout.
    """

    reason: str
    table: Table | None

    @classmethod
    def of(cls, identity: Identity, data: bytes | None) -> NotTaken | None:
        """None when the controller uses its table or has none. data: the stored bytes, None when they were not read."""
        from mapper.link import TablePresence
        from mapper.table import DecodeError, decode_table

        if identity.presence is not TablePresence.NOT_TAKEN:
            return None
        if data is None:
            return cls(reason="it could not be read back", table=None)
        if other_layout(data) is not None:
            return cls(
                reason=f"it is a table of layout {other_layout(data)}, this tool writes and reads layout "
                f"{READS_LAYOUT}",
                table=None,
            )
        try:
            table = decode_table(data)
        except DecodeError as error:
            return cls(reason=f"this tool cannot read it either ({error.part}: {error.found})", table=None)
        if table.machine_id != identity.machine_id:
            return cls(
                reason=f"it is for machine {table.machine_id!r}, this controller belongs to {identity.machine_id!r}",
                table=table,
            )
        return cls(reason="this tool can read it, so the firmware is of another version than the tool", table=table)

    @property
    def remedy(self) -> str:
        return "upload the checked profile of this machine; the new table takes the place of this one"


def other_layout(data: bytes) -> int | None:
    """The layout of a table that this tool does not read; None for the one that it does, and for what is no table."""
    if len(data) < 6 or data[:4] != b"HJT1" or layout_of(data) == READS_LAYOUT:
        return None
    return layout_of(data)


def identity_lines(identity: Identity, *, waits: bool, refused: NotTaken | None = None) -> list[str]:
    """Who the controller says it is; with `waits`, also what its state waits for.

    Args:
        refused: of a stored table that is not in use, where its bytes were looked at.
    """
    from mapper.law import CAUSES, STATES
    from mapper.link import TablePresence

    state = STATES[identity.state] if identity.state < len(STATES) else str(identity.state)
    cause = CAUSES[identity.cause] if identity.cause < len(CAUSES) else str(identity.cause)
    why = refused.reason if refused is not None else "of another machine or layout"
    table = {
        TablePresence.NONE: "none: nothing moves",
        TablePresence.DAMAGED: "damaged in flash: nothing moves until a table is uploaded",
        TablePresence.NOT_TAKEN: f"{identity.digest}, stored but not taken ({why}): nothing moves",
        TablePresence.IN_USE: f"{identity.digest}, revision {identity.revision}, upload number {identity.sequence}",
    }[identity.presence]
    return [
        f"machine    {identity.machine_id}",
        f"firmware   {identity.firmware}",
        f"table      {table}",
        *([f"           what to do: {refused.remedy}"] if refused is not None else []),
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


def identity_json(identity: Identity, refused: NotTaken | None = None) -> dict[str, object]:
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
        "not_taken": refused.reason if refused is not None else None,
    }
