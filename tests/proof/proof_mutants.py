"""Plants a mistake in a copy of the core and asks WP, which must then fail to prove a goal that it proves otherwise."""

from __future__ import annotations

import tomllib
from collections.abc import Collection
from pathlib import Path

import proof_sources
import proof_wp

MUTANTS: dict[str, dict[str, str]] = {
    one["function"]: one for one in tomllib.loads((Path(__file__).parent / "mutants.toml").read_text())["mutant"]
}
"""By the function in which the mistake is planted."""


def plant(mutant: dict[str, str], folder: Path) -> None:
    """Writes the core with one mistake into a folder."""
    for path in proof_sources.CORE.glob("*.[ch]"):
        text = path.read_text()
        if path.name == mutant["file"]:
            text = text.replace(mutant["before"], mutant["after"])
        (folder / path.name).write_text(text)


def noticed(
    mutant: dict[str, str], folder: Path, *, timeout: int, processes: int, excused: Collection[str]
) -> list[str]:
    """Goals that are not proved with the mistake planted and are not open without it."""
    plant(mutant, folder)
    goals = proof_wp.run(mutant["file"], mutant["function"], timeout=timeout, processes=processes, core=folder)
    return [goal.name for goal in goals if not goal.proved and goal.name not in excused]
