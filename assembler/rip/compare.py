"""Compare a rip of the plant's test disc with the image of a finished release."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from assembler.errors import AssemblerError
from assembler.findings import Finding, errors_in
from assembler.finished.finished import FinishedRelease, open_finished
from assembler.finished.release_folder import read_checksums
from assembler.rip.alignment import Alignment, align, compare_all
from assembler.rip.index_points import point_findings, points_of
from assembler.rip.inputs import RipFiles, rip_files
from assembler.rip.jumps import ends, forgive_ends, jumps, wrong_samples
from assembler.rip.match import MOST_OFFSET, Match, find_match
from assembler.rip.places import discs_of
from assembler.rip.samples import RAW_SUFFIXES, Samples, image_samples, open_samples
from assembler.rip.tracks import ASK_PLANT, judge, order_finding, track_findings
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.text import counted, frames_text
from assembler.verification.files import changed_file
from assembler.workers import own_workers


@dataclass(frozen=True)
class RipReport:
    """The result of a comparison.

    Attributes
    ----------
    release_dir
        The release.
    findings
        All that differs.
    proofs
        What was compared.
    disc_number
        The disc that the rip is of; None where it is of none.
    offset_samples
        The read offset: how many samples later the rip's sound is than the image's.
    identical
        Every sample of the image that a drive with this offset can read is in the rip, unchanged.
    """

    release_dir: Path
    findings: tuple[Finding, ...]
    proofs: tuple[str, ...]
    disc_number: int | None = None
    offset_samples: int | None = None
    identical: bool = False

    @property
    def ok(self) -> bool:
        """The rip is of the disc that was sent."""
        return not errors_in(self.findings)

    def as_json(self) -> dict[str, Any]:
        """Return the report as plain data for ``--json``."""
        return {
            "ok": self.ok,
            "release_dir": str(self.release_dir),
            "findings": [finding.as_json() for finding in self.findings],
            "proofs": list(self.proofs),
            "second_meter": [],
            "rip": {
                "identical": self.identical,
                "disc": self.disc_number,
                "offset_samples": self.offset_samples,
            },
        }


def compare_rip(release_dir: Path, named: Sequence[Path], *, jobs: int | None = None) -> RipReport:
    """Compare a rip with the image of a finished release.

    Parameters
    ----------
    release_dir
        The release's folder.
    named
        Files of the rip, or folders of them: WAV, FLAC or raw BIN, and a cue sheet if there is one.
    jobs
        Number of workers; one per core if not given.

    Raises
    ------
    AssemblerError
        The folder is not a release with a disc, or a file of the rip can't be used.
    """
    release = open_finished(release_dir).primary
    if not release.report.discs:
        raise AssemblerError(f"{release_dir}: this release has no disc: build it with one")
    files = rip_files(named)
    with own_workers(jobs) as pool:
        rip = open_samples(files.paths, pool)
        images = [
            (disc, image_samples(release_dir / release.disc_file(disc.report.number, ".wav")))
            for disc in discs_of(release)
        ]
        length = frames_text(rip.length // SAMPLES_PER_FRAME)
        proofs = [f"rip: {counted(len(rip.paths), 'file')}, {length}"]
        match = find_match(images, rip)
        if match is None:
            return RipReport(release_dir, (_other_disc(rip),), tuple(proofs))
        return _compared(release, files, match, proofs, pool)


def _other_disc(rip: Samples) -> Finding:
    message = (
        "this is not a rip of the disc that was sent: no part of its sound is on the image; check "
        "that the disc in the drive and the release belong together"
    )
    return Finding("error", "rip-other-disc", "", rip.file_at(0), 0, message)


def _compared(
    release: FinishedRelease, files: RipFiles, match: Match, proofs: list[str], pool: Executor
) -> RipReport:
    name = release.disc_file(match.disc.report.number, ".wav")
    digest = read_checksums(release.folder).get(name, "")
    checksum = pool.submit(changed_file, release.folder, (name, digest))
    match, found = _aligned(match)
    findings, identical = _sound(match, found, files)
    if changed := checksum.result():
        findings.insert(0, changed)
    proofs.append(f"image: {name.removeprefix('disc/')}, {frames_text(match.disc.report.frames)}")
    if match.offset is not None and match.exact:
        proofs.append(f"offset: {offset_text(match.offset)}")
    if identical:
        proofs.append("samples: bit-identical, every sample of the image that was read")
    return RipReport(
        release.folder,
        tuple(findings),
        tuple(proofs),
        match.disc.report.number,
        match.offset if match.exact else None,
        identical and not changed,
    )


def offset_text(offset: int) -> str:
    """Return a read offset in words.

    Examples
    --------
    >>> offset_text(-6)
    '−6 samples (the rip is earlier than the image)'
    """
    how = "later" if offset > 0 else "earlier"
    where = f" (the rip is {how} than the image)" if offset else ""
    return (
        f"{'+' if offset > 0 else '−' if offset < 0 else ''}{counted(abs(offset), 'sample')}{where}"
    )


def _aligned(match: Match) -> tuple[Match, Alignment]:
    """Compare all frames; the match returned has the shift at which the rip begins."""
    samples = match.image, match.rip, match.shift
    if not match.exact:
        return match, compare_all(*samples)
    found = align(*samples, match.disc.starts)
    good = np.flatnonzero(~found.bad)
    begun = replace(match, shift=int(found.shifts[good[0]])) if len(good) else match
    return (match if begun.offset is None else begun), found


def _sound(match: Match, found: Alignment, files: RipFiles) -> tuple[list[Finding], bool]:
    """Find what differs in samples and index points, and whether every sample is right."""
    where = match.rip.file_at(0)
    findings = [*_of_whole(match, where), *forgive_ends(match, found)]
    tracks = judge(match, found)
    order = order_finding(tracks, where)
    moved = order is not None or any(track.is_missing for track in tracks)
    findings += [*([order] if order else []), *track_findings(tracks, where)]
    findings += jumps(match, found, tracks, moved=moved)
    wrong = wrong_samples(match, found, tracks)
    findings += [*([wrong] if wrong else []), *(ends(match, found, tracks) if not order else ())]
    identical = not errors_in(findings) and not found.wrong.any()
    if not moved and match.offset is None:
        findings.insert(0, _shifted(match, where))
        identical = False
    points = points_of(files, match.rip.starts, len(tracks))
    if points is not None:
        in_order = not moved and bool((found.shifts == found.shifts[0]).all())
        findings += point_findings(match, files, points, in_order=in_order)
    return findings, identical


def _of_whole(match: Match, where: str) -> Iterator[Finding]:
    """Find a change that every sample of the rip has."""
    messages = {
        "channels": f"has left and right exchanged: {ASK_PLANT}",
        "polarity": f"has opposite polarity: {ASK_PLANT}",
    }
    if match.change in messages:
        code = f"rip-{match.change}"
        yield Finding("error", code, "the whole disc", where, 0, messages[match.change])
    elif match.change and not all(path.suffix.lower() in RAW_SUFFIXES for path in match.rip.paths):
        message = f"has samples with their two bytes exchanged, which is noise: {ASK_PLANT}"
        yield Finding("error", "rip-byte-order", "the whole disc", where, 0, message)
    elif match.change:
        message = (
            "the file has the other byte order (big-endian): compared with the bytes exchanged"
        )
        yield Finding("note", "rip-byte-order", "", where, 0, message)


def _shifted(match: Match, where: str) -> Finding:
    later = "later" if match.shift > 0 else "earlier"
    message = (
        f"its sound is {counted(abs(match.shift), 'sample')} {later} than on the image, which is "
        f"more than a drive's offset (at most {MOST_OFFSET}): {ASK_PLANT}"
    )
    return Finding("error", "rip-shifted", "the whole disc", where, 0, message)
