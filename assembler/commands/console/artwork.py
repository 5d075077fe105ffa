"""A check of artwork in a terminal: findings, what each page is, the barcodes, the verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from assembler.commands.console.rich_console import new_console
from assembler.commands.console.tables import counts_text, print_findings

if TYPE_CHECKING:
    from assembler.artwork.check import ArtworkReport


def print_artwork(report: ArtworkReport) -> None:
    """Print findings, pages, barcodes and the verdict."""
    print_findings(report.findings)
    console = new_console()
    for path, _ in report.files:
        pages = [page for page in report.pages if page.path == path]
        names = dict.fromkeys(page.sheet.name for page in pages)
        if names:
            console.print(Text(f"{path.name}: {'; '.join(names)}"))
    for barcode in report.barcodes:
        console.print(
            f"Barcode {barcode.digits} at {100 * barcode.magnification:.0f} %, quiet zones "
            f"{barcode.left_quiet:.0f} and {barcode.right_quiet:.0f} modules"
        )
    if report.durations:
        console.print(f"Durations compared with {report.durations}")
    for path in report.marked[-1:]:
        console.print(Text(f"Marked pages and {path.name}: {path.parent}"))
    if report.record:
        console.print(Text(f"Kept in {report.record.name}, for the builds that follow"))
    counts = counts_text(report.findings)
    verdict = "no errors found" if report.ok else "not ready for print"
    console.print(f"Artwork: {verdict}{f' ({counts})' if counts else ''}")
