"""Put together the report of a build, which is written as report.json and report.txt."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from importlib.metadata import version
from pathlib import Path
from typing import Any

import assembler
from assembler.cache.folder import MAKERS, METHOD
from assembler.digest import file_digest
from assembler.errors import AssemblerError
from assembler.file_names import utf_8_name
from assembler.finished.finished import open_finished
from assembler.finished.release_folder import REPORT, REPORT_TEXT, release_files
from assembler.finished.report_form import (
    SCHEMA_VERSION,
    CheckedArtworkReport,
    ClippingReport,
    CompressionReport,
    DeliveredReport,
    DiscReport,
    DoneReport,
    EditionReport,
    FileReport,
    FormatReport,
    GainReductionReport,
    InputsReport,
    LevelReport,
    LevelsReport,
    MadeWith,
    MailedReport,
    MeasuredReport,
    PlaceReport,
    ReleaseFacts,
    ReleaseReport,
    SideReport,
    SourceReport,
    ToneReport,
    TrackEntry,
)
from assembler.finished.report_text import report_text
from assembler.manifest import Manifest
from assembler.manifest.sets import DISC, DOWNLOAD
from assembler.manifest.transfers import Transfer
from assembler.mastering.levels import (
    clipping_json,
    compression_json,
    gain_reduction_json,
    levels_json,
    tone_json,
)
from assembler.mastering.plan import ROOMS, Plan, Room
from assembler.mastering.render import FinishedTrack
from assembler.metadata import printed_tracks
from assembler.preflight.editions import Edition, orders_in
from assembler.preflight.rates import format_rates
from assembler.preflight.sides import Side
from assembler.preflight.track_section import TrackSection
from assembler.proof.approval import ApprovedSound
from assembler.proof.content import Proof
from assembler.proof.mailed import MailAudio
from assembler.release.approved_sound import hold_report
from assembler.release.tasks.masters import Master
from assembler.sequence.first_samples import RecordingSpan, first_samples
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sleeve.checked_artwork import artwork_state

_PACKAGES = sorted((*MAKERS, "reportlab"))
"""Packages that make the deliverables: sound, encoded files, tags, pictures and paper."""


def release_report(
    plan: Plan,
    masters: Mapping[str, Master],
    formats: Mapping[str, FormatReport],
    proof: Proof | None,
    sound: ApprovedSound | None,
    audio: MailAudio | None,
) -> ReleaseReport:
    """Return the report of what was made: no dates, no paths of this machine.

    Parameters
    ----------
    plan
        What was made.
    masters
        Those whose levels are reported, by deliverable: disc, download.
    formats
        The download formats.
    proof
        The proof, if there is one.
    sound
        What its page hands to the approval file.
    audio
        How the audio of a mailed proof is encoded, if there is one.

    Returns
    -------
    ReleaseReport
        Without findings, checksums and the inputs of each deliverable.
    """
    manifest = plan.report.source.manifest
    checked = plan.report.as_json()
    version_now, made_now = made_with()
    discs = checked["discs"] if manifest.disc.make else []
    firsts = first_samples_of(plan, plan.report.primary)
    return ReleaseReport(
        schema_version=SCHEMA_VERSION,
        assembler=version_now,
        made_with=made_now,
        ok=True,
        name=plan.name,
        manifest=utf_8_name(plan.report.source.path.name),
        release=ReleaseFacts(**manifest.release.model_dump()),
        rooms=[room for room in sorted(ROOMS) if room in plan.rooms],
        inputs=_inputs(plan),
        made_from={},
        disc=DiscReport(**checked["disc"]) if manifest.disc.make else None,
        discs=[DiscReport(**disc) for disc in discs],
        level=_levels(manifest),
        dither=manifest.disc.dither,
        sides=[side_report(side) for side in plan.report.sides],
        findings=[],
        formats=dict(formats),
        tracks=[
            _track(plan, index, place, masters, proof, firsts.get(index, {}))
            for index, place in enumerate(checked["tracks"])
        ],
        **_editions(plan, checked.get("editions", [])),
        **_artwork(plan),
        proof_of=proof.proof_of if proof else None,
        sound=sound,
        changes=list(proof.changes) if proof else [],
        mailed=MailedReport(codec=audio.codec, kbps=audio.kbps) if audio else None,
        files={},
    )


def _artwork(plan: Plan) -> dict[str, Any]:
    """Return the entries of the artwork that was checked; a record that can't be read has none."""
    report = plan.report
    try:
        parts = artwork_state(
            report.source, printed_tracks(report.source.manifest, orders_in(report.editions))
        )
    except AssemblerError:
        return {}
    entries = [
        CheckedArtworkReport(
            part=one.name,
            checked=one.part.checked,
            files=one.part.files,
            texts=one.part.texts_sha256,
            errors=one.part.errors,
            warnings=one.part.warnings,
            changes=list(one.changes),
        )
        for one in parts
    ]
    return {"artwork": entries} if entries else {}


def _editions(plan: Plan, checked: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the entries of the editions that have other tracks than the primary one."""
    found = []
    for one in checked:
        edition = plan.report.editions[one["name"]]
        firsts = first_samples_of(plan, edition)
        places = zip(one["tracks"], edition.tracks, strict=True)
        tracks = [PlaceReport(**place, first_samples=firsts[index]) for place, index in places]
        found.append(EditionReport(name=one["name"], tracks=tracks))
    return {"editions": found} if found else {}


def _levels(manifest: Manifest) -> LevelsReport:
    def level(edition: str) -> LevelReport:
        found = manifest.level_of(edition)
        linked = {"link"} if found.link == 100 else None
        return LevelReport(**found.model_dump(exclude=linked))

    if manifest.download[0].name is None:
        return LevelsReport(disc=level(DISC), download=level(DOWNLOAD))
    sets = {one.edition: level(one.edition) for one in manifest.download}
    return LevelsReport(disc=level(DISC), sets=sets)


def made_with() -> tuple[str, MadeWith]:
    """Return the version of this program, and those of its method and its packages."""
    packages = {name: version(name) for name in _PACKAGES}
    return assembler.__version__, MadeWith(method=METHOD, packages=packages)


def write_report(
    folder: Path, report: ReleaseReport, sha256: Callable[[Path], str]
) -> ReleaseReport:
    """Write `report.json` and `report.txt`, and return the report with the files' SHA-256.

    Parameters
    ----------
    folder
        The release, with all deliverables in it.
    report
        The report without files.
    sha256
        Returns a file's SHA-256.
    """
    files = {name: sha256(folder / name) for name in release_files(folder)}
    report = report.model_copy(update={"files": files})
    for name, text in ((REPORT, report.to_text()), (REPORT_TEXT, report_text(report))):
        (folder / name).write_bytes(text.encode("utf-8", "backslashreplace"))
    return report


def with_kept_rooms(
    report: ReleaseReport, made: Iterable[Room], kept: Sequence[Room], last_release: Path
) -> tuple[ReleaseReport, list[Room]]:
    """Add what each deliverable was made from, and the entries of those that are kept.

    Parameters
    ----------
    report
        The report of what was made.
    made, kept
        The deliverables that this build made, and those that it kept from the last release.
    last_release
        The last release's folder.

    Returns
    -------
    report, stale
        The completed report, and the kept deliverables that are stale: made from another manifest
        or other sources.

    Raises
    ------
    AssemblerError
        The last release's report does not say what they were made from.
    """
    made_from = dict.fromkeys(made, report.inputs)
    if not kept:
        return report.model_copy(update={"made_from": made_from}), []
    try:
        last = open_finished(last_release).report
        made_from |= {room: last.made_from[room] for room in kept}
    except (AssemblerError, KeyError) as error:
        raise AssemblerError(
            f"{last_release / REPORT}: does not say what {', '.join(kept)} was made from: build "
            "without --only"
        ) from error
    report = report.model_copy(update={"made_from": made_from})
    stale = [room for room in kept if made_from[room] != report.inputs]
    for room in kept:
        if room not in stale:
            report = _with_kept_room(report, room, last)
    return report, stale


def _with_kept_room(report: ReleaseReport, room: Room, last: ReleaseReport) -> ReleaseReport:
    """Return a report with the last report's entries of a deliverable that is kept."""
    tracks = [
        _with_kept_track(track, room, old)
        for track, old in zip(report.tracks, last.tracks, strict=True)
    ]
    update: dict[str, Any] = {"tracks": tracks}
    if room == "download":
        update["formats"] = last.formats
    if room == "proof":
        update |= {"proof_of": last.proof_of, "sound": last.sound, "mailed": last.mailed}
        update["changes"] = last.changes
    return report.model_copy(update=update)


def _with_kept_track(track: TrackEntry, room: Room, last: TrackEntry) -> TrackEntry:
    if room == "proof":
        source = track.source.model_copy(update={"measured": last.source.measured})
        return track.model_copy(update={"source": source})
    if room == "paper":
        return track
    keys = ("gain_db", "most_limiting_db", "limiting", "compression")
    missing = [key for key in keys if getattr(track, key) is None]
    update = {key: getattr(last, key) for key in missing if key in last.model_fields_set}
    if room == "download" and last.sets:
        update["sets"] = last.sets
    return track.model_copy(update={**update, room: getattr(last, room)})


def _inputs(plan: Plan) -> InputsReport:
    """Return digests of the manifest's content and of all sources, covers and logos included."""
    source = plan.report.source
    release, hidden = source.manifest.release, plan.report.hidden
    sections = (*plan.report.sections, *((hidden,) if hidden else ()))
    sounds = [sha256 for section in sections for sha256 in section.recording.sha256s]
    logos = source.manifest.sleeve.logos if source.manifest.sleeve else ()
    names = (release.front_cover, release.back_cover, *logos)
    pictures = [source.resolve(name) for name in names if name]
    digests = "\n".join([*sounds, *map(file_digest, pictures)])
    sources = hashlib.sha256(digests.encode()).hexdigest()
    return InputsReport(manifest=source.digest, sources=sources)


def _track(
    plan: Plan,
    index: int,
    place: Mapping[str, Any],
    masters: Mapping[str, Master],
    proof: Proof | None,
    firsts: dict[str, int],
) -> TrackEntry:
    """Return a track's entry; `place` is its entry in the check's report."""
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
