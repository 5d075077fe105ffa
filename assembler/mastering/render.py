"""Master passages: gain, limiter, finished words, and readings of these words.

A passage is worked on as one sound, so that a segue has no seam; its tracks are regions of it.
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
from assembler.preflight.sections import TrackSection

PEAK_SLACK_DB = 0.02
"""A rendered peak may lie this much above the ceiling before the passage is rendered again."""
_MOST_RENDERINGS = 4


@dataclass(frozen=True)
class FinishedTrack:
    """One track's finished words at one rate.

    Attributes
    ----------
    section
        The track.
    rate_hz
        Sample rate.
    files
        Raw words for each width: int16 for 16 bits, int32 for 24.
    start, length
        Where the track lies in these files, in samples.
    readings
        Measured on the words of each width.
    gating_blocks
        Of each width, for the loudness of several tracks together.
    gain_db
        Match and trim together.
    limiting
        What the limiter did.
    key
        Of its words, from all that they depend on.
    """

    section: TrackSection
    rate_hz: int
    files: dict[int, Path]
    start: int
    length: int
    readings: dict[int, Reading]
    gating_blocks: dict[int, Energies]
    gain_db: float
    limiting: TrackGainReduction
    key: str = ""

    def words(self, bits: int) -> Iterator[NDArray[np.int32]]:
        """Read the track's words of a width, shape (frames, 2), in blocks."""
        return _read_words(self.files[bits], bits, self.start, self.length)


def excerpt(tracks: Sequence[FinishedTrack], start: int, end: int) -> NDArray[np.int16]:
    """Give 16-bit words of tracks that follow each other, from one sample to before another."""
    parts = []
    position = 0
    for track in tracks:
        first, last = max(start - position, 0), min(end - position, track.length)
        position += track.length
        if first < last:
            whole = np.memmap(track.files[16], _word_kind(16), "r").reshape(-1, 2)
            parts.append(np.array(whole[track.start + first : track.start + last]))
    return np.concatenate(parts)


def master(
    prepared: RenderedPassage,
    gains_db: Sequence[float],
    ceiling_dbtp: float,
    widths: Sequence[int],
    file_of: Callable[[int], Path],
    dither: Dither = "tpdf",
) -> list[FinishedTrack]:
    """Render a passage to words of each width, and measure these words.

    Parameters
    ----------
    prepared
        The passage.
    gains_db
        Gain of each of its tracks.
    ceiling_dbtp
        Highest true peak.
    widths
        16, 24 or both.
    file_of
        Gives the file for the words of a width.
    dither
        Of words of 16 bits; longer ones always get TPDF.

    Returns
    -------
    list of FinishedTrack
        One a track.
    """
    margin_db = 0.0
    for _ in range(_MOST_RENDERINGS):
        rendering = _Rendering(prepared, gains_db, widths, file_of, dither)
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
    """One pass over a passage: gain, limiter, words, readings."""

    def __init__(
        self,
        prepared: RenderedPassage,
        gains_db: Sequence[float],
        widths: Sequence[int],
        file_of: Callable[[int], Path],
        dither: Dither,
    ) -> None:
        self.prepared = prepared
        self.gains_db = gains_db
        self.dither = dither
        self.files = {bits: file_of(bits) for bits in widths}
        self.limiting = GainReductionLog(prepared.rate_hz, prepared.parts)
        self.meters = {
            bits: [Meter(prepared.rate_hz) for _ in prepared.sections] for bits in widths
        }

    def run(self, ceiling_dbtp: float) -> None:
        untouched = self._untouched_widths(ceiling_dbtp)
        words = {
            bits: [
                Quantizer(
                    bits,
                    None if untouched[bits][i] else _seed(section, bits),
                    same_in_both=section.recording.is_mono,
                    dither=self.dither if bits == 16 else "tpdf",
                    rate_hz=self.prepared.rate_hz,
                )
                for i, section in enumerate(self.prepared.sections)
            ]
            + [Quantizer(bits, None)]  # of the silence after the last track
            for bits in self.files
        }
        outs = {bits: _WordFile(path, bits) for bits, path in self.files.items()}
        try:
            sound = with_silence(self._limited(ceiling_dbtp), self.prepared.length)
            for part, block in cut(sound, self.prepared.parts):
                for bits, out in outs.items():
                    out.write(words[bits][part].quantize(block))
        finally:
            for out in outs.values():
                out.close()
        self._measure()

    def _limited(self, ceiling_dbtp: float) -> Iterator[Samples]:
        self.limiting = GainReductionLog(self.prepared.rate_hz, self.prepared.parts)
        gained = with_gain(self.prepared, self.gains_db)
        for block, gain_reduction in limit(gained, self.prepared.rate_hz, ceiling_dbtp):
            self.limiting.add(gain_reduction)
            yield block

    def _untouched_widths(self, ceiling_dbtp: float) -> dict[int, list[bool]]:
        """Find the tracks whose samples already are words: they need no dither."""
        candidates = {
            bits: [_is_plain(self.prepared, i, gain, bits) for i, gain in enumerate(self.gains_db)]
            for bits in self.files
        }
        if not any(any(tracks) for tracks in candidates.values()):
            return candidates
        for _ in self._limited(ceiling_dbtp):
            pass
        calm = [limiting.most_db == 0 for limiting in self.limiting.tracks()]
        return {
            bits: [plain and quiet for plain, quiet in zip(tracks, calm, strict=True)]
            for bits, tracks in candidates.items()
        }

    def _measure(self) -> None:
        for bits, path in self.files.items():
            words = _read_words(path, bits, 0, self.prepared.length)
            sound = (samples_of(block, bits) for block in words)
            for region, block in cut(sound, self.prepared.cuts):
                self.meters[bits][region].feed(block)

    def tracks(self) -> list[FinishedTrack]:
        readings = {bits: [meter.reading() for meter in self.meters[bits]] for bits in self.files}
        starts = (0, *self.prepared.cuts)
        return [
            FinishedTrack(
                section=section,
                rate_hz=self.prepared.rate_hz,
                files=self.files,
                start=starts[i],
                length=self.prepared.region_lengths[i],
                readings={bits: readings[bits][i] for bits in self.files},
                gating_blocks={bits: self.meters[bits][i].gating_blocks() for bits in self.files},
                gain_db=self.gains_db[i],
                limiting=limiting,
            )
            for i, (section, limiting) in enumerate(
                zip(self.prepared.sections, self.limiting.tracks(), strict=True)
            )
        ]


class _WordFile:
    """Raw words on disk: int16 for 16 bits, int32 for 24."""

    def __init__(self, path: Path, bits: int) -> None:
        self._kind = _word_kind(bits)
        self._file = path.open("wb")

    def write(self, words: NDArray[np.int32]) -> None:
        self._file.write(np.ascontiguousarray(words, self._kind).data)

    def close(self) -> None:
        self._file.close()


def _word_kind(bits: int) -> np.dtype[np.signedinteger]:
    return np.dtype("<i2" if bits == 16 else "<i4")


def _read_words(path: Path, bits: int, start: int, length: int) -> Iterator[NDArray[np.int32]]:
    frame_bytes = 2 * _word_kind(bits).itemsize
    left = length
    with path.open("rb") as file:
        file.seek(start * frame_bytes)
        while left:
            check_cancelled()
            data = file.read(min(left, BLOCK_FRAMES) * frame_bytes)
            block = np.frombuffer(data, _word_kind(bits)).reshape(-1, 2)
            left -= len(block)
            yield block.astype(np.int32, copy=False)


def _is_plain(prepared: RenderedPassage, i: int, gain_db: float, bits: int) -> bool:
    """Tell whether nothing but the limiter can change a track's samples."""
    section = prepared.sections[i]
    recording = section.recording
    overlaps = any(prepared.overlaps[i : i + 2])
    changed = gain_db != 0 or section.bands or section.fade_in_s or section.fade_out_s or overlaps
    return not changed and recording.rate_hz == prepared.rate_hz and (recording.bits or 99) <= bits


def _seed(section: TrackSection, bits: int) -> int:
    """Give the seed of a track's dither: its stretch of its recording, whatever its name."""
    own_hz = section.recording.rate_hz
    numbers = (section.start, section.end, own_hz, bits)
    return int(np.random.SeedSequence(numbers).generate_state(1, np.uint64)[0])
