"""Read an artwork PDF in a process of its own, with bounded memory and time.

    python -m assembler.artwork.read_pdf FILE FOLDER MEGABYTES SECONDS

prints a `PdfReading` as JSON, and writes the rendered pages into the folder.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pikepdf
import pypdfium2
import pypdfium2.raw as pdfium
from pydantic import TypeAdapter

from assembler.artwork.contents import PageContent, TooMuchError
from assembler.artwork.graphics_state import Matrix, box_of
from assembler.artwork.reading import Box, PageReading, PdfReading
from assembler.sleeve.packages import GUIDES

MOST_PAGES = 100
DPI = 300
_MOST_PAGE_PIXELS = 50_000_000
_MM = 25.4 / 72
_MOST_SIGNS = 200_000
_LONGEST_SIDE_MM = 3000
_AT_LINE_ENDS = ("\x02", "\ufffe")
"""What pdfium makes of a hyphen at the end of a line, in place of the break."""
_HYPHENS = dict.fromkeys((*_AT_LINE_ENDS, "\xad"), "-")


def read(path: Path, folder: Path) -> PdfReading:
    """Read a PDF; what can't be read is its `error`."""
    try:
        pdf = pikepdf.open(path)
    except pikepdf.PasswordError:
        return PdfReading("it needs a password: export it without security")
    except pikepdf.PdfError:
        return PdfReading("it is not a PDF, or it is damaged: export it again")
    with pdf:
        if len(pdf.pages) > MOST_PAGES:
            count = len(pdf.pages)
            return PdfReading(f"it has {count} pages: export the printed parts only")
        if not len(pdf.pages):
            return PdfReading("it has no pages: export it again")
        try:
            return _read(pdf, folder)
        except TooMuchError as error:
            return PdfReading(f"{error}: export it again, with simpler artwork")
        except (pikepdf.PdfError, pypdfium2.PdfiumError):
            return PdfReading("it is damaged: export it again")


def _read(pdf: pikepdf.Pdf, folder: Path) -> PdfReading:
    hidden, has_guides = _hidden(pdf)
    version, claim, is_protected = pdf.pdf_version, _claim(pdf), pdf.is_encrypted
    has_scripts = _has_scripts(pdf)
    matrices, contents = [], []
    for page in pdf.pages:
        media = _rectangle(page.mediabox)
        if max(media[2] - media[0], media[3] - media[1]) * _MM > _LONGEST_SIDE_MM:
            return PdfReading(
                f"a page is longer than {_LONGEST_SIDE_MM} mm: export it at real size"
            )
        if min(media[2] - media[0], media[3] - media[1]) <= 0:
            return PdfReading("a page has no size: export it again")
        matrices.append(_to_mm(media, int(page.obj.get("/Rotate", _inherited(page, "/Rotate", 0)))))
        content = PageContent(matrices[-1], hidden)
        content.read_page(pdf, page)
        contents.append(content)
    boxes = [_page_boxes(page, to_mm) for page, to_mm in zip(pdf.pages, matrices, strict=True)]
    what_prints = folder / "prints.pdf"
    for page in pdf.pages:
        page.obj["/CropBox"] = page.mediabox
        with suppress(KeyError):
            del page.obj["/Annots"]
    pdf.save(what_prints, compress_streams=False, encryption=False)
    pages = []
    with pypdfium2.PdfDocument(what_prints) as document:
        for n, (content, to_mm) in enumerate(zip(contents, matrices, strict=True)):
            pages.append(_page(document[n], n, folder, content, to_mm, boxes[n]))
    return PdfReading("", version, claim, is_protected, has_scripts, has_guides, pages)


def _page(
    page: Any,
    n: int,
    folder: Path,
    content: PageContent,
    to_mm: Matrix,
    boxes: tuple[Box, Box | None, Box | None],
) -> PageReading:
    media, trim, bleed = boxes
    wide, high = page.get_size()
    dpi = min(DPI, (_MOST_PAGE_PIXELS / max(1.0, wide * high)) ** 0.5 * 72)
    name = f"page-{n + 1}.npy"
    np.save(folder / name, page.render(scale=dpi / 72, rev_byteorder=True).to_numpy()[..., :3])
    signs = list(_signs(page, to_mm))
    page.close()
    return PageReading(
        media[2],
        media[3],
        trim,
        bleed,
        "".join(sign for sign, _, _ in signs),
        [box for _, box, _ in signs],
        "".join("1" if drawn else "0" for _, _, drawn in signs),
        content.marks,
        name,
        dpi,
    )


def _signs(page: Any, to_mm: Matrix) -> Iterator[tuple[str, Box, bool]]:
    """Yield each character, its box, and whether it is drawn."""
    from ctypes import c_double

    left, right, bottom, top = c_double(), c_double(), c_double(), c_double()
    text = page.get_textpage()
    count = text.count_chars()
    if count > _MOST_SIGNS:
        raise TooMuchError(f"a page has {count} characters")
    high = 0
    last: Box = (0, 0, 0, 0)
    for n in range(count):
        code = pdfium.FPDFText_GetUnicode(text.raw, n)
        if 0xD800 <= code < 0xDC00:
            high = code
            continue
        if high and 0xDC00 <= code < 0xE000:
            code = 0x10000 + ((high - 0xD800) << 10) + code - 0xDC00
        high = 0
        sign = "\ufffd" if code == 0 or 0xD800 <= code < 0xE000 else chr(code)
        drawn = pdfium.FPDFText_IsGenerated(text.raw, n) != 1
        if drawn:
            pdfium.FPDFText_GetCharBox(text.raw, n, left, right, bottom, top)
            corners = [(left.value, bottom.value), (right.value, top.value)]
            last = box_of(to_mm, corners)
        yield _HYPHENS.get(sign, sign), last, drawn
        if sign in _AT_LINE_ENDS:
            yield "\n", last, False
    text.close()


def _rectangle(box: Any) -> Box:
    values = [float(value) for value in box]
    left, right = sorted(values[::2])
    bottom, top = sorted(values[1::2])
    return left, bottom, right, top


def _inherited(page: pikepdf.Page, key: str, default: int) -> Any:
    """Return a value of the page's parents (ISO 32000-1, 7.7.3.4)."""
    node, depth = page.obj.get("/Parent"), 0
    while node is not None and depth < 50:
        if key in node:
            return node[key]
        node, depth = node.get("/Parent"), depth + 1
    return default


def _to_mm(media: Box, turned: int) -> Matrix:
    """Return the matrix from a page's units to mm from its upper left corner as shown."""
    left, bottom, right, top = media
    k = _MM
    return {
        0: (k, 0, 0, -k, -left * k, top * k),
        90: (0, k, k, 0, -bottom * k, -left * k),
        180: (-k, 0, 0, k, right * k, -bottom * k),
        270: (0, -k, -k, 0, top * k, right * k),
    }.get(turned % 360, (k, 0, 0, -k, -left * k, top * k))


def _page_boxes(page: pikepdf.Page, to_mm: Matrix) -> tuple[Box, Box | None, Box | None]:
    """Return a page's MediaBox, and its TrimBox and BleedBox if it has them."""

    def box(values: Any) -> Box:
        left, bottom, right, top = _rectangle(values)
        return box_of(to_mm, [(left, bottom), (right, top)])

    trim, bleed = page.obj.get("/TrimBox"), page.obj.get("/BleedBox")
    return (
        box(page.mediabox),
        None if trim is None else box(trim),
        None if bleed is None else box(bleed),
    )


def _hidden(pdf: pikepdf.Pdf) -> tuple[frozenset[tuple[int, int]], bool]:
    """Return the groups that do not print: switched off, or the guides of a template."""
    properties = pdf.Root.get("/OCProperties")
    if properties is None:
        return frozenset(), False
    groups = list(properties.get("/OCGs", []))
    default = properties.get("/D", pikepdf.Dictionary())
    off = {group.objgen for group in default.get("/OFF", [])}
    if str(default.get("/BaseState", "")) == "/OFF":
        on = {group.objgen for group in default.get("/ON", [])}
        off |= {group.objgen for group in groups} - on
    guides = {group.objgen for group in groups if str(group.get("/Name", "")).startswith(GUIDES)}
    return frozenset(off | guides), bool(guides - off)


def _claim(pdf: pikepdf.Pdf) -> str:
    """Return the part of PDF/X that a file claims to be (ISO 15930: GTS_PDFXVersion)."""
    for key in ("/GTS_PDFXConformance", "/GTS_PDFXVersion"):
        value = pdf.docinfo.get(key)
        if value is not None:
            return str(value)[:40]
    try:
        with pdf.open_metadata() as metadata:
            return str(metadata.get("pdfxid:GTS_PDFXVersion") or "")[:40]
    except Exception:  # a damaged packet claims nothing
        return ""


def _has_scripts(pdf: pikepdf.Pdf) -> bool:
    """Return whether the file starts JavaScript or a program."""
    names = pdf.Root.get("/Names")
    if names is not None and "/JavaScript" in names:
        return True
    actions = [pdf.Root.get("/OpenAction"), pdf.Root.get("/AA")]
    actions += [page.obj.get("/AA") for page in pdf.pages]
    return any(isinstance(action, pikepdf.Dictionary) for action in actions if action is not None)


def _limit(megabytes: int, seconds: int) -> None:
    """Limit memory and processor time, where the system can."""
    try:
        import resource
    except ImportError:
        return
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (megabytes * 1_000_000,) * 2)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _main() -> None:
    path, folder, megabytes, seconds = sys.argv[1:]
    _limit(int(megabytes), int(seconds))
    reading = read(Path(path), Path(folder))
    sys.stdout.buffer.write(TypeAdapter(PdfReading).dump_json(reading))


if __name__ == "__main__":
    _main()
