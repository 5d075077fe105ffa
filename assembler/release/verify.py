"""Read a finished release back and prove it: checksums, image, cue sheet, tags, levels."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from assembler.download.formats import FACTS
from assembler.download.playing_levels import PlayingLevels
from assembler.download.tag_table import tag_values
from assembler.download.tags import read_tags
from assembler.file_names import track_file_name
from assembler.findings import Finding, errors_in
from assembler.manifest.model import Format
from assembler.manifest.times import shorten
from assembler.release.finished import (
    FinishedRelease,
    UnreadableError,
    disagreement,
    open_finished,
    reading,
)
from assembler.release.measure import measure_region
from assembler.release.release_folder import (
    CHECKSUMS,
    REPORT,
    REPORT_TEXT,
    read_checksums,
    release_files,
)
from assembler.release.report_text import report_text
from assembler.release.verify_disc import DISC_LOOKS
from assembler.release.verify_lengths import coded_file, lossless_file
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.sources.digest import file_digest
from assembler.words import TrackWords
from assembler.workers import own_workers

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
    with own_workers(jobs) as pool:
        sums = list(pool.map(partial(_checksum, release_dir), digests.items()))
    findings = [finding for finding in sums if finding]
    findings += _unlisted(release_dir, digests)
    proofs = [f"{len(digests)} checksums"]
    release = open_finished(release_dir)
    with own_workers(jobs) as pool:
        under_way = [
            (what, pool.map(_safely, looks), len(looks)) for what, looks in _looks(release)
        ]
        for what, found, count in under_way:
            proofs.append(f"{count} {what}")
            findings += [finding for of_file in found for finding in of_file]
    return VerifyReport(release_dir, tuple(findings), tuple(proofs))


Look = tuple[str, Callable[[], Iterator[Finding]]]
"""A file of the release, and what looks at it."""


def _looks(release: FinishedRelease) -> Iterator[tuple[str, list[Look]]]:
    if "files" in release.report:  # releases of older versions have no report.txt
        yield "reports", [(REPORT_TEXT, partial(_reports, release))]
    discs = release.report["discs"] if (release.folder / "disc").is_dir() else []
    for what, (suffix, look) in DISC_LOOKS.items():
        named = [(release.disc_file(disc["number"], suffix), disc) for disc in discs]
        if suffix == ".cdtext":  # a disc whose words are too many has none
            named = [(name, disc) for name, disc in named if (release.folder / name).exists()]
        yield what, [(name, partial(look, release, disc)) for name, disc in named]
    on_disc = [track for track in release.tracks if discs and track["disc"]]
    images = [release.disc_file(track["disc_number"], ".wav") for track in on_disc]
    levels = [partial(_image_level, release, track) for track in on_disc]
    yield "track levels on the image", list(zip(images, levels, strict=True))
    made = [name for name in FACTS if (release.folder / "download" / name).is_dir()]
    files = [(track_file(release, n, track), n, track) for n in made for track in release.tracks]
    words = release.words
    yield (
        "download files' tags",
        [(path, partial(_tags, release, words, name, track)) for path, name, track in files],
    )
    coded = [piece for piece in files if FACTS[piece[1]].codec]
    yield (
        "coded files' lengths and peaks, decoded",
        [(path, partial(coded_file, release, name, path, track)) for path, name, track in coded],
    )
    lossless = [piece for piece in files if not FACTS[piece[1]].codec]
    yield (
        "lossless files' lengths",
        [(p, partial(lossless_file, release, name, p, track)) for p, name, track in lossless],
    )
    told = [piece for piece in lossless if piece[2]["download"]]
    yield (
        "download files' levels",
        [(path, partial(_file_level, release, name, track)) for path, name, track in told],
    )


def _safely(look: Look) -> list[Finding]:
    """Look, and take a file that can't be read as one more thing found."""
    name, find = look
    findings: list[Finding] = []
    try:
        with reading(name):
            findings.extend(find())
    except UnreadableError as error:
        findings.append(disagreement("unreadable-file", error.name, error.reason))
    return findings


def _checksum(folder: Path, item: tuple[str, str]) -> Finding | None:
    name, digest = item
    path = folder / name
    if not path.is_file():
        return disagreement("missing-file", name, "is missing: build the release again")
    if file_digest(path) != digest:
        return disagreement("changed-file", name, "was changed after the build: build it again")
    return None


def _reports(release: FinishedRelease) -> Iterator[Finding]:
    """Look whether both reports say the same, and of each file what the checksums say."""
    try:
        right = report_text(release.report)
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise UnreadableError(REPORT, "is no report of a build: build the release again") from error
    if (release.folder / REPORT_TEXT).read_bytes() != right.encode("utf-8", "backslashreplace"):
        yield disagreement("other-report", REPORT_TEXT, f"does not say what {REPORT} says")
    digests = read_checksums(release.folder)
    for name, digest in release.report["files"].items():
        if digests.get(name) != digest:
            yield disagreement("other-checksum", name, f"{REPORT} tells another SHA-256 of it")


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
    yield from _level(release, "disc", track, image, region, track["disc"]["integrated_lufs"])


def _file_level(release: FinishedRelease, name: Format, track: dict[str, Any]) -> Iterator[Finding]:
    levels = release.report["formats"][name]["levels"][release.tracks.index(track)]
    path = track_file(release, name, track)
    yield from _level(release, "download", track, path, None, levels["track_lufs"])


def _level(
    release: FinishedRelease,
    deliverable: str,
    track: dict[str, Any],
    name: str,
    region: tuple[int, int] | None,
    told: float | None,
) -> Iterator[Finding]:
    reading = measure_region(release.folder / name, region)
    ceiling = release.report["level"][deliverable]["ceiling"]
    peak = reading.true_peak_dbtp
    if peak is not None and peak > ceiling + CEILING_TOLERANCE_DB:
        yield disagreement(
            "over-ceiling", name, f"true peak {peak:.2f} dBTP, the ceiling is {ceiling:g}"
        )
    read = reading.integrated_lufs
    if (told is None) != (read is None) or (
        told is not None and read is not None and abs(told - read) > LEVEL_TOLERANCE_DB
    ):
        which = f"track {track['number']}"
        yield disagreement(
            "other-level", name, f"{which} measures {read} LUFS, the report says {told}"
        )


def track_file(release: FinishedRelease, name: Format, track: dict[str, Any]) -> str:
    """Give the path inside the release of a track's file in a format."""
    discs = max(track["disc_number"] for track in release.tracks)
    stem = track_file_name(track["title"], track["number"], track["disc_number"], discs)
    return f"download/{name}/{stem}{FACTS[name].suffix}"


def _tags(
    release: FinishedRelease, words: Sequence[TrackWords], name: Format, track: dict[str, Any]
) -> Iterator[Finding]:
    """Hold every tag against the manifest, and playing levels against the report."""
    path = track_file(release, name, track)
    container = FACTS[name].container
    index = release.tracks.index(track)
    levels = PlayingLevels(**release.report["formats"][name]["levels"][index])
    expected = tag_values(release.manifest.release, words[index], container, levels)
    read = read_tags(release.folder / path, container)
    for field in sorted(expected.keys() | read.keys()):
        if read.get(field) != expected.get(field):
            shown, right = (_shown(values.get(field)) for values in (read, expected))
            message = f"its {field} reads {shown}, the manifest asks for {right}"
            yield disagreement("other-tag", path, message)


def _shown(values: tuple[str, ...] | None) -> str:
    return "`" + shorten(" | ".join(values)) + "`" if values else "nothing"
