"""The PQ sheet has every index point of the disc, on paper as in the text.

What a plant's list carries: from memory of the trade. Read back with poppler's programs, pypdf
and libcdio.
"""

from __future__ import annotations

import functools
import pickle
import re
import subprocess
import sys
import tempfile
import unicodedata
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pypdf
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from outside import is_there, output_of
from sheets.made_sheet import squeezed

from assembler.sheets.pq_pdf import write_pq_pdf
from assembler.sheets.pq_sheet import PqSheet, PqTrack, pq_text
from assembler.typeset.plain_text import cells

IMAGE_SHA, CUE_SHA, TEXT_SHA = "0123456789abcdef" * 4, "fedcba98" * 8, "a5" * 32
IMAGE, CUE = ("Image", "TWE-014-1.wav", IMAGE_SHA), ("Cue sheet", "TWE-014-1.cue", CUE_SHA)
TEXT = ("Other file", "TWE-014-1.cdtext", TEXT_SHA)
TITLES = ("Low Lantern", "Net Loft Waltz", "The Lamp at the End of the Long Stone Pier", "Sørlys")
ODD_TITLES = (
    "Νερό που στέκει " * 12,
    "Тихая вода у причала " * 9,
    "静かな水の歌" * 33,
    "ماء راكد في الميناء " * 10,
    "W" * 200,
)
A_TIME = r"\d\d:\d\d:\d\d"
ROW = re.compile(rf"(?m)(?<![:\w])(\d\d) +(–|{A_TIME}) +({A_TIME})((?: +{A_TIME}){{0,2}})$")


def msf(frames: int) -> str:
    return f"{frames // 4500:02}:{frames // 75 % 60:02}:{frames % 75:02}"


def pq_track(number: int, start: int, frames: int, pause: int, title: str = "") -> PqTrack:
    before = [(0, start - pause)] if number > 1 and pause else []
    return PqTrack(
        number=number,
        title=title or TITLES[number % len(TITLES)],
        performer="Northern Quay Brass" if number == 4 else "Halden Ferry Singers",
        isrc=None if number == 7 else f"AA6Q727{number:05}",
        copy_permitted=number != 5,
        pre_emphasis=number == 6,
        points=(*before, (1, start)),
        pause_frames=pause,
        frames=frames,
    )


def pq_sheet(
    count: int, titles: Sequence[str] = (), opening: int = 150, *, segue_each: int = 5
) -> PqSheet:
    """Lay tracks out, each fifth as a segue, on a disc that stays under 75 minutes."""
    tracks: list[PqTrack] = []
    end = 0
    for number in range(1, count + 1):
        pause = opening if number == 1 else 0 if number % segue_each == 0 else 151
        start = end + (pause if number > 1 else 0)
        frames = 75 * 2600 // count + 37 * number
        title = titles[number % len(titles)] if titles else ""
        tracks.append(pq_track(number, start, frames, pause, title))
        end = start + frames
    return PqSheet(
        artist="Halden Ferry Singers",
        title="Songs for Slack Water",
        catalogue_number="TWE-014",
        barcode="2000000000145",
        label="Tidewrack Editions",
        prepared_by="Ines Falk",
        master_date="2027-03-02",
        disc_number=1,
        of_discs=2,
        tracks=tuple(tracks),
        track_1_pause_frames=opening,
        frames=end + 75,
        tail_frames=75,
        files=(IMAGE, CUE, TEXT),
    )


def with_many_indexes(sheet: PqSheet) -> PqSheet:
    """Return the third track index points 00 to 99."""
    third = sheet.tracks[2]
    start = third.points[-1][1]
    points = third.points + tuple((n, start + 300 * n) for n in range(2, 100))
    tracks = (*sheet.tracks[:2], replace(third, points=points), *sheet.tracks[3:])
    return replace(sheet, tracks=tracks)


@functools.cache
def content(sheet: PqSheet) -> bytes:
    """Return the PDF of a sheet, made once for all tests."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pq-sheet.pdf"
        write_pq_pdf(sheet, path)
        return path.read_bytes()


def printed(sheet: PqSheet, folder: Path) -> Path:
    target = folder / "pq-sheet.pdf"
    target.write_bytes(content(sheet))
    return target


def layout(pdf: Path) -> str:
    return output_of("pdftotext", "-layout", pdf, "-", package="poppler-utils")


def point_times(sheet: PqSheet) -> list[tuple[str, str, str, list[str]]]:
    """Work out what the rows say: index, program time, absolute time, then length and pause."""
    rows = []
    for track in sheet.tracks:
        points: list[tuple[int, int | None]] = list(track.points)
        if track.number == 1:
            points = [(0, None), *points]
        for n, (index, frame) in enumerate(points):
            image = "–" if frame is None else msf(frame)
            disc = msf(0 if frame is None else frame + sheet.track_1_pause_frames)
            rest = [msf(track.frames)] if index == 1 else []
            rest += [msf(track.pause_frames)] if n == 0 else []
            rows.append((f"{index:02}", image, disc, rest))
    return rows


def rows_read(text: str) -> list[tuple[str, str, str, list[str]]]:
    return [(m[1], m[2], m[3], m[4].split()) for m in ROW.finditer(text)]


def boxes(pdf: Path) -> list[list[tuple[float, float, float, float]]]:
    """Return the box of every word on every page: left, top, right, bottom in points."""
    text = output_of("pdftotext", "-bbox", pdf, "-", package="poppler-utils")
    found = r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)"'
    return [
        [(float(a), float(b), float(c), float(d)) for a, b, c, d in re.findall(found, page)]
        for page in text.split("<page ")[1:]
    ]


SHEETS = {
    "8": pq_sheet(8),
    "20": pq_sheet(20),
    "40": pq_sheet(40),
    "99": pq_sheet(99),
    "long titles": pq_sheet(14, ODD_TITLES),
    "100 index points": with_many_indexes(pq_sheet(6)),
    "long pause": pq_sheet(9, opening=225),
    "long words": replace(
        pq_sheet(8),
        title="Τραγούδια " * 20,
        artist="静かな水の歌" * 33,
        catalogue_number="TWE-" * 20,
        label="Ж" * 120,
        prepared_by="ماء راكد " * 20,
        files=(("Image", f"{'TWE-' * 40}.wav", IMAGE_SHA), CUE, TEXT),
    ),
    "many files": replace(
        pq_sheet(8), files=(IMAGE, CUE, *(("Other file", f"{n}.bin", TEXT_SHA) for n in range(95)))
    ),
}
each_sheet = pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS.keys())


@pytest.mark.parametrize(
    ("image_frame", "opening", "disc_time"),
    [
        (0, 150, "00:02:00"),  # MMC: LBA 0 is MSF 00:02:00
        (404849, 150, "89:59:74"),  # MMC, LBA to MSF table (from memory): its last MSF below 90 min
        (4499, 150, "01:01:74"),  # ECMA-130: 75 sectors/s; 59 s 74 f + 2 s, by hand
        (0, 225, "00:03:00"),  # ECMA-130 (from memory): the disc's time begins with the first pause
    ],
)
def test_absolute_times_are_those_of_the_standards(
    image_frame: int, opening: int, disc_time: str, tmp_path: Path
) -> None:
    track = replace(pq_track(1, image_frame, 75 * 60, opening))
    sheet = replace(pq_sheet(1, opening=opening), tracks=(track,))
    for text in (pq_text(sheet), layout(printed(sheet, tmp_path))):
        [zero, one] = rows_read(text)
        assert zero[:3] == ("00", "–", "00:00:00")
        assert one[:3] == ("01", msf(image_frame), disc_time)


@pytest.mark.wants("cd-info")
def test_absolute_times_are_those_that_libcdio_reads_from_the_cue_sheet(tmp_path: Path) -> None:
    sheet = pq_sheet(3)
    lines = ['FILE "image.bin" WAVE']
    for track in sheet.tracks:
        lines.append(f"  TRACK {track.number:02} AUDIO")
        lines += [f"    INDEX {index:02} {msf(frame)}" for index, frame in track.points]
    (tmp_path / "image.cue").write_bytes("\r\n".join([*lines, ""]).encode())
    with (tmp_path / "image.bin").open("wb") as file:  # sparse: libcdio asks for its size alone
        file.truncate(sheet.frames * 2352)
    read = output_of(
        "cd-info", "--no-header", "--no-device-info", "--no-cddb", "--cue-file",
        tmp_path / "image.cue",
        package="libcdio-utils",
    )  # fmt: skip
    starts = re.findall(r"(?m)^ *\d+: (\d\d:\d\d:\d\d) +\d+ +(?:audio|leadout)", read)
    text = pq_text(sheet)
    lead_out = re.search(rf"Lead-out \(absolute\) +({A_TIME})", text)
    assert lead_out
    assert starts == [*(row[2] for row in rows_read(text) if row[0] == "01"), lead_out[1]]


@each_sheet
def test_every_point_reads_back_from_paper_and_text(sheet: PqSheet, tmp_path: Path) -> None:
    expected = point_times(sheet)
    assert rows_read(pq_text(sheet)) == expected
    if sheet is SHEETS["long titles"] and not is_there("pdftotext"):
        pytest.skip("pdfium changes the order of a line that has right-to-left letters")
    assert rows_read(layout(printed(sheet, tmp_path))) == expected


@each_sheet
def test_facts_are_on_paper_and_in_the_text(sheet: PqSheet, tmp_path: Path) -> None:
    plain = output_of("pdftotext", printed(sheet, tmp_path), "-", package="poppler-utils")
    pauses = sum(track.pause_frames for track in sheet.tracks)
    lead_out = sheet.frames + sheet.track_1_pause_frames
    for text in (plain, pq_text(sheet)):
        for word in ("2000000000145", IMAGE_SHA, CUE_SHA, TEXT_SHA, "2 March 2027", "Disc 1 of 2"):
            assert word in text
        assert "44,100 Hz, 16 bit, 2 channels, 75 frames/s of 588 samples" in text
        for frames in (sheet.frames, lead_out, pauses, sheet.tail_frames):
            assert re.search(rf"(?<!\d){msf(frames)}(?!\d)", text)
        for track in sheet.tracks:
            code = "none assigned" if track.number == 7 else f"AA-6Q7-27-{track.number:05}"
            assert code in text
            assert re.search(rf"(?m)^\f?{track.number:02}\b", text)
        for signer in ("Prepared by", "Checked by plant"):
            assert signer in text
        assert "DCP: digital copy permitted" in text


@each_sheet
def test_names_and_titles_are_whole_in_the_text(sheet: PqSheet) -> None:
    text = squeezed(pq_text(sheet))
    for name in (sheet.artist, sheet.title, sheet.catalogue_number, sheet.label, sheet.prepared_by):
        assert squeezed(name or "") in text
    for track in sheet.tracks:
        assert squeezed(f"{track.number:02}{track.title}") in text
    for name in (name for _, name, _ in sheet.files):
        assert name in text


@pytest.mark.parametrize("title", ODD_TITLES, ids=["Greek", "Cyrillic", "Japanese", "Arabic", "W"])
def test_long_titles_print_whole(title: str, tmp_path: Path) -> None:
    pdf = printed(pq_sheet(3, [title]), tmp_path)
    read = squeezed(output_of("pdftotext", "-raw", pdf, "-", package="poppler-utils"))
    letters = [sign for sign in squeezed(title) if unicodedata.category(sign).startswith("L")]
    assert len(letters) > 150
    assert min(read.count(sign) // letters.count(sign) for sign in set(letters)) >= 3


def test_flags_stand_in_their_tracks(tmp_path: Path) -> None:
    sheet = pq_sheet(8)
    for text in (pq_text(sheet), layout(printed(sheet, tmp_path))):
        flags = re.findall(r"(?:AA-6Q7-27-\d{5}|none assigned) +(DCP PRE|DCP|PRE|–)(?: |$)", text)
        assert flags == ["DCP", "DCP", "DCP", "DCP", "–", "DCP PRE", "DCP", "DCP"]


def test_another_performer_is_named(tmp_path: Path) -> None:
    sheet = pq_sheet(5)
    paper = layout(printed(sheet, tmp_path)).partition("Page 1 of 1")[0]  # the artist follows it
    for text in (pq_text(sheet), paper):
        assert text.count("Northern Quay Brass") == 1
        assert text.count("Halden Ferry Singers") == 1


def test_what_is_missing_is_named(tmp_path: Path) -> None:
    sheet = replace(
        pq_sheet(8),
        catalogue_number=None,
        barcode=None,
        label=None,
        prepared_by=None,
        master_date=None,
    )
    missing = "catalogue number; barcode; label; prepared by; ISRC of track 7"
    pdf = printed(sheet, tmp_path)
    for text in (
        pq_text(sheet), output_of("pdftotext", "-raw", pdf, "-", package="poppler-utils"),
    ):  # fmt: skip
        assert squeezed(missing) in squeezed(text)
        assert text.count("not given") == 3
        assert text.count("none assigned") == 2
        assert "None" not in text
        assert "Master date" in text
    assert re.search(r"(?m)^Master date +_+$", pq_text(sheet))


def test_nothing_is_missing(tmp_path: Path) -> None:
    sheet = pq_sheet(6)
    assert "none assigned" not in pq_text(sheet)
    assert re.search(r"(?m)^Missing +nothing$", pq_text(sheet))
    assert "Missing" not in layout(printed(sheet, tmp_path))


def test_a_upc_has_thirteen_digits(tmp_path: Path) -> None:
    # GS1 General Specifications: a UPC-A is an EAN-13 with a leading 0
    sheet = replace(pq_sheet(3), barcode="036000291452")
    for text in (pq_text(sheet), layout(printed(sheet, tmp_path))):
        assert re.search(r"\b0036000291452\b", text)


@pytest.mark.parametrize("count", [1, 8, 15, 20])
def test_up_to_twenty_tracks_take_one_page(count: int, tmp_path: Path) -> None:
    assert "Pages:           1\n" in output_of(
        "pdfinfo", printed(pq_sheet(count), tmp_path), package="poppler-utils"
    )


def test_twenty_full_tracks_and_seven_files_take_one_page(tmp_path: Path) -> None:
    sheet = pq_sheet(20, ["A Lamp at the End of the Long Stone Pier"], segue_each=100)
    sheet = replace(sheet, master_date=None, files=(IMAGE, CUE, *[TEXT] * 5))
    assert len(rows_read(layout(printed(sheet, tmp_path)))) == 40
    assert len(pypdf.PdfReader(printed(sheet, tmp_path)).pages) == 1


@pytest.mark.parametrize("count", [21, 22, 23, 24, 40, 99])
def test_more_tracks_go_on_with_repeated_heads(count: int, tmp_path: Path) -> None:
    pages = layout(printed(pq_sheet(count), tmp_path)).rstrip("\f").split("\f")
    assert len(pages) > 1
    for number, page in enumerate(pages, 1):
        assert f"Page {number} of {len(pages)}" in page
        assert "TWE-014" in page
        assert "Disc 1 of 2" in page
        assert re.search(r"No\. +Title +ISRC +Flags +Index +Program time +Absolute time", page)
        assert len(rows_read(page)) >= 4
    assert "Lead-out" in pages[-1]
    assert "Checked by plant" in pages[-1]


def test_a_track_longer_than_a_page_is_continued(tmp_path: Path) -> None:
    pages = layout(printed(SHEETS["100 index points"], tmp_path)).rstrip("\f").split("\f")
    assert len(pages) > 2
    assert re.search(r"03 +continued\n", pages[1])


@pytest.mark.thorough
@each_sheet
def test_all_texts_are_inside_the_page_and_apart(sheet: PqSheet, tmp_path: Path) -> None:
    pages = boxes(printed(sheet, tmp_path))
    assert sum(map(len, pages)) > 100
    for words in pages:
        assert min(box[0] for box in words) >= 39
        assert max(box[2] for box in words) <= 595.3 - 39
        assert min(box[1] for box in words) >= 25
        assert max(box[3] for box in words) <= 841.9 - 25
        assert overlapping(words) == []


def overlapping(words: list[tuple[float, float, float, float]]) -> list[object]:
    """Find words that touch others; a word's middle half in height is its letters."""
    cores = [(a, t + (b - t) / 4, c, b - (b - t) / 4) for a, t, c, b in words]
    return [
        (one, two)
        for n, one in enumerate(cores)
        for two in cores[n + 1 :]
        if min(one[2], two[2]) - max(one[0], two[0]) > 0.5
        and min(one[3], two[3]) - max(one[1], two[1]) > 0.5
    ]


@pytest.mark.wants("pdffonts")
def test_all_fonts_are_embedded(tmp_path: Path) -> None:
    pdf = printed(pq_sheet(8, [*ODD_TITLES, "고요한 물"]), tmp_path)
    fonts = output_of("pdffonts", pdf, package="poppler-utils").splitlines()[2:]
    embedded = [re.search(r" (yes|no) +(yes|no) +(yes|no) +\d+ +\d+$", font) for font in fonts]
    assert len(fonts) >= 4
    assert [found and found[1] for found in embedded] == ["yes"] * len(fonts)


def test_properties_name_the_release_and_no_date(tmp_path: Path) -> None:
    facts = pypdf.PdfReader(printed(pq_sheet(3), tmp_path)).metadata
    assert facts is not None
    assert (facts.title, facts.author, facts.subject) == (
        "Songs for Slack Water",
        "Halden Ferry Singers",
        "PQ sheet",
    )
    assert not [key for key in facts if "Date" in key]


@each_sheet
def test_bytes_are_the_same_each_time(sheet: PqSheet, tmp_path: Path) -> None:
    again = tmp_path / "again.pdf"
    write_pq_pdf(sheet, again)
    assert again.read_bytes() == content(sheet)
    assert pq_text(sheet) == pq_text(replace(sheet))


def test_another_process_gives_the_same_bytes(tmp_path: Path) -> None:
    sheet = pq_sheet(8, ODD_TITLES)
    script = (
        "import pickle, sys; from pathlib import Path\n"
        "from assembler.sheets.pq_pdf import write_pq_pdf\n"
        "write_pq_pdf(pickle.loads(sys.stdin.buffer.read()), Path(sys.argv[1]))"
    )
    again = tmp_path / "again.pdf"
    subprocess.run(
        [sys.executable, "-c", script, str(again)],
        input=pickle.dumps(sheet),
        check=True,
        timeout=60,
        cwd=Path(__file__).parents[2],
    )
    assert again.read_bytes() == content(sheet)


def test_another_fact_gives_other_bytes() -> None:
    sheet = pq_sheet(3)
    assert content(replace(sheet, tail_frames=76)) != content(sheet)


@each_sheet
def test_text_lines_keep_to_a_hundred_columns(sheet: PqSheet) -> None:
    text = pq_text(sheet)
    assert "\r" not in text
    assert text.endswith("\n")
    assert max(cells(line) for line in text.split("\n")) <= 100


def test_wide_and_combining_letters_count_as_they_show() -> None:
    # Unicode Standard Annex 11: wide and full-width letters take two cells; marks take none
    assert cells("静か") == 4
    assert cells("ｱ") == 1
    assert cells("Ａ") == 2
    assert cells("e\u0301") == 1
    assert cells("Low\u200b") == 3


def test_a_character_without_a_font_is_a_box_on_paper_and_whole_in_the_text(tmp_path: Path) -> None:
    sheet = pq_sheet(3, ["Waves न"])
    assert "□: a character" in layout(printed(sheet, tmp_path))
    assert "Waves न" in pq_text(sheet)
    assert "□" not in layout(printed(pq_sheet(3), tmp_path))


ODD_TEXT = st.text(
    st.characters(exclude_categories=("Cs", "Cc"))
    | st.sampled_from("WıäŁя静ماء न̈👩‍👩‍👧 \u202e\u2028"),
    max_size=200,
)


@pytest.mark.thorough
@settings(max_examples=40, deadline=None)
@given(ODD_TEXT, ODD_TEXT, ODD_TEXT)
def test_odd_texts_leave_every_number_readable(
    tmp_path_factory: pytest.TempPathFactory, title: str, artist: str, performer: str
) -> None:
    base = replace(pq_sheet(4), artist=artist, title=title, label=artist, catalogue_number=title)
    tracks = tuple(replace(track, title=title, performer=performer) for track in base.tracks)
    sheet = replace(base, tracks=tracks)
    text = pq_text(sheet)
    assert rows_read(text) == point_times(sheet)
    assert max(cells(line) for line in text.split("\n")) <= 100
    assert squeezed(title) in squeezed(text)
    pdf = printed(sheet, tmp_path_factory.mktemp("odd"))
    for page in boxes(pdf):
        assert min(box[0] for box in page) >= 25
        assert max(box[2] for box in page) <= 595.3 - 25
        assert max(box[3] for box in page) <= 841.9 - 20
    words = re.findall(A_TIME, output_of("pdftotext", "-raw", pdf, "-", package="poppler-utils"))
    for row in point_times(sheet):
        assert row[2] in words
