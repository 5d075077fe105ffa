"""For all tests: a store of finished work of their own, what this machine lacks, and the order."""

from __future__ import annotations

import os

import outside
import pytest
from demo_builds import demo, demo_manifest, demo_sources, segue_at_44100, shared_folder
from hypothesis import HealthCheck, settings

__all__ = ["demo", "demo_manifest", "demo_sources", "segue_at_44100", "shared_folder"]
settings.register_profile("any machine", suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("any machine")  # no test hangs on how fast the machine is


@pytest.fixture(scope="session", autouse=True)
def own_store(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Keep the user's store out of the tests, and the tests out of it."""
    os.environ["ASSEMBLER_STORE"] = str(tmp_path_factory.mktemp("store"))


@pytest.fixture(scope="session", autouse=True)
def fresh_machine(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Hide the programs of this machine, where a fresh one is asked for."""
    if outside.FRESH:
        outside.hide_programs(tmp_path_factory.mktemp("programs"))


def pytest_report_header() -> str | None:
    """Say what is left out for want of music."""
    if outside.DEBIAN_MUSIC_IS_HERE:
        return None
    packages = " ".join(outside.MUSIC_FOLDERS)
    return f"tests marked debian_music are left out: apt-get install {packages}"


LONGEST_FIRST = (
    "test_scattered_album", "test_long_disc", "test_demo_release", "test_in_chromium",
    "test_compare", "test_channels", "test_stop", "test_clicks", "test_killed", "test_broken_audio",
    "test_escapes",
)  # fmt: skip
"""Whole builds of an hour of music: begun last, they would leave one worker idle."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put the longest test files in front; leave out what wants music that is not there."""
    must_run = os.environ.get("CI") == "true" and not outside.FRESH
    if not outside.DEBIAN_MUSIC_IS_HERE and not must_run:
        left_out = [item for item in items if item.get_closest_marker("debian_music")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    items.sort(key=lambda item: item.path.stem not in LONGEST_FIRST)
