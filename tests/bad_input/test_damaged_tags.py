"""Damaged tags and headers that a parser fails on: one line each, whatever it raises (layouts:
RFC 3533 for Ogg, RFC 7845 for Opus, the WavPack 4 block header from memory)."""

from __future__ import annotations

import random
import struct
import subprocess
from pathlib import Path

import mutagen
import pytest
import soundfile
from bad_input.broken_audio import sound
from desk import MANIFEST, RATE_HZ, Desk

from assembler.audio.ffmpeg import ffmpeg_program
from assembler.audio.probe import probe
from assembler.audio.source_tags import easy_tags
from assembler.errors import AssemblerError

SUFFIXES = ["ogg", "opus", "wav", "wma", "wv", "m4a", "tta", "flac", "aiff", "mp3", "ac3", "aac"]


def tagged(folder: Path, suffix: str) -> bytes:
    """Return a sound file with a title and an ISRC."""
    source, path = folder / "source.wav", folder / f"made.{suffix}"
    soundfile.write(source, sound(), RATE_HZ)
    tags = ("-metadata", "title=Low Lantern", "-metadata", "isrc=QZABC2600001")
    rate = ("-ar", "48000")
    command = [ffmpeg_program(), "-v", "error", "-i", source, *tags, *rate, path]
    subprocess.run(command, check=True)
    content = path.read_bytes()
    path.unlink()
    source.unlink()
    return content


def page(number: int, *packets: bytes) -> bytes:
    """Write an Ogg page; its checksum is left out, which mutagen does not look at."""
    head = struct.pack("<4sBBqIIIB", b"OggS", 0, 2 * (number == 0), 0, 7, number, 0, len(packets))
    return head + bytes(map(len, packets)) + b"".join(packets)


def tripping(folder: Path) -> dict[str, bytes]:
    """Return files at which mutagen raises an error that is none of its own."""
    vorbis = b"\x01vorbis" + struct.pack("<IBIIIIBB", 0, 1, 44100, 0, 128000, 0, 0xB8, 1)
    opus = b"OpusHead" + struct.pack("<BBHIhB", 1, 1, 312, 48000, 0, 0)
    packs = bytearray(tagged(folder, "wv"))
    packs[26:28] = bytes((packs[26] | 0x80, packs[27] | 0x07))  # rate 15 of a table of 15
    return {
        "no framing bit.ogg": page(0, vorbis) + page(1, b"\x03vorbis" + bytes(8)),
        "no packet.opus": page(0, opus) + page(1),
        "no such rate.wv": bytes(packs),
    }


def raised(path: Path) -> BaseException | None:
    """Return what mutagen raises at a file."""
    try:
        mutagen.File(path)
    except Exception as error:
        return error
    return None


def test_files_that_a_parser_fails_on_are_reported_in_one_line(desk: Desk) -> None:
    files = tripping(desk.folder)
    kinds = set()
    for name, content in files.items():
        path = desk.folder / name
        path.write_bytes(content)
        kinds.add(type(raised(path)))
        manifest = desk.write(MANIFEST.replace("a.wav", name))
        for command in (("check", manifest), ("measure", path), ("survey", path), ("split", path)):
            code, errors = desk.reported_clearly(*command)
            assert (code, len(errors)) == (1, 1), (name, command)
            assert name in errors[0]["message"]
    assert kinds == {IndexError}


def test_a_folder_with_files_that_a_parser_fails_on_can_be_drafted(desk: Desk) -> None:
    for name, content in tripping(desk.folder).items():
        (desk.folder / name).write_bytes(content)
    code, document = desk.json("draft", desk.folder)
    assert (code, document["ok"]) == (0, True)
    text = Path(document["manifest"]).read_text(encoding="utf-8")
    assert all(name in text for name in ("a.wav", "b.wav"))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_random_damage_never_raises(tmp_path: Path, suffix: str) -> None:
    """Whatever is raised but `AssemblerError` fails the test; some files must be refused."""
    good = tagged(tmp_path, suffix)
    path = tmp_path / f"take.{suffix}"
    path.write_bytes(good)
    whole = easy_tags(path, ("title",))
    assert whole in ({}, {"title": "Low Lantern"})
    refused = 0
    for seed in range(150):
        chance = random.Random(f"{suffix} {seed}")
        bad = bytearray(good)
        if seed % 3 == 0:
            del bad[chance.randrange(1, len(bad)) :]
        room = min(len(bad), (200, 1000, len(bad))[seed % 3])
        for _ in range(chance.randrange(1, 6)):
            bad[chance.randrange(room)] = chance.choice((0, 1, 127, 255))
        path.write_bytes(bad)
        easy_tags(path, ("title", "isrc"))
        try:
            probe(path)
        except AssemblerError:
            refused += 1
    assert refused > 0
