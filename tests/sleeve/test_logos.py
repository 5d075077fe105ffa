"""Logos: what an SVG must be to be placed as vectors, and what is refused, in one line each."""

from __future__ import annotations

from pathlib import Path

import pytest

from assembler.sleeve.logos import UnplacedError, read_logo

SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 10 10">{}</svg>'
SQUARE = '<rect width="1" height="1"/>'


def read(folder: Path, content: str, name: str = "mark.svg"):
    path = folder / name
    path.write_text(content, encoding="utf-8")
    return read_logo(path)


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (SVG.format('<text x="1" y="9">TW</text>'), "it has `text`"),
        (SVG.format('<use href="#a"/>'), "it has `use`"),
        (SVG.format('<image href="https://example.com/a.png"/>'), "it has `image`"),
        (SVG.format('<path stroke="#000" d="M0 0L9 9"/>'), "it has lines"),
        (SVG.format(f'<g opacity="0.5">{SQUARE}</g>'), "partly transparent"),
        (SVG.format(f'<g clip-path="url(#a)">{SQUARE}</g>'), "it has `clip-path`"),
        (SVG.format('<rect width="1" height="1" fill="url(#a)"/>'), "its colour"),
        (SVG.format(f"<style>rect{{fill:red}}</style>{SQUARE}"), "its style sheet"),
        (SVG.format(f'<g transform="skewX(3)">{SQUARE}</g>'), "its transform `skewX`"),
        (SVG.format('<path d="M0 0L1e400 3z"/>'), "without bounds"),
        (SVG.format('<path d="M0 0 Q"/>'), "a shape that can't be read"),
        (SVG.format("<g>" * 50_000 + SQUARE + "</g>" * 50_000), "a shape that can't be read"),
        (SVG.format(""), "no filled shapes"),
        ('<svg xmlns="http://www.w3.org/2000/svg"><rect/></svg>', "its size"),
        (f'<!DOCTYPE svg [<!ENTITY a "b">]>{SVG.format(SQUARE)}', "it declares entities"),
        ("\x89PNG", "it is not an SVG"),
    ],
)
def test_what_would_be_drawn_in_another_way_is_refused(
    tmp_path: Path, content: str, reason: str
) -> None:
    with pytest.raises(UnplacedError, match=reason):
        read(tmp_path, content)


def test_a_pdf_and_a_damaged_picture_are_refused(tmp_path: Path) -> None:
    for name in ("mark.pdf", "mark.png"):
        with pytest.raises(UnplacedError):
            read(tmp_path, "%PDF-1.7", name)


def test_colours_are_inks_and_greys_are_black_alone(tmp_path: Path) -> None:
    logo = read(
        tmp_path,
        SVG.format(
            "<defs><style>.red{fill:#f00} .no{display:none}</style></defs>"
            f'<g transform="translate(5 0) scale(2)" style="fill:#808080">{SQUARE}'
            '<rect class="red" width="1" height="1"/></g><rect class="no" width="9" height="9"/>'
            '<circle r="2" fill="none"/><circle r="2" stroke="none"/>'
        ),
    )
    grey, red, black = (shape.inks for shape in logo.shapes)
    assert grey[:3] == (0, 0, 0)
    assert grey[3] == pytest.approx(0.498, abs=0.001)
    assert (red, black) == ((0, 1, 1, 0), (0, 0, 0, 1))
    corner = logo.shapes[0].transform.transformPoint((1, 1))
    assert corner == pytest.approx((7, 8))  # from the lower left corner
    assert logo.size_mm() == pytest.approx((10, 10))
