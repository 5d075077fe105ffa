"""Put together the report of a build, which is written as report.json and report.txt."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import assembler
from assembler.cache.folder import MAKERS, METHOD
from assembler.digest import file_digest
from assembler.errors import AssemblerError
from assembler.file_names import utf_8_name
from assembler.finished.release_folder import REPORT, REPORT_TEXT, release_files
from assembler.finished.report_form import (
    SCHEMA_VERSION,
    CheckedArtworkReport,
    DiscReport,
    EditionReport,
    FormatReport,
    InputsReport,
    LevelReport,
    LevelsReport,
    MadeWith,
    MailedReport,
    PlaceReport,
    ReleaseFacts,
    ReleaseReport,
)
from assembler.finished.report_text import report_text
from assembler.manifest import Manifest
from assembler.manifest.sets import DISC, DOWNLOAD
from assembler.mastering.plan import ROOMS, Plan
from assembler.metadata import printed_tracks
from assembler.preflight.editions import orders_in
from assembler.proof.approval import ApprovedSound
from assembler.proof.content import Proof
from assembler.proof.mailed import MailAudio
from assembler.release.tasks.masters import Master
from assembler.release.track_report import first_samples_of, side_report, track_entry
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
            track_entry(plan, index, place, masters, proof, firsts.get(index, {}))
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
    return assembler.__version__, _packages()


@cache
def _packages() -> MadeWith:
    return MadeWith(method=METHOD, packages={name: version(name) for name in _PACKAGES})


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
