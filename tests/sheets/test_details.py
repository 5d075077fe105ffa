"""What shops and societies ask for, on label copy and credits sheet; expected by hand.

The codes are invented.
"""

from __future__ import annotations

from collections.abc import Callable

from sheets.made_sheet import Made

from assembler.sheets.label_copy import label_copy

Make = Callable[..., Made]

MANIFEST = """
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  genre: Choral
  language: en
  p_line: 2027 Tidewrack Editions
  sort_name: Ferry Singers, Halden
  subgenre: Sea songs
  advisory: none
  original_release_date: 1994-05
  territories: [NO, SE]
tracks:
  - {title: Low Lantern, audio: a, composers: [Ines Falk], publisher: Tidewrack Songs}
  - title: Ropewalk Round
    version: live
    audio: a
    composers: [Ines Falk]
    featuring: [Jorun Hald, Tove Lind]
    remixers: [Kari Nymoen]
    conductor: Ines Falk
    orchestra: Boathouse Band
    soloists: [Nils Aker]
    language: "no"
    lyrics_language: nn
    advisory: explicit
    genre: Folk
    work: Rounds for Low Water
    movement: Ropewalk
    movement_number: 2
    iswc: T-999.999.999-4
    publishers: [{name: Tidewrack Songs, share: 60, ipi: 99999999919}, {name: Net Loft, share: 40}]
    writers_ipi: [{name: Ines Falk, ipi: "99999999821"}]
    p_line: 1994 Net Loft
    recording_country: "NO"
    original_release_date: 1994-05-02
  - {title: Bell Buoy, audio: a, instrumental: true}
credits:
  - {name: Nils Aker, roles: [fiddle], tracks: [2]}
"""

RELEASE = """\
Artist in alphabetical lists: Ferry Singers, Halden
Subgenre: Sea songs
Advisory: none
First released: May 1994
Territories (ISO 3166): NO, SE
Discs: 1
"""
TRACK = """\
Title: Ropewalk Round
Version: live
Artist: Halden Ferry Singers
ISRC: missing
Duration: 3:00
Music: Ines Falk
Publisher: Tidewrack Songs (60 %, IPI 99999999919); Net Loft (40 %)
Featuring: Jorun Hald, Tove Lind
Remixed by: Kari Nymoen
Work: Rounds for Low Water: 2. Ropewalk
ISWC: T-999.999.999-4
Writers with IPI: Ines Falk (IPI 99999999821)
Language (ISO 639): no
Language of the lyrics (ISO 639): nn
Advisory: explicit
Genre: Folk
Country of recording (ISO 3166): NO
First released: 2 May 1994
℗ line: ℗ 1994 Net Loft
Recorded: missing
Recorded by: missing
Performers: Nils Aker (fiddle, soloist); Ines Falk (conductor); Boathouse Band (orchestra); \
Jorun Hald (featured artist); Tove Lind (featured artist)
Production: Kari Nymoen (remixer)
"""


def test_label_copy_has_every_detail(made: Make) -> None:
    sheet = made(MANIFEST)
    text = label_copy(sheet.manifest, sheet.words)
    assert RELEASE in text
    assert TRACK in text
    assert "Instrumental: yes\nLanguage (ISO 639): zxx\n" in text
    first = text.split("\nTrack 1\n")[1].split("\nTrack 2\n")[0]
    assert "Publisher: Tidewrack Songs\n" in first
    for name in ("Language", "Advisory", "Genre", "First released", "℗ line"):
        assert name not in first  # the same as the release's


def test_the_sleeve_has_people_titles_and_other_p_lines(made: Make) -> None:
    sheet = made(MANIFEST)
    assert "2\tRopewalk Round (feat. Jorun Hald & Tove Lind) [live]" in sheet.text
    assert "℗ line, track 2\t℗ 1994 Net Loft" in sheet.block("Rights, label and codes")
    assert sheet.block("Performers").split("\n") == [
        "Nils Aker – fiddle, soloist (2)",
        "Ines Falk – conductor (2)",
        "Boathouse Band – orchestra (2)",
        "Jorun Hald – featured artist (2)",
        "Tove Lind – featured artist (2)",
    ]
    assert sheet.block("Production") == "Kari Nymoen – remixer (2)"


def test_the_last_part_lists_the_rest_and_the_pdf_too(made: Make) -> None:
    sheet = made(MANIFEST)
    block = sheet.block("For shops and collecting societies")
    assert "Territories (ISO 3166)\tNO, SE" in block
    joined = " ".join(sheet.block("For shops and collecting societies, track by track").split())
    for text in (
        "ISWC: T-999.999.999-4",
        "Publishers: Tidewrack Songs (60 %, IPI 99999999919); Net Loft (40 %)",
        "Instrumental: yes; Language (ISO 639): zxx",
    ):
        assert text in joined
        assert "".join(text.split()) in "".join(sheet.pypdf_text().split())


def test_without_details_there_is_no_such_block(made: Make) -> None:
    sheet = made("release: {artist: A, title: B}\ntracks: [{title: One, audio: a}]")
    assert "For shops and collecting societies" not in sheet.text


def test_various_artists_on_label_copy_and_the_artists_own_words_on_the_front(made: Make) -> None:
    tracks = "".join(f"  - {{title: T{n}, audio: a, artist: Singer {n}}}\n" for n in range(4))
    sheet = made(f"release: {{artist: Ferry Singers, title: B}}\ntracks:\n{tracks}")
    lines = label_copy(sheet.manifest, sheet.words).split("\n")
    assert "Artist: Various Artists" in lines
    assert "Compilation: yes" in lines
    assert "Artist\tFerry Singers" in sheet.block("Artist and title")
