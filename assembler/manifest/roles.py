"""Roles of credits: of performers, or of production and artwork."""

from __future__ import annotations

_PRODUCTION_WORDS = frozenset((
    "arranged", "arrangement", "arranger", "artwork", "booklet", "cover", "design", "designer",
    "edited", "editing", "editor", "engineer", "engineering", "illustration", "illustrations",
    "layout", "liner", "mastered", "mastering", "mix", "mixer", "mixing", "notes", "photo",
    "photographer", "photographs", "photography", "photos", "produced", "producer",
    "production", "recording", "recordist", "remix", "remixed", "remixer", "restoration",
    "restored", "sleeve", "transfer",
    "transfers", "translated", "translation", "translator", "typesetting",
))  # fmt: skip
"""Words in the roles of production and artwork; all other roles are performers'."""


def is_performer(role: str) -> bool:
    """Return whether a role is a performer's, not one of production or artwork.

    Examples
    --------
    >>> is_performer("alto recorder"), is_performer("recording engineer")
    (True, False)
    """
    return _PRODUCTION_WORDS.isdisjoint(role.lower().replace("-", " ").split())
