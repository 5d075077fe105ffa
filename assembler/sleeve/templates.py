"""Write the templates: pages with boxes, live text in black ink, and guides on layers of their own.

ISO 32000-1: page boxes 14.11.2, optional content 8.11. pikepdf adds the layers, which reportlab
can't.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from reportlab.lib.units import mm

from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.sleeve.layout import Document, Flow, Sheetlet, SpineText, TurnedBarcode, documents
from assembler.sleeve.logos import readable_logos
from assembler.sleeve.packages import LAYERS, PLANT_WINS, figures_of, logo_copies
from assembler.typeset.barcode import WIDTH_MM, draw_barcode
from assembler.typeset.pages import Placed, Type
from assembler.typeset.pdf_document import BlackInk, new_document
from assembler.typeset.pdf_fonts import write_runs
from assembler.typeset.sheet_pdf import draw_line
from assembler.typeset.typeset import in_printed_order, joined, reads_right_to_left

MARGIN_MM = 14.0
"""Around the bleed: crop marks, names and sizes."""
_GUIDE = (0.9, 0.2, 0, 0)
_DOTTED = [0.6, 1.6]
_NAME = Type(6.5, 8.5)


def write_templates(
    folder: Path, manifest: Manifest, tracks: Sequence[TrackMetadata], logos: Sequence[Path]
) -> None:
    """Write ``templates/*.pdf``, one file for each printed part; nothing without a sleeve.

    Parameters
    ----------
    folder
        Also the logos are copied to it, for the designer.
    manifest, tracks
        What the parts carry.
    logos
        The files of the manifest's logos.
    """
    sleeve = manifest.sleeve
    if not sleeve:
        return
    for logo, name in zip(logos, logo_copies(sleeve), strict=True):
        if not logo.is_file():  # of a damaged release
            continue
        (folder / "logos").mkdir(parents=True, exist_ok=True)
        shutil.copyfile(logo, folder / name)
    placed = readable_logos([folder / name for name in logo_copies(sleeve)])
    (folder / "templates").mkdir(parents=True, exist_ok=True)
    texts, parts = documents(manifest, tracks, placed)
    for part in parts:
        path = folder / "templates" / f"{part.name}.pdf"
        canvas = new_document(path, texts.sheet, kind=BlackInk)
        canvas.setSubject(f"Template: {part.name}. {PLANT_WINS}")
        for page in part.pages:
            _draw_page(canvas, page, manifest, part)
        canvas.save()
        _add_layers(path)


def _draw_page(canvas: Any, page: Sheetlet, manifest: Manifest, part: Document) -> None:
    assert manifest.sleeve
    figures = figures_of(manifest.sleeve)
    bleed = figures["bleed"]
    around = MARGIN_MM + bleed
    wide, high = page.width + 2 * around, page.height + 2 * around
    canvas.setPageSize((wide * mm, high * mm))
    canvas.setTrimBox(_box(around, page, 0))
    canvas.setBleedBox(_box(around, page, bleed))
    canvas.translate(around * mm, around * mm)
    for flow in page.flows:
        _draw_flow(canvas, flow)
    for spine in page.spines:
        _draw_spine(canvas, spine, page.height, manifest.sleeve.spine)
    for barcode in page.barcodes:
        _draw_barcode(canvas, barcode, page.height)
    for logo, left, foot, size in page.logos:
        logo.draw(canvas, left, foot, size)
    _draw_trim(canvas, page, bleed)
    _draw_panels(canvas, page, figures)
    if page.label:
        _draw_label(canvas, page, figures)
    with _guides(canvas, "Names"):
        _draw_names(canvas, page, bleed, part)
    canvas.showPage()


def _box(around: float, page: Sheetlet, more: float) -> tuple[float, float, float, float]:
    low = (around - more) * mm
    return low, low, (around + page.width + more) * mm, (around + page.height + more) * mm


@contextmanager
def _guides(canvas: Any, layer: str) -> Iterator[None]:
    """Draw on a layer of guides (ISO 32000-1, 8.11.3.2: marked optional content)."""
    canvas.saveState()
    canvas._code.append(f"/OC /{layer} BDC")
    canvas.setStrokeColorCMYK(*_GUIDE)
    canvas.setFillColorCMYK(*_GUIDE)
    canvas.setLineWidth(0.4)
    yield
    canvas._code.append("EMC")
    canvas.restoreState()


def _draw_flow(canvas: Any, flow: Flow) -> None:
    canvas.saveState()
    canvas.translate(flow.left * mm, flow.foot * mm)
    canvas.scale(flow.fitted.scale, flow.fitted.scale)
    for y, line in flow.lines:
        draw_line(canvas, line, y, flow.fitted.frame)
    canvas.restoreState()


def _draw_spine(canvas: Any, spine: SpineText, high: float, direction: str) -> None:
    canvas.saveState()
    canvas.translate(spine.middle * mm, high / 2 * mm)
    canvas.rotate(-90 if direction == "down" else 90)
    shaped = joined(spine.text)
    line = in_printed_order(shaped, right_to_left=reads_right_to_left(shaped))
    _write(
        canvas, Placed(-spine.type.width(line) / 2, line, spine.type), -0.35 * spine.type.size_pt
    )
    canvas.restoreState()


def _draw_barcode(canvas: Any, barcode: TurnedBarcode, high: float) -> None:
    """Draw a barcode at nominal width; what its panel has no room for is cut off its bars."""
    canvas.saveState()
    canvas.translate((barcode.middle + barcode.height / 2) * mm, (high - WIDTH_MM) / 2 * mm)
    canvas.rotate(90)
    room = canvas.beginPath()
    room.rect(0, 0, WIDTH_MM * mm, barcode.height * mm)
    canvas.clipPath(room, stroke=0, fill=0)
    draw_barcode(canvas, barcode.code, 0, 0)
    canvas.restoreState()


def _write(canvas: Any, placed: Placed, y_pt: float, *, is_guide: bool = False) -> None:
    text = canvas.beginText()
    text.setTextOrigin(placed.x_pt, y_pt)
    if not is_guide:
        text.setFillGray(0)
    write_runs(text, placed.text, placed.type.weight, placed.type.size_pt)
    canvas.drawText(text)


def _draw_trim(canvas: Any, page: Sheetlet, bleed: float) -> None:
    """Draw the trimmed edge, the edge of the bleed, and crop marks."""
    wide, high = page.width * mm, page.height * mm
    near, far = bleed * mm, (bleed + 4) * mm
    with _guides(canvas, "Trim"):
        for x in (0.0, wide):
            canvas.line(x, -far, x, -near)
            canvas.line(x, high + near, x, high + far)
        for y in (0.0, high):
            canvas.line(-far, y, -near, y)
            canvas.line(wide + near, y, wide + far, y)
        is_round = page.label and page.label.is_round
        for more, width in ((0.0, 0.6), (near, 0.25)):
            canvas.setLineWidth(width)
            if is_round:
                canvas.circle(wide / 2, high / 2, wide / 2 + more, fill=0)
            else:
                canvas.rect(-more, -more, wide + 2 * more, high + 2 * more, fill=0)


def _draw_panels(canvas: Any, page: Sheetlet, figures: dict[str, float]) -> None:
    """Draw the folds between panels (dashed) and each panel's safe area (dotted)."""
    high, safe = page.height * mm, figures["safe"]
    if page.boxes[1:]:
        with _guides(canvas, "Folds"):
            canvas.setDash([4, 2])
            for box in page.boxes[1:]:
                canvas.line(box.left * mm, 0, box.left * mm, high)
    wide = [box for box in page.boxes if box.width > 4 * safe]
    if wide:
        with _guides(canvas, "Safe"):
            canvas.setDash(_DOTTED)
            for box in wide:
                left, across = (box.left + safe) * mm, (box.width - 2 * safe) * mm
                canvas.rect(left, safe * mm, across, high - 2 * safe * mm, fill=0)


def _draw_label(canvas: Any, page: Sheetlet, figures: dict[str, float]) -> None:
    """Draw a label's safe area, its rings, and a cross through the area that is not printed."""
    label = page.label
    assert label
    x, y = page.width / 2 * mm, page.height / 2 * mm
    wide, high = (figures[name] * mm for name in label.no_print)
    safe = figures["safe"] * mm
    with _guides(canvas, "Safe"):
        canvas.setDash(_DOTTED)
        if label.is_round:
            canvas.circle(x, y, x - safe, fill=0)
        else:
            canvas.rect(safe, safe, 2 * (x - safe), 2 * (y - safe), fill=0)
    if label.rings:
        with _guides(canvas, "Rings"):
            for name in label.rings:
                canvas.circle(x, y, figures[name] / 2 * mm, fill=0)
    with _guides(canvas, "NoPrint"):
        canvas.setLineWidth(0.6)
        if label.is_round:
            canvas.circle(x, y, wide / 2, fill=0)
            wide = high = wide * 0.7071
        else:
            canvas.rect(x - wide / 2, y - high / 2, wide, high, fill=0)
        canvas.setDash(_DOTTED)
        canvas.line(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
        canvas.line(x - wide / 2, y + high / 2, x + wide / 2, y - high / 2)


def _draw_names(canvas: Any, page: Sheetlet, bleed: float, part: Document) -> None:
    """Write the page's name and size above it, its panels' widths and the plant's line below."""
    above = (page.height + bleed + 6) * mm
    size = f"{page.name}: {page.width:g} × {page.height:g} mm trimmed, bleed {bleed:g} mm"
    _write(canvas, Placed(0, size, _NAME), above, is_guide=True)
    panels = ", ".join(f"{box.panel.name} {box.width:g}" for box in page.boxes)
    lines = [f"Panels from left, mm: {panels}"] if panels else []
    lines.append(PLANT_WINS)
    lines += [f"Does not fit: {what}, {over:.0f} mm too much" for what, over in part.too_much]
    y = -(bleed + 7) * mm
    for line in lines:
        width = page.width * mm + 2 * MARGIN_MM * mm
        scale = min(1.0, width / _NAME.width(line))
        kind = Type(_NAME.size_pt * scale, 0)
        x = 0.0 if scale == 1 and _NAME.width(line) < page.width * mm else -MARGIN_MM * mm
        _write(canvas, Placed(x, line, kind), y, is_guide=True)
        y -= _NAME.leading_pt


def _add_layers(path: Path) -> None:
    """Make the marked guides layers that can be switched off, one for each kind."""
    import pikepdf

    with pikepdf.open(path, allow_overwriting_input=True) as pdf:
        groups: dict[str, pikepdf.Object] = {}
        for page in pdf.pages:
            code = page.Contents.read_bytes()
            own = [name for name in LAYERS if f"/OC /{name} BDC".encode() in code]
            for name in own:
                if name not in groups:
                    group = pikepdf.Dictionary(
                        Type=pikepdf.Name.OCG, Name=pikepdf.String(LAYERS[name])
                    )
                    groups[name] = pdf.make_indirect(group)
            page.Resources.Properties = pikepdf.Dictionary({f"/{n}": groups[n] for n in own})
        order = pikepdf.Array([groups[name] for name in LAYERS if name in groups])
        pdf.Root.OCProperties = pikepdf.Dictionary(
            OCGs=order, D=pikepdf.Dictionary(Order=order, ON=order)
        )
        pdf.save(path, deterministic_id=True)
