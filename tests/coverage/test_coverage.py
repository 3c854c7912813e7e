"""The coverage of the core is read rightly from what clang and llvm-cov say, and no exception outlives its reason.

The measurement itself is `python tests/coverage/main.py`, which CI runs.
"""

from __future__ import annotations

import json
import runpy
import subprocess
from pathlib import Path

import core_coverage
import pytest
from branch_report import Gap, Source, read_export
from coverage_exceptions import FILE, ExceptionsError, Exempt, judge, read_exceptions

CORE = core_coverage.ROOT / "firmware_stub" / "core"
MAIN = runpy.run_path(str(Path(__file__).with_name("main.py")))

SMALL = """#include "core.h"
int main(int count, char **names);
static int both(int a, int b)
{
    CORE_ASSERT(a >= 0);
    CORE_ASSERT(a >= 0 && b < 100);
    if (a > 1 && b > 1) {
        return 1;
    }
    CORE_ASSERT(a < 100);
    return a > 50 ? 2 : 0;
}
static int never(int a)
{
    CORE_ASSERT(a != 7);
    return a;
}
int main(int count, char **names)
{
    (void)names;
    int sum = both(0, 0) + both(2, 0) + both(2, 2);
    sum += count > 90 ? never(count) : 0;
    CORE_ASSERT(count == 90);
    return sum == 1 ? 0 : 1;
}
"""


def gap(**changes: object) -> Gap:
    values = {"file": "a.c", "line": 3, "function": "f", "text": "a > 1", "side": "true"} | changes
    return Gap(**values)


def entry(**changes: str) -> str:
    values = {"file": "a.c", "function": "f", "text": "a > 1", "side": "true", "reason": "no test can ever get there"}
    return "[[exception]]\n" + "\n".join(f'{key} = "{value}"' for key, value in (values | changes).items()) + "\n"


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    """SMALL, compiled for coverage, run and exported by the real tools."""
    missing = core_coverage.missing_tools()
    if missing:
        pytest.skip(f"not here: {', '.join(missing)}")
    folder = tmp_path_factory.mktemp("small")
    (folder / "small.c").write_text(SMALL)
    compiler, profdata, cov = core_coverage.TOOLS
    switches = ["-fprofile-instr-generate", "-fcoverage-mapping", "-fcoverage-mcdc"]
    sources = [str(folder / "small.c"), str(CORE / "core.c")]
    env = {"PATH": "/usr/bin:/bin", "LLVM_PROFILE_FILE": str(folder / "raw")}
    steps = [
        [compiler, *switches, f"-I{CORE}", "-o", str(folder / "small"), *sources],
        [str(folder / "small")],
        [profdata, "merge", "-o", str(folder / "merged"), str(folder / "raw")],
    ]
    for step in steps:
        subprocess.run(step, check=True, env=env, timeout=60)
    command = [cov, "export", f"-instr-profile={folder / 'merged'}", str(folder / "small")]
    done = subprocess.run(command, check=True, capture_output=True, timeout=60)
    (read,) = read_export(json.loads(done.stdout), {"small.c": SMALL})
    return read


def test_sides_that_were_never_taken_are_named_by_function_text_and_side(exported):
    found = {(one.function, one.text, one.side) for one in exported.branch_gaps if one.side != "held"}

    assert found == {("both", "a > 50", "true"), ("main", "count > 90", "true"), ("main", "sum == 1", "false")}
    assert exported.branches == 2 * 5


def test_a_condition_that_never_decided_by_itself_is_named(exported):
    shown = [(one.function, one.text, one.side) for one in exported.condition_gaps]

    assert shown == []
    assert exported.conditions == 2, "a > 1 by (0, 0) and (2, 2), b > 1 by (2, 0) and (2, 2)"


def test_assertions_are_no_branches_and_one_that_is_never_come_to_is_a_gap(exported):
    unasked = {(one.function, one.text) for one in exported.branch_gaps if one.side == "held"}

    assert unasked == {("never", "CORE_ASSERT(a != 7)"), ("main", "CORE_ASSERT(count == 90)")}
    assert (exported.assertions, exported.assertions_failed) == (5, 1), "count is 1: the last one fails"


def test_the_function_of_a_line_is_the_last_one_that_opens_at_the_margin():
    source = Source("small.c", SMALL)
    lines = SMALL.split("\n")

    assert source.function(lines.index("    return a;") + 1) == "never"
    assert source.function(lines.index("    if (a > 1 && b > 1) {") + 1) == "both"
    assert source.function(1) == ""


def test_a_gap_is_excepted_by_an_entry_that_fits_in_every_part():
    (exempt,) = read_exceptions(entry())

    assert judge([gap(), gap(line=77)], [exempt]) == ([], [])
    for other in (gap(file="b.c"), gap(function="g"), gap(text="a > 2"), gap(side="false")):
        assert judge([other], [exempt]) == ([other], [exempt]), "open, and the entry is about nothing"


@pytest.mark.parametrize(
    "text", [entry(reason=""), entry(reason="not reached"), entry(more="x"), "[[exception]]\nfile = 'a.c'\n"]
)
def test_an_exception_without_a_reason_is_refused(text):
    with pytest.raises(ExceptionsError, match="exception 1: "):
        read_exceptions(text)


def written() -> tuple[Exempt, ...]:
    return read_exceptions(FILE.read_text(encoding="utf-8"))


@pytest.mark.parametrize("exempt", written(), ids=str)
def test_what_is_excepted_stands_in_the_source(exempt):
    """So that an exception whose code has changed is seen without the tools; the whole run sees the rest."""
    text = " ".join((CORE / exempt.file).read_text(encoding="utf-8").split())

    assert exempt.text in text
    assert f"{exempt.function}(" in text


def test_the_report_fails_on_an_open_gap_and_on_a_stale_exception(capsys, exported):
    code = MAIN["report"]([exported], everything=False)
    told = capsys.readouterr().out

    assert code == 1
    assert "not covered: small.c:" in told
    assert f"take it out of {FILE.name}" in told


def test_missing_tools_are_said_with_the_packages_that_bring_them(monkeypatch, tmp_path, capsys):
    monkeypatch.setenv("PATH", str(tmp_path))

    assert MAIN["main"]([]) == 2
    assert "apt-get install clang-19 llvm-19 libclang-rt-19-dev" in capsys.readouterr().err
