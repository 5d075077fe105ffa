"""Read a finished release back and prove it: checksums, image, cue sheet, tags, levels."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import mutagen
import soundfile

from assembler.disc.cue import disc_stem, disc_text
from assembler.disc.cue_reader import CueRead, read_cue
from assembler.download.formats import FACTS, Container
from assembler.download.tags import TABLE, TagRow
from assembler.errors import AssemblerError
from assembler.file_names import track_file_name
from assembler.findings import Finding, errors_in
from assembler.manifest import Manifest, load
from assembler.manifest.model import Format
from assembler.manifest.times import frames_text
from assembler.release.measure import measure_region
from assembler.release.release_folder import (
    CHECKSUMS,
    MANIFEST,
    REPORT,
    file_digest,
    read_checksums,
    release_files,
)
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME

LEVEL_TOLERANCE_DB = 0.02
CEILING_TOLERANCE_DB = 0.05


@dataclass(frozen=True)
class VerifyReport:
    """What reading a release back showed.

    Attributes
    ----------
    findings
        All that does not agree.
    proofs
        What was looked at, and how much of it, in words.
    """

    release_dir: Path
    findings: tuple[Finding, ...]
    proofs: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Everything agrees."""
        return not errors_in(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Give the report as plain data for ``--json``."""
        return {
            "ok": self.ok,
            "release_dir": str(self.release_dir),
            "findings": [finding.as_json() for finding in self.findings],
            "proofs": list(self.proofs),
        }


@dataclass(frozen=True)
class _Release:
    folder: Path
    manifest: Manifest
    report: dict[str, Any]

    @property
    def tracks(self) -> list[dict[str, Any]]:
        return list(self.report["tracks"])

    def disc_stem(self, number: int) -> str:
        return disc_stem(str(self.report["name"]), number, len(self.report["discs"]))


def verify(release_dir: Path, *, jobs: int | None = None) -> VerifyReport:
    """Prove a finished release.

    Parameters
    ----------
    release_dir
        The release's folder.
    jobs
        How many files are measured side by side.

    Raises
    ------
    AssemblerError
        The folder is no release.
    """
    digests = read_checksums(release_dir)
    with ThreadPoolExecutor(jobs or os.cpu_count()) as pool:
        sums = list(pool.map(partial(_checksum, release_dir), digests.items()))
    findings = [finding for finding in sums if finding]
    findings += _unlisted(release_dir, digests)
    proofs = [f"{len(digests)} checksums"]
    release = _open_release(release_dir)
    with ThreadPoolExecutor(jobs or os.cpu_count()) as pool:
        for what, looks in _looks(release):
            proofs.append(f"{len(looks)} {what}")
            for found in pool.map(_safely, looks):
                findings += found
    return VerifyReport(release_dir, tuple(findings), tuple(proofs))


Look = Callable[[], Iterator[Finding]]


def _looks(release: _Release) -> Iterator[tuple[str, list[Look]]]:
    discs = release.report["discs"] if (release.folder / "disc").is_dir() else []
    yield "disc images with cue sheets", [partial(_disc, release, disc) for disc in discs]
    on_disc = [track for track in release.tracks if discs and track["disc"]]
    yield "track levels on the image", [partial(_image_level, release, t) for t in on_disc]
    made = [name for name in FACTS if (release.folder / "download" / name).is_dir()]
    files = [(name, track) for name in made for track in release.tracks]
    yield "download files' tags", [partial(_tags, release, *piece) for piece in files]
    lossless = [(n, t) for n, t in files if FACTS[n].container in ("flac", "wav")]
    told = [(name, track) for name, track in lossless if track["download"]]
    yield "download files' levels", [partial(_file_level, release, *piece) for piece in told]


def _safely(look: Look) -> list[Finding]:
    """Look, and take a file that can't be read as one more thing found."""
    try:
        return list(look())
    except AssemblerError as error:
        return [Finding("error", "unreadable-file", "", "", 0, str(error))]
    except (OSError, soundfile.LibsndfileError, mutagen.MutagenError) as error:
        name = str(getattr(error, "filename", None) or "")
        return [Finding("error", "unreadable-file", name, name, 0, f"can't be read: {error}")]


def _error(code: str, name: str, message: str) -> Finding:
    return Finding("error", code, name, name, 0, message)


def _checksum(folder: Path, item: tuple[str, str]) -> Finding | None:
    name, digest = item
    path = folder / name
    if not path.is_file():
        return _error("missing-file", name, "is missing: build the release again")
    if file_digest(path) != digest:
        return _error("changed-file", name, "was changed after the build: build it again")
    return None


def _unlisted(folder: Path, digests: dict[str, str]) -> Iterator[Finding]:
    for name in release_files(folder):
        if name not in digests:
            message = f"is not in {CHECKSUMS}: it was added after the build"
            yield Finding("warning", "added-file", name, name, 0, message)


def _open_release(folder: Path) -> _Release:
    try:
        report = json.loads((folder / REPORT).read_text(encoding="utf-8"))
        release = _Release(folder, load(folder / MANIFEST).manifest, report)
        complete = {"name", "discs", "tracks", "level"} <= set(report)
    except (OSError, ValueError, TypeError) as error:
        raise AssemblerError(
            f"{folder / REPORT}: can't be read: build the release again"
        ) from error
    if not complete:
        raise AssemblerError(f"{folder / REPORT}: is no report of a build: build the release again")
    return release


def _disc(release: _Release, disc: dict[str, Any]) -> Iterator[Finding]:
    stem = release.disc_stem(disc["number"])
    image = f"disc/{stem}.wav"
    found = soundfile.info(str(release.folder / image))
    form = (found.samplerate, found.channels, found.subtype)
    if form != (DISC_RATE_HZ, 2, "PCM_16"):
        yield _error("image-format", image, f"is {form}, a disc wants 44100 Hz, stereo, 16 bit")
    if found.frames != disc["frames"] * SAMPLES_PER_FRAME:
        message = f"has {found.frames} samples, the running order {disc['frames']} frames of 588"
        yield _error("image-length", image, message)
    cue = f"disc/{stem}.cue"
    sheet = read_cue((release.folder / cue).read_bytes(), cue)
    if sheet.file != f"{stem}.wav":
        yield _error("cue-file", cue, f"names the image `{sheet.file}`, it is `{stem}.wav`")
    yield from _cue_against_report(release, disc["number"], sheet, cue)


def _cue_against_report(
    release: _Release, number: int, sheet: CueRead, cue: str
) -> Iterator[Finding]:
    tracks = [track for track in release.tracks if track["disc_number"] == number]
    if [t.number for t in sheet.tracks] != [t["number"] for t in tracks]:
        yield _error("cue-tracks", cue, f"has {len(sheet.tracks)} tracks, the disc {len(tracks)}")
        return
    for read, track in zip(sheet.tracks, tracks, strict=True):
        which = f"track {read.number}"
        expected = {1: track["start_frame"]}
        if read.number > 1 and track["gap_frames"]:
            expected[0] = track["start_frame"] - track["gap_frames"]
        if read.indexes != expected:
            times = ", ".join(frames_text(frame) for frame in sorted(read.indexes.values()))
            right = ", ".join(frames_text(frame) for frame in sorted(expected.values()))
            yield _error("cue-times", cue, f"{which} has its indexes at {times}, not at {right}")
        if read.texts.get("TITLE", "") != disc_text(track["title"]):
            yield _error("cue-title", cue, f"{which} has another title than the manifest")
        if read.texts.get("ISRC") != track["isrc"]:
            yield _error("cue-isrc", cue, f"{which} has another ISRC than the manifest")


def _image_level(release: _Release, track: dict[str, Any]) -> Iterator[Finding]:
    disc = track["disc_number"]
    image = f"disc/{release.disc_stem(disc)}.wav"
    starts = [t["start_frame"] for t in release.tracks if t["disc_number"] == disc]
    frames = next(d["frames"] for d in release.report["discs"] if d["number"] == disc)
    end = next((start for start in starts if start > track["start_frame"]), frames)
    region = (track["start_frame"] * SAMPLES_PER_FRAME, end * SAMPLES_PER_FRAME)
    yield from _level(release, "disc", track, image, region)


def _file_level(release: _Release, name: Format, track: dict[str, Any]) -> Iterator[Finding]:
    yield from _level(release, "download", track, _file_name(release, name, track), None)


def _level(
    release: _Release,
    deliverable: str,
    track: dict[str, Any],
    name: str,
    region: tuple[int, int] | None,
) -> Iterator[Finding]:
    reading = measure_region(release.folder / name, region)
    ceiling = release.report["level"][deliverable]["ceiling"]
    peak = reading.true_peak_dbtp
    if peak is not None and peak > ceiling + CEILING_TOLERANCE_DB:
        yield _error("over-ceiling", name, f"true peak {peak:.2f} dBTP, the ceiling is {ceiling:g}")
    told = track[deliverable]["integrated_lufs"]
    read = reading.integrated_lufs
    if (told is None) != (read is None) or (
        told is not None and read is not None and abs(told - read) > LEVEL_TOLERANCE_DB
    ):
        which = f"track {track['number']}"
        yield _error("other-level", name, f"{which} measures {read} LUFS, the report says {told}")


def _file_name(release: _Release, name: Format, track: dict[str, Any]) -> str:
    discs = max(track["disc_number"] for track in release.tracks)
    stem = track_file_name(track["title"], track["number"], track["disc_number"], discs)
    return f"download/{name}/{stem}{FACTS[name].suffix}"


def _tags(release: _Release, name: Format, track: dict[str, Any]) -> Iterator[Finding]:
    path = _file_name(release, name, track)
    file = mutagen.File(release.folder / path)
    if file is None:
        yield _error("unreadable-file", path, "is no audio file any more: build it again")
        return
    expected = {
        "title": track["title"],
        "album": release.manifest.release.title,
        "isrc": track["isrc"],
    }
    for row in TABLE:
        if row.field in expected:
            read = _tag_text(file, FACTS[name].container, row)
            if read != expected[row.field]:
                message = (
                    f"its {row.field} reads `{read}`, the manifest has `{expected[row.field]}`"
                )
                yield _error("other-tag", path, message)


def _tag_text(file: Any, container: Container, row: TagRow) -> str | None:
    key = {"flac": row.comment, "opus": row.comment, "mp4": row.item}.get(container, row.frame)
    value = file.tags.get(key) if file.tags else None
    if not value:
        return None
    first = (value.text if container in ("mp3", "wav") else value)[0]
    return bytes(first).decode() if isinstance(first, bytes) else str(first)
