"""Find details of tracks that contradict each other or the rest of the manifest."""

from __future__ import annotations

from collections.abc import Iterator

from assembler.findings import Finding, Loc, Severity
from assembler.manifest import ManifestFile, Track
from assembler.manifest.details import names_publisher
from assembler.manifest.iso_codes import NO_LANGUAGE

Clash = tuple[Severity, str, str, str]
"""Severity and code of a finding, the key it is about, and its message."""


def detail_findings(source: ManifestFile) -> Iterator[Finding]:
    """Check the details of every track."""
    release = source.manifest.release
    for index, track in enumerate(source.manifest.tracks):
        for severity, code, key, message in (*_of_language(track), *_of_work(track)):
            yield source.finding(severity, code, ("tracks", index, key), message)
        yield from _of_writers(source, index, track)
        if _is_after(track.original_release_date, release.release_date):
            yield _wrong_date(source, ("tracks", index, "original_release_date"))
    if _is_after(release.original_release_date, release.release_date):
        yield _wrong_date(source, ("release", "original_release_date"))


def _of_writers(source: ManifestFile, index: int, track: Track) -> Iterator[Finding]:
    """Find IPI numbers of people who did not write the track; an arranger may be in the credits."""
    names = {*track.composers, *track.lyricists, *track.arrangers}
    names |= {c.name for c in source.manifest.credits if not c.tracks or index + 1 in c.tracks}
    for number, writer in enumerate(track.writers_ipi):
        if writer.name not in names:
            message = (
                f"{writer.name} has an IPI number here, but is not a composer, lyricist or "
                "arranger of the track: correct the name, or add it there"
            )
            loc = ("tracks", index, "writers_ipi", number)
            yield source.finding("warning", "ipi-without-writer", loc, message)


def _wrong_date(source: ManifestFile, loc: Loc) -> Finding:
    message = "the first release is later than this one: correct one of the dates"
    return source.finding("error", "original-after-release", loc, message)


def _is_after(first: str | None, release: str | None) -> bool:
    """Compare two dates as far as both are known."""
    known = min(len(first or ""), len(release or ""))
    return (first or "")[:known] > (release or "")[:known]


def _of_language(track: Track) -> Iterator[Clash]:
    if track.instrumental and track.language not in (None, NO_LANGUAGE):
        message = (
            f"an instrumental has no language, this one has `{track.language}`: remove "
            "`instrumental`, or the language"
        )
        yield "error", "instrumental-with-language", "language", message
    if track.lyrics and (track.instrumental or track.language == NO_LANGUAGE):
        message = (
            "an instrumental has no lyrics: remove them, or correct `instrumental` or language"
        )
        yield "error", "instrumental-with-lyrics", "lyrics", message
    if track.instrumental and track.advisory not in (None, "none"):
        message = (
            f"an instrumental has no words that are {track.advisory}: remove `instrumental`, or "
            "the advisory"
        )
        yield "warning", "instrumental-with-advisory", "advisory", message


def _of_work(track: Track) -> Iterator[Clash]:
    if (
        track.publisher
        and track.publishers
        and not names_publisher(track.publishers, track.publisher)
    ):
        message = "`publisher` is none of the track's `publishers`: keep one of the keys"
        yield "error", "two-publishers", "publisher", message
    if (track.movement or track.movement_number) and not track.work:
        message = "a movement belongs to a work: add `work: …`"
        yield "warning", "movement-without-work", "movement", message
    for name in track.featuring:
        if name.casefold() in track.title.casefold():
            message = f"the title has {name} already, and `featuring` adds the name: remove one"
            yield "warning", "featured-twice", "title", message
