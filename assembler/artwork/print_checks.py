"""Check a page for print: sizes, bleed, safe area, inks, lines, type, images.

Figures: 300 ppi and at least 200, black text in K only, no white overprint, type of 5 pt and more
(plants' published rules); lines of 0.25 pt and more: from memory, no published source.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

from assembler.artwork.bleed import bleed_findings
from assembler.artwork.graphics_operators import LEAST_LINE_PT
from assembler.artwork.parts import (
    TOLERANCE_MM,
    ArtworkFinding,
    ArtworkPage,
    file_finding,
    panels_of,
)
from assembler.artwork.reading import Box, Mark, PdfReading, around, overlap
from assembler.artwork.text_operators import LEAST_REVERSED_PT, LEAST_TYPE_PT
from assembler.findings import Severity
from assembler.sleeve.findings import LEAST_PPI, WANTED_PPI

_SAFE_TOLERANCE_MM = 0.5
_NARROW = 4
"""Panels up to so many safe margins wide have none at their folds."""
_RULES: dict[str, tuple[Severity, str]] = {
    "rgb-colour": ("error", "{what} is not CMYK: convert it"),
    "spot-colour": (
        "error",
        "spot colour “{what}”: convert it to CMYK, or agree it with the plant",
    ),
    "too-much-ink": ("warning", "{what} with {value:.0f} % ink in all: stay below 320 %"),
    "rich-black-text": ("error", "black text of several inks ({what}): set it in K 100 alone"),
    "hairline": (
        "error",
        f"a line of {{value:.2f}} pt may not print: draw it with at least {LEAST_LINE_PT:g} pt",
    ),
    "small-type": ("error", f"type of {{value:.1f}} pt: set it in at least {LEAST_TYPE_PT:g} pt"),
    "small-reversed-type": (
        "warning",
        f"white type of {{value:.1f}} pt may fill in: set it in at least {LEAST_REVERSED_PT:g} pt",
    ),
    "white-overprint": (
        "error",
        "white {what} is set to overprint and will vanish: switch overprint off",
    ),
    "font-not-embedded": ("error", "font {what} is not embedded: export with all fonts"),
    "invisible-text": ("warning", "invisible text: remove it, or check what it covers"),
    "image-too-large": ("error", "image of {what} is too large to be checked: scale it to 300 ppi"),
}


def file_findings(path: Path, reading: PdfReading) -> Iterator[ArtworkFinding]:
    """Check a file as a whole: security, scripts, guides, PDF version and PDF/X."""
    if reading.is_protected:
        message = "the PDF is protected: export it without security, plants refuse it"
        yield file_finding(path, "error", "pdf-protected", message)
    if reading.has_scripts:
        message = "the PDF holds a script or an action: export it for print"
        yield file_finding(path, "error", "pdf-scripts", message)
    if reading.has_guides:
        message = (
            "the template’s guides are in the file and switched on: switch their layers off or "
            "remove them before print"
        )
        yield file_finding(path, "warning", "guides-left", message)
    if not reading.claim:
        message = (
            f"PDF {reading.version}, not marked as PDF/X: ask the plant whether it wants PDF/X-1a, "
            "X-3 or X-4"
        )
        yield file_finding(path, "note", "no-pdf-x", message)


def print_findings(page: ArtworkPage, figures: dict[str, float]) -> Iterator[ArtworkFinding]:
    """Check one page."""
    if page.sheet.is_left_over:
        message = (
            "what does not fit on the template, and no page of the package: find room for its "
            "text, and remove the page before print"
        )
        yield page.finding("warning", "left-over-page", message)
        return
    yield from _boxes(page, figures["bleed"])
    yield from bleed_findings(page, figures["bleed"])
    yield from _safe_area(page, figures)
    yield from _marks(page, figures["bleed"])


def _boxes(page: ArtworkPage, bleed: float) -> Iterator[ArtworkFinding]:
    reading, sheet = page.reading, page.sheet
    if reading.trim is None:
        message = "has no TrimBox: export with trim and bleed boxes"
        yield page.finding("error", "no-trim-box", message)
    off = page.width - sheet.width, page.height - sheet.height
    if max(map(abs, off)) > TOLERANCE_MM:
        message = (
            f"is {page.width:.1f} × {page.height:.1f} mm trimmed, {sheet.name} is {sheet.width:g} "
            f"× {sheet.height:g} mm: correct the size, or set the plant’s figures under "
            "`sleeve: sizes:`"
        )
        yield page.finding("error", "wrong-size", message)
    if reading.bleed is None:
        message = f"has no BleedBox: export with a bleed of {bleed:g} mm"
        yield page.finding("warning", "no-bleed-box", message)
        return
    left, top, right, bottom = page.trim
    outer = reading.bleed
    margins = left - outer[0], top - outer[1], outer[2] - right, outer[3] - bottom
    if min(margins) < bleed - 0.1:
        message = (
            f"has a bleed of {max(0.0, min(margins)):.1f} mm, {bleed:g} mm are needed: export again"
        )
        yield page.finding("error", "bleed-box-too-small", message)


def _safe_area(page: ArtworkPage, figures: dict[str, float]) -> Iterator[ArtworkFinding]:
    """Find text too near to the trimmed edge, over a fold, or where a label is not printed."""
    near: dict[str, list[Box]] = defaultdict(list)
    bleed = figures["bleed"]
    paper = (-bleed, -bleed, page.width + bleed, page.height + bleed)
    last: Box | None = None
    for box, sign, drawn in zip(page.boxes, page.reading.text, page.reading.drawn, strict=True):
        is_drawn = drawn == "1" and not sign.isspace() and overlap(box, paper)
        if is_drawn and last and _is_over_fold(page, last, box):
            near["text-over-fold"].append(around([last, box]))
        elif is_drawn and (kind := _place_of(page, box, figures)):
            near[kind].append(box)
        last = box if is_drawn else None
    messages: dict[str, tuple[Severity, str]] = {
        "outside-safe-area": (
            "error",
            f"text is nearer than {figures['safe']:g} mm to the trimmed edge: move it inwards",
        ),
        "text-over-fold": ("error", "text runs over a fold: move it"),
        "near-fold": (
            "warning",
            f"text is nearer than {figures['safe']:g} mm to a fold: move it inwards",
        ),
        "not-printed": ("error", "text is where a label is not printed: move it"),
    }
    for kind, boxes in near.items():
        for block in _blocks(boxes):
            severity, message = messages[kind]
            yield page.finding(severity, kind, message, block)


def _is_over_fold(page: ArtworkPage, one: Box, other: Box) -> bool:
    """Return whether a fold is between two letters of a word."""
    folds = [panel.left for panel in panels_of(page)[1:]]
    first, second = sorted(((one[0] + one[2]) / 2, (other[0] + other[2]) / 2))
    return any(first < fold <= second for fold in folds)


def _place_of(page: ArtworkPage, box: Box, figures: dict[str, float]) -> str | None:
    safe = figures["safe"] - _SAFE_TOLERANCE_MM
    left, top, right, bottom = box
    if page.sheet.label:
        return _place_on_label(page, box, figures, safe)
    if min(top, page.height - bottom) < safe:
        return "outside-safe-area"
    panels = panels_of(page)
    middle = (left + right) / 2
    for n, panel in enumerate(panels):
        start, end = panel.left, panel.left + panel.width
        is_last = n + 1 == len(panels)
        if not (
            start <= middle < end or (n == 0 and middle < start) or (is_last and middle >= end)
        ):
            continue
        is_narrow = panel.width <= _NARROW * figures["safe"]
        margin = 0.0 if is_narrow else safe
        if (n == 0 and left - start < margin) or (is_last and end - right < margin):
            return "outside-safe-area"
        if left < start - 0.2 or right > end + 0.2:
            return "text-over-fold"
        if left - start < margin or end - right < margin:
            return "near-fold"
    return None


def _place_on_label(
    page: ArtworkPage, box: Box, figures: dict[str, float], safe: float
) -> str | None:
    label = page.sheet.label
    assert label
    across, up = (figures[name] for name in label.no_print)
    x, y = page.width / 2, page.height / 2
    corners = [(box[n], box[m]) for n in (0, 2) for m in (1, 3)]
    if not label.is_round:
        if min(box[0], box[1], page.width - box[2], page.height - box[3]) < safe:
            return "outside-safe-area"
        window = (x - across / 2 + 0.2, y - up / 2 + 0.2, x + across / 2 - 0.2, y + up / 2 - 0.2)
        return "not-printed" if overlap(box, window) else None
    distances = [((one - x) ** 2 + (other - y) ** 2) ** 0.5 for one, other in corners]
    if max(distances) > x - safe:
        return "outside-safe-area"
    nearest_x = min(max(x, box[0]), box[2])
    nearest_y = min(max(y, box[1]), box[3])
    nearest = ((nearest_x - x) ** 2 + (nearest_y - y) ** 2) ** 0.5
    return "not-printed" if nearest < across / 2 - 0.2 else None


def _blocks(boxes: Sequence[Box]) -> list[Box]:
    """Join boxes that are near each other, so that a word is one finding."""
    blocks: list[Box] = []
    for box in boxes:
        wide = (box[0] - 6, box[1] - 6, box[2] + 6, box[3] + 6)
        if blocks and overlap(blocks[-1], wide):
            blocks[-1] = around([blocks[-1], box])
        else:
            blocks.append(box)
    return blocks


def _marks(page: ArtworkPage, bleed: float) -> Iterator[ArtworkFinding]:
    """Report each kind of mark once, where it is first, with how often it is there."""
    paper = (-bleed, -bleed, page.width + bleed, page.height + bleed)
    kinds: dict[tuple[str, str], list[Mark]] = defaultdict(list)
    for mark in page.marks:
        if not overlap(mark.box, paper):
            continue
        if mark.code == "image":
            yield from _resolution(page, mark)
        else:
            kinds[mark.code, mark.what].append(mark)
    for (code, what), marks in kinds.items():
        severity, text = _RULES[code]
        first = max(marks, key=lambda m: m.value) if code == "too-much-ink" else marks[0]
        if code in ("hairline", "small-type", "small-reversed-type"):
            first = min(marks, key=lambda m: m.value)
        message = text.format(what=what, value=first.value)
        if len(marks) > 1:
            message += f" ({len(marks)} places)"
        yield page.finding(severity, code, message, first.box)


def _resolution(page: ArtworkPage, mark: Mark) -> Iterator[ArtworkFinding]:
    if mark.value < WANTED_PPI - 1:
        severity: Severity = "error" if mark.value < LEAST_PPI else "warning"
        message = (
            f"image of {mark.what} has {mark.value:.0f} ppi at its size, {WANTED_PPI} are wanted "
            f"and {LEAST_PPI} is the least: place a larger file, or print it smaller"
        )
        yield page.finding(severity, "image-ppi", message, mark.box)
