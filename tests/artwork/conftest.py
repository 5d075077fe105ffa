"""Artwork read in the tests' own process."""

from __future__ import annotations

import pytest

from assembler.artwork import check as artwork_check
from assembler.artwork.read_pdf import read


@pytest.fixture
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read PDFs here: a process for each takes long, and `test_hostile` has them."""
    monkeypatch.setattr(artwork_check, "read_pdf", lambda path, folder, _: read(path, folder))
