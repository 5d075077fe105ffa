"""Which decisions are made, from one session to the next."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from assembler.cache.folder import CacheFolder, cache_key


class Decided:
    """The decisions of one manifest that were made on its page.

    They are kept in the cache: where that is cleared, all are open again. Each is a text that holds
    the numbers it was made on, so that it is open again when one of them changes.

    Parameters
    ----------
    cache
        The user's cache.
    manifest
        The manifest.
    """

    def __init__(self, cache: CacheFolder, manifest: Path) -> None:
        self._cache = cache
        self._key = cache_key("decided", str(manifest.resolve()))
        found = cache.known(self._key)
        self.texts: list[str] = found if isinstance(found, list) else []

    def keep(self, texts: Sequence[str]) -> None:
        """Set the decisions that are made."""
        self.texts = list(texts)
        self._cache.put_json(self._key, self.texts)
