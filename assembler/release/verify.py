"""Read a finished release back and prove it: checksums, image, cue sheet, tags, levels."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import mutagen
import soundfile

from assembler.download.formats import FACTS, Container
from assembler.download.tags import TABLE, TagRow
from assembler.errors import AssemblerError
from assembler.file_names import track_file_name
from assembler.findings import Finding, errors_in
from assembler.manifest.model import Format
from assembler.release.finished import FinishedRelease, disagreement, open_finished
from assembler.release.measure import measure_region
from assembler.release.release_folder import (
    CHECKSUMS,
    file_digest,
    read_checksums,
    release_files,
)
from assembler.release.verify_disc import DISC_LOOKS
from assembler.sequence.frames import SAMPLES_PER_FRAME

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
    release = open_finished(release_dir)
    with ThreadPoolExecutor(jobs or os.cpu_count()) as pool:
        for what, looks in _looks(release):
            proofs.append(f"{len(looks)} {what}")
            for found in pool.map(_safely, looks):
                findings += found
    return VerifyReport(release_dir, tuple(findings), tuple(proofs))


Look = Callable[[], Iterator[Finding]]


def _looks(release: FinishedRelease) -> Iterator[tuple[str, list[Look]]]:
    discs = release.report["discs"] if (release.folder / "disc").is_dir() else []
    for what, look in DISC_LOOKS.items():
        yield what, [partial(look, release, disc) for disc in discs]
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


def _checksum(folder: Path, item: tuple[str, str]) -> Finding | None:
    name, digest = item
    path = folder / name
    if not path.is_file():
        return disagreement("missing-file", name, "is missing: build the release again")
    if file_digest(path) != digest:
        return disagreement("changed-file", name, "was changed after the build: build it again")
    return None


def _unlisted(folder: Path, digests: dict[str, str]) -> Iterator[Finding]:
    for name in release_files(folder):
        if name not in digests:
            message = f"is not in {CHECKSUMS}: it was added after the build"
            yield Finding("warning", "added-file", name, name, 0, message)


def _image_level(release: FinishedRelease, track: dict[str, Any]) -> Iterator[Finding]:
    disc = track["disc_number"]
    image = release.disc_file(disc, ".wav")
    starts = [t["start_frame"] for t in release.tracks if t["disc_number"] == disc]
    frames = next(d["frames"] for d in release.report["discs"] if d["number"] == disc)
    end = next((start for start in starts if start > track["start_frame"]), frames)
    region = (track["start_frame"] * SAMPLES_PER_FRAME, end * SAMPLES_PER_FRAME)
    yield from _level(release, "disc", track, image, region)


def _file_level(release: FinishedRelease, name: Format, track: dict[str, Any]) -> Iterator[Finding]:
    yield from _level(release, "download", track, _file_name(release, name, track), None)


def _level(
    release: FinishedRelease,
    deliverable: str,
    track: dict[str, Any],
    name: str,
    region: tuple[int, int] | None,
) -> Iterator[Finding]:
    reading = measure_region(release.folder / name, region)
    ceiling = release.report["level"][deliverable]["ceiling"]
    peak = reading.true_peak_dbtp
    if peak is not None and peak > ceiling + CEILING_TOLERANCE_DB:
        yield disagreement(
            "over-ceiling", name, f"true peak {peak:.2f} dBTP, the ceiling is {ceiling:g}"
        )
    told = track[deliverable]["integrated_lufs"]
    read = reading.integrated_lufs
    if (told is None) != (read is None) or (
        told is not None and read is not None and abs(told - read) > LEVEL_TOLERANCE_DB
    ):
        which = f"track {track['number']}"
        yield disagreement(
            "other-level", name, f"{which} measures {read} LUFS, the report says {told}"
        )


def _file_name(release: FinishedRelease, name: Format, track: dict[str, Any]) -> str:
    discs = max(track["disc_number"] for track in release.tracks)
    stem = track_file_name(track["title"], track["number"], track["disc_number"], discs)
    return f"download/{name}/{stem}{FACTS[name].suffix}"


def _tags(release: FinishedRelease, name: Format, track: dict[str, Any]) -> Iterator[Finding]:
    path = _file_name(release, name, track)
    file = mutagen.File(release.folder / path)
    if file is None:
        yield disagreement("unreadable-file", path, "is no audio file any more: build it again")
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
                yield disagreement("other-tag", path, message)


def _tag_text(file: Any, container: Container, row: TagRow) -> str | None:
    key = {"flac": row.comment, "opus": row.comment, "mp4": row.item}.get(container, row.frame)
    value = file.tags.get(key) if file.tags else None
    if not value:
        return None
    first = (value.text if container in ("mp3", "wav") else value)[0]
    return bytes(first).decode() if isinstance(first, bytes) else str(first)
