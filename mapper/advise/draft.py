"""A profile file with some of its quantities written differently: read by the reader's own rules, without its syntax.

A search tries hundreds of values. Syntax and schema of the file stay as they are, so they are read once; what a value
may be, and what goes together with it, is asked anew for each.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from mapper.profile import layout, read_profile
from mapper.profile.build import build
from mapper.profile.cross import check_between_items
from mapper.profile.messages import Report
from mapper.profile.positions import Path, scan
from mapper.profile.profile import Profile
from mapper.profile.syntax import parse_toml
from mapper.profile.values import convert, without_bad_numbers

Texts = Mapping[Path, str]
"""Path of a quantity -> how it is written, for example "27.3 deg/s"."""


class Draft:
    """A file that has been read without a problem."""

    def __init__(self, data: bytes, file_name: str) -> None:
        """Raises ProfileError as `read_profile` does."""
        self.profile_now: Profile = read_profile(data, file_name)
        self._file_name = file_name
        self._digest = hashlib.sha256(data).digest()
        source, loaded = parse_toml(data, file_name)
        self._positions = scan(source)
        report = Report(file_name, self._positions)
        self._clean: dict[str, Any] = without_bad_numbers(loaded, (), report)
        self._values: dict[str, Any] = convert(self._clean, layout.root(), (), report)

    def text(self, path: Path) -> str | None:
        """The quantity at `path` as the file has it; None where it has none."""
        found: Any = self._clean
        for part in path:
            if not isinstance(found, dict) or part not in found:
                return None
            found = found[part]
        return found if isinstance(found, str) else None

    def line(self, path: Path) -> int:
        return self._positions.of_value(path)[0]

    def node(self, path: Path) -> layout.Node:
        """The schema of what stands at `path`."""
        node: layout.Node = layout.root()
        data: Any = self._clean
        for part in path:
            node, data = layout.for_value(node, data), data[part]
            node = node.get("properties", {}).get(part, node.get("additionalProperties"))
        return layout.for_value(node, data)

    def profile(self, texts: Texts) -> Profile | str:
        """The profile with these quantities in place of the file's; what the reader says where it refuses them.

        The digest stays the file's: it says of which file a table was made, and this one is never sent.
        """
        report = Report(self._file_name, self._positions)
        clean, values = self._clean, self._values
        for path, text in texts.items():
            clean = _with(clean, path, text)
            values = _with(values, path, convert(text, self.node(path), path, report))
        if not report.messages:
            check_between_items(clean, values, report)
        if report.messages:
            first = report.messages[0]
            return f"{first.item}: {first.found}; {first.allowed}"
        return build(values, file_name=self._file_name, digest=self._digest)


def _with(tree: dict[str, Any], path: Path, value: str | Fraction | None) -> dict[str, Any]:
    """A copy of `tree` with another value at `path`; what does not change is shared."""
    head, *rest = path
    assert isinstance(head, str), "the quantities that are searched stand in tables, not in arrays"
    return {**tree, head: _with(tree[head], tuple(rest), value) if rest else value}
