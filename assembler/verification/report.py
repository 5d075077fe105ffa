"""Compare the two reports with each other, with the checksums and with the manifest."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, UnreadableError, mismatch
from assembler.finished.release_folder import REPORT, REPORT_TEXT, read_checksums
from assembler.finished.report_text import report_text
from assembler.manifest.editions import listed_tracks
from assembler.manifest.sets import DISC, set_of
from assembler.sequence.first_samples import RecordingSpan, first_samples
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.text import FRAMES_PER_SECOND, shorten
from assembler.verification.texts import differs


def reports(release: FinishedRelease) -> Iterator[Finding]:
    """Find differences between report.json and report.txt, the checksums and the manifest."""
    try:
        text = report_text(release.report)
    except (LookupError, TypeError, ValueError) as error:
        raise UnreadableError(REPORT, "is not a build's report: build the release again") from error
    if (release.folder / REPORT_TEXT).read_bytes() != text.encode("utf-8", "backslashreplace"):
        yield differs(release, "other-report", REPORT_TEXT, f"differs from {REPORT}")
    digests = read_checksums(release.folder)
    for name, digest in release.report.files.items():
        if digests.get(name) != digest:
            yield mismatch("other-checksum", name, f"its SHA-256 in {REPORT} is different")
    for place, found, expected in (*_of_release(release), *_of_tracks(release)):
        if found != expected:
            values = f"`{shorten(str(found))}`, the manifest has `{shorten(str(expected))}`"
            yield mismatch("other-report", REPORT, f"{place} is {values}")


Compared = Iterator[tuple[str, Any, Any]]
"""A key of the report, its value, and the manifest's value."""


def _of_release(release: FinishedRelease) -> Compared:
    report, manifest = release.report, release.manifest
    in_report = report.release.as_json()
    for key, expected in manifest.release.model_dump(mode="json").items():
        absent: Any = [] if expected == [] else None  # reports of older versions lack newer keys
        yield f"release.{key}", in_report.get(key, absent), expected
    yield "level.sets", [*report.level.sets], [one.name for one in manifest.download if one.name]
    for kind, level in report.level.named.items():
        expected_level = manifest.level_of(kind).model_dump()
        yield f"level.{kind}", {"hold": "none", "link": 100.0} | level.as_json(), expected_level
    yield "dither", report.dither, manifest.disc.dither
    if release.has("download"):
        yield "formats", sorted(report.formats), sorted(manifest.download_folders)
    yield from _of_sound(release)
    for disc in report.discs:
        yield f"discs.{disc.number}.limit_frames", disc.limit_frames, manifest.disc.limit


def _of_sound(release: FinishedRelease) -> Compared:
    """Compare the gains for the approval file with those of the deliverables."""
    report = release.report
    if report.sound is None:
        return
    listed = listed_tracks(release.manifest)[: len(report.sound.tracks)]
    for master in report.sound.masters:
        made: dict[int, float]
        if master.name == DISC:
            made = {i: one.disc.gain_db for i, one in enumerate(report.tracks) if one.disc}
        elif master.name in report.formats:
            own = report.formats[master.name].gains_db
            made = dict(zip(report.indices_on(set_of(master.name)), own, strict=True))
        else:
            continue
        gains_db = [None if gain_db is None else round(gain_db, 3) for gain_db in master.gains_db]
        yield f"sound.masters.{master.name}", gains_db, [made.get(index) for index in listed]


def _of_tracks(release: FinishedRelease) -> Compared:
    manifest, tracks = release.manifest, release.report.tracks
    for index, (track, expected) in enumerate(zip(tracks, manifest.tracks, strict=True)):
        place, source, done = f"tracks.{index}", track.source, track.done
        yield f"{place}.title", track.title, expected.full_title
        yield f"{place}.isrc", track.isrc, expected.isrc
        yield f"{place}.source.files", tuple(source.files), manifest.paths_of(expected)
        yield f"{place}.done.trim_db", done.trim_db, expected.trim
        yield f"{place}.done.fade_shape", done.fade_shape, expected.fade_shape
        bands = [band.model_dump(exclude_none=True) for band in expected.equaliser]
        yield f"{place}.done.equaliser", done.equaliser, bands
        yield f"{place}.done.mono_below_hz", done.mono_below_hz, expected.mono_below
        asked = expected.compress and expected.compress.model_dump(exclude_none=True)
        yield f"{place}.done.compress", done.compress, asked
        like = f"track {expected.tone_like}" if expected.tone_like else expected.tone
        yield f"{place}.done.tone", done.tone and done.tone.like, like
        yield f"{place}.done.clip_db", done.clip_db, expected.clip
        if expected.side is None:
            for edge, time_s in (("start", expected.start), ("end", expected.end)):
                if time_s is not None:
                    sample = int(time_s * source.sample_rate_hz + Fraction(1, 2))
                    key = f"{edge}_sample"
                    yield f"{place}.source.{key}", getattr(source, key), sample
    for own in release.editions:
        yield from _of_places(own)


def _of_places(release: FinishedRelease) -> Compared:
    """Compare what depends on the tracks' order on one edition."""
    firsts = _first_samples(release)
    pairs = zip(release.tracks, release.manifest.tracks, strict=True)
    for index, (track, expected) in enumerate(pairs):
        place, source = f"tracks.{index}", track.source
        if source.first_samples:
            yield f"{place}.source.first_samples", source.first_samples, dict(firsts[index])
        if expected.gap and not expected.overlap and track.number > 1:
            gap_s = Fraction(track.gap_frames, FRAMES_PER_SECOND)
            off_frames = abs(gap_s - expected.gap) * FRAMES_PER_SECOND
            rounded_s = expected.gap if off_frames < 1 else gap_s
            yield f"{place}.gap_frames", float(rounded_s), float(expected.gap)


def _first_samples(release: FinishedRelease) -> list[dict[str, int]]:
    """Return with which sample of its source each track's file begins, at the report's rates.

    A source whose speed was corrected is in the report as it was before: its entry is repeated.
    """
    found = [dict(track.source.first_samples) for track in release.tracks]
    for passage in (passage for order in release.discs for passage in order.passages):
        places = [place.index for place in passage.places]
        if any(_speed(release, index) != 1 for index in places):
            continue
        spans = [_span(release, index) for index in places]
        made = {f.rates_hz[places[0]] for f in release.report.formats.values()}
        rates = {DISC_RATE_HZ, *made, *map(int, found[places[0]])}
        by_rate = {rate_hz: first_samples(passage, spans, rate_hz) for rate_hz in rates}
        for n, index in enumerate(places):
            found[index] = {str(rate_hz): firsts[n] for rate_hz, firsts in by_rate.items()}
    return found


def _speed(release: FinishedRelease, index: int) -> Fraction:
    side = release.manifest.tracks[index].side
    return release.manifest.transfers[side].restoration.factor if side else Fraction(1)


def _span(release: FinishedRelease, index: int) -> RecordingSpan:
    source, overlap_s = release.tracks[index].source, release.manifest.tracks[index].overlap
    rate_hz = source.sample_rate_hz
    return RecordingSpan(source.start_sample, source.end_sample, rate_hz, overlap_s or Fraction(0))
