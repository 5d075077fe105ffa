"""Artwork with planted mistakes, by two producers: each is found, and nothing else is an error."""

from __future__ import annotations

from pathlib import Path

import pytest
from artwork.artwork_pdfs import Artwork, artwork, write_manifest, write_reportlab, write_svg
from artwork.mistakes import ROUNDS, Mistake
from outside import program

from assembler.artwork import check as artwork_check
from assembler.artwork.check import ArtworkReport, check_artwork
from assembler.artwork.read_pdf import read
from assembler.manifest import ManifestFile


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> ManifestFile:
    """Return the manifest."""
    return write_manifest(tmp_path_factory.mktemp("release"))


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Read PDFs here: a process for each takes long, and `test_hostile` has them."""
    monkeypatch.setattr(artwork_check, "read_pdf", lambda path, folder, _: read(path, folder))


def planted(mistakes: tuple[Mistake, ...], folder: Path) -> Artwork:
    art = artwork()
    for mistake in mistakes:
        mistake.change(art, folder)
    return art


def compare(report: ArtworkReport, mistakes: tuple[Mistake, ...]) -> None:
    """Compare findings with mistakes: each is there, and each error has its mistake."""
    said = [(finding.code, finding.message) for finding in report.findings]
    for mistake in mistakes:
        found = [message for code, message in said if code == mistake.code]
        assert any(mistake.says in message for message in found), (mistake, said)
        shown = next(message for message in found if mistake.says in message)
        print(f"{mistake.code} | {shown}")
    codes = {mistake.code for mistake in mistakes}
    others = [str(f) for f in report.findings if f.severity != "note" and f.code not in codes]
    assert others == []


@pytest.mark.parametrize("name", ROUNDS)
def test_each_mistake_is_found(name: str, source: ManifestFile, tmp_path: Path) -> None:
    files = write_reportlab(planted(ROUNDS[name], tmp_path), tmp_path / "pdf")
    compare(check_artwork(source, files), ROUNDS[name])


def test_enough_mistakes_are_planted() -> None:
    mistakes = [mistake for found in ROUNDS.values() for mistake in found]
    assert len(mistakes) >= 60
    assert len({mistake.code for mistake in mistakes}) >= 20


def test_nothing_is_found_in_the_correct_artwork(source: ManifestFile, tmp_path: Path) -> None:
    report = check_artwork(source, write_reportlab(artwork(), tmp_path / "pdf"))
    compare(report, ())
    assert report.ok
    assert report.durations == "the sources"
    assert {f.code for f in report.findings} == {"no-pdf-x"}
    (barcode,) = report.barcodes
    assert 0.99 < barcode.magnification < 1.01


SECOND = ("typed again", "signs", "lost", "rows")


@pytest.mark.thorough
@pytest.mark.wants("rsvg-convert")
@pytest.mark.parametrize("name", [None, *SECOND])
def test_a_second_producer(name: str | None, source: ManifestFile, tmp_path: Path) -> None:
    mistakes = ROUNDS[name] if name else ()
    drawing = program("rsvg-convert", "librsvg2-bin")
    files = write_svg(planted(mistakes, tmp_path), tmp_path / "pdf", drawing)
    compare(check_artwork(source, files), mistakes)
