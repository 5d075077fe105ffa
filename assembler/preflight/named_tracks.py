"""Keys of a track that name another track of the manifest by its number."""

from __future__ import annotations

from assembler.findings import Finding
from assembler.manifest import ManifestFile


def no_other_track(
    source: ManifestFile, index: int, key: str, number: int, code: str, named_for: str
) -> Finding | None:
    """Return an error where a track's key names no track, or the track itself.

    Parameters
    ----------
    source
        The manifest.
    index
        The track's index.
    key
        Its key.
    number
        What the key names.
    code
        Of the error.
    named_for
        What the other track is named for.
    """
    if number <= len(source.manifest.tracks) and number != index + 1:
        return None
    message = (
        f"there is no other track {number}: write the number in this list of the track that "
        f"{named_for}"
    )
    return source.finding("error", code, ("tracks", index, key), message)
