"""Measurements in a terminal: loudness and peaks, and the bands of tone matches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from assembler.commands.console.rich_console import MONO, SEVERITY_STYLES, new_console
from assembler.text import clock_text, decimal

if TYPE_CHECKING:
    from assembler.manifest.tone import Band
    from assembler.mastering.measure import Measurement
    from assembler.preflight.track_section import ToneMatch


def print_measurements(measurements: Sequence[Measurement]) -> None:
    """Print a table of loudness and peaks."""
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("Recording", ratio=1, overflow="fold")
    for name in ("Length", "LUFS", "max S", "max M", "LRA", "dBTP", "dBFS"):
        table.add_column(name, justify="right", no_wrap=True)
    for measurement in measurements:
        reading = measurement.reading
        table.add_row(
            Text(f"{measurement.title or measurement.path}{MONO * (measurement.channels == 1)}"),
            clock_text(reading.frames / measurement.rate_hz),
            decimal(reading.integrated_lufs),
            decimal(reading.max_short_term_lufs),
            decimal(reading.max_momentary_lufs),
            decimal(reading.loudness_range_lu),
            decimal(reading.true_peak_dbtp),
            decimal(reading.sample_peak_dbfs),
        )
    console = new_console()
    console.print(table)
    for doubt in dict.fromkeys(doubt for one in measurements for doubt in one.doubts):
        warning = Text("warning", style=SEVERITY_STYLES["warning"]).append(
            f" {doubt}", style="default"
        )
        console.print(warning, soft_wrap=not console.is_terminal)
    if any(measurement.channels == 1 for measurement in measurements):
        new_console().print(
            "mono: measured as delivered, in both channels: 3.0 LU above a single channel"
        )


def print_tones(tones: Mapping[int, ToneMatch]) -> None:
    """Print the bands of tone matches as YAML, to paste in place of `tone_like` or `tone`."""
    console = new_console()
    for index, tone in tones.items():
        before, after = (f"{decimal(one)} dB" for one in (tone.before_db, tone.after_db))
        distance = f"spectral distance {before}, with these bands {after}"
        if not tone.bands:
            distance = f"spectral distance {before}: no band needed"
        lines = [f"# track {index + 1}, tone like {tone.like}: {distance}"]
        if tone.bands:
            lines += ["    equaliser:", *(f"      - {_band_yaml(band)}" for band in tone.bands)]
        console.print(Text("\n".join(lines)), soft_wrap=True)


def _band_yaml(band: Band) -> str:
    values = band.model_dump(exclude_none=True).items()
    pairs = (f"{key}: {value:g}" if key != "shape" else f"{key}: {value}" for key, value in values)
    return f"{{{', '.join(pairs)}}}"
