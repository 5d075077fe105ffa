"""Gather what the proof's page and pictures show."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from assembler.cache.folder import cache_key
from assembler.download.formats import facts_of
from assembler.dsp.decibels import rounded
from assembler.dsp.meter import Reading
from assembler.file_names import track_file_name
from assembler.findings import Finding
from assembler.manifest.sets import format_of
from assembler.mastering.levels import (
    clipping_json,
    compression_json,
    gain_reduction_json,
    levels_json,
    tone_json,
)
from assembler.mastering.measure_tracks import measure_section
from assembler.mastering.plan import DISC_BITS, MasterSpec, Plan
from assembler.mastering.render import FinishedTrack
from assembler.metadata import TrackMetadata
from assembler.preflight.editions import Edition
from assembler.preflight.track_section import TrackSection
from assembler.proof.approval import ApprovedSound
from assembler.proof.content import (
    CurveSegment,
    Delivered,
    GainReductionCurve,
    Proof,
    ProofDisc,
    ProofSide,
    ProofTrack,
    SourceSection,
)
from assembler.proof.curves import Curves, Steps, curves_of, lead_after, steps_of
from assembler.release.artifact_cache import ArtifactCache, source_digest
from assembler.release.progress import LEVELS
from assembler.release.tasks.clips import copy_name
from assembler.release.tasks.graph import Task
from assembler.release.tasks.masters import ImageTasks, Master, MasterTasks
from assembler.sequence import DiscOrder, Passage
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.sheets.credits_sheet import credits_sheet
from assembler.text import FRAMES_PER_SECOND

PLAYED: tuple[str, ...] = (
    "mp3-320",
    "mp3-vbr",
    "flac-16",
    "flac-24",
    "wav-16",
    "aac-256",
    "opus-160",
    "ogg-q8",
)
"""Formats that browsers play, the most widely supported first."""


@dataclass(frozen=True)
class ProofSound:
    """The sound that a proof shows: the disc's, or without a disc the download files'.

    Attributes
    ----------
    master
        The master.
    bits
        Its bit depth.
    hidden
        The sound before track 1.
    target_lufs
        None without a match.
    others
        The tracks that this master lacks, each with its bit depth.
    """

    master: Master
    bits: int
    hidden: FinishedTrack | None
    target_lufs: float | None
    others: tuple[tuple[FinishedTrack, int], ...] = ()

    @property
    def tracks(self) -> list[tuple[FinishedTrack, int]]:
        """All tracks that the page plays, each with its bit depth."""
        return [*((track, self.bits) for track in self.master.tracks), *self.others]


def proof_spec(plan: Plan) -> tuple[MasterSpec, int] | None:
    """Return the master that the proof shows and its bit depth; None without a proof."""
    if "proof" not in plan.rooms:
        return None
    if plan.joins:
        return plan.joins, DISC_BITS
    if plan.measured_format:
        return plan.downloads[plan.measured_format], facts_of(plan.measured_format).bits
    return None


def reading_tasks(
    plan: Plan, tasks: MasterTasks, discs: ImageTasks, bits: int, cache: ArtifactCache
) -> list[Task[Any]]:
    """Return the tasks that measure what the proof shows; `gather_proof` finds their results.

    Parameters
    ----------
    plan
        What to make.
    tasks, discs
        Those of the master that the proof shows, and of the hidden sound.
    bits
        Its bit depth.
    cache
        Finished work.
    """
    found: list[Task[Any]] = []
    edition = plan.report.primary
    for section in plan.report.sections:
        cost_s = LEVELS * float(section.duration_s) / 2
        name = f"levels of the source: {section.track.full_title}"
        found.append(Task(name, partial(_source, cache, section), (), cost_s))
    on_disc = edition.manifest.disc.make
    for disc in edition.discs:
        if on_disc and disc.hidden and discs.hidden:

            def hidden_steps(track: FinishedTrack) -> Steps:
                return _steps([track], 0, bits, cache)

            found.append(Task("levels: hidden sound", hidden_steps, (discs.hidden,)))
        for passage in disc.passages:
            work = partial(_passage_steps, disc, passage, bits, cache, on_disc)
            cost_s = LEVELS * passage.room_frames / FRAMES_PER_SECOND / 2
            name = f"levels: {edition.sections_of(passage)[0].track.full_title}"
            found.append(Task(name, work, (tasks.passages[passage],), cost_s))
    return found


def _passage_steps(
    disc: DiscOrder,
    passage: Passage,
    bits: int,
    cache: ArtifactCache,
    on_disc: bool,
    tracks: Sequence[FinishedTrack],
) -> None:
    """Measure a passage at its place on a disc, or without a disc each of its tracks alone."""
    if on_disc:
        before = (passage.start_frame - disc.pause_in_image_frames) * SAMPLES_PER_FRAME
        _steps(tracks, lead_after(before, tracks[0].rate_hz), bits, cache)
    else:
        for track in tracks:
            _steps([track], 0, bits, cache)


def gather_proof(
    plan: Plan,
    metadata: Sequence[TrackMetadata],
    printed: Sequence[TrackMetadata],
    sound: ProofSound,
    masters: Mapping[str, Master],
    findings: Sequence[Finding],
    to_approve: ApprovedSound | None,
    cache: ArtifactCache,
    sides: tuple[ProofSide, ...],
) -> Proof:
    """Gather what a proof shows.

    Parameters
    ----------
    plan
        What was made.
    metadata, printed
        Of every track that it shows, and of every one that the credits sheet lists.
    sound
        The sound to show.
    masters
        Those whose levels are reported, by deliverable.
    findings
        Of the check and of the build.
    to_approve
        What the page hands to the approval file.
    cache
        Finished work.
    sides
        The tape sides, with their clips.
    """
    manifest, edition = plan.report.source.manifest, plan.report.primary
    digest = hashlib.sha256()
    digest.update(repr((manifest.release, manifest.credits, manifest.text, metadata)).encode())
    if printed != metadata:
        digest.update(repr(printed).encode())
    for track, _ in sound.others:
        digest.update(repr((track.digest, track.start, track.length)).encode())
    listen = listened_format(plan)
    shown = (*metadata, *other_tracks(printed)[: len(sound.others)])
    tracks = tuple(
        ProofTrack(
            one,
            _source(cache, plan.report.sections[track.section.index]),
            _delivered(track.section.index, plan, masters),
            _listen(one, listen),
            compression_json(track.compression) if track.compression else None,
            tone_json(track.section.tone) if track.section.tone else None,
        )
        for one, (track, _) in zip(shown, sound.tracks, strict=True)
    )
    return Proof(
        name=plan.name,
        discs=tuple(_discs(edition, sound, digest.update, cache)),
        proof_of=digest.hexdigest(),
        sheet=credits_sheet(manifest, printed),
        tracks=tracks,
        findings=tuple(findings),
        cover=manifest.cover_copy if plan.downloads else None,
        has_clips=plan.joins is not None,
        sides=sides,
        sound=to_approve,
    )


def other_tracks(printed: Sequence[TrackMetadata]) -> list[TrackMetadata]:
    """Return what the page lists after its edition's tracks, numbered on."""
    others = [one for one in printed if one.group]
    first = len(printed) - len(others) + 1
    return [
        replace(one, title=f"{one.title} ({one.group})", running_number=number)
        for number, one in enumerate(others, first)
    ]


def _source(cache: ArtifactCache, section: TrackSection) -> SourceSection:
    key = cache_key("source", source_digest(section), section.start, section.end)
    reading = Reading(**cache.folder.json(key, lambda: asdict(measure_section(section))))
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
        crest_db=rounded(reading.crest_db),
        correlation=rounded(reading.stereo_correlation),
    )


def listened_format(plan: Plan) -> str | None:
    """Return the download format that the page plays; None where it needs listening copies."""
    shown, others = plan.report.primary.tracks, plan.others
    if others:
        return None
    return first_played(name for name, spec in plan.downloads.items() if spec.tracks == shown)


def first_played(folders: Iterable[str]) -> str | None:
    """Return the format that the page plays: the best known one, of the first set that has it."""
    places = {name: n for n, name in enumerate(PLAYED)}
    known = [one for one in folders if format_of(one) in places]
    return min(known, key=lambda one: places[format_of(one)], default=None)


def _listen(metadata: TrackMetadata, name: str | None) -> str:
    if name is None:
        return f"proof/tracks/{copy_name(metadata.running_number)}"
    place = (metadata.number, metadata.disc, metadata.of_discs)
    return f"download/{name}/{track_file_name(metadata.title, *place)}{facts_of(name).suffix}"


def _delivered(index: int, plan: Plan, masters: Mapping[str, Master]) -> dict[str, Delivered]:
    return {
        kind: Delivered.reported(
            levels_json(track, plan.measured_bits(kind)),
            gain_reduction_json(track),
            clipping_json(track.clipping) if track.clipping else None,
        )
        for kind, master in masters.items()
        for track in master.tracks
        if track.section.index == index
    }


Update = Callable[[bytes], None]


def _discs(
    edition: Edition, sound: ProofSound, update: Update, cache: ArtifactCache
) -> Iterator[ProofDisc]:
    """Return each disc's curves; update the proof's digest with the PCM of its tracks."""
    manifest = edition.manifest
    on_disc = manifest.disc.make
    for disc in edition.discs:
        tracks = [sound.master.tracks[place.index] for place in disc.places]
        starts_s = [place.start_frame / FRAMES_PER_SECOND for place in disc.places]
        stretches = [
            CurveSegment(start_s, _curves(joined, sound.bits, cache))
            for start_s, joined in _stretches(edition, sound, disc)
        ]
        for track in (*([sound.hidden] if sound.hidden else []), *tracks):
            update(repr((track.digest, track.start, track.length)).encode())
        yield ProofDisc(
            order=disc,
            stretches=tuple(stretches),
            limit_frames=manifest.disc.limit if on_disc else None,
            target_lufs=sound.target_lufs,
            limiting=tuple(
                GainReductionCurve(start_s, np.array(track.gain_reduction.course_db))
                for start_s, track in zip(starts_s, tracks, strict=True)
            ),
        )


def _stretches(
    edition: Edition, sound: ProofSound, disc: DiscOrder
) -> Iterator[tuple[float, list[FinishedTrack]]]:
    """Return consecutive sounds at one rate: a disc's, or without a disc each track alone."""
    tracks = [sound.master.tracks[place.index] for place in disc.places]
    if edition.manifest.disc.make:
        hidden = [sound.hidden] if sound.hidden and disc.hidden else []
        yield disc.pause_in_image_frames / FRAMES_PER_SECOND, [*hidden, *tracks]
    else:
        for place, track in zip(disc.places, tracks, strict=True):
            yield place.start_frame / FRAMES_PER_SECOND, [track]


def _curves(tracks: Sequence[FinishedTrack], bits: int, cache: ArtifactCache) -> Curves:
    """Return the curves of consecutive sounds."""
    passages = _passages(tracks)
    steps = [_steps(passage, lead, bits, cache) for passage, lead in passages]
    return curves_of(steps, tracks[0].rate_hz)


def _passages(
    tracks: Sequence[FinishedTrack],
) -> Iterator[tuple[list[FinishedTrack], int]]:
    """Return the tracks of each passage, and the samples before its first step."""
    passages: list[list[FinishedTrack]] = []
    for track in tracks:
        if track.start == 0 or not passages:
            passages.append([])
        passages[-1].append(track)
    position = 0
    for passage in passages:
        yield passage, lead_after(position, passage[0].rate_hz)
        position += sum(track.length for track in passage)


def _steps(passage: Sequence[FinishedTrack], lead: int, bits: int, cache: ArtifactCache) -> Steps:
    """Measure the steps of a passage; silence around it makes it independent of the others."""

    def read() -> list[Any]:
        pcm = (block for track in passage for block in track.pcm(bits))
        steps = steps_of(pcm, passage[0].rate_hz, bits, lead)
        levels = (steps.peaks, steps.squares, steps.energies)
        return [steps.length, *(values.tolist() for values in levels)]

    key = cache_key("steps", [track.key for track in passage], lead, bits)
    length, *levels = cache.folder.json(key, read)
    return Steps(length, *map(np.array, levels))
