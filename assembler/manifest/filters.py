"""The filters that a track or a tape side asks for."""

from __future__ import annotations

from typing import Protocol

from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.equaliser import FilterBand
from assembler.manifest.tone import Band


class Equalised(Protocol):
    """A section of the manifest with EQ: a track or a side."""

    @property
    def equaliser(self) -> tuple[Band, ...]:
        """EQ bands, in order."""

    @property
    def mono_below(self) -> float | None:
        """Corner of a high-pass on the side (L − R), Hz."""


def bands_of(section: Equalised) -> tuple[FilterBand, ...]:
    """Return the bands of a section's equaliser, and last the one that makes it mono below."""
    bands = [filter_of(band) for band in section.equaliser]
    if section.mono_below is not None:
        bands.append(FilterBand("high_pass", section.mono_below, slope=24, on="side"))
    return tuple(bands)


def filter_of(band: Band) -> FilterBand:
    """Return the filter that a band of the manifest asks for."""
    dynamic: CompressorSettings | None = None
    if asked := band.dynamic:
        times_s = asked.attack / 1000, asked.release / 1000
        dynamic = CompressorSettings(asked.threshold, asked.ratio, *times_s, asked.knee)
    return FilterBand(
        band.shape,
        band.hz,
        band.db or 0.0,
        band.q,
        band.slope or 12,
        band.on or "stereo",
        dynamic,
    )
