"""The control law: the C core of `firmware_stub/core`, called through a compiled binding."""

from mapper.law.core import Core, CoreError, LawState, LiveTable, TableRefused, load_core
from mapper.law.words import CAUSES, FLAGS, INPUT_BITS, STATES, WAITS, waits_text

__all__ = [
    "CAUSES",
    "FLAGS",
    "INPUT_BITS",
    "STATES",
    "WAITS",
    "Core",
    "CoreError",
    "LawState",
    "LiveTable",
    "TableRefused",
    "load_core",
    "waits_text",
]
