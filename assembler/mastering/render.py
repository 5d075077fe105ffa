"""Master passages: gain, limiter, dither, and measurements of the delivered PCM.

A passage is processed as one sound, so that a segue is continuous; its tracks are regions of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from assembler.cancel import check_cancelled
from assembler.dsp.blocks import Samples, cut
from assembler.dsp.dither import Dither, Quantizer, samples_of
from assembler.dsp.limiter import limit
from assembler.dsp.loudness import Energies
from assembler.dsp.meter import Meter, Reading
from assembler.mastering.gain_reduction import GainReductionLog, TrackGainReduction
from assembler.mastering.passage import BLOCK_FRAMES, RenderedPassage, with_gain, with_silence
from assembler.preflight.track_section import TrackSection

PEAK_SLACK_DB = 0.02
"""A true peak further above the ceiling than this has the passage rendered again."""
_MOST_RENDERINGS = 4


@dataclass(frozen=True)
class FinishedTrack:
    """One track's delivered PCM at one rate."""

    section: TrackSection
    rate_hz: int
    files: dict[int, Path]
    """Raw PCM by bit depth: int16 for 16 bits, int32 for 24."""
    start: int
    length: int
    """The track's position in these files, in samples."""
    readings: dict[int, Reading]
    """Measurements by bit depth."""
    gating_blocks: dict[int, Energies]
    """By bit depth, for the loudness of several tracks together."""
    gain_db: float
    """Match and trim together."""
    gain_reduction: TrackGainReduction
    """What the limiter took off."""
    key: str = ""
    """Cache key of its PCM."""

    def pcm(self, bits: int) -> Iterator[NDArray[np.int32]]:
        """Read the track's PCM of a bit depth in blocks of shape (frames, 2)."""
        return _read_pcm(self.files[bits], bits, self.start, self.length)


def excerpt(tracks: Sequence[FinishedTrack], start: int, end: int) -> NDArray[np.int16]:
    """Return 16-bit PCM of consecutive tracks, from sample `start` up to, not including, `end`."""
    parts = []
    position = 0
    for track in tracks:
        first, last = max(start - position, 0), min(end - position, track.length)
        position += track.length
        if first < last:
            whole = np.memmap(track.files[16], _pcm_dtype(16), "r").reshape(-1, 2)
            parts.append(np.array(whole[track.start + first : track.start + last]))
    return np.concatenate(parts)


def master(
    rendered: RenderedPassage,
    gains_db: Sequence[float],
    ceiling_dbtp: float,
    bit_depths: Sequence[int],
    file_of: Callable[[int], Path],
    dither: Dither = "tpdf",
) -> list[FinishedTrack]:
    """Render a passage to PCM of each bit depth, and measure it.

    Parameters
    ----------
    rendered
        The passage.
    gains_db
        Gain of each of its tracks.
    ceiling_dbtp
        Highest true peak.
    bit_depths
        16, 24 or both.
    file_of
        Returns the file for a bit depth.
    dither
        For 16 bits; 24 bits always get TPDF.

    Returns
    -------
    list of FinishedTrack
        One per track.
    """
    margin_db = 0.0
    for _ in range(_MOST_RENDERINGS):
        rendering = _Rendering(rendered, gains_db, bit_depths, file_of, dither)
        rendering.run(ceiling_dbtp - margin_db)
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
        self,
        rendered: RenderedPassage,
        gains_db: Sequence[float],
        bit_depths: Sequence[int],
        file_of: Callable[[int], Path],
        dither: Dither,
    ) -> None:
        self.rendered = rendered
        self.gains_db = gains_db
        self.dither = dither
        self.files = {bits: file_of(bits) for bits in bit_depths}
        self.reductions = GainReductionLog(rendered.rate_hz, rendered.parts)
        self.meters = {
            bits: [Meter(rendered.rate_hz) for _ in rendered.sections] for bits in bit_depths
        }

    def run(self, ceiling_dbtp: float) -> None:
        exact = self._exact_tracks(ceiling_dbtp)
        quantizers = {
            bits: [
                Quantizer(
                    bits,
                    None if exact[bits][i] else _seed(section, bits),
                    same_in_both=section.recording.is_mono,
                    dither=self.dither if bits == 16 else "tpdf",
                    rate_hz=self.rendered.rate_hz,
                )
                for i, section in enumerate(self.rendered.sections)
            ]
            + [Quantizer(bits, None)]  # for the silence after the last track
            for bits in self.files
        }
        outs = {bits: _PcmFile(path, bits) for bits, path in self.files.items()}
        try:
            sound = with_silence(self._limited(ceiling_dbtp), self.rendered.length)
            for part, block in cut(sound, self.rendered.parts):
                for bits, out in outs.items():
                    out.write(quantizers[bits][part].quantize(block))
        finally:
            for out in outs.values():
                out.close()
        self._measure()

    def _limited(self, ceiling_dbtp: float) -> Iterator[Samples]:
        self.reductions = GainReductionLog(self.rendered.rate_hz, self.rendered.parts)
        gained = with_gain(self.rendered, self.gains_db)
        for block, gain_reduction in limit(gained, self.rendered.rate_hz, ceiling_dbtp):
            self.reductions.add(gain_reduction)
            yield block

    def _exact_tracks(self, ceiling_dbtp: float) -> dict[int, list[bool]]:
        """Find the tracks whose samples are exact at each bit depth: they need no dither."""
        candidates = {
            bits: [
                _is_unprocessed(self.rendered, i, gain, bits)
                for i, gain in enumerate(self.gains_db)
            ]
            for bits in self.files
        }
        if not any(any(tracks) for tracks in candidates.values()):
            return candidates
        for _ in self._limited(ceiling_dbtp):
            pass
        unlimited = [reduction.most_db == 0 for reduction in self.reductions.tracks()]
        return {
            bits: [a and b for a, b in zip(tracks, unlimited, strict=True)]
            for bits, tracks in candidates.items()
        }

    def _measure(self) -> None:
        for bits, path in self.files.items():
            pcm = _read_pcm(path, bits, 0, self.rendered.length)
            sound = (samples_of(block, bits) for block in pcm)
            for region, block in cut(sound, self.rendered.cuts):
                self.meters[bits][region].feed(block)

    def tracks(self) -> list[FinishedTrack]:
        readings = {bits: [meter.reading() for meter in self.meters[bits]] for bits in self.files}
        starts = (0, *self.rendered.cuts)
        return [
            FinishedTrack(
                section=section,
                rate_hz=self.rendered.rate_hz,
                files=self.files,
                start=starts[i],
                length=self.rendered.region_lengths[i],
                readings={bits: readings[bits][i] for bits in self.files},
                gating_blocks={bits: self.meters[bits][i].gating_blocks() for bits in self.files},
                gain_db=self.gains_db[i],
                gain_reduction=reduction,
            )
            for i, (section, reduction) in enumerate(
                zip(self.rendered.sections, self.reductions.tracks(), strict=True)
            )
        ]


class _PcmFile:
    """Raw PCM on disk: int16 for 16 bits, int32 for 24."""

    def __init__(self, path: Path, bits: int) -> None:
        self._dtype = _pcm_dtype(bits)
        self._file = path.open("wb")

    def write(self, pcm: NDArray[np.int32]) -> None:
        self._file.write(np.ascontiguousarray(pcm, self._dtype).data)

    def close(self) -> None:
        self._file.close()


def _pcm_dtype(bits: int) -> np.dtype[np.signedinteger]:
    return np.dtype("<i2" if bits == 16 else "<i4")


def _read_pcm(path: Path, bits: int, start: int, length: int) -> Iterator[NDArray[np.int32]]:
    frame_bytes = 2 * _pcm_dtype(bits).itemsize
    left = length
    with path.open("rb") as file:
        file.seek(start * frame_bytes)
        while left:
            check_cancelled()
            data = file.read(min(left, BLOCK_FRAMES) * frame_bytes)
            block = np.frombuffer(data, _pcm_dtype(bits)).reshape(-1, 2)
            left -= len(block)
            yield block.astype(np.int32, copy=False)


def _is_unprocessed(rendered: RenderedPassage, i: int, gain_db: float, bits: int) -> bool:
    """Return whether only the limiter can change a track's samples."""
    section = rendered.sections[i]
    recording = section.recording
    overlaps = any(rendered.overlaps[i : i + 2])
    changed = gain_db != 0 or section.bands or section.fade_in_s or section.fade_out_s or overlaps
    return not changed and recording.rate_hz == rendered.rate_hz and (recording.bits or 99) <= bits


def _seed(section: TrackSection, bits: int) -> int:
    """Return the seed of a track's dither, from its section of its recording alone."""
    own_hz = section.recording.rate_hz
    numbers = (section.start, section.end, own_hz, bits)
    return int(np.random.SeedSequence(numbers).generate_state(1, np.uint64)[0])
