"""Who did what, on which tracks: each name once, with its roles and their tracks."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from itertools import groupby

from assembler.manifest import Manifest
from assembler.manifest.model import Credit
from assembler.manifest.roles import is_performer
from assembler.metadata import TrackMetadata, all_credits
from assembler.text import number_ranges

Roles = dict[str, frozenset[int]]
"""Running numbers of the tracks of each role; none for the whole release."""


def performers(credits: Iterable[Credit], tracks: Sequence[TrackMetadata]) -> tuple[str, ...]:
    """Return a line per person who plays or sings; their arrangements stand with them."""
    return tuple(
        _person_text(name, filter(_is_musical, roles), roles, tracks)
        for name, roles in _people(credits, tracks).items()
        if any(map(is_performer, roles))
    )


def production(credits: Iterable[Credit], tracks: Sequence[TrackMetadata]) -> tuple[str, ...]:
    """Return a line per person of studio and artwork, and per arranger who doesn't perform."""
    lines = []
    for name, roles in _people(credits, tracks).items():
        is_named_above = _is_musical if any(map(is_performer, roles)) else is_performer
        others = [role for role in roles if not is_named_above(role)]
        lines += [_person_text(name, others, roles, tracks)] if others else []
    return tuple(lines)


def _person_text(
    name: str, chosen: Iterable[str], roles: Roles, tracks: Sequence[TrackMetadata]
) -> str:
    """Return a person's credits: ``Mattis Oren – harmonium, arranger (1, 3); voice (2)``.

    Those for the whole release come first.
    """
    by_tracks: dict[frozenset[int], list[str]] = {}
    for role in chosen:
        by_tracks.setdefault(roles[role], []).append(role)
    parts = []
    for numbers, together in sorted(by_tracks.items(), key=lambda part: bool(part[0])):
        named = [track for track in tracks if track.running_number in numbers]
        parts.append(", ".join(together) + (f" ({tracks_text(named)})" if named else ""))
    return f"{name} – {'; '.join(parts)}"


def tracks_text(tracks: Sequence[TrackMetadata]) -> str:
    """Return the numbers of tracks: ``1–3, 5``, or ``disc 1: 1–3, 5; disc 2: 1``."""
    groups = groupby(tracks, key=group_of)
    texts = [(name, number_ranges([track.number for track in of])) for name, of in groups]
    return "; ".join(f"{name}: {numbers}" if name else numbers for name, numbers in texts)


def group_of(track: TrackMetadata) -> str:
    """Return the list that a track is in if there are several: ``disc 2``, ``download only``."""
    return track.group or (f"disc {track.disc}" if track.of_discs > 1 else "")


def authors(track: TrackMetadata) -> tuple[tuple[str, str], ...]:
    """Return who wrote a track: ``("words", "Oda Brenn"), ("music", "Ines Falk, Mattis Oren")``.

    Words and music are one part where the same people wrote both.
    """
    composers, lyricists = ", ".join(track.composers), ", ".join(track.lyricists)
    if composers == lyricists:
        parts = [("words and music", composers)]
    else:
        parts = [("words", lyricists), ("music", composers)]
    return tuple((part, names) for part, names in parts if names)


def all_names(manifest: Manifest) -> tuple[str, ...]:
    """Return every name of a person or group in a manifest, in its order."""
    names = [manifest.release.artist]
    for track in manifest.tracks:
        names += [track.artist] if track.artist else []
        names += [*track.composers, *track.lyricists, *track.arrangers]
    return (*names, *(credit.name for credit in all_credits(manifest)))


def twin_names(names: Iterable[str]) -> list[tuple[str, str]]:
    """Find names that differ only by accents, case or punctuation: maybe one in two spellings.

    Examples
    --------
    >>> twin_names(["Sørine Aakre", "Oda Brenn", "Sorine Aakre"])
    [('Sørine Aakre', 'Sorine Aakre')]
    """
    spellings: dict[str, list[str]] = {}
    for name in dict.fromkeys(map(_one_name, names)):
        spellings.setdefault(_bare_letters(name), []).append(name)
    return [
        (found[0], other) for letters, found in spellings.items() if letters for other in found[1:]
    ]


def _one_name(name: str) -> str:
    return unicodedata.normalize("NFC", " ".join(name.split()))


def _bare_letters(name: str) -> str:
    """Return the letters and digits of a name in lower case, without strokes and accents."""
    letters = unicodedata.normalize("NFKD", "".join(map(_without_stroke, name))).casefold()
    return "".join(
        sign for sign in letters if unicodedata.category(sign)[0] in "LNM" and sign not in _ACCENTS
    )


def _without_stroke(letter: str) -> str:
    """Return the base of a letter with a stroke, which Unicode does not decompose."""
    base, found, _ = unicodedata.name(letter, "").partition(" WITH STROKE")
    return unicodedata.lookup(base) if found and letter.isalpha() else letter


_ACCENTS = frozenset(map(chr, range(0x300, 0x370)))
"""Unicode block Combining Diacritical Marks; marks of other scripts are letters."""


def _is_musical(role: str) -> bool:
    return is_performer(role) or role.lower().startswith("arrang")


def _people(credits: Iterable[Credit], tracks: Sequence[TrackMetadata]) -> dict[str, Roles]:
    everywhere = frozenset(track.running_number for track in tracks)
    people: dict[str, Roles] = {}
    for credit in credits:
        roles = people.setdefault(_one_name(credit.name), {})
        for role in credit.roles:
            numbers = frozenset(credit.tracks) or everywhere
            roles[role] = roles.get(role, frozenset()) | numbers
    return {
        name: {r: frozenset() if t >= everywhere else t for r, t in roles.items()}
        for name, roles in people.items()
    }
