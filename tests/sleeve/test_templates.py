"""Templates of the printed parts, read back by other programs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import get_args

import pikepdf
import pypdf
import pypdfium2
import pytest
import zxingcpp
from outside import output_of
from PIL import Image

from assembler.manifest import ManifestFile, load
from assembler.manifest.sleeve import Package
from assembler.metadata import TrackMetadata, track_metadata
from assembler.sleeve.findings import sleeve_findings, text_findings
from assembler.sleeve.packages import LAYER, PLANT_WINS, template_names
from assembler.sleeve.templates import write_templates

MM = 72 / 25.4
TITLES = ("Low Lantern", "Ropewalk Round", "Harbour Psalm", "Net Loft", "Tallow and Twine")
MANIFEST = """
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  label: Tidewrack Editions
  barcode: "2000000000145"
  p_line: 2027 Tidewrack Editions
  c_line: 2027 Tidewrack Editions & Friends
tracks:
{tracks}
credits:
  - {{name: Mattis Oren, roles: [harmonium, mixing], tracks: [1]}}
  - {{name: Ines Falk, roles: [mastering]}}
text:
  notes: |
    Two pieces from the boxes under the net loft stairs.
sleeve:
{sleeve}
"""


@dataclass(frozen=True)
class Made:
    """Templates and what they were made from."""

    source: ManifestFile
    tracks: tuple[TrackMetadata, ...]
    folder: Path

    def write(self) -> dict[str, Path]:
        write_templates(self.folder, self.source.manifest, self.tracks)
        return {path.stem: path for path in (self.folder / "templates").iterdir()}

    def codes(self) -> list[str]:
        found = (*sleeve_findings(self.source), *text_findings(self.source, self.tracks))
        return [finding.code for finding in found]


def made(folder: Path, sleeve: str, titles: tuple[str, ...] = TITLES) -> Made:
    tracks = "\n".join(f"  - {{title: '{title}', audio: a.wav}}" for title in titles)
    text = MANIFEST.format(tracks=tracks, sleeve=sleeve)
    path = folder / "release.yaml"
    path.write_text(text, encoding="utf-8")
    source = load(path)
    places = [SimpleNamespace(index=n, number=n + 1, frames=15_000 + n) for n in range(len(titles))]
    frames = [place.frames for place in places]
    disc = SimpleNamespace(number=1, places=places, file_frames=frames)
    return Made(source, track_metadata(source.manifest, [disc]), folder)


def sizes_of(path: Path) -> Iterator[tuple[float, float, float]]:
    """Yield each page's trimmed width and height, and its bleed, in mm."""
    for page in pypdf.PdfReader(path).pages:
        trim, bleed, media = page.trimbox, page.bleedbox, page.mediabox
        assert media.left < bleed.left < trim.left
        yield (
            round(float(trim.width) / MM, 2),
            round(float(trim.height) / MM, 2),
            round(float(trim.left - bleed.left) / MM, 2),
        )


SIZES = {
    "jewel_case": {"booklet": (241, 119.5), "tray-card": (151, 118), "disc-label": (116, 116)},
    "card_wallet": {"wallet": (254, 127), "disc-label": (116, 116)},
    "gatefold_4": {"wallet": (282.5, 125.8), "disc-label": (116, 116)},
    "gatefold_6": {"wallet": (399.9, 129.4), "disc-label": (116, 116)},
    "cassette": {"j-card": (92.2, 103.2), "shell-label": (89, 42)},
    "12_inch": {"sleeve": (629.5, 313.2), "label": (101.6, 101.6)},
    "12_inch_gatefold": {"sleeve": (630, 312.3), "label": (101.6, 101.6)},
    "7_inch": {"sleeve": (368.4, 184.2), "label": (92.1, 92.1)},
}


@pytest.mark.parametrize("package", get_args(Package))
def test_boxes_layer_fonts_and_text(tmp_path: Path, package: Package) -> None:
    release = made(tmp_path, f"  package: '{package}'\n  sides: 3")
    files = release.write()
    assert release.source.manifest.sleeve is not None
    names = template_names(release.source.manifest.sleeve)
    assert {path.relative_to(tmp_path).as_posix() for path in files.values()} == {*names}
    bleed = 3.2 if package == "cassette" else 3
    for name, path in files.items():
        assert {*sizes_of(path)} == {(*SIZES[package][name], bleed)}, name
        _check_layer_and_ink(path)
        text = "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
        assert PLANT_WINS in text
        assert "TWE-014" in text or name == "booklet"
        assert "none assigned" not in text
        assert "Does not fit" not in text
    assert not {"sleeve-text-too-long", "unknown-figure"} & {*release.codes()}


def _check_layer_and_ink(path: Path) -> None:
    with pikepdf.open(path) as pdf:
        (group,) = pdf.Root.OCProperties.OCGs
        assert str(group.Name) == LAYER
        black = False
        for page in pdf.pages:
            assert page.Resources.Properties.Guides.objgen == group.objgen
            code = pikepdf.parse_content_stream(page)
            operators = [str(one.operator) for one in code]
            assert operators.count("BDC") >= 1
            grey = {"g", "G", "rg", "RG"} & {*operators}
            assert not grey, grey
            inks = [tuple(map(float, c.operands)) for c in code if str(c.operator) == "k"]
            black = black or (0, 0, 0, 1) in inks
        assert black
        for read in pypdf.PdfReader(path).pages:
            for font in read["/Resources"]["/Font"].values():
                assert "/FontFile2" in font.get_object()["/FontDescriptor"]


def test_booklet_has_a_spread_for_two_pages_and_the_layer_can_be_off(tmp_path: Path) -> None:
    files = made(tmp_path, "  package: jewel_case\n  booklet_pages: 8").write()
    assert len([*sizes_of(files["booklet"])]) == 4
    before = files["tray-card"].read_bytes()
    with pikepdf.open(files["tray-card"], allow_overwriting_input=True) as pdf:
        pdf.Root.OCProperties.D.OFF = pdf.Root.OCProperties.OCGs
        pdf.save(tmp_path / "off.pdf")
    on, off = (picture_of(path) for path in (files["tray-card"], tmp_path / "off.pdf"))
    colours = [image.convert("HSV").getchannel("S").getextrema()[1] for image in (on, off)]
    assert colours[0] > 200 > 60 > colours[1]
    made(tmp_path, "  package: jewel_case\n  booklet_pages: 8").write()
    assert files["tray-card"].read_bytes() == before


def picture_of(path: Path, dpi: int = 100) -> Image.Image:
    return pypdfium2.PdfDocument(path)[0].render(scale=dpi / 72).to_pil()


def test_barcode_is_read_at_300_dpi(tmp_path: Path) -> None:
    files = made(tmp_path, "  package: jewel_case").write()
    (found,) = zxingcpp.read_barcodes(picture_of(files["tray-card"], 300))
    assert found.text == "2000000000145"


@pytest.mark.parametrize("direction", ["down", "up"])
def test_spine_reads_in_the_chosen_direction(tmp_path: Path, direction: str) -> None:
    files = made(tmp_path, f"  package: jewel_case\n  spine: {direction}").write()
    turned: list[float] = []

    def visit(text: str, cm: list[float], tm: list[float], *_: object) -> None:
        if "Halden Ferry Singers – Songs" in text:
            turned.append(tm[0] * cm[1] + tm[1] * cm[3])

    pypdf.PdfReader(files["tray-card"]).pages[0].extract_text(visitor_text=visit)
    assert len(turned) == 2
    assert all((sine < 0) == (direction == "down") for sine in turned)


def test_ninety_nine_long_titles_are_too_much_and_never_cut(tmp_path: Path) -> None:
    titles = tuple(f"A Title That Is Rather Long, Number {n}" for n in range(1, 100))
    release = made(tmp_path, "  package: jewel_case", titles)
    assert "sleeve-text-too-long" in release.codes()
    text = "\n".join(
        page.extract_text() for page in pypdf.PdfReader(release.write()["tray-card"]).pages
    )
    assert all(title in text for title in titles)
    assert "Does not fit: tray-card, back" in text


def test_right_to_left_and_east_asian_titles_are_set(tmp_path: Path) -> None:
    files = made(tmp_path, "  package: jewel_case", ("שיר הערש", "水の歌", "Bølgen")).write()
    text = pypdf.PdfReader(files["tray-card"]).pages[0].extract_text()
    assert "水の歌" in text
    assert "Bølgen" in text
    assert any("\u0590" <= sign <= "\u05ff" for sign in text)


@pytest.mark.parametrize(
    ("sleeve", "code"),
    [
        ("package: jewel_case\n  booklet_pages: 6", "booklet-pages"),
        ("package: jewel_case\n  sizes: {tray: 150}", "unknown-figure"),
        ("package: jewel_case\n  sizes: {tray_width: 15}", "figure-out-of-range"),
        ("package: 12_inch\n  sides: [4, 3]", "sides-out-of-order"),
        ("package: 12_inch", "one-side"),
        ("package: jewel_case\n  logos: [none.png]", "picture-missing"),
        ("package: jewel_case\n  pictures: [{file: small.png, by: Tove Lind}]", "picture-ppi"),
        ("package: jewel_case\n  logos: [small.png]", "picture-colours"),
        ("package: jewel_case\n  logos: [release.yaml]", "picture-unreadable"),
    ],
)
def test_findings(tmp_path: Path, sleeve: str, code: str) -> None:
    Image.new("RGB", (200, 200)).save(tmp_path / "small.png")
    assert code in made(tmp_path, f"  {sleeve}").codes()


@pytest.mark.wants("pdftotext")
def test_text_is_copied_out_in_running_order(tmp_path: Path) -> None:
    files = made(tmp_path, "  package: jewel_case").write()
    text = output_of("pdftotext", files["tray-card"], "-", package="poppler-utils")
    places = [text.index(title) for title in TITLES]
    assert places == sorted(places)
    assert text.index(TITLES[-1]) < text.index("℗ 2027 Tidewrack Editions")


def test_a_sleeve_may_have_no_spine_and_a_single_a_large_hole(tmp_path: Path) -> None:
    single = made(tmp_path, "  package: 7_inch\n  sides: 3\n  sizes: {hole: 38.1, spine: 0}")
    assert "figure-out-of-range" not in single.codes()


def test_figures_are_settable(tmp_path: Path) -> None:
    sizes = "{tray_width: 138.1, spine: 6.35, tray_height: 117, bleed: 5}"
    files = made(tmp_path, f"  package: jewel_case\n  sizes: {sizes}").write()
    assert [*sizes_of(files["tray-card"])] == [(150.8, 117, 5)]
