"""The commands under tests/ as modules. All of them are called `main`, so each gets a name of its own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

_TESTS = Path(__file__).resolve().parents[1]


def load_command(folder: str) -> ModuleType:
    """tests/<folder>/main.py, loaded once. Raises FileNotFoundError when there is none."""
    name = f"{folder}_command"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, _TESTS / folder / "main.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]
