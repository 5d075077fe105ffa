"""Time of an import of 99 rows: python tests/bench/table_import.py

Not a test: writes a manifest of 99 tracks with recordings of 1 s, and a table for it in each form;
prints wall and processor time of `assembler import` in a process of its own, the best of five.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from openpyxl import Workbook

FIRST = ["Low", "Tide", "Rope", "Bell", "Under", "Ferry", "Harbour", "Net", "Sea", "Quay", "Loft"]
SECOND = ["Lantern", "Table", "Round", "Buoy", "Tow", "Grace", "Psalm", "Waltz", "Song"]
TITLES = [f"{first} {second}" for first in FIRST for second in SECOND]
HEAD = ["No", "Title", "Duration", "ISRC", "Composers", "Publisher"]


def written(folder: Path) -> None:
    """Write manifest, recordings and tables."""
    lines = ["release: {artist: Halden Ferry Singers, title: Songs for Slack Water}", "tracks:"]
    for n, title in enumerate(TITLES, 1):
        soundfile.write(folder / f"{n}.wav", np.zeros((44_100, 2)), 44_100)
        lines.append(f"  - title: {title}\n    audio: {n}.wav")
    (folder / "songs.yaml").write_text("\n".join(lines) + "\n", encoding="utf-8")
    rows = [
        [n, title, "0:01", f"AA-6Q7-27-{n:05d}", "Ines Falk; Mattis Oren", "Tidewrack Songs"]
        for n, title in enumerate(TITLES, 1)
    ]
    random.Random(17).shuffle(rows)
    text = "\n".join(",".join(map(str, row)) for row in [HEAD, *rows])
    (folder / "table.csv").write_text(text + "\n", encoding="utf-8")
    book = Workbook()
    for row in [HEAD, *rows]:
        book.active.append(row)
    book.save(folder / "table.xlsx")


def main() -> None:
    """Print the times."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for table in ("table.csv", "table.xlsx"):
            command = ["import", table, "songs.yaml", "--json"]
            walls, processor = [], []
            for _ in range(5):
                written(folder)
                began, before = time.perf_counter(), os.times()
                subprocess.run(
                    [sys.executable, "-m", "assembler", *command],
                    cwd=folder,
                    check=True,
                    capture_output=True,
                )
                walls.append(time.perf_counter() - began)
                after = os.times()
                used = after.children_user - before.children_user
                processor.append(used + after.children_system - before.children_system)
            times = f"{min(walls):.2f} s, of the processor {min(processor):.2f} s"
            print(f"{table}: {len(TITLES)} rows, {times}")


if __name__ == "__main__":
    main()
