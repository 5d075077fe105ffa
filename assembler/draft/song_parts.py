"""Parse the line or cell of a song: duration, ISRC, composers and title.

The forms are those found in mails and spreadsheets.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePath

from assembler.manifest.codes import parse_isrc

AUDIO_SUFFIXES = (
    ".wav", ".wave", ".w64", ".rf64", ".bwf", ".aif", ".aiff", ".aifc", ".flac", ".caf",
    ".mp3", ".ogg", ".opus", ".m4a", ".mp4", ".aac",
)  # fmt: skip

_CLOCK = (
    r"(?:(\d{1,2}):)?(\d{1,2})(?:[:.]|['’′]\s?|\s?m(?:in)?\.?\s?)([0-5]\d)"
    r"(?:\"|″|”|''|’’|\s?s(?:ec)?)?"
)
_CELL = re.compile(rf"\s*{_CLOCK}(?:[.,]\d{{1,3}})?\s*(?:min)?\s*")
_OF_A_DAY = re.compile(r"\s*0[.,]0\d{3,20}\s*", re.ASCII)
_DAY_S = 86_400
_BRACKETED = re.compile(rf"\s*[(\[]\s*{_CLOCK}\s*(?:min)?\s*[)\]]")
_AT_END = re.compile(rf"(?:[\s,;|]|\.{{2,}}|…)+[-–—]?\s*{_CLOCK}(?:\s*min)?\s*([!?*]*)\s*$")
_BETWEEN = re.compile(rf"\s*[-–—|/]\s*{_CLOCK}(?:\s*min)?\s*[-–—|/]\s+(?=\S)")
_AT_START = re.compile(rf"^\s*[(\[]?{_CLOCK}[)\]]?\s*(?:[-–—|]\s*)?(?=\S)")
_ISRC = re.compile(
    r"[\s,;|([–—-]*(?:\bISRC:?\s*)?\b([A-Z]{2}[- ]?[A-Z0-9]{3}[- ]?\d{2}[- ]?\d{5})\b[)\]]?"
)
_LAST_BRACKETS = re.compile(r"^(.*\S)\s*[(\[]([^()\[\]]+)[)\]]$")
_NAME_BEHIND = re.compile(r"\s(?:[-–—|/]|by)\s+([^-–—|/]+)$")
_MOST_LETTERS = 2_000
"""A longer text is not a title."""
_QUOTED = re.compile(r"""["“„]([^"“”„]+)["”“]|'([^']+)'|‘([^‘’]+)’""")

_INITIALS = re.compile(r"(?:[^\W\d_]\.-?)+")
_SURNAMES = re.compile(r"[^\W\d_][\w’'-]+(?:\s*/\s*[^\W\d_][\w’'-]+)+")
_DOTTED = re.compile(r"\d\.[0-5]\d")
_PARTICLES = re.compile(r"van|von|der|den|de|la|le|du|di|da|del|af|av|ten|ter|zu|y")
VERSION_WORD = re.compile(
    r"\b(?:live|demo|reprise|remix|mix|edit|remaster(?:ed)?|acoustic|instrumental|version|take|"
    r"feat|ft|featuring|with|part|pt|bonus|intro|outro|mono|stereo|extended|radio|alternate|"
    r"session|cover|medley|interlude|prelude|coda)\b",
    re.IGNORECASE,
)
"""A word that names another version of a work."""
_BOTH = re.compile(r"\bwords\s+(?:and|&)\s+music\b", re.IGNORECASE)
_ROLE_AHEAD = re.compile(r"[,;/]?\s*(?=\b(?:arr|words|lyrics|text|music)\b)", re.IGNORECASE)
_ROLES = {
    "arrangers": re.compile(r"arr(?:anged|angement)?(?:\.?\s*by\b|[.:])\s*", re.IGNORECASE),
    "lyricists": re.compile(r"(?:words|lyrics|text)(?:\s*by\b|:)\s*", re.IGNORECASE),
    "composers": re.compile(
        r"(?:(?:composed|written|music)\s+by\b|comp[.:]|(?:music|composers?):)\s*", re.IGNORECASE
    ),
}
"""Words before names; without its colon a word may be part of a title: "(Music Box)"."""
_TRADITIONAL = re.compile(r"trad(?:\.|itional)?", re.IGNORECASE)
_NAMES_APART = re.compile(r"\s*[/;&+]\s*|\s+(?:and|und|og|och|et)\s+")


@dataclass(frozen=True)
class SongParts:
    """The parts of a song's text."""

    title: str
    """Title without number, time and code; empty where nothing is left."""
    duration_s: int | None = None
    isrc: str | None = None
    composers: tuple[str, ...] = ()
    lyricists: tuple[str, ...] = ()
    arrangers: tuple[str, ...] = ()
    """Names in brackets after the title."""
    rest: str = ""
    """Text after the duration that is not understood."""


def song_parts(text: str) -> SongParts:
    """Return the parts of a song's text without its running number.

    Examples
    --------
    >>> song_parts("Low Lantern (K. Moen) [1:46] !!").composers
    ('K. Moen',)
    """
    if len(text) > _MOST_LETTERS:
        return SongParts("")
    code = _ISRC.search(text)
    if code:
        text = f"{text[: code.start()]} {text[code.end() :]}".strip(" \t,;|–—-")
    text, duration_s, rest = _without_time(text)
    title = unquoted(text)
    people: dict[str, tuple[str, ...]] = {}
    if (match := _LAST_BRACKETS.match(title)) and (people := credited(match[2])):
        title = unquoted(match[1])
    elif people := credited(rest.strip("()[] ")):
        rest = ""
    isrc = parse_isrc(code[1]) if code else None
    return SongParts(_as_title(title), duration_s, isrc, rest=rest, **people)


def _without_time(text: str) -> tuple[str, int | None, str]:
    """Return a text without its time, the time in seconds, and the text after it."""
    if match := _BRACKETED.search(text):
        before, behind = text[: match.start()].rstrip(" \t–—-"), text[match.end() :].strip()
        return (before, _seconds(match), behind) if before else (behind, _seconds(match), "")
    if match := _AT_END.search(text):
        return text[: match.start()].rstrip(" \t–—-"), _seconds(match), match[4]
    if (match := _BETWEEN.search(text)) and match.start():
        return text[: match.start()], _seconds(match), text[match.end() :]
    return text, None, ""


def isrc_in_cell(text: str | None) -> str | None:
    """Return the ISRC of a cell or tag that is nothing but one."""
    try:
        return parse_isrc(text) if text else None
    except ValueError:
        return None


def is_dotted_time(text: str) -> bool:
    """Return whether a text ends with a time that may be a number as well: "Opus 4.12"."""
    match = _AT_END.search(text)
    return bool(match and _DOTTED.search(match[0]) and not _BRACKETED.search(text))


def leading_time(text: str) -> tuple[int, str] | None:
    """Return the time at the beginning of a text, in seconds, and the text after it."""
    match = _AT_START.match(text)
    return (_seconds(match), text[match.end() :]) if match else None


def time_in_cell(text: str) -> int | None:
    """Return the time in seconds of a cell that is nothing but a time.

    Examples
    --------
    A fraction of a day is what a spreadsheet has for a time that lost its format:

    >>> time_in_cell("3:05"), time_in_cell("0.00214120")
    (185, 185)
    """
    if _OF_A_DAY.fullmatch(text):
        return round(float(text.replace(",", ".")) * _DAY_S)
    match = _CELL.fullmatch(text)
    return _seconds(match) if match else None


def credited(text: str) -> dict[str, tuple[str, ...]]:
    """Return the people that a text in brackets credits; empty where it may be something else.

    Examples
    --------
    >>> credited("trad., arr. K. Moen")
    {'composers': ('trad.',), 'arrangers': ('K. Moen',)}
    >>> credited("live"), credited("Harbour Song")
    ({}, {})
    """
    found: dict[str, tuple[str, ...]] = {}
    for part in _ROLE_AHEAD.split(_BOTH.sub("music", text.strip())):
        if not part:
            continue
        role = next((r for r, known in _ROLES.items() if known.match(part)), None)
        people = names_in(_ROLES[role].sub("", part, count=1) if role else part.rstrip(",; "))
        is_name = _may_be_a_name if role else _is_surely_a_name
        if not people or not all(map(is_name, people)):
            return {}
        found[role or "composers"] = (*found.get(role or "composers", ()), *people)
    return found


def names_in(text: str) -> tuple[str, ...]:
    """Return the names in a text; a comma separates them where each part is a whole name.

    Examples
    --------
    >>> names_in("K. Moen / Ines Falk"), names_in("Moen, Kari")
    (('K. Moen', 'Ines Falk'), ('Moen, Kari',))
    """
    names = [name.strip() for name in _NAMES_APART.split(text) if name.strip()]
    if len(names) == 1 and "," in names[0]:
        parts = [part.strip() for part in names[0].split(",") if part.strip()]
        if all(" " in part or _TRADITIONAL.fullmatch(part) for part in parts):
            names = parts
    return tuple(names)


def perhaps_a_name(text: str) -> bool:
    """Return whether a text in brackets looks like full names or surnames, not a version."""
    if VERSION_WORD.search(text):
        return False
    if _SURNAMES.fullmatch(text):
        return all(name.strip()[0].isupper() for name in text.split("/"))
    return 2 <= len(text.split()) <= 4 and _may_be_a_name(text)


def _may_be_a_name(text: str) -> bool:
    words = text.split()
    letters = all(re.fullmatch(r"[^\W\d_][\w’'.-]*,?", word) for word in words)
    return letters and all(word[0].isupper() or _PARTICLES.fullmatch(word) for word in words)


def name_behind(title: str) -> str | None:
    """Return a name with initials that ends a title: "Low Lantern – K. Moen"."""
    match = _NAME_BEHIND.search(title)
    return match[1] if match and all(map(_is_surely_a_name, names_in(match[1]))) else None


def in_last_brackets(title: str) -> tuple[str, str] | None:
    """Return a title and the text in brackets after it."""
    match = _LAST_BRACKETS.match(title)
    return (match[1], match[2]) if match else None


def unquoted(title: str) -> str:
    """Return a title without quotes around all of it."""
    quoted = _QUOTED.fullmatch(title.strip())
    return (quoted[quoted.lastindex or 1] if quoted else title).strip()


def _is_surely_a_name(name: str) -> bool:
    """Return whether a text is initials and a surname, or "trad."."""
    if _TRADITIONAL.fullmatch(name):
        return True
    first, _, surname = name.partition(" ")
    if not surname:  # "K.Moen"
        match = _INITIALS.match(name)
        first, surname = (match[0], name[match.end() :]) if match else ("", "")
    words = surname.split()
    return bool(
        _INITIALS.fullmatch(first)
        and first[0].isupper()
        and 0 < len(words) <= 4
        and not _INITIALS.fullmatch(words[-1])
        and len(words[-1]) > 1
        and words[-1][0].isupper()
        and _may_be_a_name(surname)
    )


def _as_title(text: str) -> str:
    """Return a title; without the extension where it is a file name."""
    if PurePath(text).suffix.lower() in AUDIO_SUFFIXES:
        text = text[: -len(PurePath(text).suffix)]
        text = text if " " in text else re.sub(r"[_\s]+", " ", text)
    return text.strip()


def _seconds(match: re.Match[str]) -> int:
    hours, minutes, seconds = (int(part or 0) for part in match.groups()[:3])
    return hours * 3600 + minutes * 60 + seconds
