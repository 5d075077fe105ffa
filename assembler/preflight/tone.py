"""Match the tone of tracks to that of another track or of the album, by EQ bands.

Spectra are those of the sources, restored and after their own EQ, and never of a matched track, so
there is no circle: a track that is matched can't be a reference for `tone_like`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from assembler.cache.folder import CacheFolder, cache_key
from assembler.findings import Finding
from assembler.manifest import Manifest, ManifestFile, Track
from assembler.manifest.filters import bands_of
from assembler.manifest.tone import Band
from assembler.preflight.named_tracks import no_other_track
from assembler.preflight.track_section import ToneMatch, TrackSection

ALBUM = "album"


def tone_findings(source: ManifestFile) -> Iterator[Finding]:
    """Find tracks whose tone can't be matched to what they name."""
    tracks = source.manifest.tracks
    for index, track in enumerate(tracks):
        number = track.tone_like
        if track.tone and len(tracks) == 1:
            message = "the album has no other track to match the tone to: remove `tone`"
            yield source.finding("error", "tone-of-nothing", ("tracks", index, "tone"), message)
        if number is None:
            continue
        key, matched = "tone_like", "this one is matched to"
        if found := no_other_track(source, index, key, number, "tone-of-nothing", matched):
            yield found
        elif tracks[number - 1].tone_like or tracks[number - 1].tone:
            message = (
                f"track {number} is itself matched: name a track without `tone_like` and `tone`"
            )
            yield source.finding("error", "tone-of-matched", ("tracks", index, key), message)


def all_matched(source: ManifestFile, like: Literal["album"] | int) -> ManifestFile:
    """Return a manifest whose other tracks are matched to one, or to the album, too."""

    def matched(number: int, track: Track) -> Track:
        if track.tone_like or track.tone or number == like:
            return track
        key = "tone" if like == ALBUM else "tone_like"
        return track.model_copy(update={key: like})

    tracks = tuple(matched(n, track) for n, track in enumerate(source.manifest.tracks, 1))
    return replace(source, manifest=source.manifest.model_copy(update={"tracks": tracks}))


def with_tone(
    manifest: Manifest, sections: Sequence[TrackSection | None], cache: CacheFolder | None
) -> list[TrackSection | None]:
    """Return the sections with their tone matches; without a cache nothing is measured."""
    found = list(sections)
    for index, section in enumerate(sections):
        if section is None or not (section.track.tone_like or section.track.tone):
            continue
        number = section.track.tone_like
        references = sections if number is None else sections[number - 1 : number]
        whole = [one for one in references if one is not None]
        if len(whole) < len(references) or not whole:
            continue
        like = ALBUM if number is None else f"track {number}"
        made_of = tuple(sorted(_settings(manifest, one) for one in whole))
        match = ToneMatch(like, made_of)
        found[index] = replace(section, tone=_measured(match, section, whole, cache))
    return found


def _settings(manifest: Manifest, section: TrackSection) -> str:
    """Return what a reference's spectrum depends on."""
    digests = [file.digest and file.digest.sha256 for file in section.recording.source_files]
    return json.dumps([digests, *tone_settings(manifest, section)])


def tone_settings(manifest: Manifest, section: TrackSection) -> list[Any]:
    """Return what a track's spectrum depends on beside its recording, as plain data."""
    track = section.track
    transfer = manifest.transfers[track.side] if track.side else None
    return [
        [str(track.start or 0), str(track.end)],
        [band.model_dump(mode="json", exclude_none=True) for band in track.equaliser],
        track.mono_below,
        [transfer.restoration.model_dump(mode="json"), transfer.tone] if transfer else None,
    ]


def _measured(
    match: ToneMatch,
    section: TrackSection,
    references: Sequence[TrackSection],
    cache: CacheFolder | None,
) -> ToneMatch:
    if cache is None or any(s.recording.is_provisional for s in (section, *references)):
        return match
    from assembler.dsp.tone_match import corrected, matching_bands, mean_tone, spectral_distance

    rate_hz = section.recording.rate_hz
    own = np.array(_spectrum(section, cache))
    reference = mean_tone([np.array(_spectrum(one, cache)) for one in references])
    bells = matching_bands(own, reference, rate_hz)
    return replace(
        match,
        bands=tuple(Band(shape="bell", hz=one.hz, db=one.db, q=one.q) for one in bells),
        before_db=spectral_distance(own, reference, rate_hz),
        after_db=spectral_distance(corrected(own, bells, rate_hz), reference, rate_hz),
    )


def _spectrum(section: TrackSection, cache: CacheFolder) -> list[float]:
    """Return the long-term third-octave levels of a track after its own EQ."""
    recording, bands = section.recording, bands_of(section.track)
    start, end = section.start, section.end

    def measure() -> list[float]:
        from assembler.dsp.equaliser import equalise
        from assembler.dsp.third_octaves import long_term_third_octaves

        sound = equalise(recording.blocks(start, end), bands, recording.rate_hz)
        return [float(db) for db in long_term_third_octaves(sound, recording.rate_hz)]

    made_of = [recording.key, recording.sha256s, start, end, recording.rate_hz, bands]
    levels: list[float] = cache.json(cache_key("third octaves", *made_of), measure)
    return levels
