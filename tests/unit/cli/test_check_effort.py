"""`mapper check --effort`: how much, what it says, and that nothing stays behind."""

from __future__ import annotations

import json
import sys

import click
import pytest
from check_case import STAND, text_of
from click.testing import CliRunner
from search_case import bench_of, joints_of

from mapper.check.search.search import Budget
from mapper.cli._searching import read_effort, run_search
from mapper.cli.check import command
from mapper.errors import MapperError


@pytest.fixture
def stand(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "stand.toml"
    path.write_text(text_of(STAND), encoding="utf-8")
    return path


def run(*arguments: str):
    return CliRunner().invoke(command, list(arguments), standalone_mode=False)


@pytest.mark.parametrize(
    ("text", "budget"),
    [
        ("quick", Budget(seconds=10.0)),
        ("thorough", Budget(seconds=300.0)),
        ("30", Budget(seconds=30.0)),
        ("2.5 s", Budget(seconds=2.5)),
        ("20000 examples", Budget(examples=20000)),
    ],
)
def test_an_effort_is_a_time_or_a_number_of_examples(text, budget):
    assert read_effort(text) == budget


@pytest.mark.parametrize("text", ["", "0", "-3", "soon", "1e3", "1.5 examples", "0 examples", "90000", "٣"])
def test_another_effort_is_refused_with_what_is_allowed(text):
    with pytest.raises(click.UsageError, match="allowed are quick, thorough, seconds such as 30"):
        read_effort(text)


def test_without_effort_nothing_is_searched_and_that_is_said(stand):
    result = run(str(stand))

    assert result.return_value == 0
    assert f"Nothing was searched: mapper check {stand} --effort quick searches for 10 s." in result.output
    document = json.loads(run(str(stand), "--json").stdout)
    assert document["search"] is None
    assert "search" not in [finding["limit"] for finding in document["findings"]]


def test_a_search_is_a_finding_with_its_count_and_leaves_no_file(stand, tmp_path):
    result = run(str(stand), "--effort", "90 examples", "--seed", "3", "--json")
    document = json.loads(result.stdout)

    assert result.return_value == 0
    assert document["findings"][-1]["limit"] == "search"
    assert document["findings"][-1]["cases"] == 90
    assert "seed 3" in document["findings"][-1]["detail"]
    assert (document["search"]["examples"], document["search"]["found"]) == (90, None)
    assert [path.name for path in tmp_path.iterdir()] == ["stand.toml"]


def test_two_processes_with_a_number_of_examples_are_the_same_twice():
    bench = bench_of(text_of(STAND), joints_of(STAND))
    one, same = (run_search(bench, 4, Budget(examples=31)) for _ in range(2))

    assert (one.cases, one.ticks, one.found, one.seed) == (31, same.ticks, None, 4)


def test_what_is_found_may_not_replace_the_profile(stand):
    result = run(str(stand), "--effort", "1 examples", "--found", str(stand))

    assert isinstance(result.exception, click.UsageError)
    assert f"--found {stand}: that is the profile itself" in str(result.exception)
    assert stand.read_text(encoding="utf-8") == text_of(STAND)


def test_a_bar_is_drawn_on_a_terminal_only(monkeypatch, capsys):
    bench = bench_of(text_of(STAND), joints_of(STAND))
    run_search(bench, 1, Budget(examples=140))
    assert capsys.readouterr().err == ""

    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    run_search(bench, 1, Budget(examples=140))
    assert "searching [" in capsys.readouterr().err


def test_a_process_that_ends_before_it_is_done_is_an_error():
    """The block is cut away under it: the process crashes, and the parent says so."""

    class Crashing:
        def run(self, genome: bytes) -> tuple[int, None]:
            sys.exit(3)

    with pytest.raises(MapperError, match="a process of the search ended before it was done"):
        run_search(Crashing(), 1, Budget(examples=10))
