"""The fields that a list or a table can have: headings, check, and key in the manifest.

One row per field. A field without a key is found and reported, and left out; give its row a key,
and `import` fills it in.

ISRC: ISO 3901:2019. ISWC: ISO 15707, form only: the manifest's model checks what is filled in.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from assembler.draft.song_parts import isrc_in_cell, time_in_cell

Kind = Literal["text", "names", "code", "date"]


def _any_text(text: str) -> bool:
    return bool(text)


def _of_form(pattern: str) -> Callable[[str], bool]:
    form = re.compile(pattern, re.ASCII | re.IGNORECASE)
    return lambda text: form.fullmatch(text.strip()) is not None


@dataclass(frozen=True)
class ListField:
    """A field of a list or a table."""

    name: str
    """As messages name it, and as `export` heads its column."""
    headings: str
    """Usual headings in lower case, separated by bars."""
    key: str | None = None
    """The key of a track in the manifest; None where it has none."""
    is_valid: Callable[[str], bool] = _any_text
    """Check the form of a cell that is not empty."""
    kind: Kind = "text"
    """How its text is read and compared."""
    words: Mapping[str, str] = field(default_factory=dict)
    """Cells that the manifest writes in another way, in lower case."""


_ADVISORIES = {
    "yes": "explicit", "y": "explicit", "e": "explicit", "edited": "clean", "no": "none",
    "n": "none", "not explicit": "none", "non-explicit": "none", "non explicit": "none",
}  # fmt: skip
_YES_OR_NO = {
    "y": "yes", "x": "yes", "instrumental": "yes", "n": "no", "-": "no", "vocal": "no",
    "vocals": "no",
}  # fmt: skip

LIST_FIELDS: dict[str, ListField] = {
    "number": ListField(
        "No.",
        "no|nr|#|number|track no|track nr|track number|track #|pos|position|nummer|seq|n°|nº|num|"
        "numéro|número|numero|tracknr|titelnr|spornr",
    ),
    "disc": ListField("Disc", "disc|cd|disk|volume|vol|disc no|disc number|disque|disco|plate"),
    "title": ListField(
        "Title",
        "title|song|song title|track title|track name|name|titel|tittel|titre|sang|låt|título|"
        "titulo|titolo|work title|recording title|title / artist|title/artist|artist / title|"
        "artist/title|artist - title|title - artist|title and artist|artist and title|"
        "titel / interpret",
    ),
    "version": ListField(
        "Version", "version|mix|version title|subtitle|versjon|versión", "version"
    ),
    "version_of": ListField(
        "Version of", "version of|version of track|edit of|original track|original recording",
        "version_of",
    ),
    "on": ListField("On", "on|edition|editions|on edition|on editions", "on"),
    "artist": ListField(
        "Artist",
        "artist|artists|artist name|main artist|primary artist|performer|interpret|band|artiste|"
        "artista|interprète|intérprete|utøver",
        "artist",
    ),
    "duration": ListField(
        "Duration",
        "duration|time|length|dur|dauer|tid|lengde|durée|track length|track time|laufzeit|länge|"
        "varighet|varighed|længde|längd|speltid|spilletid|duración|durata|duur|running time|timing",
        is_valid=lambda text: time_in_cell(text) is not None,
    ),
    "isrc": ListField(
        "ISRC",
        "isrc|isrc code|isrc-code|isrc no|isrc number|isrc nr|code isrc|código isrc|codice isrc|"
        "isrc-kode|isrc-kod",
        "isrc",
        lambda text: isrc_in_cell(text) is not None,
        "code",
    ),
    "composers": ListField(
        "Composers",
        "composer|composers|writer|writers|songwriter|songwriters|written by|composed by|author|"
        "authors|music|music by|komponist|komponister|komponisten|composer(s)|writer(s)|"
        "songwriter(s)|compositeur|compositeurs|compositor|compositores|compositore|compositori|"
        "componist|kompositör|kompositörer|säveltäjä|musik|musikk|musique",
        "composers",
        kind="names",
    ),
    "lyricists": ListField(
        "Lyricists",
        "lyricist|lyricists|lyrics by|words|words by|text|lyricist(s)|tekst|texter|textdichter|"
        "auteur|auteurs|parolier|paroles|letrista|letra|autore|autori|testo|tekstschrijver|"
        "tekstforfatter|textförfattare|sanoittaja",
        "lyricists",
        kind="names",
    ),
    "arrangers": ListField(
        "Arrangers",
        "arranger|arrangers|arranged by|arranger(s)|arr|bearbeiter|arrangeur|arrangeurs|arreglista|"
        "arrangiatore|arrangør|arrangør(er)|arrangör|arrangement|sovittaja",
        "arrangers",
        kind="names",
    ),
    "publisher": ListField(
        "Publisher",
        "publisher|publishers|publisher(s)|publishing|published by|verlag|musikverlag|forlag|"
        "förlag|éditeur|éditeurs|éditions|editorial|editore|uitgever|kustantaja",
        "publisher",
    ),
    "recorded": ListField(
        "Recorded",
        "recorded|recording date|date recorded|date of recording|recording year|year of recording|"
        "aufnahmedatum|aufgenommen|innspilt|indspillet|inspelad|date d'enregistrement",
        "recorded",
        _of_form(r"\d{4}(-\d\d(-\d\d)?)?"),
        "date",
    ),
    "recorded_at": ListField(
        "Recorded at",
        "recorded at|recording location|place of recording|recording place|studio|aufnahmeort|"
        "innspillingssted|lieu d'enregistrement",
        "recorded_at",
    ),
    "iswc": ListField(
        "ISWC", "iswc|iswc code|work code|code iswc", "iswc",
        _of_form(r"T[-. ]?(\d[-. ]?){9}\d"), "code",
    ),
    "publisher_shares": ListField(
        "Publisher shares",
        "publisher share|publisher shares|publisher share %|publishing share|publisher split|"
        "verlagsanteil|forlagsandel",
        "publishers",
    ),
    "publisher_ipi": ListField(
        "Publisher IPI",
        "publisher ipi|publisher ipi number|publisher ipi name number|publisher cae|"
        "publisher cae/ipi|verlag ipi",
        "publishers",
    ),
    "ipi": ListField(
        "Writer IPI",
        "ipi|ipi number|ipi name number|ipi no|cae|cae/ipi|ipi/cae|cae / ipi|composer ipi|"
        "writer ipi|writers ipi|songwriter ipi",
        "writers_ipi", kind="names",
    ),
    "shares": ListField("Shares", "share|shares|split|splits|%|share %|andel|anteil"),
    "language": ListField(
        "Language",
        "language|lang|language sung|audio language|language of performance|sprache|språk|sprog|"
        "langue|idioma|lingua|taal|kieli",
        "language",
    ),
    "lyrics_language": ListField(
        "Lyrics language", "lyrics language|language of lyrics|language of the lyrics",
        "lyrics_language",
    ),
    "instrumental": ListField(
        "Instrumental", "instrumental|instrumental y/n", "instrumental", words=_YES_OR_NO
    ),
    "advisory": ListField(
        "Advisory", "explicit|advisory|parental advisory|explicit y/n|clean/explicit", "advisory",
        words=_ADVISORIES,
    ),
    "genre": ListField("Genre", "genre|subgenre|style|sjanger", "genre"),
    "featuring": ListField(
        "Featuring", "featuring|feat|featured artist|featured artists", "featuring", kind="names"
    ),
    "remixers": ListField("Remixers", "remixer|remixers|remixed by", "remixers", kind="names"),
    "conductor": ListField(
        "Conductor", "conductor|conductors|dirigent|chef d'orchestre|director", "conductor",
        kind="names",
    ),
    "orchestra": ListField(
        "Orchestra", "orchestra|ensemble|orchester|orkester|orchestre|orquesta", "orchestra",
        kind="names",
    ),
    "soloists": ListField("Soloists", "soloist|soloists|solist|solisten|soliste", "soloists",
                          kind="names"),
    "performers": ListField(
        "Performers",
        "performers|musicians|featured performers|non-featured performers|mitwirkende|musiker|"
        "musikere|medvirkende|interprètes|intérpretes|players",
        "credits", kind="names",
    ),
    "work": ListField("Work", "work|opus|werk|verk|œuvre|obra|opera", "work"),
    "movement": ListField(
        "Movement", "movement|movement title|satz|mouvement|movimiento|movimento", "movement"
    ),
    "movement_number": ListField(
        "Movement no.", "movement no|movement number|movement nr|satz nr", "movement_number"
    ),
    "p_line": ListField("℗", "℗|p line|p-line|(p)|p line text|℗ line|phonogram", "p_line"),
    "recording_country": ListField(
        "Country of recording",
        "country|country of recording|recording country|land|pays|país|paese",
        "recording_country",
    ),
    "original_release_date": ListField(
        "First released",
        "original release date|first released|first release|original release|"
        "date of first release",
        "original_release_date", _of_form(r"\d{4}(-\d\d(-\d\d)?)?"), "date",
    ),
}  # fmt: skip
"""By the name that the program uses."""

EITHER_NUMBER_OR_TITLE = frozenset(["track", "spor", "spur", "piste", "spår", "pista", "brano"])
"""Headings of a column of numbers or of titles."""

_BESIDE_COMPOSERS: dict[str, str | None] = {
    "author": "lyricists", "authors": "lyricists", "writer": None, "writers": None,
    "writer(s)": None, "songwriter": None, "songwriters": None, "songwriter(s)": None,
    "written by": None,
}  # fmt: skip
"""Headings that mean composers alone, but not beside a column of composers: an author then wrote
the words (CISAC's role A, from memory); a writer may be either."""

_BY_HEADING = {
    heading: role for role, field in LIST_FIELDS.items() for heading in field.headings.split("|")
}


def heading_text(cell: str) -> str:
    """Return a heading as `LIST_FIELDS` has it: in lower case, without a number or a mark after it.

    Examples
    --------
    >>> heading_text("Composer 2:"), heading_text("ISRC-Code *")
    ('composer', 'isrc-code')
    """
    text = re.sub(r"\s*[.:*]+$", "", cell.lower().strip()).strip()
    return text if text in _BY_HEADING else re.sub(r"\s*\d$", "", text)


def fields_of_head(cells: Sequence[str]) -> list[str | None]:
    """Return the field of each column of a header; None where it is unknown or named before.

    Examples
    --------
    >>> fields_of_head(["Title", "Composer 1", "Composer 2", "Author", "Mood"])
    ['title', 'composers', 'composers', 'lyricists', None]
    """
    names = [heading_text(cell) for cell in cells]
    fields = [field_of_heading(cell) for cell in cells]
    composers = {n for n, f in zip(names, fields, strict=True) if f == "composers"}
    if composers - _BESIDE_COMPOSERS.keys():
        fields = [
            _BESIDE_COMPOSERS.get(name, field) for name, field in zip(names, fields, strict=True)
        ]
    first: dict[str | None, str] = {}
    for name, of in zip(names, fields, strict=True):
        first.setdefault(of, name)
    seen: list[str | None] = []
    for name, of in zip(names, fields, strict=True):
        repeats = of is not None and LIST_FIELDS[of].kind == "names" and first[of] == name
        seen.append(of if repeats or of not in seen else None)
    return seen


def field_of_heading(cell: str) -> str | None:
    """Return the field that a heading names; None where it names none."""
    return _BY_HEADING.get(heading_text(cell))
