"""Findings about words: what a disc must spell otherwise, and what no font here can print."""

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
"""Keys of words, and the key of `cd_text` that takes the place of each on the disc."""


def spelling_findings(source: ManifestFile) -> Iterator[Finding]:
    """Look at every word that goes onto the disc."""
    manifest = source.manifest
    release = manifest.release
    words = [("title", release.title), ("artist", release.artist)]
    for key, text in words:
        yield from _findings(source, ("release", key), text, release.cd_text)
    for index, track in enumerate(manifest.tracks):
        words = [("title", track.full_title)]
        words += [("artist", track.artist)] if track.artist else []
        for key in ("composers", "lyricists", "arrangers"):
            words += [(key, name) for name in getattr(track, key)]
        for key, text in words:
            yield from _findings(source, ("tracks", index, key), text, track.cd_text)


def _findings(source: ManifestFile, loc: Loc, text: str, own: DiscText | None) -> Iterator[Finding]:
    spelt_by_hand = own is not None and getattr(own, _OWN_SPELLING[str(loc[-1])]) is not None
    if source.manifest.disc.make and not spelt_by_hand:
        yield from _respelling(source, loc, text)
    if missing := missing_characters(text):
        message = f"no font here has {' '.join(missing)}: the printed sheet shows an empty box"
        yield source.finding("warning", "no-glyph", loc, message)


def _respelling(source: ManifestFile, loc: Loc, text: str) -> Iterator[Finding]:
    spelt = disc_text(text)
    if spelt == text:
        return
    own = f"`cd_text: {{{_OWN_SPELLING[str(loc[-1])]}: …}}`"
    if not spelt:
        message = f"nothing of this can be written on the disc: spell it with {own}"
        yield source.finding("warning", "respelt-for-disc", loc, message)
        return
    cut = f", cut to {MOST_CHARACTERS} characters" if len(spelt) == MOST_CHARACTERS else ""
    message = (
        f"the disc can't hold this as it is{cut}: it will read `{spelt}`; {own} spells it otherwise"
    )
    only_marks = _letters(spelt) == _letters(text)
    yield source.finding("note" if only_marks else "warning", "respelt-for-disc", loc, message)


def _letters(text: str) -> str:
    return "".join(sign for sign in text if sign.isalnum())
