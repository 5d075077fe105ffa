"""Write the artwork's pages as PNG with each finding's place marked and numbered."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from assembler.artwork.parts import ArtworkFinding, ArtworkPage
from assembler.file_names import safe_name
from assembler.typeset.fonts import FILES, FOLDER

DPI = 150
_COLOURS = {"error": (200, 0, 40), "warning": (200, 110, 0), "note": (0, 90, 190)}
_AROUND_MM = 1.0


def write_marked(
    folder: Path, pages: Sequence[ArtworkPage], findings: Sequence[ArtworkFinding]
) -> list[Path]:
    """Write one PNG for each page, and ``findings.txt`` with the numbered findings.

    Parameters
    ----------
    folder
        Where they are written.
    pages
        The artwork.
    findings
        All findings; their numbers are their places in this list, from 1.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for page in pages:
        numbered = [
            (n, finding)
            for n, finding in enumerate(findings, 1)
            if finding.file == str(page.path) and finding.page == page.number
        ]
        path = folder / f"{safe_name(page.path.stem)}-{page.number:02d}.png"
        _marked_page(page, numbered).save(path)
        written.append(path)
    listed = folder / "findings.txt"
    lines = [f"{n}  {finding}" for n, finding in enumerate(findings, 1)]
    listed.write_text("\n".join((*lines, "")), encoding="utf-8")
    return [*written, listed]


def _marked_page(page: ArtworkPage, numbered: Sequence[tuple[int, ArtworkFinding]]) -> Image.Image:
    dots = DPI / 25.4
    size = (round(page.reading.width * dots), round(page.reading.height * dots))
    image = Image.fromarray(page.picture).resize(size, Image.Resampling.LANCZOS)
    draw = ImageDraw.Draw(image)
    font = ImageFont.truetype(str(FOLDER / FILES["DejaVuSans-Bold"]), 20)
    left, top = page.trim[:2]
    trim = tuple(value * dots for value in page.trim)
    draw.rectangle(trim, outline=(0, 150, 150), width=1)
    without_place = 0
    for n, finding in numbered:
        colour = _COLOURS[finding.severity]
        if finding.box_mm is None:
            at = (trim[0] + 4 + 44 * without_place, max(0.0, trim[1] - 28))
            without_place += 1
        else:
            x0, y0, x1, y1 = finding.box_mm
            box = (
                max(0.0, (left + x0 - _AROUND_MM) * dots),
                max(0.0, (top + y0 - _AROUND_MM) * dots),
                min(size[0] - 1.0, (left + x1 + _AROUND_MM) * dots),
                min(size[1] - 1.0, (top + y1 + _AROUND_MM) * dots),
            )
            draw.rectangle(box, outline=colour, width=2)
            at = (min(box[0], size[0] - 30.0), max(0.0, box[1] - 24))
        _number(draw, str(n), at, colour, font)
    return image


def _number(
    draw: ImageDraw.ImageDraw,
    text: str,
    at: tuple[float, float],
    colour: tuple[int, int, int],
    font: ImageFont.FreeTypeFont,
) -> None:
    wide = draw.textlength(text, font=font)
    draw.rectangle((at[0], at[1], at[0] + wide + 8, at[1] + 24), fill=colour)
    draw.text((at[0] + 4, at[1]), text, fill=(255, 255, 255), font=font)
