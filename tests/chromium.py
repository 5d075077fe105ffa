"""One Chromium for all tests of pages: a process can run Playwright once."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from outside import program
from playwright.sync_api import Browser, expect, sync_playwright

_PATIENCE_MS = 120_000
"""How long a test waits for a state of the page at most, on however slow a machine."""


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium, as Debian has it."""
    path = program("chromium", "chromium")
    expect.set_options(timeout=_PATIENCE_MS)
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path, env={**os.environ, "LANG": "C.UTF-8"}
        )
        yield started
        started.close()
