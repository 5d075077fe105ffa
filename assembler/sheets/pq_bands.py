"""The bands of the printed PQ sheet: strips across the page, measured before they are drawn.

The layout is our own. Lengths are in points, from the top of a band downwards.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import accumulate, zip_longest

from reportlab.lib.pagesizes import A4

from assembler.sheets.pq_sheet import (
    FLAG_LEGEND,
    NAME,
    SAMPLE_FORMAT,
    TABLE_HEADS,
    PointRow,
    PqSheet,
    PqTrack,
    files,
    missing_facts,
    performer_shown,
    point_rows,
    release_facts,
    shown,
    time_legend,
    totals,
)
from assembler.typeset.fonts import NO_GLYPH, missing_characters
from assembler.typeset.pages import Type
from assembler.typeset.pdf_fonts import width_em
from assembler.typeset.typeset import filled_lines, in_printed_order, joined, reads_right_to_left

PAGE_WIDTH, PAGE_HEIGHT = A4
LEFT, RIGHT, TOP, FOOT = 40.0, PAGE_WIDTH - 40, PAGE_HEIGHT - 30, 30.0
WIDTH = RIGHT - LEFT

CAPTION = Type(6.5, 9, grey=0.35)
FORM_NAME = Type(10, 13, "bold")
DISC_ID = Type(30, 33, "bold")
RUNNING_DISC_ID = Type(15, 20, "bold")
TITLE, ARTIST, RUNNING_TITLE = Type(13, 17, "bold"), Type(11, 15), Type(8, 11)
STRONG, PLAIN, FILE, HASH = Type(10, 13, "bold"), Type(8.5, 11), Type(7.5, 9.5), Type(6.5, 9.5)

TITLE_X, TITLE_WIDTH, ISRC_X, ISRC_WIDTH, FLAGS_X, INDEX_X = LEFT + 21, 146, 213, 78, 296, 333
TIME_RIGHTS = (RIGHT - 147, RIGHT - 91, RIGHT - 45, RIGHT)
HASH_WIDTH = 266
"""Of 64 hexadecimal digits in `HASH`."""
DISC_WIDTH = 130
CELL_PAD = 6


@dataclass(frozen=True)
class Spot:
    """A text in printed order; `down_pt` is its baseline."""

    x_pt: float
    down_pt: float
    text: str
    type: Type


@dataclass(frozen=True)
class Stroke:
    """A straight line."""

    x_pt: float
    down_pt: float
    to_x_pt: float
    to_down_pt: float
    width_pt: float = 0.5
    grey: float = 0.6


@dataclass(frozen=True)
class Strip:
    """A strip across the page."""

    height_pt: float
    spots: tuple[Spot, ...] = ()
    strokes: tuple[Stroke, ...] = ()


@dataclass(frozen=True)
class Density:
    """Spacing of the table: type size, row height, space between tracks."""

    size_pt: float
    row_pt: float
    space_pt: float

    def type(self, *, bold: bool = False, grey: float = 0.0) -> Type:
        """Return the type of a cell."""
        return Type(self.size_pt, self.row_pt, "bold" if bold else "regular", grey)


def height(bands: Iterable[Strip]) -> float:
    """Return the total height of bands."""
    return sum(band.height_pt for band in bands)


def _lines(text: str, width_pt: float, kind: Type) -> list[str]:
    return filled_lines(joined(text), width_pt, size_pt=kind.size_pt, weight=kind.weight)


def _fitted(text: str, width_pt: float, kind: Type, most_lines: int, least_pt: float) -> Type:
    """Return the largest type, down to `least_pt`, in which a text fits `most_lines`."""
    while kind.size_pt > least_pt and len(_lines(text, width_pt, kind)) > most_lines:
        shrunk = max(least_pt, kind.size_pt - 0.5)
        kind = replace(kind, size_pt=shrunk, leading_pt=kind.leading_pt * shrunk / kind.size_pt)
    return kind


def _placed(text: str, width_pt: float, kind: Type, most_lines: int) -> list[tuple[float, str]]:
    """Set a text in lines in printed order, each with its indent.

    Right-to-left lines are aligned at their right. Lines beyond `most_lines` are cut, with an
    ellipsis; the text form of the sheet has every text whole.
    """
    right_to_left = reads_right_to_left(text)
    lines = _lines(text, width_pt, kind)
    if len(lines) > most_lines:
        lines = [*lines[: most_lines - 1], f"{lines[most_lines - 1][:-2]}…"]
    shown_lines = [in_printed_order(line, right_to_left=right_to_left) for line in lines]
    widths_pt = [width_em(line, kind.weight) * kind.size_pt for line in shown_lines]
    return [
        (max(widths_pt) - line_pt if right_to_left else 0.0, line)
        for line, line_pt in zip(shown_lines, widths_pt, strict=True)
    ]


def _column(text: str, x_pt: float, width_pt: float, kind: Type, top_pt: float = 0) -> list[Spot]:
    """Set a text in at most eight lines, from `top_pt` downwards."""
    return [
        Spot(x_pt + indent_pt, top_pt + (n + 0.75) * kind.leading_pt, line, kind)
        for n, (indent_pt, line) in enumerate(_placed(text, width_pt, kind, most_lines=8))
    ]


def _at_right(text: str, right_pt: float, down_pt: float, kind: Type) -> Spot:
    return Spot(right_pt - width_em(text, kind.weight) * kind.size_pt, down_pt, text, kind)


def _text_band(text: str, kind: Type, width_pt: float = WIDTH) -> Strip:
    spots = _column(text, LEFT, width_pt, kind)
    return Strip(len(spots) * kind.leading_pt, tuple(spots))


def head(sheet: PqSheet, page: str) -> list[Strip]:
    """Return the head of the first page: the identity of the disc and who prepared it."""
    facts = release_facts(sheet)
    title = _fitted(facts["Title"], WIDTH, TITLE, 1, 7)
    artist = _fitted(facts["Artist"], WIDTH, ARTIST, 1, 7)
    names = ("Barcode", "Label", "Prepared by", "Master date")
    sound = [("Sample format", SAMPLE_FORMAT, 0.6), ("Missing", missing_facts(sheet), 0.4)]
    return [
        _form_name(page),
        Strip(8, (Spot(LEFT, 6, "Catalogue number", CAPTION),)),
        _disc_id(sheet, DISC_ID, 18),
        _text_band(facts["Title"], title),
        _text_band(facts["Artist"], artist),
        Strip(6),
        _cells([(name, facts[name], 0.25) for name in names], STRONG),
        _cells(sound if missing_facts(sheet) else [(*sound[0][:2], 1)], PLAIN),
        Strip(6, (), (Stroke(LEFT, 0, RIGHT, 0),)),
    ]


def running_head(sheet: PqSheet, page: str) -> list[Strip]:
    """Return the head of later pages."""
    name = f"{shown(sheet.title)} – {shown(sheet.artist)}"
    kind = _fitted(name, WIDTH, RUNNING_TITLE, 1, 6)
    return [
        _form_name(page),
        Strip(3),
        _disc_id(sheet, RUNNING_DISC_ID, 15),
        _text_band(name, kind),
        Strip(8),
    ]


def _form_name(page: str) -> Strip:
    spots = (Spot(LEFT, 9, NAME, FORM_NAME), _at_right(page, RIGHT, 9, CAPTION))
    return Strip(19, spots, (Stroke(LEFT, 15, RIGHT, 15, 1.2, 0),))


def _disc_id(sheet: PqSheet, kind: Type, disc_size_pt: float) -> Strip:
    text = shown(sheet.catalogue_number)
    fitted = _fitted(text, WIDTH - DISC_WIDTH, kind, 1, 8)
    spots = _column(text, LEFT, WIDTH - DISC_WIDTH, fitted)
    deepest = max(kind.leading_pt, len(spots) * fitted.leading_pt)
    disc = _at_right(
        sheet.disc_text, RIGHT, 0.75 * kind.leading_pt, replace(kind, size_pt=disc_size_pt)
    )
    return Strip(deepest, (*spots, disc))


def _cells(facts: Sequence[tuple[str, str, float]], kind: Type) -> Strip:
    """Set names and values side by side, each with its share of the width."""
    spots: list[Spot] = []
    lefts = [
        LEFT + WIDTH * share for share in accumulate((share for *_, share in facts), initial=0)
    ]
    bottom = 10 + kind.leading_pt
    for n, (name, value, share) in enumerate(facts):
        x = lefts[n] + (CELL_PAD if n else 0)
        room = WIDTH * share - (2 if n else 1) * CELL_PAD
        spots.append(Spot(x, 9, name, CAPTION))
        if value:
            lines = _column(value, x, room, _fitted(value, room, kind, 1, 7), 10)
            bottom = max(bottom, lines[-1].down_pt + 0.25 * lines[-1].type.leading_pt)
            spots += lines
    bottom += 3
    sides = [Stroke(x, 3, x, bottom - 2) for x in lefts[1:-1]]
    return Strip(bottom, tuple(spots), (Stroke(LEFT, 0, RIGHT, 0), *sides))


def table_head() -> Strip:
    """Return the heads of the table's columns."""
    kind = replace(CAPTION, weight="bold", grey=0)
    lefts = ((LEFT, "No."), (TITLE_X, "Title"), (ISRC_X, "ISRC"), (FLAGS_X, "Flags"))
    spots = [Spot(x, 9, name, kind) for x, name in (*lefts, (INDEX_X, TABLE_HEADS[0]))]
    spots += [_at_right(n, x, 9, kind) for n, x in zip(TABLE_HEADS[1:], TIME_RIGHTS, strict=True)]
    rules = (Stroke(LEFT, 0, RIGHT, 0, 1, 0), Stroke(LEFT, 14, RIGHT, 14, 0.5, 0))
    return Strip(14, tuple(spots), rules)


def track_bands(sheet: PqSheet, track: PqTrack, density: Density) -> list[Strip]:
    """Return the rows of a track: its texts on the left, its index points on the right."""
    texts = _texts(shown(track.title), density.type())
    texts += _texts(performer_shown(sheet, track), density.type(grey=0.35))
    rows = zip_longest(texts, point_rows(sheet, track))
    bands = []
    for n, (text, point) in enumerate(rows):
        top = density.space_pt / 2 if n == 0 else 0
        down = top + 0.8 * density.row_pt
        spots = _codes(track, density, down) if n == 0 else []
        if text:
            spots.append(replace(text, down_pt=down))
        if point:
            spots += _times(point, density, down)
        bands.append(Strip(top + density.row_pt, tuple(spots)))
    below = density.space_pt / 2
    return [*bands, Strip(below, (), (Stroke(LEFT, below, RIGHT, below, 0.4, 0.75),))]


def _texts(text: str, kind: Type) -> list[Spot]:
    """Set a title or a performer, smaller if it is long."""
    kind = _fitted(text, TITLE_WIDTH, kind, 2, 7)
    lines = _placed(text, TITLE_WIDTH, kind, most_lines=60) if text else []
    return [Spot(TITLE_X + indent_pt, 0, line, kind) for indent_pt, line in lines]


def continued(track: PqTrack, density: Density) -> Strip:
    """Return the line at the top of a page that a track continues on."""
    down, kind = 0.8 * density.row_pt, density.type(grey=0.35)
    number = Spot(LEFT, down, f"{track.number:02d}", density.type(bold=True))
    return Strip(density.row_pt, (number, Spot(TITLE_X, down, "continued", kind)))


def _codes(track: PqTrack, density: Density, down_pt: float) -> list[Spot]:
    isrc = density.type(bold=not track.isrc)
    isrc = _fitted(track.isrc_shown, ISRC_WIDTH, isrc, 1, 5)
    flags = _fitted(track.flags, INDEX_X - FLAGS_X - 4, density.type(bold=track.pre_emphasis), 1, 5)
    return [
        Spot(LEFT, down_pt, f"{track.number:02d}", density.type(bold=True)),
        Spot(ISRC_X, down_pt, track.isrc_shown, isrc),
        Spot(FLAGS_X, down_pt, track.flags, flags),
    ]


def _times(point: PointRow, density: Density, down_pt: float) -> list[Spot]:
    """Set an index point; the starts of tracks in bold."""
    starts = point.index == "01"
    kind = density.type(grey=0.35 if point.index == "00" else 0)
    times = zip(
        (point.program_time, point.absolute_time, point.length, point.pause),
        TIME_RIGHTS,
        strict=True,
    )
    return [
        Spot(INDEX_X, down_pt, point.index, kind),
        *(
            _at_right(time, x, down_pt, density.type(bold=True) if starts and n == 1 else kind)
            for n, (time, x) in enumerate(times)
            if time
        ),
    ]


def total_bands(sheet: PqSheet) -> list[Strip]:
    """Return the totals and the legend."""
    facts = totals(sheet)
    notes = [FLAG_LEGEND, time_legend(sheet)]
    texts = (sheet.artist, sheet.title, sheet.catalogue_number, sheet.label, sheet.prepared_by)
    names = [text or "" for text in texts] + [t.title + t.performer for t in sheet.tracks]
    if missing_characters("".join(names)):
        notes.append(f"{NO_GLYPH}: a character that is in none of the fonts; the text form has it.")
    return [
        Strip(8),
        _cells([(name, value, 1 / len(facts)) for name, value in facts.items()], STRONG),
        Strip(4, (), (Stroke(LEFT, 0, RIGHT, 0),)),
        *(_text_band(note, CAPTION) for note in notes),
        Strip(8),
    ]


def file_bands(sheet: PqSheet) -> list[Strip]:
    """Return the files and their checksums."""
    return [_file(*file) for file in files(sheet)]


def file_heads() -> Strip:
    """Return the heads of the files' columns."""
    spots = (
        Spot(LEFT, 9, "Files", CAPTION),
        Spot(RIGHT - HASH_WIDTH, 9, "SHA-256", CAPTION),
    )
    return Strip(13, spots, (Stroke(LEFT, 0, RIGHT, 0),))


def _file(kind: str, name: str, sha256: str) -> Strip:
    x = LEFT + 50
    room = RIGHT - HASH_WIDTH - 8 - x
    fitted = _fitted(shown(name), room, FILE, 1, 6)
    lines = _column(shown(name), x, room, fitted)
    down = 0.75 * FILE.leading_pt
    codes = (Spot(LEFT, down, kind, FILE), Spot(RIGHT - HASH_WIDTH, down, sha256, HASH))
    return Strip(max(FILE.leading_pt, len(lines) * fitted.leading_pt), (*codes, *lines))


def signature_band() -> Strip:
    """Return room for two signatures, each with a date."""
    spots, strokes = [], [Stroke(LEFT, 8, RIGHT, 8)]
    half = WIDTH / 2
    for x, signer in ((LEFT, "Prepared by"), (LEFT + half + CELL_PAD, "Checked by plant")):
        end = x + half - CELL_PAD
        date = end - 70
        spots += [Spot(x, 17, signer, CAPTION), Spot(date, 17, "Date", CAPTION)]
        strokes += [Stroke(x, 45, date - 8, 45, 0.5, 0), Stroke(date, 45, end, 45, 0.5, 0)]
    return Strip(46, tuple(spots), tuple(strokes))
