"""Check a manifest: identifiers, files, running order, disc time. Renders nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from assembler.disc.cue import MOST_CHARACTERS, disc_text
from assembler.download.cover import cover_findings
from assembler.findings import Finding, Loc, errors_in
from assembler.manifest import ManifestFile, Track
from assembler.manifest.codes import isrc_text
from assembler.manifest.times import duration_text, frames_text
from assembler.paper.fonts import missing_characters
from assembler.release.sections import TrackSection, find_sections, track_sounds
from assembler.sequence import DiscOrder, TrackPlace, lay_out
from assembler.sequence.limits import limit_findings

LONGEST_GAP_S = 600


@dataclass(frozen=True)
class CheckReport:
    """What a check found.

    Attributes
    ----------
    source
        The manifest.
    findings
        All findings, in the order of the manifest's lines.
    sections
        One a track; empty where a track's source has an error.
    discs
        The running order; empty with `sections`.
    """

    source: ManifestFile
    findings: tuple[Finding, ...]
    sections: tuple[TrackSection, ...]
    discs: tuple[DiscOrder, ...]

    @property
    def ok(self) -> bool:
        """No errors."""
        return not errors_in(self.findings)

    @property
    def places(self) -> tuple[TrackPlace, ...]:
        """Every track's place, in the manifest's order."""
        return tuple(place for disc in self.discs for place in disc.places)

    def as_json(self) -> dict[str, Any]:
        """Give the report as plain data for ``--json``."""
        tracks = self.source.manifest.tracks
        limit = self.source.manifest.disc.limit
        discs = [_disc_json(disc, limit) for disc in self.discs]
        longest = max(discs, key=lambda disc: disc["frames"], default=None)
        return {
            "ok": self.ok,
            "findings": [finding.as_json() for finding in self.findings],
            "disc": longest or _no_disc(limit),
            "discs": discs,
            "tracks": [
                {
                    "number": place.number,
                    "disc_number": disc.number,
                    "title": tracks[place.index].full_title,
                    "start_frame": place.start_frame,
                    "frames": place.frames,
                    "gap_frames": place.gap_frames,
                    "isrc": tracks[place.index].isrc,
                }
                for disc in self.discs
                for place in disc.places
            ],
        }


def check(source: ManifestFile, *, scratch: Path | None = None) -> CheckReport:
    """Check a loaded manifest against its files and the disc.

    Parameters
    ----------
    source
        The manifest.
    scratch
        Folder for decoded copies of what libsndfile can't read: with it their length is exact.

    Returns
    -------
    CheckReport
        Findings and, where every source can be used, the running order.
    """
    sections, findings = find_sections(source, scratch)
    findings += _words(source)
    findings += _codes(source)
    findings += _credits(source)
    findings += _disc_numbers(source)
    findings += _gaps(source)
    findings += cover_findings(source)
    whole = [section for section in sections if section is not None]
    discs: tuple[DiscOrder, ...] = ()
    if len(whole) == len(sections):
        discs = lay_out(track_sounds(source, whole))
        if source.manifest.disc.make:
            findings += _limits(source, discs)
    else:
        whole = []
    shown = (replace(finding, file=str(source.path)) for finding in findings)
    ordered = tuple(sorted(shown, key=lambda finding: finding.line))
    return CheckReport(source, ordered, tuple(whole), discs)


def _disc_json(disc: DiscOrder, limit_frames: int) -> dict[str, Any]:
    return {
        "number": disc.number,
        "frames": disc.frames,
        "time": frames_text(disc.frames),
        "limit_frames": limit_frames,
        "fits": disc.frames <= limit_frames,
    }


def _no_disc(limit_frames: int) -> dict[str, Any]:
    return {
        "number": None,
        "frames": None,
        "time": None,
        "limit_frames": limit_frames,
        "fits": False,
    }


Text = tuple[Loc, str]


def _words(source: ManifestFile) -> Iterator[Finding]:
    """Find texts that the cue sheet must spell otherwise, or that no font can print."""
    manifest = source.manifest
    release: list[Text] = [
        (("release", "title"), manifest.release.title),
        (("release", "artist"), manifest.release.artist),
    ]
    tracks = [
        text for index, track in enumerate(manifest.tracks) for text in _track_texts(index, track)
    ]
    for loc, text in (*release, *tracks):
        if manifest.disc.make:
            yield from _respelling(source, loc, text)
        if missing := missing_characters(text):
            message = f"no font here has {' '.join(missing)}: the printed sheet shows an empty box"
            yield source.finding("warning", "no-glyph", loc, message)


def _track_texts(index: int, track: Track) -> Iterator[Text]:
    loc: Loc = ("tracks", index)
    yield (*loc, "title"), track.full_title
    if track.artist:
        yield (*loc, "artist"), track.artist
    for key, names in (("composers", track.composers), ("lyricists", track.lyricists)):
        yield from (((*loc, key), name) for name in names)


def _respelling(source: ManifestFile, loc: Loc, text: str) -> Iterator[Finding]:
    spelt = disc_text(text)
    if spelt == text:
        return
    if not spelt.strip("?-_ '"):
        message = "nothing of this can be written in the cue sheet: the field will be left out"
        yield source.finding("warning", "respelt-for-disc", loc, message)
        return
    cut = f", cut to {MOST_CHARACTERS} characters" if len(spelt) == MOST_CHARACTERS else ""
    message = f"the cue sheet can't hold this as it is{cut}: it will read `{spelt}`"
    only_marks = _letters(spelt) == _letters(text)
    yield source.finding("note" if only_marks else "warning", "respelt-for-disc", loc, message)


def _letters(text: str) -> str:
    return "".join(sign for sign in text if sign.isalnum())


def _codes(source: ManifestFile) -> Iterator[Finding]:
    release = source.manifest.release
    if release.catalogue_number is None:
        message = "no catalogue number: files will be named after the title"
        yield source.finding("note", "no-catalogue-number", ("release",), message)
    if release.barcode is None:
        message = "the barcode slot is empty: use a number that was allotted to you, or leave it"
        yield source.finding("note", "empty-barcode", ("release",), message)
    first: dict[str, int] = {}
    for index, track in enumerate(source.manifest.tracks):
        loc = ("tracks", index, "isrc")
        if track.isrc is None:
            message = (
                f"the ISRC slot of track {index + 1} is empty: codes come from the owner's range, "
                "which the national ISRC agency allots"
            )
            yield source.finding("warning", "empty-isrc", loc, message)
        elif track.isrc in first:
            message = (
                f"{isrc_text(track.isrc)} already belongs to track {first[track.isrc] + 1}: each "
                "recording has a code of its own"
            )
            yield source.finding("error", "duplicate-isrc", loc, message)
        else:
            first[track.isrc] = index


def _credits(source: ManifestFile) -> Iterator[Finding]:
    count = len(source.manifest.tracks)
    for index, credit in enumerate(source.manifest.credits):
        for place, number in enumerate(credit.tracks):
            if number > count:
                loc = ("credits", index, "tracks", place)
                message = (
                    f"{credit.name} is credited on track {number} of {count}: correct the number"
                )
                yield source.finding("error", "credit-beyond-tracks", loc, message)


def _gaps(source: ManifestFile) -> Iterator[Finding]:
    manifest = source.manifest
    gaps = [(("tracks", index, "gap"), track.gap) for index, track in enumerate(manifest.tracks)]
    for loc, gap in ((("disc", "gap"), manifest.disc.gap), *gaps):
        if gap is not None and gap > LONGEST_GAP_S:
            message = f"a gap of {duration_text(gap)} is longer than ten minutes: shorten it"
            yield source.finding("error", "gap-too-long", loc, message)


def _disc_numbers(source: ManifestFile) -> Iterator[Finding]:
    last = 0
    for index, track in enumerate(source.manifest.tracks):
        if track.disc is None and index > 0:
            continue
        number = track.disc or 1
        if number != last + 1:
            message = f"disc {number} can't open here: the next disc is {last + 1}"
            yield source.finding("error", "disc-out-of-order", ("tracks", index, "disc"), message)
        last = number


def _limits(source: ManifestFile, discs: tuple[DiscOrder, ...]) -> Iterator[Finding]:
    for disc in discs:
        for found in limit_findings(disc, source.manifest.disc.limit):
            if found.code == "short-opening-pause":
                loc: tuple[str | int, ...] = ("tracks", found.index or 0, "gap")
            elif found.index is not None:
                loc = ("tracks", found.index)
            else:
                loc = ("disc", "limit")
            yield source.finding(found.severity, found.code, loc, found.message)
