"""Planted mistakes: what is changed, and what the check must say. Those of a round share a PDF."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pikepdf
from artwork.artwork_pdfs import FILES_OF, Artwork, Bars, Text, picture
from reportlab.lib.units import mm

from assembler.artwork.parts import ArtworkFinding
from assembler.artwork.reading import Box, overlap

Change = Callable[[Artwork, Path], None]
Place = str | tuple[str, float, float]
"""A text's key, a page, a part, or a page and a point on it in mm from its upper left corner."""


def _no_change(_art: Artwork, _folder: Path) -> None:
    """Leave the artwork as it is."""


@dataclass(frozen=True)
class Mistake:
    """One planted mistake."""

    code: str
    says: str
    """In the finding's message."""
    at: Place
    change: Change = _no_change

    @property
    def is_planted(self) -> bool:
        """It is no consequence of another one."""
        return self.change is not _no_change


def is_at(finding: ArtworkFinding, at: Place, art: Artwork) -> bool:
    """Return whether a finding is at a place of the artwork."""
    text = art.texts.get(at) if isinstance(at, str) else None
    page = text.page if text else at if isinstance(at, str) else at[0]
    part = next(name for name, pages in FILES_OF.items() if page in (name, *pages))
    if Path(finding.file).stem != part:
        return False
    if page in FILES_OF[part] and page != part and finding.page != FILES_OF[part].index(page) + 1:
        return False
    if text is None and isinstance(at, str):
        return True
    box = _box_of(text) if text else (*at[1:], *at[1:])
    return finding.box_mm is not None and overlap(box, finding.box_mm)


def _box_of(text: Text) -> Box:
    """Return about where a text is."""
    high = text.size * 25.4 / 72
    wide = 0.6 * high * len(text.text)
    if text.turned:
        return text.x, text.y, text.x + 0.7 * high, text.y + wide
    return text.x, text.y - 0.7 * high, text.x + wide, text.y


def text(
    key: str, new: str, says: str, code: str = "text-differs", at: Place | None = None
) -> Mistake:
    """A text that was typed again."""
    return Mistake(code, says, at or key, lambda art, _: art.edit(key, text=new))


def moved(key: str, code: str, says: str, **changes: Any) -> Mistake:
    """A text in another place, size or colour."""
    return Mistake(code, says, key, lambda art, _: art.edit(key, **changes))


def lost(keys: str, says: str, at: Place, code: str = "text-missing") -> Mistake:
    """A text that was lost."""

    def change(art: Artwork, _: Path) -> None:
        for key in keys.split(", "):
            del art.texts[key]

    return Mistake(code, says, at, change)


def added(code: str, says: str, new: Text) -> Mistake:
    """A text too many."""
    key = f"added {new.text}"
    return Mistake(code, says, key, lambda art, _: art.texts.update({key: new}))


def drawn(code: str, says: str, at: Place, draw: Callable[[Any], None]) -> Mistake:
    """A drawing."""
    page = at if isinstance(at, str) else at[0]
    return Mistake(code, says, at, lambda art, _: art.drawings.append((page, draw)))


def finished(code: str, says: str, at: str, change: Callable[[pikepdf.Pdf], None]) -> Mistake:
    """A change to the first page of the finished file, or to all of it."""
    part = at.removesuffix("-1")
    return Mistake(code, says, at, lambda art, _: art.finish.append((part, change)))


def barcode(kind: str, says: str, **changes: Any) -> Mistake:
    """Another barcode."""
    return Mistake(
        kind, says, BARS, lambda art, _: setattr(art, "barcode", replace(Bars(), **changes))
    )


def ground(page: str, says: str, *reach: float) -> Mistake:
    """A ground that ends too early."""
    four = (*reach, 0.0, 0.0, 0.0)[:4]
    return Mistake(
        "bleed-missing",
        says,
        page,
        lambda art, _: art.grounds.update({page: four}),  # type: ignore[dict-item]
    )


def _swap(one: int, other: int) -> Change:
    def change(art: Artwork, _: Path) -> None:
        for kind in ("number", "title", "duration"):
            first, second = art.texts[f"{kind} {one}"], art.texts[f"{kind} {other}"]
            art.edit(f"{kind} {one}", y=second.y)
            art.edit(f"{kind} {other}", y=first.y)

    return change


def _swap_titles(art: Artwork, _: Path) -> None:
    one, other = art.texts["title 2"].text, art.texts["title 3"].text
    art.edit("title 2", text=other)
    art.edit("title 3", text=one)


def _image(mode: str, pixels: int, width: float) -> Change:
    def change(art: Artwork, folder: Path) -> None:
        path = str(picture(folder, mode, pixels))

        def draw(canvas: Any) -> None:
            canvas.drawImage(path, 60 * mm, 40 * mm, width * mm, width * mm)

        art.drawings.append(("booklet-1", draw))

    return change


def _line(width: float) -> Callable[[Any], None]:
    def draw(canvas: Any) -> None:
        canvas.setStrokeColorCMYK(0, 0, 0, 1)
        canvas.setLineWidth(width)
        canvas.line(20 * mm, 20 * mm, 60 * mm, 20 * mm)

    return draw


def _area(*ink: float) -> Callable[[Any], None]:
    def draw(canvas: Any) -> None:
        if len(ink) == 3:
            canvas.setFillColorRGB(*ink)
        else:
            canvas.setFillColorCMYK(*ink)
        canvas.rect(70 * mm, 8 * mm, 9 * mm, 9 * mm, stroke=0, fill=1)

    return draw


def _bar(left: float) -> Callable[[Any], None]:
    def draw(canvas: Any) -> None:
        canvas.setFillColorCMYK(0, 0, 0, 1)
        canvas.rect(left * mm, 8 * mm, 0.6 * mm, 23 * mm, stroke=0, fill=1)

    return draw


def _spot(canvas: Any) -> None:
    from reportlab.lib.colors import CMYKColorSep

    canvas.setFillColor(CMYKColorSep(0, 0.8, 1, 0, spotName="Tidewrack Red"))
    canvas.rect(80 * mm, 8 * mm, 9 * mm, 9 * mm, stroke=0, fill=1)


def _overprint(canvas: Any) -> None:
    canvas.setFillOverprint(True)
    canvas.setFillColorCMYK(0, 0, 0, 0)
    canvas.rect(40 * mm, 8 * mm, 9 * mm, 9 * mm, stroke=0, fill=1)


def _overprinted_text(canvas: Any) -> None:
    canvas.setFillOverprint(True)
    canvas.setFillColorCMYK(0, 0, 0, 0)
    canvas.setFont("DejaVuSans", 12)
    canvas.drawString(20 * mm, 8 * mm, "Slack")


def _invisible(canvas: Any) -> None:
    words = canvas.beginText(20 * mm, 30 * mm)
    words.setFont("DejaVuSans", 9)
    words.setTextRenderMode(3)
    words.textOut("hidden words")
    canvas.drawText(words)


def _without(box: str) -> Callable[[pikepdf.Pdf], None]:
    def change(pdf: pikepdf.Pdf) -> None:
        del pdf.pages[0].obj[box]

    return change


def _small_bleed(pdf: pikepdf.Pdf) -> None:
    left, bottom, right, top = map(float, pdf.pages[0].trimbox)
    pdf.pages[0].obj.BleedBox = [left - 3, bottom - 3, right + 3, top + 3]


def _script(pdf: pikepdf.Pdf) -> None:
    action = pikepdf.Dictionary(S=pikepdf.Name.JavaScript, JS=pikepdf.String("app.alert(1)"))
    pdf.Root.OpenAction = action


def _outlined(keys: str) -> Change:
    """Put shapes in place of the text, as outlined type is."""

    def change(art: Artwork, _: Path) -> None:
        for key in keys.split(", "):
            gone = art.texts.pop(key)

            def draw(canvas: Any, gone: Text = gone) -> None:
                high = art.sizes[gone.page][1]
                canvas.setFillColorCMYK(0, 0, 0, 1)
                canvas.translate(gone.x * mm, (high - gone.y) * mm)
                if gone.turned:
                    canvas.rotate(-90)
                canvas.rect(0, 0, 40 * mm, 2 * mm, stroke=0, fill=1)

            art.drawings.append((gone.page, draw))

    return change


def _size(page: str, wide: float, high: float) -> Change:
    return lambda art, _: art.sizes.update({page: (wide, high)})


def _one_spread(art: Artwork, _: Path) -> None:
    del art.sizes["booklet-2"]


def _protected(art: Artwork, _: Path) -> None:
    art.encryption = pikepdf.Encryption(owner="o", user="")


BARS = ("tray-card", 106.0, 98.0)
DISC_LABEL = "disc artist, disc title, disc p, disc c, disc label, disc number"
HALDAN = Text("tray-card", 13, 75, "Haldan Ferry Singers")
DIGITS = Text("tray-card", 96, 112, "2 000000 000152", 7)
SQUARE = ("booklet-2", 74.0, 107.0)
WHITE, RICH = (0, 0, 0, 0), (0.6, 0.4, 0.4, 1)
ROUNDS: dict[str, tuple[Mistake, ...]] = {
    "typed again": (
        text("title 1", "Low Lantem", "“Low Lantem”, the manifest has “Low Lantern”"),
        text("title 3", "Harbor Psalm (live)", "“Harbor Psalm (live)”, the manifest has “Harbour"),
        text("title 5", "Tallow & Twine", "“Tallow & Twine”"),
        text("front title", "Songs for Slak Water", "“Songs for Slak Water”"),
        text("disc artist", "Halden Ferry Singer", "“Halden Ferry Singer”"),
        text("name 1", "Mattis Orren", "“Mattis Orren"),
        text("roles 4", "transfer, mastring", "transfer, mastring"),
        text("back p", "℗ 2026 Tidewrack Editions", "℗ line differs: “℗ 2026"),
        text("disc number", "TWE-041", "TWE-041", "other-catalogue-number"),
        Mistake("text-missing", "“TWE-014” is missing", "disc-label"),
        text("writers 4", "Words: Oda Bren; music: Ines Falk",
             "writers of track 4 differs: “Words: Oda Bren;"),
        text("notes 2", "ever is on the ferry sings until the time has turned.",
             "“… the time has …”, the manifest has “… the tide", at="notes 1"),
    ),
    "signs": (
        text("title 3", "Harbour Psalm live", "“Harbour Psalm live”", "text-signs"),
        text("title 4", "Ferryman's Grace", "has other quotes", "text-quotes"),
        text("title 6", "Half–Tide Waltz", "has other dashes", "text-dashes"),
        text("title 2", "Ropewalk round", "has other capitals", "text-case"),
        text("title 1", "LowLantern", "has other spaces", "text-spaces"),
        text("title 5", "Tallow and Tw ine", "has other spaces", "text-spaces"),
        text("name 2", "Sorine Aakre", "“Sorine Aakre"),
        text("spine 1", "HALDEN FERRY SINGERS  SONGS FOR SLACK WATER  TWE-013", "“TWE-013”"),
    ),
    "lost": (
        lost("number 4", "has no number, it is track 4", "title 4", "track-number"),
        lost("duration 5", "has no duration; the master’s is 1:33", "title 5", "no-duration"),
        lost("back c", "© line “© 2027 Tidewrack Editions & Friends” is missing", "tray-card"),
        lost("back number", "“TWE-014” is missing", "tray-card"),
        lost("name 4, roles 4", "“Kari Nymoen – transfer, mastering” is missing", "booklet"),
        text("roles 1", "harmonium (1, 3)", "“arranger” is missing in", "text-missing",
             at="booklet"),
        text("spine 2", "HALDEN FERRY SINGERS   TWE-014", "release title", "text-missing",
             at="tray-card"),
        lost("title 6, number 6, duration 6", "title of track 6 “Half-Tide Waltz” is missing",
             "tray-card"),
        lost("disc p", "℗ line “℗ 2027 Tidewrack Editions” is missing", "disc-label"),
        Mistake("no-barcode", "2000000000145", "tray-card",
                lambda art, _: setattr(art, "barcode", None)),
    ),
    "rows": (
        text("number 2", "03", "“Ropewalk Round” has number 3, it is track 2", "track-number",
             at="title 2"),
        text("duration 1", "1:20", "has 1:20, the master has 1:02", "duration-differs"),
        text("duration 3", "1:21", "has 1:21, the master has 1:20", "duration-differs"),
        text("duration 6", "11:17", "has 11:17, the master has 1:17", "duration-differs"),
        text("roles 1", "harmonium, aranger (1, 3)", "“Mattis Oren harmonium, aranger (1, 3)”"),
        added("text-resembles", "“Haldan Ferry Singers”", HALDAN),
        added("other-catalogue-number", "TWE-015", Text("tray-card", 80, 75, "TWE-015")),
        added("other-isrc", "AA-6Q7-27-00001", Text("booklet-2", 135, 80, "ISRC AA-6Q7-27-00001")),
        added("other-barcode-digits", "2 000000 000152", DIGITS),
    ),
    "order": (
        Mistake("running-order", "“Tallow and Twine” comes before “Ferryman’s Grace”", "title 5",
                _swap(4, 5)),
        Mistake("no-live-text", "disc", "disc-label", _outlined(DISC_LABEL)),
        Mistake("no-live-text", "tray-card, spine", "tray-card", _outlined("spine 2")),
        Mistake("no-live-text", "booklet, front", "booklet-1",
                _outlined("front artist, front title")),
    ),
    "titles": (
        Mistake("track-number", "“Harbour Psalm (live)” has number 2, it is track 3", "title 2",
                _swap_titles),
        Mistake("track-number", "“Ropewalk Round” has number 3, it is track 2", "title 3"),
        Mistake("duration-differs", "“Ropewalk Round” has 1:20", "duration 3"),
        Mistake("duration-differs", "“Harbour Psalm (live)” has 1:11", "duration 2"),
        finished("no-trim-box", "no TrimBox", "tray-card", _without("/TrimBox")),
        finished("no-bleed-box", "no BleedBox", "booklet-1", _without("/BleedBox")),
        finished("bleed-box-too-small", "1.1 mm", "disc-label", _small_bleed),
        Mistake("pages-missing", "booklet has 1 of 2 pages", "booklet", _one_spread),
        finished("pdf-scripts", "script", "tray-card", _script),
    ),
    "edges": (
        ground("tray-card", "at the left: colour ends 1.", 1.5, 3, 3, 3),
        ground("booklet-1", "at the foot: colour ends 0.0", 3, 3, 3, 0),
        ground("disc-label", "at the edge", 0.5, 0.5, 0.5, 0.5),
        moved("back number", "outside-safe-area", "the trimmed edge", y=116.6),
        moved("front artist", "text-over-fold", "over a fold", x=110, y=45),
        Mistake("text-differs", "artist differs", "front artist"),
        moved("name 1", "near-fold", "to a fold", x=121.2),
        moved("disc title", "not-printed", "label is not printed", y=38, x=40),
        moved("notes 1", "outside-safe-area", "the trimmed edge", x=1),
    ),
    "inks": (
        moved("title 1", "rgb-colour", "RGB text", ink=(0, 0, 0)),
        drawn("rgb-colour", "RGB area", SQUARE, _area(0.2, 0.4, 0.9)),
        drawn("spot-colour", "Tidewrack Red", ("booklet-2", 84, 107), _spot),
        moved("title 2", "rich-black-text", "C60 M40 Y40 K100", ink=RICH),
        drawn("too-much-ink", "340 %", SQUARE, _area(0.9, 0.8, 0.8, 0.9)),
        drawn("white-overprint", "white area", ("booklet-1", 44, 107), _overprint),
        drawn("white-overprint", "white text", ("booklet-2", 22, 110.5), _overprinted_text),
        drawn("hairline", "0.10 pt", ("booklet-1", 40, 99.5), _line(0.1)),
        drawn("hairline", "0.00 pt", ("booklet-2", 40, 99.5), _line(0)),
        moved("back c", "small-type", "4.2 pt", size=4.2),
        moved("disc c", "small-reversed-type", "5.4 pt", size=5.4, ink=WHITE),
        moved("title 4", "font-not-embedded", "Courier", font="Courier", text="Ferryman's Grace"),
        Mistake("text-quotes", "Ferryman's Grace", "title 4"),
        Mistake("rgb-colour", "RGB image", ("booklet-1", 80, 60), _image("RGB", 600, 40)),
        Mistake("image-ppi", "127 ppi", ("booklet-1", 70, 70), _image("CMYK", 100, 20)),
        drawn("invisible-text", "invisible text", ("tray-card", 22, 87), _invisible),
    ),
    "barcode small": (
        barcode("barcode-size", "70 %", scale=0.7),
        Mistake("wrong-size", "is 149.0 × 118.0 mm", "tray-card", _size("tray-card", 149, 118)),
        Mistake("wrong-size", "is 116.0 × 114.0 mm", "disc-label", _size("disc-label", 116, 114)),
        Mistake("no-such-page", "is not a page", "booklet-2", _size("booklet-2", 210, 148)),
        Mistake("pages-missing", "booklet has 1 of 2", "booklet"),
    ),
    "barcode other": (
        barcode("barcode-differs", "scans as 2000000000152", code="2000000000152"),
        Mistake("pdf-protected", "protected", "booklet", _protected),
    ),
    "barcode quiet": (
        drawn("barcode-quiet-zone", "at the left is", BARS, _bar(93.0)),
        drawn("barcode-quiet-zone", "at the right is", BARS, _bar(129.2)),
    ),
    "barcode light": (
        barcode("barcode-colours", "light on dark", bars=(0, 0, 0, 0), ground=(0, 0, 0, 1)),
    ),
    "barcode red": (
        barcode("barcode-colours", "red light", bars=(0, 1, 1, 0)),
    ),
}  # fmt: skip
"""Some mistakes bring others with them: these stand below them and change nothing."""
