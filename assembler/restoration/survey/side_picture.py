"""Draw a side: level and spectrum over time, and its faults at their places."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial
from itertools import zip_longest
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from assembler.restoration.survey.remedies import SideFinding
from assembler.restoration.survey.survey import Survey
from assembler.text import clock_text, decimal, duration_text
from assembler.typeset.fonts import Weight
from assembler.typeset.picture_text import draw_text, text_width
from assembler.typeset.typeset import filled_lines

WIDTH = 1600
_MARGIN = 26
_LEFT, _RIGHT = 118, 1508
_LEVEL_HIGH, _SPECTRUM_HIGH, _LANE_HIGH = 118, 400, 24
_TOP, _GAP = 138, 14
_LOWEST_DB, _GRID_DB = -72, 12
_SPECTRUM_DB = 80
_LOWEST_HZ = 20.0
_MARKS_HZ = (50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)
_TIME_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800)
_MOST_TIMES = 16
_MOST_LABELS = 12
_LONG_S = 1.5
_SIZE, _SMALL, _LARGE, _LINE = 16, 14, 26, 23

Colour = tuple[int, int, int]
_PAPER, _SHEET, _INK = (247, 242, 230), (253, 250, 242), (31, 26, 20)
_FADED, _RULE, _ACCENT = (101, 92, 79), (201, 191, 171), (143, 42, 23)
_PALE, _TINT = (233, 225, 207), (185, 173, 151)
"""The colours of the proof page."""
_RAMP = np.array([_SHEET, (226, 211, 176), (201, 138, 90), _ACCENT, _INK], float)
_COLUMNS: tuple[tuple[int, int, Weight, Colour], ...] = (
    (_MARGIN, 560, "bold", _INK),
    (560, 1130, "regular", _FADED),
    (1130, WIDTH - _MARGIN, "regular", _ACCENT),
)
"""Of the table of findings: left, right, weight, colour."""
_COLUMN_GAP = 24
_LANES = {"clipped": "clipped", "clicks": "clicks", "dropouts": "dropouts",
          "print-through": "pre-echo", "noise-high": "noise"}  # fmt: skip


def write_side_picture(path: Path, name: str, side: Survey) -> None:
    """Write the picture of a side as a PNG file, the same bytes each time.

    Parameters
    ----------
    path, name, side
        The file, the side's name and its survey.
    """
    lanes = [finding for finding in side.findings if finding.code in _LANES and finding.places]
    spectrum_top = _TOP + 2 * (_LEVEL_HIGH + _GAP) + len(lanes) * _LANE_HIGH + _GAP
    list_top = spectrum_top + _SPECTRUM_HIGH + 64
    rows = list(_finding_rows(side.findings))
    list_high = sum(_LINE if row else _LINE // 2 for row in rows) or _LINE
    image = Image.new("RGB", (WIDTH, list_top + list_high + 28), _PAPER)
    page = _Page(image, side.length_s)
    _head(page, name, side)
    for channel in range(2):
        _level(page, _TOP + channel * (_LEVEL_HIGH + _GAP), side, channel)
    for number, finding in enumerate(lanes):
        _lane(page, _TOP + 2 * (_LEVEL_HIGH + _GAP) + number * _LANE_HIGH, finding)
    _spectrum(page, spectrum_top, side)
    _time_scale(page, spectrum_top + _SPECTRUM_HIGH)
    _programme(page, spectrum_top + _SPECTRUM_HIGH, side)
    _table(page, list_top, rows)
    image.save(path, "PNG")


class _Page:
    """The image with its time scale."""

    def __init__(self, image: Image.Image, length_s: float) -> None:
        self.image = image
        self.draw = ImageDraw.Draw(image)
        self.length_s = length_s

    def x(self, time_s: float) -> int:
        """Return the x of a time."""
        place = _LEFT + (_RIGHT - _LEFT) * time_s / self.length_s
        return min(max(round(place), _LEFT), _RIGHT - 1)

    def text(
        self,
        x: float,
        baseline: float,
        text: str,
        colour: Colour = _INK,
        *,
        size: int = _SIZE,
        weight: Weight = "regular",
        align: float = 0.0,
        room: float | None = None,
    ) -> None:
        """Write a line; `align` is the share of its width that is left of x."""
        draw_text(self.draw, x, baseline, text, size, colour, weight=weight, room=room, align=align)

    def label(self, x: float, baseline: float, text: str, colour: Colour, align: float) -> None:
        """Write a small line on a plate, so that it is readable on any background."""
        wide = text_width(text, _SMALL)
        x = min(max(x - align * wide, _LEFT + 4), _RIGHT - wide - 4)
        box = (round(x) - 4, baseline - 14, round(x + wide) + 4, baseline + 4)
        self.draw.rectangle(box, fill=_SHEET)
        self.text(x, baseline, text, colour, size=_SMALL)

    def panel(self, top: int, high: int) -> None:
        """Draw an empty panel."""
        self.draw.rectangle((_LEFT, top, _RIGHT - 1, top + high - 1), _SHEET)


def _head(page: _Page, name: str, side: Survey) -> None:
    page.text(_MARGIN, 48, name, size=_LARGE, weight="bold", room=WIDTH - 2 * _MARGIN)
    bits = f", {side.bits} bits" if side.bits else ""
    format_text = (
        f"{' + '.join(side.files)} · {side.rate_hz} Hz{bits} · {clock_text(side.length_s)}"
    )
    page.text(_MARGIN, 76, format_text, _FADED, room=WIDTH - 2 * _MARGIN)


def _level(page: _Page, top: int, side: Survey, channel: int) -> None:
    """Draw a channel's level over time: RMS filled, peak pale behind it."""
    page.panel(top, _LEVEL_HIGH)
    levels, wide = side.pcm.levels, _RIGHT - _LEFT
    starts = np.arange(wide) * len(levels.peak) // wide
    peak = np.maximum.reduceat(levels.peak[:, channel], starts)
    squares = np.square(levels.rms[:, channel]) - side.channels.dc[channel] ** 2
    rms = np.sqrt(np.maximum(np.maximum.reduceat(squares, starts), 0.0))
    for curve, colour in ((peak, _PALE), (rms, _TINT)):
        highs = _y_of_level(curve, top)
        for x, high in enumerate(highs.tolist()):
            if high < top + _LEVEL_HIGH:
                page.draw.line((_LEFT + x, high, _LEFT + x, top + _LEVEL_HIGH - 1), fill=colour)
    for level_db in range(0, _LOWEST_DB, -_GRID_DB):
        y = int(_y_of_level(np.array(10 ** (level_db / 20)), top))
        page.draw.line((_LEFT, y, _RIGHT - 1, y), fill=_RULE)
        if level_db % (2 * _GRID_DB) == 0:
            text = decimal(level_db, 0)
            page.text(_LEFT - 8, y + 10 if y == top else y + 5, text, _FADED, size=_SMALL, align=1)
    name = ("Left", "Right")[channel]
    page.text(_MARGIN, top + _LEVEL_HIGH // 2 + 6, name, weight="bold")
    page.text(_RIGHT + 8, top + 11, "dBFS", _FADED, size=_SMALL)


def _y_of_level(amplitude: NDArray[np.float64], top: int) -> NDArray[np.int64]:
    level_db = 20 * np.log10(np.maximum(amplitude, 10 ** (_LOWEST_DB / 20)))
    share = np.clip(level_db / _LOWEST_DB, 0, 1)
    return top + np.round(share * _LEVEL_HIGH).astype(np.int64)


def _lane(page: _Page, top: int, finding: SideFinding) -> None:
    """Mark the places of a finding, with their times where there is room."""
    page.text(_MARGIN, top + 16, _LANES[finding.code], _ACCENT)
    page.draw.line((_LEFT, top + 19, _RIGHT - 1, top + 19), fill=_RULE)
    spans = [(page.x(begin), page.x(end)) for begin, end in finding.places]
    for begin, end in spans:
        page.draw.rectangle((begin, top + 5, max(end, begin + 1), top + 19), fill=_ACCENT)
    if len(spans) > 4 * _MOST_LABELS:
        return
    taken = _LEFT
    nexts = [*(begin for begin, _ in spans[1:]), _RIGHT]
    for (begin_s, end_s), (begin, end), following in zip(finding.places, spans, nexts, strict=True):
        long = end_s - begin_s > _LONG_S
        text = f"{clock_text(begin_s)} to {clock_text(end_s)}" if long else clock_text(begin_s)
        wide, x = text_width(text, _SMALL), end + 5
        if x + wide + 3 >= following:
            x = begin - 5 - round(wide)
            if following != _RIGHT or x - 3 <= taken:
                taken = end
                continue
        page.text(x, top + 16, text, _FADED, size=_SMALL)
        taken = max(end, x + round(wide))


def _spectrum(page: _Page, top: int, side: Survey) -> None:
    """Draw the spectrogram, low frequencies at the bottom."""
    page.panel(top, _SPECTRUM_HIGH)
    highest_hz = side.rate_hz / 2
    if image := spectrum_image(side, _RIGHT - _LEFT, _SPECTRUM_HIGH):
        page.image.paste(image, (_LEFT, top))
        _scale(page, top, _loudest_db(side))
    for hz in _MARKS_HZ:
        if hz < highest_hz:
            y = _y_of_hz(hz, top, highest_hz)
            page.draw.line((_LEFT - 5, y, _LEFT - 1, y), fill=_FADED)
            text = f"{hz // 1000} k" if hz >= 1000 else str(hz)
            page.text(_LEFT - 9, y + 5, text, _FADED, size=_SMALL, align=1)
    page.text(_MARGIN, top + _SPECTRUM_HIGH // 2 + 6, "Hz", weight="bold")
    _mark_hz(page, top, side)


def spectrum_image(side: Survey, width: int, height: int) -> Image.Image | None:
    """Return the spectrogram of a side alone, from `_LOWEST_HZ` upwards; None for a side too short.

    Parameters
    ----------
    side
        Its survey.
    width, height
        In pixels; the highest frequency is the top row.
    """
    spectrum = side.bandwidth.spectrum
    if not len(spectrum.density_db):
        return None
    rows_hz = np.geomspace(side.rate_hz / 2, _LOWEST_HZ, height)
    rows = _interpolated(
        np.log(spectrum.hz), np.log(rows_hz), spectrum.density_db.astype(np.float64)
    )
    columns = np.linspace(0, len(rows) - 1, width)
    pixels = _interpolated(np.arange(len(rows), dtype=float), columns, rows.T)
    return Image.fromarray(_coloured((pixels - _loudest_db(side)) / _SPECTRUM_DB + 1))


def _loudest_db(side: Survey) -> float:
    return float(5 * np.ceil(np.quantile(side.bandwidth.spectrum.density_db, 0.999) / 5))


def _interpolated(
    known: NDArray[np.float64], points: NDArray[np.float64], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Interpolate along the last axis."""
    return np.stack([np.interp(points, known, row) for row in values])


def _coloured(shares: NDArray[np.float64]) -> NDArray[np.uint8]:
    """Return the colours of shares of the scale, shape (rows, columns, 3)."""
    stops = np.linspace(0, 1, len(_RAMP))
    channels = [np.interp(shares, stops, _RAMP[:, channel]) for channel in range(3)]
    return np.round(np.stack(channels, axis=-1)).astype(np.uint8)


def _scale(page: _Page, top: int, loudest_db: float) -> None:
    shares = np.repeat(np.linspace(1, 0, _SPECTRUM_HIGH)[:, None], 12, axis=1)
    page.image.paste(Image.fromarray(_coloured(shares)), (_RIGHT + 14, top))
    for below_db in range(0, _SPECTRUM_DB + 1, 20):
        y = top + below_db * (_SPECTRUM_HIGH - 1) // _SPECTRUM_DB
        text = decimal(loudest_db - below_db, 0)
        page.text(
            _RIGHT + 31, min(max(y + 5, top + 11), top + _SPECTRUM_HIGH), text, _FADED, size=_SMALL
        )
    page.text(_RIGHT + 14, top - 8, "dBFS/Hz", _FADED, size=_SMALL)


def _y_of_hz(hz: float, top: int, highest_hz: float) -> int:
    share = np.log(hz / highest_hz) / np.log(_LOWEST_HZ / highest_hz)
    return top + round(float(share) * (_SPECTRUM_HIGH - 1))


def _mark_hz(page: _Page, top: int, side: Survey) -> None:
    """Mark the frequencies of the hum and of the upper limit, each with its label."""
    marks = []
    if side.bandwidth.cliff_hz is not None:
        marks.append((side.bandwidth.cliff_hz, "steep cut-off at {:.1f} kHz", 1e-3))
    elif side.bandwidth.ends_hz is not None:
        marks.append((side.bandwidth.ends_hz, "bandwidth {:.1f} kHz", 1e-3))
    if side.hum.mains_hz is not None and any(f.code == "hum" for f in side.findings):
        marks.append((side.hum.mains_hz, "hum at {:.1f} Hz and harmonics", 1.0))
    for hz, text, factor in marks:
        y = _y_of_hz(hz, top, side.rate_hz / 2)
        for x in range(_LEFT, _RIGHT, 10):
            page.draw.line((x, y, x + 4, y), fill=_ACCENT)
        page.label(_RIGHT, max(y - 8, top + 18), text.format(hz * factor), _ACCENT, 1)


def _time_scale(page: _Page, bottom: int) -> None:
    """Write the time scale below the panels."""
    step_s = next((s for s in _TIME_STEPS_S if page.length_s / s <= _MOST_TIMES), 3600)
    write = duration_text if step_s >= 1 else clock_text
    for number in range(int(page.length_s / step_s) + 1):
        x = page.x(number * step_s)
        page.draw.line((x, bottom, x, bottom + 5), fill=_FADED)
        page.text(x, bottom + 20, write(number * step_s), _FADED, size=_SMALL, align=0.5)


def _programme(page: _Page, bottom: int, side: Survey) -> None:
    """Mark the start and the end of the programme, with labels above the panels."""
    begins_s, ends_s = side.programme.begins_s, side.programme.ends_s
    if begins_s is None or ends_s is None:
        page.text(_LEFT, _TOP - 12, "no programme found", _ACCENT, size=_SMALL)
        return
    begin, end = f"programme starts {clock_text(begins_s)}", f"ends {clock_text(ends_s)}"
    for time_s in (begins_s, ends_s):
        x = page.x(time_s)
        for y in range(_TOP - 8, bottom, 6):
            page.draw.line((x, y, x, y + 2), fill=_ACCENT)
    left = min(
        float(page.x(begins_s)), _RIGHT - text_width(begin, _SMALL) - text_width(end, _SMALL) - 20
    )
    right = max(page.x(ends_s) - text_width(end, _SMALL), left + text_width(begin, _SMALL) + 20)
    page.text(left, _TOP - 12, begin, _ACCENT, size=_SMALL)
    page.text(right, _TOP - 12, end, _ACCENT, size=_SMALL)


def _finding_rows(findings: Sequence[SideFinding]) -> Iterator[tuple[str, ...]]:
    """Yield the table of findings line by line, texts wrapped to their columns."""
    for finding in findings:
        cells = (finding.measured, finding.remedy, finding.restoration or finding.side_line or "")
        wrapped = (
            filled_lines(text, right - left - _COLUMN_GAP, partial(_table_width, weight=weight))
            for text, (left, right, weight, _) in zip(cells, _COLUMNS, strict=True)
        )
        yield from zip_longest(*wrapped, fillvalue="")
        yield ()


def _table_width(text: str, weight: Weight) -> float:
    return text_width(text, _SIZE, weight)


def _table(page: _Page, top: int, rows: Sequence[tuple[str, ...]]) -> None:
    """Write the table of findings."""
    y = top
    for row in rows:
        y += _LINE if row else _LINE // 2
        if not row:
            page.draw.line((_MARGIN, y - 4, WIDTH - _MARGIN, y - 4), fill=_RULE)
        for text, (left, _, weight, colour) in zip(row, _COLUMNS, strict=False):
            page.text(left, y, text, colour, weight=weight)
    if not rows:
        page.text(_MARGIN, y + _LINE, "no faults found", _FADED)
