"""Shared by every test: in CI nothing may skip, so a skip there is a failure with the skip's own reason."""

from __future__ import annotations

import os
import zlib
from pathlib import Path

import hypothesis
import pytest
from outside_sources import asks_for_outside, listing, outside_checks

# The same examples every time: a red run can be repeated. `--hypothesis-profile=default` tries others.
hypothesis.settings.register_profile("repeatable", derandomize=True, deadline=None)
hypothesis.settings.load_profile("repeatable")

ROOT = Path(__file__).resolve().parent.parent


def pytest_addoption(parser):
    parser.addoption("--share", metavar="K/N", help="a share of the chosen tests, by name")


def pytest_collection_modifyitems(config, items):
    if config.option.share is None:
        return
    number, _, of = config.option.share.partition("/")
    if not (number.isdecimal() and of.isdecimal() and 1 <= int(number) <= int(of)):
        raise pytest.UsageError(f"--share {config.option.share}: K/N with 1 <= K <= N, as in 1/2")
    kept = [item for item in items if zlib.crc32(item.nodeid.encode()) % int(of) == int(number) - 1]
    config.hook.pytest_deselected(items=[item for item in items if item not in set(kept)])
    items[:] = kept


_COLLECTED = pytest.StashKey[list[pytest.Item]]()


def pytest_collection_finish(session):
    session.config.stash[_COLLECTED] = session.items


def pytest_terminal_summary(terminalreporter, config):
    asked = asks_for_outside(config.option.markexpr, config.option.keyword)
    checks = outside_checks(config.stash.get(_COLLECTED, [])) if asked else ()
    if checks:
        terminalreporter.section("checks against outside sources")
        for line in listing(checks):
            terminalreporter.write_line(line)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item, call):
    outcome = yield
    report = outcome.get_result()
    if report.skipped and os.environ.get("CI") == "true" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped in CI, where nothing may skip: {report.longrepr}"


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT
