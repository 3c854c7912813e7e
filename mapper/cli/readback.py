"""`mapper readback`: what is in the controller, and whether it is this profile."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mapper.cli._options import PORT_HELP

if TYPE_CHECKING:
    from mapper.cli._linking import ProgressLine
    from mapper.profile import Profile
    from mapper.table.table import Table


@click.command()
@click.option("--port", metavar="PORT", help=PORT_HELP)
@click.option("--profile", "profile_file", metavar="FILE", help="Say whether this profile is what is in there.")
@click.option(
    "--baud", type=click.IntRange(1200, 4_000_000), default=115_200, show_default=True, help="Speed of the line."
)
@click.option("--json", "json_wanted", is_flag=True, help="One JSON document on standard output and nothing else.")
def command(port: str | None, profile_file: str | None, baud: int, json_wanted: bool) -> int:
    """Read the table in the controller back, decode it and show it.

    Reading changes nothing and needs no service key. With --profile: exit 0 when the controller has exactly the table
    of that profile, 1 when not; the profile's waivers are named, and with them those that waive nothing, for which
    the profile is checked first. Without: exit 0 when there is a table, 1 when there is none. Exit 3 when the link
    fails.
    """
    import json
    from dataclasses import asdict

    from mapper.cli._linking import (
        ProgressLine,
        choose_port,
        identity_json,
        identity_lines,
        layout_of,
        tool_version,
    )
    from mapper.cli._replaying import read_bytes
    from mapper.cli._values import value_lines
    from mapper.link import readback_outcome
    from mapper.profile import read_profile
    from mapper.table import compile_table, decode_table, encode_table, table_digest

    profile = read_profile(read_bytes(profile_file), profile_file) if profile_file else None
    expected = encode_table(compile_table(profile)) if profile is not None else None
    chosen = choose_port(port, may_ask=not json_wanted)
    progress = ProgressLine()
    try:
        waivers = _waivers(profile, progress) if profile is not None else []
        outcome = readback_outcome(chosen, progress=progress, baud=baud)
    finally:
        progress.close()
    assert outcome.before is not None
    data = outcome.data
    table = decode_table(data) if data is not None else None
    same = data is not None and data == expected if expected is not None else None
    if json_wanted:
        decoded = None
        if table is not None:
            decoded = asdict(table) | {"profile_digest": table.profile_digest.hex()}
        document = {
            "port": chosen,
            "tool": tool_version(),
            "layout": layout_of(data) if data is not None else None,
            "controller": identity_json(outcome.before),
            "bytes": len(data) if data is not None else 0,
            "digest": table_digest(data) if data is not None else None,
            "profile": profile_file,
            "same": same,
            "waivers": waivers,
            "table": decoded,
        }
        click.echo(json.dumps(document, allow_nan=False))
        return 0 if same or (same is None and data is not None) else 1
    click.echo("\n".join([f"on {chosen}:", *(f"  {line}" for line in identity_lines(outcome.before, waits=True))]))
    click.echo(f"read by {tool_version()}" + (f"; table layout {layout_of(data)}" if data is not None else ""))
    if table is not None:
        names = tuple(joint.name for joint in profile.joints) if profile is not None and same else ()
        click.echo("\n".join(f"  {line}" for line in value_lines(table, names)))
    if profile is not None and expected is not None:
        for line in waivers:
            click.echo(f"{profile.file_name}: {line}")
        click.echo(_verdict(profile, table, data, expected))
    return 0 if same or (same is None and data is not None) else 1


def _waivers(profile: Profile, progress: ProgressLine) -> list[str]:
    """Each waiver of the profile, one line. Only a check can tell which of them waive nothing."""
    from mapper.check import check_profile
    from mapper.cli._linking import waiver_lines
    from mapper.table import compile_table, encode_table

    if not profile.waivers:
        return []
    table = compile_table(profile)
    progress("checking", 0, 1)
    checked = check_profile(profile, table, encode_table(table))
    progress("checking", 1, 1)
    return waiver_lines(profile.waivers, checked.unused_waivers)


def _verdict(profile: Profile, table: Table | None, data: bytes | None, expected: bytes) -> str:
    """One line: the same, or how it differs."""
    from mapper.table import table_digest

    name = profile.file_name
    if table is None or data is None:
        return f"the controller has no table, so not that of {name}; `mapper upload {name}` puts it in"
    if data == expected:
        return f"this is the table of {name}, byte for byte ({table_digest(data)})"
    if table.machine_id != profile.machine_id:
        return f"this is not {name}: the table is for {table.machine_id!r}, the profile for {profile.machine_id!r}"
    if table.profile_digest == profile.digest:
        return (
            f"this was made from the very file {name}, but by version {'.'.join(map(str, table.tool_version))} of "
            f"the tool, which gave "
            "another table; check and upload it with this version"
        )
    return (
        f"this is not {name} as it is now: the controller has revision {table.revision} ({table_digest(data)}), the "
        f"file is revision "
        f"{profile.revision} ({table_digest(expected)}); upload the file, or find the one that was uploaded in the "
        f"journal"
    )
