"""A search over the test stand, made once for every test that looks at it."""

from __future__ import annotations

import functools

from check_case import STAND, text_of

from mapper.advise import Advice, advise, run_task

NAME = "stand.toml"


def here(tasks):
    """Runs the searches in this process."""
    return map(run_task, tasks)


@functools.cache
def stand_advice() -> Advice:
    return advise(text_of(STAND).encode(), NAME, ("lever",), never_above=False, run=here)
