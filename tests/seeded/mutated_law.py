"""A pytest plugin: the tests run with the library that $LAW_LIBRARY names instead of the law that was built."""

from __future__ import annotations

import os
from pathlib import Path

import mapper.law.core as binding


def pytest_configure() -> None:
    """Before any test module asks for the core."""
    binding._LIBRARY = Path(os.environ["LAW_LIBRARY"])  # type: ignore[misc]
    binding._BUILD = binding._LIBRARY / "none"  # type: ignore[misc]  # no digest to compare with
