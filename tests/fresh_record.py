"""What the fresh run has shown, so that a full run right after it need not show it again.

    ASSEMBLER_TESTS_FRESH=1 .venv/bin/pytest
    ASSEMBLER_TESTS_FULL=1 ASSEMBLER_TESTS_AFTER_FRESH=1 .venv/bin/pytest

The first run records in pytest's cache each test that passed in a file where nothing asked for a
program or a library that Debian has: with these it would do the same. The second leaves these tests
out and runs all others, so that each test runs at least once.
"""

from __future__ import annotations

import os
from collections.abc import Generator

import outside
import pytest

AFTER_FRESH = bool(os.environ.get("ASSEMBLER_TESTS_AFTER_FRESH"))
RECORD = "assembler/passed-on-a-fresh-machine"
_passed: dict[str, list[str]] = {}
_asking: set[str] = set()


def _file_of(test: str) -> str:
    return test.partition("::")[0]


def recorded(config: pytest.Config) -> frozenset[str]:
    """Return the tests to leave out of this run."""
    if not AFTER_FRESH:
        return frozenset()
    tests = config.cache.get(RECORD, None) if config.cache else None
    if not tests:
        raise pytest.UsageError("no fresh run is recorded: run it first, or without AFTER_FRESH")
    return frozenset(tests)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Add to a report what its test, or a fixture that was made for it, asked for."""
    report = yield
    vars(report)["asked_for"] = outside.ASKED_FOR.copy()
    outside.ASKED_FOR.clear()
    return report


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Note what passed, and which files asked for something of Debian's."""
    if getattr(report, "asked_for", ()):
        _asking.add(_file_of(report.nodeid))
    if report.when == "call" and report.passed:
        _passed.setdefault(_file_of(report.nodeid), []).append(report.nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Record what a fresh run has shown."""
    if outside.FRESH and session.config.cache and "PYTEST_XDIST_WORKER" not in os.environ:
        shown = [test for file, tests in _passed.items() if file not in _asking for test in tests]
        session.config.cache.set(RECORD, sorted(shown))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what the fresh run has shown, and nothing else."""
    shown = recorded(config)
    if left_out := [item for item in items if item.nodeid in shown]:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item.nodeid not in shown]


def pytest_report_header(config: pytest.Config) -> list[str]:
    """Report how many tests are left out."""
    shown = recorded(config)
    return [f"{len(shown)} tests that passed in the fresh run are left out"] if shown else []
