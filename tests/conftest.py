"""For all tests: a store of finished work of their own, and the longest files first."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(scope="session", autouse=True)
def own_store(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep the user's store out of the tests, and the tests out of it."""
    os.environ["ASSEMBLER_STORE"] = str(tmp_path_factory.mktemp("store"))


LONGEST_FIRST = (
    "test_real_album", "test_long_disc", "test_demo_release", "test_in_chromium", "test_compare",
    "test_channels", "test_stop", "test_clicks", "test_killed", "test_broken_audio", "test_escapes",
)  # fmt: skip
"""Whole builds of an hour of music: begun last, they would leave one worker idle."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest test files in front."""
    items.sort(key=lambda item: item.path.stem not in LONGEST_FIRST)
