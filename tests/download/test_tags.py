"""Tags of every container, read back by other programs and by the reader of this program.

Readers: ffprobe, metaflac (libFLAC), opusinfo, vorbiscomment (libvorbis), TagLib, exiftool.
"""

from __future__ import annotations

import subprocess
from dataclasses import replace
from pathlib import Path

import mutagen
import pytest
from download.album import MANIFEST, Album, cover, encoded, levels_of, reading_of
from mutagen.id3 import ID3
from outside import (
    by_exiftool,
    ebur128,
    output_of,
    program,
    tags_by_ffprobe,
    tags_by_taglib,
)

from assembler import FindingsError
from assembler.download.formats import FACTS
from assembler.download.playing_levels import PlayingLevels
from assembler.download.tag_table import TABLE, tag_values
from assembler.download.tags import read_tags, write_tags

FORMATS = ("flac-16", "wav-24", "mp3-vbr", "aac-256", "alac-24", "opus-160", "ogg-q8")
LEVELS = PlayingLevels(-14.25, 0.891251, -15.5, 0.95)


def rate_of(name: str) -> int:
    return 48000 if name == "opus-160" else 44100


@pytest.fixture
def tagged(tmp_path: Path, album: Album, music):
    """Return the first track in a format, tagged with everything."""

    def make(name: str, levels: PlayingLevels = LEVELS) -> Path:
        rate_hz = rate_of(name)
        path = encoded(tmp_path, name, music[rate_hz][: 2 * rate_hz], rate_hz)
        pictures = cover(tmp_path), cover(tmp_path, "back.jpg", width=200)
        write_tags(
            path,
            FACTS[name].container,
            album.manifest.release,
            album.metadata[0],
            pictures[0],
            back_cover=pictures[1],
            levels=levels,
        )
        return path

    return make


@pytest.mark.parametrize("name", FORMATS)
def test_every_field_is_read_back_as_it_was_written(name, tagged, album):
    path = tagged(name)
    container = FACTS[name].container
    written = tag_values(album.manifest.release, album.metadata[0], container, LEVELS)
    assert read_tags(path, container) == written
    of_levels = 2 if name == "opus-160" else 4
    # ID3 has a second place for the release date, and one for the language of the lyrics
    of_id3 = 2 if container in ("mp3", "wav") else 0
    assert len(written) == 30 + of_levels + of_id3
    assert written["composers"] == album.metadata[0].composers
    assert written["engineers"] == ("Ines Falk", "Oda; Brenn")
    assert written["producers"] == ("Ines Falk",)
    assert written["arrangers"] == ("Mattis Oren",)
    assert "Nils Aker/Berg (alto recorder)" in written["performers"]
    assert written["conductors"] == ("Rune Vik",)
    assert not [text for text in written["performers"] if "Rune Vik" in text]
    assert "Rune Vik (executive producer)" in written["people"]


@pytest.mark.parametrize("name", FORMATS)
def test_ffprobe_reads_the_same(name, tagged, album):
    """ffprobe joins several values by ``;``, and returns only the first freeform value of MP4."""
    tags = tags_by_ffprobe(tagged(name))
    metadata, release = album.metadata[0], album.manifest.release
    assert tags["title"] == "Χαμηλό φανάρι; ή Фонарь/Lantern (live)"
    assert tags["artist"] == "Falk/Brenn; Oren"
    assert tags["album_artist"] == release.artist
    assert tags["album"] == release.title
    assert tags["track"].split("/")[0] == "1"
    assert (
        (tags.get("isrc") or tags.get("tsrc")) == "AA6Q72700001" == metadata.isrc.replace("-", "")
    )
    assert tags["barcode"] == release.barcode
    assert tags["catalognumber"] == "TWE-014"
    assert tags["copyright"] == release.c_line
    assert tags["genre"] == "Choral"
    assert tags["publisher"] in (release.label, "Tidewrack Songs")
    assert metadata.composers[0] in tags["composer"]
    assert tags["date"] == "2027-04-16"
    if name != "aac-256" and name != "alac-24":
        assert tags["recordingdate"] == "1991-08-03"
    if name not in ("mp3-vbr", "wav-24"):
        in_mp4 = FACTS[name].container == "mp4"
        assert tags["engineer"] == ("Ines Falk" if in_mp4 else "Ines Falk;Oda; Brenn")
        assert tags["producer"] == "Ines Falk"


@pytest.mark.wants("metaflac")
def test_metaflac_reads_separate_values_and_both_pictures(tagged, album):
    path = tagged("flac-16")
    comments = output_of(
        "metaflac", "--no-utf8-convert", "--export-tags-to=-", path, package="flac"
    )
    lines = comments.splitlines()
    composers = [line for line in lines if line.startswith("COMPOSER=")]
    assert composers == [f"COMPOSER={name}" for name in album.metadata[0].composers]
    assert "REPLAYGAIN_TRACK_GAIN=-3.75 dB" in lines
    assert "REPLAYGAIN_ALBUM_GAIN=-2.50 dB" in lines
    assert "REPLAYGAIN_TRACK_PEAK=0.891251" in lines
    blocks = output_of("metaflac", "--list", "--block-type=PICTURE", path, package="flac")
    assert [blocks.count(f"type: {n} (") for n in (3, 4)] == [1, 1]
    assert "width: 300" in blocks
    output_of("flac", "-t", "-s", path, package="flac")


@pytest.mark.wants("vorbiscomment")
def test_vorbiscomment_reads_separate_values(tagged, album):
    lines = output_of(
        "vorbiscomment", "-R", "-l", tagged("ogg-q8"), package="vorbis-tools"
    ).splitlines()
    composers = [line for line in lines if line.startswith("COMPOSER=")]
    assert composers == [f"COMPOSER={name}" for name in album.metadata[0].composers]
    assert "REPLAYGAIN_TRACK_GAIN=-3.75 dB" in lines
    assert len([line for line in lines if line.startswith("METADATA_BLOCK_PICTURE=")]) == 2


@pytest.mark.wants("opusinfo")
def test_opusinfo_reads_gains_and_finds_no_fault(tagged):
    """RFC 7845, 5.2.1: -23 LUFS less -14.25 LUFS is -8.75 dB, and -2240 steps of 1/256 dB."""
    said = output_of("opusinfo", tagged("opus-160"), package="opus-tools")
    assert "R128_TRACK_GAIN=-2240" in said
    assert "R128_ALBUM_GAIN=-1920" in said
    assert "REPLAYGAIN" not in said
    assert "Playback gain: 0 dB" in said
    assert "WARNING" not in said
    assert "ERROR" not in said


@pytest.mark.parametrize("name", ["mp3-vbr", "wav-24"])
def test_id3_frames_are_those_of_the_standard(name, tagged, album):
    path = tagged(name)
    tags = ID3(path) if name == "mp3-vbr" else mutagen.File(path).tags
    assert tags.version == (2, 4, 0)
    assert tags["TCOM"].text == list(album.metadata[0].composers)
    assert tags["TLAN"].text == ["ell"]
    assert tags["USLT::ell"].text == album.metadata[0].lyrics
    assert tags["TRCK"].text == ["1/2"]
    assert tags["TDRC"].text[0].text == "2027-04-16"
    assert tags["TXXX:RECORDINGDATE"].text == ["1991-08-03"]
    assert tags["TPE3"].text == ["Rune Vik"]
    assert tags["TDRL"].text[0].text == "2027-04-16"
    assert tags["TPRO"].text == tags["TCOP"].text == ["2027 Tidewrack Editions"]
    assert ["harmonium", "Mattis Oren"] in tags["TMCL"].people
    assert tags["TIPL"].people == [
        ["ARRANGER", "Mattis Oren"],
        ["PRODUCER", "Ines Falk"],
        ["ENGINEER", "Ines Falk"],
        ["ENGINEER", "Oda; Brenn"],
    ]
    assert "Ines Falk (recording engineer)" in tags["TXXX:CREDITS"].text
    assert [int(p.type) for p in tags.getall("APIC")] == [3, 4]
    raw = path.read_bytes()
    assert "Ines Falk; the elder\0Åse Þórdís/Brenn\0Ольга Ветрова".encode() in raw


@pytest.mark.parametrize("name", ["mp3-vbr", "wav-24"])
def test_taglib_reads_everyone(name, tagged):
    """It shows nothing of a TIPL frame with an unknown role."""
    read = tags_by_taglib(tagged(name))
    assert read["ARRANGER"] == ["Mattis Oren"]
    assert read["PRODUCER"] == ["Ines Falk"]
    assert read["ENGINEER"] == ["Ines Falk", "Oda; Brenn"]
    assert read["CONDUCTOR"] == ["Rune Vik"]
    assert read["PERFORMER:HARMONIUM"] == ["Mattis Oren"]
    assert read["DATE"] == ["2027-04-16"]
    assert read["RECORDINGDATE"] == ["1991-08-03"]
    assert set(read["unsupported"]) == {"APIC"}


@pytest.mark.parametrize("name", FORMATS)
def test_taglib_reads_one_year_and_one_conductor_in_every_format(name, tagged):
    read = tags_by_taglib(tagged(name))
    assert (read["DATE"], read["CONDUCTOR"]) == (["2027-04-16"], ["Rune Vik"])
    assert read["PRODUCER"] == ["Ines Falk"]


@pytest.mark.wants("exiftool")
@pytest.mark.parametrize("name", FORMATS)
def test_exiftool_warns_of_nothing(name, tagged):
    read = by_exiftool(tagged(name), "-validate", "-warning", "-error")
    assert read["Validate"] == "OK"
    assert not {"Warning", "Error"} & set(read)


@pytest.mark.parametrize(
    "role",
    ["executive producer", "assistant producer", "production manager", "production coordinator"],
)
def test_other_production_roles_are_not_tagged_as_producer(role, album_of):
    album = album_of(MANIFEST.replace("roles: [recording engineer, producer]", f"roles: [{role}]"))
    values = tag_values(album.manifest.release, album.metadata[0], "mp3")
    assert "producers" not in values
    assert f"Ines Falk ({role})" in values["people"]


def test_replay_gain_agrees_with_other_meters(tmp_path, album, music):
    """The gain is -18 LUFS less ffmpeg's ebur128 reading; ffmpeg reads it from the tag.

    ffmpeg's `replaygain` filter has the first ReplayGain's curve and percentile, so it agrees on
    music only roughly: within 3 dB (common practice, no source); its peak is the sample peak.
    """
    pcm = music[44100]
    reading = reading_of(pcm, 44100)
    path = encoded(tmp_path, "flac-24", pcm, 44100)
    levels = levels_of(reading, -12.0, 0.99)
    write_tags(path, "flac", album.manifest.release, album.metadata[0], None, levels=levels)
    gain_db, peak = (
        float(read_tags(path, "flac")[field][0].removesuffix(" dB"))
        for field in ("track_gain", "track_peak")
    )
    assert gain_db == pytest.approx(-18 - ebur128(path)["I"], abs=0.1)
    said = subprocess.run(
        [program("ffmpeg", "ffmpeg"), "-i", path, "-af", "replaygain", "-f", "null", "-"],
        capture_output=True, check=True,
    ).stderr.decode()  # fmt: skip
    first_gain_db = float(said.rpartition("track_gain = ")[2].split()[0])
    assert gain_db == pytest.approx(first_gain_db, abs=3)
    assert peak >= float(said.rpartition("track_peak = ")[2].split()[0]) - 1e-6
    assert f"track gain - {gain_db:.6f}".replace("-0.0", "0.0") in said


def test_silence_has_no_gain(album):
    silent = replace(LEVELS, track_lufs=None)
    values = tag_values(album.manifest.release, album.metadata[0], "flac", silent)
    assert "track_gain" not in values
    assert values["album_gain"] == ("-2.50 dB",)


def test_lowered_sound_is_played_back_louder():
    lowered = LEVELS.lowered(1.5)
    assert lowered.track_lufs == pytest.approx(-15.75)
    assert lowered.track_peak == pytest.approx(0.891251 * 10 ** (-1.5 / 20))


def test_names_in_the_table_are_unique():
    for column in ("field", "comment"):
        names = [name for row in TABLE if (name := getattr(row, column))]
        assert len(names) == len(set(names))


def test_the_bytes_are_reproducible(tagged):
    for name in FORMATS:
        first = tagged(name).read_bytes()
        assert tagged(name).read_bytes() == first, name


def test_a_name_with_control_characters_is_refused_earlier(album_of):
    with pytest.raises(FindingsError, match=r"U\+0000|special character|control character"):
        album_of(MANIFEST.replace("Nils Aker/Berg", r"Nils\0Aker"))
