"""Check artwork: its texts, its print, its barcode."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from assembler.artwork.barcodes import Barcode, barcode_findings, barcodes_on
from assembler.artwork.groups import Group, groups_of
from assembler.artwork.isolated import Limits, read_pdf
from assembler.artwork.marked import write_marked
from assembler.artwork.parts import ArtworkFinding, ArtworkPage, assign, file_finding, part_name
from assembler.artwork.print_checks import file_findings, print_findings
from assembler.artwork.reading import PdfReading
from assembler.artwork.texts import text_findings
from assembler.digest import file_digest
from assembler.errors import AssemblerError, FindingsError
from assembler.findings import errors_in
from assembler.finished.finished import FinishedRelease
from assembler.finished.release_folder import RELEASES, REPORT
from assembler.finished.report_reader import read_report
from assembler.manifest import Manifest, ManifestFile
from assembler.manifest.editions import edition_tracks, with_tracks
from assembler.mastering.plan import name_of
from assembler.metadata import TrackMetadata, printed_tracks
from assembler.preflight.check import check
from assembler.preflight.editions import orders_in
from assembler.sequence import DiscOrder
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sequence.order import TrackSound, lay_out, placed_at
from assembler.sleeve.checked_artwork import Carried
from assembler.sleeve.layout import Document, documents
from assembler.sleeve.packages import figures_of
from assembler.sleeve.wanted import carried_texts

_ANY_LENGTH_S = 60


@dataclass(frozen=True)
class ArtworkReport:
    """The result of a check of artwork."""

    source: ManifestFile
    findings: tuple[ArtworkFinding, ...]
    files: tuple[tuple[Path, PdfReading], ...]
    pages: tuple[ArtworkPage, ...]
    barcodes: tuple[Barcode, ...]
    durations: str
    """What durations were compared with; empty where they were not."""
    texts: Mapping[str, Carried]
    """What each part must carry."""
    digests: Mapping[Path, str]
    """SHA-256 of each file that could be read."""
    marked: tuple[Path, ...] = ()
    record: Path | None = None
    """Where the checked parts are kept."""

    @property
    def ok(self) -> bool:
        """No errors."""
        return not errors_in(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data for ``--json``."""
        return {
            "ok": self.ok,
            "findings": [finding.as_json() for finding in self.findings],
            "files": [self._file_json(path, reading) for path, reading in self.files],
            "barcodes": [barcode.as_json() for barcode in self.barcodes],
            "durations": self.durations or None,
            "marked": [str(path) for path in self.marked],
            "record": str(self.record) if self.record else None,
        }

    def _file_json(self, path: Path, reading: PdfReading) -> dict[str, Any]:
        own = [page for page in self.pages if page.path == path]
        return {
            "file": str(path),
            "pdf_version": reading.version or None,
            "pdf_x": reading.claim or None,
            "pages": [
                {
                    "page": page.number,
                    "part": page.part,
                    "is": page.sheet.name,
                    "trim_mm": [round(page.width, 2), round(page.height, 2)],
                    "characters": len(page.reading.text),
                }
                for page in own
            ],
        }


def check_artwork(
    source: ManifestFile,
    files: Sequence[Path],
    *,
    part: str | None = None,
    marked: Path | None = None,
    limits: Limits = Limits(),  # noqa: B008
) -> ArtworkReport:
    """Check artwork against a manifest and its package.

    Parameters
    ----------
    source
        The manifest, with a sleeve.
    files
        PDFs.
    part
        The printed part that they are; else it is found by their names and sizes.
    marked
        Folder for pictures of the pages with the places marked.
    limits
        Of memory and time for each file.

    Raises
    ------
    AssemblerError
        The manifest has no sleeve, or the package no such part.
    """
    manifest = source.manifest
    if not manifest.sleeve:
        message = (
            "no `sleeve:`: add `sleeve: {package: jewel_case}`, with the package that you print"
        )
        raise FindingsError([source.finding("error", "no-sleeve", (), message)])
    tracks, durations = _tracks_of(source)
    texts, parts = documents(manifest, tracks)
    chosen = _chosen(parts, part)
    bleed = figures_of(manifest.sleeve)["bleed"]
    with ExitStack() as stack:
        read = list(_read(files, stack, limits))
        digests = {path: file_digest(path) for path, _, reading in read if not reading.error}
        pages, findings = assign([one for one in read if not one[2].error], chosen, bleed)
        findings = [*_unreadable(read), *findings]
        barcodes = [barcode for page in pages for barcode in barcodes_on(page, bleed)]
        incomplete = {found.file for found in findings if found.code == "pages-missing"}
        groups = groups_of(manifest, tracks, texts, pages, incomplete)
        findings += _page_findings(manifest, groups, pages, barcodes, bool(durations))
        findings += _left_out(parts, pages, durations, files[0])
        ordered = _in_order(findings, [path for path, _, _ in read])
        written = write_marked(marked, pages, ordered) if marked else []
    return ArtworkReport(
        source,
        tuple(ordered),
        tuple((path, reading) for path, _, reading in read),
        tuple(pages),
        tuple(barcodes),
        durations,
        carried_texts(manifest, tracks, has_durations=bool(durations)),
        digests,
        tuple(written),
    )


def _read(
    files: Sequence[Path], stack: ExitStack, limits: Limits
) -> Iterator[tuple[Path, Path, PdfReading]]:
    """Read each file into a folder of its own, which is there as long as the stack."""
    for path in dict.fromkeys(files):
        folder = Path(stack.enter_context(TemporaryDirectory()))
        yield path, folder, read_pdf(path, folder, limits)


def _page_findings(
    manifest: Manifest,
    groups: Sequence[Group],
    pages: Sequence[ArtworkPage],
    barcodes: Sequence[Barcode],
    has_durations: bool,
) -> Iterator[ArtworkFinding]:
    assert manifest.sleeve
    yield from text_findings(manifest, groups, has_durations=has_durations)
    for page in pages:
        yield from print_findings(page, figures_of(manifest.sleeve))
    yield from barcode_findings(pages, barcodes, manifest.release.barcode)


def _chosen(parts: Sequence[Document], name: str | None) -> list[Document]:
    chosen = [part for part in parts if name is None or part.name == part_name(name)]
    if not chosen:
        known = ", ".join(part.name for part in parts)
        raise AssemblerError(f"--part {name}: this package has {known}: name one of them")
    return chosen


def _tracks_of(source: ManifestFile) -> tuple[tuple[TrackMetadata, ...], str]:
    """Return the tracks as sheets list them, and what their durations come from, if it is known.

    The sources say how long the tracks are; where they are not there, the last build does.
    """
    manifest = source.manifest
    if editions := check(source).editions:
        return printed_tracks(manifest, orders_in(editions)), "the sources"
    folder = source.path.parent / RELEASES / name_of(manifest)
    try:
        built = read_report(folder / REPORT, manifest)
    except (ValueError, OSError):
        built = None
    titles = [track.full_title for track in manifest.tracks]
    if built and [track.title for track in built.tracks] == titles:
        return FinishedRelease(folder, source, built).printed, "the last build"
    orders = {name: _any_order(manifest, own) for name, own in edition_tracks(manifest).items()}
    return printed_tracks(manifest, orders), ""


def _any_order(manifest: Manifest, tracks: Sequence[int]) -> list[DiscOrder]:
    """Return the order of an edition's tracks, each of the same length."""
    samples = DISC_RATE_HZ * _ANY_LENGTH_S
    own = with_tracks(manifest, tracks).tracks
    discs = lay_out([TrackSound(samples, Fraction(2), opens_disc=track.disc) for track in own])
    return [placed_at(disc, tracks) for disc in discs]


def _unreadable(read: Sequence[tuple[Path, Path, PdfReading]]) -> Iterator[ArtworkFinding]:
    for path, _, reading in read:
        if reading.error:
            yield file_finding(path, "error", "unreadable-pdf", reading.error)
        else:
            yield from file_findings(path, reading)


def _left_out(
    parts: Sequence[Document], pages: Sequence[ArtworkPage], durations: str, path: Path
) -> Iterator[ArtworkFinding]:
    """Report what was not checked."""
    given = {page.part for page in pages}
    absent = [part.name for part in parts if part.name not in given]
    if absent and given:
        message = f"not checked, since no file of it was named: {', '.join(absent)}"
        yield file_finding(path, "note", "part-not-checked", message)
    if not durations and given:
        message = (
            "durations: not determined, since the sources are not there and no build has the same "
            "tracks; build the release first"
        )
        yield file_finding(path, "note", "durations-not-checked", message)


def _in_order(findings: Sequence[ArtworkFinding], paths: Sequence[Path]) -> list[ArtworkFinding]:
    """Sort findings by file, page and severity."""
    severities = ("error", "warning", "note")
    files = [str(path) for path in paths]
    return sorted(
        findings, key=lambda f: (files.index(f.file), f.page, severities.index(f.severity))
    )
