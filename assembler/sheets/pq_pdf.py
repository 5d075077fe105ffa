"""The PQ sheet as a printed form: A4, heads on every page, signatures at the foot of the last.

The layout is our own.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import chain, zip_longest
from pathlib import Path

from reportlab.lib.pagesizes import A4

from assembler.sheets.pq_sheet import (
    FLAG_LEGEND,
    NAME,
    SAMPLE_FORMAT,
    TABLE_HEADS,
    PqSheet,
    PqTrack,
    missing_facts,
    performer_shown,
    point_rows,
    release_facts,
    shown,
    time_legend,
    totals,
)
from assembler.typeset.blocks import Sheet
from assembler.typeset.fonts import NO_GLYPH, missing_characters
from assembler.typeset.lines import blank_line
from assembler.typeset.pages import (
    Frame,
    Line,
    Page,
    Placed,
    Rule,
    Type,
    at_right,
    fitted,
    height,
    kept,
    paged,
    set_text,
    stacked,
)
from assembler.typeset.sheet_pdf import write_pages

FRAME = Frame(left=40, right=A4[0] - 40, top=A4[1] - 30, foot=46, body=40)
ROWS = (Type(8.5, 13), Type(8.5, 11.5), Type(8, 9.8), Type(7.5, 8.8))
"""Types of the table, widest first; twice the height of a row is that of a track and its space."""
SEVERAL_PAGES = ROWS[1]
MOST_ON_ONE_PAGE = 20
TRACKS_WITH_CLOSING = 3
"""Tracks that stay with totals, files and signatures where these need another page."""
LARGEST_WHOLE_TRACK, LARGEST_WHOLE_CLOSING = 0.3, 0.8
"""Shares of a page up to which a track, and all that follows the tracks, are not broken."""

CAPTION, HEAD = Type(6.5, 11, grey=0.35), Type(6.5, 14, "bold")
LEGEND = replace(CAPTION, leading_pt=9)
DISC_ID, RUNNING_DISC_ID = Type(30, 33, "bold"), Type(15, 20, "bold")
FORM_NAME, DISC = Type(10, 14, "bold"), Type(18, 33, "bold")
TITLE, ARTIST, RUNNING_TITLE = Type(13, 17, "bold"), Type(11, 15), Type(8, 11)
STRONG, PLAIN, FILE, HASH = Type(10, 13, "bold"), Type(8.5, 11), Type(7.5, 9.5), Type(6.5, 9.5)
GREY = 0.35

TITLE_X, TITLE_WIDTH, ISRC_X, ISRC_WIDTH = FRAME.left + 21, 146, 213, 78
FLAGS_X, FLAGS_WIDTH, INDEX_X = 296, 33, 333
TIME_RIGHTS = tuple(FRAME.right - pt for pt in (147, 91, 45, 0))
FILE_X, HASH_X = FRAME.left + 50, FRAME.right - 266
DISC_WIDTH = 130
PAD = 6

Heads = tuple[Line, ...]


def write_pq_pdf(sheet: PqSheet, target: Path) -> None:
    """Write the sheet of one disc as a PDF whose bytes depend on its data alone.

    Up to 20 tracks are set in the widest type that fits one page; more tracks, or titles too
    long for that, take several pages.
    """
    one_page = ROWS if len(sheet.tracks) <= MOST_ON_ONE_PAGE else ()
    spreads = (_pages(sheet, row) for row in one_page)
    pages = next((one for one in spreads if len(one) == 1), None) or _pages(sheet, SEVERAL_PAGES)
    write_pages(target, Sheet(sheet.artist, sheet.title, (), NAME, None, ()), pages, FRAME)


def _pages(sheet: PqSheet, row: Type) -> list[Page]:
    heads = tuple(_running_lines(sheet))
    tracks = [_track_lines(sheet, track, row, heads) for track in sheet.tracks]
    signatures = _signatures()
    last = [*chain(*tracks[-TRACKS_WITH_CLOSING:]), *_total_lines(sheet, row, heads)]
    last += [*_file_lines(sheet, heads), *signatures]
    if height(last) <= FRAME.height * LARGEST_WHOLE_CLOSING:
        last = kept(last)
    before = chain(*tracks[:-TRACKS_WITH_CLOSING])
    pages = paged([*_first_lines(sheet), *before, *last], FRAME)
    end = -len(signatures)
    spare_pt = pages[-1][-1][0] - FRAME.foot
    pages[-1][end:] = [(y - spare_pt, line) for y, line in pages[-1][end:]]
    return pages


def _line(texts: Iterable[Placed], space_pt: float = 0, rules: Sequence[Rule] = ()) -> Line:
    """Return texts side by side as one line, as tall as the tallest."""
    texts = tuple(texts)
    height_pt = max(text.type.leading_pt for text in texts)
    return Line(texts, height_pt, space_pt, rules=tuple(rules), in_columns=True)


def _across(up_pt: float = 0, width_pt: float = 0.5, grey: float = 0.6) -> Rule:
    return Rule(FRAME.left, FRAME.right, up_pt, width_pt, grey)


def _first_lines(sheet: PqSheet) -> list[Line]:
    """Return the head of the first page: the identity of the disc and who prepared it."""
    facts = release_facts(sheet)
    people = [(name, facts[name], 0.25) for name in list(facts)[3:]]
    sound = [("Sample format", SAMPLE_FORMAT, 0.6), ("Missing", missing_facts(sheet), 0.4)]
    lines = [
        _form_name(),
        _line([Placed(FRAME.left, "Catalogue number", CAPTION)], 3),
        *_disc_id(sheet, DISC_ID, DISC),
        *_whole_width(facts["Title"], TITLE),
        *_whole_width(facts["Artist"], ARTIST),
        *_fields(people, STRONG, 6),
        *_fields(sound if sound[1][1] else [("Sample format", SAMPLE_FORMAT, 1)], PLAIN, 3),
        replace(_table_head(), space_pt=7),
    ]
    return kept(lines, with_next=True) if height(lines) < FRAME.height / 2 else lines


def _running_lines(sheet: PqSheet) -> list[Line]:
    """Return the head of later pages."""
    name = f"{shown(sheet.title)} – {shown(sheet.artist)}"
    identity = _disc_id(sheet, RUNNING_DISC_ID, RUNNING_DISC_ID)
    title = _whole_width(name, RUNNING_TITLE, 6)
    return [_form_name(), Line((), 5), *identity, *title, Line((), 8)]


def _form_name() -> Line:
    return _line([Placed(FRAME.left, NAME, FORM_NAME)], rules=[_across(-16, 1.2, 0)])


def _disc_id(sheet: PqSheet, kind: Type, disc: Type) -> list[Line]:
    text = shown(sheet.catalogue_number)
    room_pt = FRAME.width - DISC_WIDTH
    first, *others = set_text(text, FRAME.left, room_pt, fitted(text, room_pt, kind, 8))
    return [_line([first, at_right(sheet.disc_text, FRAME.right, disc)]), *map(_line, zip(others))]


def _whole_width(text: str, kind: Type, least_pt: float = 7) -> list[Line]:
    kind = fitted(text, FRAME.width, kind, least_pt)
    return stacked(set_text(text, FRAME.left, FRAME.width, kind, beside=True))


def _fields(fields: Sequence[tuple[str, str, float]], kind: Type, space_pt: float) -> list[Line]:
    """Set names and values side by side, each with its share of the width."""
    columns, x = [], FRAME.left
    for name, value, share in fields:
        room_pt = FRAME.width * share - PAD
        fit = fitted(value, room_pt, kind, 7)
        columns.append([Placed(x, name, CAPTION), *set_text(value, x, room_pt, fit, beside=True)])
        x += FRAME.width * share
    lines = [_line(filter(None, texts)) for texts in zip_longest(*columns)]
    return kept([replace(lines[0], space_pt=space_pt, rules=(_across(),)), *lines[1:]])


def _table_head() -> Line:
    lefts = ((FRAME.left, "No."), (TITLE_X, "Title"), (ISRC_X, "ISRC"), (FLAGS_X, "Flags"))
    texts = [Placed(x, name, HEAD) for x, name in (*lefts, (INDEX_X, TABLE_HEADS[0]))]
    ends = zip(TABLE_HEADS[1:], TIME_RIGHTS, strict=True)
    texts += [at_right(name, x, HEAD) for name, x in ends]
    return _line(texts, rules=(_across(0, 1, 0), _across(-HEAD.leading_pt, 0.5, 0)))


def _track_lines(sheet: PqSheet, track: PqTrack, row: Type, heads: Heads) -> list[Line]:
    """Set a track: its texts on the left, its index points on the right."""
    texts = _column(shown(track.title), row)
    texts += _column(performer_shown(sheet, track), replace(row, grey=GREY))
    number = Placed(FRAME.left, f"{track.number:02d}", replace(row, weight="bold"))
    again = _line([number, Placed(TITLE_X, "continued", replace(row, grey=GREY))])
    heads = (*heads, _table_head())
    texts[0] = (number, *texts[0], *_codes(track, row))
    columns = zip_longest(texts, _times(sheet, track, row), fillvalue=())
    lines = [replace(_line(chain(*texts)), height_pt=row.leading_pt) for texts in columns]
    lines = [replace(line, heads=(*heads, Line((), 3), again)) for line in lines]
    space_pt = 2 * (row.leading_pt - row.size_pt)
    lines[0] = replace(lines[0], space_pt=space_pt, heads=heads)
    rule = _across(-row.leading_pt - space_pt / 2, 0.4, 0.75)
    lines[-1] = replace(lines[-1], rules=(rule,))
    if height(lines) <= FRAME.height * LARGEST_WHOLE_TRACK:
        return kept(lines)
    return [*kept(lines[:2]), *lines[2:-2], *kept(lines[-2:])]


def _column(text: str, kind: Type) -> list[tuple[Placed, ...]]:
    """Set a title or a performer, smaller if it is long."""
    kind = fitted(text, TITLE_WIDTH, kind, 7, most_lines=2)
    placed = set_text(text, TITLE_X, TITLE_WIDTH, kind, beside=True) if text else []
    return list(zip(placed))


def _codes(track: PqTrack, row: Type) -> tuple[Placed, ...]:
    strong = replace(row, weight="bold")
    isrc, flags = track.isrc_shown, track.flags
    isrc_type = fitted(isrc, ISRC_WIDTH, row if track.isrc else strong, 5)
    flags_type = fitted(flags, FLAGS_WIDTH, strong if track.pre_emphasis else row, 5)
    return Placed(ISRC_X, isrc, isrc_type), Placed(FLAGS_X, flags, flags_type)


def _times(sheet: PqSheet, track: PqTrack, row: Type) -> Iterator[tuple[Placed, ...]]:
    """Set the index points; the starts of tracks in bold."""
    for point in point_rows(sheet, track):
        kind = replace(row, grey=GREY if point.number == "00" else 0)
        strong = replace(row, weight="bold") if point.number == "01" else kind
        ends = zip(point[1:], TIME_RIGHTS, (kind, strong, kind, kind), strict=True)
        yield (Placed(INDEX_X, point.number, kind), *(at_right(*end) for end in ends if end[0]))


def _total_lines(sheet: PqSheet, row: Type, heads: Heads) -> list[Line]:
    """Return the totals and the legend."""
    facts = totals(sheet)
    notes = [FLAG_LEGEND, time_legend(sheet)]
    texts = (sheet.artist, sheet.title, sheet.catalogue_number, sheet.label, sheet.prepared_by)
    names = [text or "" for text in texts] + [t.title + t.performer for t in sheet.tracks]
    if missing_characters("".join(names)):
        notes.append(f"{NO_GLYPH}: a character that is in none of the fonts; the text form has it.")
    values = [(name, value, 1 / len(facts)) for name, value in facts.items()]
    legend = [*chain(*(_whole_width(note, LEGEND, LEGEND.size_pt) for note in notes))]
    legend[0] = replace(legend[0], space_pt=5, rules=(_across(3),))
    below_rule_pt = row.leading_pt - row.size_pt + 7
    lines = [*_fields(values, STRONG, below_rule_pt), *legend]
    return kept([replace(line, heads=heads) for line in lines], with_next=True)


def _file_lines(sheet: PqSheet, heads: Heads) -> list[Line]:
    """Return the files and their checksums."""
    head = _line((Placed(FRAME.left, "Files", CAPTION), Placed(HASH_X, "SHA-256", CAPTION)))
    head = replace(head, rules=(_across(),))
    lines = [replace(head, space_pt=6, keeps=True, heads=heads)]
    for kind, name, sha256 in sheet.files:
        room_pt = HASH_X - 8 - FILE_X
        placed = set_text(shown(name), FILE_X, room_pt, fitted(shown(name), room_pt, FILE, 6))
        first = (Placed(FRAME.left, kind, FILE), placed[0], Placed(HASH_X, sha256, HASH))
        of_file = [_line(first), *stacked(placed[1:])] if placed[1:] else [_line(first)]
        lines += kept([replace(line, heads=(*heads, head)) for line in of_file])
    return lines


def _signatures() -> list[Line]:
    """Return room for two signatures, each with a date."""
    blanks = [
        (signer, share)
        for name in ("Prepared by", "Checked by plant")
        for signer, share in ((name, 0.34), ("Date", 0.16))
    ]
    return [replace(blank_line(blanks, FRAME), space_pt=22)]
