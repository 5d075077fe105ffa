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
from PIL import Image, ImageChops
from sheets.scan import scanned

from assembler.manifest import ManifestFile, load
from assembler.manifest.sleeve import Package
from assembler.metadata import TrackMetadata, track_metadata
from assembler.sleeve.findings import sleeve_findings, text_findings
from assembler.sleeve.packages import GUIDES, LAYERS, PLANT_WINS, template_names
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
        sleeve = self.source.manifest.sleeve
        logos = [self.source.resolve(name) for name in sleeve.logos]
        write_templates(self.folder, self.source.manifest, self.tracks, logos)
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
        _check_layers_and_ink(path, _kinds_of(name))
        text = "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)
        assert PLANT_WINS in text
        assert "TWE-014" in text or name == "booklet"
        assert "none assigned" not in text
        assert "Does not fit" not in text
    assert not {"sleeve-text-too-long", "unknown-figure"} & {*release.codes()}


def _check_layers_and_ink(path: Path, kinds: set[str]) -> None:
    with pikepdf.open(path) as pdf:
        groups = {str(group.Name): group for group in pdf.Root.OCProperties.OCGs}
        assert {*groups} == {LAYERS[kind] for kind in kinds}
        black = False
        for page in pdf.pages:
            code = pikepdf.parse_content_stream(page)
            layers = [one.operands[1] for one in code if str(one.operator) == "BDC"]
            properties = page.Resources.Properties
            used = {str(one) for one in layers if isinstance(one, pikepdf.Name)}
            assert used == {*properties.keys()}
            assert {str(properties[name].Name) for name in used} <= {*groups}
            operators = [str(one.operator) for one in code]
            grey = {"g", "G", "rg", "RG"} & {*operators}
            assert not grey, grey
            inks = [tuple(map(float, c.operands)) for c in code if str(c.operator) == "k"]
            black = black or (0, 0, 0, 1) in inks
        assert black
        for read in pypdf.PdfReader(path).pages:
            for font in read["/Resources"]["/Font"].values():
                assert "/FontFile2" in font.get_object()["/FontDescriptor"]


def _kinds_of(name: str) -> set[str]:
    """Return the kinds of guides that a part has."""
    label = {"Trim", "Safe", "Names", "NoPrint"} | ({"Rings"} if name == "disc-label" else set())
    return label if "label" in name else {"Trim", "Safe", "Names", "Folds"}


def test_booklet_has_a_spread_for_two_pages_and_the_layers_can_be_off(tmp_path: Path) -> None:
    files = made(tmp_path, "  package: jewel_case\n  booklet_pages: 8").write()
    assert len([*sizes_of(files["booklet"])]) == 4
    before = files["tray-card"].read_bytes()
    with pikepdf.open(files["tray-card"], allow_overwriting_input=True) as pdf:
        pdf.Root.OCProperties.D.OFF = pdf.Root.OCProperties.OCGs
        pdf.save(tmp_path / "off.pdf")
        pdf.Root.OCProperties.D.OFF = [
            one for one in pdf.Root.OCProperties.OCGs if str(one.Name) != f"{GUIDES}folds"
        ]
        pdf.save(tmp_path / "folds.pdf")
    on, off = (picture_of(path) for path in (files["tray-card"], tmp_path / "off.pdf"))
    colours = [image.convert("HSV").getchannel("S").getextrema()[1] for image in (on, off)]
    assert colours[0] > 200 > 60 > colours[1]
    folds = picture_of(tmp_path / "folds.pdf").convert("HSV").getchannel("S")
    left, _, right, _ = folds.point(lambda value: 255 * (value > 100)).getbbox()
    dots = 100 / 25.4  # 17 mm around the page, spines of 6.5 mm
    assert (left / dots, right / dots) == pytest.approx((17 + 6.5, 17 + 144.5), abs=0.6)
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
        ("package: jewel_case\n  logos: [tiny.png]", "picture-ppi"),
        ("package: jewel_case\n  logos: [lines.svg]", "logo-not-placed"),
        ("package: jewel_case\n  logos: [broken.svg]", "logo-not-placed"),
    ],
)
def test_findings(tmp_path: Path, sleeve: str, code: str) -> None:
    Image.new("RGB", (200, 200)).save(tmp_path / "small.png")
    Image.new("L", (60, 60)).save(tmp_path / "tiny.png")
    (tmp_path / "lines.svg").write_text(LOGO.replace("<rect", '<rect stroke="red"'))
    (tmp_path / "broken.svg").write_text(LOGO[:-9])
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


LOGO = """<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 100"><style>.a{fill:#f00}</style>
<g transform="translate(100 0)"><rect class="a" width="100" height="100"/></g>
<circle cx="50" cy="50" r="50" style="fill: black"/></svg>"""


def test_logos_are_placed_as_vectors_and_in_inks(tmp_path: Path) -> None:
    (tmp_path / "mark.svg").write_text(LOGO)
    Image.new("RGBA", (300, 300), (0, 0, 255, 255)).save(tmp_path / "blue.png")
    release = made(tmp_path, "  package: jewel_case\n  logos: [mark.svg, blue.png]")
    assert {*release.codes()} == {"picture-colours"}
    files = release.write()
    assert sorted(path.name for path in (tmp_path / "logos").iterdir()) == ["blue.png", "mark.svg"]
    for name in ("tray-card", "disc-label"):
        with pikepdf.open(files[name]) as pdf:
            page = pdf.pages[0]
            inks = [
                tuple(map(float, one.operands))
                for one in pikepdf.parse_content_stream(page)
                if str(one.operator) == "k"
            ]
            assert (0, 1, 1, 0) in inks
            (image,) = page.Resources.XObject.values()
            assert image.ColorSpace == "/DeviceCMYK"
            pdf.Root.OCProperties.D.OFF = pdf.Root.OCProperties.OCGs
            pdf.save(tmp_path / "off.pdf")
        drawn = colours_of(picture_of(tmp_path / "off.pdf", 150))
        (left, top, right, foot) = drawn["red"]
        assert right - left == pytest.approx(10, abs=0.4)
        assert foot - top == pytest.approx(10, abs=0.4)
        assert drawn["blue"][2] - drawn["blue"][0] == pytest.approx(10, abs=0.4)


def colours_of(image: Image.Image) -> dict[str, tuple[float, ...]]:
    """Return the box in mm around what is red, and around what is blue."""
    red, green, blue = image.convert("RGB").split()
    found = {}
    for name, own, other in (("red", red, blue), ("blue", blue, red)):
        more = ImageChops.subtract(own, ImageChops.lighter(other, green))
        if box := more.point(lambda value: 255 * (value > 60)).getbbox():
            found[name] = tuple(value / 150 * 25.4 for value in box)
    return found


def test_the_front_covers_resolution_is_checked(tmp_path: Path) -> None:
    Image.new("RGB", (600, 600)).save(tmp_path / "front.png")
    release = made(tmp_path, "  package: jewel_case")
    text = release.source.path.read_text(encoding="utf-8")
    release.source.path.write_text(text.replace("tracks:", "  front_cover: front.png\ntracks:", 1))
    (found,) = sleeve_findings(load(release.source.path))
    assert (found.code, found.where) == ("picture-ppi", "release.front_cover")
    assert "120 ppi at 126.5 mm wide" in found.message


def test_a_j_card_has_the_back_texts_inside_and_the_barcode_on_its_flap(tmp_path: Path) -> None:
    path = made(tmp_path, "  package: cassette\n  sides: 3").write()["j-card"]
    text = pypdf.PdfReader(path).pages[1].extract_text()
    for wanted in (*TITLES, "℗ 2027 Tidewrack Editions", "Mattis Oren"):
        assert wanted in text
    (found,) = zxingcpp.read_barcodes(picture_of(path, 300))
    assert found.text == "2000000000145"
    flap = 17.2 + 16  # crop marks and bleed, then the flap
    corners = (found.position.top_left, found.position.bottom_right)
    assert all(17.2 < corner.x / 300 * 25.4 < flap for corner in corners)


@pytest.mark.wants("qpdf")
@pytest.mark.wants("zbarimg")
def test_qpdf_and_zbar_read_a_template(tmp_path: Path) -> None:
    files = made(tmp_path, "  package: jewel_case").write()
    for path in files.values():
        assert "No syntax or stream encoding errors" in output_of(
            "qpdf", "--check", path, package="qpdf"
        )
    picture_of(files["tray-card"], 300).save(tmp_path / "tray-card.png")
    assert scanned(tmp_path / "tray-card.png") == ["EAN-13:2000000000145"]
