"""The credits sheet has the content of the manifest, on paper as in the text file.

What a sleeve carries: from memory of the trade, no published source.
"""

from __future__ import annotations

import pickle
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pypdf
import pytest
from outside import output_of
from sheets.made_sheet import PARTS, Made, squeezed
from sheets.scan import scanned

from assembler.sheets.credits_sheet import credits_sheet, write_credits_sheet
from assembler.typeset.blocks import Row

RIGHTS = "Rights, label and codes"
Make = Callable[..., Made]

DEMO = """
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  label: Tidewrack Editions
  release_date: 2027-04-16
  barcode: "2000000000145"
  p_line: 2027 Tidewrack Editions
  c_line: 2027 Tidewrack Editions & Friends
  front_cover: art/front.png
tracks:
  - title: Low Lantern
    audio: a.wav
    recorded: 1991
    recorded_at: Net Loft, Halden
    isrc: AA-6Q7-27-00001
    composers: [Ines Falk]
    lyricists: [Oda Brenn]
    publisher: Tidewrack Songs
    lyrics: |
      Low lantern on the water,
      low water at the stair.

      Lean and listen.
  - {title: Net Loft Waltz, audio: a.wav, recorded: 1991, recorded_at: "Net Loft, Halden",
     composers: [Ines Falk], lyricists: [Ines Falk], arrangers: [Mattis Oren]}
  - {title: Ropewalk Round, version: 2027 remaster, audio: a.wav, recorded: 1991,
     recorded_at: "Net Loft, Halden", artist: Northern Quay Brass, isrc: AA-6Q7-27-00003,
     composers: [Oda Brenn], comment: The second tape in the box.}
  - {title: Slack Water, audio: a.wav, recorded: 2026-03, isrc: AA-6Q7-27-00004}
credits:
  - {name: Mattis Oren, roles: [harmonium, arranger], tracks: [1, 3]}
  - {name: Oda Brenn, roles: [alto]}
  - {name: Mattis Oren, roles: [hand bells], tracks: [2, 3, 4]}
  - {name: Peer Lund, roles: [mastering]}
text:
  notes: |
    Two pieces from the boxes under the net loft stairs, and two that were sung again
    by some of the same people.

    Nothing has been mended that was not broken.
  thanks: |
    The ferrymen of Halden
    Birgit at the net loft
"""

ONE_TRACK = """
release: {{artist: "A", title: "B"}}
tracks:
  - {{title: {title}, audio: a.wav}}
"""


def test_track_list_has_numbers_titles_durations_and_total(made: Make) -> None:
    # 4:12.8 shows as 4:13 (rounded to the second), and the total is of the exact lengths
    sheet = made(DEMO, [252.8, 60, 61.2, 62.2])
    assert sheet.block("Track list").split("\n") == [
        "1\tLow Lantern\t4:13",
        "2\tNet Loft Waltz\t1:00",
        "3\tRopewalk Round (2027 remaster)\t1:01",
        "\tNorthern Quay Brass",
        "4\tSlack Water\t1:02",
        "Total time, without gaps\t7:16",
    ]


def test_several_discs_have_a_list_and_a_total_each(made: Make) -> None:
    sheet = made(
        """
release: {artist: A, title: B}
tracks:
  - {title: One, audio: a.wav, disc: 1}
  - {title: Two, audio: a.wav, recorded: 1991}
  - {title: Three, audio: a.wav, disc: 2, recorded: 1991, isrc: AA-6Q7-27-00003}
credits: [{name: Oda Brenn, roles: [alto], tracks: [2, 3]}]
""",
        [100, 101, 3700],
    )
    first, second = sheet.block("Track list, disc 1"), sheet.block("Track list, disc 2")
    assert first.endswith("2\tTwo\t1:41\nTotal time, without gaps\t3:21")
    assert second == "1\tThree\t61:40\nTotal time, without gaps\t61:40"
    assert sheet.block("Performers") == "Oda Brenn – alto (disc 1: 2; disc 2: 1)"
    assert sheet.block("Recorded") == "Disc 1: 2; disc 2: 1, recorded 1991"
    assert "No ISRC assigned: disc 1: 1, 2" in sheet.block("Still missing")
    assert "Disc 2\n1\tThree\tISRC AA-6Q7-27-00003" in sheet.block("ISRC")
    assert "Disc\t1 of 2" in sheet.block("Disc 1")
    assert "Disc\t2 of 2" in sheet.block("Disc 2")


def test_writers_and_publishers_stand_under_their_track(made: Make) -> None:
    block = made(DEMO).block("Words and music")
    assert (
        "1\tLow Lantern\n\tWords: Oda Brenn; music: Ines Falk; publisher: Tidewrack Songs" in block
    )
    assert "\tWords and music: Ines Falk; arranged by: Mattis Oren\n" in block
    assert "Slack Water" not in block  # nobody is named for it


def test_isrc_has_hyphens_and_an_empty_slot_stays_empty(made: Make) -> None:
    # ISRC Handbook: printed with hyphens, the word ISRC before it
    lines = made(DEMO).block("ISRC").split("\n")
    assert lines[0] == "1\tLow Lantern\tISRC AA-6Q7-27-00001"
    assert lines[1] == "2\tNet Loft Waltz\tISRC: none assigned"


def test_recordings_are_grouped_by_when_and_where(made: Make) -> None:
    assert made(DEMO).block("Recorded").split("\n") == [
        "Tracks 1–3 recorded 1991 at Net Loft, Halden",
        "Track 4 recorded March 2026",
    ]


def test_a_name_stands_once_among_the_performers(made: Make) -> None:
    sheet = made(DEMO)
    assert sheet.block("Performers").split("\n") == [
        "Mattis Oren – harmonium, arranger (1, 3); hand bells (2–4)",
        "Oda Brenn – alto",
    ]
    assert sheet.block("Production") == "Peer Lund – mastering"


def test_notes_are_paragraphs_and_thanks_keep_their_lines(made: Make) -> None:
    sheet = made(DEMO)
    assert sheet.block("Notes").split("\n") == [
        "Two pieces from the boxes under the net loft stairs, and two that were sung again "
        "by some of the same people.",
        "",
        "Nothing has been mended that was not broken.",
    ]
    assert sheet.block("Thanks") == "The ferrymen of Halden\nBirgit at the net loft"
    assert sheet.block("Track notes").endswith("The second tape in the box.")


def test_lyrics_keep_lines_and_stanzas(made: Make) -> None:
    assert made(DEMO).block("Lyrics") == (
        "1. Low Lantern\nLow lantern on the water,\nlow water at the stair.\n\nLean and listen."
    )


def test_rights_have_their_signs_and_the_barcode_its_digits(made: Make) -> None:
    assert made(DEMO).block("Rights, label and codes").split("\n") == [
        "℗ line\t℗ 2027 Tidewrack Editions",
        "© line\t© 2027 Tidewrack Editions & Friends",
        "Label\tTidewrack Editions",
        "Catalogue number\tTWE-014",
        "Barcode\t2000000000145",
    ]


def test_a_sign_that_is_already_there_is_not_doubled(made: Make) -> None:
    sheet = made(DEMO.replace("p_line: 2027", "p_line: ℗ 2027"))
    assert "℗ ℗" not in sheet.text
    assert "℗ 2027 Tidewrack Editions" in sheet.text


def test_blocks_stand_under_the_place_where_they_go(made: Make) -> None:
    sheet = made(DEMO)
    assert sheet.titles("=") == list(PARTS)
    assert sheet.titles("-") == [
        "Artist and title",
        "One line",
        "Track list",
        "Rights, label and codes",
        "Barcode",
        "Words and music",
        "Performers",
        "Recorded",
        "Production",
        "Notes",
        "Track notes",
        "Thanks",
        "Lyrics",
        "ISRC",
        "Disc",
        "Still missing",
        "Symbols",
        "Approval",
    ]


def test_front_spine_and_disc_label(made: Make) -> None:
    sheet = made(DEMO)
    assert sheet.block("Artist and title").split("\n") == [
        "Artist\tHalden Ferry Singers",
        "Title\tSongs for Slack Water",
        "Front cover\tfront.png",
    ]
    assert sheet.block("One line") == "Halden Ferry Singers – Songs for Slack Water – TWE-014"
    assert sheet.block("Disc").split("\n") == [
        "Artist\tHalden Ferry Singers",
        "Title\tSongs for Slack Water",
        "Catalogue number\tTWE-014",
        "Label\tTidewrack Editions",
        "℗ line\t℗ 2027 Tidewrack Editions",
        "© line\t© 2027 Tidewrack Editions & Friends",
    ]


def test_what_is_missing_is_named_first_in_number_and_last_in_full(made: Make) -> None:
    full, bare = made(DEMO), made(ONE_TRACK.format(title="No"))
    assert full.block("Still missing").split("\n")[:3] == [
        "No ISRC assigned: track 2",
        "No composer or lyricist: track 4",
        "",
    ]
    assert full.lines[8] == "Still missing\t2 points, listed at the end under “Before print”"
    missing = bare.block("Still missing")
    for name in ("barcode", "front cover", "℗ line", "© line", "catalogue number", "label"):
        assert f"No {name}\n" in missing
    assert "No ISRC assigned: track 1" in missing
    assert "No performers: track 1" in missing


def test_two_spellings_of_a_name_are_named(made: Make) -> None:
    sheet = made(
        DEMO.replace("roles: [mastering]", "roles: [bells]").replace("Peer Lund", "ODA BRENN")
    )
    assert "Possibly one name in two spellings: Oda Brenn and ODA BRENN" in sheet.block(
        "Still missing"
    )


def test_nothing_is_missing(made: Make) -> None:
    sheet = made(
        DEMO.replace(
            "{title: Net Loft Waltz,", "{title: Net Loft Waltz, isrc: AA6Q72700002,"
        ).replace("{title: Slack Water,", "{title: Slack Water, composers: [Ines Falk],")
    )
    assert sheet.block("Still missing").startswith("Nothing is missing.\n")
    assert "Still missing\tnothing" in sheet.lines


def test_the_artist_has_a_box_to_approve_the_proof_in(made: Make) -> None:
    lines = made(DEMO).block("Approval").split("\n")
    assert lines[0] == "[ ] Approved as printed"
    assert lines[-1].startswith("Artist’s initials ____")
    assert "\tDate ____" in lines[-1]


def test_signs_are_explained(made: Make) -> None:
    # Geneva Phonograms Convention 1971, article 5; Universal Copyright Convention, article III
    signs = made(DEMO).block("Symbols")
    assert "℗ year and owner: the rights in the sound recording" in signs
    assert "© year and owner: the rights in lyrics, music, pictures and design" in signs


def test_absent_fields_leave_no_empty_blocks(made: Make) -> None:
    sheet = made(ONE_TRACK.format(title="No"))
    parts = credits_sheet(sheet.manifest, sheet.words).parts
    assert {part.title: [block.title for block in part.blocks] for part in parts} == {
        "Front": ["Artist and title"],
        "Spine": ["One line"],
        "Back": ["Track list"],
        "Booklet": ["ISRC"],
        "Disc label": ["Disc"],
        "Before print": ["Still missing", "Symbols", "Approval"],
    }
    assert "None" not in sheet.text
    assert "1\tNo\t3:00" in sheet.lines


@pytest.mark.parametrize(
    ("settings", "part", "block"),
    [
        ("", "Disc label", "Disc"),
        ("disc: {make: no}\n", None, None),
        ("disc: {make: no}\nsleeve: {package: 12_inch, sides: [2]}\n", "Label", "Each side"),
    ],
)
def test_a_label_is_of_what_is_made(
    made: Make, settings: str, part: str | None, block: str | None
) -> None:
    two = ONE_TRACK.format(title="No") + "  - {title: Yes, audio: b.wav}\n" + settings
    sheet = made(two, [60, 60])
    blocks = {p.title: p.blocks for p in credits_sheet(sheet.manifest, sheet.words).parts}
    labels = [title for title in blocks if "label" in title.lower()]
    assert labels == ([part] if part else [])
    if part:
        (label,) = blocks[part]
        assert (label.title, label.items[0]) == (block, Row("A", label="Artist"))


def test_text_file_is_utf8_with_line_feeds(made: Make) -> None:
    raw = (made(DEMO).folder / "credits-sheet.txt").read_bytes()
    assert raw.decode("utf-8").endswith("_\n")
    assert b"\r" not in raw
    assert not raw.startswith(b"\xef\xbb\xbf")


@pytest.mark.parametrize("reader", ["pypdf_text", "pdftotext"])
def test_pdf_and_text_have_the_same_content_in_the_same_order(made: Make, reader: str) -> None:
    sheet = made(DEMO)
    printed = squeezed(getattr(sheet, reader)())
    assert printed == squeezed(sheet.all_text)


@pytest.mark.thorough
@pytest.mark.parametrize("reader", ["pypdf_text", "pdftotext"])
@pytest.mark.parametrize(
    "title",
    [
        "<img src=x onerror=alert(1)>",
        "A & B &amp; </para><b>C",
        "Νερό που στέκει",
        "Тихая вода",
        "Đêm nước lặng",
        "静かな水の歌",
        "고요한 물의 노래",
        "ماء راكد",
        "مُحَمَّد والبحر",
        "מים שקטים",
        "😀",
        "W" * 300,
    ],
)
def test_titles_of_every_kind_copy_out_whole(made: Make, title: str, reader: str) -> None:
    sheet = made(ONE_TRACK.format(title=f'"{title}"'))
    assert f"1\t{title}\t3:00" in sheet.lines
    assert squeezed(f"1 {title} 3:00") in squeezed(getattr(sheet, reader)())


def test_what_no_font_has_prints_as_a_box_and_stands_whole_in_the_text(made: Make) -> None:
    sheet = made(ONE_TRACK.format(title='"Waves 🌊 and न"'))
    assert squeezed("1 Waves □ and □ 3:00") in squeezed(sheet.pypdf_text())
    assert "1\tWaves 🌊 and न\t3:00" in sheet.lines
    assert "U+1F30A 🌊, U+0928 न" in sheet.block("Still missing")


def test_decomposed_letters_print_composed(made: Make) -> None:
    sheet = made(ONE_TRACK.format(title='"Cafe\\u0301"'))
    assert squeezed("1 Caf\u00e9 3:00") in squeezed(sheet.pypdf_text())
    assert "Cafe\u0301" in sheet.text


LONG_TITLE = "The Lamp at the End of the Long Stone Pier, as It Was Sung in the Great Frost " * 4


def _largest(made: Make) -> Made:
    """Make the sheet of 40 tracks, 60 people, 2,000 words of notes and very long titles."""
    tracks = "\n".join(
        f"  - {{title: '{LONG_TITLE if n % 9 == 0 else 'Song'} {n}', audio: a.wav,"
        f" composers: [Ines Falk], publisher: Tidewrack Songs, lyrics: 'la la {n}'}}"
        for n in range(1, 41)
    )
    people = "\n".join(
        f"  - {{name: Singer {n}, roles: [voice, bells], tracks: [{(n - 1) % 40 + 1}, 40]}}"
        for n in range(1, 61)
    )
    long = " ".join(f"word{n}" for n in range(2000))
    names = "\n".join(f"    Friend {n}" for n in range(150))  # kept together, and more than a page
    return made(
        f"release: {{artist: Halden Ferry Singers, title: {'T' * 300}, barcode: '036000291452'}}\n"
        f"tracks:\n{tracks}\ncredits:\n{people}\ntext:\n  notes: {long}\n"
        f"  thanks: |\n{names}\n"
    )


@pytest.mark.parametrize("reader", ["pypdf_text", "pdftotext"])
def test_forty_tracks_sixty_people_and_a_long_note_flow_over_pages(made: Make, reader: str) -> None:
    sheet = _largest(made)
    assert squeezed(getattr(sheet, reader)()) == squeezed(sheet.all_text)
    assert len(pypdf.PdfReader(sheet.pdf).pages) > 5


def test_ninety_nine_tracks_keep_their_order(made: Make) -> None:
    tracks = "".join(f"  - {{title: Song {n}, audio: a.wav}}\n" for n in range(1, 100))
    sheet = made(f"release: {{artist: A, title: B}}\ntracks:\n{tracks}")
    assert squeezed(sheet.pdftotext()) == squeezed(sheet.all_text)


def test_nothing_runs_over_the_edge_of_a_page(made: Make) -> None:
    # pdftotext -bbox gives the box of every word; the margins are this sheet's own: 20 mm = 56.7 pt
    sheet = _largest(made)
    shown = output_of("pdftotext", "-bbox", sheet.pdf, "-", package="poppler-utils")
    words = [line.split('"') for line in shown.split("\n") if "<word" in line]
    assert len(words) > 3000
    assert min(float(word[1]) for word in words) > 56
    assert max(float(word[5]) for word in words) < 595.3 - 56
    assert min(float(word[3]) for word in words) > 50
    assert max(float(word[7]) for word in words) < 842 - 30


def test_every_page_has_its_number_and_the_release(made: Make) -> None:
    pages = pypdf.PdfReader(_largest(made).pdf).pages
    for number, page in enumerate(pages, 1):
        text = squeezed(page.extract_text())
        assert squeezed(f"Page {number} of {len(pages)} Halden Ferry Singers – TTT") in text


def test_pages_inside_a_part_repeat_its_head(made: Make) -> None:
    sheet = _largest(made)
    shown = output_of("pdftotext", sheet.pdf, "-", package="poppler-utils")
    first_lines = [page.strip().split("\n")[0] for page in shown.strip("\f").split("\f")[1:]]
    heads = [" ".join(line.split()) for line in first_lines]
    assert [head for head in heads if not head.startswith(PARTS)] == []
    assert "Booklet Words and music, continued" in heads
    assert "Booklet Notes, continued" in heads


def test_barcode_is_scanned_from_the_printed_sheet(made: Make, tmp_path: Path) -> None:
    # zbar reads a UPC-A as the EAN-13 that it is, with a leading 0
    for sheet, code in ((made(DEMO), "2000000000145"), (_largest(made), "0036000291452")):
        output_of(
            "pdftoppm", "-r", "200", "-l", "3", "-gray", "-png", sheet.pdf, tmp_path / code,
            package="poppler-utils",
        )  # fmt: skip
        pages = sorted(tmp_path.glob(f"{code}-*.png"))
        found = [shown for page in pages for shown in scanned(page)]
        assert found == [f"EAN-13:{code}"]


def test_every_font_is_embedded(made: Make) -> None:
    sheet = made(ONE_TRACK.format(title='"Slack 静かな 고요한 ماء"'))
    faces = []
    for page in pypdf.PdfReader(sheet.pdf).pages:
        for font in page["/Resources"]["/Font"].values():  # type: ignore[index]
            face = font.get_object()
            faces.append(face["/BaseFont"])
            assert "/FontFile2" in face["/FontDescriptor"], face["/BaseFont"]
    for name in ("DejaVuSans", "DejaVuSans-Bold", "DroidSansFallback", "NanumSquareR"):
        assert any(str(face).endswith(f"+{name}") for face in faces)


def test_properties_name_the_release_and_no_date(made: Make) -> None:
    reader = pypdf.PdfReader(made(DEMO).pdf)
    assert reader.metadata is not None
    assert reader.metadata.title == "Songs for Slack Water"
    assert reader.metadata.author == "Halden Ferry Singers"
    assert not [key for key in reader.metadata if "Date" in key]
    titles = [entry["/Title"] for entry in reader.outline if not isinstance(entry, list)]
    assert titles == list(PARTS)
    inside: Any = reader.outline[5]
    assert [entry["/Title"] for entry in inside][:2] == ["Track list", RIGHTS]


def test_same_release_gives_the_same_bytes(made: Make, tmp_path: Path) -> None:
    sheet = made(DEMO.replace("Slack Water", "静かな ماء Water"))
    folders = [tmp_path / str(n) for n in range(4)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda f: write_credits_sheet(f, sheet.manifest, sheet.words), folders))
    for folder in folders:
        assert (folder / "credits-sheet.pdf").read_bytes() == sheet.pdf.read_bytes()


def test_another_process_gives_the_same_bytes(made: Make, tmp_path: Path) -> None:
    sheet = made(DEMO)
    script = (
        "import pickle, sys; from pathlib import Path\n"
        "from assembler.sheets.credits_sheet import write_credits_sheet\n"
        "write_credits_sheet(Path(sys.argv[1]), *pickle.loads(sys.stdin.buffer.read()))"
    )
    again = tmp_path / "again"
    subprocess.run(
        [sys.executable, "-c", script, str(again)],
        input=pickle.dumps((sheet.manifest, sheet.words)),
        check=True,
        timeout=60,
        cwd=Path(__file__).parents[2],
    )
    assert (again / "credits-sheet.pdf").read_bytes() == sheet.pdf.read_bytes()


def test_another_title_gives_other_bytes(made: Make) -> None:
    first = made(DEMO).pdf.read_bytes()
    assert made(DEMO.replace("Low Lantern", "Low Lamp")).pdf.read_bytes() != first
