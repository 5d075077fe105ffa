"""What shops and societies ask for, in the tags of every container, read by four other programs.

Each reader has its own names for a field, and some show only the first of several values, or leave
out what they don't know; `NOT_SHOWN` lists that, so that nothing else can go missing unseen.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from download.album import DETAILED, MANIFEST, encoded
from outside import by_exiftool, by_mediainfo, tags_by_ffprobe, tags_by_taglib

from assembler.download.formats import FACTS
from assembler.download.tag_table import tag_values
from assembler.download.tags import read_tags, write_tags

FORMATS = ("flac-16", "wav-24", "mp3-vbr", "aac-256", "alac-24", "opus-160", "ogg-q8")
READERS: dict[str, Callable[[Path], Any]] = {
    "TagLib": tags_by_taglib,
    "ffprobe": tags_by_ffprobe,
    "mediainfo": by_mediainfo,
    "exiftool": by_exiftool,
}
SHOWN = {
    "featuring": ("(feat. Jorun Hald) [live]", "title"),
    "sort_name": (
        "Ferry Singers, Halden",
        "albumartistsort tso2 sort_album_artist album_performer_sort albumartistsortorder "
        "sortalbumartist",
    ),
    "compilation": (("1", "Yes"), "compilation"),
    "original_release_date": (
        "1994-05-02", "originaldate tdor original_released_date originalreleasetime",
    ),
    "iswc": ("T-999.999.999-4", "iswc"),
    "work": ("Rounds for Low Water", "work grouping wrk"),
    "movement": ("Ropewalk", "movementname mvn"),
    "movement_number": ("2", "movementnumber mvi"),
    "remixers": ("Kari Nymoen", "remixer tpe4 remixed_by interpretedby"),
    "conductor": ("Sørine Aakre", "conductor"),
    "orchestra": ("Boathouse Band", "performer performer:orchestra musiciancredits"),
    "soloists": ("Tove Lind", "performer performer:soloist musiciancredits"),
    "publishers": ("Net Loft Music", "publisher"),
    "p_line": ("1994 Net Loft", "phonogram tpro producednotice producer_copyright"),
    "genre": ("Choral", "genre"),
    "subgenre": ("Sea songs", "genre"),
    "language": ("no", "language"),
    "lyrics_language": ("Low lantern", "lyrics-nno"),
    "advisory": (("1", "Explicit"), "rating"),
}  # fmt: skip
"""What track 1 has of each key, and the names under which some reader shows it."""
SEVERAL = {"conductor", "orchestra", "soloists", "publishers", "subgenre"}
ID3_ALONE, MP4_ALONE = {"lyrics_language"}, {"advisory"}
NOT_SHOWN = {
    ("TagLib", "ID3"): {"lyrics_language"},
    ("TagLib", "MP4"): {"advisory"},  # listed as unsupported, with its name
    ("ffprobe", "ID3"): {*SEVERAL, "movement", "movement_number"},
    ("ffprobe", "MP4"): {*SEVERAL, "work", "movement", "movement_number"},
    ("mediainfo", "ID3"): {*SEVERAL, "movement", "movement_number", "lyrics_language"},
    ("mediainfo", "wav-24"): {"language"},
    ("exiftool", "ID3"): {"iswc", "publishers"},
    ("exiftool", "MP4"): {"conductor", "genre"},
    ("exiftool", "comments"): {"genre", "remixers"},  # of several values it keeps the last
}


def kind_of(name: str) -> str:
    return {"mp3": "ID3", "wav": "ID3", "mp4": "MP4"}.get(FACTS[name].container, "comments")


def fields_shown(reader: str, path: Path) -> set[str]:
    """Return the keys of `SHOWN` that a reader shows of a file."""
    texts = {
        name.lower(): "; ".join(map(str, value)) if isinstance(value, list) else str(value)
        for name, value in READERS[reader](path).items()
    }
    shown = set()
    for field, (expected, names) in SHOWN.items():
        found = "; ".join(texts.get(name, "") for name in names.split())
        found = re.sub(r"(\d{4}):(\d\d):(\d\d)", r"\1-\2-\3", found)  # exiftool's dates
        if any(
            text in found for text in (expected if isinstance(expected, tuple) else (expected,))
        ):
            shown.add(field)
    return shown


@pytest.fixture
def tagged(tmp_path, album_of, music):
    """Return a track of the album with all details, tagged in a format."""
    album = album_of(DETAILED)

    def make(name: str, index: int = 0) -> Path:
        rate_hz = 48000 if name == "opus-160" else 44100
        path = encoded(tmp_path, name, music[rate_hz][:rate_hz], rate_hz, f"track{index}")
        container, release = FACTS[name].container, album.manifest.release
        write_tags(path, container, release, album.metadata[index], None)
        assert read_tags(path, container) == tag_values(release, album.metadata[index], container)
        return path

    return make


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize(
    "reader",
    [
        "TagLib",
        "mediainfo",
        pytest.param("ffprobe", marks=pytest.mark.wants("ffprobe")),
        pytest.param("exiftool", marks=pytest.mark.wants("exiftool")),
    ],
)
def test_each_key_is_read_in_every_container_that_has_a_place_for_it(reader, name, tagged):
    kind = kind_of(name)
    places = set(SHOWN) - (ID3_ALONE if kind != "ID3" else set())
    places -= MP4_ALONE if kind != "MP4" else set()
    left_out = NOT_SHOWN.get((reader, kind), set()) | NOT_SHOWN.get((reader, name), set())
    assert places - fields_shown(reader, tagged(name)) == left_out


@pytest.mark.parametrize("name", ["flac-16", "mp3-vbr", "aac-256"])
def test_taglib_reads_all_of_several_values(name, tagged):
    read = tags_by_taglib(tagged(name))
    assert read["CONDUCTOR"] == ["Rune Vik", "Sørine Aakre"]
    assert read["REMIXER"] == ["Kari Nymoen", "Nils Aker"]
    assert read["PUBLISHER"] == ["Tidewrack Songs", "Net Loft Music"]
    assert read["GENRE"] == ["Choral", "Sea songs"]
    assert read["LANGUAGE"] == ["nor" if name == "mp3-vbr" else "no"]
    assert "ARTISTSORT" not in read  # the track's artist is not the release's
    assert read["unsupported"] == (["rtng"] if name == "aac-256" else [])


@pytest.mark.parametrize("name", ["flac-16", "mp3-vbr", "aac-256"])
def test_what_a_track_lacks_is_the_releases(name, tagged):
    read = tags_by_taglib(tagged(name, 1))
    assert read["LANGUAGE"] == ["zxx"]  # ISO 639-2: an instrumental
    assert read["GENRE"] == ["Folk"]  # its own, so the release's subgenre does not apply
    assert read["ORIGINALDATE"] == ["1991"]
    assert read["ARTISTSORT"] == read["ALBUMARTISTSORT"] == ["Ferry Singers, Halden"]
    assert read.get("PRODUCEDNOTICE", read.get("PHONOGRAM")) == ["2027 Tidewrack Editions"]
    assert read_tags(tagged("aac-256", 1), "mp4")["advisory"] == ("0",)


def test_without_details_there_are_no_tags_of_them(album_of):
    album = album_of(MANIFEST)
    values = tag_values(album.manifest.release, album.metadata[1], "mp4")
    assert not {"compilation", "advisory", "work", "iswc", "artist_sort"} & set(values)


ARTISTS = ["Jorun Hald", "Tove Lind", "Sørine Aakre", "Halden Ferry Singers"]


def manifest_of(artists: list[str], more: str = "") -> str:
    tracks = "".join(f"  - {{title: T{n}, audio: a, artist: {a}}}\n" for n, a in enumerate(artists))
    return f"release: {{artist: Halden Ferry Singers, title: Songs{more}}}\ntracks:\n{tracks}"


@pytest.mark.parametrize(
    ("artists", "more", "album_artist", "is_compilation"),
    [
        (ARTISTS, "", "Various Artists", True),
        (ARTISTS[:3], "", "Halden Ferry Singers", False),
        (ARTISTS, ", compilation: false", "Halden Ferry Singers", False),
        (ARTISTS[:2], ", compilation: true", "Halden Ferry Singers", True),
        (ARTISTS * 2, "", "Various Artists", True),
    ],
)
def test_four_primary_artists_are_various_artists(
    artists, more, album_artist, is_compilation, album_of
):
    """Ingrooves and iMusician: from four primary artists on, a release is by Various Artists."""
    album = album_of(manifest_of(artists, more))
    values = tag_values(album.manifest.release, album.metadata[0], "flac")
    assert values["album_artist"] == (album_artist,)
    assert values["artist"] == (artists[0],)
    assert ("compilation" in values) is is_compilation
