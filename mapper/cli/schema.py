"""`mapper schema`: the JSON Schema of a profile, or a table of its keys to read."""

from __future__ import annotations

import json
import shutil
import textwrap
from itertools import groupby

import click

from mapper.profile import layout, schema

_NAME_WIDTH, _TAKES_WIDTH, _WIDTH_LEAST = 20, 26, 80


@click.command("schema")
@click.option("--keys", is_flag=True, help="A table of all keys with their units, bounds and meaning instead.")
def command(keys: bool) -> None:
    """Print the JSON Schema (2020-12) of a profile.

    Editors that know TOML complete and check a profile whose first line is `#:schema PATH/schema.json`.
    """
    if keys:
        click.echo(_key_table(max(_WIDTH_LEAST, shutil.get_terminal_size((118, 24)).columns)))
    else:
        click.echo(json.dumps(schema(), indent=2))


def _key_table(width: int) -> str:
    lines = ["Keys of a profile. * must be there. NAME is a name of your own. All pressures are gauge pressures."]
    for (table, condition), group in groupby(layout.format_keys(), key=lambda key: (key.table, key.condition)):
        lines += ["", _header(table) + (f"   when {condition}" if condition else "")]
        for key in group:
            bounds = f" ({key.bounds})" if key.bounds else ""
            lines += _row("* " if key.needed else "  ", key.name, key.takes, key.meaning + bounds, width)
    return "\n".join(lines)


def _header(table: str) -> str:
    if not table:
        return "At the top of the file"
    return f"[[{table.removesuffix('[]')}]]" if table.endswith("[]") else f"[{table}]"


def _row(mark: str, name: str, takes: str, meaning: str, width: int) -> list[str]:
    left = textwrap.wrap(takes, _TAKES_WIDTH) or [""]
    right = textwrap.wrap(meaning, width - _NAME_WIDTH - _TAKES_WIDTH - 6) or [""]
    rows = []
    for number in range(max(len(left), len(right))):
        cells = (
            mark + name if number == 0 else "",
            left[number] if number < len(left) else "",
            right[number] if number < len(right) else "",
        )
        rows.append(f"{cells[0]:<{_NAME_WIDTH + 2}}  {cells[1]:<{_TAKES_WIDTH}}  {cells[2]}".rstrip())
    return rows
