"""A plugin of pytest: measure coverage in the first cases of each test alone.

A tracer slows plain Python down to half its speed, and later cases reach hardly a new line; nor do
the random examples of hypothesis, which are left out. So the figures are a lower bound.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Generator

import coverage
import pytest

FIRST = 3
CHILDREN = "COVERAGE_PROCESS_CONFIG"
"""Where this is set, coverage is measured in a process that Python starts."""
_cases: Counter[str] = Counter()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Stop the tracer for all other cases, here and in the processes that they start."""
    name = item.nodeid.partition("[")[0]
    _cases[name] += 1
    measuring = coverage.Coverage.current()
    first = _cases[name] <= FIRST and not item.get_closest_marker("hypothesis")
    if measuring is None or first:
        return (yield)
    measuring.stop()
    config = os.environ.pop(CHILDREN, None)
    try:
        return (yield)
    finally:
        if config is not None:
            os.environ[CHILDREN] = config
        measuring.start()
