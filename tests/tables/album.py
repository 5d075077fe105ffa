"""A manifest without recordings, whose tracks have known durations, and tables for it.

The code of track N ends in N, in every table: so a wrong match shows in what is written.
"""

from __future__ import annotations

from datetime import time
from pathlib import Path
from typing import Any

from openpyxl import Workbook

from assembler.manifest import load
from assembler.tables.changes import plan_import
from assembler.tables.import_plan import ImportPlan

TITLES = {
    1: "Low Lantern",
    2: "Tide Table",
    3: "Ropewalk Round",
    4: "Bell Buoy",
    5: "Undertow",
    6: "Ferryman’s Grace",
    7: "Counting the Piles",
    8: "Harbour Psalm",
    9: "Sea Song II",
    10: "Sea Song III",
    11: "Interlude",
    12: "Interlude",
}
LENGTHS = {
    1: "3:05", 2: "2:41", 3: "4:12", 4: "1:04", 5: "1:15", 6: "2:22", 7: "3:38", 8: "5:10",
    9: "2:50", 10: "3:25", 11: "0:31", 12: "0:47",
}  # fmt: skip
_EXTRA = {6: "    artist: Jorun Hald\n", 8: "    version: live\n"}
MANIFEST = """\
# the label's own order
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
disc: {pregap_audio: hidden.wav}
tracks:
""" + "".join(
    f"  - title: {title}\n    audio: {n}.wav\n    end: {LENGTHS[n]}\n{_EXTRA.get(n, '')}"
    for n, title in TITLES.items()
)


def code(number: int) -> str:
    """Return the ISRC of a track."""
    return f"AA-6Q7-27-{number:05d}"


def manifest(folder: Path, text: str = MANIFEST) -> Path:
    """Write a manifest."""
    path = folder / "songs.yaml"
    path.write_bytes(text.encode())
    return path


def plan(
    folder: Path,
    table: str | bytes,
    *,
    text: str = MANIFEST,
    name: str = "table.csv",
    chosen: dict[int, int] | None = None,
    replace: bool = False,
) -> ImportPlan:
    """Write a manifest and a table, and return what an import would do."""
    path = folder / name
    path.write_bytes(table.encode() if isinstance(table, str) else table)
    return plan_import(path, load(manifest(folder, text)), chosen or {}, may_replace=replace)


def applied(plan: ImportPlan) -> dict[int, int]:
    """Return the track of each row that is applied, by the row's line."""
    return {m.row.line: m.index + 1 for m in plan.matches if m.is_applied}


def left_out(plan: ImportPlan) -> dict[int, int | None]:
    """Return the proposed track of each row that is left out; None where there is no proposal."""
    return {
        m.row.line: None if m.index is None else m.index + 1
        for m in plan.matches
        if not m.is_applied
    }


def codes(plan: ImportPlan) -> dict[int, str]:
    """Return the ISRC that each track would get."""
    return {c.index + 1: c.after for c in plan.written if c.name == "isrc"}


def of_kind(plan: ImportPlan, code: str) -> list[str]:
    """Return the messages of a kind of finding."""
    return [f.message for f in plan.findings if f.code == code]


def workbook(path: Path, *sheets: list[list[Any]], merged: str = "") -> bytes:
    """Write a workbook with openpyxl and return its bytes."""
    book = Workbook()
    book.remove(book.active)
    for n, rows in enumerate(sheets, 1):
        sheet = book.create_sheet(f"Sheet {n}")
        for row in rows:
            sheet.append(row)
        if merged:
            sheet.merge_cells(merged)
    book.save(path)
    return path.read_bytes()


def clock(text: str) -> time:
    """Return m:ss as a spreadsheet's time of day."""
    minutes, seconds = map(int, text.split(":"))
    return time(0, minutes, seconds)
