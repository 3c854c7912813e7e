"""The schema as it ships: valid, closed, explained, and saying the same as the parser of quantities."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator

import jsonschema
import pytest

from mapper.profile import layout, schema
from mapper.profile.positions import Path
from mapper.profile.quantity import DIMENSIONS, parse, pattern


def nodes(node: object, path: Path = ()) -> Iterator[tuple[Path, dict]]:
    """Every schema object below `node`, with where it is."""
    if isinstance(node, dict):
        if path and path[-1] not in ("properties", "$defs", "if", "examples"):
            yield path, node
        for key, child in node.items():
            if key not in ("examples", "if"):
                yield from nodes(child, (*path, key))
    elif isinstance(node, list):
        for index, child in enumerate(node):
            yield from nodes(child, (*path, index))


def keys() -> Iterator[tuple[Path, dict]]:
    """Every node that describes a key of the format."""
    for path, node in nodes(schema()):
        if path[-2:-1] == ("properties",) and "then" not in path:
            yield path, node


def test_the_schema_is_valid_json_schema_2020_12() -> None:
    assert schema()["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema())


def test_every_table_is_closed_or_takes_names_of_one_kind() -> None:
    tables = [(path, node) for path, node in nodes(schema()) if node.get("type") == "object" and "properties" in node]
    # A drive's keys depend on its kind: the three definitions close it, the chooser cannot.
    open_ones = [path for path, node in tables if node.get("additionalProperties") is not False]

    assert len(tables) > 30
    assert open_ones == [("$defs", "joint", "properties", "drive")]


def test_every_key_is_described_in_sentences() -> None:
    described = list(keys())

    assert len(described) > 120
    for path, node in described:
        text = layout.resolve(node).get("description", "")
        assert text.endswith("."), path
        assert ";" not in text.split(". ")[0], path  # its first sentence goes into messages


def test_that_pressures_are_gauge_pressures_is_said_where_it_matters() -> None:
    assert "gauge" in schema()["description"]
    assert "gauge" in schema()["$defs"]["pressure"]["description"]


@pytest.mark.parametrize("name", sorted(DIMENSIONS))
def test_a_quantity_has_the_pattern_of_its_parser(name: str) -> None:
    node = schema()["$defs"][name]

    assert node["x-quantity"] == name
    assert node["pattern"] == pattern(DIMENSIONS[name])
    assert node["maxLength"] == 32


def test_every_example_is_allowed_where_it_stands() -> None:
    count = 0
    for path, node in nodes(schema()):
        for example in node.get("examples", ()):
            whole = {**node, "$defs": schema()["$defs"]}
            errors = list(jsonschema.Draft202012Validator(whole).iter_errors(example))
            assert errors == [], (path, example)
            count += 1

    assert count > 100


def test_every_bound_of_a_quantity_can_be_read_and_its_example_is_inside() -> None:
    count = 0
    for path, node in keys():
        full = layout.resolve(node)
        dimension = layout.dimension_of(node)
        if dimension is None:
            continue
        bounds = {key: parse(full[key], dimension) for key in ("x-above", "x-lowest", "x-highest") if key in full}
        example = parse(full["examples"][0], dimension)
        assert "x-highest" in bounds, path
        assert ("x-above" in bounds) != ("x-lowest" in bounds), path
        assert bounds.get("x-above", example - 1) < example <= bounds["x-highest"], path
        assert example >= bounds.get("x-lowest", example), path
        count += 1

    assert count > 70


def test_the_schema_that_is_handed_out_can_be_changed_without_harm() -> None:
    mine = schema()
    mine["properties"].clear()

    assert schema()["properties"]


def test_the_key_table_has_every_key_once_and_with_its_meaning() -> None:
    rows = list(layout.format_keys())
    places = [(row.table, row.name, row.condition) for row in rows]

    assert len(places) == len(set(places))
    assert all(row.meaning for row in rows)
    assert ("joints.NAME.drive", "bore", "kind = cylinder") in places
    assert ("joints.NAME.operator", "deadband", "control = speed") in places
    assert ("joints.NAME.operator.tracks[]", "input", "control = follow") in places
    assert ("controller.inputs", "NAME", "") in places


def test_importing_the_profile_package_does_not_load_the_validator() -> None:
    """jsonschema takes as long to import as everything else together; `mapper --help` must not pay for it."""
    code = "import sys, mapper.profile; print('jsonschema' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)

    assert done.stdout.strip() == "False"


def test_the_file_is_one_json_document_in_ascii_or_utf8() -> None:
    assert json.loads(json.dumps(schema())) == schema()
