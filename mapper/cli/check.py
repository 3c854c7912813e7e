"""`mapper check`: every limit of a profile, with the evidence for each."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from mapper.check import CheckResult, Finding

_BAD = ("violated", "not shown")
_MACHINE = "machine"


@click.command(name="check", short_help="Check every limit of a profile, with the evidence for each.")
@click.argument("profile_file", metavar="PROFILE", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document to standard output and nothing else there.")
@click.option(
    "--joint",
    "joint_name",
    metavar="NAME",
    help="Show the findings of this joint only; the result stays the whole profile's.",
)
@click.option("--verbose", is_flag=True, help="Say of every finding what was shown and for which inputs or plants.")
def command(profile_file: Path, as_json: bool, joint_name: str | None, verbose: bool) -> int:
    """Check the table that PROFILE compiles to, through the control law that runs in the controller.

    Exit code: 0 every limit holds or is waived, 1 a limit is violated or could not be shown, 2 the file cannot be read.
    """
    from mapper.check import check_profile
    from mapper.profile import read_profile
    from mapper.table import compile_table, encode_table

    profile = read_profile(_bytes_of(profile_file), str(profile_file))
    _joint_must_exist(joint_name, [joint.name for joint in profile.joints])
    table = compile_table(profile)
    _progress("checking ...")
    result = check_profile(profile, table, encode_table(table))
    _progress("")
    shown = [finding for finding in result.findings if joint_name in (None, finding.joint)]
    if as_json:
        click.echo(json.dumps(_document(str(profile_file), result, shown), indent=2))
    else:
        for line in _report(str(profile_file), result, shown, verbose):
            click.echo(line)
    return 0 if result.holds else 1


def _bytes_of(path: Path) -> bytes:
    from mapper.errors import MapperError

    try:
        return path.read_bytes()
    except OSError as error:
        raise MapperError(
            f"{path}: cannot be read: {error.strerror}; give the path of a profile file (.toml)", exit_code=2
        ) from error


def _joint_must_exist(name: str | None, names: list[str]) -> None:
    if name is not None and name not in names:
        raise click.UsageError(f"--joint {name}: no such joint in the profile; there are {', '.join(names)}")


def _progress(text: str) -> None:
    """On standard error, and only when it is a terminal."""
    if sys.stderr.isatty():
        click.echo(text or f"\r{text:<20}\r", err=True, nl=False)


def _document(profile: str, result: CheckResult, shown: Iterable[Finding]) -> dict[str, object]:
    joints = {finding.joint for finding in shown}
    return {
        "profile": profile,
        "digest": result.digest,
        "result": result.result,
        "findings": [
            {
                "limit": finding.limit,
                "joint": finding.joint,
                "status": finding.status.value,
                "evidence": finding.evidence.value,
                "cases": finding.cases,
                "worst": finding.worst,
                "bound": finding.bound,
                "unit": finding.unit,
                "margin": finding.margin,
                "advice": finding.advice,
                "detail": finding.detail,
                "bound_is": "least" if finding.at_least else "most",
            }
            for finding in shown
        ],
        "not_examined": [{"limit": item.limit, "why": item.why} for item in result.not_examined],
        "notes": [{"joint": note.joint, "text": note.text} for note in result.notes if note.joint in joints],
        "unused_waivers": [
            {"limit": waiver.limit, "joint": waiver.joint, "reason": waiver.reason} for waiver in result.unused_waivers
        ],
    }


def _report(profile: str, result: CheckResult, shown: list[Finding], verbose: bool) -> Iterator[str]:
    yield f"{profile}: table {result.digest}, {len(result.findings)} findings: {result.result}"
    yield ""
    yield from _explained(shown)
    yield from _table(shown, verbose)
    for waiver in result.unused_waivers:
        where = f"{waiver.limit} of {waiver.joint or _MACHINE}"
        yield f"waiver not used: {where}: that limit holds, or there is none of that name"
    yield from _notes(result, {finding.joint for finding in shown})
    yield "Not examined by this version:"
    for item in result.not_examined:
        yield f"  {item.limit:<22} {item.why}"
    yield ""
    yield _last_line(profile, result)


def _notes(result: CheckResult, joints: set[str | None]) -> Iterator[str]:
    notes = [note for note in result.notes if note.joint in joints]
    if not notes:
        return
    yield "Worth knowing, no fault:"
    for note in notes:
        yield f"  {note.joint:<22} {note.text}"
    yield ""


def _explained(shown: list[Finding]) -> Iterator[str]:
    """What does not hold, and what is waived, before everything else."""
    from mapper.check.changes import joint_changes

    for finding in shown:
        status = finding.status.value
        if status not in (*_BAD, "holds with waiver"):
            continue
        yield f"{status.upper()}: {finding.limit} of {finding.joint or _MACHINE}{_against(finding)}"
        yield f"    {finding.detail}"
        if finding.advice:
            yield f"    what to do: {finding.advice}"
        yield ""
    for change in joint_changes(finding for finding in shown if finding.status.value in _BAD):
        yield f"one change that satisfies all advice on it: {change}"
        yield ""


def _against(finding: Finding) -> str:
    if finding.worst is None or finding.bound is None:
        return ""
    allowed = "at least" if finding.at_least else "allowed"
    return f": {_number(finding.worst)} {finding.unit}, {allowed} {_number(finding.bound)} {finding.unit}"


def _number(value: float | None) -> str:
    if value is None:
        return "-"
    return f"{value:.3f}".rstrip("0").rstrip(".")


def _table(shown: list[Finding], verbose: bool) -> Iterator[str]:
    heading: str | None = None
    for finding in shown:
        name = finding.joint or _MACHINE
        if name != heading:
            if heading is not None:
                yield ""
            heading = name
            yield (
                f"{name:<28}{'status':<19}{'worst':>10}{'bound':>10}{'margin':>10} {'unit':<9}{'evidence':<12}"
                f"{'cases':>9}"
            )
        yield (
            f"  {finding.limit:<26}{finding.status.value:<19}{_number(finding.worst):>10}{_number(finding.bound):>10}"
            f"{_number(finding.margin):>10} {finding.unit:<9}{finding.evidence.value:<12}{finding.cases:>9}"
        )
        if verbose:
            yield f"      {finding.detail}"
    yield ""


def _last_line(profile: str, result: CheckResult) -> str:
    replay = f"mapper replay {profile} RECORDING, with the pump off"
    if result.result == "holds":
        return f"Every limit examined holds. Next: {replay}, before anything is uploaded."
    if result.result == "holds with waivers":
        repeated = "upload repeats the waivers"
        return f"Every limit examined holds or is waived in the profile; {repeated}. Next: {replay}."
    bad = sum(finding.status.value in _BAD for finding in result.findings)
    count = f"{bad} limit{'s do' if bad != 1 else ' does'} not hold"
    return f"{count}: change what is advised above in {profile} and check again. Do not upload."
