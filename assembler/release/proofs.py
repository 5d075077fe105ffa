"""The proof of a build: what its page and its pictures show, gathered from finished work."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from itertools import groupby
from typing import Any

import numpy as np

from assembler.cache.store import cache_key
from assembler.download.formats import FACTS
from assembler.dsp.decibels import rounded
from assembler.dsp.meter import Reading
from assembler.file_names import track_file_name
from assembler.findings import Finding
from assembler.manifest.model import Format
from assembler.mastering.measure import measure_section
from assembler.mastering.plan import DISC_BITS, MasterSpec, Plan
from assembler.mastering.render import FinishedTrack
from assembler.metadata import TrackMetadata
from assembler.preflight.sections import TrackSection
from assembler.proof.content import (
    CurveSegment,
    Deliverable,
    Delivered,
    GainReductionCurve,
    Proof,
    ProofDisc,
    ProofSide,
    ProofTrack,
    SourceSection,
)
from assembler.proof.curves import Curves, Steps, curves_of, lead_after, steps_of
from assembler.release.clips import copy_name
from assembler.release.report import Result
from assembler.release.reuse import ArtifactCache
from assembler.sequence import DiscOrder
from assembler.sheets.contents import credits_sheet
from assembler.text import FRAMES_PER_SECOND

PLAYED: tuple[Format, ...] = (
    "mp3-320",
    "mp3-vbr",
    "flac-16",
    "flac-24",
    "wav-16",
    "aac-256",
    "opus-160",
    "ogg-q8",
)
"""Formats that browsers play, the likeliest first."""


@dataclass(frozen=True)
class Sound:
    """What a proof is drawn from: the disc's sound, or without a disc the download files'.

    Attributes
    ----------
    result
        The mastering.
    bits
        Its words.
    hidden
        The sound before track 1.
    target_lufs
        None without a match.
    """

    result: Result
    bits: int
    hidden: FinishedTrack | None
    target_lufs: float | None


def proof_sound(
    plan: Plan, results: Mapping[MasterSpec, Result], hidden: FinishedTrack | None
) -> Sound | None:
    """Give what a proof is drawn from; None where none is made."""
    if "proof" not in plan.rooms:
        return None
    mastering, bits = plan.joins, DISC_BITS
    if mastering is None and plan.measured_format:
        mastering = plan.downloads[plan.measured_format]
        bits = FACTS[plan.measured_format].bits
    if mastering is None:
        return None
    level = mastering.level
    target = None if level.match == "none" else level.target
    return Sound(results[mastering], bits, hidden, target)


def readings(plan: Plan, sound: Sound, reuse: ArtifactCache) -> Iterator[Callable[[], object]]:
    """Give the pieces of work that a proof takes long for, to be done beside others.

    Parameters
    ----------
    plan
        What is made.
    sound
        What will be drawn.
    reuse
        Where `gather_proof` finds what they come to.
    """
    for disc in plan.report.discs:
        for _, tracks in _stretches(plan, sound, disc):
            for passage, lead in _passages(tracks, sound.bits):
                yield partial(_steps, passage, lead, sound.bits, reuse)
    for section in plan.report.sections:
        yield partial(_source, reuse, section)


def gather_proof(
    plan: Plan,
    words: Sequence[TrackMetadata],
    sound: Sound,
    told: Mapping[str, Result],
    findings: Sequence[Finding],
    reuse: ArtifactCache,
    sides: tuple[ProofSide, ...],
) -> Proof:
    """Gather what a proof shows.

    Parameters
    ----------
    plan
        What was made.
    words
        Of every track.
    sound
        What is drawn.
    told
        The masterings whose levels are told, by deliverable.
    findings
        Of the check and of the build.
    reuse
        Finished work.
    sides
        The tape sides, with their clips.
    """
    manifest = plan.report.source.manifest
    digest = hashlib.sha256()
    digest.update(repr((manifest.release, manifest.credits, manifest.text, words)).encode())
    sources = [_source(reuse, section) for section in plan.report.sections]
    listen = listened_format(plan)
    tracks = tuple(
        ProofTrack(w, source, _delivered(w.running_number - 1, told), _listen(w, listen))
        for w, source in zip(words, sources, strict=True)
    )
    return Proof(
        name=plan.name,
        discs=tuple(_discs(plan, sound, digest.update, reuse)),
        proof_of=digest.hexdigest(),
        sheet=credits_sheet(manifest, words),
        tracks=tracks,
        findings=tuple(findings),
        cover="download/cover.jpg" if _has_cover(plan) else None,
        has_clips=plan.joins is not None,
        sides=sides,
    )


def _has_cover(plan: Plan) -> bool:
    return bool(plan.downloads and plan.report.source.manifest.release.front_cover)


def _source(reuse: ArtifactCache, section: TrackSection) -> SourceSection:
    key = cache_key("source", reuse.source_digest(section), section.start, section.end)
    reading = Reading(**reuse.store.json(key, lambda: asdict(measure_section(section))))
    rate_hz = section.recording.rate_hz
    start, end = section.span_in_source
    return SourceSection(
        files=section.names,
        rate_hz=rate_hz,
        start_s=start / rate_hz,
        end_s=end / rate_hz,
        integrated_lufs=rounded(reading.integrated_lufs),
        range_lu=rounded(reading.loudness_range_lu),
        true_peak_dbtp=rounded(reading.true_peak_dbtp),
    )


def listened_format(plan: Plan) -> Format | None:
    """Return the download format that the page plays; None where it needs copies of its own."""
    return next((name for name in PLAYED if name in plan.downloads), None)


def _listen(words: TrackMetadata, name: Format | None) -> str:
    if name is None:
        return f"proof/tracks/{copy_name(words.running_number)}"
    stem = track_file_name(words.title, words.number, words.disc, words.of_discs)
    return f"download/{name}/{stem}{FACTS[name].suffix}"


def _delivered(index: int, told: Mapping[str, Result]) -> dict[Deliverable, Delivered]:
    kinds: tuple[Deliverable, ...] = ("disc", "download")
    return {kind: _levels(told[kind].tracks[index]) for kind in kinds if kind in told}


def _levels(track: FinishedTrack) -> Delivered:
    """Give a track's levels as the report tells them, so that the page can be made from it."""
    reading, limiting = next(iter(track.readings.values())), track.limiting
    return Delivered(
        integrated_lufs=rounded(reading.integrated_lufs),
        range_lu=rounded(reading.loudness_range_lu),
        true_peak_dbtp=rounded(reading.true_peak_dbtp),
        gain_db=round(track.gain_db, 3),
        most_limiting_db=round(limiting.most_db, 3),
        limited_at_s=round(limiting.at_s, 3),
        share_above_1_db=round(limiting.share_above_1_db, 4),
        share_above_3_db=round(limiting.share_above_3_db, 4),
    )


Update = Callable[[bytes], None]


def _discs(plan: Plan, sound: Sound, update: Update, reuse: ArtifactCache) -> Iterator[ProofDisc]:
    """Read the curves of each disc, and what tells its words from others into the digest."""
    manifest = plan.report.source.manifest
    on_disc = manifest.disc.make
    for disc in plan.report.discs:
        tracks = [sound.result.tracks[place.index] for place in disc.places]
        starts_s = [place.start_frame / FRAMES_PER_SECOND for place in disc.places]
        stretches = [
            CurveSegment(start_s, _curves(joined, sound.bits, reuse))
            for start_s, joined in _stretches(plan, sound, disc)
        ]
        for track in (*([sound.hidden] if sound.hidden else []), *tracks):
            told = (reuse.store.digest(track.files[sound.bits]), track.start, track.length)
            update(repr(told).encode())
        yield ProofDisc(
            order=disc,
            stretches=tuple(stretches),
            limit_frames=manifest.disc.limit if on_disc else None,
            target_lufs=sound.target_lufs,
            limiting=tuple(
                GainReductionCurve(start_s, np.array(track.limiting.course_db))
                for start_s, track in zip(starts_s, tracks, strict=True)
            ),
        )


def _stretches(
    plan: Plan, sound: Sound, disc: DiscOrder
) -> Iterator[tuple[float, list[FinishedTrack]]]:
    """Give what follows each other at one rate: a disc's sounds, or without a disc each track."""
    tracks = [sound.result.tracks[place.index] for place in disc.places]
    if plan.report.source.manifest.disc.make:
        hidden = [sound.hidden] if sound.hidden and disc.hidden else []
        yield disc.pause_in_image_frames / FRAMES_PER_SECOND, [*hidden, *tracks]
    else:
        for place, track in zip(disc.places, tracks, strict=True):
            yield place.start_frame / FRAMES_PER_SECOND, [track]


def _curves(tracks: Sequence[FinishedTrack], bits: int, reuse: ArtifactCache) -> Curves:
    """Draw the curves of sounds that follow each other."""
    passages = _passages(tracks, bits)
    steps = [_steps(passage, lead, bits, reuse) for passage, lead in passages]
    return curves_of(steps, tracks[0].rate_hz)


def _passages(
    tracks: Sequence[FinishedTrack], bits: int
) -> Iterator[tuple[list[FinishedTrack], int]]:
    """Give the tracks of each passage, and the lead of its first step."""
    position = 0
    for _, of_file in groupby(tracks, lambda track: track.files[bits]):
        passage = list(of_file)
        yield passage, lead_after(position, passage[0].rate_hz)
        position += sum(track.length for track in passage)


def _steps(passage: Sequence[FinishedTrack], lead: int, bits: int, reuse: ArtifactCache) -> Steps:
    """Read the steps of a passage; the silence around it makes it independent of the others."""

    def read() -> list[Any]:
        words = (block for track in passage for block in track.words(bits))
        steps = steps_of(words, passage[0].rate_hz, bits, lead)
        levels = (steps.peaks, steps.squares, steps.energies)
        return [steps.length, *(values.tolist() for values in levels)]

    key = cache_key("steps", [track.key for track in passage], lead, bits)
    length, *levels = reuse.store.json(key, read)
    return Steps(length, *map(np.array, levels))
