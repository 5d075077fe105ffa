"""The words of a title, and how similar two titles are: rapidfuzz's ratios of letters and words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from rapidfuzz import fuzz

from assembler.draft.pairing import NUMERAL

EXACT = 100.0
"""Similarity of titles with the same letters, without spaces and signs."""
_OTHER_NUMERAL = 80.0
_FEW_LETTERS = 4


@dataclass(frozen=True)
class TitleWords:
    """A title or a variant of it, as it is compared."""

    words: tuple[str, ...]

    @cached_property
    def letters(self) -> str:
        """All letters and digits, without spaces."""
        return "".join(self.words)

    @cached_property
    def text(self) -> str:
        """The words with spaces between."""
        return " ".join(self.words)

    @cached_property
    def numerals(self) -> frozenset[str]:
        """The words that count, as in "Part 2" or "Sea Song III"."""
        last = self.words[-1:] if self.words[-1:] in (("i",), ("v",), ("x",)) else ()
        return frozenset((*last, *(word for word in self.words if NUMERAL.fullmatch(word))))

    def has_other_letters(self, other: TitleWords) -> bool:
        """Return whether each has letters that the other lacks: "Ride" and "Tide", no slip."""
        ours, theirs = Counter(self.letters), Counter(other.letters)
        return bool(ours - theirs and theirs - ours)

    def similarity(self, other: TitleWords) -> float:
        """Return the similarity of two names, from 0 to 100."""
        if not self.letters or not other.letters:
            return 0.0
        if self.letters == other.letters:
            return EXACT
        if min(len(self.letters), len(other.letters)) < _FEW_LETTERS:
            return 0.0
        most = EXACT - 1 if self.numerals == other.numerals else _OTHER_NUMERAL
        words = fuzz.token_sort_ratio(self.text, other.text)
        return min(most, float(max(fuzz.ratio(self.letters, other.letters), words)))


def without_artist(titles: Sequence[TitleWords], artist: tuple[str, ...]) -> list[TitleWords]:
    """Return a row's titles, also without the artist before or after."""
    variants, length = list(titles), len(artist)
    for name in titles:
        if artist and name.words[:length] == artist:
            variants.append(TitleWords(name.words[length:]))
        if artist and name.words[-length:] == artist:
            variants.append(TitleWords(name.words[:-length]))
    return variants
