"""What the fresh run has shown, so that a full run right after it need not show it again.

    ASSEMBLER_TESTS_FRESH=1 .venv/bin/pytest
    ASSEMBLER_TESTS_FULL=1 ASSEMBLER_TESTS_AFTER_FRESH=1 .venv/bin/pytest

The first run records in pytest's cache each test that passed while neither it nor a fixture of its
asked for a program or a library that Debian has: with these it would do the same. The second leaves
these tests out and runs all others, so that each test runs at least once.
"""

from __future__ import annotations

import os
from collections.abc import Generator

import outside
import pytest

AFTER_FRESH = bool(os.environ.get("ASSEMBLER_TESTS_AFTER_FRESH"))
RECORD = "assembler/passed-on-a-fresh-machine"
_passed: set[str] = set()
_asking: set[str] = set()
_asking_fixtures: set[str] = set()
"""By name: one that was made for an earlier test asks no more, but holds what it was given."""


def recorded(config: pytest.Config) -> frozenset[str]:
    """Return the tests to leave out of this run."""
    if not AFTER_FRESH:
        return frozenset()
    tests = config.cache.get(RECORD, None) if config.cache else None
    if not tests:
        raise pytest.UsageError("no fresh run is recorded: run it first, or without AFTER_FRESH")
    return frozenset(tests)


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(
    fixturedef: pytest.FixtureDef[object],
) -> Generator[None, object, object]:
    """Note a fixture that asks for something of Debian's."""
    before = len(outside.ASKED_FOR)
    try:
        return (yield)
    finally:
        if len(outside.ASKED_FOR) > before:
            _asking_fixtures.add(fixturedef.argname)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Add to a report whether its test, or a fixture of its, asked for something of Debian's."""
    report = yield
    fixtures = _asking_fixtures.intersection(getattr(item, "fixturenames", ()))
    vars(report)["asked"] = bool(outside.ASKED_FOR or fixtures)
    outside.ASKED_FOR.clear()
    return report


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Note what passed, and which tests asked for something of Debian's."""
    if getattr(report, "asked", False):
        _asking.add(report.nodeid)
    if report.when == "call" and report.passed:
        _passed.add(report.nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Record what a fresh run has shown."""
    if outside.FRESH and session.config.cache and "PYTEST_XDIST_WORKER" not in os.environ:
        session.config.cache.set(RECORD, sorted(_passed - _asking))


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
