"""`mapper check`: every limit of a profile, with the evidence for each."""

from __future__ import annotations

import json
import os
import sys
import textwrap
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mapper.cli._profile_file import bytes_of

if TYPE_CHECKING:
    from mapper.check import CheckResult, Finding
    from mapper.check.finding import Given
    from mapper.check.search.search import SearchResult

_EFFORT_HELP = (
    "Also search for a violation by property-based search, for so many SECONDS, or quick (10 s) or thorough (300 s), "
    "or a number of examples such as '20000 examples'. Without it nothing is searched."
)
_BAD = ("violated", "not shown")
_MACHINE = "machine"
_WIDTH = 112


@click.command(name="check", short_help="Check every limit of a profile, with the evidence for each.")
@click.argument("profile_file", metavar="PROFILE", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="One JSON document to standard output and nothing else there.")
@click.option(
    "--joint",
    "joint_name",
    metavar="NAME",
    help="Show the findings of this joint only; the result stays the whole profile's.",
)
@click.option(
    "--explain",
    "explained_limit",
    metavar="LIMIT",
    help="Say of one limit what it asks, by what formula, with which numbers at the worst case, how it was shown and "
    "where that is from. The result stays the whole profile's.",
)
@click.option(
    "--report",
    "report_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Also write a page (.html) with every finding of the whole profile, drawings of the linkages and of the arm, "
    "and plots over each joint's travel. A file of that name is replaced.",
)
@click.option("--effort", "effort_text", metavar="SECONDS", help=_EFFORT_HELP)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31 - 1),
    default=1,
    show_default=True,
    help="Of the search: the same one draws the same examples.",
)
@click.option(
    "--found",
    "found_file",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Where the search writes what it finds, as a recording for mapper replay (PROFILE's name with -found.csv in "
    "the working directory when not given). A file of that name is replaced; none is written when nothing is found.",
)
@click.option("--verbose", is_flag=True, help="Say of every finding what was shown and for which inputs or plants.")
def command(
    profile_file: Path,
    as_json: bool,
    joint_name: str | None,
    explained_limit: str | None,
    report_file: Path | None,
    effort_text: str | None,
    seed: int,
    found_file: Path | None,
    verbose: bool,
) -> int:
    """Check the table that PROFILE compiles to, through the control law that runs in the controller.

    Exit code: 0 every limit holds or is waived, 1 a limit is violated or could not be shown, 2 the file cannot be read.
    """
    from mapper.check import check_profile
    from mapper.cli._searching import read_effort, search_document, search_for
    from mapper.profile import read_profile
    from mapper.table import compile_table, encode_table

    budget = None if effort_text is None else read_effort(effort_text)
    profile = read_profile(bytes_of(profile_file), str(profile_file))
    _joint_must_exist(joint_name, [joint.name for joint in profile.joints])
    _limit_must_exist(explained_limit)
    _report_must_not_be(report_file, profile_file)
    table = compile_table(profile)
    _progress("checking ...")
    result = check_profile(profile, table, encode_table(table))
    _progress("")
    searched: SearchResult | None = None
    if budget is not None:
        found_file = found_file or Path(f"{profile_file.stem}-found.csv")
        _report_must_not_be(found_file, profile_file, "--found")
        result, searched, text = search_for(profile, table, result, (seed, budget, str(found_file)))
        if text is not None:
            _write_whole(found_file, text, "--found")
    if report_file is not None:
        from mapper.check.page.page import check_page

        _write_whole(report_file, check_page(profile, result))
    shown = [finding for finding in result.findings if joint_name in (None, finding.joint)]
    if explained_limit is not None:
        shown = _of_limit(shown, explained_limit)
    if as_json:
        document = _document(str(profile_file), result, shown)
        if explained_limit is not None:
            _add_explanations(document, shown)
        document["search"] = search_document(searched, str(found_file))
        if report_file is not None:
            document["report"] = str(report_file)
        click.echo(json.dumps(document, indent=2))
    else:
        lines = (
            _report(str(profile_file), result, shown, verbose)
            if explained_limit is None
            else _explain_report(str(profile_file), result, shown, (explained_limit, joint_name))
        )
        *first, last = lines
        if searched is None and explained_limit is None:
            first.append(f"Nothing was searched: mapper check {profile_file} --effort quick searches for 10 s.")
        for line in (*first, last):
            click.echo(line)
        if report_file is not None:
            click.echo(f"report  {report_file}")
    return 0 if result.holds else 1


def _report_must_not_be(written: Path | None, profile_file: Path, option: str = "--report") -> None:
    """The profile that is read must not be what is replaced."""
    if written is not None and written.resolve() == profile_file.resolve():
        raise click.UsageError(f"{option} {written}: that is the profile itself; give the file a name of its own")


def _write_whole(path: Path, text: str, option: str = "--report") -> None:
    """The whole file or none: an old one stays until the new one is complete."""
    from mapper.errors import MapperError

    if path.is_dir():
        raise MapperError(f"{path}: that is a directory; give {option} the name of a file in it", exit_code=2)
    fresh = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            fresh.write_text(text, encoding="utf-8", newline="\n")
            os.replace(fresh, path)
        finally:
            fresh.unlink(missing_ok=True)
    except OSError as error:
        why = error.strerror or error
        raise MapperError(
            f"{path}: the file cannot be written there: {why}; choose another place with {option}", exit_code=2
        ) from error


def _joint_must_exist(name: str | None, names: list[str]) -> None:
    if name is not None and name not in names:
        raise click.UsageError(f"--joint {name}: no such joint in the profile; there are {', '.join(names)}")


def _limit_must_exist(name: str | None) -> None:
    from mapper.check.coverage import not_examined
    from mapper.check.explain import WORDS, base_limit, nearest_name

    others = [item.limit for item in not_examined()]
    if name is None or base_limit(name) in WORDS or name in others:
        return
    near = nearest_name(name, [*WORDS, *others])
    meant = f" (nearest: {near})" if near else ""
    raise click.UsageError(
        f"--explain {name}: no such limit{meant}; there are {', '.join(WORDS)}; and, not examined by this version, "
        f"{', '.join(others)}"
    )


def _of_limit(findings: Iterable[Finding], limit: str) -> list[Finding]:
    from mapper.check.explain import asked_for

    return list(asked_for(findings, limit))


def _progress(text: str) -> None:
    """On standard error, and only when it is a terminal."""
    if sys.stderr.isatty():
        click.echo(text or f"\r{text:<20}\r", err=True, nl=False)


def _document(profile: str, result: CheckResult, shown: Iterable[Finding]) -> dict[str, object]:
    from mapper.check.order import mend_order

    shown = list(shown)
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
        "mend_order": [{"limit": finding.limit, "joint": finding.joint} for finding in mend_order(shown)],
        "unused_waivers": [
            {"limit": waiver.limit, "joint": waiver.joint, "reason": waiver.reason} for waiver in result.unused_waivers
        ],
    }


def _add_explanations(document: dict[str, object], shown: list[Finding]) -> None:
    from mapper.check.explain import WORDS, base_limit, explanation_of

    findings = document["findings"]
    assert isinstance(findings, list), "made by _document, one for each that is shown"
    for item, finding in zip(findings, shown, strict=True):
        words, explanation = WORDS[base_limit(finding.limit)], explanation_of(finding)
        item["explanation"] = {
            "asks": words.asks,
            "formula": list(explanation.formula),
            "given": [
                {"symbol": one.symbol, "meaning": one.meaning, "value": one.value, "unit": one.unit}
                for one in explanation.given
            ],
            "shown": words.shown,
            "source": explanation.source,
        }


def _explain_report(
    profile: str, result: CheckResult, shown: list[Finding], asked: tuple[str, str | None]
) -> Iterator[str]:
    """asked: limit, and joint or None."""
    from mapper.check.explain import WORDS, base_limit

    limit, joint = asked
    yield f"{profile}: table {result.digest}, {len(result.findings)} findings: {result.result}"
    yield ""
    for finding in shown:
        yield from _explain(finding)
    skipped = next((item for item in result.not_examined if item.limit == limit), None)
    if skipped is not None:
        yield f"{limit} is not examined by this version:"
        yield from _indented(skipped.why)
        yield ""
    elif not shown:
        yield f"{limit} has no finding for {joint or 'this profile'}: it does not apply there. What it asks:"
        yield from _indented(WORDS[base_limit(limit)].asks)
        yield ""
    yield _last_line(profile, result)


def _explain(finding: Finding) -> Iterator[str]:
    from mapper.check.explain import EVIDENCE_WORDS, WORDS, base_limit, explanation_of, result_words

    words, explanation = WORDS[base_limit(finding.limit)], explanation_of(finding)
    yield f"{finding.limit} of {finding.joint or _MACHINE}: {finding.status.value}"
    yield "  what it asks"
    yield from _indented(words.asks)
    yield "  formula"
    for line in explanation.formula:
        yield f"      {line}"
    if explanation.given:
        yield "  numbers at the worst case"
        yield from _numbers(explanation.given)
    yield "  result"
    yield from _indented(result_words(finding))
    yield "  evidence"
    yield from _indented(
        f"{finding.evidence.value}, {finding.cases} cases: {EVIDENCE_WORDS[finding.evidence]}; {words.shown}"
    )
    yield from _indented(finding.detail)
    yield "  source"
    yield from _indented(explanation.source)
    if finding.advice:
        yield "  what to do"
        for way in finding.advice.split(" | "):
            yield from _indented(way)
    yield ""


def _numbers(given: tuple[Given, ...]) -> Iterator[str]:
    rows = [
        (one.symbol, one.value if isinstance(one.value, str) else f"{one.value:.6g}", one.unit, one.meaning)
        for one in given
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    for symbol, value, unit, meaning in rows:
        number = f"      {symbol:<{widths[0]}} = {value:>{widths[1]}} {unit:<{widths[2]}}  "
        yield from textwrap.wrap(meaning, _WIDTH, initial_indent=number, subsequent_indent=" " * len(number))


def _indented(text: str) -> list[str]:
    return textwrap.wrap(text, _WIDTH, initial_indent="      ", subsequent_indent="      ", break_long_words=False)


def _report(profile: str, result: CheckResult, shown: list[Finding], verbose: bool) -> Iterator[str]:
    from mapper.check.order import mend_first

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
    first = mend_first(shown)
    if first is not None:
        yield first
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


def _bound(finding: Finding) -> str:
    """With its sign where it is the least that is allowed."""
    return f"≥ {_number(finding.bound)}" if finding.at_least and finding.bound is not None else _number(finding.bound)


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
            f"  {finding.limit:<26}{finding.status.value:<19}{_number(finding.worst):>10}{_bound(finding):>10}"
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
