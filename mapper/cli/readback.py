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
    "--baud", type=click.IntRange(2400, 4_000_000), default=115_200, show_default=True, help="Speed of the line."
)
@click.option("--json", "json_wanted", is_flag=True, help="One JSON document on standard output and nothing else.")
def command(port: str | None, profile_file: str | None, baud: int, json_wanted: bool) -> int:
    """Read the table in the controller back, decode it and show it.

    Reading changes nothing and needs no service key. With --profile: exit 0 when the controller has exactly the table
    of that profile, 1 when not (also when all values are the same and only the file differs, which is said); the
    profile's waivers are named, and with them those that waive nothing, for which the profile is checked first.
    Without: exit 0 when there is a table in use, 1 when there is none; one that is stored but not in use is told with
    the reason. Exit 3 when the link fails.
    """
    import json
    from dataclasses import asdict

    from mapper.cli._linking import (
        NotTaken,
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
    from mapper.table import compile_table, encode_table, table_digest

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
    refused = NotTaken.of(outcome.before, data)
    table = refused.table if refused is not None else _decoded(chosen, data)
    in_use = data is not None and refused is None
    same = in_use and data == expected if expected is not None else None
    if json_wanted:
        decoded = None
        if table is not None:
            decoded = asdict(table) | {"profile_digest": table.profile_digest.hex()}
        document = {
            "port": chosen,
            "tool": tool_version(),
            "layout": layout_of(data) if data is not None else None,
            "controller": identity_json(outcome.before, refused),
            "bytes": len(data) if data is not None else 0,
            "digest": table_digest(data) if data is not None else None,
            "profile": profile_file,
            "same": same,
            "waivers": waivers,
            "table": decoded,
        }
        click.echo(json.dumps(document, allow_nan=False))
        return 0 if same or (same is None and in_use) else 1
    lines = identity_lines(outcome.before, waits=True, refused=refused)
    click.echo("\n".join([f"on {chosen}:", *(f"  {line}" for line in lines)]))
    click.echo(f"read by {tool_version()}" + (f"; table layout {layout_of(data)}" if data is not None else ""))
    if table is not None:
        if refused is not None:
            click.echo("stored, NOT in use:")
        names = tuple(joint.name for joint in profile.joints) if profile is not None and same else ()
        click.echo("\n".join(f"  {line}" for line in value_lines(table, names)))
    if profile is not None and expected is not None:
        for line in waivers:
            click.echo(f"{profile.file_name}: {line}")
        click.echo(_verdict(profile, table if in_use else None, data, expected, stored=refused is not None))
    return 0 if same or (same is None and in_use) else 1


def _decoded(port: str, data: bytes | None) -> Table | None:
    """Raises MapperError when the controller uses a table that this tool does not read."""
    from mapper.cli._linking import READS_LAYOUT, other_layout
    from mapper.errors import MapperError
    from mapper.table import decode_table

    if data is None:
        return None
    layout = other_layout(data)
    if layout is not None:
        raise MapperError(
            f"{port}: the controller uses a table of layout {layout}, this tool reads layout {READS_LAYOUT}, so none "
            "of its values is shown; use the mapper that wrote it"
        )
    return decode_table(data)


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


def _values_are_the_same(table: Table, expected: bytes) -> bool:
    """Everything but which file and which version of the tool the table was made from."""
    from dataclasses import replace

    from mapper.table import decode_table

    own = decode_table(expected)
    return replace(table, profile_digest=own.profile_digest, tool_version=own.tool_version) == own


def _verdict(profile: Profile, table: Table | None, data: bytes | None, expected: bytes, *, stored: bool) -> str:
    """One line: the same, or how it differs. stored: there is a table, but it is not in use."""
    from mapper.table import table_digest

    name = profile.file_name
    if table is None or data is None:
        has = "does not use the table that is stored in it" if stored else "has no table"
        return f"the controller {has}, so not that of {name}; `mapper upload {name}` puts it in"
    if data == expected:
        return f"this is the table of {name}, byte for byte ({table_digest(data)})"
    if table.machine_id != profile.machine_id:
        return f"this is not {name}: the table is for {table.machine_id!r}, the profile for {profile.machine_id!r}"
    if _values_are_the_same(table, expected):
        return (
            f"all values are the same as those of {name}, but it was made from another state of the file (comments, "
            f"wording) or by another version of the tool: the controller has {table_digest(data)}, the file gives "
            f"{table_digest(expected)}; `mapper journal {name}` tells which one was uploaded"
        )
    if table.profile_digest == profile.digest:
        return (
            f"this was made from the very file {name}, but by version {'.'.join(map(str, table.tool_version))} of "
            f"the tool, which gave "
            "another table; check and upload it with this version"
        )
    return (
        f"this is not {name} as it is now: the controller has revision {table.revision} ({table_digest(data)}), the "
        f"file is revision "
        f"{profile.revision} ({table_digest(expected)}); upload the file, or find the one that was uploaded: "
        f"`mapper journal {name}`"
    )
