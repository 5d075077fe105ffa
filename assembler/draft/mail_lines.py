"""Find the lines that are songs in text pasted from a mail."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

_QUOTE_MARKS = re.compile(r"^\s*(?:[>|]\s?)*>\s*")
_BULLET = re.compile(r"^\s*[-–—•*·▪‣]\s+")
_NUMBER = re.compile(
    r"^\s*(?:(?:track|tr|no|nr|nummer)\b\.?\s*|[#№]\s*)?"
    r"(?:(?P<side>[A-Ha-h])[-.]?|(?:cd\s*)?(?P<disc>\d)-(?=\d\d))?"
    r"(?:(?P<n>\d{1,3})(?!:[0-5]\d(?!\d))(?P<mark>\s*(?:[.):_/．、–—-]|\ufe0f?\u20e3)+\s*|\s+)|"
    r"[(\[](?P<m>\d{1,3})[)\]]\s*)(?=\S)",
    re.IGNORECASE,
)
_LETTER = re.compile(r"^\s*([A-Za-z])\s*[.):–—-]\s+(?=\S)")
_MARKED = re.compile(r"^([*_]{1,3})(?=\S)(.*\S)\1$")
"""Bold and italic as mail programs write them in plain text."""
_PLAINLY = re.compile(r"[.):]\s|[)_]")
"""Follows a number that can't be part of the title."""
_HEADING = re.compile(
    r"^[\s=*#_–—-]*(?:(?:(?:side|face|seite|lp|kant)|(?P<disc>disc|disk|cd))\s*[-#.]?\s*"
    r"(?:[A-Ha-h]|(?P<n>\d{1,2})|one|two)|[A-Ha-h][ -]side)\s*"
    r"(?:[(\[][\d:. ]+[)\]])?[\s:=*#_–—-]*$",
    re.IGNORECASE,
)
_MAIL_HEADER = re.compile(
    r"^(?:from|to|cc|sent|date|subject|von|an|betreff|datum|fra|til|emne|dato):\s", re.IGNORECASE
)
_GREETING = re.compile(
    r"^(?:hi|hello|hey|dear|good (?:morning|day)|hallo|hei|hej|kjære|liebe[r]?|bonjour|moin)\b"
    r".{0,40}[,!:]$",
    re.IGNORECASE,
)
_SIGN_OFF = re.compile(
    r"^(?:(?:all the |with )?best(?: wishes| regards)?|(?:kind |warm )?regards|cheers|(?:many )?"
    r"thanks(?: a lot| again)?|thank you|yours(?: sincerely)?|love|greetings|mvh|vh|lg|vg|"
    r"(?:vennlig |beste |mange )?hilsen|viele grüße|mit freundlichen grüßen|cordialement|"
    r"sent from my .*)[,.!]*$",
    re.IGNORECASE,
)
_ADDRESS = re.compile(r"\S@\S|://|\bwww\.", re.IGNORECASE)
_MOST_WORDS = 14
"""A longer line is a sentence, not a title."""
_MOST_LETTERS = 300
_MOST_STEP = 3
"""A numbered list may skip a number or two."""


@dataclass(frozen=True)
class MailLine:
    """A line that is not empty."""

    number: int
    """Number in the file, from 1."""
    text: str
    """Text without quote marks and bullet."""
    depth: int = 0
    """How often a mail program has quoted it."""
    block: int = 0
    """Number of its block; there is no empty line within a block."""


@dataclass(frozen=True)
class SongLine:
    """A line that is a song; its running number, if it has one, is not in the text."""

    line: int
    text: str
    number: int | None = None
    disc: int | None = None


def without_quote_marks(line: str) -> str:
    """Return a line without a mail program's quote marks."""
    return _QUOTE_MARKS.sub("", line)


def lines_of(raw_lines: Sequence[str]) -> list[MailLine]:
    """Return the lines that are not empty."""
    lines, block = [], 0
    for number, raw in enumerate(raw_lines, 1):
        marks = _QUOTE_MARKS.match(raw)
        line = _BULLET.sub("", without_quote_marks(raw).strip()).strip()
        line = _MARKED.sub(r"\2", line)
        if not line:
            block += 1
            continue
        lines.append(MailLine(number, line, marks[0].count(">") if marks else 0, block))
    return lines


def song_lines(
    lines: Sequence[MailLine], is_timed: Sequence[bool]
) -> tuple[list[SongLine], list[MailLine]]:
    """Choose the lines that are songs.

    Where lines are numbered 1, 2, 3 (again from 1 on another side), the numbered lines are songs.
    Where lines have times, the blocks with times are. Otherwise every line is a song that is not a
    greeting, heading, sentence, address or signature.

    Parameters
    ----------
    lines
        Lines of the list.
    is_timed
        Whether each line has a time.

    Returns
    -------
    songs, left_out
        The lines that are songs, and those that are neither song nor heading of a side.
    """
    timed = {line.number for line, has_time in zip(lines, is_timed, strict=True) if has_time}
    heads = {line.number for line in lines if _HEADING.match(line.text)}
    chosen = _of_one_depth([line for line in lines if line.number not in heads], timed)
    numbers = running_numbers([line.text for line in chosen])
    if numbers:
        songs = [line for line, n in zip(chosen, numbers, strict=True) if n is not None]
    elif sum(line.number in timed for line in chosen) > 1:
        songs = list(_in_timed_blocks(chosen, timed))
    else:
        songs = list(_plain_titles(chosen))
    known = {line.number: n for line, n in zip(chosen, numbers, strict=True)} if numbers else {}
    kept = {line.number for line in songs} | heads
    left_out = [line for line in lines if line.number not in kept]
    return list(_numbered(lines, {line.number for line in songs}, known)), left_out


def _numbered(
    lines: Sequence[MailLine], songs: set[int], known: dict[int, int | None]
) -> Iterator[SongLine]:
    """Yield songs without their numbers, with the disc that a heading or a number names."""
    disc: int | None = None
    for line in lines:
        if line.number not in songs:
            head = _HEADING.match(line.text)
            disc = int(head["n"]) if head and head["disc"] and head["n"] else disc
            continue
        counts = line.number in known
        match = _NUMBER.match(line.text) if counts else None
        own = int(match["disc"]) if match and match["disc"] else disc
        text = without_number(line.text) if counts else line.text
        yield SongLine(line.number, text, known.get(line.number), own)


def running_numbers(texts: Sequence[str]) -> list[int | None]:
    """Return the running number of each text; an empty list where the texts are not numbered.

    Examples
    --------
    >>> running_numbers(["A1. Low Lantern", "A2. Tide Table", "B1. Bell Buoy"])
    [1, 2, 1]
    >>> running_numbers(["7 Fathoms", "99 Ropes"])
    []
    """
    matches = [_NUMBER.match(text) for text in texts]
    numbers = [int(m["n"] or m["m"]) if m else None for m in matches]
    marks = [(m["mark"] or ") ") if m else "" for m in matches]
    plain = [bool(_PLAINLY.search(mark)) for mark in marks]
    if all(numbers) and all(plain) and (len(numbers) == 1 or not _rises(numbers)):
        return numbers  # every one is numbered, in whatever order
    places = [place for place, n in enumerate(numbers) if n is not None]
    taken: list[int] = []
    for at, place in enumerate(places):
        n = numbers[place] or 0
        before = numbers[taken[-1]] if taken else None
        after = numbers[places[at + 1]] if at + 1 < len(places) else None
        if before is None:
            counts = n == 1 or (n > 0 and after == n + 1 and plain[place])
        else:
            step = n - before
            same = plain[place] and marks[place].strip() == marks[taken[-1]].strip()
            counts = step == 1 or (n == 1 and before >= 1) or (same and 1 < step <= _MOST_STEP)
        if counts:
            taken.append(place)
    if len(taken) < 2 or not any(numbers[a] != numbers[b] for a, b in pairwise(taken)):
        return _letters(texts)
    return [n if place in taken else None for place, n in enumerate(numbers)]


def _letters(texts: Sequence[str]) -> list[int | None]:
    """Return numbers for texts lettered A, B, C, such as the sides of a single."""
    matches = [_LETTER.match(text) for text in texts]
    counted = "".join(m[1].lower() for m in matches if m)
    counts = 1 < len(counted) == len(texts) and "abcdefghijklmnopqrstuvwxyz".startswith(counted)
    return list(range(1, len(texts) + 1)) if counts else []


def without_number(text: str) -> str:
    """Return a text without its running number or letter."""
    return (_NUMBER if _NUMBER.match(text) else _LETTER).sub("", text, count=1)


def _rises(numbers: Sequence[int | None]) -> bool:
    return all((a or 0) < (b or 0) for a, b in pairwise(numbers))


def _of_one_depth(lines: Sequence[MailLine], timed: set[int]) -> list[MailLine]:
    """Return the lines of one depth of quoting: of the latest mail that has a list."""
    depths = sorted({line.depth for line in lines})
    for depth in depths:
        own = [line for line in lines if line.depth == depth]
        if running_numbers([line.text for line in own]) and len(own) > 1:
            return own
        if sum(line.number in timed for line in own) > 1:
            return own
    most = max(depths, key=lambda d: sum(line.depth == d for line in lines), default=0)
    return [line for line in lines if line.depth == most]


def _in_timed_blocks(lines: Sequence[MailLine], timed: set[int]) -> Iterator[MailLine]:
    """Yield lines with a time, and those among them that are not sentences."""
    for block in dict.fromkeys(line.block for line in lines):
        own = [line for line in lines if line.block == block]
        share = sum(line.number in timed for line in own) / len(own)
        for line in own:
            if line.number in timed or (share >= 0.5 and not _is_prose(line.text)):
                yield line


def _plain_titles(lines: Sequence[MailLine]) -> Iterator[MailLine]:
    for line in lines:
        if _SIGN_OFF.match(line.text) or line.text == "--":
            return
        if not _is_prose(line.text):
            yield line


def _is_prose(text: str) -> bool:
    return bool(
        text.endswith((",", ":", ";"))
        or len(text.split()) > _MOST_WORDS
        or len(text) > _MOST_LETTERS
        or _MAIL_HEADER.match(text)
        or _GREETING.match(text)
        or _SIGN_OFF.match(text)
        or _ADDRESS.search(text)
        or not re.search(r"\w", text)
    )
