"""`mapper journal`: every attempt on record beside the profile, and whether what is in a controller is one of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from pathlib import Path

    from mapper.link import Identity
    from mapper.link.journal import Entry, Journal


@click.command(short_help="Show every attempt on record, and whether the controller's table is one of them.")
@click.argument("profile_file", metavar="PROFILE")
@click.option("--last", type=click.IntRange(min=1), metavar="N", help="Only the newest N entries.")
@click.option("--entry", "number", type=click.IntRange(min=1), metavar="N", help="Everything of entry N.")
@click.option(
    "--port",
    metavar="PORT",
    help="Read the table in the controller on this port and say which entry it is; exit 1 when it is none.",
)
@click.option(
    "--baud", type=click.IntRange(2400, 4_000_000), default=115_200, show_default=True, help="Speed of the line."
)
@click.option(
    "--json",
    "json_wanted",
    is_flag=True,
    help="The entries as one JSON array on standard output and nothing else there; what else is to be said goes to "
    "standard error.",
)
def command(
    profile_file: str, last: int | None, number: int | None, port: str | None, baud: int, json_wanted: bool
) -> int:
    """Show every attempt to upload PROFILE that is on record in the journal beside it, the newest last.

    An entry's number is its line in the file (PROFILE without its ending, then .journal.jsonl). This tool only ever
    adds to the file; it does not notice what somebody else changes in it by hand. A line that cannot be read is told
    with its place, the others are shown all the same (exit 2). Without a journal there is nothing to show (exit 0).

    With --port: exit 1 when the table in the controller is not on record in this journal (another journal of the same
    folder that has it is named), 3 when the link fails.
    """
    import json

    from mapper.cli._journal_text import entry_lines, upload_lines

    if last is not None and number is not None:
        raise click.UsageError("--last and --entry exclude each other: give one of them")
    journal = _journal_of(profile_file)
    chosen = _chosen(journal, last, number)
    if json_wanted:
        click.echo(json.dumps([entry.values for entry in chosen], ensure_ascii=True))
    elif number is not None:
        for entry in chosen:
            click.echo("\n".join([f"entry {entry.line} of {journal.path}:", *entry_lines(entry)]))
    else:
        click.echo("\n".join([_head(journal, len(chosen)), *(line for one in chosen for line in upload_lines(one))]))
        click.echo(_last_in_use(journal))
    for damaged in journal.damaged:
        click.echo(damaged.text(journal.path), err=True)
    found = _compare(journal, port, baud, quiet=json_wanted) if port else True
    if not found:
        return 1
    return 2 if journal.damaged else 0


def _journal_of(profile_file: str) -> Journal:
    """Raises MapperError (exit 2) when there is neither a profile nor a journal of that name."""
    from pathlib import Path

    from mapper.errors import MapperError
    from mapper.link import journal

    given = Path(profile_file)
    path: Path = given if journal.is_journal(given) else journal.journal_path(given)
    found = journal.look(path)
    if not found.exists and not given.is_file():
        raise MapperError(
            f"{given}: there is no such file, and no journal {path} beside it; give the path of a profile (.toml) or "
            "of its journal (.journal.jsonl)"
        )
    return found


def _chosen(journal: Journal, last: int | None, number: int | None) -> tuple[Entry, ...]:
    if last is not None:
        return journal.entries[-last:]
    if number is None:
        return journal.entries
    found = tuple(entry for entry in journal.entries if entry.line == number)
    if not found and all(damaged.line != number for damaged in journal.damaged):
        numbers = [entry.line for entry in journal.entries]
        there = f"entries {numbers[0]} to {numbers[-1]} are" if numbers else "none is"
        raise click.UsageError(f"there is no entry {number} in {journal.path}: {there} there")
    return found


def _head(journal: Journal, shown: int) -> str:
    if not journal.exists or not journal.entries:
        return f"no upload is on record yet: {journal.path} {'is empty' if journal.exists else 'is not there'}"
    many = len(journal.entries)
    used = len(_in_use(journal))
    count = f"{many} attempt{'' if many == 1 else 's'} to upload on record, {used or 'none'} of which went into use"
    return f"{journal.path}: {count}{f', the newest {shown}' if shown < many else ''}, newest last"


def _in_use(journal: Journal) -> tuple[Entry, ...]:
    return tuple(entry for entry in journal.entries if entry.values.get("in_use") is True)


def _last_in_use(journal: Journal) -> str:
    from mapper.cli._journal_text import short

    used = _in_use(journal)
    if used:
        return f"last put into use: {short(used[-1])}"
    unsure = ", as far as its lines can be read" if journal.damaged else ""
    return f"by this journal no table was put into use{unsure}"


def _compare(journal: Journal, port: str, baud: int, *, quiet: bool) -> bool:
    """Says whether the table in the controller is on record. Raises LinkError."""
    from mapper.cli._linking import NotTaken, ProgressLine, identity_lines
    from mapper.link import TablePresence, readback_outcome

    progress = ProgressLine()
    try:
        outcome = readback_outcome(port, progress=progress, baud=baud)
    finally:
        progress.close()
    identity = outcome.before
    assert identity is not None
    refused = NotTaken.of(identity, outcome.data)
    lines = ["", f"on {port}:", *(f"  {line}" for line in identity_lines(identity, waits=False, refused=refused))]
    entry, verdict = _verdict(journal, identity)
    click.echo("\n".join([*lines, verdict]), err=quiet)
    return entry is not None and identity.presence is TablePresence.IN_USE


def _verdict(journal: Journal, identity: Identity) -> tuple[Entry | None, str]:
    """The entry that put in what is there, None when there is none; and the sentence."""
    from mapper.cli._journal_text import short

    used = _in_use(journal)
    if not identity.digest:
        last = f"; the journal's last one is {short(used[-1])}" if used else ""
        return None, f"there is no table in the controller{last}"
    known = [entry for entry in used if _names(entry, identity)]
    exact = [entry for entry in known if entry.values.get("sequence") == identity.sequence]
    if exact:
        newest = exact[-1].line == used[-1].line
        other = "" if newest else f", but not the last one that this journal has in use, which is {short(used[-1])}"
        return exact[-1], f"on record: {short(exact[-1])}{other}"
    broken = [entry for entry in journal.entries if _ended_unknown(entry, identity)]
    if broken:
        return broken[-1], (
            f"on record: entry {broken[-1].line} put it in, though its end was not learned then: "
            f"{short(broken[-1])}; it is in the controller as upload number {identity.sequence}"
        )
    remedy = "find who uploaded it and the journal of that PC, or upload a checked profile again"
    if journal.damaged:
        remedy = f"it may be in a line that cannot be read; else {remedy}"
    if known:
        return None, (
            f"NOT on record: the same table is ({short(known[-1])}), but it is in the controller as upload number "
            f"{identity.sequence}: it was put in once more from elsewhere, or this is another controller; {remedy}"
        )
    elsewhere = _in_another_journal(journal, identity)
    if elsewhere:
        return None, f"NOT on record in {journal.path}, but in another journal of that folder: {elsewhere}"
    return None, (
        f"NOT on record: no entry put table {identity.digest} (upload number {identity.sequence}) into use; {remedy}"
    )


def _in_another_journal(journal: Journal, identity: Identity) -> str:
    """File and entry that put in what is there, the same upload number before an earlier one; "" when none did."""
    from mapper.cli._journal_text import short
    from mapper.link.journal import beside

    found = [(other, entry) for other in beside(journal.path) for entry in _in_use(other) if _names(entry, identity)]
    if not found:
        return ""
    exact = [one for one in found if one[1].values.get("sequence") == identity.sequence]
    other, entry = (exact or found)[-1]
    number = "" if exact else f", though it is in the controller as upload number {identity.sequence}"
    return f"{other.path} has it: {short(entry)}{number}"


def _names(entry: Entry, identity: Identity) -> bool:
    values = entry.values
    return (values.get("machine_id"), values.get("digest")) == (identity.machine_id, identity.digest)


def _ended_unknown(entry: Entry, identity: Identity) -> bool:
    """Confirmed, but the line was lost before the controller could say that it took it: the next number is its own."""
    before = entry.values.get("controller")
    number = before.get("sequence") if isinstance(before, dict) else None
    return (
        _names(entry, identity)
        and entry.values.get("in_use") is False
        and entry.values.get("confirmed") in ("asked", "--yes")
        and isinstance(number, int)
        and number + 1 == identity.sequence
    )
