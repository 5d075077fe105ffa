"""Check texts: what CD-Text can't encode, and what no font here can print."""

from __future__ import annotations

from collections.abc import Iterator

from assembler.findings import Finding, Loc
from assembler.manifest import ManifestFile
from assembler.manifest.disc_alphabet import MOST_CHARACTERS, disc_text
from assembler.manifest.model import DiscText
from assembler.typeset.fonts import missing_characters

_OWN_SPELLING = {
    "title": "title",
    "artist": "performer",
    "composers": "songwriter",
    "lyricists": "songwriter",
    "arrangers": "arranger",
}
"""Keys with text, and the key of `cd_text` that overrides each on the disc."""


def spelling_findings(source: ManifestFile) -> Iterator[Finding]:
    """Check every text that goes onto the disc."""
    manifest = source.manifest
    release = manifest.release
    texts = [("title", release.title), ("artist", release.artist)]
    for key, text in texts:
        yield from _findings(source, ("release", key), text, release.cd_text)
    for index, track in enumerate(manifest.tracks):
        texts = [("title", track.full_title)]
        texts += [("artist", track.artist)] if track.artist else []
        for key in ("composers", "lyricists", "arrangers"):
            texts += [(key, name) for name in getattr(track, key)]
        for key, text in texts:
            yield from _findings(source, ("tracks", index, key), text, track.cd_text)


def _findings(source: ManifestFile, loc: Loc, text: str, own: DiscText | None) -> Iterator[Finding]:
    is_set = own is not None and getattr(own, _OWN_SPELLING[str(loc[-1])]) is not None
    if source.manifest.disc.make and not is_set:
        yield from _respelling(source, loc, text)
    if missing := missing_characters(text):
        message = f"no font here has {' '.join(missing)}: the printed sheets show an empty box"
        yield source.finding("warning", "no-glyph", loc, message)


def _respelling(source: ManifestFile, loc: Loc, text: str) -> Iterator[Finding]:
    spelt = disc_text(text)
    if spelt == text:
        return
    own = f"`cd_text: {{{_OWN_SPELLING[str(loc[-1])]}: …}}`"
    if not spelt:
        message = f"CD-Text can't encode this: set {own}"
        yield source.finding("warning", "respelt-for-disc", loc, message)
        return
    cut = f" (cut to {MOST_CHARACTERS} characters)" if len(spelt) == MOST_CHARACTERS else ""
    message = f"CD-Text can't encode this: it will read `{spelt}`{cut}; set {own} to override"
    only_marks = _letters(spelt) == _letters(text)
    yield source.finding("note" if only_marks else "warning", "respelt-for-disc", loc, message)


def _letters(text: str) -> str:
    return "".join(sign for sign in text if sign.isalnum())
