"""The cut scenarios in Python can fail: a store that is broken on purpose, in its order of writes or in what it looks
at, is caught by them. What only rarer cuts catch is in test_scenarios.py.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest
import store_library
from flash_model import Cut, FlashRuleError
from store_library import CORE, SOURCES, Store, compile_store

_SPEC = importlib.util.spec_from_file_location("power_cuts", Path(__file__).with_name("test_store_power_cuts.py"))
cuts = importlib.util.module_from_spec(_SPEC)
sys.modules["power_cuts"] = cuts
_SPEC.loader.exec_module(cuts)

pytestmark = pytest.mark.deep

_COMMIT = "!program_mark(config, slot, &store->fresh, COMMIT_MAGIC)"
_SETTLE = "!program_settled(config, slot, &store->fresh)"

MUTANTS = {
    "overwrites the slot in use": ("store.c", "return 1u - slot_in_use(store);", "return slot_in_use(store);"),
    "takes the older of two": ("store.c", "return a > b ? STORE_0_NEWER", "return a < b ? STORE_0_NEWER"),
    "commits before the table is there": (
        "store.c",
        "    store->erase_next++;\n    return STORE_OK;\n}",
        "    store->erase_next++;\n    return program_mark(config, store->target, &store->fresh, COMMIT_MAGIC) &&\n"
        "                   program_mark(config, store->target, &store->fresh, SETTLED_MAGIC)\n"
        "               ? STORE_OK\n               : STORE_FAILED;\n}",
    ),
    "writes the settled record first": (
        "store.c",
        f"if ({_COMMIT} || {_SETTLE}) {{",
        f"if ({_SETTLE} || {_COMMIT}) {{",
    ),
    "does not count up": (
        "store.c",
        "newest_sequence(store) + 1u;",
        "newest_sequence(store) + (newest_sequence(store) == 0);",
    ),
    "does not look whether the table is whole": (
        "store_look.c",
        "good && store_table_is_whole(config, slot, record);",
        "good;",
    ),
    "falls back to an older table": (
        "store_choice.c",
        "{USABLE,  DAMAGED, NEWER_1 | SAME,  STORE_TAKE_DAMAGED}",
        "{USABLE,  DAMAGED, NEWER_1 | SAME,  STORE_TAKE_0}",
    ),
    "does not verify before the commit": (
        "store.c",
        "!store_table_is_whole(config, slot, &store->fresh)",
        "store->target > 1",
    ),
}


def _mutate(folder: Path, file: str, old: str, new: str) -> list[Path]:
    for path in CORE.glob("*.[ch]"):
        text = path.read_text()
        if path.name == file:
            assert text.count(old) >= 1, f"{file} does not hold {old!r} any more: bring the mutant up to date"
            text = text.replace(old, new)
        (folder / path.name).write_text(text)
    bench = store_library.Path(store_library.__file__).with_name("store_bench.c")
    text = bench.read_text().replace("../../firmware_stub/core/", "")
    (folder / "store_bench.c").write_text(text)
    return [folder / f"{name}.c" for name in SOURCES] + [folder / "store_bench.c"]


def _judged() -> int:
    """The single cuts of one geometry, the torn commit records, rot and faulty operations: all must pass."""
    for geometry in cuts.GEOMETRIES[1:2]:
        for before in cuts.BEFORE[1:]:
            for name, flash, old, version in cuts._uploads_cut_everywhere(geometry, before):
                cuts._judge(flash, old, version, name)
    cuts.test_a_cut_commit_record_is_completed_or_given_up_but_never_swings("marginal", "settled")
    cuts.test_bit_rot_of_the_table_in_use_leaves_no_table_rather_than_an_older_one()
    for how in ("fail", "silent", "stuck"):
        cuts.test_an_operation_that_does_not_do_it_leaves_the_old_table_and_says_so(how)
    return 1


@pytest.mark.parametrize("name", MUTANTS)
def test_a_store_broken_on_purpose_is_caught(name, tmp_path, monkeypatch):
    file, old, new = MUTANTS[name]
    library = compile_store(_mutate(tmp_path, file, old, new), tmp_path)
    monkeypatch.setattr(store_library, "library", lambda: library)
    with pytest.raises((AssertionError, FlashRuleError)):
        _judged()


def test_the_same_judge_passes_the_store_as_it_is():
    assert _judged() == 1


def test_the_judge_sees_one_scenario_as_named():
    flash, old = cuts._flash(cuts.GEOMETRIES[0], "slot 0", 0)
    store = Store(flash)
    store.start(Cut(1, "before"))
    store.upload(cuts.NEW, 64)

    cuts._judge(flash, old, 1, "host/slot 0/1.before")
