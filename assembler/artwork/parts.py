"""Which printed part, and which of its pages, each page of the artwork is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from assembler.artwork.letters import letters_of
from assembler.artwork.reading import Box, Mark, PageReading, PdfReading, moved
from assembler.findings import Finding, Severity
from assembler.sleeve.layout import Box as PanelBox
from assembler.sleeve.layout import Document, Sheetlet
from assembler.sleeve.packages import Panel

TOLERANCE_MM = 0.5
_FAR_MM = 12


@dataclass(frozen=True)
class ArtworkFinding(Finding):
    """A finding about a page of the artwork."""

    page: int = 0
    """From 1; 0 for the whole file."""
    box_mm: Box | None = None
    """Left, top, right and bottom, from the trimmed page's upper left corner."""


@dataclass(frozen=True)
class ArtworkPage:
    """A page of the artwork, and the page of the package that it is."""

    path: Path
    number: int
    """In its file, from 1."""
    reading: PageReading
    folder: Path
    """Where its picture is."""
    part: str
    sheet: Sheetlet
    trim: Box
    """From the page's own upper left corner; all other boxes are from this one's."""
    boxes: tuple[Box, ...] = field(repr=False)
    """Of the characters."""
    marks: tuple[Mark, ...] = field(repr=False)

    @property
    def width(self) -> float:
        """Width of the trimmed page in mm."""
        return self.trim[2] - self.trim[0]

    @property
    def height(self) -> float:
        """Height of the trimmed page in mm."""
        return self.trim[3] - self.trim[1]

    @property
    def picture(self) -> npt.NDArray[np.uint8]:
        """The rendered page: rows of red, green and blue; read where it is looked at."""
        picture: npt.NDArray[np.uint8] = np.load(self.folder / self.reading.picture, mmap_mode="r")
        return picture

    def finding(
        self, severity: Severity, code: str, message: str, box: Box | None = None
    ) -> ArtworkFinding:
        """Return a finding about a place on this page."""
        where = f"page {self.number}"
        if box is not None:
            box = tuple(round(value, 1) + 0.0 for value in box)  # type: ignore[assignment]
            where += f", {box[0]:g} mm from left, {box[1]:g} from top"
        return ArtworkFinding(severity, code, where, str(self.path), 0, message, self.number, box)


def panels_of(page: ArtworkPage) -> tuple[PanelBox, ...]:
    """Return the panels of a page; a label is one."""
    kind = "label" if page.sheet.label else "overflow"
    return page.sheet.boxes or (PanelBox(Panel("", kind), 0, page.sheet.width),)


def file_finding(
    path: Path, severity: Severity, code: str, message: str, where: str = "", page: int = 0
) -> ArtworkFinding:
    """Return a finding about a whole file, or a page of it that is no page of the package."""
    return ArtworkFinding(severity, code, where, str(path), 0, message, page)


def part_name(text: str) -> str:
    """Return a part's name as the templates have it: ``tray_card`` is ``tray-card``."""
    return text.lower().replace("_", "-").replace(" ", "-")


def assign(
    read: Sequence[tuple[Path, Path, PdfReading]], documents: Sequence[Document], bleed: float
) -> tuple[list[ArtworkPage], list[ArtworkFinding]]:
    """Find out which page of the package each page of the artwork is.

    Parameters
    ----------
    read
        Each file, the folder with its pictures, and its content.
    documents
        The parts that it may be.
    bleed
        Of the package in mm.
    """
    free = {part.name: [*part.pages] for part in documents}
    singles = {part.name: [*_single_pages(part)] for part in documents if part.name == "booklet"}
    pages: list[ArtworkPage] = []
    findings: list[ArtworkFinding] = []
    for path, folder, reading in read:
        named = [part.name for part in documents if part.name in part_name(path.stem)]
        for number, page in enumerate(reading.pages, 1):
            names = named or list(free)
            trim = page.trim or _likely_trim(page, [s for n in names for s in free[n]], bleed)
            size = trim[2] - trim[0], trim[3] - trim[1]
            found = _best(page, size, {n: free[n] for n in names})
            single = _best(page, size, {n: singles[n] for n in names if n in singles})
            if single and (not found or single[2] < found[2]):
                found = single
            if not found:
                findings.append(_no_part(path, number, size, documents))
                continue
            part, sheet, _ = found
            (free if sheet in free[part] else singles)[part].remove(sheet)
            pages.append(_artwork_page(path, folder, number, page, part, sheet, trim))
    findings += _missing_pages(pages, free, singles)
    return pages, findings


def _sheets(part: Document) -> Iterator[Sheetlet]:
    return (page for page in part.pages if not page.is_left_over)


def _single_pages(part: Document) -> Iterator[Sheetlet]:
    """Yield the pages of a booklet one by one: the front first, the last page last."""
    sheets = list(_sheets(part))
    singles = [(sheet, box) for sheet in sheets for box in sheet.boxes]
    for n, (sheet, box) in enumerate([*singles[1:], singles[0]]):
        yield Sheetlet(f"booklet, page {n + 1}", box.width, sheet.height, (replace(box, left=0.0),))


def _best(
    page: PageReading, size: tuple[float, float], free: dict[str, list[Sheetlet]]
) -> tuple[str, Sheetlet, float] | None:
    """Return the part and the page that come nearest to a size; of equals, the first."""
    near = [
        (max(abs(size[0] - sheet.width), abs(size[1] - sheet.height)), part, sheet)
        for part, sheets in free.items()
        for sheet in sheets
    ]
    if not near:
        return None
    off = min(distance for distance, _, _ in near)
    if off > _FAR_MM:
        return None
    same = [(part, sheet) for distance, part, sheet in near if distance < off + 0.01]
    if len(same) > 1 and same[0][1].label:
        letters = letters_of(page.text)
        same.sort(key=lambda one: -_text_found(one[1], letters))
    return *same[0], off


def _text_found(sheet: Sheetlet, letters: str) -> int:
    texts = (
        placed.text for flow in sheet.flows for _, line in flow.lines for placed in line.placed
    )
    return sum(letters_of(text) in letters for text in texts)


def _likely_trim(page: PageReading, sheets: Sequence[Sheetlet], bleed: float) -> Box:
    """Return where the trimmed page is likely to be where the file does not say."""
    if page.bleed:
        left, top, right, foot = page.bleed
        return left + bleed, top + bleed, right - bleed, foot - bleed
    for around in (bleed, 0.0):
        size = page.width - 2 * around, page.height - 2 * around
        for sheet in sheets:
            if max(abs(size[0] - sheet.width), abs(size[1] - sheet.height)) <= TOLERANCE_MM:
                return around, around, page.width - around, page.height - around
    return 0, 0, page.width, page.height


def _artwork_page(
    path: Path,
    folder: Path,
    number: int,
    page: PageReading,
    part: str,
    sheet: Sheetlet,
    trim: Box,
) -> ArtworkPage:
    left, top, _, _ = trim
    boxes = tuple(moved(box, left, top) for box in page.boxes)
    marks = tuple(replace(mark, box=moved(mark.box, left, top)) for mark in page.marks)
    return ArtworkPage(path, number, page, folder, part, sheet, trim, boxes, marks)


def _no_part(
    path: Path, number: int, size: tuple[float, float], documents: Sequence[Document]
) -> ArtworkFinding:
    known = {f"{d.name} {s.width:g} × {s.height:g}": None for d in documents for s in _sheets(d)}
    message = (
        f"{size[0]:.1f} × {size[1]:.1f} mm is not a page of this package, or there are more pages "
        f"of it than the package has ({'; '.join(known)}): correct its size, or name the --part"
    )
    return file_finding(path, "error", "no-such-page", message, f"page {number}", number)


def _missing_pages(
    pages: Sequence[ArtworkPage],
    free: dict[str, list[Sheetlet]],
    singles: dict[str, list[Sheetlet]],
) -> Iterator[ArtworkFinding]:
    for part in dict.fromkeys(page.part for page in pages):
        of_part = [page for page in pages if page.part == part]
        has_singles = part in singles and any(len(page.sheet.boxes) == 1 for page in of_part)
        left = [s for s in (singles if has_singles else free)[part] if not s.is_left_over]
        if left:
            count = sum(not page.sheet.is_left_over for page in of_part)
            message = f"{part} has {count} of {count + len(left)} pages: add the others"
            yield file_finding(of_part[0].path, "error", "pages-missing", message)
