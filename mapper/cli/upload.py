"""`mapper upload`: a checked table into the controller, read back, confirmed by a person, put on record."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from pathlib import Path

    from mapper.check import CheckResult
    from mapper.link import Identity, UploadResult
    from mapper.profile import Profile
    from mapper.table.table import Table


@click.command()
@click.argument("profile_file", metavar="PROFILE")
@click.option("--port", metavar="PORT", help="Serial port of the controller. Without it the ports are listed.")
@click.option(
    "--baud", type=click.IntRange(1200, 4_000_000), default=115_200, show_default=True, help="Speed of the line."
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
    to PROFILE's journal. Exit 3 when the link fails or the controller refuses.
    """
    import json
    import sys
    from pathlib import Path

    from mapper.cli._linking import CAUTIONS, choose_port
    from mapper.cli._replaying import read_bytes
    from mapper.link import journal
    from mapper.profile import read_profile
    from mapper.table import compile_table, encode_table

    if not yes and (json_wanted or not sys.stdin.isatty()):
        raise click.UsageError("nobody is there to confirm the values: run it on a terminal, or give --yes")
    profile = read_profile(read_bytes(profile_file), profile_file)
    table = compile_table(profile)
    data = encode_table(table)
    checked = _check(profile, table, data)
    path = journal.journal_path(Path(profile_file))
    journal.check_writable(path)
    chosen = choose_port(port)
    result = _Upload(
        profile=profile,
        table=table,
        data=data,
        checked=checked,
        port=chosen,
        baud=baud,
        by=by,
        yes=yes,
        quiet=json_wanted,
        path=path,
    ).run()
    if json_wanted:
        click.echo(json.dumps(result, allow_nan=False))
        return
    click.echo(
        f"in use now: table {result['digest']}, upload number {result['sequence']}; {len(data)} bytes in "
        f"{result['seconds']:.2f} s, "
        f"read back and compared; on record in {path}"
    )
    click.echo(f"\n{CAUTIONS}\n")
    click.echo(
        "next: turn the service key off, release the emergency stop, press reset, press the enabling device, move to "
        "the arm's pose; "
        f"`mapper readback --port {chosen} --profile {profile_file}` shows at any time what is in the controller"
    )


def _check(profile: Profile, table: Table, data: bytes) -> CheckResult:
    """Raises MapperError (exit 1) when something is violated or not shown."""
    from mapper.check import check_profile
    from mapper.check.finding import Status
    from mapper.errors import MapperError

    checked = check_profile(profile, table, data)
    failed = [one for one in checked.findings if one.status in (Status.VIOLATED, Status.NOT_SHOWN)]
    if failed:
        lines = [
            f"  {one.joint or 'machine'}: {one.limit} {one.status.value}: {one.detail} {one.advice}".rstrip()
            for one in failed
        ]
        head = f"{profile.file_name}: not every limit holds, so nothing was sent:"
        last = "  change the profile, then upload again; `mapper check` shows everything"
        raise MapperError("\n".join([head, *lines, last]), exit_code=1)
    return checked


class _Upload:
    """One attempt, from the question who is there to the line in the journal."""

    def __init__(
        self,
        *,
        profile: Profile,
        table: Table,
        data: bytes,
        checked: CheckResult,
        port: str,
        baud: int,
        by: str | None,
        yes: bool,
        quiet: bool,
        path: Path,
    ) -> None:
        self._profile, self._table, self._data, self._checked = profile, table, data, checked
        self._port, self._baud, self._yes, self._quiet, self._path = port, baud, yes, quiet, path
        self._by = by
        self._confirmed = "nobody"

    def run(self) -> dict[str, Any]:
        """Raises LinkError when it does not go through; the journal has it either way."""
        from mapper.cli._linking import identity_lines, progress_on_terminal
        from mapper.link import LinkError, identify, upload

        before: Identity | None = None
        try:
            before = identify(self._port, baud=self._baud).before
            assert before is not None
            self._say("\n".join([f"on {self._port}:", *(f"  {line}" for line in identity_lines(before))]))
            if before.machine_id != self._table.machine_id:
                raise LinkError(
                    f"this controller belongs to machine {before.machine_id!r}, the profile is for "
                    f"{self._table.machine_id!r}",
                    inside="unchanged: nothing was sent",
                    remedy="take the profile of that machine, or the right port",
                )
            result = upload(
                self._port, self._data, progress=progress_on_terminal(), confirm=self._confirm, baud=self._baud
            )
        except LinkError as error:
            self._record(before, None, error)
            raise
        entry = self._record(before, result, None)
        return {**entry, "seconds": result.seconds}

    def _say(self, text: str) -> None:
        if not self._quiet:
            click.echo(text)

    def _confirm(self, data: bytes) -> bool:
        """Shows what was read back, decoded by code that shares nothing with the encoder."""
        from mapper.cli._linking import value_lines
        from mapper.table import decode_table

        decoded = decode_table(data)
        if decoded != self._table:
            self._say("the bytes that were read back do not decode to the profile's values; they are not put into use")
            return False
        names = tuple(joint.name for joint in self._profile.joints)
        shown = [f"  {line}" for line in value_lines(decoded, names)]
        self._say("\n".join(["", "read back from the controller, not in use yet:", *shown]))
        for waiver in self._profile.waivers:
            self._say(f"  waived: {waiver.limit}{f' of {waiver.joint}' if waiver.joint else ''}: {waiver.reason}")
        if self._yes:
            self._confirmed = "--yes"
            return True
        self._say("")
        if click.confirm("compare with the machine's drawing: are these the values to go into use?", default=False):
            self._confirmed = "asked"
            return True
        return False

    def _record(self, before: Identity | None, result: UploadResult | None, error: Exception | None) -> dict[str, Any]:
        import getpass
        from collections import Counter
        from datetime import UTC, datetime

        from mapper import __version__
        from mapper.cli._linking import identity_json
        from mapper.link import journal
        from mapper.table import table_digest

        after = result.outcome.after if result is not None else None
        statuses = Counter(one.status.value for one in self._checked.findings)
        entry: dict[str, Any] = {
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
            "checked": {"result": self._checked.result, "limits": dict(sorted(statuses.items()))},
            "not_examined": [one.limit for one in self._checked.not_examined],
            "waivers": [
                {"limit": one.limit, "joint": one.joint, "reason": one.reason} for one in self._profile.waivers
            ],
            "confirmed": self._confirmed,
            "in_use": result is not None,
            "sequence": after.sequence if after is not None else None,
            "controller": identity_json(before) if before is not None else None,
            "error": str(error) if error is not None else None,
        }
        journal.append(self._path, entry)
        return entry
