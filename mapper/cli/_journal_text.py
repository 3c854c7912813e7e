"""An upload on record in the words of a person. Values are taken as found: a journal may be of any version."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from mapper.link.journal import Entry

_LONG = 200
"""Characters of a reason in the list."""
_CONFIRMED = {
    "asked": "confirmed by a person who was shown them",
    "--yes": "taken as confirmed by --yes, nobody was asked",
    "declined": "declined by a person who was shown them",
    "stopped at the question": "shown, and the question was stopped instead of answered",
    "nobody": "confirmed by nobody: it did not come to that",
}
_TOLD_ELSEWHERE = {
    "when",
    "who",
    "digest",
    "bytes",
    "layout",
    "revision",
    "machine_id",
    "profile",
    "profile_sha256",
    "checked",
    "law",
    "tool",
    "protocol",
    "not_examined",
    "waivers",
    "warnings",
    "port",
    "controller",
    "confirmed",
    "in_use",
    "sequence",
    "error",
}


def upload_lines(entry: Entry) -> list[str]:
    """One upload, three lines: what, whether it was checked and confirmed, how it ended."""
    values = entry.values
    return [
        f"{entry.line:>3}  {when(values)}  by {_plain(values, 'who')}: table {_plain(values, 'digest')}, "
        f"revision {_plain(values, 'revision')}, upload number {_upload_number(values)}",
        f"     checked: {_checked(values)}; the values were {_confirmed(values)}",
        f"     {_shortened(ending(values), entry.line)}",
    ]


def _shortened(text: str, line: int) -> str:
    return text if len(text) <= _LONG else f"{text[:_LONG]} ... (all of it: --entry {line})"


def entry_lines(entry: Entry) -> list[str]:
    """Everything that is on record of one upload."""
    values = entry.values
    rows = [
        ("when", when(values)),
        ("who", _plain(values, "who")),
        ("table", f"{_plain(values, 'digest')}, {_plain(values, 'bytes')} bytes, layout {_plain(values, 'layout')}"),
        ("machine", f"{_plain(values, 'machine_id')}, revision {_plain(values, 'revision')}"),
        ("profile", f"{_plain(values, 'profile')}, SHA-256 {_plain(values, 'profile_sha256')}"),
        ("checked", f"{_checked(values)}; through the law {_plain(values, 'law')}"),
        ("not examined", ", ".join(map(shown, _sequence(values, "not_examined"))) or "nothing is named"),
        *(("waived", _waiver(waiver)) for waiver in _sequence(values, "waivers")),
        *(("warned", shown(warning)) for warning in _sequence(values, "warnings")),
        ("tool", f"{_plain(values, 'tool')}, link protocol {_plain(values, 'protocol')}"),
        ("port", _plain(values, "port")),
        ("controller", _controller(values)),
        ("values", f"{_confirmed(values)}"),
        ("upload number", _upload_number(values)),
        ("ended", ending(values)),
        *((f"{shown(key)}", shown(values[key])) for key in sorted(values) if key not in _TOLD_ELSEWHERE),
    ]
    width = max(len(name) for name, _ in rows)
    return [f"  {name.ljust(width)}  {text}" for name, text in rows]


def short(entry: Entry) -> str:
    """Which table, by whom, when; for a sentence."""
    values = entry.values
    return (
        f"table {_plain(values, 'digest')}, revision {_plain(values, 'revision')}, upload number "
        f"{_upload_number(values)}, by {_plain(values, 'who')} on {when(values)} (entry {entry.line})"
    )


def when(values: dict[str, Any]) -> str:
    """Date, time and zone with a blank between, as far as it is written as the tool writes it."""
    text = _plain(values, "when")
    date, separator, time = text.partition("T")
    return f"{date} {time.removesuffix('+00:00')} UTC" if separator and time.endswith("+00:00") else text


def ending(values: dict[str, Any]) -> str:
    """In use, or why not."""
    if values.get("in_use") is True:
        return "put into use"
    return f"not put into use: {_plain(values, 'error') if values.get('error') else 'no reason is on record'}"


def shown(value: object) -> str:
    """Any value on one line, without what would steer a terminal."""
    import json

    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
    lines = (line.strip() for line in text.splitlines())
    whole = " / ".join(line for line in lines if line)
    return "".join(character if character.isprintable() else "?" for character in whole)


def _plain(values: dict[str, Any], key: str) -> str:
    return shown(values[key]) if values.get(key) is not None else "not on record"


def _sequence(values: dict[str, Any], key: str) -> Iterator[object]:
    found = values.get(key)
    return iter(found if isinstance(found, list) else [] if found is None else [found])


def _upload_number(values: dict[str, Any]) -> str:
    return "none" if values.get("sequence") is None else shown(values["sequence"])


def _checked(values: dict[str, Any]) -> str:
    checked = values.get("checked")
    if not isinstance(checked, dict):
        return _plain(values, "checked")
    limits = checked.get("limits")
    counts = ", ".join(f"{shown(limits[name])} {shown(name)}" for name in limits) if isinstance(limits, dict) else ""
    return f"{_plain(checked, 'result')}{f' ({counts})' if counts else ''}"


def _confirmed(values: dict[str, Any]) -> str:
    found = values.get("confirmed")
    return _CONFIRMED.get(found, shown(found)) if isinstance(found, str) else "not on record as confirmed"


def _waiver(waiver: object) -> str:
    if not isinstance(waiver, dict):
        return shown(waiver)
    unused = ", which waives nothing" if waiver.get("used") is False else ""
    return f"{_plain(waiver, 'limit')} of {shown(waiver.get('joint') or 'the machine')}: " + (
        f"{_plain(waiver, 'reason')}{unused}"
    )


def _controller(values: dict[str, Any]) -> str:
    """Who it said it was before anything was sent."""
    found = values.get("controller")
    if not isinstance(found, dict):
        return "none was asked" if found is None else shown(found)
    before = (
        f"table {shown(found['digest'])}, revision {_plain(found, 'revision')}, upload number {_upload_number(found)}"
        if found.get("digest")
        else "no table"
    )
    reason = f" ({shown(found['not_taken'])})" if found.get("not_taken") else ""
    return (
        f"machine {_plain(found, 'machine_id')}, firmware {_plain(found, 'firmware')}, in state "
        f"{_plain(found, 'state')}, with {before}{reason} before"
    )
