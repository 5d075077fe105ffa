"""A served manifest of three tracks."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from listen.serving import MANIFEST, Served, serving, write_desk


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(write_desk(tmp_path_factory.mktemp("listen"))) as served:
        yield served


@pytest.fixture
def served(running: Served) -> Served:
    """The server, with the manifest as it was first."""
    if running.manifest.read_text(encoding="utf-8") != MANIFEST:
        before = running.release()["revision"]
        running.manifest.write_text(MANIFEST, encoding="utf-8")
        while running.release()["revision"] == before:
            pass
    return running
