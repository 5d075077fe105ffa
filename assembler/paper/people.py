"""Who did what, on which tracks: each name once, with its roles and the tracks they are on."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby

from assembler.manifest.model import Credit
from assembler.words import TrackWords, is_performer


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


def performers(credits: Iterable[Credit], words: Sequence[TrackWords]) -> tuple[Person, ...]:
    """Give those who play or sing; what they also arranged stands with them."""
    return tuple(
        _person(name, [role for role in roles if _is_musical(role)], roles)
        for name, roles in _roles(credits, words).items()
        if any(is_performer(role) for role in roles)
    )


def production(credits: Iterable[Credit], words: Sequence[TrackWords]) -> tuple[Person, ...]:
    """Give those behind the desk and on the sleeve, and arrangers who don't perform."""
    people = []
    for name, roles in _roles(credits, words).items():
        performs = any(is_performer(role) for role in roles)
        others = [r for r in roles if not (_is_musical(r) if performs else is_performer(r))]
        if others:
            people.append(_person(name, others, roles))
    return tuple(people)


def person_text(person: Person, words: Sequence[TrackWords]) -> str:
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


def tracks_text(words: Sequence[TrackWords]) -> str:
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


def number_ranges(numbers: Iterable[int]) -> str:
    """Write numbers with three or more in a row as a range.

    Examples
    --------
    >>> number_ranges([1, 2, 3, 5, 7, 8])
    '1–3, 5, 7, 8'
    """
    texts: list[str] = []
    ordered = sorted(set(numbers))
    for _, group in groupby(enumerate(ordered), key=lambda pair: pair[1] - pair[0]):
        row = [number for _, number in group]
        texts += [f"{row[0]}–{row[-1]}"] if len(row) > 2 else map(str, row)
    return ", ".join(texts)


def _is_musical(role: str) -> bool:
    return is_performer(role) or role.lower().startswith("arrang")


def _roles(
    credits: Iterable[Credit], words: Sequence[TrackWords]
) -> dict[str, dict[str, frozenset[int]]]:
    """Give every name its roles, and every role its tracks; all tracks are no tracks named."""
    everywhere = frozenset(w.running_number for w in words)
    people: dict[str, dict[str, frozenset[int]]] = {}
    for credit in credits:
        roles = people.setdefault(unicodedata.normalize("NFC", " ".join(credit.name.split())), {})
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
