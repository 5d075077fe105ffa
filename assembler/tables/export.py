"""Write a manifest's codes and credits as a table for the label to fill in.

CSV: RFC 4180 with commas, UTF-8 with a byte-order mark, which spreadsheets need to see the letters.
A cell that a spreadsheet would take for a formula has an apostrophe in front; `import` removes it.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from assembler.draft.list_fields import LIST_FIELDS
from assembler.errors import AssemblerError
from assembler.manifest import ManifestFile
from assembler.tables.tracks import FILLED_FIELDS, track_rows
from assembler.text import without_formula
from assembler.whole_files import write_at_once

_MATCHED_BY = ("number", "disc", "title", "duration")
_COLUMN_WIDTH = 22
_WIDE = {"number": 5, "disc": 5, "title": 36}


def export_table(source: ManifestFile, path: Path) -> int:
    """Write the table; its suffix decides the form.

    Returns
    -------
    int
        How many cells are empty, for the label to fill in.

    Raises
    ------
    AssemblerError
        The suffix is none of the three, the file exists, or can't be written.
    """
    forms: dict[str, Callable[[Sequence[Sequence[str]]], bytes]] = {
        ".csv": lambda rows: _text(rows, ","),
        ".tsv": lambda rows: _text(rows, "\t"),
        ".xlsx": _workbook,
    }
    form = forms.get(path.suffix.lower())
    if form is None:
        raise AssemblerError(f"{path}: name a file that ends in .csv, .tsv or .xlsx")
    if path.exists():
        raise AssemblerError(f"{path}: the file exists already: name another file")
    rows = table_cells(source)
    try:
        write_at_once(path, form(rows))
    except OSError as error:
        reason = (error.strerror or "error").lower()
        raise AssemblerError(f"{path}: can't be written: {reason}: name another file") from error
    return sum(not cell for row in rows[1:] for cell in row)


def table_cells(source: ManifestFile) -> list[list[str]]:
    """Return the header and a row per track."""
    tracks = track_rows(source, with_durations=True)
    names = [n for n in LIST_FIELDS if n in FILLED_FIELDS or n in _MATCHED_BY]
    if len({track.disc for track in tracks}) == 1:
        names.remove("disc")
    head = [LIST_FIELDS[name].name for name in names]
    return [head, *([track.cell(name) for name in names] for track in tracks)]


def _text(rows: Sequence[Sequence[str]], delimiter: str) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\r\n")
    writer.writerows([without_formula(cell) for cell in row] for row in rows)
    return text.getvalue().encode("utf-8-sig")


def _workbook(rows: Sequence[Sequence[str]]) -> bytes:
    from openpyxl import Workbook
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    book = Workbook()
    sheet: Any = book.active
    sheet.title = "Tracks"
    sheet.freeze_panes = "A2"
    widths = {LIST_FIELDS[name].name: width for name, width in _WIDE.items()}
    for at, heading in enumerate(rows[0], 1):
        sheet.column_dimensions[get_column_letter(at)].width = widths.get(heading, _COLUMN_WIDTH)
    for row, cells in enumerate(rows, 1):
        for column, text in enumerate(cells, 1):
            cell = sheet.cell(row, column)
            cell.number_format = "@"  # text: a code or a time that is typed stays as it is
            if text:
                cell.value = text
                cell.data_type = "s"  # a text, also where it begins with =
            if row == 1:
                cell.font = Font(bold=True)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()
