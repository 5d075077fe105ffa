"""Check a release by the rules that shops, distributors and collecting societies have published.

Each finding names whose rule it is, as read on public pages. An error: several owners refuse it. A
warning: one does, or asks for something else. A note: collecting societies ask for it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import chain

from assembler.download.cover import picture_size
from assembler.findings import Finding, Loc, Severity
from assembler.manifest import Manifest, ManifestFile, Track
from assembler.manifest.details import TrackDetails
from assembler.manifest.editions import tracks_on
from assembler.manifest.iso_codes import NO_LANGUAGE
from assembler.metadata import (
    MOST_PRIMARY_ARTISTS,
    VARIOUS_ARTISTS,
    all_credits,
    details_of,
    primary_artists,
)
from assembler.preflight.check import CheckReport
from assembler.preflight.rates import format_rates
from assembler.preflight.silence import silence_after_fades
from assembler.text import compact, number_ranges, shorten

SHOPS = "shops"
MOST_PIXELS = 6000
HIGHEST_PEAK_DBTP = -0.3
RATES_HZ = (44100, 48000, 96000, 192000)

_RAISED: Mapping[str, tuple[Severity, str]] = {
    "no-cover": ("error", "iMusician, Ditto, LabelCaster, Boomkit"),
    "small-cover": ("error", "iMusician, Ditto, LabelCaster, Boomkit; CollabHouse takes 1400"),
    "cover-not-square": ("error", "iMusician, Ditto, LabelCaster, Boomkit"),
    "long-silence": ("error", "Audiomaze and another"),
    "mixed-rates": ("error", "Audiomaze and Dogma take 44.1 kHz alone"),
}
"""Findings of every check that shops refuse: their severity here, and whose rule it is."""


@dataclass(frozen=True)
class _Required:
    """What a track must have."""

    code: str
    key: str
    is_missing: Callable[[Track, TrackDetails], bool]
    severity: Severity
    message: str
    owner: str


def _is_sung(track: Track, details: TrackDetails) -> bool:
    return not track.instrumental and details.language != NO_LANGUAGE


_REQUIRED = (
    _Required(
        "no-composer", "composers", lambda t, _: not t.composers, "error",
        "no composer: name who wrote the music, by legal name or registered pseudonym",
        "several distributors",
    ),
    _Required(
        "no-lyricist", "lyricists", lambda t, d: _is_sung(t, d) and not t.lyricists, "error",
        "no lyricist: name who wrote the words, or set `instrumental: true`",
        "several distributors",
    ),
    _Required(
        "no-language", "language", lambda _, d: not d.language, "warning",
        "no language: set `language`, or `instrumental: true`", "RB Studios",
    ),
    _Required(
        "no-advisory", "advisory", lambda t, d: _is_sung(t, d) and not d.advisory, "warning",
        "no advisory: set explicit, clean or none, here or for the release", "RB Studios",
    ),
    _Required(
        "no-p-line", "p_line", lambda _, d: not d.p_line, "note",
        "no ℗ line: ask the owner of the recording", "PPL",
    ),
    _Required(
        "no-recording-country", "recording_country", lambda _, d: not d.recording_country, "note",
        "no country of recording: set `recording_country`", "PPL",
    ),
    _Required(
        "no-iswc", "iswc", lambda _, d: not d.iswc, "note",
        "no ISWC: ask the publisher or the society, if there is one", "LabelGrid",
    ),
)  # fmt: skip

_BRACKETS = r"(?:[(\[]|\s[-–—]\s)[^)\]]*?"
"""Where a title has more than the title: in brackets, or after a dash."""
_FEATURED = re.compile(rf"\b(?:feat|ft|featuring)\b|{_BRACKETS}\bwith\b", re.IGNORECASE)
_FEATURED_IN_NAME = re.compile(r"\b(?:feat|ft|featuring)\b", re.IGNORECASE)
_VERSION = re.compile(
    rf"{_BRACKETS}\b(?:acoustic|demo|edit|extended|instrumental|live|mix|mono|radio|remaster|"
    r"remastered|remix|stereo|version)\b",
    re.IGNORECASE,
)
_ADVISORY = re.compile(r"\b(explicit|clean)\b", re.IGNORECASE)
_STYLE = "Apple's music style guide"


def for_shops(report: CheckReport) -> CheckReport:
    """Return a check with the findings of the shops' rules, which hold for what they sell."""
    source = report.source
    sold = _sold(source.manifest)
    raised = [
        _raised(finding) if _is_about(finding, sold) else finding for finding in report.findings
    ]
    own = [
        *_titles(source), *_roles(source), *_required(source, sold), *_release(source),
        *_sound(report),
    ]  # fmt: skip
    found = (replace(one, file=str(source.path)) for one in own if _is_about(one, sold))
    ordered = tuple(sorted((*raised, *found), key=lambda finding: finding.line))
    return replace(report, findings=ordered, audience=SHOPS)


def _sold(manifest: Manifest) -> frozenset[int]:
    """Return the indexes of the tracks in the downloads; without any, of all tracks."""
    sets = [tracks_on(manifest, one.edition) for one in manifest.made_sets]
    return frozenset(chain(*sets)) if sets else frozenset(range(len(manifest.tracks)))


def _is_about(finding: Finding, sold: frozenset[int]) -> bool:
    """Return whether a finding is about the release or one of these tracks."""
    track = re.match(r"tracks\[(\d+)\]", finding.where)
    return track is None or int(track[1]) in sold


def _raised(finding: Finding) -> Finding:
    severity, owner = _RAISED.get(finding.code, (finding.severity, ""))
    if not owner or finding.severity == "error" or finding.where == "release.back_cover":
        return finding
    return replace(finding, severity=severity, message=f"{finding.message} ({owner})")


def _titles(source: ManifestFile) -> Iterator[Finding]:
    for index, track in enumerate(source.manifest.tracks):
        yield from _title(source, index, track)
        if track.artist and _FEATURED_IN_NAME.search(track.artist):
            yield _featured(source, ("tracks", index, "artist"), track.artist)
    release = source.manifest.release
    if _FEATURED_IN_NAME.search(release.artist):
        yield _featured(source, ("release", "artist"), release.artist)
    yield from _advisory_word(source, ("release", "title"), release.title)


def _title(source: ManifestFile, index: int, track: Track) -> Iterator[Finding]:
    loc = ("tracks", index, "title")
    title = shorten(track.title)
    if _FEATURED.search(track.title):
        yield _featured(source, loc, track.title)
    elif _VERSION.search(track.title):
        message = f"`{title}` has its version in the title: move it to `version` ({_STYLE})"
        yield source.finding("warning", "version-in-title", loc, message)
    for key, text in (("title", track.title), ("version", track.version or "")):
        yield from _advisory_word(source, ("tracks", index, key), text)


def _advisory_word(source: ManifestFile, loc: Loc, text: str) -> Iterator[Finding]:
    if found := _ADVISORY.search(text):
        word = found[1].lower()
        message = (
            f"`{shorten(text)}` has the word {word}: set `advisory: {word}`, and leave the word "
            "out (UnitedMasters, RB Studios)"
        )
        is_mark = loc[-1] == "version" or re.search(_BRACKETS + _ADVISORY.pattern, text, re.I)
        severity: Severity = "error" if is_mark else "warning"
        yield source.finding(severity, "advisory-in-title", loc, message)


def _featured(source: ManifestFile, loc: Loc, text: str) -> Finding:
    message = (
        f"`{shorten(text)}` names a featured artist: move the name to `featuring`, which adds "
        f"(feat. …) to the title ({_STYLE})"
    )
    return source.finding("warning", f"featured-in-{loc[-1]}", loc, message)


def _roles(source: ManifestFile) -> Iterator[Finding]:
    manifest = source.manifest
    for index, track in enumerate(manifest.tracks):
        for name in _remixers(manifest, index):
            if name in (manifest.artist_of(track), *track.featuring):
                message = (
                    f"{name} is a remixer and also a primary or featured artist: keep one of the "
                    "roles (LabelGrid)"
                )
                at = ("tracks", index, "remixers")
                yield source.finding("warning", "remixer-is-artist", at, message)
    artists, release = primary_artists(manifest), manifest.release
    if len(artists) > MOST_PRIMARY_ARTISTS and release.artist != VARIOUS_ARTISTS:
        owner = "Ingrooves, iMusician"
        loc: Loc = ("release", "artist")
        if release.compilation is False:
            message = (
                f"the tracks have {len(artists)} primary artists: shops list the release under "
                f"{VARIOUS_ARTISTS}; remove `compilation: false` ({owner})"
            )
            yield source.finding("error", "various-artists", loc, message)
        else:
            message = (
                f"the tracks have {len(artists)} primary artists: tags and tables list the release "
                f"under {VARIOUS_ARTISTS} ({owner})"
            )
            yield source.finding("note", "various-artists", loc, message)


def _remixers(manifest: Manifest, index: int) -> tuple[str, ...]:
    """Return who remixed a track, by its key or by the credits."""
    credited = (
        credit.name
        for credit in all_credits(manifest)
        if not credit.tracks or index + 1 in credit.tracks
        if any("remix" in role.lower() for role in credit.roles)
    )
    return tuple(dict.fromkeys(credited))


def _required(source: ManifestFile, sold: frozenset[int]) -> Iterator[Finding]:
    """List what tracks lack: one finding for all tracks that lack the same."""
    manifest = source.manifest
    for required in _REQUIRED:
        lacking = [
            index
            for index, track in enumerate(manifest.tracks)
            if index in sold
            and required.is_missing(track, details_of(manifest.release, track))
            and not source.is_wrong("tracks", index, required.key)
        ]
        if lacking:
            which = "track" if len(lacking) == 1 else "tracks"
            numbers = number_ranges(index + 1 for index in lacking)
            message = f"{which} {numbers}: {required.message} ({required.owner})"
            loc = ("tracks", lacking[0], required.key)
            yield source.finding(required.severity, required.code, loc, message)


def _release(source: ManifestFile) -> Iterator[Finding]:
    release = source.manifest.release
    if release.release_date is None and not source.is_wrong("release", "release_date"):
        message = "the release has no date: set `release_date` (RB Studios)"
        yield source.finding("warning", "no-release-date", ("release",), message)
    cover = release.front_cover
    size = picture_size(source.resolve(cover)) if cover else None
    if size and max(size) > MOST_PIXELS:
        message = (
            f"the cover has {size[0]} × {size[1]} pixels: export it with at most {MOST_PIXELS} "
            "(CollabHouse)"
        )
        yield source.finding("warning", "large-cover", ("release", "front_cover"), message)


def _sound(report: CheckReport) -> Iterator[Finding]:
    source, manifest = report.source, report.source.manifest
    for one in manifest.made_sets:
        ceiling_dbtp = manifest.level_of(one.edition).ceiling
        if ceiling_dbtp > HIGHEST_PEAK_DBTP:
            message = (
                f"the downloads' ceiling is {compact(ceiling_dbtp)} dBTP: set it to "
                f"{compact(HIGHEST_PEAK_DBTP)} or lower (Sundesire)"
            )
            loc: tuple[str | int, ...] = ("level", "ceiling")
            if one.name:
                loc, message = manifest.place_of_set(one.name), f"{one.name}: {message}"
            yield source.finding("warning", "high-ceiling", loc, message)
    if manifest.made_sets:
        yield from _rates(report)
        sets = (report.editions[one.edition] for one in manifest.made_sets if report.editions)
        for edition in {one.tracks: one for one in sets}.values():
            yield from silence_after_fades(source, edition)


def _rates(report: CheckReport) -> Iterator[Finding]:
    manifest = report.source.manifest
    for loc, name in manifest.formats_with_places() if report.editions else ():
        of_set = manifest.set_at(loc)
        own = report.editions[of_set.edition]
        rates = format_rates(name, of_set.rate, own.sections, own.passages)
        if others := sorted(set(rates) - set(RATES_HZ)):
            listed = ", ".join(f"{rate_hz / 1000:g}" for rate_hz in others)
            message = (
                f"{name} has files at {listed} kHz: set `rate` to 44100, 48000, 96000 or 192000 "
                "(Catapult)"
            )
            yield report.source.finding("warning", "unusual-rate", loc, message)
