"""Entries of a build's report: its tracks and its tape sides."""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any

from assembler.finished.report_form import (
    ClippingReport,
    CompressionReport,
    DeliveredReport,
    DoneReport,
    FileReport,
    GainReductionReport,
    MeasuredReport,
    SideReport,
    SourceReport,
    ToneReport,
    TrackEntry,
)
from assembler.manifest.sets import DISC, DOWNLOAD
from assembler.manifest.transfers import Transfer
from assembler.mastering.levels import (
    clipping_json,
    compression_json,
    gain_reduction_json,
    levels_json,
    tone_json,
)
from assembler.mastering.plan import Plan
from assembler.mastering.render import FinishedTrack
from assembler.preflight.editions import Edition
from assembler.preflight.rates import format_rates
from assembler.preflight.sides import Side
from assembler.preflight.track_section import TrackSection
from assembler.proof.content import Proof
from assembler.release.approved_sound import hold_report
from assembler.release.tasks.masters import Master
from assembler.sequence.first_samples import RecordingSpan, first_samples
from assembler.sequence.frames import DISC_RATE_HZ


def track_entry(
    plan: Plan,
    index: int,
    place: Mapping[str, Any],
    masters: Mapping[str, Master],
    proof: Proof | None,
    firsts: dict[str, int],
) -> TrackEntry:
    """Return a track's entry in the report.

    Parameters
    ----------
    plan
        What was made.
    index
        The track's, in the manifest.
    place
        Its entry in the check's report.
    masters
        Those whose levels are reported, by deliverable.
    proof
        The proof, if there is one.
    firsts
        With which sample of its source its file begins, by rate.
    """
    section = plan.report.sections[index]
    tracks = {
        kind: track
        for kind, master in masters.items()
        for track in master.tracks
        if track.section.index == index
    }
    first = next(iter(tracks.values()), None)
    shown = [*plan.report.primary.tracks, *plan.others]
    is_shown = proof is not None and index in shown
    measured = proof.tracks[shown.index(index)].section.measured if proof and is_shown else None
    entry = TrackEntry(
        **place,
        source=_source(section, MeasuredReport(**measured) if measured else None, firsts),
        done=_done(section),
        gain_db=round(first.gain_db, 3) if first else None,
        disc=_delivered(tracks.get("disc"), plan.measured_bits("disc")),
        download=_delivered(tracks.get("download"), plan.measured_bits("download")),
        most_limiting_db=round(first.gain_reduction.most_db, 3) if first else None,
        limiting=GainReductionReport(**gain_reduction_json(first)) if first else None,
        hold=hold_report(plan, index, masters),
    )
    if first and first.compression:
        compression = CompressionReport(**compression_json(first.compression))
        entry = entry.model_copy(update={"compression": compression})
    named = {kind: one for kind, one in tracks.items() if kind not in (DISC, DOWNLOAD)}
    sets = {kind: _delivered(one, plan.measured_bits(kind)) for kind, one in named.items()}
    return entry.model_copy(update={"sets": sets}) if sets else entry


def side_report(side: Side) -> SideReport:
    """Return where a tape side comes from, and its restoration steps in order."""
    return SideReport(
        name=side.name,
        files=list(side.transfer.paths),
        **dict(side.facts),
        notes=side.transfer.notes,
        steps=side.report.get("steps", []),
        unresolved=side.report.get("unresolved", []),
        reasons=side.report.get("reasons", {}),
        dropouts=side.report.get("dropouts", []),
        trim_silence=side.transfer.restoration.trim_silence,
    )


def first_samples_of(plan: Plan, edition: Edition) -> dict[int, dict[str, int]]:
    """Return with which sample of its source the file of each track begins, by rate.

    By the track's index in the manifest, at the rates of the editions with the same tracks.
    """
    editions, sets = plan.report.editions, plan.report.source.manifest.made_sets
    own = [one for one in sets if editions[one.edition].tracks == edition.tracks]
    found: dict[int, dict[str, int]] = {index: {} for index in edition.tracks}
    for passage in edition.passages:
        sections = edition.sections_of(passage)
        spans = [
            RecordingSpan(s.start, s.end, s.recording.rate_hz, s.track.overlap or Fraction(0))
            for s in sections
        ]
        rates = {
            rate
            for one in own
            for name in one.formats
            for rate in format_rates(name, one.rate, edition.sections, [passage])
        }
        for rate_hz in sorted({DISC_RATE_HZ, *rates}):
            firsts = first_samples(passage, spans, rate_hz)
            for section, first in zip(sections, firsts, strict=True):
                found[section.index][str(rate_hz)] = first
    return found


def _source(
    section: TrackSection, measured: MeasuredReport | None, firsts: dict[str, int]
) -> SourceReport:
    start, end = section.span_in_source
    return SourceReport(
        files=list(section.names),
        sha256="+".join(section.recording.sha256s),
        sample_rate_hz=section.recording.rate_hz,
        start_sample=start,
        end_sample=end,
        first_samples=firsts,
        came_in=[
            FileReport(
                file=name,
                kind=file.kind,
                sample_rate_hz=file.rate_hz,
                bits=file.bits,
                channels=file.channels,
                samples=file.frames,
            )
            for name, file in zip(section.names, section.recording.source_files, strict=True)
        ],
        measured=measured,
    )


def _done(section: TrackSection) -> DoneReport:
    """Return the processing of a track that the manifest asks for, without its level."""
    track, side = section.track, section.side
    transfer = side.transfer if side else None
    done = DoneReport(
        side=side.name if side else None,
        mended={**_restoration(transfer), **transfer.tone} if transfer else {},
        equaliser=[band.model_dump(exclude_none=True) for band in track.equaliser],
        fade_in_s=float(section.fade_in_s),
        fade_out_s=float(section.fade_out_s),
        fade_shape=track.fade_shape,
        overlap_s=float(track.overlap or 0),
        trim_db=track.trim,
    )
    asked: dict[str, object] = {}
    if track.mono_below is not None:
        asked["mono_below_hz"] = track.mono_below
    if track.compress is not None:
        asked["compress"] = track.compress.model_dump(exclude_none=True)
    if section.tone:
        asked["tone"] = ToneReport(**tone_json(section.tone))
    if track.clip is not None:
        asked["clip_db"] = track.clip
    return done.model_copy(update=asked)


def _restoration(transfer: Transfer) -> dict[str, Any]:
    return transfer.restoration.model_dump(
        mode="json", by_alias=True, exclude_none=True, exclude_defaults=True
    )


def _delivered(track: FinishedTrack | None, bits: int) -> DeliveredReport | None:
    if track is None:
        return None
    reduction = GainReductionReport(**gain_reduction_json(track))
    found = DeliveredReport.model_validate({**levels_json(track, bits), "limiting": reduction})
    if track.clipping is None:
        return found
    return found.model_copy(update={"clipping": ClippingReport(**clipping_json(track.clipping))})
