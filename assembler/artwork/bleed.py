"""Check that what is printed at an edge goes on to the end of the bleed, edge by edge."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from assembler.artwork.parts import ArtworkFinding, ArtworkPage

_INSIDE_MM = 0.4
_STEP_MM = 0.25
_LEAST_MM = 1.0
"""Shorter gaps in the bleed are taken for the picture's own."""
_WHITE = 248
Points = npt.NDArray[np.float64]


def bleed_findings(page: ArtworkPage, bleed: float) -> Iterator[ArtworkFinding]:
    """Find edges at which colour ends before the bleed does."""
    picture = page.picture
    for name, points, outward in _edges(page):
        inside = _is_inked(page, picture, points - outward * _INSIDE_MM)
        steps = np.arange(0.3, bleed - 0.2, _STEP_MM)
        outside = [_is_inked(page, picture, points + outward * step) for step in steps]
        lacks = inside & ~np.logical_and.reduce(outside)
        if lacks.sum() * _STEP_MM < _LEAST_MM or not _has_run(lacks):
            continue
        reach = [
            next((step for step, row in zip(steps, outside, strict=True) if not row[n]), bleed)
            for n in np.flatnonzero(lacks)
        ]
        x, y = points[np.flatnonzero(lacks)[0]]
        far_x, far_y = points[np.flatnonzero(lacks)[-1]]
        message = (
            f"bleed is missing at the {name}: colour ends {max(0.0, min(reach) - 0.3):.1f} mm "
            f"beyond the trim, {bleed:g} mm are needed"
        )
        box = min(x, far_x), min(y, far_y), max(x, far_x), max(y, far_y)
        yield page.finding("error", "bleed-missing", message, tuple(map(float, box)))  # type: ignore[arg-type]


def _has_run(lacks: npt.NDArray[np.bool_]) -> bool:
    """Return whether some gap is long enough to be seen."""
    wanted = round(_LEAST_MM / _STEP_MM)
    runs = np.convolve(lacks.astype(int), np.ones(wanted, dtype=int), "valid")
    return bool((runs == wanted).any())


def _edges(page: ArtworkPage) -> Iterator[tuple[str, Points, Points]]:
    """Yield each edge: points along it, and the way outwards."""
    wide, high = page.width, page.height
    if page.sheet.label and page.sheet.label.is_round:
        angles = np.arange(0, 2 * np.pi, _STEP_MM / (wide / 2))
        outward = np.stack([np.cos(angles), np.sin(angles)], axis=1)
        yield "edge", outward * wide / 2 + [wide / 2, high / 2], outward
        return
    across, down = np.arange(1, wide - 1, _STEP_MM), np.arange(1, high - 1, _STEP_MM)
    for name, fixed, way in (("left", 0.0, (-1, 0)), ("right", wide, (1, 0))):
        yield name, np.stack([np.full_like(down, fixed), down], axis=1), np.array(way, float)
    for name, fixed, way in (("top", 0.0, (0, -1)), ("foot", high, (0, 1))):
        yield name, np.stack([across, np.full_like(across, fixed)], axis=1), np.array(way, float)


def _is_inked(
    page: ArtworkPage, picture: npt.NDArray[np.uint8], points: Points
) -> npt.NDArray[np.bool_]:
    """Return where points are not white; beyond the page's own edge all is."""
    dots = page.reading.dpi / 25.4
    x = np.floor((points[:, 0] + page.trim[0]) * dots).astype(int)
    y = np.floor((points[:, 1] + page.trim[1]) * dots).astype(int)
    on_page = (x >= 0) & (y >= 0) & (x < picture.shape[1]) & (y < picture.shape[0])
    inked = np.zeros(len(points), dtype=bool)
    inked[on_page] = picture[y[on_page], x[on_page]].min(axis=1) < _WHITE
    return inked
