"""Levels as delivered, and findings about them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import pairwise
from typing import Any

from assembler.dsp.decibels import rounded
from assembler.findings import Finding
from assembler.manifest import Level, ManifestFile
from assembler.mastering.clipping import TrackClipping
from assembler.mastering.compression import TrackCompression
from assembler.mastering.gain_plan import TrackGain
from assembler.mastering.gain_search import (
    LIGHT_REDUCTION_DB,
    MIN_LU_PER_DB,
    MOST_IMBALANCE_LU,
    OFF_TARGET_LU,
)
from assembler.mastering.render import FinishedTrack
from assembler.preflight.track_section import ToneMatch
from assembler.sequence import Passage
from assembler.text import clock_text, decimal, number_ranges, signed

TrackLevel = tuple[FinishedTrack, TrackGain]

WIDE_ALBUM_LU = 12.0
"""Sources that differ by more were probably recorded at different levels (from memory)."""
LARGE_GAIN_DB = 24.0
UNEXPECTED_DB = 0.1
MOST_RANGE_LOST_LU = 6.0
"""Dynamics that a person notices the loss of (from memory: common practice)."""
LOW_TARGET_LUFS = -18.0
"""At a target this low nobody expects the limiter to work (from memory: common practice)."""
AUDIBLE_STEP_DB = 1.0
"""A level step in continuous sound that is audible (from memory: common practice)."""


def levels_json(track: FinishedTrack, bits: int) -> dict[str, float | None]:
    """Return a track's measured levels as plain data."""
    reading = track.readings[bits]
    return {
        "integrated_lufs": rounded(reading.integrated_lufs),
        "true_peak_dbtp": rounded(reading.true_peak_dbtp),
        "sample_peak_dbfs": rounded(reading.sample_peak_dbfs),
        "loudness_range_lu": rounded(reading.loudness_range_lu),
        "crest_db": rounded(reading.crest_db),
        "stereo_correlation": rounded(reading.stereo_correlation),
        "sample_rate_hz": track.rate_hz,
        "bits": bits,
        "gain_db": rounded(track.gain_db),
    }


def gain_reduction_json(track: FinishedTrack) -> dict[str, Any]:
    """Return a track's gain reduction as plain data."""
    reduction = track.gain_reduction
    found = {
        "most_db": rounded(reduction.most_db),
        "at_s": rounded(reduction.at_s),
        "mean_db": rounded(reduction.mean_db),
        "db_95": rounded(reduction.db_95),
        "share_above_1_db": round(reduction.share_above_1_db, 4),
        "share_above_3_db": round(reduction.share_above_3_db, 4),
    }
    if reduction.image_drift_db is not None:
        found["image_drift_db"] = rounded(reduction.image_drift_db)
        found["image_drift_mean_db"] = rounded(reduction.image_drift_mean_db)
    return found


def compression_json(compression: TrackCompression) -> dict[str, Any]:
    """Return what a compressor did to a track as plain data."""
    readings = {n: one for n, one in asdict(compression).items() if n != "course_db"}
    return {name: rounded(value) for name, value in readings.items()}


def clipping_json(clipping: TrackClipping) -> dict[str, Any]:
    """Return what a clipper did to a track as plain data."""
    return {name: round(value, 4) for name, value in asdict(clipping).items()}


def tone_json(tone: ToneMatch) -> dict[str, Any]:
    """Return a tone match as plain data."""
    return {
        "like": tone.like,
        "bands": [band.model_dump(exclude_none=True) for band in tone.bands],
        "before_db": rounded(tone.before_db),
        "after_db": rounded(tone.after_db),
    }


def level_findings(
    source: ManifestFile, deliverable: str, level: Level, tracks: Sequence[TrackLevel]
) -> Iterator[Finding]:
    """Compare delivered tracks with their targets.

    Parameters
    ----------
    tracks
        Each finished track with its gain.
    """
    for track, gain in tracks:
        loc = ("tracks", track.section.index)
        number = track.section.index + 1
        reduction = track.gain_reduction
        if reduction.most_db > LIGHT_REDUCTION_DB:
            message = (
                f"{deliverable}: gain reduction on track {number} reaches {reduction.most_db:.1f} "
                f"dB (at {clock_text(reduction.at_s)}; more than 3 dB for "
                f"{reduction.share_above_3_db:.1%} of the track): {_lighter(level, track, gain)}"
            )
            yield source.finding("warning", "heavy-limiting", loc, message)
        yield from _range_findings(source, deliverable, track)
        if track.gain_db > LARGE_GAIN_DB:
            message = (
                f"{deliverable}: track {number} is raised by {track.gain_db:.1f} dB, and its noise "
                "with it: listen before you send it out"
            )
            yield source.finding("warning", "large-gain", loc, message)
        lufs = next(iter(track.readings.values())).integrated_lufs
        if lufs is None or gain.target_lufs is None:
            continue
        if abs(lufs - gain.target_lufs) > OFF_TARGET_LU:
            message = (
                f"{deliverable}: track {number} measures {decimal(lufs, 2)} LUFS, its target is "
                f"{decimal(gain.target_lufs, 2)} LUFS: {_why(level, gain, lufs - gain.target_lufs)}"
            )
            yield source.finding("warning", "off-target", loc, message)


def _range_findings(
    source: ManifestFile, deliverable: str, track: FinishedTrack
) -> Iterator[Finding]:
    """Warn where compressor and limiter cost much loudness range; known where one compresses."""
    before_lu = track.compression.range_before_lu if track.compression else None
    after_lu = next(iter(track.readings.values())).loudness_range_lu
    if before_lu is None or after_lu is None or before_lu - after_lu <= MOST_RANGE_LOST_LU:
        return
    message = (
        f"{deliverable}: compressor and limiter take {before_lu - after_lu:.1f} LU of loudness "
        f"range off track {track.section.index + 1} ({before_lu:.1f} LU before, {after_lu:.1f} LU "
        "after): raise the compressor's `threshold` or lower its `ratio`"
    )
    loc = ("tracks", track.section.index, "compress")
    yield source.finding("warning", "range-lost", loc, message)


def limiter_findings(
    source: ManifestFile, name: str, level: Level, tracks: Sequence[TrackLevel]
) -> Iterator[Finding]:
    """Warn where a named set is limited though nobody expects it: no match, or a low target.

    Parameters
    ----------
    name
        The set's.
    tracks
        Each finished track with its gain.
    """
    limited = [track for track, _ in tracks if track.gain_reduction.most_db > UNEXPECTED_DB]
    if not limited or (level.match != "none" and level.target > LOW_TARGET_LUFS):
        return
    most = max(limited, key=lambda track: track.gain_reduction.most_db)
    numbers = number_ranges(track.section.index + 1 for track in limited)
    which = f"track{'s' * (len(limited) > 1)} {numbers}"
    why = "nothing is matched" if level.match == "none" else f"the target is {level.target:g} LUFS"
    remedy = "raise the set's `ceiling`" if level.ceiling < 0 else "lower the `trim` there"
    message = (
        f"{name}: {why.replace('-', '−')}, and still the limiter takes up to "
        f"{most.gain_reduction.most_db:.1f} dB off peaks of {which} to keep them under "
        f"{decimal(level.ceiling)} dBTP: {remedy}, or accept it"
    )
    yield source.finding(
        "warning", "unexpected-limiting", source.manifest.place_of_set(name), message
    )


def match_findings(
    source: ManifestFile, deliverable: str, level: Level, tracks: Sequence[TrackLevel]
) -> Iterator[Finding]:
    """Report on the match as a whole: a capped gain, tracks too short to measure, a wide range.

    Parameters
    ----------
    tracks
        Each finished track with its gain.
    """
    if level.match == "none":
        return
    for track, gain in tracks:
        if gain.too_short:
            message = (
                f"track {track.section.index + 1} is shorter than 0.4 s, too short to measure its "
                f"loudness: it gets the gain of its neighbours, {signed(track.gain_db)} dB; set "
                "its `trim` by ear"
            )
            yield source.finding("note", "short-track", ("tracks", track.section.index), message)
    if level.match == "album":
        yield from _album_findings(source, deliverable, level, tracks)


def _album_findings(
    source: ManifestFile, deliverable: str, level: Level, tracks: Sequence[TrackLevel]
) -> Iterator[Finding]:
    measured = [(gain.source_lufs, t) for t, gain in tracks if gain.source_lufs is not None]
    if not measured:
        return
    (quietest_lufs, quietest), (loudest_lufs, loudest) = (
        pick(measured, key=lambda pair: pair[0]) for pick in (min, max)
    )
    if loudest_lufs - quietest_lufs > WIDE_ALBUM_LU:
        message = (
            f"the sources range from {decimal(quietest_lufs)} LUFS (track "
            f"{quietest.section.index + 1}) to {decimal(loudest_lufs)} LUFS (track "
            f"{loudest.section.index + 1}), and `match: album` keeps these differences: if the "
            "recordings were made at different levels, set `trim` or `match: track`"
        )
        yield source.finding("note", "wide-album", ("level",), message)
    first = next(gain for _, gain in tracks if gain.source_lufs is not None)
    if not first.stopped_by:
        return
    reached_lufs = max(
        reading.integrated_lufs - track.section.track.trim
        for track, _ in tracks
        if (reading := next(iter(track.readings.values()))).integrated_lufs is not None
    )
    gain_db = tracks[0][0].gain_db - tracks[0][0].section.track.trim
    reason = f"a further dB of gain would add less than {MIN_LU_PER_DB} LU"
    lower = ""
    if first.most_limited is not None:
        number = first.most_limited + 1
        reason = (
            f"with more gain the limiter would lower track {number} by over {MOST_IMBALANCE_LU:g} "
            "LU and change the balance between the tracks"
        )
        lower = f", or a lower `trim` for track {number}"
    message = (
        f"{deliverable}: the album's gain is capped at {signed(gain_db)} dB, where the loudest "
        f"track reaches {decimal(reached_lufs)} LUFS instead of {decimal(level.target)}: {reason}; "
        f"set `target: {_down(reached_lufs)}`{lower}"
    )
    yield source.finding("warning", "album-gain-capped", ("level",), message)


def segue_findings(
    source: ManifestFile, passages: Sequence[Passage], tracks: Sequence[FinishedTrack]
) -> Iterator[Finding]:
    """Find segues at which the gain changes audibly."""
    for passage in passages:
        for before, after in pairwise(passage.places):
            track = tracks[after.index]
            step_db = track.gain_db - tracks[before.index].gain_db
            overlaps = track.section.track.overlap
            if abs(step_db) > AUDIBLE_STEP_DB and not overlaps:
                message = (
                    f"the gain changes by {signed(step_db)} dB at the segue into track "
                    f"{track.section.index + 1}, and noise and reverberation change with it: bring "
                    "the two tracks closer with `trim`, or set `level.match: album`"
                )
                loc = ("tracks", track.section.index, "gap")
                yield source.finding("warning", "gain-step-in-segue", loc, message)


def _down(level: float) -> str:
    """Write a level for the manifest, rounded down to the tenth."""
    return f"{math.floor(level * 10 + 1e-6) / 10:.1f}"


def _lighter(level: Level, track: FinishedTrack, gain: TrackGain) -> str:
    """Return the setting that keeps gain reduction under 3 dB."""
    if level.match == "none" or gain.light_target_lufs is None:
        over_db = track.gain_reduction.most_db - LIGHT_REDUCTION_DB
        return f"`trim: {_down(track.section.track.trim - over_db)}` keeps it under 3 dB"
    what = "the album" if level.match == "album" else "it"
    return f"{what} stays under 3 dB at a target of {_down(gain.light_target_lufs)} LUFS"


def _why(level: Level, gain: TrackGain, off_lu: float) -> str:
    if gain.stopped_by == "balance" and off_lu < 0:
        return "the album's gain is capped (see `level`)"
    if gain.stopped_by and off_lu < 0:
        return (
            f"a further dB of gain would add less than {MIN_LU_PER_DB} LU after the limiter; set a "
            "lower target"
        )
    if off_lu < 0:
        return "the limiter lowers its loudness; set a lower target to avoid that"
    if level.match == "album":
        return (
            "the album's gain makes up for gain reduction on the loudest track and raises this one "
            "too; a lower target keeps the balance"
        )
    return "the search did not reach it; listen, and set its `trim`"
