"""`mapper replay`: a recording through the control law and a model of the arm, in this process."""

from __future__ import annotations

import click

from mapper.cli._options import replay_options


@click.command()
@replay_options(out="replay-out")
def command(
    profile_file: str,
    recording_file: str,
    faults: tuple[str, ...],
    out: str,
    corner: str,
    load_name: str | None,
    mode: str | None,
    json_wanted: bool,
) -> None:
    """Run a RECORDING through the control law of PROFILE and a model of the arm; write a report and a trace.

    The law is the very code that runs in the controller. Exit 0 when it ran, whatever happened in it; 2 when a file
    cannot be read. The profile is not checked here: `mapper check` does that.
    """
    import json

    from mapper.cli._replaying import (
        CAUTION,
        as_json,
        check_writable,
        event_lines,
        finding_lines,
        joint_lines,
        read_bytes,
        read_load,
        read_recording_file,
        stop_lines,
        waiver_lines,
        write_outputs,
    )
    from mapper.profile import read_profile
    from mapper.replay import find_stops, read_fault, run_replay, summarise
    from mapper.replay.as_read import is_as_read
    from mapper.table import compile_table, encode_table

    profile = read_profile(read_bytes(profile_file), profile_file)
    recording = read_recording_file(recording_file)
    load = read_load(load_name, profile)
    check_writable(out)
    if is_as_read(recording):
        from mapper.cli._replaying_read import replay_as_read

        given = {"--fault": faults, "--corner": corner != "nominal", "--load": load, "--mode": mode}
        replay_as_read(profile, recording, out, json_wanted, [name for name, value in given.items() if value])
        return
    wanted = [read_fault(text, profile) for text in faults]
    table_bytes = encode_table(compile_table(profile))
    trace = run_replay(profile, table_bytes, recording, wanted, corner=corner, mode=mode, load_name=load)
    summary = summarise(trace, profile)
    stops = find_stops(trace, profile)
    report, table = write_outputs(out, trace, summary, profile, stops)
    if json_wanted:
        click.echo(json.dumps(as_json(trace, summary, stops, report, table), allow_nan=False))
        return
    carried = trace.load_name or "empty"
    click.echo(
        f"{recording_file} on {profile.machine_name}: {recording.length_s:.1f} s, plant corner {corner}, load {carried}"
    )
    if trace.recording_about:
        click.echo(f"the recording says: {trace.recording_about}")
    click.echo("")
    click.echo("\n".join(joint_lines(summary.joints)))
    click.echo("")
    click.echo("\n".join(finding_lines(summary)))
    click.echo("")
    click.echo("\n".join(event_lines(summary.events)))
    click.echo("")
    click.echo("\n".join(stop_lines(stops)))
    click.echo("")
    for line in (*waiver_lines(profile), *(outcome.text for outcome in summary.fault_outcomes)):
        click.echo(line)
    for note in trace.notes:
        click.echo(f"{note.kind}: {note.text}")
    click.echo(f"\nreport  {report}\ntrace   {table}\n{CAUTION}")
