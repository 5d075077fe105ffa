"""The page as it was shown last, so that it opens before all code is loaded and all is finished."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from assembler.cache.folder import CacheFolder, cache_key
from assembler.digest import file_stamp

if TYPE_CHECKING:
    from assembler.listen.revisions import Revision

_FORM = 3
"""Version of the page's data."""
READINGS = (
    *("gain_db", "length_s", "integrated_lufs", "true_peak_dbtp", "max_gain_reduction_db"),
    "loudest_from_s",
)
"""What is kept of a finished track."""


class KnownPage:
    """The last page of a manifest, for as long as its text and its sources are as they were.

    It is kept in the cache.

    Parameters
    ----------
    cache
        The user's cache.
    manifest
        The manifest.

    Attributes
    ----------
    document
        The page's data, as the first revision of a new session; None where it is not known.
    """

    def __init__(self, cache: CacheFolder, manifest: Path) -> None:
        self._cache = cache
        self._manifest = manifest
        self._key = cache_key("listening page", _FORM, str(manifest.resolve()))
        self._kept: object = None
        self._text = ""
        self.document: dict[str, Any] | None = None
        found = cache.known(self._key)
        if isinstance(found, dict) and found["made_of"] == _made_of(manifest, found["sources"]):
            self._text = found["made_of"][0]
            self.document = _reopened(found["document"])

    def is_of(self, text: str | None) -> bool:
        """Return whether the page was made of a text of the manifest."""
        return text is not None and self._text == _digest(text.encode("utf-8", "replace"))

    def readings(self, text: str | None, index: int) -> dict[str, Any] | None:
        """Return what was measured of a finished track, as long as the text is the same."""
        if self.document is None or not self.is_of(text):
            return None
        track: Mapping[str, Any] = self.document["tracks"][index]
        return {key: track[key] for key in READINGS} if "gain_db" in track else None

    @property
    def gains(self) -> dict[str, float]:
        """The gain of each finished track without its trim, in dB, by its title."""
        tracks = self.document["tracks"] if self.document else ()
        return {
            one["title"]: one["gain_db"] - (one["values"]["trim"] or 0.0)
            for one in tracks
            if "gain_db" in one
        }

    def keep(self, document: Mapping[str, Any], revision: Revision) -> None:
        """Keep a page that is finished, or as far as it is for now, once per revision."""
        stage = revision.number, _is_finished(document)
        if stage == self._kept or not document["ok"] or revision.report is None:
            return
        self._kept = stage
        files = {
            file.path for one in revision.report.sections for file in one.recording.source_files
        }
        sources = sorted(str(path) for path in files)
        made_of = _made_of(self._manifest, sources)
        if made_of and revision.text and made_of[0] == _digest(revision.text.encode()):
            kept = {"document": document, "sources": sources, "made_of": made_of}
            self._cache.put_json(self._key, kept)


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _made_of(manifest: Path, sources: Iterable[str]) -> list[Any]:
    """Return what a page depends on, as plain data; empty where a file is missing."""
    try:
        stamps = [list(file_stamp(Path(one))) for one in sources]
        return [_digest(manifest.read_bytes()), *stamps]
    except OSError:
        return []


def _is_finished(document: Mapping[str, Any]) -> bool:
    tracks = all(one["settled"] and one["join_settled"] for one in document["tracks"])
    return tracks and all(one.get("proposal") or one["error"] for one in document["sides"])


def _reopened(document: dict[str, Any]) -> dict[str, Any]:
    """Return a page at the beginning of a session, in which nothing is finished yet."""
    tracks = [{**one, "settled": False, "join_settled": False} for one in document["tracks"]]
    again = {"revision": 1, "can_undo": False, "can_redo": False, "tracks": tracks}
    return {**document, **again}
