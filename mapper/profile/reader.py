"""Reads a profile: bytes to `Profile`, or every problem at once.

The steps, each on what the one before has accepted: size, UTF-8, TOML (syntax), nesting; then, all reported together:
numbers that are none, the schema, quantities, and the checks between items (`cross`). Whatever the bytes are, the
result is a `Profile` or a `ProfileError`, in bounded time.
"""

from __future__ import annotations

import hashlib
from typing import Any

from mapper.profile import layout
from mapper.profile.build import build
from mapper.profile.cross import check_between_items
from mapper.profile.messages import ProfileError, Report
from mapper.profile.positions import scan
from mapper.profile.profile import Profile
from mapper.profile.structure import check_structure
from mapper.profile.syntax import parse_toml
from mapper.profile.values import convert, without_bad_numbers


def read_profile(text: bytes, file_name: str) -> Profile:
    """Reads a profile.

    Args:
        text: the bytes of a profile file, at most 1 MiB of UTF-8.
        file_name: put in front of every message, as it is.
    Returns:
        A well-formed profile: schema, ranges and cross references hold. Its limits have not been checked yet.
    Raises:
        ProfileError: with all problems, in file order.
    """
    source, data = parse_toml(text, file_name)
    report = Report(file_name, scan(source))
    clean: dict[str, Any] = without_bad_numbers(data, (), report)
    check_structure(clean, report)
    values = convert(clean, layout.root(), (), report)
    check_between_items(clean, values, report)
    if report.messages:
        raise ProfileError(report.messages)
    return build(values, file_name=file_name, digest=hashlib.sha256(text).digest())
