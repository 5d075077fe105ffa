"""Formats of the download files, and how each is encoded.

Lossless files are written by libsndfile, lossy ones (and ALAC) by ffmpeg from 24-bit PCM through
a pipe. FLAC: RFC 9639. Rates that a codec does not support are converted to 44.1 or 48 kHz before.

Both could write Vorbis, with the same samples on music (33.6 dB from the master, 265 kbit/s), but
libsndfile uses a random serial number: ffmpeg's files are reproducible.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.audio.ffmpeg import ALONE, ffmpeg_program, run_ffmpeg
from assembler.cancel import child_process
from assembler.download.mp3_header import write_mp3_length
from assembler.dsp.blocks import Pcm
from assembler.errors import AssemblerError
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.manifest.sets import Format, format_of

Container = Literal["flac", "wav", "mp3", "mp4", "opus", "ogg"]
FLAC_LEVEL = 0.625
"""libsndfile's scale for FLAC's level 5, the default of the reference encoder: on dithered 24-bit
masters level 8 is 2 to 3 % smaller and takes 4 to 6 times as long."""


@dataclass(frozen=True)
class FormatFacts:
    """Properties of one format."""

    suffix: str
    """Extension of its files."""
    container: Container
    """Decides how files are tagged."""
    bits: int
    """Word length of the PCM that is encoded."""
    lossy: bool = False
    """Whether files decode to other samples than that PCM."""
    codec: tuple[str, ...] = ()
    """Arguments for ffmpeg; empty where libsndfile writes."""
    rates_hz: tuple[int, ...] = ()
    """Supported rates; empty for any."""

    @property
    def encoder(self) -> str | None:
        """The name of the ffmpeg encoder; None where libsndfile writes."""
        return self.codec[self.codec.index("-c:a") + 1] if self.codec else None

    def rate_for(self, rate_hz: int) -> int:
        """Return the delivery rate of sound at a rate."""
        if not self.rates_hz or rate_hz in self.rates_hz:
            return rate_hz
        if 44100 in self.rates_hz and rate_hz % 11025 == 0:
            return 44100
        return 48000


_LOSSY_RATES = (44100, 48000)
_MP3 = ("-f", "mp3", "-id3v2_version", "0", "-write_id3v1", "0", "-c:a", "libmp3lame")
_MP4 = ("-f", "ipod", "-c:a")
_OPUS = ("-f", "opus", "-serial_offset", "1", "-c:a", "libopus")
_OGG = ("-f", "ogg", "-serial_offset", "1", "-c:a", "libvorbis")  # some tools reject serial 0

FACTS: dict[Format, FormatFacts] = {
    "flac-24": FormatFacts(".flac", "flac", 24),
    "flac-16": FormatFacts(".flac", "flac", 16),
    "wav-24": FormatFacts(".wav", "wav", 24),
    "wav-16": FormatFacts(".wav", "wav", 16),
    "mp3-320": FormatFacts(".mp3", "mp3", 24, True, (*_MP3, "-b:a", "320k"), _LOSSY_RATES),
    "mp3-vbr": FormatFacts(".mp3", "mp3", 24, True, (*_MP3, "-q:a", "0"), _LOSSY_RATES),
    "aac-256": FormatFacts(".m4a", "mp4", 24, True, (*_MP4, "aac", "-b:a", "256k"), _LOSSY_RATES),
    "alac-24": FormatFacts(".m4a", "mp4", 24, False, (*_MP4, "alac")),
    "opus-160": FormatFacts(".opus", "opus", 24, True, (*_OPUS, "-b:a", "160k"), (48000,)),
    "ogg-q8": FormatFacts(".ogg", "ogg", 24, True, (*_OGG, "-q:a", "8"), _LOSSY_RATES),
}


def facts_of(folder: str) -> FormatFacts:
    """Return the properties of the format in a folder of `download`."""
    return FACTS[format_of(folder)]


@cache
def ffmpeg_encoders(program: str) -> frozenset[str]:
    """List the encoders that an ffmpeg was built with; none where it can't be run."""
    try:
        with child_process(
            [program, "-hide_banner", "-encoders"], stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            listed = process.stdout.read()
    except OSError:
        return frozenset()
    if process.returncode != 0:
        return frozenset()
    lines = listed.decode("utf-8", "replace").partition("------")[2].splitlines()
    return frozenset(columns[1] for columns in map(str.split, lines) if len(columns) > 1)


def format_findings(source: ManifestFile) -> Iterator[Finding]:
    """Check that the ffmpeg in use has an encoder for each format of the manifest."""
    if not any(facts_of(name).codec for name in source.manifest.download_folders):
        return
    try:
        encoders = ffmpeg_encoders(ffmpeg_program())
    except AssemblerError:
        encoders = frozenset()
    for loc, name in source.manifest.formats_with_places():
        encoder = FACTS[name].encoder
        if encoder and encoder not in encoders:
            message = (
                f"{name} can't be made here: the ffmpeg in use lacks the encoder `{encoder}`: "
                "reinstall the package imageio-ffmpeg, or set IMAGEIO_FFMPEG_EXE to an ffmpeg that "
                "has it, or remove the format"
            )
            yield source.finding("error", "unavailable-format", loc, message)


class FlacWriter:
    """Writes a passage's PCM into one FLAC file per track.

    Parameters
    ----------
    paths
        The files.
    rate_hz, bits
        Of the PCM.
    """

    def __init__(self, paths: Sequence[Path], rate_hz: int, bits: int) -> None:
        self._paths = paths
        self._rate_hz = rate_hz
        self._bits = bits
        self._region = -1
        self._file: soundfile.SoundFile | None = None

    def write(self, region: int, pcm: Pcm) -> None:
        """Write the next samples of a track; the tracks follow each other."""
        if region != self._region:
            self.close()
            self._file = _lossless_file(self._paths[region], self._rate_hz, self._bits)
            self._region = region
        if self._file:
            self._file.write(np.left_shift(pcm, 32 - self._bits))

    def close(self) -> None:
        """Close the last file."""
        if self._file:
            self._file.close()


def encode(pcm: Iterable[NDArray[np.int32]], rate_hz: int, facts: FormatFacts, target: Path) -> int:
    """Encode a track, from blocks at the format's word length; return its length in samples.

    Raises
    ------
    AssemblerError
        The encoder failed.
    """
    length = 0

    def left_aligned() -> Iterator[NDArray[np.int32]]:
        nonlocal length
        for block in pcm:
            length += len(block)
            yield np.left_shift(block, 32 - facts.bits)

    if not facts.codec:
        write_lossless(left_aligned(), rate_hz, facts.bits, target)
        return length
    source = ["-f", "s32le", "-ar", str(rate_hz), "-ac", "2", "-i", "pipe:0"]
    _run_encoder(
        source, facts, target, (np.ascontiguousarray(b, "<i4").data for b in left_aligned())
    )
    if facts.container == "mp3":
        write_mp3_length(target, length)
    return length


def encode_file(source: Path, facts: FormatFacts, target: Path) -> int:
    """Encode a lossless file with ffmpeg, and return its length in samples.

    ffmpeg decodes it in less time than a pipe takes to bring the same samples.

    Parameters
    ----------
    source
        FLAC or WAV file of 24 bits.
    facts
        The format.
    target
        File to write.

    Raises
    ------
    AssemblerError
        The encoder failed.
    """
    _run_encoder([*ALONE, "-i", f"file:{source}"], facts, target)
    length = int(soundfile.info(for_libsndfile(source)).frames)
    if facts.container == "mp3":
        write_mp3_length(target, length)
    return length


def _run_encoder(
    source: Sequence[str], facts: FormatFacts, target: Path, feed: Iterable[memoryview] = ()
) -> None:
    reproducible = ["-map_metadata", "-1", "-fflags", "+bitexact", "-flags:a", "+bitexact"]
    depth = ["-sample_fmt", "s32p", "-bits_per_raw_sample", "24"] if "alac" in facts.codec else []
    run_ffmpeg([*source, *reproducible, *facts.codec, *depth, f"file:{target}"], feed=feed)


def write_lossless(
    aligned: Iterable[NDArray[np.int32]], rate_hz: int, bits: int, target: Path
) -> None:
    """Write PCM, left-aligned in 32 bits, as FLAC or WAV by the target's extension."""
    with _lossless_file(target, rate_hz, bits) as file:
        for block in aligned:
            file.write(np.ascontiguousarray(block))


def _lossless_file(target: Path, rate_hz: int, bits: int) -> soundfile.SoundFile:
    kind = "FLAC" if target.suffix == ".flac" else "WAV"
    level = {"compression_level": FLAC_LEVEL} if kind == "FLAC" else {}
    return soundfile.SoundFile(
        for_libsndfile(target), "w", rate_hz, 2, subtype=f"PCM_{bits}", format=kind, **level
    )
