"""Tags: one table from what the manifest says to what each container calls it.

ID3v2.4.0 (id3.org) for MP3 and WAV; Vorbis comments (xiph.org field recommendations, RFC 9639) for
FLAC, Ogg Vorbis and Opus; the item list of MP4, with freeform items where it has none of its own;
the INFO list of RIFF (Multimedia Programming Interface and Data Specifications 1.0, 1991) for WAV.
Where the open standards have no name, the one that most readers know stands (common practice).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from assembler.download.formats import Container
from assembler.download.languages import three_letters
from assembler.download.playing_levels import PlayingLevels, r128_gain, replay_gain
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata, is_performer

FREEFORM = "----:com.apple.iTunes:"
"""The name space that MP4 readers look for freeform items in."""


@dataclass(frozen=True)
class TagRow:
    """What one field is called in each container; empty where it has no place there.

    Attributes
    ----------
    field
        Our name for it.
    frame
        ID3v2.4 frame; ``TXXX:`` with a description where ID3 has none. Fields that share a frame
        stand in it together.
    comment
        Vorbis comment.
    item
        MP4 item.
    info
        RIFF INFO chunk, for readers that pass over ID3 in a WAV file.
    """

    field: str
    frame: str
    comment: str
    item: str
    info: str = ""


# TDRC and DATE are what readers show as the release's year; the standards mean the day of recording
# by them. So they hold the release date, and the day of recording has a name of its own. Label and
# music publisher are two fields; ID3's TPUB may hold either.
TABLE = (
    TagRow("title", "TIT2", "TITLE", "©nam", "INAM"),
    TagRow("artist", "TPE1", "ARTIST", "©ART", "IART"),
    TagRow("album_artist", "TPE2", "ALBUMARTIST", "aART"),
    TagRow("album", "TALB", "ALBUM", "©alb", "IPRD"),
    TagRow("track", "TRCK", "TRACKNUMBER", "trkn", "ITRK"),
    TagRow("tracks", "TRCK", "TRACKTOTAL", "trkn"),
    TagRow("disc", "TPOS", "DISCNUMBER", "disk"),
    TagRow("discs", "TPOS", "DISCTOTAL", "disk"),
    TagRow("recorded", "TXXX:RECORDINGDATE", "RECORDINGDATE", FREEFORM + "RECORDINGDATE"),
    TagRow("recorded_at", "TXXX:LOCATION", "LOCATION", FREEFORM + "LOCATION"),
    TagRow("released", "TDRC", "DATE", "©day", "ICRD"),
    TagRow("release_time", "TDRL", "", ""),
    TagRow("isrc", "TSRC", "ISRC", FREEFORM + "ISRC"),
    TagRow("composers", "TCOM", "COMPOSER", "©wrt"),
    TagRow("lyricists", "TEXT", "LYRICIST", FREEFORM + "LYRICIST"),
    TagRow("arrangers", "TIPL", "ARRANGER", FREEFORM + "ARRANGER"),
    TagRow("producers", "TIPL", "PRODUCER", FREEFORM + "PRODUCER"),
    TagRow("engineers", "TIPL", "ENGINEER", FREEFORM + "ENGINEER", "IENG"),
    TagRow("people", "TXXX:CREDITS", "CREDITS", FREEFORM + "CREDITS"),
    TagRow("conductors", "TPE3", "CONDUCTOR", FREEFORM + "CONDUCTOR"),
    TagRow("performers", "TMCL", "PERFORMER", FREEFORM + "PERFORMER"),
    TagRow("publisher", "TXXX:PUBLISHER", "PUBLISHER", FREEFORM + "PUBLISHER"),
    TagRow("label", "TPUB", "ORGANIZATION", FREEFORM + "LABEL"),
    TagRow("catalogue_number", "TXXX:CATALOGNUMBER", "CATALOGNUMBER", FREEFORM + "CATALOGNUMBER"),
    TagRow("barcode", "TXXX:BARCODE", "BARCODE", FREEFORM + "BARCODE"),
    TagRow("p_line", "TPRO", "PHONOGRAM", FREEFORM + "PHONOGRAM"),
    TagRow("c_line", "TCOP", "COPYRIGHT", "cprt", "ICOP"),
    TagRow("genre", "TCON", "GENRE", "©gen", "IGNR"),
    TagRow("language", "TLAN", "LANGUAGE", FREEFORM + "LANGUAGE", "ILNG"),
    TagRow("comment", "COMM", "DESCRIPTION", "©cmt", "ICMT"),
    TagRow("lyrics", "USLT", "LYRICS", "©lyr"),
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

Values = dict[str, tuple[str, ...]]
"""Texts by field; several values of one field stay several."""
Involved = tuple[tuple[str, str], ...]
"""Pairs of a role and a name."""

_ARRANGING = frozenset(("arranged", "arrangement", "arranger"))
_PRODUCING = frozenset(("produced", "producer", "production"))
_CONDUCTING = frozenset(("conducted", "conducting", "conductor"))
_OTHER_PRODUCTION = frozenset((
    "assistant", "associate", "coordinator", "design", "designer", "executive", "manager",
))  # fmt: skip
"""Words that make a producing role another one than the producer's."""
_AT_THE_DESK = frozenset((
    "engineer", "engineering", "mastered", "mastering", "mix", "mixer", "mixing", "recording",
    "recordist", "restoration", "restored", "transfer", "transfers",
))  # fmt: skip


def tag_values(
    release: Release,
    words: TrackMetadata,
    container: Container,
    levels: PlayingLevels | None = None,
) -> Values:
    """Return the values of every field of the table that has any.

    Parameters
    ----------
    release, words
        What the manifest says.
    container
        Decides how levels and languages are told.
    levels
        Of the finished file; without them no gain is told.
    """
    language = release.language
    if language and container in ("mp3", "wav"):
        language = three_letters(language)
    values: dict[str, Iterable[str | None]] = {
        "title": [words.title],
        "artist": [words.artist],
        "album_artist": [release.artist],
        "album": [release.title],
        "track": [str(words.number)],
        "tracks": [str(words.of)],
        "disc": [str(words.disc)],
        "discs": [str(words.of_discs)],
        "recorded": [words.recorded],
        "recorded_at": [words.recorded_at],
        "released": [release.release_date],
        "release_time": [release.release_date] if container in ("mp3", "wav") else [],
        "isrc": [words.isrc],
        "composers": words.composers,
        "lyricists": words.lyricists,
        "publisher": [words.publisher],
        "label": [release.label],
        "catalogue_number": [release.catalogue_number],
        "barcode": [release.barcode],
        "p_line": [release.p_line],
        "c_line": [release.c_line],
        "genre": [release.genre],
        "language": [language],
        "comment": [words.comment],
        "lyrics": [words.lyrics],
        **people_values(players(words), behind_the_desk(words)),
    }
    if levels:
        told = r128_gain(levels) if container == "opus" else replay_gain(levels)
        values |= {field: [text] for field, text in told}
    kept = {field: tuple(v for v in texts if v) for field, texts in values.items()}
    return {field: texts for field, texts in kept.items() if texts}


def players(words: TrackMetadata) -> Involved:
    """Return who played or sang what."""
    return tuple(dict.fromkeys((p.role, p.name) for p in words.credits if is_performer(p.role)))


def behind_the_desk(words: TrackMetadata) -> Involved:
    """Return who arranged, produced, recorded and so on: the track's arrangers and the credits."""
    arranged = [("arranger", name) for name in words.arrangers]
    credited = [(p.role, p.name) for p in words.credits if not is_performer(p.role)]
    return tuple(dict.fromkeys((*arranged, *credited)))


def people_values(played: Involved, behind: Involved) -> Values:
    """Return the values of the fields that name people with what they did."""
    return {
        "performers": tuple(f"{name} ({role})" for role, name in musicians(played)),
        "people": tuple(f"{name} ({role})" for role, name in behind),
        "conductors": _names(played, _CONDUCTING),
        "arrangers": _names(behind, _ARRANGING),
        "producers": _names(
            (one for one in behind if not _OTHER_PRODUCTION & _words_of(one[0])), _PRODUCING
        ),
        "engineers": _names(behind, _AT_THE_DESK),
    }


def musicians(played: Involved) -> Involved:
    """Return those who play or sing: the conductor has a field of their own."""
    return tuple(one for one in played if not _CONDUCTING & _words_of(one[0]))


def _names(people: Iterable[tuple[str, str]], doing: frozenset[str]) -> tuple[str, ...]:
    """Return the names, each once, of those whose role has one of these words."""
    return tuple(dict.fromkeys(name for role, name in people if doing & _words_of(role)))


def _words_of(role: str) -> frozenset[str]:
    return frozenset(role.lower().replace("-", " ").split())
