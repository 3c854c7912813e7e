"""`mapper upload`: a checked table into the controller, read back, confirmed by a person, put on record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from mapper.cli._options import PORT_HELP

if TYPE_CHECKING:
    from pathlib import Path

    from mapper.check import CheckResult
    from mapper.cli._linking import NotTaken
    from mapper.link import Identity, UploadResult
    from mapper.profile import Profile
    from mapper.table.table import Table


@click.command()
@click.argument("profile_file", metavar="PROFILE")
@click.option("--port", metavar="PORT", help=PORT_HELP)
@click.option(
    "--baud", type=click.IntRange(2400, 4_000_000), default=115_200, show_default=True, help="Speed of the line."
)
@click.option("--by", metavar="NAME", help="Who does it, for the journal. The login name when not given.")
@click.option("--yes", is_flag=True, help="Take the values as confirmed, without a question; the journal says so.")
@click.option(
    "--json", "json_wanted", is_flag=True, help="One JSON document on standard output and nothing else. Needs --yes."
)
def command(profile_file: str, port: str | None, baud: int, by: str | None, yes: bool, json_wanted: bool) -> None:
    """Put the table of PROFILE into the controller.

    The profile is checked first; when a limit is violated or not shown, nothing is sent (exit 1). The controller
    takes a table only at standstill with its service key on, and checks it by itself. Every byte is read back and
    decoded, the values are shown to be confirmed, and only then does the table go into use. Every attempt is written
    to PROFILE's journal, also one that was declined or stopped. Exit 3 when the link fails, the controller refuses or
    the values are not confirmed, 130 when it is stopped (Ctrl-C).
    """
    import json
    import sys
    from pathlib import Path

    from mapper.cli._linking import CAUTIONS, choose_port
    from mapper.cli._replaying import read_bytes
    from mapper.cli._signals import tidy_on_signals
    from mapper.link import journal
    from mapper.profile import read_profile
    from mapper.table import compile_table, encode_table

    if not yes and (json_wanted or not sys.stdin.isatty()):
        also = "" if port else ", and nobody to say which port it is: name it with --port PORT as well"
        raise click.UsageError(f"nobody is there to confirm the values: run it on a terminal, or give --yes{also}")
    profile = read_profile(read_bytes(profile_file), profile_file)
    table = compile_table(profile)
    data = encode_table(table)
    chosen = choose_port(port, may_ask=not yes)
    path = journal.journal_path(Path(profile_file))
    journal.check_writable(path)
    attempt = _Upload(
        profile=profile, table=table, data=data, port=chosen, baud=baud, by=by, yes=yes, quiet=json_wanted, path=path
    )
    with tidy_on_signals():
        result = attempt.run()
    if json_wanted:
        click.echo(json.dumps(result, allow_nan=False))
        return
    click.echo(
        f"in use now: table {result['digest']}, upload number {result['sequence']}; {len(data)} bytes in "
        f"{result['seconds']:.2f} s, "
        f"read back and compared; on record in {path} (`mapper journal` reads it)"
    )
    click.echo(f"\n{CAUTIONS}\n")
    click.echo(
        "next: select reduced speed and turn the service key off; release the emergency stop if it is pressed, else "
        "leave it as it is; press reset and let it go, with the enabling device released; then press the enabling "
        "device and move to the arm's pose. "
        f"`mapper readback --port {chosen} --profile {profile_file}` shows at any time what is in the controller and "
        "what it waits for"
    )


def _refuse_what_does_not_hold(profile: Profile, checked: CheckResult) -> None:
    """Raises MapperError (exit 1) when something is violated or not shown."""
    from mapper.check.finding import Status
    from mapper.errors import MapperError

    lines = []
    for one in checked.findings:
        if one.status in (Status.VIOLATED, Status.NOT_SHOWN):
            lines.append(f"  {one.joint or 'machine'}: {one.limit} {one.status.value}: {one.detail}")
            lines += [f"      what to do: {one.advice}"] if one.advice else []
    if lines:
        head = f"{profile.file_name}: not every limit holds, so nothing was sent:"
        last = "  change the profile, then upload again; `mapper check` shows everything"
        raise MapperError("\n".join([head, *lines, last]), exit_code=1)


class _Upload:
    """One attempt, from the check to the line in the journal."""

    def __init__(
        self,
        *,
        profile: Profile,
        table: Table,
        data: bytes,
        port: str,
        baud: int,
        by: str | None,
        yes: bool,
        quiet: bool,
        path: Path,
    ) -> None:
        from mapper.cli._linking import ProgressLine

        self._profile, self._table, self._data = profile, table, data
        self._port, self._baud, self._yes, self._quiet, self._path = port, baud, yes, quiet, path
        self._by = by
        self._progress = ProgressLine()
        self._checked: CheckResult | None = None
        self._law: str | None = None
        self._before: Identity | None = None
        self._refused: NotTaken | None = None
        self._confirmed = "nobody"
        self._warnings: list[str] = []

    def run(self) -> dict[str, Any]:
        """Raises LinkError or MapperError when it does not go through; the journal has it however it ends."""
        from mapper.link import StoppedError

        try:
            result = self._send()
        except (KeyboardInterrupt, EOFError, click.Abort, SystemExit) as why:
            stopped = StoppedError(why, inside="unchanged: no table was sent")
            self._put_on_record(None, stopped)
            raise stopped from why
        except Exception as error:
            self._put_on_record(None, error)
            raise
        finally:
            self._progress.close()
        entry = self._put_on_record(result, None)
        return {**entry, "seconds": result.seconds}

    def _send(self) -> UploadResult:
        from mapper.check import check_profile
        from mapper.cli._linking import identity_lines, layout_of, tool_version
        from mapper.law import load_core
        from mapper.link import LinkError, identify, upload

        self._law = load_core().source_digest[:16]
        self._progress("checking", 0, 1)
        self._checked = check_profile(self._profile, self._table, self._data)
        self._progress("checking", 1, 1)
        _refuse_what_does_not_hold(self._profile, self._checked)
        self._say(f"{tool_version()}, table layout {layout_of(self._data)}; checked through the law {self._law}")
        before = self._before = identify(self._port, baud=self._baud).before
        assert before is not None
        self._refused = self._look_at_what_is_stored(before)
        lines = identity_lines(before, waits=False, refused=self._refused)
        self._say("\n".join([f"on {self._port}:", *(f"  {line}" for line in lines)]))
        if before.machine_id != self._table.machine_id:
            raise LinkError(
                f"this controller belongs to machine {before.machine_id!r}, the profile is for "
                f"{self._table.machine_id!r}",
                inside="unchanged: nothing was sent",
                remedy="take the profile of that machine, or the right port",
            )
        self._warnings = self._find_warnings(before)
        return upload(self._port, self._data, progress=self._progress, confirm=self._confirm, baud=self._baud)

    def _look_at_what_is_stored(self, before: Identity) -> NotTaken | None:
        """Why a stored table is not in use. One that cannot be read does not stop the upload that replaces it."""
        from mapper.cli._linking import NotTaken
        from mapper.link import LinkError, TablePresence, readback

        if before.presence is not TablePresence.NOT_TAKEN:
            return None
        try:
            data = readback(self._port, baud=self._baud)
        except LinkError:
            data = None
        return NotTaken.of(before, data)

    def _say(self, text: str) -> None:
        self._progress.close()
        if not self._quiet:
            click.echo(text)

    def _find_warnings(self, before: Identity) -> list[str]:
        """What the person should know before the values are confirmed."""
        from mapper.errors import MapperError
        from mapper.link import TablePresence, journal
        from mapper.table import table_digest

        revision, digest = self._table.revision, table_digest(self._data)
        raise_it = "raise machine.revision in the profile, so that the number says which values are meant"
        found = []
        if before.presence is TablePresence.IN_USE and before.digest != digest:
            if before.revision == revision:
                found.append(
                    f"revision {revision} is already in the controller with other content ({before.digest}, this is "
                    f"{digest}): {raise_it}"
                )
            elif before.revision > revision:
                found.append(
                    f"the controller has the later revision {before.revision}, this is {revision}: is it meant?"
                )
        try:
            record = journal.look(self._path)
        except MapperError as error:
            return [*found, f"earlier uploads cannot be compared: {error}"]
        found += [f"an earlier upload cannot be compared: {line.text(self._path)}" for line in record.damaged]
        others = [
            entry
            for entry in (one.values for one in record.entries)
            if entry.get("in_use")
            and (entry.get("machine_id"), entry.get("revision")) == (self._table.machine_id, revision)
            and entry.get("digest") not in (digest, before.digest)
        ]
        if others:
            last = others[-1]
            found.append(
                f"revision {revision} was put into use with other content on {last.get('when')} by {last.get('who')} "
                f"({last.get('digest')}, this is {digest}; journal {self._path}): {raise_it}"
            )
        if before.firmware != self._law:
            found.append(
                f"the controller's firmware calls itself {before.firmware!r}, the check ran the law {self._law!r}: "
                "what was checked is shown only if that firmware was built from the same sources"
            )
        return found

    def _confirm(self, data: bytes) -> bool:
        """Shows what was read back, decoded by code that shares nothing with the encoder.

        Raises KeyboardInterrupt when the question is answered by Ctrl-C or by the end of the input.
        """
        from mapper.cli._linking import discard_type_ahead, waiver_lines
        from mapper.cli._values import value_lines
        from mapper.table import decode_table

        assert self._checked is not None
        decoded = decode_table(data)
        if decoded != self._table:
            self._say("the bytes that were read back do not decode to the profile's values; they are not put into use")
            return False
        names = tuple(joint.name for joint in self._profile.joints)
        shown = [*value_lines(decoded, names), *waiver_lines(self._profile.waivers, self._checked.unused_waivers)]
        indented = [f"  {line}".rstrip() for line in shown]
        self._say("\n".join(["", "read back from the controller, not in use yet:", *indented]))
        self._say(
            "  not shown, but decoded and found the same as the profile's: filters, gain, feed-forward, calibration, "
            "response, brake and flow curves"
        )
        for warning in self._warnings:
            click.echo(f"\nWARNING: {warning}", err=self._quiet)
        if self._yes:
            self._confirmed = "--yes"
            return True
        self._say("")
        discard_type_ahead()
        try:
            agreed = click.confirm(
                "compare with the machine's drawing: are these the values to go into use?", default=False
            )
        except click.Abort:
            click.echo("", err=True)
            self._confirmed = "stopped at the question"
            raise KeyboardInterrupt("stopped by the user at the question, which is no confirmation") from None
        self._confirmed = "asked" if agreed else "declined"
        return agreed

    def _put_on_record(self, result: UploadResult | None, error: Exception | None) -> dict[str, Any]:
        """Raises MapperError when the journal takes no line; it still says what became of the upload."""
        from mapper.errors import MapperError
        from mapper.link import journal

        entry = self._record(result, error)
        try:
            journal.append(self._path, entry)
        except MapperError as missing:
            happened = str(error) if error is not None else f"in use now: table {entry['digest']}"
            code = error.exit_code if isinstance(error, MapperError) else missing.exit_code
            raise MapperError(f"{happened}\nthis is NOT on record: {missing}", exit_code=code) from missing
        return entry

    def _record(self, result: UploadResult | None, error: Exception | None) -> dict[str, Any]:
        import getpass
        from collections import Counter
        from datetime import UTC, datetime

        from mapper import __version__
        from mapper.cli._linking import identity_json, layout_of
        from mapper.link import PROTOCOL
        from mapper.table import table_digest

        after = result.outcome.after if result is not None else None
        checked = self._checked
        statuses = Counter(one.status.value for one in checked.findings) if checked is not None else {}
        return {
            "when": datetime.now(UTC).isoformat(timespec="seconds"),
            "who": self._by or getpass.getuser(),
            "port": self._port,
            "profile": self._profile.file_name,
            "profile_sha256": self._profile.digest.hex(),
            "digest": table_digest(self._data),
            "bytes": len(self._data),
            "revision": self._table.revision,
            "machine_id": self._table.machine_id,
            "tool": f"mapper {__version__}",
            "layout": layout_of(self._data),
            "protocol": PROTOCOL,
            "law": self._law,
            "checked": {
                "result": checked.result if checked is not None else "not checked",
                "limits": dict(sorted(statuses.items())),
            },
            "not_examined": [one.limit for one in checked.not_examined] if checked is not None else [],
            "waivers": [
                {
                    "limit": one.limit,
                    "joint": one.joint,
                    "reason": one.reason,
                    "used": checked is None or one not in checked.unused_waivers,
                }
                for one in self._profile.waivers
            ],
            "warnings": self._warnings,
            "confirmed": self._confirmed,
            "in_use": result is not None,
            "sequence": after.sequence if after is not None else None,
            "controller": identity_json(self._before, self._refused) if self._before is not None else None,
            "error": (str(error) or type(error).__name__) if error is not None else None,
        }
