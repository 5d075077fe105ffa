"""Tables made by code, whose truth is known: reordered, renumbered, misspelled, with rows missing,
with rows of other releases. No row may be applied to a track that is not its own. The words of the
titles are few, so that they resemble each other; rows of other releases never have a title of the
album.
"""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
from long_runs import series
from tables.album import code, plan

FIRST = ["Low", "Tide", "Rope", "Bell", "Under", "Ferry", "Harbour", "Net", "Sea", "Quay", "Loft"]
SECOND = ["Lantern", "Table", "Round", "Buoy", "Tow", "Grace", "Psalm", "Rain", "Tide", "Ride"]
PARTS = ["I", "II", "III", "Part 1", "Part 2"]
VERSIONS = ["", "", "", "live", "2027 remaster", "demo"]
HEADINGS = ["No", "Title", "Duration", "ISRC"]


def title(made: random.Random) -> str:
    part = f" {made.choice(PARTS)}" if made.random() < 0.15 else ""
    return f"{made.choice(FIRST)} {made.choice(SECOND)}{part}"


def misspelled(made: random.Random, text: str) -> str:
    for _ in range(made.choice([0, 0, 1, 2])):
        at = made.randrange(len(text) - 1)
        text = made.choice(
            [
                text[:at] + text[at + 1 :],
                text[:at] + made.choice("aeioutrns") + text[at:],
                text[:at] + text[at + 1] + text[at] + text[at + 2 :],
            ]
        )
    return made.choice([text, text, text.upper(), text.lower()])


def album(made: random.Random) -> list[tuple[str, str, int]]:
    """Return title, version and duration of each track."""
    count = made.randint(3, 14)
    return [(title(made), made.choice(VERSIONS), made.randint(40, 400)) for _ in range(count)]


def rows_of(made: random.Random, tracks: list[tuple[str, str, int]]) -> list[list[str | int]]:
    """Return rows of number, title, duration and code, as a label might send them."""
    rows: list[list[str | int]] = []
    for number, (name, version, lasts_s) in enumerate(tracks, 1):
        if made.random() < 0.85:
            shown = f" ({version})" if version and made.random() < 0.6 else ""
            off_s = made.choice([0, 0, 1, -1, 3])
            rows.append([number, misspelled(made, name) + shown, lasts_s + off_s, code(number)])
    names = {name for name, _, _ in tracks}
    for number in range(made.choice([0, 0, 1, 2, 4])):
        if (other := title(made)) not in names:
            rows.append([len(rows) + 1, other, made.randint(40, 400), code(900 + number)])
    if made.random() < 0.7:
        made.shuffle(rows)
        if made.random() < 0.6:
            rows = [[number, *row[1:]] for number, row in enumerate(rows, 1)]
    return rows


def text_of(made: random.Random, rows: list[list[str | int]]) -> str:
    """Return the table, often without numbers, durations or titles."""
    columns = {0, 1, 2, 3} - {at for at in (0, 2) if made.random() < 0.4}
    if {0, 2} <= columns and made.random() < 0.2:
        columns.remove(1)
    lines = [[HEADINGS[at] for at in columns]]
    for row in rows:
        cells = [row[0], row[1], f"{int(row[2]) // 60}:{int(row[2]) % 60:02d}", row[3]]
        lines.append([str(cells[at]) for at in columns])
    return "\n".join(";".join(line) for line in lines) + "\n"


@pytest.mark.parametrize("ten", range(series(200, 10)))
def test_no_wrong_match_is_applied(ten: int, tmp_path: Path) -> None:
    counts: Counter[str] = Counter()
    for seed in range(10 * ten, 10 * ten + 10):
        made = random.Random(seed)
        tracks = album(made)
        rows = rows_of(made, tracks)
        if not rows:
            continue
        head = "release: {artist: Halden Ferry Singers, title: Songs}\ntracks:\n"
        manifest = head + "".join(
            f"  - {{title: {name}, audio: a.wav, end: {lasts_s}"
            f"{f', version: {version}' if version else ''}}}\n"
            for name, version, lasts_s in tracks
        )
        found = plan(tmp_path, text_of(made, rows), text=manifest)
        for match in found.matches:
            is_right = match.row.isrc == code((match.index or 0) + 1).replace("-", "")
            counts["left out" if not match.is_applied else "right" if is_right else "wrong"] += 1
    assert counts["wrong"] == 0, counts
    assert counts["right"] > 20  # left out alone would be no match at all
