"""Keep what was checked of the artwork beside the manifest, for the builds that follow."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

from assembler.artwork.parts import ArtworkFinding, file_finding
from assembler.errors import AssemblerError
from assembler.sleeve.checked_artwork import Carried, CheckedPart, keep_parts

if TYPE_CHECKING:
    from assembler.artwork.check import ArtworkReport


def kept(report: ArtworkReport) -> ArtworkReport:
    """Write the checked parts into the record, and return the report with its path.

    A part is kept with its errors; one of which no file could be read keeps its last entry.
    """
    today = date.today().isoformat()
    parts = {
        part: _checked(report, part, texts, today)
        for part, texts in report.texts.items()
        if any(page.part == part for page in report.pages)
    }
    if not parts:
        return report
    try:
        return replace(report, record=keep_parts(parts, report.source.path))
    except AssemblerError as error:
        found = file_finding(report.files[0][0], "warning", "record-not-kept", str(error))
        return replace(report, findings=(*report.findings, found))


def _checked(report: ArtworkReport, part: str, texts: Carried, today: str) -> CheckedPart:
    pages = {(str(page.path), page.number) for page in report.pages if page.part == part}
    files = {path for path, _ in pages}
    found = [
        finding
        for finding in report.findings
        if (finding.file, finding.page) in pages or (finding.file in files and not finding.page)
    ]
    digests = {path.name: report.digests[path] for path, _ in report.files if str(path) in files}
    return CheckedPart(
        checked=today,
        files=digests,
        errors=_count(found, "error"),
        warnings=_count(found, "warning"),
        texts=texts,
    )


def _count(findings: Iterable[ArtworkFinding], severity: str) -> int:
    return sum(finding.severity == severity for finding in findings)
