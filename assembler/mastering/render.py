"""Master passages: gain, limiter, dither, and measurements of the delivered PCM.

A passage is processed as one sound, so that a segue is continuous; its tracks are regions of it.
"""

from __future__ import annotations

import hashlib
from bisect import bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.cancel import check_cancelled
from assembler.dsp.blocks import Pcm, Samples, cut
from assembler.dsp.dither import Dither, Quantizer, samples_of
from assembler.dsp.limiter import LimiterSettings
from assembler.dsp.loudness import Energies
from assembler.dsp.meter import Meter, Reading
from assembler.errors import AssemblerError
from assembler.file_names import for_libsndfile
from assembler.mastering.clipping import ClippingLog, TrackClipping
from assembler.mastering.compression import TrackCompression
from assembler.mastering.gain_reduction import GainReductionLog, TrackGainReduction
from assembler.mastering.limiting import limited
from assembler.mastering.passage import (
    BLOCK_FRAMES,
    RenderedPassage,
    compressions_of,
    with_silence,
)
from assembler.preflight.track_section import TrackSection

PEAK_SLACK_DB = 0.02
"""A true peak further above the ceiling than this has the passage rendered again."""
_MOST_RENDERINGS = 4


@dataclass(frozen=True)
class StoredPcm:
    """Finished PCM in a lossless file, WAV or FLAC."""

    path: Path
    start: int = 0
    """Its first sample in the file."""


def _nowhere(_bits: int) -> StoredPcm:
    raise AssemblerError("the track has no PCM: please report this")


@dataclass(frozen=True)
class FinishedTrack:
    """One track's delivered PCM at one rate."""

    section: TrackSection
    rate_hz: int
    start: int
    length: int
    """Its position in its passage, in samples."""
    readings: dict[int, Reading]
    """Measurements by bit depth."""
    gating_blocks: dict[int, Energies]
    """By bit depth, for the loudness of several tracks together."""
    digest: str
    """SHA-256 of its passage's PCM, of the lowest bit depth, in hexadecimal digits."""
    gain_db: float
    """Match and trim together."""
    gain_reduction: TrackGainReduction
    """What the limiter took off."""
    compression: TrackCompression | None = None
    """What its compressor did; None without one."""
    clipping: TrackClipping | None = None
    """What its clipper did; None without one."""
    key: str = ""
    """Cache key of its PCM."""
    stored: Callable[[int], StoredPcm] = _nowhere
    """Returns where its PCM of a bit depth is; it is rendered again if it is nowhere."""

    def pcm(self, bits: int, start: int = 0, end: int | None = None) -> Iterator[Pcm]:
        """Read the track's PCM from sample `start` to before `end`, blocks of shape (frames, 2)."""
        stored = self.stored(bits)
        left = (self.length if end is None else end) - start
        with soundfile.SoundFile(for_libsndfile(stored.path)) as file:
            file.seek(stored.start + start)
            while left:
                check_cancelled()
                block = file.read(min(left, BLOCK_FRAMES), "int32", always_2d=True)
                if not len(block):
                    raise AssemblerError(f"{stored.path}: ends early: build again")
                left -= len(block)
                yield np.right_shift(block, 32 - bits)


def excerpt(tracks: Sequence[FinishedTrack], start: int, end: int) -> NDArray[np.int16]:
    """Return 16-bit PCM of consecutive tracks, from sample `start` up to, not including, `end`."""
    parts: list[Pcm] = []
    position = 0
    for track in tracks:
        first, last = max(start - position, 0), min(end - position, track.length)
        position += track.length
        if first < last:
            parts += track.pcm(16, first, last)
    return np.concatenate(parts).astype(np.int16)


class PcmWriter(Protocol):
    """Takes a passage's PCM of one bit depth as it is rendered."""

    def write(self, region: int, pcm: Pcm) -> None:
        """Take the next samples, which belong to a region."""


Writers = Mapping[int, Sequence[PcmWriter]]
"""Those of each bit depth."""


@dataclass(frozen=True)
class MasterSettings:
    """How passages are finished.

    Attributes
    ----------
    limiter
        Ceiling and link.
    bit_depths
        16, 24 or both.
    dither
        For 16 bits; 24 bits always get TPDF.
    """

    limiter: LimiterSettings
    bit_depths: tuple[int, ...]
    dither: Dither = "tpdf"


def master(
    rendered: RenderedPassage,
    gains_db: Sequence[float],
    settings: MasterSettings,
    writers: Callable[[], AbstractContextManager[Writers]],
) -> list[FinishedTrack]:
    """Render a passage to PCM of each bit depth, and measure it on its way to its writers.

    Parameters
    ----------
    rendered
        The passage.
    gains_db
        Gain of each of its tracks.
    settings
        Limiter, bit depths and dither.
    writers
        Opens the writers; once more for each rendering whose peaks came out over the ceiling.

    Returns
    -------
    list of FinishedTrack
        One per track.
    """
    margin_db, ceiling_dbtp = 0.0, settings.limiter.ceiling_dbtp
    for _ in range(_MOST_RENDERINGS):
        rendering = _Rendering(rendered, gains_db, settings)
        with writers() as opened:
            rendering.run(ceiling_dbtp - margin_db, opened)
        mastered = rendering.tracks()
        over_db = max(_overshoot_db(track, ceiling_dbtp) for track in mastered)
        if over_db <= PEAK_SLACK_DB:
            break
        margin_db += over_db
    return mastered


def _overshoot_db(track: FinishedTrack, ceiling_dbtp: float) -> float:
    peaks = [reading.true_peak_dbtp for reading in track.readings.values()]
    return max((peak - ceiling_dbtp for peak in peaks if peak is not None), default=-1.0)


class _Rendering:
    """One pass over a passage: gain, limiter, dither, measurements."""

    def __init__(
        self, rendered: RenderedPassage, gains_db: Sequence[float], settings: MasterSettings
    ) -> None:
        self.rendered = rendered
        self.gains_db = gains_db
        self.settings = settings
        self.reductions = GainReductionLog(rendered.rate_hz, rendered.parts)
        self.clippings = ClippingLog(rendered)
        self.digest = hashlib.sha256()
        self.meters = {
            bits: [Meter(rendered.rate_hz) for _ in rendered.sections]
            for bits in settings.bit_depths
        }

    def run(self, ceiling_dbtp: float, writers: Writers) -> None:
        quantizers = self._quantizers(self._exact_tracks(ceiling_dbtp))
        parts, cuts = self.rendered.parts, self.rendered.cuts
        edges = sorted({*parts, *cuts})
        sound = with_silence(self._limited(ceiling_dbtp), self.rendered.length)
        for segment, block in cut(sound, edges):
            start = edges[segment - 1] if segment else 0
            part, region = bisect_right(parts, start), bisect_right(cuts, start)
            for bits, by_part in quantizers.items():
                pcm = by_part[part].quantize(block)
                self.meters[bits][region].feed(samples_of(pcm, bits))
                if bits == min(quantizers):
                    self.digest.update(np.ascontiguousarray(pcm, _raw_dtype(bits)).data)
                for writer in writers.get(bits, ()):
                    writer.write(region, pcm)

    def _quantizers(self, exact: Mapping[int, Sequence[bool]]) -> dict[int, list[Quantizer]]:
        """Return the quantizers of each track, and one for the silence after the last."""
        return {
            bits: [
                Quantizer(
                    bits,
                    None if exact[bits][i] else _seed(section, bits),
                    same_in_both=section.recording.is_mono,
                    dither=self.settings.dither if bits == 16 else "tpdf",
                    rate_hz=self.rendered.rate_hz,
                )
                for i, section in enumerate(self.rendered.sections)
            ]
            + [Quantizer(bits, None)]
            for bits in self.settings.bit_depths
        }

    def _limited(self, ceiling_dbtp: float) -> Iterator[Samples]:
        self.reductions = GainReductionLog(self.rendered.rate_hz, self.rendered.parts)
        self.clippings = ClippingLog(self.rendered)
        limiter = self.settings.limiter._replace(ceiling_dbtp=ceiling_dbtp)
        return limited(self.rendered, self.gains_db, limiter, self.reductions, self.clippings)

    def _exact_tracks(self, ceiling_dbtp: float) -> dict[int, list[bool]]:
        """Find the tracks whose samples are exact at each bit depth: they need no dither."""
        candidates = {
            bits: [
                _is_unprocessed(self.rendered, i, gain, bits)
                for i, gain in enumerate(self.gains_db)
            ]
            for bits in self.settings.bit_depths
        }
        if not any(any(tracks) for tracks in candidates.values()):
            return candidates
        for _ in self._limited(ceiling_dbtp):
            pass
        unlimited = [
            reduction.most_db == 0 and self.clippings.is_idle(i)
            for i, reduction in enumerate(self.reductions.tracks())
        ]
        return {
            bits: [a and b for a, b in zip(tracks, unlimited, strict=True)]
            for bits, tracks in candidates.items()
        }

    def tracks(self) -> list[FinishedTrack]:
        readings = {bits: [meter.reading() for meter in own] for bits, own in self.meters.items()}
        starts = (0, *self.rendered.cuts)
        return [
            FinishedTrack(
                section=section,
                rate_hz=self.rendered.rate_hz,
                start=starts[i],
                length=self.rendered.region_lengths[i],
                readings={bits: of_bits[i] for bits, of_bits in readings.items()},
                gating_blocks={b: own[i].gating_blocks() for b, own in self.meters.items()},
                digest=self.digest.hexdigest(),
                gain_db=self.gains_db[i],
                gain_reduction=reduction,
                compression=compression,
                clipping=clipping,
            )
            for i, (section, reduction, compression, clipping) in enumerate(
                zip(
                    self.rendered.sections,
                    self.reductions.tracks(),
                    compressions_of(self.rendered),
                    self.clippings.tracks(),
                    strict=True,
                )
            )
        ]


def _raw_dtype(bits: int) -> np.dtype[np.signedinteger]:
    return np.dtype("<i2" if bits == 16 else "<i4")


def _is_unprocessed(rendered: RenderedPassage, i: int, gain_db: float, bits: int) -> bool:
    """Return whether only clipper and limiter can change a track's samples."""
    section = rendered.sections[i]
    recording = section.recording
    overlaps = any(rendered.overlaps[i : i + 2])
    processed = section.bands or section.compressor
    changed = gain_db != 0 or processed or section.fade_in_s or section.fade_out_s or overlaps
    return not changed and recording.rate_hz == rendered.rate_hz and (recording.bits or 99) <= bits


def _seed(section: TrackSection, bits: int) -> int:
    """Return the seed of a track's dither, from its section of its recording alone."""
    own_hz = section.recording.rate_hz
    numbers = (section.start, section.end, own_hz, bits)
    return int(np.random.SeedSequence(numbers).generate_state(1, np.uint64)[0])
