"""`mapper advise`: the largest settings that the check still shows safe, and into the file with them."""

from __future__ import annotations

import json
import os
import stat
import sys
import tempfile
import textwrap
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mapper.cli._profile_file import bytes_of

if TYPE_CHECKING:
    from mapper.advise import Advice, JointAdvice, NumberAdvice, Outcome, Task
    from mapper.check import Finding

_PROCESSES = 2
_TASK_MOST_S = 1800.0
_BAR = 24
_WIDTH = 112
_FREE = "stays: no limit stops it"
_ORDER = (
    "speeds first, at the ramps of the file; then ramps; then travel; and again, until no number goes a step further "
    "with all the others as they are. A speed that costs ramp or travel is so preferred to both."
)


@click.command(name="advise", short_help="Find the fastest speeds, steepest ramps and widest travel that still hold.")
@click.argument("profile_file", metavar="PROFILE", type=click.Path(path_type=Path))
@click.option("--joint", "joint_name", metavar="NAME", help="Search this joint's numbers only.")
@click.option(
    "--never-above",
    is_flag=True,
    help="Also raise speed_never_above, the real speed that every stop is worked out from. Only where the machine may "
    "really go faster than the file says today: that is for its builder to know, no limit shows it.",
)
@click.option("--write", is_flag=True, help="Put the values into PROFILE; nothing else of the file changes.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document to standard output and nothing else there.")
def command(profile_file: Path, joint_name: str | None, never_above: bool, write: bool, as_json: bool) -> int:
    """Find the fastest speeds, steepest ramps and widest travel that still hold, joint by joint.

    Every value comes from trying: the file is compiled with it and checked through the control law, and all values
    found are checked together. Of each is said which limit a step more would break. Without --write the lines to change
    are printed.

    Exit code: 0 the profile holds with these values, 1 it does not (nothing is written then), 2 the file cannot be
    read or written.
    """
    from mapper.advise import advise
    from mapper.profile import read_profile

    data = bytes_of(profile_file)
    names = tuple(joint.name for joint in read_profile(data, str(profile_file)).joints)
    if joint_name is not None and joint_name not in names:
        raise click.UsageError(f"--joint {joint_name}: no such joint in the profile; there are {', '.join(names)}")
    wanted = names if joint_name is None else (joint_name,)
    with _runner(len(wanted)) as run:
        found = advise(data, str(profile_file), wanted, never_above=never_above, run=run)
    written = write and found.may_be_written and bool(found.changes)
    if written:
        _replace(profile_file, data, found.data)
    if as_json:
        click.echo(json.dumps(_document(str(profile_file), found, written), indent=2))
    else:
        for line in _report(str(profile_file), found, (write, written)):
            click.echo(line)
    return 0 if found.may_be_written else 1


# -- running --------------------------------------------------------------------------------------------------------


@contextmanager
def _runner(joint_count: int) -> Iterator[Callable[[list[Task]], Iterable[Outcome]]]:
    """Runs tasks: here for one joint, else in two processes, which end with the search whatever ends it."""
    import multiprocessing

    from mapper.advise import run_task

    with _Progress() as progress:
        if joint_count == 1:
            yield lambda tasks: progress.over(tasks, map(run_task, tasks))
            return
        with multiprocessing.Pool(_PROCESSES, initializer=_no_interrupt) as pool:
            yield lambda tasks: progress.over(tasks, _bounded(pool.imap_unordered(run_task, tasks), len(tasks)))


def _no_interrupt() -> None:
    """Ctrl-C is for the command itself, which then ends its processes."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _bounded(outcomes: object, count: int) -> Iterator[Outcome]:
    from multiprocessing import TimeoutError as Late

    from mapper.errors import MapperError

    for _ in range(count):
        try:
            yield outcomes.next(timeout=_TASK_MOST_S)  # type: ignore[attr-defined]  # IMapIterator has no public name
        except Late as error:
            raise MapperError(
                f"a search took longer than {_TASK_MOST_S / 60:g} minutes or its process was ended; try one joint "
                "with --joint",
                exit_code=1,
            ) from error


class _Progress:
    """On standard error, and only when it is a terminal."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()
        self._rounds: dict[str, int] = {}

    def __enter__(self) -> _Progress:
        return self

    def __exit__(self, *_: object) -> None:
        self._show("")

    def over(self, tasks: list[Task], outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
        stage = tasks[0].stage if tasks else ""
        self._rounds[stage] = self._rounds.get(stage, 0) + 1
        for done, outcome in enumerate(outcomes, start=1):
            bar = "#" * (_BAR * done // len(tasks))
            self._show(f"[{bar:<{_BAR}}] round {self._rounds[stage]}, {stage}: {done} of {len(tasks)} joints")
            yield outcome

    def _show(self, text: str) -> None:
        if self._shown:
            click.echo(f"\r{text:<79}" + ("" if text else "\r"), err=True, nl=False)


# -- writing --------------------------------------------------------------------------------------------------------


def _replace(path: Path, before: bytes, after: bytes) -> None:
    """The whole file or none, with the mode that it had; a link stays a link. Not where the file is another by now."""
    from mapper.errors import MapperError

    target = path.resolve()
    fresh: Path | None = None
    try:
        mode = stat.S_IMODE(target.stat().st_mode)
        if not os.access(target, os.W_OK):
            raise MapperError(f"{path}: is write-protected; nothing was written; make it writable first")
        with tempfile.NamedTemporaryFile(dir=target.parent, prefix=f".{target.name}.", delete=False) as file:
            fresh = Path(file.name)
            file.write(after)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(fresh, mode)
        if target.read_bytes() != before:
            raise MapperError(
                f"{path}: was changed by someone else while the search ran; nothing was written; run it again"
            )
        os.replace(fresh, target)
    except OSError as error:
        raise MapperError(f"{path}: cannot be written: {error.strerror or error}; nothing was written") from error
    finally:
        if fresh is not None:
            fresh.unlink(missing_ok=True)


# -- printing -------------------------------------------------------------------------------------------------------


def _report(name: str, found: Advice, write: tuple[bool, bool]) -> Iterator[str]:
    """write: asked for, done."""
    asked, done = write
    yield f"{name}: {found.tries} settings tried in {found.rounds} rounds; all values below were checked together:"
    yield f"{len(found.check.findings)} findings: {found.check.result}"
    yield from textwrap.wrap(f"Order: {_ORDER}", _WIDTH)
    yield ""
    for joint in found.joints:
        yield from _joint_lines(joint)
    yield from _together_lines(found)
    for change in found.changes:
        yield f"{name}:{change.line}:"
        yield f"  - {change.before}"
        yield f"  + {change.after}"
    if found.changes:
        yield ""
    yield _last_line(name, found, asked, done)


def _joint_lines(joint: JointAdvice) -> Iterator[str]:
    if not joint.numbers:
        yield f"{joint.joint}: no setting that was tried holds, however slow, gentle and narrow. In the way:"
        for finding in joint.in_the_way:
            yield f"  {finding.limit} ({finding.status.value}): {finding.advice or finding.detail}"
        yield ""
        return
    heading = joint.joint if joint.held else f"{joint.joint} (does not hold as the file is)"
    yield f"{heading:<40}{'now':>14}{'advised':>14}  a step beyond breaks"
    for number in joint.numbers:
        now, value = number.number.text(number.number.now), number.number.text(number.value)
        yield f"  {number.number.key:<38}{now:>14}{value if number.changed else '=':>14}  {_binds(number)}"
    yield ""


def _binds(number: NumberAdvice) -> str:
    breach, unit = number.breach, number.number
    if breach is None:
        return "not searched: together the values found broke a limit, see below"
    if breach.of_format:
        return f"{_FREE} below what the file may hold ({breach.rule})"
    if breach.finding is None:
        return breach.rule
    finding = breach.finding
    words = f"{finding.limit}{'' if finding.joint else ' of the machine'}"
    if finding.worst is None or finding.bound is None:
        return f"{words}: {finding.status.value} at {unit.text(number.beyond)}"
    allowed = "at least" if finding.at_least else "allowed"
    spare = "" if number.margin is None else f"; margin here {_digits(number.margin)}, there {_digits(finding.margin)}"
    return (
        f"{words}: {_digits(finding.worst)} {finding.unit}, {allowed} {_digits(finding.bound)}, at "
        f"{unit.text(number.beyond)}{spare}"
    )


def _digits(value: float | None) -> str:
    return "-" if value is None else f"{value:.5g}"


def _together_lines(found: Advice) -> Iterator[str]:
    for finding in found.drawn_back:
        yield (
            f"Found apart, the values broke {finding.limit} of {finding.joint or 'the machine'} together; less of each "
            "was taken, and which limit stops which number is not known:"
        )
        yield f"  {finding.detail}"
    for finding in found.bad_now:
        words = f"{finding.limit} of the machine is {finding.status.value}"
        yield f"As the file is, {words}; no number here was allowed to make it worse"
    for finding in _bad(found):
        yield f"With these values {finding.limit} of {finding.joint or 'the machine'} is {finding.status.value}:"
        yield f"  {finding.advice or finding.detail}"
    if found.drawn_back or found.bad_now or _bad(found):
        yield ""


def _bad(found: Advice) -> list[Finding]:
    return [one for one in found.check.findings if one.status.value in ("violated", "not shown")]


def _last_line(name: str, found: Advice, asked: bool, done: bool) -> str:
    raised = f"raise machine.revision (now {found.revision}) before the table goes to the machine"
    if not found.may_be_written:
        nothing = "Nothing was written: " if asked else ""
        return f"{nothing}the profile does not hold with these values. Mend what is named above first."
    if not found.changes:
        return "Every number is already where the check stops it; nothing to change."
    if done:
        return f"Written to {name}. Next: {raised}, then mapper check {name}."
    return f"To put these into the file: mapper advise {name} --write, or change the lines above; {raised}."


def _document(name: str, found: Advice, written: bool) -> dict[str, object]:
    return {
        "profile": name,
        "result": found.check.result,
        "holds": found.may_be_written,
        "written": written,
        "revision": found.revision,
        "tries": found.tries,
        "rounds": found.rounds,
        "order": ["speeds", "ramps", "travel"],
        "joints": [
            {
                "joint": joint.joint,
                "held": joint.held,
                "possible": bool(joint.numbers),
                "tries": joint.tries,
                "numbers": [_number_document(number) for number in joint.numbers],
                "in_the_way": [_finding_document(finding) for finding in joint.in_the_way],
            }
            for joint in found.joints
        ],
        "drawn_back": [_finding_document(finding) for finding in found.drawn_back],
        "not_holding": [_finding_document(finding) for finding in _bad(found)],
        "changes": [{"line": one.line, "before": one.before, "after": one.after} for one in found.changes],
    }


def _number_document(number: NumberAdvice) -> dict[str, object]:
    breach = number.breach
    return {
        "key": ".".join(str(part) for part in number.number.path),
        "now": number.number.text(number.number.now),
        "advised": number.number.text(number.value),
        "beyond": number.number.text(number.beyond),
        "binds": None if breach is None or breach.finding is None else _finding_document(breach.finding),
        "margin": number.margin,
        "rule": "" if breach is None else breach.rule,
        "free": breach is not None and breach.of_format,
    }


def _finding_document(finding: Finding) -> dict[str, object]:
    return {
        "limit": finding.limit,
        "joint": finding.joint,
        "status": finding.status.value,
        "worst": finding.worst,
        "bound": finding.bound,
        "unit": finding.unit,
        "margin": finding.margin,
        "bound_is": "least" if finding.at_least else "most",
        "advice": finding.advice,
    }
