"""Who did what, on which tracks: each name once, with its roles and the tracks they are on."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from assembler.manifest import Manifest
from assembler.manifest.model import Credit
from assembler.metadata import TrackMetadata, is_performer
from assembler.text import number_ranges


@dataclass(frozen=True)
class Person:
    """A name with all it is credited for.

    Attributes
    ----------
    name
        As the manifest writes it.
    parts
        Roles that are on the same tracks; no tracks: on the whole release.
    """

    name: str
    parts: tuple[tuple[tuple[str, ...], frozenset[int]], ...]


def performers(credits: Iterable[Credit], words: Sequence[TrackMetadata]) -> tuple[Person, ...]:
    """Give those who play or sing; what they also arranged stands with them."""
    return tuple(
        _person(name, [role for role in roles if _is_musical(role)], roles)
        for name, roles in _roles(credits, words).items()
        if any(is_performer(role) for role in roles)
    )


def production(credits: Iterable[Credit], words: Sequence[TrackMetadata]) -> tuple[Person, ...]:
    """Give those behind the desk and on the sleeve, and arrangers who don't perform."""
    people = []
    for name, roles in _roles(credits, words).items():
        performs = any(is_performer(role) for role in roles)
        others = [r for r in roles if not (_is_musical(r) if performs else is_performer(r))]
        if others:
            people.append(_person(name, others, roles))
    return tuple(people)


def person_text(person: Person, words: Sequence[TrackMetadata]) -> str:
    """Write a person's credits on one line, those for the whole release first.

    Returns
    -------
    str
        As ``Mattis Oren – harmonium, arranger (1, 3); voice (2)``.
    """
    parts = []
    for roles, tracks in sorted(person.parts, key=lambda part: bool(part[1])):
        named = [w for w in words if w.running_number in tracks]
        parts.append(", ".join(roles) + (f" ({tracks_text(named)})" if named else ""))
    return f"{person.name} – {'; '.join(parts)}"


def tracks_text(words: Sequence[TrackMetadata]) -> str:
    """Write the numbers of tracks, by disc where there are several.

    Returns
    -------
    str
        As ``1–3, 5`` or ``disc 1: 1–3, 5; disc 2: 1``.
    """
    if not words or words[0].of_discs == 1:
        return number_ranges([w.number for w in words])
    return "; ".join(
        f"disc {disc}: {number_ranges([w.number for w in on_disc])}"
        for disc, on_disc in groupby(words, key=lambda w: w.disc)
    )


def authors(words: TrackMetadata) -> tuple[tuple[str, str], ...]:
    """Give who wrote a track, each part with its names.

    Returns
    -------
    tuple of (part, names)
        As ``("words", "Oda Brenn"), ("music", "Ines Falk, Mattis Oren")``; words and music are one
        part where the same people wrote both.
    """
    composers, lyricists = ", ".join(words.composers), ", ".join(words.lyricists)
    if composers == lyricists:
        parts = [("words and music", composers)]
    else:
        parts = [("words", lyricists), ("music", composers)]
    return tuple((part, names) for part, names in parts if names)


def all_names(manifest: Manifest) -> tuple[str, ...]:
    """Give every name of a person or a group that a manifest has, in its order."""
    names = [manifest.release.artist]
    for track in manifest.tracks:
        names += [track.artist] if track.artist else []
        names += [*track.composers, *track.lyricists, *track.arrangers]
    return (*names, *(credit.name for credit in manifest.credits))


def twin_names(names: Iterable[str]) -> list[tuple[str, str]]:
    """Find names that differ only by accents, case, or signs between letters.

    They may be one person, spelt in two ways.

    Parameters
    ----------
    names
        In any order; the same name may come more than once.

    Returns
    -------
    list of (str, str)
        Of each such name the spelling that comes first, and each other one.

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
    """Leave of a name its letters and digits, in lower case, without strokes and accents."""
    letters = unicodedata.normalize("NFKD", "".join(map(_without_stroke, name))).casefold()
    return "".join(
        sign for sign in letters if unicodedata.category(sign)[0] in "LNM" and sign not in _ACCENTS
    )


def _without_stroke(letter: str) -> str:
    """Give the letter that one with a stroke was made of, which Unicode does not take apart."""
    base, found, _ = unicodedata.name(letter, "").partition(" WITH STROKE")
    return unicodedata.lookup(base) if found and letter.isalpha() else letter


_ACCENTS = frozenset(map(chr, range(0x300, 0x370)))
"""Unicode block Combining Diacritical Marks; the marks of other scripts are letters of theirs."""


def _is_musical(role: str) -> bool:
    return is_performer(role) or role.lower().startswith("arrang")


def _roles(
    credits: Iterable[Credit], words: Sequence[TrackMetadata]
) -> dict[str, dict[str, frozenset[int]]]:
    """Give every name its roles, and every role its tracks; all tracks are no tracks named."""
    everywhere = frozenset(w.running_number for w in words)
    people: dict[str, dict[str, frozenset[int]]] = {}
    for credit in credits:
        roles = people.setdefault(_one_name(credit.name), {})
        for role in credit.roles:
            tracks = frozenset(credit.tracks) or everywhere
            roles[role] = roles.get(role, frozenset()) | tracks
    return {
        name: {r: frozenset() if t >= everywhere else t for r, t in roles.items()}
        for name, roles in people.items()
    }


def _person(name: str, chosen: Iterable[str], roles: dict[str, frozenset[int]]) -> Person:
    by_tracks: dict[frozenset[int], list[str]] = {}
    for role in chosen:
        by_tracks.setdefault(roles[role], []).append(role)
    return Person(name, tuple((tuple(names), tracks) for tracks, names in by_tracks.items()))
