"""Broadcast Wave chunks against a byte table of EBU Tech 3285 v2 and other programs' readings.

The offsets and the meaning of 7FFF (hexadecimal) are from memory of the standard; mediainfo, which
knows it too, reads the same. The form of `axml` is from memory of EBU Tech 3352 and has no other
reader here than an XML parser.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import soundfile
from download.album import MANIFEST, Album, cover, encoded, reading_of
from outside import by_mediainfo, tags_by_ffprobe

from assembler.download.bwf import bext_chunk, broadcast_chunks, make_broadcast_wave
from assembler.download.tags import read_tags, write_tags
from assembler.dsp.meter import Reading
from assembler.errors import AssemblerError

RATE_HZ = 44100


def chunks_of(album: Album, index: int, reading: Reading, bits: int = 24) -> dict[bytes, bytes]:
    release, metadata = album.manifest.release, album.metadata[index]
    return broadcast_chunks(release, metadata, reading, rate_hz=RATE_HZ, bits=bits)


def chunks(path: Path) -> dict[str, bytes]:
    """Return the chunks of a WAV file, each checked for its padding to an even size."""
    content = path.read_bytes()
    assert content[:4] == b"RIFF"
    assert struct.unpack("<I", content[4:8])[0] == len(content) - 8
    found = {}
    position = 12
    while position < len(content):
        name, size = struct.unpack("<4sI", content[position : position + 8])
        found[name.decode()] = content[position + 8 : position + 8 + size]
        position += 8 + size + size % 2
    assert position == len(content)
    return found


@pytest.fixture
def wave(tmp_path, album, music):
    """A finished 24-bit WAV file: an odd number of samples, all its chunks."""
    pcm = music[RATE_HZ][: 4 * RATE_HZ + 1]
    path = encoded(tmp_path, "wav-24", pcm, RATE_HZ)
    reading = reading_of(pcm, RATE_HZ)
    release = album.manifest.release
    make_broadcast_wave(path, chunks_of(album, 0, reading))
    write_tags(path, "wav", release, album.metadata[0], cover(tmp_path))
    return path, pcm, reading


@pytest.mark.thorough
def test_bext_byte_by_byte(wave):
    path, _, reading = wave
    bext = chunks(path)["bext"]
    text = b"Falk/Brenn; Oren: Chamilo fanari; i Fonar'/Lantern (live) (Songs for Slack Water)"
    assert bext[0:256] == text.ljust(256, b"\0")
    assert bext[256:288] == b"Tidewrack Editions".ljust(32, b"\0")
    assert bext[288:320] == b"AA6Q72700001".ljust(32, b"\0")
    assert bext[320:338] == bytes(18)
    assert bext[338:346] == bytes(8)
    assert bext[346:348] == b"\x02\x00"
    assert bext[348:412] == bytes(64)
    levels = [int.from_bytes(bext[i : i + 2], "little", signed=True) for i in range(412, 422, 2)]
    assert levels == [
        round(100 * level)
        for level in (
            reading.integrated_lufs,
            reading.loudness_range_lu,
            reading.true_peak_dbtp,
            reading.max_momentary_lufs,
            reading.max_short_term_lufs,
        )
    ]
    assert bext[422:602] == bytes(180)
    assert bext[602:] == b"A=PCM,F=44100,W=24,M=stereo\r\n"


def test_missing_levels_are_7fff(album):
    silence = reading_of(np.zeros((RATE_HZ, 2), np.int32), RATE_HZ)
    out_of_range = replace(silence, true_peak_dbtp=-140.0)
    for reading in (silence, out_of_range):
        bext = bext_chunk(album.manifest.release, album.metadata[1], reading, 96000, 16)
        assert bext[412:422] == b"\xff\x7f" * 5
    assert bext[602:] == b"A=PCM,F=96000,W=16,M=stereo\r\n"


def test_without_isrc_the_reference_is_catalogue_number_and_track(album_of, tmp_path, music):
    album = album_of(MANIFEST.replace("    isrc: AA-6Q7-27-00002\n", ""))
    path = encoded(tmp_path, "wav-16", music[RATE_HZ][:RATE_HZ], RATE_HZ)
    reading = reading_of(music[RATE_HZ][:RATE_HZ], RATE_HZ)
    make_broadcast_wave(path, chunks_of(album, 1, reading, 16))
    found = chunks(path)
    assert found["bext"][288:320].rstrip(b"\0") == b"TWE014 02"
    assert "axml" not in found


def test_axml_has_the_isrc(wave):
    path, _, _ = wave
    root = ElementTree.fromstring(chunks(path)["axml"])
    names = {
        "e": "urn:ebu:metadata-schema:ebuCore_2012",
        "dc": "http://purl.org/dc/elements/1.1/",
    }
    (identifier,) = root.findall("e:coreMetadata/e:identifier[@formatLabel='ISRC']", names)
    assert identifier.findtext("dc:identifier", namespaces=names) == "ISRC:AA6Q72700001"


def test_other_programs_read_the_file(wave, album):
    path, pcm, reading = wave
    samples, rate_hz = soundfile.read(str(path), dtype="int32")
    assert rate_hz == RATE_HZ
    np.testing.assert_array_equal(samples >> 8, pcm)
    tags = tags_by_ffprobe(path)
    assert tags["originator_reference"] == "AA6Q72700001"
    assert tags["encoded_by"] == "Tidewrack Editions"
    assert tags["coding_history"].strip() == "A=PCM,F=44100,W=24,M=stereo"
    assert tags["title"] == album.metadata[0].title
    assert tags["album"] == "Songs for Slack Water"
    assert tags["date"] == "2027-04-16"
    assert read_tags(path, "wav")["isrc"] == (album.metadata[0].isrc,)
    read = by_mediainfo(path)
    assert read["loudnessvalue"].split()[0] == f"{reading.integrated_lufs:.2f}"
    assert read["loudnessrange"].split()[0] == f"{reading.loudness_range_lu:.2f}"
    assert read["maxtruepeaklevel"].split()[0] == f"{reading.true_peak_dbtp:.2f}"
    assert read["maxmomentaryloudness"].split()[0] == f"{reading.max_momentary_lufs:.2f}"
    assert read["maxshorttermloudness"].split()[0] == f"{reading.max_short_term_lufs:.2f}"
    assert read["isrc"] == "AA6Q72700001"
    assert read["track_name"] == album.metadata[0].title


def test_writing_twice_changes_nothing(wave, album):
    path, _, reading = wave
    before = chunks(path)
    make_broadcast_wave(path, chunks_of(album, 0, reading, 24))
    assert chunks(path) == before


def test_a_file_that_would_pass_4_gb_is_refused(tmp_path, album, monkeypatch, wave):
    path, pcm, reading = wave
    monkeypatch.setattr("assembler.download.bwf._MOST_BYTES", len(pcm) * 6)
    before = path.read_bytes()
    with pytest.raises(AssemblerError, match="4 GB"):
        make_broadcast_wave(path, chunks_of(album, 0, reading, 24))
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir() if p.suffix == ".part"] == []


def test_other_files_than_wav_are_refused(tmp_path, album, wave):
    _, _, reading = wave
    path = tmp_path / "other.wav"
    path.write_bytes(b"fLaC" * 9)
    with pytest.raises(AssemblerError, match="not a WAV file"):
        make_broadcast_wave(path, chunks_of(album, 0, reading, 24))
