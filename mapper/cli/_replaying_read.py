"""`mapper replay` of a recording of what the controller read: the law over just that, and the monitor. Edge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from mapper.check.search.rules import Breach
    from mapper.profile import Profile
    from mapper.replay import Recording

_WHY = "what the controller read is all there: no model of the arm ran beside it"


def replay_as_read(profile: Profile, recording: Recording, out: str, json_wanted: bool, given: list[str]) -> None:
    """Run it, write report and trace, print.

    Args:
        given: options that were given and that only a model of the arm knows what to do with.

    Raises:
        click.UsageError: there are such.
        MapperError: (exit 2) a file cannot be written, or the recording is not whole.
    """
    import json

    from mapper.check import check_profile
    from mapper.check.search.counterexample import judge
    from mapper.check.search.plants import search_bench
    from mapper.cli._replaying import CAUTION, as_json, event_lines, write_outputs
    from mapper.law import load_core
    from mapper.replay import Stops, summarise
    from mapper.replay.as_read import run_as_read
    from mapper.table import compile_table, encode_table

    if given:
        raise click.UsageError(
            f"{', '.join(given)}: {recording.file_name} is a recording of what the controller itself read, and nothing "
            "is added to it; leave the option out"
        )
    table = compile_table(profile)
    data = encode_table(table)
    trace = run_as_read(profile, data, recording)
    summary = summarise(trace, profile)
    stops = Stops(
        load_name="empty",
        corner=trace.corner,
        tick_s=trace.tick_s,
        stops=(),
        left_out=tuple((joint.name, _WHY) for joint in profile.joints),
    )
    core = load_core()
    bench = search_bench(core, core.table(data), profile, table, check_profile(profile, table, data).findings)
    breach = judge(bench, profile, recording)
    report, written = write_outputs(out, trace, summary, profile, stops, _facts(breach, profile, trace.tick_s))
    if json_wanted:
        document = as_json(trace, summary, stops, report, written)
        document["breach"] = _document(breach, profile, trace.tick_s)
        click.echo(json.dumps(document, allow_nan=False))
        return
    click.echo(f"{recording.file_name} on {profile.machine_name}: {len(trace.law)} ticks as the controller read them")
    if trace.recording_about:
        click.echo(f"the recording says: {trace.recording_about}")
    click.echo("")
    click.echo("\n".join(event_lines(summary.events)))
    click.echo("")
    for line in _facts(breach, profile, trace.tick_s):
        click.echo(f"{line[0]}: {line[1]}")
    for note in trace.notes:
        click.echo(f"{note.kind}: {note.text}")
    click.echo(f"\nreport  {report}\ntrace   {written}\n{CAUTION}")


def _facts(breach: Breach | None, profile: Profile, tick_s: float) -> list[tuple[str, str]]:
    if breach is None:
        return [("monitor", "nothing found: every tick is as the rules of the law and the limits of the table ask")]
    return [("VIOLATED", breach.in_words(tuple(joint.name for joint in profile.joints), tick_s))]


def _document(breach: Breach | None, profile: Profile, tick_s: float) -> dict[str, object] | None:
    """null: nothing found."""
    if breach is None:
        return None
    names = tuple(joint.name for joint in profile.joints)
    return {
        "rule": breach.rule.name,
        "joint": None if breach.joint is None else names[breach.joint],
        "tick": breach.tick,
        "time_s": round(breach.tick * tick_s, 6),
        "value": breach.value,
        "bound": breach.bound,
        "unit": breach.rule.unit,
        "asks": breach.rule.asks,
    }
