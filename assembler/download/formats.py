"""Formats of the download files, and how each is encoded.

Lossless files are written by libsndfile, lossy ones (and ALAC) by ffmpeg from 24-bit words through
a pipe. FLAC: RFC 9639. Rates that a codec can't hold are brought to 44.1 or 48 kHz beforehand.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.manifest.model import Format
from assembler.sources.ffmpeg import run_ffmpeg

Container = Literal["flac", "wav", "mp3", "mp4", "opus"]
FLAC_BEST = 1.0
"""libsndfile's scale for FLAC's level 8."""


@dataclass(frozen=True)
class FormatFacts:
    """What one format is.

    Attributes
    ----------
    suffix
        Of its files.
    container
        Decides how it is tagged.
    bits
        Width of the words it is made from.
    lossy
        Decodes to something else than these words.
    codec
        Arguments for ffmpeg; empty where libsndfile writes.
    rates_hz
        The rates it holds; empty for any.
    """

    suffix: str
    container: Container
    bits: int
    lossy: bool = False
    codec: tuple[str, ...] = ()
    rates_hz: tuple[int, ...] = ()

    def rate_for(self, rate_hz: int) -> int:
        """Give the rate that sound of this rate is delivered at."""
        if not self.rates_hz or rate_hz in self.rates_hz:
            return rate_hz
        if 44100 in self.rates_hz and rate_hz % 11025 == 0:
            return 44100
        return 48000


_MP3_RATES = (44100, 48000)
_MP3 = ("-f", "mp3", "-id3v2_version", "0", "-write_id3v1", "0", "-c:a", "libmp3lame")

FACTS: dict[Format, FormatFacts] = {
    "flac-24": FormatFacts(".flac", "flac", 24),
    "flac-16": FormatFacts(".flac", "flac", 16),
    "wav-24": FormatFacts(".wav", "wav", 24),
    "wav-16": FormatFacts(".wav", "wav", 16),
    "mp3-320": FormatFacts(".mp3", "mp3", 24, True, (*_MP3, "-b:a", "320k"), _MP3_RATES),
    "mp3-v0": FormatFacts(".mp3", "mp3", 24, True, (*_MP3, "-q:a", "0"), _MP3_RATES),
    "aac-256": FormatFacts(
        ".m4a", "mp4", 24, True, ("-f", "ipod", "-c:a", "aac", "-b:a", "256k"), _MP3_RATES
    ),
    "alac-24": FormatFacts(".m4a", "mp4", 24, False, ("-f", "ipod", "-c:a", "alac")),
    "opus-160": FormatFacts(
        ".opus", "opus", 24, True, ("-f", "opus", "-c:a", "libopus", "-b:a", "160k"), (48000,)
    ),
}


def encode(
    words: Iterable[NDArray[np.int32]], rate_hz: int, facts: FormatFacts, target: Path
) -> None:
    """Encode a track.

    Parameters
    ----------
    words
        Blocks of shape (frames, 2), of the format's width.
    rate_hz
        Their rate.
    facts
        The format.
    target
        File to write.

    Raises
    ------
    AssemblerError
        The encoder failed.
    """
    aligned = _left_aligned(words, facts.bits)
    if not facts.codec:
        write_lossless(aligned, rate_hz, facts.bits, target)
        return
    source = ["-f", "s32le", "-ar", str(rate_hz), "-ac", "2", "-i", "pipe:0"]
    steady = ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact"]
    width = ["-sample_fmt", "s32p", "-bits_per_raw_sample", "24"] if "alac" in facts.codec else []
    run_ffmpeg(
        [*source, *steady, *facts.codec, *width, f"file:{target}"],
        feed=(np.ascontiguousarray(block, "<i4").tobytes() for block in aligned),
    )


def write_lossless(
    aligned: Iterable[NDArray[np.int32]], rate_hz: int, bits: int, target: Path
) -> None:
    """Write words, aligned to the left of 32 bits, as FLAC or WAV by the target's ending."""
    kind = "FLAC" if target.suffix == ".flac" else "WAV"
    level = {"compression_level": FLAC_BEST} if kind == "FLAC" else {}
    with soundfile.SoundFile(
        str(target), "w", rate_hz, 2, subtype=f"PCM_{bits}", format=kind, **level
    ) as file:
        for block in aligned:
            file.write(np.ascontiguousarray(block))


def _left_aligned(words: Iterable[NDArray[np.int32]], bits: int) -> Iterator[NDArray[np.int32]]:
    for block in words:
        yield np.left_shift(block, 32 - bits)
