"""Label copy has the facts that a label, a distributor or a society asks for, track by track.

Which facts: from memory of the trade. The expected text was written by hand from the manifest.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from sheets.made_sheet import Made

from assembler.sheets.label_copy import is_recorder, label_copy, write_label_copy

Make = Callable[..., Made]

MANIFEST = """
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  label: Tidewrack Editions
  release_date: 2027-04-16
  barcode: "2000000000145"
  genre: Choral
  p_line: 2027 Tidewrack Editions
  c_line: 2027 Tidewrack Editions
  front_cover: front.png
  language: en
tracks:
  - {title: Low Lantern, audio: a.wav, recorded: 1991, recorded_at: "Net Loft, Halden",
     isrc: AA-6Q7-27-00001, composers: [Ines Falk], lyricists: [Oda Brenn],
     publisher: Tidewrack Songs}
  - {title: Harbour Psalm, version: live, audio: a.wav, artist: Jorun Hald,
     composers: [Mattis Oren], lyricists: [Mattis Oren], arrangers: [Jorun Hald]}
credits:
  - {name: Mattis Oren, roles: [harmonium, arranger], tracks: [1]}
  - {name: Ines Falk, roles: [conductor, producer]}
  - {name: Pelle Strand, roles: [recording, mix engineer], tracks: [1]}
  - {name: Mattis Oren, roles: [voice]}
  - {name: Kari Nymoen, roles: [mastering]}
"""

EXPECTED = """\
Label copy: Halden Ferry Singers – Songs for Slack Water
========================================================

Release
-------
Artist: Halden Ferry Singers
Title: Songs for Slack Water
Label: Tidewrack Editions
Catalogue number: TWE-014
Barcode (EAN-13): 2000000000145
Release date: 16 April 2027
Genre: Choral
Language (ISO 639): en
℗ line: ℗ 2027 Tidewrack Editions
© line: © 2027 Tidewrack Editions
Discs: 1
Tracks: 2
Total time, without gaps: 6:15
Production: Ines Falk (producer); Kari Nymoen (mastering)

Track 1
-------
Title: Low Lantern
Artist: Halden Ferry Singers
ISRC: AA-6Q7-27-00001
Duration: 4:13
Words: Oda Brenn
Music: Ines Falk
Arranged by: Mattis Oren
Publisher: Tidewrack Songs
Recorded: 1991 at Net Loft, Halden
Recorded by: Pelle Strand (recording)
Performers: Mattis Oren (harmonium, voice); Ines Falk (conductor)
Production: Pelle Strand (mix engineer)

Track 2
-------
Title: Harbour Psalm
Version: live
Artist: Jorun Hald
ISRC: missing
Duration: 2:02
Words and music: Mattis Oren
Arranged by: Jorun Hald
Recorded: missing
Recorded by: missing
Performers: Ines Falk (conductor); Mattis Oren (voice)

Still missing
-------------
No ISRC assigned: track 2
No recording date: track 2
ISRCs and barcodes are assigned by the rights owner: ask for those that are missing. The owner \
also clears rights and licences under local rules.
"""


def test_label_copy_reads_as_it_was_written_by_hand(made: Make) -> None:
    # 4:12.8 and 2:02.2 show as 4:13 and 2:02; the sum of the exact lengths is 6:15
    sheet = made(MANIFEST, [252.8, 122.2])
    assert label_copy(sheet.manifest, sheet.words) == EXPECTED


def test_the_file_is_utf8_with_line_feeds(made: Make) -> None:
    sheet = made(MANIFEST, [252.8, 122.2])
    write_label_copy(sheet.folder / "new", sheet.manifest, sheet.words)
    raw = (sheet.folder / "new" / "label-copy.txt").read_bytes()
    assert raw == EXPECTED.encode("utf-8")


def test_data_that_the_manifest_lacks_is_marked_missing(made: Make) -> None:
    sheet = made("release: {artist: A, title: B}\ntracks: [{title: One, audio: a}]")
    lines = label_copy(sheet.manifest, sheet.words).split("\n")
    for name in (
        "Label",
        "Barcode",
        "℗ line",
        "ISRC",
        "Words and music",
        "Recorded by",
        "Performers",
    ):
        assert f"{name}: missing" in lines
    assert "No barcode" in lines
    assert not [line for line in lines if "None" in line]


def test_several_discs_are_numbered(made: Make) -> None:
    sheet = made(
        "release: {artist: A, title: B}\n"
        "tracks: [{title: One, audio: a, disc: 1}, {title: Two, audio: a, disc: 2}]"
    )
    lines = label_copy(sheet.manifest, sheet.words).split("\n")
    assert "Discs: 2" in lines
    assert [line for line in lines if line.startswith("Disc ")] == [
        "Disc 1, track 1",
        "Disc 2, track 1",
    ]


@pytest.mark.parametrize(
    ("role", "answer"),
    [
        ("recording", True),
        ("Recording engineer", True),
        ("sound engineer", True),
        ("mix engineer", False),
        ("mastering engineer", False),
        ("alto recorder", False),
    ],
)
def test_recording_engineers_are_not_mix_engineers(role: str, answer: bool) -> None:
    assert is_recorder(role) is answer
