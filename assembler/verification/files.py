"""Check that a finished release has exactly the files that it must have, unchanged."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from assembler.digest import file_digest
from assembler.disc.cd_text import cd_text
from assembler.disc.md5 import MD5SUMS
from assembler.disc.texts import release_texts, track_texts
from assembler.disc.to_plant import NAME as TO_PLANT
from assembler.download.packages import package_name
from assembler.errors import AssemblerError
from assembler.file_names import distinct_names
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.finished.release_folder import CHECKSUMS, MANIFEST, REPORT, REPORT_TEXT
from assembler.manifest.sets import set_of
from assembler.mastering.plan import ROOMS, Room
from assembler.proof.joins import joins
from assembler.proof.mailed import NAME as MAILED
from assembler.proof.page import FILES, PAGE
from assembler.release.plant import bin_names
from assembler.release.tasks.clips import copy_name
from assembler.release.tasks.proofs import first_played
from assembler.release.tasks.side_clips import clip_names
from assembler.sequence import DiscOrder
from assembler.sleeve.packages import logo_copies, template_names

_OWN = (CHECKSUMS, REPORT, REPORT_TEXT, MANIFEST)


def found_files(folder: Path) -> tuple[list[str], list[Finding]]:
    """List the files of a release without following links.

    Returns
    -------
    files, findings
        Paths of its regular files; an error for each link, pipe or device.
    """
    files: list[str] = []
    findings: list[Finding] = []
    for place, folders, names in os.walk(folder):
        for name in (*names, *folders):
            path = Path(place) / name
            inside, mode = path.relative_to(folder).as_posix(), path.lstat().st_mode
            if stat.S_ISREG(mode):
                files.append(inside)
            elif stat.S_ISLNK(mode):
                message = "is a link, but a release has regular files only: build it again"
                findings.append(mismatch("link", inside, message))
            elif not stat.S_ISDIR(mode):
                message = "is neither a file nor a folder: remove it"
                findings.append(mismatch("no-file", inside, message))
    return sorted(files), findings


def listed_files(files: list[str], digests: dict[str, str]) -> Iterator[Finding]:
    """Compare the files that are there with those that the checksums list."""
    for name in sorted(digests.keys() - set(files)):
        yield mismatch("missing-file", name, "is missing: build the release again")
    for name in sorted(set(files) - digests.keys() - {CHECKSUMS}):
        message = f"is not in {CHECKSUMS}: it was added after the build; remove it"
        yield mismatch("added-file", name, message)


def changed_file(folder: Path, item: tuple[str, str]) -> Finding | None:
    """Compare a file with its checksum."""
    name, digest = item
    try:
        if file_digest(folder / name) == digest:
            return None
    except OSError as error:
        return mismatch("unreadable-file", name, f"can't be read: {error.strerror}")
    return mismatch("changed-file", name, "was changed after the build: build it again")


def other_files(
    release: FinishedRelease, files: list[str], digests: dict[str, str]
) -> Iterator[Finding]:
    """Compare the files that have checksums with those that the manifest asks for."""
    yield from _rooms(release)
    stale = {room for room in release.report.made_from if not release.has(room)}
    there = {
        name for name in {*files} & digests.keys() if PurePosixPath(name).parts[0] not in stale
    }
    needed = {name for room in ROOMS if release.has(room) for name in _needed(release, room)}
    for name in sorted(needed - there - digests.keys() - set(files)):
        message = "is missing, and so is its checksum: build the release again"
        yield mismatch("missing-file", name, message)
    for name in sorted(there - needed - set(_possible(release)) - set(_OWN)):
        message = "does not belong to this release: it was added after the build; remove it"
        yield mismatch("added-file", name, message)


def _rooms(release: FinishedRelease) -> Iterator[Finding]:
    """Find a manifest that is not the release's, and deliverables made from another one."""
    report = release.report
    if report.inputs.manifest != release.source.digest:
        message = f"is not the manifest of {REPORT}: build the release again"
        yield mismatch("other-manifest", MANIFEST, message)
    for room, inputs in report.made_from.items():
        if inputs != report.inputs:
            other = inputs.manifest != report.inputs.manifest
            of = "another manifest than the one in this folder" if other else "other sources"
            message = f"is out of date: it was made from {of}; build without --only"
            yield mismatch("stale-room", room, message)
    if missing := set(report.rooms) - set(report.made_from) - set(_not_made(release)):
        for room in sorted(missing):
            yield mismatch("missing-room", room, f"is missing: {REPORT} says it was made")


def _not_made(release: FinishedRelease) -> Iterator[Room]:
    """Return the deliverables that the manifest leaves out, whatever --only asked for."""
    disc, download = release.manifest.disc.make, bool(release.manifest.made_sets)
    if not disc:
        yield "disc"
    if not download:
        yield "download"
    if not disc and not download:
        yield "proof"


def _needed(release: FinishedRelease, room: Room) -> Iterator[str]:
    """Return the files that a deliverable must have."""
    details = release.manifest.release
    if room == "disc":
        disc = release.primary
        for order in disc.discs:
            yield from _of_disc(disc, order)
    elif room == "download":
        for name in release.manifest.download_folders:
            own = release.on(set_of(name))
            yield from (own.track_file(name, track) for track in own.tracks)
        covers = ((details.front_cover, "cover.jpg"), (details.back_cover, "back-cover.jpg"))
        pictures = [name for picture, name in covers if picture]
        for one in release.manifest.made_sets:
            yield from (f"{one.folder}/{n}" for n in ("release.csv", "release.json", *pictures))
    elif room == "paper":
        names = ("credits-sheet.pdf", "credits-sheet.txt", "label-copy.txt")
        codes = ("barcode.pdf", "barcode.svg") if details.barcode else ()
        sleeve = release.manifest.sleeve
        templates = (*template_names(sleeve), *logo_copies(sleeve)) if sleeve else ()
        yield from (f"paper/{name}" for name in (*names, *codes, *templates))
    else:
        yield from _of_proof(release)


def _of_disc(release: FinishedRelease, order: DiscOrder) -> Iterator[str]:
    for suffix in (".wav", ".cue", ".flac"):
        yield release.disc_file(order.number, suffix)
    if has_cd_text(release, order):
        yield release.disc_file(order.number, ".cdtext")
    yield from (release.pq_sheet(order.number, kind) for kind in ("txt", "pdf"))
    stem = release.disc_file(order.number, "")
    yield from (f"disc/{name}" for name in bin_names(Path(stem).name, release.manifest))
    yield from (f"disc/{name}" for name in (MD5SUMS, TO_PLANT))


def has_cd_text(release: FinishedRelease, order: DiscOrder) -> bool:
    """Return whether a disc's texts fit into CD-Text, so that the file must exist."""
    texts = [track_texts(release.manifest, place.index) for place in order.places]
    try:
        return bool(cd_text(release_texts(release.manifest), texts).content)
    except AssemblerError:
        return False


def _of_proof(release: FinishedRelease) -> Iterator[str]:
    yield from (f"proof/{name}" for name in (PAGE, *FILES, "running-order.png", "levels.png"))
    if release.manifest.disc.make:
        yield from (path for path, *_ in join_clips(release.primary))
    if "proof" in release.report.rooms and played_format(release) is None:
        yield from listening_copies(release)
    for clips in clips_of_sides(release):
        yield from (f"proof/sides/{name}" for name in clips.values())


def join_clips(release: FinishedRelease) -> Iterator[tuple[str, int, int, int]]:
    """Return each clip of a join: its path, its disc, and its first and last sample."""
    for order in release.discs:
        prefix = f"{order.number}-" if release.of_discs > 1 else ""
        for name, start, end in joins(order):
            yield f"proof/joins/{prefix}{name}.mp3", order.number, start, end


def listening_copies(release: FinishedRelease) -> Iterator[str]:
    """Return the paths of the proof's listening copies, one per track."""
    return (f"proof/tracks/{copy_name(n)}" for n in range(1, len(release.shown) + 1))


def played_format(release: FinishedRelease) -> str | None:
    """Return the download format that the page plays, if the last build made it."""
    made = "download" in release.report.rooms and not release.others
    return first_played(release.primary.report.formats if made else ())


def clips_of_sides(release: FinishedRelease) -> list[dict[str, str]]:
    """Return the names of each side's clips in the proof, by kind."""
    sides = release.report.sides
    named = distinct_names([side.name for side in sides])
    return [
        clip_names(name, [step.step for step in side.steps])
        for name, side in zip(named, sides, strict=True)
    ]


def _possible(release: FinishedRelease) -> Iterator[str]:
    """Return files that a release may have: packages, and listening copies of a kept proof."""
    if "proof" not in release.report.rooms:
        yield from listening_copies(release)
    if release.report.mailed:
        yield f"proof/{MAILED}"
    if release.has("download"):
        for one in release.manifest.made_sets:
            for name in one.formats:
                yield f"{one.folder}/{package_name(release.manifest, name)}"
