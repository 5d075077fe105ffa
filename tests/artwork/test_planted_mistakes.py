"""Artwork with planted mistakes, by two producers: each is found, and nothing else is an error."""

from __future__ import annotations

import io
from pathlib import Path

import pikepdf
import pytest
from artwork.artwork_pdfs import BLEED, Artwork, artwork, write_manifest, write_reportlab, write_svg
from artwork.mistakes import ROUNDS, Mistake, is_at
from outside import program
from PIL import Image

from assembler.artwork.check import ArtworkReport, check_artwork
from assembler.artwork.inks import space_of_image
from assembler.manifest import ManifestFile

pytestmark = pytest.mark.usefixtures("in_this_process")


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> ManifestFile:
    """Return the manifest."""
    return write_manifest(tmp_path_factory.mktemp("release"))


def planted(mistakes: tuple[Mistake, ...], folder: Path) -> Artwork:
    art = artwork()
    for mistake in mistakes:
        mistake.change(art, folder)
    return art


def compare(report: ArtworkReport, art: Artwork, mistakes: tuple[Mistake, ...]) -> None:
    """Compare findings with mistakes: each is there at its place, and each error has a mistake."""
    for mistake in mistakes:
        named = [f for f in report.findings if f.code == mistake.code and mistake.says in f.message]
        assert named, (mistake, report.findings)
        assert any(is_at(found, mistake.at, art) for found in named), (mistake, named)
    codes = {mistake.code for mistake in mistakes}
    others = [str(f) for f in report.findings if f.severity != "note" and f.code not in codes]
    assert others == []


MARKED = "rows"
ALWAYS = ("typed again", "lost", "inks", "edges", "barcode other")


@pytest.mark.parametrize(
    "name",
    [
        name if name in ALWAYS else pytest.param(name, marks=pytest.mark.thorough)
        for name in ROUNDS
        if name != MARKED
    ],
)
def test_each_mistake_is_found(name: str, source: ManifestFile, tmp_path: Path) -> None:
    art = planted(ROUNDS[name], tmp_path)
    compare(check_artwork(source, write_reportlab(art, tmp_path / "pdf")), art, ROUNDS[name])


def test_enough_mistakes_are_planted() -> None:
    mistakes = [one for found in ROUNDS.values() for one in found if one.is_planted]
    assert len(mistakes) >= 60
    assert len({mistake.code for mistake in mistakes}) >= 20


def test_nothing_is_found_in_the_correct_artwork(source: ManifestFile, tmp_path: Path) -> None:
    report = check_artwork(source, write_reportlab(artwork(), tmp_path / "pdf"))
    compare(report, artwork(), ())
    assert report.ok
    assert report.durations == "the sources"
    assert {f.code for f in report.findings} == {"no-pdf-x"}
    (barcode,) = report.barcodes
    assert 0.99 < barcode.magnification < 1.01


SECOND = ("typed again", "signs", "lost", "rows")


@pytest.mark.thorough
@pytest.mark.wants("rsvg-convert")
@pytest.mark.parametrize("name", [None, *SECOND])
def test_a_second_producer(name: str | None, source: ManifestFile, tmp_path: Path) -> None:
    mistakes = ROUNDS[name] if name else ()
    drawing = program("rsvg-convert", "librsvg2-bin")
    art = planted(mistakes, tmp_path)
    compare(check_artwork(source, write_svg(art, tmp_path / "pdf", drawing)), art, mistakes)


COLOURS = {"error": (200, 0, 40), "warning": (200, 110, 0), "note": (0, 90, 190)}


def test_each_is_found_and_marked_pages_have_a_box_at_each_place(
    source: ManifestFile, tmp_path: Path
) -> None:
    art = planted(ROUNDS[MARKED], tmp_path)
    files = write_reportlab(art, tmp_path / "pdf")
    report = check_artwork(source, files, marked=tmp_path / "marked")
    compare(report, art, ROUNDS[MARKED])
    pages = ["booklet-01.png", "booklet-02.png", "tray-card-01.png", "disc-label-01.png"]
    assert [path.name for path in report.marked] == [*pages, "findings.txt"]
    lines = report.marked[-1].read_text(encoding="utf-8").splitlines()
    assert lines == [f"{n}  {found}" for n, found in enumerate(report.findings, 1)]
    dots, around = 150 / 25.4, BLEED + 4
    with Image.open(tmp_path / "marked" / "tray-card-01.png") as picture:
        assert picture.width == pytest.approx((151 + 2 * around) * dots, abs=1)
        own = [found for found in report.findings if found.file.endswith("tray-card.pdf")]
        placed = [found for found in own if found.box_mm]
        assert len(placed) >= 5
        for found in placed:
            left, top, right, foot = ((value + around) * dots for value in found.box_mm)
            for x in (left, (left + right) / 2, right):  # above and below it, 1 mm away
                for y in (top - dots, foot + dots):
                    assert is_near(picture, x, y, COLOURS[found.severity]), (found, x, y)
        free = picture.crop((100, 560, 500, 640)).convert("RGB")
        assert not {*COLOURS.values()} & {colour for _, colour in free.getcolors(100_000)}


def is_near(picture: Image.Image, x: float, y: float, colour: tuple[int, int, int]) -> bool:
    """Return whether a colour is within two dots of a place."""
    area = picture.crop((round(x) - 2, round(y) - 2, round(x) + 3, round(y) + 3)).convert("RGB")
    return colour in {found for _, found in area.getcolors()}


@pytest.mark.parametrize("mode", ["RGB", "P", "L", "CMYK"])
def test_the_colour_space_in_a_jpeg_2000_or_a_palette_is_read(mode: str) -> None:
    picture = io.BytesIO()
    jpeg_2000 = Image.new("RGB" if mode == "P" else mode, (8, 8))
    jpeg_2000.save(picture, "JPEG2000")
    with pikepdf.new() as pdf:
        image = pdf.make_stream(picture.getvalue(), Filter=pikepdf.Name.JPXDecode)
        if mode == "P":
            colours = pikepdf.String(bytes(6))
            image = pdf.make_stream(bytes(64))
            image.ColorSpace = [pikepdf.Name.Indexed, pikepdf.Name.DeviceRGB, 1, colours]
        kind = {"RGB": "rgb", "P": "rgb", "L": "gray", "CMYK": "cmyk"}[mode]
        assert space_of_image(image, None).kind == kind
