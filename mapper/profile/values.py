"""From the data of tomllib to exact values: quantities become Fractions, guided by the schema.

1. What cannot be converted is None in the result and is reported, either here (quantities and numbers) or by
   `structure` (everything that JSON Schema sees), never by both.
2. The shape of the result is the shape of the data, so that a path means the same in both.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from mapper.profile import layout
from mapper.profile.messages import Report
from mapper.profile.positions import Path
from mapper.profile.quantity import DIMENSIONS, NUMBER_PATTERN, Dimension, QuantityError, parse, shown

_PLAIN_NUMBER = re.compile(NUMBER_PATTERN, re.ASCII)
_WHOLE_MAX = 2**63
_DIGITS_MAX = 32


class BadNumber:
    """A number of the file that is none for us: not finite, with an exponent, or too long. It equals nothing."""

    def __init__(self, text: str) -> None:
        self.text = text if len(text) <= 40 else text[:37] + "..."


def exact_float(text: str) -> Fraction | BadNumber:
    """For tomllib's `parse_float`: the exact value of a decimal number."""
    if len(text) <= _DIGITS_MAX and _PLAIN_NUMBER.fullmatch(text):
        return Fraction(text)
    return BadNumber(text)


def without_bad_numbers(data: layout.Data, path: Path, report: Report) -> layout.Data:
    """`data` (at most 24 levels deep) with every number that no machine can use reported and made a `BadNumber`."""
    if isinstance(data, dict):
        return {key: without_bad_numbers(value, (*path, key), report) for key, value in data.items()}
    if isinstance(data, list):
        return [without_bad_numbers(value, (*path, index), report) for index, value in enumerate(data)]
    if isinstance(data, int) and not isinstance(data, bool) and abs(data) >= _WHOLE_MAX:
        data = BadNumber(f"a number of {data.bit_length()} bits")
    if isinstance(data, BadNumber):
        report.at(
            path,
            found=f"{data.text} cannot be used",
            allowed=f"a number is finite, written out without an exponent, at most {_DIGITS_MAX} characters long",
            remedy="write the number that is meant",
        )
    return data


def convert(data: layout.Data, node: layout.Node, path: Path, report: Report) -> layout.Data:
    """The exact value of `data`, which stands at `path` and is described by the schema's `node`."""
    node = layout.for_value(node, data)
    if isinstance(data, BadNumber):
        return None
    dimension = layout.dimension_of(node)
    if dimension is not None:
        return _quantity(data, node, dimension, path, report)
    kind = node.get("type")
    if isinstance(data, dict):
        return _table(data, node, path, report) if kind == "object" else None
    if isinstance(data, list):
        items = node.get("items")
        if kind != "array" or items is None:
            return None
        return [convert(value, items, (*path, index), report) for index, value in enumerate(data)]
    return _plain(data, node, str(kind))


def _plain(data: layout.Data, node: layout.Node, kind: str) -> layout.Data:
    """A number, word or truth value; None where the schema does not allow it, so that nothing is built on it."""
    if isinstance(data, bool):
        return data if kind == "boolean" else None
    if isinstance(data, str):
        allowed = kind == "string" and data in node.get("enum", (data,)) and layout.matches(node.get("pattern"), data)
        return data if allowed or data == node.get("const") else None
    if not isinstance(data, (int, Fraction)) or (kind == "integer" and isinstance(data, Fraction)):
        return None
    if (
        data < node.get("minimum", data)
        or data > node.get("maximum", data)
        or node.get("exclusiveMinimum", data - 1) >= data
    ):
        return None
    return Fraction(data) if kind == "number" else data


def _table(data: Mapping[str, Any], node: layout.Node, path: Path, report: Report) -> dict[str, Any]:
    properties = node.get("properties", {})
    others = node.get("additionalProperties")
    result = {}
    names = node.get("propertyNames", {}).get("pattern")
    for key, value in data.items():
        if not layout.matches(names, key):
            continue
        child = properties.get(key, others if isinstance(others, Mapping) else None)
        if child is not None:
            result[key] = convert(value, child, (*path, key), report)
    return result


def _quantity(
    data: layout.Data, node: layout.Node, dimension: Dimension, path: Path, report: Report
) -> Fraction | None:
    if not isinstance(data, str):
        return None
    try:
        value = parse(data, dimension, example=node["examples"][0])
    except QuantityError as error:
        report.at(path, found=error.found, allowed=error.allowed, remedy=error.remedy)
        return None
    if _within(value, node, dimension):
        return value
    report.at(
        path,
        found=f"{shown(data)}{_in_unit_of_bound(value, data, node, dimension)} is out of range",
        allowed=f"{path[-1]} is {layout.bounds(node)}",
        remedy="correct the value or its unit",
    )
    return None


def _in_unit_of_bound(value: Fraction, text: str, node: layout.Node, dimension: Dimension) -> str:
    """` (500 mm)` for "50 cm" where the bounds are in mm: a slip of the unit is then easy to see."""
    nearer = ("x-highest", "x-lowest", "x-above") if value > 0 else ("x-lowest", "x-above", "x-highest")
    unit = next(node[key] for key in nearer if key in node).partition(" ")[2]
    if text.partition(" ")[2] == unit:
        return ""
    number = float(value / dimension.units[unit])
    return f" ({number:{'.6g' if abs(number) < 1_000_000 else '.0f'}} {unit})"


def _within(value: Fraction, node: layout.Node, dimension: Dimension) -> bool:
    above, lowest, highest = (
        None if key not in node else parse(node[key], DIMENSIONS[dimension.name])
        for key in ("x-above", "x-lowest", "x-highest")
    )
    return (
        (above is None or value > above)
        and (lowest is None or value >= lowest)
        and (highest is None or value <= highest)
    )
