"""PDFs that attack the reader, or are not PDFs: one clear line each, in bounded time and memory."""

from __future__ import annotations

import zlib
from pathlib import Path

import pikepdf
import pytest

from assembler.artwork.isolated import Limits, read_pdf
from assembler.artwork.read_pdf import read


def new(path: Path, pages: int = 1, content: bytes = b"") -> Path:
    with pikepdf.new() as pdf:
        for _ in range(pages):
            pdf.add_blank_page(page_size=(300, 300))
        pdf.pages[0].obj.Contents = pdf.make_stream(content)
        pdf.save(path)
    return path


def bomb(path: Path) -> Path:
    packed = zlib.compress(b"0 0 m " * 20_000_000, 9)
    with pikepdf.new() as pdf:
        pdf.add_blank_page(page_size=(300, 300))
        stream = pdf.make_stream(b"")
        stream.write(packed, filter=pikepdf.Name.FlateDecode)
        pdf.pages[0].obj.Contents = stream
        pdf.save(path, stream_decode_level=pikepdf.StreamDecodeLevel.none)
    return path


@pytest.mark.thorough
def test_what_cannot_be_read_is_said_in_one_line(tmp_path: Path) -> None:
    locked = tmp_path / "locked.pdf"
    with pikepdf.open(new(tmp_path / "a.pdf")) as pdf:
        pdf.save(locked, encryption=pikepdf.Encryption(owner="o", user="u"))
    (tmp_path / "text.pdf").write_text("not a PDF")
    half = tmp_path / "half.pdf"
    half.write_bytes(b"%PDF-1.4\n" + bytes(range(256)) * 20)
    for path, says in (
        (locked, "needs a password"),
        (tmp_path / "text.pdf", "not a PDF"),
        (half, "not a PDF"),
        (new(tmp_path / "many.pdf", pages=500), "500 pages"),
        (bomb(tmp_path / "bomb.pdf"), "64 MB"),
        (new(tmp_path / "nested.pdf", content=b"q " * 2_100_000), "operators"),
    ):
        error = read(path, tmp_path).error
        assert says in error
        assert "\n" not in error


def test_a_huge_image_is_not_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "image.pdf"
    with pikepdf.new() as pdf:
        pdf.add_blank_page(page_size=(300, 300))
        image = pdf.make_stream(b"")
        image.Type, image.Subtype = pikepdf.Name.XObject, pikepdf.Name.Image
        image.Width = image.Height = 60_000
        image.ColorSpace, image.BitsPerComponent = pikepdf.Name.DeviceCMYK, 8
        page = pdf.pages[0].obj
        page.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(I=image))
        page.Contents = pdf.make_stream(b"q 300 0 0 300 0 0 cm /I Do Q")
        pdf.save(path)
    reading = read(path, tmp_path)
    assert [mark.code for mark in reading.pages[0].marks] == ["image-too-large"]


def test_the_reader_is_a_process_with_limits(tmp_path: Path) -> None:
    reading = read_pdf(new(tmp_path / "a.pdf"), tmp_path)
    assert reading.error == ""
    assert len(reading.pages) == 1
    assert "can't be read in 90 s and 0.01 GB" in (
        read_pdf(tmp_path / "a.pdf", tmp_path, Limits(megabytes=10)).error
    )
    assert "not there" in read_pdf(tmp_path / "none.pdf", tmp_path).error
    assert "not a file" in read_pdf(tmp_path, tmp_path).error


@pytest.mark.parametrize("turned", [90, 180, 270])
def test_a_turned_page_is_read_as_it_is_shown(tmp_path: Path, turned: int) -> None:
    path = tmp_path / "a.pdf"
    with pikepdf.new() as pdf:
        pdf.add_blank_page(page_size=(200, 100))
        pdf.pages[0].obj.Rotate = turned
        pdf.pages[0].obj.TrimBox = [10, 20, 190, 90]
        pdf.save(path)
    page = read(path, tmp_path).pages[0]
    assert page.trim
    wide, high = (value / 25.4 * 72 for value in (page.width, page.height))
    trim = [round(value / 25.4 * 72) for value in page.trim]
    assert (round(wide), round(high)) == ((200, 100) if turned == 180 else (100, 200))
    assert trim == {90: [20, 10, 90, 190], 180: [10, 20, 190, 90], 270: [10, 10, 80, 190]}[turned]
