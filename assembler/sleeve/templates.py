"""Write the templates: pages with boxes, live text in black ink, and guides on their own layer.

ISO 32000-1: page boxes 14.11.2, optional content 8.11. pikepdf adds the layer, which reportlab
can't.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from reportlab.lib.units import mm

from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.sleeve.layout import Document, Flow, Sheetlet, SpineText, documents
from assembler.sleeve.packages import LAYER, PLANT_WINS, figures_of
from assembler.typeset.pages import Placed, Type
from assembler.typeset.pdf_document import BlackInk, new_document
from assembler.typeset.pdf_fonts import write_runs
from assembler.typeset.sheet_pdf import draw_line
from assembler.typeset.typeset import in_printed_order, joined, reads_right_to_left

MARGIN_MM = 14.0
"""Around the bleed: crop marks, names and sizes."""
_GUIDE = (0.9, 0.2, 0, 0)
_NAME = Type(6.5, 8.5)


def write_templates(folder: Path, manifest: Manifest, tracks: Sequence[TrackMetadata]) -> None:
    """Write ``templates/*.pdf``, one file for each printed part; nothing without a sleeve."""
    if not manifest.sleeve:
        return
    folder = folder / "templates"
    folder.mkdir(parents=True, exist_ok=True)
    texts, parts = documents(manifest, tracks)
    for part in parts:
        path = folder / f"{part.name}.pdf"
        canvas = new_document(path, texts.sheet, kind=BlackInk)
        canvas.setSubject(f"Template: {part.name}. {PLANT_WINS}")
        for page in part.pages:
            _draw_page(canvas, page, manifest, part)
        canvas.save()
        _add_layer(path)


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
    with _guides(canvas):
        _draw_crop_marks(canvas, page, bleed)
        _draw_panels(canvas, page, figures)
        if page.label:
            _draw_label(canvas, page, figures)
        _draw_names(canvas, page, bleed, part)
    canvas.showPage()


def _box(around: float, page: Sheetlet, more: float) -> tuple[float, float, float, float]:
    low = (around - more) * mm
    return low, low, (around + page.width + more) * mm, (around + page.height + more) * mm


@contextmanager
def _guides(canvas: Any) -> Iterator[None]:
    """Draw on the layer of the guides (ISO 32000-1, 8.11.3.2: marked optional content)."""
    canvas.saveState()
    canvas._code.append("/OC /Guides BDC")
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


def _write(canvas: Any, placed: Placed, y_pt: float, *, is_guide: bool = False) -> None:
    text = canvas.beginText()
    text.setTextOrigin(placed.x_pt, y_pt)
    if not is_guide:
        text.setFillGray(0)
    write_runs(text, placed.text, placed.type.weight, placed.type.size_pt)
    canvas.drawText(text)


def _draw_crop_marks(canvas: Any, page: Sheetlet, bleed: float) -> None:
    near, far = bleed * mm, (bleed + 4) * mm
    for x in (0.0, page.width * mm):
        canvas.line(x, -far, x, -near)
        canvas.line(x, page.height * mm + near, x, page.height * mm + far)
    for y in (0.0, page.height * mm):
        canvas.line(-far, y, -near, y)
        canvas.line(page.width * mm + near, y, page.width * mm + far, y)


def _draw_panels(canvas: Any, page: Sheetlet, figures: dict[str, float]) -> None:
    """Draw trimmed edge, folds (dashed) and safe area (dotted) of each panel."""
    high, safe = page.height * mm, figures["safe"]
    if not page.label:
        canvas.rect(0, 0, page.width * mm, high, fill=0)
    for n, box in enumerate(page.boxes):
        left, wide = box.left * mm, box.width * mm
        if n:
            canvas.setDash([4, 2])
            canvas.line(left, 0, left, high)
        if box.width > 4 * safe:
            canvas.setDash([0.6, 1.6])
            canvas.rect(
                left + safe * mm, safe * mm, wide - 2 * safe * mm, high - 2 * safe * mm, fill=0
            )
        canvas.setDash([])


def _draw_label(canvas: Any, page: Sheetlet, figures: dict[str, float]) -> None:
    """Draw a label's edges, its rings, and crosses through the area that is not printed."""
    label = page.label
    assert label
    x, y = page.width / 2 * mm, page.height / 2 * mm
    wide, high = (figures[name] * mm for name in label.no_print)
    safe = figures["safe"] * mm
    canvas.setLineWidth(0.6)
    if label.is_round:
        for name in (label.no_print[0], *label.rings):
            canvas.circle(x, y, figures[name] / 2 * mm, fill=0)
        canvas.circle(x, y, x, fill=0)
        canvas.setDash([0.6, 1.6])
        canvas.circle(x, y, x - safe, fill=0)
        half = wide / 2 * 0.7071
        canvas.line(x - half, y - half, x + half, y + half)
        canvas.line(x - half, y + half, x + half, y - half)
    else:
        canvas.rect(0, 0, 2 * x, 2 * y, fill=0)
        canvas.rect(x - wide / 2, y - high / 2, wide, high, fill=0)
        canvas.setDash([0.6, 1.6])
        canvas.rect(safe, safe, 2 * (x - safe), 2 * (y - safe), fill=0)
        canvas.line(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
        canvas.line(x - wide / 2, y + high / 2, x + wide / 2, y - high / 2)
    canvas.setDash([])


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


def _add_layer(path: Path) -> None:
    """Make the marked guides a layer that can be switched off."""
    import pikepdf

    with pikepdf.open(path, allow_overwriting_input=True) as pdf:
        group = pdf.make_indirect(
            pikepdf.Dictionary(Type=pikepdf.Name.OCG, Name=pikepdf.String(LAYER))
        )
        order = pikepdf.Array([group])
        pdf.Root.OCProperties = pikepdf.Dictionary(
            OCGs=order, D=pikepdf.Dictionary(Order=order, ON=order)
        )
        for page in pdf.pages:
            page.Resources.Properties = pikepdf.Dictionary(Guides=group)
        pdf.save(path, deterministic_id=True)
