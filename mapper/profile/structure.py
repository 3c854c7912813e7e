"""What JSON Schema finds wrong, in our own words: unknown and missing keys, wrong kinds of value, counts and names.

jsonschema does the checking; its texts are not shown, since they print data and schema instead of saying what to do.
What a quantity's text says is left to `values`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from functools import cache
from itertools import islice
from typing import TYPE_CHECKING, Any

from mapper.profile import layout
from mapper.profile.messages import Report, key_text, listing, looks_misspelt, nearest
from mapper.profile.positions import Path
from mapper.profile.quantity import remedy_for, shown
from mapper.profile.readings import decimal_text
from mapper.profile.values import BadNumber

if TYPE_CHECKING:
    from jsonschema.exceptions import ValidationError
    from jsonschema.protocols import Validator

_ERRORS_MAX = 2000
_UNKNOWN_MAX = 100
_HEADED_ARRAYS = ("tracks", "waivers", "coupled_stops", "keep_out")


def check_structure(data: Mapping[str, Any], report: Report) -> None:
    """Reports everything in `data` (from tomllib, bad numbers replaced) that the schema does not allow."""
    for error in islice(_validator().iter_errors(data), _ERRORS_MAX):
        node, value = error.schema, error.instance
        if isinstance(value, BadNumber) or not isinstance(node, Mapping):
            continue
        explain = _EXPLAIN.get(str(error.validator))
        path: Path = tuple(error.absolute_path)
        if "propertyNames" in error.absolute_schema_path:
            _bad_name(value, path, report)
        elif explain is not None:
            explain(node, value, path, report)
        else:  # A new keyword in the schema: better a plain message than none.
            report.at(path, found="not as the schema has it", allowed=_meaning(node), remedy="see `mapper schema`")


@cache
def _validator() -> Validator:
    # Here and not at the top: it takes longer to import than the rest of a `--help`.
    from jsonschema import Draft202012Validator, ValidationError
    from jsonschema.validators import extend

    def pattern(validator: Validator, wanted: str, instance: object, _: object) -> Iterator[ValidationError]:
        if isinstance(instance, str) and not layout.matches(wanted, instance):
            yield ValidationError("does not match")

    made: Validator = extend(Draft202012Validator, {"pattern": pattern})(layout.root())  # type: ignore[no-untyped-call]
    return made


def _meaning(node: layout.Node) -> str:
    return _sentence(str(node.get("description", "see `mapper schema`")))


def _sentence(description: str) -> str:
    """The first sentence, without its point, so that it fits between semicolons."""
    return re.split(r"\. |\.$", description, maxsplit=1)[0].replace(";", ",")


def _table_name(path: Path) -> str:
    """How the table at `path` is headed in the file."""
    names = [part for part in path if isinstance(part, str)]
    header = ".".join(key_text(name) for name in names)
    if not names:
        return "the file"
    if isinstance(path[-1], int):
        return f"[[{header}]]" if names[-1] in _HEADED_ARRAYS else f"each item of {names[-1]}"
    return f"[{header}]"


def _unknown(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    known = list(node.get("properties", {}))
    elsewhere = node.get("x-elsewhere", {})
    for key in islice((key for key in value if key not in known), _UNKNOWN_MAX):
        free = [name for name in known if name not in value]
        near = nearest(key, free) or nearest(key, known)
        homes = _homes().get(key, ())
        if key in elsewhere:
            remedy = f"remove it: {elsewhere[key]}"
        elif near:
            remedy = f'did you mean "{near}"?'
        elif homes:
            remedy = f"remove it, or move it to {listing(homes[:3])}, where a key of this name belongs"
        else:
            remedy = "remove it, or put # before it"
        report.at(
            (*path, key), key=True, found="not a key of this format",
            allowed=f"{_table_name(path)} has {listing(known, 'and')}", remedy=remedy,
        )  # fmt: skip


@cache
def _homes() -> dict[str, tuple[str, ...]]:
    """For every key of the format the tables that have it."""
    homes: dict[str, tuple[str, ...]] = {}
    for key in layout.format_keys():
        header = f"[{key.table}]" if key.table else "the top of the file"
        if "[]" not in key.table and header not in homes.get(key.name, ()):
            homes[key.name] = (*homes.get(key.name, ()), header)
    return homes


def _missing(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    unknown = [name for name in value if name not in node.get("properties", {})]
    for key in node["required"]:
        # jsonschema reports every missing key by itself; what is said twice is dropped by `ProfileError`.
        misspelt = next((name for name in unknown[:_UNKNOWN_MAX] if looks_misspelt(key, [name])), None)
        # In a closed table the misspelt key is reported as unknown; nobody else would speak of it in an open one.
        if key in value or (misspelt is not None and node.get("additionalProperties") is False):
            continue
        child = layout.resolve(node.get("properties", {}).get(key, {}))
        report.at(
            path, key=True, found=f'key "{key}" is missing',
            allowed=f"{_table_name(path)} needs it ({_sentence(str(child.get('description', 'see `mapper schema`')))})",
            remedy=f"write {key} instead of {key_text(misspelt)}" if misspelt else f"add {_example(key, child, path)}",
        )  # fmt: skip


def _example(key: str, child: layout.Node, path: Path) -> str:
    """A line, or the header of a table, that would fill the gap."""
    if child.get("examples"):
        return f"for example: {key} = {_toml(child['examples'][0])}"
    header = _table_name((*path, key))
    return f"the tables [{header}]" if child.get("type") == "array" else f"the table {header}"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} = {_toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return str(value)


def _kind(value: object) -> str:
    """What kind of thing a value is, for "found"."""
    if isinstance(value, bool):
        return f"the word {str(value).lower()}"
    if isinstance(value, int):
        return f"the bare number {value}"
    if isinstance(value, Fraction):
        return f"the bare number {float(value)}"
    if isinstance(value, str):
        return f"the text {shown(value)}"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return "an array"
    return "a date or time"  # the one other kind of value that TOML has


def _wrong_type(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    found = _kind(value)
    dimension = layout.dimension_of(node)
    if dimension is not None:
        allowed = f"{dimension.noun} is text with a unit: {dimension.unit_list()}"
        remedy = f"write for example {_toml(node['examples'][0])}"
        if isinstance(value, (int, Fraction)) and not isinstance(value, bool):
            found += " without a unit"
            remedy = remedy_for(decimal_text(value), dimension, node["examples"][0])
        report.at(path, found=found, allowed=allowed, remedy=remedy)
        return
    wanted = {
        "integer": "a whole number", "number": "a number without a unit and without quotes", "boolean": "true or false",
        "string": "text in quotes", "object": "a table", "array": "an array",
    }[str(node["type"])]  # fmt: skip
    remedy = "correct the value"
    if node.get("examples"):
        remedy = f"write for example {key_text(str(path[-1]))} = {_toml(node['examples'][0])}"
    elif node["type"] == "object" and path:
        remedy = f"write a table {_table_name(path)}"
    elif node["type"] == "array":
        remedy = f"write tables [{_table_name(path)}]"
    report.at(path, found=found, allowed=f"here stands {wanted}", remedy=remedy)


def _wrong_word(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    words = [f'"{word}"' for word in node["enum"]]
    if not isinstance(value, str):
        return  # The wrong type has been reported.
    near = nearest(value, node["enum"])
    remedy = f'did you mean "{near}"?' if near else "choose one of them"
    report.at(path, found=f"the text {shown(value)}", allowed=f"here stands {listing(words)}", remedy=remedy)


def _wrong_constant(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    wanted = node["const"]
    found = _kind(value)
    report.at(
        path, found=found, allowed=f"this version reads {path[-1]} = {wanted}", remedy=f"write {path[-1]} = {wanted}"
    )


def _out_of_range(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    allowed = f"{path[-1]} is {layout.bounds(node)}"
    report.at(path, found=f"{_kind(value)} is out of range", allowed=allowed, remedy="correct the value")


def _wrong_count(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    count = len(value)
    low, high = (node.get(a, node.get(b)) for a, b in (("minItems", "minProperties"), ("maxItems", "maxProperties")))
    allowed = f"{path[-1]} has {high if low == high else f'{low or 0} to {high}'} of them"
    remedy = "add what is missing" if low is not None and count < low else "remove what is too many"
    report.at(path, key=True, found=f"{count} item{'' if count == 1 else 's'}", allowed=allowed, remedy=remedy)


def _wrong_length(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    if layout.dimension_of(node) is not None:
        return  # `values` says it.
    allowed = f"{path[-1]} has {node.get('minLength', 0)} to {node.get('maxLength')} characters"
    report.at(path, found=f"a text of {len(value)} characters", allowed=allowed, remedy="correct the text")


def _wrong_pattern(node: layout.Node, value: layout.Data, path: Path, report: Report) -> None:
    if layout.dimension_of(node) is not None:
        return  # `values` says it.
    example = node["examples"][0]
    allowed = _NAME_RULE if node["pattern"] == _NAME_PATTERN else _meaning(node)
    report.at(path, found=f"the text {shown(value)}", allowed=allowed, remedy=f'write for example "{example}"')


_NAME_PATTERN = "^[a-z][a-z0-9_]{0,31}$"
_NAME_RULE = "a name is 1 to 32 small letters, digits or _, and begins with a letter"


def _bad_name(value: object, path: Path, report: Report) -> None:
    name = str(value)
    plain = re.sub(r"[^a-z0-9_]+", "_", name.lower()).strip("_")[:32].lstrip("0123456789_")
    remedy = f'write for example "{plain}"' if plain else "choose another name"
    report.at((*path, name), key=True, found=f"the name {shown(name)}", allowed=_NAME_RULE, remedy=remedy)


_EXPLAIN: dict[str, Callable[[layout.Node, layout.Data, Path, Report], None]] = {
    "additionalProperties": _unknown,
    "required": _missing,
    "type": _wrong_type,
    "enum": _wrong_word,
    "const": _wrong_constant,
    "pattern": _wrong_pattern,
    **dict.fromkeys(("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum"), _out_of_range),
    **dict.fromkeys(("minItems", "maxItems", "minProperties", "maxProperties"), _wrong_count),
    **dict.fromkeys(("minLength", "maxLength"), _wrong_length),
}
