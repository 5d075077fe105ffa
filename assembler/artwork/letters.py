"""Compare texts letter by letter: line breaks, hyphens, ligatures, quotes and accents aside.

Unicode Standard Annex 15: NFKC joins accents with their letters and takes ligatures apart.
"""

from __future__ import annotations

import re
import unicodedata
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from rapidfuzz import fuzz
from rapidfuzz.distance import Levenshtein

from assembler.artwork.reading import Box, around
from assembler.text import shorten

_QUOTES = str.maketrans({**dict.fromkeys("‘’‚‛′`´", "'"), **dict.fromkeys("“”„‟″«»", '"')})
_DASHES = str.maketrans(dict.fromkeys("‐‑‒–—―−", "-"))
_KEPT_SIGNS = frozenset("℗©&+")
_USED = "\0"
_LONGEST_REST = 40
"""Of a word, beyond what was found of it."""
LIKELY = 75
"""Of 100: from here on a text is the wanted one with differences."""


@dataclass(frozen=True)
class Span:
    """A stretch of a text: indexes of its first character and behind its last."""

    start: int
    end: int


def folded(text: str) -> Iterator[tuple[str, int]]:
    """Yield a text's letters, digits and rights signs, without case, and where each one is."""
    start = 0
    while start < len(text):
        end = start + 1
        while end < len(text) and unicodedata.combining(text[end]):
            end += 1
        for sign in unicodedata.normalize("NFKC", text[start:end]).casefold():
            if sign in _KEPT_SIGNS or unicodedata.category(sign)[0] in "LNM":
                yield sign, start
        start = end


def letters_of(text: str) -> str:
    """Return a text's letters as they are compared.

    Examples
    --------
    >>> letters_of("Ha\N{LATIN SMALL LIGATURE FFI}-\\nvan, No. 2")
    'haffivanno2'
    """
    return "".join(sign for sign, _ in folded(text))


def plain(text: str) -> str:
    """Return a text in one line, as it reads: NFKC, one blank between words, breaks joined."""
    text = unicodedata.normalize("NFKC", text.replace("\xad", ""))
    return " ".join(text.split())


@dataclass
class Stream:
    """The text of some panels in reading order; what was found is marked as used.

    Parameters
    ----------
    text
        The characters.
    boxes
        Where each one is.
    pages
        Index of the page of each one.
    drawn
        Whether each one is in the PDF, and not a blank or a break that the reader added.
    """

    text: str
    boxes: Sequence[Box]
    pages: Sequence[int]
    drawn: Sequence[bool]
    letters: str = field(init=False)
    _places: list[int] = field(init=False)
    _free: list[str] = field(init=False)

    def __post_init__(self) -> None:
        """Fold the text."""
        pairs = list(folded(self.text))
        self.letters = "".join(sign for sign, _ in pairs)
        self._places = [place for _, place in pairs]
        self._free = list(self.letters)

    @property
    def free(self) -> str:
        """Return the letters, those that are used as nulls."""
        return "".join(self._free)

    def use(self, span: Span) -> None:
        """Mark a stretch as used."""
        first, end = bisect_left(self._places, span.start), bisect_left(self._places, span.end)
        self._free[first:end] = _USED * (end - first)

    def occurrences(self, wanted: str, *, is_free: bool = True) -> Iterator[Span]:
        """Yield where a text is, letter by letter and in whole words."""
        letters = letters_of(wanted)
        row = self.free if is_free else self.letters
        at = row.find(letters) if letters else -1
        while at >= 0:
            span = self._span(at, at + len(letters))
            if self._is_whole(span):
                yield span
            at = row.find(letters, at + 1)

    def likely(self, wanted: str, least: float = LIKELY) -> tuple[Span, float] | None:
        """Return the unused stretch that is most like a text, and how much of 100."""
        letters, row = letters_of(wanted), self.free
        if len(letters) < 3 or not row.strip(_USED):
            return None
        row += _USED * (len(letters) - len(row))
        found = fuzz.partial_ratio_alignment(letters, row, score_cutoff=least)
        if found is None or found.score < least:
            return None
        start, end = found.dest_start, min(found.dest_end, len(self.letters))
        while start < end and row[start] == _USED:
            start += 1
        while end > start and row[end - 1] == _USED:
            end -= 1
        if start >= end or _USED in row[start:end]:
            return None
        spans = self._nearby(self._words_around(self._span(start, end)))
        score, span = max(
            ((self._score(letters, one), one) for one in spans), key=lambda pair: pair[0]
        )
        return (span, score) if score >= least else None

    def _score(self, letters: str, span: Span) -> float:
        return Levenshtein.normalized_similarity(letters, letters_of(self.raw(span))) * 100

    def _nearby(self, span: Span) -> list[Span]:
        """Return a stretch, and it without one or two words at either end."""
        words = [*re.finditer(r"\S+", self.text[span.start : span.end])]
        starts = [span.start + word.start() for word in words[:3]]
        ends = [span.start + word.end() for word in words[-3:]]
        shorter = [Span(start, end) for start in starts for end in ends if start < end]
        return [span, *shorter]

    def raw(self, span: Span) -> str:
        """Return a stretch in one line; a word divided at the end of a line is joined."""
        text = re.sub(r"(?<=\w)[-‐]\s*[\r\n]+\s*(?=\w)", "", self.text[span.start : span.end])
        return plain(text)

    def shown(self, span: Span) -> str:
        """Return a stretch in whole words, with the bracket that it opens, for a finding."""
        start, end = span.start, span.end
        while start and span.start - start < _LONGEST_REST and self._is_inside(start):
            start -= 1
        while end < len(self.text) and end - span.end < _LONGEST_REST and self._is_inside(end):
            end += 1
        closing = re.compile(r"[^()\r\n]{0,40}\)").match(self.text, end)
        if self.text.count("(", start, end) > self.text.count(")", start, end) and closing:
            end = closing.end()
        return self.raw(Span(start, end)).rstrip(",;: ")

    def _is_inside(self, place: int) -> bool:
        """Return whether a place is between two signs of a word."""
        return not self.text[place - 1].isspace() and not self.text[place].isspace()

    def raw_with_hyphens(self, span: Span) -> str:
        """Return a stretch in one line; a hyphen at the end of a line stays."""
        text = re.sub(r"(?<=[-‐])\s*[\r\n]+\s*", "", self.text[span.start : span.end])
        return plain(text)

    def box(self, span: Span) -> Box:
        """Return the box around the first line of a stretch, on its first page."""
        page = self.pages[span.start]
        end = span.end
        if (cut := re.search(r"[\r\n]", self.text[span.start : span.end])) and cut.start():
            end = span.start + cut.start()
        on_page = [n for n in range(span.start, end) if self.pages[n] == page and self.drawn[n]]
        return around([self.boxes[n] for n in on_page or [span.start]])

    def page(self, span: Span) -> int:
        """Return the index of the page on which a stretch begins."""
        return self.pages[span.start]

    def _span(self, first: int, end: int) -> Span:
        last = self._places[end - 1] + 1
        while last < len(self.text) and unicodedata.combining(self.text[last]):
            last += 1
        start = self._places[first]
        while last < len(self.text) and self.text[last] in _CLOSING and self.drawn[last]:
            last += 1
        while start and self.text[start - 1] in _OPENING and self.drawn[start - 1]:
            start -= 1
        return Span(start, last)

    def _is_whole(self, span: Span) -> bool:
        before = self.text[span.start - 1 : span.start]
        after = self.text[span.end : span.end + 1]
        return not (_is_word(before) and _is_word(self.text[span.start])) and not (
            _is_word(after) and _is_word(self.text[span.end - 1])
        )

    def _words_around(self, span: Span) -> Span:
        start, end = span.start, span.end
        while start and _is_word(self.text[start - 1]) and _is_word(self.text[start]):
            start -= 1
        while end < len(self.text) and _is_word(self.text[end]) and _is_word(self.text[end - 1]):
            end += 1
        return Span(start, end)


_CLOSING = frozenset(")]}’”\"'!?….»")
_OPENING = frozenset("([{‘“„\"'¡¿«")


def _is_word(sign: str) -> bool:
    return bool(sign) and unicodedata.category(sign)[0] in "LNM"


def difference(wanted: str, stream: Stream, span: Span) -> tuple[str, str]:
    """Return the kind of a difference that letters do not show, and the text as it is.

    Returns
    -------
    kind, text
        ``same``, ``quotes``, ``dashes``, ``case``, ``spaces`` or ``signs``.
    """
    found = [stream.raw(span), stream.raw_with_hyphens(span)]
    wanted = plain(wanted)
    shown = found[0]
    if wanted in (trimmed for text in found for trimmed in _trims(text, wanted)):
        return "same", shown
    steps = (
        ("quotes", lambda text: text.translate(_QUOTES)),
        ("dashes", lambda text: text.translate(_QUOTES).translate(_DASHES)),
        ("case", lambda text: text.translate(_QUOTES).translate(_DASHES).casefold()),
        ("spaces", _without_blanks),
    )
    for kind, fold in steps:
        texts = [fold(trimmed) for text in found for trimmed in _trims(text, wanted)]
        if fold(wanted) in texts:
            if kind == "case" and (shown.upper() == shown or shown.lower() == shown):
                return "same", shown
            if kind == "spaces" and not _blanks_differ(wanted, stream, span):
                return "same", shown
            return kind, shown
    return "signs", shown


def _trims(text: str, wanted: str) -> Iterator[str]:
    """Yield a text, and it without signs at its ends that the wanted one has not."""
    yield text
    start, end = 0, len(text)
    while start < end and text[start] in _OPENING and text[start] != wanted[:1]:
        start += 1
    while end > start and text[end - 1] in _CLOSING and text[end - 1] != wanted[-1:]:
        end -= 1
    yield text[start:end]
    yield text[:end]
    yield text[start:]


def _without_blanks(text: str) -> str:
    return re.sub(r"\s", "", text.translate(_QUOTES).translate(_DASHES).casefold())


def _blanks_differ(wanted: str, stream: Stream, span: Span) -> bool:
    """Return whether a blank is missing, or one is drawn inside a word; spaced type has all."""
    signs = range(span.start, span.end)
    drawn = "".join(stream.text[n] for n in signs if stream.drawn[n] or stream.text[n] in "\r\n ")
    words, found = wanted.split(), drawn.split()
    if len(found) < len(words):
        return True
    real = "".join(stream.text[n] for n in signs if stream.drawn[n]).split()
    return len(words) < len(real) < len(letters_of(wanted)) / 2


def shown_difference(wanted: str, found: str) -> tuple[str, str]:
    """Return both texts, of long ones the words that differ and one on either side."""
    wanted, found = plain(wanted), plain(found)
    if len(wanted) <= 60:
        return wanted, in_words(found)
    ours, theirs = wanted.split(), found.split()
    codes = [code for code in Levenshtein.opcodes(ours, theirs) if code.tag != "equal"]
    if not codes:
        return in_words(wanted), in_words(found)
    first, last = codes[0], codes[-1]
    if last.src_end - first.src_start > 12:
        last = first
    return (
        _words(ours, first.src_start, last.src_end),
        _words(theirs, first.dest_start, last.dest_end),
    )


def _words(words: list[str], start: int, end: int) -> str:
    text = " ".join(words[max(0, start - 1) : end + 1])
    shown = in_words(text)
    is_cut = end + 1 < len(words) and shown == text
    return f"{'… ' if start > 1 else ''}{shown}{' …' if is_cut else ''}"


def in_words(text: str, most: int = 90) -> str:
    """Return the beginning of a text in whole words.

    Examples
    --------
    >>> in_words("Mattis Oren – harmonium, arranger", 24)
    'Mattis Oren – harmonium …'
    """
    line = shorten(text, len(text) * 8 + 1)  # in one line
    if len(line) <= most:
        return line
    return f"{line[: most - 1].rpartition(' ')[0].rstrip(',;: ') or line[: most - 2]} …"
