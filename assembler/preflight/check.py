"""Check a manifest: identifiers, files, running order, disc time. Renders nothing."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import Any

from assembler.audio.recording import NO_DIGESTS
from assembler.cache.folder import CacheFolder
from assembler.digest import SourceDigest
from assembler.disc.cd_text import cd_text
from assembler.disc.texts import release_texts, track_texts
from assembler.download.cover import cover_findings, picture_findings
from assembler.download.formats import format_findings
from assembler.errors import AssemblerError
from assembler.findings import Finding, errors_in
from assembler.manifest import ManifestFile
from assembler.manifest.codes import isrc_text
from assembler.manifest.sets import DISC
from assembler.metadata import printed_tracks
from assembler.preflight.broadcast import broadcast_findings
from assembler.preflight.details import detail_findings
from assembler.preflight.editions import (
    Edition,
    find_editions,
    orders_in,
    placement_findings,
    share_an_edition,
)
from assembler.preflight.hold import Hold, find_hold
from assembler.preflight.rates import rate_findings
from assembler.preflight.section_findings import join_findings, overlap_findings
from assembler.preflight.sections import find_hidden, find_sections
from assembler.preflight.sides import Side
from assembler.preflight.silence import silence_findings
from assembler.preflight.spelling import spelling_findings
from assembler.preflight.tone import tone_findings
from assembler.preflight.track_section import TrackSection
from assembler.preflight.versions import version_findings
from assembler.sequence import DiscOrder
from assembler.sequence.limits import MOST_TRACKS, limit_findings, limit_setting_finding
from assembler.sheets.people import all_names, twin_names
from assembler.sleeve.checked_artwork import artwork_findings
from assembler.sleeve.findings import sleeve_findings, text_findings
from assembler.text import duration_text, frames_text

LONGEST_GAP_S = 600


@dataclass(frozen=True)
class CheckReport:
    """The result of a check."""

    source: ManifestFile
    findings: tuple[Finding, ...]
    """All findings, in the order of the manifest's lines."""
    sections: tuple[TrackSection, ...]
    """One per track; empty where a track's source has an error."""
    found: tuple[TrackSection | None, ...] = ()
    """One per track; None where its source or section has an error."""
    editions: Mapping[str, Edition] = field(default_factory=dict)
    """By name, the disc first; empty with `sections`."""
    audience: str | None = None
    """For whom it was checked too, besides the build."""
    hold: Hold | None = None
    """What the approval holds; None without a hold, and where the sources were not read."""

    @property
    def sides(self) -> tuple[Side, ...]:
        """The tape sides that tracks are on."""
        return tuple({s.side.name: s.side for s in self.sections if s.side}.values())

    @property
    def ok(self) -> bool:
        """No errors."""
        return not errors_in(self.findings)

    @property
    def primary(self) -> Edition:
        """The edition that is shown where only one can be: the disc if one is made."""
        return next(iter(self.editions.values()))

    @property
    def discs(self) -> tuple[DiscOrder, ...]:
        """The running order of the primary edition; empty where a source has an error."""
        return self.primary.discs_in_manifest if self.editions else ()

    @property
    def hidden(self) -> TrackSection | None:
        """The sound before track 1, if there is any."""
        return self.primary.hidden if self.editions else None

    @property
    def others(self) -> dict[str, Edition]:
        """The editions whose tracks are not those of the primary one."""
        return {k: one for k, one in self.editions.items() if one.tracks != self.primary.tracks}

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data for ``--json``."""
        limit = self.source.manifest.disc.limit
        discs = [disc_json(disc, limit) for disc in self.discs]
        longest = max(discs, key=lambda disc: disc["frames"], default=None)
        return {
            "ok": self.ok,
            "findings": [finding.as_json() for finding in self.findings],
            "disc": longest or _no_disc(limit),
            "discs": discs,
            "tracks": self._tracks_json(),
        } | self._editions_json()

    def _tracks_json(self) -> list[dict[str, Any]]:
        """Return every track, with its place on the primary edition if it has one."""
        if not self.editions:
            return []
        places = _places_json(self.discs)
        nowhere = dict.fromkeys(next(iter(places.values())))
        return [
            {**places.get(index, nowhere), "title": track.full_title, "isrc": track.isrc}
            for index, track in enumerate(self.source.manifest.tracks)
        ]

    def _editions_json(self) -> dict[str, Any]:
        """Return the places of the tracks on the editions that have others than the primary one."""
        found = [
            {
                "name": name,
                "tracks": [
                    {"track": index + 1, **place}
                    for index, place in _places_json(edition.discs_in_manifest).items()
                ],
            }
            for name, edition in self.others.items()
        ]
        return {"editions": found} if found else {}


def _places_json(discs: Sequence[DiscOrder]) -> dict[int, dict[str, Any]]:
    """Return the place of each track, by its index in the manifest."""
    return {
        place.index: {
            "number": place.number,
            "disc_number": disc.number,
            "start_frame": place.start_frame,
            "frames": place.frames,
            "file_frames": file_frames,
            "gap_frames": place.gap_frames,
            "indexes": {f"{n:02d}": frame for n, frame in place.points},
        }
        for disc in discs
        for place, file_frames in zip(disc.places, disc.file_frames, strict=True)
    }


def check(
    source: ManifestFile,
    *,
    scratch: Path | None = None,
    cache: CacheFolder | None = None,
    digests: Mapping[Path, SourceDigest] = NO_DIGESTS,
) -> CheckReport:
    """Check a loaded manifest against its files and the disc.

    Parameters
    ----------
    source
        The manifest.
    scratch
        Folder for decoded copies of what libsndfile can't read: with it their length is exact.
    cache
        Keeps restored sides: with it they are restored, and the length of their tracks is exact.
    digests
        Of the recordings: everything read from them is checked against these.

    Returns
    -------
    CheckReport
        Findings and, where every source can be used, the running order.
    """
    sections, findings = find_sections(source, scratch, cache, digests)
    hidden, hidden_findings = find_hidden(source, scratch, digests)
    findings += hidden_findings
    misplaced = [*overlap_findings(source, sections), *placement_findings(source)]
    findings += misplaced
    findings += join_findings(source, sections)
    findings += _manifest_findings(source)
    whole = [section for section in sections if section is not None]
    editions: dict[str, Edition] = {}
    hold: Hold | None = None
    if len(whole) == len(sections) and not errors_in(misplaced):
        editions, found = find_editions(source, whole, hidden)
        findings += found
    if editions:
        findings += _edition_findings(source, editions)
        hold, hold_findings = find_hold(source, whole)
        findings += hold_findings
    else:
        whole = []
    own = (replace(finding, file=str(source.path)) for finding in findings)
    ordered = tuple(sorted((*source.faults, *own), key=lambda finding: finding.line))
    return CheckReport(source, ordered, tuple(whole), tuple(sections), editions, hold=hold)


def _edition_findings(source: ManifestFile, editions: Mapping[str, Edition]) -> Iterator[Finding]:
    """Check what depends on which tracks follow each other."""
    yield from rate_findings(source, editions)
    in_files = {editions[one.edition].tracks for one in source.manifest.made_sets}
    distinct = {one.tracks: one for one in editions.values()}
    silences = (
        silence_findings(source, edition, in_files=tracks in in_files)
        for tracks, edition in distinct.items()
    )
    yield from dict.fromkeys(chain(*silences))
    if disc := editions.get(DISC):
        yield from _limits(source, disc.discs_in_manifest)
        yield from _cd_text(source, disc.discs_in_manifest)
    printed = printed_tracks(source.manifest, orders_in(editions))
    yield from text_findings(source, printed)
    yield from artwork_findings(source, printed)


def _manifest_findings(source: ManifestFile) -> Iterator[Finding]:
    """Check all that needs no recording."""
    yield from spelling_findings(source)
    yield from _codes(source)
    yield from detail_findings(source)
    yield from version_findings(source)
    yield from tone_findings(source)
    yield from broadcast_findings(source)
    yield from _credits(source)
    yield from _twins(source)
    yield from _disc_numbers(source)
    yield from _gaps(source)
    yield from _flags(source)
    yield from cover_findings(source)
    if back := source.manifest.release.back_cover:
        yield from picture_findings(source, back, ("release", "back_cover"))
    yield from sleeve_findings(source)
    yield from format_findings(source)


def disc_json(disc: DiscOrder, limit_frames: int) -> dict[str, Any]:
    """Return a disc's time as plain data for ``--json``."""
    return {
        "number": disc.number,
        "frames": disc.frames,
        "time": frames_text(disc.frames),
        "limit_frames": limit_frames,
        "fits": disc.frames <= limit_frames,
        "opening_pause_frames": disc.opening_pause_frames,
        "hidden_frames": disc.hidden.room_frames if disc.hidden else 0,
        "tail_frames": disc.tail_frames,
    }


def _no_disc(limit_frames: int) -> dict[str, Any]:
    return {
        "number": None,
        "frames": None,
        "time": None,
        "limit_frames": limit_frames,
        "fits": False,
        "opening_pause_frames": None,
        "hidden_frames": None,
        "tail_frames": None,
    }


def _codes(source: ManifestFile) -> Iterator[Finding]:
    release = source.manifest.release
    if release.catalogue_number is None and not source.is_wrong("release", "catalogue_number"):
        message = "no catalogue number: files will be named after the title"
        yield source.finding("note", "no-catalogue-number", ("release",), message)
    if release.barcode is None and not source.is_wrong("release", "barcode"):
        message = "no barcode: enter the number that GS1 assigned to you, if there is one"
        yield source.finding("note", "empty-barcode", ("release",), message)
    first: dict[str, int] = {}
    for index, track in enumerate(source.manifest.tracks):
        loc = ("tracks", index, "isrc")
        if source.is_wrong(*loc):
            continue
        if track.isrc is None:
            message = f"track {index + 1} has no ISRC: ask the rights owner for it"
            yield source.finding("warning", "empty-isrc", loc, message)
        elif track.isrc in first and share_an_edition(source.manifest, first[track.isrc], index):
            message = (
                f"{isrc_text(track.isrc)} is already the ISRC of track {first[track.isrc] + 1}: "
                "each recording has its own, and so has an edit, a remix or another length"
            )
            yield source.finding("error", "duplicate-isrc", loc, message)
        else:
            first.setdefault(track.isrc, index)

    if source.numbered:
        numbers = ", ".join(
            f"track {index + 1} {isrc_text(source.manifest.tracks[index].isrc or '')}"
            for index in source.numbered
        )
        message = (
            f"ISRCs numbered from the range: {numbers}; enter them in the rights owner's register, "
            "and write each into its track before the order changes"
        )
        yield source.finding("note", "isrc-from-range", ("release", "isrc"), message)


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


def _twins(source: ManifestFile) -> Iterator[Finding]:
    for one, other in twin_names(all_names(source.manifest)):
        message = f"`{one}` and `{other}` may be the same name: check the spelling"
        yield source.finding("note", "twin-names", ("credits",), message)


def _gaps(source: ManifestFile) -> Iterator[Finding]:
    manifest = source.manifest
    gaps = [(("tracks", index, "gap"), track.gap) for index, track in enumerate(manifest.tracks)]
    for loc, gap in ((("disc", "gap"), manifest.disc.gap), *gaps):
        if gap is not None and gap > LONGEST_GAP_S:
            message = f"a gap of {duration_text(gap)} is longer than ten minutes: shorten it"
            yield source.finding("error", "gap-too-long", loc, message)


def _flags(source: ManifestFile) -> Iterator[Finding]:
    for index, track in enumerate(source.manifest.tracks):
        if track.pre_emphasis:
            message = (
                "the track is flagged as having pre-emphasis, so players will apply de-emphasis: "
                "this program does not apply pre-emphasis, so flag only sound that already has it"
            )
            loc = ("tracks", index, "pre_emphasis")
            yield source.finding("warning", "pre-emphasis-flagged", loc, message)


def _cd_text(source: ManifestFile, discs: tuple[DiscOrder, ...]) -> Iterator[Finding]:
    """Find texts that do not fit into CD-Text."""
    manifest = source.manifest
    for disc in discs:
        if len(disc.places) > MOST_TRACKS:
            continue
        texts = [track_texts(manifest, place.index) for place in disc.places]
        try:
            left_out = cd_text(release_texts(manifest), texts).left_out
        except AssemblerError as error:
            message = f"disc {disc.number} gets no CD-Text: {error}"
            yield source.finding("warning", "cd-text-full", ("tracks",), message)
            continue
        if left_out:
            message = f"disc {disc.number}: CD-Text has no room for {', '.join(left_out)}"
            yield source.finding("note", "cd-text-full", ("tracks",), message)


def _disc_numbers(source: ManifestFile) -> Iterator[Finding]:
    last = 0
    for index, track in enumerate(source.manifest.tracks):
        if track.disc is None and index > 0:
            continue
        number = track.disc or 1
        if number != last + 1:
            message = (
                f"disc {number} can't begin here: the next disc is {last + 1}; keep the tracks of "
                "a disc together"
            )
            yield source.finding("error", "disc-out-of-order", ("tracks", index, "disc"), message)
        last = number


def _limits(source: ManifestFile, discs: tuple[DiscOrder, ...]) -> Iterator[Finding]:
    if found := limit_setting_finding(source.manifest.disc.limit):
        yield source.finding(found.severity, found.code, ("disc", "limit"), found.message)
    for disc in discs:
        for found in limit_findings(disc, source.manifest.disc.limit):
            if found.code == "short-opening-pause":
                loc: tuple[str | int, ...] = ("tracks", found.index or 0, "gap")
            elif found.index is not None:
                loc = ("tracks", found.index)
            else:
                loc = ("disc", "limit")
            yield source.finding(found.severity, found.code, loc, found.message)
