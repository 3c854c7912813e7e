"""Shared by every test: in CI nothing may skip, so a skip there is a failure with the skip's own reason."""

from __future__ import annotations

import os
from pathlib import Path

import hypothesis
import pytest

# The same examples every time: a red run can be repeated. `--hypothesis-profile=default` tries others.
hypothesis.settings.register_profile("repeatable", derandomize=True, deadline=None)
hypothesis.settings.load_profile("repeatable")

ROOT = Path(__file__).resolve().parent.parent


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
