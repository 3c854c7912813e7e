"""The JSON Schema of the profile format, and what the reader looks up in it.

`schema.json` beside this file is the one description of the format: editors complete from it, the reader checks with
it and takes from its `x-` notes which dimension and which bounds a quantity has. It is part of the package, so that
reading it is no look at the user's files.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from mapper.profile.quantity import DIMENSIONS, Dimension

Node = Mapping[str, Any]
Data = Any
"""A value of a file, of any kind, as tomllib or `values.convert` returns it."""


def schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of a profile; a fresh copy."""
    return copy.deepcopy(_loaded())


@cache
def _loaded() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(files("mapper.profile").joinpath("schema.json").read_text(encoding="utf-8"))
    return loaded


def root() -> Node:
    """The schema itself, not to be changed."""
    return _loaded()


def resolve(node: Node) -> Node:
    """`node` with its `$ref` followed; what stands beside the reference (description, bounds) wins."""
    reference = node.get("$ref")
    if reference is None:
        return node
    target = _loaded()["$defs"][str(reference).removeprefix("#/$defs/")]
    return {**resolve(target), **{key: value for key, value in node.items() if key != "$ref"}}


def for_value(node: Node, value: object) -> Node:
    """`node` resolved, with those of its `allOf: if / then` branches merged in whose constant `value` carries."""
    merged = dict(resolve(node))
    for branch in merged.get("allOf", ()):
        (key, wanted), *_ = branch["if"]["properties"].items()
        if isinstance(value, Mapping) and value.get(key) == wanted["const"]:
            then = resolve(branch["then"])
            merged["properties"] = {**merged.get("properties", {}), **then.get("properties", {})}
            merged["required"] = [*merged.get("required", ()), *then.get("required", ())]
    return merged


def matches(pattern: str | None, text: str) -> bool:
    """Whether `text` has what a `pattern` of the schema asks for, read as ECMA 262 does: "$" is the very end."""
    return pattern is None or (re.search(pattern, text) is not None and not text.endswith("\n"))


def dimension_of(node: Node) -> Dimension | None:
    """The dimension of a quantity's node, None for anything else."""
    name = resolve(node).get("x-quantity")
    return None if name is None else DIMENSIONS[name]


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of the format, for a table to read. In `table`, NAME stands for a name of the builder's own."""

    table: str  # "joints.NAME.limits"; empty at the top of the file; "[]" after an array of tables
    name: str
    condition: str  # "control = follow"; empty where the key is always known
    needed: bool
    takes: str  # the units, words or kind of value
    bounds: str
    meaning: str


def format_keys() -> Iterator[Key]:
    """Every key of the format, table by table in the order of the schema; a table's own keys come together."""
    yield from _keys_of(root(), "", "")


def _keys_of(node: Node, table: str, condition: str) -> Iterator[Key]:
    node = resolve(node)
    needed = set(node.get("required", ()))
    children = {name: resolve(child) for name, child in node.get("properties", {}).items()}
    below = [(child, f"{table}.{name}" if table else name) for name, child in children.items()]
    named = node.get("additionalProperties")
    if isinstance(named, Mapping):
        child = resolve(named)
        if child["type"] == "object":
            below.append((child, f"{table}.NAME"))
        else:
            children["NAME"] = child
            needed.add("NAME")
    for name, child in children.items():
        yield Key(
            table=table, name=name, condition=condition, needed=name in needed, takes=takes(child),
            bounds=bounds(child), meaning=str(child.get("description", "")),
        )  # fmt: skip
    if "items" in node:
        below.append((node["items"], f"{table}[]"))
    for child, path in below:
        yield from _keys_of(child, path, condition)
    for branch in node.get("allOf", ()):
        (key, wanted), *_ = branch["if"]["properties"].items()
        for found in _keys_of(branch["then"], table, f"{key} = {wanted['const']}"):
            if not (found.table == table and found.name in children):
                yield found


def takes(node: Node) -> str:
    """What a key takes, in few words: its units, its words, or the kind of its value."""
    node = resolve(node)
    dimension = dimension_of(node)
    if dimension is not None:
        return ", ".join(dimension.units)
    if "enum" in node:
        return " | ".join(node["enum"])
    if "const" in node:
        return str(node["const"])
    words = {
        "integer": "whole number", "number": "number", "boolean": "true | false", "string": "text",
        "object": "table", "array": "array of tables",
    }  # fmt: skip
    return words[node["type"]]


def bounds(node: Node) -> str:
    """The bounds of a key's value, or of an array's length, in few words; empty without any."""
    node = resolve(node)
    parts = []
    lowest = node.get("x-lowest", node.get("minimum"))
    highest = node.get("x-highest", node.get("maximum"))
    if "x-above" in node or "exclusiveMinimum" in node:
        parts.append(f"above {node.get('x-above', node.get('exclusiveMinimum'))}")
    if lowest is not None and highest is not None:
        parts.append(f"{lowest} to {highest}")
    elif lowest is not None:
        parts.append(f"at least {lowest}")
    elif highest is not None:
        parts.append(f"at most {highest}")
    if node.get("type") == "array":
        parts.append(f"{node.get('minItems', 0)} to {node['maxItems']} of them")
    return ", ".join(parts)
