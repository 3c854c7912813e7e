"""`mapper schema`."""

from __future__ import annotations

import json

from click.testing import CliRunner

from mapper.cli.schema import command
from mapper.profile import schema


def test_it_prints_the_schema_and_nothing_else() -> None:
    result = CliRunner().invoke(command, [])

    assert result.exit_code == 0
    assert json.loads(result.output) == schema()


def test_keys_come_as_a_table_with_units_and_meaning() -> None:
    result = CliRunner().invoke(command, ["--keys"], env={"COLUMNS": "118"})
    lines = result.output.splitlines()

    assert result.exit_code == 0
    assert max(map(len, lines)) <= 118
    assert "[joints.NAME.drive]   when kind = cylinder" in lines
    assert "[[joints.NAME.position.tracks]]" in lines
    bore = next(line for line in lines if line.startswith("* bore"))
    assert "mm, cm, m, in, ft" in bore
    assert "Inner diameter of the barrel." in bore
    assert any(line.startswith("  gap") for line in lines)  # optional: no star
