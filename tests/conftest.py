"""For all tests: a store of finished work of their own, what this machine lacks, and the order."""

from __future__ import annotations

import os

import outside
import pytest
from chromium import browser
from demo_builds import (
    demo,
    demo_manifest,
    demo_sources,
    net_loft_files,
    segue_at_44100,
    shared_folder,
)
from desk import desk
from hypothesis import HealthCheck, settings
from long_runs import FULL

__all__ = [
    "browser",
    "demo",
    "demo_manifest",
    "demo_sources",
    "desk",
    "net_loft_files",
    "segue_at_44100",
    "shared_folder",
]
pytest_plugins = ["fresh_record"]
settings.register_profile(
    "any machine", deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
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


PACKAGES = {
    "cd-info": "libcdio-utils", "chromium": "chromium", "cueprint": "cuetools",
    "exiftool": "libimage-exiftool-perl", "flac": "flac", "libFLAC.so.12": "flac",
    "libburn.so.4": "libburn4", "libcdio.so.19": "libcdio-utils", "libcue.so.2": "libcue2",
    "libebur128.so.1": "libebur128-1", "metaflac": "flac", "mpg123": "mpg123",
    "ogginfo": "vorbis-tools", "opusinfo": "opus-tools", "pdffonts": "poppler-utils",
    "rsvg-convert": "librsvg2-bin", "unzip": "unzip", "vorbiscomment": "vorbis-tools",
}  # fmt: skip
"""Of Debian: programs and libraries that tests want, which no Python package brings."""


def _is_left_out(item: pytest.Item) -> bool:
    if item.get_closest_marker("thorough") and not FULL:
        return True
    if os.environ.get("CI") == "true" and not outside.FRESH:
        return False
    if item.get_closest_marker("debian_music") and not outside.DEBIAN_MUSIC_IS_HERE:
        return True
    wanted = [name for mark in item.iter_markers("wants") for name in mark.args]
    return not all(map(outside.is_there, wanted))


def pytest_report_header() -> list[str]:
    """Report which tests are left out, and why."""
    lines = []
    if not outside.DEBIAN_MUSIC_IS_HERE:
        packages = " ".join(outside.MUSIC_FOLDERS)
        lines += [f"tests marked debian_music are left out: apt-get install {packages}"]
    if absent := [name for name in PACKAGES if not outside.is_there(name)]:
        packages = " ".join(sorted({PACKAGES[name] for name in absent}))
        lines += [f"tests that want {', '.join(absent)} are left out: apt-get install {packages}"]
    if not FULL:
        lines += ["tests that take long are left out: set ASSEMBLER_TESTS_FULL=1 for all"]
    return lines


FIRST = (
    "test_demo_release", "test_long_disc", "test_clicks", "test_broken_audio", "test_thumps",
    "test_cluster", "test_scattered_album", "test_in_chromium", "test_many_tracks", "test_hold",
    "test_stop", "test_killed", "test_compare", "test_channels", "test_escapes", "test_forged",
)  # fmt: skip
"""What takes longest: begun last, it would leave one worker idle.

`test_clicks` and `test_broken_audio` are begun together: where no loop is compiled yet, one worker
compiles those of restoration, the other those of a build, and no worker what another one has.
"""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put some files in front; leave out what this machine lacks, or what takes long."""
    left_out: list[pytest.Item] = []
    kept: list[pytest.Item] = []
    for item in items:
        (left_out if _is_left_out(item) else kept).append(item)
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = kept
    order = {name: place for place, name in enumerate(FIRST)}
    items.sort(key=lambda item: order.get(item.path.stem, len(FIRST)))
