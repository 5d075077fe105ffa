"""What each panel carries: the blocks of the credits sheet, set in lines at a scale."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from typing import Any

from reportlab.lib.units import mm

from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.sheets.credits_sheet import credits_sheet
from assembler.sheets.track_blocks import NO_ISRC, track_lists
from assembler.sleeve.logos import Logo, PlacedLogo, in_rows
from assembler.sleeve.packages import Label, figures_of, kinds_of_panels
from assembler.typeset.barcode import HEIGHT_MM, draw_barcode
from assembler.typeset.blocks import BarcodeSymbol, Block, Item, Note, Paragraph, Row, Sheet
from assembler.typeset.lines import item_lines
from assembler.typeset.pages import Frame, Line, Page, Type, fitted, height, kept, paged, text_lines

SCALES = (1.0, 0.9, 0.8, 0.74)
"""Of the credits sheet's type: its main text from 9 pt to 6.7 pt."""
LEAST_SPINE_PT = 5.0
LEAST_BARCODE = 0.8
"""Of its nominal size (GS1 General Specifications, section 5.2)."""
_TITLE, _ARTIST, _HEAD = Type(20, 25, "bold"), Type(13, 18), Type(9, 14, "bold")


@dataclass(frozen=True)
class Texts:
    """The blocks of a sheet for each kind of panel, and the spine's line."""

    sheet: Sheet
    blocks: dict[str, tuple[Block, ...]]
    spine: str
    legal: str
    """Kind of the panel with the legal lines and the logos."""
    barcode: str | None
    labels: tuple[tuple[str, tuple[Block, ...]], ...]
    """Name of each label and its blocks, artist and title first."""


@dataclass(frozen=True)
class Fitted:
    """Lines in frames of one size at a scale; what does not fit is in frames after the last."""

    scale: float
    frame: Frame
    pages: tuple[Page, ...]
    over_mm: float


def texts_of(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> Texts:
    """Return the texts of the printed parts, from the credits sheet's blocks."""
    sheet = credits_sheet(manifest, tracks)
    of_part = {
        part.title: tuple(block for block in map(_printed, part.blocks) if block.items)
        for part in sheet.parts
    }
    front = (Block("", tuple(item for block in of_part["Front"] for item in block.items[:2])),)
    (row,) = of_part["Spine"][0].items
    assert isinstance(row, Row)
    blocks = {"front": front, "back": of_part["Back"], "credits": of_part.get("Booklet", ())}
    labels = tuple(
        (block.title, (block,)) for block in of_part.get("Disc label") or of_part["Label"]
    )
    on_panels = _on_panels(manifest, blocks)
    legal = "back" if "back" in on_panels else "credits"
    return Texts(sheet, on_panels, row.text, legal, manifest.release.barcode, labels)


def _on_panels(
    manifest: Manifest, blocks: dict[str, tuple[Block, ...]]
) -> dict[str, tuple[Block, ...]]:
    """Return the blocks of each kind of panel that a package has; back and credits may share one.

    A wallet has no panel for the credits: they are on its back. A J-card has no back: its texts
    are inside, before the credits, and its barcode is on a panel of its own.
    """
    assert manifest.sleeve
    kinds = kinds_of_panels(manifest.sleeve)
    both = (*blocks["back"], *blocks["credits"])
    if "credits" not in kinds:
        return {"front": blocks["front"], "back": both}
    if "back" in kinds:
        return blocks
    inside = tuple(block for block in both if not isinstance(block.items[0], BarcodeSymbol))
    return {"front": blocks["front"], "credits": inside}


def side_labels(
    manifest: Manifest, tracks: Sequence[TrackMetadata], texts: Texts
) -> tuple[tuple[str, tuple[Block, ...]], ...]:
    """Return the labels of a record's or a cassette's sides, with their tracks."""
    sleeve = manifest.sleeve
    edges = (1, *(sleeve.sides if sleeve else ()), len(manifest.tracks) + 1)
    of_label = texts.labels[0][1][0].items
    labels = []
    for number, (first, end) in enumerate(pairwise(edges)):
        name = f"Side {chr(ord('A') + number)}"
        own = [one for one in tracks if not one.group and first <= one.running_number < end]
        lists = track_lists(manifest.release, own)
        rows = tuple(item for block in map(_printed, lists) for item in block.items[:-1])
        items = (*of_label[:2], Row(name, is_strong=True), *rows, *of_label[2:])
        labels.append((name, (Block("", items),)))
    return tuple(labels)


def labels_of(
    manifest: Manifest, tracks: Sequence[TrackMetadata], texts: Texts, label: Label
) -> tuple[tuple[str, tuple[Block, ...]], ...]:
    """Return the name of each label and its blocks."""
    return side_labels(manifest, tracks, texts) if label.has_sides else texts.labels


def _printed(block: Block) -> Block:
    """Return a block as it is printed: without notes, and without the names of its fields."""
    items: list[Item] = []
    for item in block.items:
        if isinstance(item, Row) and item.label and not item.label.isdigit():
            item = replace(item, text=_of_field(item), label="")
            if not item.text:
                continue
        if not isinstance(item, Note) and not (isinstance(item, Row) and item.end == NO_ISRC):
            items.append(item)
    return Block(block.title, tuple(items))


def _of_field(row: Row) -> str:
    """Return the text of a named field; a barcode's digits are below its bars."""
    if row.label == "Barcode":
        return ""
    return f"Disc {row.text}" if row.label == "Disc" else row.text


def fit(
    blocks: Sequence[Block],
    width_mm: float,
    height_mm: float,
    frames: int,
    logos: Sequence[Logo] = (),
    *,
    is_front: bool = False,
) -> Fitted:
    """Set blocks into frames of one size, in the largest scale in which they fit."""
    set_at = partial(_fit_at, blocks, width_mm, height_mm, frames, logos, is_front)
    tried = (set_at(scale) for scale in SCALES)
    return next((one for one in tried if not one.over_mm), None) or set_at(SCALES[-1])


def _fit_at(
    blocks: Sequence[Block],
    width_mm: float,
    height_mm: float,
    frames: int,
    logos: Sequence[Logo],
    is_front: bool,
    scale: float,
) -> Fitted:
    width, top = width_mm * mm / scale, height_mm * mm / scale
    frame = Frame(0, width, top, 0, 0)
    lines = list(_front_lines(blocks, frame) if is_front else _lines(blocks, frame, scale))
    if logos:
        lines.append(_logos_line(logos, frame, scale))
    pages = tuple(paged(lines, frame))
    over = sum(height([line for _, line in page]) for page in pages[frames:])
    return Fitted(scale, frame, pages, over * scale / mm)


def _front_lines(blocks: Sequence[Block], frame: Frame) -> Iterator[Line]:
    for item, kind in zip(blocks[0].items, (_ARTIST, _TITLE), strict=False):
        if isinstance(item, Row):
            yield from text_lines(item.text, frame, kind)


def _lines(blocks: Sequence[Block], frame: Frame, scale: float) -> Iterator[Line]:
    for n, block in enumerate(blocks):
        if block.items and isinstance(symbol := block.items[0], BarcodeSymbol):
            yield _barcode_line(symbol, frame, max(1.0, LEAST_BARCODE / scale))
            continue
        has_title = block.title and not block.title.startswith(("Rights", "Barcode", "Disc"))
        if has_title:
            yield from kept(text_lines(block.title, frame, _HEAD, 8 if n else 0), with_next=True)
        yield from item_lines(block.items, frame, 1 if has_title else 6 if n else 0)


def _barcode_line(symbol: BarcodeSymbol, frame: Frame, grown: float) -> Line:
    """Set a barcode, which does not become smaller than it may be."""

    def draw(canvas: Any, y_pt: float) -> None:
        canvas.saveState()
        canvas.translate(frame.body, y_pt)
        canvas.scale(grown, grown)
        draw_barcode(canvas, symbol.code, 0, 0)
        canvas.restoreState()

    return Line((), HEIGHT_MM * grown * mm, 8, drawing=draw)


def _logos_line(logos: Sequence[Logo], frame: Frame, scale: float) -> Line:
    """Set logos beside and below each other, at the same size in any scale of the type."""
    placed, high_mm = in_rows(logos, frame.width * scale / mm)

    def draw(canvas: Any, y_pt: float) -> None:
        canvas.saveState()
        canvas.translate(frame.body, y_pt)
        canvas.scale(1 / scale, 1 / scale)
        for logo, left, foot, size in placed:
            logo.draw(canvas, left, foot, size)
        canvas.restoreState()

    return Line((), high_mm * mm / scale, 8, drawing=draw)


def spine_type(text: str, length_mm: float, width_mm: float) -> tuple[Type, float]:
    """Return the type of a spine's line, and how many mm of it do not fit."""
    size = max(LEAST_SPINE_PT, min(11.0, 0.6 * width_mm * mm))
    kind = fitted(text, length_mm * mm, Type(size, 1.2 * size, "bold"), LEAST_SPINE_PT)
    return kind, max(0.0, kind.width(text) / mm - length_mm)


def label_zones(manifest: Manifest, label: Label) -> tuple[tuple[float, float, float, float], ...]:
    """Return where a label's text goes: left, foot, width and height in mm, above and below."""
    assert manifest.sleeve
    figures = figures_of(manifest.sleeve)
    width, high = figures[label.width], figures[label.height]
    inner, safe = figures[label.no_print[1]], figures["safe"]
    foot = (high + inner) / 2 + 1
    if not label.is_round:
        zone_high = high - safe - foot
        wide = width - 2 * safe
        return (safe, foot, wide, zone_high), (safe, safe, wide, zone_high)
    radius = width / 2 - safe
    zones = []
    for far in (0.72 if inner > width / 4 else 0.6, 0.8):  # chord at this share of the radius
        half = (radius**2 - (far * radius) ** 2) ** 0.5
        zones.append((half, far * radius - inner / 2 - 1))
    (up, up_high), (down, down_high) = zones
    return (
        (width / 2 - up, foot, 2 * up, up_high),
        (width / 2 - down, (high - inner) / 2 - 1 - down_high, 2 * down, down_high),
    )


def logos_beside(manifest: Manifest, label: Label, logos: Sequence[Logo]) -> Iterator[PlacedLogo]:
    """Yield a label's first two logos: at the left and at the right of what is not printed."""
    assert manifest.sleeve
    figures = figures_of(manifest.sleeve)
    width, safe = figures[label.width], figures["safe"]
    inner, inner_high = (figures[name] for name in label.no_print)
    room = (width - inner) / 2 - safe - 2
    for logo, middle in zip(logos, (safe + room / 2, width - safe - room / 2), strict=False):
        wide, high = logo.size_mm(0.9 * room, inner_high)
        yield logo, middle - wide / 2, (figures[label.height] - high) / 2, (wide, high)


def label_texts(blocks: Sequence[Block], label: Label) -> tuple[tuple[Block, ...], ...]:
    """Split a label's rows: artist and title above its middle, the rest below."""
    items = blocks[0].items
    below: tuple[Item, ...] = items[2:]
    if not label.is_round:
        rows = [item for item in below if isinstance(item, Row)]
        below = (
            Paragraph(
                " · ".join(
                    " ".join(filter(None, (r.label, r.text, *r.details, r.end))) for r in rows
                )
            ),
        )
    return (Block("", items[:2]),), (Block("", below),)
