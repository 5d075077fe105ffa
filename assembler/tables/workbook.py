"""Read the rows of an XLSX workbook with openpyxl, within bounds.

XLSX: ECMA-376, Office Open XML; a package has no document type (part 2, from memory). Sizes are
checked in the ZIP directory before anything is unpacked: zipfile reads no member beyond its
declared size.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any

from assembler.draft.list_tables import TableRow
from assembler.errors import FindingsError
from assembler.findings import Finding
from assembler.text_files import OutsideFile

MOST_UNPACKED_BYTES = 30_000_000
MOST_PARTS = 2_000
MOST_ROWS = 5_000
MOST_COLUMNS = 100
_MERGED = re.compile(rb'mergeCell\s[^>]*?ref="([A-Z]+)(\d+):([A-Z]+)(\d+)"')


@dataclass(frozen=True)
class Sheet:
    """A sheet of a workbook."""

    name: str
    rows: tuple[TableRow, ...]
    merged: tuple[tuple[str, int, int], ...]
    """Each range of merged cells, with its first and last row."""


def sheets_of(file: OutsideFile, content: bytes) -> list[Sheet]:
    """Return the sheets of a workbook.

    Raises
    ------
    FindingsError
        It is damaged, unpacks to too much, or a cell has a formula or an error.
    """
    try:
        _refuse_bomb(file, content)
        return list(_sheets(file, content))
    except FindingsError:
        raise
    except Exception as error:  # what a damaged package makes zipfile, expat and openpyxl raise
        raise file.refusal("damaged", "damaged, or not an XLSX workbook") from error


def _refuse_bomb(file: OutsideFile, content: bytes) -> None:
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        parts = package.infolist()
        if len(parts) > MOST_PARTS or sum(p.file_size for p in parts) > MOST_UNPACKED_BYTES:
            size = f"{MOST_UNPACKED_BYTES / 1e6:g} MB"
            raise file.refusal("too-long", f"more than {size} when it is unpacked")
        for part in parts:
            text = package.read(part) if part.filename.endswith((".xml", ".rels")) else b""
            if b"<!DOCTYPE" in text or b"<!ENTITY" in text:
                raise file.refusal("damaged", "an XLSX workbook has no document type, but this has")


def _sheets(file: OutsideFile, content: bytes) -> Iterator[Sheet]:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(content), read_only=True)
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        for sheet in book.worksheets:
            if sheet.sheet_state != "visible":
                continue
            sheet.reset_dimensions()
            part = sheet._worksheet_path  # type: ignore[attr-defined]
            rows = []
            for number, cells in enumerate(
                sheet.iter_rows(max_row=MOST_ROWS + 1, max_col=MOST_COLUMNS), 1
            ):
                if number > MOST_ROWS:
                    raise file.refusal("too-long", f"more than {MOST_ROWS} rows")
                rows.append(TableRow(number, tuple(_text(file, cell) for cell in cells)))
            yield Sheet(sheet.title, tuple(rows), _merged(package.read(part)))


def _merged(xml: bytes) -> tuple[tuple[str, int, int], ...]:
    found = (match.groups() for match in _MERGED.finditer(xml))
    return tuple(
        (f"{a.decode()}{m.decode()}:{b.decode()}{n.decode()}", int(m), int(n))
        for a, m, b, n in found
    )


def _text(file: OutsideFile, cell: Any) -> str:
    """Return a cell as it would be typed: times as h:mm:ss, dates as in ISO 8601."""
    value = cell.value
    if cell.data_type in ("f", "e"):
        what = "a formula" if cell.data_type == "f" else f"the error {value}"
        message = f"cell {cell.coordinate} has {what}: save the sheet with values in its place"
        place = (str(file.path), cell.row, message)
        raise FindingsError([Finding("error", "table-formula", cell.coordinate, *place)])
    if value is None:
        return ""
    if isinstance(value, datetime) and value.year <= 1900:
        value = value.time()  # a time of day that the format shows as a date
    if isinstance(value, datetime):
        value = value.date()
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, time):
        since = timedelta(hours=value.hour, minutes=value.minute, seconds=value.second)
        value = since + timedelta(microseconds=value.microsecond)
    if isinstance(value, timedelta):
        minutes, seconds = divmod(round(value.total_seconds()), 60)
        return f"{minutes // 60}:{minutes % 60:02d}:{seconds:02d}"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else f"{value:.10f}"
    return " ".join(str(value).split())
