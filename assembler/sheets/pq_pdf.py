"""The PQ sheet as a printed form: A4, heads on every page, signatures on the last."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from assembler.sheets.pq_bands import (
    FOOT,
    TOP,
    Density,
    Strip,
    continued,
    file_bands,
    file_heads,
    head,
    height,
    running_head,
    signature_band,
    table_head,
    total_bands,
    track_bands,
)
from assembler.sheets.pq_sheet import NAME, PqSheet
from assembler.typeset.blocks import Sheet
from assembler.typeset.pdf_document import new_document
from assembler.typeset.pdf_fonts import write_runs

ROOM_PT = TOP - FOOT
DENSITIES = (Density(8.5, 13, 9), Density(8.5, 11.5, 6), Density(8, 9.8, 3), Density(7.5, 8.8, 2.4))
SEVERAL_PAGES = DENSITIES[1]
MOST_ON_ONE_PAGE = 20
TRACKS_WITH_CLOSING = 3
"""Tracks that stay with totals, files and signatures where these need another page."""
LARGEST_WHOLE_TRACK = 0.3
"""Share of a page up to which a track is not broken."""
LARGEST_WHOLE_CLOSING = 0.8
"""Share of a page up to which totals, files and signatures are not broken."""


@dataclass(frozen=True)
class Group:
    """Bands kept together on a page; the heading is set above them if they open one."""

    bands: tuple[Strip, ...]
    heading: tuple[Strip, ...] = ()


def write_pq_pdf(sheet: PqSheet, target: Path) -> None:
    """Write the sheet as a PDF whose bytes depend on its data alone.

    Up to 20 tracks are set with the widest spacing that fits one page; more tracks, or titles too
    long for that, take several pages.

    Parameters
    ----------
    sheet
        The data of one disc.
    target
        PDF file to write.
    """
    densities = DENSITIES if len(sheet.tracks) <= MOST_ON_ONE_PAGE else ()
    spreads = (_pages(sheet, density) for density in densities)
    pages = next((one for one in spreads if len(one) == 1), None) or _pages(sheet, SEVERAL_PAGES)
    canvas = new_document(target, Sheet(sheet.artist, sheet.title, (), NAME, None, ()))
    for number, body in enumerate(pages, 1):
        top = head if number == 1 else running_head
        y = TOP
        for band in [*top(sheet, f"Page {number} of {len(pages)}"), *body]:
            _draw(canvas, band, y)
            y -= band.height_pt
        canvas.showPage()
    canvas.save()


def _pages(sheet: PqSheet, density: Density) -> list[list[Strip]]:
    """Return the bands of each page, below its head."""
    first_pt, later_pt = (ROOM_PT - height(top(sheet, "")) for top in (head, running_head))
    heading_pt = height([table_head()]) + density.row_pt
    closing = _closing_groups(sheet, later_pt)
    groups = [*_track_groups(sheet, density), *closing]
    spread = _spread(groups, first_pt - height([table_head()]), later_pt - heading_pt)
    _keep_tracks_with(spread, closing[0], later_pt - heading_pt)
    pages = [[*page[0].heading, *(b for group in page for b in group.bands)] for page in spread]
    at_foot = len(file_bands(sheet)) + 2 if len(closing) == 1 else 1
    room_pt = (first_pt if len(pages) == 1 else later_pt) - height(pages[-1])
    pages[-1].insert(len(pages[-1]) - at_foot, Strip(room_pt))
    return pages


def _track_groups(sheet: PqSheet, density: Density) -> Iterator[Group]:
    """Return each track as one group; a tall one row by row, two rows together at either end."""
    for track in sheet.tracks:
        bands = tuple(track_bands(sheet, track, density))
        whole = height(bands) <= ROOM_PT * LARGEST_WHOLE_TRACK
        cuts = [0, len(bands)] if whole else [0, *range(2, len(bands) - 2), len(bands)]
        for start, end in pairwise(cuts):
            again = (continued(track, density),) if start else ()
            yield Group(bands[start:end], (table_head(), *again))


def _closing_groups(sheet: PqSheet, room_pt: float) -> list[Group]:
    """Return totals, files and signatures as one group, or file by file if they are too many."""
    sums, heads, lines = total_bands(sheet), file_heads(), file_bands(sheet)
    whole = Group((*sums, heads, *lines, signature_band()))
    if height(whole.bands) <= room_pt * LARGEST_WHOLE_CLOSING:
        return [whole]
    each = [Group((line,), (heads,)) for line in lines]
    return [Group((*sums, heads)), *each, Group((signature_band(),))]


def _spread(groups: Iterable[Group], first_pt: float, later_pt: float) -> list[list[Group]]:
    pages: list[list[Group]] = [[]]
    room_pt = first_pt
    for group in groups:
        if pages[-1] and height(group.bands) > room_pt:
            pages.append([])
            room_pt = later_pt
        pages[-1].append(group)
        room_pt -= height(group.bands)
    return pages


def _keep_tracks_with(pages: list[list[Group]], closing: Group, room_pt: float) -> None:
    """Move tracks to the page of the closing if few stand there before it."""
    for before, page in pairwise(pages):
        if closing in page:
            room_pt -= sum(height(group.bands) for group in page)
            lacking = TRACKS_WITH_CLOSING - page.index(closing)
            for _ in range(min(lacking, len(before) - 1)):
                room_pt -= height(before[-1].bands)
                if room_pt >= 0:
                    page.insert(0, before.pop())


def _draw(canvas: Any, band: Strip, top_pt: float) -> None:
    """Draw a band whose top is `top_pt` above the lower edge of the page."""
    for stroke in band.strokes:
        canvas.setLineWidth(stroke.width_pt)
        canvas.setStrokeGray(stroke.grey)
        down, to_down = top_pt - stroke.down_pt, top_pt - stroke.to_down_pt
        canvas.line(stroke.x_pt, down, stroke.to_x_pt, to_down)
    text = canvas.beginText()
    for spot in band.spots:
        text.setTextOrigin(spot.x_pt, top_pt - spot.down_pt)
        text.setFillGray(spot.type.grey)
        write_runs(text, spot.text, spot.type.weight, spot.type.size_pt)
    canvas.drawText(text)
