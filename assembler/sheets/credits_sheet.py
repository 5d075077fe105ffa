"""The credits sheet: everything printed on the package, as PDF and as text to copy from."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.sheets.contents import credits_sheet
from assembler.typeset.plain_text import sheet_text
from assembler.typeset.sheet_pdf import write_pdf


def write_credits_sheet(folder: Path, manifest: Manifest, tracks: Sequence[TrackMetadata]) -> None:
    """Write ``credits-sheet.pdf`` and ``credits-sheet.txt``.

    Both hold the same blocks in the same order.

    Parameters
    ----------
    folder
        Created if missing.
    manifest
        The release.
    tracks
        Every track, in order.

    Examples
    --------
    >>> write_credits_sheet(Path("TWE-014/paper"), manifest, tracks)
    """
    folder.mkdir(parents=True, exist_ok=True)
    sheet = credits_sheet(manifest, tracks)
    text = sheet_text(sheet)
    (folder / "credits-sheet.txt").write_text(text, encoding="utf-8", newline="\n")
    write_pdf(folder / "credits-sheet.pdf", sheet)
