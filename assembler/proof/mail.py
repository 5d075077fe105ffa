"""Two pictures for a mail: the running order to scale, and the levels."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from assembler.proof.content import Proof, ProofDisc
from assembler.proof.curves import SILENCE_DB, STEPS_PER_SECOND, Levels
from assembler.proof.picture import disc_bars, seconds
from assembler.proof.texts import disc_text, number_text
from assembler.text import decimal, duration_text, signed
from assembler.typeset.picture_text import draw_text

PAPER, INK, FADED, ACCENT = "#f7f2e6", "#1f1a14", "#655c4f", "#8f2a17"
TINT, PALE, RULE = "#b9ad97", "#e9e1cf", "#c9bfab"
WIDTH = 1600
MARGIN = 60
INNER = WIDTH - 2 * MARGIN
HEAD = 130
WAVE, BAR, ROW = 180, 28, 34
CURVE = 240
MOST_TITLE = 560
_GRID_LU = 7.0

Edges = NDArray[np.int_]


def write_pictures(folder: Path, proof: Proof, run: Callable[..., Iterable[None]] = map) -> None:
    """Write ``running-order.png`` and ``levels.png``, with reproducible bytes.

    Parameters
    ----------
    folder
        To write into.
    proof
        Their content.
    run
        Like `map`; an executor's `map` draws them in parallel.
    """

    def write(name: str, draw: Callable[[Proof], Image.Image]) -> None:
        draw(proof).save(folder / name)

    list(run(write, ("running-order.png", "levels.png"), (_running_order, _levels)))


class _Picture:
    """A picture that is drawn from top to bottom."""

    def __init__(self, proof: Proof, height: int) -> None:
        self.image = Image.new("RGB", (WIDTH, height), PAPER)
        self.draw = ImageDraw.Draw(self.image)
        self.y = HEAD
        self.text(MARGIN, 62, proof.sheet.title, 36, INNER)
        self.text(MARGIN, 100, proof.sheet.artist, 20, INNER, fill=FADED)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: int = 18,
        room: float = INNER,
        *,
        fill: str = INK,
        to_the_right: bool = False,
    ) -> None:
        """Write a line on its baseline, cut to its room; a character without glyph is a box."""
        align = 1.0 if to_the_right else 0.0
        draw_text(self.draw, x, y, text, size, fill, room=room, align=align)

    def finished(self) -> Image.Image:
        """Return the picture with few colours, for a small file."""
        octree = (
            Image.Quantize.FASTOCTREE
        )  # a tenth of the median cut's time; off by 10 of 255 at most
        return self.image.quantize(64, method=octree, dither=Image.Dither.NONE)


def _running_order(proof: Proof) -> Image.Image:
    rows = [-(-len(disc.order.places) // 2) for disc in proof.discs]
    height = sum(WAVE + BAR + 130 + ROW * count for count in rows)
    picture = _Picture(proof, HEAD + height)
    for disc in proof.discs:
        picture.text(MARGIN, picture.y + 30, _disc_title(proof, disc), 20)
        _draw_wave(picture, proof, disc, picture.y + 50)
        _draw_bar(picture, proof, disc, picture.y + 62 + WAVE)
        picture.y += WAVE + BAR + 110
        _list_tracks(picture, proof, disc)
    return picture.finished()


def _disc_title(proof: Proof, disc: ProofDisc) -> str:
    number = f"Disc {disc.order.number}: " if len(proof.discs) > 1 else ""
    return number + disc_text(disc)


def _draw_wave(picture: _Picture, proof: Proof, disc: ProofDisc, top: int) -> None:
    scale = INNER / seconds(disc.order.frames)
    middle = top + WAVE / 2
    for place, _ in proof.placed(disc):
        left, right = (MARGIN + seconds(f) * scale for f in (place.start_frame, place.end_frame))
        picture.draw.rectangle((left, top, right, top + WAVE), PALE)
    peaks = [(s.start_s, s.curves.peak_dbfs) for s in disc.stretches]
    rms = [(s.start_s, s.curves.rms_dbfs) for s in disc.stretches]
    for pieces, reduce, colour in ((peaks, _highest, TINT), (rms, _mean_db, INK)):
        for column, level_db in enumerate(_columns(disc, pieces, reduce)):
            half, at = 10 ** (level_db / 20) * WAVE / 2, MARGIN + column
            picture.draw.line((at, middle - half, at, middle + half), colour)
    for place, _ in proof.placed(disc):
        x = MARGIN + seconds(place.start_frame) * scale
        picture.draw.line((x, top - 8, x, top + WAVE), INK)
        room = seconds(place.frames) * scale - 6
        picture.text(x + 4, top - 2, str(place.number), 13, max(room, 10))


def _draw_bar(picture: _Picture, proof: Proof, disc: ProofDisc, top: int) -> None:
    fills = {"track": TINT, "hidden": ACCENT, "over": ACCENT}
    picture.draw.rectangle((MARGIN, top, MARGIN + INNER, top + BAR), outline=RULE)
    for bar in disc_bars(proof, disc):
        if bar.kind in fills:
            left = round(MARGIN + bar.start * INNER / 1000)
            right = max(left, round(MARGIN + (bar.start + bar.width) * INNER / 1000) - 2)
            picture.draw.rectangle((left, top + 1, right, top + BAR - 1), fills[bar.kind])


def _list_tracks(picture: _Picture, proof: Proof, disc: ProofDisc) -> None:
    placed = list(proof.placed(disc))
    rows = -(-len(placed) // 2)
    for n, (place, track) in enumerate(placed):
        column, row = divmod(n, rows)
        x, y = MARGIN + column * (INNER / 2 + 15), picture.y + ROW * row
        picture.text(x, y, str(place.number), fill=ACCENT)
        picture.text(x + 40, y, track.metadata.title, room=MOST_TITLE)
        length = duration_text(track.metadata.duration_s)
        picture.text(x + INNER / 2 - 15, y, length, to_the_right=True)
    picture.y += ROW * rows


def _levels(proof: Proof) -> Image.Image:
    height = len(proof.discs) * (CURVE + 80) + ROW * (len(proof.tracks) + 3)
    picture = _Picture(proof, HEAD + height)
    for disc in proof.discs:
        picture.text(MARGIN, picture.y + 30, _disc_title(proof, disc), 20)
        _draw_loudness(picture, proof, disc, picture.y + 50)
        picture.y += CURVE + 80
    _draw_table(picture, proof)
    return picture.finished()


def _draw_loudness(picture: _Picture, proof: Proof, disc: ProofDisc, top: int) -> None:
    target = -14.0 if disc.target_lufs is None else disc.target_lufs
    pieces = [(s.start_s, s.curves.short_term_lufs) for s in disc.stretches]
    highest_lufs, lowest_lufs = _loudness_range(pieces, target)
    scale = INNER / seconds(disc.order.frames)

    def y(lufs: float) -> float:
        return top + CURVE * (highest_lufs - lufs) / (highest_lufs - lowest_lufs)

    for place, _ in proof.placed(disc):
        left, right = (MARGIN + seconds(f) * scale for f in (place.start_frame, place.end_frame))
        picture.draw.rectangle((left, top, right, top + CURVE), PALE)
        picture.draw.line((left, top, left, top + CURVE), RULE)
        picture.text(left + 4, top + 16, str(place.number), 13, max(right - left - 6, 10))
    line = np.clip(_columns(disc, pieces, _mean), lowest_lufs, highest_lufs)
    points = [(MARGIN + x, y(float(lufs))) for x, lufs in enumerate(line)]
    picture.draw.line(points, ACCENT, 2, joint="curve")
    if disc.target_lufs is not None:
        for x in range(MARGIN, MARGIN + INNER, 14):
            picture.draw.line((x, y(target), x + 8, y(target)), INK)
    for lufs in {highest_lufs, target, *_grid(lowest_lufs, target)}:
        room = MARGIN - 8
        picture.text(room, y(lufs) + 5, decimal(lufs, 0), 13, fill=FADED, to_the_right=True)


def _loudness_range(pieces: Sequence[tuple[float, Levels]], target: float) -> tuple[float, float]:
    """Return top and bottom of the loudness axis, so that all music is on it.

    The quietest 1 % above the gate of -70 LUFS (BS.1770) may be below it.
    """
    levels = np.concatenate([np.ravel(values) for _, values in pieces] or [np.zeros(0)])
    levels = levels[np.nan_to_num(levels, nan=SILENCE_DB) > -70]
    quietest = float(np.percentile(levels, 1)) if len(levels) else target
    steps_below = max(3, int(np.ceil((target - quietest) / _GRID_LU)))
    return target + 9, target - _GRID_LU * steps_below


def _grid(lowest_lufs: float, target: float) -> list[float]:
    return [float(lufs) for lufs in np.arange(lowest_lufs, target, _GRID_LU)]


def _columns(
    disc: ProofDisc,
    pieces: Sequence[tuple[float, Levels]],
    reduce: Callable[[Levels, Edges], Levels],
) -> Levels:
    """Return one value of a curve per column of the picture; silence where it has none."""
    steps = round(seconds(disc.order.frames) * STEPS_PER_SECOND) + 1
    line = np.full(steps, SILENCE_DB)
    for start_s, values in pieces:
        start = round(start_s * STEPS_PER_SECOND)
        part = np.nan_to_num(values, nan=SILENCE_DB)[: steps - start]
        line[start : start + len(part)] = part
    return reduce(line, np.linspace(0, steps, INNER + 1).astype(int))


def _highest(levels: Levels, edges: Edges) -> Levels:
    """Return the highest level from each edge to the next; at equal edges, the one level there."""
    return np.maximum.reduceat(levels, edges[:-1])


def _mean(levels: Levels, edges: Edges) -> Levels:
    return np.add.reduceat(levels, edges[:-1]) / np.maximum(1, np.diff(edges))


def _mean_db(levels: Levels, edges: Edges) -> Levels:
    return 10 * np.log10(_mean(10 ** (levels / 10), edges))


def _draw_table(picture: _Picture, proof: Proof) -> None:
    heads = ("gain", "LUFS", "range", "peak", "max GR")
    kinds = proof.deliverables[:2]  # more have no room; the page has all
    picture.y += ROW
    for group, kind in enumerate(kinds):
        picture.text(_column_at(group, 4), picture.y - ROW, kind, 15, fill=FADED, to_the_right=True)
        for n, head in enumerate(heads):
            picture.text(_column_at(group, n), picture.y, head, 15, fill=FADED, to_the_right=True)
    for track in proof.tracks:
        picture.y += ROW
        picture.draw.line((MARGIN, picture.y - 24, MARGIN + INNER, picture.y - 24), RULE)
        picture.text(MARGIN, picture.y, number_text(track.metadata), fill=ACCENT)
        picture.text(MARGIN + 60, picture.y, track.metadata.title, room=MOST_TITLE - 60)
        for group, kind in enumerate(kinds):
            made = track.delivered.get(kind)
            if made is None:
                continue
            texts = (
                signed(made.gain_db),
                decimal(made.integrated_lufs),
                decimal(made.range_lu),
                decimal(made.true_peak_dbtp),
                decimal(made.most_limiting_db),
            )
            for n, text in enumerate(texts):
                picture.text(_column_at(group, n), picture.y, text, to_the_right=True)


def _column_at(group: int, column: int) -> float:
    return MARGIN + MOST_TITLE + 90 + group * 440 + column * 82
