"""Compare both reports with each other, with the checksums and with the manifest."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, UnreadableError, disagreement
from assembler.finished.release_folder import REPORT, REPORT_TEXT, read_checksums
from assembler.finished.report_text import report_text
from assembler.text import FRAMES_PER_SECOND, shorten
from assembler.verification.texts import differs


def reports(release: FinishedRelease) -> Iterator[Finding]:
    """Find what report.txt, the checksums or the manifest say otherwise than report.json."""
    try:
        right = report_text(release.report)
    except (LookupError, TypeError, ValueError, AttributeError) as error:
        raise UnreadableError(REPORT, "is no report of a build: build the release again") from error
    if (release.folder / REPORT_TEXT).read_bytes() != right.encode("utf-8", "backslashreplace"):
        yield differs(release, "other-report", REPORT_TEXT, f"does not say what {REPORT} says")
    digests = read_checksums(release.folder)
    for name, digest in release.report["files"].items():
        if digests.get(name) != digest:
            yield disagreement("other-checksum", name, f"{REPORT} tells another SHA-256 of it")
    for place, told, asked in (*_of_release(release), *_of_tracks(release)):
        if told != asked:
            shown = f"`{shorten(str(told))}`, the manifest asks for `{shorten(str(asked))}`"
            yield disagreement("other-report", REPORT, f"{place} is {shown}")


Compared = Iterator[tuple[str, Any, Any]]
"""A place in the report, what it says, and what the manifest asks for."""


def _of_release(release: FinishedRelease) -> Compared:
    report, manifest = release.report, release.manifest
    told: dict[str, Any] = dict(report["release"])
    for key, asked in manifest.release.model_dump(mode="json").items():
        yield f"release.{key}", told.get(key), asked
    for name in ("disc", "download"):
        yield f"level.{name}", dict(report["level"][name]), manifest.level_of(name).model_dump()
    yield "dither", report["dither"], manifest.disc.dither
    if release.has("download"):
        formats = list(dict.fromkeys(manifest.download.formats))
        yield "formats", sorted(report["formats"]), sorted(formats)
    for disc in report["discs"]:
        yield f"discs.{disc['number']}.limit_frames", disc["limit_frames"], manifest.disc.limit


def _of_tracks(release: FinishedRelease) -> Compared:
    manifest = release.manifest
    for index, (track, asked) in enumerate(zip(release.tracks, manifest.tracks, strict=True)):
        place, source, done = f"tracks.{index}", track["source"], track["done"]
        yield f"{place}.title", track["title"], asked.full_title
        yield f"{place}.isrc", track["isrc"], asked.isrc
        yield f"{place}.source.files", tuple(source["files"]), manifest.paths_of(asked)
        yield f"{place}.done.trim_db", done["trim_db"], asked.trim
        yield f"{place}.done.fade_shape", done["fade_shape"], asked.fade_shape
        bands = [band.model_dump(exclude_none=True) for band in asked.equaliser]
        yield f"{place}.done.equaliser", done["equaliser"], bands
        if asked.side is None:
            for edge, time_s in (("start", asked.start), ("end", asked.end)):
                if time_s is not None:
                    sample = int(time_s * source["sample_rate_hz"] + Fraction(1, 2))
                    told = source["start_sample" if edge == "start" else "end_sample"]
                    yield f"{place}.source.{edge}_sample", told, sample
        if asked.gap and not asked.overlap and track["number"] > 1:
            told_s = Fraction(track["gap_frames"], FRAMES_PER_SECOND)
            off_frames = abs(told_s - asked.gap) * FRAMES_PER_SECOND
            near = asked.gap if off_frames < 1 else told_s
            yield f"{place}.gap_frames", float(near), float(asked.gap)
