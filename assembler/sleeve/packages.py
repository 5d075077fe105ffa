"""The packages as data: printed parts, their pages, their panels and their figures in mm.

Figures are those of plants and printers as published (A1 CDs, Dual Plover, Danex, SFS Art and
others); those marked so are from memory. Plants differ: each figure can be set in the manifest.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from assembler.file_names import distinct_names
from assembler.manifest.sleeve import Package, Sleeve

PLANT_WINS = "The plant's own template wins: compare every figure with it before print."
GUIDES = "Template guides: "
"""How the names of the templates' layers begin."""
LAYERS = {
    "Trim": f"{GUIDES}trim, bleed and crop marks",
    "Folds": f"{GUIDES}folds",
    "Safe": f"{GUIDES}safe area",
    "Rings": f"{GUIDES}rings",
    "NoPrint": f"{GUIDES}area that is not printed",
    "Names": f"{GUIDES}names and sizes",
}
"""One for each kind of guide, by its name in the PDF's resources."""


@dataclass(frozen=True)
class Panel:
    """A panel between two folds: the names of its width and of its text."""

    width: str
    text: str = ""
    """front, back, spine, credits, barcode or nothing."""

    @property
    def name(self) -> str:
        """Its name on the template."""
        return self.text or "free"


@dataclass(frozen=True)
class Printed:
    """A printed part, one file of one or more pages: panels from left to right."""

    name: str
    height: str
    pages: tuple[tuple[Panel, ...], ...]


@dataclass(frozen=True)
class Label:
    """A label: a disc between rings, or a paper strip around a window."""

    name: str
    width: str
    height: str
    no_print: tuple[str, str]
    """Width and height of the area in its middle that is not printed."""
    rings: tuple[str, ...] = ()
    """Further rings that are drawn."""
    is_round: bool = True
    has_sides: bool = False


@dataclass(frozen=True)
class Pack:
    """A package: its figures and its parts."""

    figures: Mapping[str, float]
    parts: tuple[Printed, ...]
    label: Label


_FRONT, _BACK = Panel("panel_width", "front"), Panel("panel_width", "back")
_SPINE, _CREDITS = Panel("spine", "spine"), Panel("panel_width", "credits")
_FOLD = Panel("spine")
_COMMON = {"bleed": 3.0, "safe": 3.0}
_DISC = Label(
    "disc-label",
    "disc_outer",
    "disc_outer",
    ("disc_inner", "disc_inner"),
    ("mirror_inner", "stacking_ring", "hole"),
)
_DISC_FIGURES = {
    "disc_outer": 116.0,
    "disc_inner": 46.0,
    "mirror_inner": 41.0,
    "stacking_ring": 34.0,
    "hole": 15.0,
}
_RECORD = Label("label", "label", "label", ("hole", "hole"), has_sides=True)
_SHELL = Label(
    "shell-label",
    "label_width",
    "label_height",
    ("window_width", "window_height"),
    is_round=False,
    has_sides=True,
)
_OUTSIDE = Printed("sleeve", "panel_height", ((_BACK, _SPINE, _FRONT),))
_GATEFOLD = Printed(
    "sleeve", "panel_height", ((_BACK, _SPINE, _FRONT), (_CREDITS, _FOLD, _CREDITS))
)
_SIX_OUTSIDE = (
    Panel("outer_width", "credits"),
    Panel("inner_spine"),
    Panel("middle_width", "back"),
    _SPINE,
    Panel("outer_width", "front"),
)
_SIX_INSIDE = (
    Panel("outer_width", "credits"),
    _FOLD,
    Panel("middle_width", "credits"),
    Panel("inner_spine"),
    Panel("outer_width"),
)

PACKS: dict[Package, Pack] = {
    "jewel_case": Pack(
        {
            **_COMMON,
            "panel_width": 120.5,
            "panel_height": 119.5,
            "tray_width": 138.0,
            "tray_height": 118.0,
            "spine": 6.5,
            **_DISC_FIGURES,
        },
        (
            Printed("booklet", "panel_height", ()),
            Printed("tray-card", "tray_height", ((_SPINE, Panel("tray_width", "back"), _SPINE),)),
        ),
        _DISC,
    ),
    "card_wallet": Pack(
        {**_COMMON, "panel_width": 127.0, "panel_height": 127.0, "spine": 0.0, **_DISC_FIGURES},
        (Printed("wallet", "panel_height", ((_BACK, _SPINE, _FRONT),)),),
        _DISC,
    ),
    "gatefold_4": Pack(
        {**_COMMON, "panel_width": 139.7, "panel_height": 125.8, "spine": 3.1, **_DISC_FIGURES},
        (Printed("wallet", "panel_height", _GATEFOLD.pages),),
        _DISC,
    ),
    "gatefold_6": Pack(
        {
            **_COMMON,
            "outer_width": 128.5,
            "middle_width": 130.1,
            "panel_height": 129.4,
            "spine": 7.2,
            "inner_spine": 5.6,
            **_DISC_FIGURES,
        },
        (Printed("wallet", "panel_height", (_SIX_OUTSIDE, _SIX_INSIDE)),),
        _DISC,
    ),
    "cassette": Pack(  # flap and shell label: from memory
        {
            "bleed": 3.2,
            "safe": 2.5,
            "panel_width": 63.5,
            "panel_height": 103.2,
            "spine": 12.7,
            "flap": 16.0,
            "label_width": 89.0,
            "label_height": 42.0,
            "window_width": 60.0,
            "window_height": 12.0,
        },
        (
            Printed(
                "j-card",
                "panel_height",
                ((Panel("flap", "barcode"), _SPINE, _FRONT), (_CREDITS, _FOLD, Panel("flap"))),
            ),
        ),
        _SHELL,
    ),
    "12_inch": Pack(  # hole of a record: from memory
        {
            **_COMMON,
            "panel_width": 312.7,
            "panel_height": 313.2,
            "spine": 4.1,
            "label": 101.6,
            "hole": 7.3,
        },
        (_OUTSIDE,),
        _RECORD,
    ),
    "12_inch_gatefold": Pack(
        {
            **_COMMON,
            "panel_width": 313.0,
            "panel_height": 312.3,
            "spine": 4.0,
            "label": 101.6,
            "hole": 7.3,
        },
        (_GATEFOLD,),
        _RECORD,
    ),
    "7_inch": Pack(
        {
            **_COMMON,
            "panel_width": 184.2,
            "panel_height": 184.2,
            "spine": 0.0,
            "label": 92.1,
            "hole": 7.3,
        },
        (_OUTSIDE,),
        _RECORD,
    ),
}


def figures_of(sleeve: Sleeve) -> dict[str, float]:
    """Return the figures of a sleeve in mm: the usual ones, with the manifest's in their place."""
    return {**PACKS[sleeve.package].figures, **sleeve.sizes}


def parts_of(sleeve: Sleeve) -> tuple[Printed, ...]:
    """Return the printed parts of a sleeve, a booklet with its pages as spreads."""
    parts = PACKS[sleeve.package].parts
    return tuple(part if part.pages else _booklet(part, sleeve.booklet_pages) for part in parts)


def kinds_of_panels(sleeve: Sleeve) -> set[str]:
    """Return what the panels of a sleeve carry."""
    return {panel.text for part in parts_of(sleeve) for page in part.pages for panel in page}


def _booklet(part: Printed, pages: int) -> Printed:
    """Return a booklet: the cover with its last and first page, then the inner spreads."""
    inner = (_CREDITS, _CREDITS)
    return Printed(part.name, part.height, ((_CREDITS, _FRONT), *(inner,) * (pages // 2 - 1)))


def front_width_mm(sleeve: Sleeve) -> float:
    """Return the width of the front with its bleed."""
    figures = figures_of(sleeve)
    width = figures.get("panel_width") or figures["outer_width"]
    return width + 2 * figures["bleed"]


def logo_copies(sleeve: Sleeve) -> tuple[str, ...]:
    """Return the files that a sleeve's logos are copied to, for the designer."""
    names = distinct_names([PurePosixPath(name).stem for name in sleeve.logos])
    return tuple(
        f"logos/{name}{PurePosixPath(file).suffix.lower()}"
        for name, file in zip(names, sleeve.logos, strict=True)
    )


def template_names(sleeve: Sleeve) -> tuple[str, ...]:
    """Return the files that a sleeve's templates are written to."""
    names = (*(part.name for part in parts_of(sleeve)), PACKS[sleeve.package].label.name)
    return tuple(f"templates/{name}.pdf" for name in names)
