"""A designer's artwork for an invented release, as data: drawn by reportlab or, as SVG, by librsvg.

The pages are no templates of this program: other places, sizes and line breaks, a tinted ground
that goes on into the bleed. A mistake changes the data, or the finished PDF.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import pikepdf
import soundfile
from PIL import Image
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from assembler.manifest import ManifestFile, load
from assembler.typeset.barcode import barcode_bars, barcode_symbol
from assembler.typeset.fonts import FILES, FOLDER

TITLES = (
    "Low Lantern",
    "Ropewalk Round",
    "Harbour Psalm (live)",
    "Ferryman’s Grace",
    "Tallow and Twine",
    "Half-Tide Waltz",
)
SECONDS = (62, 71, 80, 68, 93, 77)
MANIFEST = """
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  label: Tidewrack Editions
  barcode: "2000000000145"
  p_line: 2027 Tidewrack Editions
  c_line: 2027 Tidewrack Editions & Friends
tracks:
{tracks}
credits:
  - {{name: Mattis Oren, roles: [harmonium, arranger], tracks: [1, 3]}}
  - {{name: Sørine Aakre, roles: [bells], tracks: [4]}}
  - {{name: Ines Falk, roles: [producer]}}
  - {{name: Kari Nymoen, roles: [transfer, mastering]}}
text:
  notes: |
    Slack water is the half hour in which the fjord makes up its mind. Whoever is on the ferry
    sings until the tide has turned.
sleeve:
  package: jewel_case
"""
BLEED = 3.0
K, WHITE, TINT = (0, 0, 0, 1), (0, 0, 0, 0), (0.12, 0.05, 0.1, 0)
Ink = tuple[float, ...]


def write_manifest(folder: Path) -> ManifestFile:
    """Write the manifest and a recording of silence, and read it."""
    tracks = "\n".join(
        f'  - {{title: "{title}", audio: a.flac, end: {seconds}, '
        f"composers: [Ines Falk], lyricists: [Oda Brenn]}}"
        for title, seconds in zip(TITLES, SECONDS, strict=True)
    )
    soundfile.write(folder / "a.flac", np.zeros((44100 * 100, 2), "int16"), 44100)
    path = folder / "release.yaml"
    path.write_text(MANIFEST.format(tracks=tracks), encoding="utf-8")
    return load(path)


@dataclass(frozen=True)
class Text:
    """A line of type: its place in mm from the page's trimmed upper left corner."""

    page: str
    x: float
    y: float
    text: str
    size: float = 9
    ink: Ink = K
    turned: bool = False
    font: str = "DejaVuSans"


@dataclass(frozen=True)
class Bars:
    """A barcode: its lower left corner without quiet zones, its size and its colours."""

    x: float = 96
    y: float = 108
    code: str = "2000000000145"
    scale: float = 1
    bars: Ink = K
    ground: Ink = WHITE
    quiet: float = 11


@dataclass
class Artwork:
    """All pages of the artwork: what is on them, and what a mistake changes."""

    texts: dict[str, Text]
    barcode: Bars | None = field(default_factory=Bars)
    sizes: dict[str, tuple[float, float]] = field(
        default_factory=lambda: {
            "tray-card": (151, 118),
            "booklet-1": (241, 119.5),
            "booklet-2": (241, 119.5),
            "disc-label": (116, 116),
        }
    )
    grounds: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    """How far the tint goes beyond the trim: left, top, right, foot."""
    drawings: list[tuple[str, Callable[[Canvas], None]]] = field(default_factory=list)
    """Further drawings on a page, in mm from its lower left corner."""
    finish: list[tuple[str, Callable[[pikepdf.Pdf], None]]] = field(default_factory=list)
    """Changes to a finished file."""
    encryption: pikepdf.Encryption | None = None

    def edit(self, key: str, **changes: object) -> None:
        """Change a line of type."""
        self.texts[key] = replace(self.texts[key], **changes)  # type: ignore[arg-type]


def artwork() -> Artwork:
    """Return the artwork without mistakes."""
    texts: dict[str, Text] = {}
    for n, (title, seconds) in enumerate(zip(TITLES, SECONDS, strict=True), 1):
        y = 14 + 8 * n
        texts[f"number {n}"] = Text("tray-card", 13, y, f"{n:02d}")
        texts[f"title {n}"] = Text("tray-card", 22, y, title)
        texts[f"duration {n}"] = Text("tray-card", 120, y, f"{seconds // 60}:{seconds % 60:02d}")
    back = ("℗ 2027 Tidewrack Editions", "© 2027 Tidewrack Editions & Friends")
    lines = (*back, "Tidewrack Editions", "TWE-014")
    for n, (key, line) in enumerate(zip(("p", "c", "label", "number"), lines, strict=True)):
        texts[f"back {key}"] = Text("tray-card", 13, 88 + 5 * n, line, 6.5)
        texts[f"disc {key}"] = Text("disc-label", 36, 88 + 4 * n, line, 6)
    spine = "HALDEN FERRY SINGERS   SONGS FOR SLACK WATER   TWE-014"
    for n, x in enumerate((2.4, 146.9)):
        texts[f"spine {n + 1}"] = Text("tray-card", x, 12, spine, 7, turned=True)
    texts["front artist"] = Text("booklet-1", 135, 50, "HALDEN FERRY SINGERS", 14)
    texts["front title"] = Text("booklet-1", 135, 62, "Songs for Slack Water", 20)
    texts["disc artist"] = Text("disc-label", 38, 20, "Halden Ferry Singers", 10)
    texts["disc title"] = Text("disc-label", 38, 26, "Songs for Slack Water", 10)
    for n, title in enumerate(TITLES, 1):
        y = 12 + 9 * n
        texts[f"listed {n}"] = Text("booklet-2", 10, y, title, 8)
        texts[f"writers {n}"] = Text(
            "booklet-2", 10, y + 3.5, "Words: Oda Brenn; music: Ines Falk", 7
        )
    credits = (
        ("Mattis Oren", "harmonium, arranger (1, 3)"),
        ("Sørine Aakre", "bells (4)"),
        ("Ines Falk", "producer"),
        ("Kari Nymoen", "transfer, mastering"),
    )
    for n, (name, roles) in enumerate(credits, 1):
        texts[f"name {n}"] = Text("booklet-2", 135, 15 + 7 * n, name, 8)
        texts[f"roles {n}"] = Text("booklet-2", 175, 15 + 7 * n, roles, 8)
    notes = (
        "Slack water is the half hour in which the fjord makes up its mind. Who-",
        "ever is on the ferry sings until the tide has turned.",
    )
    for n, line in enumerate(notes, 1):
        texts[f"notes {n}"] = Text("booklet-1", 8, 20 + 5 * n, line, 7)
    return Artwork(texts)


FILES_OF = {
    "booklet": ("booklet-1", "booklet-2"),
    "tray-card": ("tray-card",),
    "disc-label": ("disc-label",),
}


def write_reportlab(art: Artwork, folder: Path) -> list[Path]:
    """Draw the artwork with reportlab, in process colours."""
    folder.mkdir(exist_ok=True)
    if "DejaVuSans" not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont("DejaVuSans", str(FOLDER / FILES["DejaVuSans"])))
    paths = []
    for name, pages in FILES_OF.items():
        path = folder / f"{name}.pdf"
        canvas = Canvas(str(path), pageCompression=1)
        for page in pages:
            if page in art.sizes:
                _draw(canvas, art, page)
        canvas.save()
        _finish(art, name, path)
        paths.append(path)
    return paths


def _finish(art: Artwork, name: str, path: Path) -> None:
    changes = [change for part, change in art.finish if part == name]
    if not changes and not art.encryption:
        return
    with pikepdf.open(path, allow_overwriting_input=True) as pdf:
        for change in changes:
            change(pdf)
        pdf.save(path, encryption=art.encryption or False)


def _draw(canvas: Canvas, art: Artwork, page: str) -> None:
    wide, high = art.sizes[page]
    around = BLEED + 4
    canvas.setPageSize(((wide + 2 * around) * mm, (high + 2 * around) * mm))
    trim = around * mm, around * mm, (around + wide) * mm, (around + high) * mm
    canvas.setTrimBox(trim)
    canvas.setBleedBox((4 * mm, 4 * mm, (wide + around + 3) * mm, (high + around + 3) * mm))
    canvas.translate(around * mm, around * mm)
    left, top, right, foot = art.grounds.get(page, (BLEED,) * 4)
    canvas.setFillColorCMYK(*TINT)
    if page == "disc-label":
        canvas.circle(wide / 2 * mm, high / 2 * mm, (wide / 2 + left) * mm, stroke=0, fill=1)
    else:
        across, up = (wide + left + right) * mm, (high + top + foot) * mm
        canvas.rect(-left * mm, -foot * mm, across, up, stroke=0, fill=1)
    for text in art.texts.values():
        if text.page == page:
            _write(canvas, text, high)
    if page == "tray-card" and art.barcode:
        _draw_bars(canvas, art.barcode, high)
    for on_page, draw in art.drawings:
        if on_page == page:
            canvas.saveState()
            draw(canvas)
            canvas.restoreState()
    canvas.showPage()


def _write(canvas: Canvas, text: Text, high: float) -> None:
    canvas.saveState()
    canvas.translate(text.x * mm, (high - text.y) * mm)
    if text.turned:
        canvas.rotate(-90)
    set_ink(canvas, text.ink)
    canvas.setFont(text.font, text.size)
    canvas.drawString(0, 0, text.text)
    canvas.restoreState()


def set_ink(canvas: Canvas, ink: Ink) -> None:
    """Set four shares as CMYK, three as RGB."""
    if len(ink) == 4:
        canvas.setFillColorCMYK(*ink)
    else:
        canvas.setFillColorRGB(*ink)


def _bars(bars: Bars) -> list[tuple[float, float, float, float]]:
    """Return the ground, then the bars: left, foot above the lower edge, width, height in mm."""
    module = 0.33 * bars.scale
    found = barcode_bars(barcode_symbol(bars.code))
    quiet = bars.quiet * module
    ground = (-quiet, 0.0, 95 * module + quiet + min(quiet, 7 * module), 20 * bars.scale)
    return [
        ground,
        *((bar.start * module, 1.0, bar.modules * module, 18 * bars.scale) for bar in found),
    ]


def _draw_bars(canvas: Canvas, bars: Bars, high: float) -> None:
    canvas.saveState()
    canvas.translate(bars.x * mm, (high - bars.y) * mm)
    for n, (x, y, wide, tall) in enumerate(_bars(bars)):
        set_ink(canvas, bars.bars if n else bars.ground)
        canvas.rect(x * mm, y * mm, wide * mm, tall * mm, stroke=0, fill=1)
    canvas.restoreState()


def write_svg(art: Artwork, folder: Path, rsvg_convert: str) -> list[Path]:
    """Draw the artwork as SVG, have librsvg make PDFs, and prepare these for print.

    Prepared as a prepress program does it: RGB as process colours, boxes, pages in one file.
    """
    folder.mkdir(exist_ok=True)
    paths = []
    for name, pages in FILES_OF.items():
        path = folder / f"{name}.pdf"
        with pikepdf.new() as whole:
            for page in pages:
                svg, made = folder / f"{page}.svg", folder / f"{page}.svg.pdf"
                svg.write_text(_svg(art, page), encoding="utf-8")
                subprocess.run([rsvg_convert, "-f", "pdf", "-o", made, svg], check=True)
                with pikepdf.open(made) as one:
                    whole.pages.extend(one.pages)
            for sheet, page in zip(whole.pages, pages, strict=True):
                _prepare(sheet, art.sizes[page])
            whole.save(path)
        _finish(art, name, path)
        paths.append(path)
    return paths


def _svg(art: Artwork, page: str) -> str:
    wide, high = art.sizes[page]
    across, down = wide + 2 * BLEED, high + 2 * BLEED
    left, top, right, foot = art.grounds.get(page, (BLEED,) * 4)
    shapes = [
        f'<rect x="{-left}" y="{-top}" width="{wide + left + right}" '
        f'height="{high + top + foot}" fill="#e6f0e8"/>'
    ]
    for text in art.texts.values():
        if text.page == page:
            turned = " rotate(90)" if text.turned else ""
            shapes.append(
                f'<text transform="translate({text.x} {text.y}){turned}" '
                f'font-family="DejaVu Sans" font-size="{text.size * 25.4 / 72}" '
                f'xml:space="preserve">{escape(text.text)}</text>'
            )
    if page == "tray-card" and art.barcode:
        for n, (x, y, width, height) in enumerate(_bars(art.barcode)):
            at_y = art.barcode.y - y - height
            fill = "#000" if n else "#fff"
            shapes.append(
                f'<rect x="{art.barcode.x + x}" y="{at_y}" width="{width}" height="{height}" '
                f'fill="{fill}"/>'
            )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{across}mm" height="{down}mm" '
        f'viewBox="{-BLEED} {-BLEED} {across} {down}">{"".join(shapes)}</svg>'
    )


def _prepare(page: pikepdf.Page, size: tuple[float, float]) -> None:
    left, bottom = BLEED * mm, BLEED * mm
    page.obj.TrimBox = [left, bottom, left + size[0] * mm, bottom + size[1] * mm]
    page.obj.BleedBox = page.mediabox
    in_cmyk(page)
    forms: Any = page.obj.Resources.get("/XObject", {})
    for _, form in forms.items():
        if form.get("/Subtype") == "/Form":
            in_cmyk(form)
            if "/Group" in form:
                del form["/Group"]


def in_cmyk(holder: pikepdf.Object | pikepdf.Page) -> None:
    """Rewrite RGB operators as CMYK."""
    out = []
    for operands, operator in pikepdf.parse_content_stream(holder):
        name = str(operator)
        if name in ("rg", "RG"):
            red, green, blue = map(float, operands)
            black = 1 - max(red, green, blue)
            inks = [round(1 - value - black, 4) for value in (red, green, blue)]
            out.append(
                (
                    [*inks, round(black, 4)],
                    pikepdf.Operator("k" if name == "rg" else "K"),
                )
            )
        else:
            out.append((operands, operator))
    content = pikepdf.unparse_content_stream(out)
    if isinstance(holder, pikepdf.Page):
        holder.obj.Contents.write(content)
    else:
        holder.write(content)


def picture(folder: Path, mode: str, pixels: int) -> Path:
    """Write a small picture in a colour mode."""
    path = folder / f"{mode}-{pixels}.jpg"
    colour = {"CMYK": (30, 10, 10, 0), "RGB": (200, 220, 210), "L": 200}[mode]
    Image.new(mode, (pixels, pixels), colour).save(path)
    return path
