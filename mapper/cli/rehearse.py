"""`mapper rehearse`: the whole job without the machine, step by step, through the controller's own program."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mapper.cli._options import TARGET, replay_options

if TYPE_CHECKING:
    from collections.abc import Callable

    from mapper.check import CheckResult, Finding
    from mapper.link import SimulatedController
    from mapper.profile import Profile
    from mapper.profile.profile import Waiver
    from mapper.replay import Fault, Recording, Trace

_LAW_SOURCE = {
    "host": "the controller's own program, in another process",
    "emulator": "the controller's own program, built for a Cortex-M4 and emulated",
}


@click.command()
@replay_options(out="rehearse-out")
@TARGET
def command(
    profile_file: str,
    recording_file: str,
    faults: tuple[str, ...],
    out: str,
    corner: str,
    load_name: str | None,
    mode: str | None,
    json_wanted: bool,
    target: str,
) -> int:
    """Do the whole job without the machine: check, start a simulated controller, upload, read back, replay.

    PROFILE is checked, its table goes over a serial line into the controller's program, which runs as a process on
    this PC or, with --target emulator, as the firmware of an emulated Cortex-M4 board, is read back and compared, and
    RECORDING is replayed through that controller, tick by tick. Exit 0 when everything held, 1 when a limit does not
    hold, the runs differ or the arm stopped by itself, 2 when a file cannot be read, 3 when the link fails or the
    emulator is missing.
    """
    from mapper.cli._signals import tidy_on_signals

    with tidy_on_signals():
        return _rehearse(profile_file, recording_file, faults, out, corner, load_name, mode, json_wanted, target)


def _rehearse(
    profile_file: str,
    recording_file: str,
    faults: tuple[str, ...],
    out: str,
    corner: str,
    load_name: str | None,
    mode: str | None,
    json_wanted: bool,
    target: str,
) -> int:
    import json
    import tempfile
    from dataclasses import asdict
    from pathlib import Path

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
        write_outputs,
    )
    from mapper.link import check_target, describe, start_controller
    from mapper.profile import read_profile
    from mapper.replay import about, find_stops, read_fault, run_replay, summarise
    from mapper.table import compile_table, encode_table, table_digest

    steps = _Steps(quiet=json_wanted)
    steps.begin("read the profile and the recording")
    profile = read_profile(read_bytes(profile_file), profile_file)
    recording = read_recording_file(recording_file)
    load = read_load(load_name, profile)
    check_writable(out)
    check_target(target)
    wanted = [read_fault(text, profile) for text in faults]
    table = compile_table(profile)
    data = encode_table(table)
    steps.say(f"{profile.machine_name}: {len(profile.joints)} joint(s); recording of {recording.length_s:.1f} s")
    if recording.comments:
        steps.say(f"the recording says: {about(recording)}")
    steps.say(f"table of {len(data)} bytes, digest {table_digest(data)}")

    steps.begin("check every limit")
    checked = _check(profile, data, steps)

    with tempfile.TemporaryDirectory(prefix="mapper-") as folder:
        steps.begin("start the simulated controller")
        with start_controller(target, profile.machine_id, Path(folder) / "flash") as controller:
            steps.say(f"{describe(target, controller)}; it holds no table, so nothing can move")
            steps.begin("upload the table over its serial line")
            _upload(controller, data, steps)
            steps.begin("read back and compare")
            _compare_table(controller, profile, data, steps)
            steps.begin("replay the recording through that controller")
            through = _replay(controller, profile, data, recording, wanted, corner, mode, load, steps, target)

    steps.begin("compare with the same replay in this process")
    here = run_replay(profile, data, recording, wanted, corner=corner, mode=mode, load_name=load)
    _compare_runs(through, here)
    steps.say(f"{len(here.law)} ticks, every value the same")

    steps.begin("write the report")
    summary = summarise(through, profile)
    stops = find_stops(through, profile)
    facts = [
        ("Check", checked.result),
        ("Controller", f"table read back byte for byte; {len(here.law)} ticks the same as in this process"),
    ]
    report, trace_file = write_outputs(out, through, summary, profile, stops, facts)
    steps.say(f"report {report}")
    steps.say(f"trace  {trace_file}")
    failed = summary.final_state in ("fault", "emergency_stop") and not wanted
    following = _next(profile_file, failed, report)
    if json_wanted:
        document = as_json(through, summary, stops, report, trace_file)
        document.update(check=checked.result, waived=[asdict(waiver) for waiver in _used(checked, profile)])
        document.update(table_bytes=len(data), same_as_in_process=True, next=following)
        click.echo(json.dumps(document, allow_nan=False))
        return int(failed)
    click.echo("")
    click.echo("\n".join(joint_lines(summary.joints)))
    click.echo("")
    click.echo("\n".join(finding_lines(summary)))
    click.echo("")
    click.echo("\n".join(event_lines(summary.events)))
    for outcome in summary.fault_outcomes:
        click.echo(outcome.text)
    click.echo("")
    click.echo("\n".join(stop_lines(stops)))
    click.echo(f"\n{CAUTION}\n{following}")
    return int(failed)


class _Steps:
    """The numbered steps as they begin, and what there is to say about each."""

    def __init__(self, quiet: bool) -> None:
        self._number = 0
        self._quiet = quiet

    def begin(self, what: str) -> None:
        self._number += 1
        if not self._quiet:
            click.echo(f"{self._number}. {what}")

    def say(self, text: str) -> None:
        if not self._quiet:
            click.echo(f"   {text}")


def _check(profile: Profile, data: bytes, steps: _Steps) -> CheckResult:
    """Raises MapperError (exit 1) when a limit does not hold: nothing is uploaded then."""
    from mapper.check import check_profile
    from mapper.check.finding import Status
    from mapper.errors import MapperError
    from mapper.table import compile_table

    checked = check_profile(profile, compile_table(profile), data)
    held = [one for one in checked.findings if one.status is Status.HOLDS]
    waived = [one for one in checked.findings if one.status is Status.WAIVED]
    steps.say(
        f"{len(held)} of {len(checked.findings)} limits hold, {len(waived)} waived, "
        f"{len(checked.findings) - len(held) - len(waived)} do not hold; {len(checked.not_examined)} are not examined"
    )
    for waiver in _used(checked, profile):
        steps.say(f"waived: {waiver.limit} of {waiver.joint or 'machine'}, reason given: {waiver.reason}")
    if not checked.holds:
        lines = [f"   {_line(one)}" for one in checked.findings if one not in held and one not in waived]
        raise MapperError(
            "\n".join(
                [
                    f"{profile.file_name}: not every limit holds, so nothing is uploaded:",
                    *lines,
                    "   change the profile, then run the command again; `mapper check` shows everything",
                ]
            ),
            exit_code=1,
        )
    steps.say(f"result: {checked.result}")
    return checked


def _used(checked: CheckResult, profile: Profile) -> list[Waiver]:
    """The profile's waivers that the check made use of."""
    return [waiver for waiver in profile.waivers if waiver not in checked.unused_waivers]


def _line(finding: Finding) -> str:
    """What does not hold, by how much, and what to do, in one line."""
    found = ""
    if finding.worst is not None and finding.bound is not None:
        found = f": {finding.worst:.4g} {finding.unit} where {finding.bound:.4g} is the bound"
    return f"{finding.joint or 'machine'}: {finding.limit} {finding.status.value}{found}; {finding.advice}"


def _progress(what: str) -> Callable[[int, int], None] | None:
    """Tells how far it is, on standard error, when that is a terminal."""
    import sys

    if not sys.stderr.isatty():
        return None

    def show(done: int, of: int) -> None:
        print(f"   {what}: {100 * done // max(1, of)} %", end="\n" if done >= of else "\r", file=sys.stderr, flush=True)

    return show


def _upload(controller: SimulatedController, data: bytes, steps: _Steps) -> None:
    """With the service key on and the machine at standstill, as the controller demands."""
    import numpy as np

    from mapper.law import INPUT_BITS
    from mapper.link import upload

    resting = INPUT_BITS["stop_1"] | INPUT_BITS["stop_2"] | INPUT_BITS["key"]
    controller.tick(resting, np.zeros(64, dtype=np.int32), 5000)
    steps.say("service key on, nothing moving")
    result = upload(controller.port, data)
    steps.say(f"{len(data)} bytes in {result.seconds:.2f} s; the controller has checked and taken the table")


def _compare_table(controller: SimulatedController, profile: Profile, data: bytes, steps: _Steps) -> None:
    """Raises MapperError (exit 3) when what is inside is not what was meant."""
    from mapper.errors import MapperError
    from mapper.link import readback
    from mapper.table import compile_table, decode_table

    inside = readback(controller.port)
    if inside != data:
        raise MapperError(
            "what was read back is not what was sent; do not run the machine: mistrust PC, line and controller",
            exit_code=3,
        )
    if decode_table(inside) != compile_table(profile):
        raise MapperError(
            "the table that was read back does not decode to the profile's values; do not use this version of the tool",
            exit_code=3,
        )
    steps.say(f"{len(data)} bytes the same, and decoded by other code they are the profile's values")


def _replay(
    controller: SimulatedController,
    profile: Profile,
    data: bytes,
    recording: Recording,
    faults: list[Fault],
    corner: str,
    mode: str | None,
    load: str | None,
    steps: _Steps,
    target: str,
) -> Trace:
    from mapper.replay import make_trace, ready_replay, run_lockstep

    ready = ready_replay(profile, recording, faults, mode)
    steps.say(f"{len(ready.inputs)} ticks in lockstep, plant corner {corner}; only the model of the arm moves")
    law, motion = run_lockstep(profile, ready, controller.tick, corner, _progress("replay"), load)
    return make_trace(
        profile,
        data,
        recording,
        ready,
        law=law,
        motion=motion,
        faults=faults,
        corner=corner,
        load_name=load,
        law_source=_LAW_SOURCE[target],
    )


def _compare_runs(through: Trace, here: Trace) -> None:
    """Raises MapperError (exit 1) at the first tick that differs."""
    from mapper.errors import MapperError
    from mapper.replay import first_difference

    found = first_difference(through, here)
    if found is not None:
        raise MapperError(
            f"the controller and this process differ at {found.time_s:.3f} s (tick {found.tick}): {found.what} is "
            f"{found.one} there and {found.other} here; build the core again (`python firmware_stub/build.py`), "
            "and do not use a table until they agree",
            exit_code=1,
        )


def _next(profile_file: str, failed: bool, report: object) -> str:
    if failed:
        return (
            f"Next: the replay ended in a stop that nobody asked for; open {report}, see the events, "
            "then mend the profile."
        )
    return (
        f"Next: open {report}; then, with the pump off and nobody in reach, "
        f"`mapper upload {profile_file} --port PORT`, and first motion in reduced mode."
    )
