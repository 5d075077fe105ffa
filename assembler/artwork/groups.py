"""Panels of the artwork that carry the same texts, with the text that is on them."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace

from assembler.artwork.letters import Span, Stream
from assembler.artwork.parts import ArtworkFinding, ArtworkPage, panels_of
from assembler.artwork.reading import Box
from assembler.findings import Severity
from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.sleeve.content import Texts
from assembler.sleeve.wanted import Wanted, wanted_texts

_OUTSIDE_MM = 1.0
_WHITE = 245


@dataclass
class Group:
    """Panels that carry the same texts: the spine, the back, all pages with credits."""

    name: str
    kind: str
    pages: Sequence[ArtworkPage]
    stream: Stream
    wanted: tuple[Wanted, ...]
    has_drawing: bool
    is_whole: bool = True
    """No page of its part is missing."""
    found: dict[int, Span] = field(default_factory=dict)
    """By index of `wanted`."""

    @property
    def page(self) -> ArtworkPage:
        """Its first page."""
        return self.pages[0]

    def finding(
        self, severity: Severity, code: str, message: str, span: Span | None = None
    ) -> ArtworkFinding:
        """Return a finding about a place in its text."""
        if span is None:
            return self.page.finding(severity, code, f"{self.name}: {message}")
        page = self.pages[self.stream.page(span)]
        return page.finding(severity, code, f"{self.name}: {message}", self.stream.box(span))


def groups_of(
    manifest: Manifest,
    tracks: Sequence[TrackMetadata],
    texts: Texts,
    pages: Sequence[ArtworkPage],
    incomplete: Collection[str],
) -> list[Group]:
    """Return the panels of the artwork with the texts that they must have.

    Parameters
    ----------
    manifest, tracks, texts
        What the panels carry.
    pages
        The artwork.
    incomplete
        Files of parts that lack pages: credits may be on these.
    """
    wanted, groups = wanted_texts(manifest, tracks, texts), []
    for part in dict.fromkeys(page.part for page in pages):
        of_part = [page for page in pages if page.part == part]
        for kind in ("front", "back", "credits"):
            if areas := [*_areas(of_part, kind)]:
                group = _group(f"{part}, {kind}", kind, areas, wanted[kind])
                is_whole = kind != "credits" or str(of_part[0].path) not in incomplete
                groups.append(replace(group, is_whole=is_whole))
        for area in _areas(of_part, "spine"):
            groups.append(_group(f"{part}, spine", "spine", [area], wanted["spine"]))
        for page in of_part:
            if page.sheet.label:
                name, own = page.sheet.name, wanted[page.sheet.name.partition(", ")[2]]
                groups.append(_group(name, "label", [*_areas([page], "label")], own))
        for kind in ("", "barcode", "overflow"):
            name, as_kind = (
                f"{part}, {kind or 'free'}",
                "overflow" if kind == "overflow" else "free",
            )
            groups += [_group(name, as_kind, [one], ()) for one in _areas(of_part, kind)]
    return groups


Area = tuple[ArtworkPage, float, float]
"""A panel: its page, its left and its right edge; at the page's edges, with the bleed."""


def _areas(pages: Sequence[ArtworkPage], kind: str) -> Iterator[Area]:
    for page in pages:
        panels = panels_of(page)
        for n, box in enumerate(panels):
            if box.panel.text == kind:
                left = box.left if n else box.left - _OUTSIDE_MM - 2
                right = box.left + box.width
                yield page, left, right if n + 1 < len(panels) else right + _OUTSIDE_MM + 2


def _group(name: str, kind: str, areas: list[Area], wanted: tuple[Wanted, ...]) -> Group:
    signs: list[str] = []
    boxes: list[Box] = []
    of_page: list[int] = []
    drawn: list[bool] = []
    pages = [page for page, _, _ in areas]
    for index, (page, left, right) in enumerate(areas):
        last = -2  # the text of another page is another line
        for n, (sign, box) in enumerate(zip(page.reading.text, page.boxes, strict=True)):
            x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
            if not (left <= x < right and -3 <= y <= page.height + 3):
                continue
            if signs and last != n - 1:
                signs.append("\n")
                boxes.append(boxes[-1])
                of_page.append(of_page[-1])
                drawn.append(False)
            signs.append(sign)
            boxes.append(box)
            of_page.append(index)
            drawn.append(page.reading.drawn[n] == "1")
            last = n
    stream = Stream("".join(signs), boxes, of_page, drawn)
    has_drawing = any(_ink_on(page, left, right) for page, left, right in areas)
    return Group(name, kind, pages, stream, wanted, has_drawing)


def _ink_on(page: ArtworkPage, left: float, right: float) -> bool:
    """Return whether anything is drawn on a panel."""
    dots = page.reading.dpi / 25.4
    x0, y0, x1, y1 = (
        round(dots * value)
        for value in (
            page.trim[0] + max(left, 0) + 1,
            page.trim[1] + 1,
            page.trim[0] + min(right, page.width) - 1,
            page.trim[3] - 1,
        )
    )
    area = page.picture[max(0, y0) : y1 : 2, max(0, x0) : x1 : 2]
    return bool(area.size and area.min() < _WHITE)
