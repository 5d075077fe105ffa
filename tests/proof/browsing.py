"""A page opened in Chromium, with all that it asked for and complained of."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page


@dataclass
class Opened:
    """A page and its log."""

    page: Page
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


@contextmanager
def open_page(browser: Browser, path: Path, **context: Any) -> Iterator[Opened]:
    """Open a page from its file in a profile of its own."""
    profile = browser.new_context(**{"viewport": {"width": 1280, "height": 900}, **context})
    opened = Opened(profile.new_page())
    opened.page.on("request", lambda request: opened.requests.append(request.url))
    opened.page.on("requestfailed", lambda request: opened.complaints.append(request.url))
    opened.page.on("console", lambda message: opened.complaints.append(message.text))
    opened.page.on("pageerror", lambda error: opened.complaints.append(str(error)))
    opened.page.on("dialog", lambda dialog: opened.complaints.append(dialog.message))
    try:
        opened.page.goto(path.as_uri())
        yield opened
    finally:
        profile.close()


def wait_until(page: Page, condition: str, most_s: float = 10.0) -> None:
    """Wait for a condition; the page's own policy forbids Playwright's way, which is eval."""
    end = time.monotonic() + most_s
    while not page.evaluate(condition):
        assert time.monotonic() < end, f"never came true: {condition}"
        page.wait_for_timeout(50)
