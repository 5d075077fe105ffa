"""One Chromium for all tests of pages: a process can run Playwright once."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from outside import program
from playwright.sync_api import Browser, sync_playwright


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium, as Debian has it."""
    path = program("chromium", "chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=path, env={**os.environ, "LANG": "C.UTF-8"}
        )
        yield started
        started.close()
