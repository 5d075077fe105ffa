"""Place the texts on the pages of each printed part: frames, spines, labels."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from reportlab.lib.units import mm

from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.sleeve.content import (
    Fitted,
    Texts,
    fit,
    label_texts,
    label_zones,
    labels_of,
    logos_beside,
    spine_type,
    texts_of,
)
from assembler.sleeve.logos import Logo, PlacedLogo
from assembler.sleeve.packages import PACKS, Label, Panel, Printed, figures_of, parts_of
from assembler.typeset.pages import Page, Type


@dataclass(frozen=True)
class Box:
    """A panel on its page, in mm from the trimmed page's lower left corner."""

    panel: Panel
    left: float
    width: float


@dataclass(frozen=True)
class Flow:
    """Lines in a frame whose lower left corner is at a place, in mm."""

    left: float
    foot: float
    fitted: Fitted
    lines: Page


@dataclass(frozen=True)
class SpineText:
    """A spine's line through the middle of a panel, in mm."""

    middle: float
    text: str
    type: Type
    over_mm: float


@dataclass(frozen=True)
class TurnedBarcode:
    """A barcode along the middle of a narrow panel, its bars cut to a height, in mm."""

    middle: float
    code: str
    height: float


@dataclass(frozen=True)
class Sheetlet:
    """A page: its trimmed size in mm, its panels, and what is on it."""

    name: str
    width: float
    height: float
    boxes: tuple[Box, ...] = ()
    flows: tuple[Flow, ...] = ()
    spines: tuple[SpineText, ...] = ()
    label: Label | None = None
    logos: tuple[PlacedLogo, ...] = ()
    """On a label; those of other pages are in its flows."""
    barcodes: tuple[TurnedBarcode, ...] = ()
    """On panels of their own; others are in its flows."""
    is_left_over: bool = False
    """It carries what does not fit on the others, and is no page of the package."""


@dataclass(frozen=True)
class Document:
    """A printed part: its pages, and the texts that do not fit, with their excess in mm."""

    name: str
    pages: tuple[Sheetlet, ...]
    too_much: tuple[tuple[str, float], ...]


def documents(
    manifest: Manifest, tracks: Sequence[TrackMetadata], logos: Sequence[Logo] = ()
) -> tuple[Texts, tuple[Document, ...]]:
    """Return the printed parts of a manifest with a sleeve, laid out."""
    assert manifest.sleeve
    texts = texts_of(manifest, tracks)
    figures = figures_of(manifest.sleeve)
    parts = [_printed_part(part, texts, figures, logos) for part in parts_of(manifest.sleeve)]
    label = PACKS[manifest.sleeve.package].label
    return texts, (*parts, _label_part(manifest, tracks, texts, label, logos))


def _boxes(panels: Sequence[Panel], figures: dict[str, float]) -> Iterator[Box]:
    left = 0.0
    for panel in panels:
        if width := figures[panel.width]:
            yield Box(panel, left, width)
            left += width


def _printed_part(
    part: Printed, texts: Texts, figures: dict[str, float], logos: Sequence[Logo]
) -> Document:
    high, safe = figures[part.height], figures["safe"]
    pages = [tuple(_boxes(panels, figures)) for panels in part.pages]
    order = _reading_order(part, pages)
    placed: dict[tuple[int, int], Flow] = {}
    left_over: list[Sheetlet] = []
    too_much: list[tuple[str, float]] = []
    for kind, blocks in texts.blocks.items():
        places = [place for place in order if pages[place[0]][place[1]].panel.text == kind]
        if not places:
            continue
        wide = min(pages[page][n].width for page, n in places) - 2 * safe
        own = logos if kind == texts.legal else ()
        fitted = fit(blocks, wide, high - 2 * safe, len(places), own, is_front=kind == "front")
        if fitted.over_mm:
            too_much.append((f"{part.name}, {kind}", fitted.over_mm))
            left_over += _left_over(f"{part.name}, {kind}", fitted, len(places), safe)
        for (page, n), lines in zip(places, fitted.pages, strict=False):
            placed[page, n] = Flow(pages[page][n].left + safe, safe, fitted, lines)
    spines = [tuple(_spines(boxes, texts, high - 2 * safe)) for boxes in pages]
    over = max((one.over_mm for on_page in spines for one in on_page), default=0)
    if over:
        too_much.append((f"{part.name}, spine", over))
    sheetlets = tuple(
        Sheetlet(
            f"{part.name}, page {number + 1} of {len(pages)}",
            sum(box.width for box in boxes),
            high,
            boxes,
            tuple(flow for (page, _), flow in sorted(placed.items()) if page == number),
            spines[number],
            barcodes=tuple(_barcodes(boxes, texts.barcode, safe)),
        )
        for number, boxes in enumerate(pages)
    )
    return Document(part.name, (*sheetlets, *left_over), tuple(too_much))


def _spines(boxes: Sequence[Box], texts: Texts, length: float) -> Iterator[SpineText]:
    for box in boxes:
        if box.panel.text == "spine":
            kind, over = spine_type(texts.spine, length, box.width)
            yield SpineText(box.left + box.width / 2, texts.spine, kind, over)


def _barcodes(boxes: Sequence[Box], code: str | None, safe: float) -> Iterator[TurnedBarcode]:
    for box in boxes:
        if code and box.panel.text == "barcode":
            yield TurnedBarcode(box.left + box.width / 2, code, box.width - 2 * safe)


def _reading_order(part: Printed, pages: Sequence[tuple[Box, ...]]) -> list[tuple[int, int]]:
    """Return page and panel in reading order: a booklet's last page is left of its first."""
    order = [(page, n) for page, boxes in enumerate(pages) for n in range(len(boxes))]
    return [*order[1:], order[0]] if part.name == "booklet" else order


def _left_over(name: str, fitted: Fitted, frames: int, safe: float) -> list[Sheetlet]:
    """Return pages with the texts that do not fit: nothing is cut."""
    wide, high = (side * fitted.scale / mm for side in (fitted.frame.width, fitted.frame.height))
    return [
        Sheetlet(
            f"{name}: does not fit",
            wide + 2 * safe,
            high + 2 * safe,
            flows=(Flow(safe, safe, fitted, lines),),
            is_left_over=True,
        )
        for lines in fitted.pages[frames:]
    ]


def _label_part(
    manifest: Manifest,
    tracks: Sequence[TrackMetadata],
    texts: Texts,
    label: Label,
    logos: Sequence[Logo],
) -> Document:
    assert manifest.sleeve
    figures = figures_of(manifest.sleeve)
    zones = label_zones(manifest, label)
    pages, left_over, too_much = [], [], []
    for name, blocks in labels_of(manifest, tracks, texts, label):
        flows = []
        for (left, foot, wide, high), part in zip(zones, label_texts(blocks, label), strict=True):
            fitted = fit(part, wide, high, 1)
            if fitted.over_mm:
                too_much.append((f"{label.name}, {name}", fitted.over_mm))
                left_over += _left_over(f"{label.name}, {name}", fitted, 1, figures["safe"])
            flows.append(Flow(left, foot, fitted, fitted.pages[0]))
        size = figures[label.width], figures[label.height]
        placed = tuple(logos_beside(manifest, label, logos))
        pages.append(Sheetlet(f"{label.name}, {name}", *size, (), tuple(flows), (), label, placed))
    return Document(label.name, (*pages, *left_over), tuple(too_much))
