"""Find what a table changes in a manifest: values to fill in, to replace, or that clash."""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from assembler.draft.list_fields import LIST_FIELDS
from assembler.draft.listed_song import ListedSong
from assembler.draft.song_parts import names_in
from assembler.findings import Finding
from assembler.manifest import ManifestFile, Track
from assembler.manifest.codes import isrc_text
from assembler.manifest.details import names_publisher
from assembler.tables.cells import (
    editions_in,
    missing_credits,
    original_in,
    plain_value,
    publishers_in,
    value_text,
    writers_in,
)
from assembler.tables.import_plan import Change, ImportPlan, Kind
from assembler.tables.matching import RowMatch, match_rows
from assembler.tables.reading import CreditTable, read_credit_table
from assembler.tables.tracks import FILLED_FIELDS, TrackRow, track_rows
from assembler.text import shorten


def plan_import(
    path: Path, source: ManifestFile, chosen: Mapping[int, int], *, may_replace: bool
) -> ImportPlan:
    """Read a table and find what it changes in a manifest.

    Parameters
    ----------
    path
        The table.
    source
        The manifest.
    chosen
        The person's own matches: a row, and the number of its track.
    may_replace
        Whether values that the manifest has may be replaced.

    Raises
    ------
    AssemblerError
        The table can't be read, or a chosen row or track does not exist.
    """
    table = read_credit_table(path)
    tracks = track_rows(source, with_durations=table.has_durations)
    matches = match_rows(table.rows, tracks, chosen)
    plan = _Plan(source, table, tracks, _by_number(matches), may_replace)
    changes = [c for m in matches if m.is_applied for c in plan.changes_of(m)]
    findings = [
        *table.findings, *_match_findings(table, tracks, matches), *plan.findings,
        *_clash_findings(source, table, changes), *_duplicates(table, tracks, matches, changes),
    ]  # fmt: skip
    order = {"error": 0, "warning": 1, "note": 2}
    findings.sort(key=lambda finding: order[finding.severity])
    return ImportPlan(source, table, tuple(tracks), tuple(matches), tuple(changes), tuple(findings))


class _Plan:
    def __init__(
        self,
        source: ManifestFile,
        table: CreditTable,
        tracks: Sequence[TrackRow],
        numbered: Mapping[int, int],
        may_replace: bool,
    ) -> None:
        self.manifest = source.manifest
        self.table, self.tracks, self.may_replace = table, tracks, may_replace
        self.numbered = numbered
        self.findings: list[Finding] = []

    def changes_of(self, match: RowMatch) -> Iterator[Change]:
        """Yield what a row changes in its track, and keep a finding of each cell that is wrong."""
        track = self.tracks[match.index or 0]
        seen = set()
        for name, field in FILLED_FIELDS.items():
            cell = row_cell(match.row, name)
            before = track.cell(name)
            if not cell or _plain(cell) == _plain(before) or field.key in seen:
                continue
            if name == "performers":
                yield from self._credits_of(match.row, track, cell)
                continue
            value = self._value(match.row, track, name, cell)
            if value is None or value == _value_of(track, name):
                continue
            if field.key == "publishers":
                seen.add(field.key)
                before = "; ".join(publisher.text for publisher in track.track.publishers)
                own = track.track.publisher or ""
                before = before or ("" if names_publisher(value, own) else own)
                after = "; ".join(publisher.text for publisher in value)
            else:
                after = self._text(name, value)
            plain = after if name == "isrc" else plain_value(value)
            kind: Kind = "fill" if not before else "replace" if self.may_replace else "clash"
            yield Change(track.index, name, match.row.line, before, after, plain, kind)

    def _text(self, name: str, value: Any) -> str:
        """Return a value as the table shows it."""
        if name == "isrc":
            return isrc_text(str(value))
        if name == "version_of":
            return str(self.manifest.tracks[value - 1].full_title)
        if name == "ipi":
            return "; ".join(writer.text for writer in value)
        return value_text(value) or "no"

    def _credits_of(self, row: ListedSong, track: TrackRow, cell: str) -> Iterator[Change]:
        """Yield a credit for each performer that the manifest does not credit on the track."""
        for name, roles in missing_credits(self.manifest, track.index, cell):
            if "," in name:
                self._keep_comma_finding(row, track, "performers", [name])
                continue
            credit = {"name": name, "roles": list(roles), "tracks": [str(track.index + 1)]}
            after = f"{name} ({', '.join(roles)})"
            yield Change(track.index, "performers", row.line, "", after, (credit,), "fill")

    def _value(self, row: ListedSong, track: TrackRow, name: str, cell: str) -> Any:
        """Return a cell's value as the manifest's model reads it; None where it is left out."""
        field = FILLED_FIELDS[name]
        value: Any = field.words.get(cell.lower(), cell.lower()) if field.words else cell
        if field.kind == "names" and field.key not in _COMPOSITE:
            value = list(dict.fromkeys(names_in(cell)))
            if any("," in person for person in value):
                self._keep_comma_finding(row, track, name, value)
                return None
        try:
            if field.key in _COMPOSITE:
                value = self._composite(row, track, field.key, cell)
            content = {"title": "x", "audio": "x", str(field.key): value}
            return getattr(Track.model_validate(content), str(field.key)) if value else None
        except ValueError as error:
            of_model = error.errors(include_url=False) if isinstance(error, ValidationError) else ()
            text = of_model[0]["msg"] if of_model else str(error)
            message = f"{field.name}: {text}: left out; ask for the right one"
            self.findings.append(
                self.table.finding("warning", f"bad-{name.replace('_', '-')}", row.line, message)
            )
            return None

    def _composite(self, row: ListedSong, track: TrackRow, key: str, cell: str) -> Any:
        """Return the value of a key of `_COMPOSITE`; none where it is as in the manifest."""
        if key == "publishers":
            return publishers_in(row, track.track)
        if key == "writers_ipi":
            return writers_in(row, track.track)
        if key == "on":
            return editions_in(cell, self.manifest, track.track)
        number = original_in(cell, self.manifest.tracks, self.numbered)
        if number == track.number:
            raise ValueError("a track is not a version of itself")
        return number

    def _keep_comma_finding(
        self, row: ListedSong, track: TrackRow, name: str, people: Sequence[str]
    ) -> None:
        """Keep a finding of a comma in a name, unless the manifest has the same names in full."""
        if sorted(map(_first_name_first, people)) != sorted(track.cell(name).split("; ")):
            doubtful = next(shorten(person) for person in people if "," in person)
            message = (
                f"{LIST_FIELDS[name].name}: `{doubtful}` may be one name, surname first, or two "
                "names: left out; write full names in the table, with semicolons between"
            )
            finding = self.table.finding("warning", "comma-in-name", row.line, message)
            self.findings.append(finding)


_COMPOSITE = frozenset(["publishers", "writers_ipi", "on", "version_of"])
"""Keys whose value is not the text of one cell as it stands."""


def row_cell(row: ListedSong, name: str) -> str:
    """Return a row's text of a field: its cell, or what its line in a mail credits."""
    if row.cells:
        return row.cells.get(name, "") or _in_title(row, name)
    value = getattr(row, name, None)
    return "; ".join(value) if isinstance(value, tuple) else str(value or "")


def _in_title(row: ListedSong, name: str) -> str:
    """Return names from the title's brackets, where the table has no column of credits."""
    if name not in _WRITERS or not row.cells.keys().isdisjoint(_WRITERS):
        return ""
    return "; ".join(getattr(row, name))


_WRITERS = ("composers", "lyricists", "arrangers")


def _first_name_first(name: str) -> str:
    surname, comma, first = name.partition(",")
    return f"{first.strip()} {surname.strip()}" if comma else name


def _plain(text: str) -> str:
    return " ".join(unicodedata.normalize("NFC", text).split())


def _value_of(track: TrackRow, name: str) -> object:
    if name == "artist":
        return track.artist
    return getattr(track.track, FILLED_FIELDS[name].key or name)


def _by_number(matches: Sequence[RowMatch]) -> dict[int, int]:
    """Return the index of the track of each number that one row has."""
    rows = Counter(match.row.number for match in matches)
    return {
        match.row.number: match.index
        for match in matches
        if match.row.number is not None and rows[match.row.number] == 1
        if match.index is not None and match.is_applied
    }


def _match_findings(
    table: CreditTable, tracks: Sequence[TrackRow], matches: Sequence[RowMatch]
) -> Iterator[Finding]:
    for match in matches:
        name = f"row {match.row.line} `{shorten(match.row.title)}`"
        if match.index is None:
            message = (
                f"{name} fits no track: left out; if it does, name both with --match ROW=TRACK"
            )
            yield table.finding("warning", "row-without-track", match.row.line, message)
        elif not match.is_applied:
            number = match.index + 1
            title = shorten(tracks[match.index].track.full_title)
            message = (
                f"{name} may be track {number} `{title}` ({match.doubt}): left out; if it is, add "
                f"--match {match.row.line}={number}"
            )
            yield table.finding("warning", "uncertain-match", match.row.line, message)
    matched = {match.index for match in matches if match.is_applied}
    for track in tracks:
        if track.index not in matched:
            message = f"no row is matched with track {track.number} `{shorten(track.track.title)}`"
            yield table.finding("note", "track-without-row", 0, f"{message}: it stays as it is")


def _clash_findings(
    source: ManifestFile, table: CreditTable, changes: Sequence[Change]
) -> Iterator[Finding]:
    for change in changes:
        if change.kind == "clash":
            message = (
                f"the manifest has `{shorten(change.before)}`, row {change.line} of "
                f"{table.path.name} has `{shorten(change.after)}`: check which is right; --replace "
                "writes the table's"
            )
            loc = ("tracks", change.index, change.key)
            code = f"{change.key.replace('_', '-')}-clash"
            yield source.finding("warning", code, loc, message)


def _duplicates(
    table: CreditTable,
    tracks: Sequence[TrackRow],
    matches: Sequence[RowMatch],
    changes: Sequence[Change],
) -> Iterator[Finding]:
    """Yield an error for each ISRC that two rows have, or that two tracks would have."""
    rows = defaultdict(list)
    for match in matches:
        if match.row.isrc:
            rows[match.row.isrc].append(match.row.line)
    for code, lines in rows.items():
        if len(lines) > 1:
            listed = " and ".join(map(str, lines))
            message = (
                f"rows {listed} have the same ISRC {isrc_text(code)}: each recording has its own"
            )
            yield table.finding("error", "duplicate-isrc", lines[1], f"{message}; ask the label")
    new = {change.index: change for change in changes if change.name == "isrc"}
    kept = {t.cell("isrc"): t.number for t in tracks if t.index not in new and t.cell("isrc")}
    for change in new.values():
        if change.after in kept:
            message = (
                f"row {change.line} has the ISRC {change.after} for track {change.index + 1}, but "
                f"track {kept[change.after]} has it already: each recording has its own; ask the "
                "label"
            )
            yield table.finding("error", "duplicate-isrc", change.line, message)
