"""Tracks that are versions of another track: edits, instrumentals, clean versions.

Nothing is taken over from the original: credits and writers are written where they apply. An edit
is another recording with an ISRC of its own (IFPI's ISRC handbook, from memory); `check` refuses an
ISRC that two tracks have.
"""

from __future__ import annotations

from collections.abc import Iterator

from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.preflight.named_tracks import no_other_track


def version_findings(source: ManifestFile) -> Iterator[Finding]:
    """Check the tracks that are versions of another: its number, their version and their ISRC."""
    tracks = source.manifest.tracks
    for index, track in enumerate(tracks):
        number = track.version_of
        if number is None:
            continue
        key, of = "version_of", "this is a version of"
        if found := no_other_track(source, index, key, number, "version-of-nothing", of):
            yield found
            continue
        loc = ("tracks", index, key)
        original = tracks[number - 1]
        if original.version_of is not None:
            message = (
                f"track {number} is itself a version of track {original.version_of}: name the "
                "original"
            )
            yield source.finding("error", "version-of-version", loc, message)
        if track.version is None:
            message = (
                f"track {index + 1} is a version of track {number} and has no `version`: write "
                "what it is, such as `version: Radio Edit`"
            )
            yield source.finding("warning", "unnamed-version", loc, message)
        if not (track.composers or track.lyricists) and (original.composers or original.lyricists):
            message = (
                f"track {index + 1} names no composer or lyricist, and its original, track "
                f"{number}, does: nothing is taken over from there, so write them here too"
            )
            yield source.finding("warning", "version-without-writers", loc, message)
