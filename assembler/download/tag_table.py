"""Tags: one table of the fields and their names in each container.

ID3v2.4.0 (id3.org) for MP3 and WAV; Vorbis comments (xiph.org field recommendations, RFC 9639) for
FLAC, Ogg Vorbis and Opus; the item list of MP4, with freeform items where it has none of its own;
the INFO list of RIFF (Multimedia Programming Interface and Data Specifications 1.0, 1991) for WAV.
Where the standards have no name, it is the one that most readers know (common practice).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from assembler.download.formats import Container
from assembler.download.playing_levels import PlayingLevels, r128_gain, replay_gain
from assembler.manifest.iso_codes import three_letters
from assembler.manifest.model import Release
from assembler.manifest.roles import is_performer
from assembler.metadata import TrackMetadata

FREEFORM = "----:com.apple.iTunes:"
"""The name space in which MP4 readers look for freeform items."""


@dataclass(frozen=True)
class TagRow:
    """The names of one field in each container; empty where the container lacks it."""

    field: str
    frame: str
    """ID3v2.4 frame; ``TXXX:`` with a description where ID3 has none. Several fields may share a
    frame."""
    comment: str
    item: str
    info: str = ""
    """RIFF INFO chunk, for readers that ignore ID3 in a WAV file."""


# What ID3v2.4.0, xiph.org and MP4 have no name for follows TagLib 2's published property mapping:
# WORK is TIT1, MOVEMENTNAME MVNM, COMPILATION TCMP, ALBUMARTISTSORT TSO2; a name without a frame is
# TXXX:NAME, one without an item is freeform. The items rtng, cpil, soar, soaa, ©wrk, ©mvn and ©mvi
# are those that mutagen documents. Advisories have a place in MP4 alone; countries, territories,
# shares and IPI have none: release.json has them.
#
# Readers show TDRC and DATE as the release's year, though the standards define them as the date of
# recording. So they have the release date, and the recording date has a name of its own. Label and
# music publisher are two fields; ID3's TPUB may be either.
TABLE = (
    TagRow("title", "TIT2", "TITLE", "©nam", "INAM"),
    TagRow("artist", "TPE1", "ARTIST", "©ART", "IART"),
    TagRow("album_artist", "TPE2", "ALBUMARTIST", "aART"),
    TagRow("artist_sort", "TSOP", "ARTISTSORT", "soar"),
    TagRow("album_artist_sort", "TSO2", "ALBUMARTISTSORT", "soaa"),
    TagRow("compilation", "TCMP", "COMPILATION", "cpil"),
    TagRow("album", "TALB", "ALBUM", "©alb", "IPRD"),
    TagRow("track", "TRCK", "TRACKNUMBER", "trkn", "ITRK"),
    TagRow("tracks", "TRCK", "TRACKTOTAL", "trkn"),
    TagRow("disc", "TPOS", "DISCNUMBER", "disk"),
    TagRow("discs", "TPOS", "DISCTOTAL", "disk"),
    TagRow("recorded", "TXXX:RECORDINGDATE", "RECORDINGDATE", FREEFORM + "RECORDINGDATE"),
    TagRow("recorded_at", "TXXX:LOCATION", "LOCATION", FREEFORM + "LOCATION"),
    TagRow("released", "TDRC", "DATE", "©day", "ICRD"),
    TagRow("release_time", "TDRL", "", ""),
    TagRow("original_release", "TDOR", "ORIGINALDATE", FREEFORM + "ORIGINALDATE"),
    TagRow("isrc", "TSRC", "ISRC", FREEFORM + "ISRC"),
    TagRow("iswc", "TXXX:ISWC", "ISWC", FREEFORM + "ISWC"),
    TagRow("work", "TIT1", "WORK", "©wrk"),
    TagRow("movement", "MVNM", "MOVEMENTNAME", "©mvn"),
    TagRow("movement_number", "MVIN", "MOVEMENTNUMBER", "©mvi"),
    TagRow("composers", "TCOM", "COMPOSER", "©wrt"),
    TagRow("lyricists", "TEXT", "LYRICIST", FREEFORM + "LYRICIST"),
    TagRow("arrangers", "TIPL", "ARRANGER", FREEFORM + "ARRANGER"),
    TagRow("producers", "TIPL", "PRODUCER", FREEFORM + "PRODUCER"),
    TagRow("engineers", "TIPL", "ENGINEER", FREEFORM + "ENGINEER", "IENG"),
    TagRow("people", "TXXX:CREDITS", "CREDITS", FREEFORM + "CREDITS"),
    TagRow("conductors", "TPE3", "CONDUCTOR", FREEFORM + "CONDUCTOR"),
    TagRow("remixers", "TPE4", "REMIXER", FREEFORM + "REMIXER"),
    TagRow("performers", "TMCL", "PERFORMER", FREEFORM + "PERFORMER"),
    TagRow("publisher", "TXXX:PUBLISHER", "PUBLISHER", FREEFORM + "PUBLISHER"),
    TagRow("label", "TPUB", "ORGANIZATION", FREEFORM + "LABEL"),
    TagRow("catalogue_number", "TXXX:CATALOGNUMBER", "CATALOGNUMBER", FREEFORM + "CATALOGNUMBER"),
    TagRow("barcode", "TXXX:BARCODE", "BARCODE", FREEFORM + "BARCODE"),
    TagRow("p_line", "TPRO", "PHONOGRAM", FREEFORM + "PHONOGRAM"),
    TagRow("c_line", "TCOP", "COPYRIGHT", "cprt", "ICOP"),
    TagRow("genre", "TCON", "GENRE", "©gen", "IGNR"),
    TagRow("language", "TLAN", "LANGUAGE", FREEFORM + "LANGUAGE", "ILNG"),
    TagRow("advisory", "", "", "rtng"),
    TagRow("comment", "COMM", "DESCRIPTION", "©cmt", "ICMT"),
    TagRow("lyrics", "USLT", "LYRICS", "©lyr"),
    TagRow("lyrics_language", "USLT:lang", "", ""),
    TagRow(
        "track_gain", "TXXX:REPLAYGAIN_TRACK_GAIN", "REPLAYGAIN_TRACK_GAIN",
        FREEFORM + "replaygain_track_gain",
    ),
    TagRow(
        "track_peak", "TXXX:REPLAYGAIN_TRACK_PEAK", "REPLAYGAIN_TRACK_PEAK",
        FREEFORM + "replaygain_track_peak",
    ),
    TagRow(
        "album_gain", "TXXX:REPLAYGAIN_ALBUM_GAIN", "REPLAYGAIN_ALBUM_GAIN",
        FREEFORM + "replaygain_album_gain",
    ),
    TagRow(
        "album_peak", "TXXX:REPLAYGAIN_ALBUM_PEAK", "REPLAYGAIN_ALBUM_PEAK",
        FREEFORM + "replaygain_album_peak",
    ),
    TagRow("r128_track_gain", "", "R128_TRACK_GAIN", ""),
    TagRow("r128_album_gain", "", "R128_ALBUM_GAIN", ""),
)  # fmt: skip

ADVISORIES = {"none": "0", "explicit": "1", "clean": "2"}
"""Numbers of MP4's item ``rtng`` (exiftool's table of QuickTime's item list)."""
_COLUMNS: dict[Container, str] = {"mp3": "frame", "wav": "frame", "mp4": "item"}
"""The column of `TABLE` for a container; all others have comments."""

Values = dict[str, tuple[str, ...]]
"""Texts by field, one or more each."""
Involved = tuple[tuple[str, str], ...]
"""Pairs of a role and a name."""

_ARRANGING = frozenset(("arranged", "arrangement", "arranger"))
_PRODUCING = frozenset(("produced", "producer", "production"))
_CONDUCTING = frozenset(("conducted", "conducting", "conductor"))
_NOT_THE_PRODUCER = frozenset((
    "assistant", "associate", "coordinator", "design", "designer", "executive", "manager",
))  # fmt: skip
"""Words of a production role that is not the producer's."""
_REMIXING = frozenset(("remix", "remixed", "remixer"))
_ENGINEERING = frozenset((
    "engineer", "engineering", "mastered", "mastering", "mix", "mixer", "mixing", "recording",
    "recordist", "restoration", "restored", "transfer", "transfers",
))  # fmt: skip


def tag_values(
    release: Release,
    metadata: TrackMetadata,
    container: Container,
    levels: PlayingLevels | None = None,
) -> Values:
    """Return the values of every field of the table that has any.

    The container decides the form of levels and languages; without levels there are no gain tags.
    """
    details = metadata.details
    is_id3 = container in ("mp3", "wav")
    language = three_letters(details.language) if details.language and is_id3 else details.language
    subgenre = release.subgenre if details.genre == release.genre else None
    values: dict[str, Iterable[str | None]] = {
        "title": [metadata.title],
        "artist": [metadata.artist],
        "artist_sort": [_sort_name(release, metadata.artist)],
        "album_artist": [metadata.album_artist],
        "album_artist_sort": [_sort_name(release, metadata.album_artist)],
        "compilation": ["1" if metadata.is_compilation else None],
        "album": [release.title],
        "track": [str(metadata.number)],
        "tracks": [str(metadata.of)],
        "disc": [str(metadata.disc)],
        "discs": [str(metadata.of_discs)],
        "recorded": [metadata.recorded],
        "recorded_at": [metadata.recorded_at],
        "released": [release.release_date],
        "release_time": [release.release_date],
        "original_release": [details.original_release_date],
        "isrc": [metadata.isrc],
        "iswc": [details.iswc],
        "work": [details.work],
        "movement": [details.movement],
        "movement_number": [str(details.movement_number or "")],
        "composers": metadata.composers,
        "lyricists": metadata.lyricists,
        "publisher": [publisher.name for publisher in details.publishers],
        "label": [release.label],
        "catalogue_number": [release.catalogue_number],
        "barcode": [release.barcode],
        "p_line": [details.p_line],
        "c_line": [release.c_line],
        "genre": [details.genre, subgenre],
        "language": [language],
        "advisory": [ADVISORIES.get(details.advisory or "")],
        "comment": [metadata.comment],
        "lyrics": [metadata.lyrics],
        "lyrics_language": [three_letters(details.lyrics_language)] if metadata.lyrics else [],
        **people_values(performers(metadata), production(metadata)),
    }
    values |= {field: [text] for field, text in _gains(levels, container)}
    column = _COLUMNS.get(container, "comment")
    places = {row.field for row in TABLE if getattr(row, column)}
    texts_by_field = {field: tuple(v for v in texts if v) for field, texts in values.items()}
    return {field: texts for field, texts in texts_by_field.items() if texts and field in places}


def _sort_name(release: Release, artist: str) -> str | None:
    return release.sort_name if artist == release.artist else None


def _gains(levels: PlayingLevels | None, container: Container) -> Iterable[tuple[str, str]]:
    if levels is None:
        return ()
    return r128_gain(levels) if container == "opus" else replay_gain(levels)


def performers(metadata: TrackMetadata) -> Involved:
    """Return the performers with their instruments, the conductor included."""
    return tuple(dict.fromkeys((c.role, c.name) for c in metadata.credits if is_performer(c.role)))


def production(metadata: TrackMetadata) -> Involved:
    """Return the track's arrangers and all credits of production and artwork."""
    arrangers = [("arranger", name) for name in metadata.arrangers]
    credited = [(c.role, c.name) for c in metadata.credits if not is_performer(c.role)]
    return tuple(dict.fromkeys((*arrangers, *credited)))


def people_values(performing: Involved, producing: Involved) -> Values:
    """Return the values of the fields that name people with their roles."""
    producers = (pair for pair in producing if not _NOT_THE_PRODUCER & _words_of(pair[0]))
    return {
        "performers": tuple(f"{name} ({role})" for role, name in musicians(performing)),
        "people": tuple(f"{name} ({role})" for role, name in producing),
        "conductors": _names(performing, _CONDUCTING),
        "arrangers": _names(producing, _ARRANGING),
        "producers": _names(producers, _PRODUCING),
        "engineers": _names(producing, _ENGINEERING),
        "remixers": _names(producing, _REMIXING),
    }


def musicians(performing: Involved) -> Involved:
    """Return the performers without the conductor, who has a field of their own."""
    return tuple(pair for pair in performing if not _CONDUCTING & _words_of(pair[0]))


def _names(people: Iterable[tuple[str, str]], words: frozenset[str]) -> tuple[str, ...]:
    """Return the names, each once, of people whose role has one of some words."""
    return tuple(dict.fromkeys(name for role, name in people if words & _words_of(role)))


def _words_of(role: str) -> frozenset[str]:
    return frozenset(role.lower().replace("-", " ").split())
