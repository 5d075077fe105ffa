"""Fixtures that load a manifest's text, good or bad."""

from __future__ import annotations

from pathlib import Path

import pytest
from manifest.kinds import Loading, Refusing

from assembler import Finding, FindingsError, load
from assembler.manifest import ManifestFile


@pytest.fixture
def loaded(tmp_path: Path) -> Loading:
    """Return a function that loads the text of a good manifest."""

    def load_text(text: str | bytes) -> ManifestFile:
        path = tmp_path / "songs.yaml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return load(path)

    return load_text


@pytest.fixture
def refused(loaded: Loading) -> Refusing:
    """Return a function that loads the text of a bad manifest and returns its findings."""

    def refuse_text(text: str | bytes) -> list[Finding]:
        with pytest.raises(FindingsError) as error:
            loaded(text)
        findings = list(error.value.findings)
        assert findings
        for finding in findings:
            assert finding.severity == "error"
            assert finding.file.endswith("songs.yaml")
            assert len(str(finding).splitlines()) == 1
            assert len(str(finding)) < 700
        return findings

    return refuse_text
