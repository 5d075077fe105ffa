"""A plugin of pytest: measure coverage in the first case of each test alone.

A tracer slows plain Python down to half its speed, and later cases reach hardly a new line; nor do
the random examples of hypothesis, which are left out. Programs that a test starts are not measured:
the tracer would take longer to start than they do. So the figures are a lower bound.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Generator

import coverage
import pytest

CHILDREN = "COVERAGE_PROCESS_CONFIG"
"""Where this is set, coverage is measured in a process that Python starts: in pytest's workers."""
_cases: Counter[str] = Counter()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Stop the tracer for all other cases, and always in the processes that they start."""
    os.environ.pop(CHILDREN, None)
    name = item.nodeid.partition("[")[0]
    _cases[name] += 1
    measuring = coverage.Coverage.current()
    if measuring is None or (_cases[name] == 1 and not item.get_closest_marker("hypothesis")):
        return (yield)
    measuring.stop()
    try:
        return (yield)
    finally:
        measuring.start()
