"""Check the manifest's sleeve: figures, sides, logos, pictures, and whether the texts fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import suppress
from itertools import pairwise
from pathlib import Path

from assembler.findings import Finding, Loc
from assembler.manifest import ManifestFile
from assembler.manifest.sleeve import Sleeve
from assembler.metadata import TrackMetadata
from assembler.sleeve.packages import PACKS, front_width_mm

WANTED_PPI, LEAST_PPI = 300, 200
_INCH_MM = 25.4
_VECTORS = (".svg", ".pdf")
_MISSING = "{} is not there: correct it"
_UNREADABLE = "{} can't be read as a picture: export it as TIFF, JPEG or PNG"


def sleeve_findings(source: ManifestFile) -> Iterator[Finding]:
    """Check a sleeve's figures, sides, logos and pictures."""
    sleeve = source.manifest.sleeve
    if not sleeve:
        return
    yield from _figures(source, sleeve)
    yield from _sides(source, sleeve)
    width = front_width_mm(sleeve)
    for n, name in enumerate(sleeve.logos):
        yield from _logo(source, name, ("sleeve", "logos", n))
    for n, picture in enumerate(sleeve.pictures):
        loc = ("sleeve", "pictures", n, "file")
        yield from _picture(source, picture.file, loc, picture.width or width)
        if not picture.by:
            message = "nobody is named as the picture's maker: add `by: …`"
            yield source.finding("note", "picture-without-maker", loc, message)
    if cover := source.manifest.release.front_cover:
        yield from _cover(source, cover, width)


def _figures(source: ManifestFile, sleeve: Sleeve) -> Iterator[Finding]:
    if sleeve.booklet_pages % 4:
        message = f"a booklet has a multiple of four pages, not {sleeve.booklet_pages}"
        yield source.finding("error", "booklet-pages", ("sleeve", "booklet_pages"), message)
    figures = PACKS[sleeve.package].figures
    for name, value in sleeve.sizes.items():
        loc = ("sleeve", "sizes", name)
        if name not in figures:
            message = f"`{name}` is not a figure of this package: it has {', '.join(figures)}"
            yield source.finding("error", "unknown-figure", loc, message)
        elif not _is_likely(name, value, figures[name]):
            message = f"{value:g} mm can't be right: the usual figure is {figures[name]:g} mm"
            yield source.finding("error", "figure-out-of-range", loc, message)


def _is_likely(name: str, value: float, usual: float) -> bool:
    """Return whether a figure can be right; a sleeve may have no spine, a 7-inch a large hole."""
    if name in ("bleed", "safe"):
        return value <= 10
    no_spine = value == 0 and name in ("spine", "inner_spine")
    return no_spine or 0.4 * usual <= value <= max(2.5 * usual, 40)


def _sides(source: ManifestFile, sleeve: Sleeve) -> Iterator[Finding]:
    loc, count = ("sleeve", "sides"), len(source.manifest.tracks)
    if any(after <= before for before, after in pairwise((1, *sleeve.sides, count + 1))):
        message = f"the first tracks of the sides must rise from 2 to {count}: correct the numbers"
        yield source.finding("error", "sides-out-of-order", loc, message)
    if PACKS[sleeve.package].label.has_sides and not sleeve.sides and count > 1:
        message = "all tracks are on side A: write the first track of each later side as `sides`"
        yield source.finding("note", "one-side", loc[:1], message)


def _logo(source: ManifestFile, name: str, loc: Loc) -> Iterator[Finding]:
    """Check that a logo can be placed, and a picture's colours and its resolution as placed."""
    from assembler.sleeve.logos import UnplacedError, read_logo

    try:
        logo = read_logo(source.resolve(name))
    except UnplacedError as error:
        if not source.resolve(name).is_file():
            yield source.finding("error", "picture-missing", loc, _MISSING.format(name))
        elif name.lower().endswith(_VECTORS):
            message = (
                f"{name} is not placed on the templates: {error}; save it as plain SVG with every "
                "shape as a filled outline, or as PNG"
            )
            yield source.finding("warning", "logo-not-placed", loc, message)
        else:
            yield source.finding("error", "picture-unreadable", loc, _UNREADABLE.format(name))
        return
    if not logo.shapes:
        yield from _picture(source, name, loc, logo.size_mm()[0])


def _cover(source: ManifestFile, name: str, width_mm: float) -> Iterator[Finding]:
    """Check the front cover's resolution in print; one that can't be read is found elsewhere."""
    with suppress(OSError):
        pixels, _ = _size_and_mode(source.resolve(name))
        yield from _resolution(source, name, ("release", "front_cover"), pixels, width_mm)


def _picture(source: ManifestFile, name: str, loc: Loc, width_mm: float) -> Iterator[Finding]:
    """Check that a picture can be read, its colours, and its resolution at a width."""
    path = source.resolve(name)
    if name.lower().endswith(_VECTORS) and path.is_file():
        return
    try:
        pixels, mode = _size_and_mode(path)
    except FileNotFoundError:
        yield source.finding("error", "picture-missing", loc, _MISSING.format(name))
        return
    except OSError:
        yield source.finding("error", "picture-unreadable", loc, _UNREADABLE.format(name))
        return
    if mode not in ("CMYK", "L", "1"):
        message = f"{name} is in {mode}, print needs CMYK or grey: have the designer convert it"
        yield source.finding("note", "picture-colours", loc, message)
    yield from _resolution(source, name, loc, pixels, width_mm)


def _size_and_mode(path: Path) -> tuple[int, str]:
    """Return a picture's width in pixels and its colour mode.

    Raises
    ------
    OSError
        It is not there, or can't be read.
    """
    from PIL import Image

    try:
        with Image.open(path) as image:
            return image.width, image.mode
    except (ValueError, Image.DecompressionBombError) as error:
        raise OSError("not a picture") from error


def _resolution(
    source: ManifestFile, name: str, loc: Loc, pixels: int, width_mm: float
) -> Iterator[Finding]:
    if (ppi := pixels / width_mm * _INCH_MM) < WANTED_PPI:
        needed = round(WANTED_PPI * width_mm / _INCH_MM)
        message = (
            f"{name} has {ppi:.0f} ppi at {width_mm:.4g} mm wide, {WANTED_PPI} are wanted and "
            f"{LEAST_PPI} is the least: send one of {needed} pixels across, or print it smaller"
        )
        yield source.finding("warning" if ppi < LEAST_PPI else "note", "picture-ppi", loc, message)


def text_findings(source: ManifestFile, tracks: Sequence[TrackMetadata]) -> Iterator[Finding]:
    """Find texts that do not fit their panel, with how much is too much."""
    sleeve = source.manifest.sleeve
    if not sleeve or any(found.severity == "error" for found in _checked(source, sleeve)):
        return
    from assembler.sleeve.layout import documents
    from assembler.sleeve.logos import readable_logos

    logos = readable_logos([source.resolve(name) for name in sleeve.logos])
    _, parts = documents(source.manifest, tracks, logos)
    for part in parts:
        for what, over_mm in part.too_much:
            message = (
                f"{what}: the text is {over_mm:.0f} mm too much even in the smallest type: "
                "shorten it, or choose more room"
            )
            yield source.finding("warning", "sleeve-text-too-long", ("sleeve",), message)


def _checked(source: ManifestFile, sleeve: Sleeve) -> Iterator[Finding]:
    yield from _figures(source, sleeve)
    yield from _sides(source, sleeve)
